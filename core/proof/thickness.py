"""Local thickness of metal, and local width of the air between it, at places on its surface.

Both are the diameter of the largest ball that touches the surface at the place and lies wholly inside (metal) or
outside (air). Only walls that face each other limit the ball: at a convex edge every ball shrinks to nothing, and so
does the air in every corner, without anything being thin or narrow there. Walls face each other here if their normals
differ from opposite by no more than FACING_DEG; what meets at a wider angle is an edge or a corner.

A ray to any point q of a facing wall bounds the ball: |q - p|^2 / ((q - p) . n) is the diameter of the ball that
touches p and passes through q. The tangent plane at q says where the ball would touch that wall, and the next ray aims
there; that is Newton's way, and two or three steps reach the ball itself.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import Cancelled
from ..mesh import Floats, Ints
from ..solid.kernel import Solid, first_hits, triangles_of

FACING_DEG = 30.0
"""By how much two walls may differ from parallel and still face each other. Larger: bevels and edges count as thin
walls; smaller: tapered walls are not read."""

CONE_DEG = 10.0
"""Tilt of the rays about the one straight in. A ball touches walls that face within FACING_DEG at no more than half of
it from that ray. Larger: rays pass what is near; smaller: they add nothing to the one in the middle."""

CONE = 6
"""How many tilted rays. Fewer: a ridge between them is passed."""

AIMED = 3
"""Rays aimed at where the ball should touch. Fewer: curved walls are read thick."""

START_MM = 1e-5
"""How far off the surface a ray starts. Larger: thinner films are not seen; smaller: rays meet where they start."""

REACH_MM = 3.0
"""Balls larger than this are not looked for. Larger: more time for what no rule asks about."""

BATCH = 20_000
"""Points between two calls of `progress`. Larger: a slow stop."""

Progress = Callable[[float], bool]
"""Is told the share that is done, from 0 to 1, and answers whether to go on."""


@dataclass(frozen=True, eq=False)
class Balls:
    """diameters (n,) mm, inf where no facing wall is within reach; touches (n, 3) mm: where each ball meets the far
    wall, nan where there is none."""

    diameters: Floats
    touches: Floats


def thickness_at(solid: Solid, points: Floats, normals: Floats, reach_mm: float = REACH_MM,
                 progress: Progress | None = None) -> Floats:
    """(n,) mm of metal at places (n, 3) on the surface with outward unit normals (n, 3); `reach_mm` where it is more.

    Raises Cancelled if `progress` answers False.
    """
    return np.minimum(balls_at(solid, points, normals, True, reach_mm, progress).diameters, reach_mm)


def gap_at(solid: Solid, points: Floats, normals: Floats, reach_mm: float = REACH_MM,
           progress: Progress | None = None) -> Floats:
    """(n,) mm of air from there to a wall that faces the place; `reach_mm` where it is more. Raises Cancelled."""
    return np.minimum(balls_at(solid, points, normals, False, reach_mm, progress).diameters, reach_mm)


def balls_at(solid: Solid, points: Floats, normals: Floats, is_metal: bool, reach_mm: float,
             progress: Progress | None = None) -> Balls:
    """The largest balls in the metal, or in the air, that touch the surface at (n, 3). Raises Cancelled."""
    diameters, touches = np.full(len(points), np.inf), np.full((len(points), 3), np.nan)
    for start in range(0, len(points), BATCH):
        report(progress, start / len(points))
        part = slice(start, start + BATCH)
        ball = straight_balls(solid, points[part], normals[part], is_metal, reach_mm)
        ball = _around(solid, points[part], normals[part], is_metal, reach_mm, ball)
        diameters[part], touches[part] = ball.diameters, ball.touches
    report(progress, 1.0)
    return Balls(diameters, touches)


def report(progress: Progress | None, share: float) -> None:
    """Tells how far the work is. Raises Cancelled if it shall not go on."""
    if progress is not None and not progress(share):
        raise Cancelled("The measurement was stopped; nothing was changed.")


def straight_balls(solid: Solid, points: Floats, normals: Floats, is_metal: bool, reach_mm: float) -> Balls:
    """A first bound: the balls through what a ray straight in meets."""
    none = Balls(np.full(len(points), np.inf), np.full((len(points), 3), np.nan))
    ways = -normals if is_metal else normals
    return _bounded(solid, points, ways, is_metal, points + ways * reach_mm, none)[0]


def _around(solid: Solid, points: Floats, normals: Floats, is_metal: bool, reach_mm: float, ball: Balls) -> Balls:
    """The bound after a cone of rays and the aimed ones."""
    ways = -normals if is_metal else normals
    first, second = tangents(ways)
    tilt = math.radians(CONE_DEG)
    for turn in np.arange(CONE) * (2.0 * math.pi / CONE):
        tilted = math.cos(tilt) * ways + math.sin(tilt) * (math.cos(turn) * first + math.sin(turn) * second)
        # No ball through a point beyond the best so far is smaller.
        ends = points + tilted * np.minimum(ball.diameters, reach_mm)[:, None]
        ball = _bounded(solid, points, ways, is_metal, ends, ball)[0]
    return _aimed(solid, points, ways, is_metal, ball)


def _aimed(solid: Solid, points: Floats, ways: Floats, is_metal: bool, ball: Balls) -> Balls:
    """The bound after rays to where each ball's far wall, taken as a plane, would touch it."""
    index = np.flatnonzero(np.isfinite(ball.diameters))
    aims = ball.touches[index]
    for _ in range(AIMED):
        if not len(index):
            return ball
        beyond = points[index] + 1.2 * (aims - points[index])
        part = Balls(ball.diameters[index], ball.touches[index])
        better, planes = _bounded(solid, points[index], ways[index], is_metal, beyond, part)
        ball.diameters[index], ball.touches[index] = better.diameters, better.touches
        met = np.isfinite(planes).all(axis=1)
        index, aims = index[met], planes[met]
    return ball


def _bounded(solid: Solid, points: Floats, ways: Floats, is_metal: bool, ends: Floats,
             ball: Balls) -> tuple[Balls, Floats]:
    """The smaller of `ball` and the balls through what rays to `ends` meet, and (n, 3) where a ball would touch the
    plane that was met, nan where nothing that faces was."""
    far, met = first_hits(solid, points + ways * START_MM, ends)
    hit = np.isfinite(far)
    aims = np.full(points.shape, np.nan)
    directions = ends - points
    lengths = np.linalg.norm(directions, axis=1)
    q = points + directions * ((np.where(hit, far, 0.0) + START_MM) / np.maximum(lengths, START_MM))[:, None]
    outwards = met if is_metal else -met
    cosine = np.einsum("ij,ij->i", ways, outwards)
    hit &= cosine >= math.cos(math.radians(FACING_DEG))
    along = np.einsum("ij,ij->i", q - points, ways)
    hit &= along > 0.0
    squares = np.einsum("ij,ij->i", q - points, q - points)
    diameter = np.where(hit, squares / np.where(hit, along, 1.0), np.inf)
    radius = np.einsum("ij,ij->i", q - points, outwards) / (1.0 + np.where(hit, cosine, 0.0))
    aims[hit] = (points + radius[:, None] * (ways + outwards))[hit]
    smaller = diameter < ball.diameters
    return Balls(np.where(smaller, diameter, ball.diameters), np.where(smaller[:, None], q, ball.touches)), aims


def tangents(normals: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors, each (n, 3), square to each other and to unit normals (n, 3)."""
    helper = np.where(np.abs(normals[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    first = np.cross(normals, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(normals, first)


@dataclass(frozen=True, eq=False)
class Places:
    """Places on a surface: points (n, 3) mm, outward unit normals (n, 3), spacing_mm: roughly how far apart."""

    points: Floats
    normals: Floats
    spacing_mm: float


def places_on(vertices: Floats, triangles: Ints, count: int) -> Places:
    """`count` places spread evenly by area over a mesh (n, 3), (t, 3) that has some; the same ones every time."""
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    doubled = np.linalg.norm(cross, axis=1)
    run = np.cumsum(doubled)
    owner = np.searchsorted(run, (np.arange(count) + 0.5) / count * run[-1])
    # Two irrational steps spread the places over long triangles without a pattern that could miss a groove.
    steps = np.arange(count)[:, None] * [0.7548776662466927, 0.5698402909980532] % 1.0
    root = np.sqrt(steps[:, :1])
    share = np.hstack([1.0 - root, root * (1.0 - steps[:, 1:]), root * steps[:, 1:]])
    points = np.einsum("ij,ijk->ik", share, vertices[triangles[owner]])
    return Places(points, cross[owner] / doubled[owner][:, None], math.sqrt(run[-1] / 2.0 / count))


def places_of(solid: Solid, count: int) -> Places:
    """`count` places spread evenly by area over a solid's surface."""
    return places_on(*triangles_of(solid), count)
