"""Measures of the wall: its lean, its faces, its thickness, the rim at its top, and what stands in its hollow.

The top may be scooped and the wall may be pierced: sections that are not one ring are read along ways in from the girdle.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property

import numpy as np

from ..mesh import Floats
from ..solid.slicer import Across
from ..tolerance import SAME_POINT_MM
from .frame import HAIR_MM, Frame
from .loops import (area_mm2, corners_and_middles, corners_of, depths_mm, distances_mm, edges_of, first_crossing, is_inside,
                    is_ring, largest, starts_of)
from .nearest import Sides

BODY_SHARE = 0.998
"""A level that is thinner than the wall's body all round by more is its bevel. Larger: facets count as bevel."""

ALONG_SHARE = 1.2
"""A way through more than so much of the wall's body runs along a side of it. Smaller: lumps are passed over; larger: the
bevel of a small wall with corners is taken for its body."""

HOLLOW_SHARE = 0.6
"""The lower part of the wall's height that counts as the hollow; above it bevel and seat begin."""

WALL_LEVELS = 9
"""At how many heights the wall's thickness is read before the thinnest place is looked at closely."""

HOLLOW_MM, HOLLOW_LEVELS = 0.2, (6, 16)
"""Height between the levels at which the hollow is looked through, fewest and most. Larger: a lump hides."""

FEW_PAIRS = 12000
"""Up to how many pairs of corners and sides at one height each is looked at. Only the time taken depends on it."""

HOLLOW_FACES = 5
"""At how many of them the hollow's face is held against the claws. Fewer: a claw that stands into it is passed by."""

LONG_MM = 0.1
"""Sides of metal in the hollow are looked at in their middles too if they are longer. Larger: what they touch is passed by."""

ASIDE_MM = 1000.0
"""Wider than any head. Smaller: sections that are laid side by side would meet."""

SILL_MM = 1e-3
"""How closely the lowest opening is told."""

STANDS_MM = 0.02
"""How far below its highest place the wall's top still counts as its top. Larger: scoops count as top."""

SEAT_MM = 0.05
"""How near to the stone the inner face is its seat: the most room that a seat is cut with. Larger: thin places beside the
stone are passed over."""

FACE_SHARE = 0.5
"""How much of its length a side of a section may lie along a way in and still be a face of the wall. Smaller: dents and
bevelled corners are passed over; larger: the sides of windows count."""

DENT_MM = 0.3
"""How much farther in than usual a way may meet the wall's outer face. Smaller: dents are passed over; larger: what lies
beyond a corner is read for the wall."""

BEFORE_MM = 2.0
"""From how far before a station on the wall is looked for. Smaller: a wall that stands far out is passed over; larger: the
other side of a small one is read for it."""

SCOOPS = 2
"""From how many places on, well spread, a top that stands in them only was scooped on purpose and not filed away."""


class Wall:
    """Measures of one wall, each taken when it is first asked for."""

    def __init__(self, frame: Frame) -> None:
        self.frame, self.top_mm = frame, frame.wall_top_mm
        self._faces: dict[float, tuple[Floats | None, Floats | None]] = {}

    @cached_property
    def taper(self) -> float:
        """Radians: lean of the outer wall to the axis between base and top; the median over the stations, because at
        corners a way in may miss the mitred wall. nan if all do."""
        low, high = self.frame.base_mm + HAIR_MM, self.top_mm - HAIR_MM
        inset = self._first_met(np.array([low, high]))
        met = (inset[0] <= self.frame.reach_mm) & (inset[1] <= self.frame.reach_mm)
        return math.atan2(float(np.median(inset[0][met] - inset[1][met])), high - low) if met.any() else math.nan

    @cached_property
    def _ways_in(self) -> Across:
        """The wall under the ways in from the stations."""
        points, normals = self.frame.stations
        return Across(*self.frame.part_triangles("wall"), points, -normals)

    def _first_met(self, heights_mm: Floats) -> Floats:
        """(h, n) how far in from each station the wall is first met at heights, mm, from BEFORE_MM before it on; inf where it
        is not."""
        level, station, ways, _ = self._ways_in.at(heights_mm)
        least = np.full((len(heights_mm), len(self.frame.stations[0])), np.inf)
        met = ways >= -BEFORE_MM
        np.minimum.at(least, (level[met], station[met]), ways[met])
        return least

    def faces(self, height_mm: float) -> tuple[Floats | None, Floats | None]:
        """Outer and inner loop at a height; None where the wall is no ring there."""
        if height_mm not in self._faces:
            loops = self.frame.part_at("wall", height_mm)
            areas = [area_mm2([loop]) for loop in loops] if len(loops) == 2 else [0.0, 0.0]
            if areas[0] * areas[1] < 0.0:
                outer = int(abs(areas[1]) > abs(areas[0]))
                self._faces[height_mm] = loops[outer], loops[1 - outer]
            else:
                self._faces[height_mm] = loops[0] if len(loops) == 1 and self._goes_round(loops[0]) else None, None
        return self._faces[height_mm]

    def _goes_round(self, loop: Floats) -> bool:
        """True for a solid foot, which closes over the axis."""
        return bool(is_inside([loop], self.frame.culet[None, :2])[0])

    def _rings(self, heights_mm: Sequence[float]) -> tuple[Floats, list[Floats], list[Floats]]:
        """Those of the heights at which the wall is a ring, and its outer and inner loops there."""
        heights, outers, inners = [], [], []
        for height in heights_mm:
            outer, inner = self.faces(height)
            if outer is not None and inner is not None:
                heights.append(height)
                outers.append(outer)
                inners.append(inner)
        corners = corners_of(outers + inners)
        return np.array(heights), corners[:len(outers)], corners[len(outers):]

    def _sides_of(self, loops: Sequence[Floats]) -> Sides:
        """Of one loop at each height."""
        return Sides(*edges_of(loops), starts_of(loops), self.frame.culet[:2])

    @cached_property
    def stands(self) -> np.ndarray:
        """(n,) bool: over which stations the wall reaches its top; all of them unless the top is scooped between at
        least two places."""
        reach = self.frame.reach_mm
        _, station, ways, _ = self._ways_in.at(np.array([self.top_mm - STANDS_MM]))
        near = np.zeros(len(reach), bool)
        near[station[np.abs(ways) <= reach[station]]] = True
        runs = int((near & ~np.roll(near, 1)).sum())
        return near if runs >= SCOOPS else np.ones(len(reach), bool)

    @cached_property
    def rim(self) -> tuple[float, Floats]:
        """Least rim, square to the wall, from the outer wall to the pavilion at the wall's top, mm, and (3,) where;
        negative if the pavilion reaches through the wall."""
        return self._rim(False)

    @cached_property
    def rim_past_cleft(self) -> tuple[float, Floats]:
        """The same over the places that are not in a heart's cleft; the same value where there is none."""
        return self._rim(True) if self.frame.has_cleft and self.rim[0] >= 0.0 else self.rim

    def _rim(self, past_cleft: bool) -> tuple[float, Floats]:
        frame, top = self.frame, self.top_mm
        stone = frame.stone_at(top)
        if not stone:
            return 0.0, np.array([0.0, 0.0, top])
        pavilion = largest(stone)
        outer, _ = self.faces(top - HAIR_MM)
        if outer is None:
            return self._rim_of_pieces(pavilion)
        from_wall, from_stone = distances_mm(outer, pavilion), distances_mm(pavilion, outer)
        if past_cleft:
            from_wall = np.where(frame.is_in_cleft(outer), np.inf, from_wall)
            from_stone = np.where(frame.is_in_cleft(pavilion), np.inf, from_stone)
        i, j = int(np.argmin(from_wall)), int(np.argmin(from_stone))
        least, place = (from_wall[i], outer[i]) if from_wall[i] <= from_stone[j] else (from_stone[j], pavilion[j])
        through = ~is_inside([outer], pavilion)
        if through.any():
            j = int(np.argmax(np.where(through, from_stone, -1.0)))
            least, place = -from_stone[j], pavilion[j]
        return float(least) * math.cos(self.taper), np.array([*place, top])

    def _rim_of_pieces(self, pavilion: Floats) -> tuple[float, Floats]:
        """The same along ways in, where the top stands in pieces."""
        points, normals = self.frame.stations
        outer = self._first_met(np.array([self.top_mm - HAIR_MM]))[0]
        inset = first_crossing([pavilion], points, -normals, -HAIR_MM)
        over = np.where(np.isfinite(outer) & np.isfinite(inset) & (outer <= self.frame.reach_mm), inset - outer, np.inf)
        # Where a piece ends, a way in may come through its end, which is the scoop's flank.
        met = np.isfinite(over)
        within = met & np.roll(met, 1) & np.roll(met, -1)
        j = int(np.argmin(np.where(within, over, np.inf) if within.any() else over))
        if not math.isfinite(over[j]):
            return 0.0, np.array([0.0, 0.0, self.top_mm])
        return float(over[j]) * math.cos(self.taper), np.array([*(points[j] - normals[j] * outer[j]), self.top_mm])

    @cached_property
    def thickness(self) -> tuple[Floats, Floats]:
        """(k,) mm square to the wall and (k, 3) where, over the wall below its bevel; finer about the thinnest.

        Each corner of the faces of a section is measured to the other face, so that mitred corners read truly; where
        windows pierce the wall, the pieces between them are measured along ways in.
        """
        step = float(self._heights[1] - self._heights[0])
        heights = self._heights[~self._carry_seat(self._heights)]
        levels = self._thickness_at(heights)
        if not levels:
            return np.zeros(0), np.zeros((0, 3))
        middles, body = _usual_of([usual for _, _, usual in levels])
        if not math.isfinite(body):
            return np.zeros(0), np.zeros((0, 3))
        # Beside corners ways in run along the other side, and tell nothing of how thick the wall is.
        middles, body = _usual_of([usual[usual <= ALONG_SHARE * body] for _, _, usual in levels])
        kept = len(levels)
        # From the top down, levels that are thinner all round are the bevel.
        while kept > 4 and not middles[kept - 1] >= BODY_SHARE * body:
            kept -= 1
        least = [float(values.min()) if len(values) else math.inf for values, _, _ in levels[:kept]]
        thinnest = int(np.argmin(least))
        near = np.clip(heights[thinnest] + np.array([-0.5, 0.5]) * step, heights[0], heights[kept - 1])
        levels = levels[:kept] + self._thickness_at(near)
        return np.concatenate([values for values, _, _ in levels]), np.concatenate([places for _, places, _ in levels])

    @cached_property
    def _heights(self) -> Floats:
        """At which the thickness is read, the lowest first."""
        return np.linspace(self.frame.base_mm + 0.01, self.top_mm - 0.01, WALL_LEVELS)

    def _carry_seat(self, heights_mm: Floats) -> np.ndarray:
        """(h,) bool: at which heights the stone's own seat is cut into the inner face: all of the stone lies in the hollow and
        against the face."""
        carries = np.zeros(len(heights_mm), bool)
        heights, _, inner = self._rings([height for height in heights_mm.tolist() if self._may_touch(height)])
        stones = [largest(loops) if loops else np.zeros((0, 2)) for loops in map(self.frame.stone_at, heights.tolist())]
        if not any(map(len, stones)):
            return carries
        level = np.repeat(np.arange(len(stones)), list(map(len, stones)))
        room, _ = self._sides_of(inner).without_slivers().signed_distances_mm(np.concatenate(stones), level)
        most, least = np.full(len(stones), -np.inf), np.full(len(stones), np.inf)
        np.maximum.at(most, level, -np.abs(room))
        np.minimum.at(least, level, room)
        carries[np.searchsorted(heights_mm, heights)] = (-most <= SEAT_MM) & (least >= -SEAT_MM)
        return carries

    def _may_touch(self, height_mm: float) -> bool:
        """False where the stone is nearer to the axis, all round, than the inner face."""
        _, inner = self.faces(height_mm)
        if height_mm <= self.frame.culet[2] or inner is None:
            return False
        middle = self.frame.culet[:2]
        starts, ways = edges_of([inner - middle])
        off = np.abs(starts[:, 0] * ways[:, 1] - starts[:, 1] * ways[:, 0])
        nearest = float((off / np.maximum(np.hypot(ways[:, 0], ways[:, 1]), SAME_POINT_MM)).min())
        loops = self.frame.stone_at(height_mm)
        return bool(loops) and float(np.hypot(*(largest(loops) - middle).T).max()) >= nearest - SEAT_MM

    def _thickness_at(self, heights_mm: Floats) -> list[tuple[Floats, Floats, Floats]]:
        """For each height, (k,) mm square to the wall and (k, 3) where, and (m,) those of them that tell how thick it usually
        is: from its inner face, whose corners lie no farther from the outer face than its sides; empty where nothing of it is
        met."""
        heights, outers, inners = self._rings(heights_mm.tolist()) if self.stands.all() else (np.zeros(0), [], [])
        through = {height: (outer, inner) for height, outer, inner in zip(heights.tolist(), outers, inners)}
        # A mitred corner is farther from the other face than the wall is thick; corners of the inner face and of dents are not.
        ways = zip(self._ways_between(outers, inners), self._ways_between(inners, outers))
        read = {height: (np.concatenate(own), np.concatenate(through[height])) for height, own in zip(through, ways)}
        others = np.array([height for height in heights_mm.tolist() if height not in read])
        read.update(zip(others.tolist(), self._pieces_thickness_at(others) if len(others) else ()))
        lean = math.cos(self.taper)
        return [(values * lean, np.column_stack([points, np.full(len(points), height)]),
                 values[len(through[height][0]) if height in through else 0:] * lean)
                for height, (values, points) in ((height, read[height]) for height in heights_mm.tolist())]

    def _ways_between(self, ones: Sequence[Floats], others: Sequence[Floats]) -> list[Floats]:
        """For each pair of places (k, 2) and a loop, (k,) mm from the places to the loop."""
        pairs = list(zip(ones, others))
        found = [depths_mm(one, other) if len(one) * len(other) > FEW_PAIRS else distances_mm(one, other) for one, other in pairs]
        rest = [pair for pair, depths in zip(pairs, found) if depths is None]
        if rest:
            firsts = starts_of([one for one, _ in rest])
            level = np.repeat(np.arange(len(rest)), np.diff(firsts))
            ways, _ = self._sides_of([other for _, other in rest]).nearest(np.concatenate([one for one, _ in rest]), level)
            left = iter(np.split(np.abs(ways), firsts[1:-1]))
        return [next(left) if depths is None else depths for depths in found]

    def _pieces_thickness_at(self, heights_mm: Floats) -> list[tuple[Floats, Floats]]:
        """For each height, (k,) mm along ways in and (k, 2) where they enter, for a wall in pieces or scooped, without those
        under a scoop's bevel."""
        points, normals = self.frame.stations
        near = self._crossed_at(heights_mm)
        met: np.ndarray = np.asarray(np.isfinite(near).all(axis=2))
        if not self.stands.all():
            met &= np.isfinite(self._crossed_at(np.minimum(heights_mm + self._bevel_mm, self.top_mm - HAIR_MM))).all(axis=2)
        for height, own, leaves_mm in zip(heights_mm.tolist(), met, near[:, :, 1:]):
            stone = self.frame.stone_at(height) if height > self.frame.culet[2] else []
            if stone and own.any():
                # Where the stone's own seat is cut, as in `_carry_seat`.
                at = np.flatnonzero(own)
                own[at] = distances_mm(points[at] - normals[at] * leaves_mm[at], largest(stone)) > SEAT_MM
        return [(each[own, 1] - each[own, 0], points[own] - normals[own] * each[own, :1]) for each, own in zip(near, met)]

    def _crossed_at(self, heights_mm: Floats) -> Floats:
        """(h, n, 2) where each way in first enters the wall and leaves it at heights, mm; inf where it meets none on its
        side."""
        reach = self.frame.reach_mm
        level, station, ways, met = self._ways_in.at(heights_mm)
        near = np.flatnonzero(np.abs(ways) <= reach[station])
        way, ways, met = level[near] * len(reach) + station[near], ways[near], met[near]
        order = np.lexsort((ways, way))
        way, ways = way[order], ways[order]
        # A way through a corner meets both its sides, at one place.
        apart = np.flatnonzero((np.diff(way, prepend=-1) != 0) | (np.diff(ways, prepend=-np.inf) >= SAME_POINT_MM))
        way, ways, along = way[apart], ways[apart], self._ways_in.along(met[order[apart]])
        rank = np.arange(len(way)) - np.searchsorted(way, way)
        found, is_face = np.full((len(heights_mm) * len(reach), 2), np.inf), np.zeros((len(heights_mm) * len(reach), 2), bool)
        for side in (0, 1):
            own = rank == side
            # A way that comes or goes through the side of a window does not cross the wall from face to face.
            found[way[own], side], is_face[way[own], side] = ways[own], along[own] <= FACE_SHARE
        across = is_face.all(axis=1).reshape(len(heights_mm), -1)
        crossed: Floats = found.reshape(*across.shape, 2)
        enters = np.sort(np.where(across, crossed[:, :, 0], np.inf), axis=1)
        middle, every = np.maximum(across.sum(axis=1) - 1, 0), np.arange(len(heights_mm))
        usual = (enters[every, middle // 2] + enters[every, (middle + 1) // 2]) / 2.0
        # Beside a mitred corner a way misses its own side of the wall and comes upon the other.
        across &= crossed[:, :, 0] <= usual[:, None] + DENT_MM
        return np.where(across[:, :, None], crossed, np.inf)

    @cached_property
    def _bevel_mm(self) -> float:
        """The tallest that a bevel can be: as tall as the wall is thick at its foot."""
        near = self._crossed_at(np.array([self.frame.base_mm + 0.01]))[0]
        met = np.isfinite(near).all(axis=1)
        return float(np.median(near[met, 1] - near[met, 0])) if met.any() else 0.0

    @cached_property
    def intrusion(self) -> tuple[float, Floats]:
        """Most that metal stands out of the hollow's face, mm, and (3,) where, in the lower part of the wall, where no
        seat is cut: by how much more than usual a place of the hollow lies from the outer wall. Looked for at the
        heights at which the wall is a whole ring."""
        heights, outers, inners = self._rings(self._hollow_heights)
        if not outers:
            return 0.0, self.frame.culet
        # The wall's own face may stand out as well.
        places = [np.concatenate([corners_and_middles(inner), found])
                  for inner, found in zip(inners, self._in_hollow(heights, inners))]
        depths = self._ways_between(places, outers)
        usual = _usual_mm([_shares_mm(inner, own[len(inner):2 * len(inner)]) for inner, own in zip(inners, depths)])
        level = np.repeat(np.arange(len(places)), list(map(len, places)))
        over = np.concatenate(depths) - usual[level]
        j = int(np.argmax(over))
        return (float(over[j]), np.array([*np.concatenate(places)[j], heights[level[j]]])) if over[j] > 0.0 else (0.0, self.frame.culet)

    def _in_hollow(self, heights_mm: Floats, inners: Sequence[Floats]) -> list[Floats]:
        """For each height the places (k, 2) of metal within the inner face."""
        metal, middle = self.frame.metal_sides(heights_mm), self.frame.culet[:2]
        level = np.repeat(np.arange(len(heights_mm)), np.diff(metal.firsts))
        # A long side may touch what its ends do not.
        long = np.flatnonzero(np.hypot(metal.ways[:, 0], metal.ways[:, 1]) > LONG_MM)
        found = np.concatenate([metal.starts, metal.starts[long] + metal.ways[long] / 2.0]) - middle
        level = np.concatenate([level, level[long]])
        far = np.hypot(found[:, 0], found[:, 1])
        # Places on the face itself are none of those within it.
        inwards = np.flatnonzero(far < np.array([np.hypot(*(inner - middle).T).max() for inner in inners])[level] - HAIR_MM)
        found, level = found[inwards], level[inwards]
        tested = found * (1.0 + HAIR_MM / np.maximum(far[inwards], HAIR_MM))[:, None] + middle
        # All heights are looked at side by side in one plane.
        aside = np.array([[0.0, ASIDE_MM * i] for i in range(len(inners))])
        within = is_inside([inner + off for inner, off in zip(inners, aside)], tested + aside[level])
        found, level = found[within] + middle, level[within]
        return [found[level == i] for i in range(len(inners))]

    @cached_property
    def _hollow_heights(self) -> list[float]:
        """At which the hollow is looked through, the lowest first."""
        low, high = self.frame.base_mm + 0.02, self.frame.base_mm + HOLLOW_SHARE * (self.top_mm - self.frame.base_mm)
        count = min(max(round((high - low) / HOLLOW_MM), HOLLOW_LEVELS[0]), HOLLOW_LEVELS[1])
        return [float(height) for height in np.linspace(low, high, count)]

    @cached_property
    def sill_mm(self) -> float | None:
        """Height of the lowest place at which the wall is pierced or ends, which is that of a corner of its surface; None where
        it is a ring up to its top."""
        heights = sorted([self.frame.base_mm + HAIR_MM, *self._heights.tolist(), *self._hollow_heights, self.top_mm - HAIR_MM])
        open_at = next((i for i, z in enumerate(heights) if not is_ring(self.frame.part_at("wall", z))), None)
        if open_at is None or open_at == 0:
            return None if open_at is None else self.frame.base_mm
        corners = np.unique(self.frame.part_triangles("wall")[0][:, 2])
        corners = corners[(corners > heights[open_at - 1]) & (corners < heights[open_at])]
        corners = corners[np.diff(corners, append=math.inf) > SILL_MM]
        low, high = 0, len(corners) - 1
        while low < high:
            middle = (low + high) // 2
            between = float(corners[middle] + corners[middle + 1]) / 2.0
            low, high = (middle + 1, high) if is_ring(self.frame.part_at("wall", between)) else (low, middle)
        return float(corners[low]) if len(corners) else heights[open_at]

    @cached_property
    def hollow_loops(self) -> list[tuple[float, Floats]]:
        """Heights of the hollow at which it is closed all round, and its face (k, 2) there."""
        some = np.linspace(0, len(self._hollow_heights) - 1, HOLLOW_FACES).round().astype(int)
        found = [(height, self.faces(height)[1]) for height in (self._hollow_heights[i] for i in some)]
        return [(height, face) for height, face in found if face is not None]


def _usual_of(levels: Sequence[Floats]) -> tuple[list[float], float]:
    """The middle of what was read at each level, lowest first, nan where nothing was, and the wall's body by the lower
    levels; nan where nothing was read at all."""
    middles = [_median(values) if len(values) else math.nan for values in levels]
    read = [middle for middle in middles if math.isfinite(middle)]
    return middles, float(np.median(read[:WALL_LEVELS // 2 + 1])) if read else math.nan


def _median(values: Floats) -> float:
    """Of so few values (n,) numpy's own takes several times as long."""
    ranked = np.sort(values)
    return float(ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2.0


def _shares_mm(loop: Floats, depths: Floats) -> tuple[float, float]:
    """How deep half of a loop (k, 2) lies at most, and four fifths, by the depths (k,) of its sides' middles. By length,
    because a seat that is cut into it may have more corners than all the rest."""
    order = np.argsort(depths)
    run = np.cumsum(np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1)[order])
    half, most = depths[order[np.searchsorted(run, np.array([0.5, 0.8]) * run[-1])]].tolist()
    return half, most


def _usual_mm(shares: Sequence[tuple[float, float]]) -> Floats:
    """(k,) how far the inner face usually lies from the outer at each of k heights: half of it lies no farther, or, where
    much of it is bevelled and so nearer, half of it at most heights, if a fifth lies so far."""
    halves, most = np.array(shares).T
    usual: Floats = np.minimum(most, np.maximum(halves, np.median(halves)))
    return usual
