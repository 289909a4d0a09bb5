"""The head drawn from its solid: a true section through the axis and a claw, and the plan from above."""
from __future__ import annotations

import math

import numpy as np

from ..head import Head
from ..mesh import Floats
from ..solid.kernel import Solid, section, transformed
from ..stone import crown_view
from .drawing import Drawing, best_scale

ROOM_MM = (48.0, 75.0)
"""Room for the enlarged section itself; dimension lines stand around it."""

PLAN_ROOM_MM = (40.0, 60.0)


def upright_section(solid: Solid, azimuth_deg: float) -> list[Floats]:
    """Loops (k, 2) of the cut through the axis at an azimuth: (outwards, up) in mm."""
    angle = math.radians(azimuth_deg)
    outwards = np.array([math.cos(angle), math.sin(angle), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    turn = np.stack([outwards, up, np.cross(outwards, up)])
    return section(transformed(solid, np.column_stack([turn, np.zeros(3)])), 0.0)


def side_view(head: Head, scale: float | None) -> tuple[str, float]:
    """The section through claw 1 as SVG and its scale; without dimension lines at 1:1, with them otherwise."""
    azimuth = math.degrees(math.atan2(head.lines[0].place.normal[1], head.lines[0].place.normal[0]))
    metal, stone = upright_section(head.solid, azimuth), upright_section(head.stone_solid, azimuth)
    points = np.concatenate(metal + stone)
    size = np.ptp(points, axis=0)
    chosen = scale or best_scale(float(size[0]), float(size[1]), ROOM_MM)
    drawing = Drawing(chosen)
    drawing.area(metal, "metal")
    drawing.area(stone, "stone")
    drawing.line((0.0, -0.4), (0.0, float(points[:, 1].max()) + 0.4), "axis")
    if scale is None:
        _dimension_side(head, drawing, points)
    return drawing.svg("Section through the axis and a claw"), chosen


def _dimension_side(head: Head, drawing: Drawing, points: Floats) -> None:
    plan = head.plan
    right, left = float(points[:, 0].max()), float(points[:, 0].min())
    half = plan["stone_width"] / 2.0
    paper = right * drawing.scale
    heights = [("wall top", "wall_top", plan["outer_radius_top"]), ("girdle", "girdle_plane", half),
               ("table", "table_height", plan["stone_table"] / 2.0)]
    heights.append(("claws as cast", "head_height", right) if head.state == "cast" else ("claw tips", "tip_height", right))
    for step, (word, name, reach) in enumerate(heights):
        drawing.rise((plan["outer_radius_base"], 0.0), (reach, plan[name]), paper + 6.0 + 6.5 * step, f"{word} {plan[name]:.2f}")
    culet = plan["girdle_plane"] - plan["pavilion_depth"]
    drawing.rise((0.0, 0.0), (0.0, culet), left * drawing.scale - 5.0, f"culet {culet:.2f}")
    below = -6.0 / drawing.scale
    base, inner = plan["outer_radius_base"], plan["inner_radius_base"]
    drawing.span((-inner, 0.0), (inner, 0.0), below, f"hole {2 * inner:.2f}")
    drawing.span((-base, 0.0), (base, 0.0), 2.0 * below, f"base {2 * base:.2f}")
    above = float(points[:, 1].max()) + 5.0 / drawing.scale
    drawing.span((-half, plan["girdle_plane"]), (half, plan["girdle_plane"]), above, f"stone {plan['stone_width']:.2f}")
    taper = math.radians(plan["taper"])
    aside = left - 4.0 / drawing.scale
    depth = plan["girdle_plane"] - 0.45 * plan["wall_top"]
    wall = -(half - depth * math.tan(taper) - 0.5 * plan["wall_thickness"] / math.cos(taper))
    notes = [(plan["girdle_plane"], (-half, plan["girdle_plane"]), f"girdle {plan['girdle']:.2f}"),
             (plan["wall_top"] - 0.1 * plan["wall_top"], (-(plan["outer_radius_top"] - 0.6 * plan["wall_thickness"]),
              plan["wall_top"] - 0.3 * plan["bevel"]), f"bevel {plan['bevel']:.2f}"),
             (0.45 * plan["wall_top"], (wall, 0.45 * plan["wall_top"]),
              f"wall {plan['wall_thickness']:.2f}, taper {plan['taper']:.1f}°")]
    previous = math.inf
    for height, target, label in notes:
        height = min(height, previous - 4.0 / drawing.scale)
        previous = height
        drawing.leader(target, (aside, height), label, "end")


def plan_view(head: Head, scale: float | None) -> tuple[str, float]:
    """The head from above as SVG and its scale: the stone's facets, the wall at top and base, the claws at the girdle."""
    plan = head.plan
    claws = [loop for name, solid in head.part_solids.items() if name != "wall"
             for loop in section(solid, min(plan["girdle_plane"], plan["wall_top"]))]
    points = np.concatenate([*claws, head.stone.outline.loop(0.0, head.stone.outline.counts(0.02))])
    size = np.ptp(points, axis=0)
    chosen = scale or best_scale(float(size[0]), float(size[1]), PLAN_ROOM_MM)
    drawing = Drawing(chosen)
    view = crown_view(head.stone)
    drawing.area(section(head.part_solids["wall"], 1e-4), "hidden")
    drawing.area(claws, "metal")
    drawing.lines(view.edges, "facet")
    drawing.lines(view.outline, "edge")
    if scale is None:
        low, high = points.min(axis=0), points.max(axis=0)
        half = head.stone.length_mm / 2.0
        drawing.span((-half, 0.0), (half, 0.0), float(low[1]) - 6.0 / chosen, f"stone {head.stone.length_mm:.2f}")
        drawing.rise((0.0, -head.stone.width_mm / 2.0), (0.0, head.stone.width_mm / 2.0), float(high[0]) * chosen + 6.0,
                     f"{head.stone.width_mm:.2f}")
        line = head.lines[0]
        target = line.at(min(plan["girdle_plane"], plan["wall_top"]) / line.axis[2])[:2]
        drawing.leader((float(target[0]), float(target[1])), (float(high[0]), float(high[1]) + 3.0 / chosen),
                       f"{len(head.lines)} claws {plan['claw_diameter']:.2f}", "end")
    return drawing.svg("The head from above"), chosen
