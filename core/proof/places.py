"""Places spread over a surface, at which it is looked at."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, cross, lengths
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


def places_on(corners: tuple[Floats, Floats, Floats], square: Floats, doubled: Floats, count: int) -> Places:
    """`count` places over some triangles: their corners, each (t, 3), what is square to them (t, 3), and that one's length,
    twice their areas (t,). Half of the places are spread evenly by area, half by triangles, as what is small and was cut in is
    made of small ones. The same ones every time."""
    a, b, c = corners
    longest = np.sqrt(np.maximum.reduce([np.einsum("ij,ij->i", side, side) for side in (b - a, c - b, a - c)]))
    is_whole = doubled > SLIVER_MM * longest
    whole = doubled.sum()
    run = np.cumsum(doubled + np.where(is_whole, whole / max(int(is_whole.sum()), 1), 0.0))
    owner = np.searchsorted(run, (np.arange(count) + 0.5) / count * run[-1])
    # Two irrational steps spread the places over long triangles without a pattern that could miss a groove.
    steps = np.arange(count)[:, None] * [0.7548776662466927, 0.5698402909980532] % 1.0
    root = np.sqrt(steps[:, :1])
    points = (1.0 - root) * a[owner] + root * (1.0 - steps[:, 1:]) * b[owner] + root * steps[:, 1:] * c[owner]
    return Places(points, square[owner] / doubled[owner][:, None], math.sqrt(whole / 2.0 / count))


def places_of(solid: Solid, count: int) -> Places:
    """`count` places over a solid's surface."""
    vertices, triangles = triangles_of(solid)
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    square = cross(b - a, c - a)
    return places_on((a, b, c), square, lengths(square), count)
