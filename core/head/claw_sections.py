"""The claw's section, square to its axis: round, oval, tab, and V for corners and points.

A section is a ring (n, 2) of (outwards, along) about the axis, n even and counter-clockwise seen from the claw's end,
so that corner i lies across from corner n - 1 - i and strips of quads close it.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..mesh import Floats
from ..stone.outline import Place
from .sweep import circle_count, honest_radius_mm

SECTIONS = ("round", "oval", "tab", "V")

V_TURN_DEG = 25.0
"""From which turn of the outline on a corner takes a V claw. Common practice, no source."""

RELIEF_TURN_DEG = 50.0
"""From which turn on a corner of the girdle inside a claw gets room cut round it. Common practice, no source."""

SOFT_SHARE = 0.25
"""Radius of a tab's softened edges as a share of its thickness. Common practice, no source."""

V_FLAT = 0.3
"""Half the flat that blunts the inside of a V claw, as a share of how deep the girdle cuts its legs. Common
practice, no source."""

V_ROUND = 0.25
"""Radius of a V claw's outer edge as a share of how far its faces lie outside the girdle: blunt enough not to catch,
and wide enough to cover a rail's corner. Common practice, no source."""


SHARP_TURN_DEG, V_ROUND_SHARP = 140.0, 0.5
"""From which turn on a point is so sharp that the legs' faces run out into a fin, which is rounded more. Found by trial on
long hearts; no source."""


def takes_v(place: Place) -> bool:
    """True if a V claw can stand at a place: at a corner that stands out."""
    return place.turn_deg >= V_TURN_DEG


def section_ring(section: str, thickness_mm: float, width_mm: float, chord_mm: float) -> Floats:
    """(n, 2) of a round, oval or tab section: thickness outwards, width along. Its area is the true curve's."""
    if section == "tab":
        return _tab(thickness_mm, width_mm, chord_mm)
    count = circle_count(max(thickness_mm, width_mm) / 2.0, chord_mm)
    ring: Floats = _circle(count) * (thickness_mm / 2.0, width_mm / 2.0)
    return ring


@lru_cache(maxsize=64)
def _circle(count: int) -> Floats:
    """(count, 2) polygon with the area of the unit circle and a flat towards the stone."""
    turn = (np.arange(count) + 0.5) * (2.0 * math.pi / count)
    ring = honest_radius_mm(1.0, count) * np.column_stack([np.cos(turn), np.sin(turn)])
    ring.setflags(write=False)
    return ring


def _tab(thickness_mm: float, width_mm: float, chord_mm: float) -> Floats:
    radius = SOFT_SHARE * min(thickness_mm, width_mm)
    arc = _honest_arc(radius, math.pi / 4.0, max(2, circle_count(radius, chord_mm) // 4))
    cos = math.sqrt(0.5)
    first = arc @ np.array([[cos, cos], [-cos, cos]]) + np.array([thickness_mm, width_mm]) / 2.0 - radius
    # Each corner is the one before it seen in a mirror, so its arc runs the other way.
    second, third = first[::-1] * (-1.0, 1.0), first * (-1.0, -1.0)
    ring: Floats = np.concatenate([first, second, third, first[::-1] * (1.0, -1.0)])
    return ring


@dataclass(frozen=True)
class VShape:
    """A V claw round a corner, seen in the level plane, mm: half the corner's turn, rad; how far its faces lie
    outside and inside the girdle's sides; the length of its legs; and half the flat inside its corner."""

    half_rad: float
    outer_mm: float
    inset_mm: float
    leg_mm: float

    @classmethod
    def of(cls, thickness_mm: float, leg_mm: float, notch: float, turn_deg: float, lean_rad: float) -> VShape:
        """thickness_mm: of each leg, square to it, of which the girdle cuts the share `notch`; leg_mm: its length along
        its side; lean_rad: of the claw along the corner's bisector, of which a leg leans its part."""
        half = math.radians(turn_deg) / 2.0
        through = thickness_mm * math.hypot(1.0, math.tan(lean_rad) * math.cos(half))
        return cls(half, (1.0 - notch) * through, notch * through, leg_mm)

    @property
    def flat_mm(self) -> float:
        return V_FLAT * self.inset_mm

    @property
    def round_mm(self) -> float:
        return (V_ROUND if self.half_rad < math.radians(SHARP_TURN_DEG / 2.0) else V_ROUND_SHARP) * self.outer_mm

    @property
    def inner_mm(self) -> float:
        """How far inside the girdle's corner the flat lies."""
        return (self.inset_mm + self.flat_mm * math.sin(self.half_rad)) / math.cos(self.half_rad)

    @property
    def filled_mm(self) -> float:
        """How far along each leg, from the girdle's corner, the metal inside runs from leg to leg."""
        return self.inner_mm * math.sin(self.half_rad) + self.flat_mm * math.cos(self.half_rad)

    @property
    def out_mm(self) -> float:
        """How far outside the girdle's corner the claw's axis stands; negative: inside. It runs through the middle
        of the section's area, its flat and its outer edge taken for points."""
        half, outer = self.half_rad, self.outer_mm
        # The mitre outside the corner, the legs outside the girdle's sides, and the legs inside them.
        areas = math.tan(half) * outer * outer, 2.0 * self.leg_mm * outer, 2.0 * self.leg_mm * self.inset_mm
        back = 0.5 * self.leg_mm * math.sin(half)
        middles = ((math.cos(half) + 1.0 / math.cos(half)) * outer / 3.0, 0.5 * outer * math.cos(half) - back,
                   -0.5 * self.inset_mm * math.cos(half) - back)
        return sum(area * middle for area, middle in zip(areas, middles, strict=True)) / sum(areas)

    @property
    def area_mm2(self) -> float:
        """Level: the mitre outside the corner less what its round edge lacks, for each leg a rectangle outside the
        girdle's side and a trapezium inside it, and what the flat adds."""
        half = self.half_rad
        inside = (self.leg_mm - self.filled_mm / 2.0) * self.inset_mm + self.inner_mm * self.flat_mm / 2.0
        mitre = self.outer_mm ** 2 * math.tan(half) - self.round_mm ** 2 * (math.tan(half) - half)
        return mitre + 2.0 * (self.leg_mm * self.outer_mm + inside)

    def ring(self, chord_mm: float) -> Floats:
        """(n, 2) about the axis, level: outwards along the bisector, and along. Legs run parallel to the girdle's
        sides."""
        half = self.half_rad
        normal, side = np.array([math.cos(half), math.sin(half)]), np.array([-math.sin(half), math.cos(half)])
        # An odd number, so that a side and not an edge of the claw faces along the bisector, as on a round claw.
        steps = 1 + 2 * math.ceil(max(1.0, 0.5 * circle_count(self.round_mm, chord_mm) * half / math.pi - 0.5))
        end, inner_end = (self.leg_mm * side + off * normal for off in (self.outer_mm, -self.inset_mm))
        across = np.linspace(self.flat_mm, -self.flat_mm, steps + 1)
        flats = np.column_stack([np.full(steps + 1, -self.inner_mm), across])
        mirrored = np.array([1.0, -1.0])
        arc = _honest_arc(self.round_mm, half, steps)
        arc[:, 0] += (self.outer_mm - self.round_mm) / math.cos(half)
        level: Floats = np.concatenate([[end * mirrored], arc, [end], [inner_end], flats,
                                        [inner_end * mirrored]])
        level -= (self.out_mm, 0.0)
        return level


def _honest_arc(radius_mm: float, half_rad: float, steps: int) -> Floats:
    """(steps + 1, 2) points of an arc about the origin from -half to half; those between its ends are pushed out so far
    that it sweeps the area of the true arc."""
    turn = np.linspace(-half_rad, half_rad, steps + 1)
    sine = math.sin(2.0 * half_rad / steps)
    # sine/2 (2 r q + (steps - 2) q²) = half r²; for two steps it is linear.
    a, b, c = (steps - 2) * sine / 2.0, radius_mm * sine, -half_rad * radius_mm * radius_mm
    pushed = -c / b if steps == 2 else (-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)
    far = np.full(steps + 1, pushed)
    far[[0, -1]] = radius_mm
    arc: Floats = far[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    return arc
