"""Proportions: published sets agree with their own geometry, and every cut has its habits."""
from __future__ import annotations

import math

import pytest

from core.errors import SpecError
from core.stone.cuts import CUTS
from core.trade.proportions import girdle_class, girdles, habit, habits, proportion_set, proportion_sets
from core.trade.table import TAGS


def heights(name: str) -> tuple[float, float, float]:
    """Crown height, pavilion depth and total of a set from its table and angles alone."""
    figures = {figure: low for figure, (low, _) in proportion_set(name).figures.items()}
    crown = (1 - figures["table"]) / 2 * math.tan(math.radians(figures["crown"]))
    pavilion = 0.5 * math.tan(math.radians(figures["pavilion"]))
    return crown, pavilion, crown + pavilion + figures["girdle"]


def published(name: str) -> tuple[float, ...]:
    return tuple(proportion_set(name).figures[figure][0] for figure in ("crown_height", "pavilion_depth", "depth"))


def test_tolkowsky() -> None:
    """Diamond Design, 1919: 16.2, 43.1 and 59.3 of 100; exactly 16.151, 43.083 and 59.234."""
    assert published("Tolkowsky") == (0.162, 0.431, 0.593)
    assert heights("Tolkowsky") == pytest.approx((0.16151, 0.43083, 0.59234), abs=1e-5)
    assert heights("Tolkowsky") == pytest.approx(published("Tolkowsky"), abs=1e-3)


def test_weight_ratio_reference() -> None:
    """Reinitz, Geurts and Gilbertson: 14.5, 43.0 and 60.0 %."""
    assert published("weight ratio reference") == (0.145, 0.430, 0.600)
    assert heights("weight ratio reference") == pytest.approx(published("weight ratio reference"), abs=5e-4)


def test_ranges_are_in_bounds_and_hold_the_reference() -> None:
    reference = proportion_set("weight ratio reference").figures
    for each in proportion_sets():
        assert each.tag in TAGS and each.figures
        for figure, (low, high) in each.figures.items():
            assert 0 <= low <= high <= (45 if figure in ("crown", "pavilion") else 1)
    excellent = proportion_set("GIA excellent").figures
    for figure, (low, high) in excellent.items():
        assert low <= reference[figure][0] <= high, figure


@pytest.mark.parametrize("each", habits(), ids=lambda each: each.cut)
def test_habits_are_whole(each) -> None:
    assert each.tag in TAGS
    assert {"ratio", "depth"} <= set(each.figures)
    low, high = each.figures["ratio"]
    assert 0.8 <= low < high <= 5
    assert all(0 < low < high < 1 for name, (low, high) in each.figures.items() if name != "ratio")


def test_every_cut_has_its_habits() -> None:
    assert tuple(each.cut for each in habits()) == CUTS


@pytest.mark.parametrize("cut, total", [
    ("round brilliant", 58), ("single cut", 18), ("oval", 58), ("marquise", 58), ("pear", 58), ("princess", 58),
    ("emerald", 58), ("radiant", 70),
])
def test_facet_counts(cut, total) -> None:
    """themeter.net, yourjewel.com and diamonddictionary.net; a culet counts as one."""
    assert sum(habit(cut).facets) == total


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


def test_wrong_names_are_answered_with_the_nearest() -> None:
    with pytest.raises(SpecError, match='the nearest is "Tolkowsky"'):
        proportion_set("Tolkowski")
    with pytest.raises(SpecError, match='the nearest is "marquise"'):
        habit("markise")
