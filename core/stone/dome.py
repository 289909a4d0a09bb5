"""Stones with a flat base: cabochons and the rose cut."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats, Ints, PolyMesh
from .facets import UP, Planes, gathered, raised, through, upright
from .step import Row

ROSE_RING, ROSE_HEIGHT = 0.60, 0.70
"""Where the six stars of a rose cut end: share of the radius and of the crown's height. From memory."""

LOAF_DEG = 60.0
"""The part of a quarter circle that a sugarloaf's sides follow up to its point. From memory."""


def rose_planes(radius_mm: float, crown_mm: float, girdle_mm: float, edge: Floats) -> Planes:
    """A full Dutch rose: 6 stars about the point, 6 facets under them, 12 at the girdle; base and girdle."""
    angle = np.arange(12) * (math.pi / 6.0)
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    rim = raised(radius_mm * ring, girdle_mm)
    inner = raised(ROSE_RING * radius_mm * ring[::2], girdle_mm + ROSE_HEIGHT * crown_mm)
    point = np.array([0.0, 0.0, girdle_mm + crown_mm])
    middle = np.array([0.0, 0.0, 0.5 * girdle_mm])
    after, tooth = np.roll(inner, -1, axis=0), rim[1::2]
    left = through(inner, rim[::2], tooth, middle)
    right = through(after, np.roll(rim[::2], -1, axis=0), tooth, middle)
    return gathered([
        ("star", through(inner, after, np.broadcast_to(point, inner.shape), middle), inner),
        ("rose", through(inner, after, tooth, middle), tooth),
        ("rose", left, tooth), ("rose", right, tooth),
        ("girdle", *upright(edge)),
        ("base", -UP, np.zeros((1, 3))),
    ])


def dome_mesh(edge: Floats, crown_mm: float, girdle_mm: float, levels: int) -> PolyMesh:
    """Half an ellipsoid over a polygon `edge` (n, 2) mm, on an upright girdle and a flat base at z = 0.

    Rings of the same polygon, ever smaller, so that all faces are flat.
    """
    n = len(edge)
    angle = np.arange(levels) * (0.5 * math.pi / levels)
    rings = [raised(edge, 0.0)] + [raised(math.cos(a) * edge, girdle_mm + math.sin(a) * crown_mm) for a in angle]
    if girdle_mm == 0.0:
        rings = rings[1:]
    vertices = np.concatenate([*rings, [[0.0, 0.0, girdle_mm + crown_mm]]])
    i = np.arange(n)
    j = (i + 1) % n
    quads = [np.column_stack([i, j, j + n, i + n]) + k * n for k in range(len(rings) - 1)]
    last = (len(rings) - 1) * n
    cap = np.column_stack([i + last, j + last, np.full(n, len(vertices) - 1)])
    corners = np.concatenate([np.arange(n)[::-1], *(q.ravel() for q in quads), cap.ravel()]).astype(np.int32)
    sizes = np.concatenate([[n], np.full(n * len(quads), 4), np.full(n, 3)])
    tags: Ints = np.full(len(sizes), 2, np.int32)
    tags[0] = 0
    if girdle_mm > 0.0:
        tags[1:n + 1] = 1
    return PolyMesh(vertices, corners, np.concatenate([[0], np.cumsum(sizes)]).astype(np.int32), tags,
                    ("base", "girdle", "dome"))


def dome_levels(radius_mm: float, chord_mm: float) -> int:
    """Rings of a dome that keep the chord error."""
    return max(4, math.ceil(math.pi / (4.0 * math.acos(max(1.0 - chord_mm / radius_mm, 0.0)))))


def planes_of(mesh: PolyMesh) -> Planes:
    """The planes of a convex mesh's faces."""
    normals = mesh.face_normals()
    points = mesh.vertices[mesh.corners[mesh.starts[:-1]]]
    return Planes(normals, np.einsum("ij,ij->i", normals, points), mesh.tags, mesh.tag_names)


def loaf_rows(levels: int) -> tuple[Row, ...]:
    """Ends of a sugarloaf's rows: along a circle's arc that starts upright and ends in a point."""
    angle = np.radians(np.arange(1, levels + 1) * (LOAF_DEG / levels))
    end = math.radians(LOAF_DEG)
    return tuple((float((1.0 - math.cos(a)) / (1.0 - math.cos(end))), float(math.sin(a) / math.sin(end)))
                 for a in angle)
