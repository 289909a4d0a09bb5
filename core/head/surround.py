"""The surround: a plate that joins the head's wall or claws below the girdle, small stones in it, and shared beads.

The seats are cut in the model: as cast with room to lay the stones in from above; as set with the very stones, once the
beads are pushed down over their crowns.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats, PolyMesh
from ..solid.kernel import Solid, bounds, composed, cut, moved, solid_of, transformed, volume_mm3
from ..stone import Stone
from ..tolerance import OVERLAP_MM
from ..trade.species import species
from .draft import HOUSE_SPECIES
from .placed import PlacedStone, upright_frame
from .planning.surround import bead_aside_mm, row_of, small_stone
from .row import Row, counts_outside, rounded
from .site import Site
from .sweep import circle_count, closed_band, honest_radius_mm, rod

PLATE = "surround plate"

GRIP_MM = 0.1
"""How far the plate reaches into the wall. Larger: it comes near the hollow of a thin wall."""

OFF_PAVILION_MM = 0.05
"""Room between the plate and the centre stone's pavilion. Common practice, no source."""

ROOT_MM = 0.3
"""How far the beads reach down into the plate; any length that the plate has would do."""

OVER_MM = 0.05
"""How far above the beads and below the plate the seats' cutters go on. Smaller: a skin may be left; larger: they reach
a rim that leans over."""

ALIKE_MM = 1e-7
"""Beads between which stones lie alike to this are cut once. Larger: a bead stands off its stone."""

TURNS = (0.37, 0.29, 0.41, 0.23, 0.47)
"""By what shares of a facet round parts may be turned: where edges of beads and stones meet by chance, the next is
tried. None or half: they meet by design."""


LEAST_RISE_MM, RISE_STEPS = 0.005, 8
"""The flattest that a finished bead is rounded, and halvings to how high it stands. Fewer: its metal is off by more than
one per cent."""


@dataclass(frozen=True, eq=False)
class Surround:
    """One head's surround, in the head's frame, mm. state: "cast" or "set"; turn: of TURNS."""

    site: Site
    state: str
    turn: float = TURNS[0]

    @cached_property
    def small(self) -> Stone:
        """One of the small stones."""
        return small_stone(self.site.plan["surround_stone"])

    @cached_property
    def row(self) -> Row:
        """Where they stand."""
        plan = self.site.plan
        return row_of(self.site.stone, plan["surround_stone"], plan["surround_centre_gap"],
                      round(plan["surround_count"]))

    @property
    def top_mm(self) -> float:
        """The plate's top: the small stones' lower girdle edges."""
        return self.site.plan["girdle_plane"] - self.site.plan["surround_drop"]

    @cached_property
    def stones(self) -> tuple[PlacedStone, ...]:
        """"small stone 1"…, counter-clockwise from the centre stone's length, each turned to the row."""
        kind = species(self.site.spec.get("surround.species") or HOUSE_SPECIES)
        return tuple(
            PlacedStone(f"small stone {i}", self.small, kind,
                        upright_frame((float(x), float(y), self.top_mm), (float(a), float(b))))
            for i, ((x, y), (a, b)) in enumerate(zip(self.row.middles, self.row.outwards), 1))

    @property
    def _aside_mm(self) -> float:
        """How far a bead's middle stands aside from the line between its two stones' middles."""
        plan = self.site.plan
        return bead_aside_mm(plan["surround_stone"], plan["surround_gap"], plan["surround_bead"] / 2.0)

    @cached_property
    def bead_places(self) -> Floats:
        """(2 n, 2) mm: between each stone and the next, the bead on the outer side and that on the inner."""
        after = np.roll(self.row.middles, -1, axis=0)
        ways = (after - self.row.middles) / self.row.pitch_mm
        out = np.column_stack([ways[:, 1], -ways[:, 0]]) * self._aside_mm
        middle = (after + self.row.middles) / 2.0
        return np.stack([middle + out, middle - out], axis=1).reshape(-1, 2)

    @cached_property
    def bare(self) -> dict[str, Solid]:
        """Plate and beads before any seat is cut."""
        bead = solid_of(self._bead(), "bead")
        beads = {f"bead {i}": moved(bead, [*place, self.top_mm]) for i, place in enumerate(self.bead_places, 1)}
        return {PLATE: solid_of(self.plate(), PLATE), **beads}

    @cached_property
    def joined(self) -> list[Solid]:
        """Plate and beads before any seat is cut, in as few solids as fuse fast: the beads stand apart."""
        plate, *beads = self.bare.values()
        return [plate, composed(beads, "beads")]

    @cached_property
    def cutters(self) -> list[Solid]:
        """What the seats and holes are cut with."""
        return self._cutters_at(range(len(self.stones)))

    def _cutters_at(self, which: Sequence[int]) -> list[Solid]:
        """The same of some of the small stones alone."""
        places = [[*self.row.middles[i], self.top_mm] for i in which]
        if self.state == "set":
            stone, hole = self._tools
            return [composed([transformed(stone, self.stones[i].matrix) for i in which], "small stones"),
                    composed([moved(hole, place) for place in places], "drilled holes")]
        return [composed([moved(self._tools[0], place) for place in places], "small stones' cutters")]

    @cached_property
    def _tools(self) -> tuple[Solid, ...]:
        """As set the stone and the drill, as cast the bur."""
        if self.state == "set":
            return solid_of(self.small.mesh, "small stone"), solid_of(self._hole(), "drilled hole")
        return (solid_of(self._bur(), "small stone's cutter"),)

    @cached_property
    def solids(self) -> dict[str, Solid]:
        """Plate and beads with the seats cut."""
        plate = cut(self.joined[0], self.cutters, PLATE)
        return {PLATE: plate, **(self._set_beads() if self.state == "set" else self._cast_beads())}

    def _cast_beads(self) -> dict[str, Solid]:
        """Every gap is as wide as the next and the cutters are round, so that one bead, cut once, stands for all."""
        half, tool = self.row.pitch_mm / 2.0, solid_of(self._bur(), "small stone's cutter")
        outer = moved(solid_of(self._bead(), "bead"), [0.0, -self._aside_mm, 0.0])
        one = cut(outer, [moved(tool, [-half, 0.0, 0.0]), moved(tool, [half, 0.0, 0.0])], "bead")
        found = {}
        after = np.roll(self.row.middles, -1, axis=0)
        for i, (start, end) in enumerate(zip(self.row.middles, after)):
            (x, y), (a, b) = (end - start) / self.row.pitch_mm, (start + end) / 2.0
            for number, side in ((2 * i + 1, 1.0), (2 * i + 2, -1.0)):
                matrix = np.array([[side * x, -side * y, 0.0, a], [side * y, side * x, 0.0, b],
                                   [0.0, 0.0, 1.0, self.top_mm]])
                found[f"bead {number}"] = transformed(one, matrix)
        return found

    def _set_beads(self) -> dict[str, Solid]:
        """Each bead with what its two stones take out of it; those that are alike but for their places are cut once."""
        found: dict[str, Solid] = {}
        known: list[tuple[Floats, Floats, Solid]] = []  # of beads that are unlike: frame, how its stones lie in it, solid
        for i, (name, bead) in enumerate(list(self.bare.items())[1:]):
            stones = [self.stones[at] for at in (i // 2, (i // 2 + 1) % len(self.stones))]
            way = stones[1].matrix[:2, 3] - stones[0].matrix[:2, 3]
            way *= (1.0 if i % 2 == 0 else -1.0) / self.row.pitch_mm
            place = (float(self.bead_places[i, 0]), float(self.bead_places[i, 1]), self.top_mm)
            frame = np.vstack([upright_frame(place, (float(way[0]), float(way[1]))), [0.0, 0.0, 0.0, 1.0]])
            home = np.linalg.inv(frame)
            lie = np.stack([home[:3] @ np.vstack([stone.matrix, frame[3]]) for stone in stones])
            like = next((each for each in known if np.abs(each[1] - lie).max() < ALIKE_MM), None)
            if like is None:
                known.append((frame, lie, cut(bead, [transformed(self._tools[0], stone.matrix) for stone in stones], name)))
                found[name] = known[-1][2]
            else:
                found[name] = transformed(like[2], (frame @ np.linalg.inv(like[0]))[:3])
        return found

    def carved(self, solid: Solid, part: str) -> Solid:
        """A part of the head without what the small stones take of it; the very same where they don't reach it."""
        low, high = bounds(solid)
        reach = self.small.width_mm / 2.0 + self.site.plan["seat_clearance"]
        near = ((self.row.middles + reach > low[:2]) & (self.row.middles - reach < high[:2])).all(axis=1)
        if not near.any() or high[2] < self.top_mm - self.site.plan["surround_plate"]:
            return solid
        left = cut(solid, self._cutters_at(np.flatnonzero(near).tolist()), part)
        return left if left.volume() < solid.volume() * (1.0 - 1e-9) else solid

    def plate(self) -> PolyMesh:
        """The plate without seats: parallels of the centre stone's outline, round at its corners, from inside the wall
        to the margin outside the small stones."""
        plan, stone = self.site.plan, self.site.stone
        girdle, top = plan["girdle_plane"], self.top_mm
        bottom = max(top - plan["surround_plate"], 0.0)
        out = plan["surround_centre_gap"] + plan["surround_stone"] + plan["surround_margin"]
        lean = math.tan(math.radians(plan["taper"])) if "taper" in plan else 0.0
        grip = min(GRIP_MM, plan["wall_thickness"] / 3.0) if "wall_thickness" in plan else OVERLAP_MM

        def inwards(z: float) -> float:
            return min((girdle - z) * lean + grip, stone.pavilion_inset_mm(girdle - z) - OFF_PAVILION_MM)

        heights = [top, bottom]
        if "wall_top" in plan and bottom < plan["wall_top"] < top:
            heights.insert(1, plan["wall_top"])
        body = rounded(stone.outline)
        counts = counts_outside(body, out, self.site.chord_mm)
        rows = [(-out, bottom), (-out, top), *((inwards(z), z) for z in heights)]
        loops = body.loops([inset for inset, _ in rows], counts)
        return closed_band([np.column_stack([loop, np.full(len(loop), z)]) for loop, (_, z) in zip(loops, rows)], PLATE)

    # Tools and beads, with z = 0 at the small stone's lower girdle edge.

    @cached_property
    def _rise_mm(self) -> float:
        """How high a finished bead stands over where it lies on the crowns, so that it holds as much metal as was cast:
        what is pushed down is neither more nor less."""
        half = self.row.pitch_mm / 2.0
        lies = self.small.girdle_mm + self.site.plan["surround_contact"] * self.small.crown_height_mm

        def left_of(bead: PolyMesh, tool: Solid) -> float:
            outer = moved(solid_of(bead, "bead"), [0.0, -self._aside_mm, 0.0])
            return volume_mm3(cut(outer, [moved(tool, [side * half, 0.0, 0.0]) for side in (-1.0, 1.0)], "bead"))

        there = left_of(self._bead_of(self._post()), solid_of(self._bur(), "small stone's cutter"))
        stone = solid_of(self.small.mesh, "small stone")
        low, high = LEAST_RISE_MM, self.site.plan["surround_bead_height"] - lies
        for _ in range(RISE_STEPS):
            middle = 0.5 * (low + high)
            is_less = left_of(self._bead_of(self._spread(middle)), stone) <= there
            low, high = (middle, high) if is_less else (low, middle)
        return low

    def _bead(self) -> PolyMesh:
        """One bead: a post as cast; as set its metal is spread over both crowns and rounded."""
        return self._bead_of(self._post() if self.state == "cast" else self._spread(self._rise_mm))

    def _bead_of(self, profile: list[tuple[float, float]]) -> PolyMesh:
        count = circle_count(self.site.plan["surround_bead"] / 2.0, self.site.chord_mm)
        return rod([self._ring(honest_radius_mm(r, count), z, count) for r, z in profile], "bead")

    @property
    def _root(self) -> tuple[float, float]:
        """Radius and height of a bead's foot in the plate."""
        return self.site.plan["surround_bead"] / 2.0, -min(ROOT_MM, self.site.plan["surround_plate"] / 2.0)

    def _post(self) -> list[tuple[float, float]]:
        """Radii and heights of a bead as cast."""
        return [self._root, (self._root[0], self.site.plan["surround_bead_height"])]

    def _spread(self, rise_mm: float) -> list[tuple[float, float]]:
        """Radii and heights of a finished bead."""
        plan, small = self.site.plan, self.small
        reach = plan["surround_contact"] * (small.width_mm - small.table_width_mm) / 2.0
        middle = float(np.linalg.norm(self.bead_places[0] - self.row.middles[0]))
        wide = middle - small.width_mm / 2.0 + reach
        lies = small.girdle_mm + plan["surround_contact"] * small.crown_height_mm
        left = min(rise_mm, wide)
        return [self._root, (self._root[0], small.girdle_mm / 2.0),
                *((wide * math.cos(turn), lies + left * math.sin(turn)) for turn in np.radians([0.0, 40.0, 80.0]))]

    def _bur(self) -> PolyMesh:
        """The cutter of one seat: hole, seat and the way in from above, with the seat's clearance outside the stone."""
        small, plan = self.small, self.site.plan
        room, hole = plan["seat_clearance"], plan["surround_hole"] / 2.0
        half, slope = small.width_mm / 2.0, _cone_slope(small)
        outer = half + room
        # Where a cone, moved out square to its slope, meets the hole and the way in.
        across = room * math.hypot(1.0, slope) / slope
        seat, edge = (hole - half - across) * slope, (outer - half - across) * slope
        profile = [(hole, -plan["surround_plate"] - OVER_MM), (hole, seat), (outer, edge),
                   (outer, plan["surround_bead_height"] + OVER_MM)]
        count = circle_count(outer, self.site.chord_mm)
        # Flats outside, so that the clearance holds all round.
        return rod([self._ring(r / math.cos(math.pi / count), z, count) for r, z in profile], "small stone's cutter")

    def _hole(self) -> PolyMesh:
        """The drilled hole as far as it goes below the stone's girdle."""
        plan, hole = self.site.plan, self.site.plan["surround_hole"] / 2.0
        count = circle_count(hole, self.site.chord_mm)
        slope = _cone_slope(self.small)
        # It ends inside the stone, half way up from where it meets the seat.
        inside = (hole - self.small.width_mm / 2.0) * slope / 2.0
        rings = [self._ring(hole / math.cos(math.pi / count), z, count)
                 for z in (-plan["surround_plate"] - OVER_MM, inside)]
        return rod(rings, "drilled hole")

    def _ring(self, radius_mm: float, z: float, count: int) -> Floats:
        turn = (np.arange(count) + self.turn) * (2.0 * math.pi / count)
        return np.column_stack([radius_mm * np.cos(turn), radius_mm * np.sin(turn), np.full(count, z)])


def _cone_slope(stone: Stone) -> float:
    """Tangent of the slope, to the level, of the flattest cone from the girdle's edge that holds the whole pavilion."""
    below = stone.mesh.vertices[stone.mesh.vertices[:, 2] < -1e-9]
    room = stone.width_mm / 2.0 - np.linalg.norm(below[:, :2], axis=1)
    is_inside = room > 1e-9
    return float((-below[is_inside, 2] / room[is_inside]).max())
