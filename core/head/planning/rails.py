"""The rails of a basket: how thick, how high and how far out, so that they tie the claws and clear the pavilion."""
from __future__ import annotations

import math

import numpy as np

from ...dimension import COMMON, MEMORY
from ...errors import Fault, SpecError
from ...trade.claw_sizes import claw_diameter
from ..draft import Draft
from .claws import plan_claws
from .position import hollow_mm, plan_girdle, plan_seat, plan_taper

RAIL_MOST_MM = 1.2
"""The thickest usual rail. From memory."""

CLAW_LESS_MM = 0.1
"""By how much a rail may be thinner than the claws it ties. From memory."""

DROP_LOW, DROP_HIGH = 0.35, 0.55
"""Where the upper rail's middle usually lies below the girdle, as shares of the pavilion's depth. From memory."""

LOWEST_DROP = 0.9
"""How far down the upper rail is looked for where it clears the pavilion nowhere higher. Common practice, no source."""

TURNS = np.radians(np.arange(0.0, 90.0, 10.0))
"""Where on a rail's section, above the level towards the stone, its room to the pavilion is looked at."""

SECTION_MM = 0.01
"""Added to that room for the corners of a section that stands for a circle, and for what lies between those places."""


def plan_basket(draft: Draft) -> None:
    """Position, claws and rails of an open basket. Raises SpecError where no rail fits under the stone."""
    stone, rules = draft.stone, draft.rules
    least = max(rules["rail.least_mm"].value, draft.castable_mm)
    gap = rules.of_process(draft.process, "gap_least_mm").value
    claw = draft.spec.get("claws.diameter_mm") or claw_diameter(stone.width_mm, 4, draft.metal.family).value
    expected = float(draft.spec.get("rails.thickness_mm") or _usual_thickness(least, claw))
    # From the base up: the base rail, a gap that can be cast, and half the upper rail below its middle.
    needed = 1.5 * expected + gap + _usual_depth(draft, expected) - stone.pavilion_depth_mm
    plan_girdle(draft, math.ceil(20.0 * needed) / 20.0,
                f"Lifts the stone until {gap:g} mm stay open between the base rail and the upper rail.")
    plan_taper(draft, expected)
    plan_claws(draft)
    _plan_rails(draft, least, gap)
    plan_seat(draft)


def _plan_rails(draft: Draft, least: float, gap: float) -> None:
    stone, derive, girdle = draft.stone, draft.derive, draft["girdle_plane"]
    usual = _usual_thickness(least, draft["claw_diameter"])
    reach = draft["claw_diameter"]
    thickness = derive("rail_thickness", math.floor(100.0 * min(usual, max(least, _thickest(draft, gap))) + 1e-6) / 100.0, "mm",
                       f"Not thinner than the claws less {CLAW_LESS_MM:g} mm where the height allows, nor than {least:g} mm.",
                       draft.rules["rail.least_mm"].source)
    if thickness > 2.0 * reach:
        raise SpecError(Fault("rails.thickness_mm", thickness, f"rails this thick swallow claws of {reach:g} mm; take at "
                              f"most {2.0 * reach:.2f} mm"))
    if hollow_mm(stone, girdle, draft["taper"], thickness / 2.0 - draft["claw_shift"]) <= 0.0:
        raise SpecError(Fault("rails.thickness_mm", thickness, "the base rail fills its own hollow; take a thinner rail, a "
                              "smaller taper or a wider stone"))
    drop, outwards = _upper_place(draft, thickness, gap)
    depth = drop * stone.pavilion_depth_mm if drop > 0.0 else thickness / 2.0
    height = derive("upper_rail_height", girdle - depth, "mm", "The upper rail's middle above the base plane.")
    base = derive("base_rail_height", thickness / 2.0, "mm", "The base rail's middle: it lies in the base plane.")
    derive("base_rail_shift", draft["claw_shift"] + _bow_mm(draft, base), "mm",
           "How far the base rail's middle stands outside the wall's line: on the claws' axis.")
    derive("upper_rail_shift", draft["claw_shift"] + _bow_mm(draft, height) + outwards, "mm",
           "How far the upper rail's middle stands outside the wall's line: on the claws' axis"
           + (", and as much farther out as clears the pavilion." if outwards > 0.0 else
              "." if drop > 0.0 else ", but so far in that a flat base rests on it."))
    inwards = depth * math.tan(math.radians(draft["taper"])) + thickness / 2.0 - draft["upper_rail_shift"]
    if inwards >= stone.outline.reach_mm:
        raise SpecError(Fault("rails.thickness_mm", thickness, "the upper rail fills its own hollow; take a thinner rail or a wider "
                              f"stone, of at least {stone.width_mm * inwards / stone.outline.reach_mm:.1f} mm"))
    short = gap - (height - base - thickness)
    if short > 1e-9:
        clearance = draft["culet_clearance"] + math.ceil(100.0 * short) / 100.0
        most = math.floor(100.0 * (thickness - short / 1.5) + 1e-6) / 100.0
        thinner = f"rails of at most {most:.2f} mm or " if most >= least else ""
        raise SpecError(Fault("rails.thickness_mm" if thinner else "head.culet_clearance_mm",
                              thickness if thinner else draft["culet_clearance"],
                              f"base and upper rail of {thickness:g} mm with {gap:g} mm open between them, which {draft.process} "
                              f"needs, ask for {short:.2f} mm more height; take {thinner}a culet clearance of at least "
                              f"{clearance:.2f} mm"))


def _bow_mm(draft: Draft, height: float) -> float:
    """How far outside its straight line a bowed claw runs at a height, mm, level."""
    share = min(max(height / draft["girdle_plane"], 0.0), 1.0)
    return draft["claw_bow"] * math.sin(math.pi * share) ** 2 / math.cos(math.radians(draft["taper"]))


def _usual_thickness(least: float, claw: float) -> float:
    return min(max(least, claw - CLAW_LESS_MM), max(least, RAIL_MOST_MM))


def _thickest(draft: Draft, gap: float) -> float:
    """The thickest rails, mm, that leave the gap between them at the upper rail's usual place."""
    if draft.stone.pavilion_depth_mm == 0.0:
        return (draft["girdle_plane"] - gap) / 2.0
    return (draft["girdle_plane"] - _usual_depth(draft, 0.0) - gap) / 1.5


def _usual_depth(draft: Draft, thickness: float) -> float:
    """The upper rail's middle below the girdle, mm, unless the pavilion is in its way; right under a flat base."""
    share = draft.spec.get("rails.upper_drop") or 0.5 * (DROP_LOW + DROP_HIGH)
    depth: float = share * draft.stone.pavilion_depth_mm
    return depth if depth > 0.0 else thickness / 2.0


def _upper_place(draft: Draft, thickness: float, gap: float) -> tuple[float, float]:
    """The upper rail's drop, and how far outside the claws' axis its middle has to stand to clear the pavilion, mm."""
    stone = draft.stone
    usual = 0.5 * (DROP_LOW + DROP_HIGH)
    words = (f"Between {100 * DROP_LOW:g} and {100 * DROP_HIGH:g} % of the pavilion below the girdle the rail stiffens the "
             "claws and stays out of sight.")
    if stone.pavilion_depth_mm == 0.0:
        return draft.derive("upper_rail_drop", 0.0, "1", "A flat base rests on the upper rail.", COMMON), \
            -draft["claw_diameter"] / 2.0
    most = draft["claw_diameter"] / 2.0
    room = draft.rules["head.pavilion_gap_least_mm"]
    lowest = (draft["girdle_plane"] - 1.5 * thickness - gap) / stone.pavilion_depth_mm
    shares = [usual, *np.arange(usual, max(usual, min(LOWEST_DROP, lowest)) + 1e-9, 0.025)[1:]]
    given = draft.spec.get("rails.upper_drop")
    if given is not None:
        shares = [given]
    radius = thickness / 2.0 + room.value + SECTION_MM
    found = next(((share, shift) for share in shares if (shift := _outwards(draft, share, radius)) <= most), None)
    if found is None:
        raise SpecError(Fault("rails.upper_drop" if given is not None else "rails.thickness_mm",
                              given if given is not None else thickness,
                              f"an upper rail of {thickness:g} mm comes nearer to the pavilion than {room.value:g} mm; take a "
                              "thinner rail, a smaller taper or a larger culet clearance"
                              + (f", or a drop of at least {_least_drop(draft, radius, most):.2f}"
                                 if given is not None else "")))
    if found[0] > DROP_HIGH:
        words = f"Lower than usual, because only there a rail of {thickness:g} mm stays {room.value:g} mm off the pavilion."
    drop = draft.derive("upper_rail_drop", round(float(found[0]), 4), "1", words, MEMORY)
    return drop, found[1]


def _least_drop(draft: Draft, radius: float, most: float) -> float:
    return next((float(share) for share in np.arange(0.1, 1.0, 0.02) if _outwards(draft, float(share), radius) <= most), 1.0)


def _outwards(draft: Draft, share: float, radius_mm: float) -> float:
    """How far outside the claws' axis the middle of a rail must stand so that a circle round it clears the pavilion."""
    depth = share * draft.stone.pavilion_depth_mm
    height = draft["girdle_plane"] - depth
    line = depth * math.tan(math.radians(draft["taper"])) - draft["claw_shift"] - _bow_mm(draft, height)
    # Above the girdle's lower edge there is no pavilion, but the girdle itself.
    ways = draft.stone.pavilion_insets_mm(np.maximum(depth - radius_mm * np.sin(TURNS), 0.0))
    return max(0.0, float((line + radius_mm * np.cos(TURNS) - ways).max()))
