"""The trilogy: two side heads beside the centre's, each a head of its own, joined to it by a bridge at the base."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats, PolyMesh
from ..solid.kernel import Solid, bounds, solid_of, transformed, ways_through
from .claws import ClawLine
from .placed import PlacedStone
from .sweep import rod

if TYPE_CHECKING:
    from .build import Head

REACH_MM = 0.3
"""How far a bridge reaches into a head's metal at most; it stops half way through anything thinner."""

LOOK_MM = 0.2
"""Height over the base at which the metal that a bridge reaches is looked for; lower where the bridge is low."""

ACROSS = 8
"""At how many places across a bridge's end the metal that it reaches is looked for. Fewer: beside a claw on the row a
slot is left between them."""

LEAST_RUN_MM = 0.01
"""Over how much of its length a bridge changes its width, at least. Shorter: its side is a step."""


@dataclass(frozen=True, eq=False)
class Side:
    """One side head: "left" or "right", the head in its own frame, and the (3, 4) matrix that puts it in the
    centre's."""

    name: str
    head: Head
    matrix: Floats

    @cached_property
    def solid(self) -> Solid:
        """All its metal, in the centre's frame."""
        return transformed(self.head.solid, self.matrix)

    @property
    def part_solids(self) -> dict[str, Solid]:
        """"left wall", "left claw 1"…, in the centre's frame."""
        return {f"{self.name} {name}": transformed(solid, self.matrix) for name, solid in self.head.part_solids.items()}

    @property
    def parts(self) -> dict[str, PolyMesh]:
        """The same as shells."""
        return {f"{self.name} {name}": self._placed(mesh, f"{self.name} {name}") for name,
                mesh in self.head.parts.items()}

    @property
    def stone(self) -> PlacedStone:
        """"left stone" or "right stone"."""
        own = self.head.stones[0].matrix
        matrix = np.column_stack([self.matrix[:, :3] @ own[:, :3], self.at(own[:, 3])])
        return PlacedStone(f"{self.name} stone", self.head.stone, self.head.species, matrix)

    def at(self, points: Floats) -> Floats:
        """Points (n, 3) of the side head in the centre's frame."""
        moved: Floats = points @ self.matrix[:, :3].T + self.matrix[:, 3]
        return moved

    def brought_home(self, mesh: PolyMesh) -> PolyMesh:
        """A mesh of the centre's frame in the side head's own."""
        return replace(mesh, vertices=(mesh.vertices - self.matrix[:, 3]) @ self.matrix[:, :3])

    def _placed(self, mesh: PolyMesh, part: str) -> PolyMesh:
        """A part's mesh in the centre's frame, its faces with the part's name there."""
        return replace(mesh, vertices=self.at(mesh.vertices), tag_names=(part,) * len(mesh.tag_names))


def place_sides(head: Head, left_mm: float, right_mm: float) -> tuple[Side, Side]:
    """Left and right of the centre, each so far from its axis: the right one moved along X, the left one the same
    turned by half a turn."""
    right = np.array([[1.0, 0.0, 0.0, right_mm], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]])
    left = np.array([[-1.0, 0.0, 0.0, -left_mm], [0.0, -1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]])
    return Side("left", head, left), Side("right", head, right)


def turns_mm(centre: Sequence[ClawLine], side: Sequence[ClawLine], shift_mm: float, way: float) -> tuple[float, float]:
    """Between which places on the row, along it from the centre's axis, the bridge to a side head at `shift_mm`, along X
    or against it where `way` is -1, changes its width: the feet of the claws of both heads that are nearest to the
    other."""
    near = max((way * float(line.foot[0]) for line in centre), default=0.0)
    far = shift_mm - max((-float(line.foot[0]) for line in side), default=0.0)
    return near, max(far, near + LEAST_RUN_MM)


def build_bridges(centre: Head, sides: tuple[Side, Side], height_mm: float,
                  widths_mm: tuple[float, float]) -> dict[str, PolyMesh]:
    """"left bridge" and "right bridge": bars along the row from metal to metal, flush with the base. widths_mm: at the
    claws of the centre and at those of the side head.

    Raises GeometryError if a head has no metal on the row to join.
    """
    look = min(LOOK_MM, height_mm / 2.0)
    found = {}
    for side, way in zip(sides, (-1.0, 1.0)):
        shift = side.matrix[0, 3] * way
        near = _reached_mm(centre.solid, way, look, widths_mm[0])
        far = shift - _reached_mm(side.head.solid, -1.0, look, widths_mm[1])
        turns = turns_mm(centre.lines, side.head.lines, shift, way)
        name = f"{side.name} bridge"
        found[name] = _bar(sorted((near, far)), turns, widths_mm, way, height_mm, name)
    return found


def _reached_mm(solid: Solid, way: float, height_mm: float, width_mm: float) -> float:
    """How far from the axis, along +X or -X, a bridge ends within a head's outermost metal: where all its end is in metal,
    unless it would come out of it on the row."""
    low, high = bounds(solid)
    outside = float(np.abs([low[0], high[0]]).max()) + 1.0
    beside = np.concatenate([[0.0], np.linspace(-width_mm / 2.0, width_mm / 2.0, ACROSS)])
    starts = np.column_stack([np.full(len(beside), way * outside), beside, np.full(len(beside), height_mm)])
    on_row, *across = ways_through(solid, starts, starts * (0.0, 1.0, 1.0))
    if not on_row:
        raise GeometryError("bridge", "no metal stands at the base on the row between the stones",
                            "take another style of head")

    def held(hits: list[float]) -> tuple[float, float]:
        """Between which ways in a bridge's end is held by this metal."""
        thick = (hits[1] if len(hits) > 1 else outside) - hits[0]
        hold = min(REACH_MM, thick / 2.0)
        return hits[0] + hold, hits[0] + thick - hold

    least, most = held(on_row)
    return outside - min(most, max([least, *(held(hits)[0] for hits in across if hits)]))


def _bar(ends: Sequence[float], turns: tuple[float, float], widths_mm: tuple[float, float], way: float,
         height_mm: float, part: str) -> PolyMesh:
    """A bar between two ends on the row, which changes its width between two places, along X or against it where `way` is
    -1."""
    at = np.array([ends[0], *(turn for turn in turns if ends[0] < turn < ends[1]), ends[1]])
    half = np.interp(at, turns, widths_mm) / 2.0
    ring = np.column_stack([np.concatenate([at, at[::-1]]), np.concatenate([-half, half[::-1]])]) * way
    return rod([np.column_stack([ring, np.full(len(ring), z)]) for z in (0.0, height_mm)], part)


def solids_of(meshes: dict[str, PolyMesh]) -> dict[str, Solid]:
    """Each mesh as a solid."""
    return {name: solid_of(mesh, name) for name, mesh in meshes.items()}
