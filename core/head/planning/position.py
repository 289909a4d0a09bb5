"""Where the stone stands over the base, and how the metal under it leans."""
from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache

import numpy as np

from ...stone import Stone
from ...stone.outline import Outline
from ...tolerance import CHORD_MM, SAME_POINT_MM
from ..draft import Draft
from .bridges import under_flat_mm
from .surround import plate_under_flat_mm

REFERENCE_MM = 5.0
"""The stone whose worked head the usual clearance and spare length are stated for; others go in proportion."""

TAPERS_DEG = (14.0, 8.5, 0.0)
"""Smaller tapers that collet blocks come in, tried where the usual one would close a small head."""

CULET_ROOM_MM = 0.05
"""Least way from the axis to the wall, in a heart's cleft or beside a trillion's base: nearer, it lies under the culet. Common
practice, no source."""

HOLLOW_SHARE = 0.08
"""Least radius of the hollow at the base as a share of the stone's width, so that it can be cleaned and burnished
from below. Common practice, no source."""


def plan_girdle(draft: Draft, least_clearance_mm: float = 0.0, why: str = "") -> None:
    """Culet clearance and girdle plane. least_clearance_mm: what the parts under the stone ask for, and why."""
    stone, rules = draft.stone, draft.rules
    usual = rules["head.culet_clearance_mm"]
    preferred = rules["head.culet_clearance_preferred_mm"]
    clearance = max(preferred.value, min(usual.value, usual.value * stone.width_mm / REFERENCE_MM))
    reason = ("Keeps the culet off the finger and leaves the wall tall enough to work; in proportion for stones under "
              f"{REFERENCE_MM:g} mm.")
    if stone.pavilion_depth_mm == 0.0:
        least_clearance_mm, why = max((least_clearance_mm, why), *_under_flat(draft))
    if least_clearance_mm > clearance:
        clearance, reason = least_clearance_mm, why
    draft.derive("culet_clearance", clearance, "mm", reason, usual.source)
    draft.derive("girdle_plane", draft["culet_clearance"] + stone.pavilion_depth_mm, "mm",
                 "Culet clearance and pavilion depth: the height of the lower girdle edge above the base.")


def _under_flat(draft: Draft) -> Iterator[tuple[float, str]]:
    """What other parts of a head ask for under a flat stone, mm, and why."""
    yield 0.0, ""
    if draft.spec.get("sides.present"):
        yield under_flat_mm(draft.spec, draft.rules), "Lifts the flat stone until the bridges to the side heads pass below it."
    if draft.spec.get("surround.present"):
        yield plate_under_flat_mm(draft), "Lifts the flat stone until the plate of its surround is as thick as fills."


def plan_taper(draft: Draft, thickness_mm: float) -> float:
    """The lean of wall or rails of a thickness, mm, square to them, so that a hollow stays open at the base."""
    rule, stone, girdle = draft.rules["wall.taper_deg"], draft.stone, draft["girdle_plane"]
    least = HOLLOW_SHARE * stone.width_mm
    open_at = [taper for taper in (rule.value, *TAPERS_DEG) if hollow_mm(stone, girdle, taper, thickness_mm) >= least]
    fitting = [taper for taper in open_at if room_at_culet_mm(stone, girdle, taper, thickness_mm) >= least]
    taper = fitting[0] if fitting else 0.0
    reason = ("The usual lean of the wall to the axis; a collet block sold by this angle may mean both sides together."
              if taper == rule.value else
              f"The usual {rule.value:g}° would close the hollow of a head this small, so the wall stands steeper."
              if not open_at or taper == open_at[0] else
              f"At the usual {rule.value:g}° the wall would run under the culet where it comes nearest, so it stands steeper.")
    return draft.derive("taper", taper, "deg", reason, rule.source)


def hollow_mm(stone: Stone, girdle_mm: float, taper_deg: float, thickness_mm: float) -> float:
    """Radius of the largest rod that passes the hollow at the base; not above 0 where the wall fills it."""
    angle = math.radians(taper_deg)
    return stone.outline.reach_mm - girdle_mm * math.tan(angle) - thickness_mm / math.cos(angle)


def room_at_culet_mm(stone: Stone, girdle_mm: float, taper_deg: float, thickness_mm: float) -> float:
    """From the axis to the wall at the base where it comes nearest: below a heart's cleft, or the base of a trillion."""
    angle = math.radians(taper_deg)
    return nearest_mm(stone.outline) - girdle_mm * math.tan(angle) - thickness_mm / math.cos(angle)


@lru_cache(maxsize=16)
def nearest_mm(outline: Outline) -> float:
    """From the axis, which runs through the culet, to the nearest place of an outline."""
    if outline.is_one_piece:
        return outline.reach_mm
    loop = outline.loop(0.0, outline.counts(CHORD_MM))
    ways = np.roll(loop, -1, axis=0) - loop
    squares = np.maximum(np.einsum("ij,ij->i", ways, ways), SAME_POINT_MM ** 2)
    along = np.clip(-np.einsum("ij,ij->i", loop, ways) / squares, 0.0, 1.0)
    return float(np.linalg.norm(loop + along[:, None] * ways, axis=1).min())


def plan_seat(draft: Draft) -> None:
    """The room that a seat cut in the model leaves round the stone."""
    rule = draft.rules["seat.clearance_mm"]
    draft.derive("seat_clearance", rule.value, "mm", "Room between the stone and a seat that is cut in the model.", rule.source)
