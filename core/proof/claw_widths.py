"""How thick claws are along their lines: their least widths in any direction, or the thickness of a V claw's legs."""
from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from ..mesh import Floats, Ints, cross
from .chords import faces
from .claw_measure import ClawMeasure, straight_line
from .frame import Frame
from .loops import crossings, edges_of, largest, middle_of

WHOLE_SHARE = 0.98
"""A section of a claw with less of its expected area than this is looked through. Larger: whole ones are too."""

DIRECTIONS = 6
"""In how many directions a width is taken, 30° apart. Fewer: a claw filed flat across them is read too thick."""

TURNS = np.arange(DIRECTIONS) * (np.pi / DIRECTIONS)
LINES = np.column_stack([np.cos(TURNS), np.sin(TURNS)])
"""Unit ways in those directions."""

ROUNDING_MM = 1e-9
"""How far the sides of a section may be longer than twice its width for it to be one plain loop. Larger: loops would be
taken for one that just miss it; smaller: most sections are cut twice."""

Stretch = tuple[ClawMeasure, Floats]
"""A claw and the heights (k,) at which it is looked at."""


def widths_along(frame: Frame, stretches: Sequence[Stretch]) -> list[Floats]:
    """For each stretch (k,) least widths square to the claw's line, in six directions, or the least thickness of a V's
    legs, mm; 0 where there is no metal. Round claws are all looked at together."""
    found = [np.zeros(len(heights)) for _, heights in stretches]
    are_round = [i for i, (claw, _) in enumerate(stretches) if not claw.is_v]
    if are_round:
        for i, widths in zip(are_round, _round_widths(frame, [stretches[i] for i in are_round])):
            found[i] = widths
    for (claw, heights), widths in zip(stretches, found):
        if claw.is_v:
            levels = [frame.part_at(claw.name, z) for z in heights.tolist()]
            known = np.flatnonzero([len(loops) > 0 for loops in levels])
            if len(known):
                widths[known] = _thinnest_legs(claw, [largest(loops) for loops in levels if loops],
                                               claw.at_heights(heights[known]))
    return found


def _round_widths(frame: Frame, stretches: Sequence[Stretch]) -> list[Floats]:
    """The same for claws that are no V, from the sides of their sections alone, in whatever order they come."""
    starts, ways, sizes = _sides(frame, stretches)
    levels = np.flatnonzero(sizes)
    widths, areas = np.zeros(len(sizes)), np.zeros(len(sizes))
    if len(levels):
        # A level section is longer along the tilt; undo that before reading the widths.
        turned = np.repeat(_square_to_lines(stretches), sizes, axis=0)
        starts, ways = (np.einsum("ji,ijk->ki", each, turned) for each in (starts, ways))
        first = (np.cumsum(sizes) - sizes)[levels]
        widths[levels] = _wide(LINES @ starts, first).min(axis=0)
        areas[levels] = np.abs(np.add.reduceat(starts[0] * ways[1] - starts[1] * ways[0], first)) / 2.0
    end = 0
    for claw, heights in stretches:
        start, end = end, end + len(heights)
        for k in _lacking(areas[start:end]):
            turn = _square_to_lines([(claw, heights[k:k + 1])])[0]
            through = _through_middle(largest(frame.part_at(claw.name, float(heights[k]))) @ turn)
            widths[start + k] = min(widths[start + k], through)
    return np.split(widths, np.cumsum([len(heights) for _, heights in stretches])[:-1])


def _sides(frame: Frame, stretches: Sequence[Stretch]) -> tuple[Floats, Floats, Ints]:
    """Starts and ways, each (2, e), of the sides of all sections of all stretches, each claw's together, where one has
    several loops those of its largest, and (k,) how many sides each has."""
    heights = {name: np.concatenate([each for _, each in own]) for name, own in groupby(stretches, lambda each: each[0].name)}
    starts, ways, sizes = frame.claw_sides(heights)
    starts, ways = starts.T.copy(), ways.T.copy()
    levels, first = np.flatnonzero(sizes), (np.cumsum(sizes) - sizes)[sizes > 0]
    if not len(levels):
        return starts, ways, sizes
    # One loop that goes once there and back in both directions is as long in each as it is wide, twice over.
    over = np.abs(np.add.reduceat(np.abs(ways), first, axis=1) - 2.0 * _wide(starts, first)).max(axis=0)
    several = levels[over > ROUNDING_MM].tolist()
    if several:
        ends = np.cumsum(sizes)[:-1]
        split_starts, split_ways = np.split(starts, ends, axis=1), np.split(ways, ends, axis=1)
        where = [(claw.name, z) for claw, heights in stretches for z in heights.tolist()]
        for k in several:
            loops = frame.part_at(*where[k])
            split_starts[k], split_ways[k] = (each.T for each in edges_of([largest(loops)] if loops else []))
        starts, ways = np.concatenate(split_starts, axis=1), np.concatenate(split_ways, axis=1)
        sizes = np.array([each.shape[1] for each in split_starts])
    return starts, ways, sizes


def _wide(values: Floats, first: Ints) -> Floats:
    """(m, k) least to greatest of values (m, e) in runs that begin at (k,)."""
    wide: Floats = np.maximum.reduceat(values, first, axis=1) - np.minimum.reduceat(values, first, axis=1)
    return wide


def _lacking(areas: Floats) -> list[int]:
    """Which sections of one claw have less than their expected area, (k,) mm2: there metal is missing."""
    known = np.flatnonzero(areas)
    if not len(known):
        return []
    steps = np.arange(len(known), dtype=np.float64)
    growth, start = straight_line(areas[known], steps) if len(known) > 2 else (0.0, float(areas.max()))
    lacking: list[int] = known[areas[known] < WHOLE_SHARE * (start + growth * steps)].tolist()
    return lacking


def _through_middle(ring: Floats) -> float:
    """The least way through the middle of a section (k, 2), mm: what is left where metal is missing, however far its
    ends stand apart."""
    ways = crossings([ring], np.tile(middle_of(ring), (DIRECTIONS, 1)), LINES)
    ahead, behind = np.where(ways >= 0.0, ways, np.inf), np.where(ways < 0.0, -ways, np.inf)
    return float((ahead.min(axis=1) + behind.min(axis=1)).min())


def _square_to_lines(stretches: Sequence[Stretch]) -> Floats:
    """(k, 2, 2) for all heights of all stretches what turns level ways into ways outwards and along, square to the
    claw's line."""
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
    turns: Floats = np.stack([out[:, :2], cross(line, out)[:, :2]], axis=2)
    return turns


def _thinnest_legs(claw: ClawMeasure, rings: Sequence[Floats], middles: Floats) -> Floats:
    """(k,) of a V's sections, with the claw's middles (k, 3) there: the thinner leg, square to its line, half way
    along it."""
    shifted = [[ring - shift] for ring, shift in zip(rings, middles[:, :2] - claw.spine[-1, :2])]
    edges, outwards = np.array([leg.edge for leg in claw.legs]), np.array([leg.outwards for leg in claw.legs])
    inner, outer = faces(shifted, edges, outwards)
    thickness: Floats = (np.nan_to_num(outer - inner) * [leg.lean for leg in claw.legs]).min(axis=1)
    return thickness
