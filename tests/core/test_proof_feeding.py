"""How each part is fed from the sprue, on solids whose sections are known in closed form, and on heads broken on purpose."""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import Finding, Subject, Tolerances, prove, prove_subject, subject_of
from core.proof.feeding import Feeding, check_fed
from core.proof.runs import Ring, bar_of
from core.solid.kernel import Solid, cut, fuse, hull_triangles, moved, solid_of_triangles
from core.spec import Spec, spec_of
from core.trade.house_rules import house_rules

SPRUE = np.array([0.0, 0.0, 0.0])
"""In the middle of the first block's underside."""


@cache
def head(**choices: object) -> Subject:
    return subject_of(make_head(Spec().with_choices(**choices)))


def block(centre: tuple[float, float, float], size_mm: tuple[float, float, float]) -> Solid:
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return solid_of_triangles(*hull_triangles(np.asarray(centre) + corner * size_mm), "block")


def bar(area_mm2: float, start_x: float, end_x: float, y: float = 0.0) -> Solid:
    """A round bar along x, 1 mm up, with a polygon's section of that area."""
    count = 64
    radius = math.sqrt(2.0 * area_mm2 / (count * math.sin(2.0 * math.pi / count)))
    return moved(Manifold.cylinder(end_x - start_x, radius, radius, count).rotate((0.0, 90.0, 0.0)), (start_x, y, 1.0))


def told(parts: dict[str, Solid], sprue: np.ndarray = SPRUE) -> list[Finding]:
    return list(check_fed(Feeding(parts), sprue, house_rules()))


def of(kind: str, findings: list[Finding]) -> Finding:
    (finding,) = [each for each in findings if each.code == "casting.feed" and f"ways to {kind} over" in each.what]
    return finding


# A bar that feeds a block: 2 by 2 mm, which freezes as late as a round bar of pi mm2.


@pytest.mark.parametrize(("share", "verdict"), [(0.72, "watch"), (0.735, "watch"), (0.745, "sound"), (0.75, "sound"),
                                                (0.8, "sound")])
def test_a_bar_must_be_three_quarters_of_the_block_that_it_feeds(share: float, verdict: str) -> None:
    parts = {"peg": block((0.0, 0.0, 2.0), (3.0, 3.0, 4.0)), "bridge": bar(share * math.pi, 1.0, 5.0),
             "right peg": block((5.5, 0.0, 2.0), (2.0, 2.0, 4.0))}
    found = of("the peg", told(parts))
    assert found.measured == pytest.approx(share, abs=0.002) and found.verdict == verdict
    assert found.place[1:] == pytest.approx((0.0, 1.0), abs=1e-6) and 1.0 < found.place[0] < 5.0
    assert "right peg" in found.why and "in the bridge" in found.why
    assert found.remedy.startswith("Thicken the bridge here") if verdict == "watch" else not found.remedy
    assert of("a bridge", told(parts)).measured == pytest.approx(1.0)


def test_several_ways_feed_together_and_one_neck_before_them_feeds_once() -> None:
    source, fed = block((0.0, 0.0, 2.0), (3.0, 3.0, 4.0)), block((5.5, 0.0, 2.0), (2.0, 2.0, 4.0))
    two = {"peg": source, "right peg": fed, "left bridge": bar(1.0, 1.0, 5.0, -0.5), "right bridge": bar(0.7, 1.0, 5.0, 0.5)}
    found = of("the peg", told(two))
    assert found.measured == pytest.approx(1.7 / math.pi, abs=0.002)
    assert "by 2 ways, narrowest in the right bridge" in found.why
    further = {"peg": source, "bridge": bar(0.6, 1.0, 5.0), "right peg": fed,
               "left peg": block((10.5, 0.0, 2.0), (2.0, 2.0, 4.0)),
               "left bridge": bar(1.0, 6.0, 10.0, -0.5), "right bridge": bar(1.0, 6.0, 10.0, 0.5)}
    feeding = Feeding(further)
    shares = {fed.run.part: fed.share for fed in feeding.fed_from(SPRUE) if fed is not None}
    assert shares["right peg"] == pytest.approx(0.6 / math.pi, abs=0.002)
    assert shares["left peg"] == pytest.approx(0.6 / math.pi, abs=0.002)


def test_what_shares_no_metal_with_the_rest_says_so() -> None:
    parts = {"peg": block((0.0, 0.0, 2.0), (3.0, 3.0, 4.0)), "right peg": block((5.5, 0.0, 2.0), (2.0, 2.0, 4.0))}
    found = of("the peg", told(parts))
    assert found.measured is None and "the right peg shares no metal" in found.why


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_of_two_lumps_as_large_the_one_away_from_the_sprue_is_fed_least(side: float) -> None:
    """A ring of 1 by 1.5 mm with two lumps of 3 by 1.5 mm: the sprue's own is fed at once, the other round both ways."""
    ring = cut(block((0.0, 0.0, 0.75), (8.0, 8.0, 1.5)), [block((0.0, 0.0, 0.75), (6.0, 6.0, 2.0))], "rail")
    rail = fuse([ring, *(block((each * 3.5, 0.0, 0.75), (3.0, 2.0, 1.5)) for each in (-1.0, 1.0))], "rail")
    (fed,) = Feeding({"upper rail": rail}).fed_from(np.array([side * 3.5, 0.0, 0.0]))
    assert fed is not None and fed.ways == 2
    # Less than both ways in full, where the ring widens at a step.
    assert fed.share < 2.0 * 0.3**2 / 0.5**2 + 0.01


# Sections and joints.


def test_sections_of_a_square_ring_are_read_square_to_its_sides() -> None:
    """1 mm by 1.5 mm all along, though planes through the axis cut it aslant: as a round bar 4 pi (area / edge)^2."""
    ring = cut(block((0.0, 0.0, 0.75), (8.0, 8.0, 1.5)), [block((0.0, 0.0, 0.75), (6.0, 6.0, 2.0))], "rail")
    (run,) = Ring("upper rail", ring, np.zeros(2)).runs()
    corner = np.abs(np.abs(run.places[:, 0]) - np.abs(run.places[:, 1])) < 1.0
    assert (~corner).sum() > 50
    assert run.sections[~corner] == pytest.approx(4.0 * math.pi * 0.3**2, rel=1e-6)
    assert (run.sections[corner] > 0.9 * 4.0 * math.pi * 0.3**2).all()


def test_what_closes_over_its_axis_is_read_within_its_bounds() -> None:
    """As where a model grows together: ways out meet its top at the axis nowhere, and sides of 1e15 mm came of it."""
    corners = np.array([[x, y, z] for x in (-1.0, 2.0) for y in (-1.0, 1.5) for z in (0.0, 1.0)])
    block = solid_of_triangles(*hull_triangles(corners), "block")
    ring = Ring("upper rail", block, np.zeros(2))
    for ends in (ring.starts, ring.starts + ring.ways):
        assert (ends >= -1e-9).all() and (ends <= [2.5 + 1e-9, 1.0 + 1e-9]).all()
    closed = subject_of(make_head(spec_of({"stone.cut": "trillion", "head.style": "basket", "stone.length_mm": 1.95})))
    told = prove_subject(closed, tolerances=Tolerances(0.0, 1.0, 0.0))
    assert all(each.spread is None or math.isfinite(each.spread.worst) for each in told)


def test_a_round_bar_counts_by_its_area_and_a_plate_no_more_for_being_wider() -> None:
    assert bar_of("bridge", bar(0.8, 0.0, 5.0)).sections == pytest.approx(0.8, rel=0.002)
    narrow, wide = (bar_of("bridge", block((0.0, 0.0, 0.0), (20.0, each, 1.0))).sections[3] for each in (4.0, 8.0))
    assert narrow == pytest.approx(4.0 * math.pi * 0.4**2) and wide == pytest.approx(4.0 * math.pi * (8.0 / 18.0) ** 2)


def test_a_joint_is_the_part_of_the_one_surface_inside_the_other() -> None:
    parts = {"peg": block((0.0, 0.0, 1.0), (3.0, 3.0, 2.0)), "claw 1": block((1.5, 0.0, 3.0), (1.0, 1.2, 6.0))}
    (joint,) = Feeding(parts).joints
    # 1.2 mm inwards and 0.5 mm on both sides, over 2 mm.
    assert joint.area_mm2 == pytest.approx(2.2 * 2.0, rel=0.02)
    assert joint.place == pytest.approx((1.15, 0.0, 1.0), abs=0.1)


@pytest.mark.parametrize(("wide_mm", "verdict"), [(0.3, "watch"), (0.9, "sound")])
def test_bars_between_windows_feed_what_is_over_them(wide_mm: float, verdict: str) -> None:
    """A wall of 1 mm with four windows: two bars beside each feed the ring over it."""
    wall = Manifold.cylinder(4.0, 4.0, 4.0, 96) - moved(Manifold.cylinder(6.0, 3.0, 3.0, 96), (0.0, 0.0, -1.0))
    corner = block((4.0 + wide_mm / 2.0, 4.0 + wide_mm / 2.0, 2.0), (8.0, 8.0, 1.6))
    windows = [corner.rotate((0.0, 0.0, 90.0 * k)) for k in range(4)]
    pierced = cut(wall, windows, "wall")
    findings = told({"wall": pierced}, np.array([3.5, 0.0, 0.0]))
    feeding = Feeding({"wall": pierced})
    bars = [run for run in feeding.runs if run.kind == "bar"]
    assert len(bars) == 4 and all(run.sections == pytest.approx(
        4.0 * math.pi * (wide_mm / (2.0 + 2.0 * wide_mm)) ** 2, rel=0.02) for run in bars)
    over = 4.0 * math.pi * (1.2 / 4.4) ** 2
    found = of("a wall", findings)
    assert found.verdict == verdict
    if verdict == "watch":
        # The ring over the windows by all four bars, one at a time: the nearest two are not enough alone.
        fed = next(fed for fed in feeding.fed_from(np.array([3.5, 0.0, 0.0])) if fed and "over" in fed.run.name)
        assert fed.share == pytest.approx(fed.neck_mm2 / over, rel=0.02) and fed.where[0].startswith("bar")
        assert found.remedy.startswith("Widen bar")


# Heads.


def test_a_rail_that_is_filed_thin_on_both_sides_of_a_stretch_is_found_there() -> None:
    subject = head(stone__length_mm=6.0, head__style="basket")
    feeding = Feeding(subject.parts)
    rail = next(run for run in feeding.runs if run.part == "base rail")
    claws = np.sort([math.atan2(*run.places[0, 1::-1]) for run in feeding.runs if run.kind == "claw"])
    middle, reach = (claws[0] + claws[1]) / 2.0, 0.3 * (claws[1] - claws[0])
    angles = np.arctan2(rail.places[:, 1], rail.places[:, 0])
    places = [rail.places[int(np.argmin(np.abs(angles - each)))] for each in (middle - reach, middle + reach)]
    tools = []
    for place in places:
        # All but a core of 0.3 mm is filed away for 0.3 mm along the rail.
        turn = math.degrees(math.atan2(place[1], place[0]))
        sleeve = block((0.0, 0.0, 0.0), (3.0, 0.3, 3.0)) - block((0.0, 0.0, 0.0), (0.3, 1.0, 0.3))
        tools.append(moved(sleeve.rotate((0.0, 0.0, turn)), tuple(place)))
    parts = {**subject.parts, "base rail": cut(subject.parts["base rail"], tools, "base rail")}
    filed = replace(subject, parts=parts, metal=fuse(list(parts.values()), "head"))
    found = of("a rail", [each for each in prove_subject(filed) if each.code == "casting.feed"])
    assert found.verdict == "watch" and "base rail" in found.why and "by 2 ways" in found.why
    assert min(float(np.linalg.norm(np.subtract(found.place, place))) for place in places) < 0.2
    whole = of("a rail", [each for each in prove_subject(subject) if each.code == "casting.feed"])
    assert whole.verdict == "sound"


@pytest.mark.parametrize(("style", "kinds"), [("tapered claw", {"a wall", "a claw"}), ("basket", {"a rail", "a claw"}),
                                              ("gallery", {"a wall", "a bar between windows", "a claw"}),
                                              ("coronet", {"a wall", "a claw"}), ("peg", {"the peg", "a claw"}),
                                              ("rim", {"a wall", "the rim"})])
def test_every_kind_of_part_is_told_of_and_heads_as_planned_are_fed(style: str, kinds: set[str]) -> None:
    proof = prove(make_head(spec_of({"stone.length_mm": 6.0, "head.style": style})))
    findings = [each for each in proof if "on the ways to" in each.what]
    assert {each.what.split(" ways to ")[1].split(" over ")[0] for each in findings} == kinds
    assert all(each.verdict == "sound" and each.measured is not None and "round bar" in each.why for each in findings)


def test_heads_of_several_stones_tell_of_plate_beads_and_bridges() -> None:
    for choices, kinds in (({"surround.present": True}, {"a wall", "a claw", "the plate", "a bead"}),
                           ({"sides.present": True}, {"a wall", "a claw", "a bridge"})):
        proof = prove(make_head(spec_of({"stone.length_mm": 6.0, **choices})))
        findings = [each for each in proof if "on the ways to" in each.what]
        assert {each.what.split(" ways to ")[1].split(" over ")[0] for each in findings} == kinds
        assert all(each.verdict == "sound" for each in findings)


def test_a_print_has_no_sprue_that_feeds_it() -> None:
    printed = prove(make_head(spec_of({"stone.length_mm": 6.0, "casting.process": "direct metal print"})))
    assert not [each for each in printed if "on the ways to" in each.what]
