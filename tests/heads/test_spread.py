"""The spread: tolerances on real metal against closed forms, against heads made anew, and against brute force."""
from __future__ import annotations

import contextlib
import itertools
import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from core.errors import GeometryError
from core.handover.records import json_text, proof_record
from core.handover.sheet import sheet_html
from core.head import make_head
from core.proof import OF_SIZE, OF_STONE, OF_STONE_AND_METAL, Finding, Subject, Tolerances, prove, prove_subject, subject_of, tolerances_of
from core.proof.casting import check_casting
from core.proof.findings import Limit, judge
from core.proof.fit import is_deeper
from core.proof.narrowest import REACH_MM
from core.proof.retention import check_retention
from core.proof.seat import check_seated
from core.proof.spread import CLOSE, FACES, FITTED, PLAN, Key, _crossing, _varies, keyed, of_casting
from core.proof.varied import Deviation, Varied, _Shell, stretched, unfolded
from core.solid.kernel import (
    area_mm2, bodies, bounds, fuse, gap_mm, hull_triangles, moved, overlap, solid_of_triangles, triangles_of, volume_mm3,
)
from core.spec import Spec, spec_of
from core.stone import make_stone
from core.tolerance import READ_MM, READ_SHARE
from core.trade.house_rules import house_rules

TAPER = math.radians(17.0)
WORKED = {
    "stone.length_mm": 5.0, "stone.pavilion_angle_deg": 40.75, "head.culet_clearance_mm": 1.0, "wall.taper_deg": 17.0,
    "wall.thickness_mm": 0.9, "wall.seat_inset_mm": 0.2, "wall.bevel_mm": 0.7, "claws.count": 4,
    "claws.diameter_mm": 1.0, "claws.notch": 0.5 - 0.2 * math.cos(TAPER), "claws.spare_mm": 3.0,
}
"""A tapered claw head worked by hand. Common practice, no source."""

ALLOWED = {"mm": 2.0 * READ_MM, "1": 2.0 * READ_SHARE + 0.005, "deg": 0.5}
"""By how much a true worst case may be past the one that is told."""

TOLERANCES = Tolerances(0.03, 0.03, 0.25)


@cache
def subject(state: str = "cast", notch: float = WORKED["claws.notch"]) -> Subject:
    return subject_of(make_head(spec_of({**WORKED, "claws.notch": notch}), state))


def proven(varied: Subject) -> dict[Key, Finding]:
    return keyed([each for check in OF_STONE_AND_METAL for each in check(varied, house_rules())])


# Metal and stone that are off.


def test_every_face_of_a_block_moves_by_the_offset() -> None:
    corner = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
    shell = _Shell(*hull_triangles(corner))
    after = shell.vertices + shell.offset(np.full(len(shell.triangles), 0.05))
    assert np.abs(np.abs(after) - 1.05).max() < 1e-8


def test_metal_that_is_flush_stays_flush() -> None:
    """Sills of windows end in bars and behind claws in one plane: feathers between them read as metal of no thickness."""
    before = subject_of(make_head(spec_of({"stone.length_mm": 5.64, "head.style": "gallery", "claws.count": 5})))
    after = Varied(before).subject_at(Deviation(model_mm=0.03))
    heights = np.concatenate([triangles_of(part)[0][:, 2] for part in after.parts.values()])
    level = np.abs(heights + 0.03) < 1e-3
    assert level.any() and np.abs(heights[level] + 0.03).max() < 1e-7
    thin = [next(each.measured for each in check_casting(head, house_rules()) if each.code == "casting.thin")
            for head in (before, after)]
    assert thin[1] == pytest.approx(thin[0] + 0.06, abs=2.0 * READ_MM)


@pytest.mark.parametrize("choices", [
    {"stone.cut": "trillion", "stone.length_mm": 4.46, "head.style": "gallery", "claws.start_angle_deg": 16.2},
    {"stone.cut": "radiant", "stone.length_mm": 6.34, "head.style": "basket", "claws.section": "oval"},
    {"stone.cut": "pear", "stone.length_mm": 13.48, "head.style": "gallery"}])
def test_folds_of_moved_metal_carry_no_stone(choices: dict[str, Any]) -> None:
    """A leaner model stands off the stone all round; where its folds were read for metal in the stone, it rested on those alone."""
    before = subject_of(make_head(spec_of({**choices, "seat.cut": True})))
    after = Varied(before).subject_at(Deviation(model_mm=-0.03))
    assert after.gauge.room_mm.min() > -READ_MM and after.gauge.settling_mm > 0.02
    rests = [next(each.measured for each in check_seated(head, house_rules()) if each.code == "seat.rests") for head in (before, after)]
    assert rests == [1.0, 1.0]


def test_a_flat_base_rests_on_the_ledge_where_the_wall_beside_it_comes_just_as_near() -> None:
    """A model that is as much fuller as the seat has room touches the girdle, on which nothing rests."""
    before = subject_of(make_head(spec_of({"stone.cut": "oval cabochon", "stone.length_mm": 4.14, "head.style": "rim", "seat.cut": True})))
    after = Varied(before).subject_at(Deviation(model_mm=0.03))
    assert next(each.measured for each in check_seated(after, house_rules()) if each.code == "seat.rests") == 1.0


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("model_mm", [-0.03, 0.03])
def test_metal_gains_its_surface_times_the_offset(state: str, model_mm: float) -> None:
    """To first order; the mean curvature is the rest. Set metal does not grow where it lies on the stone."""
    before = subject(state)
    after = Varied(before).subject_at(Deviation(model_mm=model_mm))
    gained = (volume_mm3(after.metal) - volume_mm3(before.metal)) / (area_mm2(before.metal) * model_mm)
    assert (0.96 < gained < 1.04) if state == "cast" else (0.75 < gained < 1.0)
    assert len(bodies(after.metal)) == 1


def test_a_stretched_stone_is_the_stone_cut_to_that_size() -> None:
    for cut, length in (("round brilliant", 5.0), ("oval", 7.0), ("princess", 6.0)):
        own = make_stone({"cut": cut, "length_mm": length})
        larger = make_stone({"cut": cut, "length_mm": 1.02 * length, "width_mm": 1.02 * own.width_mm})
        made = stretched(own, np.full(3, 1.02))
        assert made.volume_mm3 == pytest.approx(larger.volume_mm3, rel=1e-6)
        assert made.outline.area_mm2 == pytest.approx(larger.outline.area_mm2, rel=1e-6)
        xy = np.array([[0.1, 0.2], [0.3 * length, 0.1]])
        assert made.crown_height_at(xy) == pytest.approx(larger.crown_height_at(xy), abs=1e-6)


def test_a_fuller_model_measures_as_a_head_made_so_thick() -> None:
    """0.03 mm on every surface: claws and wall 0.06 thicker; the head made anew says the same."""
    thick = proven(Varied(subject()).subject_at(Deviation(model_mm=0.03)))
    again = spec_of({**WORKED, "claws.diameter_mm": 1.06, "wall.thickness_mm": 0.96})
    made = proven(subject_of(make_head(again)))
    before = proven(subject())
    for code in ("claws.width", "casting.wall"):
        key = next(key for key in before if key[0] == code)
        assert thick[key].measured == pytest.approx(before[key].measured + 0.06, abs=0.004)
        assert thick[key].measured == pytest.approx(made[key].measured, abs=0.004)


def test_needles_that_fold_over_are_split_the_other_way() -> None:
    """A square cut by a needle whose middle corner moves past its long side: no triangle is left upside down, the area stays."""
    flat = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [1.0, 0.1, 0.0], [1.0, -1.0, 0.0]])
    triangles = np.array([[0, 1, 2], [0, 3, 1]], np.int32)
    after = flat.copy()
    after[2, 1] = -0.1
    split = unfolded(after, triangles, np.tile([0.0, 0.0, 1.0], (2, 1)), (after != flat).any(axis=1))
    corners = after[split]
    areas = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] / 2.0
    assert (areas > 0.0).all() and areas.sum() == pytest.approx(0.9)
    assert (unfolded(flat, triangles, np.tile([0.0, 0.0, 1.0], (2, 1)), np.ones(4, bool)) == triangles).all()


def test_more_shrinkage_scales_metal_and_not_the_stone() -> None:
    small = Varied(subject()).subject_at(Deviation(casting_percent=-0.5))
    assert volume_mm3(small.metal) == pytest.approx(0.995 ** 3 * volume_mm3(subject().metal), rel=1e-9)
    assert volume_mm3(small.stone_solid) == pytest.approx(volume_mm3(subject().stone_solid), rel=1e-9)


@pytest.mark.parametrize("style", ["tapered claw", "basket"])
def test_what_is_found_of_a_casting_scales_with_it(style: str) -> None:
    """Scaled, each finding is what the checks find on the larger metal: balls to within what they read."""
    given = subject_of(make_head(spec_of({"head.style": style})))
    larger = keyed(check_casting(Varied(given).subject_at(Deviation(casting_percent=2.0)), house_rules()))
    compared = 0
    for key, each in keyed(of_casting(list(check_casting(given, house_rules())), 1.02)).items():
        # The place for the sprue is one of a few that lie over the surface.
        if _varies(each, given) and key[0] != "casting.sprue":
            assert each.measured == pytest.approx(larger[key].measured, rel=0.002, abs=READ_MM)
            assert each.verdict == larger[key].verdict
            compared += 1
    assert compared >= 3


def test_a_larger_stone_comes_to_rest_higher_by_what_its_pavilion_needs() -> None:
    """Raised by what the first stone overlaps the wall by, each stone just touches the wall, to within its chords."""
    varied = Varied(subject())
    for off in (Deviation(length_mm=0.05, width_mm=0.05), Deviation(depth_mm=-0.05), Deviation(model_mm=0.03)):
        after = varied.subject_at(off)
        raised = moved(after.stone_solid, (0.0, 0.0, varied._rest + 1e-4))
        assert volume_mm3(overlap(raised, after.parts["wall"])) < 1e-3
        assert gap_mm(raised, after.parts["wall"], 0.1) < 0.005


@pytest.mark.parametrize("off", [Deviation(length_mm=0.05, width_mm=0.05), Deviation(length_mm=-0.05, width_mm=-0.05),
                                 Deviation(depth_mm=0.05), Deviation(model_mm=-0.03), Deviation(casting_percent=0.3)])
def test_set_metal_follows_the_stone_that_is_there(off: Deviation) -> None:
    moved_metal = Varied(subject("set")).subject_at(off)
    # Crumbs where set metal left the stone's faces are no more than hairs: all that weighs is one body.
    weighty = [shell for shell in bodies(moved_metal.metal) if volume_mm3(shell) > 1e-3]
    assert len(weighty) == 1 and volume_mm3(weighty[0]) == pytest.approx(volume_mm3(moved_metal.metal), rel=1e-4)
    after = proven(moved_metal)
    wrong = {code for (code, *_), each in after.items() if each.verdict == "unsafe"} - {"casting.closed", "casting.bodies"}
    assert wrong == set()
    contacts = [each.measured for (code, *_), each in after.items() if code == "retention.contact"]
    assert min(contacts) > 0.3


def test_a_seat_that_the_setter_fits_is_as_good_in_a_leaner_casting() -> None:
    """Metal that is moved lies on only a part of the stone, where the setter's own does all round."""
    given = subject_of(make_head(spec_of({"head.style": "rim", "stone.cut": "pear", "stone.length_mm": 6.0}), "set"))
    found = keyed(prove_subject(given, tolerances=Tolerances(0.05, 0.05, 0.3)))
    fitted = [each for (code, *_), each in found.items() if code in FITTED]
    assert {each.code for each in fitted} == {*FITTED} - {"seat.clearance"}
    assert all(each.verdict == "sound" and each.spread is None for each in fitted)
    leaner = check_seated(Varied(given).subject_at(Deviation(model_mm=-0.05)), house_rules())
    assert not {each.code for each in leaner} & {*FITTED}


def test_set_metal_follows_a_heart_too() -> None:
    """In its cleft the planes of its facets run on through the stone, and say nothing of where its surface is."""
    given = subject_of(make_head(spec_of({"stone.cut": "heart", "stone.length_mm": 6.0}), "set"))
    contacts = [[each.measured for each in check_retention(of, house_rules()) if each.code == "retention.contact"]
                for of in (given, Varied(given).subject_of_size(0.998), Varied(given).subject_of_size(1.0015))]
    assert min(contacts[0]) > 0.3 and contacts[1] == pytest.approx(contacts[0], abs=0.05) == contacts[2]


@pytest.mark.parametrize("choices", [{"claws.count": 12, "stone.length_mm": 15.0}, {"stone.cut": "heart", "stone.length_mm": 7.0}])
def test_contact_falls_evenly_as_the_stone_gets_smaller(choices: dict[str, object]) -> None:
    """Metal follows it down, and no farther: none is left standing off the crown, or comes to stand in it."""
    varied = Varied(subject_of(make_head(spec_of(choices), "set")))
    made = [varied.subject, *(varied.subject_of_size(size) for size in (0.995, 0.99, 0.985, 0.98))]
    told = [min(each.measured for each in check_retention(of, house_rules()) if each.code == "retention.contact") for of in made]
    assert all(0.0 <= more - less + READ_SHARE < 0.04 for more, less in zip(told, told[1:]))
    assert not any(is_deeper(of.gauge, READ_MM) for of in made)


# The response against brute force.


def test_worst_cases_and_shares_agree_with_brute_force(draws: Any) -> None:
    """Heads with everything off at once, each proven anew: no measure is past the worst case by more than twice what the
    proof reads, and of those that stay sound there are as many as the shares say, to within three standard deviations."""
    given = subject(notch=0.47)
    found = keyed(prove_subject(given, tolerances=TOLERANCES))
    varied, random = Varied(given), np.random.default_rng(5)
    for _ in range(24):
        stone, depth, model, casting = random.uniform(-1.0, 1.0, 4)
        off = Deviation(0.03 * stone, 0.03 * stone, 0.03 * depth, 0.03 * model, 0.25 * casting)
        draws.add(proven(varied.subject_at(off)))
    compared = 0
    for key, each in found.items():
        # Points of moved metal lie where its facets happen to meet.
        if each.spread is None or key not in draws.sound or each.unit not in ALLOWED or not each.bounds or key[0] == "wear.points":
            continue
        draws.hold_share(key, each)
        if key[0] not in ("retention.passing", "retention.one_lost_way", "retention.spare"):  # their limits move with the stone
            draws.hold_worst(key, each, ALLOWED[each.unit])
        compared += 1
    assert compared > 25
    neck = [each for key, each in found.items() if key[0] == "claws.neck"]
    assert all(0.0 < each.spread.share_sound for each in neck if each.spread)


def test_what_is_unsafe_in_its_worst_case_is_to_watch_with_the_reason() -> None:
    far, near = (keyed(prove_subject(subject(notch=notch), tolerances=TOLERANCES)) for notch in (0.35, 0.485))
    key = next(key for key in near if key[0] == "claws.neck")
    assert far[key].verdict == "sound" and far[key].spread.share_sound == 1.0
    doubtful = near[key]
    assert doubtful.verdict == "watch" and doubtful.measured >= 0.5 > doubtful.spread.worst
    assert "within the tolerances it can come to" in doubtful.why and doubtful.remedy.endswith(".")
    assert 0.0 < doubtful.spread.share_sound < 1.0 and doubtful.rule == "claws.heel_left_min"


def test_what_it_takes_to_stay_sound_is_told_where_it_is_more_than_what_is_safe() -> None:
    """A rim that meets its usual width in half of all draws is seldom under the least that is safe."""
    given = subject_of(make_head(spec_of({"stone.length_mm": 7.2, "claws.count": 6})))
    (rim,) = (each for each in prove_subject(given, tolerances=Tolerances(0.05, 0.05, 0.3)) if each.code == "seat.rim")
    assert rim.verdict == "watch" and rim.limit == 0.1 and rim.spread.share_sound < 0.9
    assert rim.why.endswith("draws stay sound, with 0.18 mm or more.")
    notches = [each for each in prove_subject(given, tolerances=Tolerances(0.5, 0.05, 0.3)) if each.code == "claws.notch"]
    assert notches and all(each.why.endswith("draws stay sound, with 0.4 or less and 0.25 or more.") for each in notches)
    neck = keyed(prove_subject(subject(notch=0.485), tolerances=TOLERANCES))
    assert next(each for key, each in neck.items() if key[0] == "claws.neck").why.endswith("draws stay sound.")


def test_worst_cases_that_add_up_past_nothing_are_nothing() -> None:
    """Half a millimetre off each leaves no bearing and no metal behind a notch, and not less than none."""
    told = prove_subject(subject(), tolerances=Tolerances(0.5, 0.3, 5.0))
    none = {each.code for each in told if each.spread and each.unit == "mm" and each.measured > 0.0 and each.spread.worst == 0.0}
    assert none == {"seat.rim", "claws.neck_thickness", "seat.bearing"}


@pytest.mark.parametrize(("stone_mm", "is_lost"), [(0.999, False), (1.0, True), (1.001, True)])
def test_a_tolerance_as_large_as_the_stone_itself_is_said_to_leave_nothing_of_it(stone_mm: float, is_lost: bool) -> None:
    small = make_stone({"length_mm": 1.0})
    ends = Deviation(-stone_mm, -stone_mm)
    of = np.array([1.0 + ends.length_mm / small.length_mm, 1.0 + ends.width_mm / small.width_mm, 1.0])
    with pytest.raises(GeometryError) if is_lost else contextlib.nullcontext():
        assert stretched(small, of).length_mm > 0.0


def test_the_same_proof_gives_the_same_spread_and_the_plan_has_none() -> None:
    first, second = (prove_subject(subject(), tolerances=TOLERANCES) for _ in range(2))
    assert first == second
    assert all(each.spread is None for each in first if each.code.startswith(PLAN))
    measured = [each for each in first if _varies(each, subject()) and each.code != "spread.stone_size"]
    assert measured and all(each.spread is not None and math.isfinite(each.spread.worst) for each in measured)
    # Without any tolerance nothing moves, and with none given nothing is computed.
    still = prove_subject(subject(), tolerances=Tolerances(0.0, 0.0, 0.0))
    assert all(each.spread.worst == pytest.approx(each.measured) for each in still if each.spread)
    assert all(each.spread is None for each in prove(make_head(spec_of(WORKED))))


@pytest.mark.parametrize("choices", [{"head.style": "rim"}, {"sides.present": True}])
def test_a_model_that_is_off_takes_from_metal_and_gaps_what_it_takes_from_both_their_faces(choices: dict[str, object]) -> None:
    """Neither what folds on moved metal show nor the slots between parts that were moved one by one: a rim keeps to its wall,
    and the hollow of a small oval, which ends almost in a point, stays whole."""
    head = make_head(spec_of({"stone.cut": "oval", "stone.length_mm": 7.0, **choices}))
    given = subject_of(head.sides[0].head if head.sides else head)
    told = [each for each in prove_subject(given, tolerances=Tolerances(0.0, 0.05, 0.0)) if each.code in FACES]
    assert {each.code for each in told} == set(FACES)
    for each in told:
        taken = 0.1 if each.measured != REACH_MM else 0.0
        assert each.spread.worst == pytest.approx(max(0.0, each.measured - taken), abs=1e-9), each.code


@pytest.mark.parametrize("choices", [WORKED, {"head.style": "rim"}, {"head.style": "gallery", "stone.length_mm": 6.5},
                                     {"head.style": "coronet", "stone.cut": "trillion", "stone.length_mm": 7.5}])
@pytest.mark.parametrize("state", ["cast", "set"])
def test_nothing_is_read_off_the_folds_of_metal_that_is_moved(choices: dict[str, Any], state: str) -> None:
    """A fold on its surface is an edge of no angle and a gap of no width, which no tolerance makes of a sound head: walls come
    out thinner by what both faces are off, and by the casting; gaps as much narrower, edges and points as they are."""
    found = prove_subject(subject_of(make_head(spec_of(choices), state)), tolerances=TOLERANCES)
    both, scale = 2.0 * TOLERANCES.model_mm, TOLERANCES.casting_percent / 100.0
    told = {each.code: each for each in found if each.code in (*FACES, "wear.snag", "wear.points") and each.spread is not None}
    assert {"casting.thin", "wear.points"} <= told.keys()
    for code, each in told.items():
        if code == "casting.finished":
            less = both + scale * told["casting.thin"].measured
        elif code not in FACES or each.measured == REACH_MM:
            less = 0.0
        else:
            less = both + scale * each.measured
        assert each.spread.worst == pytest.approx(each.measured - less, abs=1e-9), code
        assert each.verdict == "sound" or each.measured - less < each.limit, code


def test_the_range_of_stones_ends_where_the_proof_says() -> None:
    """Both ends are proven; a little past the upper end something is unsafe."""
    given = subject(notch=0.47)
    found = [each for each in prove_subject(given, tolerances=TOLERANCES) if each.code == "spread.stone_size"]
    low, high = sorted(each.measured for each in found)
    width = given.stone.width_mm
    assert low < width < high

    def unsafe(size: float) -> set[str]:
        after = Varied(given).subject_of_size(size / width)
        return {code for (code, *_), each in proven(after).items() if each.verdict == "unsafe" and _varies(each, given)}

    assert unsafe(low) == set() == unsafe(high)
    if high < 1.04 * width - 1e-9:
        assert unsafe(high + 2.0 * CLOSE * width)


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("style", ["tapered claw", "basket", "rim", "coronet"])
def test_what_is_left_out_for_the_range_of_stones_can_find_nothing_unsafe(style: str, state: str) -> None:
    given = subject_of(make_head(spec_of({"head.style": style}), state))
    told, kept = ([each for check in checks for each in check(given, house_rules())] for checks in (OF_STONE, OF_SIZE))
    looked_for = {(each.code, each.what) for each in kept}
    left_out = [each for each in told if (each.code, each.what) not in looked_for]
    assert left_out and all(bound.verdict != "unsafe" for each in left_out for bound in each.bounds)
    kept = [each for check in OF_SIZE for each in check(given, house_rules())]
    assert any(bound.verdict == "unsafe" for each in kept for bound in each.bounds)


def test_a_measure_that_stood_on_its_limit_says_nothing_of_where_it_crossed_it() -> None:
    limit = Limit(0.0, False, "unsafe", "Why.", "geometry", "Remedy.")

    def at(measured: float) -> dict[Key, Finding]:
        return keyed([judge("retention.sideways", "Push that nothing stops", measured, "1", None, [limit], 0.0)])

    assert _crossing((0.0, at(0.0)), (0.04, at(0.75)), subject()) == math.inf
    assert _crossing((0.0, at(-0.25)), (0.04, at(0.75)), subject()) == pytest.approx(0.01)


def test_an_unsafe_head_takes_no_stone() -> None:
    found = [each for each in prove_subject(subject(notch=0.55), tolerances=TOLERANCES) if each.code == "spread.stone_size"]
    assert len(found) == 1 and found[0].measured is None and "unsafe" in found[0].why


def test_metal_that_was_not_made_here_has_a_spread_too() -> None:
    """Edited by hand: no plan; without roles the stone stays at its height."""
    bare = replace(subject(), plan=None)
    nameless = replace(bare, parts={})
    for given in (bare, nameless):
        found = prove_subject(given, tolerances=TOLERANCES)
        assert any(each.spread is not None for each in found)
    vertices, _ = triangles_of(Varied(nameless).subject_at(Deviation(depth_mm=0.03)).metal)
    assert len(vertices) == len(triangles_of(bare.metal)[0])


def test_tolerances_come_from_the_spec_and_the_house_fills_in() -> None:
    rules = house_rules()
    assert tolerances_of(Spec(), rules) is None
    given = tolerances_of(spec_of({"spread.stone_mm": 0.1, "spread.casting_percent": 0.0}), rules)
    assert given == Tolerances(0.1, rules.value("spread.model_mm"), 0.0)


def test_the_record_and_the_sheet_show_the_spread_and_the_rule() -> None:
    head = make_head(spec_of({**WORKED, "claws.notch": 0.485, "spread.stone_mm": 0.03}))
    findings = prove(head)
    record = proof_record(head, findings)["findings"]
    neck = next(each for each in record if each["code"] == "claws.neck")
    assert set(neck["spread"]) == {"worst", "share_sound"} and neck["rule"] == "claws.heel_left_min" and "bounds" not in neck
    assert all(each["spread"] is None for each in record if each["code"].startswith(PLAN))
    json_text({"findings": record})
    assert f"sound in {100 * neck['spread']['share_sound']:.0f} % of random draws" in sheet_html(head, findings, house_rules())


def test_metal_that_is_no_part_is_moved_with_the_rest() -> None:
    """A lump that was joined to a set head by hand, beside one without: parts alone are moved where they are all the metal."""
    own = subject_of(make_head(spec_of({}), "set"))
    _, high = bounds(own.metal)
    lump = moved(solid_of_triangles(*hull_triangles(np.array(list(itertools.product((-0.5, 0.5), repeat=3)))), "lump"),
                 [float(high[0]), 0.0, 0.5])
    with_lump = replace(own, metal=fuse([own.metal, lump], "head"))
    assert own.is_all_parts and not with_lump.is_all_parts
    more = volume_mm3(with_lump.metal) - volume_mm3(own.metal)
    assert more > 0.1
    for off in (Deviation(), Deviation(depth_mm=-0.02), Deviation(casting_percent=0.2)):
        bare, lumped = (Varied(subject).subject_at(off) for subject in (own, with_lump))
        assert not bare.is_joined and lumped.is_joined
        assert volume_mm3(lumped.metal) - volume_mm3(bare.metal) == pytest.approx(more * off.scale ** 3, rel=0.01)
