"""What is proven: metal, stone and what is known about them. A head made here, or one edited by hand."""
from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..head import Head, Plan
from ..head.placed import PlacedStone
from ..head.planning.making import PRINTED
from ..mesh import Floats, PolyMesh
from ..solid.kernel import Solid, bounds, solid_of
from ..stone import Stone
from ..symmetry import Copy
from ..trade.alloys import Alloy
from ..trade.species import Species
from .looks import Ahead
from .measure import SEATED_MM, Gauge
from .narrowest import NEAR_MM, REACH_MM
from .places import Places
from .surface import BESIDE_MM, BesideStone, Surface

NO_WALL = "no part is known to be the wall"
NO_CLAW = "no part is known to be a claw"
NO_HOLD = "no part is known to carry the stone"
NAME_WALL = "Name the wall's faces \"wall\", so that it can be told from the claws."
NAME_HOLD = "Name the faces of wall, claws, rails or rim \"wall\", \"claw 1\", \"upper rail\" or \"rim\"."
NAME_CLAWS = "Name the claws' faces \"claw 1\", \"claw 2\" and so on."
"""What a check says that needs a part's role and has none."""


SMALL = "small stone"
"""How the names of small stones begin."""


FIRST_TRIED = 16
"""How many places are tried at once for the first that belongs to no stone. Only the time taken depends on it."""


@dataclass(frozen=True, eq=False)
class Subject:
    """A head to prove, in its own frame, mm.

    metal: all of it as one solid; parts: solids by role ("wall", "claw 1"…), empty where roles are unknown; stone in
    its own frame, placed (mesh) and stone_solid where the head holds it; state "cast" or "set"; plan: None for a head
    that was not planned here; neighbours: other stones beside this one, whose claws may be shared with it; others:
    all the other stones in this metal, where it is the metal of several; is_of_several: whether this is one of several
    heads whose metal is proven as a whole besides; cut_seat: whether the seat is in the metal already, None to measure
    it; copies: parts that are known to be others in other places, None to look; union: the solid, if any,
    that is known to be all these parts and nothing else; is_joined: whether the metal is there as one solid, which else is
    only made of them where nothing less will do.
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
    others: tuple[PlacedStone, ...] = ()
    is_of_several: bool = False
    cut_seat: bool | None = None
    copies: Mapping[str, Copy] | None = None
    union: Solid | None = None
    is_joined: bool = True

    @cached_property
    def gauge(self) -> Gauge:
        """The measurements, each taken once."""
        return Gauge(self.metal, self.parts, self.stone, self.placed, self.stone_solid, self.copies, self.is_joined)

    @cached_property
    def surface(self) -> Surface:
        """The metal's surface, measured once."""
        return Surface(self.metal)

    @cached_property
    def _own(self) -> BesideStone:
        return BesideStone(self.placed, self.stone_solid)

    @cached_property
    def _in_own_frames(self) -> dict[Stone, BesideStone]:
        """Of the other stones, each where it is told what lies beside it in its own frame: small ones are one, put in
        many places."""
        return {stone: BesideStone(stone.mesh, solid_of(stone.mesh, "stone"))
                for stone in {each.stone for each in self.others}}

    def beside_stone(self, points: Floats) -> np.ndarray:
        """(n,) bool: which places (n, 3) belong to a stone and its seat."""
        beside = self._own(points)
        if not self.others:
            return beside
        for stone, own in zip(self.others, self._off_axes_mm(points).T[1:]):
            is_far = beside
            if stone.name.startswith(SMALL):
                # Its seat is cut straight down through its beads, and drilled on; the webs have a check of their own.
                foot = min(self._plate_foot_mm, float(stone.matrix[2, 3]) - stone.stone.width_mm)
                radius = stone.stone.width_mm / 2.0
                beside |= (points[:, 2] > foot) & (own < radius + BESIDE_MM)
                is_far = beside | (own > 2.0 * radius)
            near = np.flatnonzero(~is_far)
            beside[near] = self._in_own_frames[stone.stone]((points[near] - stone.matrix[:, 3]) @ stone.matrix[:, :3])
        return beside

    @property
    def places(self) -> Places:
        """Places of the surface from which what is narrowest is looked for. What cutting a seat leaves thin lies beside the
        corners that it made. Other corners are joints of parts, where a step from part to part reads thin that is not."""
        return self.surface.beside_corners if self.is_seat_cut else self.surface.spread

    @cached_property
    def is_seat(self) -> np.ndarray:
        """(n,) bool: which of those places belong to a stone and its seat."""
        return self.beside_stone(self.places.points)

    @cached_property
    def is_in_seat(self) -> np.ndarray:
        """(n,) bool: which of them look into a stone's own place, as what lies half way across from there is that too."""
        places, seat = self.places, self.is_seat.copy()
        seat[seat] = self.beside_stone(places.points[seat] + REACH_MM / 2.0 * places.normals[seat])
        return seat

    @cached_property
    def ahead(self) -> Ahead:
        """How far off walls face those of them that do not, through air and, where that is looked for in the same go, metal."""
        looks = self.surface.looks
        return looks.ahead(self.places.where(~self.is_in_seat), NEAR_MM if looks.is_in_tables else 0.0, REACH_MM)

    def first_off_stone(self, points: Floats, only_above: bool = False) -> int | None:
        """Which of (n, 3) places is the first that belongs to no stone and its seat, only_above: and is above the
        girdle; None if there is none."""
        start, size = 0, FIRST_TRIED
        while start < len(points):
            some = points[start:start + size]
            index = np.flatnonzero(self.is_above_girdle(some)) if only_above else np.arange(len(some))
            off = index[~self.beside_stone(some[index])]
            if len(off):
                return start + int(off[0])
            start, size = start + size, 4 * size
        return None

    @cached_property
    def _plate_foot_mm(self) -> float:
        """The underside of what small stones are set in, through which their seats are drilled."""
        plate = self.parts.get("surround plate")
        return math.inf if plate is None else float(bounds(plate)[0][2]) - BESIDE_MM

    def _off_axes_mm(self, points: Floats) -> Floats:
        """(n, m) how far places (n, 3) lie from the upright axes of all stones, this one's first."""
        middles = np.array([np.zeros(2), *(each.matrix[:2, 3] for each in self.others)])
        x, y = points[:, 0, None] - middles[:, 0], points[:, 1, None] - middles[:, 1]
        off: Floats = np.sqrt(x * x + y * y)
        return off

    def is_above_girdle(self, points: Floats, only_small: bool = False) -> np.ndarray:
        """(n,) bool: which places (n, 3) are above the girdle of the stone that they are nearest to; if a small one,
        where asked for those only."""
        if not self.others:
            above: np.ndarray = (points[:, 2] > self.gauge.girdle_plane_mm) & (not only_small)
            return above
        widths = np.array([self.stone.width_mm, *(each.stone.width_mm for each in self.others)])
        planes = np.array([self.gauge.girdle_plane_mm, *(each.matrix[2, 3] for each in self.others)])
        nearest = (self._off_axes_mm(points) - widths / 2.0).argmin(axis=1)
        over: np.ndarray = points[:, 2] > planes[nearest]
        if only_small:
            over &= np.array([False, *(each.name.startswith(SMALL) for each in self.others)])[nearest]
        return over

    @property
    def is_all_parts(self) -> bool:
        """Whether the metal is known to be the parts and nothing else."""
        return self.metal is self.union

    @property
    def is_set(self) -> bool:
        return self.state == "set"

    @property
    def is_poured(self) -> bool:
        """Whether this is metal as it comes from a mould, which a print has not seen."""
        return not self.is_set and self.process != PRINTED

    @cached_property
    def is_seat_cut(self) -> bool:
        """True if the seat is in the metal already, by measurement: stone and metal claim no volume in common."""
        if self.cut_seat is not None:
            return self.cut_seat
        return self.is_set or self.gauge.common[1] <= SEATED_MM


def subject_of(head: Head) -> Subject:
    """The head as made. Raises GeometryError if its solids can't be made."""
    return Subject(head.solid, head.part_solids, head.stone, head.placed_stone, head.stone_solid, head.state,
                   head.alloy, head.process, head.species, head.plan, union=head.solid if head.centre is head else None)
