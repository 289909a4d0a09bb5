# SPDX-License-Identifier: GPL-3.0-or-later
"""The mark in the 3D view on the finding that was clicked, with what was measured and the limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import bpy
from bpy_extras.view3d_utils import location_3d_to_region_2d
from mathutils import Color, Vector

from . import live
from .properties import is_head

if TYPE_CHECKING:
    from ..core.proof import Finding

RADIUS_PX, LINE_PX, TEXT_PX, GAP_PX, STEPS = 16.0, 2.0, 14.0, 8.0, 32
LEGEND_PX = 60.0
"""How far from the view's left and lower edge the legend stands, clear of Blender's own tools."""

COLOURS = {"sound": (0.55, 0.85, 0.55, 1.0), "watch": (1.0, 0.8, 0.3, 1.0), "unsafe": (1.0, 0.42, 0.36, 1.0)}
UNITS = {
    "mm": " mm",
    "deg": "°",
    "ct": " ct",
    "1": "",
    "count": "",
    "mm2": " mm²",
    "mm3": " mm³",
    "g": " g",
    "N": " N",
    "MPa": " MPa",
    "HV": " HV",
}


@dataclass(frozen=True)
class Shown:
    """Which finding is marked: the metal's name and the finding's code, place and all, so that it outlives an undo."""

    metal: str
    index: int
    code: str


_shown: Shown | None = None
_handle: Any = None


def show(metal: bpy.types.Object, index: int, finding: Finding) -> None:
    """Mark one finding of a head, in place of the one marked before."""
    global _shown
    _shown = Shown(metal.name, index, finding.code)
    live.redraw()


def hide() -> None:
    """Take the mark away."""
    global _shown
    _shown = None
    live.redraw()


def shown_index(metal: bpy.types.Object) -> int | None:
    """Which finding of this head is marked."""
    return _shown.index if _shown is not None and _shown.metal == metal.name else None


def figure(value: float, unit: str) -> str:
    """A value with its unit: "0.62 mm"."""
    number = f"{value:.2f}".rstrip("0").rstrip(".") if abs(value) >= 0.1 else f"{value:.2g}"
    return number + UNITS.get(unit, f" {unit}")


def label_of(finding: Finding) -> str:
    """What is written beside the mark."""
    if finding.measured is None:
        return "" if finding.is_caution else "not measured"
    if finding.limit is None:
        return figure(finding.measured, finding.unit)
    return f"{figure(finding.measured, finding.unit)}, limit {figure(finding.limit, finding.unit)}"


def _marked() -> tuple[bpy.types.Object, Finding] | None:
    """The head and its marked finding, as long as the proof still has it."""
    if _shown is None:
        return None
    metal = bpy.data.objects.get(_shown.metal)
    findings = live.known(metal) if metal is not None and is_head(metal.data) else None
    if findings is None or isinstance(findings, str):
        return None
    same = [each for each in findings if each.code == _shown.code and each.place is not None]
    if not same:
        return None
    at_index = findings[_shown.index] if _shown.index < len(findings) else None
    return metal, at_index if at_index in same else same[0]


def _draw() -> None:
    _draw_legend()
    marked = _marked()
    region, view = bpy.context.region, bpy.context.region_data
    if marked is None or view is None:
        return
    metal, finding = marked
    point = location_3d_to_region_2d(region, view, metal.matrix_world @ Vector(finding.place))
    if point is not None:
        scale = bpy.context.preferences.system.ui_scale
        _draw_ring(point, scale, COLOURS[finding.verdict])
        _draw_label(point, scale, (finding.what, label_of(finding)), COLOURS[finding.verdict])


def _draw_legend() -> None:
    """What the colours painted on the chosen metal stand for, where the view shows them."""
    from . import painted, paint, rebuild

    metal = rebuild.metal_near(bpy.context.view_layer.objects.active)
    quantity = painted.painted(metal.data) if metal is not None else ""
    shading = bpy.context.space_data.shading
    if not quantity or shading.type != "SOLID" or shading.color_type != "VERTEX":
        return
    scale = bpy.context.preferences.system.ui_scale
    head = live.head_at_hand(metal.data)
    if head is None:
        return
    rows = paint.legend(head, quantity)
    left, size = scale * LEGEND_PX, scale * TEXT_PX
    for row, (colour, text) in enumerate(reversed(rows)):
        bottom = left + row * 1.6 * size
        _draw_patch(left, bottom, size, colour)
        _draw_words(left + 1.6 * size, bottom + 0.1 * size, text, (1.0, 1.0, 1.0, 1.0))
    _draw_words(left, left + len(rows) * 1.6 * size, paint.title(metal, quantity), (1.0, 1.0, 1.0, 1.0))


def _draw_patch(left: float, bottom: float, size: float, colour: tuple[float, ...]) -> None:
    import gpu
    from gpu_extras.batch import batch_for_shader

    corners = [(left + x * size, bottom + y * size, 0.0) for x, y in ((0, 0), (1, 0), (1, 1), (0, 1))]
    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    batch = batch_for_shader(shader, "TRIS", {"pos": corners}, indices=((0, 1, 2), (0, 2, 3)))
    shader.uniform_float("color", (*Color(colour[:3]).from_scene_linear_to_srgb(), 1.0))
    batch.draw(shader)


def _draw_words(left: float, bottom: float, text: str, colour: tuple[float, ...]) -> None:
    import blf

    blf.size(0, TEXT_PX * bpy.context.preferences.system.ui_scale)
    blf.enable(0, blf.SHADOW)
    blf.shadow(0, 5, 0.0, 0.0, 0.0, 0.9)
    blf.color(0, *colour)
    blf.position(0, left, bottom, 0.0)
    blf.draw(0, text)
    blf.disable(0, blf.SHADOW)


def _draw_ring(point: Vector, scale: float, colour: tuple[float, ...]) -> None:
    import gpu  # only here: without a window there are no shaders
    from gpu_extras.batch import batch_for_shader

    turn = [2.0 * math.pi * step / STEPS for step in range(STEPS + 1)]
    ring = [(point.x + scale * RADIUS_PX * math.cos(a), point.y + scale * RADIUS_PX * math.sin(a), 0.0) for a in turn]
    shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
    batch = batch_for_shader(shader, "LINE_STRIP", {"pos": ring})
    gpu.state.blend_set("ALPHA")
    shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
    shader.uniform_float("lineWidth", LINE_PX * scale)
    shader.uniform_float("color", colour)
    batch.draw(shader)
    gpu.state.blend_set("NONE")


def _draw_label(point: Vector, scale: float, lines: tuple[str, ...], colour: tuple[float, ...]) -> None:
    import blf

    blf.size(0, TEXT_PX * scale)
    widest = max(blf.dimensions(0, line)[0] for line in lines)
    left = point.x + scale * (RADIUS_PX + GAP_PX)
    if left + widest > _right_edge():
        left = max(scale * GAP_PX, point.x - scale * (RADIUS_PX + GAP_PX) - widest)
    for row, line in enumerate(lines):
        _draw_words(left, point.y + scale * (4.0 - 1.4 * TEXT_PX * row), line, colour if row else (1.0, 1.0, 1.0, 1.0))


def _right_edge() -> float:
    """Where the 3D view ends or the sidebar begins to cover it, in pixels from the view's left."""
    region = bpy.context.region
    starts = [each.x - region.x for each in bpy.context.area.regions if each.type == "UI" and each.width > 1]
    return float(min([region.width, *(start for start in starts if start > region.width / 2)]))  # it may stand left too


def register() -> None:
    global _handle
    _handle = bpy.types.SpaceView3D.draw_handler_add(_draw, (), "WINDOW", "POST_PIXEL")


def unregister() -> None:
    global _handle, _shown
    bpy.types.SpaceView3D.draw_handler_remove(_handle, "WINDOW")
    _handle = _shown = None
