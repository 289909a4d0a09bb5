"""The side heads of a trilogy: their stones and how far out they stand.

The row runs along X, the centre stone's length. Each side is a head of its own in the centre's style, with its own
plan, in the same base plane: smaller stones stand lower. On the right a side stone lies as its cut is drawn, so that a
tip points away from the centre; the left is the same, turned by half a turn.
"""
from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from ...dimension import COMMON
from ...errors import Fault, SpecError
from ...mesh import Floats
from ...spec import Spec
from ...stone import Stone, make_stone
from ...stone.cuts import BY_NAME
from ...trade.house_rules import HouseRules
from ...tolerance import CHORD_MM
from ..draft import Draft, Plan, species_of
from ..site import Site
from .beside import claw_rings, outside_mm
from .bridges import plan_bridges, under_flat_mm

SIDE_SHARE = 0.55
"""Width of a side stone as a share of the centre stone's: half to three fifths. Common practice, no source."""

SMALLEST_MM, SIZE_STEP_MM = 0.8, 0.1
"""The smallest side stone, and by what it grows until a head can hold it. Common practice, no source."""

GAP_MM, GAP_STEP_MM, WIDEST_GAP_MM = 0.2, 0.05, 5.0
"""Usual gap between the girdles, 0.1 to 0.3 mm; by what it is widened until claws and rim are clear of the neighbour's
stone, and how far. Common practice, no source."""

CLEAR_MM, CLAW_CLEAR_MM = 0.1, 0.2
"""Room between one head's wall, rim or rails, or its claws, and the other's stone. Common practice, no source."""

KEPT_CHOICES = ("head.style", "seat.cut", "seat.clearance_mm", "casting.alloy", "casting.process",
                "casting.shrinkage_percent")
SHAPED_CHOICES = ("claws.section", "claws.tip")
"""What a side head has from the centre's choices, the latter only for a stone of the same cut: V claws need corners.
Its sizes are its own."""

SECTION_MM = 0.05
"""Chord error of a claw's section where it is held against the neighbour's stone; the room is four times that."""

HEIGHTS = 9
"""At how many heights a claw is held against the neighbour's stone."""

PlanMaker = Callable[[Spec, Stone, HouseRules], Plan]


def side_spec(spec: Spec, length_mm: float, width_mm: float, rules: HouseRules) -> Spec:
    """The choices for one side head with a stone of this size. Raises SpecError for a stone that cannot be."""
    own_cut, centre_cut = spec.get("sides.cut"), spec.get("stone.cut") or "round brilliant"
    kept = KEPT_CHOICES if own_cut not in (None, centre_cut) else KEPT_CHOICES + SHAPED_CHOICES
    chosen: dict[str, Any] = {path: spec.get(path) for path in kept}
    chosen["stone.cut"] = own_cut or centre_cut
    chosen["stone.species"] = spec.get("sides.species") or spec.get("stone.species")
    chosen["stone.length_mm"], chosen["stone.width_mm"] = length_mm, width_mm
    if BY_NAME[chosen["stone.cut"]].flat_depth is not None:
        # A stone without depth stands as high as its head leaves under it, and the bridge must pass below.
        chosen["head.culet_clearance_mm"] = under_flat_mm(spec, rules)
    return Spec().with_choices(**{path.replace(".", "__", 1): value for path, value in chosen.items()})


def plan_sides(draft: Draft, make_plan: PlanMaker) -> None:
    """Size, gap and places of the side heads. Raises SpecError where they make no sense beside this centre."""
    centre, derive = draft.stone, draft.derive
    if draft.spec.get("surround.present"):
        raise SpecError(Fault("sides.present", True,
                              "a surround stands where the side heads would join the centre; leave out "
                              "surround.present or sides.present"))
    spec, side, plan = _sized(draft, make_plan)
    usual = "Half to three fifths of the centre stone's width is usual for a side stone."
    derive("side_length", side.length_mm, "mm", f"{usual[:-1]}; its length follows from its cut.", COMMON)
    derive("side_width", side.width_mm, "mm", usual, COMMON)
    heads = Site(draft.spec, Plan(draft.all), centre, CHORD_MM), Site(spec, plan, side, CHORD_MM)
    neighbours = _Neighbours(*heads), _Neighbours(*heads[::-1])
    least = _clear_gap(*neighbours)
    reason = "Girdles that nearly touch read as one row, and never chip each other."
    if least > GAP_MM:
        reason = "Wider than the usual 0.2 mm, so that claws and rims stay clear of the neighbour's stone."
    gap = derive("side_gap", max(GAP_MM, least), "mm", reason, COMMON)
    if not _is_clear(gap, *neighbours):
        raise SpecError(Fault("sides.gap_mm", gap,
                              "claws or rim of one head would stand in the other's stone; take at least "
                              f"{max(GAP_MM, least):.2f} mm, or turn or thin the claws"))
    for name, way in (("right", 1.0), ("left", -1.0)):
        derive(f"side_shift_{name}", shift_mm(gap, centre, side, way), "mm", "From the centre's axis to that of the "
                                                                             f"{name} side head: both "
               "stones' reaches along the row, and the gap.")
    derive("side_girdle_plane", plan["girdle_plane"], "mm",
           "The side heads stand in the same base plane, so that their smaller stones stand lower than the centre's.")
    plan_bridges(draft, *heads)
    kind = species_of(spec)
    derive("side_weight", 2.0 * side.weight_ct(kind.density_g_cm3), "ct",
           f"Two side stones of {side.weight_ct(kind.density_g_cm3):.4f} ct each, by volume and density.", kind.source)


def _sized(draft: Draft, make_plan: PlanMaker) -> tuple[Spec, Stone, Plan]:
    """The side head's choices, stone and plan: of the size given, or the smallest from the usual one on that this style
    can hold."""
    centre, given = draft.stone, draft.spec
    length, width = given.get("sides.length_mm"), given.get("sides.width_mm")
    usual = max(round(SIDE_SHARE * centre.width_mm, 1), SMALLEST_MM)
    tried = [width] if (length, width) != (None, None) else np.arange(usual, centre.width_mm,
                                                                      SIZE_STEP_MM).round(2).tolist()
    refused = SpecError(Fault("stone.width_mm", centre.width_mm,
                              "side stones of half its size are too small for a head; take a larger centre stone"))
    for one in tried:
        try:
            spec = _usual_size(given, length, one, draft.rules)
            side = make_stone(spec.section("stone"))
            if side.width_mm > centre.width_mm:
                raise SpecError(Fault("stone.width_mm", side.width_mm,
                                      "a side stone is no wider than the centre stone; take at most "
                                      f"{centre.width_mm:g} mm"))
            return spec, side, make_plan(spec, side, draft.rules)
        except SpecError as error:
            # Said of a side stone, whose choices have names of their own.
            refused = SpecError(*(replace(fault, key=fault.key.replace("stone.", "sides.", 1))
                                  for fault in error.faults))
    raise refused


def _usual_size(spec: Spec, length: float | None, width: float | None, rules: HouseRules) -> Spec:
    """The side's choices with both measures of its stone, so that both stand in the plan."""
    cut = spec.get("sides.cut") or spec.get("stone.cut")
    sizes = {key: value for key, value in (("cut", cut), ("length_mm", length), ("width_mm", width))
             if value is not None}
    stone = make_stone(sizes)
    return side_spec(spec, stone.length_mm, stone.width_mm, rules)


def shift_mm(gap_mm: float, centre: Stone, side: Stone, way: float) -> float:
    """From axis to axis, towards +X (way 1) or -X (way -1), for a gap between the girdles along the row."""
    return float((way * _loop(centre)[:, 0]).max() - _loop(side)[:, 0].min()) + gap_mm


def _loop(stone: Stone) -> Floats:
    return stone.outline.loop(0.0, stone.outline.counts(0.01))


@dataclass(frozen=True, eq=False)
class _Neighbours:
    """One head beside another on the row, in whose stone none of its metal may stand."""

    head: Site
    other: Site

    @cached_property
    def loop(self) -> Floats:
        """(k, 2) the other stone's girdle."""
        return _loop(self.other.stone)

    @cached_property
    def claws(self) -> tuple[Floats, Floats]:
        """Places (n, 2) of the head's claws, seen from above, at heights where they may meet the other's stone; and
        (n,) how far inside its girdle the stone stands there, mm."""
        head, stone, girdle = self.head, self.other.stone, self.other.plan["girdle_plane"]
        points, below = [np.zeros((0, 2))], [np.zeros(0)]
        for line in head.lines:
            top = min(float(line.at(head.plan["claw_length"])[2]), self.other.plan["table_height"])
            heights = np.linspace(girdle - 0.5 * stone.pavilion_depth_mm, top, HEIGHTS)
            rings = claw_rings(head.spec, head.plan, line, heights, SECTION_MM)
            points.append(rings.reshape(-1, 2))
            insets = [stone.pavilion_inset_mm(girdle - float(z)) if z < girdle else 0.0 for z in heights]
            below.append(np.repeat(insets, rings.shape[1]))
        return np.concatenate(points), np.concatenate(below)

    def are_claws_clear(self, turn: float, along: float, other_turn: float) -> bool:
        """True if the claws, turned by half a turn where `turn` is -1 and then moved `along` X, stay clear of the
        other's stone, which is turned likewise."""
        points, below = self.claws
        points, loop = turn * points + [along, 0.0], other_turn * self.loop
        low, high = loop.min(axis=0) - CLAW_CLEAR_MM, loop.max(axis=0) + CLAW_CLEAR_MM
        near = ((points > low) & (points < high)).all(axis=1)
        return bool((outside_mm(points[near], loop) + below[near] >= CLAW_CLEAR_MM).all())


def _clear_gap(centre: _Neighbours, side: _Neighbours) -> float:
    """The least gap, in steps, at which no metal of one head stands in the other's stone: by halving, as a wider gap
    only clears more."""
    gaps = [round(GAP_MM + step * GAP_STEP_MM, 2) for step in range(round((WIDEST_GAP_MM - GAP_MM) / GAP_STEP_MM) + 1)]
    return gaps[min(bisect_left(gaps, True, key=lambda gap: _is_clear(gap, centre, side)), len(gaps) - 1)]


def _is_clear(gap: float, centre: _Neighbours, side: _Neighbours) -> bool:
    if not (_rings_clear(centre.head, gap, side.head) and _rings_clear(side.head, gap, centre.head)):
        return False
    # Seen from the right side head as it lies; for the left one the centre is turned by half a turn instead.
    for way in (1.0, -1.0):
        shift = shift_mm(gap, centre.head.stone, side.head.stone, way)
        if not (centre.are_claws_clear(way, -shift, 1.0) and side.are_claws_clear(1.0, shift, way)):
            return False
    return True


def _rings_clear(head: Site, gap: float, other: Site) -> bool:
    """True if a head's wall, rim and rails stay clear of the other's stone across the gap between the girdles."""
    girdle = other.plan["girdle_plane"]
    low, high = girdle - other.stone.pavilion_depth_mm, other.plan["table_height"]
    for z in np.linspace(low, high, 2 * HEIGHTS):
        below = other.stone.pavilion_inset_mm(girdle - float(z)) if z < girdle else 0.0
        if _ring_outside_mm(head.plan, float(z)) > gap + below - CLEAR_MM:
            return False
    return True


def _ring_outside_mm(plan: Plan, z: float) -> float:
    """How far wall, rim or rails stand outside their own girdle at a height, level; -inf where there is none of
    them."""
    angle = math.radians(plan["taper"]) if "taper" in plan else 0.0
    lean_in = (plan["girdle_plane"] - z) * math.tan(angle)
    found = [-math.inf]
    if "rim_thickness" in plan:
        if z <= plan["girdle_plane"] + plan["rim_height"]:
            found.append(plan["seat_clearance"] + plan["rim_thickness"] / math.cos(angle) - lean_in)
    elif "wall_top" in plan and z <= plan["wall_top"]:
        found.append(-lean_in)
    if "upper_rail_height" in plan and abs(z - plan["upper_rail_height"]) <= plan["rail_thickness"]:
        found.append(plan["upper_rail_shift"] + plan["rail_thickness"] / 2.0 - lean_in)
    return max(found)
