"""Windows in a wall of few, flat panels: every corner of a window lies on the panel between two of the wall's stations, and
every station that passes a window has a corner above and below it, so that all stays as flat as the wall itself."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints
from ..stone.outline import Outline
from .columns import Run, points_at
from .windows import Window

PER_CHORD = 8
"""Places of each chord of an arch at which the arch is known. Fewer: a corner on a station lies off it."""

NEAR = 2.5
"""Corners of an arch that lie nearer to one on a station, in such places, are left out. Smaller: thin triangles."""

Chain = tuple[Floats, Floats]
"""Spots and heights (m,), mm, of corners one after the other."""


@dataclass(frozen=True)
class Framed:
    """A window's corners, spots and heights (m,), and how they join the block of a wall's cells about it: at each step
    round the window (p,), which row and which station of the block, and which corner."""

    spots: Floats
    heights: Floats
    rows: Ints
    stations: Ints
    corners: Ints


def framed(window: Window, run: Run, stations: Floats, rows: int, chord_mm: float) -> Framed:
    """A window among stations (k,), spots that rise from one before it to one after it, in so many rows of cells."""
    lower, upper = _chains(window, run, stations, chord_mm)
    middle = 0.5 * (lower[0][0] + lower[0][-1])
    below, above = _joined(lower[0], stations, middle), _joined(upper[0][::-1], stations, middle)
    # The upper chain runs back, from the lower one's last corner to its first.
    many, last = len(lower[0]) + len(upper[0]) - 2, len(lower[0]) - 1
    steps = [(0, station, corner) for station, corner in below]
    steps += [(row, len(stations) - 1, last) for row in range(1, rows)]
    steps += [(rows, station, (last + len(upper[0]) - 1 - corner) % many) for station, corner in above[::-1]]
    steps += [(row, 0, 0) for row in range(rows - 1, 0, -1)]
    row, at, corners = np.array(steps, np.int32).T
    return Framed(np.concatenate([lower[0], upper[0][1:-1]]), np.concatenate([lower[1], upper[1][1:-1]]), row, at, corners)


def on_panels(outline: Outline, stations: Floats, spots: Floats, insets: Floats) -> Floats:
    """(m, 2) points at spots (m,) of the parallels at insets (m,), on the chords between stations (k,)."""
    k = np.clip(np.searchsorted(stations, spots, side="right") - 1, 0, len(stations) - 2)
    share = ((spots - stations[k]) / (stations[k + 1] - stations[k]))[:, None]
    chord: Floats = ((1.0 - share) * points_at(outline, stations[k], insets)
                     + share * points_at(outline, stations[k + 1], insets))
    return chord


def _chains(window: Window, run: Run, stations: Floats, chord_mm: float) -> tuple[Chain, Chain]:
    """A window's lower corners from its leftmost to its rightmost, and its upper ones from there back."""
    across = window.arch_chords(chord_mm)
    lengths, heights = window.edge_in_chords(1, PER_CHORD * across)
    spots = run.spot(lengths, np.asarray(window.face.inset(heights)), window.bay)
    arch = _arch(spots[2:], heights[2:], stations)
    sill = _crossed((spots[:2], heights[:2]), stations)
    right = _crossed((spots[1:3], heights[1:3]), stations)
    left = _crossed((spots[[-1, 0]], heights[[-1, 0]]), stations)
    lower, upper = [sill], [arch]
    # Jambs lean out in a wall that widens upwards; in one that narrows they lie above the sill's ends.
    lower, upper = ([left, *lower], upper) if spots[-1] <= spots[0] else (lower, [*upper, left])
    lower, upper = ([*lower, right], upper) if spots[2] >= spots[1] else (lower, [right, *upper])
    return _linked(lower), _linked(upper)


def _linked(chains: list[Chain]) -> Chain:
    """Chains, each of which starts where the one before it ends."""
    parts = [tuple(row[k > 0:] for row in chain) for k, chain in enumerate(chains)]
    return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])


def _crossed(ends: Chain, stations: Floats) -> Chain:
    """A straight side with a corner at each station that it passes."""
    (start, end), (low, high) = ends
    passed = stations[(stations > min(start, end)) & (stations < max(start, end))]
    passed = passed if end > start else passed[::-1]
    share = (passed - start) / (end - start) if len(passed) else passed
    return np.array([start, *passed, end]), np.array([low, *(low + (high - low) * share), high])


def _arch(spots: Floats, heights: Floats, stations: Floats) -> Chain:
    """The corners of an arch, known at many places from right to left: at each station that it passes, and at the ends of
    its chords between them."""
    places = np.arange(len(spots))
    passed = stations[(stations > spots[-1]) & (stations < spots[0])][::-1]
    crossed = np.interp(-passed, -spots, places)
    kept = places[::PER_CHORD]
    kept = kept[(np.abs(kept[:, None] - crossed) > NEAR).all(axis=1) | (kept == 0) | (kept == places[-1])]
    order = np.argsort(np.concatenate([kept, crossed]), kind="stable")
    return (np.concatenate([spots[kept], passed])[order],
            np.concatenate([heights[kept], np.interp(crossed, places, heights)])[order])


def _joined(spots: Floats, stations: Floats, middle: float) -> list[tuple[int, int]]:
    """Pairs of a station and a corner from left to right, each a step on from the last: corners (m,) between two stations
    join the one towards the nearer end of the window, from where they are all in sight."""
    left = np.searchsorted(stations, spots, side="right") - 1
    joins = np.where(spots <= middle, left, np.searchsorted(stations, spots, side="left"))
    pairs, at = [(0, 0)], 0
    for corner, station in enumerate(np.maximum.accumulate(joins).tolist()):
        # Stations that pass the window by join its outermost corner.
        pairs += [(k, max(corner - 1, 0)) for k in range(at + 1, station)]
        pairs.append((station, corner))
        at = station
    return pairs + [(k, len(spots) - 1) for k in range(at + 1, len(stations))]
