"""Skins over rows of points: the quads of walls, rails and claws."""
from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from ..mesh import Floats, Ints, PolyMesh
from ..stone.outline import Outline
from ..tolerance import WELD_MM

SAME_MM = 2.0 * WELD_MM
"""Points of a loop that are nearer are made one, because a reader that welds points would pinch the shell there."""


def honest_radius_mm(radius_mm: float, count: int) -> float:
    """Circumradius of the regular polygon of `count` sides with the same area as the circle, mm.

    Keeps the weight of a round part right whatever the chord error (geometry).
    """
    step = 2.0 * math.pi / count
    return radius_mm * math.sqrt(step / math.sin(step))


def circle_count(radius_mm: float, chord_mm: float, multiple: int = 4) -> int:
    """Segments of a circle for a chord error, at least 12 and a multiple of `multiple` (geometry)."""
    ratio = min(max(chord_mm / radius_mm, 1e-6), 0.03)
    return max(12, multiple * math.ceil(math.pi / math.acos(1.0 - ratio) / multiple))


def closed_band(rows: list[Floats], part: str) -> PolyMesh:
    """A ring-shaped shell: each of the rows (n, 3) is a closed loop, the last row joins the first.

    Rows run so that the loops turn counter-clockwise seen from the end of the axis and the profile
    that crosses them turns counter-clockwise in (outwards, up).
    """
    return shell(np.concatenate(rows), band_corners(len(rows), len(rows[0])), part, same_points(np.array(rows)))


def parallel_band(outline: Outline, insets_mm: Floats, heights_mm: Floats, counts: Sequence[int], part: str) -> PolyMesh:
    """A ring-shaped shell whose section runs through (k,) insets and heights: each is a parallel of the outline.

    The section is square to the outline everywhere, its corners are mitred; it runs as `closed_band` asks.
    """
    loops = outline.loops(insets_mm, counts)
    levels = np.broadcast_to(heights_mm[:, None, None], (*loops.shape[:2], 1))
    return closed_band(list(np.concatenate([loops, levels], axis=2)), part)


def rod(rows: list[Floats], part: str) -> PolyMesh:
    """A shell along rows (n, 3) of equal even n, closed at both ends by strips of quads."""
    return shell(np.concatenate(rows), _rod_corners(len(rows), len(rows[0])), part)


# Many parts, and the same part at every tick of a slider, differ in their points only.
@lru_cache(maxsize=128)
def band_corners(count: int, around: int) -> Ints:
    """The corners of `closed_band`, one quad after the other, row by row."""
    index = np.arange(count * around).reshape(count, around)
    return _fixed(_sides(index, np.roll(index, -1, axis=0)))


@lru_cache(maxsize=128)
def _rod_corners(count: int, around: int) -> Ints:
    index = np.arange(count * around).reshape(count, around)
    return _fixed(np.concatenate([_sides(index[:-1], index[1:]), _cap(index[0])[:, ::-1], _cap(index[-1])]))


def _sides(lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Quads (q, 4) between loops and the loops above them."""
    return np.stack([lower, np.roll(lower, -1, axis=1), np.roll(upper, -1, axis=1), upper], axis=-1).reshape(-1, 4)


def _cap(ring: np.ndarray) -> np.ndarray:
    """Quads (n/2 - 1, 4) across a ring of even length, facing along the ring's axis."""
    low = np.arange(len(ring) // 2 - 1)
    return np.column_stack([ring[low], ring[low + 1], ring[-low - 2], ring[-low - 1]])


def _fixed(quads: np.ndarray) -> Ints:
    """The corners one face after the other, safe to share between meshes."""
    corners: Ints = quads.ravel().astype(np.int32)
    corners.setflags(write=False)
    return corners


def same_points(loops: Floats) -> Ints | None:
    """(r·n,) for each point of closed loops (r, n, 3) the first of its run of equal points; None if no point repeats.

    Points repeat where a parallel has swallowed a piece of the outline.
    """
    way = loops - np.roll(loops, 1, axis=1)
    repeats = np.einsum("ijk,ijk->ij", way, way) < SAME_MM ** 2
    if not repeats.any():
        return None
    n = loops.shape[1]
    first = np.maximum.accumulate(np.where(repeats, -1, np.arange(n)), axis=1)
    first = np.where(first < 0, first[:, -1:], first)
    same: Ints = (first + n * np.arange(len(loops))[:, None]).ravel().astype(np.int32)
    return same


def shell(vertices: Floats, corners: Ints, part: str, same: Ints | None = None) -> PolyMesh:
    """A mesh of quads from (n, 3) vertices, mm, and their corners one quad after the other.

    same (n,): the vertex that each vertex stands for; faces without width are left out, and those with one side of no
    length become triangles.
    """
    if same is not None:
        return _pinched(vertices, same[corners].reshape(-1, 4), part)
    faces = len(corners) // 4
    return PolyMesh(vertices, corners, np.arange(0, 4 * faces + 1, 4, dtype=np.int32),
                    np.zeros(faces, np.int32), (part,))


def _pinched(vertices: Floats, quads: Ints, part: str) -> PolyMesh:
    is_new = quads != np.roll(quads, 1, axis=1)
    sizes = is_new.sum(axis=1)
    faces = sizes >= 3
    corners = quads[faces][is_new[faces]]
    used, corners = np.unique(corners, return_inverse=True)
    starts = np.concatenate([[0], np.cumsum(sizes[faces])]).astype(np.int32)
    return PolyMesh(vertices[used], corners.reshape(-1).astype(np.int32), starts,
                    np.zeros(len(starts) - 1, np.int32), (part,))
