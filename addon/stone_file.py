# SPDX-License-Identifier: GPL-3.0-or-later
"""A mesh object as a file that a spec can name as its stone, so that a head can be made again from its spec alone."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import bpy

from ..core.errors import FileFault, GeometryError
from . import arrays as np

PACKAGE = __package__.rpartition(".")[0]


def write(source: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> str:
    """Write the object, with its modifiers and its scale, as binary STL; its path, beside the .blend if that is saved.

    Raises GeometryError for a mesh without faces, FileFault if it can't be written.
    """
    from ..core.handover.stl import stl_bytes

    data = stl_bytes(*_triangles(source, depsgraph))
    # Its digest is in the name, so that a later state of the mesh does not change the stones of heads made before.
    name = f"{re.sub(r'[^a-zA-Z0-9_-]+', '-', source.name)}-{hashlib.blake2b(data, digest_size=4).hexdigest()}.stl"
    path = f"//{name}" if bpy.data.filepath else str(Path(_own_folder()) / name)
    target = Path(bpy.path.abspath(path))
    try:
        target.write_bytes(data)
    except OSError as error:
        raise FileFault(
            target, f"it cannot be written ({error.strerror})", "save the .blend where you may write"
        ) from None
    return path


def _own_folder() -> str:
    return bpy.utils.extension_path_user(PACKAGE, path="stones", create=True)


def _triangles(source: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) in mm about the object's own origin, turned and scaled as it stands, and triangles (t, 3)."""
    evaluated = source.evaluated_get(depsgraph)
    mesh = evaluated.to_mesh()
    try:
        mesh.calc_loop_triangles()
        points, triangles = (
            np.empty(3 * len(mesh.vertices), np.float32),
            np.empty(3 * len(mesh.loop_triangles), np.int32),
        )
        mesh.vertices.foreach_get("co", points)
        mesh.loop_triangles.foreach_get("vertices", triangles)
    finally:
        evaluated.to_mesh_clear()
    if not len(triangles):
        raise GeometryError("stone", f'the object "{source.name}" has no faces', "choose a closed mesh")
    turn = np.array(source.matrix_world.to_3x3(), np.float64)
    triangles = triangles.reshape(-1, 3)
    return points.reshape(-1, 3).astype(np.float64) @ turn.T, triangles if np.linalg.det(turn) > 0.0 else triangles[
        :, ::-1
    ]
