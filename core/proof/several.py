"""What is proven of a head with several stones beyond what each of them says for itself."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..head import Head
from ..head.placed import PlacedStone
from ..mesh import Floats
from ..solid.kernel import Solid, section
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
        return np.array([lower_edge(stone) for stone in self.small])

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


def lower_edge(stone: PlacedStone) -> Floats:
    """(3,) where a placed stone's own origin lies, for a stone that stands upright."""
    own, placed = stone.stone.mesh.vertices, stone.mesh.vertices
    # By turning and moving alone, the best fit of the stone's own corners to where they were put (Kabsch, level part).
    a, b = own[:, :2] - own[:, :2].mean(axis=0), placed[:, :2] - placed[:, :2].mean(axis=0)
    turn = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    cos, sin = np.cos(turn), np.sin(turn)
    middle = own[:, :2].mean(axis=0) @ np.array([[cos, sin], [-sin, cos]])
    return np.array([*(placed[:, :2].mean(axis=0) - middle), float(np.median(placed[:, 2] - own[:, 2]))])


def girdle_loop(stone: PlacedStone) -> Floats:
    """(k, 2) the stone's section half way up its girdle, where it is widest all round."""
    return largest(section(stone.solid, float(lower_edge(stone)[2]) + stone.stone.girdle_mm / 2.0))
