# SPDX-License-Identifier: GPL-3.0-or-later
"""Blender's layer: a spec as properties of a mesh, the head's parts in that mesh, its proof beside it.

properties   the choices of a spec as properties of the metal's mesh
rebuild      properties to spec to mesh, in the same datablock
materials    what metal and stone look like
edited       a head whose metal was edited by hand or by modifiers
house        the workshop's own rules, from the preferences
job          long work of an operator, with its share shown and stopped by Escape
painted      what is painted on a metal now, and the views that show it
paint        thickness and gaps painted on the metal's faces
stone_file   a mesh object written as a file that a spec can name as its stone
live         heads and findings that were computed, and the timer that proves when the slider rests
preview      the small drawing of the stone
remedies     what to change to make findings sound
overlay      the mark on the finding that was clicked
operators    what the buttons do
panels       what the sidebar shows
compat       what differs between Blender's versions
missing      the panel shown when the solid kernel cannot be loaded
arrays       numpy, loaded when it is first used
"""

from __future__ import annotations

import gc
import importlib
from types import ModuleType

import bpy

NAMES = ("house", "properties", "live", "preview", "painted", "overlay", "operators", "paint", "remedies", "panels")
"""The modules that have something to register: in this order, and in reverse to unregister.

Each lists its `classes`, and has `register` and `unregister` if there is more to do.
"""

KERNEL = "manifold3d"
"""The one compiled part, and so the one that can be missing or made for another Python."""

_registered: list[ModuleType] = []


def register() -> None:
    # The imports make thousands of objects, and the collector would look through all of Blender's for them.
    is_enabled = gc.isenabled()
    gc.disable()
    try:
        for name in _names():
            _register(importlib.import_module(f".{name}", __package__))
    finally:
        if is_enabled:
            gc.enable()


def _names() -> tuple[str, ...]:
    try:
        importlib.import_module(KERNEL)
    except ImportError as error:
        from . import missing

        missing.explain(str(error))
        return ("missing",)
    return NAMES


def _register(module: ModuleType) -> None:
    """A module's classes first, then what else it wants to be told of."""
    for each in getattr(module, "classes", ()):
        bpy.utils.register_class(each)
    if hasattr(module, "register"):
        module.register()
    _registered.append(module)


def unregister() -> None:
    while _registered:
        module = _registered.pop()
        if hasattr(module, "unregister"):
            module.unregister()
        for each in reversed(getattr(module, "classes", ())):
            bpy.utils.unregister_class(each)
