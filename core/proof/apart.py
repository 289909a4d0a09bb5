"""How far triangles are apart, exactly."""
from __future__ import annotations

import numpy as np

from ..mesh import Floats, Ints, cross
from ..solid.slicer import runs_of

NO_LENGTH = 1e-15
"""Squared mm: less has no direction. Larger: slivers count as points."""


def near_pairs(ones: Floats, others: Floats, reach_mm: float) -> tuple[Ints, Ints]:
    """Which of triangles (n, 3, 3) have boxes nearer than this to which of (m, 3, 3): indices (p,) of both."""
    low, high = ones.min(axis=1) - reach_mm, ones.max(axis=1) + reach_mm
    other_low, other_high = others.min(axis=1), others.max(axis=1)
    mine = np.flatnonzero(((low < other_high.max(axis=0)) & (high > other_low.min(axis=0))).all(axis=1))
    theirs = np.flatnonzero(((other_low < high.max(axis=0)) & (other_high > low.min(axis=0))).all(axis=1))
    order = theirs[np.argsort(other_low[theirs, 0])]
    begins, widest = other_low[order, 0], float((other_high - other_low)[order, 0].max(initial=0.0))
    first, last = np.searchsorted(begins, low[mine, 0] - widest), np.searchsorted(begins, high[mine, 0], side="right")
    counts = last - first
    i = np.repeat(mine, counts)
    j = order[runs_of(first, counts)]
    near = ((low[i] < other_high[j]) & (high[i] > other_low[j])).all(axis=1)
    return i[near].astype(np.int32), j[near].astype(np.int32)


def nearest_of_triangles(ones: Floats, others: Floats) -> tuple[Floats, Floats, Floats]:
    """Of pairs of triangles, (p, 3, 3) each, that do not cut each other: (p,) how far apart they are, mm, and the
    nearest place (p, 3) of each. They are nearest at two edges, or at a corner of one over the face of the other."""
    found = [_of_edges(ones, others)]
    for corners, faces, is_first in ((ones, others, True), (others, ones, False)):
        distances, points, below = _of_faces(corners, faces)
        found.append((distances, points, below) if is_first else (distances, below, points))
    distances = np.stack([each[0] for each in found])
    k, row = np.argmin(distances, axis=0), np.arange(distances.shape[1])
    starts, ends = (np.stack([each[side] for each in found])[k, row] for side in (1, 2))
    return distances[k, row], starts, ends


def _of_edges(ones: Floats, others: Floats) -> tuple[Floats, Floats, Floats]:
    """The nearest of the nine pairs of edges."""
    a, b = np.repeat(ones, 3, axis=1), np.tile(others, (1, 3, 1))
    along = np.repeat(np.roll(ones, -1, axis=1), 3, axis=1) - a
    across = np.tile(np.roll(others, -1, axis=1), (1, 3, 1)) - b
    off = a - b

    def dot(first: Floats, second: Floats) -> Floats:
        product: Floats = np.einsum("pij,pij->pi", first, second)
        return product

    long, wide, both = (np.maximum(dot(along, along), NO_LENGTH), np.maximum(dot(across, across), NO_LENGTH),
                        dot(along, across))
    from_a, from_b = dot(along, off), dot(across, off)
    turn = long * wide - both * both
    # Parallel ones are as near anywhere, so that any start will do.
    share = (both * from_b - from_a * wide) / np.maximum(turn, NO_LENGTH)
    share = np.clip(np.where(turn > NO_LENGTH, share, 0.0), 0.0, 1.0)
    other = np.clip((both * share + from_b) / wide, 0.0, 1.0)
    share = np.clip((both * other - from_a) / long, 0.0, 1.0)
    points, ends = a + share[..., None] * along, b + other[..., None] * across
    distances = np.linalg.norm(points - ends, axis=2)
    k, row = np.argmin(distances, axis=1), np.arange(len(ones))
    return distances[row, k], points[row, k], ends[row, k]


def _of_faces(corners: Floats, faces: Floats) -> tuple[Floats, Floats, Floats]:
    """The nearest of three corners (p, 3, 3) to what of a face lies square under them; endless where none does."""
    sides = np.roll(faces, -1, axis=1) - faces
    normals = cross(sides[:, 0], sides[:, 1])
    sizes = np.linalg.norm(normals, axis=1)
    normals /= np.maximum(sizes, NO_LENGTH)[:, None]
    away = np.einsum("pij,pj->pi", corners - faces[:, :1], normals)
    below = corners - away[..., None] * normals[:, None]
    # Inside all three sides: each turns left to it.
    inwards = np.stack([cross(normals, sides[:, k]) for k in range(3)], axis=1)
    is_over = (np.einsum("pkj,pikj->pik", inwards, below[:, :, None] - faces[:, None]) >= 0.0).all(axis=2)
    distances = np.where(is_over & (sizes > NO_LENGTH)[:, None], np.abs(away), np.inf)
    k, row = np.argmin(distances, axis=1), np.arange(len(corners))
    return distances[row, k], corners[row, k], below[row, k]
