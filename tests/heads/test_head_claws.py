"""Claws on any outline: where they stand, how they lean, their sections, and what the setter makes of them."""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from core.errors import SpecError
from core.head import Head, make_head
from core.head.claw_sections import SOFT_SHARE, VShape, section_ring
from core.head.claws import share_at
from core.head.placement import azimuth_deg, corners_of, pair_places, place_claws, points_of, usual_placement
from core.proof import prove
from core.solid.kernel import (
    bodies,
    gap_mm,
    hull_triangles,
    is_watertight_after_welding,
    overlap,
    section,
    solid_of_triangles,
    volume_mm3,
)
from core.spec import spec_of
from core.stone import CUTS, make_stone
from core.tolerance import WELD_MM
from core.trade.house_rules import HouseRules, house_rules

SIZES_MM = (2.5, 5.0, 10.0)
POINT_DEG = house_rules().value("retention.point_from_deg")
SHARP = ("marquise", "pear", "heart", "princess", "baguette", "tapered baguette", "trillion")


@cache
def head(cut: str, state: str = "cast", **choices: object) -> Head:
    given = {"stone.cut": cut, "stone.width_mm": 5.0}
    return make_head(spec_of(given | {name.replace("__", "."): value for name, value in choices.items()}), state)


@cache
def outline(cut: str):
    return make_stone({"cut": cut, "width_mm": 5.0}).outline


def directions(made: Head) -> list[float]:
    return [made.plan[f"claw_{i}_direction"] for i in range(1, round(made.plan["claw_count"]) + 1)]


# Where they stand.


@pytest.mark.parametrize(("cut", "points", "corners", "usual", "count"), [
    ("round brilliant", 0, 0, "evenly", 4), ("oval", 0, 0, "evenly", 4), ("marquise", 2, 2, "points", 6),
    ("pear", 1, 1, "points", 5), ("heart", 1, 1, "points", 5), ("trillion", 3, 3, "points", 3),
    ("straight trillion", 0, 3, "corners", 3), ("princess", 4, 4, "corners", 4), ("baguette", 4, 4, "corners", 4),
    ("tapered baguette", 4, 4, "corners", 4), ("emerald", 0, 4, "corners", 4), ("asscher", 0, 4, "corners", 4),
    ("radiant", 0, 4, "corners", 4), ("cushion", 0, 4, "corners", 4), ("rose cut", 0, 0, "evenly", 4),
    ("round cabochon", 0, 0, "evenly", 4), ("oval cabochon", 0, 0, "evenly", 4),
])
def test_each_outline_is_held_where_it_needs_it(cut: str, points: int, corners: int, usual: str, count: int) -> None:
    shape = outline(cut)
    assert (len(points_of(shape, POINT_DEG)), len(corners_of(shape, POINT_DEG)), usual_placement(shape, POINT_DEG)[0]) == (points, corners, usual)
    made = head(cut)
    assert made.plan["claw_count"] == count
    # Every point and corner has its claw.
    for corner in corners_of(shape, POINT_DEG):
        assert min(math.dist(corner.point, line.place.point) for line in made.lines) < 1e-6


def test_a_workshop_says_itself_from_which_turn_on_a_corner_takes_a_claw_of_its_own() -> None:
    shipped = house_rules()
    shape = outline("marquise")
    turn = max(corner.turn_deg for corner in shape.corners)
    for limit, placement in ((turn - 0.1, "points"), (turn, "points"), (turn + 0.1, "evenly")):
        rule = replace(shipped["retention.point_from_deg"], value=limit)
        rules = HouseRules({**shipped.rules, rule.key: rule})
        made = make_head(spec_of({"stone.cut": "marquise", "stone.width_mm": 5.0}), rules=rules)
        assert ("v_claw_count" in made.plan) == (placement == "points") == any(line.place.is_corner for line in made.lines)


def test_corners_are_the_middles_of_cut_and_of_round_ones() -> None:
    for corner in corners_of(outline("emerald"), POINT_DEG):
        assert np.abs(corner.normal) == pytest.approx([math.sqrt(0.5)] * 2)
        assert np.abs(corner.point) == pytest.approx([3.15, 2.15], abs=1e-3)
    for corner in corners_of(outline("cushion"), POINT_DEG):
        assert abs(corner.point[0]) == pytest.approx(abs(corner.point[1])) and not corner.is_corner


@pytest.mark.parametrize("cut", CUTS)
def test_claws_stand_the_same_on_both_sides_of_the_stone(cut: str) -> None:
    for count in (None, 7, 8, 9):
        made = head(cut, claws__diameter_mm=0.5, **({"claws__count": count} if count else {}))
        places = np.array([line.place.point for line in made.lines])
        mirrored = places * (1.0, -1.0)
        assert np.linalg.norm(places[:, None] - mirrored, axis=2).min(axis=1).max() < 1e-6, count
        assert len(places) == made.plan["claw_count"]


def test_evenly_is_by_angle_on_a_circle_and_by_length_on_any_other_outline() -> None:
    assert [azimuth_deg(place) for place in place_claws(outline("round brilliant"), "evenly", 6, POINT_DEG)] == pytest.approx(
        [30.0, 90.0, 150.0, 210.0, 270.0, 330.0])
    shape = outline("oval")
    dense = np.radians(np.linspace(0.0, 360.0, 200001))
    points = np.column_stack([3.5 * np.cos(dense), 2.5 * np.sin(dense)])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    at = sorted(float(run[int(np.argmin(np.linalg.norm(points - place.point, axis=1)))])
                for place in place_claws(shape, "evenly", 7, POINT_DEG))
    assert np.diff(at) == pytest.approx([run[-1] / 7.0] * 6, abs=2e-3)


def test_no_claw_stands_in_a_hearts_cleft() -> None:
    shape = outline("heart")
    cleft = next(corner for corner in shape.corners if corner.turn_deg < 0.0)
    for count in (3, 5, 7):
        for placement in ("points", "evenly"):
            ways = sorted(math.dist(cleft.point, place.point) for place in place_claws(shape, placement, count, POINT_DEG))
            assert ways[0] == pytest.approx(ways[1], abs=1e-6) and ways[0] > 1.0
    with pytest.raises(SpecError, match="claws.directions_deg.*cleft"):
        head("heart", claws__directions_deg="0, 90, 180")


def test_a_claw_that_would_reach_round_a_corner_stands_at_it() -> None:
    """The flat corners of a long trillion take no claw of their own; those along its sides come near them as it grows longer."""
    for length_mm, is_at_corner in ((6.0, True), (9.0, True), (10.0, True), (11.0, False)):
        made = head("trillion", stone__width_mm=3.0, stone__length_mm=length_mm)
        corners = [corner for corner in made.stone.outline.corners if corner.turn_deg < POINT_DEG]
        assert len(corners) == 2
        for corner in corners:
            ways = [math.dist(corner.point, line.place.point) for line in made.lines]
            assert (min(ways) < 1e-9) == is_at_corner and (is_at_corner or min(ways) >= made.plan["claw_diameter"] / 2.0)


def test_a_claw_stands_at_a_corner_that_half_of_it_reaches_and_no_two_stand_at_one() -> None:
    shape = head("trillion", stone__width_mm=3.0, stone__length_mm=9.0).stone.outline
    corners = [corner for corner in shape.corners if corner.turn_deg < POINT_DEG]

    def nearest(claw_mm: float) -> list[float]:
        places = place_claws(shape, "points", 5, POINT_DEG, None, claw_mm)
        return [min(math.dist(corner.point, place.point) for place in places) for corner in corners]

    off = nearest(0.0)[0]
    assert off > 0.1
    assert nearest(2.0 * off - 1e-6) == pytest.approx([off, off]) and nearest(2.0 * off + 1e-6) == pytest.approx([0.0, 0.0])
    for count in range(5, 20, 2):
        assert len({tuple(place.point) for place in place_claws(shape, "points", count, POINT_DEG, None, 3.0)}) == count


def test_pairs_stand_beside_the_corners_and_keep_their_gap() -> None:
    made = head("emerald", claws__placement="pairs", claws__pair_gap_mm=0.5)
    assert made.plan["claw_count"] == 8
    for first, second in zip(made.lines[::2], made.lines[1::2], strict=True):
        middle = (first.place.point + second.place.point) / 2.0
        assert min(math.dist(corner.point, middle) for corner in corners_of(outline("emerald"), POINT_DEG)) < 0.25
    made = head("round brilliant", claws__placement="pairs", claws__pair_gap_mm=0.6, stone__width_mm=8.0)
    flats = [section(made.part_solids[f"claw {i}"], made.plan["girdle_plane"])[0] for i in (1, 2)]
    clear = np.linalg.norm(flats[0][:, None] - flats[1], axis=2).min()
    assert clear == pytest.approx(0.6, abs=0.02)
    assert len(pair_places(outline("princess"), 8, 1.0, POINT_DEG)) == 8


def test_directions_are_kept_and_the_plan_says_each() -> None:
    made = head("oval", claws__directions_deg="20, 160, 200.5, 340")
    assert directions(made) == pytest.approx([20.0, 160.0, 200.5, 340.0])
    for line, direction in zip(made.lines, directions(made), strict=True):
        assert math.degrees(math.atan2(line.place.point[1], line.place.point[0])) % 360.0 == pytest.approx(direction)


@pytest.mark.parametrize(("cut", "choices", "key"), [
    ("princess", {"claws__placement": "corners", "claws__count": 3}, "claws.count"),
    ("marquise", {"claws__placement": "points", "claws__count": 5}, "claws.count"),
    ("heart", {"claws__placement": "points", "claws__count": 6}, "claws.count"),
    ("oval", {"claws__placement": "corners"}, "claws.placement"),
    ("round brilliant", {"claws__placement": "points", "claws__count": 4}, "claws.count"),
    ("oval", {"claws__placement": "directions"}, "claws.placement"),
    ("oval", {"claws__directions_deg": "10"}, "claws.directions_deg"),
    ("oval", {"claws__directions_deg": "10, 170", "claws__count": 3}, "claws.count"),
    ("oval", {"claws__placement": "pairs", "claws__count": 5}, "claws.count"),
    ("princess", {"claws__placement": "corners", "claws__start_angle_deg": 10.0}, "claws.start_angle_deg"),
    ("oval", {"claws__placement": "evenly", "claws__directions_deg": "10, 170"}, "claws.directions_deg"),
    ("oval", {"claws__placement": "evenly", "claws__pair_gap_mm": 0.4}, "claws.pair_gap_mm"),
    ("tapered baguette", {"claws__placement": "pairs", "stone__width_mm": 2.5}, "claws.placement"),
    ("round brilliant", {"claws__section": "V"}, "claws.section"),
    ("oval", {"claws__tip": "V"}, "claws.tip"),
    ("round brilliant", {"claws__bow_mm": 2.0}, "claws.bow_mm"),
    ("princess", {"claws__width_mm": 3.0, "claws__diameter_mm": 1.0}, "claws.width_mm"),
    ("oval", {"claws__section": "tab", "claws__count": 8, "claws__width_mm": 3.0}, "claws.width_mm"),
    ("princess", {"claws__diameter_mm": 4.0}, "claws.diameter_mm"),
])
def test_what_cannot_stand_is_refused_by_name(cut: str, choices: dict[str, object], key: str) -> None:
    with pytest.raises(SpecError) as caught:
        head(cut, **choices)
    assert [fault.key for fault in caught.value.faults] == [key]
    assert caught.value.faults[0].allowed


def test_a_count_that_leaves_no_usual_place_is_spread_evenly_unless_the_place_was_chosen() -> None:
    made = head("princess", claws__count=3)
    assert made.plan["claw_count"] == 3 and "claw_start_angle" in made.plan


def test_legs_of_neighbouring_v_claws_keep_the_castable_gap_down_to_the_base() -> None:
    for cut in ("princess", "baguette", "tapered baguette"):
        made = head(cut)
        rings = [section(made.part_solids[f"claw {i}"], 0.001)[0] for i in (1, 2, 3, 4)]
        clear = min(np.linalg.norm(first[:, None] - second, axis=2).min()
                    for first, second in zip(rings, rings[1:] + rings[:1], strict=True))
        assert clear >= 0.2 - 0.01, cut


def test_a_brittle_stone_gets_stouter_claws_and_the_plan_says_why() -> None:
    diamond, tanzanite = (head("oval", stone__species=name).plan.dimension("claw_diameter")
                          for name in ("diamond", "tanzanite"))
    assert tanzanite.value == pytest.approx(1.05 * diamond.value, abs=0.01)
    assert "tanzanite chips easily" in tanzanite.reason


# How they stand.


@pytest.mark.parametrize("cut", CUTS)
def test_each_claw_is_square_to_the_outline_and_follows_the_wall(cut: str) -> None:
    """Its line runs through the wall's outer face at the base, at corners through the ridge there."""
    made = head(cut)
    plan, shape = made.plan, made.stone.outline
    inset = plan["girdle_plane"] * math.tan(math.radians(plan["taper"]))
    wall = shape.loop(inset, shape.counts(0.001))
    for i, line in enumerate(made.lines, 1):
        normal = np.array([*line.place.normal, 0.0])
        assert abs(float(np.cross(line.axis, [0.0, 0.0, 1.0]) @ normal)) < 1e-9
        assert line.along @ line.axis == pytest.approx(0.0, abs=1e-12) and line.outwards @ normal > 0.7
        lean = plan[f"claw_{i}_lean"] if f"claw_{i}_lean" in plan else plan["taper"]
        assert math.degrees(math.acos(line.axis[2])) == pytest.approx(lean, abs=1e-6)
        foot = line.place.point - line.place.normal * plan["girdle_plane"] * math.tan(math.radians(lean))
        ways = np.roll(wall, -1, axis=0) - wall
        share = np.clip(np.einsum("ij,ij->i", foot - wall, ways) / np.maximum(np.einsum("ij,ij->i", ways, ways), 1e-30),
                        0.0, 1.0)
        assert np.linalg.norm(foot - wall - share[:, None] * ways, axis=1).min() < 0.02


def test_a_corner_claw_leans_as_the_mitred_ridge_does() -> None:
    """Closed form: tan lean = tan taper / cos(turn / 2)."""
    plan = head("princess").plan
    expected = math.degrees(math.atan(math.tan(math.radians(plan["taper"])) / math.cos(math.radians(45.0))))
    assert plan["claw_1_lean"] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("choices", [{"claws__section": "round"}, {"claws__section": "oval"}, {"claws__section": "tab"},
                                     {"claws__section": "round", "claws__tip_share": 0.6},
                                     {"claws__section": "tab", "claws__bow_mm": 0.2}])
def test_the_girdle_cuts_the_planned_notch_out_of_every_section(choices: dict[str, object]) -> None:
    """A share of the claw's own thickness at the girdle."""
    made = head("emerald", **choices)
    plan = made.plan
    for i, line in enumerate(made.lines, 1):
        (loop,) = section(made.part_solids[f"claw {i}"], plan["girdle_plane"])
        through = (loop - line.place.point) @ line.place.normal
        lean = float(line.axis[2])
        assert -through.min() / np.ptp(through) == pytest.approx(plan["claw_notch"], abs=0.005)
        thickness = share_at(plan, line.girdle_mm) * plan["claw_diameter"]
        assert np.ptp(through) * lean == pytest.approx(thickness, abs=0.006)


@pytest.mark.parametrize("cut", SHARP)
def test_v_claws_stand_at_every_point_and_their_legs_lie_along_both_sides(cut: str) -> None:
    made = head(cut)
    plan = made.plan
    assert plan["v_claw_count"] == len(points_of(made.stone.outline, POINT_DEG))
    for i, line in enumerate(made.lines, 1):
        if not line.place.is_corner:
            continue
        (loop,) = section(made.part_solids[f"claw {i}"], plan["girdle_plane"])
        # The corner of the stone stands in its metal, and each leg is as long as planned.
        half = math.radians(line.turn_deg / 2.0)
        for sign in (1.0, -1.0):
            along = np.array([-math.sin(half), sign * math.cos(half)])
            across = np.array([math.cos(half), sign * math.sin(half)])
            frame = np.array([line.place.normal, [-line.place.normal[1], line.place.normal[0]]])
            seen = (loop - line.place.point) @ frame.T
            assert (seen @ along).max() == pytest.approx(plan["claw_width"], abs=1e-6)
            shape = VShape.of(plan["claw_diameter"], plan["claw_width"], plan["claw_notch"], line.turn_deg,
                              math.acos(line.axis[2]))
            assert (seen @ across).max() == pytest.approx(shape.outer_mm, abs=1e-6)


def test_a_bowed_claw_stands_out_most_half_way_and_is_straight_above_the_girdle() -> None:
    made, straight = head("round brilliant", claws__bow_mm=0.2), head("round brilliant")
    line = made.lines[0]
    for share, bow in ((0.0, 0.0), (0.25, 0.1), (0.5, 0.2), (0.75, 0.1), (1.0, 0.0), (1.4, 0.0)):
        off = line.at(share * line.girdle_mm) - straight.lines[0].at(share * line.girdle_mm)
        assert off == pytest.approx(bow * line.outwards, abs=1e-9)
    middle = float(line.at(0.5 * line.girdle_mm)[2])
    loops = [section(each.part_solids["claw 1"], middle)[0].mean(axis=0) for each in (made, straight)]
    assert (loops[0] - loops[1]) @ line.place.normal == pytest.approx(0.2 / math.cos(math.radians(17.0)), abs=0.005)


# Closed forms.


def area_of(ring: np.ndarray) -> float:
    x, y = ring.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def tab_area_mm2(thickness_mm: float, width_mm: float) -> float:
    """Area of a tab's section: the rectangle without what its softened edges lack."""
    radius = SOFT_SHARE * min(thickness_mm, width_mm)
    return thickness_mm * width_mm - (4.0 - math.pi) * radius * radius


@pytest.mark.parametrize("chord_mm", [0.02, 0.005, 0.001])
def test_sections_hold_the_area_of_the_true_curves(chord_mm: float) -> None:
    assert area_of(section_ring("oval", 0.9, 1.3, chord_mm)) == pytest.approx(math.pi * 0.9 * 1.3 / 4.0, rel=1e-12)
    assert area_of(section_ring("tab", 0.9, 1.3, chord_mm)) == pytest.approx(tab_area_mm2(0.9, 1.3), rel=1e-12)
    for turn_deg in (30.0, 73.7, 90.0):
        shape = VShape.of(0.9, 1.2, 0.29, turn_deg, 0.4)
        assert area_of(shape.ring(chord_mm)) == pytest.approx(shape.area_mm2, rel=1e-12)


@pytest.mark.parametrize("choices", [{"claws__section": "oval"}, {"claws__section": "tab"}, {}])
def test_claws_hold_the_volume_of_true_bars(choices: dict[str, object]) -> None:
    """Closed form: area times the length of the line; a slanted base changes it by the section's own middle alone."""
    made = head("princess", **choices)
    plan = made.plan
    line = made.lines[0]
    lean = math.acos(line.axis[2])
    areas = {"oval": math.pi * plan["claw_diameter"] * plan["claw_width"] / 4.0,
             "tab": tab_area_mm2(plan["claw_diameter"], plan["claw_width"])}
    shape = VShape.of(plan["claw_diameter"], plan["claw_width"], plan["claw_notch"], 90.0, lean)
    area = areas.get(str(choices.get("claws__section")), shape.area_mm2 * math.cos(lean))
    exact = 1e-9 if choices else 0.01
    assert made.parts["claw 1"].volume_mm3() == pytest.approx(area * plan["claw_length"], rel=exact)


def test_a_claw_that_tapers_holds_the_volume_of_a_cones_frustum() -> None:
    made = head("round brilliant", claws__tip_share=0.6, wall__taper_deg=0.0)
    big, length = made.plan["claw_diameter"] / 2.0, made.plan["claw_length"]
    small = 0.6 * big
    frustum = math.pi * length / 3.0 * (big * big + big * small + small * small)
    assert made.parts["claw 1"].volume_mm3() == pytest.approx(frustum, rel=1e-9)


# As the setter leaves them.


@pytest.mark.parametrize("cut", SHARP)
def test_a_point_is_clear_of_its_v_claw_by_the_planned_relief(cut: str) -> None:
    """GIA Quality Assurance Benchmark, princess cut in V prongs: the points do not touch."""
    made = head(cut, "set")
    relief, edge = made.plan["claw_relief"], made.plan["girdle"]
    for i, line in enumerate(made.lines, 1):
        if line.place.is_corner:
            low = np.array([*line.place.point, made.plan["girdle_plane"]])
            thin = 1e-4 * np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
            ends = np.concatenate([low + thin, low + thin + [0.0, 0.0, edge]])
            probe = solid_of_triangles(*hull_triangles(ends), "probe")
            gap = gap_mm(probe, made.part_solids[f"claw {i}"], 1.0)
            assert relief - 4e-4 <= gap <= 1.1 * relief


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("cut", CUTS)
def test_heads_on_every_cut_are_one_body_watertight_after_welding(cut: str, state: str) -> None:
    for width_mm in SIZES_MM:
        # In so small a heart's cleft a wall would lie under the culet, which is refused and a basket named.
        style = "basket" if (cut, width_mm) == ("heart", 2.5) else "tapered claw"
        made = head(cut, state, stone__width_mm=width_mm, head__style=style)
        assert len(bodies(made.solid)) == 1, width_mm
        assert is_watertight_after_welding(made.solid, WELD_MM), width_mm
        if state == "set":
            assert abs(volume_mm3(overlap(made.solid, made.stone_solid))) < 1e-6


PUBLISHED = ("retention.tip_height", "retention.contact", "claws.notch", "claws.neck", "seat.fits")
"""GIA Quality Assurance Benchmark, round in prongs and princess in V prongs; Professional Jeweler, July 2004."""


@pytest.mark.parametrize("cut", CUTS)
def test_set_claws_keep_the_published_figures_on_every_cut(cut: str) -> None:
    findings = [each for each in prove(head(cut, "set")) if each.code in PUBLISHED]
    assert {each.code for each in findings} >= {"retention.tip_height", "retention.contact", "claws.notch"}
    assert [(each.code, each.measured) for each in findings if each.verdict != "sound"] == []


@pytest.mark.parametrize(("section_word", "tip"), [("round", "almond"), ("round", "tab"), ("oval", "round"),
                                                   ("oval", "almond"), ("tab", "tab"), ("tab", "round")])
@pytest.mark.parametrize("cut", ["round brilliant", "emerald", "oval cabochon"])
def test_every_section_and_tip_is_finished_to_the_published_figures(cut: str, section_word: str, tip: str) -> None:
    made = head(cut, "set", claws__section=section_word, claws__tip=tip)
    assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM)
    wrong = [(each.code, each.measured) for each in prove(made) if each.verdict != "sound" and each.code in PUBLISHED]
    assert wrong == []


def test_tips_differ_as_they_are_named() -> None:
    """Seen from above over the crown: an almond ends narrower than a round tip, and a tab ends as broad as its claw."""
    widths = {}
    for tip in ("round", "almond", "tab"):
        made = head("round brilliant", "set", claws__tip=tip)
        line = made.lines[0]
        vertices = made.parts["claw 1"].vertices
        vertices = vertices[vertices[:, 2] > made.plan["girdle_plane"] + made.plan["girdle"]]
        inside = -(vertices[:, :2] - line.place.point) @ line.place.normal
        end = vertices[inside > inside.max() - 0.1]
        widths[tip] = float(np.ptp(end @ line.along))
    assert widths["almond"] < 0.8 * widths["round"] < widths["tab"]


def test_a_tip_that_no_claw_could_have_is_refused() -> None:
    """A princess stands in V claws alone; a marquise has round claws beside its two."""
    with pytest.raises(SpecError, match="every claw of this head is a V"):
        make_head(spec_of({"stone.cut": "princess", "claws.tip": "almond"}))
    make_head(spec_of({"stone.cut": "princess", "claws.tip": "V"}))
    make_head(spec_of({"stone.cut": "princess", "claws.section": "round", "claws.tip": "almond"}))
    make_head(spec_of({"stone.cut": "marquise", "claws.tip": "almond"}))


@pytest.mark.parametrize(("cut", "section", "tip"), [
    ("round brilliant", "round", "round"), ("round brilliant", "tab", "tab"), ("oval", "oval", "almond"), ("princess", "V", None)])
def test_set_claws_hold_no_more_metal_than_was_cast(cut: str, section: str, tip: str | None) -> None:
    """Bending adds none. With less to spare a claw reaches less far, down to a plain bar, which the proof calls unsafe."""
    kinds = {"claws__section": section} | ({"claws__tip": tip} if tip else {})
    reached = []
    for spare_mm in (0.0, 0.7, 1.2, None):
        choices = kinds | ({} if spare_mm is None else {"claws__spare_mm": spare_mm})
        cast, finished = head(cut, **choices), head(cut, "set", **choices)
        for name, solid in cast.part_solids.items():
            if name.startswith("claw"):
                assert volume_mm3(finished.part_solids[name]) <= 1.005 * volume_mm3(solid), (name, spare_mm)
        findings = prove(finished)
        reached.append(min((each.measured or 0.0 for each in findings if each.code == "retention.contact"), default=0.0))
        unsafe = {each.code for each in findings if each.verdict == "unsafe"}
        if spare_mm == 0.0:
            assert unsafe & {"retention.contact", "retention.upwards"}
        if spare_mm is None:
            assert not unsafe
    assert reached == sorted(reached) and reached[0] < 0.05 < reached[-1]


@pytest.mark.parametrize("cut", ["oval", "oval cabochon"])
def test_claws_whose_way_in_passes_the_table_or_the_top_lie_on_the_slope_as_far_as_planned(cut: str) -> None:
    made = head(cut, "set", stone__width_mm=10.0, stone__length_mm=20.0, head__style="basket")
    contacts = [each.measured for each in prove(made) if each.code == "retention.contact"]
    assert contacts == pytest.approx([made.plan["contact"]] * len(contacts), abs=0.03)
