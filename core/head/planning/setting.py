"""What the setter aims for over the crown."""
from __future__ import annotations

import math

from ..draft import Draft

TIP_MIDDLE, CONTACT_MIDDLE = 0.5, 0.5
"""Where in the published range for tip height and contact the setter aims: its middle."""


def plan_setting(draft: Draft) -> None:
    """How high the claws' tips come to stand, how far they lie on the crown, and what is trimmed off."""
    rules, derive, at, stone = draft.rules, draft.derive, draft.all, draft.stone
    low, high = rules["claws.tip_height_low"], rules["claws.tip_height_high"]
    share = low.value + TIP_MIDDLE * (high.value - low.value)
    crown_edge = at["girdle_plane"].value + stone.girdle_mm
    derive("table_height", crown_edge + stone.crown_height_mm, "mm", "From the base plane to the stone's table.")
    derive("tip_height", crown_edge + share * stone.crown_height_mm, "mm",
           f"After setting the claws' tips stand {100 * share:.0f} % of the crown above the girdle.", low.source)
    touch_low, touch_high = rules["claws.contact_low"], rules["claws.contact_high"]
    contact = derive("contact", touch_low.value + CONTACT_MIDDLE * (touch_high.value - touch_low.value), "1",
                     "How far up the crown's slope, from girdle to table, a claw lies on the stone.", touch_low.source)
    if "v_claw_count" in draft:
        _plan_v_tips(draft, crown_edge)
    angle = math.radians(at["taper"].value)
    slope = math.hypot(stone.crown_height_mm, (stone.width_mm - stone.table_width_mm) / 2.0)
    kept = crown_edge / math.cos(angle) + contact * slope + at["claw_diameter"].value / 2.0
    derive("trim_length", max(0.0, at["claw_length"].value - kept), "mm",
           "What the setter cuts off each claw once it lies over the crown: all past girdle, contact and the bend.")


def _plan_v_tips(draft: Draft, crown_edge: float) -> None:
    """V claws come to stand higher than others, because their folded ends cover the corner; highest where no wall carries
    the stone between them."""
    low, high = draft.rules.v_tip_heights("wall_thickness" in draft)
    share = low.value + TIP_MIDDLE * (high.value - low.value)
    draft.derive("v_tip_height", crown_edge + share * draft.stone.crown_height_mm, "mm",
                 f"After setting the V claws' ends stand {100 * share:.0f} % of the crown above the "
                 f"girdle.", low.source)
    most = draft.rules["claws.contact_high"]
    draft.derive("v_contact", most.value, "1", "How far up the crown's edge at its corner, from girdle to table, the end of a V "
                 "claw reaches.", most.source)
