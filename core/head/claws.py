"""Claws: bars that follow the wall from the base plane to their tips."""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from ..mesh import Floats, PolyMesh, cross
from ..spec import Spec
from ..stone.outline import Outline, Place
from .claw_sections import VShape, section_ring, takes_v
from .draft import Plan
from .placement import legs_turn_deg, places_towards
from .sweep import rod

if TYPE_CHECKING:
    from .site import Site

THROUGH_CORNER = 1e-6
"""Share of a side by which a way in may miss it for rounding alone. Larger: it meets a side that it passes by."""

UPRIGHT = math.cos(math.radians(5.0))
"""Height of a claw's axis, as a share of its length, from which on it doesn't lean enough to be parted at rails."""

LEAST_STEP = 0.02
"""Shortest part of a claw at a rail, as a share of its length: shorter ones save nothing."""

BOW_ROWS = 12
"""Rows of a bowed claw between base and girdle. Fewer: it shows corners."""


@dataclass(frozen=True)
class ClawLine:
    """Where one claw stands: the foot of its axis in the base plane and its frame.

    foot (3,) mm; axis, outwards, along: unit (3,) vectors; `outwards` is square to the axis on the side of the
    outline's normal, `along` square to both. `place` is the claw's place on the outline, `girdle_mm` the way along the
    axis to the girdle plane, `bow_mm` how far the claw bows off its axis half way there, `turn_deg` the turn between a
    V claw's legs.
    """

    foot: Floats
    axis: Floats
    outwards: Floats
    along: Floats
    place: Place
    girdle_mm: float
    bow_mm: float = 0.0
    turn_deg: float = 0.0

    def at(self, length_mm: float) -> Floats:
        """(3,) point on the claw's middle line, mm from the foot."""
        share = min(max(length_mm / self.girdle_mm, 0.0), 1.0)
        return self.foot + self.axis * length_mm + self.outwards * (self.bow_mm * math.sin(math.pi * share) ** 2)


def section_of(spec: Spec, plan: Plan, place: Place) -> str:
    """The section of the claw at a place: V claws stand at corners only, the others of such a head are round."""
    if "v_claw_count" in plan:
        return "V" if takes_v(place) else "round"
    return spec.get("claws.section") or "round"


def claw_places(plan: Plan, outline: Outline) -> tuple[Place, ...]:
    """The claws' places on the outline."""
    return places_towards(outline, tuple(plan[f"claw_{i}_direction"] for i in range(1, round(plan["claw_count"]) + 1)))


def claw_lines(plan: Plan, outline: Outline) -> tuple[ClawLine, ...]:
    """One line for each claw: square to the outline at its place, along the wall's line or its ridge there, or from the
    circle of the peg."""
    girdle = plan["girdle_plane"]
    taper = math.radians(plan["taper"])
    lines = []
    for i, place in enumerate(claw_places(plan, outline), 1):
        lean = math.radians(plan[f"claw_{i}_lean"]) if f"claw_{i}_lean" in plan else taper
        normal = np.array([*place.normal, 0.0])
        if "peg_diameter" in plan:
            axis_foot = np.array([*foot_on_peg(place, plan["peg_diameter"] / 2.0), 0.0])
            lean = math.atan2(float((np.array([*place.point, 0.0]) - axis_foot) @ normal), girdle)
        else:
            axis_foot = np.array([*place.point, 0.0]) - normal * (girdle * math.tan(lean))
        top = np.array([*place.point, girdle])
        thickness = share_at(plan, girdle / math.cos(lean)) * plan["claw_diameter"]
        turn = 0.0
        if "v_claw_count" in plan and takes_v(place):
            turn = legs_turn_deg(outline, place, plan["claw_width"])
            shift = normal * VShape.of(thickness, plan["claw_width"], plan["claw_notch"], turn, lean).out_mm
        else:
            shift = normal * ((0.5 - plan["claw_notch"]) * thickness / math.cos(lean))
        axis = (top - axis_foot) / np.linalg.norm(top - axis_foot)
        outwards = normal - axis * float(normal @ axis)
        outwards /= np.linalg.norm(outwards)
        lines.append(ClawLine(axis_foot + shift, axis, outwards, cross(axis, outwards), place,
                              girdle / float(axis[2]), plan["claw_bow"], turn))
    return tuple(lines)


def foot_on_peg(place: Place, radius_mm: float) -> Floats:
    """(2,) where the plane of the outline's normal meets the peg's circle on the claw's side; where it passes the
    peg by, the place of the circle nearest to it. On an axis of the stone where that lies across it: claws that cross
    under a long stone's ends meet below its keel."""
    along = float(place.point @ place.normal)
    nearest = place.point - along * place.normal
    off = float(np.linalg.norm(nearest))
    foot = nearest + place.normal * math.sqrt(max(radius_mm * radius_mm - off * off, 0.0))
    foot = np.where(foot * place.point < 0.0, 0.0, foot)
    return foot * (radius_mm / float(np.linalg.norm(foot)))


def wall_run_mm(outline: Outline, place: Place, inset_mm: float, chord_mm: float) -> float:
    """How far in from a place, along its normal, the outline's parallel at an inset runs: the inset itself along a
    smooth outline; more at a corner, whose ridge runs in faster."""
    if outline.is_one_piece or inset_mm <= 0.0:
        return inset_mm
    mitred = inset_mm / math.cos(math.radians(place.turn_deg / 2.0))
    loop = _parallel(outline, inset_mm, chord_mm)
    way = np.roll(loop, -1, axis=0) - loop
    off = place.point - mitred * place.normal - loop
    squares = np.maximum(np.einsum("ij,ij->i", way, way), 1e-300)
    near = np.clip(np.einsum("ij,ij->i", off, way) / squares, 0.0, 1.0)
    # Chords in place of arcs lie a little off; where the parallel is whole there, the closed form is exact.
    if np.linalg.norm(off - near[:, None] * way, axis=1).min() <= 2.0 * chord_mm:
        return mitred
    off = place.point - loop
    turn = way[:, 1] * place.normal[0] - way[:, 0] * place.normal[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        run = (off[:, 0] * way[:, 1] - off[:, 1] * way[:, 0]) / turn
        share = (off[:, 1] * place.normal[0] - off[:, 0] * place.normal[1]) / turn
    # A way in along a mirror axis runs through corners of the parallel, so it may miss both sides by rounding.
    met = run[(share >= -THROUGH_CORNER) & (share <= 1.0 + THROUGH_CORNER) & (run > 0.0)]
    return float(met.min()) if len(met) else mitred


# The parallel at the base is the same for every claw, and at every tick of a slider that changes claws only.
@lru_cache(maxsize=16)
def _parallel(outline: Outline, inset_mm: float, chord_mm: float) -> Floats:
    loop = outline.loop(inset_mm, outline.counts(chord_mm))
    loop.setflags(write=False)
    return loop


def share_at(plan: Plan, length_mm: float) -> float:
    """Thickness of a claw so far from its foot, as a share of that at its base."""
    return 1.0 - (1.0 - plan["claw_tip_share"]) * min(max(length_mm / plan["claw_length"], 0.0), 1.0)


def base_ring(spec: Spec, plan: Plan, line: ClawLine, chord_mm: float) -> Floats:
    """(n, 2) section of a claw at its base, square to its axis: outwards and along."""
    thickness = plan["claw_diameter"]
    section = section_of(spec, plan, line.place)
    if section == "V":
        share = share_at(plan, line.girdle_mm)
        lean = math.acos(min(1.0, float(line.axis[2])))
        shape = VShape.of(share * thickness, plan["claw_width"], plan["claw_notch"], line.turn_deg, lean)
        # From the level plane to one square to the axis, and from the girdle to the base.
        return shape.ring(chord_mm) * (math.cos(lean) / share, 1.0 / share)
    width = plan["claw_width"] if section != "round" else thickness
    return section_ring(section, thickness, width, chord_mm)


def in_space(line: ClawLine, ring: Floats) -> Floats:
    """(n, 3) offsets from the axis of a section (n, 2)."""
    offsets: Floats = ring @ np.array([line.outwards, line.along])
    return offsets


def level(line: ClawLine, offsets: Floats) -> Floats:
    """(n, 3) the same section cut level: its offsets from the axis (n, 3) slid along it to one height."""
    slid: Floats = offsets - np.outer(offsets[:, 2] / line.axis[2], line.axis)
    return slid


def raise_claws(site: Site, even: bool) -> dict[str, PolyMesh]:
    """Every claw as cast, by name: "claw 1", "claw 2"…"""
    length = site.plan["claw_length"]
    return {f"claw {i}": raise_claw(site.plan, line, base_ring(site.spec, site.plan, line, site.chord_mm), length,
                                    f"claw {i}", even)
            for i, line in enumerate(site.lines, 1)}


def raise_claw(plan: Plan, line: ClawLine, ring: Floats, length_mm: float, part: str, even: bool = True,
               is_level: bool = False) -> PolyMesh:
    """One claw as a closed shell of quads: flush with the base plane below, square to its axis at the tip, or level
    there.

    ring: its section (n, 2) at the base. even: with rows between base and tip that keep the quads near square; without
    them the same surface in few.
    """
    offsets = in_space(line, ring)
    base = line.foot + level(line, offsets)
    tip = line.at(length_mm) + share_at(plan, length_mm) * (level(line, offsets) if is_level else offsets)
    bowed = line.bow_mm > 0.0
    count = max(2, round(length_mm / plan["claw_diameter"]) + 1 if even else 2)
    steps = np.linspace(0.0, 1.0, count) if even or bowed else _steps_at_rails(plan, line, length_mm)
    if bowed:
        reached = min(1.0, line.girdle_mm / length_mm)
        above = steps[steps > reached + 0.5 / count]
        steps = np.unique(np.concatenate([np.linspace(0.0, reached, BOW_ROWS + 1), above, [1.0]]))
    return rod([base + (tip - base) * step + (line.at(step * length_mm) - line.foot - line.axis * step * length_mm
                                              if bowed else 0.0) for step in steps], part)


def _steps_at_rails(plan: Plan, line: ClawLine, length_mm: float) -> Floats:
    """Shares of a claw's length at which its sides are parted: where each rail begins and ends.

    A union looks at all edges and faces whose boxes meet, and the box round the side of a leaning claw, from base to
    tip, meets half of a rail's.
    """
    leans = "rail_thickness" in plan and line.axis[2] < UPRIGHT
    middles = np.array([plan["base_rail_height"], plan["upper_rail_height"]] if leans else [])
    half = 0.5 * plan["rail_thickness"] if leans else 0.0
    shares = np.concatenate([middles - half, middles + half]) / (line.axis[2] * length_mm)
    return np.unique([0.0, *shares[(shares > LEAST_STEP) & (shares < 1.0 - LEAST_STEP)], 1.0])
