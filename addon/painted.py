# SPDX-License-Identifier: GPL-3.0-or-later
"""What is painted on a metal now, and views that show it. Paint goes with everything that changes the metal, because it
no longer tells the truth then; the views go back to what they showed before."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import bpy

ATTRIBUTES = {"thickness": "metal thickness", "gap": "metal gap"}
"""The colour attributes by what they show."""

PAINTED, USUAL = "VERTEX", "MATERIAL"
"""What a solid view colours things by: while metal is painted, and where it is not known what it was before."""

HANDLERS = ("undo_post", "redo_post")

_before: dict[int, str] = {}
_is_shown = False


def painted(mesh: bpy.types.Mesh) -> str:
    """What is painted on this metal: "thickness", "gap" or ""."""
    return next((quantity for quantity, name in ATTRIBUTES.items() if name in mesh.color_attributes), "")


def clear(mesh: bpy.types.Mesh) -> None:
    """Take the paint off, as everything that changes the metal must."""
    if not painted(mesh):
        return
    for name in ATTRIBUTES.values():
        attribute = mesh.color_attributes.get(name)
        if attribute is not None:
            mesh.color_attributes.remove(attribute)
    follow()


def show() -> None:
    """Let the solid 3D views colour things by their paint."""
    global _is_shown
    _is_shown = True
    for key, shading in _solid_views():
        if shading.color_type != PAINTED:
            _before[key], shading.color_type = shading.color_type, PAINTED


@bpy.app.handlers.persistent
def follow(*_: object) -> None:
    """Paint that came back is shown again, and once none is left the views show what they did before.

    What a view is coloured by is no part of undo, so it follows undo here; nothing in a datablock is touched.
    """
    global _is_shown
    is_painted = any(painted(mesh) for mesh in bpy.data.meshes)
    if is_painted and not _is_shown:
        show()
    elif _is_shown and not is_painted:
        _is_shown = False
        for key, shading in _solid_views():
            if shading.color_type == PAINTED:  # else the user chose otherwise meanwhile
                shading.color_type = _before.get(key, USUAL)
        _before.clear()


@bpy.app.handlers.persistent
def opened(*_: object) -> None:
    """A file brings its own views: they show its paint already, if it has any."""
    global _is_shown
    _before.clear()
    _is_shown = any(painted(mesh) for mesh in bpy.data.meshes)


def _solid_views() -> Iterator[tuple[int, Any]]:
    """The shading of every solid 3D view, with a number of its own."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D" and area.spaces.active.shading.type == "SOLID":
                yield area.spaces.active.as_pointer(), area.spaces.active.shading


def register() -> None:
    for name in HANDLERS:
        getattr(bpy.app.handlers, name).append(follow)
    bpy.app.handlers.load_post.append(opened)


def unregister() -> None:
    for name in HANDLERS:
        getattr(bpy.app.handlers, name).remove(follow)
    bpy.app.handlers.load_post.remove(opened)
    _before.clear()
