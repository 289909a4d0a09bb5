"""A stone where a head holds it."""
from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from ..mesh import PolyMesh
from ..solid.kernel import Solid, solid_of
from ..stone import Stone
from ..trade.species import Species


@dataclass(frozen=True, eq=False)
class PlacedStone:
    """A stone of a head: `name` ("stone", "small stone 1", "left stone"…), the stone in its own frame, its mesh in the
    head's, mm, and what it is."""

    name: str
    stone: Stone
    mesh: PolyMesh
    species: Species

    @cached_property
    def solid(self) -> Solid:
        """The mesh as a solid."""
        return solid_of(self.mesh, self.name)

    @property
    def weight_ct(self) -> float:
        """Carats, by volume and density."""
        return self.stone.weight_ct(self.species.density_g_cm3)
