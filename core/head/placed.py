"""A stone where a head holds it."""
from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from ..mesh import Floats, PolyMesh
from ..solid.kernel import Solid, solid_of, transformed
from ..stone import Stone
from ..trade.species import Species


@dataclass(frozen=True, eq=False)
class PlacedStone:
    """A stone of a head: `name` ("stone", "small stone 1", "left stone"…), the stone in its own frame, what it is, and
    the (3, 4) matrix that puts it in the head's frame, mm."""

    name: str
    stone: Stone
    species: Species
    matrix: Floats

    @cached_property
    def mesh(self) -> PolyMesh:
        """The stone's mesh where the head holds it."""
        return replace(self.stone.mesh, vertices=self.at(self.stone.mesh.vertices))

    def at(self, points: Floats) -> Floats:
        """Points (..., 3) of the stone's own frame in the head's."""
        moved: Floats = points @ self.matrix[:, :3].T + self.matrix[:, 3]
        return moved

    @cached_property
    def solid(self) -> Solid:
        """The mesh as a solid."""
        return transformed(_own_solid(self.stone), self.matrix)

    @property
    def weight_ct(self) -> float:
        """Carats, by volume and density."""
        return self.stone.weight_ct(self.species.density_g_cm3)


@lru_cache(maxsize=8)
def _own_solid(stone: Stone) -> Solid:
    """In its own frame: the small stones of a surround are one, put in many places."""
    return solid_of(stone.mesh, "stone")


def upright_frame(middle: tuple[float, float, float], way: tuple[float, float] = (1.0, 0.0)) -> Floats:
    """(3, 4) matrix for a stone that stands upright at a place, mm, with its length along a unit way (2,)."""
    x, y = way
    return np.array([[x, -y, 0.0, middle[0]], [y, x, 0.0, middle[1]], [0.0, 0.0, 1.0, middle[2]]])
