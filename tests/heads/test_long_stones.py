"""Long and pointed stones with everything else left to the plan: nothing of the head is unsafe."""
from __future__ import annotations

import pytest

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
    ("heart", 3.0, 3.0, "coronet"), ("emerald", 14.0, 10.0, "coronet"), ("trillion", 4.5, 2.5, "coronet"), ("oval", 4.9, 3.5, "coronet"),
    ("tapered baguette", 20.0, 10.0, "gallery"), ("heart", 10.0, 10.0, "gallery"), ("marquise", 7.0, 3.5, "coronet"),
])
def test_a_seat_that_scoops_and_windows_part_is_one_bearing(cut: str, length_mm: float, width_mm: float, style: str) -> None:
    """The stone touches the flanks of scoops lower than the wall's top, in one piece with its bearing there."""
    spec = spec_of({"stone.cut": cut, "stone.length_mm": length_mm, "stone.width_mm": width_mm, "head.style": style})
    for state in STATES:
        assert not [f"{each.what}: {each.measured}" for each in prove(make_head(spec, state)) if each.verdict == "unsafe"]
