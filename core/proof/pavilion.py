"""The pavilion over the metal: where the stone rests, how wide its bearing is, and where it touches below that.

The pavilion is followed down in columns from places on the girdle towards the culet, and at each level the way from the
stone to the nearest metal is taken in the plane. So corners, mitres, claws that stand apart and rails all read alike; a
way in square to the girdle would run along the facets at a corner and meet metal that lies elsewhere.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, PolyMesh
from ..solid.kernel import bounds
from ..stone.facets import LEVEL
from ..tolerance import READ_MM
from .frame import FLAT_MM, HAIR_MM, Frame
from .halves import facet_planes, is_convex
from .loops import area_mm2, crossings, distances_mm, farthest_crossings, is_inside, is_ring, largest

LEVELS = 18
"""Levels between the top of the bearing and the culet, closer together above."""

CROWDING = 1.6
"""How much closer: the power that spaces them. Larger: a rail low down is passed by."""

ALIKE_MM, AWAY_MM = 0.1, 0.5
"""Towards the culet the columns come together: places no farther than the first from one whose room is more than the second
have the same room as that. Larger, and smaller: room that is held to a limit would be read beside its place."""

ROOM_MM = 1.5
"""From farther than this metal is not looked for: more than any wall or claw is thick. Smaller: the inside of thick metal
would count as free; larger: slower."""

FLAT_ROOM_MM = 0.05
"""The most room that a seat is cut with: a flat base that hovers by less settles onto what lies under it. Common practice,
no source."""

CORNERS = 0.5
"""By how much more, as a share, the corners of a seat cut with room stand off the stone than its faces: square corners by
0.41, and steep faces come near more slowly as the stone settles. Larger: loose places count as bearing."""

FAR_MM = 1e3
"""Stands for the room where there is no metal."""

MOST_PLANES = 600
"""Stones with more facets are read by their sections. Larger: slower than those."""

NO_WAY_MM = 1e-12
"""Less than this is no way to a plane. Larger: what lies on an edge would be laid to another facet."""

ABOVE_CULET_MM = 0.02
"""Where the lowest level lies above the culet. Larger: a touch close to the culet is missed."""


@dataclass(frozen=True, eq=False)
class Columns:
    """heights_mm (h,), highest first; places (h, n, 2) on the pavilion, nan where it is not met; slopes_mm (h, n): way
    square to the facet from each place to the next level; room_mm (h, n): from there out to the metal, square to the
    facet, negative where metal stands in the stone."""

    heights_mm: Floats
    places: Floats
    slopes_mm: Floats
    room_mm: Floats

    @property
    def settling_mm(self) -> float:
        """How far the stone stands off the metal before it settles on it; 0 if it touches."""
        least = float(self.room_mm.min())
        return max(0.0, least) if math.isfinite(least) else 0.0

    def place(self, level: int, column: int) -> Floats:
        """(3,) on the pavilion."""
        return np.array([*self.places[level, column], self.heights_mm[level]])


def columns(frame: Frame, starts: Floats, top_mm: float) -> Columns:
    """Down the pavilion from below places (n, 2) on the girdle, from `top_mm` to the culet; only there where the top lies
    below it."""
    # A stone with a flat base has nothing below.
    low = frame.base_mm if frame.has_flat_base else float(frame.culet[2]) + ABOVE_CULET_MM
    top = max(top_mm - HAIR_MM, low)
    heights = top - (top - low) * np.linspace(0.0, 1.0, LEVELS) ** CROWDING
    ways = starts - frame.culet[:2]
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    facets = _convex_planes(frame.placed)
    if facets is not None:
        places, slopes, shares = _on_facets(heights, frame.culet[:2], ways, *facets)
    else:
        places, slopes, shares = _on_sections(frame, heights, ways)
    if top_mm >= frame.girdle_plane_mm:
        # At the girdle's edge metal stands against its upright side.
        shares[0] = 1.0
    room, feet = _level_room(frame, heights, places)
    square = np.where(np.isfinite(room), room * shares, np.inf)
    if facets is not None:
        beside = np.isfinite(room) & (room > 0.0)
        if top_mm >= frame.girdle_plane_mm:
            beside[0] = False
        square[beside] = _square_room(places[beside], feet[beside], heights[np.nonzero(beside)[0]], square[beside],
                                      *facets)
    return Columns(heights, places, slopes, square)


def _square_room(places: Floats, feet: Floats, heights_mm: Floats, ahead_mm: Floats, normals: Floats,
                 offsets: Floats) -> Floats:
    """(n,) mm from places (n, 2) of a convex stone at heights (n,) to points (n, 2) of the metal beside them: square to the
    facet that faces the metal, or along it if that is more, for metal that stands aside. ahead_mm (n,): least room to metal
    over the place's own facet, for metal that stands at another."""
    off = np.column_stack([feet, heights_mm]) @ normals.T - offsets
    facing = np.argmax(off, axis=1)
    x, y, z = normals[facing].T
    (way_x, way_y), flat = (feet - places).T, np.maximum(np.hypot(x, y), 1e-12)
    aside = np.abs(way_x * y - way_y * x) / flat
    # How far under that facet's plane the place lies, on the level.
    under = (offsets[facing] - places[:, 0] * x - places[:, 1] * y - heights_mm * z) / flat
    room: Floats = np.maximum(np.maximum(off[np.arange(len(off)), facing], aside), np.minimum(under, ahead_mm))
    return room


def _convex_planes(placed: PolyMesh) -> tuple[Floats, Floats] | None:
    """Normals (f, 3) and offsets (f,) of a convex stone's facets below its crown: a place outside them is as far from it as
    from the farthest of them, but beside its edges. None for stones that are not convex, and for scans."""
    if len(placed) > MOST_PLANES or not is_convex(placed):
        return None
    normals, offsets = facet_planes(placed)
    below = normals[:, 2] <= LEVEL
    return normals[below], offsets[below]


def _level_room(frame: Frame, heights: Floats, places: Floats) -> tuple[Floats, Floats]:
    """(h, n) mm in the plane from places (h, n, 2) at heights to the metal, negative in it, inf where it is farther than
    ROOM_MM, and (h, n, 2) the nearest of it."""
    sides = frame.metal_sides(heights)
    room, feet = np.full(places.shape[:2], np.inf), places.copy()

    def read(some: np.ndarray) -> None:
        if some.any():
            room[some], feet[some] = sides.signed_distances_mm(places[some], np.nonzero(some)[0], ROOM_MM)

    met, group = np.isfinite(places[:, :, 0]), _groups(places)
    heads = met & (group == np.arange(places.shape[1]))
    read(heads)
    # Where the columns come together, the room is the same but for as little as they are apart.
    of_head = np.take_along_axis(room, group, axis=1)
    alike = met & ~heads & (of_head > AWAY_MM)
    read(met & ~heads & ~alike)
    room[alike] = of_head[alike]
    feet[alike] = np.take_along_axis(feet, group[:, :, None], axis=1)[alike]
    if not frame.is_joined:
        # Metal that was moved has folds, which look from outside as if one stood in it.
        level, column = np.nonzero(room < -READ_MM)
        beside = ~frame.has_metal(heights, places[level, column], level)
        room[level[beside], column[beside]] = np.inf
    return room, feet


def _groups(places: Floats) -> np.ndarray:
    """(h, n): for columns at places (h, n, 2), a column at most ALIKE_MM away at that height, the same for neighbours."""
    every = np.arange(places.shape[1])
    apart = np.linalg.norm(np.diff(places, axis=1), axis=2).mean(axis=1)
    together = np.clip(np.nan_to_num(ALIKE_MM / np.maximum(apart, 1e-6), nan=1.0), 1.0, len(every)).astype(int)[:, None]
    heads = every // together * together
    off = np.linalg.norm(places - np.take_along_axis(places, heads[:, :, None], axis=1), axis=2)
    return np.where(off <= ALIKE_MM, heads, every)


def _on_facets(heights: Floats, centre: Floats, ways: Floats, normals: Floats,
               offsets: Floats) -> tuple[Floats, Floats, Floats]:
    """Of a convex stone, (h, n, 2) where ways (n, 2) from its middle leave it at each height, nan beside it, (h, n) the way
    down the facet to the next level, mm, and how much of a level way counts square to the facet."""
    speed = ways @ normals[:, :2].T
    left = offsets - normals[:, :2] @ centre - np.outer(heights, normals[:, 2])
    # Of all planes ahead the first; one height after the other, because what is worked on then stays small enough for
    # the processor's own memory.
    facet = np.stack([(speed / np.maximum(own, NO_WAY_MM)).argmax(axis=1) for own in left])
    far = np.take_along_axis(left, facet, axis=1) / speed[np.arange(len(ways)), facet]
    inside = np.asarray((left >= 0.0).all(axis=1))
    places = np.where(inside[:, None, None], centre + ways * far[:, :, None], np.nan)
    steep = np.maximum(np.linalg.norm(normals[facet, :2], axis=2), 1e-9)
    drops = np.append(-np.diff(heights), 0.0)
    return places, drops[:, None] / steep, steep


def _on_sections(frame: Frame, heights: Floats, ways: Floats) -> tuple[Floats, Floats, Floats]:
    """The same of any stone, by its level sections."""
    loops = [largest(found) if found else None for found in (frame.stone_at(float(z)) for z in heights)]
    out = np.full((len(heights), len(ways)), -np.inf)
    out[[loop is not None for loop in loops]] = farthest_crossings([loop for loop in loops if loop is not None],
                                                                   frame.culet[:2], ways)
    places = np.where(np.isfinite(out)[:, :, None], frame.culet[:2] + ways * out[:, :, None], np.nan)
    slopes, shares = np.zeros(places.shape[:2]), np.ones(places.shape[:2])
    for i in range(len(heights) - 1):
        below, drop = loops[i + 1], float(heights[i] - heights[i + 1])
        if below is None:
            continue
        run = distances_mm(places[i], below)
        slopes[i] = np.where(np.isfinite(run), np.hypot(run, drop), drop)
        shares[i] = np.where(np.isfinite(run), drop / slopes[i], 1.0)
    shares[-1] = shares[-2]
    return places, slopes, shares


@dataclass(frozen=True, eq=False)
class Bearing:
    """width_mm (n,): of the touching band along the pavilion, 0 where there is none; whole_mm (n,): with the bands below
    it; places (n, 3): where it begins, or the column's top; begins_mm, ends_mm (n,): heights of the band; touches_again:
    (level, column) pairs; band, near (h, n) bool: where the band is, and where no more room is than a seat may have; tops
    (n, 2): where the columns begin."""

    width_mm: Floats
    whole_mm: Floats
    places: Floats
    begins_mm: Floats
    ends_mm: Floats
    touches_again: list[tuple[int, int]]
    band: np.ndarray
    near: np.ndarray
    tops: Floats

    def joined_with(self, columns: np.ndarray) -> np.ndarray:
        """(h, n) bool: what is in one piece with the bands of some columns (k,), with no more room between than a seat may
        have."""
        own = np.zeros(self.band.shape, bool)
        own[:, columns] = self.band[:, columns]
        return _joined(self.near, own, self.tops)


def bearing(found: Columns, reading_mm: float, clear_mm: float) -> Bearing:
    """The first band of each column in which the stone touches once it has settled, and where it touches again below,
    after room of more than `clear_mm`."""
    # So far off that no difference of two is endless.
    over = np.minimum(found.room_mm, FAR_MM) - (1.0 + CORNERS) * found.settling_mm - reading_mm
    touching = over <= 0.0
    count, every = over.shape[1], np.arange(over.shape[1])
    rests = touching.any(axis=0)
    begin = np.argmax(touching, axis=0)
    level = np.arange(LEVELS)[:, None]
    past = ~touching & (level > begin)
    end = np.where(past.any(axis=0), np.argmax(past, axis=0), LEVELS)
    last = end - 1
    run = np.vstack([np.zeros(count), np.cumsum(found.slopes_mm, axis=0)])
    width = run[last, every] - run[begin, every]
    after = np.minimum(end, LEVELS - 1)
    here, there = over[last, every], over[after, every]
    partly = end < LEVELS
    # In a cut seat the room is nothing until the metal leaves the stone, so the line is drawn back from below that.
    beyond = np.minimum(end + 1, LEVELS - 1)
    opens = over[beyond, every] - there
    steps = np.where(opens > 0.0, opens * found.slopes_mm[last, every], math.inf)
    back = there * found.slopes_mm[after, every] / np.where(steps > 0.0, steps, math.inf)
    is_cut = (here > -2.0 * reading_mm) & (opens > 0.0)
    share = np.where(is_cut, 1.0 - np.clip(back, 0.0, 1.0), here / np.where(here < there, here - there, 1.0))
    share = np.where(partly, share, 0.0)
    width += share * found.slopes_mm[last, every]
    z = found.heights_mm
    ends = z[last] + share * (z[after] - z[last])
    cleared = np.logical_or.accumulate((over > clear_mm) & (level >= end), axis=0)
    # What is only just read as touching lifts nothing.
    lifting = over <= -CORNERS * found.settling_mm - reading_mm / 2.0
    lifts = lifting & cleared & rests
    band = touching & (level >= begin) & (level < end)
    if lifts.any():
        lifts &= ~_joined(touching, band, found.places[0])
    again = [(int(i), int(j)) for i, j in zip(*np.nonzero(lifts))]
    first = np.where(rests, begin, 0)
    places = np.column_stack([found.places[first, every], z[first]])
    whole = width + (found.slopes_mm[:-1] * (touching[:-1] & touching[1:] & (level[:-1] >= end))).sum(axis=0)
    return Bearing(np.where(rests, width, 0.0), np.where(rests, whole, 0.0), places, z[first], np.where(rests, ends, z[0]),
                   again, band, over <= clear_mm, found.places[0])


def _joined(touching: np.ndarray, bearing: np.ndarray, tops: Floats) -> np.ndarray:
    """(h, n) bool: where the stone touches in one piece with its bearing, level by level and from column to column, as it
    does on the flank of a scoop. tops (n, 2): where the columns begin."""
    order = np.argsort(np.arctan2(*(tops - np.nanmean(tops, axis=0)).T[::-1]))
    own, found = touching[:, order], bearing[:, order]
    while True:
        wider = np.pad(found, ((1, 1), (0, 0)))
        wider = wider[:-2] | wider[1:-1] | wider[2:]
        wider = (wider | np.roll(wider, 1, axis=1) | np.roll(wider, -1, axis=1)) & own
        if (wider == found).all():
            break
        found = wider
    joined = np.zeros(touching.shape, bool)
    joined[:, order] = found
    return joined


def flat_bearing(frame: Frame, starts: Floats, normals: Floats, reach_mm: Floats) -> tuple[Floats, Floats]:
    """(n,) width of what a flat base lies on, inwards from places on the girdle, 0 where nothing is under it, and (n, 3)
    the places. A wall carries it with its top, a head without one with what stands under the base."""
    level = flat_level_mm(frame)
    width = np.zeros(len(starts))
    if abs(float(frame.culet[2]) - level) > FLAT_MM + FLAT_ROOM_MM:
        return width, np.column_stack([starts, np.full(len(starts), level)])
    below = HAIR_MM if frame.wall is not None else FLAT_MM
    for height in (level - below, level - below - FLAT_ROOM_MM):
        # A seat cut with room lies that much lower.
        loops = frame.metal_at(height) if frame.wall is None else frame.part_at("wall", height)
        if is_ring(loops):
            outer, inner = sorted(loops, key=lambda loop: -abs(area_mm2([loop])))
            beside = distances_mm(starts, outer) * ~is_inside([outer], starts)
            width = np.maximum(distances_mm(starts, inner) - beside, 0.0) * ~is_inside([inner], starts)
        else:
            width = _along_ways_in(crossings(loops, starts, -normals), reach_mm)
        if width.max(initial=0.0) > HAIR_MM:
            break
    return width, np.column_stack([starts, np.full(len(starts), level)])


def _along_ways_in(ways: Floats, reach_mm: Floats) -> Floats:
    """(n,) mm between where each way in comes onto metal and where it leaves it last, on this side of the stone."""
    near = (ways >= -HAIR_MM) & (ways <= reach_mm[:, None] + 1e-6)
    inner = np.where(near, ways, -np.inf).max(axis=1, initial=-np.inf)
    # Where the girdle itself lies over metal, the bearing begins there.
    first = np.where(near.sum(axis=1) % 2 == 1, 0.0, np.where(near, ways, np.inf).min(axis=1, initial=np.inf))
    return np.where(np.isfinite(inner), np.maximum(inner - first, 0.0), 0.0)


def flat_level_mm(frame: Frame) -> float:
    """Height of what a flat base lies on: the wall's top; without a wall the rails that end just under it, or the notches'
    own level."""
    if frame.wall is not None:
        return frame.wall_top_mm
    base = float(frame.culet[2])
    tops = [float(bounds(frame.parts[name])[1][2]) for name in frame.rail_names]
    return max((top for top in tops if 0.0 <= base - top + HAIR_MM <= FLAT_MM + FLAT_ROOM_MM), default=base)
