"""Findings: what sound heads give, each limit just under, at and just over, and heads broken on purpose."""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from core.head import make_head
from core.proof import CHECKS, VERDICTS, Finding, Subject, prove, prove_subject, subject_of
from core.proof.findings import Limit, at_least, at_most, direction, judge, point, rounded_up, worst_first
from core.solid.kernel import Solid, cut, fuse, hull_triangles, moved, solid_of, solid_of_triangles
from core.spec import Spec, spec_of
from core.stone import CUTS
from core.tolerance import READ_MM
from core.trade.house_rules import HouseRules, house_rules

TAPER = math.radians(17.0)
WORKED = {
    "stone.length_mm": 5.0, "stone.pavilion_angle_deg": 40.75, "head.culet_clearance_mm": 1.0, "wall.taper_deg": 17.0,
    "wall.thickness_mm": 0.9, "wall.seat_inset_mm": 0.2, "wall.bevel_mm": 0.7, "claws.count": 4,
    "claws.diameter_mm": 1.0, "claws.notch": 0.5 - 0.2 * math.cos(TAPER), "claws.spare_mm": 3.0,
}
"""A tapered claw head worked by hand. Common practice, no source."""


FAMILIES = {check.__name__.removeprefix("check_").replace("agreement", "plan"): check for check in CHECKS}


@cache
def worked(state: str = "cast", **changes: object) -> Subject:
    return subject_of(make_head(spec_of(WORKED).with_choices(**changes), state))


def found(subject: Subject, code: str, rules: HouseRules | None = None) -> Finding:
    """The gravest finding of one code, from the one family that gives it."""
    findings = FAMILIES[code.partition(".")[0]](subject, rules or house_rules())
    return worst_first(each for each in findings if each.code == code)[0]


def wrong(subject: Subject) -> dict[str, Finding]:
    """The gravest finding for each code that is not sound."""
    result: dict[str, Finding] = {}
    for each in prove_subject(subject):
        if each.verdict != "sound":
            result.setdefault(each.code, each)
    return result


def block(centre: np.ndarray, size_mm: tuple[float, float, float]) -> Solid:
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return solid_of_triangles(*hull_triangles(np.asarray(centre) + corner * size_mm), "block")


def rebuilt(subject: Subject, **parts: Solid | None) -> Subject:
    """The same head with some parts changed or taken away ("claw_1" for "claw 1"), fused again."""
    changed = {name.replace("_", " "): solid for name, solid in parts.items()}
    kept = {**subject.parts, **changed}
    solids = {name: solid for name, solid in kept.items() if solid is not None}
    return replace(subject, parts=solids, metal=fuse(list(solids.values()), "head"))


# Sound heads.


@pytest.mark.parametrize("state", ["cast", "set"])
def test_nothing_is_wrong_with_the_head_worked_by_hand(state: str) -> None:
    findings = prove_subject(worked(state))
    assert [each for each in findings if each.verdict != "sound"] == []
    codes = {each.code for each in findings}
    assert {"claws.notch", "seat.rim", "casting.wall", "plan.wall_top", "wear.hardness"} <= codes


TRUE_CAUTIONS = {"claws.hollow", "casting.gap", "retention.one_lost", "retention.one_lost_way"}
"""Thick claws in a thin wall show in the hollow; many claws stand close at the base; of three claws none can be lost."""


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize(("length_mm", "count"), [
    (2.0, 3), (2.0, 6), (2.5, 4), (3.0, 3), (3.0, 10), (4.0, None), (5.0, 12), (6.5, 7), (8.0, 4), (10.0, 5), (12.0, 3),
    (12.0, 12),
])
def test_a_default_head_has_only_true_cautions(length_mm: float, count: int | None, state: str) -> None:
    findings = prove(make_head(Spec().with_choices(stone__length_mm=length_mm, claws__count=count), state))
    wrong = {each.code for each in findings if each.verdict != "sound"}
    assert wrong <= TRUE_CAUTIONS
    assert all(each.verdict != "unsafe" for each in findings)


def test_every_finding_is_whole() -> None:
    for subject in (worked(), worked("set"), worked(claws__notch=0.6), worked(seat__cut=True)):
        for each in prove_subject(subject):
            assert each.verdict in VERDICTS and each.code.count(".") == 1 and each.what[0].isupper(), each
            assert each.why.endswith(".") and each.source, each
            assert (each.remedy == "") == (each.verdict == "sound"), each
            assert each.remedy == "" or each.remedy.endswith("."), each
            assert each.is_caution or (each.measured is not None and math.isfinite(each.measured)), each
            assert not each.is_caution or each.code.startswith(("species.", "casting.shrinkage")), each
            assert each.place is None or (len(each.place) == 3 and np.isfinite(each.place).all()), each


def test_the_worst_comes_first() -> None:
    verdicts = [VERDICTS.index(each.verdict) for each in prove_subject(worked(claws__notch=0.6, wall__thickness_mm=0.65,
                                                                              wall__bevel_mm=0.4))]
    assert verdicts == sorted(verdicts) and verdicts[0] == 0 and verdicts[-1] == 2 and 1 in verdicts


def test_a_cut_seat_is_known_by_measuring_and_its_room_is_held_against_the_rules() -> None:
    subject = worked(seat__cut=True, seat__clearance_mm=0.04)
    assert subject.is_seat_cut and not worked().is_seat_cut
    clearance = found(subject, "seat.clearance")
    assert clearance.verdict == "sound" and clearance.measured == pytest.approx(0.04, abs=READ_MM)
    assert found(worked(seat__cut=True, seat__clearance_mm=0.1), "seat.clearance").verdict == "watch"
    assert found(subject, "seat.bearing").verdict == "sound"


# Limits: a limit itself passes.


def test_a_limit_passes_at_its_value_and_fails_past_what_can_be_read() -> None:
    least = Limit(0.5, True, "unsafe", "Thin.", "geometry", "Thicken it.")
    for measured, verdict in ((0.49, "unsafe"), (0.4989, "unsafe"), (0.4991, "sound"), (0.5, "sound"), (0.51, "sound")):
        assert judge("a.b", "It", measured, "mm", None, [least], 0.001).verdict == verdict
    most = least._replace(is_least=False)
    for measured, verdict in ((0.49, "sound"), (0.5, "sound"), (0.5009, "sound"), (0.5011, "unsafe"), (0.51, "unsafe")):
        assert judge("a.b", "It", measured, "mm", None, [most], 0.001).verdict == verdict


def test_the_gravest_broken_limit_speaks() -> None:
    rules = house_rules()
    limits = [at_most(rules["claws.notch_max"], "unsafe", "Less than {limit}."),
              at_most(rules["claws.notch_benchmark"], "watch", "Less than {limit}.")]
    assert judge("a.b", "It", 0.45, "1", None, limits, 0.0).remedy == "Less than 0.4."
    assert judge("a.b", "It", 0.55, "1", None, limits, 0.0).remedy == "Less than 0.5."
    assert judge("a.b", "It", 0.3, "1", None, [at_least(rules["claws.notch_low"], "watch", "")], 0.0).verdict == "sound"


@pytest.mark.parametrize(("degrees", "said"), [
    (0.0, "0"), (-0.4, "0"), (359.4, "359"), (359.6, "0"), (-88.0, "272"), (-180.0, "180"), (180.0, "180"), (90.4, "90")])
def test_ways_are_told_as_the_plan_counts_them(degrees: float, said: str) -> None:
    angle = math.radians(degrees)
    assert direction(2.0 * math.cos(angle), 2.0 * math.sin(angle)) == said


@pytest.mark.parametrize(("notch", "verdict"), [
    (0.09, "unsafe"), (0.1, "watch"), (0.11, "watch"), (0.24, "watch"), (0.25, "sound"), (0.26, "sound"),
    (0.39, "sound"),
    (0.4, "sound"), (0.41, "watch"), (0.49, "watch"), (0.5, "watch"), (0.51, "unsafe"), (0.7, "unsafe"),
])
def test_notches_are_held_against_the_published_limits(notch: float, verdict: str) -> None:
    """GIA benchmark 40 %; Professional Jeweler, July 2004: at most half, and 70 % is shown as a fault."""
    finding = found(worked(claws__notch=notch), "claws.notch")
    assert finding.verdict == verdict and finding.measured == pytest.approx(notch, abs=0.005)


@pytest.mark.parametrize(("clearance_mm", "verdict"), [
    (0.29, "unsafe"), (0.3, "watch"), (0.31, "watch"), (0.49, "watch"), (0.5, "sound"), (0.51, "sound")])
def test_culet_clearances_are_held_against_both_limits(clearance_mm: float, verdict: str) -> None:
    finding = found(worked(head__culet_clearance_mm=clearance_mm), "seat.culet_clearance")
    assert finding.verdict == verdict and finding.measured == pytest.approx(clearance_mm, abs=1e-6)


@pytest.mark.parametrize(("thickness_mm", "verdict"), [
    (0.59, "unsafe"), (0.6, "watch"), (0.61, "watch"), (0.69, "watch"), (0.7, "sound"), (0.71, "sound")])
def test_walls_are_held_against_the_alloys_least(thickness_mm: float, verdict: str) -> None:
    finding = found(worked(wall__thickness_mm=thickness_mm, wall__bevel_mm=0.3), "casting.wall")
    assert finding.verdict == verdict and finding.measured == pytest.approx(thickness_mm, abs=READ_MM)


@pytest.mark.parametrize(("diameter_mm", "verdict"), [
    (0.59, "unsafe"), (0.6, "watch"), (0.61, "watch"), (0.89, "watch"), (0.9, "sound"), (0.91, "sound")])
def test_claws_are_held_against_alloy_and_wear(diameter_mm: float, verdict: str) -> None:
    assert found(worked(claws__diameter_mm=diameter_mm, claws__notch=0.29), "claws.width").verdict == verdict


@pytest.mark.parametrize(("inset_mm", "verdict"), [(0.09, "unsafe"), (0.12, "watch"), (0.17, "watch"), (0.2, "sound")])
def test_rims_are_held_against_the_seat_inset(inset_mm: float, verdict: str) -> None:
    assert found(worked(wall__seat_inset_mm=inset_mm), "seat.rim").verdict == verdict


@pytest.mark.parametrize(("spare_mm", "verdict"), [(1.2, "unsafe"), (1.26, "unsafe"), (1.28, "sound"), (1.4, "sound")])
def test_spare_metal_must_reach_over_the_crown(spare_mm: float, verdict: str) -> None:
    """Needed past the girdle: 0.3 of the slope and half a claw, 0.888 mm; spare counts from the wall's top."""
    finding = found(worked(claws__spare_mm=spare_mm), "retention.spare")
    assert finding.verdict == verdict and finding.limit == pytest.approx(0.888, abs=0.002)


@pytest.mark.parametrize(("alloy", "verdict"), [
    ("14K white gold, palladium", "sound"), ("fine silver", "watch"), ("18K yellow gold", "sound")])
def test_soft_alloys_are_for_watching(alloy: str, verdict: str) -> None:
    assert found(worked(casting__alloy=alloy), "wear.hardness").verdict == verdict


@pytest.mark.parametrize(("species", "verdict"), [("diamond", "sound"), ("sapphire", "sound"), ("tanzanite", "watch"),
                                                  ("opal", "watch")])
def test_brittle_stones_are_for_watching(species: str, verdict: str) -> None:
    assert found(worked(stone__species=species), "wear.species").verdict == verdict


def test_a_workshops_own_rule_moves_the_verdict(tmp_path) -> None:
    overlay = tmp_path / "workshop.toml"
    overlay.write_text("[claws]\nnotch_benchmark = 0.3\n", "utf-8")
    assert found(worked(), "claws.notch").verdict == "sound"
    finding = found(worked(), "claws.notch", house_rules(overlay))
    assert finding.verdict == "watch" and "workshop.toml" in finding.source and finding.limit == 0.3


@pytest.mark.parametrize(("tip", "verdict"), [(0.55, "unsafe"), (0.65, "sound"), (0.85, "watch")])
def test_tip_heights_are_held_against_the_published_span(tip: float, verdict: str) -> None:
    """GIA benchmark 60 to 80 %. The claws are cut off level, or stood on, at the height asked."""
    subject = worked("set")
    gauge = subject.gauge
    height = gauge.crown_edge_mm + tip * (gauge.table_mm - gauge.crown_edge_mm)
    claw = gauge.claws[0]
    solid = subject.parts["claw 1"]
    if height < gauge.claw_top_mm(claw):
        changed = cut(solid, [block(np.array([0.0, 0.0, height + 2.5]), (20.0, 20.0, 5.0))], "claw 1")
    else:
        at = claw.at_height(gauge.crown_edge_mm)
        changed = fuse([solid, block(np.array([at[0], at[1], height - 0.4]), (0.3, 0.3, 0.8))], "claw 1")
    finding = found(rebuilt(subject, claw_1=changed), "retention.tip_height")
    if verdict == "sound":
        assert finding.verdict == "sound"
    else:
        assert finding.verdict == verdict and finding.measured == pytest.approx(tip, abs=0.01)


# Heads broken on purpose, each found where it is.


def test_a_claw_filed_thin_is_found_at_its_waist() -> None:
    subject = worked()
    claw = subject.gauge.claws[1]
    waist = claw.at_height(4.5)
    outer = waist + 0.5 * np.array([*claw.outwards, 0.0])
    filed = cut(subject.parts["claw 2"], [block(outer, (1.0, 1.0, 0.3))], "claw 2")
    finding = found(rebuilt(subject, claw_2=filed), "claws.width")
    assert finding.verdict == "unsafe" and finding.what == "Least width of claw 2 past the girdle"
    assert np.linalg.norm(np.subtract(finding.place, waist)) < 0.2


def test_a_filled_hole_that_meets_the_culet_is_found_there() -> None:
    subject = worked()
    plug = block(np.array([0.0, 0.0, 0.505]), (1.3, 1.3, 1.01))
    filled = replace(subject, metal=fuse([subject.metal, plug], "head"))
    finding = found(filled, "seat.culet_free")
    assert finding.verdict == "unsafe" and finding.measured == 0.0
    assert finding.place == pytest.approx((0.0, 0.0, 1.0), abs=1e-6)
    assert {"seat.culet_free", "casting.hollow"} <= set(wrong(filled))


def test_a_plug_near_the_culet_is_for_watching() -> None:
    subject = worked()
    plug = block(np.array([0.0, 0.0, 0.46]), (1.3, 1.3, 0.92))
    finding = found(replace(subject, metal=fuse([subject.metal, plug], "head")), "seat.culet_free")
    assert finding.verdict == "watch" and finding.measured == pytest.approx(0.08, abs=0.005)


@pytest.mark.parametrize("state", ["cast", "set"])
def test_a_missing_claw_lets_the_stone_out_where_it_was(state: str) -> None:
    subject = worked(state)
    gone = subject.gauge.claws[2].girdle_place
    broken = rebuilt(subject, claw_3=None)
    finding = found(broken, "retention.opening")
    assert finding.verdict == "unsafe" and finding.measured > 0.4
    assert np.linalg.norm(np.subtract(finding.place, gone)[:2]) < 0.2
    assert found(broken, "plan.claw_count").verdict == "watch"


def test_three_missing_claws_leave_the_stone_free_on_the_other_side() -> None:
    subject = worked()
    held = subject.gauge.claws[0].outwards
    broken = rebuilt(subject, claw_2=None, claw_3=None, claw_4=None)
    sideways = found(broken, "retention.sideways")
    assert sideways.verdict == "unsafe"
    direction = np.asarray(sideways.place[:2]) / np.linalg.norm(sideways.place[:2])
    assert direction == pytest.approx(-held, abs=0.05)
    # As the plan counts claw 3, and not -135.
    assert sideways.remedy.startswith("Add a claw towards 225°, ")
    assert found(broken, "retention.passing").verdict == "unsafe"


def test_a_stone_held_down_on_one_side_only_can_tip_out() -> None:
    broken = rebuilt(worked("set"), claw_2=None, claw_3=None)
    assert found(broken, "retention.upwards").verdict == "unsafe"


@pytest.mark.parametrize("azimuth_deg", [10.0, 98.0, 251.0])
def test_a_dent_in_the_wall_is_found_where_it_is(azimuth_deg: float) -> None:
    subject = worked()
    turn, height = math.radians(azimuth_deg), 1.4
    way = np.array([math.cos(turn), math.sin(turn)])
    face = 2.5 - (3.1541 - height) * math.tan(TAPER)
    dent = moved(ball(0.5), (*(way * (face + 0.15)), height))
    finding = found(rebuilt(subject, wall=cut(subject.parts["wall"], [dent], "wall")), "casting.wall")
    deepest = np.array([*(way * (face - 0.35)), height])
    assert finding.verdict == "unsafe" and finding.measured == pytest.approx(0.57, abs=0.03)
    # The place is on the outer face; the dent's floor there.
    assert np.linalg.norm(np.subtract(finding.place, deepest)) < 0.2


def test_a_lump_in_the_hollow_is_found_where_it_is() -> None:
    subject = worked()
    height = 1.0
    inner = 2.5 - (3.1541 - height) * math.tan(TAPER) - 0.9 / math.cos(TAPER)
    lump = moved(ball(0.25), (inner, 0.0, height))
    for broken in (replace(subject, metal=fuse([subject.metal, lump], "head")),
                   rebuilt(subject, wall=fuse([subject.parts["wall"], lump], "wall"))):
        finding = found(broken, "casting.hollow")
        assert finding.verdict == "watch"
        assert np.linalg.norm(np.subtract(finding.place, (inner - 0.25, 0.0, height))) < 0.2


def test_metal_that_lifts_the_stone_below_its_bearing_is_found_where_it_touches() -> None:
    subject = worked("cast")
    pavilion = math.tan(math.radians(40.75))
    height = 1.45
    at = (3.1541 - 1.0) / pavilion - (3.1541 - height) / pavilion
    lump = moved(ball(0.12), (-at, 0.0, height - 0.05))
    bridge = block(np.array([-0.55, 0.0, 1.2]), (0.6, 0.1, 0.1))
    finding = found(replace(subject, metal=fuse([subject.metal, lump, bridge], "head")), "seat.rocks")
    assert finding.verdict == "unsafe"
    assert np.linalg.norm(np.subtract(finding.place, (-at, 0.0, height))) < 0.2


def test_a_seat_filed_away_on_one_side_is_found_there() -> None:
    subject = worked("set")
    away = block(np.array([2.5, 0.0, 2.6]), (3.0, 1.2, 1.2))
    finding = found(rebuilt(subject, wall=cut(subject.parts["wall"], [away], "wall")), "seat.rests")
    assert finding.verdict == "watch" and finding.measured < 1.0
    assert abs(math.atan2(finding.place[1], finding.place[0])) < 0.35


def test_a_seat_on_one_side_only_lets_the_stone_rock() -> None:
    subject = worked("set")
    half = block(np.array([2.0, 0.0, 2.6]), (4.0, 8.0, 1.4))
    wall = cut(subject.parts["wall"], [half], "wall")
    # The two claws' notches still carry the filed side; without them nothing does.
    assert found(rebuilt(subject, wall=wall), "seat.rests").verdict == "watch"
    assert found(rebuilt(subject, wall=wall), "seat.tips").verdict == "sound"
    finding = found(rebuilt(subject, wall=wall, claw_1=None, claw_4=None), "seat.tips")
    assert finding.verdict == "unsafe" and finding.place[0] > 2.0


def test_metal_left_inside_a_set_stone_is_unsafe() -> None:
    subject = worked("set")
    burr = block(np.array([2.0, 0.0, 2.85]), (0.6, 0.2, 0.3))
    finding = found(replace(subject, metal=fuse([subject.metal, burr], "head")), "seat.fits")
    assert finding.verdict == "unsafe" and np.linalg.norm(np.subtract(finding.place, (1.9, 0.0, 2.9))) < 0.3


def test_a_loose_piece_and_a_touching_edge_are_found() -> None:
    subject = worked()
    loose = replace(subject, metal=fuse([subject.metal, block(np.array([0.0, 8.0, 1.0]), (0.5, 0.5, 0.5))], "head"))
    finding = found(loose, "casting.bodies")
    assert finding.verdict == "unsafe" and finding.measured == 2.0
    assert finding.place == pytest.approx((0.0, 8.0, 1.0), abs=0.01)
    edge = fuse([block(np.zeros(3), (1.0, 1.0, 1.0)), block(np.array([1.0, 1.0, 0.0]), (1.0, 1.0, 1.0))], "pair")
    assert found(replace(subject, metal=edge), "casting.closed").verdict == "unsafe"


def test_a_claw_cut_off_below_the_girdle_is_unsafe() -> None:
    subject = worked()
    short = cut(subject.parts["claw 4"], [block(np.array([0.0, 0.0, 5.4]), (20.0, 20.0, 5.0))], "claw 4")
    finding = found(rebuilt(subject, claw_4=short), "claws.reaches")
    assert finding.verdict == "unsafe" and "4" in finding.what


def test_a_leaning_or_shifted_stone_is_found() -> None:
    subject = worked()
    turn = math.radians(2.0)
    cos, sin = math.cos(turn), math.sin(turn)
    rotation = np.array([[1.0, 0.0, 0.0], [0.0, cos, -sin], [0.0, sin, cos]])
    pivot = np.array([0.0, 0.0, 3.1541])
    tilted = replace(subject.placed, vertices=(subject.placed.vertices - pivot) @ rotation.T + pivot)
    leaning = replace(subject, placed=tilted, stone_solid=solid_of(tilted, "stone"))
    assert found(leaning, "seat.level").measured == pytest.approx(2.0, abs=1e-6)
    assert found(leaning, "seat.level").verdict == "unsafe"
    aside = subject.placed.moved((0.08, 0.0, 0.0))
    off = found(replace(subject, placed=aside, stone_solid=solid_of(aside, "stone")), "seat.centred")
    assert off.verdict == "watch" and off.measured == pytest.approx(0.08, abs=1e-9)


def test_a_wall_built_thicker_than_planned_is_said() -> None:
    thicker = worked(wall__thickness_mm=1.0)
    subject = replace(thicker, plan=worked().plan)
    finding = found(subject, "plan.wall_thickness")
    assert finding.verdict == "watch" and finding.limit == 0.9 and finding.measured == pytest.approx(1.0, abs=READ_MM)
    assert found(subject, "plan.wall_top").verdict == "sound"


# What is not known.


def test_without_roles_the_checks_that_need_them_say_so_and_the_others_run() -> None:
    subject = replace(worked(), parts={}, plan=None)
    findings = prove_subject(subject)
    unable = {each.code for each in findings if each.measured is None and not each.is_caution}
    assert {"seat.rim", "seat.bearing", "claws.notch", "casting.hollow"} <= unable
    assert all(each.verdict == "watch" and each.remedy for each in findings if each.code in unable)
    ran = {each.code for each in findings if each.measured is not None}
    assert {"seat.culet_clearance", "seat.culet_free", "retention.opening", "casting.bodies", "seat.to_cut"} <= ran
    assert not any(each.code.startswith("plan.") for each in findings)


def test_heights_are_read_from_the_head_whatever_was_joined_below_it() -> None:
    alone = worked()
    ring = block(np.array([0.0, 0.0, -9.9]), (20.0, 2.0, 20.0))
    joined = replace(alone, metal=fuse([alone.metal, ring], "head"), parts={**alone.parts, "added metal": ring})
    for code in ("wear.height", "seat.culet_clearance", "retention.spare", "plan.wall_top", "plan.head_height", "seat.rim"):
        assert found(joined, code).measured == pytest.approx(found(alone, code).measured), code
    assert found(joined, "plan.girdle_plane").verdict == "sound"


@pytest.mark.parametrize("measured", [math.nan, math.inf, -math.inf])
def test_what_came_to_no_number_is_said_to_be_unknown(measured: float) -> None:
    limit = Limit(1.0, True, "unsafe", "Why.", "geometry", "Remedy.")
    finding = judge("seat.rim", "Rim", measured, "mm", None, [limit], READ_MM)
    assert finding.verdict == "watch" and finding.measured is None and "cannot run" in finding.why


def test_a_head_read_back_from_its_shells_proves_like_the_one_made() -> None:
    head = make_head(spec_of(WORKED))
    solids = {name: solid_of(mesh, name) for name, mesh in head.parts.items()}
    read = replace(subject_of(head), parts=solids, metal=fuse(list(solids.values()), "head"))
    first = {(each.code, each.what): each.measured for each in prove(head)}
    second = {(each.code, each.what): each.measured for each in prove_subject(read)}
    assert first.keys() == second.keys()
    for key, measured in first.items():
        # Where the surface is looked at in places, other triangles give other places.
        within = {"casting.thin": READ_MM, "casting.finished": READ_MM, "casting.gap": READ_MM, "casting.sprue": 0.1,
                  "casting.solid": 0.1}.get(key[0], 1e-6)
        assert second[key] == pytest.approx(measured, abs=within), key


def ball(radius_mm: float) -> Solid:
    turn, tilt = np.meshgrid(np.linspace(0.0, 2.0 * math.pi, 33)[:-1], np.linspace(-1.5, 1.5, 15))
    points = np.column_stack([(np.cos(tilt) * np.cos(turn)).ravel(), (np.cos(tilt) * np.sin(turn)).ravel(),
                              np.sin(tilt).ravel()])
    return solid_of_triangles(*hull_triangles(radius_mm * points), "ball")


@pytest.mark.parametrize("cut", CUTS)
def test_a_default_head_is_safe_as_cast_for_every_cut(cut: str) -> None:
    findings = prove(make_head(spec_of({"stone.cut": cut, "stone.length_mm": 8.0})))
    assert [finding.code for finding in findings if finding.verdict == "unsafe"] == []


EVENLY = {"claws.placement": "evenly", "claws.count": 4}


@pytest.mark.parametrize(("cut", "code", "choices"), [
    ("baguette", "retention.passing", EVENLY), ("tapered baguette", "retention.passing", EVENLY),
    ("heart", "seat.culet_free", {"wall.taper_deg": 17.0})])
def test_a_head_that_does_not_hold_is_unsafe(cut: str, code: str, choices: dict[str, object]) -> None:
    """Four claws spread evenly leave the short sides of a long stone open; a heart's cleft leads a wall that leans much
    under its culet."""
    findings = prove(make_head(spec_of({"stone.cut": cut, "stone.length_mm": 8.0, **choices})))
    assert code in [finding.code for finding in findings if finding.verdict == "unsafe"]


@pytest.mark.parametrize("cut", ["round brilliant", "oval", "cushion", "emerald", "asscher"])
@pytest.mark.parametrize("length_mm", [4.0, 6.0, 9.0, 14.0])
def test_finished_claws_reach_the_published_contact_on_crowns_of_any_outline(cut: str, length_mm: float) -> None:
    """GIA Quality Assurance Benchmark, round center stone in platinum prongs: 30 to 50 % of the slope."""
    findings = prove(make_head(spec_of({"stone.cut": cut, "stone.length_mm": length_mm}), "set"))
    contacts = [finding for finding in findings if finding.code == "retention.contact"]
    assert contacts and {finding.verdict for finding in contacts} == {"sound"}


def test_what_a_remedy_asks_for_is_enough() -> None:
    assert [rounded_up(each) for each in (-1.0, 0.0, 0.0004, 0.1, 0.1001, 2.0)] == ["0.00", "0.00", "0.01", "0.10", "0.11", "2.00"]


def test_a_place_that_came_to_no_number_is_none() -> None:
    assert point(np.array([1.0, math.nan, 0.0])) is None is point(None)
    assert point([1, 2.5, 0]) == (1.0, 2.5, 0.0)


@pytest.mark.parametrize(("unit", "follows"), [("mm", " mm"), ("deg", "°"), ("1", ""), ("count", ""), ("MPa", " MPa")])
def test_units_follow_figures_as_one_writes_them(unit: str, follows: str) -> None:
    assert Finding("family.check", "Measure", "sound", 1.0, None, unit, None, "Why.", "", "geometry").after_figures == follows
