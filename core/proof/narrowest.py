"""Where metal or air is narrowest on a whole surface, followed to the very place, but for edges and crevices."""
from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..mesh import Floats, Ints, cross, lengths
from ..solid.kernel import Solid, first_hits
from .looks import Ahead
from .places import Places
from .surface import Surface
from .thickness import COS_FACING, START_MM, Balls, balls_around, straight_balls, tangents

REACH_MM = 1.6
"""Walls and gaps wider than this are not looked at, as no rule asks for more. Larger: the rays take longer."""

NEAR_MM = 1.1
"""How far is looked through metal at first, and farther only where too few walls are met. Only the time taken depends on it."""

NONE_NARROWER = f"none narrower than {REACH_MM:g} mm was found, and nothing wider is looked for"
"""What a check says that found nothing within reach."""

NEAR = 1.25
"""Readings above the limit by this factor are not followed to where they are least. Smaller: a narrow place beside a
wider reading is missed."""

SEEDS, FOLLOWED = 8, 2
"""How many of the narrowest places are looked at, and how many of them are followed. Fewer: the narrowest is missed where the
first bound ranks it lower."""

BESIDE = 0.4
"""Up to which share of a ball's width corners are looked at beside it. Larger: those of one wall are taken for the other's."""

HALVINGS = 3
"""How often the step is halved on the way to the narrowest. Fewer: the place is off by more of the spacing."""

GAIN = 0.97
"""Up to which share of a place's air that of a corner is worth a move. Smaller: it is read wider than it is by as much."""

SLID, SLIDES = 6, 3
"""How many of the narrowest places of air are moved to where it is narrower, from corner to corner of its walls, and how often.
Fewer: what is narrowest at the end of a slot is missed."""

COS_PARALLEL = math.cos(math.radians(1.0))
"""Walls that lean together by less are taken as parallel. Larger angle: long slots are read at their wider end."""

WEDGE_DEG = 10.0
"""Walls that lean together by more and do meet are an edge of metal or a crevice: no thin wall, no narrow gap. Larger:
every crevice beside a claw is a gap; smaller: feathers of metal count as edges."""

EDGE_SHARE, EDGE_LEFT = 0.85, 0.4
"""A wedge has, at this share of the way to its edge, less than this share of its width. Larger shares: blunt ends count as
edges; smaller: rounded edges count as thin."""

EXTENT, AS_THIN = 0.3, 1.5
"""Thin metal goes on being thin: so far to some side, as a share of its width, it is no thicker than this many times. Larger
share, or fewer times: short necks are passed over. Smaller, or more: where a claw ends over a wall's edge, the way from the one's
inner face to the other's outer face is read."""

ROOM = 0.1
"""Metal that there must be to both sides of that, as a share of the width. Larger: thin bars are passed over; smaller: places just
inside a claw's end count."""

SIDES_DEG = ((0.0,), (180.0,), (90.0, 270.0), (45.0, 225.0, 135.0, 315.0))
"""Sides to which thin metal is followed: most goes on to one of the first, so that these are looked at alone, and all others
together. Fewer: a neck that runs between them is passed over."""

AT_ONCE, AT_ONCE_TOLD = 3, 32
"""How many of a place's normals are read in full at once, and of how many places it is told at once whether they count. Only the
time taken depends on them."""

FINE_MM = 0.001
"""Balls that may be wider by less are not looked at. Larger: bars are read thinner than they are."""

Counts = Callable[[Floats, Floats], "np.ndarray"]
"""Which pairs of place and touch, (n, 3) each, count: (n,) bool."""


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
    surface: Surface

    def narrowest(self, places: Places, ahead: Ahead, apart: int = 1) -> list[Narrowest]:
        """Up to `apart` narrowest places that lie apart from each other, the narrowest first; none if no facing wall
        is within reach. ahead: how far off walls face the places, as far as was looked."""
        seeds, rough = self._seeds(places, ahead, apart)
        return self._told(places.points[seeds], places.normals[seeds], rough.at(seeds), places.spacing_mm, apart)[:apart]

    def slid(self, found: Sequence[Narrowest], within_mm: float) -> list[Narrowest]:
        """Places of air, the narrowest first, and where it is narrower at corners of their walls, within_mm or in one plane."""
        if not found:
            return []
        points, normals, touches, facing = (np.array([getattr(each, name) for each in found])
                                            for name in ("point", "normal", "touch", "facing"))
        balls = Balls(np.array([each.diameter_mm for each in found]), touches, facing)
        moved = self._slid(points, normals, balls, within_mm)
        moved = moved[np.argsort(balls.diameters[moved], kind="stable")]
        told = self._told(points[moved], normals[moved], balls.at(moved), within_mm, len(moved))
        return sorted([*told, *found], key=lambda each: each.diameter_mm)

    def _told(self, points: Floats, normals: Floats, balls: Balls, spacing_mm: float, apart: int) -> list[Narrowest]:
        """What is said of places (n, 3) with their normals and first bounds, the narrowest first: of `apart` or more, if as many
        count."""
        # The first bound serves where nothing is at stake.
        close = balls.diameters < self.follow_mm
        found = [Narrowest(float(balls.diameters[i]), points[i], normals[i], balls.touches[i], balls.facing[i])
                 for i in np.flatnonzero(~close)]
        points, normals = points[close], normals[close]
        if len(points):
            first = slice(FOLLOWED)
            nearest = balls.at(np.flatnonzero(close)[first])
            points[first], normals[first] = self._followed(points[first], normals[first], nearest, spacing_mm)
        read: list[Narrowest] = []
        for some in np.split(np.arange(len(points)), range(max(FOLLOWED, apart), len(points), FOLLOWED)):
            # Those that come after count only where too few of the narrowest do.
            if len(read) < apart:
                read += self._read(points[some], normals[some])
        return sorted([*read, *found], key=lambda each: each.diameter_mm)

    def _seeds(self, places: Places, ahead: Ahead, apart: int) -> tuple[Ints, Balls]:
        """Indices of the places that look narrowest, and every place's ball as far as it was looked for."""
        count, upto_mm = max(SEEDS, apart), ahead.metal_mm if self.is_metal else ahead.air_mm
        for far_mm in (NEAR_MM, self.reach_mm):
            if upto_mm < min(far_mm, self.reach_mm):
                upto_mm = min(far_mm, self.reach_mm)
                ahead = self.surface.looks.ahead(places, *((upto_mm, 0.0) if self.is_metal else (0.0, upto_mm)))
            usable = _Usable(self, places, ahead.metal if self.is_metal else ahead.air)
            seeds = usable.narrowest(2.0 * places.spacing_mm, count)
            # What is farther off is wider than these, and counts only where too few of them can be narrowest.
            needed = count if (usable.balls.diameters[seeds] < self.follow_mm).any() else apart
            if len(seeds) >= needed or upto_mm >= self.reach_mm:
                break
        return seeds, usable.balls

    def _straight(self, points: Floats, normals: Floats) -> Balls:
        """First bounds at (n, 3) near where it is narrow, so that in metal most rays are short."""
        near = min(NEAR_MM, self.reach_mm) if self.is_metal else self.reach_mm
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
        if self.is_metal:
            narrow = narrow[usable[narrow]]
            usable[narrow] = self._goes_on(points[narrow], normals[narrow], balls.at(narrow))
        return usable

    def _goes_on(self, points: Floats, normals: Floats, balls: Balls) -> np.ndarray:
        """(n,) bool: whether metal is about as thin a little to any side too, and not only where it ends beside that way."""
        across = points - balls.touches
        across /= np.maximum(lengths(across), 1e-30)[:, None]
        first, second = tangents(across)
        goes_on = np.zeros(len(points), bool)
        for sides in SIDES_DEG:
            index = np.repeat(np.flatnonzero(~goes_on), len(sides))
            if not len(index):
                break
            turns = np.tile(np.radians(sides), len(index) // len(sides))[:, None]
            on = np.cos(turns) * first[index] + np.sin(turns) * second[index]
            way, width = across[index], balls.diameters[index][:, None]
            middle = (points[index] + balls.touches[index]) / 2.0
            beside = middle + EXTENT * width * on
            reach = AS_THIN * width * way
            far, walls = first_hits(self.solid, np.tile(beside, (2, 1)), np.concatenate([beside + reach, beside - reach]))
            (one, other), (wall, facing) = np.split(far, 2), np.split(walls, 2)
            is_thin = one + other <= AS_THIN * width[:, 0]
            is_thin &= np.minimum(np.einsum("ij,ij->i", wall, way), -np.einsum("ij,ij->i", facing, way)) >= COS_FACING
            aside, thin = ROOM * width * cross(on, way), np.flatnonzero(is_thin)
            starts, ends = np.stack([middle, beside - aside]), np.stack([beside, beside + aside])
            met, _ = first_hits(self.solid, starts[:, thin].reshape(-1, 3), ends[:, thin].reshape(-1, 3))
            goes_on[index[thin[np.isinf(met).reshape(2, -1).all(axis=0)]]] = True
        return goes_on

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
        tried = [self.surface.smooth_normals(point, normal) for point, normal in zip(points, normals)]
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
            waiting = waiting[bounds.diameters[waiting] > widest[owner[waiting]] + FINE_MM]
        return sorted(found.values(), key=lambda each: each.diameter_mm)

    def _slid(self, points: Floats, normals: Floats, balls: Balls, within_mm: float) -> Ints:
        """Moves the first of places (n, 3) with their normals and balls to corners of either wall, from one to the next, as long
        as the air is narrower there; returns (k,) which have moved."""
        # Between walls that are parallel it is as narrow anywhere. None is moved into a crevice, however wide it is there.
        strict = replace(self, follow_mm=math.inf)
        lean = np.einsum("ij,ij->i", normals, balls.facing)
        some = np.flatnonzero(lean > -COS_PARALLEL)[:SLID]
        has_moved = np.zeros(len(points), bool)
        for _ in range(SLIDES):
            if not len(some):
                break
            ends = np.concatenate([points[some], balls.touches[some]])
            walls = np.concatenate([normals[some], balls.facing[some]])
            below = GAIN * np.tile(balls.diameters[some], 2)
            tried, faces, of_end = self.surface.corners_across(ends, walls, np.roll(ends, len(some), axis=0),
                                                               np.roll(walls, len(some), axis=0), within_mm, below)
            owner = some[of_end % len(some)]
            found, _ = straight_balls(self.solid, tried, faces, False, float(balls.diameters[some].max()))
            narrower = np.flatnonzero(found.diameters < GAIN * balls.diameters[owner])
            narrower = narrower[strict._usable(tried[narrower], faces[narrower], found.at(narrower))]
            for j in narrower[np.argsort(-found.diameters[narrower], kind="stable")]:
                # The narrowest comes last.
                i = owner[j]
                points[i], normals[i] = tried[j], faces[j]
                balls.put(slice(i, i + 1), found.at(slice(j, j + 1)))
            some = np.unique(owner[narrower])
            has_moved[some] = True
        return np.flatnonzero(has_moved).astype(np.int32)

    def _followed(self, points: Floats, normals: Floats, balls: Balls, spacing_mm: float) -> tuple[Floats, Floats]:
        """Places (n, 3) and their normals, each moved over the surface to where it is narrowest: by ever smaller steps in six
        directions, and to the corners of triangles that are nearest to each other about its ball."""
        count, turn, step = len(points), np.arange(6) * (math.pi / 3.0), spacing_mm
        for _ in range(HALVINGS):
            first, second = tangents(normals)
            around = np.cos(turn)[None, :, None] * first[:, None] + np.sin(turn)[None, :, None] * second[:, None]
            lifted = np.repeat(normals, len(turn), axis=0) * step
            tried = (points[:, None] + step * around).reshape(-1, 3)
            ways, faces = first_hits(self.solid, tried + lifted, tried - lifted)
            met = np.isfinite(ways)
            of_corners = [self.surface.corners_between(*each) for each in zip(
                points, balls.touches, np.minimum(step, BESIDE * balls.diameters).tolist())]
            owner = np.concatenate([np.repeat(np.arange(count), len(turn))[met],
                                    np.repeat(np.arange(count), [len(each) for each, _ in of_corners])])
            on_surface = tried[met] + lifted[met] * (1.0 - ways[met] / step)[:, None]
            tried = np.concatenate([on_surface, *(each for each, _ in of_corners)])
            faces = np.concatenate([faces[met], *(each for _, each in of_corners)])
            # No wider ones are looked for than where each is.
            found, _ = straight_balls(self.solid, tried, faces, self.is_metal, float(balls.diameters.max()))
            narrower = np.flatnonzero(found.diameters < balls.diameters[owner])
            narrower = narrower[self._usable(tried[narrower], faces[narrower], found.at(narrower))]
            for j in narrower[np.argsort(-found.diameters[narrower], kind="stable")]:
                # The narrowest comes last.
                i = owner[j]
                points[i], normals[i] = tried[j], faces[j]
                balls.put(slice(i, i + 1), found.at(slice(j, j + 1)))
            step /= 2.0
        return points, normals


class _Usable:
    """The usable ones among the balls at places: of each it is told once, and only where it matters."""

    def __init__(self, search: Search, places: Places, ahead: Floats) -> None:
        self.search, self.points, self.normals, self.ahead = search, places.points, places.normals, ahead
        self.balls = Balls.none(len(self.points))

    def narrowest(self, distance_mm: float, count: int) -> Ints:
        """Indices of up to `count` of the narrowest whose places are not within a distance of a narrower one."""
        points, chosen = self.points, np.zeros(0, np.int32)
        index = np.flatnonzero(self.ahead <= self.search.reach_mm)
        # Of some as narrow, the first: amid a face rather than beside a corner.
        index = index[np.argsort(np.rint(self.ahead[index] / FINE_MM), kind="stable")]
        for some in np.split(index, range(AT_ONCE_TOLD, len(index), AT_ONCE_TOLD)):
            near = np.linalg.norm(points[some, None] - points[chosen], axis=2) <= distance_mm
            some = some[~near.any(axis=1)]
            some = some[self._are_usable(some)]
            while len(some) and len(chosen) < count:
                chosen = np.append(chosen, some[0]).astype(np.int32)
                some = some[lengths(points[some] - points[some[0]]) > distance_mm]
            if len(chosen) == count:
                break
        return chosen

    def _are_usable(self, index: np.ndarray) -> np.ndarray:
        """(n,) bool, by rays: something else may stand before the wall."""
        points, normals = self.points[index], self.normals[index]
        upto_mm = float(self.ahead[index].max(initial=START_MM)) + FINE_MM
        balls, _ = straight_balls(self.search.solid, points, normals, self.search.is_metal, upto_mm)
        self.balls.put(index, balls)
        return self.search._usable(points, normals, balls)
