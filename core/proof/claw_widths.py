"""How thick claws are along their lines: their least widths in any direction, or the thickness of a V claw's legs."""
from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from ..mesh import Floats, Ints, cross
from .chords import faces
from .claw_measure import ClawMeasure
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

AS_HIGH_MM = 1e-6
"""Heights that differ by less are one. Smaller: what rounding makes of one is looked at twice."""

TOGETHER = 12
"""How many stretches of round claws are looked at in one go. Only the time taken depends on it."""

Stretch = tuple[ClawMeasure, Floats]
"""A claw and the heights (k,) at which it is looked at."""


def widths_along(frame: Frame, stretches: Sequence[Stretch]) -> list[Floats]:
    """For each stretch (k,) least widths square to the claw's line, in six directions, or the least thickness of a V's
    legs, mm; 0 where there is no metal."""
    found = [np.zeros(len(heights)) for _, heights in stretches]
    firsts = _firsts(frame, stretches)
    are_round = [i for i, (claw, _) in enumerate(stretches) if not claw.is_v and firsts[i] == i]
    for start in range(0, len(are_round), TOGETHER):
        some = are_round[start:start + TOGETHER]
        for i, widths in zip(some, _round_widths(frame, [stretches[i] for i in some])):
            found[i] = widths
    for i, (claw, heights) in enumerate(stretches):
        widths = found[i]
        if firsts[i] < i:
            widths[:] = found[firsts[i]]
        elif claw.is_v:
            levels = [frame.part_at(claw.name, z) for z in heights.tolist()]
            known = np.flatnonzero([len(loops) > 0 for loops in levels])
            if len(known):
                widths[known] = _thinnest_legs(claw, [largest(loops) for loops in levels if loops],
                                               claw.at_heights(heights[known]))
    return found


def _firsts(frame: Frame, stretches: Sequence[Stretch]) -> list[int]:
    """For each stretch the first of a claw that is known to be the same in another place, looked at as high; itself where there is
    none."""
    firsts: dict[tuple[str, bytes], int] = {}
    return [firsts.setdefault((frame.first_of(claw.name), np.round(heights / AS_HIGH_MM).tobytes()), i)
            for i, (claw, heights) in enumerate(stretches)]


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
    counts = np.array([len(heights) for _, heights in stretches])
    owner, heights = np.repeat(np.arange(len(counts)), counts), np.concatenate([each for _, each in stretches])
    for k in _lacking(areas, owner, len(counts)):
        claw, height = stretches[owner[k]][0], heights[k:k + 1]
        turn = _square_to_lines([(claw, height)])[0]
        widths[k] = min(widths[k], _through_middle(largest(frame.part_at(claw.name, float(height[0]))) @ turn))
    return np.split(widths, np.cumsum(counts)[:-1])


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


def _lacking(areas: Floats, owner: np.ndarray, count: int) -> list[int]:
    """Which sections have less than their expected area: there metal is missing. Of areas (k,) mm2, of so many stretches,
    owner (k,): of which."""
    known = np.flatnonzero(areas)
    areas, owner = areas[known], owner[known]
    many = np.bincount(owner, minlength=count)
    steps = np.arange(len(known)) - (np.cumsum(many) - many + (many - 1) / 2.0)[owner]
    # By the straight line nearest to all of a stretch; two only say that the larger is whole.
    squares, products = (np.bincount(owner, steps * each, count) for each in (steps, areas))
    growth = np.where(many > 2, products / np.maximum(squares, 1.0), 0.0)
    whole, most = np.bincount(owner, areas, count) / np.maximum(many, 1), np.zeros(count)
    np.maximum.at(most, owner, areas)
    expected = np.where(many > 2, whole, most)[owner] + growth[owner] * steps
    lacking: list[int] = known[areas < WHOLE_SHARE * expected].tolist()
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
    spines, slopes = np.array([claw.spine for claw, _ in stretches]), np.array([claw.slope for claw, _ in stretches])
    outwards = np.array([claw.outwards for claw, _ in stretches])
    across = np.column_stack([-outwards[:, 1], outwards[:, 0]])
    z = spines[:, :, 2]
    steps = (spines[:, 1:, :2] - spines[:, :-1, :2]) / (z[:, 1:] - z[:, :-1])[:, :, None]
    # Near the girdle the lean is known better than by the last step.
    middles = np.column_stack([(z[:, 1:] + z[:, :-1]) / 2.0, z[:, -1]])
    ahead = np.column_stack([np.einsum("ikj,ij->ik", steps, outwards), slopes])
    aside = np.einsum("ikj,ij->ik", steps, across)
    heights = [each for _, each in stretches]
    owner = np.repeat(np.arange(len(stretches)), [len(each) for each in heights])
    level, along = outwards[owner], np.concatenate(list(map(np.interp, heights, middles, ahead)))
    line = along[:, None] * level
    line += np.concatenate(list(map(np.interp, heights, middles[:, :-1], aside)))[:, None] * across[owner]
    line = np.column_stack([line, np.ones(len(line))])
    line /= np.sqrt(np.einsum("ij,ij->i", line, line))[:, None]
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
