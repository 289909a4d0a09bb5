"""Castings of any shape: the thinnest place, gaps, holes, voids, knife edges and the way in for metal, just under, at and
over each limit, and the same on a head without roles."""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import Finding, Subject, subject_of, surface
from core.proof.casting import check_casting
from core.proof.narrowest import Search
from core.proof.places import Places
from core.solid.kernel import Solid, contains, cut, fuse, hull_triangles, moved, solid_of_triangles
from core.spec import Spec, spec_of
from core.tolerance import READ_MM
from core.trade.alloys import alloy
from core.trade.house_rules import HouseRules, house_rules


@cache
def head(state: str = "cast", **choices: object) -> Subject:
    return subject_of(make_head(Spec().with_choices(**choices), state))


def found(subject: Subject, code: str) -> Finding:
    (finding,) = [each for each in check_casting(subject, house_rules()) if each.code == f"casting.{code}"]
    return finding


def block(centre: tuple[float, float, float], size_mm: tuple[float, float, float]) -> Solid:
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return solid_of_triangles(*hull_triangles(np.asarray(centre) + corner * size_mm), "block")


def bar(radius_mm: float, length_mm: float, at: tuple[float, float, float]) -> Solid:
    return moved(Manifold.cylinder(length_mm, radius_mm, radius_mm, 64), at)


def alone(metal: Solid) -> Subject:
    """Metal that is no head, of no known roles, with the stone far above it."""
    subject = head()
    far = (0.0, 0.0, 60.0)
    return replace(subject, metal=metal, parts={}, plan=None, placed=subject.placed.moved(far),
                   stone_solid=moved(subject.stone_solid, far))


# Thin metal.


@pytest.mark.parametrize(("thick_mm", "verdict"), [(0.59, "unsafe"), (0.6, "watch"), (0.61, "watch"), (0.69, "watch"),
                                                   (0.7, "sound"), (0.71, "sound")])
def test_a_plate_anywhere_is_held_against_what_its_alloy_fills(thick_mm: float, verdict: str) -> None:
    plate = fuse([block((0.0, 0.0, 0.0), (3.0, 3.0, 3.0)), block((3.0, 0.3, 0.4), (4.0, 2.0, thick_mm))], "plate")
    thin = found(alone(plate), "thin")
    assert thin.verdict == verdict and thin.measured == pytest.approx(thick_mm, abs=1e-6)
    assert 1.5 < thin.place[0] < 5.0 and thin.place[2] == pytest.approx(0.4, abs=1e-6)


@pytest.mark.parametrize(("thick_mm", "verdict"), [(0.59, "watch"), (0.6, "sound"), (0.61, "sound")])
def test_hand_work_takes_its_allowance_off_both_sides(thick_mm: float, verdict: str) -> None:
    """0.1 mm off each side must leave 0.4 mm; only what is still to be finished is asked."""
    finished = found(alone(block((0.0, 0.0, 0.0), (8.0, 8.0, thick_mm))), "finished")
    assert finished.measured == pytest.approx(thick_mm - 0.2, abs=1e-6) and finished.verdict == verdict
    assert abs(finished.place[2]) < thick_mm
    assert not [each for each in check_casting(head("set"), house_rules()) if each.code == "casting.finished"]


@pytest.mark.parametrize(("thick_mm", "more_mm", "or_less_filing"), [
    (0.5, 0.1, True), (0.4, 0.2, False), (0.15, 0.45, False)])
def test_what_hand_work_leaves_too_thin_is_told_how_much_more_it_takes(thick_mm: float, more_mm: float, or_less_filing: bool) -> None:
    """Less filing helps only what is thick enough as cast, and what hand work takes away whole lacks more than the rest."""
    remedy = found(alone(block((0.0, 0.0, 0.0), (8.0, 8.0, thick_mm))), "finished").remedy
    assert float(remedy.split(" by ")[1].split()[0]) == pytest.approx(more_mm, abs=0.0101)
    assert ("finish it with less" in remedy) == or_less_filing and remedy.endswith(".")


@pytest.mark.parametrize(("thick_mm", "verdict"), [(3.99, "sound"), (4.0, "sound"), (4.01, "watch"), (6.0, "watch")])
def test_solid_metal_is_hollowed_out_from_four_millimetres_on(thick_mm: float, verdict: str) -> None:
    """A block beside thin metal, a ball and a rod: the largest ball in each is as wide as it is thick."""
    plate = block((8.0, 0.0, 0.0), (10.0, 6.0, 0.8))
    for lump in (block((0.0, 0.0, 0.0), (9.0, 7.0, thick_mm)), bar(thick_mm / 2.0, 12.0, (0.0, 0.0, -6.0)),
                 Manifold.sphere(thick_mm / 2.0, 96)):
        solid = found(alone(fuse([lump, plate], "lump")), "solid")
        assert solid.measured == pytest.approx(thick_mm, rel=0.01) and abs(solid.place[0]) < 4.5
    solid = found(alone(block((0.0, 0.0, 0.0), (9.0, 7.0, thick_mm))), "solid")
    assert solid.verdict == verdict and solid.measured == pytest.approx(thick_mm, abs=1e-4)


def test_what_is_only_long_is_not_thick() -> None:
    assert found(alone(bar(0.5, 30.0, (0.0, 0.0, 0.0))), "solid").measured == pytest.approx(1.0, abs=0.01)
    assert found(head("cast"), "solid").measured < 2.0


def test_a_round_wire_reads_its_diameter_however_it_is_facetted() -> None:
    for count in (12, 19, 64):
        wire = Manifold.cylinder(6.0, 0.35, 0.35, count)
        across = 0.7 * math.cos(math.pi / count)
        assert found(alone(wire), "thin").measured == pytest.approx(across, abs=0.7 * (1.0 - math.cos(math.pi / count)) + 0.002)


@pytest.mark.parametrize("radius_mm", [0.3, 0.4, 0.6])
def test_two_dents_that_face_each_other_leave_thin_metal_however_small_they_are(radius_mm: float) -> None:
    dents = [moved(Manifold.sphere(radius_mm, 96), (side * (radius_mm + 0.25), 0.0, 3.0)) for side in (1.0, -1.0)]
    thin = found(alone(cut(bar(0.8, 6.0, (0.0, 0.0, 0.0)), dents, "bar")), "thin")
    assert thin.verdict == "unsafe" and thin.measured == pytest.approx(0.5, abs=0.03)
    assert np.linalg.norm(np.subtract(thin.place, (0.0, 0.0, 3.0))) < 0.1


def narrowest_along_the_edge(metal: Solid, slope: float) -> float | None:
    """What is narrowest from places just under the edge at x = z = 0 of a wall that leans out by so much."""
    leaning = alone(metal.transform(np.array([[1.0, 0.0, slope, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]])))
    along, down = (each.ravel() for each in np.meshgrid(np.linspace(-1.6, 1.6, 321), [-0.005, -0.021, -0.05]))
    points, normal = np.column_stack([slope * down, along, down]), np.array([1.0, 0.0, -slope]) / math.hypot(1.0, slope)
    is_outside = ~contains(leaning.metal, points + 1e-4 * normal)
    search = Search(leaning.metal, True, 1.6, 0.9, lambda places, _: np.ones(len(places), bool), leaning.surface)
    places = Places(points[is_outside], np.tile(normal, (int(is_outside.sum()), 1)), 0.02)
    found = search.narrowest(places, leaning.surface.looks.ahead(places, 1.6, 0.0))
    return found[0].diameter_mm if found else None


@pytest.mark.parametrize("slope", [0.15, 0.3])
def test_a_neck_is_thin_but_not_the_way_across_an_edge_at_which_a_claw_ends(slope: float) -> None:
    """A block that stands 0.3 mm over the edge of a wall; and a leg that runs on down outside it, whose end crosses the edge."""
    wall = block((-1.5, 0.0, -1.0), (3.0, 4.0, 2.0))
    neck = narrowest_along_the_edge(fuse([wall, block((0.7, 0.0, 1.0), (2.0, 4.0, 2.0))], "neck"), slope)
    assert neck == pytest.approx(0.3 / math.hypot(1.0, slope), abs=1e-3)
    for turn in (0.0, 5.0, 12.0, 20.0, 28.0):
        leg = block((0.5, 0.0, 0.0), (1.6, 1.5, 4.0)).rotate((0.0, 0.0, turn))
        assert narrowest_along_the_edge(fuse([wall, leg], "leg"), slope) is None, turn


def test_printed_metal_is_held_to_its_own_least() -> None:
    plate = alone(block((0.0, 0.0, 0.0), (6.0, 4.0, 0.75)))
    assert found(plate, "thin").verdict == "sound"
    printed = found(replace(plate, process="direct metal print"), "thin")
    assert printed.verdict == "unsafe" and printed.limit == 0.8 and printed.rule == "metal_print.section_least_mm"


def test_a_dent_on_the_outside_of_a_claw_is_found_with_and_without_roles() -> None:
    subject = head()
    claw = subject.gauge.claws[2]
    waist = claw.at_height(subject.gauge.crown_edge_mm + 1.0)
    outer = waist + claw.diameter_mm / 2.0 * np.array([*claw.outwards, 0.0])
    dented = cut(subject.metal, [moved(Manifold.sphere(0.45, 48), tuple(outer))], "head")
    for each in (replace(subject, metal=dented), replace(subject, metal=dented, parts={}, plan=None)):
        thin = found(each, "thin")
        assert thin.verdict == "unsafe" and np.linalg.norm(np.subtract(thin.place, waist)) < 0.4
    assert "claw 3" in found(replace(subject, metal=dented), "thin").why


def test_a_head_without_a_wall_is_measured_all_the_same() -> None:
    subject = head()
    parts = {name: solid for name, solid in subject.parts.items() if name != "wall"} | {"base rail": subject.parts["wall"]}
    findings = list(check_casting(replace(subject, parts=parts), house_rules()))
    assert all(each.measured is not None or each.is_caution for each in findings)
    assert {"casting.thin", "casting.gap", "casting.edges", "casting.sprue", "casting.feed"} <= {each.code for each in findings}


@pytest.mark.parametrize(("cut_of", "style"), [("pear", "tapered claw"), ("heart", "basket")])
def test_a_thin_place_that_is_small_is_found_as_with_many_times_as_many_places(
        cut_of: str, style: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside the seat a claw is left thin over less than 0.2 mm, which places spread at random passed over."""
    spec = {"stone__cut": cut_of, "stone__length_mm": 7.0, "head__style": style}
    made = make_head(Spec().with_choices(**spec), "set")
    few = found(subject_of(made), "thin")
    monkeypatch.setattr(surface, "BESIDE_CORNERS_PER_MM2", 36.0)
    many = found(subject_of(made), "thin")
    assert many.measured < 0.75
    assert few.measured == pytest.approx(many.measured, abs=0.02)
    # The head is the same on both sides of its length.
    assert np.linalg.norm(np.abs(few.place) - np.abs(many.place)) < 0.2


def test_what_is_left_between_the_hole_under_a_corner_and_a_v_claws_skin_is_found() -> None:
    """0.19 mm, as twelve times as many places tell."""
    spec = {"stone.cut": "straight trillion", "stone.length_mm": 14.91, "head.style": "gallery", "claws.count": 5,
            "claws.notch": 0.299, "head.culet_clearance_mm": 1.03, "wall.taper_deg": 20.2, "casting.alloy": "silver 960 germanium"}
    thin = found(subject_of(make_head(spec_of(spec), "set")), "thin")
    assert thin.verdict == "watch" and "claw" in thin.why
    assert thin.measured == pytest.approx(0.19, abs=0.04)


# Air.


@pytest.mark.parametrize(("wide_mm", "verdict"), [(0.19, "watch"), (0.2, "sound"), (0.21, "sound"), (0.05, "watch")])
def test_a_slit_anywhere_is_held_against_what_stays_open(wide_mm: float, verdict: str) -> None:
    """Morris and Watson, CAD design guidelines: 0.20 mm between parts that must not touch."""
    lump = cut(block((0.0, 0.0, 0.0), (4.0, 4.0, 4.0)), [block((0.7, 0.0, 2.0), (wide_mm, 5.0, 2.0))], "lump")
    gap = found(alone(lump), "gap")
    assert gap.verdict == verdict and gap.measured == pytest.approx(wide_mm, abs=1e-6)
    assert gap.place[0] == pytest.approx(0.7, abs=1e-6) and 1.0 < gap.place[2] < 2.0


@pytest.mark.parametrize(("across_mm", "verdict"), [(0.15, "watch"), (0.19, "watch"), (0.206, "sound"), (0.5, "sound")])
def test_a_hole_is_told_from_a_slit_and_held_against_its_own_limit(across_mm: float, verdict: str) -> None:
    plate = cut(block((0.0, 0.0, 0.0), (4.0, 3.0, 1.0)), [bar(across_mm / 2.0, 3.0, (0.6, -0.4, -1.5))], "plate")
    hole, gap = found(alone(plate), "hole"), found(alone(plate), "gap")
    assert hole.verdict == verdict and hole.measured == pytest.approx(across_mm, abs=READ_MM)
    assert hole.place[:2] == pytest.approx((0.6, -0.4), abs=0.02)
    if verdict == "watch":
        # Half way through the plate, wherever in the hole it was seen.
        assert hole.place[2] == pytest.approx(0.0, abs=0.02)
    assert gap.verdict == "sound" and found(alone(plate), "blind").measured == 0.0


@pytest.mark.parametrize(("wide_mm", "deep_mm", "verdict"), [
    (0.8, 0.5, "sound"), (0.8, 0.75, "sound"), (0.8, 0.85, "watch"), (0.8, 1.6, "watch"),
    # Small holes, no deeper than wide and in no case than 0.30 mm: what 0.3 mm alone would let pass is too deep.
    (0.22, 0.19, "sound"), (0.22, 0.27, "watch"), (0.26, 0.29, "watch"), (0.36, 0.28, "sound"), (0.36, 0.34, "watch")])
def test_a_blind_hole_may_be_as_deep_as_it_is_wide_and_a_small_one_no_deeper_than_its_core_bears(
        wide_mm: float, deep_mm: float, verdict: str) -> None:
    """Morris and Watson, CAD design guidelines. The depth is read to half a step of half the width."""
    lump = cut(block((0.0, 0.0, 0.0), (3.0, 3.0, 4.0)), [bar(wide_mm / 2.0, deep_mm + 1.0, (0.5, 0.0, 2.0 - deep_mm))], "lump")
    blind = found(alone(lump), "blind")
    assert blind.verdict == verdict
    if verdict == "watch":
        assert np.linalg.norm(np.subtract(blind.place[:2], (0.5, 0.0))) < 0.05


def test_a_crevice_that_closes_is_no_gap_and_a_knife_is_no_thin_wall() -> None:
    groove = solid_of_triangles(*hull_triangles(np.array([[x, y, z] for y in (-3.0, 3.0) for x, z in
                                                          ((-0.2, 2.1), (0.2, 2.1), (0.0, 1.0))])), "groove")
    lump = alone(cut(block((0.0, 0.0, 0.0), (4.0, 4.0, 4.0)), [groove], "lump"))
    assert found(lump, "gap").verdict == "sound"
    knife = solid_of_triangles(*hull_triangles(np.array([[x, y, z] for y in (-2.0, 2.0) for x, z in
                                                         ((0.0, 0.6), (0.0, -0.6), (3.0, 0.0))])), "knife")
    both = alone(fuse([block((-1.0, 0.0, 0.0), (3.0, 4.0, 3.0)), knife], "both"))
    assert found(both, "thin").verdict == "sound"
    edge = found(both, "edges")
    assert edge.verdict == "watch" and edge.measured == pytest.approx(2.0 * math.degrees(math.atan(0.2)), abs=0.01)
    assert edge.place == pytest.approx((3.0, 0.0, 0.0), abs=1e-6)


@pytest.mark.parametrize(("angle_deg", "verdict"), [(44.9, "watch"), (45.0, "sound"), (45.1, "sound"), (80.0, "sound")])
def test_edges_are_held_against_the_knife(angle_deg: float, verdict: str) -> None:
    deep = 1.0 / math.tan(math.radians(angle_deg / 2.0))
    blade = solid_of_triangles(*hull_triangles(np.array([[x, y, z] for y in (-2.0, 2.0) for x, z in
                                                         ((0.0, 0.0), (deep, 1.0), (deep, -1.0), (6.0, 1.0), (6.0, -1.0))])), "blade")
    edge = found(alone(blade), "edges")
    assert edge.verdict == verdict and "0.125 mm" in edge.why
    assert edge.measured == pytest.approx(angle_deg, abs=1e-6) and edge.place == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)


@pytest.mark.parametrize(("off_deg", "are_edges"), [(-1e-6, True), (1e-6, False)])
def test_from_which_turn_on_an_edge_is_one(off_deg: float, are_edges: bool) -> None:
    """The upright edges of a prism on six sides turn by 60°, just more and just less than asked."""
    prism = solid_of_triangles(*hull_triangles(np.array([[x, y, z] for z in (0.0, 3.0) for x, y in (
        (2.0 * math.cos(turn), 2.0 * math.sin(turn)) for turn in np.radians(np.arange(0.0, 360.0, 60.0)))])), "prism")
    rules = HouseRules({**house_rules().rules, "casting.edge_turn_deg": replace(house_rules()["casting.edge_turn_deg"],
                                                                                value=60.0 + off_deg)})
    (edges,) = [each for each in check_casting(alone(prism), rules) if each.code == "casting.edges"]
    # Six upright edges of 3 mm beside the twelve of 2 mm round top and base, which turn by 90°.
    assert f"{6 * 3 + 12 * 2 if are_edges else 12 * 2} mm of edges" in edges.why


def test_a_void_is_no_body_and_is_found_where_it_is() -> None:
    subject = head()
    void = moved(Manifold.sphere(0.15, 24), tuple(subject.gauge.claws[1].at_height(2.0)))
    hollow = replace(subject, metal=cut(subject.metal, [void], "head"))
    assert found(hollow, "bodies").verdict == "sound"
    voids = found(hollow, "voids")
    assert voids.verdict == "unsafe" and voids.measured == 1.0
    assert voids.place == pytest.approx(tuple(subject.gauge.claws[1].at_height(2.0)), abs=0.01)


# The way in.


@pytest.mark.parametrize(("waist_mm", "verdict"), [(0.86, "watch"), (0.87, "sound"), (0.95, "sound")])
def test_a_claw_must_not_feed_more_than_it_is_wide(waist_mm: float, verdict: str) -> None:
    """Areas go with the square: 0.75 is kept down to 0.866 of the diameter."""
    subject = head(stone__length_mm=6.0)
    claw = subject.gauge.claws[0]
    foot, top = claw.foot, subject.gauge.claw_top_mm(claw)
    low, high = 0.4 * top, 0.75 * top
    axis = claw.at_height(high) - claw.at_height(low)
    turn = np.arange(48) * (2.0 * math.pi / 48)
    across = np.array([-claw.outwards[1], claw.outwards[0], 0.0])
    square = np.cross(axis / np.linalg.norm(axis), across)
    ring = claw.diameter_mm / 2.0 * (np.outer(np.cos(turn), across) + np.outer(np.sin(turn), square))

    def piece(start: float, end: float, share: float) -> Solid:
        return solid_of_triangles(*hull_triangles(np.concatenate(
            [share * ring + claw.at_height(z) for z in (start, end)])), "piece")

    waisted = fuse([piece(foot[2], low, 1.0), piece(low - 0.01, high, waist_mm), piece(high - 0.01, top, 1.0)], "claw 1")
    parts = {**subject.parts, claw.name: waisted}
    waisted_head = replace(subject, parts=parts, metal=fuse(list(parts.values()), "head"))
    (feed,) = [each for each in check_casting(waisted_head, house_rules()) if each.what.startswith("Narrowest section of a claw")]
    assert feed.verdict == verdict and feed.measured == pytest.approx(waist_mm**2, abs=0.01)
    if verdict == "watch":
        assert low < feed.place[2] < high


def test_the_sprue_goes_to_the_underside_clear_of_claws_and_seat_and_is_as_thick_as_the_wall() -> None:
    subject = head(stone__length_mm=5.0)
    sprue = found(subject, "sprue")
    assert sprue.verdict == "sound" and sprue.place[2] == pytest.approx(subject.gauge.base_mm, abs=0.01)
    place = np.array(sprue.place)
    for claw in subject.gauge.claws:
        assert np.linalg.norm((place - claw.foot)[:2]) > claw.diameter_mm / 2.0
    # The wall's own section, its bevel off: thickness along a level by height, the sprue 150 % of it at most.
    plan = subject.plan
    area = plan["wall_top"] * plan["wall_thickness"] / math.cos(math.radians(plan["taper"])) - plan["bevel"] ** 2 / 2.0
    assert sprue.measured == pytest.approx(2.0 * math.sqrt(1.5 * area / math.pi), rel=0.05)
    assert "World Gold Council" in sprue.why and "take one" in sprue.why


def test_heavy_pieces_want_two_sprues_and_prints_none() -> None:
    lump = alone(block((0.0, 0.0, 0.0), (9.0, 9.0, 9.0)))
    assert "take two" in found(lump, "sprue").why
    codes = {each.code for each in check_casting(replace(lump, process="direct metal print"), house_rules())}
    assert "casting.sprue" not in codes and "casting.thin" in codes
    assert not {each.code for each in check_casting(head("set"), house_rules())} & {"casting.sprue", "casting.feed"}


def test_metal_with_no_place_for_a_sprue_says_so() -> None:
    subject = head()
    claws = {name: solid for name, solid in subject.parts.items() if name != "wall"}
    sprue = found(replace(subject, parts=claws, metal=fuse(list(claws.values()), "claws")), "sprue")
    assert sprue.measured is None and sprue.verdict == "watch" and sprue.remedy


def test_a_soft_alloys_own_least_is_used() -> None:
    thick = alone(block((0.0, 0.0, 0.0), (5.0, 5.0, 0.85)))
    pure = replace(thick, alloy=alloy("22K yellow gold"))
    assert found(thick, "thin").verdict == "sound" and found(pure, "thin").verdict == "watch"
