"""Which of many stones metal reaches into: most are told apart from it by their own facets, without a boolean."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..head.placed import PlacedStone
from ..mesh import Floats, Ints, PolyMesh
from ..solid.kernel import Solid, contains, triangles_of
from .halves import facet_planes, is_convex


@dataclass(frozen=True, eq=False)
class _Facets:
    """A body in a stone's own frame: normals (f, 3) and offsets (f,) of its facets, outwards, its lowest and highest
    corner, and whether it is convex, so that what is outside one facet is outside the body."""

    normals: Floats
    offsets: Floats
    low: Floats
    high: Floats
    is_convex: bool

    @classmethod
    def of(cls, mesh: PolyMesh) -> _Facets:
        normals, offsets = facet_planes(mesh)
        return cls(normals, offsets, mesh.vertices.min(axis=0), mesh.vertices.max(axis=0), is_convex(mesh))

    def may_meet(self, corners: Floats) -> bool:
        """False if each of some triangles, (t, 3, 3) in the same frame, is surely outside."""
        if not self.is_convex:
            return True
        near = ((corners.min(axis=1) < self.high) & (corners.max(axis=1) > self.low)).all(axis=1)
        corners = corners[near]
        # Of each triangle the facet that its middle is farthest outside of parts it from the body, as a rule.
        best = np.argmax(corners.mean(axis=1) @ self.normals.T - self.offsets, axis=1)
        outside = np.einsum("tij,tj->ti", corners, self.normals[best]) - self.offsets[best][:, None]
        rest = corners[(outside <= 0.0).any(axis=1)]
        return not (rest @ self.normals.T > self.offsets).all(axis=1).any(axis=1).all()


def entered(metal: Solid, stones: Sequence[PlacedStone], bodies: Sequence[PolyMesh]) -> list[int]:
    """Which of the stones' bodies, each convex and in its stone's own frame, the metal may reach into; none is left out
    that it does."""
    vertices, triangles = triangles_of(metal)
    corners = vertices[triangles]
    low, high = corners.min(axis=1), corners.max(axis=1)
    facets = {key: _Facets.of(body) for key, body in {id(body): body for body in bodies}.items()}
    met = []
    for i, (stone, body) in enumerate(zip(stones, bodies)):
        own = facets[id(body)]
        placed = stone.at(body.vertices)
        near = _are_near(low, high, placed.min(axis=0), placed.max(axis=0))
        if own.may_meet((corners[near] - stone.matrix[:, 3]) @ stone.matrix[:, :3]):
            met.append(i)
    # A body whose surface no metal meets lies wholly in it, or outside.
    middles = np.array([stone.at(body.vertices.mean(axis=0)) for stone, body in zip(stones, bodies)])
    return sorted({*met, *np.flatnonzero(contains(metal, middles)).tolist()})


def _are_near(low: Floats, high: Floats, from_mm: Floats, to_mm: Floats) -> Ints:
    """Which boxes, (t, 3) each, meet one, (3,) each."""
    near = np.flatnonzero((low[:, 0] < to_mm[0]) & (high[:, 0] > from_mm[0]))
    for axis in (1, 2):
        near = near[(low[near, axis] < to_mm[axis]) & (high[near, axis] > from_mm[axis])]
    return near.astype(np.int32)
