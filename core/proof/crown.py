"""The crown from each claw inwards, as the upright plane through the claw cuts it, and how much of it a claw lies on."""
from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, bounds, first_hits
from ..stone.facets import LEVEL
from .claw_measure import ClawMeasure
from .frame import Frame

LEVEL_MM = 1e-6
"""How far below the crown's highest place still is its top. Larger: a low dome would end early."""

BESIDE_MM = 1e-3
"""How far outside the girdle's middle the crown may begin, and how far inside a line up it does. Larger: lines are read short;
smaller: they begin beside the stone."""

FINER = 16
"""In how many parts a step along a line is cut to tell where metal ends. Fewer: contact is told in coarser steps."""


def crown_profiles(frame: Frame, claws: Sequence[ClawMeasure]) -> list[tuple[Floats, Floats, Floats]]:
    """For each claw the crown's slope from the girdle to the table's edge or a dome's top, inwards from the claw: at each
    facet's edge (k,) mm the level way in, the height, and the way along it. Where none rises inwards from the claw it is one
    place without a height."""
    mesh = frame.placed
    edges, inwards = np.array([claw.edge for claw in claws]), -np.array([claw.outwards for claw in claws])
    # Sides of the facets that look up, as those come round each.
    up = np.repeat(mesh.face_normals()[:, 2] > LEVEL, mesh.sizes)
    start, stop = mesh.corners[up], mesh.corners_after()[up]
    aside = np.column_stack([-inwards[:, 1], inwards[:, 0]])
    off = aside @ mesh.vertices[:, :2].T - np.einsum("ij,ij->i", aside, edges)[:, None]
    is_left = off > 0.0
    owner, side = np.nonzero(is_left[:, start] != is_left[:, stop])
    first, second = start[side], stop[side]
    share = off[owner, first] / (off[owner, first] - off[owner, second])
    met = mesh.vertices[first] + share[:, None] * (mesh.vertices[second] - mesh.vertices[first])
    ways = np.einsum("ij,ij->i", met[:, :2] - edges[owner], inwards[owner])
    kept = np.flatnonzero(ways > -BESIDE_MM)
    kept = kept[np.lexsort((ways[kept], owner[kept]))]
    ends = np.cumsum(np.bincount(owner[kept], minlength=len(claws)))[:-1]
    found = []
    for own_ways, heights in zip(np.split(ways[kept], ends), np.split(met[kept, 2], ends)):
        last = int((heights >= heights.max(initial=-np.inf) - LEVEL_MM).argmax()) + 1 if len(heights) else 0
        if not last or own_ways[last - 1] <= BESIDE_MM:
            found.append((np.array([BESIDE_MM]), np.array([np.nan]), np.zeros(1)))
            continue
        begins = np.interp(BESIDE_MM, own_ways[:last], heights[:last])
        past = int(np.searchsorted(own_ways[:last], BESIDE_MM))
        own_ways, heights = np.append(BESIDE_MM, own_ways[past:last]), np.append(begins, heights[past:last])
        steps = np.hypot(own_ways[1:] - own_ways[:-1], heights[1:] - heights[:-1])
        found.append((own_ways, heights, np.concatenate([[0.0], np.cumsum(steps)])))
    return found


def contacts(solid: Solid, lines: Floats, reading_mm: float) -> tuple[Floats, Floats]:
    """(c,) shares of lines (c, k, 3) up the crown's slope, girdle to table, that metal lies on, each time in the middle; (c, 3)
    its ends."""
    low, high = bounds(solid)
    # Metal farther up does not touch, so that there is no need to look for it.
    low, high = low - [0.0, 0.0, reading_mm], high + [0.0, 0.0, reading_mm]

    def touches(at: Floats) -> np.ndarray:
        may = np.flatnonzero(((at >= low) & (at <= high)).all(axis=2))
        places, found = at.reshape(-1, 3)[may], np.zeros(at.shape[:2], bool)
        found.flat[may] = np.isfinite(first_hits(solid, places - [0.0, 0.0, reading_mm], places + [0.0, 0.0, reading_mm])[0])
        return found

    count, touching = lines.shape[1], touches(lines)
    last = count - 1 - np.argmax(touching[:, ::-1], axis=1)
    every = np.arange(len(lines))
    end = lines[every, last]
    after = lines[every, np.minimum(last + 1, count - 1)]
    finer = end[:, None] + np.linspace(0.0, 1.0, FINER + 1)[:, None] * (after - end)[:, None]
    more = np.maximum(np.argmin(np.column_stack([touches(finer), np.zeros(len(lines), bool)]), axis=1) - 1, 0)
    gaps = (~touching & (np.arange(count) < last[:, None])).sum(axis=1)
    shares = (last - gaps + more / FINER) / (count - 1)
    touched = np.asarray(touching.any(axis=1))
    return np.where(touched, shares, 0.0), np.where(touched[:, None], finer[every, more], lines[:, 0])
