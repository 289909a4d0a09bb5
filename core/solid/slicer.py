"""Level sections of a solid at many heights at once, as sides that are not joined into loops.

The kernel cuts one height at a time and joins what it cuts. Where only the way to the nearest metal counts, all heights
together are several times as quick.
"""
from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..mesh import Floats, Ints

ALONE = np.array([0, 0, 1, 2, 2, 1, 0, 0])
"""Which corner of a triangle is alone on its side of a height, by the sum of 1, 2 and 4 for the corners above it."""


class Slicer:
    """The surface of a solid, (n, 3) vertices and (t, 3) triangles, ready to be cut at any height."""

    def __init__(self, vertices: Floats, triangles: Ints) -> None:
        self._x, self._y, self._z = np.ascontiguousarray(vertices.T)
        # Twice the first two corners, so that the two after any corner follow it.
        self._corners = np.concatenate([triangles, triangles[:, :2]], axis=1).ravel()
        self._heights = np.ascontiguousarray(self._z[triangles].T)
        self._low, self._high = self._heights.min(axis=0), self._heights.max(axis=0)

    def sides_at(self, heights_mm: Floats) -> tuple[Floats, Floats, Ints]:
        """Starts and ways, each (e, 2), of the sides of the level cuts at heights (h,), in the order of the heights, with
        the metal on their left; and (h + 1,) where the sides of each height begin."""
        level, triangle = np.nonzero((self._low <= heights_mm[:, None]) & (self._high > heights_mm[:, None]))
        height = heights_mm[level]
        first, second, third = (z[triangle] > height for z in self._heights)
        above = first + 2 * second + 4 * third.astype(np.int8)
        at = 5 * triangle + ALONE[above]
        alone = self._corners[at]
        rises = np.asarray((above == 1) | (above == 2) | (above == 4))
        ends = [self._crossed(alone, self._corners[at + turn], height) for turn in (1, 2)]
        starts = np.column_stack([np.where(rises, *pair) for pair in zip(*ends)])
        stops = np.column_stack([np.where(rises, *pair) for pair in zip(*ends[::-1])])
        return starts, stops - starts, np.searchsorted(level, np.arange(len(heights_mm) + 1)).astype(np.int32)

    def _crossed(self, alone: Ints, other: Ints, height: Floats) -> Sequence[Floats]:
        """x and y where edges from one corner to another pass a height."""
        share = (height - self._z[alone]) / (self._z[other] - self._z[alone])
        return [axis[alone] + (axis[other] - axis[alone]) * share for axis in (self._x, self._y)]
