"""The peg: a small solid base that the claws spring from, with no wall between them."""
from __future__ import annotations

import math

import numpy as np

from ...dimension import COMMON, GEOMETRY, Dimension
from ...errors import Fault, SpecError
from ...trade.claw_sizes import claw_diameter
from ..draft import Draft
from .claw_places import point_deg
from .claws import plan_claws
from .position import plan_girdle, plan_seat

START_MM, RISE = 0.75, 0.25
"""Usual diameter of the peg: START_MM and RISE times the stone's width. Common practice, no source."""

HEIGHT_SHARE, HEIGHT_LOW_MM, HEIGHT_HIGH_MM = 0.2, 0.8, 1.5
"""Usual height of the peg as a share of the stone's width, and its bounds. Common practice, no source."""

MOST_LEAN_DEG = 45.0
"""Claws that lean out more bend open under a blow, and the girdle cuts them lengthwise. Common practice, no source."""

MOST_LEAN_FLAT_DEG = 36.0
"""The same under a stone with a flat base, whose crown rises steeply from its edge: tips of claws that lean more do not
reach far enough over it. Common practice, no source."""

MOST_LEAN_BULGING_DEG, BULGING = 36.0, 0.39
"""The same under a pavilion that bulges down into claws that lean more, and how far in it is half way down, as a share of
the way to its middle, where it does: under long step cuts. Found by trial on all cuts; no source."""

MOST_LEAN_SMALL_DEG, SMALL_MM = 33.0, 3.0
"""The same again under stones narrower than that, whose claws are thick beside them. Found by trial; no source."""

LOWEST_CROWN, LOW_LEAN_DEG, LEAN_PER_CROWN_DEG = 0.38, 19.0, 73.0
"""The same over a low crown, where a claw is rounded off below the girdle to be bent so far over: at a crown and girdle of this
share of a claw's thickness, and by how much more for a whole thickness more. Over a lower one nothing sound is left behind
the notch. Found by trial on all cuts; no source."""

MOST_LIFT = 0.5
"""By how much of its width a long stone may be lifted so that the claws to its ends lean no more. Common practice, no
source."""

MOST_FLARE_DEG = 20.0
"""The peg widens upwards with its claws, but no more than this. Common practice, no source."""

COARSE_MM = 0.02
"""Chord error at which the outline's farthest place is looked for. Larger: long stones stand too low by it."""


def _steepest_deg(draft: Draft, claw_mm: float) -> float:
    """How much claws about so thick may lean out under a stone. Raises SpecError over a crown too low to bend them on."""
    stone = draft.stone
    depth = stone.pavilion_depth_mm
    if depth == 0.0:
        usual = MOST_LEAN_FLAT_DEG
    elif stone.pavilion_inset_mm(depth / 2.0) >= BULGING * stone.outline.reach_mm:
        usual = MOST_LEAN_DEG
    else:
        usual = MOST_LEAN_SMALL_DEG if stone.width_mm < SMALL_MM else MOST_LEAN_BULGING_DEG
    corners = stone.outline.corners
    if corners and all(corner.turn_deg >= point_deg(draft) for corner in corners):
        return usual  # V claws are folded over their points and not rounded off
    height = stone.girdle_mm + stone.crown_height_mm
    over = height / claw_mm - LOWEST_CROWN
    if over < 0.0 and draft.spec.get("claws.diameter_mm") is None:
        raise SpecError(Fault("head.style", "peg", f"claws of {claw_mm:.2f} mm that lean out from a peg would be rounded off too thin "
                              f"to be bent over a crown only {height:.2f} mm above the girdle's lower edge; take a stone whose crown "
                              f'stands {LOWEST_CROWN * claw_mm:.2f} mm above it, or the style "basket"'))
    return min(usual, LOW_LEAN_DEG + LEAN_PER_CROWN_DEG * max(over, 0.0))


def plan_peg(draft: Draft) -> None:
    """Peg, position and claws. Raises SpecError where the culet would touch the peg or the claws would lean too far."""
    stone, rules, derive = draft.stone, draft.rules, draft.derive
    width = stone.width_mm
    least = draft.castable_mm
    diameter = derive("peg_diameter", round(max(START_MM + RISE * width, least), 2), "mm",
                      "In proportion to the stone, so that the claws lean out to the girdle.", COMMON)
    most = 2.0 * stone.outline.reach_mm
    if diameter > most and not draft.is_pinned("peg_diameter"):
        raise SpecError(Fault("stone.width_mm", width, f"the peg under so narrow a stone would be {diameter:.2f} mm thick, and at "
                              f"more than {most:.2f} mm its claws would lean in; take a wider stone"))
    if not least - 1e-9 <= diameter <= most:
        raise SpecError(Fault("peg.diameter_mm", diameter, f"it must be at least {least:g} mm to be cast and at most "
                              f"{most:.2f} mm, or the claws would lean in"))
    height = derive("peg_height", round(max(least, min(max(HEIGHT_SHARE * width, HEIGHT_LOW_MM), HEIGHT_HIGH_MM)), 2), "mm",
                    "Tall enough for the claws to grow from and to be soldered or cast onto a shank.", COMMON)
    gap, preferred = rules["head.pavilion_gap_least_mm"], rules["head.culet_clearance_preferred_mm"]
    far = float(np.linalg.norm(stone.outline.loop(0.0, stone.outline.counts(COARSE_MM)), axis=1).max())
    clear = height + preferred.value
    # From within the peg, because a claw's thickness and a V claw's legs lie lower than its axis.
    claw = draft.spec.get("claws.diameter_mm") or max(claw_diameter(width, 4, draft.metal.family).value, least)
    steepest = _steepest_deg(draft, claw)
    lift = (far - diameter / 4.0) / math.tan(math.radians(steepest)) - stone.pavilion_depth_mm
    if lift > clear + MOST_LIFT * width:
        raise SpecError(Fault("head.style", "peg", f"the claws to the ends of a stone {stone.length_mm:.4g} × {width:.4g} mm would "
                              f"lean more than {steepest:.0f}° from one small peg; take the style \"basket\""))
    plan_girdle(draft, math.ceil(100.0 * max(clear, lift) - 1e-9) / 100.0,
                f"Keeps the culet {preferred.value:g} mm off the peg." if lift <= clear else
                f"Lifts the stone until no claw leans more than {steepest:.0f}°.")
    if draft["culet_clearance"] - height < gap.value - 1e-9:
        key, value = (("head.culet_clearance_mm", draft["culet_clearance"]) if draft.is_pinned("culet_clearance")
                      else ("peg.height_mm", height))
        raise SpecError(Fault(key, value, f"the culet would stand {draft['culet_clearance']:.2f} mm over the base and needs "
                              f"{gap.value:g} mm over the peg of {height:g} mm; take a clearance of at least "
                              f"{height + gap.value:.2f} mm or a lower peg"))
    lean = math.degrees(math.atan2(width / 2.0 - diameter / 2.0, draft["girdle_plane"]))
    draft.all["taper"] = Dimension("taper", lean, "deg", "How far the claws beside the stone's width lean out: from the peg's edge "
                                   "to the girdle.", GEOMETRY, False)
    derive("peg_flare", min(lean, MOST_FLARE_DEG), "deg", "The peg widens upwards with its claws, so that they grow out of it.",
           COMMON)
    plan_claws(draft)
    plan_seat(draft)
