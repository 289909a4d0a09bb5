# SPDX-License-Identifier: GPL-3.0-or-later
"""Thickness of the metal, and width of the gaps, painted on its faces as a colour attribute with a legend.

Red and amber are what breaks a limit of the proof; blue is sound, the deeper the more. The attribute goes with the
next rebuild, because it no longer tells the truth then.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import bpy

from ..core.errors import SeatwrightError
from ..core.trade.house_rules import house_rules
from . import arrays as np
from . import live
from .job import Job, Work
from .operators import OnHead, metal_of
from .painted import ATTRIBUTES, clear, show
from .properties import sentence

if TYPE_CHECKING:
    from ..core.head import Head

UNSAFE, WATCH = (0.70, 0.09, 0.06), (0.92, 0.55, 0.08)
SOUND, DEEP = (0.55, 0.75, 0.92), (0.04, 0.13, 0.42)
HIDDEN = (0.30, 0.30, 0.30)
"""Linear colours: below the limits, at and far above them, and where a face lies inside other metal."""

DEEP_AT = 3.0
"""From how many times the larger limit on the blue gets no deeper."""

REACH_MM = 6.0
"""Balls larger than this are not looked for. Larger: more time for what is far from any limit."""

INSIDE_MM = 1e-3
"""How far over a face metal must begin for the face to count as hidden. Larger: narrow gaps look solid."""


@dataclass(frozen=True)
class Scale:
    """The limits that the colours stand for, mm: below `unsafe`, below `watch`; 0 where there is no such limit."""

    unsafe: float
    watch: float

    @property
    def deep(self) -> float:
        return DEEP_AT * max(self.unsafe, self.watch)

    def colours(self, values: np.ndarray) -> np.ndarray:
        """(n, 4) float for (n,) mm; nan is hidden."""
        share = np.clip((values - max(self.unsafe, self.watch)) / (self.deep / DEEP_AT * (DEEP_AT - 1.0)), 0.0, 1.0)
        colours = np.outer(1.0 - share, SOUND) + np.outer(share, DEEP)
        colours[values < self.watch] = WATCH
        colours[values < self.unsafe] = UNSAFE
        colours[np.isnan(values)] = HIDDEN
        return np.column_stack([colours, np.ones(len(values))]).astype(np.float32)


def scale_of(head: Head, quantity: str) -> Scale:
    """The limits of the proof for this head's alloy and process."""
    rules = head.rules or house_rules()
    metal = rules.for_alloy(head.alloy)
    if quantity == "gap":
        return Scale(0.0, rules.of_process(head.process, "gap_least_mm").value)
    return Scale(max(rules.of_process(head.process, "section_least_mm").value, metal.least_cast_mm), metal.least_model_mm)


TITLES = {"thickness": "Thickness of the metal", "gap": "Gap to the metal across"}

MEASURED_KEY = "seatwright_painted"
"""Custom property of a painted mesh: the digest of the metal that was measured."""


def title(metal: bpy.types.Object, quantity: str) -> str:
    """What the legend is headed by; it says so where the metal was edited since it was measured."""
    is_as_measured = metal.data.get(MEASURED_KEY) == live.digest_of(metal, exactly=False)
    return TITLES[quantity] if is_as_measured else f"{TITLES[quantity]} before it was edited"


def legend(head: Head, quantity: str) -> list[tuple[tuple[float, ...], str]]:
    """Colours, linear, and what they stand for, from the worst to the best."""
    scale = scale_of(head, quantity)
    rows: list[tuple[tuple[float, ...], str]] = []
    if scale.unsafe > 0.0:
        rows.append((UNSAFE, f"under {scale.unsafe:.2f} mm: unsafe"))
    if scale.watch > scale.unsafe:
        rows.append((WATCH, f"under {scale.watch:.2f} mm: watch"))
    return [*rows, (SOUND, f"from {max(scale.unsafe, scale.watch):.2f} mm: sound"), (DEEP, f"{scale.deep:.2f} mm and more"),
            (HIDDEN, "inside other metal")]


def _faces(mesh: bpy.types.Mesh) -> tuple[np.ndarray, np.ndarray]:
    """Middles and normals of the faces, each (f, 3)."""
    middles, normals = np.empty(3 * len(mesh.polygons), np.float32), np.empty(3 * len(mesh.polygons), np.float32)
    mesh.polygons.foreach_get("center", middles)
    mesh.polygons.foreach_get("normal", normals)
    return middles.reshape(-1, 3).astype(np.float64), normals.reshape(-1, 3).astype(np.float64)


class SEATWRIGHT_OT_paint(OnHead, Job, bpy.types.Operator):
    """Paint how thick the metal is, or how wide its gaps are, on its faces, with the limits of the proof as colours"""

    bl_idname = "seatwright.paint"
    bl_label = "Paint the Metal"
    bl_options = {"REGISTER", "UNDO"}
    doing = "Measuring"

    quantity: bpy.props.EnumProperty(  # type: ignore[valid-type]
        name="Quantity",
        items=(
            ("thickness", "Thickness", "The largest ball that fits into the metal behind each place"),
            ("gap", "Gaps", "The largest ball that fits between each place and the metal across from it"),
        ),
        description="What is measured and painted",
    )

    def prepare(self, context: bpy.types.Context) -> Work | None:
        from ..core.proof.thickness import gap_at, thickness_at
        from ..core.solid.kernel import contains
        from . import edited

        metal = metal_of(context)
        if metal.mode != "OBJECT":
            self.report({"ERROR"}, "The metal is being edited; leave this mode first")
            return None
        if edited.mesh_there(metal) != metal.data:
            self.report({"ERROR"}, "Modifiers change this metal, and its own faces are not what is seen; apply them first")
            return None
        try:
            solid = live.head_there(metal).solid
        except SeatwrightError as error:
            self.report({"ERROR"}, sentence(error))
            return None
        self.start(metal)
        middles, normals = _faces(metal.data)
        measure = thickness_at if self.quantity == "thickness" else gap_at

        def work(progress: Any) -> np.ndarray:
            values = measure(solid, middles, normals, REACH_MM, progress)
            values[contains(solid, middles + INSIDE_MM * normals)] = np.nan
            return values

        return work

    def finish(self, context: bpy.types.Context, values: np.ndarray) -> set[str]:
        metal = self.started()
        if metal is None:
            return {"CANCELLED"}
        mesh = metal.data
        clear(mesh)
        colours = scale_of(live.head_of(mesh), self.quantity).colours(values)
        sizes = np.empty(len(mesh.polygons), np.int32)
        mesh.polygons.foreach_get("loop_total", sizes)
        attribute = mesh.color_attributes.new(ATTRIBUTES[self.quantity], "FLOAT_COLOR", "CORNER")
        attribute.data.foreach_set("color", np.repeat(colours, sizes, axis=0).ravel())
        mesh.color_attributes.active_color = attribute
        mesh[MEASURED_KEY] = live.digest_of(metal)
        show()
        seen = values[np.isfinite(values) & (values < REACH_MM)]
        least = f"least {seen.min():.2f} mm" if len(seen) else f"nothing below {REACH_MM:g} mm"
        self.report({"INFO"}, f"{self.quantity.capitalize()} painted: {least}")
        return {"FINISHED"}


class SEATWRIGHT_OT_paint_clear(OnHead, bpy.types.Operator):
    """Take the painted measures off the metal and show its material again"""

    bl_idname = "seatwright.paint_clear"
    bl_label = "Show the Material"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        clear(metal_of(context).data)
        return {"FINISHED"}


classes = (SEATWRIGHT_OT_paint, SEATWRIGHT_OT_paint_clear)
