"""Measurements on solids, each taken once: what level sections and rays say of wall, claws and stone.

Nothing here reads the plan. Lines of measurement start on the stone's own girdle, so any convex outline will do.
"""
from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats, PolyMesh
from ..solid.kernel import (
    Solid,
    bounds,
    gap_mm,
    hull_triangles,
    overlap,
    section,
    solid_of_triangles,
    triangles_of,
    volume_mm3,
    ways_through,
)
from ..stone import Stone
from ..tolerance import SAME_POINT_MM
from .loops import (
    area_mm2,
    corners_and_middles,
    crossings,
    distances_mm,
    first_crossing,
    is_inside,
    largest,
    middle_of,
    span,
    stations_on,
)

STATION_MM = 0.3
"""How far apart the ways in from the girdle stand. Larger: a thin place or a lump hides between them."""

STATIONS = (48, 120)
"""Fewest and most of them."""

LEVELS = 28
"""Level sections between the base and the wall's top."""

CLEAR_MM = 0.02
"""Ways in to a hollow's face that differ by less are those of a clear one. Larger: a lump hides."""

WHOLE_SHARE = 0.98
"""A section of a claw with less of its largest area than this is looked through. Larger: whole ones are too."""

BODY_SHARE = 0.998
"""A level that is thinner than the wall's body all round by more is its bevel. Larger: facets count as bevel."""


DENSE = 480
"""Places on the girdle at which contact is looked for."""

HOLLOW_SHARE = 0.6
"""The lower part of the wall's height that counts as the hollow; above it bevel and seat begin."""

WALL_LEVELS = 11
"""At how many heights the wall's thickness is read before the thinnest place is looked at closely."""

FLAT_MM = 0.02
"""How far a base may lie from the girdle or from what it rests on and still count as flat. Larger: it rocks."""

EVERY, BATCH = 8, 64
"""Which planes bound a depth, and how many points are tried at once. Only the time taken depends on them."""

MOST_FACETS = 5000
"""Stones with more facets are scans. Larger: the table of points against facets fills the memory."""

MOST_TRIED = 30
"""From how many points the nearest way out of a scan is looked for. Fewer: a narrow high spot is passed over."""

OUTWARDS = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x * x + y * y + z * z in (1, 3)],
                    np.float64)
OUTWARDS /= np.linalg.norm(OUTWARDS, axis=1, keepdims=True)
"""Directions of those ways, (14, 3), along the axes and the diagonals: the way found is at most a quarter longer than
the depth."""


STRIPS = 33
"""Strips across a claw for its area and strength; exact on a round bar to a tenth of a per cent."""


PROBE_MM = 1e-3
"""Half the edge of the cube that stands for the culet. Larger: room under it is read short."""

SEATED_MM = 0.01
"""How deep metal may reach into the stone and still count as a finished seat: what a stone beds into when pushed home.
Common practice, no source."""

HAIR_MM = 1e-4
"""How far below an edge its section is taken. Larger: the rim is read beside its edge."""


@dataclass(frozen=True)
class Bar:
    """What the strips of a section say: area, and its modulus against bending towards or away from the stone."""

    area_mm2: float
    modulus_mm3: float


def bar(low: Floats, high: Floats, widths: Floats) -> Bar:
    """Of strips from `low` to `high` (n,) mm, each of a width (n,) mm; strips with nothing left count as none."""
    tall = np.maximum(high - low, 0.0)
    kept = tall > 0.0
    area = float(tall @ widths)
    if area <= 0.0:
        return Bar(0.0, 0.0)
    middle = float((tall * (low + high) / 2.0) @ widths) / area
    inertia = float(((high - middle) ** 3 - (low - middle) ** 3)[kept] @ widths[kept]) / 3.0
    reach = max(float(high[kept].max()) - middle, middle - float(low[kept].min()))
    return Bar(area, inertia / reach)


@dataclass(frozen=True)
class ClawMeasure:
    """One claw as it is found.

    foot and axis (3,): its middle line; outwards (2,): the girdle's normal beside it; edge (2,): the girdle there;
    lean: cosine of its tilt outwards; diameter_mm: square to its axis, in the girdle's normal; notch: share of that
    which the girdle cuts into; left_mm: metal left behind it; area_left and strength_left: shares of the uncut bar.
    """

    name: str
    foot: Floats
    axis: Floats
    outwards: Floats
    edge: Floats
    lean: float
    diameter_mm: float
    notch: float
    left_mm: float
    area_left: float
    strength_left: float
    girdle_mm: float

    @property
    def girdle_place(self) -> Floats:
        """(3,) where the girdle meets it."""
        return np.array([*self.edge, self.girdle_mm])

    def at_height(self, height_mm: float) -> Floats:
        """(3,) its middle at a height."""
        middle: Floats = self.foot + self.axis * ((height_mm - self.foot[2]) / self.axis[2])
        return middle


class Gauge:
    """Takes each measurement of a head once, when it is first asked for."""

    def __init__(self, metal: Solid, parts: Mapping[str, Solid], stone: Stone, placed: PolyMesh,
                 stone_solid: Solid) -> None:
        self.metal, self.parts, self.stone = metal, parts, stone
        self.placed, self.stone_solid = placed, stone_solid

    @cached_property
    def claw_names(self) -> tuple[str, ...]:
        return tuple(name for name in self.parts if name.startswith("claw"))

    @property
    def wall(self) -> Solid | None:
        return self.parts.get("wall")

    # Heights.

    @cached_property
    def base_mm(self) -> float:
        """The lowest plane of the metal."""
        return float(bounds(self.metal)[0][2])

    @cached_property
    def girdle_plane_mm(self) -> float:
        """The lower girdle edge: where the stone's own z = 0 was put."""
        return float(np.median(self.placed.vertices[:, 2] - self.stone.mesh.vertices[:, 2]))

    @property
    def crown_edge_mm(self) -> float:
        return self.girdle_plane_mm + self.stone.girdle_mm

    @cached_property
    def table_mm(self) -> float:
        return float(self.placed.vertices[:, 2].max())

    @cached_property
    def culet(self) -> Floats:
        """(3,) the stone's lowest point; the middle of them where it ends flat."""
        vertices = self.placed.vertices
        low = vertices[:, 2] <= vertices[:, 2].min() + 1e-9
        return np.array(vertices[low].mean(axis=0))

    @cached_property
    def wall_top_mm(self) -> float:
        return float(bounds(self.parts["wall"])[1][2])

    # The girdle and the ways in from it.

    @cached_property
    def girdle_loop(self) -> Floats:
        """(k, 2) the stone's section half way up its girdle, where it is widest all round."""
        return largest(section(self.stone_solid, self.girdle_plane_mm + self.stone.girdle_mm / 2.0))

    @cached_property
    def stations(self) -> tuple[Floats, Floats]:
        """Places on the girdle and outward normals, each (n, 2)."""
        count = round(self.stone.outline.perimeter_mm / STATION_MM)
        return stations_on(self.girdle_loop, min(max(count, STATIONS[0]), STATIONS[1]))

    @cached_property
    def reach_mm(self) -> Floats:
        """(n,) half the way from each station across the stone."""
        points, normals = self.stations
        ways = crossings([self.girdle_loop], points, -normals)
        across: Floats = np.where(ways > 1e-6, ways, np.inf).min(axis=1) / 2.0
        return across

    # The wall.

    @cached_property
    def taper(self) -> float:
        """Radians: lean of the outer wall to the axis between base and top; the median over the stations, because at
        corners a way in may miss the mitred wall. nan if all do."""
        points, normals = self.stations
        wall, low, high = self.parts["wall"], self.base_mm + HAIR_MM, self.wall_top_mm - HAIR_MM
        inset = [first_crossing(section(wall, z), points, -normals, -2.0) for z in (low, high)]
        met = np.isfinite(inset[0]) & np.isfinite(inset[1])
        return math.atan2(float(np.median(inset[0][met] - inset[1][met])), high - low) if met.any() else math.nan

    def wall_faces(self, height_mm: float) -> tuple[Floats | None, Floats | None]:
        """The wall part's outer and inner loop at a height; None where there is none."""
        loops = sorted(section(self.parts["wall"], height_mm), key=lambda loop: -abs(area_mm2([loop])))
        return (loops[0] if loops else None), (loops[1] if len(loops) > 1 else None)

    @cached_property
    def rim(self) -> tuple[float, Floats]:
        """Least rim, square to the wall, from the outer wall to the pavilion at the wall's top, mm, and (3,) where;
        negative if the pavilion reaches through the wall."""
        top = self.wall_top_mm
        outer, _ = self.wall_faces(top - HAIR_MM)
        stone = section(self.stone_solid, top)
        if outer is None or not stone:
            return 0.0, np.array([0.0, 0.0, top])
        pavilion = largest(stone)
        from_wall, from_stone = distances_mm(outer, pavilion), distances_mm(pavilion, outer)
        i, j = int(np.argmin(from_wall)), int(np.argmin(from_stone))
        least, place = (from_wall[i], outer[i]) if from_wall[i] <= from_stone[j] else (from_stone[j], pavilion[j])
        through = ~is_inside([outer], pavilion)
        if through.any():
            j = int(np.argmax(np.where(through, from_stone, -1.0)))
            least, place = -from_stone[j], pavilion[j]
        return float(least) * math.cos(self.taper), np.array([*place, top])

    @cached_property
    def wall_thickness(self) -> tuple[Floats, Floats]:
        """(k,) mm square to the wall and (k, 3) where, over the wall below its bevel; finer about the thinnest.

        Each corner of the faces of a section is measured to the other face, so that mitred corners read truly.
        """
        low, high = self.base_mm + 0.01, self.wall_top_mm - 0.01
        heights = np.linspace(low, high, WALL_LEVELS)
        levels = [self._thickness(float(height)) for height in heights]
        middles = [float(np.median(values)) if len(values) else math.nan for values, _ in levels]
        if not any(map(math.isfinite, middles)):
            return np.zeros(0), np.zeros((0, 3))
        read = [middle for middle in middles if math.isfinite(middle)]
        body = float(np.median(read[:WALL_LEVELS // 2 + 1]))
        kept = len(levels)
        # From the top down, levels that are thinner all round are the bevel.
        while kept > 4 and not middles[kept - 1] >= BODY_SHARE * body:
            kept -= 1
        least = [float(values.min()) if len(values) else math.inf for values, _ in levels[:kept]]
        thinnest, step = int(np.argmin(least)), float(heights[1] - heights[0])
        near = np.clip(heights[thinnest] + np.array([-0.8, -0.4, 0.4, 0.8]) * step, low, heights[kept - 1])
        levels = levels[:kept] + [self._thickness(float(height)) for height in near]
        return np.concatenate([values for values, _ in levels]), np.concatenate([places for _, places in levels])

    def _thickness(self, height_mm: float) -> tuple[Floats, Floats]:
        """(k,) mm square to the wall and (k, 3) where, at one height; empty where the wall is not a ring."""
        outer, inner = self.wall_faces(height_mm)
        if outer is None or inner is None:
            return np.zeros(0), np.zeros((0, 3))
        points = np.concatenate([outer, inner])
        # A mitred corner is farther from the other face than the wall is thick; corners of the inner face and of dents are not.
        values = np.concatenate([distances_mm(outer, inner), distances_mm(inner, outer)]) * math.cos(self.taper)
        return values, np.column_stack([points, np.full(len(points), height_mm)])

    # The pavilion over the metal.

    @cached_property
    def levels_mm(self) -> Floats:
        """(h,) heights from the wall's top, or from the girdle where no wall is known, down to the base."""
        top = self.girdle_plane_mm if self.wall is None else self.wall_top_mm
        return np.linspace(top - HAIR_MM, self.base_mm + 0.02, LEVELS)

    @cached_property
    def pavilion(self) -> tuple[Floats, Floats]:
        """(h, n) each: ways in from the girdle to the stone, and to the innermost metal; nan where there is none."""
        points, normals = self.stations
        stone = np.full((LEVELS, len(points)), np.nan)
        metal = np.full((LEVELS, len(points)), np.nan)
        for i, height in enumerate(self.levels_mm):
            if height > self.culet[2]:
                first = first_crossing(section(self.stone_solid, float(height)), points, -normals, -HAIR_MM)
                stone[i] = np.where(np.isfinite(first), first, np.nan)
            ways = crossings(section(self.metal, float(height)), points, -normals)
            if ways.shape[1]:
                inner = np.where(ways <= self.reach_mm[:, None] + 1e-6, ways, -np.inf).max(axis=1)
                metal[i] = np.where(np.isfinite(inner), inner, np.nan)
        return stone, metal

    @cached_property
    def slant(self) -> Floats:
        """(h, n) horizontal way for one mm square to the pavilion."""
        stone = self.pavilion[0]
        slope = np.gradient(stone, self.levels_mm, axis=0)
        return np.where(np.isfinite(slope), np.hypot(1.0, slope), 1.0)

    @cached_property
    def room_mm(self) -> Floats:
        """(h, n) from the pavilion out to the metal, square to it; negative where metal stands in the stone."""
        stone, metal = self.pavilion
        room = (stone - metal) / self.slant
        return np.where(np.isfinite(room), room, np.inf)

    @cached_property
    def settling_mm(self) -> float:
        """How far the stone stands off the metal before it settles on it; 0 if it touches."""
        least = float(self.room_mm.min())
        return max(0.0, least) if math.isfinite(least) else 0.0

    def bearing(self, reading_mm: float, clear_mm: float) -> tuple[Floats, Floats, list[tuple[int, int]]]:
        """(n,) width of the touching band along the pavilion below the wall's top, (n, 3) where it begins, and the
        (level, station) pairs where the stone touches again below it, after room of more than `clear_mm`."""
        stone, _ = self.pavilion
        over = self.room_mm - self.settling_mm - reading_mm
        touching = over <= 0.0
        points, normals = self.stations
        z = self.levels_mm
        width = np.zeros(len(points))
        again: list[tuple[int, int]] = []
        for j in range(len(points)):
            column = touching[:, j]
            begin = int(np.argmax(column))
            if not column[begin]:
                continue
            end = begin + int(np.argmin(column[begin:])) if not column[begin:].all() else len(column)
            last = end - 1
            width[j] = math.hypot(stone[last, j] - stone[begin, j], z[last] - z[begin])
            if end < len(column) and np.isfinite(over[end, j]):
                share = over[last, j] / (over[last, j] - over[end, j])
                width[j] += share * math.hypot(stone[end, j] - stone[last, j], z[end] - z[last])
            clear = np.flatnonzero(over[end:, j] > clear_mm)
            if len(clear):
                below = end + int(clear[0])
                again += [(int(i), j) for i in np.flatnonzero(column[below:]) + below]
        inset = np.where(np.isfinite(stone[0]), stone[0], 0.0)
        places = np.column_stack([points - normals * inset[:, None], np.full(len(points), z[0])])
        return width, places, again

    @property
    def has_flat_base(self) -> bool:
        """True if the stone ends at its girdle, so that it rests on the wall's top and not on a pavilion."""
        return float(self.culet[2]) > self.girdle_plane_mm - FLAT_MM

    def flat_bearing(self) -> tuple[Floats, Floats]:
        """(n,) width of the wall's top under a flat base, 0 where the base does not lie on it, and (n, 3) its outer edge."""
        points, normals = self.stations
        top = self.wall_top_mm
        ways = crossings(section(self.parts["wall"], top - HAIR_MM), points, -normals)
        width = np.zeros(len(points))
        if ways.shape[1] and abs(float(self.culet[2]) - top) <= FLAT_MM:
            inner = np.where(ways <= self.reach_mm[:, None] + 1e-6, ways, -np.inf).max(axis=1)
            width = np.maximum(np.where(np.isfinite(inner), inner, 0.0), 0.0)
        return width, np.column_stack([points, np.full(len(points), top)])

    def place_at(self, level: int, station: int, inset_mm: float) -> Floats:
        """(3,) on a way in from the girdle."""
        points, normals = self.stations
        return np.array([*(points[station] - normals[station] * inset_mm), self.levels_mm[level]])

    @cached_property
    def intrusion(self) -> tuple[float, Floats]:
        """Most that metal stands out of the hollow's face, mm, and (3,) where, in the lower part of the wall, where no
        seat is cut: by how much more than usual a place of the hollow lies from the outer wall."""
        top = self.base_mm + HOLLOW_SHARE * (self.wall_top_mm - self.base_mm)
        points, normals = self.stations
        most, place = 0.0, self.culet
        for i in np.flatnonzero(self.levels_mm <= top):
            inner = self.pavilion[1][i]
            met = np.isfinite(inner)
            # A round hollow is known to be clear from its ways in; only where one stands out is more looked at.
            if met.any() and np.ptp(inner[met]) <= CLEAR_MM:
                continue
            height = float(self.levels_mm[i])
            outer, face = self.wall_faces(height)
            within = sorted(section(self.metal, height), key=lambda loop: -abs(area_mm2([loop])))[1:]
            if outer is None or face is None or not within:
                continue
            usual = float(np.median(distances_mm(face, outer)))
            found = np.concatenate([corners_and_middles(loop) for loop in within])
            over = distances_mm(found, outer) - usual
            over[~is_inside([outer], found)] = -np.inf
            j = int(np.argmax(over))
            if over[j] > most:
                most, place = float(over[j]), np.array([*found[j], height])
        return most, place

    def room_at_culet(self, reach_mm: float) -> tuple[float, Floats]:
        """From the culet to the metal, mm, at most `reach_mm`, and (3,) the culet."""
        corner = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
        probe = solid_of_triangles(*hull_triangles(self.culet + PROBE_MM * corner), "probe at the culet")
        return gap_mm(probe, self.metal, reach_mm), self.culet

    def claw_in_hollow(self, claw: ClawMeasure) -> tuple[float, float, Floats]:
        """How far a claw stands out of the wall's inner face, mm (negative: it does not), the largest area of its
        section beyond it, mm2, and (3,) where."""
        across = np.array([-claw.outwards[1], claw.outwards[0]])
        turn = np.arange(1, STRIPS + 1) * (math.pi / (STRIPS + 1))
        half = claw.diameter_mm / 2.0
        widths = half * np.sin(turn) * (math.pi / (STRIPS + 1))
        most, most_area, place = -math.inf, 0.0, claw.foot
        for height, wall in self._hollow_sections:
            centre = claw.at_height(height)[:2]
            own = section(self.parts[claw.name], height)
            # A convex claw stands farthest out in its middle; strips are needed only if it stands out there.
            over, inner = self._beyond(own, wall, claw, centre[None, :])
            if over[0] > most:
                most, place = float(over[0]), np.array([*(centre - claw.outwards * inner[0]), height])
            if over[0] > 0.0:
                strips, _ = self._beyond(own, wall, claw, centre + np.outer(half * np.cos(turn), across))
                most_area = max(most_area, float(np.maximum(strips, 0.0) @ widths))
        return most, most_area, place

    @cached_property
    def _hollow_sections(self) -> list[tuple[float, list[Floats]]]:
        """Heights of the hollow and the wall's loops there."""
        top = self.base_mm + HOLLOW_SHARE * (self.wall_top_mm - self.base_mm)
        return [(float(z), section(self.parts["wall"], float(z))) for z in np.linspace(self.base_mm + 0.02, top, 5)]

    def _beyond(self, own: Sequence[Floats], wall: Sequence[Floats], claw: ClawMeasure,
                origins: Floats) -> tuple[Floats, Floats]:
        """(n,) how far a claw's section reaches inwards past the wall's inner face, and how far in from the origins."""
        lines = np.tile(-claw.outwards, (len(origins), 1))
        inner = span(own, origins, lines)[1]
        # Of the wall on this side only: the far side lies beyond the middle.
        middle = np.maximum(origins @ claw.outwards, claw.diameter_mm / 2.0)[:, None]
        ways = crossings(wall, origins, lines)
        face = np.where(ways <= middle, ways, -np.inf).max(axis=1) if ways.shape[1] else np.full(len(inner), -np.inf)
        return np.where(np.isfinite(face), inner - face, inner), inner

    # What stone and metal have in common.

    @cached_property
    def placed_reach_mm(self) -> float:
        """Longer than any way through the stone."""
        return float(np.ptp(self.placed.vertices, axis=0).sum())

    @cached_property
    def common(self) -> tuple[float, float, Floats]:
        """Volume that metal and stone both claim, mm3, how deep it reaches below the facets, mm, and (3,) where."""
        both = overlap(self.metal, self.stone_solid)
        volume = max(0.0, volume_mm3(both))
        vertices, triangles = triangles_of(both)
        if not len(vertices):
            return volume, 0.0, self.culet
        # Long edges run through the stone from facet to facet, so their middles are looked at too.
        after = np.concatenate([triangles[:, 1:], triangles[:, :1]], axis=1).ravel()
        ends = np.column_stack([triangles.ravel(), after])[triangles.ravel() < after]
        ways = vertices[ends[:, 1]] - vertices[ends[:, 0]]
        ends = ends[np.einsum("ij,ij->i", ways, ways) > SEATED_MM**2]
        vertices = np.concatenate([vertices, vertices[ends].mean(axis=1)])
        if len(self.placed) > MOST_FACETS:
            # A scan has too many facets to try each, and may not be convex: the nearest way out is looked for instead.
            vertices = vertices[::max(1, len(vertices) // MOST_TRIED)]
            depth = np.array([min((ways[0] for ways in ways_through(self.stone_solid, np.tile(point, (len(OUTWARDS), 1)),
                                                                    point + OUTWARDS * self.placed_reach_mm) if ways),
                                  default=0.0) for point in vertices])
        else:
            normals = self.placed.face_normals()
            offsets = np.einsum("ij,ij->i", normals,
                                self.placed.vertices[self.placed.corners[self.placed.starts[:-1]]])
            depth = _depths(vertices, normals, offsets)
        deepest = int(np.argmax(depth))
        return volume, max(0.0, float(depth[deepest])), vertices[deepest]

    # Claws.

    @cached_property
    def claws(self) -> tuple[ClawMeasure, ...]:
        """Every claw part that stands and reaches the girdle plane."""
        found = (self._claw(name) for name in self.claw_names)
        return tuple(claw for claw in found if claw is not None)

    def _claw(self, name: str) -> ClawMeasure | None:
        solid = self.parts[name]
        girdle = self.girdle_plane_mm
        # Below the reach of any notch, and clear of the base, where hand work may have rounded it.
        heights = self.base_mm + np.linspace(0.1, 0.5, 5) * (girdle - self.base_mm)
        loops = [section(solid, float(z)) for z in heights]
        at_girdle = section(solid, girdle)
        if not at_girdle or any(not level for level in loops):
            return None
        rings = [largest(level) for level in loops]
        middles = np.array([[*middle_of(ring), z] for ring, z in zip(rings, heights)])
        slope = np.polyfit(middles[:, 2], middles[:, :2], 1)
        axis = np.array([*slope[0], 1.0])
        axis /= np.linalg.norm(axis)
        foot = np.array([*(slope[0] * self.base_mm + slope[1]), self.base_mm])
        centre = slope[0] * girdle + slope[1]
        edge, outwards = self._nearest_girdle(centre)
        lean = math.cos(math.atan2(float(axis[:2] @ outwards), float(axis[2])))
        diameter = float(np.median([np.ptp(ring @ outwards) for ring in rings])) * lean
        across = np.array([-outwards[1], outwards[0]])
        return self._notched(name, foot, axis, centre, edge, outwards, across, lean, diameter, rings[-2], at_girdle)

    def _notched(self, name: str, foot: Floats, axis: Floats, centre: Floats, edge: Floats, outwards: Floats,
                 across: Floats, lean: float, diameter: float, whole: Floats, at_girdle: list[Floats]) -> ClawMeasure:
        own = whole - middle_of(whole) + centre
        half = float(np.ptp(own @ across)) / 2.0
        turn = np.arange(1, STRIPS + 1) * (math.pi / (STRIPS + 1))
        origins = centre + np.outer(half * np.cos(turn), across)
        widths = half * np.sin(turn) * (math.pi / (STRIPS + 1))
        lines = np.tile(outwards, (STRIPS, 1))
        low, high = span([own], origins, lines)
        here_low, here_high = span(at_girdle, origins, lines)
        stone = crossings([self.girdle_loop], origins, lines)
        # The girdle beside the claw is the farthest out of what its line crosses.
        limit = np.where(np.isnan(stone), -np.inf, stone).max(axis=1)
        uncut, left = bar(low, high, widths), bar(np.maximum(here_low, limit), here_high, widths)
        middle = STRIPS // 2
        left_mm = float(here_high[middle] - max(here_low[middle], limit[middle])) * lean
        # Where the notch is cut already, its depth is read from the claw's inner face as it comes up from below.
        stone_there = section(self.stone_solid, self.girdle_plane_mm + SAME_POINT_MM)
        lower_edge = crossings(stone_there, origins[middle:middle + 1], lines[:1])
        is_cut = not np.isnan(lower_edge).all() and here_low[middle] >= np.nanmax(lower_edge) - SEATED_MM
        inner = low[middle] if is_cut else here_low[middle]
        notch = float(limit[middle] - inner) * lean / diameter
        return ClawMeasure(name, foot, axis, outwards, edge, lean, diameter, notch, max(0.0, left_mm),
                           left.area_mm2 / uncut.area_mm2, left.modulus_mm3 / uncut.modulus_mm3, self.girdle_plane_mm)

    def _nearest_girdle(self, point: Floats) -> tuple[Floats, Floats]:
        """The girdle's place nearest to a point (2,) and the normal there."""
        points, normals = self._dense
        way = np.linalg.norm(points - point, axis=1)
        nearest = int(np.argmin(way))
        return points[nearest], normals[nearest]

    @cached_property
    def _dense(self) -> tuple[Floats, Floats]:
        return stations_on(self.girdle_loop, DENSE)

    def claw_widths(self, claw: ClawMeasure, low_mm: float, high_mm: float, count: int) -> tuple[Floats, Floats]:
        """(k,) least width of a claw square to its axis, in six directions, and (k, 3) where, between two heights."""
        heights = np.linspace(low_mm, high_mm, count)
        places = claw.foot + np.outer((heights - claw.foot[2]) / claw.axis[2], claw.axis)
        across = np.array([-claw.outwards[1], claw.outwards[0]])
        turn = np.arange(6) * (math.pi / 6.0)
        lines = np.column_stack([np.cos(turn), np.sin(turn)])
        # A level section is longer by 1 / lean along the tilt; undo that before reading the widths.
        frame = np.column_stack([claw.outwards * claw.lean, across])
        rings = [largest(loops) @ frame if loops else None
                 for loops in (section(self.parts[claw.name], float(height)) for height in heights)]
        areas = np.array([0.0 if ring is None else area_mm2([ring]) for ring in rings])
        widths = np.zeros(count)
        for i, ring in enumerate(rings):
            if ring is None:
                continue
            along = ring @ lines.T
            widths[i] = float((along.max(axis=0) - along.min(axis=0)).min())
            # Where metal is missing, what is left through the middle counts, not how far its ends stand apart.
            if areas[i] < WHOLE_SHARE * areas.max():
                ways = crossings([ring], np.tile(middle_of(ring), (6, 1)), lines)
                ahead = np.where(ways >= 0.0, ways, np.inf).min(axis=1)
                behind = np.where(ways < 0.0, -ways, np.inf).min(axis=1)
                widths[i] = min(widths[i], float((ahead + behind).min()))
        return widths, places

    def claw_length_mm(self, claw: ClawMeasure) -> float:
        """From the base plane to its end, along its axis."""
        vertices, _ = triangles_of(self.parts[claw.name])
        return float(((vertices - claw.foot) @ claw.axis).max())

    def claw_top_mm(self, claw: ClawMeasure) -> float:
        return float(bounds(self.parts[claw.name])[1][2])

    @cached_property
    def girdle_contact(self) -> np.ndarray:
        """(DENSE,) bool: where metal stands at the girdle, half way up it."""
        points, normals = self._dense
        loops = section(self.metal, self.girdle_plane_mm + self.stone.girdle_mm / 2.0)
        return is_inside(loops, points + normals * (self.settling_mm + 0.01)) if loops else np.zeros(DENSE, bool)

    @property
    def dense_girdle(self) -> tuple[Floats, Floats]:
        """DENSE places on the girdle and their normals."""
        return self._dense

    def crown_line(self, claw: ClawMeasure, count: int) -> tuple[Floats, float]:
        """(count, 3) points on the crown from the girdle to the table's edge, inwards from the claw, and the slope's
        length, mm."""
        table = section(self.stone_solid, self.table_mm - 1e-5)
        inwards = -claw.outwards
        edge_to_table = float(first_crossing(table, claw.edge[None, :], inwards[None, :], 0.0)[0])
        if not math.isfinite(edge_to_table):
            edge_to_table = float(self.reach_mm.max())
        steps = np.linspace(0.0, 1.0, count) * edge_to_table
        steps[0] = 1e-3
        xy = claw.edge + np.outer(steps, inwards)
        z = self.stone.crown_height_at(xy) + self.girdle_plane_mm
        return np.column_stack([xy, z]), math.hypot(edge_to_table, self.table_mm - self.crown_edge_mm)

    def contact(self, claw: ClawMeasure, reading_mm: float) -> tuple[float, Floats]:
        """Share of the crown's slope, girdle to table, that the claw lies on, in the middle of it; (3,) its end."""
        line, _ = self.crown_line(claw, 25)
        solid = self.parts[claw.name]

        def touches(at: Floats) -> np.ndarray:
            at = np.where(np.isfinite(at), at, 1e3)
            rays = ways_through(solid, at - [0.0, 0.0, reading_mm], at + [0.0, 0.0, 2.0])
            return np.array([bool(ways) and ways[0] <= 2.0 * reading_mm for ways in rays])

        touching = touches(line)
        if not touching.any():
            return 0.0, line[0]
        last = int(np.flatnonzero(touching).max())
        after = min(last + 1, len(line) - 1)
        finer = line[last] + np.linspace(0.0, 1.0, 17)[:, None] * (line[after] - line[last])
        more = int(np.argmin(np.append(touches(finer), False))) - 1
        gaps = int((~touching[:last]).sum())
        return (last - gaps + max(more, 0) / 16.0) / (len(line) - 1), finer[max(more, 0)]


def _depths(points: Floats, normals: Floats, offsets: Floats) -> Floats:
    """(n,) mm below the nearest of the planes, for the deepest points exactly; others may read up to that deep at most.

    A few planes bound the depth of every point; all planes are tried only where that bound can still be the deepest.
    """
    depth: Floats = (offsets[::EVERY] - points @ normals[::EVERY].T).min(axis=1)
    deepest, order = -math.inf, np.argsort(-depth)
    for start in range(0, len(order), BATCH):
        batch = order[start:start + BATCH]
        if depth[batch[0]] <= deepest:
            depth[order[start:]] = np.minimum(depth[order[start:]], deepest)
            break
        depth[batch] = (offsets - points[batch] @ normals.T).min(axis=1)
        deepest = max(deepest, float(depth[batch].max()))
    return depth
