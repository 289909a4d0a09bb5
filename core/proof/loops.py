"""Plane loops, as level sections give them: ways across them, distances from them, areas, and places on them."""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate

import numpy as np

from ..mesh import Floats
from ..solid.slicer import runs_of
from .nearest import SQUARELY, Sides

ROUNDING = 1e-12
"""Share of a side by which a line may miss it for rounding alone. Larger: lines meet what they pass by."""

MANY_PAIRS, AT_ONCE = 60000, 15000
"""From how many pairs of points and sides on only the near ones are looked at, and how many are looked at in one go, so that
what is worked on stays small enough for the processor's own memory. Only the time taken depends on them."""

CONVEX_RAD = 1e-6
"""How far a loop may turn the wrong way at a corner, for rounding, and be convex. Larger: the lines of its sides would run through
what it encloses, and what lies there be told too near; smaller: hardly any is convex."""

STRAIGHT_MM = 1e-6
"""How far a point may lie off the line between its neighbours and be no corner. Larger: fine curves lose their corners."""

TOUCH_MM2 = 1e-10
"""How little both ends of a side may lie to one side of a line, their ways multiplied, for it to be looked at closely. Smaller:
lines through a corner meet nothing."""

HALF_TURN_DEG = 180.0
"""Contacts all on one side leave the other free (statics of a rigid body without friction)."""


def edges_of(loops: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Starts and ways, each (e, 2), of the edges of closed loops."""
    if not loops:
        return np.zeros((0, 2)), np.zeros((0, 2))
    corners = loops[0] if len(loops) == 1 else np.concatenate(loops)
    return corners, corners[_following(loops)] - corners


def _following(loops: Sequence[Floats]) -> np.ndarray:
    """(e,) which corner follows each in its loop, when the loops' corners follow each other."""
    ends = list(accumulate(map(len, loops)))
    following = np.arange(1, ends[-1] + 1) if ends else np.zeros(0, np.int64)
    for begin, end in zip([0, *ends], ends):
        following[end - 1] = begin
    return following


def crossings(loops: Sequence[Floats], origins: Floats, directions: Floats) -> Floats:
    """(n, e): how far along each line (n, 2) + t·(n, 2) it crosses each edge, mm; nan where it does not."""
    i, j, ways = crossing_pairs(loops, origins, directions)
    along: Floats = np.full((len(origins), sum(map(len, loops))), np.nan)
    along[i, j] = ways
    return along


def crossing_pairs(loops: Sequence[Floats], origins: Floats, directions: Floats) -> tuple[np.ndarray, np.ndarray, Floats]:
    """Which line (n, 2) + t·(n, 2) crosses which edge, and how far along, mm, each (c,), by lines and then by edges."""
    starts, ways = edges_of(loops)
    across = np.column_stack([directions[:, 1], -directions[:, 0]])
    level = np.einsum("ij,ij->i", across, origins)
    found = []
    for rows in in_rows(len(origins), len(starts)):
        first = across[rows] @ starts.T - level[rows, None]
        found.append(np.flatnonzero(first * (first + across[rows] @ ways.T) <= TOUCH_MM2) + rows.start * len(starts))
    i, j = np.divmod(np.concatenate(found) if found else np.zeros(0, int), max(len(starts), 1))
    x, y = (starts[j] - origins[i]).T
    (dx, dy), (way_x, way_y) = directions[i].T, ways[j].T
    with np.errstate(divide="ignore", invalid="ignore"):
        over = 1.0 / (dx * way_y - dy * way_x)
        share = (x * dy - y * dx) * over
        along = (x * way_y - y * way_x) * over
    # A line through a corner meets both sides rather than neither.
    met = np.flatnonzero((share >= -ROUNDING) & (share < 1.0 + ROUNDING))
    return i[met], j[met], along[met]


def first_crossing(loops: Sequence[Floats], origins: Floats, directions: Floats, low: float = -math.inf) -> Floats:
    """(n,) the least way, not below `low`, at which each line crosses; inf where none does."""
    i, _, ways = crossing_pairs(loops, origins, directions)
    least = np.full(len(origins), np.inf)
    np.minimum.at(least, i[ways >= low], ways[ways >= low])
    return least


def farthest_crossings(loops: Sequence[Floats], middle: Floats, directions: Floats) -> Floats:
    """(l, n) the greatest way at which each line from a middle (2,) in directions (n, 2), ahead or back, crosses the sides of
    each loop; -inf where it does not."""
    starts, ways = edges_of(loops)
    of = np.repeat(np.arange(len(loops)), [len(loop) for loop in loops])
    starts = starts - middle
    # Seen from the middle, a side reaches over some of the lines ahead, and of those back.
    ends = starts + ways
    turn = np.arctan2(starts[:, 1], starts[:, 0])
    over = np.arctan2(starts[:, 0] * ends[:, 1] - starts[:, 1] * ends[:, 0], np.einsum("ij,ij->i", starts, ends))
    ahead = np.arctan2(directions[:, 1], directions[:, 0])
    turns = np.add.outer(math.pi * np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0]), ahead).ravel()
    order = np.argsort(turns)
    first = np.searchsorted(turns[order], np.minimum(turn, turn + over) - ROUNDING)
    many = np.searchsorted(turns[order], np.maximum(turn, turn + over) + ROUNDING) - first
    side, line = np.repeat(np.arange(len(of)), many), order[runs_of(first, many)] % len(ahead)
    (x, y), (way_x, way_y), (dx, dy) = starts[side].T, ways[side].T, directions[line].T
    with np.errstate(divide="ignore", invalid="ignore"):
        far = (x * way_y - y * way_x) / (dx * way_y - dy * way_x)
    found = np.full((len(loops), len(directions)), -np.inf)
    np.fmax.at(found, (of[side], line), np.where(np.isfinite(far), far, -np.inf))
    return found


def in_rows(rows: int, columns: int) -> Iterator[slice]:
    """Slices of as many rows as make up no more than AT_ONCE pairs with the columns."""
    step = max(1, AT_ONCE // max(columns, 1))
    return (slice(start, min(start + step, rows)) for start in range(0, rows, step))


def is_inside(loops: Sequence[Floats], points: Floats) -> np.ndarray:
    """(n,) bool: which points (n, 2) lie in the loops, holes left out: more sides run one way across a line ahead from them
    than the other, as often as loops overlap there."""
    starts, ways = edges_of(loops)
    low = _off_line(starts)
    return _go_round(starts, ways, low, low[_following(loops)], points, _off_line(points))


def are_inside_sides(starts: Floats, ways: Floats, of: np.ndarray, points: Floats, at: np.ndarray) -> np.ndarray:
    """The same of points (n, 2) in the section that each is at (n,), an index. starts and ways (e, 2): the sections' sides, not
    joined, and of (e,): which section each is of."""
    if not len(starts) or not len(points):
        return np.zeros(len(points), bool)
    low, high, level = (_off_line(each) for each in (starts, starts + ways, points))
    # The sections far apart, so that all are looked at together.
    apart = 1.0 + max(float(each.max()) for each in (low, high, level)) - min(float(each.min()) for each in (low, high, level))
    return _go_round(starts, ways, low + of * apart, high + of * apart, points, level + at * apart)


COS, SIN = math.cos(0.7391), math.sin(0.7391)
"""In no direction that a drawing has lines in, so that no line runs through a corner and counts it twice."""


def _off_line(points: Floats) -> Floats:
    level: Floats = points[:, 1] * COS - points[:, 0] * SIN
    return level


def _on_line(points: Floats) -> Floats:
    ahead: Floats = points[:, 0] * COS + points[:, 1] * SIN
    return ahead


def _go_round(starts: Floats, ways: Floats, low: Floats, high: Floats, points: Floats, level: Floats) -> np.ndarray:
    """(n,) bool: round which points (n, 2), at levels (n,), sides (e, 2) go, which reach from level to level (e,): a line ahead
    from there is crossed one way more often than the other."""
    # Few sides reach from one side of a point's line to the other; only those are crossed with it.
    order = np.argsort(level)
    ranked = level[order]
    first, last = np.searchsorted(ranked, np.minimum(low, high)), np.searchsorted(ranked, np.maximum(low, high))
    counts = last - first
    j = np.repeat(np.arange(len(starts)), counts)
    i = order[np.arange(len(j)) + np.repeat(first - (np.cumsum(counts) - counts), counts)]
    ahead = _on_line(starts)[j] + _on_line(ways)[j] * ((level[i] - low[j]) / (high[j] - low[j])) > _on_line(points)[i]
    up = (high > low)[j[ahead]]
    turns: np.ndarray = np.bincount(i[ahead], 2.0 * up - 1.0, len(points)) != 0.0
    return turns


def depths_mm(points: Floats, loop: Floats) -> Floats | None:
    """(n,) how deep points (n, 2) lie within a convex counter-clockwise loop, which is as far as from the nearest of its sides'
    lines; None where it is not convex, or some do not lie within."""
    starts, ways = edges_of([loop])
    lengths = np.hypot(ways[:, 0], ways[:, 1])
    if lengths.min() == 0.0:
        return None
    aside = np.empty((3, len(lengths)))
    x, y = ways[:, 0] / lengths, ways[:, 1] / lengths
    turns = x[:-1] * y[1:] - y[:-1] * x[1:]
    if turns.min() < -CONVEX_RAD or x[-1] * y[0] - y[-1] * x[0] < -CONVEX_RAD:
        return None
    # As a product of matrices, whose last row takes the sides' starts off.
    aside[0], aside[1], aside[2] = -y, x, starts[:, 0] * y - starts[:, 1] * x
    places = np.ones((len(points), 3))
    places[:, :2] = points
    least: Floats = np.empty(len(points))
    for rows in in_rows(len(points), len(starts)):
        least[rows] = (places[rows] @ aside).min(axis=1)
    return least if least.min(initial=0.0) >= 0.0 else None


def distances_mm(points: Floats, loop: Floats) -> Floats:
    """(n,) least distance of points (n, 2) from the sides of a loop."""
    depths = depths_mm(points, loop)
    if depths is not None:
        return depths
    starts, ways = edges_of([loop])
    if len(points) * len(starts) > MANY_PAIRS:
        return np.abs(_sides_of(starts, ways).nearest(points, np.zeros(len(points), np.int32))[0])
    least: Floats = np.empty(len(points))
    for rows in in_rows(len(points), len(starts)):
        least[rows] = _to_all_sides(points[rows], starts, ways)[0].min(axis=1)
    return np.sqrt(least)


def signed_distances_mm(points: Floats, sides: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """(n,) least distance of points (n, 2) from the sides of loops, starts and ways each (e, 2), negative on their left,
    which is inside what they enclose; and (n, 2) the nearest places on them."""
    starts, ways = sides
    of_all = _sides_of(starts, ways).without_slivers()
    if len(points) * len(starts) > MANY_PAIRS:
        return of_all.signed_distances_mm(points, np.zeros(len(points), np.int32))
    starts, ways, rows = of_all.starts, of_all.ways, np.arange(len(points))
    squares, turned = _to_all_sides(points, starts, ways)
    # At a corner both sides are equally near; the one that is seen more squarely says it.
    nearest = np.argmin(squares - SQUARELY * turned * turned, axis=1)
    square, turn = squares[rows, nearest], turned[rows, nearest]
    start, way = starts[nearest], ways[nearest]
    share = np.clip(np.einsum("ij,ij->i", points - start, way) / np.einsum("ij,ij->i", way, way), 0.0, 1.0)
    distance: Floats = np.sqrt(square)
    return np.where(turn > 0.0, -distance, distance), start + way * share[:, None]


def _sides_of(starts: Floats, ways: Floats) -> Sides:
    return Sides(starts, ways, np.array([0, len(starts)], np.int32), starts.mean(axis=0))


def to_sides(points: Floats, starts: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """Squared distances of points (n, 2), each from its own side (n, 2), and how far to the left of the sides' lines."""
    lengths = np.maximum(np.hypot(ways[:, 0], ways[:, 1]), 1e-15)
    along_x, along_y = ways[:, 0] / lengths, ways[:, 1] / lengths
    x, y = points[:, 0] - starts[:, 0], points[:, 1] - starts[:, 1]
    left: Floats = along_x * y - along_y * x
    return _squared(left, x * along_x + y * along_y, lengths), left


def _to_all_sides(points: Floats, starts: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """The same, (n, e), of each of points (n, 2) from each of sides (e, 2)."""
    way_x, way_y = ways.T
    lengths = np.maximum(np.hypot(way_x, way_y), 1e-15)
    # As products of matrices, whose last rows take the sides' starts off.
    aside, ahead = np.empty((2, 3, len(lengths)))
    np.divide(way_x, lengths, out=ahead[0])
    np.divide(way_y, lengths, out=ahead[1])
    aside[0], aside[1] = -ahead[1], ahead[0]
    for each in (aside, ahead):
        each[2] = -np.einsum("ij,ji->i", starts, each[:2])
    places = np.ones((len(points), 3))
    places[:, :2] = points
    left: Floats = places @ aside
    return _squared(left, places @ ahead, lengths), left


def _squared(left: Floats, past: Floats, lengths: Floats) -> Floats:
    """Squared distances from sides of some lengths, by how far to the left of their lines and past their starts."""
    # In place: fresh memory takes longer than the sums.
    along = np.maximum(past, 0.0)
    past -= np.minimum(along, lengths, out=along)
    past *= past
    past += np.multiply(left, left, out=along)
    return past


INSETS = 40
"""From how many corners of a face, at most, its inset is told. Fewer: dents weigh more."""


def inset_mm(face: Floats, girdle: Floats) -> float:
    """How far inside the girdle a loop runs, mm. Corners and the middles of sides weigh 1 : 2, which is exact for a
    polygon that stands for a curve of the same area."""
    some = np.linspace(0, len(face), min(len(face), INSETS), endpoint=False).astype(int)
    middles = (face[some] + face[(some + 1) % len(face)]) / 2.0
    corner, middle = np.median(distances_mm(np.concatenate([face[some], middles]), girdle).reshape(2, -1), axis=1).tolist()
    return float(corner + 2.0 * middle) / 3.0


def corners_and_middles(loop: Floats) -> Floats:
    """(2k, 2) the corners of a loop and the middles of its sides."""
    return np.concatenate([loop, (loop + np.concatenate([loop[1:], loop[:1]])) / 2.0])


def starts_of(loops: Sequence[Floats]) -> np.ndarray:
    """(n + 1,) where the corners of each loop begin when they follow each other, and where the last ends."""
    return np.concatenate([[0], np.cumsum([len(loop) for loop in loops])]).astype(int)


def corners_of(loops: Sequence[Floats]) -> list[Floats]:
    """Loops (k, 2) without points that lie on a straight line between their neighbours; of some that follow each other, every
    second stays, so that what turns in several small steps keeps its corner."""
    if not loops:
        return []
    points, firsts = np.concatenate(loops), starts_of(loops)
    every, begins, ends = np.arange(len(points)), firsts[:-1], firsts[1:]
    previous = every - 1
    previous[begins] = ends - 1
    after_x, after_y = (points[_following(loops)] - points).T
    before_x, before_y = after_x[previous], after_y[previous]
    off = np.abs(before_x * after_y - before_y * after_x)
    turns = off > STRAIGHT_MM * np.hypot(before_x + after_x, before_y + after_y)
    turns[begins] = True
    kept = (every - np.maximum.accumulate(np.where(turns, every, 0))) % 2 == 0
    return [points[begin:end][kept[begin:end]] for begin, end in zip(begins.tolist(), ends.tolist())]


def area_mm2(loops: Sequence[Floats]) -> float:
    """Area of loops, holes taken off, mm2."""
    return sum(float(loop[:-1, 0] @ loop[1:, 1] - loop[:-1, 1] @ loop[1:, 0] + loop[-1, 0] * loop[0, 1]
                     - loop[-1, 1] * loop[0, 0]) for loop in loops) / 2.0


def largest(loops: Sequence[Floats]) -> Floats:
    """The loop that encloses most."""
    return loops[0] if len(loops) == 1 else max(loops, key=lambda loop: abs(area_mm2([loop])))


@dataclass(frozen=True, eq=False)
class Path:
    """A closed loop (k, 2) by the way along it, mm from its first point."""

    loop: Floats

    @cached_property
    def _closed(self) -> Floats:
        return np.vstack([self.loop, self.loop[:1]])

    @cached_property
    def _run(self) -> Floats:
        run: Floats = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self._closed, axis=0), axis=1))])
        return run

    @property
    def length_mm(self) -> float:
        return float(self._run[-1])

    def points(self, where: Floats) -> Floats:
        """(n, 2) at ways (n,) along it."""
        where = np.mod(where, self._run[-1])
        return np.column_stack([np.interp(where, self._run, self._closed[:, 0]),
                                np.interp(where, self._run, self._closed[:, 1])])

    def normals(self, where: Floats, half_mm: float | Floats) -> Floats:
        """(n, 2) outward unit normals of the chords from `half_mm` before to `half_mm` after."""
        chord = self.points(where + half_mm) - self.points(where - half_mm)
        chord /= np.linalg.norm(chord, axis=1, keepdims=True)
        return np.column_stack([chord[:, 1], -chord[:, 0]])

    def sharpest(self, where: float, within_mm: float, half_mm: float) -> float:
        """The way along it to its corner, no farther than `within_mm` from a way, at which the chords of `half_mm` before
        and after turn most."""
        run = self._run[:-1]
        off = np.abs(np.mod(run - where + self.length_mm / 2.0, self.length_mm) - self.length_mm / 2.0)
        near = run[off <= within_mm]
        if not len(near):
            return where
        chords = self.points(near + half_mm) - self.points(near), self.points(near) - self.points(near - half_mm)
        turn = np.arctan2(chords[1][:, 0] * chords[0][:, 1] - chords[1][:, 1] * chords[0][:, 0],
                          np.einsum("ij,ij->i", *chords))
        return float(near[int(np.argmax(turn))])

    def nearest(self, points: Floats) -> Floats:
        """(n,) the ways along it to the places nearest to points (n, 2)."""
        ways, off = np.diff(self._closed, axis=0), points[:, None] - self.loop
        squares = np.maximum(np.einsum("ij,ij->i", ways, ways), 1e-30)
        shares = np.clip(np.einsum("nij,ij->ni", off, ways) / squares, 0.0, 1.0)
        off -= ways * shares[:, :, None]
        i, every = np.argmin(np.einsum("nij,nij->ni", off, off), axis=1), np.arange(len(points))
        found: Floats = self._run[i] + shares[every, i] * (self._run[i + 1] - self._run[i])
        return found


def stations_on(loop: Floats, count: int) -> tuple[Floats, Floats]:
    """Points evenly spaced along a loop and outward unit normals of the chords about them, each (count, 2)."""
    path = Path(loop)
    step = path.length_mm / count
    at = (np.arange(count, dtype=np.float64) + 0.5) * step
    return path.points(at), path.normals(at, step)


def is_ring(loops: Sequence[Floats]) -> bool:
    """True if a section is one piece with one hole."""
    return len(loops) == 2 and area_mm2(loops[:1]) * area_mm2(loops[1:]) < 0.0


def hollow_deg(loop: Floats) -> float:
    """How far the corners of a counter-clockwise loop turn the wrong way in all: 0 for a convex one."""
    ways = np.concatenate([loop[1:], loop[:1]]) - loop
    after = np.concatenate([ways[1:], ways[:1]])
    turn = np.arctan2(ways[:, 0] * after[:, 1] - ways[:, 1] * after[:, 0], np.einsum("ij,ij->i", ways, after))
    return math.degrees(-float(np.minimum(turn, 0.0).sum()))


def free_turn(normals: Floats) -> tuple[float, Floats]:
    """The widest turn, degrees, between neighbours of these directions (n, 2), and the unit (2,) half way through."""
    angles = np.sort(np.degrees(np.arctan2(normals[:, 1], normals[:, 0])))
    gaps = np.diff(np.append(angles, angles[0] + 360.0))
    i = int(np.argmax(gaps))
    middle = math.radians(angles[i] + gaps[i] / 2.0)
    return float(gaps[i]), np.array([math.cos(middle), math.sin(middle)])


def middle_of(ring: Floats) -> Floats:
    """(2,) centroid of the area of a loop."""
    middle: Floats = middles_of([ring])[0]
    return middle


def middles_of(rings: Sequence[Floats]) -> Floats:
    """(n, 2) centroids of the areas of loops."""
    starts, ways = edges_of(rings)
    cross = starts[:, 0] * ways[:, 1] - starts[:, 1] * ways[:, 0]
    first = np.cumsum([0, *(len(ring) for ring in rings[:-1])])
    moments = np.column_stack([(2.0 * starts + ways) * cross[:, None], 3.0 * cross])
    sums = np.add.reduceat(moments, first)
    middles: Floats = sums[:, :2] / sums[:, 2:]
    return middles
