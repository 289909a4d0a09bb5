"""The head drawn from its solid: a true section through the axis and a claw, and the plan from above."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..head import Head
from ..head.claws import ClawLine
from ..mesh import Floats
from ..solid.kernel import Solid, section, transformed
from ..stone import crown_view
from ..tolerance import CHORD_MM
from .drawing import Drawing, Pair, best_scale

ROOM_MM = (64.0, 75.0)
"""Room for the enlarged section itself; dimension lines stand around it."""

PLAN_ROOM_MM = (45.0, 60.0)
"""Room for the enlarged plan beside it."""

LEVEL_MM = 1e-4
"""How far above the base the wall is cut to read its outline there: a cut in the face itself is empty or all of it."""


@dataclass(frozen=True)
class Cut:
    """What the section shows, measured on it, mm from the axis: the stone's ends, and of the wall on the claw's side of
    the axis and the other the hollow and the outside at the base, and the outside where it is widest, at the top."""

    stone: Pair
    hollow: Pair
    base: Pair
    top: Pair


def upright_section(solid: Solid, azimuth_deg: float) -> list[Floats]:
    """Loops (k, 2) of the cut through the axis at an azimuth: (outwards, up) in mm."""
    angle = math.radians(azimuth_deg)
    outwards = np.array([math.cos(angle), math.sin(angle), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    turn = np.stack([outwards, up, np.cross(outwards, up)])
    return section(transformed(solid, np.column_stack([turn, np.zeros(3)])), 0.0)


IN_PLANE = 0.9995
"""Alignment from which a claw counts as lying in the section: at 1.8° it stays within a tenth of a mm over 3 mm."""


def _alignment(line: ClawLine) -> float:
    """Cosine between a claw's lean, seen from above, and the direction from the axis to its place."""
    return float(line.place.normal @ line.place.point / np.linalg.norm(line.place.point))


def cut_claw(head: Head) -> ClawLine:
    """The claw that the section goes through: the first of those whose lean lies nearest to a plane through the axis."""
    return max(head.lines, key=lambda line: round(_alignment(line), 6))


def is_claw_in_plane(head: Head) -> bool:
    """False if the section leaves every claw on its way up, as where claws lean square to a marquise's curve."""
    return _alignment(cut_claw(head)) >= IN_PLANE


def claw_azimuth_deg(head: Head) -> float:
    """Direction from the axis to the place of the claw that the section goes through."""
    x, y = cut_claw(head).place.point
    return math.degrees(math.atan2(y, x)) % 360.0


def side_view(head: Head, scale: float | None) -> tuple[str, float]:
    """The section through the axis and a claw as SVG and its scale; without dimension lines at 1:1, with them otherwise."""
    azimuth = claw_azimuth_deg(head)
    metal, stone = upright_section(head.solid, azimuth), upright_section(head.stone_solid, azimuth)
    points = np.concatenate(metal + stone)
    size = np.ptp(points, axis=0)
    chosen = scale or best_scale(float(size[0]), float(size[1]), ROOM_MM)
    drawing = Drawing(chosen)
    drawing.area(metal, "metal")
    drawing.area(stone, "stone")
    drawing.line((0.0, -0.4), (0.0, float(points[:, 1].max()) + 0.4), "axis")
    if scale is None:
        _dimension_side(head, drawing, points, _measured(head, azimuth, np.concatenate(stone)))
    return drawing.svg("Section through the axis and a claw"), chosen


def _measured(head: Head, azimuth_deg: float, stone: Floats) -> Cut:
    """A round head by its plan, which every direction shows; any other by what the cut shows."""
    if head.stone.outline.is_one_piece:
        radii = (head.plan["stone_width"] / 2.0, head.plan["inner_radius_base"], head.plan["outer_radius_base"],
                 head.plan["outer_radius_top"])
        return Cut(*((-radius, radius) for radius in radii))
    wall = head.part_solids["wall"]
    hollow, outside = _crossings(section(wall, LEVEL_MM), azimuth_deg)
    across = np.concatenate(upright_section(wall, azimuth_deg))[:, 0]
    top = (float(across.min()), float(across.max()))
    return Cut((float(stone[:, 0].min()), float(stone[:, 0].max())), hollow, outside, top)


def _crossings(loops: Sequence[Floats], azimuth_deg: float) -> tuple[Pair, Pair]:
    """Where a line through the axis crosses a ring's loops: the inner and the outer pair, mm, negative on the far side."""
    angle = math.radians(azimuth_deg)
    turned = [loop @ np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]) for loop in loops]
    found = []
    for loop in turned:
        after = np.roll(loop, -1, axis=0)
        crosses = (loop[:, 1] > 0.0) != (after[:, 1] > 0.0)
        here, there = loop[crosses], after[crosses]
        found.append(here[:, 0] - here[:, 1] * (there[:, 0] - here[:, 0]) / (there[:, 1] - here[:, 1]))
    at = np.concatenate(found)
    near, far = at[at > 0.0], at[at <= 0.0]
    return (float(far.max()), float(near.min())), (float(far.min()), float(near.max()))


def _dimension_side(head: Head, drawing: Drawing, points: Floats, cut: Cut) -> None:
    plan = head.plan
    right, left = float(points[:, 0].max()), float(points[:, 0].min())
    paper = right * drawing.scale
    heights = [("wall top", "wall_top", cut.top[1]), ("girdle", "girdle_plane", cut.stone[1]),
               ("table", "table_height", plan["stone_table"] / 2.0)]
    heights.append(("claws as cast", "head_height", right) if head.state == "cast" else ("claw tips", "tip_height", right))
    for step, (word, name, reach) in enumerate(heights):
        drawing.rise((cut.base[1], 0.0), (reach, plan[name]), paper + 6.0 + 5.5 * step, f"{word} {plan[name]:.2f}")
    below = -6.0 / drawing.scale
    for step, (word, ends) in enumerate((("hole", cut.hollow), ("base", cut.base)), 1):
        drawing.span((ends[0], 0.0), (ends[1], 0.0), step * below, f"{word} {ends[1] - ends[0]:.2f}")
    above = float(points[:, 1].max()) + 5.0 / drawing.scale
    girdle = plan["girdle_plane"]
    drawing.span((cut.stone[0], girdle), (cut.stone[1], girdle), above, f"stone {cut.stone[1] - cut.stone[0]:.2f}")
    _name_parts(head, drawing, left - 4.0 / drawing.scale, cut)


def _name_parts(head: Head, drawing: Drawing, aside: float, cut: Cut) -> None:
    """Labels to the left of the section, kept apart from top to bottom."""
    plan = head.plan
    girdle, top, slope = plan["girdle_plane"], plan["wall_top"], math.radians(plan["taper"])
    middle = 0.4 * top
    run = (cut.top[0] - cut.base[0]) * middle / top
    culet = girdle - plan["pavilion_depth"]
    notes = [(girdle, (cut.stone[0], girdle + plan["girdle"] / 2.0), f"girdle {plan['girdle']:.2f}")]
    if head.state == "cast" and not head.spec.get("seat.cut"):
        share = (cut.hollow[0] - cut.base[0]) / (plan["outer_radius_base"] - plan["inner_radius_base"])
        inner = cut.top[0] + (cut.hollow[0] - cut.base[0])
        on_top, on_wall = inner - share * plan["bevel"], inner + share * plan["bevel"] * math.sin(slope)
        notes.append((top, (0.5 * (on_top + on_wall), top - 0.5 * plan["bevel"] * math.cos(slope)), f"bevel {plan['bevel']:.2f}"))
    notes.append((middle, (0.5 * (cut.base[0] + cut.hollow[0]) + run, middle), f"wall {plan['wall_thickness']:.2f}"))
    notes.append((0.0, (cut.base[0] + run / 2.0, middle / 2.0), f"taper {plan['taper']:.1f}°"))
    notes.append((0.0, (0.0, culet), f"culet at {culet:.2f}"))
    previous = math.inf
    for height, target, label in notes:
        previous = min(height, previous - 4.2 / drawing.scale)
        drawing.leader(target, (aside, previous), label, "end")


def plan_view(head: Head, scale: float | None) -> tuple[str, float]:
    """The head from above as SVG and its scale: the stone's facets, the wall at top and base, the claws at the girdle."""
    plan = head.plan
    claws = [loop for name, solid in head.part_solids.items() if name != "wall"
             for loop in section(solid, min(plan["girdle_plane"], plan["wall_top"]))]
    outline = head.stone.outline.loop(0.0, head.stone.outline.counts(CHORD_MM))
    points = np.concatenate([*claws, outline])
    size = np.ptp(points, axis=0)
    chosen = scale or best_scale(float(size[0]), float(size[1]), PLAN_ROOM_MM)
    drawing = Drawing(chosen)
    view = crown_view(head.stone)
    drawing.area(section(head.part_solids["wall"], LEVEL_MM), "hidden")
    drawing.area(claws, "metal")
    drawing.lines(view.edges, "facet")
    drawing.lines(view.outline, "edge")
    if scale is None:
        low, high = points.min(axis=0), points.max(axis=0)
        west, south, east, north = (outline[i] for i in (*outline.argmin(axis=0), *outline.argmax(axis=0)))
        drawing.span(west, east, float(low[1]) - 6.0 / chosen, f"stone {head.stone.length_mm:.2f}")
        drawing.rise(south, north, float(high[0]) * chosen + 6.0, f"{head.stone.width_mm:.2f}")
        line = head.lines[0]
        target = line.at(min(plan["girdle_plane"], plan["wall_top"]) / line.axis[2])[:2]
        drawing.leader((float(target[0]), float(target[1])), (float(high[0]), float(high[1]) + 3.0 / chosen),
                       f"{len(head.lines)} claws {plan['claw_diameter']:.2f}", "end")
    return drawing.svg("The head from above"), chosen
