"""The seat: what the stone takes out of the metal that holds it."""
from __future__ import annotations

from ..solid.kernel import Solid, bounds, cut, overlap, solid_of, volume_mm3
from ..stone import Stone

NOTHING_MM3 = 1e-9
"""Less common volume than this is no contact. Larger: a shallow seat would not be cut."""


def seat_tool(stone: Stone, girdle_plane_mm: float, clearance_mm: float) -> Solid:
    """The stone at its place in the head with every facet moved outwards by the clearance."""
    body = stone.grown(clearance_mm) if clearance_mm > 0.0 else stone.mesh
    return solid_of(body.moved((0.0, 0.0, girdle_plane_mm)), "seat's cutter")


def seat_stone(solid: Solid, tool: Solid, part: str) -> Solid:
    """The part with the seat cut into it; untouched where the stone does not reach it."""
    low, high = bounds(tool)
    part_low, part_high = bounds(solid)
    if (part_low > high).any() or (low > part_high).any() or volume_mm3(overlap(solid, tool)) <= NOTHING_MM3:
        return solid
    return cut(solid, [tool], part)
