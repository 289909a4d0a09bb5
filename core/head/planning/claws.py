"""The claws: how many, how thick, how deep the girdle cuts them, how far out and how long."""
from __future__ import annotations

import math
from collections.abc import Callable

from ...dimension import COMMON
from ...errors import Fault, SpecError
from ...trade.claw_sizes import claw_diameter
from ..draft import Draft
from .position import REFERENCE_MM

SIX_CLAWS_ABOVE_MM = 6.0
EIGHT_CLAWS_ABOVE_MM = 12.0
"""From which width on six and eight claws are usual. Common practice, no source."""


def plan_claws(draft: Draft) -> None:
    """Count, size, places and length of the claws. Raises SpecError where they'd overlap."""
    stone, metal = draft.stone, draft.metal
    rules, derive, width = draft.rules, draft.derive, stone.width_mm
    angle = math.radians(draft["taper"])
    usual = 4 if width <= SIX_CLAWS_ABOVE_MM else 6 if width <= EIGHT_CLAWS_ABOVE_MM else 8
    count = round(derive("claw_count", usual, "count", f"Up to {SIX_CLAWS_ABOVE_MM:g} mm four claws are usual, up to {EIGHT_CLAWS_ABOVE_MM:g} mm six, then eight.", COMMON))
    low, high = rules["claws.notch_low"], rules["claws.notch_high"]
    notch = derive("claw_notch", round((low.value + high.value) / 2.0, 2), "1",
                   "The girdle may cut a quarter to a third into a claw: less holds badly, more weakens it.", low.source)
    size = claw_diameter(width, count, metal.family)
    least = max(metal.least_model_mm, rules.of_process(draft.process, "section_least_mm").value / (1.0 - notch))
    gap_rule = rules.of_process(draft.process, "gap_least_mm")
    gap = gap_rule.value
    value, reason = round(max(size.value, least), 2), size.reason
    if value > size.value + 0.006:
        reason = f"The usual {size.value:.2f} mm is too thin for {metal.name} by {draft.process}, which needs {least:.2f} mm."
    diameter = derive("claw_diameter", value, "mm", reason, size.source)

    def spread(diameter_mm: float) -> float:
        """Clear width between neighbouring claws at the girdle, mm."""
        shift = (0.5 - notch) * diameter_mm / math.cos(angle)
        return 2.0 * (width / 2.0 + shift) * math.sin(math.pi / count) - diameter_mm / math.cos(angle)

    if spread(diameter) < (0.0 if draft.is_pinned("claw_diameter") else gap):
        most = _largest(spread, gap)
        if draft.is_pinned("claw_diameter") or most < least:
            key = "claws.diameter_mm" if draft.is_pinned("claw_diameter") else "claws.count"
            shown = diameter if key.endswith("mm") else count
            raise SpecError(Fault(key, shown, f"{count} claws of {diameter:g} mm round a stone {width:g} mm wide overlap each "
                                  f"other; take claws below {most:.2f} mm or fewer of them"))
        diameter = derive("claw_diameter", math.floor(most * 100.0) / 100.0, "mm",
                          f"Of the usual size, {count} claws would touch at the girdle, so they are thinner and keep {gap:g} mm apart.",
                          gap_rule.source)
    derive("claw_shift", (0.5 - notch) * diameter / math.cos(angle), "mm",
           "How far the claw's axis stands outside the wall's line, so that the girdle cuts just the notch.")
    spare_rule = rules["claws.spare_mm"]
    spare = derive("claw_spare", round(spare_rule.value * width / REFERENCE_MM, 2), "mm",
                   "Length past the wall's top to bend over the crown, trimmed back after setting; in proportion to "
                   f"{spare_rule.value:g} mm for a {REFERENCE_MM:g} mm stone.", spare_rule.source)
    derive("claw_start_angle", 180.0 / count, "deg",
           "Half a step off the stone's length, so that the claws stand even on both sides.", COMMON)
    length = derive("claw_length", draft["wall_top" if "wall_top" in draft else "girdle_plane"] / math.cos(angle) + spare,
                    "mm", "Along the claw from the base plane to its end: up to the bearing, and the spare length.")
    derive("head_height", length * math.cos(angle) + diameter / 2.0 * math.sin(angle), "mm",
           "The metal as cast, from the base plane to the highest point of the claws.")


def _largest(spread: Callable[[float], float], gap: float) -> float:
    """The thickest claw, mm, that leaves the gap."""
    low, high = 0.0, 20.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if spread(middle) >= gap else (low, middle)
    return low
