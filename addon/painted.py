# SPDX-License-Identifier: GPL-3.0-or-later
"""What is painted on a metal now. Paint goes with everything that changes the metal, because it no longer tells the
truth then."""

from __future__ import annotations

import bpy

ATTRIBUTES = {"thickness": "metal thickness", "gap": "metal gap"}
"""The colour attributes by what they show."""


def painted(mesh: bpy.types.Mesh) -> str:
    """What is painted on this metal: "thickness", "gap" or ""."""
    return next((quantity for quantity, name in ATTRIBUTES.items() if name in mesh.color_attributes), "")


def clear(mesh: bpy.types.Mesh) -> None:
    """Take the paint off, as everything that changes the metal must."""
    for name in ATTRIBUTES.values():
        attribute = mesh.color_attributes.get(name)
        if attribute is not None:
            mesh.color_attributes.remove(attribute)
