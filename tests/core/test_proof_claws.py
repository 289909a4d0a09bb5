"""Claws of any section and line: thickness, notch and neck against closed forms, widths, tips, relief, shared claws."""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from core.head import make_head
from core.proof import Finding, Subject, subject_of
from core.proof.agreement import check_agreement
from core.proof.claw_measure import bar, bow_mm
from core.proof.claws import check_claws
from core.proof.findings import worst_first
from core.proof.retention import check_retention
from core.proof.strength import check_strength
from core.solid.kernel import Solid, cut, fuse, hull_triangles, moved, solid_of_triangles
from core.spec import spec_of
from core.tolerance import READ_MM
from core.trade.house_rules import HouseRules, house_rules


@cache
def head_of(state: str = "cast", **changes: object) -> Subject:
    return subject_of(make_head(spec_of({"stone.length_mm": 8.0}).with_choices(**changes), state))


def gravest(subject: Subject, rules: HouseRules | None = None) -> dict[str, Finding]:
    found: dict[str, Finding] = {}
    for each in worst_first(check_claws(subject, rules or house_rules())):
        found.setdefault(each.code, each)
    return found


def rebuilt(subject: Subject, **parts: Solid) -> Subject:
    solids = {**subject.parts, **{name.replace("_", " "): solid for name, solid in parts.items()}}
    return replace(subject, parts=solids, metal=fuse(list(solids.values()), "head"))


def block(centre: np.ndarray, size_mm: tuple[float, float, float]) -> Solid:
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return solid_of_triangles(*hull_triangles(np.asarray(centre) + corner * size_mm), "block")


NOTCHED = {0.20: (.858, .695, .607), 0.25: (.804, .607, .503), 1 / 3: (.708, .470, .352), 0.40: (.626, .370, .252),
           0.50: (.500, .243, .140), 0.70: (.252, .072, .025)}
"""Area, section modulus and stiffness left of a round bar by a straight notch; computed from the circle's segment."""


@pytest.mark.parametrize(("notch", "left"), NOTCHED.items())
def test_a_notched_bar_keeps_the_tabled_area_strength_and_stiffness(notch: float, left: tuple[float, float, float]) -> None:
    count = 499
    turn = np.arange(1, count + 1) * (math.pi / (count + 1))
    half, widths = np.sin(turn), np.sin(turn) * (math.pi / (count + 1))
    whole, rest = bar(-half, half, widths), bar(np.maximum(-half, 2.0 * notch - 1.0), half, widths)
    found = (rest.area_mm2 / whole.area_mm2, rest.modulus_mm3 / whole.modulus_mm3, rest.inertia_mm4 / whole.inertia_mm4)
    assert found == pytest.approx(left, abs=2e-3)
    # A rectangle: 1 - f, its square and its cube.
    flat = np.full(4, 1.0)
    whole, rest = bar(-flat, flat, flat), bar(2.0 * notch - flat, flat, flat)
    assert (rest.area_mm2 / whole.area_mm2, rest.modulus_mm3 / whole.modulus_mm3, rest.inertia_mm4 / whole.inertia_mm4
            ) == pytest.approx((1.0 - notch, (1.0 - notch) ** 2, (1.0 - notch) ** 3))


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("section", ["round", "oval", "tab"])
def test_thickness_width_and_notch_are_read_for_every_section(section: str, state: str) -> None:
    subject = head_of(state, claws__section=section, claws__notch=0.3, claws__tip_share=0.8)
    plan = subject.plan
    assert plan is not None
    for claw in subject.gauge.claws:
        assert len(claw.legs) == 1 and claw.notch == pytest.approx(0.3, abs=0.006)
        assert claw.thickness_at(0.0) == pytest.approx(plan["claw_diameter"], abs=0.01)
    found = gravest(subject)
    assert {code for code, each in found.items() if each.verdict == "unsafe"} == set()
    agreed = {each.code: each.verdict for each in check_agreement(subject, house_rules())}
    assert agreed["plan.claw_notch"] == agreed["plan.claw_diameter"] == "sound"
    assert ("plan.claw_width" in agreed) == ("claw_width" in plan) and agreed.get("plan.claw_width", "sound") == "sound"


@pytest.mark.parametrize("style", ["peg", "basket"])
def test_a_bowed_claw_is_read_at_the_girdle_as_a_straight_one(style: str) -> None:
    for state in ("cast", "set"):
        subject = head_of(state, head__style=style, claws__bow_mm=0.3, claws__notch=0.3)
        for claw in subject.gauge.claws:
            assert claw.notch == pytest.approx(0.3, abs=0.015)
            assert bow_mm(claw) == pytest.approx(0.3, abs=0.02)


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize(("cut_name", "count"), [("princess", 4), ("marquise", 2), ("trillion", 3)])
def test_a_v_claw_is_measured_leg_by_leg(cut_name: str, count: int, state: str) -> None:
    subject = head_of(state, stone__cut=cut_name, claws__notch=0.3)
    corner_claws = [claw for claw in subject.gauge.claws if claw.is_v]
    assert len(corner_claws) == count
    corners = subject.gauge.girdle_loop
    for claw in corner_claws:
        assert np.linalg.norm(corners - claw.edge, axis=1).min() < 1e-6
        first, second = claw.legs
        assert first.outwards @ claw.outwards == pytest.approx(second.outwards @ claw.outwards, abs=0.02)
        for leg in claw.legs:
            assert leg.notch == pytest.approx(0.3, abs=0.012)
            assert leg.thickness_mm * (1.0 - leg.notch) == pytest.approx(leg.left_mm, abs=0.02)
    found = gravest(subject)
    assert found["claws.width"].verdict != "unsafe" and found["claws.neck"].verdict == "sound"


def test_the_corner_of_a_set_stone_stands_free_in_its_relief_and_a_filled_one_is_found() -> None:
    """GIA Quality Assurance Benchmark, princess cut: the points do not touch."""
    subject = head_of("set", stone__cut="princess")
    finding = gravest(subject)["claws.relief"]
    assert finding.verdict == "sound"
    claw = next(each for each in subject.gauge.claws if each.is_v)
    plug = cut(block(np.array([*claw.edge, subject.gauge.girdle_plane_mm]), (0.4, 0.4, 0.6)), [subject.gauge.stone_solid],
               "plug")
    filled = rebuilt(subject, **{claw.name.replace(" ", "_"): fuse([subject.parts[claw.name], plug], claw.name)})
    finding = gravest(filled)["claws.relief"]
    assert finding.verdict == "watch" and claw.name in finding.what
    assert np.linalg.norm(np.subtract(finding.place[:2], claw.edge)) < 0.05


@pytest.mark.parametrize(("notch", "verdict"), [(0.48, "sound"), (0.5, "sound"), (0.53, "unsafe")])
def test_a_claw_keeps_half_its_thickness_behind_the_notch(notch: float, verdict: str) -> None:
    """A heel of at least half: heartofgoldjewelers.com, repair pages."""
    finding = gravest(head_of(claws__notch=notch))["claws.neck"]
    assert finding.verdict == verdict and finding.measured == pytest.approx(1.0 - notch, abs=0.005)


@pytest.mark.parametrize(("code", "rule"), [("claws.neck_area", "claws.area_left_min"),
                                            ("claws.neck_strength", "claws.strength_left_min"),
                                            ("claws.neck_stiffness", "claws.stiffness_left_min")])
def test_what_the_weakest_claw_keeps_is_held_against_the_rules(code: str, rule: str) -> None:
    subject = head_of()
    measured = gravest(subject)[code].measured
    assert measured is not None
    for off, verdict in ((-0.01, "sound"), (0.0, "sound"), (0.01, "unsafe")):
        rules = house_rules()
        rules = HouseRules({**rules.rules, rule: replace(rules[rule], value=measured + off)})
        assert gravest(subject, rules)[code].verdict == verdict


def test_half_a_round_claw_is_the_least_that_the_rules_allow() -> None:
    """The rules' shares are those of a bar cut to half; a claw at a large stone's nearly straight girdle comes near it."""
    found = gravest(head_of(stone__length_mm=14.0, claws__notch=0.5, claws__count=6))
    assert found["claws.neck_area"].measured == pytest.approx(0.5, abs=0.03)
    assert {found[f"claws.neck_{each}"].verdict for each in ("area", "strength", "stiffness")} == {"sound"}


@pytest.mark.parametrize(("process", "least_mm"), [("lost wax", 0.4), ("direct metal print", 0.8)])
def test_the_metal_behind_the_notch_is_held_against_the_process(process: str, least_mm: float) -> None:
    for off, verdict in ((-0.02, "unsafe"), (0.0, "sound"), (0.02, "sound")):
        diameter = (least_mm + off) / 0.6
        subject = head_of(claws__diameter_mm=diameter, claws__notch=0.4, casting__process=process)
        finding = gravest(subject)["claws.neck_thickness"]
        assert finding.verdict == verdict and finding.measured == pytest.approx(least_mm + off, abs=READ_MM)


@pytest.mark.parametrize(("notch", "verdict"), [(0.2, "sound"), (0.25, "sound"), (0.27, "unsafe")])
def test_a_claw_that_holds_two_stones_may_lose_a_quarter_to_each(notch: float, verdict: str) -> None:
    """Professional Jeweler, December 2002: not more than 25 % from a shared claw."""
    subject = head_of(claws__notch=notch)
    claw = subject.gauge.claws[0]
    beyond = 2.0 * (claw.edge + claw.outwards * (1.0 - 2.0 * claw.notch) * claw.diameter_mm / 2.0)
    shared = replace(subject, neighbours=(moved(subject.gauge.stone_solid, (*beyond, 0.0)),))
    (finding,) = [each for each in check_claws(shared, house_rules()) if each.code == "claws.notch" and claw.name in each.what]
    assert finding.verdict == verdict and finding.limit in (0.25, 0.1)
    others = [each for each in check_claws(shared, house_rules()) if each.code == "claws.notch" and claw.name not in each.what]
    assert all(each.limit != 0.25 or each.rule == "claws.notch_low" for each in others)


@pytest.mark.parametrize(("length_mm", "least_mm"), [(4.0, 0.6), (8.0, 0.8)])
def test_a_finished_tip_is_held_against_what_wear_leaves(length_mm: float, least_mm: float) -> None:
    """0.6 mm after finishing, 0.8 for a centre stone; from memory. Both sides of a tip are filed until it is so broad."""
    subject = head_of("set", stone__length_mm=length_mm, claws__count=4, claws__diameter_mm=1.0)
    claw = subject.gauge.claws[0]
    across = np.array([-claw.outwards[1], claw.outwards[0]])
    turn = math.atan2(across[1], across[0])
    assert abs(abs(math.sin(2.0 * turn)) - 1.0) < 1e-6
    for off, verdict in ((-0.02, "watch"), (0.0, "sound"), (0.02, "sound")):
        solid = subject.parts["claw 1"]
        for side in (-1.0, 1.0):
            far = claw.edge + across * side * ((least_mm + off) / 2.0 + 1.0)
            corner = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-3.0, 3.0) for z in (0.0, 6.0)])
            turned = np.column_stack([corner[:, :1] * across + corner[:, 1:2] * claw.outwards, corner[:, 2:]])
            file = solid_of_triangles(*hull_triangles(turned + [*far, subject.gauge.girdle_plane_mm]), "file")
            solid = cut(solid, [file], "claw 1")
        found = [each for each in check_claws(rebuilt(subject, claw_1=solid), house_rules())
                 if each.code == "claws.tip" and "claw 1" in each.what]
        assert [each.verdict for each in found] == [verdict]
        assert found[0].measured == pytest.approx(least_mm + off, abs=READ_MM)


def test_a_rim_without_claws_has_no_findings_of_claws() -> None:
    assert list(check_claws(head_of(head__style="rim"), house_rules())) == []
    unknown = replace(head_of(), parts={}, plan=None)
    assert {each.code for each in check_claws(unknown, house_rules())} >= {"claws.notch", "claws.neck", "claws.width"}


@pytest.mark.parametrize("style", ["basket", "gallery", "coronet", "peg", "rim"])
def test_what_was_planned_is_found_again_in_every_kind_of_head(style: str) -> None:
    for state in ("cast", "set"):
        found = {each.code: each for each in check_agreement(head_of(state, head__style=style), house_rules())}
        assert {code: each.why for code, each in found.items() if each.verdict != "sound"} == {}
        if state == "cast":
            names = {"basket": ("rail_thickness", "upper_rail_height"), "gallery": ("window_sill",),
                     "coronet": ("scoop_depth",), "peg": ("peg_diameter", "peg_height"),
                     "rim": ("rim_height", "rim_thickness")}[style]
            assert {f"plan.{name}" for name in names} <= found.keys()


@pytest.mark.parametrize("choices, firsts", [
    ({"claws.count": 12, "stone.length_mm": 9.0}, 2), ({"claws.count": 4}, 1), ({"stone.cut": "oval", "stone.length_mm": 7.0}, 1),
    ({"stone.cut": "heart", "stone.length_mm": 7.0, "head.style": "basket"}, 3), ({"stone.cut": "princess"}, 1)])
@pytest.mark.parametrize("state", ["cast", "set"])
def test_claws_that_are_one_in_other_places_measure_as_they_do_alone(choices: dict, firsts: int, state: str) -> None:
    own = subject_of(make_head(spec_of(choices), state))
    alone = replace(own, copies={})
    rules = house_rules()
    assert len({own.gauge.first_of(name) for name in own.gauge.claw_names}) == firsts
    for check in (check_claws, check_retention, check_strength):
        told, each = ({(finding.code, finding.what.split("'")[0]): finding for finding in check(subject, rules)} for subject in (own, alone))
        assert told.keys() == each.keys()
        for key, finding in told.items():
            assert finding.measured == pytest.approx(each[key].measured, abs=2e-6), key
    for turned, measured in zip(own.gauge.claws, alone.gauge.claws, strict=True):
        assert turned.name == measured.name
        for name in ("spine", "axis", "outwards", "edge"):
            assert getattr(turned, name) == pytest.approx(getattr(measured, name), abs=1e-6), (turned.name, name)
        for one, other in zip(turned.legs, measured.legs, strict=True):
            assert one.edge == pytest.approx(other.edge, abs=1e-6) and one.outwards == pytest.approx(other.outwards, abs=1e-6)
