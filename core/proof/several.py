"""What is proven of a head with several stones beyond what each of them says for itself."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from ..head import Head
from ..head.placed import PlacedStone
from ..mesh import Floats
from ..solid.kernel import Solid, section, solid_of
from ..stone import Stone
from ..trade.alloys import Alloy
from .loops import largest
from .subject import SMALL

SIDES = ("left", "right")
"""How the names of side stones and of all the parts of their heads begin."""


@dataclass(frozen=True, eq=False)
class Several:
    """All the metal and every stone of one head, in its frame, mm. parts: solids by role; stones: the centre's
    first."""

    metal: Solid
    parts: Mapping[str, Solid]
    stones: tuple[PlacedStone, ...]
    state: str
    alloy: Alloy
    process: str

    @cached_property
    def small(self) -> tuple[PlacedStone, ...]:
        """The stones of a surround, in order round the centre."""
        return tuple(stone for stone in self.stones if stone.name.startswith(SMALL))

    @cached_property
    def sides(self) -> tuple[PlacedStone, ...]:
        """The stones of side heads."""
        return tuple(stone for stone in self.stones if stone.name.split()[0] in SIDES)

    @cached_property
    def middles(self) -> Floats:
        """(n, 3) of the small stones: on their axes, at their lower girdle edges, where the stone's own origin was
        put."""
        return np.array([stone.matrix[:, 3] for stone in self.small])

    @cached_property
    def girdles(self) -> tuple[Floats, ...]:
        """The girdles of the small stones, each (k, 2)."""
        return tuple(girdle_loop(stone) for stone in self.small)

    @cached_property
    def plate(self) -> Solid | None:
        """The part that the small stones are set in."""
        return self.parts.get("surround plate")

    @cached_property
    def beads(self) -> dict[str, Solid]:
        """The beads that hold them."""
        return {name: solid for name, solid in self.parts.items() if name.startswith("bead")}


def several_of(head: Head) -> Several:
    """The head as made. Raises GeometryError if its solids can't be made."""
    return Several(head.solid, head.part_solids, head.stones, head.state, head.alloy, head.process)


def girdle_loop(stone: PlacedStone) -> Floats:
    """(k, 2) the stone's section half way up its girdle, where it is widest all round, seen from above."""
    loop = _own_girdle(stone.stone)
    placed: Floats = stone.at(np.column_stack([loop, np.full(len(loop), stone.stone.girdle_mm / 2.0)]))[:, :2]
    return placed


@lru_cache(maxsize=8)
def _own_girdle(stone: Stone) -> Floats:
    """In the stone's own frame: the small stones of a surround are one, put in many places."""
    return largest(section(solid_of(stone.mesh, "stone"), stone.girdle_mm / 2.0))
