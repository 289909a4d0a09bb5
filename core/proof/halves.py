"""A stone that one cut parts in two convex halves, as a heart's cleft does."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, PolyMesh
from ..tolerance import SAME_POINT_MM


@dataclass(frozen=True, eq=False)
class Half:
    """A convex half of a stone: outward normals (f, 3) and offsets (f,) mm of the planes between which it lies. The last is
    the cut."""

    normals: Floats
    offsets: Floats

    def past_cut(self, more_mm: float) -> Half:
        """The same with so much more between the planes past the cut."""
        return Half(self.normals, np.append(self.offsets[:-1], self.offsets[-1] + more_mm))


def halves(stone: PolyMesh, turning: Floats, off_mm: float) -> tuple[Half, ...]:
    """Both halves of a closed mesh that turns in at the edges between points (k, 2, 3), if these lie in one plane and each
    half is convex but for facets that rise less than so far above their neighbours; none if not."""
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
    normals = stone.face_normals()
    offsets = np.einsum("ij,ij->i", normals, stone.vertices[stone.corners[stone.starts[:-1]]])
    found = []
    for side in (1.0, -1.0):
        own = np.maximum.reduceat(side * height[stone.corners], stone.starts[:-1]) > SAME_POINT_MM
        corners = np.concatenate([stone.vertices[side * height >= -SAME_POINT_MM], on_cut])
        if (corners @ normals[own].T > offsets[own] + off_mm).any():
            return ()
        found.append(Half(np.vstack([normals[own], -side * cut]), np.append(offsets[own], -side * (middle @ cut))))
    return tuple(found)
