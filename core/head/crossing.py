"""Where a rising function crosses nought, in as few looks as it takes."""
from __future__ import annotations

from collections.abc import Callable

MOST_LOOKS, NARROW = 60, 1e-9
"""How often one looks at most, and how near to each other both ends are close enough. Only a function with a step in it takes
so many."""


def crossing(height: Callable[[float], float], low: tuple[float, float], high: tuple[float, float], near: float) -> float:
    """Where a function is nought to within `near`, between two places, each with its height there: at most nought at the lower,
    more at the higher. By false position (Illinois)."""
    (start, at_start), (end, at_end) = low, high
    if at_start >= 0.0:
        return start
    side = 0
    for _ in range(MOST_LOOKS):
        middle = (start * at_end - end * at_start) / (at_end - at_start)
        value = height(middle)
        if abs(value) < near or end - start < NARROW:
            break
        if value > 0.0:
            end, at_end, at_start = middle, value, at_start / 2.0 if side > 0 else at_start
            side = 1
        else:
            start, at_start, at_end = middle, value, at_end / 2.0 if side < 0 else at_end
            side = -1
    return middle
