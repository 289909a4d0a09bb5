"""The rim that is rubbed over the stone: how thick, how high, what ledge carries the stone, and where it is open."""
from __future__ import annotations

import math
from itertools import pairwise

from ...dimension import COMMON
from ...errors import Fault, SpecError
from ...spec import directions_deg
from ...stone.side import crown_run_mm, is_domed, upright_height_mm
from ...tolerance import SAME_POINT_MM
from ..draft import Draft
from .position import HOLLOW_SHARE, TAPERS_DEG, hollow_mm, nearest_mm, plan_girdle, plan_seat

RELIEF_MM = 0.05
"""How far in from the girdle the pavilion meets the ledge: the girdle's lower edge stays clear of the ledge's corner,
where it would chip. Common practice, no source."""

FLATS_MM = 0.02
"""What is added to the least that can be cast, because the flats of a mesh lie inside the curves that they stand for.
Smaller: rims of just that thickness are found too thin between two flats."""

RUBBED_LEAST_MM = 0.05
"""Least metal above the girdle that can be pushed at all. Common practice, no source."""

DOME_LEAST_MM = 0.2
"""Least height of a rim round a dome, above its lower edge: lower it leaves the ends of small long cabochons bare. Found by
trial; no source."""

BEARING_LEAST_MM = 0.1
"""Least width of a ledge that the stone can rest on at all. Common practice, no source."""

BEARING_SHARE = 0.5
"""How far down, as a share of its depth, the pavilion may lie on the wall. Larger: steep stones bear near the culet, and
rock. Common practice, no source."""

STEPS = 40
"""Steps to the ledge of a given inset. Fewer: it is missed on a pavilion that bends."""

FILLED = 0.8
"""The share of what lies between crown, lip and shoulder that a rim of the derived height may fill. Larger: the lip comes
to stand above the table."""

OPEN_DEG = 40.0
"""How wide an opening of the rim is where nothing is said. Common practice, no source."""

COVER_MOST = 0.75
"""How far the lip is pushed, as a share of the shortest way in from the girdle to the table; metal beyond that thickens it.
Common practice, no source."""

SHOULDER = 0.4
"""Where the burnished slope leaves the outer face, as a share of the lip's height above the girdle. Common practice, no
source."""

NARROWEST_CLEFT_DEG = 52.0
"""Between the lobes of a heart whose cleft opens by less, a rim is a web too thin to cast, and no tool pushes it. Found by
trial on hearts of all lengths; no source."""

NEAREST = "a head with claws (head.style = \"tapered claw\")"


def plan_rim(draft: Draft) -> None:
    """Girdle plane, rim, ledge and the wall under it. Raises SpecError where no rim with these choices exists."""
    domed = is_domed(draft.stone)
    _check_cleft(draft)
    plan_girdle(draft)
    plan_seat(draft)
    _plan_thickness(draft, domed)
    ledge = _usual_ledge_mm(draft)
    if domed:
        draft.derive("taper", 0.0, "deg", "A rim round a dome stands upright, as its side does.", COMMON)
    else:
        _plan_taper(draft, ledge)
    _plan_ledge(draft, ledge)
    _plan_height(draft, domed)
    _plan_openings(draft)


def _check_cleft(draft: Draft) -> None:
    """Raises SpecError for a heart whose lobes stand too close for a rim."""
    opens = min((180.0 + corner.turn_deg for corner in draft.stone.outline.corners if corner.turn_deg < 0.0), default=180.0)
    if opens < NARROWEST_CLEFT_DEG:
        raise SpecError(Fault("head.style", "rim", f"this heart's cleft opens by {opens:.0f}°, and between its lobes a rim needs "
                              f"{NARROWEST_CLEFT_DEG:g}° to be cast and pushed over; take a heart that is less long for its "
                              f"width, or {NEAREST}"))


def _plan_thickness(draft: Draft, domed: bool) -> None:
    rules, metal, width = draft.rules, draft.metal, draft.stone.width_mm
    castable = draft.castable_mm + FLATS_MM
    if domed:
        rule = rules["rim.strip_mm"]
        usual, words, source = rule.value, f"Cabochons are set in strip of {rule.value:g} mm where it is worn on a hand", rule.source
    else:
        kind = "silver" if metal.family == "silver" else "gold"
        start, rise = rules[f"rim.{kind}_start_mm"], rules[f"rim.{kind}_rise"]
        line = start.value + rise.value * width
        usual = min(max(line, rules.value("rim.thickness_low_mm")), rules.value("rim.thickness_high_mm"))
        words, source = "Grows with the stone, and can still be pushed over by hand", start.source
    if castable > usual:
        words += f"; but {metal.name} by {draft.process} needs {castable - FLATS_MM:g} mm, and a little for the mesh's flats"
    thickness = draft.derive("rim_thickness", round(max(usual, castable), 2), "mm", words + ".", source)
    if draft["seat_clearance"] > thickness / 2.0:
        raise SpecError(Fault("seat.clearance_mm", draft["seat_clearance"], "the rim is pushed over before it has closed so "
                              f"wide a gap; take at most {thickness / 2.0:.2f} mm"))


def _plan_taper(draft: Draft, ledge: float) -> None:
    """The usual lean of the wall, or a smaller one that keeps the hollow open and the bearing near the girdle."""
    stone, girdle, rule = draft.stone, draft["girdle_plane"], draft.rules["wall.taper_deg"]
    middle = BEARING_SHARE * stone.pavilion_depth_mm

    def fits(taper: float) -> bool:
        ends = ledge + middle * math.tan(math.radians(taper))
        is_clear = stone.pavilion_depth_mm == 0.0 or stone.pavilion_inset_mm(middle) >= ends
        return is_clear and hollow_mm(stone, girdle, taper, ledge) >= HOLLOW_SHARE * stone.width_mm

    taper = next((taper for taper in (rule.value, *TAPERS_DEG) if fits(taper)), 0.0)
    reason = ("The usual lean of the wall to the axis; a collet block sold by this angle may mean both sides together."
              if taper == rule.value else f"At the usual {rule.value:g}° the wall would close its hollow or follow a steep "
              "pavilion far down, so it stands steeper.")
    draft.derive("taper", taper, "deg", reason, rule.source)


def _usual_ledge_mm(draft: Draft) -> float:
    rules = draft.rules
    return min(max(rules.value("rim.ledge") * draft.stone.width_mm, rules.value("rim.ledge_low_mm")),
               rules.value("rim.ledge_high_mm"))


def _plan_ledge(draft: Draft, ledge: float) -> None:
    """The wall's top, its outer and inner faces, and the ledge between the rim and the hollow."""
    stone, rules, derive = draft.stone, draft.rules, draft.derive
    girdle, angle = draft["girdle_plane"], math.radians(draft["taper"])
    slope, lean = math.tan(angle), math.cos(angle)
    outside = draft["seat_clearance"] + draft["rim_thickness"]
    inset, drop = _seat_mm(draft, outside, lean)
    derive("seat_inset", inset, "mm", "Least way, square to the wall, from its outer face to the pavilion at the ledge: rim, "
           "clearance, and what keeps the girdle's edge out of the ledge's corner.", COMMON)
    derive("wall_drop", drop, "mm", f"The ledge lies so far below the girdle that a pavilion of this stone's overall slope "
           f"meets it {RELIEF_MM:g} mm inside, or at the inset given.", COMMON)
    top = derive("wall_top", girdle - drop, "mm", "The girdle plane less the drop: the ledge that the stone rests on.")
    low = rules["rim.ledge_low_mm"]
    thickness = derive("wall_thickness", (outside + ledge) * lean, "mm", "Under the rim, and inwards as far as the ledge that carries the stone.",
                       low.source)
    ledge = derive("ledge_width", thickness / lean - outside, "mm", "From the girdle's line in to the hollow: "
                   "wide enough to carry the girdle, narrow enough to let light under the stone.", low.source)
    least = inset / lean - outside + BEARING_LEAST_MM
    if ledge < least - SAME_POINT_MM:
        raise SpecError(Fault("wall.thickness_mm", thickness, "it leaves the stone no ledge inside the rim; take at least "
                              f"{(least + outside) * lean:.2f} mm"))
    inner = top * slope + ledge
    if inner >= _clear_reach_mm(draft) - SAME_POINT_MM:
        _refuse_closed(draft, slope)
    half = stone.width_mm / 2.0
    derive("outer_radius_base", half + outside - top * slope, "mm",
           "The wall leaves the rim's outer face at the ledge and runs inwards at the taper to the base.")
    derive("outer_radius_top", half + outside, "mm", "The rim stands upright outside the girdle by its clearance and thickness.")
    derive("inner_radius_base", half - inner, "mm", "The hollow at the base: the outer radius less the wall.")


def _seat_mm(draft: Draft, outside: float, lean: float) -> tuple[float, float]:
    """Least way, square to the wall, from its outer face to the pavilion at the ledge, and the ledge's drop, both mm."""
    stone, girdle = draft.stone, draft["girdle_plane"]
    given = draft.spec.get("wall.seat_inset_mm")
    if given is None or stone.pavilion_depth_mm == 0.0:
        drop = RELIEF_MM * 2.0 * stone.pavilion_depth_mm / stone.width_mm
        return (stone.pavilion_inset_mm(drop) + outside) * lean, drop
    relief = given / lean - outside
    if relief <= 0.0:
        raise SpecError(Fault("wall.seat_inset_mm", given, "the rim and its clearance alone take more; take more than "
                              f"{outside * lean:.2f} mm"))
    drop = relief * stone.pavilion_depth_mm / stone.outline.reach_mm
    for _ in range(STEPS):
        if drop >= min(girdle, stone.pavilion_depth_mm):
            raise SpecError(Fault("wall.seat_inset_mm", given, "with this stone the ledge would lie below the "
                                  f"{'base' if girdle < stone.pavilion_depth_mm else 'culet'}; take a smaller inset"))
        # Near the girdle a pavilion is all but straight, so each step in proportion lands all but on the place.
        before, drop = drop, drop * relief / stone.pavilion_inset_mm(drop)
        if abs(drop - before) < SAME_POINT_MM:
            break
    return given, drop


def _clear_reach_mm(draft: Draft) -> float:
    """The largest inset that still leaves a hollow, and under a pavilion room about the culet, which stands on the axis."""
    stone = draft.stone
    if stone.pavilion_depth_mm == 0.0 or stone.outline.is_one_piece:
        return stone.outline.reach_mm
    return min(stone.outline.reach_mm, nearest_mm(stone.outline) - draft.rules.value("head.pavilion_gap_least_mm"))


def _refuse_closed(draft: Draft, slope: float) -> None:
    """Raises SpecError for a wall that leaves no hollow at the base."""
    top, ledge, reach = draft["wall_top"], draft["ledge_width"], _clear_reach_mm(draft)
    if draft.is_pinned("taper") and slope > 0.0 and reach > ledge:
        most = math.floor(10.0 * math.degrees(math.atan((reach - ledge) / top))) / 10.0
        raise SpecError(Fault("wall.taper_deg", draft["taper"], "the wall closes before it reaches the base; with this stone "
                              f"and ledge it must be below {most:.1f}°"))
    if draft.is_pinned("wall_thickness"):
        outside = draft["seat_clearance"] + draft["rim_thickness"]
        most = (reach - top * slope + outside) * math.cos(math.atan(slope))
        raise SpecError(Fault("wall.thickness_mm", draft["wall_thickness"], "the wall fills its own hollow; "
                              + (f"it must be below {most:.2f} mm" if most > draft["rim_thickness"] else
                                 "take a thinner wall with a smaller taper or clearance")))
    if draft.is_pinned("culet_clearance") and reach > ledge:
        raise SpecError(Fault("head.culet_clearance_mm", draft["culet_clearance"], "the wall closes before it reaches so "
                              "low a base; take a smaller clearance or taper"))
    raise SpecError(Fault("stone.width_mm", draft.stone.width_mm, f"a ledge of {ledge:.2f} mm all round leaves no hollow "
                          f"under so narrow a stone; take a wider one, or {NEAREST}"))


def _plan_height(draft: Draft, domed: bool) -> None:
    """How far the rim stands above the lower girdle edge as cast."""
    stone, rules = draft.stone, draft.rules
    crown, girdle = stone.crown_height_mm, stone.girdle_mm
    if crown < RUBBED_LEAST_MM:
        raise SpecError(Fault("head.style", "rim", f"a crown {crown:.2f} mm high gives a rim nothing to close over; take "
                              f"{NEAREST}"))
    if domed:
        share, lean = rules["rim.dome_height_low"], rules["rim.dome_lean_deg"]
        third, upright = share.value * (girdle + crown), upright_height_mm(stone, lean.value)
        above = max(third, upright, DOME_LEAST_MM) - girdle
        reason = ("So small a dome takes the least that covers it all round when it is pushed over."
                  if DOME_LEAST_MM > max(third, upright) else
                  "Past the upright part of the dome's side, to where it curves in." if upright > third else
                  "A third of the cabochon's height, which is past the upright part of its side.")
        source = share.source
    else:
        low, high, least = rules["rim.height_low"], rules["rim.height_high"], rules["rim.height_least_mm"]
        above, source = 0.5 * (low.value + high.value) * crown, low.source
        reason = "Half the crown above the girdle: enough metal to close, little enough not to wrinkle."
        if above < least.value:
            above, source = min(least.value, crown), least.source
            reason = "So low a crown takes the least that a tool can push, and never more than up to the table."
    most = _fitting_mm(draft)
    if above > most:
        above, reason = most, "As much metal as this crown takes when so thick a rim is pushed over, without rising above the table."
    height = draft.derive("rim_height", girdle + above, "mm", reason, source)
    lowest, highest = girdle + RUBBED_LEAST_MM, girdle + crown
    if not lowest - SAME_POINT_MM <= height <= highest + SAME_POINT_MM:
        raise SpecError(Fault("rim.height_mm", height, "it must end between girdle and table of this stone, from "
                              f"{math.ceil(100.0 * lowest) / 100.0:.2f} to {math.floor(100.0 * highest) / 100.0:.2f} mm above the lower "
                              "girdle edge"))
    draft.derive("table_height", draft["girdle_plane"] + highest, "mm", "From the base plane to the stone's table.")
    draft.derive("head_height", draft["girdle_plane"] + height, "mm", "The metal as cast, from the base plane to the rim's top.")


def _fitting_mm(draft: Draft) -> float:
    """How far above the girdle a rim may stand so that its metal, pushed over, ends below the table; on a flat section."""
    crown, thickness = draft.stone.crown_height_mm, draft["rim_thickness"]
    cover = COVER_MOST * crown_run_mm(draft.stone)
    room = (draft["seat_clearance"] + thickness + cover) * (1.0 + SHOULDER) * crown / 2.0 - cover * COVER_MOST * crown / 2.0
    return max(RUBBED_LEAST_MM, min(crown, FILLED * room / thickness))


def _plan_openings(draft: Draft) -> None:
    """How wide the rim is open in the directions asked for. Raises SpecError where two openings leave no rim between."""
    text = draft.spec.get("rim.open_directions_deg")
    directions = directions_deg(text) if text else ()
    if not directions:
        return
    width = draft.derive("rim_open_width", OPEN_DEG, "deg", "Wide enough to show the stone's side, and leaves most of the "
                         "girdle held.", COMMON)
    draft.derive("rim_open_count", len(directions), "count", "One opening for each direction asked for.")
    outline, least = draft.stone.outline, draft["rim_thickness"]
    for first, second in pairwise((*directions, directions[0] + 360.0)):
        ends = [outline.place(angle).point for angle in (first + width / 2.0, second - width / 2.0)]
        if second - first <= width or math.dist(*ends) < least:
            raise SpecError(Fault("rim.open_width_deg", width, f"the openings at {first:g}° and {second % 360.0:g}° leave no "
                                  f"rim between them; take less than {second - first:g}° or fewer directions"))
