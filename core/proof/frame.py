"""What every measurement starts from: the solids, their level sections (each cut once), the heights and the girdle."""
from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property

import numpy as np

from ..mesh import Floats, Ints, PolyMesh
from ..solid.kernel import Solid, bounds, contains, first_hits, joined, section, triangles_of
from ..solid.slicer import Slicer
from ..stone import Stone
from ..symmetry import Copy, Symmetry, turned_copies
from .loops import Path, are_inside_sides, crossings, edges_of, hollow_deg, largest, signed_distances_mm
from .nearest import Sides

STATION_MM = 0.3
"""How far apart the ways in from the girdle stand. Larger: a thin place or a lump hides between them."""

STATIONS = (48, 96)
"""Fewest and most of them."""

DENSE = 480
"""Places on the girdle at which contact is looked for."""

FLAT_MM = 0.02
"""How far a base may lie from the girdle or from what it rests on and still count as flat. Larger: it rocks."""

HAIR_MM = 1e-4
"""How far below an edge its section is taken. Larger: the rim is read beside its edge."""

STRAIGHT_EDGES = 360
"""In how many directions a straight edge is laid against the girdle. Fewer: curved sides would seem to stand in."""

HOLDING = ("wall", "rim", "peg", "base rail", "upper rail")
"""The roles of parts that hold a stone, beside its claws."""

CLEFT_SHARE = 0.005
"""How far the girdle stands in from a straight edge where it is a cleft, as a share of the stone's width. Smaller: what
lies between two directions of the edge would count; larger: less of the cleft does."""


def holds_stone(name: str) -> bool:
    """Whether a part of this name holds a stone."""
    return name in HOLDING or name.startswith("claw")


HOLLOW_DEG = 0.5
"""By how much a girdle without a cleft may turn inwards in all, for rounding. Larger: a shallow cleft is passed over."""


class Frame:
    """The solids of a head with their heights and sections, none taken twice."""

    def __init__(self, metal: Solid, parts: Mapping[str, Solid], stone: Stone, placed: PolyMesh,
                 stone_solid: Solid, copies: Mapping[str, Copy] | None = None, is_joined: bool = True) -> None:
        self.metal, self.parts, self.stone = metal, parts, stone
        self.placed, self.stone_solid, self.is_joined = placed, stone_solid, is_joined
        self._known_copies = copies
        self._sections: dict[tuple[str, float], list[Floats]] = {}
        self._triangles: dict[str, tuple[Floats, Ints]] = {}
        self._bounds: dict[str, tuple[Floats, Floats]] = {}

    # Sections.

    def metal_at(self, height_mm: float) -> list[Floats]:
        """Loops (k, 2) of all the metal at a height."""
        if self.is_joined:
            return self._section("", self.metal, height_mm)
        return joined(self.part_at(name, height_mm) for name in self.parts)

    def stone_at(self, height_mm: float) -> list[Floats]:
        """Loops (k, 2) of the stone at a height."""
        return self._section("stone", self.stone_solid, height_mm)

    def part_at(self, name: str, height_mm: float) -> list[Floats]:
        """Loops (k, 2) of a part at a height."""
        copy = self._copies.get(name)
        if copy is None:
            return self._section("part " + name, self.parts[name], height_mm)
        key = "part " + name, height_mm
        if key not in self._sections:
            turn = 1 if copy.is_turned else -1
            self._sections[key] = [copy.of(loop)[::turn] for loop in self.part_at(copy.first, height_mm)]
        return self._sections[key]

    def part_triangles(self, name: str) -> tuple[Floats, Ints]:
        """(n, 3) vertices and (t, 3) triangles of a part."""
        known = self._triangles.get(name)
        if known is None:
            copy = self._known_copies.get(name) if self._known_copies is not None else None
            if copy is None:
                known = triangles_of(self.parts[name])
            else:
                vertices, triangles = self.part_triangles(copy.first)
                known = copy.of(vertices), triangles if copy.is_turned else triangles[:, ::-1]
            self._triangles[name] = known
        return known

    def part_bounds(self, name: str) -> tuple[Floats, Floats]:
        """Lowest and highest corner of a part, each (3,)."""
        known = self._bounds.get(name)
        if known is None:
            if name in self._copies:
                vertices, _ = self.part_triangles(name)
                known = vertices.min(axis=0), vertices.max(axis=0)
            else:
                known = bounds(self.parts[name])
            self._bounds[name] = known
        return known

    @cached_property
    def _copies(self) -> Mapping[str, Copy]:
        """Claws, and of known copies all parts, that are one in other places with all of the stone that they see: what is asked of
        each is read off the first of them, and solids that are moved are not made anew."""
        symmetry = Symmetry(self.placed.vertices)
        if self._known_copies is None:
            return turned_copies({name: self.part_triangles(name)[0] for name in self.claw_names}, symmetry.holds)
        return {name: copy for name, copy in self._known_copies.items() if copy.is_level and symmetry.holds(copy.way)}

    def copy_of(self, name: str) -> Copy | None:
        """How a claw is another one in another place; None for any that is not, or is the first of its kind."""
        return self._copies.get(name)

    def first_of(self, name: str) -> str:
        """The name of what a part is a copy of, or its own."""
        copy = self._copies.get(name)
        return name if copy is None else copy.first

    def claw_sides(self, heights_mm: Mapping[str, Floats]) -> tuple[Floats, Floats, np.ndarray]:
        """Starts and ways, each (e, 2), of the sides of level cuts of claws, by name each at its own heights (k,), in the
        claws' order and not joined into loops; and how many sides each cut has."""
        slicer, firsts = self._claw_slicer
        return slicer.sides_of_each(firsts, [heights_mm.get(name, np.zeros(0)) for name in self.claw_names])

    def cut_claws(self, heights_mm: Mapping[str, Floats]) -> None:
        """Take sections of claws, by name each at its own heights (k,), all in one go, for when they are asked for."""
        heights_mm = {name: heights for name, heights in heights_mm.items() if name not in self._copies}
        slicer, firsts = self._claw_slicer
        own = [heights_mm.get(name, np.zeros(0)) for name in self.claw_names]
        asked = [("part " + name, height) for name, heights in zip(self.claw_names, own) for height in heights.tolist()]
        self._sections.update(zip(asked, slicer.loops_of_each(firsts, own)))

    @cached_property
    def _claw_slicer(self) -> tuple[Slicer, list[int]]:
        """All claws as one, and where the triangles of each begin."""
        vertices, triangles, firsts = _as_one(map(self.part_triangles, self.claw_names))
        return Slicer(vertices, triangles), firsts

    def metal_sides(self, heights_mm: Floats) -> Sides:
        """The sides of all the metal at heights (h,), not joined into loops."""
        return Sides(*self._metal_slicer.sides_at(heights_mm), self.culet[:2]).without_slivers()

    def has_metal(self, heights_mm: Floats, points: Floats, at: np.ndarray) -> np.ndarray:
        """(n,) bool: whether metal stands at points (n, 2), each at one of some heights (h,), at (n,): at which."""
        starts, ways, of, _ = self._metal_slicer.cut_at(heights_mm)
        return are_inside_sides(starts, ways, of, points, at)

    @cached_property
    def _metal_slicer(self) -> Slicer:
        return Slicer(*self.metal_triangles)

    @cached_property
    def metal_triangles(self) -> tuple[Floats, Ints]:
        """(n, 3) vertices and (t, 3) triangles of all the metal; of all its parts, as they overlap, where it is not joined."""
        if self.is_joined:
            return triangles_of(self.metal)
        return _as_one(map(self.part_triangles, self.parts))[:2]

    @cached_property
    def unlike_triangles(self) -> tuple[Floats, Ints]:
        """The same without parts that are copies, where it is not joined: what the stone meets in them, it meets in the first."""
        if self.is_joined:
            return self.metal_triangles
        return _as_one(map(self.part_triangles, dict.fromkeys(map(self.first_of, self.parts))))[:2]

    def metal_hits(self, origins: Floats, ends: Floats) -> tuple[Floats, Floats]:
        """Where rays from (n, 3) to (n, 3) first meet metal, as `first_hits` has it. Of parts that are not joined, what begins in one
        leaves that, perhaps into another; where it does not leave it, it may meet another within."""
        if self.is_joined:
            return first_hits(self.metal, origins, ends)
        ways, facing, leaves = np.full(len(origins), np.inf), np.zeros((len(origins), 3)), np.zeros(len(origins), bool)
        for name in self.parts:
            may = _reaching(origins, ends, *self.part_bounds(name))
            if not len(may):
                continue
            solid, copy, starts, stops = self.parts[self.first_of(name)], self.copy_of(name), origins[may], ends[may]
            found, normals = first_hits(solid, *((starts, stops) if copy is None else (copy.back(starts), copy.back(stops))))
            if copy is not None:
                normals = copy.along(normals)
            # What begins in one part meets no other before it has left that.
            is_out = np.einsum("ij,ij->i", normals, stops - starts) > 0.0
            kept = np.flatnonzero(np.where(is_out, ~leaves[may] | (found > ways[may]), ~leaves[may] & (found < ways[may])))
            ways[may[kept]], facing[may[kept]], leaves[may[kept]] = found[kept], normals[kept], is_out[kept]
        return ways, facing

    def metal_holds(self, points: Floats) -> np.ndarray:
        """(n,) bool: which of points (n, 3) lie in metal."""
        if self.is_joined:
            return contains(self.metal, points)
        found = np.zeros(len(points), bool)
        for name in self.parts:
            solid, copy = self.parts[self.first_of(name)], self.copy_of(name)
            found |= contains(solid, points if copy is None else copy.back(points))
        return found

    def bodies(self) -> list[Solid]:
        """All the metal, or all its parts where it is not joined."""
        return [self.metal] if self.is_joined else list(self.parts.values())

    def _section(self, key: str, solid: Solid, height_mm: float) -> list[Floats]:
        known = self._sections.get((key, height_mm))
        if known is None:
            known = self._sections[key, height_mm] = section(solid, height_mm)
        return known

    # Roles.

    @cached_property
    def claw_names(self) -> tuple[str, ...]:
        return tuple(name for name in self.parts if name.startswith("claw"))

    @cached_property
    def rail_names(self) -> tuple[str, ...]:
        return tuple(name for name in self.parts if name.endswith("rail"))

    @property
    def wall(self) -> Solid | None:
        return self.parts.get("wall")

    @property
    def rim_part(self) -> Solid | None:
        """What stands above the girdle and is rubbed over the stone."""
        return self.parts.get("rim")

    # Heights.

    @cached_property
    def base_mm(self) -> float:
        """The lowest plane of what holds the stone, whatever ring was joined to it; of all metal where no part is known."""
        holding = [float(self.part_bounds(name)[0][2]) for name in self.parts if holds_stone(name)]
        return min(holding or [float(bounds(self.metal)[0][2])])

    @cached_property
    def girdle_plane_mm(self) -> float:
        """The lower girdle edge: where the stone's own z = 0 was put."""
        return float(np.median(self.placed.vertices[:, 2] - self.stone.mesh.vertices[:, 2]))

    @property
    def girdle_middle_mm(self) -> float:
        """Half way up the girdle."""
        return self.girdle_plane_mm + self.stone.girdle_mm / 2.0

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

    @property
    def has_flat_base(self) -> bool:
        """True if the stone ends at its girdle, so that it rests on a flat and not on a pavilion."""
        return float(self.culet[2]) > self.girdle_plane_mm - FLAT_MM

    @cached_property
    def wall_top_mm(self) -> float:
        return float(bounds(self.parts["wall"])[1][2])

    # The girdle and the ways in from it.

    @cached_property
    def girdle_loop(self) -> Floats:
        """(k, 2) the stone's section half way up its girdle, where it is widest all round."""
        return largest(self.stone_at(self.girdle_middle_mm))

    @cached_property
    def _cleft(self) -> np.ndarray:
        """(k,) bool: which corners of the girdle's loop lie in a heart's cleft: between what a straight edge touches that
        is laid across it."""
        loop = self.girdle_loop
        if hollow_deg(loop) < HOLLOW_DEG:
            return np.zeros(len(loop), bool)
        turn = np.linspace(0.0, 2.0 * np.pi, STRAIGHT_EDGES, endpoint=False)
        touched = np.unique(np.argmax(loop @ np.stack([np.cos(turn), np.sin(turn)]), axis=0))
        off = np.abs(signed_distances_mm(loop, edges_of([loop[touched]]))[0])
        return np.asarray(off > CLEFT_SHARE * self.stone.width_mm)

    @property
    def has_cleft(self) -> bool:
        return bool(self._cleft.any())

    def is_in_cleft(self, points: Floats) -> np.ndarray:
        """(n,) bool: for which points (n, 2) the nearest corner of the girdle lies in a heart's cleft."""
        off = points[:, None] - self.girdle_loop
        found: np.ndarray = self._cleft[np.argmin((off ** 2).sum(axis=2), axis=1)]
        return found

    @cached_property
    def girdle_path(self) -> Path:
        """The girdle by the way along it."""
        return Path(self.girdle_loop)

    @cached_property
    def stations(self) -> tuple[Floats, Floats]:
        """Places on the girdle and outward normals, each (n, 2)."""
        count = round(self.stone.outline.perimeter_mm / STATION_MM)
        return self._spread_on_girdle(min(max(count, STATIONS[0]), STATIONS[1]))

    @cached_property
    def dense_girdle(self) -> tuple[Floats, Floats]:
        """DENSE places on the girdle and their normals."""
        return self._spread_on_girdle(DENSE)

    def _spread_on_girdle(self, count: int) -> tuple[Floats, Floats]:
        path = self.girdle_path
        step = path.length_mm / count
        at: Floats = (np.arange(count, dtype=np.float64) + 0.5) * step
        return path.points(at), path.normals(at, step)

    @cached_property
    def reach_mm(self) -> Floats:
        """(n,) half the way from each station across the stone."""
        points, normals = self.stations
        ways = crossings([self.girdle_loop], points, -normals)
        across: Floats = np.where(ways > 1e-6, ways, np.inf).min(axis=1) / 2.0
        return across


def _as_one(surfaces: Iterable[tuple[Floats, Ints]]) -> tuple[Floats, Ints, list[int]]:
    """Vertices (n, 3) and triangles (t, 3) of several surfaces as one, and where the triangles of each begin, and their end."""
    vertices, triangles = zip(*surfaces)
    shifts = np.cumsum([0, *map(len, vertices)])
    shifted: Ints = np.concatenate([each + shift for each, shift in zip(triangles, shifts)])
    return np.concatenate(vertices), shifted, np.cumsum([0, *map(len, triangles)]).tolist()


def _reaching(origins: Floats, ends: Floats, low: Floats, high: Floats) -> np.ndarray:
    """(k,) which ways from (n, 3) to (n, 3) pass through a box."""
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = (low - origins) / (ends - origins), (high - origins) / (ends - origins)
    # A way along a side, which is neither in the box nor beside it, counts.
    comes, goes = np.fmin(one, other).max(axis=1, initial=0.0), np.fmax(one, other).min(axis=1, initial=1.0)
    return np.flatnonzero(~(comes > goes))
