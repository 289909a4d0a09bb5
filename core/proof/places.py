"""Places spread over a surface, at which it is looked at."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints, cross
from ..solid.kernel import Solid, triangles_of

SLIVER_MM = 0.004
"""Triangles lower than this are what cutting leaves: their normals mean little. Larger: fine meshes are passed over."""


@dataclass(frozen=True, eq=False)
class Places:
    """Places on a surface: points (n, 3) mm, outward unit normals (n, 3), spacing_mm: roughly how far apart."""

    points: Floats
    normals: Floats
    spacing_mm: float

    def where(self, kept: np.ndarray) -> Places:
        """Only some of them."""
        return Places(self.points[kept], self.normals[kept], self.spacing_mm)


def places_on(vertices: Floats, triangles: Ints, count: int) -> Places:
    """`count` places over a mesh (n, 3), (t, 3) that has some: half of them spread evenly by area, half by triangles, as
    what is small and was cut in is made of small ones. The same ones every time."""
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    square = cross(b - a, c - a)
    doubled = np.linalg.norm(square, axis=1)
    longest = np.sqrt(np.maximum.reduce([((b - a) ** 2).sum(axis=1), ((c - b) ** 2).sum(axis=1), ((a - c) ** 2).sum(axis=1)]))
    is_whole = doubled > SLIVER_MM * longest
    run = np.cumsum(doubled + np.where(is_whole, doubled.sum() / max(int(is_whole.sum()), 1), 0.0))
    owner = np.searchsorted(run, (np.arange(count) + 0.5) / count * run[-1])
    # Two irrational steps spread the places over long triangles without a pattern that could miss a groove.
    steps = np.arange(count)[:, None] * [0.7548776662466927, 0.5698402909980532] % 1.0
    root = np.sqrt(steps[:, :1])
    share = np.hstack([1.0 - root, root * (1.0 - steps[:, 1:]), root * steps[:, 1:]])
    points = np.einsum("ij,ijk->ik", share, vertices[triangles[owner]])
    return Places(points, square[owner] / doubled[owner][:, None], math.sqrt(doubled.sum() / 2.0 / count))


def places_of(solid: Solid, count: int) -> Places:
    """`count` places over a solid's surface."""
    return places_on(*triangles_of(solid), count)
