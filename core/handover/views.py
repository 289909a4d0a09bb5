"""The head drawn from its solid: a true section through the axis and a claw, if it has any, and the plan from above."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..head import Head
from ..head.claws import ClawLine
from ..head.placed import PlacedStone
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
    """What the section shows, measured on it, mm from the axis: the stone's ends, and of wall, rails or peg on the
    claw's side of the axis and the other the hollow, None where there is none, and the outside at the base, and the
    outside where it is widest, at the top."""

    stone: Pair
    hollow: Pair | None
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
    """The claw that the section goes through: the first of those whose lean lies nearest to a plane through the
    axis."""
    return max(head.lines, key=lambda line: round(_alignment(line), 6))


def has_claws(head: Head) -> bool:
    """True if the centre stone is held by claws."""
    return bool(head.lines)


def body_of(head: Head) -> list[Solid]:
    """What stands under the centre stone: wall, rails or peg."""
    return [solid for name, solid in head.centre.part_solids.items() if not name.startswith("claw") and name != "rim"]


def is_claw_in_plane(head: Head) -> bool:
    """False if the section leaves every claw on its way up, as where claws lean square to a marquise's curve."""
    return not has_claws(head) or _alignment(cut_claw(head)) >= IN_PLANE


def claw_azimuth_deg(head: Head) -> float:
    """Direction from the axis to the place of the claw that the section goes through; the stone's length where there is
    no claw."""
    if not has_claws(head):
        return 0.0
    x, y = cut_claw(head).place.point
    return math.degrees(math.atan2(y, x)) % 360.0


def side_view(head: Head, scale: float | None) -> tuple[str, float]:
    """The section through the axis and a claw as SVG and its scale; without dimension lines at 1:1, with them
    otherwise."""
    azimuth = claw_azimuth_deg(head)
    metal, stone = upright_section(head.solid, azimuth), upright_section(head.stone_solid, azimuth)
    others = [loop for other in head.stones[1:] for loop in upright_section(other.solid, azimuth)]
    points = np.concatenate(metal + stone)
    size = np.ptp(points, axis=0)
    chosen = scale or best_scale(float(size[0]), float(size[1]), ROOM_MM)
    drawing = Drawing(chosen)
    drawing.area(metal, "metal")
    drawing.area(stone, "stone")
    drawing.area(others, "stone")
    drawing.line((0.0, -0.4), (0.0, float(points[:, 1].max()) + 0.4), "axis")
    if scale is None:
        _dimension_side(head, drawing, points, _measured(head, azimuth, np.concatenate(stone)))
    return drawing.svg(section_title(head)), chosen


def section_title(head: Head) -> str:
    """What the section goes through."""
    return f"Section through the axis {'and a claw' if has_claws(head) else 'along the length of the stone'}"


def _measured(head: Head, azimuth_deg: float, stone: Floats) -> Cut:
    """A round head by its plan, which every direction shows; any other by what the cut shows."""
    if head.stone.outline.is_one_piece and "inner_radius_base" in head.plan:
        radii = (head.plan["stone_width"] / 2.0, head.plan["inner_radius_base"], head.plan["outer_radius_base"],
                 head.plan["outer_radius_top"])
        return Cut(*((-radius, radius) for radius in radii))
    body = body_of(head)
    hollow, outside = _crossings([loop for part in body for loop in section(part, LEVEL_MM)], azimuth_deg)
    across = np.concatenate([loop[:, 0] for part in body for loop in upright_section(part, azimuth_deg)])
    top = (float(across.min()), float(across.max()))
    return Cut((float(stone[:, 0].min()), float(stone[:, 0].max())), hollow, outside, top)


def _crossings(loops: Sequence[Floats], azimuth_deg: float) -> tuple[Pair | None, Pair]:
    """Where a line through the axis crosses a ring's loops: the inner, None in one without a hollow, and the outer
    pair, mm, negative on the far side."""
    angle = math.radians(azimuth_deg)
    turned = [loop @ np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
              for loop in loops]
    found = []
    for loop in turned:
        after = np.roll(loop, -1, axis=0)
        crosses = (loop[:, 1] > 0.0) != (after[:, 1] > 0.0)
        here, there = loop[crosses], after[crosses]
        found.append(here[:, 0] - here[:, 1] * (there[:, 0] - here[:, 0]) / (there[:, 1] - here[:, 1]))
    at = np.concatenate(found)
    near, far = at[at > 0.0], at[at <= 0.0]
    inner = (float(far.max()), float(near.min())) if len(near) > 1 and len(far) > 1 else None
    return inner, (float(far.min()), float(near.max()))


def _dimension_side(head: Head, drawing: Drawing, points: Floats, cut: Cut) -> None:
    plan = head.plan
    right, left = float(points[:, 0].max()), float(points[:, 0].min())
    paper = right * drawing.scale
    heights = [("wall top", "wall_top", cut.top[1]), ("girdle", "girdle_plane", cut.stone[1]),
               ("table", "table_height", plan["stone_table"] / 2.0)]
    if head.state == "cast":
        heights.append(("claws as cast" if has_claws(head) else "rim as cast", "head_height", right))
    else:
        heights.append(("claw tips", "tip_height", right))
    shown = [(word, name, reach) for word, name, reach in heights if name in plan]
    for step, (word, name, reach) in enumerate(shown):
        drawing.rise((cut.base[1], 0.0), (reach, plan[name]), paper + 6.0 + 5.5 * step, f"{word} {plan[name]:.2f}")
    below = -6.0 / drawing.scale
    spans = [(word, ends) for word, ends in (("hole", cut.hollow), ("base", cut.base)) if ends is not None]
    for step, (word, ends) in enumerate(spans, 1):
        drawing.span((ends[0], 0.0), (ends[1], 0.0), step * below, f"{word} {ends[1] - ends[0]:.2f}")
    above = float(points[:, 1].max()) + 5.0 / drawing.scale
    girdle = plan["girdle_plane"]
    drawing.span((cut.stone[0], girdle), (cut.stone[1], girdle), above, f"stone {cut.stone[1] - cut.stone[0]:.2f}")
    _name_parts(head, drawing, left - 4.0 / drawing.scale, cut)


def _name_parts(head: Head, drawing: Drawing, aside: float, cut: Cut) -> None:
    """Labels to the left of the section, kept apart from top to bottom."""
    plan = head.plan
    girdle = plan["girdle_plane"]
    culet = girdle - plan["pavilion_depth"]
    notes = [(girdle, (cut.stone[0], girdle + plan["girdle"] / 2.0), f"girdle {plan['girdle']:.2f}")]
    if "wall_top" in plan and cut.hollow is not None:
        notes += _name_wall(head, cut, cut.hollow)
    notes.append((0.0, (0.0, culet), f"culet at {culet:.2f}"))
    previous = math.inf
    for height, target, label in notes:
        previous = min(height, previous - 4.2 / drawing.scale)
        drawing.leader(target, (aside, previous), label, "end")


def _name_wall(head: Head, cut: Cut, hollow: Pair) -> list[tuple[float, Pair, str]]:
    """Bevel, thickness and taper of the wall: how high the label may stand, what it points to, and its text."""
    plan = head.plan
    top, slope = plan["wall_top"], math.radians(plan["taper"])
    middle = 0.4 * top
    run = (cut.top[0] - cut.base[0]) * middle / top
    notes = []
    if head.state == "cast" and not head.spec.get("seat.cut") and "bevel" in plan:
        share = (hollow[0] - cut.base[0]) / (plan["outer_radius_base"] - plan["inner_radius_base"])
        inner = cut.top[0] + (hollow[0] - cut.base[0])
        on_top, on_wall = inner - share * plan["bevel"], inner + share * plan["bevel"] * math.sin(slope)
        notes.append((top, (0.5 * (on_top + on_wall), top - 0.5 * plan["bevel"] * math.cos(slope)),
                      f"bevel {plan['bevel']:.2f}"))
    notes.append((middle, (0.5 * (cut.base[0] + hollow[0]) + run, middle), f"wall {plan['wall_thickness']:.2f}"))
    notes.append((0.0, (cut.base[0] + run / 2.0, middle / 2.0), f"taper {plan['taper']:.1f}°"))
    return notes


def plan_view(head: Head, scale: float | None) -> tuple[str, float]:
    """The head from above as SVG and its scale: the stones' facets, the metal at the base, the claws or the rim at the
    girdle, and of a surround its plate and beads."""
    plan = head.plan
    level = min(plan["girdle_plane"], plan["wall_top"]) if "wall_top" in plan else plan["girdle_plane"]
    held = _held(head, level)
    outline = head.stone.outline.loop(0.0, head.stone.outline.counts(CHORD_MM))
    views = [(stone, crown_view(stone.stone)) for stone in head.stones]
    edges = [(_seen(stone, view.edges), _seen(stone, view.outline)) for stone, view in views]
    points = np.concatenate([*held, *(outer.reshape(-1, 2) for _, outer in edges), outline])
    size = np.ptp(points, axis=0)
    chosen = scale or best_scale(float(size[0]), float(size[1]), PLAN_ROOM_MM)
    drawing = Drawing(chosen)
    drawing.area(section(head.solid, LEVEL_MM), "hidden")
    drawing.area(held, "metal")
    for facets, outer in edges:
        drawing.lines(facets, "facet")
        drawing.lines(outer, "edge")
    if scale is None:
        low, high = points.min(axis=0), points.max(axis=0)
        west, south, east, north = (outline[i] for i in (*outline.argmin(axis=0), *outline.argmax(axis=0)))
        drawing.span(west, east, float(low[1]) - 6.0 / chosen, f"stone {head.stone.length_mm:.2f}")
        drawing.rise(south, north, float(high[0]) * chosen + 6.0, f"{head.stone.width_mm:.2f}")
        if has_claws(head):
            line = head.lines[0]
            target = line.at(level / line.axis[2])[:2]
            drawing.leader((float(target[0]), float(target[1])), (float(high[0]), float(high[1]) + 3.0 / chosen),
                           f"{len(head.lines)} claws {plan['claw_diameter']:.2f}", "end")
    return drawing.svg("The head from above"), chosen


def _held(head: Head, level: float) -> list[Floats]:
    """Loops of what holds the stones: claws and rims each at its own stone's girdle, and a surround just below its
    top."""
    centre = [loop for name, solid in head.centre.part_solids.items() if name.startswith("claw") or name == "rim"
              for loop in section(solid, level if name != "rim" else head.plan["girdle_plane"] + LEVEL_MM)]
    for side in head.sides:
        turn, shift = side.matrix[:2, :2], side.matrix[:2, 3]
        own = side.head.plan
        centre += [loop @ turn.T + shift
                   for loop in _held(side.head, min(own["girdle_plane"], own["wall_top"]) if "wall_top" in own
                                     else own["girdle_plane"])]
    if head.surround is not None:
        centre += [loop for name, solid in head.part_solids.items() if name in head.surround.bare
                   for loop in section(solid, head.surround.top_mm + (LEVEL_MM if name.startswith("bead")
                                                                      else -LEVEL_MM))]
    return centre


def _seen(stone: PlacedStone, lines: Floats) -> Floats:
    """Lines (n, 2, 2) of a stone's own drawing where it lies in the head, from above."""
    seen: Floats = lines @ stone.matrix[:2, :2].T + stone.matrix[:2, 3]
    return seen
