"""What the tolerances do to what all the metal and all the stones of one head tell together: small stones and side stones too.

As for one stone, one thing is off at a time, either way. Small stones are off all alike, as stones sorted from one parcel are, and
side stones are too. Where a seat is cut its stone stays in it, and the setter clears what stands in the way; a side stone whose
seat is left to the setter goes down until it rests on its wall as the planned one did. Where the model is fuller or leaner all
faces move along their normals, so that every gap and section is narrower or wider by twice as much and every angle stays: that
needs no measuring on moved metal, on which folds may stand.
"""
from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from ..head.placed import PlacedStone
from ..mesh import Floats
from ..solid.kernel import triangles_of
from ..stone import Stone
from .findings import Finding
from .several import Several
from .spread import Finder, Tolerances, ends_of, of_casting, of_model, spread_by, ways_of, ways_of_stones
from .subject import SMALL, Subject
from .varied import Deviation, Varied, rest_mm, stretched

CLEARED, PUSHED = ("surround.fits",), ("surround.contact",)
"""Findings on what stands in a small stone's way, which the setter clears, and on beads, which are pushed onto the stones that
are there."""

AS_GIVEN = Deviation()

ExamineAll = Callable[[Subject, Several, bool], Sequence[Finding]]
"""Runs the checks of all stones and what they are set in; True those of how all the metal is poured too."""


class VariedAll:
    """Makes all metal and all stones of a head anew for one deviation after another."""

    def __init__(self, whole: Subject, several: Several) -> None:
        self._whole, self._several, self._varied = whole, several, Varied(whole)
        self._rests = {stone.name: rest_mm(stone.mesh, wall) for stone in several.stones[1:]
                       if (wall := self._wall_under(stone, whole)) is not None}

    def at(self, off: Deviation, others: Deviation = AS_GIVEN) -> tuple[Subject, Several]:
        """The head with the centre's stone, the model and the casting off, and the measures of the others. Raises GeometryError
        if its metal closes up or turns inside out."""
        whole = self._whole if off == AS_GIVEN else self._varied.subject_at(off)
        made = {stone: _stretched(stone, others) for stone in {each.stone for each in self._several.stones[1:]}}
        stones = tuple(self._placed(each, made[each.stone], whole, off.scale) for each in self._several.stones[1:])
        first = self._several.stones[0]
        centre = replace(first, stone=whole.stone, matrix=_at_height(first.matrix, whole.gauge.girdle_plane_mm))
        return (replace(whole, others=stones),
                replace(self._several, metal=whole.metal, parts=whole.parts, stones=(centre, *stones)))

    def _placed(self, given: PlacedStone, stone: Stone, whole: Subject, scale: float) -> PlacedStone:
        """A stone of other measures where it now lies."""
        matrix = given.matrix.copy()
        matrix[:, 3] *= scale
        wall = self._wall_under(given, whole)
        if wall is not None:
            at_height = replace(given, stone=stone, matrix=_at_height(matrix, float(given.matrix[2, 3])))
            matrix = _at_height(matrix, float(given.matrix[2, 3]) + rest_mm(at_height.mesh, wall) - self._rests[given.name])
        return replace(given, stone=stone, matrix=matrix)

    def _wall_under(self, stone: PlacedStone, whole: Subject) -> Floats | None:
        """(n, 3) corners of the wall that a side stone comes to rest on; None where its seat is cut or there is none."""
        wall = whole.parts.get(f"{stone.name.split()[0]} wall")
        if self._whole.is_seat_cut or stone.name.startswith(SMALL) or wall is None:
            return None
        return triangles_of(wall)[0]


def _at_height(matrix: Floats, height_mm: float) -> Floats:
    found = matrix.copy()
    found[2, 3] = height_mm
    return found


def _stretched(stone: Stone, off: Deviation) -> Stone:
    if off == AS_GIVEN:
        return stone
    return stretched(stone, np.array([1.0 + off.length_mm / stone.length_mm, 1.0 + off.width_mm / stone.width_mm,
                                      1.0 + off.depth_mm / stone.depth_mm]))


def spread_over_all(whole: Subject, several: Several, findings: Sequence[Finding], tolerances: Tolerances,
                    examine: ExamineAll) -> list[Finding]:
    """The findings of all metal and all stones together, each measured one with its spread; a sound one that is unsafe in its
    worst case becomes one to watch."""
    varied = VariedAll(whole, several)

    def found_at(off: Deviation, others: Deviation) -> Finder:
        def find() -> list[Finding]:
            found = list(examine(*varied.at(off, others), off.model_mm != 0.0))
            if off.scale != 1.0:
                found += of_casting(findings, off.scale)
            if off.model_mm:
                found += of_model(findings, off.model_mm)
            return found
        return find

    ends = [(high, found_at(low, AS_GIVEN), found_at(high, AS_GIVEN)) for low, high in ways_of(whole, tolerances)]
    others = ways_of_stones((each.stone for each in several.stones[1:]), tolerances)
    ends += [(high, found_at(AS_GIVEN, low), found_at(AS_GIVEN, high)) for low, high in ends_of(others)]
    return spread_by(whole, findings, (*CLEARED, *PUSHED), ends)[0]
