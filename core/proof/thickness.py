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
from ..mesh import Floats, cross, lengths
from ..solid.kernel import Solid, first_hits

FACING_DEG = 30.0
"""By how much two walls may differ from parallel and still face each other. Larger: bevels and edges count as thin
walls; smaller: tapered walls are not read."""

COS_FACING = math.cos(math.radians(FACING_DEG))

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
    wall; facing (n, 3): that wall's outward unit normal. nan where there is none."""

    diameters: Floats
    touches: Floats
    facing: Floats

    @classmethod
    def none(cls, count: int) -> Balls:
        """No ball found yet at so many places."""
        return cls(np.full(count, np.inf), np.full((count, 3), np.nan), np.full((count, 3), np.nan))

    def at(self, index: np.ndarray | slice) -> Balls:
        """Some of them."""
        return Balls(self.diameters[index].copy(), self.touches[index].copy(), self.facing[index].copy())

    def put(self, index: np.ndarray | slice, balls: Balls) -> None:
        """Takes others for some of them."""
        self.diameters[index], self.touches[index] = balls.diameters, balls.touches
        self.facing[index] = balls.facing


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
    balls = Balls.none(len(points))
    for start in range(0, len(points), BATCH):
        report(progress, start / len(points))
        part = slice(start, start + BATCH)
        ball, _ = straight_balls(solid, points[part], normals[part], is_metal, reach_mm)
        balls.put(part, balls_around(solid, points[part], normals[part], is_metal, reach_mm, ball))
    report(progress, 1.0)
    return balls


def report(progress: Progress | None, share: float) -> None:
    """Tells how far the work is. Raises Cancelled if it shall not go on."""
    if progress is not None and not progress(share):
        raise Cancelled("The measurement was stopped; nothing was changed.")


def straight_balls(solid: Solid, points: Floats, normals: Floats, is_metal: bool, reach_mm: float,
                   from_mm: float = 0.0) -> tuple[Balls, np.ndarray]:
    """A first bound: the balls through what rays straight in meet, from so far in on; and (n,) bool, which met anything,
    whether it faces them or not."""
    ways = -normals if is_metal else normals
    # One length of ray takes up where another ended.
    begin = max(from_mm - START_MM, START_MM)
    far, met = first_hits(solid, points + ways * begin, points + ways * reach_mm)
    hit = np.isfinite(far)
    index = np.flatnonzero(hit)
    facing = met[index]
    # Square to the wall as the rays are, the ball through what a ray meets is as wide as the ray is long.
    cosine = np.einsum("ij,ij->i", ways[index], facing) * (1.0 if is_metal else -1.0)
    index, facing = index[cosine >= COS_FACING], facing[cosine >= COS_FACING]
    diameters = far[index] + begin
    balls = Balls.none(len(points))
    balls.put(index, Balls(diameters, points[index] + ways[index] * diameters[:, None], facing))
    return balls, hit


def balls_around(solid: Solid, points: Floats, normals: Floats, is_metal: bool, reach_mm: float, ball: Balls) -> Balls:
    """The balls after a cone of rays and the aimed ones, where `ball` is a first bound."""
    ways = -normals if is_metal else normals
    first, second = tangents(ways)
    tilt, turn = math.radians(CONE_DEG), np.arange(CONE) * (2.0 * math.pi / CONE)
    around = np.cos(turn)[:, None, None] * first + np.sin(turn)[:, None, None] * second
    # No ball through a point beyond the best so far is smaller.
    far = np.minimum(ball.diameters, reach_mm)[:, None]
    ends = points + far * (math.cos(tilt) * ways + math.sin(tilt) * around)
    tiled = ball.at(np.tile(np.arange(len(points), dtype=np.int32), CONE))
    cone, _ = _bounded(solid, np.tile(points, (CONE, 1)), np.tile(ways, (CONE, 1)), is_metal, ends.reshape(-1, 3), tiled)
    least = np.argmin(cone.diameters.reshape(CONE, -1), axis=0) * len(points) + np.arange(len(points))
    return _aimed(solid, points, ways, is_metal, cone.at(least))


def _aimed(solid: Solid, points: Floats, ways: Floats, is_metal: bool, ball: Balls) -> Balls:
    """The bound after rays to where each ball's far wall, taken as a plane, would touch it."""
    index = np.flatnonzero(np.isfinite(ball.diameters))
    aims = ball.touches[index]
    for _ in range(AIMED):
        if not len(index):
            return ball
        beyond = points[index] + 1.2 * (aims - points[index])
        better, planes = _bounded(solid, points[index], ways[index], is_metal, beyond, ball.at(index))
        ball.put(index, better)
        met = np.isfinite(planes).all(axis=1)
        index, aims = index[met], planes[met]
    return ball


def _bounded(solid: Solid, points: Floats, ways: Floats, is_metal: bool, ends: Floats,
             ball: Balls) -> tuple[Balls, Floats]:
    """The smaller of `ball` and the balls through what rays to `ends` meet, and (n, 3) where a ball would touch the
    plane that was met, nan where nothing that faces was."""
    far, met = first_hits(solid, points + ways * START_MM, ends)
    aims, found = np.full(points.shape, np.nan), ball.at(slice(None))
    index = np.flatnonzero(np.isfinite(far))
    directions = (ends - points)[index]
    off = directions * ((far[index] + START_MM) / np.maximum(lengths(directions), START_MM))[:, None]
    outwards = met[index] if is_metal else -met[index]
    along, cosine = (np.einsum("ij,ij->i", ways[index], each) for each in (off, outwards))
    faces = (cosine >= COS_FACING) & (along > 0.0)
    index, off, outwards, along, cosine = index[faces], off[faces], outwards[faces], along[faces], cosine[faces]
    radii = np.einsum("ij,ij->i", off, outwards) / (1.0 + cosine)
    aims[index] = points[index] + radii[:, None] * (ways[index] + outwards)
    diameters = np.einsum("ij,ij->i", off, off) / along
    smaller = diameters < ball.diameters[index]
    index, off = index[smaller], off[smaller]
    found.put(index, Balls(diameters[smaller], points[index] + off, met[index]))
    return found, aims


def tangents(normals: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors, each (n, 3), square to each other and to unit normals (n, 3)."""
    helper = np.where(np.abs(normals[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    first = cross(normals, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, cross(normals, first)
