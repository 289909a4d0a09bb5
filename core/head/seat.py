"""The seat: what the stone takes out of the metal that holds it."""
from __future__ import annotations

import numpy as np

from ..solid.kernel import Solid, bounds, cut, solid_of
from ..stone import Stone
from ..tolerance import SAME_POINT_MM


def seat_tool(stone: Stone, girdle_plane_mm: float, clearance_mm: float) -> Solid:
    """The stone at its place in the head with every facet moved outwards by the clearance."""
    body = stone.grown(clearance_mm) if clearance_mm > 0.0 else stone.mesh
    return solid_of(body.moved((0.0, 0.0, girdle_plane_mm)), "seat's cutter")


def seat_stone(solid: Solid, tool: Solid, part: str) -> Solid:
    """The part with the seat cut into it; the same solid where the stone is out of its reach, or only lies on it: a cut
    along a face would leave nothing but needless edges."""
    low, high = bounds(tool)
    part_low, part_high = bounds(solid)
    if np.minimum(part_high - low, high - part_low).min() < SAME_POINT_MM:
        return solid
    return cut(solid, [tool], part)
