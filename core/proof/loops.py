"""Plane loops, as level sections give them: ways across them, distances from them, areas, and places on them."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats

ROUNDING = 1e-12
"""Share of a side by which a line may miss it for rounding alone. Larger: lines meet what they pass by."""

SLIVER_MM = 1e-4
"""Sides shorter than this are slivers where surfaces cross. Larger: fine curves lose their sides."""

SQUARELY = 0.01
"""How much a side counts as nearer for being seen squarely. Larger: a side that is a little nearer is passed over."""

MANY_SIDES, MANY_PAIRS, TOGETHER = 96, 15000, 8
"""From how many sides and pairs of points and sides on only the near ones are looked at, and how many sides are first
taken as one. Only the time taken depends on them."""

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
    """(n,) bool: which points (n, 2) lie in the loops, holes left out: a line ahead from them crosses an odd number of
    sides."""
    # In no direction that a drawing has lines in, so that no line runs through a corner and counts it twice.
    cos, sin = math.cos(0.7391), math.sin(0.7391)
    starts, ways = edges_of(loops)
    low = starts[:, 1] * cos - starts[:, 0] * sin
    high = np.concatenate([np.append(part[1:], part[:1]) for part in np.split(low, np.cumsum([len(loop) for loop in loops])[:-1])])
    level = points[:, 1] * cos - points[:, 0] * sin
    # Few sides reach from one side of a point's line to the other; only those are crossed with it.
    order = np.argsort(level)
    first, last = np.searchsorted(level[order], np.minimum(low, high)), np.searchsorted(level[order], np.maximum(low, high))
    counts = last - first
    j = np.repeat(np.arange(len(starts)), counts)
    i = order[np.arange(len(j)) + np.repeat(first - (np.cumsum(counts) - counts), counts)]
    met = starts[j] + ways[j] * ((level[i] - low[j]) / (high[j] - low[j]))[:, None]
    ahead = (met - points[i]) @ np.array([cos, sin]) > 0.0
    odd: np.ndarray = np.bincount(i[ahead], minlength=len(points)) % 2 == 1
    return odd


def distances_mm(points: Floats, loop: Floats) -> Floats:
    """(n,) least distance of points (n, 2) from the sides of a loop."""
    starts, ways = edges_of([loop])
    if not _are_many(points, starts):
        squares, _ = _to_sides(points[:, None], starts, ways)
        dense: Floats = np.sqrt(squares.min(axis=1))
        return dense
    i, j = _near_pairs(points, starts, ways)
    squares, _ = _to_sides(points[i], starts[j], ways[j])
    least: Floats = np.sqrt(np.minimum.reduceat(squares, np.searchsorted(i, np.arange(len(points)))))
    return least


def signed_distances_mm(points: Floats, sides: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """(n,) least distance of points (n, 2) from the sides of loops, starts and ways each (e, 2), negative on their left,
    which is inside what they enclose; and (n, 2) the nearest places on them."""
    starts, ways = sides
    # Slivers at a corner point anywhere, so they can't say which side of the corner a point is on.
    long = np.flatnonzero(np.einsum("ij,ij->i", ways, ways) > SLIVER_MM**2)
    starts, ways, rows = starts[long], ways[long], np.arange(len(points))
    # At a corner both sides are equally near; the one that is seen more squarely says it.
    if not _are_many(points, starts):
        squares, turned = _to_sides(points[:, None], starts, ways)
        nearest = np.argmin(squares - SQUARELY * turned * turned, axis=1)
        square, turn = squares[rows, nearest], turned[rows, nearest]
    else:
        i, j = _near_pairs(points, starts, ways)
        squares, turned = _to_sides(points[i], starts[j], ways[j])
        seen = squares - SQUARELY * turned * turned
        least = np.flatnonzero(seen == np.minimum.reduceat(seen, np.searchsorted(i, rows))[i])
        pair = least[np.searchsorted(i[least], rows)]
        nearest, square, turn = j[pair], squares[pair], turned[pair]
    start, way = starts[nearest], ways[nearest]
    share = np.clip(np.einsum("ij,ij->i", points - start, way) / np.einsum("ij,ij->i", way, way), 0.0, 1.0)
    distance: Floats = np.sqrt(square)
    return np.where(turn > 0.0, -distance, distance), start + way * share[:, None]


def _to_sides(points: Floats, starts: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """Squared distances of points (..., 2) from sides (..., 2), and how far to the left of the sides' lines."""
    lengths = np.maximum(np.hypot(ways[:, 0], ways[:, 1]), 1e-15)
    along_x, along_y = ways[:, 0] / lengths, ways[:, 1] / lengths
    x, y = points[..., 0] - starts[:, 0], points[..., 1] - starts[:, 1]
    left: Floats = along_x * y - along_y * x
    past = x * along_x + y * along_y
    past -= np.clip(past, 0.0, lengths)
    squares: Floats = left * left + past * past
    return squares, left


def _are_many(points: Floats, starts: Floats) -> bool:
    return len(starts) >= MANY_SIDES and len(points) * len(starts) >= MANY_PAIRS


def _near_pairs(points: Floats, starts: Floats, ways: Floats) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of points (n, 2) and sides (e, 2), by point and then by side: for each point all sides that can be its
    nearest. Sides that follow each other are looked at as one disc first."""
    middles, half = starts + ways / 2.0, np.hypot(ways[:, 0], ways[:, 1]) / 2.0
    first = np.arange(0, len(starts), TOGETHER)
    discs = np.add.reduceat(middles, first, axis=0) / np.diff(np.append(first, len(starts)))[:, None]
    own = np.arange(len(starts)) // TOGETHER
    radii = np.maximum.reduceat(np.hypot(*(middles - discs[own]).T) + half, first)
    off = np.hypot(points[:, :1] - discs[:, 0], points[:, 1:] - discs[:, 1])
    # How squarely a side is seen changes the order by its share at most.
    least = (off + radii).min(axis=1) * (1.0 + SQUARELY)
    i, disc = np.nonzero(off - radii <= least[:, None])
    i, j = np.repeat(i, TOGETHER), (disc[:, None] * TOGETHER + np.arange(TOGETHER)).ravel()
    real = j < len(starts)
    return i[real], j[real]


INSETS = 40
"""From how many corners of a face, at most, its inset is told. Fewer: dents weigh more."""


def inset_mm(face: Floats, girdle: Floats) -> float:
    """How far inside the girdle a loop runs, mm. Corners and the middles of sides weigh 1 : 2, which is exact for a
    polygon that stands for a curve of the same area."""
    some = np.linspace(0, len(face), min(len(face), INSETS), endpoint=False).astype(int)
    middles = (face[some] + face[(some + 1) % len(face)]) / 2.0
    corner, middle = (float(np.median(distances_mm(points, girdle))) for points in (face[some], middles))
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


@dataclass(frozen=True, eq=False)
class Path:
    """A closed loop (k, 2) by the way along it, mm from its first point."""

    loop: Floats

    @cached_property
    def _closed(self) -> Floats:
        return np.vstack([self.loop, self.loop[:1]])

    @cached_property
    def _run(self) -> Floats:
        run: Floats = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self._closed, axis=0), axis=1))])
        return run

    @property
    def length_mm(self) -> float:
        return float(self._run[-1])

    def points(self, where: Floats) -> Floats:
        """(n, 2) at ways (n,) along it."""
        where = np.mod(where, self._run[-1])
        return np.column_stack([np.interp(where, self._run, self._closed[:, 0]),
                                np.interp(where, self._run, self._closed[:, 1])])

    def normals(self, where: Floats, half_mm: float | Floats) -> Floats:
        """(n, 2) outward unit normals of the chords from `half_mm` before to `half_mm` after."""
        chord = self.points(where + half_mm) - self.points(where - half_mm)
        chord /= np.linalg.norm(chord, axis=1, keepdims=True)
        return np.column_stack([chord[:, 1], -chord[:, 0]])

    def sharpest(self, where: float, within_mm: float, half_mm: float) -> float:
        """The way along it to its corner, no farther than `within_mm` from a way, at which the chords of `half_mm` before
        and after turn most."""
        run = self._run[:-1]
        off = np.abs(np.mod(run - where + self.length_mm / 2.0, self.length_mm) - self.length_mm / 2.0)
        near = run[off <= within_mm]
        if not len(near):
            return where
        chords = self.points(near + half_mm) - self.points(near), self.points(near) - self.points(near - half_mm)
        turn = np.arctan2(chords[1][:, 0] * chords[0][:, 1] - chords[1][:, 1] * chords[0][:, 0],
                          np.einsum("ij,ij->i", *chords))
        return float(near[int(np.argmax(turn))])

    def nearest(self, point: Floats) -> float:
        """The way along it to the place nearest to a point (2,)."""
        ways = np.diff(self._closed, axis=0)
        squares = np.maximum(np.einsum("ij,ij->i", ways, ways), 1e-30)
        share = np.clip(np.einsum("ij,ij->i", point - self.loop, ways) / squares, 0.0, 1.0)
        off = self.loop + ways * share[:, None] - point
        i = int(np.argmin(np.einsum("ij,ij->i", off, off)))
        return float(self._run[i] + share[i] * (self._run[i + 1] - self._run[i]))


def stations_on(loop: Floats, count: int) -> tuple[Floats, Floats]:
    """Points evenly spaced along a loop and outward unit normals of the chords about them, each (count, 2)."""
    path = Path(loop)
    step = path.length_mm / count
    at = (np.arange(count, dtype=np.float64) + 0.5) * step
    return path.points(at), path.normals(at, step)


def is_ring(loops: Sequence[Floats]) -> bool:
    """True if a section is one piece with one hole."""
    return len(loops) == 2 and area_mm2(loops[:1]) * area_mm2(loops[1:]) < 0.0


def hollow_deg(loop: Floats) -> float:
    """How far the corners of a counter-clockwise loop turn the wrong way in all: 0 for a convex one."""
    ways = np.concatenate([loop[1:], loop[:1]]) - loop
    after = np.concatenate([ways[1:], ways[:1]])
    turn = np.arctan2(ways[:, 0] * after[:, 1] - ways[:, 1] * after[:, 0], np.einsum("ij,ij->i", ways, after))
    return math.degrees(-float(np.minimum(turn, 0.0).sum()))


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
