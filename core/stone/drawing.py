"""Line drawings of a stone seen from above, for previews and sheets."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints, PolyMesh
from .facets import LEVEL
from .stone import Stone

SMOOTH_COS = 0.94
"""Faces of a dome that turn by less than this cosine (20 deg) are one smooth surface. Larger: a sugarloaf loses its
ridges."""


@dataclass(frozen=True, eq=False)
class Drawing:
    """Line segments seen from above, mm: facet edges (n, 2, 2) and the outline (m, 2, 2)."""

    edges: Floats
    outline: Floats


def crown_view(stone: Stone) -> Drawing:
    """The stone from above: the edges between its crown's facets, and its outline."""
    mesh = stone.mesh
    first, second, one, other = _edges(mesh)
    normals = mesh.face_normals()
    looks_up = normals[:, 2] > LEVEL
    is_dome = np.isin(mesh.tags, [i for i, name in enumerate(mesh.tag_names) if name == "dome"])
    is_smooth = is_dome[one] & is_dome[other] & (np.einsum("ij,ij->i", normals[one], normals[other]) > SMOOTH_COS)
    points = mesh.vertices[:, :2]
    lines = np.stack([points[first], points[second]], axis=1)
    return Drawing(lines[looks_up[one] & looks_up[other] & ~is_smooth], lines[looks_up[one] != looks_up[other]])


def _edges(mesh: PolyMesh) -> tuple[Ints, Ints, Ints, Ints]:
    """Each edge once: its two vertices, the face that runs along it and the face that runs back, all (e,)."""
    start, end = mesh.corners, mesh.corners_after()
    owner = np.repeat(np.arange(len(mesh), dtype=np.int32), mesh.sizes)
    there, back = np.lexsort([end, start]), np.lexsort([start, end])
    once = start[there] < end[there]
    return start[there][once], end[there][once], owner[there][once], owner[back][once]
