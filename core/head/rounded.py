"""Parallels outside a stone's outline with their sharp corners rounded, so that a rim is equally thick all round.

A mitred corner stands out farther the sharper it is: at a corner that turns by 90° by 1.41 times the rim's thickness,
with a point that snags. So corners that turn by more than `ROUND_DEG` are rounded about the stone's own corner on
the outside, and stay mitred on the inside. Blunter corners, as the cut ones of an emerald cut, stay crisp.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from ..mesh import Floats
from ..stone.outline import Arc, Line, Outline, Piece

ROUND_DEG = 50.0
"""Corners that turn by more are rounded. Larger: rims of marquises and princess cuts end in points."""

POINT_MM = 1e-9
"""Radius of the arc that stands for a corner on the outline itself. Larger: the corner moves."""


@dataclass(frozen=True)
class Rounded:
    """An outline whose outward parallels are rounded at sharp corners; `outline` is the stone's own."""

    outline: Outline

    @cached_property
    def _chain(self) -> tuple[Outline, tuple[int, ...]]:
        """The outline with a tiny arc in each sharp corner, and for each of its pieces the one of the stone's own outline
        that it is, or -1 - the piece that follows the corner."""
        corners = [corner for corner in self.outline.corners if corner.turn_deg > ROUND_DEG]
        pieces: list[Piece] = []
        owners: list[int] = []
        for i, piece in enumerate(self.outline.pieces):
            start = piece.at(np.zeros(1))[0][0]
            corner = next((each for each in corners if np.allclose(each.point, start, rtol=0.0, atol=POINT_MM)), None)
            if corner is not None:
                turn = math.radians(corner.turn_deg)
                middle = math.atan2(corner.normal[1], corner.normal[0])
                pieces.append(Arc((float(corner.point[0]), float(corner.point[1])), POINT_MM, POINT_MM, middle - turn / 2.0,
                                  turn))
                owners.append(-1 - i)
            pieces.append(piece)
            owners.append(i)
        return Outline(tuple(pieces), self.outline.soft_deg), tuple(owners)

    def counts(self, chord_mm: float, reach_mm: float, pitch_mm: float = math.inf) -> tuple[int, ...]:
        """Segments per piece that keep the chord error on a parallel `reach_mm` outside; straight pieces are divided
        where they are longer than a pitch."""
        if self.outline.is_one_piece:
            return Outline.circle(self.outline.reach_mm + reach_mm).counts(chord_mm, multiple=4)
        return tuple(_count(piece, chord_mm, reach_mm, pitch_mm) for piece in self._chain[0].pieces)

    def loops(self, insets_mm: Floats, counts: Sequence[int]) -> Floats:
        """(k, sum of counts, 2) points: the parallel at each of k insets, negative outside. Inside, all samples of a
        corner lie in its mitre. Raises GeometryError if there is no such parallel."""
        chain, owners = self._chain
        if len(chain.pieces) == len(self.outline.pieces):
            return self.outline.loops(insets_mm, counts)
        loops = np.empty((len(insets_mm), sum(counts), 2))
        outside = insets_mm < 0.0
        if outside.any():
            loops[outside] = chain.loops(insets_mm[outside], counts)
        if not outside.all():
            own = [count for count, owner in zip(counts, owners) if owner >= 0]
            starts = np.concatenate([[0], np.cumsum(own)])
            index = np.concatenate([np.full(count, starts[-1 - owner]) if owner < 0 else starts[owner] + np.arange(count)
                                    for count, owner in zip(counts, owners)])
            loops[~outside] = self.outline.loops(insets_mm[~outside], own)[:, index]
        return loops


@lru_cache(maxsize=64)
def rounded(outline: Outline) -> Rounded:
    """The outline, with its corners found once."""
    return Rounded(outline)


def _count(piece: Piece, chord_mm: float, reach_mm: float, pitch_mm: float) -> int:
    if isinstance(piece, Line):
        return max(1, math.ceil(math.dist(piece.start, piece.end) / pitch_mm))
    if isinstance(piece, Arc):
        piece = Arc(piece.centre, piece.x_mm + reach_mm, piece.y_mm + reach_mm, piece.start_rad, piece.sweep_rad)
    return piece.segments(chord_mm)
