"""The side of a stone above its girdle: whether it is a dome, up to where it stands upright, how far in the table begins."""
from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..mesh import Floats
from .facets import LEVEL
from .stone import Stone

FOOT = 0.05
"""Facets that reach this near to the girdle, as a share of the crown's height, are its foot. Larger: a dome's bend
counts as its side."""

DOME_DEG = 25.0
"""A crown whose foot leans in by less is a dome's: facets of a brilliant lean in by 50° or more. Larger: steep step cuts
pass for domes."""

RING_SHARE = 1e-6
"""Facets whose middles differ in height by less, as a share of the crown's, are one ring. Larger: rings of melee merge."""

RUN_CHORD_MM = 0.01
"""How finely the outline is followed when the way to the table is measured. Larger: the way reads long."""

MIDDLE_SHARE = 0.8
"""How far in a lip can lie where there is no table, as a share of the outline's reach. Larger: parallels close up."""


def is_domed(stone: Stone) -> bool:
    """True if the crown rises nearly upright from the girdle, as a cabochon's does."""
    _, leans, lows, areas = _crown(stone)
    foot = lows <= stone.girdle_mm + FOOT * stone.crown_height_mm
    return bool(foot.any() and np.average(leans[foot], weights=areas[foot]) < DOME_DEG)


def upright_height_mm(stone: Stone, lean_deg: float) -> float:
    """Height above the lower girdle edge at which the side leans in by `lean_deg` from upright, all the way round.

    Between the middles of two rings of facets the lean is taken to grow evenly.
    """
    heights, leans, _, _ = _crown(stone)
    ring = np.round(heights / (RING_SHARE * stone.crown_height_mm)).astype(np.int64)
    _, first, members = np.unique(ring, return_index=True, return_inverse=True)
    least = np.full(len(first), np.inf)
    np.minimum.at(least, members.reshape(-1), leans)
    middles = np.concatenate([[stone.girdle_mm], heights[first]])
    steepest = np.maximum.accumulate(np.concatenate([[0.0], least]))
    return float(np.interp(lean_deg, steepest, middles))


@lru_cache(maxsize=32)
def crown_run_mm(stone: Stone) -> float:
    """Least way in, mm, from the outline to the table; to the middle, where no table ends the crown."""
    mesh = stone.mesh
    top = float(mesh.vertices[:, 2].max())
    table = mesh.vertices[mesh.vertices[:, 2] > top - LEVEL, :2]
    if len(table) < 3:
        return MIDDLE_SHARE * stone.outline.reach_mm
    edge = stone.outline.chain((), RUN_CHORD_MM)
    return min(_nearest_mm(table, edge), _nearest_mm(edge, table[np.argsort(np.arctan2(*(table - table.mean(axis=0)).T))]))


def _nearest_mm(points: Floats, loop: Floats) -> float:
    """Least distance of points (n, 2) from the sides of a loop (k, 2), mm."""
    ways = np.roll(loop, -1, axis=0) - loop
    off = points[:, None] - loop
    share = np.clip(np.einsum("ijk,jk->ij", off, ways) / np.maximum(np.einsum("jk,jk->j", ways, ways), LEVEL), 0.0, 1.0)
    return float(np.linalg.norm(off - share[..., None] * ways, axis=2).min())


# A slider of the head asks the same stone at every tick.
@lru_cache(maxsize=32)
def _crown(stone: Stone) -> tuple[Floats, Floats, Floats, Floats]:
    """Of the crown's facets: height of the middle, mm, lean from upright, degrees, lowest point, mm, and area, mm2."""
    mesh = stone.mesh
    normals = mesh.face_normals()
    z = mesh.vertices[mesh.corners, 2]
    starts = mesh.starts[:-1]
    lows, highs = np.minimum.reduceat(z, starts), np.maximum.reduceat(z, starts)
    triangles, owner = mesh.triangles()
    a, b, c = (mesh.vertices[triangles[:, i]] for i in range(3))
    areas: Floats = np.bincount(owner, np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2.0, len(mesh)).astype(np.float64)
    crown = (normals[:, 2] > LEVEL) & (lows >= stone.girdle_mm - LEVEL)
    leans = np.degrees(np.arcsin(np.clip(normals[crown, 2], -1.0, 1.0)))
    return (lows[crown] + highs[crown]) / 2.0, leans, lows[crown], areas[crown]
