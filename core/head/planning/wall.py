"""The wall: how high the stone stands over it, how it leans, where it ends and how it starts the seat."""
from __future__ import annotations

import math

from ...dimension import COMMON
from ...errors import Fault, SpecError
from ...stone import Stone
from ...stone.outline import Cleft
from ...tolerance import SAME_POINT_MM
from ...trade.collets import collet_blank
from ..crossing import crossing
from ..draft import Draft
from .position import CULET_ROOM_MM, hollow_mm, plan_girdle, plan_seat, plan_taper, room_at_culet_mm

SHELF_MM = 0.05
"""How far the flat of the wall's top runs on under the stone before the bevel begins. Without it a steep bevel falls
away from the pavilion at once, and the stone rests on an edge. Common practice, no source."""

BEARING_SHARE = 0.5
"""Share of the least bearing that the flat runs on under the pavilion's innermost place, where the bevel falls away faster
than the pavilion; the rest lies down the slope. Common practice, no source."""

CLEFT_INSET = 1.2
"""Least rim in a heart's cleft, as a multiple of the least that a setter's bur leaves standing. The usual one there would
sink the wall's top so far below the lobes that the stone would bear on little of it. Common practice, no source."""

SCOOPED_SHARE = 0.25
"""How much of that a scooped wall keeps: more, and marquises and pears touch the steps beside the scoops below their
bearing; none, and they touch the bevel. Found by trial on all cuts."""

NEAR_SHARE = 0.2
"""Share of the pavilion's depth in which the wall's top is looked for first. Smaller: it is often looked for twice."""


def plan_wall(draft: Draft, least_height_mm: float = 0.0, why: str = "", bears_all_round: bool = True) -> None:
    """Girdle plane, wall, bevel and seat. least_height_mm: how high the wall must be for what is taken out of it.
    bears_all_round: whether the wall's top will stay whole, so that its bevel must leave a full bearing everywhere.

    Raises SpecError where no wall with these choices exists.
    """
    stone, metal = draft.stone, draft.metal
    rules, derive, half = draft.rules, draft.derive, stone.width_mm / 2.0
    plan_girdle(draft, math.ceil(20.0 * (least_height_mm - stone.pavilion_depth_mm)) / 20.0, why)
    girdle = draft["girdle_plane"]
    line = rules["wall.thickness_start_mm"].value + rules["wall.thickness_rise"].value * stone.width_mm
    least, most = rules["wall.thickness_low_mm"].value, rules["wall.thickness_high_mm"].value
    castable = draft.castable_mm
    thickness = derive("wall_thickness", round(max(min(max(line, least), most), castable), 2), "mm",
                       f"Grows with the stone, and never below what {metal.name} by {draft.process} needs, {castable:g} mm.",
                       rules["wall.thickness_start_mm"].source)
    taper = plan_taper(draft, thickness)
    angle = math.radians(taper)
    inset_rule = rules["seat.inset_mm"]
    usual, why_inset = min(inset_rule.value, round(thickness / 3.0, 2)), "enough to carry the girdle's edge without showing"
    if any(isinstance(piece, Cleft) for piece in stone.outline.pieces):
        usual, why_inset = min(usual, CLEFT_INSET * rules.value("seat.rim_least_mm")), (
            "least in the cleft, where the walls of both lobes back each other; elsewhere more")
    inset = derive("seat_inset", usual, "mm", f"Rim left outside the pavilion at the wall's top: {why_inset}.", inset_rule.source)
    drop = derive("wall_drop", _drop(draft, stone, girdle, angle, inset), "mm",
                  "How far below the girdle the pavilion leaves a rim of the seat inset, square to the wall.")
    top = derive("wall_top", girdle - drop, "mm", "The girdle plane less the drop: where the wall ends.")
    through = thickness / math.cos(angle)
    base = half - girdle * math.tan(angle)
    _check_hollow(draft, stone, girdle, thickness, taper)
    derive("outer_radius_base", base, "mm", "The outer wall leaves the girdle and runs inwards at the taper to the base.")
    derive("outer_radius_top", half - drop * math.tan(angle), "mm", "The outer wall at the wall's top.")
    derive("inner_radius_base", base - through, "mm", "The hollow at the base: the outer radius less the wall.")
    share = rules["seat.bevel_share"]
    usual, most = share.value * thickness, 0.9 * top / math.cos(angle)
    room = _bevel_room_mm(draft, min(usual, most), bears_all_round)
    if stone.pavilion_depth_mm == 0.0:
        bevel = derive("bevel", 0.0, "mm", "A flat base rests on the whole of the wall's top, so there is none.", COMMON)
    else:
        bevel = derive("bevel", math.floor(100.0 * max(0.0, min(usual, room, most)) + 0.5) / 100.0, "mm",
                       "As much of the wall as starts the seat, three quarters at most, and leaves a rim outside the stone and "
                       "metal under all of its pavilion.", share.source)
    if bevel > min(through, top / math.cos(angle)) - 1e-9:
        raise SpecError(Fault("wall.bevel_mm", bevel, "the bevel must stay inside the wall: below "
                              f"{min(through, top / math.cos(angle)):.3f} mm with this wall and taper"))
    plan_seat(draft)
    if stone.outline.is_one_piece and taper > 0.0:
        blank = collet_blank(taper, draft["outer_radius_top"], top)
        derive("development_outer", blank.outer_radius_mm, "mm", "The wall's outer face unrolled: the blank's outer radius.")
        derive("development_inner", blank.inner_radius_mm, "mm", "The wall's outer face unrolled: the blank's inner radius.")
        derive("development_sector", blank.sector_deg, "deg", "The wall's outer face unrolled: the blank's sector.")


def _bevel_room_mm(draft: Draft, usual_mm: float, bears_all_round: bool) -> float:
    """The widest bevel that leaves metal for the seat under all of the pavilion: on the flat of the wall's top, or where
    a usual bevel ends, if the pavilion comes down on it there."""
    stone, angle, drop = draft.stone, math.radians(draft["taper"]), draft["wall_drop"]
    through = draft["wall_thickness"] / math.cos(angle)

    def inside(depth: float) -> float:
        # The pavilion's innermost place, from the wall's outer face.
        return stone.pavilion_deepest_mm(depth) - depth * math.tan(angle)

    room = (draft["wall_thickness"] - draft["seat_inset"]) / math.cos(angle) - SHELF_MM
    if stone.straight_pavilion_deg is not None or inside(drop + usual_mm * math.cos(angle)) <= through - SHELF_MM:
        return room
    shelf = BEARING_SHARE * draft.rules.value("seat.bearing_least_mm") * (1.0 if bears_all_round else SCOOPED_SHARE)
    return min(room, through - inside(drop) - shelf)


def _drop(draft: Draft, stone: Stone, girdle: float, angle: float, inset: float) -> float:
    """Depth below the girdle at which the rim, square to the wall, is the inset; found on the stone."""
    def rim(depth: float) -> float:
        # Where no pavilion is met at all the way in is endless; the stone's width stands for it.
        way = min(stone.pavilion_inset_mm(depth), stone.width_mm)
        return (way - depth * math.tan(angle)) * math.cos(angle) - inset

    straight = stone.straight_pavilion_deg
    if straight is not None:
        # (inset / cos taper) / (cot pavilion - tan taper): the closed form for a straight pavilion.
        room = 1.0 / math.tan(math.radians(straight)) - math.tan(angle)
        drop = (inset / math.cos(angle)) / room if room > 0.0 else math.inf
    else:
        # Nearly always the rim is found in the pavilion's upper part, and the nearer the bracket the sooner.
        below = min(NEAR_SHARE * stone.pavilion_depth_mm, girdle)
        at_below = rim(below) if below > 0.0 else 0.0
        if at_below <= 0.0:
            below, at_below = girdle, rim(girdle)
        drop = crossing(rim, (0.0, rim(0.0)), (below, at_below), SAME_POINT_MM * 1e-3) if at_below > 0.0 else math.inf
        if drop < SAME_POINT_MM:
            drop = 0.0  # a flat base rests on the wall's top
    if drop >= girdle:
        if draft.is_pinned("seat_inset") and math.isfinite(drop):
            raise SpecError(Fault("wall.seat_inset_mm", inset, "with this stone and taper the wall would end below the "
                                  "base; take a smaller inset"))
        limit = f"below {90.0 - straight:.1f}°" if straight is not None else "smaller"
        raise SpecError(Fault("wall.taper_deg", math.degrees(angle), "the wall runs in faster than the pavilion of this "
                              f"stone, so it never leaves a rim; the taper must be {limit}"))
    return drop


def _check_hollow(draft: Draft, stone: Stone, girdle: float, thickness: float, taper: float) -> None:
    if hollow_mm(stone, girdle, taper, thickness) > 0.0:
        _check_culet(draft, stone, girdle, thickness, taper)
        return
    angle, half = math.radians(taper), stone.outline.reach_mm
    base = half - girdle * math.tan(angle)
    if draft.is_pinned("wall_thickness") and thickness >= half:
        raise SpecError(Fault("wall.thickness_mm", thickness, "the wall must be thinner than half the stone, "
                              f"{half:.3f} mm"))
    if draft.is_pinned("taper"):
        most = _steepest(half, girdle, thickness)
        if most is not None:
            raise SpecError(Fault("wall.taper_deg", taper, f"the wall closes before it reaches the base; with this stone, "
                                  f"clearance and wall it must be at most {most:.1f}°"))
    if draft.is_pinned("wall_thickness"):
        raise SpecError(Fault("wall.thickness_mm", thickness, "the wall fills its own hollow at the base; with this taper "
                              f"it must be below {base * math.cos(angle):.3f} mm"))
    if draft.is_pinned("culet_clearance") and half > thickness:
        raise SpecError(Fault("head.culet_clearance_mm", draft["culet_clearance"], "the wall closes before it "
                              "reaches so low a base; take a smaller clearance or taper"))
    raise SpecError(Fault("stone.width_mm", stone.width_mm, "a head with a wall needs a wider stone in this alloy: the "
                          f"wall of {thickness:g} mm leaves no hollow; take at least {2.4 * thickness:.1f} mm"))


def _check_culet(draft: Draft, stone: Stone, girdle: float, thickness: float, taper: float) -> None:
    """Raises SpecError for a stone so small that nothing chosen but its style lets the wall clear the culet: in a heart's cleft,
    or where a side lies near the axis."""
    given = draft.is_pinned("taper") or draft.is_pinned("wall_thickness") or draft.is_pinned("culet_clearance")
    room = room_at_culet_mm(stone, girdle, taper, thickness)
    if room >= CULET_ROOM_MM or given:
        return
    has_cleft = any(isinstance(piece, Cleft) for piece in stone.outline.pieces)
    where = "in the cleft of a heart" if has_cleft else "beside the base of a stone"
    larger = math.ceil(10.0 * stone.width_mm * (thickness + CULET_ROOM_MM) / (thickness + room)) / 10.0
    raise SpecError(Fault("head.style", draft.spec.get("head.style") or "tapered claw",
                          f"{where} {stone.width_mm:.4g} mm wide a wall of {thickness:g} mm would lie under the "
                          f"culet; take one of at least {larger:.1f} mm, or the style \"basket\""))


def _steepest(half: float, girdle: float, thickness: float) -> float | None:
    """The largest taper, rounded down to 0.1°, that leaves a hollow at the base."""
    for tenth in range(400, -1, -1):
        angle = math.radians(tenth / 10.0)
        if half - girdle * math.tan(angle) - thickness / math.cos(angle) > 0.0:
            return tenth / 10.0
    return None
