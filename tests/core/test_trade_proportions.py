"""Proportions: every cut has its habits, and every girdle its class."""
from __future__ import annotations

import math

import pytest

from core.errors import SpecError
from core.stone.cuts import CUTS
from core.trade.proportions import girdle_class, girdles, habits
from core.trade.table import TAGS


@pytest.mark.parametrize("each", habits(), ids=lambda each: each.cut)
def test_habits_are_whole(each) -> None:
    assert each.tag in TAGS
    assert {"ratio", "depth"} <= set(each.figures)
    low, high = each.figures["ratio"]
    assert 0.8 <= low < high <= 5
    assert all(0 < low < high < 1 for name, (low, high) in each.figures.items() if name != "ratio")


def test_every_cut_has_its_habits() -> None:
    assert tuple(each.cut for each in habits()) == CUTS


def test_girdle_classes_rise_and_meet() -> None:
    bounds = [each.up_to for each in girdles()]
    assert bounds == sorted(set(bounds))
    for each in girdles():
        assert girdle_class(each.usual) is each
        assert girdle_class(each.up_to) is each
    assert girdle_class(0.0275).name == "thin" and girdle_class(0.02751).name == "medium"


@pytest.mark.parametrize("share", [-0.001, 1.001, math.nan, math.inf])
def test_a_girdle_that_is_no_share_is_refused(share) -> None:
    with pytest.raises(SpecError, match="from 0 to 1"):
        girdle_class(share)
