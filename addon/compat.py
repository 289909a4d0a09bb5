# SPDX-License-Identifier: GPL-3.0-or-later
"""Every difference between the Blenders from 4.2 on; the rest of the layer asks no version."""

from __future__ import annotations

import bpy

PRINCIPLED = "BSDF_PRINCIPLED"


def principled(material: bpy.types.Material) -> bpy.types.ShaderNode | None:
    """The material's Principled shader; None if somebody took it out."""
    if bpy.app.version < (5, 0, 0):  # from 5.0 on nodes are always there, and saying so warns
        material.use_nodes = True
    return next((node for node in material.node_tree.nodes if node.type == PRINCIPLED), None)


def set_inputs(shader: bpy.types.ShaderNode, **values: object) -> None:
    """Set a shader's inputs by name, "_" for a space; what this shader lacks is left out.

    Dispersion is there from 5.3 on.
    """
    for key, value in values.items():
        socket = shader.inputs.get(key.replace("_", " "))
        if socket is not None:
            socket.default_value = value


def refract_in_viewport(material: bpy.types.Material) -> None:
    """Let a clear stone show what is behind it in Blender's real-time renderer."""
    if hasattr(material, "use_raytrace_refraction"):
        material.use_raytrace_refraction = True


def python_name() -> str:
    """The Python that this Blender runs, as the wheels' names write it: "3.11"."""
    import sys

    return f"{sys.version_info.major}.{sys.version_info.minor}"


def path_options() -> set[str]:
    """Options of a path that may start with "//"; later Blenders warn where they don't say so."""
    return {"PATH_SUPPORTS_BLEND_RELATIVE"} if bpy.app.version >= (4, 5, 0) else set()
