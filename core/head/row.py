"""A row of equal round stones about an outline: the parallel that their centres lie on, evenly divided.

The parallel keeps its distance from every place of the outline, so that it runs round a sharp corner on an arc: on the
mitred parallel a stone at the corner would stand farther out than its neighbours.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats
from ..stone.outline import Arc, Cleft, Outline, Piece
from ..tolerance import SAME_POINT_MM

CORNER_MM = 1e-7
"""Radius of the arcs that stand for sharp corners. Larger: they show on the outline itself."""

SOFT_DEG = 0.01
"""Turns of less need no arc. Larger: the parallel leaves its distance there."""

CURVE_MM = 0.02
"""How far apart the places are by which a parallel is known. Larger: stones stray by more than a thousandth."""

FEWEST = 6
"""Fewer stones are no ring."""

EVEN_MM = 1e-9
"""How exactly neighbours' distances are made equal. Larger: the last gap differs from the others."""

TRIES = 80
"""Steps to an even division; a handful does on any cut."""

LONGEST_STEP = 0.3
"""How far a stone may move in one step, as a share of the distance. Larger: the steps overshoot at corners."""


@dataclass(frozen=True, eq=False)
class Row:
    """Stones' middles (n, 2) mm, counter-clockwise from the outline's length; outwards (n, 2): unit normals of the
    parallel there; pitch_mm: from each middle to the next."""

    middles: Floats
    outwards: Floats
    pitch_mm: float

    @property
    def nearest_mm(self) -> float:
        """The smallest distance between any two middles."""
        ways = np.linalg.norm(self.middles[:, None] - self.middles, axis=2)
        return float(ways[np.triu_indices(len(ways), 1)].min())


@lru_cache(maxsize=32)
def rounded(outline: Outline) -> Outline:
    """The same outline with an arc of no size at each corner that stands out, so that outward parallels are round
    there."""
    if outline.is_one_piece:
        return outline
    pieces: list[Piece] = []
    for before, after in zip(outline.pieces, outline.pieces[1:] + outline.pieces[:1], strict=True):
        pieces.append(before)
        first, second = before.at(np.ones(1))[1][0], after.at(np.zeros(1))[1][0]
        turn = math.atan2(float(first[0] * second[1] - first[1] * second[0]), float(first @ second))
        if turn > math.radians(SOFT_DEG) and not isinstance(before, Cleft) and not isinstance(after, Cleft):
            x, y = before.at(np.ones(1))[0][0].tolist()
            pieces.append(Arc((x, y), CORNER_MM, CORNER_MM, math.atan2(first[1], first[0]), turn))
    return Outline(tuple(pieces), outline.soft_deg)


def counts_outside(outline: Outline, out_mm: float, chord_mm: float) -> tuple[int, ...]:
    """Segments for each piece of a rounded outline that keep the chord error on its parallel `out_mm` outside."""
    counts = []
    for piece in outline.pieces:
        if isinstance(piece, Arc):
            piece = Arc(piece.centre, piece.x_mm + out_mm, piece.y_mm + out_mm, piece.start_rad, piece.sweep_rad)
        counts.append(piece.segments(chord_mm))
    return tuple(counts)


@lru_cache(maxsize=32)
def curve(outline: Outline, out_mm: float) -> Floats:
    """(n, 2) points, counter-clockwise, of the parallel outside; the first lies on the outline's length."""
    body = rounded(outline)
    chord_mm = CURVE_MM ** 2 / (8.0 * (0.5 * outline.perimeter_mm / math.pi + out_mm))
    loop = body.loop(-out_mm, counts_outside(body, out_mm, chord_mm))
    way = np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1)
    loop = loop[way > SAME_POINT_MM]
    after = np.roll(loop, -1, axis=0)
    ahead = np.flatnonzero((loop[:, 1] <= 0.0) & (after[:, 1] > 0.0) & (loop[:, 0] + after[:, 0] > 0.0))
    if not len(ahead):
        raise GeometryError("surround", "its row does not run round the stone", "turn the stone's outline to run "
                                                                                "about its axis")
    k = int(ahead[0])
    share = -loop[k, 1] / (after[k, 1] - loop[k, 1])
    start = loop[k] + share * (after[k] - loop[k])
    turned = np.concatenate([start[None], np.roll(loop, -k - 1, axis=0)])
    if np.linalg.norm(turned[-1] - start) < SAME_POINT_MM:
        turned = turned[:-1]
    turned.setflags(write=False)
    return turned


@lru_cache(maxsize=128)
def evenly(outline: Outline, out_mm: float, count: int) -> Row:
    """`count` places on the parallel with equal straight distances between neighbours, the first on the outline's
    length. Raises GeometryError if there is no such division."""
    if _is_circle(outline):
        turn = np.arange(count) * (2.0 * math.pi / count)
        outwards, radius = np.column_stack([np.cos(turn), np.sin(turn)]), outline.reach_mm + out_mm
        return Row(radius * outwards, outwards, 2.0 * radius * math.sin(math.pi / count))
    points = curve(outline, out_mm)
    ring = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    length = float(along[-1])
    ways = np.diff(ring, axis=0) / np.diff(along)[:, None]
    at = np.arange(count) * (length / count)
    pitch = length / count

    def places() -> tuple[Floats, Floats]:
        spot = at % length
        i = np.clip(np.searchsorted(along, spot, side="right") - 1, 0, len(ways) - 1)
        return ring[i] + (spot - along[i])[:, None] * ways[i], ways[i]

    for _ in range(TRIES):
        middles, tangents = places()
        steps = np.roll(middles, -1, axis=0) - middles
        chords = np.linalg.norm(steps, axis=1)
        off = chords - pitch
        if np.abs(off).max() < EVEN_MM:
            outwards = np.column_stack([tangents[:, 1], -tangents[:, 0]])
            return Row(middles, outwards, float(chords.mean()))
        units = steps / chords[:, None]
        back, ahead = -np.einsum("ij,ij->i", units, tangents), np.einsum("ij,ij->i", units,
                                                                         np.roll(tangents, -1, axis=0))
        slope = np.zeros((count, count))
        row = np.arange(count)
        slope[row, row] = back
        slope[row, (row + 1) % count] += ahead
        # The first stays where it is; in its column stands the distance that all have in common.
        slope[:, 0] = -1.0
        move = np.linalg.solve(slope, -off)
        common, move[0] = move[0], 0.0
        damped = min(1.0, LONGEST_STEP * pitch / max(float(np.abs(move).max()), 1e-300))
        at = at + damped * move
        pitch += damped * common
    raise GeometryError("surround", f"{count} stones cannot be spread evenly round this outline",
                        "take another number of them")


def _is_circle(outline: Outline) -> bool:
    only = outline.pieces[0]
    return outline.is_one_piece and isinstance(only, Arc) and only.x_mm == only.y_mm


def most_that_fit(outline: Outline, out_mm: float, apart_mm: float) -> Row | None:
    """The row of as many stones as keep their middles at least `apart_mm` apart; None if a ring of FEWEST doesn't fit.

    On a circle that is floor(pi / asin(apart / 2 R)) stones (geometry).
    """
    points = curve(outline, out_mm)
    length = float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())
    for count in range(math.floor(length / apart_mm + SAME_POINT_MM), FEWEST - 1, -1):
        row = evenly(outline, out_mm, count)
        if row.nearest_mm >= apart_mm - SAME_POINT_MM:
            return row
    return None
