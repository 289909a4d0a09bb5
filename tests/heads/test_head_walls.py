"""Walls, rails and pegs on any outline: parallels, volumes in closed form, what is left open, and what is refused."""
from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon

from core.errors import SpecError
from core.head import make_head
from core.head.columns import Run, columns, points_at
from core.head.draft import Plan
from core.head.openings import LEAST_BAY_MM, Bay, holes_of, lay_out_windows, scoop_bays, scoop_depths
from core.head.wall import raise_wall
from core.solid.kernel import (
    area_mm2,
    bodies,
    bounds,
    gap_mm,
    is_watertight_after_welding,
    overlap,
    section,
    solid_of,
)
from core.spec import spec_of
from core.stone import CUTS, make_stone
from core.tolerance import OVERLAP_MM, WELD_MM

STYLES = ("basket", "gallery", "coronet", "peg")
STRAIGHT = {"wall.taper_deg": 0.0, "stone.length_mm": 12.0}
FINE_MM = 0.0001


def head(style: str, state: str = "cast", chord_mm: float = 0.005, **changes: object):
    return make_head(spec_of({"head.style": style}).with_choices(**changes), state, chord_mm)


def refusal(style: str, **changes: object) -> str:
    with pytest.raises(SpecError) as caught:
        head(style, **changes)
    return str(caught.value)


@pytest.mark.parametrize("cut", ["oval", "marquise", "pear", "heart", "cushion", "princess", "emerald", "radiant", "trillion"])
def test_parallels_are_those_of_an_outside_library(cut: str) -> None:
    """Outside check: shapely's mitred buffer of a dense polygon; a cleft's parallel keeps its distance, so it is round."""
    outline = make_stone({"cut": cut, "width_mm": 6.0}).outline
    dense = Polygon(outline.loop(0.0, [800 if piece.is_curved else 1 for piece in outline.pieces]))
    insets = [-0.8, -0.2, 0.3, 0.8, 1.3]
    for inset, loop in zip(insets, outline.loops(insets, outline.counts(0.0005)), strict=True):
        style = "round" if cut == "heart" and inset > 0.0 else "mitre"
        judge = dense.buffer(-inset, join_style=style, mitre_limit=50.0, quad_segs=256)
        off = Polygon(loop).buffer(0.0).symmetric_difference(judge).area
        assert off < 2e-3 * outline.perimeter_mm, (inset, off)


@pytest.mark.parametrize("cut", CUTS)
def test_many_parallels_at_once_are_those_found_one_by_one(cut: str) -> None:
    outline = make_stone({"cut": cut, "width_mm": 5.0}).outline
    counts = outline.counts(0.01)
    insets = np.linspace(-1.0, 0.9 * outline.reach_mm, 12)
    for inset, loop in zip(insets, outline.loops(insets, counts), strict=True):
        assert np.abs(loop - outline.loop(float(inset), counts)).max() < 1e-9


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("cut", CUTS)
def test_every_cut_is_one_closed_body_in_both_states(cut: str, style: str) -> None:
    # Every size and state with every cut and every style, but not each with each.
    turn = CUTS.index(cut) + STYLES.index(style)
    made = head(style, "cast" if turn % 2 else "set", stone__cut=cut, stone__width_mm=(5.0, 10.0, 7.3)[turn % 3])
    assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM)


@pytest.mark.parametrize("cut", CUTS)
def test_small_baskets_pegs_and_coronets_are_made_or_refused_in_words(cut: str) -> None:
    for style in STYLES:
        try:
            made = head(style, stone__cut=cut, stone__width_mm=2.5)
        except SpecError as error:
            assert "take" in str(error)
            continue
        assert style != "gallery" and len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM)


# Rails.


@pytest.mark.parametrize(("cut", "exactly"), [("round brilliant", 1e-9), ("princess", 1e-9), ("oval", 1e-4), ("marquise", 3e-3)])
def test_rails_hold_the_volume_that_pappus_gives(cut: str, exactly: float) -> None:
    """Closed form: the circle's area times the length of the parallel that the rail's middle follows."""
    made = head("basket", chord_mm=0.001, stone__cut=cut, stone__width_mm=6.0)
    plan, outline = made.plan, made.stone.outline
    slope = math.tan(math.radians(plan["taper"]))
    for name, height, shift in (("base rail", plan["base_rail_height"], plan["base_rail_shift"]),
                                ("upper rail", plan["upper_rail_height"], plan["upper_rail_shift"])):
        inset = (plan["girdle_plane"] - height) * slope - shift
        loop = outline.loop(inset, [2000 if piece.is_curved else 1 for piece in outline.pieces])
        length = np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1).sum()
        if outline.is_one_piece:
            length = 2.0 * math.pi * (3.0 - inset)
        expected = math.pi / 4.0 * plan["rail_thickness"] ** 2 * length
        assert made.parts[name].volume_mm3() == pytest.approx(expected, rel=exactly), name


@pytest.mark.parametrize("cut", CUTS)
def test_rails_tie_every_claw_clear_the_pavilion_and_leave_a_gap_that_can_be_cast(cut: str) -> None:
    for width_mm in (2.5, 6.0):
        made = head("basket", chord_mm=0.01, stone__cut=cut, stone__width_mm=width_mm)
        base, upper = made.part_solids["base rail"], made.part_solids["upper rail"]
        assert base.bounding_box()[2] == pytest.approx(0.0, abs=1e-12)
        assert gap_mm(base, upper, 5.0) >= 0.2 - 0.01
        if made.stone.pavilion_depth_mm > 0.0:
            assert gap_mm(upper, made.stone_solid, 5.0) >= 0.1
        else:
            assert gap_mm(upper, made.stone_solid, 5.0) < 0.01  # a flat base rests on it
        for name, claw in made.part_solids.items():
            if name.startswith("claw"):
                for rail in (base, upper):
                    low, high = bounds(overlap(claw, rail))
                    assert min(b - a for a, b in zip(low, high, strict=True)) >= OVERLAP_MM, (name, width_mm)


def test_rails_of_bowed_claws_follow_them() -> None:
    straight, bowed = head("basket", stone__length_mm=8.0), head("basket", stone__length_mm=8.0, claws__bow_mm=0.4)
    assert bowed.plan["upper_rail_shift"] > straight.plan["upper_rail_shift"] + 0.1
    assert len(bodies(bowed.solid)) == 1


def test_a_rail_that_would_touch_the_pavilion_is_refused_with_the_least_drop() -> None:
    words = refusal("basket", rails__upper_drop=0.1, rails__thickness_mm=1.6)
    assert "rails.upper_drop = 0.1" in words and "0.1 mm" in words and "at least" in words


# Windows.


def test_windows_take_out_what_their_closed_form_says() -> None:
    """Upright round wall: each window takes its area on the outer face times (R² - r²) / 2R."""
    made = head("gallery", chord_mm=FINE_MM, wall__bevel_mm=0.0, **{k.replace(".", "__"): v for k, v in STRAIGHT.items()})
    plan = made.plan
    outer, inner = plan["outer_radius_base"], plan["inner_radius_base"]
    found = lay_out_windows(made._site, holes_of(plan))
    assert len(found) == plan["window_count"] == plan["claw_count"]
    expected = sum(window.area_mm2 for window in found) * (outer ** 2 - inner ** 2) / (2.0 * outer)
    whole = raise_wall(made._site, True)["wall"].volume_mm3()
    assert whole - made.parts["wall"].volume_mm3() == pytest.approx(expected, rel=5e-3)


def test_bars_and_bands_are_as_wide_as_stated() -> None:
    made = head("gallery", stone__cut="princess", stone__width_mm=14.0, wall__taper_deg=0.0, claws__placement="corners")
    plan = made.plan
    wall = made.part_solids["wall"]
    assert len(section(wall, plan["window_sill"] - 0.01)) == 2 == len(section(wall, plan["window_top"] + 0.01))
    loops = section(wall, plan["window_sill"] + 0.2)
    assert len(loops) == plan["window_count"] > 4
    spans = sorted(float(np.ptp(loop, axis=0).max()) for loop in loops)
    bars = [span for span in spans if span < 1.5 * max(plan["window_bar"], plan["wall_thickness"])]
    thin = [float(np.ptp(loop, axis=0).min()) for loop in loops if float(np.ptp(loop, axis=0).max()) in bars]
    assert thin and min(thin) == pytest.approx(plan["window_bar"], abs=1e-3)
    assert plan["window_band"] == pytest.approx(plan["window_sill"])


@pytest.mark.parametrize(("cut", "length_mm"), [("oval", 8.0), ("rose cut", 10.0)])
def test_bars_have_their_width_on_the_inner_face_too(cut: str, length_mm: float) -> None:
    made = head("gallery", stone__cut=cut, stone__length_mm=length_mm)
    run, bar = Run.along(made.stone.outline.parted), made.plan["window_bar"]
    found = lay_out_windows(made._site, holes_of(made.plan))
    inside = []
    for one, other in zip(found, found[1:], strict=False):
        if one.bay == other.bay:  # not on either side of a claw
            inset = np.array([float(one.face.inset(one.bottom_mm))])
            ends = [run.spot(np.array([length]), inset, one.bay) for length in (one.lefts[0] + one.widths[0], other.lefts[0])]
            inside.append(float(run.length(ends[1], inset + one.face.through_mm)[0]
                                - run.length(ends[0], inset + one.face.through_mm)[0]))
    assert inside and min(inside) >= bar - 1e-6
    assert cut != "rose cut" or max(inside) == pytest.approx(bar, abs=1e-6)


@pytest.mark.parametrize("cut", ["oval", "cushion", "emerald"])
def test_windows_go_through_the_wall_square_to_the_outline(cut: str) -> None:
    """Each point inside lies where the outline's normal leads from its partner outside."""
    made = head("gallery", stone__cut=cut, stone__width_mm=8.0)
    outline, run = made.stone.outline.parted, Run.along(made.stone.outline.parted)
    for window in lay_out_windows(made._site, holes_of(made.plan)):
        lengths, heights = window.edge(10, 20)
        insets = np.asarray(window.face.inset(heights))
        spots = run.spot(lengths, insets, window.bay)
        assert np.abs(run.length(spots, insets) - lengths).max() < 1e-9
        way = points_at(outline, spots, insets + 0.5) - points_at(outline, spots, insets)
        assert np.linalg.norm(way, axis=1) == pytest.approx(0.5, abs=1e-9)


def test_each_corner_of_a_window_under_a_sharply_bent_corner_lies_where_it_was_meant() -> None:
    """Where a cushion's side runs into its corner the wall inside is so much shorter that steps from afar went astray."""
    made = head("gallery", stone__cut="cushion", stone__length_mm=9.0, stone__width_mm=6.0)
    run, found = Run.along(made.stone.outline.parted), lay_out_windows(made._site, holes_of(made.plan))
    for window in found:
        lengths, heights = window.edge_in_chords(1, 8 * window.arch_chords(made.chord_mm))
        insets = np.asarray(window.face.inset(heights))
        spots = run.spot(lengths, insets, window.bay)
        assert np.abs(run.length(spots, insets) - lengths).max() < 1e-9
        assert window.bay[0] < spots.min() and spots.max() < window.bay[1]


def test_a_gallery_is_quads_but_where_a_side_is_swallowed() -> None:
    mesh = head("gallery", stone__length_mm=8.0).parts["wall"]
    assert mesh.is_closed() and (mesh.sizes == 4).all()


@pytest.mark.parametrize("style", ["gallery", "coronet"])
@pytest.mark.parametrize("cut", ["round brilliant", "oval", "cushion", "pear", "heart", "princess", "trillion"])
def test_a_wall_in_few_quads_is_the_even_one_within_the_chord_error(cut: str, style: str) -> None:
    made = head(style, stone__cut=cut, stone__length_mm=7.0)
    even, few = solid_of(made.parts["wall"], "wall"), made.part_solids["wall"]
    assert few.num_tri() < 0.5 * even.num_tri()
    apart = sum(few_or_even.volume() for few_or_even in (even - few, few - even))
    assert apart < 0.005 * area_mm2(even)


@pytest.mark.parametrize("cut", ["trillion", "princess", "marquise", "pear", "heart", "emerald"])
def test_no_claw_stands_in_a_window(cut: str) -> None:
    made = head("gallery", stone__cut=cut, stone__length_mm=8.0)
    holes = solid_of(raise_wall(made._site, True)["wall"], "wall") - made.part_solids["wall"]
    taken = sum(overlap(holes, claw).volume() for name, claw in made.part_solids.items() if name.startswith("claw"))
    assert holes.volume() > 1.0 and taken < 0.005 * 0.5 * area_mm2(holes)  # chords leave slivers that are no holes


@pytest.mark.parametrize(("width_mm", "is_made"), [(2.99, False), (3.0, True), (3.01, True)])
def test_the_least_stone_of_a_gallery(width_mm: float, is_made: bool) -> None:
    if is_made:
        assert head("gallery", stone__length_mm=width_mm).plan["window_count"] > 0
    else:
        assert "at least 3 mm" in refusal("gallery", stone__length_mm=width_mm)


@pytest.mark.parametrize("cut", CUTS)
def test_a_scooped_wall_reaches_its_top_at_every_claw(cut: str) -> None:
    made = head("coronet", stone__cut=cut, stone__length_mm=8.0)
    wall, top = made.part_solids["wall"], made.plan["wall_top"]
    assert bounds(wall)[1][2] == pytest.approx(top, abs=1e-9)
    for name, claw in made.part_solids.items():
        if name.startswith("claw"):
            low, high = bounds(claw)
            near = [loop for loop in section(wall, top - 0.005)
                    if ((loop >= low[:2] - 0.3) & (loop <= high[:2] + 0.3)).all(axis=1).any()]
            assert near, name


def test_bars_that_leave_no_window_are_refused() -> None:
    assert "wall.bar_mm = 4" in refusal("gallery", stone__length_mm=5.0, wall__bar_mm=4.0)


# Scoops.


def test_scoops_take_out_what_their_closed_form_says_and_leave_the_claws_their_bearing() -> None:
    """Upright round wall: half the depth, on the mean, over each bay's angle times (R² - r²) / 2."""
    made = head("coronet", chord_mm=FINE_MM, **{k.replace(".", "__"): v for k, v in STRAIGHT.items()})
    plan = made.plan
    outer, inner, top = plan["outer_radius_base"], plan["inner_radius_base"], plan["wall_top"]
    taken = 2.0 * (plan["claw_diameter"] / 2.0 + plan["claw_bearing"]) / outer
    angles = 2.0 * math.pi - plan["claw_count"] * taken
    expected = 0.5 * plan["scoop_depth"] * angles * (outer ** 2 - inner ** 2) / 2.0
    whole = raise_wall(made._site, True)["wall"].volume_mm3()
    wall = made.parts["wall"]
    assert whole - wall.volume_mm3() == pytest.approx(expected, rel=5e-3)
    rim = wall.vertices[np.hypot(wall.vertices[:, 0], wall.vertices[:, 1]) > outer - 1e-3]
    azimuth = np.arctan2(rim[:, 1], rim[:, 0])
    for line in made.lines:
        way = math.atan2(line.place.point[1], line.place.point[0])
        near = np.abs(np.angle(np.exp(1j * (azimuth - way)))) < taken / 2.0
        heights = [rim[near & (np.abs(azimuth - each) < 1e-9), 2].max() for each in np.unique(azimuth[near])]
        assert min(heights) == pytest.approx(top, abs=1e-9)
    lowest = min(rim[np.abs(azimuth - each) < 1e-9, 2].max() for each in np.unique(azimuth.round(9)))
    assert lowest == pytest.approx(top - plan["scoop_depth"], abs=2e-3)


def test_the_deepest_scoop_leaves_a_ring() -> None:
    plan = head("coronet", stone__length_mm=6.0).plan
    most = plan["wall_top"] - plan["bevel"] * math.cos(math.radians(plan["taper"])) - plan["wall_thickness"]
    assert len(bodies(head("coronet", stone__length_mm=6.0, wall__scoop_mm=most).solid)) == 1
    assert len(bodies(head("coronet", stone__length_mm=6.0, wall__scoop_mm=most - 0.01).solid)) == 1
    assert f"at most {most:.2f} mm" in refusal("coronet", stone__length_mm=6.0, wall__scoop_mm=most + 0.01)


def test_columns_between_corners_stay_in_place() -> None:
    outline = make_stone({"cut": "princess", "width_mm": 6.0}).outline
    made = columns(outline, np.linspace(0.0, 1.5, 4), 0.2, 0.005)
    kept = np.isfinite(made.spots)
    assert kept.sum() > 40 and (~kept).sum() > 4
    ways = np.diff(made.points[:, kept], axis=0)
    assert np.abs(np.abs(ways).max(axis=2) - 0.5).max() < 1e-12 and np.abs(ways).min(axis=2).max() < 1e-12


# Pegs.


def test_a_peg_holds_the_volume_of_its_cone_and_stays_below_the_culet() -> None:
    """Closed form: a frustum."""
    made = head("peg")
    plan = made.plan
    low, height = plan["peg_diameter"] / 2.0, plan["peg_height"]
    high = low + height * math.tan(math.radians(plan["peg_flare"]))
    assert made.parts["peg"].volume_mm3() == pytest.approx(math.pi * height / 3.0 * (low * low + low * high + high * high))
    assert made.parts["peg"].vertices[:, 2].min() == 0.0
    assert plan["culet_clearance"] - height == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(("over_mm", "is_made"), [(0.09, False), (0.1, True), (0.11, True)])
def test_how_near_the_culet_may_come_to_the_peg(over_mm: float, is_made: bool) -> None:
    choice = {"peg__height_mm": 1.0, "head__culet_clearance_mm": 1.0 + over_mm}
    if is_made:
        assert len(bodies(head("peg", **choice).solid)) == 1
    else:
        assert "needs 0.1 mm" in refusal("peg", **choice)


def test_a_peg_under_a_long_bar_is_refused_for_a_basket() -> None:
    assert 'take the style "basket"' in refusal("peg", stone__cut="baguette", stone__length_mm=24.0, stone__width_mm=2.0)
    assert "leave the taper out" in refusal("peg", wall__taper_deg=10.0)


# The tapered wall.


def test_the_wall_of_a_round_stone_unrolls_as_a_collet_does() -> None:
    """Geometry, worked by hand: taper 14°, top radius 3.65, height 5 give a sector of 87.09° and radii 15.088, 9.934."""
    choice = {"wall__taper_deg": 14.0, "wall__seat_inset_mm": 0.2, "stone__pavilion_angle_deg": 41.0}
    drop = head("tapered claw", stone__length_mm=7.0, **choice).plan["wall_drop"]
    width = 2.0 * (3.65 + drop * math.tan(math.radians(14.0)))
    depth = head("tapered claw", stone__length_mm=width, **choice).plan["pavilion_depth"]
    plan = head("tapered claw", stone__length_mm=width, head__culet_clearance_mm=5.0 + drop - depth, **choice).plan
    assert (plan["outer_radius_top"], plan["wall_top"]) == pytest.approx((3.65, 5.0), abs=1e-9)
    assert plan["outer_radius_base"] == pytest.approx(2.403, abs=0.0005)
    assert plan["development_sector"] == pytest.approx(87.09, abs=0.005)
    assert (plan["development_outer"], plan["development_inner"]) == pytest.approx((15.088, 9.934), abs=0.0005)


@pytest.mark.parametrize(("cut", "ratio"), [("marquise", 3.5), ("pear", 2.5), ("heart", 1.3), ("trillion", 1.3),
                                            ("emerald", 2.5), ("baguette", 6.0), ("oval", 2.5)])
def test_a_wall_too_thick_for_a_sharp_outline_is_refused_with_the_limit(cut: str, ratio: float) -> None:
    width_mm = 4.0
    choice = {"stone__cut": cut, "stone__width_mm": width_mm, "stone__length_mm": ratio * width_mm}
    head("tapered claw", **choice).parts
    words = refusal("tapered claw", wall__thickness_mm=2.2, **choice)
    assert "wall.thickness_mm = 2.2" in words and any(character.isdigit() for character in words.split("refused")[1])


def test_a_slot_between_two_claws_is_not_scooped() -> None:
    """Thick claws at the ends of a tapered baguette leave a hair of wall between them, which no scoop's steps need follow."""
    made = make_head(spec_of({"stone.cut": "tapered baguette", "stone.length_mm": 8.8, "head.style": "coronet", "wall.taper_deg": 0.0,
                              "claws.diameter_mm": 1.61, "casting.alloy": "14K white gold, nickel"}))
    assert len(made.parts["wall"]) < 10_000 and made.part_solids["wall"].num_tri() < 10_000


def test_a_narrow_bay_is_scooped_by_no_more_than_half_its_width_beside_wider_ones() -> None:
    bays = [Bay(0.0, 2.0), Bay(3.0, 3.6)]
    assert scoop_depths(bays, 0.8) == [0.8, pytest.approx(0.3)]
    # A scoop that was asked for deeper than usual keeps its shape in narrower bays.
    assert scoop_depths(bays, 2.0) == [2.0, pytest.approx(0.6)]


@pytest.mark.parametrize("narrower_mm, count", [(0.01, 0), (0.0, 1), (-0.01, 1)])
def test_how_narrow_a_bay_is_not_scooped(narrower_mm: float, count: int) -> None:
    """Just under, at and just over LEAST_BAY_MM between two claws and their bearings."""
    made = make_head(spec_of({"stone.length_mm": 6.5, "head.style": "coronet", "claws.count": 4}))
    site = made._site
    (bay, *_) = scoop_bays(site, Run.along(site.outline.parted))
    # What the bearings take more narrows each bay by twice that.
    more = (bay.end - bay.start - LEAST_BAY_MM + narrower_mm) / 2.0 - 1e-9
    dimensions = dict(made.plan.dimensions)
    dimensions["claw_bearing"] = replace(dimensions["claw_bearing"], value=made.plan["claw_bearing"] + more)
    tighter = replace(site, plan=Plan(dimensions))
    assert len(scoop_bays(tighter, Run.along(site.outline.parted))) == 4 * count


def test_no_scoop_runs_through_a_heart_s_cleft() -> None:
    made = make_head(spec_of({"stone.cut": "heart", "stone.length_mm": 9.0, "stone.width_mm": 6.0, "head.style": "coronet"}))
    top = made.plan["wall_top"]
    points = made.parts["wall"].vertices
    in_cleft = points[(np.abs(points[:, 1]) < 0.3) & (points[:, 0] < -1.0)]
    assert in_cleft[:, 2].max() == pytest.approx(top, abs=1e-9)
