"""Columns of a wall: stations along the outline that stay square to it from parallel to parallel.

The rows of a plain wall divide each parallel evenly, so that their points wander along a side as its corners come in.
What is cut into a wall needs stations that don't: those between the corners of all parallels stay in place, and only
the few towards a corner follow it.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats
from ..stone.outline import Arc, Cleft, Outline

FEWEST = 2
"""A piece with fewer steps between its corners has no station that stays in place."""

RUN_STEPS = 64
"""Steps per piece at which its length is known. Fewer: windows stray along an oval."""


@dataclass(frozen=True, eq=False)
class Columns:
    """insets (k,) rising, mm; points (k, n, 2) mm: the stations on the parallels there, counter-clockwise; spots (n,):
    the place of each station that stays in place, piece number and parameter in one number; nan at the others; along
    (n,): the same of every station, on the outermost of the parallels."""

    insets: Floats
    points: Floats
    spots: Floats
    along: Floats

    def at(self, insets: Floats) -> Floats:
        """(r, n, 2) points at insets (r, n), one for each station; straight between the parallels."""
        last = len(self.insets) - 1
        k = np.clip(np.searchsorted(self.insets, insets, side="right") - 1, 0, max(last - 1, 0))
        low, high = self.insets[k], self.insets[np.minimum(k + 1, last)]
        share = np.where(high > low, (insets - low) / np.where(high > low, high - low, 1.0), 0.0)[..., None]
        n = np.arange(self.points.shape[1])
        found: Floats = self.points[k, n] * (1.0 - share) + self.points[np.minimum(k + 1, last), n] * share
        return found

    @property
    def bends_mm(self) -> Floats:
        """(n,) how far each station leaves the straight way from the first to the last parallel, mm."""
        shares = ((self.insets - self.insets[0]) / max(self.insets[-1] - self.insets[0], 1e-300))[:, None, None]
        off = self.points - (self.points[0] + shares * (self.points[-1] - self.points[0]))
        most: Floats = np.linalg.norm(off, axis=2).max(axis=0)
        return most


def columns(outline: Outline, insets: Floats, pitch_mm: float, chord_mm: float) -> Columns:
    """Stations about a pitch apart, for parallels at rising insets (k,), mm. Raises GeometryError as `Outline.loop`."""
    starts, ends, joints = outline.trims(insets)
    points, spots, along = [], [], []
    for i, (piece, length) in enumerate(zip(outline.pieces, outline.lengths_mm, strict=True)):
        is_gone = np.isnan(starts[:, i])
        start, end = np.where(is_gone, 0.0, starts[:, i]), np.where(is_gone, 1.0, ends[:, i])
        steps = piece.segments(chord_mm) if isinstance(piece, Cleft) else max(FEWEST, math.ceil(length / pitch_mm))
        if isinstance(piece, Arc):
            steps = max(steps, piece.segments(chord_mm))
        t, is_kept = _parameters(start, end, steps, bool(is_gone.any()))
        at, normals, _, _ = (row.reshape(*t.shape, 2) for row in piece.at(t.ravel()))
        moved = at - insets[:, None, None] * normals
        points.append(np.where(is_gone[:, None, None], joints[:, i, None], moved))
        spots.append(np.where(is_kept, i + t[0], np.nan))
        along.append(i + t[0])
    return Columns(insets, np.concatenate(points, axis=1), np.concatenate(spots), np.concatenate(along))


def _parameters(start: Floats, end: Floats, steps: int, is_gone: bool) -> tuple[Floats, Floats]:
    """(k, m) parameters of a piece's stations on each parallel, without its end, and (m,) which stay in place."""
    first, last = float(start.max()), float(end.min())
    inner = 2 * math.ceil(steps * (last - first) / 2.0 - 1e-9)  # even, for a window as wide as its side
    if is_gone or inner < FEWEST:
        shares = np.arange(steps) / steps
        return start[:, None] + (end - start)[:, None] * shares, np.zeros(steps, bool)
    kept = np.broadcast_to(first + (last - first) * np.arange(inner + 1) / inner, (len(start), inner + 1))
    before = max(1, math.ceil(steps * (first - float(start.min())))) if first > 0.0 else 0
    after = max(1, math.ceil(steps * (float(end.max()) - last))) if last < 1.0 else 0
    rows = [start[:, None] + (first - start)[:, None] * np.arange(before) / max(before, 1), kept[:, :inner],
            kept[:, inner:] + (end - last)[:, None] * np.arange(after) / max(after, 1)]
    is_kept = np.zeros(before + inner + after, bool)
    is_kept[before:before + inner + min(after, 1)] = True
    return np.concatenate(rows, axis=1), is_kept


@dataclass(frozen=True, eq=False)
class Run:
    """How far along the outline and its parallels a spot is: three rounds of spots (m,), with the outline's length up to
    each, mm, and by how much it has turned, rad. Corners and clefts turn, but have no length on the outline."""

    spots: Floats
    lengths: Floats
    turns: Floats
    pieces: int

    @classmethod
    def along(cls, outline: Outline) -> Run:
        """The run along an outline."""
        spots, lengths, turns = [np.zeros(1)], [np.zeros(1)], [np.zeros(1)]
        fine = np.linspace(0.0, 1.0, 2 * RUN_STEPS + 1)
        for i, piece in enumerate(outline.pieces):
            _, normals, along, _ = piece.at(fine)
            speed = np.hypot(along[:, 0], along[:, 1])
            steps = (speed[:-2:2] + 4.0 * speed[1::2] + speed[2::2]) / (6.0 * RUN_STEPS)  # Simpson's rule
            turn = np.unwrap(np.arctan2(normals[::2, 1], normals[::2, 0]))
            spots.append(i + fine[2::2])
            lengths.append(lengths[-1][-1] + np.cumsum(steps))
            turns.append(turns[-1][-1] + turn[1:] - turn[0])
        tables = [np.concatenate(rows) for rows in (spots, lengths, turns)]
        around = [np.concatenate([table, table[1:] + table[-1], table[1:] + 2.0 * table[-1]]) for table in tables]
        return cls(around[0], around[1], around[2], len(outline.pieces))

    def length(self, spot: Floats | float, inset: Floats | float) -> Floats:
        """Along the parallel at an inset, mm, without what its corners take away."""
        turned = np.asarray(inset) * np.interp(spot, self.spots, self.turns)
        length: Floats = np.interp(spot, self.spots, self.lengths) - turned
        return length

    def spot(self, length: Floats, inset: Floats, between: tuple[float, float]) -> Floats:
        """The spots (m,), between two others, that lie so far along the parallels at insets (m,): `length` turned round.
        Between them no corner may swallow any of the parallels."""
        ways = np.array([between[0], *self.spots[(self.spots > between[0]) & (self.spots < between[1])], between[1]])
        # Straight from each of these to the next, as the tables are.
        at = np.interp(ways, self.spots, self.lengths) - inset[:, None] * np.interp(ways, self.spots, self.turns)
        after = np.clip((at < length[:, None]).sum(axis=1), 1, len(ways) - 1)
        each = np.arange(len(length))
        low, high = at[each, after - 1], at[each, after]
        found: Floats = ways[after - 1] + (length - low) / (high - low) * (ways[after] - ways[after - 1])
        return found


def points_at(outline: Outline, spots: Floats, insets: Floats) -> Floats:
    """(m, 2) points at spots (m,) of the parallels at insets (m,), mm, square to the outline."""
    points = np.empty((len(spots), 2))
    which = np.floor(spots).astype(int)
    for i in np.unique(which):
        here = which == i
        at, normals, _, _ = outline.pieces[i % len(outline.pieces)].at(spots[here] - i)
        points[here] = at - insets[here, None] * normals
    return points
