"""Strength: sections against closed forms and the notch table, claws against the textbook cantilever, the limit just
under, at and over.
"""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from core.head import make_head
from core.proof import Finding, Subject, subject_of
from core.proof.findings import worst_first
from core.proof.strength import Beam, Cantilever, beams, cantilevers, check_strength, plastics_mm3, yield_mpa
from core.solid.kernel import Solid, cut, fuse, hull_triangles, solid_of_triangles
from core.spec import spec_of
from core.trade.alloys import all_alloys, alloy
from core.trade.house_rules import HouseRules, house_rules

TAPER = math.radians(17.0)
WORKED = {
    "stone.length_mm": 5.0, "stone.pavilion_angle_deg": 40.75, "head.culet_clearance_mm": 1.0, "wall.taper_deg": 17.0,
    "wall.thickness_mm": 0.9, "wall.seat_inset_mm": 0.2, "wall.bevel_mm": 0.7, "claws.count": 4,
    "claws.diameter_mm": 1.0, "claws.notch": 0.5 - 0.2 * math.cos(TAPER), "claws.spare_mm": 3.0,
}
"""A tapered claw head worked by hand. Common practice, no source."""


@cache
def worked(state: str = "cast", **changes: object) -> Subject:
    return subject_of(make_head(spec_of(WORKED).with_choices(**changes), state))


def found(subject: Subject, code: str, rules: HouseRules | None = None) -> Finding:
    findings = check_strength(subject, rules or house_rules())
    return worst_first(each for each in findings if each.code == f"strength.{code}")[0]


def circle(radius: float, count: int = 4000) -> np.ndarray:
    turn = np.arange(count) * (2.0 * math.pi / count)
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


def rectangle(x: tuple[float, float], y: tuple[float, float]) -> np.ndarray:
    return np.array([[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]])


def box(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Solid:
    return solid_of_triangles(*hull_triangles(np.array([[a, b, c] for a in x for b in y for c in z])), "box")


# Sections.


def clipped(loop: np.ndarray, most: float) -> np.ndarray:
    """The part of a loop (k, 2) with x at most `most`, as one loop (Sutherland and Hodgman, 1974)."""
    after = np.concatenate([loop[1:], loop[:1]])
    kept = loop[:, 0] <= most
    crossing = kept != (after[:, 0] <= most)
    rise = np.where(crossing, after[:, 0] - loop[:, 0], 1.0)
    cuts = loop + ((most - loop[:, 0]) / rise)[:, None] * (after - loop)
    both = np.stack([loop, cuts], axis=1).reshape(-1, 2)
    return both[np.column_stack([kept, crossing]).ravel()]


def beam(loops: list[np.ndarray]) -> Beam:
    return beams([loops])[0]


def plastic_mm3(loops: list[np.ndarray]) -> float:
    return plastics_mm3([loops])[0]


@pytest.mark.parametrize(("notch", "area", "round_modulus", "flat_modulus", "round_inertia", "flat_inertia"), [
    (0.0, 1.0, 1.0, 1.0, 1.0, 1.0), (0.20, 0.858, 0.695, 0.640, 0.607, 0.512),
    (0.25, 0.804, 0.607, 0.562, 0.503, 0.422), (0.30, 0.748, 0.523, 0.490, 0.409, 0.343),
    (1.0 / 3.0, 0.708, 0.470, 0.444, 0.352, 0.296),
    (0.40, 0.626, 0.370, 0.360, 0.252, 0.216), (0.50, 0.500, 0.243, 0.250, 0.140, 0.125),
    (0.60, 0.374, 0.143, 0.160, 0.067, 0.064), (0.70, 0.252, 0.072, 0.090, 0.025, 0.027),
])
def test_what_a_notch_leaves_of_a_bar(notch: float, area: float, round_modulus: float, flat_modulus: float,
                                      round_inertia: float, flat_inertia: float) -> None:
    """The table of notches, computed from closed forms: shares of a round and of a rectangular bar, to three digits."""
    for whole, modulus, inertia in ((circle(0.5), round_modulus, round_inertia),
                                    (rectangle((-0.5, 0.5), (-0.4, 0.4)), flat_modulus, flat_inertia)):
        uncut, left = beam([whole]), beam([clipped(whole, 0.5 - notch)])
        if len(whole) > 4:
            assert left.area_mm2 / uncut.area_mm2 == pytest.approx(area, abs=6e-4)
        assert left.modulus_mm3 / uncut.modulus_mm3 == pytest.approx(modulus, abs=6e-4)
        assert left.inertia_mm4 / uncut.inertia_mm4 == pytest.approx(inertia, abs=6e-4)


def test_sections_have_their_textbook_figures() -> None:
    """Circle, rectangle, tube, triangle and angle; plastic moduli d³/6, bh²/4, (2 - √2) bh²/6."""
    disk = beam([circle(0.5) + 3.0])
    assert (disk.area_mm2, disk.middle_mm) == pytest.approx((math.pi / 4.0, 3.0), rel=1e-5)
    assert (disk.inertia_mm4, disk.modulus_mm3) == pytest.approx((math.pi / 64.0, math.pi / 32.0), rel=1e-5)
    assert plastic_mm3([circle(0.5) + 3.0]) == pytest.approx(1.0 / 6.0, rel=1e-5)
    bar = rectangle((1.0, 1.8), (0.0, 0.5))
    assert beam([bar]).modulus_mm3 == pytest.approx(0.5 * 0.8**2 / 6.0, rel=1e-12)
    assert plastic_mm3([bar]) == pytest.approx(0.5 * 0.8**2 / 4.0, rel=1e-12)
    tube = [circle(0.5), circle(0.3)[::-1]]
    assert beam(tube).inertia_mm4 == pytest.approx(math.pi / 4.0 * (0.5**4 - 0.3**4), rel=1e-5)
    assert plastic_mm3(tube) == pytest.approx((1.0 - 0.6**3) / 6.0, rel=1e-5)
    wedge = np.array([[0.0, -0.6], [0.9, 0.0], [0.0, 0.6]])
    assert beam([wedge]).modulus_mm3 == pytest.approx(1.2 * 0.9**2 / 24.0, rel=1e-12)
    assert plastic_mm3([wedge]) == pytest.approx((2.0 - math.sqrt(2.0)) / 6.0 * 1.2 * 0.9**2, rel=1e-9)
    angle = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 0.2], [0.2, 0.2], [0.2, 1.0], [0.0, 1.0]])
    legs = (0.2, 0.1, 1.0 / 3.0 * 0.2**3), (0.16, 0.6, 0.2 * (1.0 - 0.2**3) / 3.0)
    middle = sum(area * x for area, x, _ in legs) / 0.36
    assert beam([angle]).inertia_mm4 == pytest.approx(sum(each[2] for each in legs) - 0.36 * middle**2, rel=1e-12)
    assert beam([]).area_mm2 == 0.0 and plastic_mm3([]) == 0.0
    several = [tube, [], [wedge], [bar]]
    assert plastics_mm3(several) == pytest.approx([plastic_mm3(each) for each in several], rel=1e-12)


# Claws.


def barred(low_mm: float, high_mm: float, half_mm: float = 0.1) -> Subject:
    """The worked head with an upright bar of this reach along X and this half width in place of claw 1, and nothing
    else that reaches it but the wall, if it does."""
    subject = worked(claws__start_angle_deg=0.0)
    parts = {"wall": subject.parts["wall"], "claw 1": box((low_mm, high_mm), (-half_mm, half_mm), (0.0, 6.0))}
    return replace(subject, parts=parts, metal=fuse(list(parts.values()), "head"))


def test_an_upright_bar_yields_as_the_textbook_cantilever_does() -> None:
    """F = stress · b h² / 6 / lever at the foot, and the turn F l² / (2 E I) when it is let go (end load, any
    textbook)."""
    subject = barred(2.6, 3.2)
    gauge = subject.gauge
    tip = gauge.crown_edge_mm + 0.7 * (gauge.table_mm - gauge.crown_edge_mm)
    stress = 250.0
    finding = found(subject, "tip_force")
    assert yield_mpa(subject.alloy, "as cast") == stress
    assert finding.measured == pytest.approx(stress * 0.2 * 0.6**2 / 6.0 / tip, rel=4e-3)
    assert finding.place == pytest.approx((2.9, 0.0, 0.0), abs=1e-3)
    mean, modulus, inertia = 285.0, 97.5e3, 0.2 * 0.6**3 / 12.0
    force = mean * 0.2 * 0.6**2 / 4.0 / tip
    turn = math.degrees(force * tip**2 / (2.0 * modulus * inertia))
    assert found(subject, "spring_back").measured == pytest.approx(turn, rel=0.01)


def test_a_bar_that_the_girdle_cuts_yields_at_its_notch() -> None:
    """A quarter cut off a rectangular bar leaves (1 - f)² of its modulus; the wall's top is too near to be weaker."""
    subject = barred(2.3, 3.1)
    gauge = subject.gauge
    (only,) = cantilevers(subject, house_rules())
    assert only.heights[0] == pytest.approx(gauge.wall_top_mm, abs=1e-3)
    tip = gauge.crown_edge_mm + 0.7 * (gauge.table_mm - gauge.crown_edge_mm)
    whole = 0.2 * 0.8**2 / 6.0
    assert only.beams[-1].modulus_mm3 == pytest.approx(0.75**2 * whole, rel=0.01)
    assert only.beams[-1].inertia_mm4 / only.beams[-1].area_mm2**3 == pytest.approx(1.0 / 12.0 / 0.2**2, rel=0.01)
    force = 250.0 * 0.75**2 * whole / (tip - gauge.girdle_plane_mm)
    assert only.tip_force_n(250.0) == (pytest.approx(force, rel=0.01), len(only.beams) - 1)
    assert found(subject, "tip_force").place[2] == pytest.approx(gauge.girdle_plane_mm + subject.stone.girdle_mm / 2.0)


def test_a_leaning_claw_is_measured_square_to_itself() -> None:
    for each in cantilevers(worked(), house_rules()):
        root = each.beams[0]
        # The wall's top is just above where the pavilion leaves the claw's inner face.
        assert root.area_mm2 <= math.pi / 4.0 + 1e-3 and root.area_mm2 > 0.9 * math.pi / 4.0
        assert each.levers[0] == pytest.approx((each.levers * math.cos(TAPER))[0] / math.cos(TAPER))
        tip = worked().gauge.crown_edge_mm + 0.7 * (worked().gauge.table_mm - worked().gauge.crown_edge_mm)
        assert each.levers[-1] * math.cos(TAPER) == pytest.approx(tip - worked().gauge.girdle_plane_mm, rel=1e-3)


def test_cast_and_set_heads_tell_nearly_the_same() -> None:
    """As cast the setter's notch is taken out of the section; as set it is there."""
    for code, within in (("tip_force", 0.12), ("spring_back", 0.12)):
        assert found(worked("set"), code).measured == pytest.approx(found(worked(), code).measured, rel=within)


def test_deeper_notches_and_thinner_claws_yield_sooner() -> None:
    forces = [found(worked(claws__notch=notch), "tip_force").measured for notch in (0.25, 0.4, 0.5, 0.7)]
    assert forces == sorted(forces, reverse=True) and forces[-1] < forces[0] / 4.0
    assert found(worked(claws__diameter_mm=0.7, claws__notch=0.3), "tip_force").measured < forces[0] / 2.0


def test_a_filed_claw_yields_where_it_was_filed() -> None:
    subject = barred(2.6, 3.2)
    filed = cut(subject.parts["claw 1"], [box((2.85, 4.0), (-1.0, 1.0), (1.3, 1.9))], "claw 1")
    changed = replace(subject, parts={**subject.parts, "claw 1": filed})
    finding = found(changed, "tip_force")
    assert 1.3 <= finding.place[2] <= 1.9 and finding.measured < found(subject, "tip_force").measured / 2.0


def test_a_claw_that_the_stone_cuts_through_bears_nothing() -> None:
    subject = barred(2.0, 2.3)
    finding = found(subject, "tip_force")
    assert (finding.verdict, finding.measured) == ("watch", 0.0)
    assert found(subject, "spring_back").measured == 0.0


def test_a_claw_is_held_by_the_highest_part_that_it_passes_through() -> None:
    subject = barred(2.6, 3.2)
    rail = cut(box((-3.5, 3.5), (-3.5, 3.5), (1.0, 1.8)), [box((-2.7, 2.7), (-2.7, 2.7), (0.0, 3.0))], "upper rail")
    aside = box((2.0, 3.0), (2.0, 3.0), (0.0, 2.9))
    tied = replace(subject, parts={**subject.parts, "upper rail": rail, "peg": aside})
    assert cantilevers(tied, house_rules())[0].heights[0] == pytest.approx(1.8, abs=1e-3)
    # A ridge on it so narrow that neither has a corner in the other.
    ridge = cut(box((-2.95, 2.95), (-3.5, 3.5), (1.0, 2.1)), [box((-2.85, 2.85), (-3.6, 3.6), (0.0, 3.0))], "upper rail")
    ridged = replace(tied, parts={**tied.parts, "upper rail": fuse([rail, ridge], "upper rail")})
    assert cantilevers(ridged, house_rules())[0].heights[0] == pytest.approx(2.1, abs=1e-3)
    assert cantilevers(subject, house_rules())[0].heights[0] == pytest.approx(0.0, abs=1e-3)
    assert found(tied, "tip_force").measured > 1.5 * found(subject, "tip_force").measured


# Metal.


def test_hard_metal_bears_more_than_as_cast() -> None:
    """Fine silver, 22K gold and the softest platinum yield first of all; white gold with nickel among the last."""
    for metal in all_alloys():
        assert yield_mpa(metal, "hard") > yield_mpa(metal, "as cast") > 0.0
    assert yield_mpa(alloy("sterling silver"), "as cast") == 124.0
    assert yield_mpa(alloy("sterling silver"), "hard") == pytest.approx(124.0 * 273.0 / 130.0)
    forces = {name: found(worked(casting__alloy=name), "tip_force").measured
              for name in ("fine silver", "22K yellow gold", "sterling silver", "18K yellow gold",
                           "18K white gold, nickel")}
    assert list(forces.values()) == sorted(forces.values())


@pytest.mark.parametrize(("name", "verdict"), [("fine silver", "watch"), ("sterling silver", "sound"),
                                               ("18K yellow gold", "sound")])
def test_soft_claws_are_for_watching(name: str, verdict: str) -> None:
    finding = found(worked(casting__alloy=name), "tip_force")
    assert finding.verdict == verdict and "screening" in finding.why and name in finding.what


@pytest.mark.parametrize(("code", "rule", "step"), [("tip_force", "tip_force_least_n", -0.02),
                                                    ("spring_back", "spring_back_most_deg", 0.002)])
def test_limits_pass_at_their_value_and_fail_past_it(tmp_path, code: str, rule: str, step: float) -> None:
    measured = found(worked(), code).measured
    for limit, verdict in ((measured + step, "sound"), (measured, "sound"), (measured - step, "watch")):
        overlay = tmp_path / "ours.toml"
        overlay.write_text(f"[strength]\n{rule} = {limit!r}\n", "utf-8")
        finding = found(worked(), code, house_rules(overlay))
        assert finding.verdict == verdict and finding.rule == f"strength.{rule}"
        assert (finding.remedy == "") == (verdict == "sound")


def test_without_claws_the_check_says_so_but_not_for_a_rim() -> None:
    subject = worked()
    bare = replace(subject, parts={"wall": subject.parts["wall"]})
    (finding,) = check_strength(bare, house_rules())
    assert finding.measured is None and finding.verdict == "watch"
    rimmed = replace(bare, parts={**bare.parts, "rim": subject.parts["claw 1"]})
    assert list(check_strength(rimmed, house_rules())) == []


def test_a_prismatic_claw_turns_back_by_the_moment_area_theorem() -> None:
    (only,) = cantilevers(barred(2.6, 3.2), house_rules())
    assert isinstance(only, Cantilever) and float(only.lengths.sum()) < only.levers[0]
    # Half the last piece, to the tip, carries nothing: the moment falls to none along it.
    assert 2.0 * float(only.lengths @ only.levers) == pytest.approx(only.levers[0] ** 2, rel=0.01)
