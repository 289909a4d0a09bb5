"""The bridges that join a trilogy's heads at the base: how high they may be under stones and rails, and how wide they
are beside the claws of either head, which they carry or leave room to cast beside."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...dimension import COMMON
from ...mesh import Floats
from ...spec import Spec
from ...trade.house_rules import HouseRules
from ..draft import Draft, Plan, castable_mm
from ..site import Site
from ..trilogy import turns_mm
from .beside import claw_rings

BRIDGE_MM, BRIDGE_SHARE, BRIDGE_WIDTH, BRIDGE_MOST = 0.9, 0.6, 0.35, 0.9
"""Height of the bridges at the base, the most of it as a share of the lowest girdle plane, and their width and the most
of it as shares of a side stone's. Common practice, no source."""

UNDER_FLAT_MM = 0.05
"""Room between a bridge and a stone with a flat base. Common practice, no source."""

INTO_CLAW_MM = 0.1
"""How far a bridge reaches into a claw that it carries, at least. Smaller: they hardly hold together; larger: bridges
are wider than they need be."""

FACING_DEG = 30.0
"""Sides of a claw that face a bridge's within this angle lie in the bridge, or leave room beside it: such air is a gap,
where it runs out between the two sides too. Smaller: crevices are left where they cross; larger: bridges are wider than
they need be."""

MORE_ROOM_MM = 0.02
"""By how much more than the narrowest gap that casts a bridge stands off the claws that it does not carry, for the
chords of their sections."""

SECTION_MM, HEIGHTS = 0.02, 3
"""Chord error of a claw's section where it stands beside a bridge, and at how many heights. Coarser, or fewer: a claw
is nearer than planned."""

EVEN_SHARE = 0.7
"""A bridge's narrower end, as a share of its wider, at least where claws allow: metal goes through the one to the other.
Smaller: the wider end freezes last, and turns porous. Common practice, no source."""

STEP_MM, TRIED = 0.04, 32
"""By what a bridge's width is varied, and how many pairs of widths are tried at once. A larger step: what lies between
is passed over; only the time taken depends on the other."""


def under_flat_mm(spec: Spec, rules: HouseRules) -> float:
    """How high a stone with a flat base stands over the base plane at least, so that a bridge passes below it, mm."""
    return round(castable_mm(spec, rules) + UNDER_FLAT_MM, 2)


def plan_bridges(draft: Draft, centre: Site, side: Site) -> None:
    """Height and widths of the bridges between two heads, whose places are planned."""
    lowest = [(head.plan["girdle_plane"], head.stone.pavilion_depth_mm) for head in (centre, side)]
    most = min(BRIDGE_SHARE * girdle if depth > 0.0 else girdle - UNDER_FLAT_MM for girdle, depth in lowest)
    height = _below_openings(draft, [centre.plan, side.plan], min(BRIDGE_MM, most))
    height = draft.derive("bridge_height", round(height, 2), "mm",
                          "As tall as ties the heads together at the base and stays under their stones.", COMMON)
    usual = round(max(draft.castable_mm, BRIDGE_WIDTH * side.stone.width_mm), 2)
    room = draft.rules.of_process(draft.process, "gap_least_mm").value + MORE_ROOM_MM
    bridges = [_Bridge.between(centre, side, draft[f"side_shift_{name}"], way, height)
               for name, way in (("right", 1.0), ("left", -1.0))]
    widths = _widths_mm(bridges, usual, draft.castable_mm, BRIDGE_MOST * side.stone.width_mm, room)
    for name, width, where in zip(("bridge_width", "bridge_side_width"), widths, ("centre", "side stone")):
        reason = "A third of a side stone's width, and never less than the alloy fills."
        if width > usual:
            reason = f"Wider than a third of a side stone's width, so that it carries the feet of the {where}'s claws."
        elif width < usual:
            reason = f"Narrower than a third of a side stone's width, so that the gap to the {where}'s claws fills."
        draft.derive(name, width, "mm", reason, COMMON)


def _below_openings(draft: Draft, plans: list[Plan], height: float) -> float:
    """The height of bridges, mm, or less, so that they end below windows and the gap under an upper rail fills when it is
    cast; never less than fills itself."""
    room, least = draft.rules.of_process(draft.process, "gap_least_mm").value, draft.castable_mm
    for plan in plans:
        if "upper_rail_height" in plan:
            under = plan["upper_rail_height"] - plan["rail_thickness"] / 2.0
            if under - room < height < under:
                height = max(under - room, least)
        elif "window_sill" in plan and plan["window_sill"] >= least:
            height = min(height, plan["window_sill"])
    return height


@dataclass(frozen=True, eq=False)
class _Bridge:
    """One bridge laid along X, the centre's end first: between which places (2,) on the row its width changes, where it
    ends (2,), and the claws of both heads there on one side of the row, those on the other side reflected: each cut level
    at heights up to the bridge's, (h, k, 2), mm."""

    turns: tuple[float, float]
    ends: tuple[float, float]
    claws: list[Floats]

    @classmethod
    def between(cls, centre: Site, side: Site, shift_mm: float, way: float, height_mm: float) -> _Bridge:
        """To the side head that stands so far along X, or against it where `way` is -1."""
        claws = [*_sections(centre, way, height_mm, way, 0.0), *_sections(side, -1.0, height_mm, 1.0, shift_mm)]
        ends = _end_mm(centre, way), shift_mm - _end_mm(side, -1.0)
        return cls(turns_mm(centre.lines, side.lines, shift_mm, way), ends, claws)

    def are_carried_or_clear(self, at_centre_mm: Floats, at_side_mm: Floats, room_mm: float) -> np.ndarray:
        """(g,) bool: with which half widths (g,) at its ends the bridge carries each claw or leaves so much room beside
        it."""
        near, far = self.turns
        room = room_mm * np.hypot(1.0, (at_side_mm - at_centre_mm) / (far - near))
        fits = np.ones(len(room), bool)
        for claw in self.claws:
            share = np.clip((claw[..., 0] - near) / (far - near), 0.0, 1.0)
            half = at_centre_mm[:, None, None] * (1.0 - share) + at_side_mm[:, None, None] * share
            off = claw[..., 1] - half
            is_reached = (self.ends[0] <= claw[..., 0]) & (claw[..., 0] <= self.ends[1])
            into = np.where(is_reached, off, math.inf).min(axis=2).max(axis=1)
            fits &= (into <= -INTO_CLAW_MM) | (off.min(axis=(1, 2)) >= room)
            if not fits.any():
                break
            off = off[..., np.flatnonzero(_faces(claw[0]))[:, None] - [1, 0]]
            fits &= ((off.max(axis=(1, 3)) <= 0.0) | (off.min(axis=(1, 3)) >= room[:, None])).all(axis=1)
        return fits


def _end_mm(head: Site, way: float) -> float:
    """How far from a head's axis, along X or against it, a bridge ends: amid a base rail; behind all its claws in a wall or
    a peg."""
    plan, outline = head.plan, head.outline
    if "base_rail_shift" not in plan:
        return 0.0
    height, slope = plan["base_rail_height"], math.tan(math.radians(plan["taper"]))
    rail = outline.loop((plan["girdle_plane"] - height) * slope - plan["base_rail_shift"], outline.counts(SECTION_MM))
    return float((way * rail[:, 0]).max())


def _sections(head: Site, way: float, height_mm: float, turn: float, shift_mm: float) -> list[Floats]:
    """What a head's claws on one side of its axis, along X or against it, are beside a bridge, turned and moved along it.
    What stands across the row carries its end."""
    heights, found = np.linspace(0.0, height_mm, HEIGHTS), []
    for line in head.lines:
        if way * line.foot[0] > 0.0:
            claw = turn * claw_rings(head.spec, head.plan, line, heights, SECTION_MM) + [shift_mm, 0.0]
            if (claw[..., 1] < 0.0).all():
                claw[..., 1] = -claw[..., 1]
            if (claw[..., 1] > 0.0).all():
                found.append(claw)
    return found


def _faces(ring: Floats) -> np.ndarray:
    """(k,) bool: which sides of a ring (k, 2), each before its corner, face against Y."""
    before = np.roll(ring, 1, axis=0)
    ways = ring - before
    turn = np.sign((before[:, 0] * ring[:, 1] - before[:, 1] * ring[:, 0]).sum())
    faces: np.ndarray = turn * ways[:, 0] >= math.cos(math.radians(FACING_DEG)) * np.hypot(*ways.T)
    return faces


def _widths_mm(bridges: Sequence[_Bridge], usual_mm: float, least_mm: float, most_mm: float,
               room_mm: float) -> tuple[float, float]:
    """At the centre and at a side head the widths nearest to the usual, from the least to the most, with which the bridges
    carry each claw or leave so much room beside it, if there are any of which the narrower feeds the wider; the usual where
    there are none."""
    narrower, wider = np.arange(usual_mm, least_mm, -STEP_MM), np.arange(usual_mm + STEP_MM, most_mm, STEP_MM)
    tried = np.concatenate([narrower, [least_mm], wider])
    at_centre, at_side = (each.ravel() for each in np.meshgrid(tried, tried))
    starves = np.minimum(at_centre, at_side) < EVEN_SHARE * np.maximum(at_centre, at_side)
    order = np.lexsort((np.abs(at_centre - usual_mm) + np.abs(at_side - usual_mm), starves))
    for some in np.split(order, range(TRIED, len(order), TRIED)):
        for bridge in bridges:
            some = some[bridge.are_carried_or_clear(at_centre[some] / 2.0, at_side[some] / 2.0, room_mm)]
        if len(some):
            return round(float(at_centre[some[0]]), 2), round(float(at_side[some[0]]), 2)
    return usual_mm, usual_mm
