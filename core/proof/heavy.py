"""Solid metal so thick that it is hollowed out: it weighs, prints badly, and shrinks more than what lies round it."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats
from ..solid.kernel import first_hits
from ..tolerance import READ_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, at_most, judge
from .subject import Subject
from .thickness import START_MM, tangents

TRIED = 64
"""From how many places of the surface one looks in. Fewer: a lump is passed by that is little of the surface."""

NEAR = 4
"""How many of the thickest are looked at from all sides. Fewer: one that is only long is taken for the thickest."""

LEVELS, ROUND = 3, 8
"""Directions in which these are looked at: so many levels with so many each. Fewer: a groove is passed by."""


def judge_solid(subject: Subject, rules: HouseRules) -> Finding:
    """The thickest metal found: half way through it from a place of the surface, as far as it is in every direction."""
    rule = rules["casting.solid_most_mm"]
    thick, place = _thickest(subject)
    hollow = f"Hollow it out from below, or thin it by {max(0.0, thick - rule.value):.1f} mm."
    return judge("casting.solid", "Thickest solid metal", thick, "mm", place, [at_most(rule, "watch", hollow)], READ_MM)


def _thickest(subject: Subject) -> tuple[float, Floats]:
    """Its width, mm, and its middle (3,)."""
    places = subject.surface.places
    some = np.linspace(0, len(places.points) - 1, min(TRIED, len(places.points))).round().astype(int)
    points, ways = places.points[some], -places.normals[some]
    low, high = subject.surface.vertices.min(axis=0), subject.surface.vertices.max(axis=0)
    far_mm = float(np.linalg.norm(high - low))
    through, _ = first_hits(subject.metal, points + ways * START_MM, points + ways * far_mm)
    through = np.where(np.isfinite(through), through + START_MM, 0.0)
    middles = points + ways * (through / 2.0)[:, None]
    # What is long from here, as a claw is from its end, is thin to its sides.
    first, second = tangents(ways)
    aside = np.min([_ways_mm(subject, middles, side, far_mm) for side in (first, -first, second, -second)], axis=0)
    widths = np.minimum(through, 2.0 * aside)
    best = np.argsort(-widths, kind="stable")[:NEAR]
    around = np.min([_ways_mm(subject, middles[best], np.broadcast_to(way, (len(best), 3)), far_mm) for way in _directions()], axis=0)
    widths = np.minimum(widths[best], 2.0 * around)
    i = int(np.argmax(widths))
    return float(widths[i]), middles[best[i]]


def _ways_mm(subject: Subject, middles: Floats, ways: Floats, far_mm: float) -> Floats:
    """(n,) how far the metal reaches from middles (n, 3) along unit ways (n, 3), mm."""
    far, _ = first_hits(subject.metal, middles, middles + ways * far_mm)
    return np.where(np.isfinite(far), far, 0.0)


def _directions() -> Floats:
    """(k, 3) unit vectors all round."""
    tilts = (np.arange(LEVELS) + 0.5) / LEVELS * math.pi - math.pi / 2.0
    turns = np.arange(ROUND) * (2.0 * math.pi / ROUND)
    tilt, turn = (each.ravel() for each in np.meshgrid(tilts, turns, indexing="ij"))
    ways: Floats = np.column_stack([np.cos(tilt) * np.cos(turn), np.cos(tilt) * np.sin(turn), np.sin(tilt)])
    return ways
