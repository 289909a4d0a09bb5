"""The runs of the metal's parts and their sections square to them: rings about an axis, uprights, and bars any way.

A section counts as that of the round bar that freezes as late: by Chvorinov's rule (from memory) that goes with the square of
its area over its edge, so that a plate is no larger for being wider.
"""
from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, section, triangles_of
from ..solid.slicer import OFF_LINE, Slicer, round_sides
from ..tolerance import READ_MM
from .loops import are_inside_sides, area_mm2, edges_of

STATION_MM, FEWEST = 0.25, 6
"""How far apart sections are taken along a run, and how many at least. Larger distances: short necks are passed over."""

LEVEL_MM, MOST_LEVELS = 0.25, 24
"""How far apart uprights are cut, and at how many heights at most. Larger distances: short necks are passed over."""

JOINT_LEVELS = (4, 8)
"""At how many heights within a ring its joints with uprights are read: fewest and most. Fewer: joints are read coarsely."""

WINDOW_MM = 0.05
"""How high an opening in an upright section is that makes a window. Smaller: slivers do."""

BAR_LEVELS = (0.25, 0.5, 0.75)
"""At which shares of a window's height bars are read."""

SIDES = ("left", "right")
RINGS, UPRIGHTS = ("wall", "rail", "rim", "plate"), ("claw", "peg", "bead")
"""How parts' names begin on side heads, and the kinds of parts that run round an axis, and upright."""


@dataclass(frozen=True, eq=False)
class Run:
    """A part, or what windows make of one: sections (n,), mm2, and their middles (n, 3), in order along it.

    name: as a sentence tells it; kind: "wall", "claw"…; part: its name; low_mm, high_mm: its heights.
    """

    name: str
    kind: str
    part: str
    sections: Floats
    places: Floats
    low_mm: float
    high_mm: float

    @property
    def is_ring(self) -> bool:
        return self.kind in RINGS

    def nearest(self, place: Floats) -> int:
        """Which of its sections is the nearest to a place (3,)."""
        return int(np.argmin(np.linalg.norm(self.places - place, axis=1)))


def kind_of(part: str) -> str:
    """"left claw 3" -> "claw", "upper rail" -> "rail", "left bridge" -> "bridge"."""
    words = [word for word in part.split() if not word.isdigit()]
    return words[-1] if words else part


def head_of(part: str) -> str:
    """The side that a part is of; empty for the centre's."""
    first = part.split()[0] if part else ""
    return first if first in SIDES else ""


def shown(part: str) -> str:
    """A part's name in a sentence."""
    return part if part[-1:].isdigit() else f"the {part}"


def round_section(area_mm2: Floats, edge_mm: Floats) -> Floats:
    """The section of a round bar that freezes as late as one of these areas and edges, mm2."""
    found: Floats = 4.0 * math.pi * (area_mm2 / np.maximum(edge_mm, 1e-9)) ** 2
    return found


def _summed(at: np.ndarray, weights: Floats, count: int) -> Floats:
    """(count,) the sums of weights (e,) with the same number (e,)."""
    return np.asarray(np.bincount(at, weights, count), np.float64)


def _measured(starts: Floats, ways: Floats, at: np.ndarray, count: int) -> tuple[Floats, Floats, Floats]:
    """Of so many sections, from their sides (e, 2) and which is whose (e,): areas, mm2, edges, mm, and middles (count, 2)."""
    (x, y), (way_x, way_y) = starts.T, ways.T
    doubled = x * way_y - y * way_x
    area = _summed(at, doubled, count) / 2.0
    edge = _summed(at, np.sqrt(way_x * way_x + way_y * way_y), count)
    sixfold = np.where(np.abs(area) < 1e-12, 1.0, area) * 6.0
    middles = [_summed(at, (2.0 * start + way) * doubled, count) / sixfold for start, way in ((x, way_x), (y, way_y))]
    size: Floats = np.abs(area)
    return size, edge, np.column_stack(middles)


class Ring:
    """A part that runs round an axis (2,), and the sides of its sections at even turns: starts and ways, each (e, 2), out from
    the axis and up, and (e,) at which turn."""

    def __init__(self, part: str, solid: Solid, axis: Floats) -> None:
        self.part, self.solid, self.axis = part, solid, axis
        vertices, triangles = triangles_of(solid)
        x, y = (vertices[:, :2] - axis).T
        self.turns = max(FEWEST, math.ceil(2.0 * math.pi * math.sqrt(float((x * x + y * y).max())) / STATION_MM))
        self.starts, self.ways, self.at = round_sides(vertices, triangles, axis, self.turns)
        self.low_mm, self.high_mm = float(vertices[:, 2].min()), float(vertices[:, 2].max())
        angles = (np.arange(self.turns) + OFF_LINE) * (2.0 * math.pi / self.turns)
        self._cos, self._sin = np.cos(angles), np.sin(angles)
        self._is_open = np.zeros(self.turns, bool)

    def runs(self) -> Iterator[Run]:
        """The whole ring as one run; where windows go through it what is under and over them, and the bars between."""
        window = self._window() if kind_of(self.part) == "wall" else None
        if window is None:
            yield self._run(shown(self.part), self.low_mm, self.high_mm)
            return
        foot, head = window
        yield self._run(f"{shown(self.part)} under its windows", self.low_mm, foot)
        yield self._run(f"{shown(self.part)} over its windows", head, self.high_mm)
        levels = [foot + share * (head - foot) for share in BAR_LEVELS]
        found = [self._islands(level) for level in levels]
        own = found[len(levels) // 2][2]
        for nth, middle in enumerate(own):
            # Of the cuts that show as many bars each one's own; of others none.
            each = [(area[k], edge[k], [*middles[k], level])
                    for level, (area, edge, middles) in zip(levels, found)
                    if len(middles) == len(own) for k in [int(np.argmin(((middles - middle) ** 2).sum(axis=1)))]]
            areas, edges, places = (np.array(part) for part in zip(*each))
            yield Run(f"bar {nth + 1} of {shown(self.part)}", "bar", self.part, round_section(areas, edges), places, foot, head)

    def _islands(self, height_mm: float) -> tuple[Floats, Floats, Floats]:
        """Of each piece of a level cut the area, mm2, edge, mm, and middle (n, 2)."""
        loops = section(self.solid, height_mm)
        of = np.repeat(np.arange(len(loops)), [len(loop) for loop in loops])
        area, edge, middles = _measured(*edges_of(loops), of, len(loops))
        is_piece = np.array([area_mm2([loop]) > 0.0 for loop in loops], bool)
        return area[is_piece], edge[is_piece], middles[is_piece]

    def turn_of(self, points: Floats) -> np.ndarray:
        """(n,) the nearest turns to points (n, 2 or more)."""
        x, y = (points[:, :2] - self.axis).T
        turn = np.round(np.arctan2(y, x) * (self.turns / (2.0 * math.pi)) - OFF_LINE)
        return np.asarray(turn.astype(np.int64) % self.turns)

    def under_bar(self, place: Floats) -> list[int]:
        """The turns on both sides of that of a place (3,) as far as to the next window, its own among them, in order."""
        middle = int(self.turn_of(place[None])[0])
        open_at = np.flatnonzero(self._is_open)
        after, before = int(((open_at - middle - 1) % self.turns).min()), int(((middle - 1 - open_at) % self.turns).min())
        return [turn % self.turns for turn in range(middle - before, middle + after + 1)]

    def holds(self, points: Floats) -> np.ndarray:
        """(n,) bool: which points (n, 3) lie in the section at the nearest turn."""
        x, y = (points[:, :2] - self.axis).T
        turn = self.turn_of(points)
        is_asked = np.zeros(self.turns, bool)
        is_asked[turn] = True
        some = np.flatnonzero(is_asked[self.at])
        own = np.column_stack([np.sqrt(x * x + y * y), points[:, 2]])
        return are_inside_sides(self.starts[some], self.ways[some], self.at[some], own, turn)

    def _run(self, name: str, low_mm: float, high_mm: float) -> Run:
        """The run of what lies between two heights."""
        starts, ways, at = self._between(low_mm, high_mm)
        area, places = self._middles(starts, ways, at)
        # Square to the run a section is narrower than along a plane through the axis.
        common = self._of_common(low_mm, high_mm, starts, ways, at) if kind_of(self.part) == "wall" else None
        common = places if common is None else common
        ahead = (np.roll(common, -1, axis=0) - np.roll(common, 1, axis=0))[:, :2]
        square = np.abs(ahead[:, 1] * self._cos - ahead[:, 0] * self._sin) / np.maximum(np.hypot(*ahead.T), 1e-12)
        edge = _summed(at, np.hypot(ways[:, 0] * square[at], ways[:, 1]), self.turns)
        area = np.abs(area)
        return Run(name, kind_of(self.part), self.part, round_section(area * square, edge), places, low_mm, high_mm)

    def _of_common(self, low_mm: float, high_mm: float, starts: Floats, ways: Floats, at: np.ndarray) -> Floats | None:
        """The middles (n, 3) of what all sections between two heights have in common, from their sides: where a wall is scooped
        out a whole section's middle moves up and down, and with a taper in and out. None where they are all as high."""
        first, last = starts[:, 1], starts[:, 1] + ways[:, 1]
        lows, highs = np.full(self.turns, np.inf), np.full(self.turns, -np.inf)
        np.minimum.at(lows, at, np.minimum(first, last))
        np.maximum.at(highs, at, np.maximum(first, last))
        met = np.isfinite(lows)
        foot, head = float(lows[met].max(initial=low_mm)), float(highs[met].min(initial=high_mm))
        varies = foot - low_mm > READ_MM or high_mm - head > READ_MM
        return self._middles(*self._between(foot, head))[1] if varies and head - foot > READ_MM else None

    def _between(self, low_mm: float, high_mm: float) -> tuple[Floats, Floats, np.ndarray]:
        """What of the sides lies between two heights, and just inside those what closes each section where it is cut."""
        starts, ways, at = self.starts, self.ways, self.at
        closing = []
        for height, is_foot in ((low_mm + READ_MM, True), (high_mm - READ_MM, False)):
            if (is_foot and low_mm <= self.low_mm) or (not is_foot and high_mm >= self.high_mm):
                continue
            up, end = starts[:, 1], starts[:, 1] + ways[:, 1]
            crosses = np.flatnonzero((up < height) != (end < height))
            share = (height - up[crosses]) / ways[crosses, 1]
            out = starts[crosses, 0] + share * ways[crosses, 0]
            closing.append((height, np.abs(_summed(at[crosses], np.sign(ways[crosses, 1]) * out, self.turns))))
            is_in = (up >= height, end >= height) if is_foot else (up <= height, end <= height)
            begin, stop = np.where(is_in[0], 0.0, 1.0), np.where(is_in[1], 1.0, 0.0)
            begin[crosses], stop[crosses] = np.where(is_in[0][crosses], 0.0, share), np.where(is_in[1][crosses], 1.0, share)
            kept = np.flatnonzero(is_in[0] | is_in[1])
            starts, ways, at = starts[kept] + ways[kept] * begin[kept, None], ways[kept] * (stop - begin)[kept, None], at[kept]
        for height, wide in closing:
            # A level side adds to the edge alone.
            starts = np.concatenate([starts, np.column_stack([np.zeros(self.turns), np.full(self.turns, height)])])
            ways = np.concatenate([ways, np.column_stack([wide, np.zeros(self.turns)])])
            at = np.concatenate([at, np.arange(self.turns)])
        return starts, ways, at

    def _middles(self, starts: Floats, ways: Floats, at: np.ndarray) -> tuple[Floats, Floats]:
        """Of each turn's section the area, mm2, and the middle (n, 3)."""
        (way_out, way_up), (out, up) = ways.T, (starts + ways / 2.0).T
        area = _summed(at, out * way_up, self.turns)
        whole = np.where(np.abs(area) < 1e-12, 1.0, area)
        far = _summed(at, (out * out + way_out * way_out / 12.0) * way_up, self.turns) / (2.0 * whole)
        tall = _summed(at, (out * up + way_out * way_up / 12.0) * way_up, self.turns) / whole
        return area, np.column_stack([self.axis[0] + far * self._cos, self.axis[1] + far * self._sin, tall])

    def _window(self) -> tuple[float, float] | None:
        """From which height to which openings in the upright sections reach at most; None where there are none."""
        first, last = self.starts[:, 1], self.starts[:, 1] + self.ways[:, 1]
        off = self.at * (self.high_mm - self.low_mm + 1.0)
        low, high = np.minimum(first, last) + off, np.maximum(first, last) + off
        order = np.argsort(low)
        low, high, off = low[order], np.maximum.accumulate(high[order]), off[order]
        gaps = np.flatnonzero((low[1:] - high[:-1] > WINDOW_MM) & (off[1:] == off[:-1]))
        if not len(gaps):
            return None
        self._is_open[self.at[order][gaps]] = True
        return float((high[gaps] - off[gaps]).min()), float((low[gaps + 1] - off[gaps]).max())


class Uprights:
    """All upright parts (solids by name), cut level at the same heights: areas_mm2, edges_mm (p, h) and middles (p, h, 2) of
    parts at heights_mm (h,)."""

    def __init__(self, parts: Mapping[str, Solid], bands_mm: Sequence[tuple[float, float]]) -> None:
        """bands_mm: heights between which some are to lie evenly."""
        self.names = tuple(parts)
        surfaces = [triangles_of(solid) for solid in parts.values()]
        offsets = np.cumsum([0, *(len(vertices) for vertices, _ in surfaces)])
        slicer = Slicer(np.concatenate([vertices for vertices, _ in surfaces]),
                        np.concatenate([each + offset for (_, each), offset in zip(surfaces, offsets)]))
        self.low_mm = np.array([vertices[:, 2].min() for vertices, _ in surfaces])
        self.high_mm = np.array([vertices[:, 2].max() for vertices, _ in surfaces])
        self.heights_mm = self._heights(bands_mm)
        self.starts, self.ways, self.level, triangle = slicer.cut_at(self.heights_mm)
        self.of = np.repeat(np.arange(len(surfaces)), [len(each) for _, each in surfaces])[triangle]
        shape = (len(surfaces), len(self.heights_mm))
        area, edge, middles = _measured(self.starts, self.ways, self.page, shape[0] * shape[1])
        self.areas_mm2, self.edges_mm, self.middles = area.reshape(shape), edge.reshape(shape), middles.reshape(*shape, 2)

    @property
    def page(self) -> np.ndarray:
        """(e,) a number for part and height of each side."""
        return np.asarray(self.of * len(self.heights_mm) + self.level)

    def _heights(self, bands_mm: Sequence[tuple[float, float]]) -> Floats:
        found = []
        for low, high in dict.fromkeys(zip(self.low_mm.round(2).tolist(), self.high_mm.round(2).tolist())):
            count = min(MOST_LEVELS, max(FEWEST, math.ceil((high - low) / LEVEL_MM)))
            found.append(low + (np.arange(count) + 0.5) * (high - low) / count)
        found += [levels_within(*band)[0] for band in bands_mm]
        return np.unique(np.concatenate(found))

    def run_of(self, part: str, foot_mm: float | None = None) -> Run:
        """A part's sections from its foot to its top."""
        i = self.names.index(part)
        low = float(self.low_mm[i]) if foot_mm is None else foot_mm
        kept = (self.heights_mm > low) & (self.areas_mm2[i] > 0.0)
        places = np.column_stack([self.middles[i, kept], self.heights_mm[kept]])
        return Run(shown(part), kind_of(part), part, round_section(self.areas_mm2[i, kept], self.edges_mm[i, kept]), places, low,
                   float(self.high_mm[i]))


def levels_within(low_mm: float, high_mm: float) -> tuple[Floats, float]:
    """(h,) heights in the middles of even slices of a band, and how high the slices are."""
    count = min(max(math.ceil((high_mm - low_mm) / LEVEL_MM), JOINT_LEVELS[0]), JOINT_LEVELS[1])
    step = (high_mm - low_mm) / count
    return np.asarray(low_mm + (np.arange(count) + 0.5) * step, np.float64), step


def bar_of(part: str, solid: Solid) -> Run:
    """A part that runs straight, whichever way: along the direction in which it is longest."""
    vertices, triangles = triangles_of(solid)
    middle = vertices.mean(axis=0)
    frame = np.linalg.svd(vertices - middle, full_matrices=False)[2][[1, 2, 0]]
    own = (vertices - middle) @ frame.T
    low, high = float(own[:, 2].min()), float(own[:, 2].max())
    count = max(FEWEST, math.ceil((high - low) / STATION_MM))
    heights = low + (np.arange(count) + 0.5) * (high - low) / count
    starts, ways, at, _ = Slicer(own, triangles).cut_at(heights)
    area, edge, middles = _measured(starts, ways, at, count)
    places = np.column_stack([middles, heights]) @ frame + middle
    return Run(shown(part), kind_of(part), part, round_section(area, edge), places, float(vertices[:, 2].min()),
               float(vertices[:, 2].max()))
