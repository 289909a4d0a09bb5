"""The surround: a plate that joins the head's wall or claws below the girdle, small stones in it, and shared beads.

The seats are cut in the model: as cast with room to lay the stones in from above; as set with the very stones, once the
beads are pushed down over their crowns.
"""
from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..mesh import Floats, Ints, PolyMesh
from ..solid.kernel import (
    Solid,
    above,
    are_closed_after_welding,
    bounds,
    composed,
    cut,
    fuse,
    hull_triangles,
    moved,
    overlap,
    solid_of,
    solid_of_triangles,
    transformed,
    triangles_of,
    volume_mm3,
)
from ..stone import Stone
from ..symmetry import ALIKE_MM
from ..tolerance import OVERLAP_MM, SAME_POINT_MM, SLIVER_MM, WELD_MM
from .draft import species_of
from .placed import PlacedStone, upright_frame
from .planning.surround import OVER_MM, bead_aside_mm, bead_places, bead_spread_mm, row_of, small_stone
from .punch import FLAT_MM, Pits, Skin, punched, sew, skin_above
from .row import Row, counts_outside, rounded
from .site import Site
from .sweep import band_corners, circle_count, closed_band, honest_radius_mm, rod

PLATE = "surround plate"

GRIP_MM = 0.1
"""How far the plate reaches into the wall. Larger: it comes near the hollow of a thin wall."""

OFF_PAVILION_MM = 0.05
"""Room between the plate and the centre stone's pavilion. Common practice, no source."""

ROOT_MM = 0.3
"""How far the beads reach down into the plate; any length that the plate has would do."""

TURNS = (0.37, 0.29, 0.41, 0.23, 0.47)
"""By what shares of a facet round parts may be turned: where edges of beads and stones meet by chance, the next is
tried. None or half: they meet by design."""


PARTING_DEG = (0.0, 25.0, -25.0, 50.0, -50.0)
"""Turns from the way outwards in which lines are tried that part a seat from other metal. Fewer: seats beside a pointed
stone's claw are cut and not sewn, which only takes longer."""

LEAST_RISE_MM, RISE_STEPS = 0.005, 1
"""The flattest that a finished bead is rounded, and how often a straight line is laid through two volumes to find how
high it stands. Fewer: its metal is off by more than one per cent."""


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
        kind = species_of(self.site.spec, "surround.species")
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
        return bead_places(self.row, self._aside_mm)

    @cached_property
    def bare(self) -> dict[str, Solid]:
        """Plate and beads before any seat is cut."""
        bead = solid_of(self._bead(), "bead")
        beads = {f"bead {i}": moved(bead, [*place, self.top_mm]) for i, place in enumerate(self.bead_places, 1)}
        return {PLATE: solid_of(self.plate, PLATE), **beads}

    @cached_property
    def joined(self) -> list[Solid]:
        """Plate and beads before any seat is cut, in as few solids as fuse fast: beads of one side stand apart."""
        plate, *beads = self.bare.values()
        return [plate, composed(beads[::2], "outer beads"), composed(beads[1::2], "inner beads")]

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
    def parts(self) -> dict[str, PolyMesh]:
        """Plate and beads with the seats cut, as closed shells."""
        beads = [mesh_of(kind, "bead") for kind in self._kinds[0]]
        placed = {name: replace(beads[kind], vertices=beads[kind].vertices @ frame[:, :3].T + frame[:, 3],
                                tag_names=(name,)) for name, kind, frame in self._placed_beads}
        return {PLATE: self._seated_plate, **placed}

    @cached_property
    def solids(self) -> dict[str, Solid]:
        """The same as solids."""
        return {PLATE: solid_of(self._seated_plate, PLATE),
                **{name: transformed(self._kinds[0][kind], frame) for name, kind, frame in self._placed_beads}}

    @cached_property
    def _seated_plate(self) -> PolyMesh:
        plain = self.plate
        if self._stands_free:
            made = self._punched(plain.vertices, plain.triangles()[0], [])
            if made is not None:
                return triangle_mesh(*made, PLATE)
        return mesh_of(cut(solid_of(plain, PLATE), self.cutters, PLATE), PLATE)

    @cached_property
    def _frames(self) -> Floats:
        """(n, 2, 3, 4): of each gap, its middle and its way to the next stone; the same turned half round. A bead on
        the outer side lies in the first as one on the inner side does in the second."""
        after = np.roll(self.row.middles, -1, axis=0)
        ways, middles = (after - self.row.middles) / self.row.pitch_mm, (after + self.row.middles) / 2.0
        frames = np.zeros((len(ways), 2, 3, 4))
        for turned, sign in enumerate((1.0, -1.0)):
            x, y = sign * ways.T
            frames[:, turned, :2, 0], frames[:, turned, :2, 1] = np.column_stack([x, y]), np.column_stack([-y, x])
        frames[:, :, :2, 3], frames[:, :, 2, 2], frames[:, :, 2, 3] = middles[:, None], 1.0, self.top_mm
        return frames

    @cached_property
    def _placed_beads(self) -> list[tuple[str, int, Floats]]:
        """Of each bead its name, its kind and its frame."""
        kinds = self._kinds[1]
        return [(f"bead {2 * i + turned + 1}", int(kinds[i, turned]), self._frames[i, turned])
                for i in range(len(kinds)) for turned in (0, 1)]

    @cached_property
    def _kinds(self) -> tuple[list[Solid], Ints]:
        """Beads with what their two stones take out of them, those that are alike once, each in its frame; and (n, 2)
        which of them stands in each gap on the outer and on the inner side."""
        half, bead = self.row.pitch_mm / 2.0, moved(solid_of(self._bead(), "bead"), [0.0, -self._aside_mm, 0.0])
        which = np.zeros((len(self.stones), 2), np.int32)
        if self.state == "cast":
            # Every gap is as wide as the next and the cutters are round, so that one bead stands for all.
            tool = solid_of(self._bur(self._facing_deg if self._stands_free else None), "small stone's cutter")
            turned = transformed(tool, np.array([[-1.0, 0.0, 0.0, half], [0.0, -1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]]))
            return [cut(bead, [moved(tool, [-half, 0.0, 0.0]), turned], "bead")], which
        kinds: list[Solid] = []
        lies: list[Floats] = []
        matrices = np.array([stone.matrix for stone in self.stones])
        both = np.stack([matrices, np.roll(matrices, -1, axis=0)], axis=1)
        for i, turned in np.ndindex(*which.shape):
            frame = self._frames[i, turned]
            lie = np.einsum("ji,njk->nik", frame[:, :3], both[i] - np.pad(frame[:, 3:], ((0, 0), (3, 0))))
            like = next((k for k, known in enumerate(lies) if np.abs(known - lie).max() < ALIKE_MM), len(lies))
            if like == len(lies):
                lies.append(lie)
                kinds.append(cut(bead, [transformed(self._tools[0], matrix) for matrix in lie], "bead"))
            which[i, turned] = like
        return kinds, which

    # Pits and beads as skins, to be sewn to the plate without a boolean.

    @property
    def _bottom_mm(self) -> float:
        return max(self.top_mm - self.site.plan["surround_plate"], 0.0)

    @property
    def _bur_count(self) -> int:
        return circle_count(self.small.width_mm / 2.0 + self.site.plan["seat_clearance"], self.site.chord_mm)

    @property
    def _bur_mm(self) -> float:
        """How far the bur's corners lie from its axis: its flats keep the seat's clearance all round."""
        return (self.small.width_mm / 2.0 + self.site.plan["seat_clearance"]) / math.cos(math.pi / self._bur_count)

    @cached_property
    def _pit_mm(self) -> float:
        """The widest radius of a pit."""
        if self.state == "set":
            return float(np.linalg.norm(self.small.mesh.vertices[:, :2], axis=1).max())
        return self._bur_mm

    @cached_property
    def _bead_mm(self) -> float:
        """The widest radius of a bead."""
        return float(np.linalg.norm(self._bead().vertices[:, :2], axis=1).max())

    @cached_property
    def _stands_free(self) -> bool:
        """True if pits and beads meet none but their neighbours, and lie within the plate's flat faces."""
        plan, chord = self.site.plan, self.site.chord_mm
        pits, beads = self.row.middles, self.bead_places
        apart = np.linalg.norm(pits[:, None] - pits, axis=2) + np.eye(len(pits)) * 1e9
        others = np.linalg.norm(beads[:, None] - beads, axis=2) + np.eye(len(beads)) * 1e9
        own = np.arange(len(beads))
        others[own, own ^ 1] = 1e9
        between = np.linalg.norm(beads[:, None] - pits, axis=2)
        between[own, own // 2] = between[own, (own // 2 + 1) % len(pits)] = 1e9
        wide, across = self._pit_mm + SLIVER_MM, self._bead_mm + SLIVER_MM
        edge = plan["surround_stone"] / 2.0 + plan["surround_margin"] - chord
        inner = np.concatenate([loop for loop, _ in self._plate_loops[1:]])
        return bool(apart.min() > 2.0 * wide and others.min() > 2.0 * across and between.min() > wide + across
                    and edge > max(wide, self._aside_mm + across)
                    and self._aside_mm > plan["surround_bead"] / 2.0 + chord
                    and (self.state == "set" or self._has_flat_seat) and self._are_beside(inner))

    @property
    def _has_flat_seat(self) -> bool:
        """True if the bur's cone ends in the plate and its facets have room from one gap to the other."""
        profile = self._bur_profile
        arcs = self._turns_rad - 2.0 * np.radians(np.abs(self._facing_deg).max())
        return bool(profile[1][1] > profile[0][1] + OVER_MM + SLIVER_MM and profile[2][1] < -SLIVER_MM
                    and arcs.min() > 0.0)

    def _are_beside(self, points: Floats) -> bool:
        """True if a line parts each pit and each bead from points (n, 2), all of them on its inner side."""
        inner, ways = self.bead_places[1::2], -self._frames[:, 0, :2, 1]
        for middles, outwards, radius in ((self.row.middles, self.row.outwards, self._pit_mm),
                                          (inner, ways, self._bead_mm)):
            parted = np.zeros(len(middles), bool)
            for turn in np.radians(PARTING_DEG):
                turned = outwards @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
                most = np.einsum("ij,ij->i", middles, turned) - radius - SLIVER_MM
                parted |= (points @ turned.T < most).all(axis=0)
            if not parted.all():
                return False
        return True

    def is_clear_of(self, solids: Iterable[Solid]) -> bool:
        """True if seats and beads surely stand clear of the rest of the metal, and of what else is cut from it."""
        low, high = self.top_mm - self.site.plan["surround_plate"] - OVER_MM, self.top_mm + self._highest_mm
        return self._stands_free and all(self._are_beside(_level_with(solid, low, high)) for solid in solids)

    @property
    def _highest_mm(self) -> float:
        return self.site.plan["surround_bead_height"] + OVER_MM

    def punched(self, solid: Solid) -> Solid | None:
        """The head's metal with the plate joined, and now with its seats and beads; it must be clear of them. None
        where they can't be sewn to it, so that they have to be cut."""
        made = self._punched(*triangles_of(solid), self._between)
        return None if made is None else solid_of_triangles(*made, "head")

    def _punched(self, vertices: Floats, triangles: Ints, between: list[Skin]) -> tuple[Floats, Ints] | None:
        made = punched(vertices, triangles, sew(self._pits, between), self.top_mm, self._bottom_mm)
        # Where an edge ends on a corner by chance, rims may miss each other.
        return made if made is not None and are_closed_after_welding(*made, WELD_MM) else None

    @cached_property
    def _pits(self) -> Pits:
        if self.state == "cast":
            return self._bur_pits()
        small = self.small.mesh.vertices
        pavilion = small[small[:, 2] < SAME_POINT_MM]
        rim = pavilion[pavilion[:, 2] > -SAME_POINT_MM]
        body = np.concatenate([pavilion, rim + [0.0, 0.0, ROOT_MM]])
        stone = solid_of_triangles(*hull_triangles(body), "small stone")
        bottom = self._bottom_mm - self.top_mm
        pit = above(fuse([stone, self._tools[1]], "seat"), bottom, "seat")
        vertices, triangles = triangles_of(pit)
        heights = vertices[triangles, 2]
        is_wall = (heights < SAME_POINT_MM).all(axis=1) & (heights > bottom + FLAT_MM).any(axis=1)
        skin = Skin.of(vertices, triangles[is_wall][:, ::-1])
        places = np.array([stone.at(skin.vertices) for stone in self.stones])
        return Pits.of(skin, places, 0.0)

    def _bur_pits(self) -> Pits:
        """As cast: facets that face the gaps lie in each as in the next, so that one bead fits them all; those between
        fill what the row's turns leave."""
        facing = np.radians(self._facing_deg)
        start, end = self._toward_rad
        inner, outer = self._turns_rad + facing[0] - facing[-1]
        step = facing[1] - facing[0]
        arcs = [start[:, None] + facing]
        for first, turn, then in ((start, inner, end), (end, outer, None)):
            count = math.ceil(float(turn.max()) / step)
            arcs.append((first + facing[-1])[:, None] + turn[:, None] * np.arange(1, count) / count)
            if then is not None:
                arcs.append(then[:, None] + facing)
        turns = np.concatenate(arcs, axis=1)
        around, bottom = turns.shape[1], self._bottom_mm - self.top_mm
        (hole, _), (_, seat), (wide, edge), _ = self._bur_profile
        rings = np.array([[wide, 0.0], [wide, edge], [hole, seat], [hole, bottom]])
        vertices = np.empty((len(turns), len(rings), around, 3))
        vertices[..., :2] = (self.row.middles[:, None, None]
                             + rings[:, :1, None] * np.stack([np.cos(turns), np.sin(turns)], axis=2)[:, None])
        vertices[..., 2] = self.top_mm + rings[:, 1][:, None]
        quads = band_corners(len(rings), around).reshape(-1, 4)[:(len(rings) - 1) * around]
        triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
        places = vertices.reshape(len(turns), -1, 3)
        return Pits.of(Skin.of(places[0], triangles), places, self.top_mm)

    @property
    def _toward_rad(self) -> tuple[Floats, Floats]:
        """(n,) where each stone's next and where its last stands, as turns about its middle."""
        x, y = np.moveaxis(self._frames[:, 0, :2, 0], 1, 0)
        next_rad = np.arctan2(y, x)
        return next_rad, np.roll(next_rad, 1) + math.pi

    @property
    def _turns_rad(self) -> Floats:
        """(2, n) from each stone's next, counter-clockwise, to its last, and on to its next."""
        start, end = self._toward_rad
        inner = (end - start) % (2.0 * math.pi)
        return np.stack([inner, 2.0 * math.pi - inner])

    @cached_property
    def _facing_deg(self) -> Floats:
        """The corners of a bur that face a gap, as turns from the way to the next stone, past both beads."""
        half, bead = self.row.pitch_mm / 2.0, self.site.plan["surround_bead"] / 2.0
        past = math.atan2(self._aside_mm, half) + math.asin(min(1.0, bead / math.hypot(half, self._aside_mm)))
        step = 2.0 * math.pi / self._bur_count
        count = math.ceil(past / step) + 1
        facing: Floats = np.degrees((np.arange(-count, count) + self.turn) * step)
        return facing

    @cached_property
    def _between(self) -> list[Skin]:
        """What stands on the plate in each gap."""
        solids, which = self._kinds
        turned = np.diag([-1.0, -1.0, 1.0, 0.0])[:3]
        join = fuse if self._bead_mm > self._aside_mm - SLIVER_MM else composed
        skins = {}
        for outer, inner in {(int(a), int(b)) for a, b in which}:
            pair = join([solids[outer], transformed(solids[inner], turned)], "beads")
            skins[outer, inner] = skin_above(above(pair, 0.0, "beads"), 0.0)
        found = []
        for (outer, inner), frame in zip(which.tolist(), self._frames[:, 0]):
            skin = skins[outer, inner]
            found.append(replace(skin, vertices=skin.vertices @ frame[:, :3].T + frame[:, 3]))
        return found

    def carved(self, solid: Solid, part: str) -> Solid:
        """A part of the head without what the small stones take of it; the very same where they don't reach it."""
        low, high = bounds(solid)
        reach = self.small.width_mm / 2.0 + self.site.plan["seat_clearance"]
        near = ((self.row.middles + reach > low[:2]) & (self.row.middles - reach < high[:2])).all(axis=1)
        lowest = self.top_mm - self.site.plan["surround_plate"] - OVER_MM
        if not near.any() or high[2] < lowest:
            return solid
        points = _level_with(solid, lowest, self.top_mm + self._highest_mm)
        inwards = ((self.row.middles[near, None] - points) * self.row.outwards[near, None]).sum(axis=2)
        if (inwards > self._pit_mm).all():
            return solid
        left = cut(solid, self._cutters_at(np.flatnonzero(near).tolist()), part)
        return left if left.volume() < solid.volume() * (1.0 - 1e-9) else solid

    @cached_property
    def plate(self) -> PolyMesh:
        """The plate without seats: parallels of the centre stone's outline, round at its corners, from inside the wall
        to the margin outside the small stones."""
        outer, *inner = self._plate_loops
        rows = [(outer[0], self._bottom_mm), outer, *inner]
        return closed_band([np.column_stack([loop, np.full(len(loop), z)]) for loop, z in rows], PLATE)

    @cached_property
    def _plate_loops(self) -> list[tuple[Floats, float]]:
        """The plate's outer loop (k, 2), and those on its inner side from the top down, with their heights."""
        plan, stone = self.site.plan, self.site.stone
        girdle, top, bottom = plan["girdle_plane"], self.top_mm, self._bottom_mm
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
        loops = body.loops([-out, *map(inwards, heights)], counts)
        return list(zip(loops, (top, *heights), strict=True))

    # Tools and beads, with z = 0 at the small stone's lower girdle edge.

    @cached_property
    def _rise_mm(self) -> float:
        """How high a finished bead stands over where it lies on the crowns, so that it holds as much metal as was cast:
        what is pushed down is neither more nor less."""
        half = self.row.pitch_mm / 2.0
        lies = self.small.girdle_mm + self.site.plan["surround_contact"] * self.small.crown_height_mm

        def left_of(bead: PolyMesh, tool: Solid) -> float:
            # Both stones take as much.
            outer = moved(solid_of(bead, "bead"), [0.0, -self._aside_mm, 0.0])
            return volume_mm3(outer) - 2.0 * volume_mm3(overlap(outer, moved(tool, [half, 0.0, 0.0])))

        there = left_of(self._bead_of(self._post()), solid_of(self._bur(), "small stone's cutter"))
        stone = solid_of(self.small.mesh, "small stone")
        rises = [LEAST_RISE_MM, self.site.plan["surround_bead_height"] - lies]
        volumes = [left_of(self._bead_of(self._spread(rise)), stone) for rise in rises]
        for _ in range(RISE_STEPS):
            if not volumes[0] < there < volumes[1]:
                break
            rise = float(np.interp(there, volumes, rises))
            volume = left_of(self._bead_of(self._spread(rise)), stone)
            nearer = 0 if volume <= there else 1
            rises[nearer], volumes[nearer] = rise, volume
        return float(np.interp(there, volumes, rises))

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
        wide = bead_spread_mm(small, plan["surround_gap"], self._root[0], plan["surround_contact"])
        lies = small.girdle_mm + plan["surround_contact"] * small.crown_height_mm
        left = min(rise_mm, wide)
        return [self._root, (self._root[0], small.girdle_mm / 2.0),
                *((wide * math.cos(turn), lies + left * math.sin(turn)) for turn in np.radians([0.0, 40.0, 80.0]))]

    @cached_property
    def _bur_profile(self) -> list[tuple[float, float]]:
        """Radii and heights of the cutter of one seat: hole, seat and the way in from above, with the seat's clearance
        outside the stone; at corners, so that flats lie outside and the clearance holds all round."""
        small, plan = self.small, self.site.plan
        room, hole = plan["seat_clearance"], plan["surround_hole"] / 2.0
        half, slope = small.width_mm / 2.0, _cone_slope(small)
        outer = half + room
        # Where a cone, moved out square to its slope, meets the hole and the way in.
        across = room * math.hypot(1.0, slope) / slope
        seat, edge = (hole - half - across) * slope, (outer - half - across) * slope
        corner = self._bur_mm / outer
        return [(hole * corner, -plan["surround_plate"] - OVER_MM), (hole * corner, seat), (outer * corner, edge),
                (outer * corner, self._highest_mm)]

    def _bur(self, facing_deg: Floats | None = None) -> PolyMesh:
        """The cutter of one seat; facing_deg: where its corners lie toward the next stone, else all round."""
        count = self._bur_count
        turns = (np.arange(count) + self.turn) * (2.0 * math.pi / count)
        if facing_deg is not None:
            facing = np.radians(facing_deg)
            left = 2.0 * math.pi - (facing[-1] - facing[0])
            # Odd, so that they are even with the even number of those that face the gap.
            more = math.ceil(left / (facing[1] - facing[0])) | 1
            turns = np.concatenate([facing, facing[-1] + left * np.arange(1, more) / more])
        x, y = np.cos(turns), np.sin(turns)
        rings = [np.column_stack([r * x, r * y, np.full(len(turns), z)]) for r, z in self._bur_profile]
        return rod(rings, "small stone's cutter")

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


def _level_with(solid: Solid, low: float, high: float) -> Floats:
    """(n, 2) the corners, seen from above, of what of a solid stands between two heights."""
    vertices, triangles = triangles_of(solid)
    found = [vertices[(vertices[:, 2] >= low) & (vertices[:, 2] <= high)]]
    starts, ends = vertices[triangles.ravel()], vertices[np.roll(triangles, -1, axis=1).ravel()]
    for z in (low, high):
        crosses = (starts[:, 2] < z) & (ends[:, 2] > z)
        share = (z - starts[crosses, 2]) / (ends[crosses, 2] - starts[crosses, 2])
        found.append(starts[crosses] + share[:, None] * (ends[crosses] - starts[crosses]))
    return np.concatenate(found)[:, :2]


def triangle_mesh(vertices: Floats, triangles: Ints, part: str) -> PolyMesh:
    """A part's mesh of (n, 3) vertices, mm, and (t, 3) triangles."""
    return PolyMesh(vertices, np.ascontiguousarray(triangles.ravel(), np.int32),
                    np.arange(0, 3 * len(triangles) + 1, 3, dtype=np.int32), np.zeros(len(triangles), np.int32),
                    (part,))


def mesh_of(solid: Solid, part: str) -> PolyMesh:
    """A solid's own triangles as a part's mesh."""
    return triangle_mesh(*triangles_of(solid), part)


def _cone_slope(stone: Stone) -> float:
    """Tangent of the slope, to the level, of the flattest cone from the girdle's edge that holds the whole pavilion."""
    below = stone.mesh.vertices[stone.mesh.vertices[:, 2] < -1e-9]
    room = stone.width_mm / 2.0 - np.linalg.norm(below[:, :2], axis=1)
    is_inside = room > 1e-9
    return float((-below[is_inside, 2] / room[is_inside]).max())
