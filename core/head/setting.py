"""The setter's work on a claw: trimmed, bent over the crown and finished round.

The finished claw is the bar up to the girdle and, above it, the hull of the bar's end and a round tip that lies on
the crown; the seat is cut afterwards with the stone itself, so the metal touches it and nowhere enters it.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats
from ..solid.kernel import Solid, fuse, hull_triangles, solid_of, solid_of_triangles
from ..stone import Stone
from ..tolerance import OVERLAP_MM
from .claws import ClawLine, raise_claw, ring_offsets
from .draft import Plan
from .site import Site
from .sweep import circle_count

TIP_SHARE = 0.8
"""Radius of the finished tip as a share of the claw's own: the setter rounds the end. Common practice, no source."""

WAYS_IN = 200
"""How many places are looked at from the girdle to the middle. Fewer: the table's edge is read coarsely."""

LEVEL_MM = 1e-6
"""How far below the crown's top still is its top. Larger: a low dome would end early."""

STEPS = 100
"""How many places along the crown are looked at besides the planned contact."""

STEEPEST = 0.95
"""How far above or below its centre a round tip may touch the crown, as a share of its radius. Larger: it touches with
its very top."""


@dataclass(frozen=True)
class Tip:
    """The round end of a finished claw: centre (3,) mm and radius mm."""

    centre: Floats
    radius_mm: float


def set_claws(site: Site) -> dict[str, Solid]:
    """Every claw as the setter leaves it, by name, before the stone's seat is cut out of it."""
    return {f"claw {i}": set_claw(site.plan, site.stone, line, site.chord_mm, f"claw {i}")
            for i, line in enumerate(site.lines, 1)}


def set_claw(plan: Plan, stone: Stone, line: ClawLine, chord_mm: float, part: str) -> Solid:
    """One claw as the setter leaves it, before the stone's seat is cut out of it.

    Raises GeometryError if the claw cannot reach over the crown.
    """
    radius = plan["claw_diameter"] / 2.0
    tip = find_tip(plan, stone, line, part)
    # The shoulder is round and never stands higher than the tip, however thick the claw.
    shoulder_z = min(plan["girdle_plane"] + plan["girdle"] / 2.0, plan["tip_height"] - radius)
    shoulder = shoulder_z / line.axis[2]
    bend = shoulder - OVERLAP_MM
    count = circle_count(radius, chord_mm)
    points = np.concatenate([line.at(bend) + ring_offsets(line, radius, count),
                             line.at(shoulder) + _dome(line, radius, count),
                             tip.centre + _ball(tip.radius_mm, chord_mm)])
    bent = solid_of_triangles(*hull_triangles(points), part)
    bar = solid_of(raise_claw(line, 2.0 * radius, shoulder, chord_mm, part), part)
    return fuse([bar, bent], part)


def find_tip(plan: Plan, stone: Stone, line: ClawLine, part: str) -> Tip:
    """Where the tip lies so that it is as high as planned and reaches as far up the crown as planned.

    The crown is looked at along the claw's own direction, on the stone's facets. Raises GeometryError if no tip fits.
    """
    inwards = -np.array([line.place.normal[0], line.place.normal[1]])
    girdle = plan["girdle_plane"]
    top = plan["tip_height"]
    edge = np.asarray(line.place.point, np.float64)
    radius = min(TIP_SHARE * plan["claw_diameter"] / 2.0, max(0.5 * (top - girdle), 0.2 * plan["claw_diameter"]))
    centre_z = top - radius
    reach = _crown_reach_mm(stone, edge, inwards)
    planned = plan["contact"] * reach
    contacts = np.concatenate([[planned], reach * np.linspace(0.01, 1.0, STEPS)])
    heights = stone.crown_height_at(edge + np.outer(contacts, inwards)) + girdle
    # Where the crown is too steep for a tip of this height, the claw reaches as nearly as far as planned as it can.
    fits = np.flatnonzero(np.abs(heights - centre_z) < STEEPEST * radius)
    if not len(fits):
        raise GeometryError(part, f"a tip of {radius:.2f} mm radius cannot be {top:.2f} mm high and touch the crown",
                            "take thicker claws or a lower crown")
    # The ball is as high as the tip and passes through the farthest contact: its centre is outwards of that by
    # sqrt(radius² - (centre height - contact height)²).
    best = fits[int(np.argmin(np.abs(contacts[fits] - planned)))]
    contact, off = contacts[best], heights[best] - centre_z
    centre = edge + inwards * (contact - math.sqrt(radius * radius - off * off))
    return Tip(np.array([centre[0], centre[1], centre_z]), radius)


def _crown_reach_mm(stone: Stone, edge: Floats, inwards: Floats) -> float:
    """How far in from a place (2,) of the girdle, along a unit way (2,), the crown rises: to its table or its top."""
    ways = np.linspace(0.0, stone.width_mm / 2.0, WAYS_IN + 1)[1:]
    heights = stone.crown_height_at(edge + np.outer(ways, inwards))
    if not np.isfinite(heights).any():
        return stone.width_mm / 2.0
    return float(ways[np.flatnonzero(heights >= np.nanmax(heights) - LEVEL_MM)[0]])


def _dome(line: ClawLine, radius_mm: float, count: int) -> Floats:
    """(n, 3) points of the half sphere that rounds off a bar, its facets in line with the bar's."""
    tilts = np.arange(max(2, count // 4) + 1) * (0.5 * math.pi / max(2, count // 4))
    ring = ring_offsets(line, radius_mm, count)
    return np.concatenate([math.cos(tilt) * ring + math.sin(tilt) * radius_mm * line.axis for tilt in tilts])


def _ball(radius_mm: float, chord_mm: float) -> Floats:
    """(n, 3) points of a sphere about the origin, fine enough for the chord error."""
    count = circle_count(radius_mm, chord_mm)
    turn = np.arange(count) * (2.0 * math.pi / count)
    tilt = np.linspace(-math.pi / 2.0, math.pi / 2.0, count // 2 + 1)[1:-1]
    rings = np.stack([np.outer(np.cos(tilt), np.cos(turn)), np.outer(np.cos(tilt), np.sin(turn)),
                      np.repeat(np.sin(tilt)[:, None], count, axis=1)], axis=-1).reshape(-1, 3)
    poles = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])
    return radius_mm * np.concatenate([rings, poles])
