"""Where metal or air is narrowest on a whole surface, followed to the very place, but for edges and crevices."""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints
from ..solid.kernel import Solid, first_hits
from .places import Places
from .thickness import Balls, balls_around, straight_balls, tangents

REACH_MM = 1.6
"""Walls and gaps wider than this are not looked at, as no rule asks for more. Larger: the rays take longer."""

STEP_MM, SHORT = 0.2, 1.25
"""How much farther ways through metal are followed where too few walls were met, and how many times as far as what is read in
full at first where they are narrow. Only the time taken depends on them."""

NONE_NARROWER = f"none narrower than {REACH_MM:g} mm was found, and nothing wider is looked for"
"""What a check says that found nothing within reach."""

NEAR = 1.25
"""Readings above the limit by this factor are not followed to where they are least. Smaller: a narrow place beside a
wider reading is missed."""

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

AT_ONCE = 3
"""How many of a place's normals are read in full at once. Only the time taken depends on it."""

Counts = Callable[[Floats, Floats], "np.ndarray"]
"""Which pairs of place and touch, (n, 3) each, count: (n,) bool."""

Normals = Callable[[Floats, Floats], Floats]
"""The normals (k, 3) that the smooth surface may have at a place (3,) on a facet with a normal (3,). Square to a facet, a
ball reads a bar thinner the farther from the facet's middle it stands; square to the bar itself the ball is largest."""


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
        seeds, rough = self._seeds(places, apart)
        # The first bound serves where nothing is at stake.
        close = rough.diameters[seeds] < self.follow_mm
        found = [Narrowest(float(rough.diameters[i]), places.points[i], places.normals[i], rough.touches[i], rough.facing[i])
                 for i in seeds[~close]]
        read = self._read(places.points[seeds[close]], places.normals[seeds[close]])
        read = [*self._followed(read[:FOLLOWED], places.spacing_mm), *read[FOLLOWED:]]
        return sorted([*read, *found], key=lambda each: each.diameter_mm)[:apart]

    def _seeds(self, places: Places, apart: int) -> tuple[Ints, Balls]:
        """Indices of the places that look narrowest, and every place's ball as far as it was looked for: farther and
        farther, until nothing more can come of it."""
        points, normals = places.points, places.normals
        balls, usable, is_open = Balls.none(len(points)), np.zeros(len(points), bool), np.ones(len(points), bool)
        # Most ways through air lead out, so that looking twice along them costs more than looking far at once.
        done, upto = 0.0, self._near_mm
        while True:
            index = np.flatnonzero(is_open)
            found, met = straight_balls(self.solid, points[index], normals[index], self.is_metal, upto, done)
            is_open[index[met]] = False
            index, found = index[met], found.at(met)
            balls.put(index, found)
            usable[index] = self._usable(points[index], normals[index], found)
            seeds = _apart(points, np.where(usable, balls.diameters, np.inf), 2.0 * places.spacing_mm, max(SEEDS, apart))
            # What is found from here on is wider than these, and counts only where too few of them can be narrowest.
            needed = max(SEEDS, apart) if (balls.diameters[seeds] < self.follow_mm).any() else apart
            if len(seeds) >= needed or upto == self.reach_mm:
                return seeds, balls
            done, upto = upto, min(upto + STEP_MM, self.reach_mm)

    @property
    def _near_mm(self) -> float:
        """How far is looked at first: through metal little farther than what is read in full."""
        return min(SHORT * self.follow_mm, self.reach_mm) if self.is_metal else self.reach_mm

    def _straight(self, points: Floats, normals: Floats) -> Balls:
        """First bounds at (n, 3) near where it is narrow, so that in metal most rays are short."""
        near = self._near_mm
        balls, met = straight_balls(self.solid, points, normals, self.is_metal, near)
        rest = np.flatnonzero(~met)
        if near < self.reach_mm and len(rest):
            balls.put(rest, straight_balls(self.solid, points[rest], normals[rest], self.is_metal, self.reach_mm, near)[0])
        return balls

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
        if not len(index):
            return wedges
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
        bounds = self._straight(points, normals)
        widest, found = np.full(len(tried), -np.inf), {}
        # Of each place's normals the one with the largest ball counts, so that those first whose ball may be large.
        waiting = np.argsort(-bounds.diameters, kind="stable")
        while len(waiting):
            now = np.concatenate([waiting[owner[waiting] == place][:AT_ONCE] for place in range(len(tried))])
            balls = balls_around(self.solid, points[now], normals[now], self.is_metal, self.reach_mm, bounds.at(now))
            usable = self._usable(points[now], normals[now], balls)
            for j, i in zip(np.flatnonzero(usable), now[usable]):
                if balls.diameters[j] > widest[owner[i]]:
                    widest[owner[i]] = balls.diameters[j]
                    found[int(owner[i])] = Narrowest(float(balls.diameters[j]), points[i], normals[i], balls.touches[j],
                                                     balls.facing[j])
            waiting = waiting[~np.isin(waiting, now)]
            waiting = waiting[bounds.diameters[waiting] > widest[owner[waiting]]]
        return sorted(found.values(), key=lambda each: each.diameter_mm)

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
            balls = self._straight(tried, faces)
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
