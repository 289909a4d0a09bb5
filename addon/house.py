# SPDX-License-Identifier: GPL-3.0-or-later
"""The workshop's own house rules: a file named in the extension's preferences, laid over the shipped ones."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import bpy

from . import compat

if TYPE_CHECKING:
    from ..core.trade.house_rules import HouseRules

PACKAGE = __package__.rpartition(".")[0]

_read: tuple[str, HouseRules] | None = None


class SEATWRIGHT_AP_preferences(bpy.types.AddonPreferences):
    """What holds for every head, in whatever file"""

    bl_idname = PACKAGE

    def _changed(self, context: bpy.types.Context) -> None:
        from . import live

        live.forget()
        live.request()

    rules: bpy.props.StringProperty(  # type: ignore[valid-type]
        name="House Rules",
        subtype="FILE_PATH",
        options=compat.path_options(),
        update=_changed,
        description="A TOML file with the limits of your own workshop, laid over the shipped ones; empty takes those alone. "
        "A head follows it with its next change",
    )

    def draw(self, context: bpy.types.Context) -> None:
        from ..core.errors import SeatwrightError
        from .properties import sentence

        self.layout.prop(self, "rules")
        try:
            rules()
        except SeatwrightError as error:
            for line in sentence(error).splitlines():
                self.layout.label(text=line, icon="ERROR")


def path() -> str:
    """The file that is chosen, absolute; "" for none."""
    addon = bpy.context.preferences.addons.get(PACKAGE)
    chosen = addon.preferences.rules if addon is not None and addon.preferences is not None else ""
    return bpy.path.abspath(chosen) if chosen else ""


def key() -> str:
    """What names the rules as they are now: the file, its age and its size; "" for the shipped ones."""
    file = path()
    if not file:
        return ""
    try:
        state = os.stat(file)
    except OSError:
        return file
    return f"{file} {state.st_mtime_ns} {state.st_size}"


def rules() -> HouseRules:
    """The rules as they are now. Raises FileFault or SpecError for a file that is none."""
    global _read
    from ..core.trade.house_rules import house_rules

    now = key()
    if _read is None or _read[0] != now:
        _read = now, house_rules(path() or None)
    return _read[1]


classes = (SEATWRIGHT_AP_preferences,)


def unregister() -> None:
    global _read
    _read = None
