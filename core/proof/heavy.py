"""Solid metal so thick that it is hollowed out: it weighs, prints badly, and shrinks more than what lies round it."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats
from ..tolerance import READ_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, at_most, judge
from .subject import Subject
from .thickness import START_MM, tangents

TRIED = 64
"""From how many places of the surface one looks in. Fewer: a lump is passed by that is little of the surface."""

NEAR = 4
"""How many of the thickest are looked at from all sides. Fewer: one that is only long is taken for the thickest."""

AT_ONCE = 16
"""How many of them are looked at to their sides in one go. Only the time taken depends on it."""

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
    to_end_mm = subject.surface.looks.to_end_mm
    widths = START_MM + to_end_mm(points + ways * START_MM, ways, far_mm)
    middles = points + ways * (widths / 2.0)[:, None]
    order, looked = np.argsort(-widths, kind="stable"), 0
    # What is long from here, as a claw is from its end, is thin to its sides, and no thicker than it is long.
    while looked < len(order) and (looked < NEAR or np.sort(widths[order[:looked]])[-NEAR] < widths[order[looked]]):
        now = order[looked:looked + AT_ONCE]
        sides = np.concatenate([way for side in tangents(ways[now]) for way in (side, -side)])
        beside = to_end_mm(np.tile(middles[now], (len(sides) // len(now), 1)), sides, far_mm)
        widths[now] = np.minimum(widths[now], 2.0 * beside.reshape(-1, len(now)).min(axis=0))
        looked += len(now)
    best = order[:looked][np.argsort(-widths[order[:looked]], kind="stable")[:NEAR]]
    steps = STEPS if widths[best[0]] > CLOSER * most_mm else 0
    return _around(subject, middles[best], ways[best], far_mm, steps)


def _around(subject: Subject, middles: Floats, ways: Floats, far_mm: float, steps: int) -> tuple[float, Floats]:
    """The greatest width of the metal about middles (n, 3), each looked at along a way of its own (n, 3) too, mm, and that
    middle (3,); after some steps of all away from what is nearest to each."""
    looks = np.concatenate([np.broadcast_to(_DIRECTIONS, (len(ways), *_DIRECTIONS.shape)), ways[:, None]], axis=1)
    both = np.concatenate([looks, -looks], axis=1)
    thickest, own = (0.0, middles[0]), np.arange(len(middles))
    for _ in range(steps + 1):
        starts = np.broadcast_to(middles[:, None], both.shape)
        far = subject.surface.looks.to_end_mm(starts.reshape(-1, 3), both.reshape(-1, 3), far_mm)
        ahead, behind = np.split(far.reshape(both.shape[:2]), 2, axis=1)
        near = np.minimum(ahead, behind)
        least = near.argmin(axis=1)
        i = int(near.min(axis=1).argmax())
        thickest = max(thickest, (2.0 * float(near[i].min()), middles[i]), key=lambda each: each[0])
        middles = middles + looks[own, least] * ((ahead - behind)[own, least] / 2.0)[:, None]
    return thickest


def _half_round() -> Floats:
    """(k, 3) unit vectors, one of each two that are opposite."""
    tilts = np.radians(np.linspace(0.0, 60.0, LEVELS))
    turns = np.arange(ROUND) * (2.0 * math.pi / ROUND)
    tilt, turn = (each.ravel() for each in np.meshgrid(tilts, turns, indexing="ij"))
    ways = np.column_stack([np.cos(tilt) * np.cos(turn), np.cos(tilt) * np.sin(turn), np.sin(tilt)])
    return np.concatenate([ways[ROUND // 2:], [[0.0, 0.0, 1.0]]])


_DIRECTIONS = _half_round()
