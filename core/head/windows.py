"""Where the windows of a gallery lie in its wall: closed forms, along the wall's outer face.

Between two claws, or a claw and a corner, lies a bay. A window's sides stay a bar from its neighbours, so it widens
with the wall; its top is an arch, half round, or pointed where it is narrow. All is measured along the outer face:
lengths along the outline's parallel, heights up the slope.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..mesh import Floats
from ..stone.outline import Cleft, Outline, Place
from .columns import Run

POINTED_BELOW = 0.5
"""Windows whose pointed arch rises no more than this share of their height are pointed. Common practice, no source."""

ROUND_BELOW = 0.6
"""A half round arch that would rise more than this share of a window's height asks for two windows instead of one.
Common practice, no source."""

POINTED_RISE = math.sqrt(0.75)
"""Rise of a pointed arch, struck from each springing point through the other, as a share of its span (geometry)."""

CORNER_ROOM_MM = 0.1
"""Wall left inside between a window and a corner, where the wall's two sides stiffen each other. Common practice, no
source."""

FLAT_CORNER_DEG = 45.0
"""A corner that turns by less leaves a bar between two windows that is hardly thicker outside than inside. Common practice,
no source."""

SAME_SPOT = 1e-6
"""Spots nearer than this are one. Larger: a claw beside a corner would count as on it."""


LOCAL_WAYS = 16
"""Pieces of a bay in each of which is told how much shorter the inner face is. Fewer: bars at an oval's ends are cut
thin inside."""


@dataclass(frozen=True)
class Face:
    """The wall's outer face: the girdle plane, mm, the taper, rad, and how far in the inner face lies behind it, level,
    mm."""

    girdle_mm: float
    taper_rad: float
    through_mm: float

    def inset(self, heights: Floats | float) -> Floats | float:
        """How far inside the outline it lies at heights, mm."""
        return (self.girdle_mm - heights) * math.tan(self.taper_rad)


@dataclass(frozen=True)
class Holes:
    """What every window keeps to: its lowest and highest height, mm, the bar between two, and the least width."""

    bottom_mm: float
    top_mm: float
    bar_mm: float
    least_mm: float


@dataclass(frozen=True)
class Post:
    """What stands between two bays: spots at which it ends on either side, and how far beyond them a window may start."""

    last: float
    first: float
    before_mm: float
    after_mm: float

    @property
    def middle(self) -> float:
        return 0.5 * (self.last + self.first)


@dataclass(frozen=True)
class Window:
    """One window: where its left side lies at its bottom and at its highest height (lengths along the parallels there,
    mm), how wide it is there, where its arch springs, and whether that is pointed. bay: the spots it lies between."""

    face: Face
    bay: tuple[float, float]
    bottom_mm: float
    top_mm: float
    lefts: tuple[float, float]
    widths: tuple[float, float]
    spring_mm: float
    is_pointed: bool

    def _between(self, ends: tuple[float, float], height: Floats | float) -> Floats | float:
        return ends[0] + (ends[1] - ends[0]) * (height - self.bottom_mm) / (self.top_mm - self.bottom_mm)

    @property
    def span_mm(self) -> float:
        """Width at the springing of the arch: the widest."""
        return float(self._between(self.widths, self.spring_mm))

    @property
    def area_mm2(self) -> float:
        """On the outer face: a trapezium and an arch (geometry)."""
        jamb = (self.spring_mm - self.bottom_mm) / math.cos(self.face.taper_rad)
        arch = math.pi / 3.0 - POINTED_RISE / 2.0 if self.is_pointed else math.pi / 8.0
        return 0.5 * (self.widths[0] + self.span_mm) * jamb + arch * self.span_mm ** 2

    @property
    def _arch(self) -> tuple[float, float]:
        """Radius, mm, and sweep, rad, of either half of the arch."""
        return (self.span_mm, math.pi / 3.0) if self.is_pointed else (self.span_mm / 2.0, math.pi / 2.0)

    @property
    def _jamb_mm(self) -> float:
        """From sill to springing, along the face."""
        return (self.spring_mm - self.bottom_mm) / math.cos(self.face.taper_rad)

    def arch_chords(self, chord_mm: float) -> int:
        """How many chords keep the arch's error; an even number."""
        radius, sweep = self._arch
        return 2 * max(1, math.ceil(0.5 * sweep / math.acos(max(1.0 - chord_mm / radius, 0.0)) - 1e-9))

    def edge(self, below: int, round_: int) -> tuple[Floats, Floats]:
        """Lengths along the parallels, and heights, mm, of `below` steps along the sill from left to right and an even
        number `round_` of steps up the right side, over the arch and down the left."""
        radius, sweep = self._arch
        return self._edge(below, np.linspace(0.0, self._jamb_mm + radius * sweep, round_ // 2 + 1))

    def edge_in_chords(self, below: int, across: int) -> tuple[Floats, Floats]:
        """As `edge`, in one step for each jamb and an even number `across` over the arch."""
        (radius, sweep), jamb = self._arch, self._jamb_mm
        return self._edge(below, np.concatenate([[0.0], np.linspace(jamb, jamb + radius * sweep, across // 2 + 1)]))

    def _edge(self, below: int, ways: Floats) -> tuple[Floats, Floats]:
        """As `edge`, at ways (m,) from the sill up a side to the apex, mm along the face."""
        lean = math.cos(self.face.taper_rad)
        half, jamb, radius = self.span_mm / 2.0, self._jamb_mm, self._arch[0]
        turn = np.maximum(ways - jamb, 0.0) / radius
        on_jamb = ways < jamb
        heights = np.where(on_jamb, self.bottom_mm + ways * lean, self.spring_mm + radius * np.sin(turn) * lean)
        out = np.where(on_jamb, 0.5 * self._between(self.widths, heights), half - radius * (1.0 - np.cos(turn)))
        middle = self._between(self.lefts, heights) + 0.5 * self._between(self.widths, heights)
        sill = self.lefts[0] + self.widths[0] * np.arange(below) / below
        lengths = np.concatenate([sill, middle + out, (middle - out)[-2:0:-1]])
        return lengths, np.concatenate([np.full(below, self.bottom_mm), heights, heights[-2:0:-1]])


def posts(outline: Outline, run: Run, claws: Sequence[tuple[Place, float]], deepest_mm: float,
          bar_mm: float) -> list[Post]:
    """Claws, given with half of the width that each takes of the wall, and corners, in order round the outline.

    deepest_mm: the largest inset of the inner face; windows keep off where a corner's sides end there.
    """
    found = []
    for place, half_mm in claws:
        spot = spot_of(outline, place)
        found.append(Post(spot, spot, half_mm + bar_mm / 2.0, half_mm + bar_mm / 2.0))
    if not outline.is_one_piece:
        starts, ends = (row[0] for row in outline.trims(np.array([deepest_mm]))[:2])
        for i in range(run.pieces):
            after = (i + 1) % run.pieces
            last, first = ends[i], starts[after]
            are_whole = not (np.isnan(last) or np.isnan(first))
            if not are_whole:
                # A swallowed side has no room for a window: its post reaches over its middle.
                last, first = (0.5 if np.isnan(last) else last), (0.5 if np.isnan(first) else first)
            elif last > 1.0 - SAME_SPOT and first < SAME_SPOT and not outline.turns_after(i):
                continue
            # A cleft has no sides that meet inside, and where they turn little windows face each other across the corner
            # as they do across a bar: there a whole bar is left.
            is_cleft = isinstance(outline.pieces[i], Cleft) or isinstance(outline.pieces[after], Cleft)
            is_flat = are_whole and outline.turns_after(i) and _turn_deg(outline, i, after) < FLAT_CORNER_DEG
            room = bar_mm / 2.0 if is_cleft or is_flat else CORNER_ROOM_MM
            last, first = i + float(last), i + 1.0 + float(first)
            turned = math.degrees(float(np.diff(np.interp([last, first], run.spots, run.turns))[0]))
            if are_whole and not is_cleft and not outline.turns_after(i) and turned < FLAT_CORNER_DEG:
                # Inside, a round end begins to run to a point: a bar that is as thick there is many times as wide outside.
                inset = np.array([deepest_mm])
                last = float(run.spot(run.length(last, inset) - bar_mm / 2.0, inset, (float(i), last))[0])
                first = float(run.spot(run.length(first, inset) + bar_mm / 2.0, inset, (first, i + 2.0))[0])
                room = 0.0
            found.append(Post(last, first, room, room))
    # Each in the second of the run's three rounds, so that its neighbours on both sides are in reach.
    moved = [run.pieces * (1.0 - (post.middle // run.pieces)) for post in found]
    return sorted((_moved(post, by) for post, by in zip(found, moved, strict=True)),
                  key=lambda post: post.middle)


def _turn_deg(outline: Outline, before: int, after: int) -> float:
    """By how much the outline turns between two pieces."""
    (first,), (second,) = outline.pieces[before].at(np.ones(1))[1], outline.pieces[after].at(np.zeros(1))[1]
    return math.degrees(math.acos(min(1.0, max(-1.0, float(first @ second)))))


def spot_of(outline: Outline, place: Place) -> float:
    """Where a place is on the outline: piece number and parameter in one number."""
    if outline.is_one_piece:
        return math.atan2(place.point[1], place.point[0]) / (2.0 * math.pi) % 1.0
    piece, t = outline.spot(place.point)
    return piece + t


def windows(run: Run, stops: Sequence[Post], face: Face, holes: Holes) -> list[Window]:
    """All windows that fit between the posts; bays that hold none stay closed."""
    found: list[Window] = []
    around = [*(_moved(post, -run.pieces) for post in stops), *stops, *(_moved(post, run.pieces) for post in stops)]
    for i in range(len(stops), 2 * len(stops)):
        lefts, rooms, bars = [], [], []
        bay = (around[i].first, around[i + 1].last)
        for height in (holes.bottom_mm, holes.top_mm):
            inset = face.inset(height)
            # A claw may stand on a corner or beside one: what reaches farther into the bay counts.
            left = max(float(run.length(post.first, inset)) + post.after_mm for post in around[i - 1:i + 1])
            right = min(float(run.length(post.last, inset)) - post.before_mm for post in around[i + 1:i + 3])
            lefts.append(left)
            rooms.append(right - left)
            bars.append(holes.bar_mm / _narrowing(run, bay, float(inset), face.through_mm))
        found += _row((lefts[0], lefts[1]), (rooms[0], rooms[1]), (bars[0], bars[1]), bay, face, holes)
    return found


def _narrowing(run: Run, bay: tuple[float, float], inset_mm: float, through_mm: float) -> float:
    """The least share of its width outside that what lies between two ways through the wall has left inside, within a
    bay: windows go through square to the outline, so bars under a round girdle narrow inwards."""
    spots = np.linspace(*bay, LOCAL_WAYS + 1)
    outside, inside = (np.diff(run.length(spots, inset)) for inset in (inset_mm, inset_mm + through_mm))
    has_length = outside > SAME_SPOT
    shares = inside[has_length] / outside[has_length]
    return float(min(1.0, shares.min(initial=1.0)))


def _moved(post: Post, by: float) -> Post:
    return replace(post, last=post.last + by, first=post.first + by)


def _row(lefts: tuple[float, float], rooms: tuple[float, float], bars: tuple[float, float], bay: tuple[float, float],
         face: Face, holes: Holes) -> list[Window]:
    """The fewest windows side by side whose arches leave them jambs; none where they'd be too narrow. bars: how wide a bar
    is outside, so that it has its width inside too."""
    best: list[Window] = []
    for count in range(1, 40):
        widths = [(room - (count - 1) * bar) / count for room, bar in zip(rooms, bars, strict=True)]
        if min(widths) < holes.least_mm - 1e-9:
            break
        row = [_window(tuple(left + k * (width + bar) for left, width, bar in zip(lefts, widths, bars, strict=True)),
                       (widths[0], widths[1]), bay, face, holes) for k in range(count)]
        if row[0].spring_mm <= holes.bottom_mm:
            continue
        best = row
        if row[0].top_mm - row[0].spring_mm <= ROUND_BELOW * (row[0].top_mm - row[0].bottom_mm):
            break
    return best


def _window(lefts: tuple[float, ...], widths: tuple[float, float], bay: tuple[float, float], face: Face,
            holes: Holes) -> Window:
    lean = math.cos(face.taper_rad)
    tall = holes.top_mm - holes.bottom_mm
    rise = (widths[1] - widths[0]) / tall

    def spring(share: float) -> float:
        # The arch's rise, a share of the span at its springing, ends at the top.
        return (holes.top_mm - lean * share * (widths[0] - rise * holes.bottom_mm)) / (1.0 + lean * share * rise)

    pointed = spring(POINTED_RISE)
    is_pointed = holes.top_mm - pointed <= POINTED_BELOW * tall
    return Window(face, bay, holes.bottom_mm, holes.top_mm, (lefts[0], lefts[1]), widths,
                  pointed if is_pointed else spring(0.5), is_pointed)
