"""Places spread over a surface, at which it is looked at."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints, cross, lengths
from ..solid.kernel import Solid, triangles_of

SLIVER_MM = 0.004
"""Triangles lower than this are what cutting leaves: their normals mean little. Larger: fine meshes are passed over."""

HALF = 0.5
"""Which share of the places on a solid is spread by area. Larger: small cuts are passed over; smaller: the middles of large faces
are."""

CELL_MM = 1.5
"""How large the cubes are, in each of which one corner is looked at of those that look to one side. Larger: what is small hides
among its neighbours; smaller: there are more places than are needed."""

INSIDE, INSIDE_MM = 0.2, 0.005
"""How far towards the middle of its triangle a place beside a corner lies, as a share of the way and at most. Larger: the corner
is read beside it; smaller: rounding puts it on the triangle beside."""


@dataclass(frozen=True, eq=False)
class Places:
    """Places on a surface: points (n, 3) mm, outward unit normals (n, 3), spacing_mm: roughly how far apart."""

    points: Floats
    normals: Floats
    spacing_mm: float

    def with_more(self, points: Floats, normals: Floats) -> Places:
        """These and others, (k, 3) and (k, 3)."""
        return Places(np.concatenate([self.points, points]), np.concatenate([self.normals, normals]), self.spacing_mm)

    def where(self, kept: np.ndarray) -> Places:
        """Only some of them."""
        return Places(self.points[kept], self.normals[kept], self.spacing_mm)


def places_on(corners: tuple[Floats, Floats, Floats], square: Floats, doubled: Floats, count: int, by_area: float) -> Places:
    """`count` places over some triangles: their corners, each (t, 3), what is square to them (t, 3), and that one's length,
    twice their areas (t,). A share `by_area` of the places is spread evenly by area, the others by triangles, as what is small
    and was cut in is made of small ones. The same ones every time."""
    a, b, c = corners
    is_whole = doubled > SLIVER_MM * _longest(a, b, c)
    whole = doubled.sum()
    run = np.cumsum(by_area * doubled + np.where(is_whole, (1.0 - by_area) * whole / max(int(is_whole.sum()), 1), 0.0))
    owner = np.searchsorted(run, (np.arange(count) + 0.5) / count * run[-1])
    # Two irrational steps spread the places over long triangles without a pattern that could miss a groove.
    steps = np.arange(count)[:, None] * [0.7548776662466927, 0.5698402909980532] % 1.0
    root = np.sqrt(steps[:, :1])
    points = (1.0 - root) * a[owner] + root * (1.0 - steps[:, 1:]) * b[owner] + root * steps[:, 1:] * c[owner]
    return Places(points, square[owner] / doubled[owner][:, None], math.sqrt(whole / 2.0 / count))


def corners_on(vertices: Floats, triangles: Ints, square: Floats, doubled: Floats) -> tuple[Floats, Floats]:
    """Places beside the corners of some triangles (t, 3) of vertices (n, 3), `square` and `doubled` as in `places_on`: points
    and unit normals, each (k, 3). One for each side of a cube of CELL_MM to which any of them look, so that nothing is too
    small to have one."""
    cells = np.floor(vertices / CELL_MM).astype(np.int64)
    cells -= cells.min(axis=0, initial=0)
    (x, y, z), (_, wide, high) = cells.T, cells.max(axis=0, initial=0) + 1
    _, cube = np.unique((x * wide + y) * high + z, return_inverse=True)
    normals = square / np.maximum(doubled, 1e-30)[:, None]
    side = np.rint(normals).astype(np.int64) @ [9, 3, 1] + 13
    whole = np.flatnonzero(doubled > SLIVER_MM * _longest(*(vertices.take(triangles[:, i], axis=0) for i in range(3))))
    # The smallest triangle comes last and stays, as what was cut in last is small.
    whole = whole[np.argsort(-doubled[whole], kind="stable")]
    chosen = np.full(27 * len(vertices), -1)
    chosen[cube.take(triangles[whole]) * 27 + side[whole, None]] = np.arange(3 * len(whole)).reshape(-1, 3)
    own, corner = np.divmod(chosen[chosen >= 0], 3)
    triangle = whole[own]
    return pulled_in(vertices[triangles[triangle]], corner), normals[triangle]


def pulled_in(corners: Floats, which: np.ndarray) -> Floats:
    """(k, 3) places in triangles (k, 3, 3), each beside one of the corners, (k,) 0 to 2."""
    points: Floats = corners[np.arange(len(corners)), which]
    inwards = corners.mean(axis=1) - points
    inwards *= np.minimum(INSIDE, INSIDE_MM / np.maximum(lengths(inwards), 1e-30))[:, None]
    points += inwards
    return points


def _longest(a: Floats, b: Floats, c: Floats) -> Floats:
    """(t,) longest side."""
    return np.asarray(np.sqrt(np.maximum.reduce([np.einsum("ij,ij->i", side, side) for side in (b - a, c - b, a - c)])))


def places_of(solid: Solid, count: int) -> Places:
    """`count` places over a solid's surface."""
    vertices, triangles = triangles_of(solid)
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    square = cross(b - a, c - a)
    return places_on((a, b, c), square, lengths(square), count, HALF)
