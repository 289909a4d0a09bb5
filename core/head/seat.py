"""The seat: what the stone takes out of the metal that holds it."""
from __future__ import annotations

from ..solid.kernel import Solid, bounds, cut, solid_of
from ..stone import Stone


def seat_tool(stone: Stone, girdle_plane_mm: float, clearance_mm: float) -> Solid:
    """The stone at its place in the head with every facet moved outwards by the clearance."""
    body = stone.grown(clearance_mm) if clearance_mm > 0.0 else stone.mesh
    return solid_of(body.moved((0.0, 0.0, girdle_plane_mm)), "seat's cutter")


def seat_stone(solid: Solid, tool: Solid, part: str) -> Solid:
    """The part with the seat cut into it; the same solid where the stone is out of its reach."""
    low, high = bounds(tool)
    part_low, part_high = bounds(solid)
    if (part_low > high).any() or (low > part_high).any():
        return solid
    return cut(solid, [tool], part)
