"""A stone by the planes of its facets: whether it lies below all of them, and if not the two convex halves that one cut parts it
into, as a heart's cleft does."""
from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..mesh import Floats, Ints, PolyMesh, ordered
from ..tolerance import SAME_POINT_MM

ON_FACET_MM = 1e-4
"""How far a facet of a convex stone may rise above its neighbour. Larger: a shallow cleft is passed over; smaller:
facets of a large stone that a file in single precision has cut into triangles and bent, by up to 7e-5 mm, count
as clefts."""


@dataclass(frozen=True, eq=False)
class Half:
    """A convex half of a stone: outward normals (f, 3) and offsets (f,) mm of the planes between which it lies. The last is
    the cut."""

    normals: Floats
    offsets: Floats

    def past_cut(self, more_mm: float) -> Half:
        """The same with so much more between the planes past the cut."""
        return Half(self.normals, np.append(self.offsets[:-1], self.offsets[-1] + more_mm))


def facet_planes(stone: PolyMesh) -> tuple[Floats, Floats]:
    """Outward normals (f, 3) and offsets (f,) of a stone's facets."""
    normals = stone.face_normals()
    return normals, np.einsum("ij,ij->i", normals, stone.vertices[stone.corners[stone.starts[:-1]]])


def is_convex(stone: PolyMesh) -> bool:
    """True if no face of a closed mesh rises above the plane of its neighbour."""
    return not len(edges_turning_in(stone))


@lru_cache(maxsize=8)
def edges_turning_in(stone: PolyMesh) -> Ints:
    """(k, 2) corners of a closed mesh's edges at which one face rises above the plane of the other. A proof asks this of a stone
    several times."""
    normals, offsets = facet_planes(stone)
    faces, sides = np.repeat(np.arange(len(stone)), stone.sizes), stone.corners_after()
    # The two faces of an edge stand side by side once the edges are sorted.
    order = ordered(np.minimum(stone.corners, sides).astype(np.int64) * len(stone.vertices) + np.maximum(stone.corners, sides))
    one, other = faces[order].reshape(-1, 2).T
    middles = np.add.reduceat(stone.vertices[stone.corners], stone.starts[:-1], axis=0) / stone.sizes[:, None]
    rises = np.einsum("ij,ij->i", middles[one], normals[other]) > offsets[other] + ON_FACET_MM
    at = order[::2][rises]
    turning: Ints = np.column_stack([stone.corners[at], sides[at]])
    turning.flags.writeable = False
    return turning


def halves_of(stone: PolyMesh) -> tuple[Half, ...]:
    """Both convex halves of a stone that is not convex itself; none where it has no such halves."""
    turning = edges_turning_in(stone)
    return halves(stone, stone.vertices[turning]) if len(turning) else ()


def halves(stone: PolyMesh, turning: Floats) -> tuple[Half, ...]:
    """Both halves of a closed mesh that turns in at the edges between points (k, 2, 3), if these lie in one plane and each
    half is convex; none if not."""
    if len(turning) < 2:
        # A cleft has more; one alone is a face that is folded a little.
        return ()
    points = turning.reshape(-1, 3)
    middle = points.mean(axis=0)
    _, sizes, ways = np.linalg.svd(points - middle, full_matrices=False)
    cut = ways[2]
    if sizes[1] <= SAME_POINT_MM or sizes[2] > SAME_POINT_MM:
        return ()
    height, after = (stone.vertices - middle) @ cut, stone.corners_after()
    # Where edges cross the cut, both halves have corners.
    crossing = np.flatnonzero((height[stone.corners] > SAME_POINT_MM) & (height[after] < -SAME_POINT_MM))
    first, second = stone.corners[crossing], after[crossing]
    share = (height[first] / (height[first] - height[second]))[:, None]
    on_cut = stone.vertices[first] + share * (stone.vertices[second] - stone.vertices[first])
    normals, offsets = facet_planes(stone)
    found = []
    for side in (1.0, -1.0):
        own = np.maximum.reduceat(side * height[stone.corners], stone.starts[:-1]) > SAME_POINT_MM
        corners = np.concatenate([stone.vertices[side * height >= -SAME_POINT_MM], on_cut])
        if (corners @ normals[own].T > offsets[own] + ON_FACET_MM).any():
            return ()
        found.append(Half(np.vstack([normals[own], -side * cut]), np.append(offsets[own], -side * (middle @ cut))))
    return tuple(found)
