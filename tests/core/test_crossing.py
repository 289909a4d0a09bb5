"""Where rising functions cross nought, against closed forms."""
from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from core.head.crossing import MOST_LOOKS, crossing


@pytest.mark.parametrize(("height", "expected"), [
    (lambda x: x - 0.3, 0.3), (lambda x: x ** 9 - 0.5, 0.5 ** (1.0 / 9.0)), (lambda x: math.exp(5.0 * x) - 2.0, math.log(2.0) / 5.0),
    (lambda x: math.sqrt(x) - 0.9, 0.81), (lambda x: x, 0.0), (lambda x: x + 1e-3, 0.0)])
def test_a_smooth_function_is_followed_to_nought_in_few_looks(height: Callable[[float], float], expected: float) -> None:
    looks: list[float] = []

    def looked(x: float) -> float:
        looks.append(x)
        return height(x)

    found = crossing(looked, (0.0, height(0.0)), (1.0, height(1.0)), 1e-12)
    assert found == pytest.approx(expected, abs=1e-9)
    assert len(looks) <= 25 and all(0.0 <= x <= 1.0 for x in looks)


def test_a_step_is_come_near_to_and_then_left() -> None:
    looks: list[float] = []

    def step(x: float) -> float:
        looks.append(x)
        return 1.0 if x > 0.7 else -3.0

    assert crossing(step, (0.0, -3.0), (1.0, 1.0), 1e-12) == pytest.approx(0.7, abs=1e-6)
    assert len(looks) < MOST_LOOKS
