"""Shapes that are one and the same in other places: turned about the origin, seen in a mirror, or moved."""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .mesh import Floats, Ints

ALIKE_MM = 1e-7
"""Shapes whose corners lie less apart are the same. Larger: one claw's tip stands off another's crown."""

TURNED, MIRRORED = np.array([1.0, 1.0, 1.0]), np.array([1.0, -1.0, 1.0])
"""What a shape that is turned so that it lies ahead is multiplied by, as it is and as it is seen in a mirror."""

ROUNDING = 1e-10
"""Entries of a way that are no farther from a whole number are that. Larger: copies are moved beside their places."""

ASKEW = np.array([0.7316, 0.5279, 0.4313])
"""A direction that no facet's side is square to, so that no two corners of a stone are equally far along it. Where two
are, no symmetry is found, and what is alike is made one by one."""


class Symmetry:
    """Which ways to turn and mirror a shape, by its corners (n, 3), leave it as it is."""

    def __init__(self, corners: Floats) -> None:
        self.corners, self.sorted = corners, _in_order(corners)

    def holds(self, way: Floats) -> bool:
        """True if a (3, 4) matrix moves every corner to where another was, and the origin nowhere."""
        if np.abs(way[:, 3]).max() > ALIKE_MM:
            return False
        return float(np.abs(_in_order(self.corners @ way[:, :3].T) - self.sorted).max()) < ALIKE_MM


def _in_order(points: Floats) -> Floats:
    """Points (n, 3) in the order in which a plane meets them that is parallel to no facet's side."""
    ordered: Floats = points[np.argsort(points @ ASKEW)]
    return ordered


@dataclass(frozen=True, eq=False)
class Copy:
    """first: the name of what it is a copy of; way: (3, 4) that moves that to where the copy is."""

    first: str
    way: Floats

    @cached_property
    def is_level(self) -> bool:
        """Whether all stays at its height."""
        return bool((self.way[2] == [0.0, 0.0, 1.0, 0.0]).all())

    @cached_property
    def is_turned(self) -> bool:
        """Whether it is turned; else it is seen in a mirror."""
        return float(np.linalg.det(self.way[:, :3])) > 0.0

    def of(self, points: Floats) -> Floats:
        """Where points (n, 3) beside the first are beside the copy; of a level one (n, 2) too."""
        moved: Floats = self.along(points) + self.way[:points.shape[-1], 3]
        return moved

    def back(self, points: Floats) -> Floats:
        """The other way round: where points (n, 3) beside the copy are beside the first."""
        back: Floats = (points - self.way[:, 3]) @ self.way[:, :3]
        return back

    def along(self, ways: Floats) -> Floats:
        """Where to (n, 3) or (n, 2) ways beside the first lead beside the copy."""
        size = ways.shape[-1]
        turned: Floats = ways @ self.way[:size, :size].T
        return turned

    def holds(self, first: Floats, other: Floats) -> bool:
        """True if the way moves the first's corners (n, 3) onto the other's, one by one."""
        return float(np.abs(self.of(first) - other).max()) < ALIKE_MM


def _codes(triangles: Ints, count: int) -> Ints:
    """(t,) one number for the corners of each triangle (t, 3) of so many vertices, whichever comes first, in order."""
    codes: Ints = np.sort(np.sort(triangles, axis=1).astype(np.int64) @ [count * count, count, 1])
    return codes


def copies_of(surfaces: Mapping[str, tuple[Floats, Ints]]) -> dict[str, Copy]:
    """Which of some closed surfaces, vertices (n, 3) and triangles (t, 3) by name, are copies of which one before them,
    turned or mirrored as a whole."""
    found: dict[str, Copy] = {}
    firsts: dict[str, Ints] = {}
    for name, (corners, triangles) in surfaces.items():
        codes = _codes(triangles, len(corners))
        alike = (first for first, own in firsts.items()
                 if surfaces[first][0].shape == corners.shape and np.array_equal(own, codes))
        tried = (Copy(first, _way_between(surfaces[first][0], corners)) for first in alike)
        copy = next((each for each in tried if _is_rigid(each.way) and each.holds(surfaces[each.first][0], corners)), None)
        if copy is None:
            firsts[name] = codes
        else:
            found[name] = copy
    return found


def turned_copies(surfaces: Mapping[str, Floats], holds: Callable[[Floats], bool]) -> dict[str, Copy]:
    """Which of some shapes, corners (n, 3) by name in any order, are copies of which one before them, turned about the
    upright axis or mirrored in a plane through it, where what `holds` of a (3, 4) way is true. A shape is taken by its
    corners alone."""
    found: dict[str, Copy] = {}
    firsts: list[tuple[str, Floats, Floats]] = []
    for name, corners in surfaces.items():
        x, y, _ = corners.mean(axis=0)
        size = max(float(np.hypot(x, y)), 1e-300)
        # What turns it so that its middle lies ahead.
        ahead = np.array([[x, y, 0.0], [-y, x, 0.0], [0.0, 0.0, size]]) / size
        own = corners @ ahead.T
        sides = [(side, _in_order(own * side)) for side in (TURNED, MIRRORED)]
        ways = ((first, np.column_stack([ahead.T @ (side[:, None] * back), np.zeros(3)])) for first, known, back in firsts
                for side, each in sides if each.shape == known.shape and float(np.abs(each - known).max()) < ALIKE_MM)
        copy = next((Copy(first, way) for first, way in ways if holds(way)), None)
        if copy is None:
            firsts.append((name, sides[0][1], ahead))
        else:
            found[name] = copy
    return found


def _way_between(first: Floats, second: Floats) -> Floats:
    """(3, 4) that takes points (n, 3) as near to others as one matrix can."""
    way = np.asarray(np.linalg.lstsq(np.column_stack([first, np.ones(len(first))]), second, rcond=None)[0].T, np.float64)
    # What stands upright keeps its very heights.
    whole = np.rint(way)
    return np.where(np.abs(way - whole) < ROUNDING, whole, way)


def _is_rigid(way: Floats) -> bool:
    """Whether a (3, 4) matrix turns and mirrors without stretching."""
    return float(np.abs(way[:, :3] @ way[:, :3].T - np.eye(3)).max()) < ALIKE_MM
