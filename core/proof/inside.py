"""Metal inside a convex stone, from the faces of both and without a boolean: how much both claim, and how deep it
reaches.

What both claim is bounded by pieces of the metal's triangles and of the stone's facets, and those by edges, each
between a piece on its left and one on its right. Its volume is the sum over these edges alone (divergence theorem): a
sixth of the product of both ends' vectors with the way from a point of the right piece's plane to one of the left's.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints, PolyMesh, cross, ordered
from ..solid.slicer import runs_of
from .loops import in_rows

NUDGE_MM = 1e-9 * np.array([0.36, 0.48, 0.8])
"""By how much the metal is moved aside, (3,), so that no face lies on a facet and no edge meets one. Larger: the volume
would be off by as much times the surface; smaller: rounding would tell what meets."""

DEEP_MM = 1e-4
"""How much deeper metal may reach into the stone than is found. Smaller: longer searches."""

ACROSS, TOGETHER = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 1.0, 0.0], [1.0, -1.0, 0.0]]), 16
"""Along which ways it is told what may meet, and how many triangles are first taken as one. Only the time taken depends on
them."""

SOME = 16
"""From how many corners it is told whether metal holds a stone whole that it does not meet. Fewer: those that only lie
on the metal would tell."""

FINE, EVERY = 600, 8
"""From how many planes on every which of them is tried first. Only the time taken depends on them."""

ROUNDS = 60
"""How often triangles are looked at. Fewer: the deepest place would be passed over; more: only rounding."""


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edges (e,) of a closed surface: first and second corner, the face on the left, seen from outside, and the one on
    the right."""

    first: Ints
    second: Ints
    left: Ints
    right: Ints

    @classmethod
    def of(cls, corners: Ints, after: Ints, faces: Ints) -> _Edges:
        """From each face's corners and those after them, (c,) each, and the faces that they belong to; edges of which
        only one face is there are left out."""
        many = int(corners.max(initial=0)) + 1
        keys = np.minimum(corners, after).astype(np.int64) * many + np.maximum(corners, after)
        order = ordered(keys)
        pairs = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
        one, other = order[pairs], order[pairs + 1]
        return cls(corners[one], after[one], faces[one], faces[other])


def volume_in_common(vertices: Floats, triangles: Ints, stone: PolyMesh,
                     holds: Callable[[Floats], np.ndarray]) -> float | None:
    """mm3 that metal and a convex stone both claim. vertices (n, 3) and triangles (t, 3) of the metal's surface, of
    which those that lie outside one facet's plane may be missing; holds: whether the metal holds points (n, 3). None if
    rounding left open what meets what."""
    middle = stone.vertices.mean(axis=0)
    own, metal = stone.vertices - middle, vertices - middle + NUDGE_MM
    normals, of_facet = stone.face_normals(), own[stone.corners[stone.starts[:-1]]]
    of_triangle = metal[triangles[:, 0]]
    owner = np.repeat(np.arange(len(triangles), dtype=np.int32), 3)
    sides = _Edges.of(triangles.ravel(), np.roll(triangles, -1, axis=1).ravel(), owner)
    edges = _Edges.of(stone.corners, stone.corners_after(), np.repeat(np.arange(len(stone)), stone.sizes))

    total, begins, ends = 0.0, [], []
    # The metal's own edges within the stone.
    kept, comes, goes, way_in, way_out = _within(metal, sides, normals, np.einsum("ij,ij->i", normals, of_facet))
    first, ways = metal[sides.first[kept]], metal[sides.second[kept]] - metal[sides.first[kept]]
    left, right = sides.left[kept], sides.right[kept]
    starts, stops = first + comes[:, None] * ways, first + goes[:, None] * ways
    total += _of_edges(starts, stops, of_triangle[left] - of_triangle[right])
    for points, facets, is_met, one, other in ((stops, way_out, goes < 1.0, left, right),
                                               (starts, way_in, comes > 0.0, right, left)):
        points, facets = points[is_met], facets[is_met]
        begins.append((one[is_met], facets, points))
        ends.append((other[is_met], facets, points))
    # The stone's edges within the metal.
    triangle, edge, share, leaves = _pierced(metal[triangles], own, edges)
    origin, way = own[edges.first], own[edges.second] - own[edges.first]
    points = origin[edge] + share[:, None] * way[edge]
    for is_met, one, other in ((leaves, edges.right, edges.left), (~leaves, edges.left, edges.right)):
        begins.append((triangle[is_met], one[edge[is_met]], points[is_met]))
        ends.append((triangle[is_met], other[edge[is_met]], points[is_met]))
    within = np.bincount(edge, np.where(leaves, share, -share), len(way))
    within += (_are_held(len(own), edges, edge, share, leaves)[edges.second] if len(edge) else
               holds(stone.vertices[::1 + len(own) // SOME]).all())
    total += float(np.einsum("ij,ij,i->", cross(origin, way), of_facet[edges.left] - of_facet[edges.right], within))
    # Where triangles run through facets.
    of_begin, of_end = (tuple(map(np.concatenate, zip(*each))) for each in (begins, ends))
    keys, orders = [], []
    for on_triangle, on_facet, _ in (of_begin, of_end):
        key = on_triangle.astype(np.int64) * len(stone) + on_facet
        orders.append(ordered(key))
        keys.append(key[orders[-1]])
    if len(keys[0]) != len(keys[1]) or (keys[0] != keys[1]).any() or (keys[0][1:] == keys[0][:-1]).any():
        return None
    i, j = keys[0] // len(stone), keys[0] % len(stone)
    total += _of_edges(of_begin[2][orders[0]], of_end[2][orders[1]], of_triangle[i] - of_facet[j])
    return total / 6.0


def _of_edges(starts: Floats, stops: Floats, ways: Floats) -> float:
    return float(np.einsum("ij,ij->", cross(starts, stops), ways))


def _within(points: Floats, edges: _Edges, normals: Floats,
            offsets: Floats) -> tuple[np.ndarray, Floats, Floats, np.ndarray, np.ndarray]:
    """Which edges between points (n, 3) run through the body below all planes, (k,), from which share of their way to
    which, and through which planes they come and go."""
    used = np.zeros(len(points), np.int32)
    used[edges.first] = used[edges.second] = 1
    own = np.flatnonzero(used)
    used[own] = np.arange(len(own))
    above = points[own] @ normals.T
    above -= offsets
    is_above = above > 0.0
    bits = np.packbits(is_above, axis=1)
    kept = np.flatnonzero(~(bits[used[edges.first]] & bits[used[edges.second]]).any(axis=1))
    first, second = used[edges.first[kept]], used[edges.second[kept]]
    edge, plane = np.divmod(np.flatnonzero(is_above[first] != is_above[second]), len(offsets))
    before, past = (above.ravel()[ends[edge] * len(offsets) + plane] for ends in (first, second))
    share, enters = before / (before - past), before > 0.0
    comes, way_in = _last_of_each(share[enters], plane[enters], edge[enters], len(kept))
    leaves, way_out = _last_of_each(1.0 - share[~enters], plane[~enters], edge[~enters], len(kept))
    goes = 1.0 - leaves
    runs = np.flatnonzero(comes < goes)
    return kept[runs], comes[runs], goes[runs], way_in[runs], way_out[runs]


def _last_of_each(shares: Floats, planes: np.ndarray, edges: np.ndarray, count: int) -> tuple[Floats, Ints]:
    """(count,) the greatest share of each edge, of those given in the order of the edges, 0 where there is none, and
    its plane."""
    greatest, at = np.zeros(count), np.zeros(count, np.int32)
    if len(edges):
        starts = np.flatnonzero(np.append(True, edges[1:] != edges[:-1]))
        greatest[edges[starts]] = np.maximum.reduceat(shares, starts)
        is_it = shares == greatest[edges]
        at[edges[is_it]] = planes[is_it]
    return greatest, at


def _pierced(corners: Floats, points: Floats, edges: _Edges) -> tuple[Ints, Ints, Floats, np.ndarray]:
    """Which triangles (t, 3, 3) edges between points (n, 3) pass through, and which edges, (k,) each, at which share of
    their way, and whether they leave there what the triangles enclose."""
    i, j = _beside(corners, points[edges.first], points[edges.second])
    normals = cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    before, past = (np.einsum("ij,ij->i", points[ends[j]] - corners[i, 0], normals[i]) for ends in (edges.first, edges.second))
    may = np.flatnonzero((before > 0.0) != (past > 0.0))
    i, j, before, past = i[may], j[may], before[may], past[may]
    origin = points[edges.first[j]]
    way, leaves = points[edges.second[j]] - origin, before <= 0.0
    off = corners[i] - origin[:, None]
    # The side that two triangles share is passed on the left of the one or of the other, whatever rounding does.
    turns = np.einsum("ikj,ij->ik", cross(off, off[:, [1, 2, 0]]), way) > 0.0
    met = np.flatnonzero((turns == leaves[:, None]).all(axis=1))
    before, past = before[met], past[met]
    return i[met].astype(np.int32), j[met].astype(np.int32), before / (before - past), leaves[met]


def _beside(corners: Floats, starts: Floats, stops: Floats) -> tuple[Ints, Ints]:
    """Which triangles (t, 3, 3) and which edges from starts to stops (e, 3) reach over the same lengths of all `ACROSS`, (k,)
    each. Neighbours among the triangles mostly lie near each other, so that several are first taken as one."""
    least, most = (extreme.reduce([ACROSS @ corners[:, k].T for k in range(3)]) for extreme in (np.minimum, np.maximum))
    ends = ACROSS @ starts.T, ACROSS @ stops.T
    low, high = np.minimum(*ends), np.maximum(*ends)
    begins = np.arange(0, len(corners), TOGETHER)
    lowest, highest = np.minimum.reduceat(least, begins, axis=1), np.maximum.reduceat(most, begins, axis=1)
    may = np.ones((len(starts), len(begins)), bool)
    for axis in range(len(ACROSS)):
        may &= low[axis, :, None] < highest[axis]
        may &= high[axis, :, None] > lowest[axis]
    j, several = np.divmod(np.flatnonzero(may), len(begins))
    many = np.diff(np.append(begins, len(corners)))[several]
    i, j = runs_of(begins[several], many), np.repeat(j, many)
    for axis in range(len(ACROSS)):
        reach = np.flatnonzero((low[axis][j] < most[axis][i]) & (high[axis][j] > least[axis][i]))
        i, j = i[reach], j[reach]
    return i, j


def _are_held(count: int, edges: _Edges, edge: Ints, share: Floats, leaves: np.ndarray) -> np.ndarray:
    """(count,) bool: which ends of edges metal holds, by where they come out of it or go in, (k,) each and not none:
    what leaves it first was held from its start."""
    held = np.full(count, -1, np.int8)
    order = np.lexsort((share, edge))
    firsts = np.flatnonzero(np.append(True, np.diff(edge[order]) > 0))
    lasts = np.append(firsts[1:], len(order)) - 1
    held[edges.first[edge[order[firsts]]]] = leaves[order[firsts]]
    held[edges.second[edge[order[lasts]]]] = ~leaves[order[lasts]]
    is_whole = np.bincount(edge, minlength=len(edges.first)) == 0
    one, other = edges.first[is_whole], edges.second[is_whole]
    # What no triangle parts is held alike.
    while (parted := held[one] != held[other]).any():
        known = np.maximum(held[one], held[other])[parted]
        held[one[parted]] = held[other[parted]] = known
    return held > 0


def deepest(triangles: Floats, normals: Floats, offsets: Floats) -> tuple[float, Floats]:
    """How deep triangles (n, 3, 3) reach below all of some planes, normals (f, 3) outwards and offsets (f,): mm, 0 if
    they do not, and (3,) where.

    Any two planes bound the depth of a triangle, and tell where it can be so deep; the plane that is nearest there
    takes the place of one of them. Where that leads on too little, the triangle is cut in four.
    """
    depth, place = 0.0, np.zeros(3)

    def lowest(points: Floats, every: int = 1) -> tuple[Ints, Floats]:
        """Which plane, of every so many, points lie least below, and how far."""
        some_normals, some_offsets = normals[::every], offsets[::every]
        planes, least = np.empty(len(points), np.int32), np.empty(len(points))
        for rows in in_rows(len(points), len(some_normals)):
            below = some_offsets - points[rows] @ some_normals.T
            planes[rows] = below.argmin(axis=1)
            least[rows] = below[np.arange(len(below)), planes[rows]]
        return planes * every, least

    def nearest(points: Floats) -> Ints:
        nonlocal depth, place
        if len(normals) <= FINE:
            planes, least = lowest(points)
        else:
            # No place is deeper than below some planes, so that only those are measured that may be the deepest.
            planes, least = lowest(points, EVERY)
            best = int(least.argmax())
            may = np.flatnonzero(least > max(depth, float(lowest(points[best:best + 1])[1][0])))
            planes[may], least[may] = lowest(points[may])
        best = int(least.argmax())
        if least[best] > depth:
            depth, place = float(least[best]), points[best]
        return planes

    def under(triangles: Floats, planes: Ints) -> Floats:
        """(n, 3) how deep the corners lie below a plane for each triangle."""
        below: Floats = offsets[planes, None] - np.einsum("tij,tj->ti", triangles, normals[planes])
        return below

    if not len(triangles):
        return depth, place
    one = other = under(triangles, nearest(triangles.mean(axis=1)))
    most, places, _ = _deepest_below_both(triangles, one[None], other)
    for _ in range(ROUNDS):
        may = np.flatnonzero(most > depth + DEEP_MM)
        if not len(may):
            break
        triangles, most, known = triangles[may], most[may], np.stack([one[may], other[may]])
        other = under(triangles, nearest(places[may]))
        least, places, which = _deepest_below_both(triangles, known, other)
        one = known[which, np.arange(len(may))]
        slow, most = least > (most + depth) / 2.0, least
        if slow.any():
            parts = [_in_four(each[slow]) for each in (triangles, one, other)]
            found = _deepest_below_both(parts[0], parts[1][None], parts[2])
            triangles, one, other, most, places = (np.concatenate([each[~slow], more]) for each, more in zip(
                (triangles, one, other, most, places), (*parts, *found)))
    return depth, place


def _deepest_below_both(triangles: Floats, ones: Floats, others: Floats) -> tuple[Floats, Floats, Ints]:
    """How deep each triangle (n, 3, 3) reaches at most below a plane and the better of some (k,) others, by how deep its
    corners do, ones (k, n, 3) and others (n, 3); where (n, 3), at a corner or on a side where both are as near; and (n,)
    which of the some."""
    after, every = [1, 2, 0], np.arange(len(others))
    apart = ones - others
    ends = apart[:, :, after]
    even = (apart > 0.0) != (ends > 0.0)
    shares = apart / np.where(even, apart - ends, 1.0)
    on_sides = np.where(even, others + shares * (others[:, after] - others), -np.inf)
    depths = np.concatenate([np.minimum(ones, others), on_sides], axis=2)
    found = depths.max(axis=2)
    which = found.argmin(axis=0)
    best = depths[which, every].argmax(axis=1)
    corner = best % 3
    share = np.where(best < 3, 0.0, shares[which, every, corner])
    start = triangles[every, corner]
    return found[which, every], start + share[:, None] * (triangles[every, (corner + 1) % 3] - start), which.astype(np.int32)


def _in_four(triangles: Floats) -> Floats:
    """(4 n, 3, ...) of what the corners of triangles have (n, 3, ...), by the middles of their sides, one part of each after
    the other."""
    one, two, three = (triangles[:, k] for k in range(3))
    first, second, third = (one + two) / 2.0, (two + three) / 2.0, (three + one) / 2.0
    return np.stack([np.concatenate(each) for each in (
        (one, first, third, first), (first, two, second, second), (third, second, three, third))], axis=1)
