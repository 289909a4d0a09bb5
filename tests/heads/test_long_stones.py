"""Long and pointed stones with everything else left to the plan: nothing of the head is unsafe."""
from __future__ import annotations

import pytest

from core.errors import SpecError
from core.head import STATES, make_head
from core.proof import prove
from core.spec import spec_of

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
    ("trillion", 4.5, 2.5, "coronet"), ("oval", 4.9, 3.5, "coronet"),
    ("tapered baguette", 20.0, 10.0, "gallery"), ("heart", 10.0, 10.0, "gallery"), ("marquise", 7.0, 3.5, "coronet"),
])
def test_a_seat_that_scoops_and_windows_part_is_one_bearing(cut: str, length_mm: float, width_mm: float, style: str) -> None:
    """The stone touches the flanks of scoops lower than the wall's top, in one piece with its bearing there."""
    spec = spec_of({"stone.cut": cut, "stone.length_mm": length_mm, "stone.width_mm": width_mm, "head.style": style})
    for state in STATES:
        assert not [f"{each.what}: {each.measured}" for each in prove(make_head(spec, state)) if each.verdict == "unsafe"]


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
