"""Retention: motions against an independent linear programme, ways out against closed forms, one claw lost against the
head without it, corners and points just under, at and over their limits.
"""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.optimize import linprog

from core.head import make_head
from core.proof import Finding, Subject, subject_of
from core.proof.contacts import (
    FREE_SHARE, contacts_of, free_part, holds_all, nonnegative_least_squares, sides, which_hold,
)
from core.proof.findings import CANNOT, worst_first
from core.proof.loops import crossings
from core.proof.retention import Door, check_retention, openings
from core.solid.kernel import Solid, cut, fuse, hull_triangles, section, solid_of_triangles, ways_through
from core.spec import spec_of
from core.trade.house_rules import house_rules

SHARE = house_rules().value("claws.contact_low")


@cache
def head(state: str, **choices: object) -> Subject:
    return subject_of(make_head(spec_of({key.replace("__", "."): value for key, value in choices.items()}), state))


def all_of(subject: Subject) -> list[Finding]:
    with np.errstate(invalid="ignore"):
        return list(check_retention(subject, house_rules()))


def found(subject: Subject, code: str) -> Finding:
    return worst_first(each for each in all_of(subject) if each.code == f"retention.{code}")[0]


def without(subject: Subject, *names: str) -> Subject:
    kept = {name: solid for name, solid in subject.parts.items() if name not in names}
    return replace(subject, parts=kept, metal=fuse(list(kept.values()), "head"))


def block(centre: tuple[float, float, float], size_mm: tuple[float, float, float], turn_deg: float = 0.0) -> Solid:
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)]) * size_mm
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    turned = corner @ np.array([[cos, sin, 0.0], [-sin, cos, 0.0], [0.0, 0.0, 1.0]])
    return solid_of_triangles(*hull_triangles(turned + centre), "block")


# Motions, judged by scipy's linear programme.


def escapes(wrenches: np.ndarray, motion: np.ndarray) -> bool:
    """Whether a twist with motion·t > 0 presses no contact: an independent answer."""
    answer = linprog(-motion, A_ub=-wrenches, b_ub=np.zeros(len(wrenches)), bounds=[(-1.0, 1.0)] * len(motion),
                     method="highs")
    assert answer.status == 0
    return -answer.fun > 1e-7


@pytest.mark.parametrize("seed", range(4))
def test_motions_are_free_where_a_linear_programme_finds_an_escape(seed: int) -> None:
    """SciPy's HiGHS, an outside judge, on random contacts in 2, 3 and 5 dimensions, few, many, flat and doubled."""
    rng = np.random.default_rng(seed)
    seen = set()
    for _ in range(50):
        size = int(rng.choice([2, 3, 5]))
        wrenches = rng.normal(size=(int(rng.integers(1, 5 * size)), size))
        if rng.random() < 0.3:
            wrenches[:, int(rng.integers(size))] = 0.0
        if rng.random() < 0.3:
            wrenches = np.concatenate([wrenches, -wrenches[: int(rng.integers(1, 4))], wrenches[:1]])
        motions = [sign * axis for axis in np.eye(size) for sign in (-1.0, 1.0)]
        free = [free_part(wrenches, motion) for motion in motions]
        for motion, (share, twist) in zip(motions, free, strict=True):
            assert (share > FREE_SHARE) == escapes(wrenches, motion)
            # The escape itself presses no contact, and goes the wished way by its own share.
            assert (wrenches @ twist > -1e-9).all() and twist @ motion == pytest.approx(share * share, abs=1e-9)
        assert holds_all(wrenches) == all(share <= FREE_SHARE for share, _ in free)
        kept = rng.random((3, len(wrenches))) < 0.8
        assert which_hold(wrenches, kept).tolist() == [
            not any(escapes(wrenches[own], motion) for motion in motions) for own in kept]
        seen.add(holds_all(wrenches))
    assert seen == {True, False}


def test_no_contacts_hold_nothing() -> None:
    assert which_hold(np.zeros((0, 5)), np.ones((3, 0), bool)).tolist() == [False] * 3


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize(("cut_name", "lost"), [
    ("round brilliant", ()), ("round brilliant", ("claw 2",)), ("round brilliant", ("claw 1", "claw 2")),
    ("emerald", ()), ("emerald", ("claw 1", "claw 4")), ("oval", ()), ("heart", ()),
    ("rose cut", ("claw 2", "claw 3", "claw 4")),
])
def test_heads_hold_where_a_linear_programme_says_so(cut_name: str, lost: tuple[str, ...], state: str) -> None:
    subject = without(head(state, stone__cut=cut_name, stone__length_mm=6.0), *lost)
    wrenches = contacts_of(subject.gauge, subject.is_set, SHARE).wrenches
    level = [np.append(way, [0.0, 0.0]) for way in sides(8)]
    tilt = [np.concatenate([np.zeros(3), way[:2]]) for way in sides(8)]
    up = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    for code, motions in {"sideways": level, "upwards": [up], "downwards": [-up], "tilt": tilt}.items():
        free = any(escapes(wrenches, motion) for motion in motions)
        assert found(subject, code).verdict == ("unsafe" if free else "sound"), code
    if not lost:
        assert holds_all(wrenches)


def test_one_contact_leaves_what_a_closed_form_says() -> None:
    normal = np.array([0.6, 0.8, 0.0])
    for motion in (np.array([1.0, 0.0, 0.0]), np.array([-1.0, 0.0, 0.0]), -normal, normal, np.array([0.0, 0.0, 1.0])):
        pressed = min(0.0, float(motion @ normal))
        share, twist = free_part(normal[None, :], motion)
        assert share == pytest.approx(math.sqrt(1.0 - pressed * pressed), abs=1e-12)
        assert twist == pytest.approx(motion - pressed * normal, abs=1e-12)
    assert nonnegative_least_squares(np.zeros((3, 0)), normal).shape == (0,)


@pytest.mark.parametrize(("half_deg", "is_held"), [(89.9, False), (90.0, False), (90.1, True)])
def test_contacts_must_reach_past_half_a_turn(half_deg: float, is_held: bool) -> None:
    """Three contacts, two of them so far from the first: at exactly half a turn the stone still slides along them."""
    turn = np.radians([180.0, 180.0 + half_deg, 180.0 - half_deg])
    contacts = np.column_stack([np.cos(turn), np.sin(turn)])
    assert holds_all(contacts) == is_held
    assert (free_part(contacts, np.array([-1.0, 0.0]))[0] > FREE_SHARE) == (not is_held)


def test_parallel_sides_let_the_stone_slide_however_many_touch() -> None:
    """Exactly 180°: contacts that face each other stop nothing along them."""
    contacts = np.tile([[0.0, 1.0], [0.0, -1.0]], (20, 1))
    assert free_part(contacts, np.array([1.0, 0.0])) == (1.0, pytest.approx([1.0, 0.0]))
    assert not holds_all(contacts)
    contacts[0] = (1e-12, 1.0)
    assert not holds_all(np.round(contacts, 9))


# Contacts.


@pytest.mark.parametrize("cut_name", ["round brilliant", "emerald", "oval cabochon"])
def test_contacts_lie_on_the_stone_with_metal_beside_them(cut_name: str) -> None:
    subject = head("set", stone__cut=cut_name, stone__length_mm=6.0)
    contacts = contacts_of(subject.gauge, True, SHARE)
    normals = subject.placed.face_normals()
    first = subject.placed.corners[subject.placed.starts[:-1]]
    offsets = np.einsum("ij,ij->i", normals, subject.placed.vertices[first])
    off = contacts.points @ normals.T - offsets
    assert np.abs(off.max(axis=1)).max() < 1e-9
    on = np.argmin(np.abs(off) + 1.0 - contacts.normals @ -normals.T, axis=1)
    assert contacts.normals == pytest.approx(-normals[on], abs=1e-9)
    # Along the outward normal a ray meets the seat's face at once.
    out = -contacts.normals
    rays = ways_through(subject.metal, contacts.points - 0.01 * out, contacts.points + 0.05 * out)
    met = np.array([bool(ways) and ways[0] < 0.031 for ways in rays])
    # But for places just past the edge of a claw's tip, which it overhangs.
    assert met.mean() > 0.95 and (met | (contacts.points[:, 2] > subject.gauge.crown_edge_mm)).all()
    claws = {claw.name for claw in subject.gauge.claws}
    assert claws <= set(contacts.owners) <= claws | {""}
    above = contacts.points[:, 2] > subject.gauge.crown_edge_mm
    assert above.any() and set(contacts.owners[above]) == claws


@pytest.mark.parametrize("claw", ["claw 1", "claw 2", "claw 3"])
@pytest.mark.parametrize("count", [3, 4])
def test_what_a_lost_claw_leaves_is_what_a_head_without_it_has(claw: str, count: int) -> None:
    subject = head("set", stone__length_mm=8.0, claws__count=count)
    told = contacts_of(subject.gauge, True, SHARE).without(claw)
    real = contacts_of(without(subject, claw).gauge, True, SHARE)
    assert holds_all(told.wrenches) == holds_all(real.wrenches) == (count == 4)
    for motion in np.concatenate([np.eye(5), -np.eye(5)]):
        assert free_part(told.wrenches, motion)[0] == pytest.approx(free_part(real.wrenches, motion)[0], abs=0.05)


@pytest.mark.parametrize("state", ["cast", "set"])
def test_three_claws_can_lose_none_and_six_can(state: str) -> None:
    three, six = head(state, stone__length_mm=8.0, claws__count=3), head(state, stone__length_mm=8.0, claws__count=6)
    lost = found(three, "one_lost")
    assert lost.verdict == "watch" and lost.measured > 0.1
    assert lost.place == pytest.approx(tuple(three.gauge.claws[int(lost.why.split("claw ")[-1][0]) - 1].girdle_place))
    assert found(three, "one_lost_way").verdict == "watch"
    assert {found(six, code).verdict for code in ("one_lost", "one_lost_way")} == {"sound"}
    assert "less than" not in found(three, "one_lost_way").remedy
    # Four are just enough for a round stone: the way out is then a little narrower than the stone.
    way = found(head(state, stone__length_mm=8.0, claws__count=4), "one_lost_way")
    assert way.verdict == "sound" and 0.9 * way.limit < way.measured < way.limit


@pytest.mark.parametrize("state", ["cast", "set"])
def test_a_way_out_counts_for_a_stone_that_a_lost_claw_lets_move(state: str) -> None:
    """Four claws on the corners of a cushion leave, without one, a way as wide as its side; the other three still hold it
    in every direction, as `holds_all` says of the head without that claw."""
    subject = head(state, stone__cut="cushion", stone__length_mm=8.0, claws__count=4)
    way = found(subject, "one_lost_way")
    assert holds_all(contacts_of(without(subject, "claw 1").gauge, state == "set", SHARE).wrenches)
    assert way.verdict == "sound" and way.limit is None and way.measured >= 8.0 - 0.1 and "stays" in way.why
    assert found(head(state, stone__length_mm=8.0, claws__count=3), "one_lost_way").verdict == "watch"


# Ways out.


def ellipse(x_mm: float, y_mm: float, count: int = 400) -> np.ndarray:
    turn = np.arange(count) * (2.0 * math.pi / count)
    return np.column_stack([x_mm * np.cos(turn), y_mm * np.sin(turn)])


RECTANGLE = np.array([[-4.0, -2.0], [4.0, -2.0], [4.0, 2.0], [-4.0, 2.0]])


def test_an_outlines_least_width_is_its_narrowest_door() -> None:
    assert Door(ellipse(4.0, 2.5)).least_mm == pytest.approx(5.0, rel=1e-4)
    assert Door(RECTANGLE).least_mm == pytest.approx(4.0, rel=1e-9)
    triangle = 2.0 * np.array([[1.0, 0.0], [-0.5, math.sqrt(0.75)], [-0.5, -math.sqrt(0.75)]])
    assert Door(triangle).least_mm == pytest.approx(3.0, rel=1e-9)


def test_the_part_behind_an_opening_says_how_wide_it_must_be() -> None:
    disk = Door(ellipse(2.5, 2.5))

    def at(door: Door, radii: tuple[float, float], middle_deg: float, half_deg: float) -> float:
        turn = np.radians([middle_deg - half_deg, middle_deg + half_deg])
        return float(door.needs_mm(*(np.array([radii]) * [math.cos(angle), math.sin(angle)] for angle in turn))[0])

    # Less than half open: the whole width has to pass. More: only what is left behind the claws, their own distance.
    assert at(disk, (2.5, 2.5), 30.0, 80.0) == pytest.approx(5.0, rel=1e-4)
    assert at(disk, (2.5, 2.5), 30.0, 100.0) == pytest.approx(5.0 * math.sin(math.radians(100.0)), rel=1e-3)
    oval = Door(ellipse(4.0, 2.5))
    # Through an end straight out; through a side turned by 15° only, because the claws across hold it.
    assert at(oval, (4.0, 2.5), 0.0, 60.0) == pytest.approx(5.0, rel=1e-4)
    turned = 20.0 / math.hypot(2.5 * math.cos(math.radians(15.0)), 4.0 * math.sin(math.radians(15.0)))
    assert at(oval, (4.0, 2.5), 90.0, 60.0) == pytest.approx(turned, rel=1e-3)
    box = Door(RECTANGLE)
    firsts, lasts = np.array([[2.0, -2.0], [4.0, 1.0]]), np.array([[2.0, 2.0], [-1.0, 2.0]])
    assert box.needs_mm(firsts, lasts) == pytest.approx(np.array([4.0, 8.0]), rel=1e-3)
    assert box.needs_mm(firsts[:1], lasts[:1])[0] == pytest.approx(4.0, rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_the_longest_chords_of_any_convex_outline_are_found(seed: int) -> None:
    """By brute force: chords through every corner of a random outline, for every turn. The least is its least width."""
    rng = np.random.default_rng(seed)
    hull = solid_of_triangles(*hull_triangles(np.column_stack([np.repeat(rng.normal(size=(9, 2)), 2, axis=0),
                                                               np.tile([0.0, 1.0], 9)])), "prism")
    (loop,) = section(hull, 0.5)
    chords, angles = [], np.radians(np.arange(0.0, 180.0, 0.5))
    for angle in angles:
        turned = loop @ np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
        ways = crossings([turned], np.column_stack([np.full(len(loop), -9.0), turned[:, 1] * (1.0 - 1e-9)]),
                         np.tile([1.0, 0.0], (len(loop), 1)))
        chords.append(float(np.nanmax(np.nanmax(ways, axis=1) - np.nanmin(ways, axis=1))))
    door = Door(loop)
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    assert door.longest_mm(ways) == pytest.approx(np.array(chords), rel=1e-6)
    assert door.least_mm == pytest.approx(min(chords), rel=2e-3)


def test_openings_are_every_run_without_metal() -> None:
    ring = ellipse(1.0, 1.0, 12)
    touching = np.array([0, 0, 1, 1, 0, 1, 0, 0, 0, 1, 1, 0], bool)
    assert [(each.start, each.length) for each in openings(ring, touching)] == [(4, 1), (6, 3), (11, 3)]
    assert openings(ring, np.ones(12, bool)) == [] and openings(ring, np.zeros(12, bool)) == []
    assert openings(ring, touching)[2].first == pytest.approx(ring[10])
    assert openings(ring, touching)[2].last == pytest.approx(ring[2])


def test_a_way_out_reports_what_it_measured_past_half_the_girdle_too() -> None:
    subject = head("cast", stone__length_mm=5.0, claws__count=4)
    open_wide = without(subject, "claw 1", "claw 2")
    finding = found(open_wide, "passing")
    ends = [claw.edge for claw in open_wide.gauge.claws]
    assert finding.verdict == "unsafe" and finding.measured == pytest.approx(np.linalg.norm(ends[0] - ends[1]), abs=1.1)
    assert finding.measured < 5.0 and finding.limit == pytest.approx(finding.measured, abs=0.02)
    # Nearer claws would not help: behind them the stone is narrower still.
    assert finding.remedy == "Add a claw here."


def test_a_long_stone_leaves_endwise_between_claws_on_its_sides() -> None:
    """The opening at its end is as wide as the stone there: exactly at the limit it still leaves."""
    codes = {each.code for each in all_of(head("cast", stone__cut="baguette", stone__length_mm=8.0, claws__count=4,
                                               claws__placement="evenly", claws__start_angle_deg=45.0,
                                               claws__section="round"))
             if each.verdict == "unsafe"}
    assert {"retention.passing", "retention.corners"} <= codes


def test_a_step_cut_with_claws_at_its_corners_does_not_leave_through_its_long_side() -> None:
    subject = head("cast", stone__cut="emerald", stone__length_mm=8.0, claws__count=4, claws__placement="corners")
    finding = found(subject, "passing")
    # Wider than the stone is across, which lengthwise would pass if the claws at the other side let it turn.
    assert finding.measured > 5.72 and (finding.verdict, finding.limit) == ("sound", pytest.approx(8.0, abs=0.01))


# Claws' tips.


@pytest.mark.parametrize(("share", "verdict"), [(0.1, "unsafe"), (0.28, "unsafe"), (0.32, "sound")])
def test_contact_on_the_crown_is_held_against_the_published_least(share: float, verdict: str) -> None:
    """Professional Jeweler, July 2004, after the JA craftsmanship guide, shows 10 % as a fault; GIA asks for 30 %."""
    subject = head("set", stone__length_mm=6.0, claws__count=4)
    claw = subject.gauge.claws[0]
    line, _ = subject.gauge.crown_line(claw, 2)
    end = line[0, :2] + share * (line[1, :2] - line[0, :2])
    azimuth = math.degrees(math.atan2(claw.outwards[1], claw.outwards[0]))
    away = block((*(end - 5.0 * claw.outwards), subject.gauge.table_mm), (10.0, 10.0, 6.0), azimuth)
    short = cut(subject.parts["claw 1"], [away], "claw 1")
    parts = {**subject.parts, "claw 1": short}
    finding = next(each for each in all_of(replace(subject, parts=parts, metal=fuse(list(parts.values()), "head")))
                   if each.code == "retention.contact" and "claw 1" in each.what)
    assert finding.verdict == verdict and finding.measured == pytest.approx(share, abs=0.02)


def test_a_claw_with_no_crown_inwards_from_it_is_said_to_have_none() -> None:
    """A block all round the stone, whose side along the girdle is longer than the girdle, and looks the other way there."""
    subject = head("set", stone__length_mm=6.0, claws__count=4)
    whole = block((8.0, 0.0, 2.0), (26.0, 20.0, 8.0))
    around = replace(subject, parts={"claw 1": whole}, metal=whole)
    (claw,) = around.gauge.claws
    assert claw.edge @ claw.outwards < 0.0 and around.gauge.crown_slope_mm(claw) == 0.0
    tip, contact = (each for each in all_of(around) if each.code in ("retention.tip_height", "retention.contact"))
    assert contact.measured is None and contact.place is None and "no crown of the stone lies inwards from it" in contact.why
    assert tip.place == pytest.approx(claw.at_height(6.0))
    assert found(replace(around, state="cast"), "spare").why == f"{CANNOT}, because no crown of the stone lies inwards from it."


# Corners.


def princess(*blocks: Solid) -> Subject:
    """A princess with claws in the middle of its sides, and metal where the test puts it."""
    subject = head("set", stone__cut="princess", stone__length_mm=5.0, claws__count=4, claws__placement="evenly",
                   claws__start_angle_deg=0.0)
    return replace(subject, metal=fuse([subject.metal, *blocks], "head"))


def guard(corner: int, room_mm: float) -> Solid:
    """A small block square to the way out of a corner, its face so far from the point."""
    turn = 45.0 + 90.0 * corner
    height = princess().gauge.girdle_plane_mm
    reach = 2.5 * math.sqrt(2.0) + room_mm + 0.25
    centre = reach * math.cos(math.radians(turn)), reach * math.sin(math.radians(turn)), height
    return block(centre, (0.5, 0.8, 1.0), turn)


def test_bare_points_are_unsafe_and_counted_where_they_are() -> None:
    bare = found(princess(), "corners")
    assert (bare.verdict, bare.measured, bare.unit) == ("unsafe", 4.0, "count")
    one = found(princess(guard(0, 0.1), guard(1, 0.1), guard(3, 0.1)), "corners")
    assert one.verdict == "unsafe" and one.measured == 1.0 and one.place[:2] == pytest.approx((-2.5, -2.5), abs=1e-6)


@pytest.mark.parametrize(("room_mm", "verdict"), [(0.29, "sound"), (0.3, "sound"), (0.31, "unsafe")])
def test_a_point_is_guarded_by_metal_just_outside_it(room_mm: float, verdict: str) -> None:
    finding = found(princess(*(guard(corner, room_mm) for corner in range(4))), "corners")
    assert finding.verdict == verdict and finding.measured == (0.0 if verdict == "sound" else 4.0)


def test_metal_beside_a_point_does_not_guard_it() -> None:
    beside = block((2.6, 2.2, princess().gauge.girdle_plane_mm), (0.1, 0.3, 1.0))
    assert found(princess(guard(1, 0.1), guard(2, 0.1), guard(3, 0.1), beside), "corners").measured == 1.0


@pytest.mark.parametrize(("room_mm", "verdict"), [(0.0, "watch"), (0.015, "watch"), (0.02, "sound"), (0.03, "sound")])
def test_a_point_stays_free_of_the_metal_that_guards_it(room_mm: float, verdict: str) -> None:
    """GIA Quality Assurance Benchmark, princess cut in V prongs: relief so that the points don't touch."""
    finding = found(princess(guard(0, room_mm), *(guard(corner, 0.2) for corner in (1, 2, 3))), "point_free")
    assert finding.verdict == verdict and finding.measured == pytest.approx(room_mm, abs=1e-4)
    assert finding.place[:2] == pytest.approx((2.5, 2.5), abs=1e-6)


def test_the_relief_of_a_v_claw_is_left_to_the_claws_own_check() -> None:
    findings = all_of(head("set", stone__cut="princess", stone__length_mm=5.0))
    assert {each.code: each.verdict for each in findings}["retention.corners"] == "sound"
    assert "retention.point_free" not in {each.code for each in findings}


def test_blunt_corners_are_for_watching_and_smooth_outlines_have_none() -> None:
    corners = found(head("cast", stone__cut="marquise", stone__length_mm=8.0, claws__count=4, claws__placement="evenly",
                         claws__start_angle_deg=45.0), "corners")
    assert corners.verdict == "watch" and corners.measured == 2.0
    assert abs(corners.place[0]) == pytest.approx(4.0, abs=1e-6)
    smooth = all_of(head("cast", stone__length_mm=6.0))
    assert not [each for each in smooth if "corner" in each.code or "point" in each.code]


# Rims.


def rimmed(over_mm: float) -> Subject:
    """A round stone in a wall and a rim that is rubbed over its crown by so much; no claws."""
    subject = head("set", stone__length_mm=5.0)
    gauge = subject.gauge
    low, high = gauge.wall_top_mm - 0.3, gauge.crown_edge_mm + 0.45
    turn = np.arange(64) * (2.0 * math.pi / 64)

    def tube(radius: float, bottom: float, top: float) -> Solid:
        ring = radius * np.column_stack([np.cos(turn), np.sin(turn)])
        ends = [np.column_stack([ring, np.full(64, z)]) for z in (bottom, top)]
        return solid_of_triangles(*hull_triangles(np.concatenate(ends)), "tube")

    rim = cut(tube(3.1, low, high), [tube(2.5 - over_mm, low - 1.0, high + 1.0), subject.stone_solid], "rim")
    parts = {"wall": subject.parts["wall"], "rim": rim}
    return replace(subject, parts=parts, metal=fuse(list(parts.values()), "head"))


def test_a_rim_holds_without_claws_and_nothing_is_left_unable() -> None:
    findings = all_of(rimmed(0.35))
    assert [each for each in findings if each.measured is None or each.verdict != "sound"] == []
    codes = {each.code.partition(".")[2] for each in findings}
    assert {"opening", "passing", "sideways", "upwards", "downwards", "tilt"} == codes
    upright = {each.code.partition(".")[2]: each.verdict for each in all_of(rimmed(0.0))}
    assert upright["sideways"] == "sound" and upright["upwards"] == "unsafe"


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("cut_name", ["round brilliant", "princess", "oval cabochon"])
def test_a_rim_head_is_held_before_and_after_it_is_rubbed_over(cut_name: str, state: str) -> None:
    findings = all_of(head(state, stone__cut=cut_name, stone__length_mm=7.0, head__style="rim"))
    assert [each for each in findings if each.verdict != "sound" and each.code != "retention.point_free"] == []
    codes = {each.code.partition(".")[2] for each in findings}
    assert {"opening", "passing", "sideways", "downwards"} <= codes and ("upwards" in codes) == (state == "set")
    assert next(each.measured for each in findings if each.code == "retention.passing") == 0.0
