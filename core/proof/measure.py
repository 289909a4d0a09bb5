"""Measurements on a head's solids, each taken once, when it is first asked for.

Nothing here reads the plan. The frame holds solids, heights and sections; walls, pavilion, claws and fit each measure one
thing on it; the gauge is where the checks ask.
"""
from __future__ import annotations

from functools import cached_property

import numpy as np

from ..mesh import Floats
from . import crown, fit
from .chords import are_inside
from .claw_measure import ClawMeasure, measure_claws
from .fit import MOST_FACETS, SEATED_MM
from .frame import HAIR_MM, Frame
from .loops import distances_mm, edges_of, signed_distances_mm
from .pavilion import Bearing, Columns, bearing, columns, flat_bearing, flat_level_mm
from .walls import Wall

__all__ = ["HAIR_MM", "MOST_FACETS", "SEATED_MM", "ClawMeasure", "Gauge"]

CLOSED_MM = 0.05
"""Farther from the girdle than the stone can settle by this, metal still holds it, because the setter closes it onto the
stone: the most room that a seat may have. Common practice, no source."""

CONTACT_PLACES = 25
"""At how many places along the crown's slope contact is looked for first. Fewer: gaps are passed over."""


class Gauge(Frame):
    """Takes each measurement of a head once."""

    # The wall.

    @cached_property
    def walls(self) -> Wall:
        """Measures of the wall. Raises KeyError where there is none."""
        return Wall(self)

    @property
    def taper(self) -> float:
        """Radians: lean of the outer wall to the axis."""
        return self.walls.taper

    @property
    def wall_thickness(self) -> tuple[Floats, Floats]:
        """(k,) mm square to the wall and (k, 3) where."""
        return self.walls.thickness

    @property
    def intrusion(self) -> tuple[float, Floats]:
        """Most that metal stands out of the hollow's face, mm, and (3,) where."""
        return self.walls.intrusion

    # The pavilion over the metal.

    @cached_property
    def rests(self) -> tuple[Floats, Floats, tuple[str, ...]]:
        """Places on the girdle below which the stone may rest, and outward normals, each (n, 2): the stations first and
        then the claws' legs, with the claws' names for those."""
        points, normals = self.stations
        legs = [(claw.name, leg) for claw in self.claws for leg in claw.legs]
        if not legs:
            return points, normals, ()
        return (np.vstack([points, [leg.edge for _, leg in legs]]), np.vstack([normals, [leg.outwards for _, leg in legs]]),
                tuple(name for name, _ in legs))

    @cached_property
    def columns(self) -> Columns:
        """The pavilion over the metal from the wall's top down, or from the girdle where there is no wall or it is higher."""
        top = self.girdle_plane_mm if self.wall is None else min(self.wall_top_mm, self.girdle_plane_mm)
        return columns(self, self.rests[0], top)

    @property
    def levels_mm(self) -> Floats:
        """(h,) heights at which the pavilion is held against the metal, highest first."""
        return self.columns.heights_mm

    @property
    def room_mm(self) -> Floats:
        """(h, n) from the pavilion out to the metal, square to it; negative where metal stands in the stone."""
        return self.columns.room_mm

    @property
    def settling_mm(self) -> float:
        """How far the stone stands off the metal before it settles on it; 0 if it touches."""
        if self.has_flat_base:
            return max(0.0, float(self.culet[2]) - flat_level_mm(self))
        return self.columns.settling_mm

    def bearing(self, reading_mm: float, clear_mm: float) -> Bearing:
        """Where the stone rests on its way down."""
        return bearing(self.columns, reading_mm, clear_mm)

    def flat_bearing(self) -> tuple[Floats, Floats]:
        """(n,) width of what a flat base lies on, mm, and (n, 3) where."""
        starts, normals, legs = self.rests
        reach = np.concatenate([self.reach_mm, np.full(len(legs), float(self.reach_mm.max()))])
        return flat_bearing(self, starts, normals, reach)

    def rail_gap(self, name: str, reach_mm: float) -> float:
        """From a rail to the stone, mm, at most `reach_mm`; 0 where they meet."""
        return fit.rail_gap(self, self.parts[name], reach_mm)

    # Claws.

    @cached_property
    def claws(self) -> tuple[ClawMeasure, ...]:
        """Every claw part that stands up to the girdle plane."""
        return measure_claws(self, self.claw_names)

    def claw_length_mm(self, claw: ClawMeasure) -> float:
        """From its foot to its end, along its axis."""
        return claw.length_mm

    def claw_top_mm(self, claw: ClawMeasure) -> float:
        return float(self.part_bounds(claw.name)[1][2])

    @cached_property
    def claws_in_hollow(self) -> dict[str, tuple[float, Floats]]:
        """For each claw, how far it stands out of the wall's inner face, mm, 0 if it does not, and (3,) where."""
        found = {claw.name: (0.0, claw.foot) for claw in self.claws}
        loops = self.walls.hollow_loops
        if not loops or not self.claws:
            return found
        heights = np.array([height for height, _ in loops])
        corners, _, sizes = self.claw_sides({claw.name: heights for claw in self.claws})
        owner, level = np.repeat(np.divmod(np.arange(len(sizes)), len(heights)), sizes, axis=1)
        # Most stand outside even a circle round the face.
        middle = self.culet[:2]
        circles = np.array([np.hypot(*(face - middle).T).max() for _, face in loops])
        near = np.flatnonzero(np.hypot(*(corners - middle).T) < circles[level])
        within = near[are_inside([[face] for _, face in loops], corners[near], level[near])]
        for i, (height, face) in enumerate(loops):
            own = within[level[within] == i]
            for j, depth in zip(own, distances_mm(corners[own], face) if len(own) else ()):
                name = self.claws[owner[j]].name
                if depth > found[name][0]:
                    found[name] = float(depth), np.array([*corners[j], height])
        return found

    # How stone and metal fit.

    @cached_property
    def common(self) -> tuple[float, float, Floats]:
        """Volume that metal and stone both claim, mm3, how deep it reaches below the facets, mm, and (3,) where."""
        return fit.common(self)

    def room_at_culet(self, reach_mm: float) -> tuple[float, Floats]:
        """From the culet to the metal, mm, at most `reach_mm`, and (3,) the culet."""
        return fit.room_at_culet(self, reach_mm), self.culet

    @cached_property
    def finished_depth(self) -> tuple[float, Floats]:
        """How deep metal reaches into a stone that its seat is cut to, mm, and (3,) where."""
        return fit.depth(self)

    def seat_gaps(self) -> tuple[fit.Gaps, fit.Gaps]:
        """The gaps between stone and claws, below the girdle and above it."""
        return fit.seat_gaps(self, self.claws)

    def room_at_corner(self, claw: ClawMeasure) -> tuple[float, Floats]:
        """From the stone's corner to the metal of its V claw, mm, negative in it, the least over the girdle, and (3,)."""
        corner = claw.edge[None, :]
        heights = (self.girdle_plane_mm + HAIR_MM, self.girdle_middle_mm, self.crown_edge_mm - HAIR_MM)
        room = []
        for z in heights:
            loops = self.part_at(claw.name, z)
            # A claw that ends below is at least so far away.
            room.append(float(signed_distances_mm(corner, edges_of(loops))[0][0]) if loops else z - self.claw_top_mm(claw))
        i = int(np.argmin(room))
        return room[i], np.array([*claw.edge, heights[i]])

    @cached_property
    def girdle_contact(self) -> np.ndarray:
        """(n,) bool for the dense girdle: where metal stands at it, half way up."""
        points, normals = self.dense_girdle
        return self.has_metal(np.array([self.girdle_middle_mm]), points + normals * (self.settling_mm + CLOSED_MM),
                              np.zeros(len(points), np.int32))

    @cached_property
    def _crown_profiles(self) -> dict[str, tuple[Floats, Floats, Floats]]:
        """For each claw the crown inwards from it, as `crown_profiles` has them."""
        firsts = [claw for claw in self.claws if self.copy_of(claw.name) is None]
        found = {claw.name: each for claw, each in zip(firsts, crown.crown_profiles(self, firsts))}
        return {claw.name: found[self.first_of(claw.name)] for claw in self.claws}

    def crown_line(self, claw: ClawMeasure, count: int) -> tuple[Floats, float]:
        """(count, 3) points on the crown, evenly along it from the girdle to the table's edge or a dome's top, inwards from
        the claw, and its length, mm; nan where it has none."""
        ways, heights, run = self._crown_profiles[claw.name]
        at = np.linspace(0.0, run[-1], count)
        xy = claw.edge - np.interp(at, run, ways)[:, None] * claw.outwards
        return np.column_stack([xy, np.interp(at, run, heights)]), float(run[-1])

    def crown_reach_mm(self, claw: ClawMeasure) -> float:
        """How far in that line ends, level."""
        return float(self._crown_profiles[claw.name][0][-1])

    def crown_slope_mm(self, claw: ClawMeasure) -> float:
        """The length of that line."""
        return float(self._crown_profiles[claw.name][2][-1])

    def contacts(self, reading_mm: float) -> dict[str, tuple[float, Floats]]:
        """For each claw the share of the crown's slope that it lies on, in the middle of it; (3,) its end."""
        found: dict[str, tuple[float, Floats]] = {}
        lines = {claw.name: self.crown_line(claw, CONTACT_PLACES)[0] for claw in self.claws}
        # Claws that are one in other places are looked at beside the first of them.
        for first in dict.fromkeys(map(self.first_of, lines)):
            own = {name: self.copy_of(name) for name in lines if self.first_of(name) == first}
            beside = np.array([lines[name] if copy is None else copy.back(lines[name]) for name, copy in own.items()])
            for (name, copy), share, end in zip(own.items(), *crown.contacts(self.parts[first], beside, reading_mm)):
                found[name] = float(share), end if copy is None else copy.of(end[None])[0]
        return found
