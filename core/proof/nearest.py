"""The nearest of many sides from many places, at one height or at several.

What is no farther from a place than a side that is known lies within an angle about the middle, so that of sides in the order
of their angles only a few need to be tried.
"""
from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats
from ..solid.slicer import runs_of

SLIVER_MM = 1e-4
"""Sides shorter than this are slivers where surfaces cross. Larger: fine curves lose their sides."""

SQUARELY = 0.01
"""How much a side counts as nearer for being seen squarely. Larger: a side that is a little nearer is passed over."""

PIECE_MM = 0.3
"""How long a piece of a side may be that is taken as one place at first. Only the time taken depends on it."""

FIRST_TRIED = 4
"""How many pieces before and after a place, by their angles, are tried first. Only the time taken depends on it."""

PAIRS = 12000
"""How many pairs of places and pieces are looked at in one go: what is worked on stays small enough for the processor's own
memory. Only the time taken depends on it."""

ROUNDING_RAD = 1e-9
"""By which angles may be off for rounding alone. Smaller: what is just near enough is passed by."""

TURN = 2.0 * math.pi
APART = 4.0 * TURN
"""Radians; by the second, the angles of one height lie apart from those of the next."""


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Pieces of sides by height and angle: firsts (h + 1,) where those of each height begin; angles (p,), with APART for each
    height before; x, y, far_mm (p,) of their middles from the middle of all; side (p,): whose piece it is; half_mm: of the
    longest; least_mm, most_mm (h,): how near to the middle and far from it they lie."""

    firsts: np.ndarray
    angles: Floats
    x: Floats
    y: Floats
    far_mm: Floats
    side: np.ndarray
    half_mm: float
    least_mm: Floats
    most_mm: Floats


@dataclass(frozen=True, eq=False)
class Sides:
    """Sides of sections: starts and ways, each (e, 2), those of one height together, and firsts (h + 1,): where those of
    each height begin; middle (2,): about which they run, more or less."""

    starts: Floats
    ways: Floats
    firsts: np.ndarray
    middle: Floats

    def without_slivers(self) -> Sides:
        """At a corner a sliver points anywhere, so it can't say which side of the corner a place is on."""
        is_long = np.einsum("ij,ij->i", self.ways, self.ways) > SLIVER_MM ** 2
        if is_long.all():
            return self
        firsts = np.concatenate([[0], np.cumsum(is_long)])[self.firsts].astype(np.int32)
        return Sides(self.starts[is_long], self.ways[is_long], firsts, self.middle)

    @cached_property
    def _lines(self) -> tuple[Floats, ...]:
        """x and y of the starts from the middle, x and y of the unit ways, and lengths, each (e,)."""
        (x, y), (way_x, way_y) = (self.starts - self.middle).T, self.ways.T
        lengths = np.maximum(np.hypot(way_x, way_y), 1e-15)
        return np.ascontiguousarray(x), np.ascontiguousarray(y), way_x / lengths, way_y / lengths, lengths

    @cached_property
    def _pieces(self) -> _Pieces:
        x, y, way_x, way_y, lengths = self._lines
        height = np.repeat(np.arange(len(self.firsts) - 1), np.diff(self.firsts))
        many = np.ceil(lengths / PIECE_MM).astype(np.int32).clip(1)
        side = np.repeat(np.arange(len(x)), many)
        length = (lengths / many)[side]
        along = (runs_of(np.zeros(len(many), np.int32), many) + 0.5) * length
        x, y, height = x[side] + way_x[side] * along, y[side] + way_y[side] * along, height[side]
        angles = np.arctan2(y, x) + APART * height
        order = np.argsort(angles)
        counts = np.bincount(height, minlength=len(self.firsts) - 1)
        far = np.hypot(x, y)
        least, most = np.full(len(counts), np.inf), np.zeros(len(counts))
        np.minimum.at(least, height, far)
        np.maximum.at(most, height, far)
        return _Pieces(np.concatenate([[0], np.cumsum(counts)]), angles[order], x[order], y[order], far[order], side[order],
                       float(length.max(initial=0.0)) / 2.0, least, most)

    def signed_distances_mm(self, points: Floats, heights: np.ndarray, within_mm: float = math.inf) -> tuple[Floats, Floats]:
        """(n,) least distance of points (n, 2) from the sides at their height (n,), an index, negative on their left, which
        is inside what they enclose, inf beyond `within_mm`; and (n, 2) the nearest places on them, the points themselves
        where there are none."""
        ways, sides = self.nearest(points, heights, within_mm, SQUARELY)
        met = np.flatnonzero(sides >= 0)
        start, way = self.starts[sides[met]], self.ways[sides[met]]
        share = np.einsum("ij,ij->i", points[met] - start, way) / np.einsum("ij,ij->i", way, way)
        feet = points.copy()
        feet[met] = start + way * np.clip(share, 0.0, 1.0)[:, None]
        return ways, feet

    def nearest(self, points: Floats, heights: np.ndarray, within_mm: float = math.inf,
                squarely: float = 0.0) -> tuple[Floats, np.ndarray]:
        """(n,) mm from points (n, 2) to the nearest side at their height (n,), an index, negative on its left, and (n,) which
        side that is; inf and -1 where there is none `within_mm`. At a corner both sides are equally near: seen `squarely`
        one counts as nearer, by that share."""
        ways, sides = np.full(len(points), np.inf), np.full(len(points), -1, np.int64)
        pieces = self._pieces
        real = np.flatnonzero(np.diff(pieces.firsts)[heights])
        x, y = (points[real] - self.middle).T
        far, turns = np.hypot(x, y), np.arctan2(y, x)
        angles = turns + APART * heights[real]
        reach = np.minimum(self._first_try(x, y, angles, heights[real]) * (1.0 + squarely), within_mm) + pieces.half_mm
        about = self._widest_rad(far, reach, heights[real])
        # What lies across the end of the full turn comes second.
        across = angles + np.where(turns < about - math.pi, TURN, -TURN)
        low = np.searchsorted(pieces.angles, np.column_stack([angles - about, across - about]))
        many = np.searchsorted(pieces.angles, np.column_stack([angles + about, across + about]), "right") - low
        each = many.sum(axis=1)
        for own in _portions(np.cumsum(each)):
            i, j = np.repeat(np.arange(own.start, own.stop), each[own]), runs_of(low[own].ravel(), many[own].ravel())
            kept = np.flatnonzero(np.abs(pieces.far_mm[j] - far[i]) <= reach[i])
            if not len(kept):
                continue
            i, j, square, left = self._nearest_of(x, y, i[kept], pieces.side[j[kept]], squarely)
            ways[real[i]], sides[real[i]] = np.where(left > 0.0, -np.sqrt(square), np.sqrt(square)), j
        beyond = np.abs(ways) > within_mm
        ways[beyond], sides[beyond] = np.inf, -1
        return ways, sides

    def _widest_rad(self, far: Floats, reach: Floats, heights: np.ndarray) -> Floats:
        """(n,) how far to either side pieces no farther than `reach` from a place can lie, seen from the middle."""
        pieces = self._pieces
        # By the law of cosines widest where the way to the piece touches it, or else at the end of their range.
        out = np.clip(np.sqrt(np.maximum(far * far - reach * reach, 0.0)), pieces.least_mm[heights], pieces.most_mm[heights])
        cos = (far * far + out * out - reach * reach) / np.maximum(2.0 * far * out, 1e-12)
        widest: Floats = np.arccos(np.clip(cos, -1.0, 1.0)) + ROUNDING_RAD
        return widest

    def _first_try(self, x: Floats, y: Floats, angles: Floats, heights: np.ndarray) -> Floats:
        """(n,) mm to the nearest of some pieces that lie in a direction."""
        pieces = self._pieces
        at = np.searchsorted(pieces.angles, angles) + np.arange(-FIRST_TRIED, FIRST_TRIED)[:, None]
        j = np.minimum(np.maximum(at, pieces.firsts[heights]), pieces.firsts[heights + 1] - 1)
        nearest: Floats = np.sqrt(((pieces.x[j] - x) ** 2 + (pieces.y[j] - y) ** 2).min(axis=0))
        return nearest

    def _nearest_of(self, x: Floats, y: Floats, i: np.ndarray, j: np.ndarray,
                    squarely: float) -> tuple[np.ndarray, np.ndarray, Floats, Floats]:
        """Of pairs of points and sides, by point: each point, its nearest side, the squared distance, and how far to the
        side's left the point is."""
        start_x, start_y, way_x, way_y, lengths = (each[j] for each in self._lines)
        off_x, off_y = x[i] - start_x, y[i] - start_y
        left = way_x * off_y - way_y * off_x
        past = off_x * way_x + off_y * way_y
        past -= np.minimum(np.maximum(past, 0.0), lengths)
        past *= past
        squares = left * left
        seen = past + squares * (1.0 - squarely)
        squares += past
        begins = np.concatenate([[0], np.flatnonzero(i[1:] != i[:-1]) + 1])
        least = np.repeat(np.minimum.reduceat(seen, begins), np.diff(np.append(begins, len(i))))
        equal = np.flatnonzero(seen == least)
        pick = equal[np.searchsorted(i[equal], i[begins])]
        return i[pick], j[pick], squares[pick], left[pick]


def _portions(tried: np.ndarray) -> Iterator[slice]:
    """Slices of places, by how many pairs (n,) are tried up to and with each of them."""
    start = 0
    while start < len(tried):
        before = int(tried[start - 1]) if start else 0
        stop = max(int(np.searchsorted(tried, before + PAIRS)), start + 1)
        yield slice(start, stop)
        start = stop
