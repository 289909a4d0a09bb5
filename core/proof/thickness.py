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

SLIVER_MM = 0.004
"""Triangles lower than this are what cutting leaves: their normals mean little. Larger: fine meshes are passed over."""

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
        return Balls(self.diameters[index], self.touches[index], self.facing[index])

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
        ball = straight_balls(solid, points[part], normals[part], is_metal, reach_mm)
        balls.put(part, _around(solid, points[part], normals[part], is_metal, reach_mm, ball))
    report(progress, 1.0)
    return balls


def report(progress: Progress | None, share: float) -> None:
    """Tells how far the work is. Raises Cancelled if it shall not go on."""
    if progress is not None and not progress(share):
        raise Cancelled("The measurement was stopped; nothing was changed.")


def straight_balls(solid: Solid, points: Floats, normals: Floats, is_metal: bool, reach_mm: float) -> Balls:
    """A first bound: the balls through what a ray straight in meets."""
    ways = -normals if is_metal else normals
    return _bounded(solid, points, ways, is_metal, points + ways * reach_mm, Balls.none(len(points)))[0]


def _around(solid: Solid, points: Floats, normals: Floats, is_metal: bool, reach_mm: float, ball: Balls) -> Balls:
    """The bound after a cone of rays and the aimed ones."""
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
    found = Balls(np.where(smaller, diameter, ball.diameters), np.where(smaller[:, None], q, ball.touches),
                  np.where(smaller[:, None], met, ball.facing))
    return found, aims


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
    """`count` places over a mesh (n, 3), (t, 3) that has some: half of them spread evenly by area, half by triangles, as
    what is small and was cut in is made of small ones. The same ones every time."""
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    doubled = np.linalg.norm(cross, axis=1)
    longest = np.sqrt(np.maximum.reduce([((b - a) ** 2).sum(axis=1), ((c - b) ** 2).sum(axis=1), ((a - c) ** 2).sum(axis=1)]))
    is_whole = doubled > SLIVER_MM * longest
    run = np.cumsum(doubled + np.where(is_whole, doubled.sum() / max(int(is_whole.sum()), 1), 0.0))
    owner = np.searchsorted(run, (np.arange(count) + 0.5) / count * run[-1])
    # Two irrational steps spread the places over long triangles without a pattern that could miss a groove.
    steps = np.arange(count)[:, None] * [0.7548776662466927, 0.5698402909980532] % 1.0
    root = np.sqrt(steps[:, :1])
    share = np.hstack([1.0 - root, root * (1.0 - steps[:, 1:]), root * steps[:, 1:]])
    points = np.einsum("ij,ijk->ik", share, vertices[triangles[owner]])
    return Places(points, cross[owner] / doubled[owner][:, None], math.sqrt(doubled.sum() / 2.0 / count))


def places_of(solid: Solid, count: int) -> Places:
    """`count` places over a solid's surface."""
    return places_on(*triangles_of(solid), count)


@dataclass(frozen=True, eq=False)
class Narrowest:
    """The smallest ball that was found: diameter_mm, the (3,) place and (3,) outward normal where it touches the surface,
    touch (3,) and facing (3,): where it meets the far wall, and that wall's normal."""

    diameter_mm: float
    point: Floats
    normal: Floats
    touch: Floats
    facing: Floats

    @property
    def middle(self) -> Floats:
        """(3,) half way across."""
        middle: Floats = (self.point + self.touch) / 2.0
        return middle

    @property
    def across(self) -> Floats:
        """(3,) unit way across, half way between square to the one wall and square to the other."""
        way = self.normal - self.facing
        across: Floats = way / np.linalg.norm(way)
        return across


SEEDS, FOLLOWED = 8, 3
"""How many of the narrowest places are read in full, and how many of those are followed. Fewer: the narrowest is missed
where the first reading ranks it lower."""

HALVINGS = 4
"""How often the step is halved on the way to the narrowest. Fewer: the place is off by more of the spacing."""

WEDGE_DEG = 10.0
"""Walls that lean together by more and do meet are an edge of metal or a crevice: no thin wall, no narrow gap. Larger:
every crevice beside a claw is a gap; smaller: feathers of metal count as edges."""

EDGE_SHARE, EDGE_LEFT = 0.85, 0.4
"""A wedge has, at this share of the way to its edge, less than this share of its width. Larger shares: blunt ends count as
edges; smaller: rounded edges count as thin."""

Counts = Callable[[Floats, Floats], "np.ndarray"]
"""Which pairs of place and touch, (n, 3) each, count: (n,) bool."""

Normals = Callable[[Floats, Floats], Floats]
"""The normals (k, 3) that the smooth surface may have at a place (3,) on a facet with a normal (3,). Square to a facet, a
ball reads a bar thinner the farther from the facet's middle it stands; square to the bar itself the ball is largest."""


@dataclass(frozen=True, eq=False)
class Search:
    """A search for what is narrowest: in the metal or in the air, up to `reach_mm`, among pairs that count. Readings
    below `follow_mm` are read in full and followed to where they are least."""

    solid: Solid
    is_metal: bool
    reach_mm: float
    follow_mm: float
    counts: Counts
    smooth: Normals

    def narrowest(self, places: Places, apart: int = 1) -> list[Narrowest]:
        """Up to `apart` narrowest places that lie apart from each other, the narrowest first; none if no facing wall
        is within reach."""
        rough = straight_balls(self.solid, places.points, places.normals, self.is_metal, self.reach_mm)
        usable = self._usable(places.points, places.normals, rough)
        seeds = _apart(places.points, np.where(usable, rough.diameters, np.inf), 2.0 * places.spacing_mm, max(SEEDS, apart))
        # The first bound serves where nothing is at stake.
        close = rough.diameters[seeds] < self.follow_mm
        found = [Narrowest(float(rough.diameters[i]), places.points[i], places.normals[i], rough.touches[i], rough.facing[i])
                 for i in seeds[~close]]
        read = self._read(places.points[seeds[close]], places.normals[seeds[close]])
        read = [*self._followed(read[:FOLLOWED], places.spacing_mm), *read[FOLLOWED:]]
        return sorted([*read, *found], key=lambda each: each.diameter_mm)[:apart]

    def _usable(self, points: Floats, normals: Floats, balls: Balls) -> np.ndarray:
        """(n,) bool: balls that were found, count, and lie in no wedge."""
        usable = np.isfinite(balls.diameters)
        usable[usable] = self.counts(points[usable], balls.touches[usable])
        narrow = np.flatnonzero(usable & (balls.diameters < self.follow_mm))
        usable[narrow] = ~self._is_wedge(points[narrow], normals[narrow], balls.at(narrow))
        return usable

    def _is_wedge(self, points: Floats, normals: Floats, balls: Balls) -> np.ndarray:
        """(n,) bool: whether the two walls lean together and meet in an edge."""
        lean = normals + balls.facing
        size = np.linalg.norm(lean, axis=1)
        wedges: np.ndarray = size > 2.0 * math.sin(math.radians(WEDGE_DEG / 2.0))
        index = np.flatnonzero(wedges)
        # Metal thins the way its walls' outward normals lean; air thins the other way.
        ways = lean[index] / size[index][:, None] * (1.0 if self.is_metal else -1.0)
        half = np.arcsin(np.minimum(size[index] / 2.0, 1.0))
        far = balls.diameters[index] / (2.0 * np.tan(half))
        middles = (points[index] + balls.touches[index]) / 2.0
        met, _ = first_hits(self.solid, middles, middles + ways * (1.5 * far + 0.02)[:, None])
        ends = np.isfinite(met)
        index, near = index[ends], (middles + ways * np.where(ends, EDGE_SHARE * met, 0.0)[:, None])[ends]
        across = normals[index] - balls.facing[index]
        across *= (balls.diameters[index] / np.linalg.norm(across, axis=1))[:, None]
        left = sum(first_hits(self.solid, near, near + side * across)[0] for side in (1.0, -1.0))
        # Near the edge of a wedge little is left across; where the way merely came out of the metal, as much as before.
        wedges[:] = False
        wedges[index] = left < EDGE_LEFT * balls.diameters[index]
        return wedges

    def _read(self, points: Floats, normals: Floats) -> list[Narrowest]:
        """Full readings at (n, 3) on facets with normals (n, 3), the narrowest first, without those that do not count."""
        if not len(points):
            return []
        tried = [self.smooth(point, normal) for point, normal in zip(points, normals)]
        owner = np.repeat(np.arange(len(points)), [len(each) for each in tried])
        points, normals = points[owner], np.concatenate(tried)
        balls = balls_at(self.solid, points, normals, self.is_metal, self.reach_mm)
        usable = self._usable(points, normals, balls)
        found = []
        for place in range(len(tried)):
            mine = np.flatnonzero(usable & (owner == place))
            if len(mine):
                i = int(mine[np.argmax(balls.diameters[mine])])
                found.append(Narrowest(float(balls.diameters[i]), points[i], normals[i], balls.touches[i], balls.facing[i]))
        return sorted(found, key=lambda each: each.diameter_mm)

    def _followed(self, found: list[Narrowest], spacing_mm: float) -> list[Narrowest]:
        """Each moved over the surface to where it is narrowest, by ever smaller steps in six directions."""
        if not found:
            return []
        points, normals = np.array([each.point for each in found]), np.array([each.normal for each in found])
        least = np.array([each.diameter_mm for each in found])
        step, turn = spacing_mm, np.arange(6) * (math.pi / 3.0)
        for _ in range(HALVINGS):
            first, second = tangents(normals)
            around = np.cos(turn)[None, :, None] * first[:, None] + np.sin(turn)[None, :, None] * second[:, None]
            lifted = np.repeat(normals, len(turn), axis=0) * step
            tried = (points[:, None] + step * around).reshape(-1, 3)
            ways, faces = first_hits(self.solid, tried + lifted, tried - lifted)
            met = np.isfinite(ways)
            owner, faces = np.repeat(np.arange(len(found)), len(turn))[met], faces[met]
            tried = tried[met] + lifted[met] * (1.0 - ways[met] / step)[:, None]
            balls = straight_balls(self.solid, tried, faces, self.is_metal, self.reach_mm)
            usable = self._usable(tried, faces, balls)
            for i in range(len(found)):
                mine = np.flatnonzero(usable & (owner == i))
                if len(mine) and balls.diameters[mine].min() < least[i]:
                    j = mine[int(np.argmin(balls.diameters[mine]))]
                    least[i], points[i], normals[i] = balls.diameters[j], tried[j], faces[j]
            step /= 2.0
        return self._read(points, normals)


def _apart(points: Floats, values: Floats, distance_mm: float, count: int) -> Ints:
    """Indices of up to `count` of the least finite values whose points are not within a distance of a lesser one."""
    chosen: list[int] = []
    free = np.isfinite(values)
    while len(chosen) < count and free.any():
        chosen.append(int(np.argmin(np.where(free, values, np.inf))))
        free &= np.linalg.norm(points - points[chosen[-1]], axis=1) > distance_mm
    return np.array(chosen, np.int32)
