"""Whether a stone would leave between two neighbouring claws, so that it takes more of them.

Through an opening a convex outline leaves when its longest chord along the opening is no longer than that, or when all
that lies behind it is narrower (G. Strang, The Width of a Chair, 1982). The proof measures the same on the metal.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ...mesh import Floats
from ...stone.outline import Outline, Place
from ..placement import way_round

CHORD_MM = 0.02
"""Chord error of the outline that is looked at. Larger: an opening is taken for too narrow by it."""

GRIP_SHARE, LEG_SHARE = 0.35, 0.6
"""How far to either side a claw, or a V claw along its legs, holds the girdle, as a share of its thickness. Larger: claws
are thought to hold more of it than their notches do."""

TURN_DEG = 15.0
"""How far the stone may turn on its way, as in the proof."""

SHARE = 0.995
"""How much of the width that a stone needs an opening may have. Larger: claws that move a little let the stone go."""

HEIGHTS = 32
"""At how many heights behind an opening the outline's width is looked at. Fewer: its widest place is missed."""


@dataclass(frozen=True)
class Hold:
    """Where one claw holds the girdle: a point of the outline, mm, and how far to either side of it, mm."""

    point: tuple[float, float]
    grip_mm: float

    @classmethod
    def of(cls, place: Place, claw_mm: float, point_deg: float) -> Hold:
        """Of a claw of this thickness at a place; at a corner that turns by more than `point_deg` it is a V claw."""
        share = LEG_SHARE if place.turn_deg >= point_deg else GRIP_SHARE
        return cls((float(place.point[0]), float(place.point[1])), share * claw_mm)


@lru_cache(maxsize=64)
def is_let_out(outline: Outline, holds: tuple[Hold, ...], opening_most: float) -> bool:
    """True if some opening between neighbouring claws, counter-clockwise, lets the stone out or is more than the share
    `opening_most` of the girdle."""
    loop, along = outline.loop(0.0, outline.counts(CHORD_MM)), way_round(outline)
    for first, last in zip(holds, holds[1:] + holds[:1], strict=True):
        start, end = along.length_at(np.array(first.point)) + first.grip_mm, along.length_at(np.array(last.point)) - last.grip_mm
        point = along.place_at(start).point
        way = along.place_at(end).point - point
        needed_mm = min(_longest_mm(loop, way), _behind_mm(loop, point, way))
        if (end - start) % along.length_mm > opening_most * along.length_mm or float(np.hypot(*way)) >= SHARE * needed_mm:
            return True
    return False


def _longest_mm(loop: Floats, way: Floats) -> float:
    """The longest chord of a ring (n, 2) along a way (2,), the ring turned as suits best: no chord leaves the strips of
    the ring's widths."""
    sides = np.roll(loop, -1, axis=0) - loop
    sides = sides[np.hypot(*sides.T) > CHORD_MM / 10.0]
    across = np.column_stack([-sides[:, 1], sides[:, 0]]) / np.hypot(*sides.T)[:, None]
    widths = np.ptp(loop @ across.T, axis=0)
    between = np.arccos(np.minimum(np.abs(across @ way) / float(np.hypot(*way)), 1.0))
    turned = np.maximum(between - math.radians(TURN_DEG), 0.0)
    return float((widths / np.maximum(np.cos(turned), 1e-9)).min())


def _behind_mm(loop: Floats, point: Floats, way: Floats) -> float:
    """The widest that a ring (n, 2) is, along a way (2,) from a point (2,), on the way's left."""
    along = way / float(np.hypot(*way))
    over = (loop - point) @ np.array([-along[1], along[0]])
    heights = float(over.max()) * (np.arange(HEIGHTS) + 0.5) / HEIGHTS
    x, next_over, next_x = loop @ along, np.roll(over, -1), np.roll(loop @ along, -1)
    low, high = over[None, :] - heights[:, None], next_over[None, :] - heights[:, None]
    crossed = low * high < 0.0
    share = low / np.where(crossed, low - high, 1.0)
    met = x + share * (next_x - x)
    widest = np.where(crossed, met, -np.inf).max(axis=1) - np.where(crossed, met, np.inf).min(axis=1)
    return float(widest.max())
