"""Shapes that are one and the same in other places: turned about the origin, seen in a mirror, or moved."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .mesh import Floats, Ints

ALIKE_MM = 1e-7
"""Shapes whose corners lie less apart are the same. Larger: one claw's tip stands off another's crown."""

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

    def holds(self, first: tuple[Floats, Ints], other: tuple[Floats, Ints]) -> bool:
        """True if the way moves the first's vertices (n, 3) and triangles (t, 3) onto the other's, in their order."""
        return (float(np.abs(first[0] @ self.way[:, :3].T + self.way[:, 3] - other[0]).max()) < ALIKE_MM
                and np.array_equal(np.sort(first[1], axis=1), np.sort(other[1], axis=1)))


def copies_of(surfaces: Mapping[str, tuple[Floats, Ints]]) -> dict[str, Copy]:
    """Which of some closed surfaces, vertices (n, 3) and triangles (t, 3) by name, are copies of which one before them,
    turned or mirrored as a whole."""
    found: dict[str, Copy] = {}
    firsts: list[str] = []
    for name, surface in surfaces.items():
        tried = (Copy(first, _way_between(surfaces[first][0], surface[0])) for first in firsts
                 if surfaces[first][0].shape == surface[0].shape and surfaces[first][1].shape == surface[1].shape)
        copy = next((each for each in tried if _is_rigid(each.way) and each.holds(surfaces[each.first], surface)), None)
        if copy is None:
            firsts.append(name)
        else:
            found[name] = copy
    return found


def _way_between(first: Floats, second: Floats) -> Floats:
    """(3, 4) that takes points (n, 3) as near to others as one matrix can."""
    way = np.linalg.lstsq(np.column_stack([first, np.ones(len(first))]), second, rcond=None)[0].T
    return np.asarray(way, np.float64)


def _is_rigid(way: Floats) -> bool:
    """Whether a (3, 4) matrix turns and mirrors without stretching."""
    return float(np.abs(way[:, :3] @ way[:, :3].T - np.eye(3)).max()) < ALIKE_MM
