"""The seat of any head: walls whole, scooped and pierced, claws alone, rails, cut seats and gaps; each limit either side."""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from core.errors import SpecError
from core.head import make_head
from core.head.seat import seat_stone, seat_tool
from core.proof import Finding, Subject, prove_subject, subject_of
from core.proof.findings import worst_first
from core.proof.fit import SEATED_MM
from core.proof.loops import edges_of, hollow_deg, is_ring, signed_distances_mm
from core.proof.seat import check_seat
from core.solid.kernel import Solid, bounds, cut, fuse, hull_triangles, moved, solid_of, solid_of_triangles
from core.spec import spec_of
from core.stone import CUTS
from core.tolerance import READ_MM
from core.trade.house_rules import HouseRules, house_rules

STYLES = ("tapered claw", "basket", "gallery", "coronet", "peg", "rim")


@cache
def head_of(style: str, state: str = "cast", cut_name: str = "round brilliant", length_mm: float = 6.0,
            **changes: object) -> Subject:
    spec = spec_of({"head.style": style, "stone.cut": cut_name, "stone.length_mm": length_mm}).with_choices(**changes)
    return subject_of(make_head(spec, state))


def findings(subject: Subject, rules: HouseRules | None = None) -> dict[str, Finding]:
    """The gravest finding of each code."""
    gravest: dict[str, Finding] = {}
    for each in worst_first(check_seat(subject, rules or house_rules())):
        gravest.setdefault(each.code, each)
    return gravest


def block(centre: tuple[float, float, float], size_mm: tuple[float, float, float]) -> Solid:
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return solid_of_triangles(*hull_triangles(np.asarray(centre) + corner * size_mm), "block")


def rebuilt(subject: Subject, **parts: Solid | None) -> Subject:
    changed = {name.replace("_", " "): solid for name, solid in parts.items()}
    solids = {name: solid for name, solid in {**subject.parts, **changed}.items() if solid is not None}
    return replace(subject, parts=solids, metal=fuse(list(solids.values()), "head"))


# Plane figures.


def test_a_place_beside_a_corner_is_outside_although_one_side_turns_away() -> None:
    square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    with_sliver = np.insert(square, 2, [1.0, 1.0 - 1e-7], axis=0)
    points = np.array([[0.0, 0.0], [1.5, 1.2], [1.2, 1.5], [0.9, 0.9]])
    for loop in (square, with_sliver):
        distances, feet = signed_distances_mm(points, edges_of([loop]))
        assert distances == pytest.approx([-1.0, math.hypot(0.5, 0.2), math.hypot(0.5, 0.2), -0.1], abs=1e-4)
        assert feet[1:3] == pytest.approx(np.ones((2, 2)), abs=1e-4)


def test_sections_are_told_apart_by_their_holes_and_their_hollows() -> None:
    square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    assert is_ring([square, 0.5 * square[::-1]]) and not is_ring([square]) and not is_ring([square, square + 3.0])
    bent = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [1.0, 1.0], [1.0, 2.0], [0.0, 2.0]])
    assert hollow_deg(square) == pytest.approx(0.0) and hollow_deg(bent) == pytest.approx(90.0)


# Every kind of head.


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("style", STYLES)
def test_a_round_stone_sits_well_in_every_kind_of_head(style: str, state: str) -> None:
    found = findings(head_of(style, state))
    assert {code: each.why for code, each in found.items() if each.verdict != "sound"} == {}
    assert {"seat.rests", "seat.bearing", "seat.rocks"} <= found.keys() and all(
        each.measured is not None for each in found.values())
    assert ("seat.rim" in found) == (style in ("tapered claw", "gallery", "coronet", "rim"))
    assert ("seat.rail_clear" in found) == (style == "basket")


@pytest.mark.parametrize("style", STYLES)
def test_a_seat_cut_in_the_model_has_its_room_in_every_kind_of_head(style: str) -> None:
    """The setting rule: 0.02 to 0.05 mm."""
    found = findings(head_of(style, seat__cut=True, seat__clearance_mm=0.04))
    assert found["seat.clearance"].measured == pytest.approx(0.04, abs=READ_MM)
    assert {found[code].verdict for code in ("seat.clearance", "seat.rests", "seat.bearing", "seat.rocks")} == {"sound"}


@pytest.mark.parametrize("cut_name", ["pear", "marquise", "trillion", "princess", "radiant"])
def test_a_wall_never_touches_a_pointed_stone_below_its_bearing_whatever_its_size(cut_name: str) -> None:
    """Along a facet beside a corner a level way in meets other metal; square to the pavilion none is near."""
    for length_mm in (8.0, 14.0):
        assert findings(head_of("tapered claw", "set", cut_name, length_mm))["seat.rocks"].measured == 0.0


def test_a_claws_bearing_has_the_length_that_its_notch_gives() -> None:
    """The pavilion leaves the inner face, which leans as the claw does, where both ways in are equal (geometry)."""
    subject = head_of("basket", stone__pavilion_angle_deg=40.75, wall__taper_deg=17.0, claws__notch=0.3)
    claw = subject.gauge.claws[0]
    inner = 0.3 * claw.diameter_mm / claw.lean
    drop = inner / (1.0 / math.tan(math.radians(40.75)) - math.tan(math.radians(17.0)))
    assert findings(subject)["seat.bearing"].measured == pytest.approx(drop / math.sin(math.radians(40.75)), abs=0.03)


@pytest.mark.parametrize(("least_mm", "verdict"), [(0.01, "sound"), (0.0, "sound"), (-0.01, "watch")])
def test_a_bearing_is_held_against_the_house_rule(least_mm: float, verdict: str) -> None:
    subject = head_of("basket")
    measured = findings(subject)["seat.bearing"].measured
    assert measured is not None
    rules = moved_rule("seat.bearing_least_mm", measured - least_mm)
    assert findings(subject, rules)["seat.bearing"].verdict == verdict


def moved_rule(key: str, value: float) -> HouseRules:
    rules = house_rules()
    return HouseRules({**rules.rules, key: replace(rules[key], value=value)})


# Broken on purpose.


def test_a_stone_on_two_neighbouring_claws_tips() -> None:
    subject = head_of("basket")
    assert findings(rebuilt(subject, claw_1=None))["seat.tips"].verdict == "sound"
    finding = findings(rebuilt(subject, claw_1=None, claw_2=None))["seat.tips"]
    gone = (subject.gauge.claws[0].edge + subject.gauge.claws[1].edge) / 2.0
    assert finding.verdict == "unsafe" and (finding.measured or 0.0) > 200.0
    assert np.dot(finding.place[:2], gone) > 0.9 * np.linalg.norm(finding.place[:2]) * np.linalg.norm(gone)


def test_a_claw_that_bears_nothing_is_found() -> None:
    """Moved out until it stands off the girdle."""
    subject = head_of("basket")
    claw = subject.gauge.claws[0]
    away = moved(subject.parts["claw 1"], (*(0.6 * claw.outwards), 0.0))
    found = findings(rebuilt(subject, claw_1=away))
    assert found["seat.rests"].verdict == "watch" and found["seat.rests"].measured == pytest.approx(0.75)
    assert found["seat.bearing"].measured == 0.0
    assert np.linalg.norm(np.subtract(found["seat.rests"].place, claw.girdle_place)) < 0.2


@pytest.mark.parametrize("height_mm", [1.4, 2.0])
def test_a_lump_under_the_pavilion_lifts_a_stone_off_its_claws(height_mm: float) -> None:
    subject = head_of("basket")
    gauge = subject.gauge
    loop = gauge.stone_at(height_mm)[0]
    at = loop[int(np.argmin(np.abs(np.arctan2(loop[:, 1], loop[:, 0]))))]
    lump = fuse([block((at[0], at[1], height_mm - 0.05), (0.3, 0.3, 0.3)),
                 block((at[0] / 2.0 + 1.2, 0.0, height_mm - 0.15), (2.4 - at[0], 0.1, 0.1))], "lump")
    finding = findings(replace(subject, metal=fuse([subject.metal, lump], "head")))["seat.rocks"]
    assert finding.verdict == "unsafe"
    assert np.linalg.norm(np.subtract(finding.place, (*at, height_mm))) < 0.35


@pytest.mark.parametrize(("room_mm", "verdict"), [(0.0, "unsafe"), (0.05, "watch"), (0.09, "watch"), (0.1, "sound"),
                                                  (0.12, "sound")])
def test_the_upper_rail_keeps_its_room_to_the_pavilion(room_mm: float, verdict: str) -> None:
    subject = head_of("basket")
    gap = subject.gauge.rail_gap("upper rail", 1.0)
    # Straight up it comes nearer by the cosine of the pavilion.
    up = (gap - room_mm) / math.cos(math.radians(40.75))
    rail = moved(subject.parts["upper rail"], (0.0, 0.0, up))
    (finding,) = [each for each in check_seat(rebuilt(subject, upper_rail=rail), house_rules())
                  if each.code == "seat.rail_clear" and "upper" in each.what]
    assert finding.verdict == verdict and finding.measured == pytest.approx(room_mm, abs=0.012)


def test_a_seat_filed_away_is_not_taken_for_a_scoop() -> None:
    subject = head_of("coronet", "set")
    assert not subject.gauge.walls.stands.all()
    whole = head_of("tapered claw", "set")
    top = whole.gauge.wall_top_mm
    filed = cut(whole.parts["wall"], [block((3.0, 0.0, top), (3.0, 1.2, 3.0))], "wall")
    found = findings(rebuilt(whole, wall=filed))
    assert found["seat.rests"].verdict == "watch" and 0.8 < (found["seat.rests"].measured or 0.0) < 1.0
    # One of the places where a scooped top stands, filed down, is missed as well.
    claw = subject.gauge.claws[0]
    middle = claw.at_height(subject.gauge.wall_top_mm)
    low = cut(subject.parts["wall"], [block((middle[0], middle[1], middle[2] + 0.4), (2.4, 2.4, 1.6))], "wall")
    lost = rebuilt(subject, wall=low, claw_1=None)
    assert len(np.flatnonzero(lost.gauge.walls.stands)) < len(np.flatnonzero(subject.gauge.walls.stands))


@pytest.mark.parametrize(("gap_mm", "verdict"), [(0.0, "sound"), (0.025, "sound"), (0.03, "sound"), (0.036, "watch"),
                                                 (0.06, "watch")])
def test_gaps_beside_the_girdle_are_held_against_the_house_rule(gap_mm: float, verdict: str) -> None:
    """GIA Quality Assurance Benchmark: no gap above or below the girdle. The seat is cut with that much room."""
    subject = head_of("basket", "set", length_mm=6.5)
    tool = seat_tool(subject.stone, subject.gauge.girdle_plane_mm, gap_mm) if gap_mm else None
    parts = {name: seat_stone(solid, tool, name) if tool else solid for name, solid in subject.parts.items()}
    found = findings(replace(subject, parts=parts, metal=fuse(list(parts.values()), "head")))
    for code in ("seat.gap_below", "seat.gap_above"):
        assert found[code].verdict == verdict and found[code].measured == pytest.approx(gap_mm, abs=1e-3)


def test_one_claw_bent_up_leaves_a_gap_above_the_girdle_only() -> None:
    subject = head_of("basket", "set")
    gauge = subject.gauge
    lift = cut(subject.parts["claw 2"], [moved(gauge.stone_solid, (0.0, 0.0, 0.1))], "claw 2")
    found = findings(rebuilt(subject, claw_2=lift))
    assert found["seat.gap_below"].verdict == "sound"
    assert found["seat.gap_above"].verdict == "watch" and "claw 2" in found["seat.gap_above"].remedy
    # Straight up by a tenth; square to the crown by its cosine.
    assert found["seat.gap_above"].measured == pytest.approx(0.1 * math.cos(math.radians(34.5)), abs=0.01)


@pytest.mark.parametrize(("lean_deg", "verdict"), [(0.9, "sound"), (1.0, "sound"), (1.1, "unsafe")])
def test_a_table_may_lean_by_a_degree(lean_deg: float, verdict: str) -> None:
    subject = head_of("basket")
    cos, sin = math.cos(math.radians(lean_deg)), math.sin(math.radians(lean_deg))
    turned = replace(subject.placed, vertices=subject.placed.vertices @ np.array([[cos, 0, -sin], [0, 1, 0], [sin, 0, cos]]))
    finding = findings(replace(subject, placed=turned, stone_solid=solid_of(turned, "stone")))["seat.level"]
    assert finding.verdict == verdict and finding.measured == pytest.approx(lean_deg, abs=1e-6)


@pytest.mark.parametrize(("off_mm", "verdict"), [(0.04, "sound"), (0.05, "sound"), (0.06, "watch")])
def test_a_culet_may_be_off_the_axis_by_a_twentieth(off_mm: float, verdict: str) -> None:
    subject = head_of("basket")
    aside = subject.placed.moved((0.0, off_mm, 0.0))
    finding = findings(replace(subject, placed=aside, stone_solid=solid_of(aside, "stone")))["seat.centred"]
    assert finding.verdict == verdict and finding.measured == pytest.approx(off_mm, abs=1e-9)


@pytest.mark.parametrize(("clearance_mm", "verdict"), [(0.29, "unsafe"), (0.3, "watch"), (0.49, "watch"), (0.5, "sound"),
                                                       (0.6, "sound")])
def test_the_culet_keeps_clear_of_the_base(clearance_mm: float, verdict: str) -> None:
    assert findings(head_of("tapered claw", head__culet_clearance_mm=clearance_mm))["seat.culet_clearance"].verdict == verdict


@pytest.mark.parametrize(("room_mm", "verdict"), [(0.01, "watch"), (0.02, "sound"), (0.05, "sound"), (0.06, "watch")])
def test_the_room_of_a_cut_seat_is_held_against_the_rules(room_mm: float, verdict: str) -> None:
    assert findings(head_of("peg", seat__cut=True, seat__clearance_mm=room_mm))["seat.clearance"].verdict == verdict


@pytest.mark.parametrize("cut_name", CUTS)
def test_a_level_wall_carries_every_cut_all_round(cut_name: str) -> None:
    for width_mm in (4.0, 8.0):
        for state in ("cast", "set"):
            found = findings(head_of("tapered claw", state, cut_name, width_mm))
            for code in ("seat.rim", "seat.rests", "seat.tips", "seat.bearing", "seat.rocks"):
                assert code not in found or found[code].verdict == "sound", (width_mm, state, found[code])


@pytest.mark.parametrize(("inset_mm", "verdict"), [(0.09, "unsafe"), (0.1, "sound"), (0.11, "sound")])
def test_in_a_hearts_cleft_the_least_rim_is_enough(inset_mm: float, verdict: str) -> None:
    finding = findings(head_of("tapered claw", "cast", "heart", wall__seat_inset_mm=inset_mm))["seat.rim"]
    assert finding.verdict == verdict and finding.measured == pytest.approx(inset_mm, abs=0.005)
    assert finding.place is not None and abs(finding.place[1]) < 0.2


@pytest.mark.parametrize("at_mm", [(-1.5, 2.0), (-1.5, -2.0), (0.8, 0.3)])
@pytest.mark.parametrize(("over_mm", "verdict"), [
    (SEATED_MM + READ_MM - 5e-4, "sound"), (SEATED_MM + READ_MM + 5e-4, "unsafe"), (0.3, "unsafe")])
def test_metal_in_either_lobe_of_a_heart_is_found(at_mm: tuple[float, float], over_mm: float, verdict: str) -> None:
    """The planes of one lobe's facets run on through the other, so that they do not tell how deep metal stands there."""
    subject = head_of("tapered claw", "set", "heart", 7.0)
    facets = subject.placed.vertices[subject.placed.triangles()[0]]
    normals = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    ways = np.roll(facets, -1, axis=1) - facets
    # The pavilion's facet that the place lies under, seen from below.
    left = ways[..., 0] * (at_mm[1] - facets[..., 1]) - ways[..., 1] * (at_mm[0] - facets[..., 0])
    i = int(np.flatnonzero((left < 0.0).all(axis=1) & (normals[:, 2] < 0.0))[0])
    z = facets[i, 0, 2] - (np.asarray(at_mm) - facets[i, 0, :2]) @ normals[i, :2] / normals[i, 2]
    needle = np.array([[x, y, 0.0] for x in (-0.01, 0.01) for y in (-0.01, 0.01)]) + [*at_mm, 0.0]
    tip = np.array([[*at_mm, z]]) - over_mm * normals[i]
    metal = fuse([subject.metal, solid_of_triangles(*hull_triangles(np.concatenate([needle, tip])), "needle")], "head")
    finding = findings(replace(subject, metal=metal))["seat.fits"]
    assert finding.verdict == verdict and finding.measured == pytest.approx(over_mm, abs=1e-4)
    assert finding.place == pytest.approx(tip[0], abs=0.01)


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("cut_name", ["princess", "heart", "sugarloaf cabochon"])
def test_the_seat_of_every_cut_in_every_kind_of_head_is_measured(cut_name: str, style: str) -> None:
    for state in ("cast", "set"):
        try:
            subject = head_of(style, state, cut_name, 7.0)
        except SpecError:
            continue
        with np.errstate(invalid="ignore"):
            found = findings(subject)
        assert {code for code, each in found.items() if each.measured is None or not math.isfinite(each.measured)} == set()
        rim = found["seat.rests"].place
        low, high = bounds(subject.stone_solid)
        assert rim is not None and (np.asarray(rim) >= low - 1.0).all() and (np.asarray(rim) <= high + 1.0).all()


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("state", ["cast", "set"])
def test_a_stone_that_lies_otherwise_than_planned_is_found_and_every_check_still_runs(style: str, state: str) -> None:
    """Turned by 2 degrees about X and moved by 0.2 mm along X, in metal that stays where it was."""
    subject = head_of(style, state)
    pivot, turn = np.array([0.0, 0.0, subject.gauge.girdle_plane_mm]), math.radians(2.0)
    matrix = np.array([[1.0, 0.0, 0.0], [0.0, math.cos(turn), -math.sin(turn)], [0.0, math.sin(turn), math.cos(turn)]])
    lying = replace(subject.placed, vertices=(subject.placed.vertices - pivot) @ matrix.T + pivot + [0.2, 0.0, 0.0])
    found = {each.code: each for each in prove_subject(replace(subject, placed=lying, stone_solid=solid_of(lying, "stone")))}
    assert found["seat.level"].measured == pytest.approx(2.0, abs=0.01) and found["seat.level"].verdict == "unsafe"
    depth = subject.gauge.girdle_plane_mm - float(subject.gauge.culet[2])
    off = math.hypot(0.2, depth * math.sin(turn))
    assert found["seat.centred"].measured == pytest.approx(off, abs=0.01) and found["seat.centred"].verdict == "watch"
    assert found["seat.culet_clearance"].measured is not None


@pytest.mark.parametrize("choices", [{}, {"stone.cut": "heart", "stone.length_mm": 8.0}])
def test_room_beside_a_rail_is_told_at_the_rail_or_at_no_place(choices: dict[str, object]) -> None:
    """Of a rail with nothing near, the place stood at the girdle."""
    given = subject_of(make_head(spec_of({"head.style": "basket", **choices})))
    told = {each.what: each.place for each in check_seat(given, house_rules()) if each.code == "seat.rail_clear"}
    assert len(told) == 2
    for what, place in told.items():
        low, high = bounds(given.parts[what.removeprefix("Room between the pavilion and the ")])
        assert place is None or low[2] - READ_MM <= place[2] <= high[2] + READ_MM
    assert told["Room between the pavilion and the base rail"] is None
