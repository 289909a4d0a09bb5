"""Step cuts: rows of facets parallel to the sides of a straight-sided outline, shrinking onto a keel.

Each row ends where the section has shrunk by a share of the way to the keel (a level line, or a point), so that the
corner facets run through all rows and end in the keel's ends.
"""
from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..mesh import Floats
from .facets import UP, gathered, Planes, upright

Row = tuple[float, float]
"""Where a row ends: share of the way to the keel, share of the height."""

CROWN_ROWS: dict[int, tuple[Row, ...]] = {
    1: ((1.0, 1.0),),
    2: ((0.44, 0.55), (1.0, 1.0)),
    3: ((0.28, 0.38), (0.61, 0.72), (1.0, 1.0)),
}
"""Ends of the crown's rows, by their number: steeper at the girdle, flatter at the table. From memory."""

PAVILION_ROWS: dict[int, tuple[Row, ...]] = {
    2: ((0.45, 0.52), (1.0, 1.0)),
    3: ((0.29, 0.41), (0.63, 0.755), (1.0, 1.0)),
}
"""Ends of the pavilion's rows, by their number: steeper at the girdle, flatter at the keel. From memory, and set so
that emerald cuts and baguettes weigh what the published factors say (docs/stones.md)."""


def step_planes(edge: Floats, ways_mm: Floats, heights_mm: tuple[float, float, float], table: float, culet: float,
                crown: Sequence[Row], pavilion: Sequence[Row]) -> Planes:
    """Facet planes over a polygon `edge` (n, 2) mm, each side of which moves in by (n,) `ways_mm` to the keel.

    heights_mm: crown, girdle, pavilion. table and culet: shares that are left of the way to the keel at the top and
    at the bottom.
    """
    crown_mm, girdle_mm, pavilion_mm = heights_mm
    groups = [("table", UP, np.array([[0.0, 0.0, girdle_mm + crown_mm]]))]
    groups += step_rows(edge, ways_mm, "crown step", girdle_mm, crown_mm, 1.0 - table, crown)
    groups += [("girdle", *upright(edge))]
    groups += step_rows(edge, ways_mm, "pavilion step", 0.0, -pavilion_mm, 1.0 - culet, pavilion)
    if culet > 0.0:
        groups.append(("culet", -UP, np.array([[0.0, 0.0, -pavilion_mm]])))
    return gathered(groups)


def step_rows(edge: Floats, ways_mm: Floats, kind: str, start_mm: float, height_mm: float, way: float,
              rows: Sequence[Row]) -> list[tuple[str, Floats, Floats]]:
    """The planes of some rows: from the edge at `start_mm` up (or, if negative, down) by `height_mm`, in by a share
    `way` of each side's way to the keel."""
    normals, points = upright(edge)
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    groups = []
    before = (0.0, 0.0)
    for row in rows:
        run = (row[0] - before[0]) * way * ways_mm
        rise = (row[1] - before[1]) * height_mm
        tilted = np.column_stack([normals[:, :2] * abs(rise), run * np.sign(rise)])
        on = points - normals * (before[0] * way * ways_mm)[:, None]
        on[:, 2] = start_mm + before[1] * height_mm
        groups.append((kind, tilted, on))
        before = row
    return groups


def ways_to(edge: Floats, keel: Floats) -> Floats:
    """(n,) mm: how far each side of a polygon `edge` (n, 2) moves in to reach the nearest of the keel's ends (k, 2)."""
    normals, points = upright(edge)
    normals = normals[:, :2] / np.linalg.norm(normals, axis=1, keepdims=True)
    ways: Floats = np.einsum("ij,ij->i", normals, points[:, :2]) - (normals @ keel.T).max(axis=1)
    return ways
