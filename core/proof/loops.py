"""Plane loops, as level sections give them: ways across them, distances from them, areas, and places on them."""
from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..mesh import Floats

ROUNDING = 1e-12
"""Share of a side by which a line may miss it for rounding alone. Larger: lines meet what they pass by."""

HALF_TURN_DEG = 180.0
"""Contacts all on one side leave the other free (statics of a rigid body without friction)."""


def edges_of(loops: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Starts and ways, each (e, 2), of the edges of closed loops."""
    if not loops:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return np.concatenate(loops), np.concatenate([np.concatenate([loop[1:], loop[:1]]) - loop for loop in loops])


def crossings(loops: Sequence[Floats], origins: Floats, directions: Floats) -> Floats:
    """(n, e): how far along each line (n, 2) + t·(n, 2) it crosses each edge, mm; nan where it does not."""
    starts, ways = edges_of(loops)
    dx, dy = directions[:, :1], directions[:, 1:]
    x, y = starts[:, 0] - origins[:, :1], starts[:, 1] - origins[:, 1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        over = 1.0 / (dx * ways[:, 1] - dy * ways[:, 0])
        share = (x * dy - y * dx) * over
        along: Floats = (x * ways[:, 1] - y * ways[:, 0]) * over
    # A line through a corner meets both sides rather than neither.
    along[~((share >= -ROUNDING) & (share < 1.0 + ROUNDING))] = np.nan
    return along


def first_crossing(loops: Sequence[Floats], origins: Floats, directions: Floats, low: float = -math.inf) -> Floats:
    """(n,) the least way, not below `low`, at which each line crosses; inf where none does."""
    ways = crossings(loops, origins, directions)
    if ways.shape[1] == 0:
        return np.full(len(origins), np.inf)
    least: Floats = np.where(ways >= low, ways, np.inf).min(axis=1)
    return least


def is_inside(loops: Sequence[Floats], points: Floats) -> np.ndarray:
    """(n,) bool: which points (n, 2) lie in the loops, holes left out."""
    # In no direction that a drawing has lines in, so that no line runs through a corner and counts it twice.
    across = np.tile([math.cos(0.7391), math.sin(0.7391)], (len(points), 1))
    inside: np.ndarray = (crossings(loops, points, across) > 0.0).sum(axis=1) % 2 == 1
    return inside


def distances_mm(points: Floats, loop: Floats) -> Floats:
    """(n,) least distance of points (n, 2) from the sides of a loop."""
    starts, ways = edges_of([loop])
    x, y = points[:, :1] - starts[:, 0], points[:, 1:] - starts[:, 1]
    squares = np.maximum(ways[:, 0] ** 2 + ways[:, 1] ** 2, 1e-30)
    share = np.clip((x * ways[:, 0] + y * ways[:, 1]) / squares, 0.0, 1.0)
    least: Floats = np.sqrt(((x - share * ways[:, 0]) ** 2 + (y - share * ways[:, 1]) ** 2).min(axis=1))
    return least


def inset_mm(face: Floats, girdle: Floats) -> float:
    """How far inside the girdle a loop runs, mm. Corners and the middles of sides weigh 1 : 2, which is exact for a
    polygon that stands for a curve of the same area."""
    middles = corners_and_middles(face)[len(face):]
    corner, middle = (float(np.median(distances_mm(points, girdle))) for points in (face, middles))
    return (corner + 2.0 * middle) / 3.0


def corners_and_middles(loop: Floats) -> Floats:
    """(2k, 2) the corners of a loop and the middles of its sides."""
    return np.concatenate([loop, (loop + np.concatenate([loop[1:], loop[:1]])) / 2.0])


def area_mm2(loops: Sequence[Floats]) -> float:
    """Area of loops, holes taken off, mm2."""
    return sum(float(loop[:-1, 0] @ loop[1:, 1] - loop[:-1, 1] @ loop[1:, 0] + loop[-1, 0] * loop[0, 1]
                     - loop[-1, 1] * loop[0, 0]) for loop in loops) / 2.0


def largest(loops: Sequence[Floats]) -> Floats:
    """The loop that encloses most."""
    return loops[0] if len(loops) == 1 else max(loops, key=lambda loop: abs(area_mm2([loop])))


def stations_on(loop: Floats, count: int) -> tuple[Floats, Floats]:
    """Points evenly spaced along a loop and outward unit normals of the chords about them, each (count, 2)."""
    closed = np.vstack([loop, loop[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = (np.arange(count) + 0.5) / count * run[-1]

    def points(where: Floats) -> Floats:
        where = np.mod(where, run[-1])
        return np.column_stack([np.interp(where, run, closed[:, 0]), np.interp(where, run, closed[:, 1])])

    step = run[-1] / count
    chord = points(at + step) - points(at - step)
    chord /= np.linalg.norm(chord, axis=1, keepdims=True)
    return points(at), np.column_stack([chord[:, 1], -chord[:, 0]])


def free_turn(normals: Floats) -> tuple[float, Floats]:
    """The widest turn, degrees, between neighbours of these directions (n, 2), and the unit (2,) half way through."""
    angles = np.sort(np.degrees(np.arctan2(normals[:, 1], normals[:, 0])))
    gaps = np.diff(np.append(angles, angles[0] + 360.0))
    i = int(np.argmax(gaps))
    middle = math.radians(angles[i] + gaps[i] / 2.0)
    return float(gaps[i]), np.array([math.cos(middle), math.sin(middle)])


def middle_of(ring: Floats) -> Floats:
    """(2,) centroid of the area of a loop."""
    after = np.concatenate([ring[1:], ring[:1]])
    cross = ring[:, 0] * after[:, 1] - ring[:, 1] * after[:, 0]
    middle: Floats = ((ring + after) * cross[:, None]).sum(axis=0) / (3.0 * cross.sum())
    return middle


def span(loops: Sequence[Floats], origins: Floats, directions: Floats) -> tuple[Floats, Floats]:
    """(n,) first and last crossing of each line; an empty span where it misses."""
    ways = crossings(loops, origins, directions)
    low = np.where(np.isnan(ways), np.inf, ways).min(axis=1)
    high = np.where(np.isnan(ways), -np.inf, ways).max(axis=1)
    missed = ~np.isfinite(low)
    return np.where(missed, 0.0, low), np.where(missed, 0.0, high)
