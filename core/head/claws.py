"""Claws: bars that follow the wall from the base plane to their tips."""
from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..mesh import Floats, PolyMesh
from ..stone.outline import Outline, Place
from .draft import Plan
from .sweep import circle_count, honest_radius_mm, rod

if TYPE_CHECKING:
    from .site import Site


@dataclass(frozen=True)
class ClawLine:
    """Where one claw stands: the foot of its axis in the base plane and its frame.

    foot (3,) mm; axis, outwards, along: unit (3,) vectors; `outwards` is square to the axis in the plane of the
    outline's normal, `along` follows the outline. `place` is the claw's place on the outline.
    """

    foot: Floats
    axis: Floats
    outwards: Floats
    along: Floats
    place: Place

    def at(self, length_mm: float) -> Floats:
        """(3,) point on the axis, mm from the foot."""
        return self.foot + self.axis * length_mm


def claw_angles_deg(plan: Plan) -> tuple[float, ...]:
    """Directions of the claws, spread evenly from the first."""
    count = round(plan["claw_count"])
    return tuple(plan["claw_start_angle"] + 360.0 * i / count for i in range(count))


def claw_lines(plan: Plan, outline: Outline) -> tuple[ClawLine, ...]:
    """One line for each claw, square to the outline at its place and parallel to the wall there."""
    taper = math.radians(plan["taper"])
    lines = []
    for angle in claw_angles_deg(plan):
        place = outline.place(angle)
        normal = np.array([*place.normal, 0.0])
        up = np.array([0.0, 0.0, 1.0])
        foot = np.array([*place.point, 0.0]) + normal * (plan["claw_shift"] - plan["girdle_plane"] * math.tan(taper))
        lines.append(ClawLine(foot, normal * math.sin(taper) + up * math.cos(taper),
                              normal * math.cos(taper) - up * math.sin(taper),
                              np.array([-normal[1], normal[0], 0.0]), place))
    return tuple(lines)


def ring_offsets(line: ClawLine, radius_mm: float, count: int) -> Floats:
    """(count, 3) offsets of a section square to the axis, area-honest, with a flat towards the stone."""
    turn = (np.arange(count) + 0.5) * (2.0 * math.pi / count)
    circle: Floats = np.cos(turn)[:, None] * line.outwards + np.sin(turn)[:, None] * line.along
    return honest_radius_mm(radius_mm, count) * circle


def raise_claws(site: Site, even: bool) -> dict[str, PolyMesh]:
    """Every claw as cast, by name: "claw 1", "claw 2"…"""
    diameter, length = site.plan["claw_diameter"], site.plan["claw_length"]
    return {f"claw {i}": raise_claw(line, diameter, length, site.chord_mm, f"claw {i}", even)
            for i, line in enumerate(site.lines, 1)}


def raise_claw(line: ClawLine, diameter_mm: float, length_mm: float, chord_mm: float, part: str,
               even: bool = True) -> PolyMesh:
    """One claw as a closed shell of quads: flush with the base plane below, square to its axis at the tip.

    even: with rows between base and tip that keep the quads near square; without them the same surface in fewer.
    """
    count = circle_count(diameter_mm / 2.0, chord_mm)
    ring = ring_offsets(line, diameter_mm / 2.0, count)
    base = line.foot + ring + np.outer(-ring[:, 2] / line.axis[2], line.axis)
    tip = line.at(length_mm) + ring
    steps = np.linspace(0.0, 1.0, max(2, round(length_mm / diameter_mm) + 1 if even else 2))
    return rod([base + (tip - base) * step for step in steps], part)
