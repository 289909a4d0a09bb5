"""Long and pointed stones with everything else left to the plan: nothing of the head is unsafe."""
from __future__ import annotations

import math
import re

import pytest

from core.errors import SpecError
from core.head import STATES, make_head
from core.head.claws import foot_on_peg
from core.head.planning.peg import LOWEST_CROWN
from core.head.planning.stone import NARROWEST_CLEFT_DEG
from core.proof import prove
from core.solid.kernel import volume_mm3
from core.spec import spec_of
from core.stone import make_stone

LONG = {"pear": 4.0, "marquise": 5.0, "baguette": 6.0, "tapered baguette": 4.0, "straight trillion": 1.3, "oval": 3.0,
        "oval cabochon": 2.0}


@pytest.mark.parametrize("width_mm", [2.5, 6.0])
@pytest.mark.parametrize("cut", LONG)
def test_a_long_stone_gets_a_sound_basket(cut: str, width_mm: float) -> None:
    """It cannot pass between two claws, its points are not cut off their claws, and these reach up its long crown."""
    spec = spec_of({"stone.cut": cut, "stone.width_mm": width_mm, "stone.length_mm": LONG[cut] * width_mm,
                    "head.style": "basket"})
    for state in STATES:
        assert not [f"{each.what}: {each.measured}" for each in prove(make_head(spec, state)) if each.verdict == "unsafe"]


@pytest.mark.parametrize("cut, length_mm, width_mm, style", [
    ("heart", 3.0, 3.0, "coronet"), ("heart", 3.5, 3.5, "coronet"), ("emerald", 14.0, 10.0, "coronet"),
    ("heart", 9.0, 6.0, "coronet"), ("heart", 15.0, 10.0, "coronet"),
    ("trillion", 4.5, 2.5, "coronet"), ("oval", 4.9, 3.5, "coronet"),
    ("tapered baguette", 20.0, 10.0, "gallery"), ("heart", 10.0, 10.0, "gallery"), ("marquise", 7.0, 3.5, "coronet"),
])
def test_a_seat_that_scoops_and_windows_part_is_one_bearing(cut: str, length_mm: float, width_mm: float, style: str) -> None:
    """The stone touches the flanks of scoops lower than the wall's top, in one piece with its bearing there."""
    spec = spec_of({"stone.cut": cut, "stone.length_mm": length_mm, "stone.width_mm": width_mm, "head.style": style})
    for state in STATES:
        assert not [f"{each.what}: {each.measured}" for each in prove(make_head(spec, state)) if each.verdict == "unsafe"]


@pytest.mark.parametrize("cut, length_mm, width_mm, style", [
    ("princess", 3.5, 3.5, "coronet"),  # a bevel between corners was read for the wall
    ("tapered baguette", 5.25, 3.5, "coronet"),
    ("marquise", 6.0, 3.0, "coronet"),  # a scoop between a V claw and the next was a slot
    ("radiant", 18.0, 6.0, "gallery"), ("radiant", 45.0, 15.0, "gallery"),  # bars across flat corners were 0.3 mm thin inside
    ("emerald", 3.0, 2.0, "peg"), ("radiant", 5.0, 2.5, "peg"),  # claws bent over a low crown were rounded off below it
    ("cushion", 9.0, 6.0, "gallery"),  # a corner of a window went astray and the wall folded
    # From the inner face of a V claw's leg to the outer edge of the wall or peg below its end was read for a wall.
    ("heart", 10.0, 8.0, "tapered claw"), ("trillion", 12.0, 9.6, "peg"),
    ("trillion", 9.0, 3.0, "tapered claw"), ("trillion", 11.2, 4.0, "basket"),  # claws beside a corner lay on its other side
    ("heart", 15.0, 15.0, "peg"),  # two triangles back to back, with less air between them than a reader tells
    ("sugarloaf cabochon", 40.0, 40.0, "rim"), ("sugarloaf cabochon", 60.0, 60.0, "rim"),  # the ledge under it was not seen
    ("oval", 25.38, 15.76, "tapered claw"),  # a sheet without volume was a second body
    ("oval cabochon", 2.0, 1.0, "rim"), ("oval cabochon", 2.5, 0.85, "rim"),  # the ends of small domes were left bare
    ("tapered baguette", 5.02, 1.79, "peg"), ("baguette", 6.82, 2.97, "peg"),  # claws crossed below the keel and met it
    ("marquise", 8.75, 3.5, "peg"), ("heart", 10.65, 11.84, "peg"),  # the edges of crossing claws came too near each other
    ("straight trillion", 3.46, 2.6, "tapered claw"),  # metal at the flanks was read for metal under the base
    ("pear", 2.63, 1.42, "basket"), ("pear", 2.625, 1.5, "peg"),  # legs along bowed sides did not reach past what fills their point
    ("straight trillion", 2.66, 2.29, "tapered claw"),  # the mitres of its bevel were read for its wall
    ("oval", 12.54, 8.08, "gallery"), ("oval", 6.65, 5.0, "gallery"),  # a bar at the end ran to a knife's edge inside
    # The room cut round the points of a blunt corner left claws too thin behind, and too little of the crown to lie on.
    ("straight trillion", 2.02, 2.25, "peg"), ("straight trillion", 2.14, 1.92, "basket"), ("straight trillion", 1.8, 1.92, "basket"),
    ("baguette", 9.4, 4.99, "peg"),  # the foot of a notch that runs far down a leaning claw was read for a second bearing
])
def test_what_the_plan_left_unsafe_in_a_survey_is_sound(cut: str, length_mm: float, width_mm: float, style: str) -> None:
    spec = spec_of({"stone.cut": cut, "stone.length_mm": length_mm, "stone.width_mm": width_mm, "head.style": style})
    for state in STATES:
        assert not [f"{each.what}: {each.measured}" for each in prove(make_head(spec, state)) if each.verdict == "unsafe"]


def test_claws_at_a_blunt_corner_are_as_thin_as_leaves_a_castable_neck_behind_the_room_round_its_points() -> None:
    given = {"stone.cut": "straight trillion", "stone.length_mm": 2.14, "stone.width_mm": 1.92, "head.style": "basket"}
    planned = make_head(spec_of(given)).plan
    assert "room that is cut round" in planned.dimension("claw_diameter").reason
    for off_mm, verdict in ((0.0, "sound"), (-0.025, "unsafe")):
        head = make_head(spec_of(given | {"claws.diameter_mm": planned["claw_diameter"] + off_mm}), "set")
        necks = {each.what: each.verdict for each in prove(head) if each.code == "claws.neck_thickness"}
        assert necks["Metal left behind the notch in claw 1"] == verdict


@pytest.mark.parametrize("section", ["round", "oval", "tab"])
@pytest.mark.parametrize("cut", ["princess", "marquise"])
def test_a_claw_is_laid_no_farther_up_the_crown_for_a_point_that_lies_in_another(cut: str, section: str) -> None:
    head = make_head(spec_of({"stone.cut": cut, "stone.length_mm": 8.0, "claws.section": section}), "set")
    lies = [each.measured for each in prove(head) if each.code == "retention.contact"]
    assert lies and max(lies) <= head.plan["contact"] + 0.01


@pytest.mark.parametrize("cut", LONG)
def test_no_claw_on_a_peg_crosses_an_axis_of_the_stone(cut: str) -> None:
    stone = make_stone({"cut": cut, "length_mm": 2.5 * LONG[cut], "width_mm": 2.5})
    for radius_mm in (0.4, 0.8, 1.2):
        for azimuth in range(0, 360, 7):
            place = stone.outline.place(float(azimuth))
            foot = foot_on_peg(place, radius_mm)
            assert math.hypot(*foot) == pytest.approx(radius_mm)
            assert (foot * place.point >= 0.0).all()


def test_a_peg_head_is_sound_from_the_lowest_crown_on() -> None:
    """Just under the lowest crown it is refused, at and over it nothing of it is unsafe."""
    claw_mm, girdle = 0.7, 0.03 * 2.0  # the least that gold is cast in, and the girdle of a stone 2 mm wide

    def spec(share: float):
        crown = share * claw_mm - girdle
        return spec_of({"stone.cut": "asscher", "stone.length_mm": 2.0, "stone.width_mm": 2.0, "stone.girdle": 0.03,
                        "stone.crown_height": crown / 2.0, "head.style": "peg"})

    with pytest.raises(SpecError, match="rounded off too thin") as caught:
        make_head(spec(LOWEST_CROWN - 0.002))
    assert caught.value.faults[0].key == "head.style"
    for share in (LOWEST_CROWN + 0.002, LOWEST_CROWN + 0.05):
        for state in STATES:
            assert not [each.what for each in prove(make_head(spec(share), state)) if each.verdict == "unsafe"]


@pytest.mark.parametrize("opens_deg, is_held", [(-0.2, False), (0.2, True)])
def test_how_far_a_heart_s_cleft_must_open(opens_deg: float, is_held: bool) -> None:
    def opening(ratio: float) -> float:
        stone = make_stone({"cut": "heart", "length_mm": 4.0 * ratio, "width_mm": 4.0})
        return min(180.0 + corner.turn_deg for corner in stone.outline.corners)

    low, high = 2.0, 6.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if opening(middle) >= NARROWEST_CLEFT_DEG + opens_deg else (low, middle)
    spec = spec_of({"stone.cut": "heart", "stone.length_mm": 4.0 * low, "stone.width_mm": 4.0, "head.style": "basket"})
    if is_held:
        assert not [each.what for each in prove(make_head(spec)) if each.verdict == "unsafe"]
    else:
        with pytest.raises(SpecError, match="between its lobes a head needs 25°") as caught:
            make_head(spec)
        assert caught.value.faults[0].key == "stone.length_mm"


@pytest.mark.parametrize("cut, length_mm, width_mm, style, key, words", [
    ("straight trillion", 2.5, 2.0, "tapered claw", "head.style", "beside the base of a stone 2 mm wide"),
    ("trillion", 2.5, 1.67, "coronet", "head.style", "would lie under the culet"),
    ("straight trillion", 2.85, 2.36, "coronet", "claws.count", "between all but two of them"),
    ("sugarloaf cabochon", 3.5, 1.1, "basket", "rails.thickness_mm", "upper rail fills its own hollow"),
    ("straight trillion", 2.5, 0.83, "rim", "stone.width_mm", "leaves no hollow"),
    ("cushion", 6.0, 1.5, "peg", "head.style", "rounded off too thin"),
    ("straight trillion", 3.5, 2.33, "peg", "head.style", "lean more than 20°"),
])
def test_what_would_only_fail_when_made_or_proven_is_refused_at_the_plan(cut: str, length_mm: float, width_mm: float, style: str,
                                                                        key: str, words: str) -> None:
    with pytest.raises(SpecError, match=words) as caught:
        make_head(spec_of({"stone.cut": cut, "stone.length_mm": length_mm, "stone.width_mm": width_mm, "head.style": style}))
    assert caught.value.faults[0].key == key and "take" in caught.value.faults[0].allowed


def test_a_small_sugarloaf_cabochon_has_a_basket_from_where_its_upper_rail_is_hollow() -> None:
    """Just over the width that the refusal names its basket is made and sound."""
    with pytest.raises(SpecError) as caught:
        make_head(spec_of({"stone.cut": "sugarloaf cabochon", "stone.length_mm": 1.1, "stone.width_mm": 1.1, "head.style": "basket"}))
    least = re.search(r"at least ([0-9.]+) mm", str(caught.value))
    assert least is not None
    width = float(least.group(1)) + 0.1
    head = make_head(spec_of({"stone.cut": "sugarloaf cabochon", "stone.length_mm": width, "stone.width_mm": width, "head.style": "basket"}))
    assert volume_mm3(head.solid) > 0.0


@pytest.mark.parametrize("cut, ratio", [("pear", 4.0), ("marquise", 5.0), ("heart", 1.5)])
def test_a_rim_round_a_sharp_point_is_as_thick_as_planned(cut: str, ratio: float) -> None:
    """Past the middle of so narrow a tip stands the rim's other side, which is no undercut."""
    spec = spec_of({"stone.cut": cut, "stone.length_mm": 3.5 * ratio, "stone.width_mm": 3.5, "head.style": "rim"})
    for state in STATES:
        assert not [f"{each.what}: {each.measured}" for each in prove(make_head(spec, state)) if each.verdict == "unsafe"]


@pytest.mark.parametrize("cut, ratio, style, words", [
    ("heart", 2.0, "rim", "cleft opens by 43°"), ("pear", 4.0, "gallery", "point as sharp as this one"),
    ("heart", 1.0, "tapered claw", "under the culet"),
])
def test_what_cannot_be_is_refused_with_its_key_and_the_nearest_that_can(cut: str, ratio: float, style: str, words: str) -> None:
    given = {"stone.cut": cut, "stone.length_mm": 2.5 * ratio, "stone.width_mm": 2.5, "head.style": style}
    if style == "gallery":
        given |= {"stone.length_mm": 6.0 * ratio, "stone.width_mm": 6.0}
    with pytest.raises(SpecError, match=words) as caught:
        make_head(spec_of(given))
    assert caught.value.faults[0].key == "head.style" and "take" in caught.value.faults[0].allowed
