"""The metal's surface as a mesh: its edges with the angle of metal in them, its points, and places spread over it."""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats, Ints, PolyMesh, cross, lengths, ordered
from ..solid.kernel import Solid, bounds, first_hits, hull_triangles, triangles_of
from .fit import MOST_FACETS
from .halves import facet_planes, halves_of, is_convex
from .looks import Looks
from .thickness import COS_FACING
from .places import HALF, Places, corners_on, places_on, pulled_in

PER_MM2 = 3.0
"""How many places are looked at on each mm2. Fewer: a dent hides between them."""

BESIDE_CORNERS_PER_MM2, BY_AREA = 4.0, 0.33
"""How many besides those at corners, and which share of them is spread by area. Fewer: what no corner is near is passed over, such as
what is left between the hole under a stone's corner and a V claw's skin."""

PLACES = (240, 6000)
"""Fewest and most of them. More: a sculpted ring takes longer than a user waits."""

SHORT_MM, FLAT_MM = 0.02, 0.004
"""Edges shorter than the first, or beside a triangle lower than the second, are what cutting leaves: their angles mean
nothing. Larger: real edges are passed over."""

SMOOTH_DEG = 25.0
"""Facets that turn by less stand for one smooth surface. Larger: bevels are rounded; smaller: thin bars stay facetted."""

COS_SMOOTH = math.cos(math.radians(SMOOTH_DEG))

COPLANAR = math.cos(math.radians(0.5))
"""Cosine between facets of one plane. Larger angle: flat facets of a fine mesh count as one."""

ON_THE_WAY = (1.0 / 6.0, 1.0 / 3.0, 0.5)
"""How far towards the facet beside it a facet's normal is tried. More: the reading is finer, and takes longer."""

NEAR_MM = 1e-4
"""How near its facet a place on it may lie. Larger: the facet beside it is taken."""

BESIDE_MM = 0.06
"""How near the stone a wall belongs to the seat: the widest clearance a seat is cut with, and what the stone beds in.
Larger: thin metal outside the seat is not seen."""

CORNERS_EACH, CORNERS = 4, 20
"""How many corners that look nearest to the wall across are tried of each place, and of all. Fewer: those that something else
stands before hide the next."""

FEW = 12
"""Every how manieth facet is tried first, which leaves out most places. Only the time taken depends on it."""

PAIRS = 60_000
"""Of how many pairs of places and facets the table is at once. Larger: getting the memory takes longer than filling it."""


@dataclass(frozen=True, eq=False)
class Edges:
    """ends (e, 2) int; inside_deg (e,): angle of the metal, below 180 where convex; length_mm (e,); middles (e, 3)."""

    ends: Ints
    inside_deg: Floats
    length_mm: Floats
    middles: Floats

    def where(self, kept: np.ndarray) -> Edges:
        """Only some of them."""
        return Edges(self.ends[kept], self.inside_deg[kept], self.length_mm[kept], self.middles[kept])


class Surface:
    """The surface of a solid, each thing worked out when it is first asked for."""

    def __init__(self, solid: Solid) -> None:
        self.solid = solid
        self.vertices, self.triangles = triangles_of(solid)

    @cached_property
    def _corners(self) -> tuple[Floats, Floats, Floats]:
        """The corners of the triangles, each (t, 3)."""
        a, b, c = (self.vertices.take(self.triangles[:, i], axis=0) for i in range(3))
        return a, b, c

    @cached_property
    def _cross(self) -> Floats:
        """(t, 3) square to the triangles, each as long as twice its area."""
        a, b, c = self._corners
        return cross(b - a, c - a)

    @cached_property
    def _doubled(self) -> Floats:
        """(t,) twice the triangles' areas."""
        return lengths(self._cross)

    @cached_property
    def beside_corners(self) -> Places:
        """Places beside corners, and others spread between them."""
        return self._spread(BESIDE_CORNERS_PER_MM2, BY_AREA).with_more(
            *corners_on(self.vertices, self.triangles, self._cross, self._doubled))

    @cached_property
    def spread(self) -> Places:
        """Places spread evenly over it."""
        return self._spread(PER_MM2, HALF)

    def _spread(self, per_mm2: float, by_area: float) -> Places:
        least, most = (math.ceil(count * per_mm2 / PER_MM2) for count in PLACES)
        count = int(min(max(per_mm2 * float(self._doubled.sum()) / 2.0, least), most))
        return places_on(self._corners, self._cross, self._doubled, count, by_area)

    @cached_property
    def looks(self) -> Looks:
        """What looks at its walls from many places at once."""
        return Looks(self.solid, self._corners, self._unit, self._doubled, self._heights)

    @cached_property
    def edges(self) -> Edges:
        """Edges between triangles, without the slivers."""
        triangles = self.triangles.astype(np.int64)
        after = triangles[:, [1, 2, 0]]
        low, high = np.minimum(triangles, after).ravel(), np.maximum(triangles, after).ravel()
        # Each edge of a solid has two triangles, so that they stand side by side once the edges are sorted.
        order = ordered(low * len(self.vertices) + high)
        first, second = order[0::2], order[1::2]
        starts = self.vertices.take(low.take(first), axis=0)
        length = lengths(self.vertices.take(high.take(first), axis=0) - starts)
        faces = first // 3, second // 3
        lowest = np.minimum(self._doubled.take(faces[0]), self._doubled.take(faces[1]))
        kept = np.flatnonzero((length > SHORT_MM) & (lowest > FLAT_MM * length))
        first, second, starts, length = first[kept], second[kept], starts[kept], length[kept]
        one, other = (self._unit.take(face[kept], axis=0) for face in faces)
        # The corner of the second triangle that is not on the edge lies below the first where the edge is convex.
        third = self.vertices.take(triangles.ravel().take(second - second % 3 + (second + 2) % 3), axis=0)
        below = np.einsum("ij,ij->i", one, third - starts)
        turn = np.degrees(2.0 * np.arcsin(np.minimum(lengths(one - other) / 2.0, 1.0)))
        inside = np.where(below <= 0.0, 180.0 - turn, 180.0 + turn)
        ends = np.column_stack([low.take(first), high.take(first)]).astype(np.int32)
        return Edges(ends, inside, length, (starts + self.vertices.take(ends[:, 1], axis=0)) / 2.0)

    @cached_property
    def points_deg(self) -> Floats:
        """(n,) full angle of the cone that is as sharp as each vertex, 180 where it is flat or not a point: a cone whose
        half angle is b has faces that add up to 360·sin b at its tip."""
        a, b, c = self._corners
        sides = b - a, c - b, a - c
        sums = np.zeros(len(self.vertices))
        for i in range(3):
            turn = np.arctan2(self._doubled, -np.einsum("ij,ij->i", sides[i], sides[i - 1]))
            sums += np.bincount(self.triangles[:, i], turn, len(self.vertices))
        cones = 2.0 * np.degrees(np.arcsin(np.minimum(sums / (2.0 * np.pi), 1.0)))
        # A pit and a saddle have the same sums as a point or more; only where every edge is convex is it one.
        edges = self.edges
        folded = np.bincount(edges.ends[edges.inside_deg > 180.0 + 1e-6].ravel(), minlength=len(self.vertices)) > 0
        return np.where(folded, 180.0, cones)

    def smooth_normals(self, point: Floats, normal: Floats) -> Floats:
        """(k, 3) normals that the smooth surface may have at a place (3,) on a facet with a normal (3,): the facet's own,
        and those on the way to the facets beside it that turn by little."""
        unit, cosines = self._unit, self._unit @ normal
        facet = np.flatnonzero(cosines > COPLANAR)
        facet = facet[np.abs(unit[facet] @ point - self._heights[facet]) < NEAR_MM]
        if not len(facet):
            return normal[None, :]
        shares = self._shares(facet, point).min(axis=1)
        own = self.triangles[facet[np.argmax(shares)]]
        # The facet may be cut into triangles of which some do not reach its borders.
        at_facet = np.zeros(len(self.vertices), bool)
        at_facet[own] = True
        facet = facet[at_facet[self.triangles[facet]].any(axis=1)]
        at_facet[self.triangles[facet]] = True
        turned = np.flatnonzero((cosines > COS_SMOOTH) & (cosines < COPLANAR))
        around = unit[turned[at_facet[self.triangles[turned]].any(axis=1)]]
        # Of those that are the same to a tenth, one.
        tenths = np.rint(10.0 * around).astype(np.int64) @ [10_000, 100, 1]
        beside = around[np.unique(tenths, return_index=True)[1]]
        on_the_way = normal + np.array(ON_THE_WAY)[:, None] * (beside[:, None] - normal)
        normals = np.vstack([normal, on_the_way.reshape(-1, 3)])
        smooth: Floats = normals / lengths(normals)[:, None]
        return smooth

    def corners_between(self, one: Floats, other: Floats, within_mm: float) -> tuple[Floats, Floats]:
        """Points and normals, each (k, 3), beside the corners of triangles that are nearest to each other: one of those
        `within_mm` from a place (3,), the other of those from another; either place itself where there are none."""
        vertices, reach = self.vertices, within_mm * within_mm
        off = [vertices - place for place in (one, other)]
        near = [np.flatnonzero(np.einsum("ij,ij->i", each, each) < reach) for each in off]
        ones, others = (vertices[index] if len(index) else place[None, :] for index, place in zip(near, (one, other)))
        ways = ones[:, None] - others
        i, j = np.divmod(int(np.argmin(np.einsum("ijk,ijk->ij", ways, ways))), len(others))
        corners = self.triangles.ravel()
        at = np.concatenate([np.flatnonzero(corners == index[k]) for index, k in zip(near, (i, j)) if len(index)] or [near[0]])
        return pulled_in(vertices[self.triangles[at // 3]], at % 3), self._unit[at // 3]

    def corners_across(self, places: Floats, normals: Floats, touches: Floats, facing: Floats, within_mm: float,
                       below_mm: Floats) -> tuple[Floats, Floats, Ints]:
        """Points and normals, each (k, 3), beside corners of the walls that places (n, 3) with normals (n, 3) are on: of triangles
        in one plane with them, or within_mm, that face the same way; and (k,) whose. Only the nearest few from which it looks less
        than below_mm (n,) to the wall across, a plane through touches (n, 3) with normals (n, 3)."""
        rise = np.einsum("ij,ij->i", touches, facing) - self.vertices @ facing.T
        far = rise / np.einsum("ij,ij->i", normals, facing)
        is_across = (far > 0.0) & (far < below_mm)
        index = np.flatnonzero(is_across.any(axis=1))
        vertices, far, is_across = self.vertices[index], far[index], is_across[index]
        squares = np.einsum("ij,ij->i", vertices, vertices)[:, None] - 2.0 * (vertices @ places.T)
        is_near = squares < within_mm ** 2 - np.einsum("ij,ij->i", places, places)
        is_level = np.abs(vertices @ normals.T - np.einsum("ij,ij->i", places, normals)) < NEAR_MM
        is_tried = is_across & (is_near | is_level)
        row = np.flatnonzero(is_tried.any(axis=1))
        of_vertex = np.full(len(self.vertices), -1)
        of_vertex[index[row]] = row
        vertex = of_vertex.take(self.triangles.ravel())
        corner = np.flatnonzero(vertex >= 0)
        vertex = vertex[corner]
        cosines = self._unit[corner // 3] @ normals.T
        row, owner = np.nonzero(is_tried[vertex] & (cosines >= np.where(is_near[vertex], COS_FACING, COPLANAR)))
        order = np.lexsort([far[vertex[row], owner], owner])
        row, owner = row[order], owner[order]
        nearest = np.flatnonzero(np.arange(len(owner)) - np.searchsorted(owner, owner) < CORNERS_EACH)
        nearest = nearest[np.argsort(far[vertex[row[nearest]], owner[nearest]], kind="stable")[:CORNERS]]
        triangle, which = np.divmod(corner[row[nearest]], 3)
        return pulled_in(self.vertices[self.triangles[triangle]], which), self._unit[triangle], owner[nearest].astype(np.int32)

    @cached_property
    def _unit(self) -> Floats:
        """(t, 3) unit normals of the triangles."""
        unit: Floats = self._cross / np.maximum(self._doubled, 1e-30)[:, None]
        return unit

    @cached_property
    def _heights(self) -> Floats:
        """(t,) how far along their normals the triangles lie."""
        heights: Floats = np.einsum("ij,ij->i", self._unit, self._corners[0])
        return heights

    def _shares(self, triangles: np.ndarray, point: Floats) -> Floats:
        """(k, 3) how much of each corner of some triangles there is in a point (3,) of their planes."""
        a, b, c = (corners[triangles] for corners in self._corners)
        square = self._cross[triangles]
        squares = np.maximum(np.einsum("ij,ij->i", square, square), 1e-30)
        second = np.einsum("ij,ij->i", cross(point - a, c - a), square) / squares
        third = np.einsum("ij,ij->i", cross(b - a, point - a), square) / squares
        return np.column_stack([1.0 - second - third, second, third])


class BesideStone:
    """Tells which places are the stone's own: in it, or so near it that they are its seat."""

    def __init__(self, placed: PolyMesh, solid: Solid) -> None:
        self.placed, self.solid = placed, solid

    @cached_property
    def _bodies(self) -> tuple[list[tuple[Floats, Floats]], bool]:
        """Convex bodies, normals (f, 3) and offsets (f,) of the planes that each lies below, that hold all beside the stone; and
        whether they hold nothing else: a convex stone's own, both halves' of one with a cleft, and the hull or the box of any
        other."""
        if len(self.placed) > MOST_FACETS:
            low, high = bounds(self.solid)
            return [(np.vstack([np.eye(3), -np.eye(3)]), np.concatenate([high, -low]) + BESIDE_MM)], False
        normals, offsets = facet_planes(self.placed)
        if is_convex(self.placed):
            return [(normals, offsets + BESIDE_MM)], True
        parts = halves_of(self.placed)
        if parts:
            # What lies past the cut belongs to the other half.
            return [(part.normals, part.past_cut(-BESIDE_MM).offsets + BESIDE_MM) for part in parts], True
        vertices, triangles = hull_triangles(self.placed.vertices)
        a, b, c = (vertices[triangles[:, i]] for i in range(3))
        normals = cross(b - a, c - a)
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
        return [(normals, np.einsum("ij,ij->i", normals, a) + BESIDE_MM)], False

    def __call__(self, points: Floats) -> np.ndarray:
        """(n,) bool for places (n, 3)."""
        beside = np.zeros(len(points), bool)
        if not len(points):
            return beside
        bodies, are_all = self._bodies
        for planes in bodies:
            others = np.flatnonzero(~beside)
            beside[others] = _are_below(points[others], *planes)
        if not are_all and beside.any():
            beside[beside] = self._are_near(points[beside])
        return beside

    def _are_near(self, points: Floats) -> np.ndarray:
        """(n,) bool by rays: in the stone, or near it along an axis."""
        # Longer than any way through the stone. From inside, the first face on the way up looks up.
        _, facing = first_hits(self.solid, points, points + [0.0, 0.0, float(np.ptp(self.placed.vertices, axis=0).sum())])
        near: np.ndarray = facing[:, 2] > 0.0
        others = np.flatnonzero(~near)
        ways, at = np.repeat(np.eye(3) * BESIDE_MM, len(others), axis=0), np.tile(points[others], (3, 1))
        met, _ = first_hits(self.solid, at - ways, at + ways)
        near[others] = np.isfinite(met).reshape(3, -1).any(axis=0)
        return near


def _are_below(points: Floats, normals: Floats, offsets: Floats) -> np.ndarray:
    """(n,) bool: which of (n, 3) places lie below all of some planes."""
    below = np.ones(len(points), bool)
    for planes in (slice(None, None, FEW), slice(None)):
        index, ways, most = np.flatnonzero(below), normals[planes].T, offsets[planes]
        count = max(1, PAIRS // len(most))
        for start in range(0, len(index), count):
            some = index[start:start + count]
            below[some] = np.all(points[some] @ ways <= most, axis=1)
    return below
