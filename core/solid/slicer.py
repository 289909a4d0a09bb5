"""Sections of a solid at many places at once, level or upright round an axis, as sides that are not joined into loops unless a
section of each body is asked for; and where lines at any height meet its walls.

The kernel cuts one height at a time and joins what it cuts. Where only the way to the nearest metal counts, or the size of a
section, all together are several times as quick.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats, Ints, cross, ordered

ALONE = np.array([0, 0, 1, 2, 2, 1, 0, 0])
"""Which corner of a triangle is alone on its side of a height, by the sum of 1, 2 and 4 for the corners above it."""

BEGIN, END = ALONE + [0, 1, 1, 2, 1, 2, 2, 0], ALONE + [0, 2, 2, 1, 2, 1, 1, 0]
"""To which corner after that the edge runs in which the cut begins, metal on its left, and in which it ends."""

LOWEST, HIGHEST = np.array([0, 0, 1, 0, 2, 2, 1, 0]), np.array([1, 1, 2, 2, 0, 1, 0, 1])
"""Which corner of a triangle is the lowest, and the highest, by the sum of 1, 2 and 4 for those that are no higher than the
next."""

OFF_LINE = 0.3819
"""By which share of a step upright sections lie beside the directions that drawings have corners in. Nought: a section runs
along edges, and is found or not by rounding."""


class Slicer:
    """The surface of a solid, (n, 3) vertices and (t, 3) triangles, ready to be cut at any height."""

    def __init__(self, vertices: Floats, triangles: Ints) -> None:
        self._triangles = triangles
        self._x, self._y, self._z = np.ascontiguousarray(vertices.T)
        first, second, third = heights = self._z[triangles.T]
        order = self._order = (first <= second) + 2 * (second <= third) + 4 * (third <= first)
        self._low, self._high = (each(each(first, second), third) for each in (np.minimum, np.maximum))
        corners, begins = triangles.ravel(), np.arange(0, 3 * len(triangles), 3)
        self._middle = heights.T.ravel()[begins + (3 - LOWEST - HIGHEST)[order]]
        # Of each triangle the corner that is alone on its side, and the two to which the edges run in which a cut begins,
        # metal on its left, and ends: where the lowest is alone, and after all those where the highest is.
        self._alone, self._begin, self._end = (
            corners[np.concatenate([begins + ((LOWEST + a) % 3)[order], begins + ((HIGHEST + b) % 3)[order]])]
            for a, b in ((0, 0), (2, 1), (1, 2)))

    def sides_at(self, heights_mm: Floats) -> tuple[Floats, Floats, Ints]:
        """Starts and ways, each (e, 2), of the sides of the level cuts at heights (h,), in the order of the heights, with
        the metal on their left; and (h + 1,) where the sides of each height begin."""
        starts, ways, level, _ = self.cut_at(heights_mm)
        return starts, ways, np.searchsorted(level, np.arange(len(heights_mm) + 1)).astype(np.int32)

    def cut_at(self, heights_mm: Floats) -> tuple[Floats, Floats, np.ndarray, np.ndarray]:
        """The same starts and ways, and (e,) at which height each side is and which triangle it crosses."""
        level, triangle = np.nonzero((self._low <= heights_mm[:, None]) & (self._high > heights_mm[:, None]))
        starts, ways = self._sides(self._which(triangle, heights_mm[level]), heights_mm[level])
        return starts, ways, level, triangle

    def sides_of_each(self, firsts: Sequence[int], heights_mm: Sequence[Floats]) -> tuple[Floats, Floats, np.ndarray]:
        """The same starts and ways of several bodies, whose triangles begin at firsts (n + 1,), each cut at its own heights
        (k,): one body after the other; and how many sides each cut has."""
        triangle, level, heights = self._crossed(firsts, heights_mm)
        starts, ways = self._sides(self._which(triangle, heights[level]), heights[level])
        return starts, ways, np.bincount(level, minlength=len(heights))

    def loops_of_each(self, firsts: Sequence[int], heights_mm: Sequence[Floats]) -> list[list[Floats]]:
        """The same cuts as loops (k, 2): outer ones counter-clockwise, holes clockwise. What touches along an upright edge may be one
        loop, which meets itself there, or several."""
        triangle, level, heights = self._crossed(firsts, heights_mm)
        which, every = self._which(triangle, heights[level]), np.arange(len(level))
        starts, _ = self._sides(which, heights[level])
        # A side is followed by that of the triangle across the edge that it ends in.
        count = len(self._low)
        following = np.searchsorted(level * count + triangle, level * count + self._after[which])
        steps = int(np.bincount(level).max(initial=1)).bit_length()
        first = _least_of_each(following, steps)
        # How far each is from the last of its loop, each time by twice as many steps.
        ahead = np.where(following == first, every, following)
        away = (following != first).astype(np.int64)
        for _ in range(steps):
            away, ahead = away + away[ahead], ahead[ahead]
        starts = starts[np.argsort((first + 1) * (len(every) + 1) - away)]
        begins = np.flatnonzero(first == every)
        ends = np.cumsum(np.bincount(first, minlength=len(every))[begins]).tolist()
        loops: list[list[Floats]] = [[] for _ in heights]
        for nth, begin, end in zip(level[begins].tolist(), [0, *ends], ends):
            loops[nth].append(starts[begin:end])
        return loops

    def _crossed(self, firsts: Sequence[int], heights_mm: Sequence[Floats]) -> tuple[np.ndarray, np.ndarray, Floats]:
        """(e,) triangles of several bodies that their own cuts cross, and (e,) at which of all heights (h,), in their order."""
        heights, count = np.concatenate(heights_mm), sum(map(len, heights_mm))
        # By their ranks among all heights, with the bodies one after the other, so that rounding takes none for another.
        ranked = np.argsort(heights)
        keys = np.empty(count, np.int64)
        keys[ranked] = np.arange(count)
        keys += np.repeat(np.arange(len(heights_mm)) * (count + 1), list(map(len, heights_mm)))
        order = np.argsort(keys)
        own = np.repeat(np.arange(len(heights_mm)) * (count + 1), np.diff(firsts))
        first, after = (np.searchsorted(keys[order], np.searchsorted(heights[ranked], each) + own) for each in (self._low, self._high))
        many = after - first
        triangle, level = np.repeat(np.arange(len(many)), many), order[runs_of(first, many)]
        along = ordered(level)
        return triangle[along], level[along], heights

    @cached_property
    def _after(self) -> np.ndarray:
        """(2t,) which triangle lies across the edge in which a cut ends: where the lowest corner is alone, and after all those
        where the highest is."""
        here = self._triangles.astype(np.int64)
        ahead = np.roll(here, -1, axis=1).ravel()
        here = here.ravel()
        # An edge is used as often one way as the other, and a cut that ends in it goes on in a use the other way: of two, where
        # metal touches itself along the edge, in either.
        keys, is_up = np.minimum(here, ahead) * len(self._z) + np.maximum(here, ahead), here < ahead
        one, other = (uses[ordered(keys[uses])] for uses in (np.flatnonzero(is_up), np.flatnonzero(~is_up)))
        across = np.empty(len(keys), np.int64)
        across[one], across[other] = other // 3, one // 3
        begins = np.arange(0, len(here), 3)
        # Where the lowest is alone a cut ends in the edge from there on, where the highest is in that to it.
        return np.concatenate([across[begins + LOWEST[self._order]], across[begins + ((HIGHEST + 2) % 3)[self._order]]])

    def _which(self, triangle: np.ndarray, height: Floats) -> np.ndarray:
        """(e,) in what is known of triangles whose lowest corner is alone, and after those of all whose highest is, where cuts
        (e,) find theirs."""
        return np.asarray(triangle + len(self._low) * (self._middle[triangle] <= height))

    def _sides(self, which: np.ndarray, height: Floats) -> tuple[Floats, Floats]:
        alone = self._alone[which]
        x, y, z = self._x[alone], self._y[alone], self._z[alone]
        up = height - z
        starts, ways = np.empty((2, len(which), 2))
        for corner, place in ((self._begin[which], starts), (self._end[which], ways)):
            share = up / (self._z[corner] - z)
            place[:, 0] = x + (self._x[corner] - x) * share
            place[:, 1] = y + (self._y[corner] - y) * share
        ways -= starts
        return starts, ways


def round_sides(vertices: Floats, triangles: Ints, axis: Floats, turns: int) -> tuple[Floats, Floats, np.ndarray]:
    """The sides of a ring's upright sections by half-planes from an axis (2,) that stands within it, at so many even turns,
    the first by `OFF_LINE` of a step past x: starts and ways, each (e, 2), way out from the axis and height, mm; (e,) at which
    turn each is. Of metal that closes over the axis, which is no ring, they stay within its bounds."""
    x, y = (vertices[:, :2] - axis).T
    lowest = [0.0, float(vertices[:, 2].min())]
    highest = [math.sqrt(float((x * x + y * y).max())), float(vertices[:, 2].max())]
    step = 2.0 * math.pi / turns
    turn = (np.arctan2(y, x) / step - OFF_LINE)[triangles.T]
    # Of each triangle the corners' turns as they follow each other, not across the end of the full turn.
    turn[1:] -= turns * np.round((turn[1:] - turn[0]) / turns)
    low, high = (each(each(turn[0], turn[1]), turn[2]) for each in (np.minimum, np.maximum))
    first = np.floor(low).astype(np.int64) + 1
    many = np.floor(high).astype(np.int64) - first + 1
    met = np.flatnonzero(many)
    turn, first, many, count = turn[:, met], first[met], many[met], len(met)
    # The corners of each in the order in which they are passed: first, middle and last.
    first_met, last_met = (np.where(turn[0] == each, 0, np.where(turn[1] == each, 1, 2)) for each in (low[met], high[met]))
    order = np.stack([first_met, 3 - first_met - last_met, last_met])
    middle, corners = turn[order[1], np.arange(count)], triangles[met, order]
    x, y, z = x[corners], y[corners], vertices[:, 2][corners]
    # Edges from first to last, first to middle and middle to last. With d from an edge's start a to its end, a way c out is met
    # at a x d / (c x d), and likewise at which height.
    start, end = [0, 0, 1], [2, 1, 2]
    way_x, way_y, way_z = ((each[end] - each[start]).ravel() for each in (x, y, z))
    x, y, z = (each[start].ravel() for each in (x, y, z))
    edges = np.stack([way_y, way_x, x * way_y - y * way_x, z * way_y - y * way_z, z * way_x - x * way_z])
    triangle, at = np.repeat(np.arange(count), many), runs_of(first, many)
    whole, part = triangle, triangle + count * np.where(at <= middle[triangle], 1, 2)
    is_even = ((order[1] - order[0]) % 3 == 1)[triangle]
    at %= turns
    angles = (np.arange(turns) + OFF_LINE) * step
    cos, sin = np.cos(angles)[at], np.sin(angles)[at]
    starts, stops = (np.clip(_round_crossed(edges[:, each], cos, sin), lowest, highest)
                     for each in (np.where(is_even, whole, part), np.where(is_even, part, whole)))
    return starts, stops - starts, at


def _round_crossed(edges: Floats, cos: Floats, sin: Floats) -> Floats:
    """(e, 2) how far out and how high ways out (e,) meet edges (5, e)."""
    way_y, way_x, out, up, aside = edges
    over = 1.0 / np.maximum(way_y * cos - way_x * sin, 1e-15)
    return np.column_stack([out * over, (up * cos - aside * sin) * over])


@dataclass(frozen=True, eq=False)
class Loops:
    """Loops of several sections side by side: starts and ways (e, 2), way out and height, mm, of sides with the metal on their
    left, (e,) which section and which loop each is of, and (l,) the first side of each loop."""

    starts: Floats
    ways: Floats
    section: np.ndarray
    of: np.ndarray
    first: np.ndarray


def upright_loops(vertices: Floats, triangles: Ints, axis: Floats, turns: Floats) -> Loops:
    """The loops of the sections by whole planes through an upright axis (2,), turned so far from x (p,), rad, with the way out
    that way."""
    cos, sin = np.cos(turns), np.sin(turns)
    x, y = (vertices[:, :2] - axis).T
    side = np.outer(x, sin) - np.outer(y, cos)
    # Most triangles are met by no plane: those have all corners on one side of all of them.
    one, two, three = np.packbits(side > 0.0, axis=1)[triangles.T]
    plane, _, corner, begin, end = _upright_met(side, triangles[((one ^ two) | (one ^ three)).any(axis=1)])
    # A side begins where the one before ends: at the same edge of the surface.
    count = len(vertices)
    begins, ends = (np.argsort((plane * count + np.minimum(corner, other)) * count + np.maximum(corner, other))
                    for other in (begin, end))
    following = np.empty(len(plane), np.int64)
    following[ends] = begins
    share = side[corner, plane] / (side[corner, plane] - side[begin, plane])
    x, y, up = (each[corner] + share * (each[begin] - each[corner]) for each in (x, y, vertices[:, 2]))
    starts = np.column_stack([x * cos[plane] + y * sin[plane], up])
    first, of = np.unique(_least_of_each(following, int(np.bincount(plane).max(initial=1)).bit_length()), return_inverse=True)
    return Loops(starts, starts[following] - starts, plane, of, first)


def _least_of_each(following: np.ndarray, steps: int) -> np.ndarray:
    """(e,) the least number in the loop that each is in, of which none is longer than 2 to the power of `steps`: each time from
    twice as far ahead."""
    least, ahead = np.arange(len(following)), following
    for _ in range(steps):
        least, ahead = np.minimum(least, least[ahead]), ahead[ahead]
    return least


def _upright_met(side: Floats, triangles: Ints) -> tuple[np.ndarray, ...]:
    """Where planes cross triangles (t, 3), by how far the vertices lie to one side of each (n, p): each (e,) which plane,
    which triangle, which vertex is alone on its side, and to which others the edges run in which the cut begins and ends."""
    first, second, third = (side > 0.0).view(np.int8)[triangles.T]
    above = (first + 2 * second + 4 * third).ravel()
    # Neither 0, all below, nor 7, all above.
    crossed = np.flatnonzero((above + 1) & 6 != 0)
    triangle, plane = np.divmod(crossed, side.shape[1])
    above, corners = above[crossed], triangles.ravel()
    corner, begin, end = (corners[3 * triangle + (each % 3)[above]].astype(np.int64) for each in (ALONE, BEGIN, END))
    return plane, triangle, corner, begin, end


class Across:
    """The surface of a solid, (n, 3) vertices and (t, 3) triangles, under level lines from places (p, 2) along unit ways (p, 2),
    which may run at any height."""

    def __init__(self, vertices: Floats, triangles: Ints, places: Floats, ways: Floats) -> None:
        (x, y, z), (way_x, way_y) = np.ascontiguousarray(vertices.T), ways.T
        side = np.outer(y, way_x) - np.outer(x, way_y) - (way_x * places[:, 1] - way_y * places[:, 0])
        line, triangle, corner, *others = _upright_met(side, triangles)
        count, side, way_x, way_y = len(ways), side.ravel(), way_x[line], way_y[line]
        off, x_0, y_0, up = side[count * corner + line], x[corner], y[corner], z[corner]
        far = x_0 * way_x + y_0 * way_y - np.einsum("ij,ij->i", places, ways)[line]
        ends = []
        for other in others:
            share = off / (off - side[count * other + line])
            ends.append((far + share * ((x[other] - x_0) * way_x + (y[other] - y_0) * way_y), up + share * (z[other] - up)))
        (self._far, self._low), (far, self._high) = ends
        self._more, self._line = far - self._far, line
        self._ways, self._vertices, self._corners = ways, vertices, triangles[triangle]

    def at(self, heights_mm: Floats) -> tuple[np.ndarray, np.ndarray, Floats, np.ndarray]:
        """Each (c,), in no order: at which of heights (h,) and on which line the surface is crossed, how far along, mm, and a
        number for what is crossed there."""
        level, nth = np.nonzero((self._low <= heights_mm[:, None]) != (self._high <= heights_mm[:, None]))
        low, high = self._low[nth], self._high[nth]
        return level, self._line[nth], self._far[nth] + self._more[nth] * ((heights_mm[level] - low) / (high - low)), nth

    def along(self, nth: np.ndarray) -> Floats:
        """(c,) how much of its level cut runs along the line at what is crossed (c,): from 0, where it is square to it, to 1."""
        first, second, third = self._vertices[self._corners[nth]].transpose(1, 0, 2)
        x, y, _ = cross(second - first, third - first).T
        way_x, way_y = self._ways[self._line[nth]].T
        share: Floats = np.abs(x * way_y - y * way_x) / np.maximum(np.hypot(x, y), 1e-15)
        return share


def runs_of(first: np.ndarray, many: np.ndarray) -> np.ndarray:
    """first, first + 1 … of each run, one run after the other."""
    ends = np.cumsum(many)
    runs: np.ndarray = np.arange(int(ends[-1]) if len(ends) else 0) + np.repeat(first - (ends - many), many)
    return runs
