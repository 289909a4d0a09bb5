"""What is proven: metal, stone and what is known about them. A head made here, or one edited by hand."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from ..head import Head, Plan
from ..mesh import PolyMesh
from ..solid.kernel import Solid
from ..stone import Stone
from ..trade.alloys import Alloy
from ..trade.species import Species
from .measure import SEATED_MM, Gauge
from .surface import BesideStone, Surface

NO_WALL = "no part is known to be the wall"
NO_CLAW = "no part is known to be a claw"
NO_HOLD = "no part is known to carry the stone"
NAME_WALL = "Name the wall's faces \"wall\", so that it can be told from the claws."
NAME_HOLD = "Name the faces of wall, claws, rails or rim \"wall\", \"claw 1\", \"upper rail\" or \"rim\"."
NAME_CLAWS = "Name the claws' faces \"claw 1\", \"claw 2\" and so on."
"""What a check says that needs a part's role and has none."""


@dataclass(frozen=True, eq=False)
class Subject:
    """A head to prove, in its own frame, mm.

    metal: all of it as one solid; parts: solids by role ("wall", "claw 1"…), empty where roles are unknown; stone in
    its own frame, placed (mesh) and stone_solid where the head holds it; state "cast" or "set"; plan: None for a head
    that was not planned here; neighbours: other stones beside this one, whose claws may be shared with it.
    """

    metal: Solid
    parts: Mapping[str, Solid]
    stone: Stone
    placed: PolyMesh
    stone_solid: Solid
    state: str
    alloy: Alloy
    process: str
    species: Species
    plan: Plan | None = None
    neighbours: tuple[Solid, ...] = ()

    @cached_property
    def gauge(self) -> Gauge:
        """The measurements, each taken once."""
        return Gauge(self.metal, self.parts, self.stone, self.placed, self.stone_solid)

    @cached_property
    def surface(self) -> Surface:
        """The metal's surface, measured once."""
        return Surface(self.metal)

    @cached_property
    def beside_stone(self) -> BesideStone:
        """Which places belong to the stone and its seat."""
        return BesideStone(self.gauge)

    @property
    def is_set(self) -> bool:
        return self.state == "set"

    @cached_property
    def is_seat_cut(self) -> bool:
        """True if the seat is in the metal already, by measurement: stone and metal claim no volume in common."""
        return self.is_set or self.gauge.common[1] <= SEATED_MM


def subject_of(head: Head) -> Subject:
    """The head as made. Raises GeometryError if its solids can't be made."""
    return Subject(head.solid, head.part_solids, head.stone, head.placed_stone, head.stone_solid, head.state,
                   head.alloy, head.process, head.species, head.plan)
