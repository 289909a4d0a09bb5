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
"""Directions in which these are looked at: so many levels with so many each, and straight up. Fewer: a groove is passed by."""

CLOSER, STEPS = 0.6, 6
"""From which share of the limit on, and how often, one goes on from there to the middle of the metal. Fewer steps: read thin."""


def judge_solid(subject: Subject, rules: HouseRules) -> Finding:
    """The thickest metal found: half way through it from a place of the surface, as far as it is in every direction."""
    rule = rules["casting.solid_most_mm"]
    thick, place = _thickest(subject, rule.value)
    hollow = f"Hollow it out from below, or thin it by {max(0.0, thick - rule.value):.1f} mm."
    return judge("casting.solid", "Thickest solid metal", thick, "mm", place, [at_most(rule, "watch", hollow)], READ_MM)


def _thickest(subject: Subject, most_mm: float) -> tuple[float, Floats]:
    """Its width, mm, and its middle (3,); exactly where it is not far from what is allowed."""
    places = subject.surface.spread
    some = np.linspace(0, len(places.points) - 1, min(TRIED, len(places.points))).round().astype(int)
    points, ways = places.points[some], -places.normals[some]
    far_mm = float(np.linalg.norm(np.ptp(subject.surface.vertices, axis=0)))
    through = START_MM + _ways_mm(subject, points + ways * START_MM, ways, far_mm)
    middles = points + ways * (through / 2.0)[:, None]
    # What is long from here, as a claw is from its end, is thin to its sides.
    sides = [way for side in tangents(ways) for way in (side, -side)]
    widths = np.minimum(through, 2.0 * np.min([_ways_mm(subject, middles, side, far_mm) for side in sides], axis=0))
    best = np.argsort(-widths, kind="stable")[:NEAR]
    found = [_around(subject, middles[i], ways[i], far_mm, STEPS if widths[i] > CLOSER * most_mm else 0) for i in best]
    return max(found, key=lambda each: each[0])


def _around(subject: Subject, middle: Floats, way: Floats, far_mm: float, steps: int) -> tuple[float, Floats]:
    """The width of the metal about a middle (3,), mm, and that middle; after some steps away from what is nearest."""
    ways = np.concatenate([_DIRECTIONS, [way]])
    thickest = (0.0, middle)
    for _ in range(steps + 1):
        ahead, behind = (_ways_mm(subject, np.broadcast_to(middle, ways.shape), each, far_mm) for each in (ways, -ways))
        near = np.minimum(ahead, behind)
        thickest = max(thickest, (2.0 * float(near.min()), middle), key=lambda each: each[0])
        i = int(np.argmin(near))
        middle = middle + ways[i] * ((ahead[i] - behind[i]) / 2.0)
    return thickest


def _ways_mm(subject: Subject, middles: Floats, ways: Floats, far_mm: float) -> Floats:
    """(n,) how far the metal reaches from middles (n, 3) along unit ways (n, 3), mm."""
    far, _ = first_hits(subject.metal, middles, middles + ways * far_mm)
    return np.where(np.isfinite(far), far, 0.0)


def _half_round() -> Floats:
    """(k, 3) unit vectors, one of each two that are opposite."""
    tilts = np.radians(np.linspace(0.0, 60.0, LEVELS))
    turns = np.arange(ROUND) * (2.0 * math.pi / ROUND)
    tilt, turn = (each.ravel() for each in np.meshgrid(tilts, turns, indexing="ij"))
    ways = np.column_stack([np.cos(tilt) * np.cos(turn), np.cos(tilt) * np.sin(turn), np.sin(tilt)])
    return np.concatenate([ways[ROUND // 2:], [[0.0, 0.0, 1.0]]])


_DIRECTIONS = _half_round()
