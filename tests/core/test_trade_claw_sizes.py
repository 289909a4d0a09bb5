"""Claw sizes: the fit gives the trade's figures, and more claws are thinner but hold more in all."""
from __future__ import annotations

import pytest

from core.errors import SpecError
from core.trade.alloys import FAMILIES
from core.trade.claw_sizes import FAMILY_FACTORS, claw_diameter, claw_factors


@pytest.mark.parametrize("stone_mm, three, four, six, eight", [
    (2, 0.68, 0.60, 0.51, None), (3, 0.81, 0.72, 0.61, None), (4, 0.95, 0.84, 0.71, None),
    (5, 1.08, 0.96, 0.82, 0.70),
    (6.5, 1.29, 1.14, 0.97, 0.83), (8, 1.49, 1.32, 1.12, 0.96), (10, 1.76, 1.56, 1.33, 1.14),
    (12, 2.03, 1.80, 1.53, 1.31),
])
def test_trade_figures(stone_mm, three, four, six, eight) -> None:
    """Trade practice for gold, from memory; rounded to 0.01 mm."""
    for count, expected in ((3, three), (4, four), (6, six), (8, eight)):
        if expected is not None:
            assert claw_diameter(stone_mm, count).value == pytest.approx(expected, abs=0.0051)


def test_more_claws_are_thinner_each_but_never_less_in_all() -> None:
    factors = list(claw_factors().items())
    assert [count for count, _ in factors] == list(range(2, 17))
    for (few, wide), (many, narrow) in zip(factors, factors[1:]):
        assert narrow < wide
        assert many * narrow >= few * wide - 1e-3


def test_metal() -> None:
    gold = claw_diameter(5, 4).value
    assert claw_diameter(5, 4, "platinum").value == pytest.approx(0.9 * gold)
    assert claw_diameter(5, 4, "silver").value == pytest.approx(1.1 * gold)
    assert tuple(FAMILY_FACTORS) == FAMILIES


def test_the_figure_says_why_and_whence() -> None:
    figure = claw_diameter(6.5, 6)
    assert figure.reason == "Usual for 6 claws of gold round a stone of 6.5 mm."
    assert (figure.name, figure.unit, figure.source, figure.pinned) == ("claw_diameter", "mm", "from memory", False)


@pytest.mark.parametrize("count", [1, 17, 4.5])
def test_other_counts_are_refused(count) -> None:
    with pytest.raises(SpecError, match="from 2 to 16"):
        claw_diameter(5, count)


def test_an_unknown_family_is_answered_with_the_nearest() -> None:
    with pytest.raises(SpecError, match='the nearest is "platinum"'):
        claw_diameter(5, 4, "platinium")
