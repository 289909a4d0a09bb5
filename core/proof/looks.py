"""How far it is to walls from many places at once, in tables of all places and walls that may matter, which takes a fraction of the time
of a ray from each as long as the walls are not too many."""
from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..mesh import Floats, cross, ordered
from ..solid.kernel import Solid, first_hits, ways_through
from .places import Places
from .thickness import COS_FACING, START_MM, straight_balls

MOST_WALLS, MOST_CROSSED = 10_000, 7000
"""How many triangles are looked at in tables, from the surface and along any way: more are met by rays. Only the time taken depends
on them."""

BUNCH, FEW_WALLS, CELL_MM = (40, 64), 4000, 3.0
"""How many places are looked from at once at many walls and at few, how many those are at most, and how large the cubes are by which
places are put together. Only the time taken depends on them."""

PAIRS = 60_000
"""How large a table of ways and walls is. Only the time taken depends on it."""

ROUGH = 2e-6
"""By which share of the greatest coordinate a first look, in single precision, may be wrong. Larger: more is looked at again; smaller:
walls just within reach are missed."""

ROUNDING = 1e-9
"""How far beside a triangle, as a share of its height, a place is still on it, so that none falls between two. Larger: walls are met
beside their edges."""

Singles = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Ahead:
    """How far it is, straight ahead of places, to a wall that faces them, (n,) mm each: through metal and through air, but for what
    stands between. inf where it is more than metal_mm and air_mm."""

    metal: Floats
    air: Floats
    metal_mm: float
    air_mm: float

    def where(self, kept: np.ndarray) -> Ahead:
        """Of only some of the places."""
        return Ahead(self.metal[kept], self.air[kept], self.metal_mm, self.air_mm)


class Looks:
    """Looks at the walls of a solid: the corners of its triangles, each (t, 3), their unit normals (t, 3), twice their areas (t,), and how
    far along their normals they lie (t,)."""

    def __init__(self, solid: Solid, corners: tuple[Floats, Floats, Floats], normals: Floats, doubled: Floats, heights: Floats) -> None:
        self.solid, self.corners, self.normals, self.doubled, self.heights = solid, corners, normals, doubled, heights

    @property
    def is_in_tables(self) -> bool:
        """Whether there are so few walls that looking both ways takes no longer than looking one way."""
        return len(self.normals) <= MOST_WALLS

    def ahead(self, places: Places, metal_mm: float, air_mm: float) -> Ahead:
        """From places on its surface."""
        found = Ahead(np.full(len(places.points), np.inf), np.full(len(places.points), np.inf), metal_mm, air_mm)
        if not len(places.points):
            return found
        if not self.is_in_tables:
            for nearest, is_metal, upto_mm in ((found.metal, True, metal_mm), (found.air, False, air_mm)):
                if upto_mm > 0.0:
                    nearest[:] = straight_balls(self.solid, places.points, places.normals, is_metal, upto_mm)[0].diameters
            return found
        order = _together(places)
        points, ways = places.points[order], -places.normals[order]
        place, wall = self._near(points, ways, metal_mm, air_mm)
        far, cosine = self._met(points.take(place, axis=0), ways.take(place, axis=0), wall)
        faces = cosine >= COS_FACING
        for nearest, ways_mm, upto_mm in ((found.metal, far, metal_mm), (found.air, -far, air_mm)):
            # Nothing is nearer but the wall that the place itself is on.
            met = np.flatnonzero(faces & (ways_mm >= START_MM) & (ways_mm <= upto_mm))
            np.minimum.at(nearest, order[place[met]], ways_mm[met])
        return found

    def to_end_mm(self, points: Floats, ways: Floats, far_mm: float) -> Floats:
        """(n,) how far it is from places (n, 3) along unit ways (n, 3) to where they next leave metal, mm, which is how far the metal
        reaches from places in it; 0 where they leave none up to far_mm."""
        if not len(points):
            return np.zeros(0)
        if len(self.normals) > MOST_CROSSED:
            ends = points + ways * far_mm
            far, facing = first_hits(self.solid, points, ends)
            # From air a way enters metal at the first wall and leaves it at the second.
            enters = np.flatnonzero(np.einsum("ij,ij->i", facing, ways) < 0.0)
            far[enters] = [met[1] if len(met) > 1 else np.inf for met in ways_through(self.solid, points[enters], ends[enters])]
        else:
            far = np.full(len(points), np.inf)
            way, wall = self._crossed(points, ways)
            ahead, cosine = self._met(points.take(way, axis=0), ways.take(way, axis=0), wall)
            met = np.flatnonzero((cosine > 0.0) & (ahead >= 0.0) & (ahead <= far_mm))
            np.minimum.at(far, way[met], ahead[met])
        return np.where(np.isfinite(far), far, 0.0)

    @cached_property
    def _exact(self) -> Floats:
        """(t, 12): normals and heights, and how much of the second and of the third corner there is in a place: what it has of three
        numbers each, and a share."""
        (a, b, c), size = self.corners, np.maximum(self.doubled, 1e-30)[:, None]
        second, third = cross(c - a, self.normals) / size, cross(self.normals, b - a) / size
        shares = (-np.einsum("ij,ij->i", each, a) for each in (second, third))
        return np.column_stack([self.normals, self.heights, second, third, *shares])

    @cached_property
    def _rough_mm(self) -> float:
        return ROUGH * max(1.0, *(float(np.abs(each).max(initial=0.0)) for each in self.corners))

    @cached_property
    def _planes(self) -> Singles:
        """(4, t) normals and heights."""
        planes: Singles = self._exact[:, :4].T.astype(np.float32, order="C")
        return planes

    @cached_property
    def _boxes(self) -> tuple[Singles, Singles]:
        """Lowest and highest corners, each (3, t), and a little more."""
        a, b, c = self.corners
        low, high = np.minimum(np.minimum(a, b), c) - self._rough_mm, np.maximum(np.maximum(a, b), c) + self._rough_mm
        return low.T.astype(np.float32, order="C"), high.T.astype(np.float32, order="C")

    @cached_property
    def _sides(self) -> list[Singles]:
        """Three times (6, t): the lines from corner to corner, of which the product with a way's tells on which side it passes."""
        a, b, c = self.corners
        return [np.concatenate([cross(one, other).T, (other - one).T]).astype(np.float32, order="C")
                for one, other in ((a, b), (b, c), (c, a))]

    def _met(self, points: Floats, ways: Floats, wall: np.ndarray) -> tuple[Floats, Floats]:
        """(k,) how far it is from places (k, 3) along unit ways (k, 3) to a wall each (k,), mm, inf where it is passed by; and (k,) the
        cosine between its normal and the way."""
        exact = self._exact.take(wall, axis=0)
        cosine = np.einsum("ij,ij->i", exact[:, :3], ways)
        far = (exact[:, 3] - np.einsum("ij,ij->i", exact[:, :3], points)) / np.where(cosine == 0.0, np.nan, cosine)
        at = points + far[:, None] * ways
        second, third = (np.einsum("ij,ij->i", exact[:, 4 + 3 * i:7 + 3 * i], at) + exact[:, 10 + i] for i in range(2))
        is_met = (second >= -ROUNDING) & (third >= -ROUNDING) & (second + third <= 1.0 + ROUNDING)
        return np.where(is_met, far, np.inf), cosine

    def _near(self, points: Floats, ways: Floats, metal_mm: float, air_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Pairs of places (n, 3) and the walls that face them within reach, ahead along unit ways (n, 3) through metal, or behind
        through air: all that ways meet, and others of which they only meet the box."""
        bunch = BUNCH[len(self.normals) <= FEW_WALLS]
        starts = np.arange(0, len(points), bunch)
        one, other = points + ways * metal_mm, points - ways * air_mm
        lows, highs = np.minimum(one, other).astype(np.float32), np.maximum(one, other).astype(np.float32)
        low, high = np.minimum.reduceat(lows, starts), np.maximum.reduceat(highs, starts)
        half_mm, least = (metal_mm + air_mm) / 2.0 + self._rough_mm, COS_FACING - ROUGH
        # Half the reach along each way, and its middle, from which a wall is within reach if it is no farther than that.
        looks = (ways * half_mm).astype(np.float32)
        middles = np.column_stack([-(one + other) / 2.0, np.ones(len(points))]).astype(np.float32)
        sizes = np.diff(starts, append=len(points))
        mean = np.add.reduceat(looks, starts) / sizes[:, None].astype(np.float32)
        off = looks - np.repeat(mean, sizes, axis=0)
        spread = np.sqrt(np.maximum.reduceat(np.einsum("ij,ij->i", off, off), starts))
        # None of a bunch looks another way than their mean by more than the spread.
        may = mean @ self._planes[:3] >= np.float32(least * half_mm) - spread[:, None]
        for axis, (lowest, highest) in enumerate(zip(*self._boxes)):
            may &= (lowest <= high[:, axis, None]) & (highest >= low[:, axis, None])
        # In memory that is used again: getting it anew takes longer than filling it.
        rooms = [np.empty(bunch * int(may.sum(axis=1).max()), kind) for kind in (np.float32, np.float32, bool, bool)]
        pairs = []
        for start, each in zip(starts.tolist(), may):
            walls, own, size = np.flatnonzero(each), slice(start, start + bunch), min(bunch, len(points) - start)
            planes = self._planes.take(walls, axis=1)
            reach, rise, faces, is_near = (room[:size * len(walls)].reshape(size, len(walls)) for room in rooms)
            np.matmul(looks[own], planes[:3], out=reach)
            np.abs(np.matmul(middles[own], planes, out=rise), out=rise)
            np.greater_equal(reach, np.float32(least * half_mm), out=faces)
            faces &= np.less_equal(rise, reach, out=is_near)
            pairs.append(_pairs(faces, start, walls))
        place, wall = (np.concatenate(each) for each in zip(*pairs))
        # Of most pairs the wall lies beside the way.
        for lowest, highest, low, high in zip(*self._boxes, np.ascontiguousarray(lows.T), np.ascontiguousarray(highs.T)):
            meets = np.flatnonzero((lowest.take(wall) <= high.take(place)) & (highest.take(wall) >= low.take(place)))
            place, wall = place.take(meets), wall.take(meets)
        return place, wall

    def _crossed(self, points: Floats, ways: Floats) -> tuple[np.ndarray, np.ndarray]:
        """Pairs of ways from places (n, 3) along (n, 3) and the walls that they leave metal through, ahead or behind: all of those, and
        some that are passed by a little."""
        lines, margin = np.column_stack([ways, cross(points, ways)]).astype(np.float32), np.float32(-self._rough_mm * self._rough_mm / ROUGH)
        count = max(1, PAIRS // max(1, len(self.normals)))
        rooms, pairs = [np.empty((count, len(self.normals)), np.float32) for _ in range(2)], []
        for start in range(0, len(points), count):
            own = lines[start:start + count]
            least, other = (room[:len(own)] for room in rooms)
            np.matmul(own, self._sides[0], out=least)
            for side in self._sides[1:]:
                np.minimum(least, np.matmul(own, side, out=other), out=least)
            pairs.append(_pairs(least >= margin, start, np.arange(least.shape[1])))
        way, wall = (np.concatenate(each) for each in zip(*pairs))
        return way, wall


def _pairs(table: np.ndarray, start: int, walls: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which rows, counted from `start`, and which of the walls its columns stand for, a table (n, w) bool says."""
    row, column = np.divmod(np.flatnonzero(table), max(1, table.shape[1]))
    return row + start, walls[column]


def _together(places: Places) -> NDArray[np.int64]:
    """(n,) the places' order in which those that are near each other and look the same way follow each other."""
    cells = np.floor(places.points / CELL_MM).astype(np.int64)
    cells -= cells.min(axis=0)
    _, wide, high = (cells.max(axis=0) + 1).tolist()
    sides = np.rint(places.normals).astype(np.int64) @ [9, 3, 1] + 13
    return ordered(((cells[:, 0] * wide + cells[:, 1]) * high + cells[:, 2]) * 27 + sides)
