"""How thick claws are along their lines: their least widths in any direction, or the thickness of a V claw's legs."""
from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..mesh import Floats, cross
from .chords import faces
from .claw_measure import ClawMeasure, straight_line
from .frame import Frame
from .loops import crossings, largest, middle_of

WHOLE_SHARE = 0.98
"""A section of a claw with less of its expected area than this is looked through. Larger: whole ones are too."""

DIRECTIONS = 6
"""In how many directions a width is taken, 30° apart. Fewer: a claw filed flat across them is read too thick."""

TURNS = np.arange(DIRECTIONS) * (np.pi / DIRECTIONS)
LINES = np.column_stack([np.cos(TURNS), np.sin(TURNS)])
"""Unit ways in those directions."""

Stretch = tuple[ClawMeasure, Floats]
"""A claw and the heights (k,) at which it is looked at."""


def widths_along(frame: Frame, stretches: Sequence[Stretch]) -> list[Floats]:
    """For each stretch (k,) least widths square to the claw's line, in six directions, or the least thickness of a V's
    legs, mm; 0 where there is no metal. Round claws are all looked at together."""
    rings = [[largest(loops) if loops else None for loops in (frame.part_at(claw.name, z) for z in heights.tolist())]
             for claw, heights in stretches]
    found = [np.zeros(len(heights)) for _, heights in stretches]
    turns = _square_to_lines(stretches)
    pieces: list[Floats] = []
    spans: list[tuple[Floats, np.ndarray, int]] = []
    for (claw, heights), own, widths, turn in zip(stretches, rings, found, turns):
        known = np.flatnonzero([ring is not None for ring in own])
        if not len(known):
            continue
        known_rings = [ring for ring in own if ring is not None]
        if claw.is_v:
            widths[known] = _thinnest_legs(claw, known_rings, claw.at_heights(heights[known]))
            continue
        # A level section is longer along the tilt; undo that before reading the widths.
        pieces += [ring @ each for ring, each in zip(known_rings, turn[known])]
        spans.append((widths, known, len(pieces)))
    if not pieces:
        return found
    flat = np.concatenate(pieces)
    sizes = np.array([len(piece) for piece in pieces])
    starts = np.cumsum(sizes) - sizes
    along = LINES @ flat.T
    least = (np.maximum.reduceat(along, starts, axis=1) - np.minimum.reduceat(along, starts, axis=1)).min(axis=0)
    after = np.arange(1, len(flat) + 1)
    after[starts + sizes - 1] = starts
    areas = np.abs(np.add.reduceat(flat[:, 0] * flat[after, 1] - flat[:, 1] * flat[after, 0], starts)) / 2.0
    for widths, known, end in spans:
        own_pieces = slice(end - len(known), end)
        widths[known] = np.minimum(least[own_pieces], _through_middles(pieces[own_pieces], areas[own_pieces]))
    return found


def _through_middles(pieces: Sequence[Floats], areas: Floats) -> Floats:
    """(k,) mm through the middle of those sections (k) of one claw where metal is missing by their areas, mm2, which is what
    is left, however far its ends stand apart; inf of whole ones."""
    steps = np.arange(len(areas), dtype=np.float64)
    growth, start = straight_line(areas, steps) if len(areas) > 2 else (0.0, float(areas.max()))
    through = np.full(len(areas), np.inf)
    for k in np.flatnonzero(areas < WHOLE_SHARE * (start + growth * steps)).tolist():
        ways = crossings([pieces[k]], np.tile(middle_of(pieces[k]), (DIRECTIONS, 1)), LINES)
        ahead = np.where(ways >= 0.0, ways, np.inf).min(axis=1)
        behind = np.where(ways < 0.0, -ways, np.inf).min(axis=1)
        through[k] = (ahead + behind).min()
    return through


def _square_to_lines(stretches: Sequence[Stretch]) -> list[Floats]:
    """For each stretch (k, 2, 2) what turns level ways into ways outwards and along, square to the claw's line."""
    lines = []
    for claw, heights in stretches:
        z = claw.spine[:, 2]
        steps = np.diff(claw.spine[:, :2], axis=0) / np.diff(z)[:, None]
        middles = (z[1:] + z[:-1]) / 2.0
        # Near the girdle the lean is known better than by the last step.
        outwards = np.interp(heights, np.append(middles, z[-1]), np.append(steps @ claw.outwards, claw.slope))
        across = np.array([-claw.outwards[1], claw.outwards[0]])
        lines.append(np.outer(outwards, claw.outwards) + np.outer(np.interp(heights, middles, steps @ across), across))
    sizes = [len(each) for each in lines]
    line = np.column_stack([np.concatenate(lines), np.ones(sum(sizes))])
    line /= np.sqrt(np.einsum("ij,ij->i", line, line))[:, None]
    level = np.repeat([claw.outwards for claw, _ in stretches], sizes, axis=0)
    out = np.column_stack([level, np.zeros(len(level))]) - line * np.einsum("ij,ij->i", line[:, :2], level)[:, None]
    out /= np.sqrt(np.einsum("ij,ij->i", out, out))[:, None]
    turns = np.stack([out[:, :2], cross(line, out)[:, :2]], axis=2)
    return np.split(turns, np.cumsum(sizes)[:-1])


def _thinnest_legs(claw: ClawMeasure, rings: Sequence[Floats], middles: Floats) -> Floats:
    """(k,) of a V's sections, with the claw's middles (k, 3) there: the thinner leg, square to its line, half way along."""
    shifted = [[ring - shift] for ring, shift in zip(rings, middles[:, :2] - claw.spine[-1, :2])]
    inner, outer = faces(shifted, np.array([leg.edge for leg in claw.legs]), np.array([leg.outwards for leg in claw.legs]))
    thickness: Floats = (np.nan_to_num(outer - inner) * [leg.lean for leg in claw.legs]).min(axis=1)
    return thickness
