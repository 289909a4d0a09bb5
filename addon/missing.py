# SPDX-License-Identifier: GPL-3.0-or-later
"""What the user sees when the solid kernel cannot be loaded: which wheel is missing, and how to mend it."""

from __future__ import annotations

import platform

import bpy

from . import compat

_reason = ""


class SEATWRIGHT_PT_missing(bpy.types.Panel):
    """The only panel while the kernel is missing"""

    bl_label = "Seatwright Cannot Start"
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Seatwright"

    def draw(self, context: bpy.types.Context) -> None:
        column = self.layout.column(align=True)
        column.label(text="A file of Seatwright is missing", icon="ERROR")
        for line in sentences():
            column.label(text=line)


def sentences() -> tuple[str, ...]:
    """What is wrong and how to mend it, in lines short enough for the sidebar."""
    version = compat.python_name()
    return (
        f"Python {version}, {platform.system()}",
        f"{platform.machine()} needs the wheel",
        f"manifold3d, cp{version.replace('.', '')}.",
        "Install the zip that was made",
        "for this system, or use an",
        "official Blender from 4.2 on.",
        "Blender said:",
        *(_reason[start : start + 34] for start in range(0, min(len(_reason), 170), 34)),
    )


def explain(reason: str) -> None:
    """Take what Python said about the kernel into the panel."""
    global _reason
    _reason = reason


classes = (SEATWRIGHT_PT_missing,)
