"""The girdle outline of a stone and its parallel curves, exact to the piece.

An outline is a closed, counter-clockwise chain of lines, arcs of circles or axis-parallel ellipses, and clefts. A
parallel curve is made of exact points (point minus inset times normal); where pieces meet at a corner, theirs are
trimmed or produced to the point where they cross, so corners stay mitred. A piece that a large inset swallows
collapses into the crossing of its neighbours, and keeps its number of samples, so that lofts between two insets stay
quads.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError
from ..mesh import Floats

SMOOTH_DEG = 1e-6
"""Pieces whose normals differ by less than this join smoothly. Larger: a blunt corner would not be mitred."""

REACH_SHARE = 1e-6
"""How exactly, as a share of the outline's size, the reach is found. Larger: walls stop short of the middle."""

SIDE_CHORDS = 32
"""Chords in place of a piece where distances to it are looked at, within 0.2 % of the outline's size. Fewer: a parallel
that crosses itself near a sharp end would pass for a simple one."""

PUSHED = 1.5
"""How much larger the sagitta of a chord may be than the chord error, because samples are pushed out until the polygon
has the curve's area: by two thirds of the sagitta (geometry)."""

CUSP_MM = 1e-3
"""How far apart two parallels may end where a corner only begins to open. Larger: the wall gets a visible flat there."""

SAME = 1e-9
"""Parameters of a piece that differ by less are one place. Larger: a facet's corner would leave the outline."""


@dataclass(frozen=True, eq=False)
class Place:
    """A point of an outline: `point` (2,) mm, outward unit `normal` (2,), and by how much the outline turns there.

    At a corner the normal halves the angle between both sides' normals; `turn_deg` is positive at a corner that
    stands out and negative in a cleft. A mitred parallel at inset d leaves the corner by d / cos(turn / 2).
    """

    point: Floats
    normal: Floats
    turn_deg: float = 0.0

    @property
    def is_corner(self) -> bool:
        return self.turn_deg != 0.0


@dataclass(frozen=True)
class Line:
    """A straight piece from `start` to `end`, mm."""

    start: tuple[float, float]
    end: tuple[float, float]

    is_curved = False

    def at(self, t: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """At parameters (n,), 0 start and 1 end: points, unit normals, and how fast either changes, each (n, 2)."""
        start, way = np.array(self.start), np.subtract(self.end, self.start)
        normal = np.array([way[1], -way[0]]) / math.hypot(*way)
        shape = (len(t), 2)
        zeros = np.zeros(shape)
        return start + np.multiply.outer(t, way), zeros + normal, zeros + way, zeros

    def segments(self, chord_mm: float) -> int:
        """How many chords keep the error."""
        return 1


@dataclass(frozen=True)
class Arc:
    """A piece of a circle or axis-parallel ellipse about `centre`, with half axes `x_mm` and `y_mm`.

    It runs counter-clockwise from the eccentric angle `start_rad` over `sweep_rad` (2 pi: all round).
    """

    centre: tuple[float, float]
    x_mm: float
    y_mm: float
    start_rad: float
    sweep_rad: float

    is_curved = True

    def at(self, t: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """As `Line.at`."""
        angle = self.start_rad + self.sweep_rad * t
        cos, sin = np.cos(angle), np.sin(angle)
        unit = np.empty((len(angle), 2))
        unit[:, 0], unit[:, 1] = cos, sin
        along = np.empty_like(unit)
        along[:, 0], along[:, 1] = -self.x_mm * sin, self.y_mm * cos
        points = unit * (self.x_mm, self.y_mm) + self.centre
        if self.x_mm == self.y_mm:
            along *= self.sweep_rad
            return points, unit, along, along / self.x_mm
        speed = np.hypot(along[:, 0], along[:, 1])
        normals = along[:, ::-1] * (1.0, -1.0) / speed[:, None]
        along *= self.sweep_rad
        return points, normals, along, along * (self.x_mm * self.y_mm / speed ** 3)[:, None]

    def farthest(self) -> list[float]:
        """Parameters at which it is farthest along an axis."""
        quarter = 0.5 * math.pi
        first = math.ceil(self.start_rad / quarter)
        last = math.floor((self.start_rad + self.sweep_rad) / quarter)
        return [(k * quarter - self.start_rad) / self.sweep_rad for k in range(first, last + 1)]

    def segments(self, chord_mm: float) -> int:
        """How many chords keep the error; an even number."""
        radius = max(self.x_mm, self.y_mm)
        half_step = math.acos(max(1.0 - chord_mm / radius, 0.0))
        return max(2, 2 * math.ceil(self.sweep_rad / (4.0 * half_step) - 1e-9))


@dataclass(frozen=True)
class Cleft:
    """A corner that stands in: a point, whose inward parallel is an arc about it and whose outward parallel is trimmed
    away.

    The normal turns clockwise from `start_rad` by `sweep_rad` (negative). radius_mm: the largest inset to sample for.
    """

    point: tuple[float, float]
    start_rad: float
    sweep_rad: float
    radius_mm: float

    is_curved = True

    def at(self, t: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """As `Line.at`."""
        angle = self.start_rad + self.sweep_rad * t
        normals = np.column_stack([np.cos(angle), np.sin(angle)])
        turning = np.column_stack([-normals[:, 1], normals[:, 0]]) * self.sweep_rad
        return np.broadcast_to(np.array(self.point), (len(t), 2)), normals, np.zeros((len(t), 2)), turning

    def segments(self, chord_mm: float) -> int:
        """How many chords keep the error; an even number."""
        return Arc(self.point, self.radius_mm, self.radius_mm, 0.0, -self.sweep_rad).segments(chord_mm)


Piece = Line | Arc | Cleft


@dataclass(frozen=True)
class Outline:
    """A closed, counter-clockwise chain of pieces about the origin, each starting where the last one ends.

    soft_deg: turns of less are no corners, because the outline stands for a smooth one.
    """

    pieces: tuple[Piece, ...]
    soft_deg: float = SMOOTH_DEG

    @classmethod
    def circle(cls, radius_mm: float) -> Outline:
        """A circle about the origin; sample 0 of its loops lies at azimuth 0."""
        return cls.ellipse(radius_mm, radius_mm)

    @classmethod
    def ellipse(cls, x_mm: float, y_mm: float) -> Outline:
        """An ellipse about the origin with half axes along x and y.

        It is cut at its sharpest places, where its parallels get corners once the inset is larger than the curve's
        radius.
        """
        if x_mm == y_mm:
            return cls((Arc((0.0, 0.0), x_mm, y_mm, 0.0, 2.0 * math.pi),))
        start = 0.0 if x_mm > y_mm else 0.5 * math.pi
        return cls((Arc((0.0, 0.0), x_mm, y_mm, start, math.pi), Arc((0.0, 0.0), x_mm, y_mm, start + math.pi, math.pi)))

    @classmethod
    def polygon(cls, points: Floats) -> Outline:
        """Straight sides through (n, 2) points, counter-clockwise."""
        ends = [(float(x), float(y)) for x, y in points]
        return cls(tuple(Line(a, b) for a, b in zip(ends, ends[1:] + ends[:1], strict=True)))

    @property
    def is_one_piece(self) -> bool:
        """True for a full circle, which has no joints."""
        return len(self.pieces) == 1

    def counts(self, chord_mm: float, multiple: int = 1) -> tuple[int, ...]:
        """Segments per piece that keep the chord error: 1 for a line, an even number for an arc.

        A full circle gets a number that is also a multiple of `multiple`, so that its samples repeat
        with what stands around it.
        """
        counts = tuple(piece.segments(chord_mm) for piece in self.pieces)
        if self.is_one_piece:
            step = math.lcm(2, multiple)
            return (max(step * math.ceil(counts[0] / step), 4),)
        return counts

    def counts_at(self, insets_mm: Floats, chord_mm: float) -> tuple[int, ...]:
        """The fewest segments per piece with which no parallel at (k,) insets leaves its curve by more than the chord
        error: 1 for a line, an even number for an arc. `counts` keeps it on the outline, with half of them to spare."""
        if self.is_one_piece:
            radius = self._radius_mm(float(np.min(insets_mm)))
            return (max(4, 2 * math.ceil(math.pi * math.sqrt(radius / (8.0 * PUSHED * chord_mm)) - 1e-9)),)
        return tuple(_fewest_segments(piece, np.array([np.min(insets_mm), np.max(insets_mm)]), chord_mm)
                     for piece in self.pieces)

    def loop(self, inset_mm: float, counts: Sequence[int]) -> Floats:
        """The parallel curve inside by `inset_mm` (negative: outside) as (sum of counts, 2) points, counter-clockwise.

        Points repeat where a piece is swallowed, or is a cleft that has not opened.
        Samples of an arc are pushed out along their normals, all by the same amount, so that the polygon's area
        equals the true curve's. Raises GeometryError if there is no such curve.
        """
        loop: Floats = self.loops([inset_mm], counts)[0]
        return loop

    def loops(self, insets_mm: Sequence[float] | Floats, counts: Sequence[int]) -> Floats:
        """(k, sum of counts, 2) points: `loop` for each of k insets, in one go because many rows make a wall."""
        insets = np.asarray(insets_mm, np.float64)
        if self.parted is not self:
            return self.parted.loops(insets, [part for i, count in enumerate(counts) for part in self._shared(i, count)])
        if self.is_one_piece:
            radii = np.array([self._radius_mm(float(inset)) for inset in insets])
            return radii[:, None, None] * _unit_polygon(counts[0])
        starts, ends, joints = self.trims(insets)
        columns: list[Floats] = []
        for i, (piece, count) in enumerate(zip(self.pieces, counts, strict=True)):
            if piece.is_curved and count < 2:
                raise ValueError("an arc needs at least two segments")
            is_gone = np.isnan(starts[:, i])
            start, end = np.where(is_gone, 0.0, starts[:, i]), np.where(is_gone, 1.0, ends[:, i])
            shares = np.arange(count + 1) / count
            t = start[:, None] + (end - start)[:, None] * shares
            points, normals, _, _ = (row.reshape(len(t), count + 1, 2) for row in piece.at(t.ravel()))
            points = points - insets[:, None, None] * normals
            if piece.is_curved:
                points = _pushed(points, normals, _swept_mm2(piece, start, end, insets))
            columns.append(np.where(is_gone[:, None, None], joints[:, i, None], points[:, :-1]))
        return np.concatenate(columns, axis=1)

    @cached_property
    def parted(self) -> Outline:
        """The same outline with its arcs cut where they are sharpest: there parallels get corners once the inset is
        larger than the radius. Itself if no arc goes on past such a place."""
        pieces = tuple(part for i in range(len(self.pieces)) for part in self._parts(i))
        return self if len(pieces) == len(self.pieces) else Outline(pieces, self.soft_deg)

    def _parts(self, i: int) -> list[Piece]:
        piece, t = self.pieces[i], self._sharpest[i]
        if t is None or not isinstance(piece, Arc):
            return [piece]
        first = replace(piece, sweep_rad=piece.sweep_rad * t)
        return [first, replace(piece, start_rad=piece.start_rad + first.sweep_rad, sweep_rad=piece.sweep_rad - first.sweep_rad)]

    def _shared(self, i: int, count: int) -> list[int]:
        """The segments of a piece, shared out to its parts: an even number for each."""
        t = self._sharpest[i]
        if t is None:
            return [count]
        first = min(max(2, 2 * round(0.5 * count * t)), count - 2)
        return [first, count - first]

    @cached_property
    def _sharpest(self) -> list[float | None]:
        """Of each piece, the parameter inside it where it is so sharp that a parallel may get a corner there."""
        found: list[float | None] = []
        across = math.sqrt(self.area_mm2 / math.pi)
        for piece in self.pieces:
            places = []
            if isinstance(piece, Arc) and not self.is_one_piece and piece.x_mm != piece.y_mm:
                least, most = sorted((piece.x_mm, piece.y_mm))
                start = 0.0 if piece.x_mm > piece.y_mm else 0.5 * math.pi
                if least * least / most < across:
                    turns = (start - piece.start_rad) % math.pi / piece.sweep_rad
                    places = [t for t in (turns, turns + math.pi / piece.sweep_rad) if SAME < t < 1.0 - SAME]
            found.append(places[0] if len(places) == 1 else None)
        return found

    def _radius_mm(self, inset_mm: float) -> float:
        """Radius of a full circle's parallel."""
        piece = self.pieces[0]
        assert isinstance(piece, Arc)
        if inset_mm >= piece.x_mm:
            raise _no_parallel(inset_mm)
        return piece.x_mm - inset_mm

    def place(self, azimuth_deg: float) -> Place:
        """Where a ray from the origin at this azimuth (counter-clockwise from +X) leaves the outline."""
        angle = math.radians(azimuth_deg)
        ray = np.array([math.cos(angle), math.sin(angle)])
        if self.is_one_piece:
            return Place(self._radius_mm(0.0) * ray, ray)
        for corner in self.corners:
            if corner.point @ ray > 0.0 and abs(_cross(ray, corner.point)) < 1e-9 * math.hypot(*corner.point):
                return corner
        return self.at(*self.spot(ray))

    def spot(self, way: Floats) -> tuple[int, float]:
        """Which piece a ray from the origin along (2,) leaves through, and at which of its parameters."""
        numbers, points = self._samples
        side, ahead = _cross(way, points), points @ way
        hair = SAME * np.abs(ahead).max(axis=1, keepdims=True)  # a joint right on the ray belongs to one of its pieces at least
        met = (side[:, :-1] <= hair) & (side[:, 1:] >= -hair) & (ahead[:, :-1] + ahead[:, 1:] > 0.0)
        if not met.any():
            raise GeometryError("outline", f"no point lies at azimuth {math.degrees(math.atan2(way[1], way[0])):g}°",
                                "it must run around the origin")
        row, k = divmod(int(met.argmax()), met.shape[1])
        return numbers[row], _crossing(self.pieces[numbers[row]], way, (k + 0.5) / met.shape[1])

    @cached_property
    def _samples(self) -> tuple[list[int], Floats]:
        """The numbers of the pieces that are no clefts, and (p, n, 2) points evenly along each."""
        numbers = [i for i, piece in enumerate(self.pieces) if not isinstance(piece, Cleft)]
        t = np.linspace(0.0, 1.0, SIDE_CHORDS + 1)
        return numbers, np.stack([self.pieces[i].at(t)[0] for i in numbers])

    def at(self, i: int, t: float) -> Place:
        """The place at parameter `t` of piece `i`; at its start, the corner there if there is one."""
        point, normal = (row[0] for row in self.pieces[i].at(np.array([t]))[:2])
        if t == 0.0:
            for corner in self.corners:
                if (corner.point == point).all():
                    return corner
        return Place(np.array(point), np.array(normal))

    def chain(self, spots: Sequence[tuple[int, float]], chord_mm: float) -> Floats:
        """(n, 2) points on the outline, counter-clockwise, no chord off by more than the error.

        All spots are among them, and the places where an arc is farthest along an axis.
        """
        rows = []
        for i, piece in enumerate(self.pieces):
            count = piece.segments(chord_mm)
            if isinstance(piece, Cleft):
                continue
            inner = [t for k, t in spots if k == i] + (piece.farthest() if isinstance(piece, Arc) else [])
            knots = [0.0, *_apart(sorted(t for t in inner if SAME < t < 1.0 - SAME)), 1.0]
            t = [np.linspace(a, b, max(1, math.ceil(count * (b - a) - 1e-9)) + 1)[:-1]
                 for a, b in zip(knots, knots[1:], strict=False)]
            rows.append(piece.at(np.concatenate(t))[0])
        return np.concatenate(rows)

    @cached_property
    def corners(self) -> tuple[Place, ...]:
        """The places where the outline turns at once: clefts, then corners in order."""
        if self.is_one_piece:
            return ()
        places = []
        for piece in self.pieces:
            if isinstance(piece, Cleft):
                point, normal = (row[0] for row in piece.at(np.array([0.5]))[:2])
                places.append(Place(np.array(point), normal, math.degrees(piece.sweep_rad)))
        for before, after in zip(self.pieces, self.pieces[1:] + self.pieces[:1], strict=True):
            before_normal = before.at(np.ones(1))[1][0]
            point, after_normal = (row[0] for row in after.at(np.zeros(1))[:2])
            turn = math.degrees(math.atan2(_cross(before_normal, after_normal), before_normal @ after_normal))
            if abs(turn) > self.soft_deg:
                half = before_normal + after_normal
                places.append(Place(point, half / math.hypot(*half), turn))
        return tuple(places)

    @cached_property
    def area_mm2(self) -> float:
        """What the outline encloses, mm2."""
        return float(sum(_swept_mm2(piece, np.zeros(1), np.ones(1), np.zeros(1))[0] for piece in self.pieces))

    @cached_property
    def perimeter_mm(self) -> float:
        """Its length, mm."""
        return sum(self.lengths_mm)

    @cached_property
    def lengths_mm(self) -> tuple[float, ...]:
        """Length of each piece, mm."""
        t, weights = _nodes()
        return tuple(float(weights @ np.linalg.norm(piece.at(t)[2], axis=1)) for piece in self.pieces)

    @cached_property
    def reach_mm(self) -> float:
        """The largest inset, mm, that still gives a simple parallel curve around something."""
        if self.is_one_piece:
            return float(self.pieces[0].at(np.zeros(1))[0][0, 0])
        # A parallel shrinks around the middle of the largest circle that fits, unless it falls apart before.
        largest = self._largest_circle_mm()
        if self._is_mirrored and (self._is_convex or self._is_simple_at(largest * (1.0 - REACH_SHARE))):
            return largest
        low, high = 0.0, math.sqrt(self.area_mm2 / math.pi) * (1.0 + REACH_SHARE)
        for middle in (largest * (1.0 - REACH_SHARE / 3.0), largest * (1.0 + REACH_SHARE / 3.0)):
            if low < middle < high:
                low, high = (middle, high) if self._is_simple_at(middle) else (low, middle)
        while high - low > REACH_SHARE * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self._is_simple_at(middle) else (low, middle)
        return low

    @property
    def _is_convex(self) -> bool:
        """Then its parallels stay simple until the largest circle that fits is a point."""
        return all(corner.turn_deg >= 0.0 for corner in self.corners)

    @cached_property
    def _is_mirrored(self) -> bool:
        """True if every piece has its mirror image across the X axis: then the largest circle lies on that axis."""
        points = np.concatenate([piece.at(np.array([0.0, 0.5, 1.0]))[0] for piece in self.pieces])
        gaps = np.linalg.norm(points[:, None] - points * (1.0, -1.0), axis=2).min(axis=1)
        return bool((gaps <= SAME * np.ptp(points)).all())

    def _largest_circle_mm(self) -> float:
        """Radius of the largest circle about a point of the X axis that fits; in a mirrored outline none is larger."""
        t = np.linspace(0.0, 1.0, 2 * SIDE_CHORDS + 1)
        points = np.stack([piece.at(t)[0] for piece in self.pieces if not isinstance(piece, Cleft)])
        low, high = float(points[..., 0].min()), float(points[..., 0].max())
        largest = 0.0
        for _ in range(9):  # each looks at an eighth of the last: the middle to a hundred millionth
            middles = np.linspace(low, high, 17)
            radii = _distances(middles, points)
            best, tick = int(np.argmax(radii)), (high - low) / 16.0
            largest = max(largest, float(radii[best]))
            low, high = float(middles[best] - tick), float(middles[best] + tick)
        return largest

    @cached_property
    def _sides(self) -> Floats:
        """(n, 2) corners of a polygon in place of the outline."""
        return np.concatenate([piece.at(np.linspace(0.0, 1.0, SIDE_CHORDS + 1)[:-1])[0] for piece in self.pieces
                               if not isinstance(piece, Cleft)])

    def _is_simple_at(self, inset_mm: float) -> bool:
        """Every point of a simple parallel is at least `inset_mm` from the outline."""
        try:
            loop = self.loop(inset_mm, [SIDE_CHORDS if piece.is_curved else 4 for piece in self.pieces])
        except GeometryError:
            return False
        coarse = 2e-3 * math.sqrt(self.area_mm2)  # what chords in place of arcs may take away
        start, way = self._sides, np.roll(self._sides, -1, axis=0) - self._sides
        x, y = (loop[:, i, None] - start[:, i] for i in range(2))
        share = np.clip((x * way[:, 0] + y * way[:, 1]) / (way * way).sum(axis=1), 0.0, 1.0)
        squares = (x - share * way[:, 0]) ** 2 + (y - share * way[:, 1]) ** 2
        return bool(squares.min() >= max(inset_mm - coarse, 0.0) ** 2)

    def trims(self, insets: Floats) -> tuple[Floats, Floats, Floats]:
        """Of the parallels at k insets, mm: where each of n pieces starts and ends, (k, n) of its parameters, nan where
        it is swallowed, and (k, n, 2) the joint before a swallowed piece. Raises GeometryError as `loop` does.

        Insets at which no piece is swallowed and no smooth joint opens are found for all at once.
        """
        n = len(self.pieces)
        starts, ends = np.zeros((len(insets), n)), np.ones((len(insets), n))
        joints = np.zeros((len(insets), n, 2))
        if self.is_one_piece or not insets.any():
            return starts, ends, joints
        is_plain = np.ones(len(insets), bool)
        gone = self._gone(insets)
        for row in np.unique(gone, axis=0):
            here = (gone == row).all(axis=1)
            alive = np.flatnonzero(~row).tolist()
            for i, after in zip(alive, alive[1:] + alive[:1], strict=True):
                is_next = after == (i + 1) % n
                if not is_next or not self._joins_smoothly[i]:
                    ends[here, i], starts[here, after], is_found = _corner_joints(
                        self.pieces[i], self.pieces[after], insets[here])
                    # Pieces that are produced past their ends meet at a corner, but not where one between them is gone.
                    is_found &= is_next | ((ends[here, i] <= 1.0) & (starts[here, after] >= 0.0))
                    is_plain[here] &= is_found
            for i in reversed(np.flatnonzero(row).tolist()):
                starts[here, i] = ends[here, i] = np.nan
                after = next((j % n for j in range(i + 1, i + n) if not row[j % n]), i)
                points, normals = self.pieces[after].at(starts[here, after])[:2]
                joints[here, i] = points - insets[here, None] * normals
            is_plain[here] &= len(alive) >= 2
        is_plain &= ((ends > starts) | np.isnan(starts)).all(axis=1)
        for i, piece in enumerate(self.pieces):
            for k in np.flatnonzero(is_plain & ~gone[:, i] & (insets > self._radii_mm[i][0])):
                is_plain[k] = (_stretch(piece, starts[k, i], ends[k, i], float(insets[k])) >= 0.0).all()
        for k in np.flatnonzero(~is_plain):
            starts[k], ends[k], joints[k] = self._trims(float(insets[k]))
        return starts, ends, joints

    def _gone(self, insets: Floats) -> NDArray[np.bool_]:
        """(k, n) whether all of a piece's parallel runs backwards at an inset: arcs farther inside than their largest
        radius, and clefts outside."""
        return np.column_stack([insets < 0.0 if isinstance(piece, Cleft) else insets > self._radii_mm[i][1]
                                for i, piece in enumerate(self.pieces)])

    @cached_property
    def _radii_mm(self) -> list[tuple[float, float]]:
        """Of each piece, its least and its largest radius, mm: no parallel nearer than that runs backwards on it."""
        radii = []
        for piece in self.pieces:
            if isinstance(piece, Arc):
                least, most = sorted((piece.x_mm, piece.y_mm))
                radii.append((least * least / most, most * most / least))
            else:
                radii.append((math.inf, math.inf))
        return radii

    def _trims(self, inset_mm: float) -> tuple[Floats, Floats, Floats]:
        """`trims` for one inset, piece by piece, until none runs backwards."""
        n = len(self.pieces)
        alive = list(range(n))
        starts, ends = np.zeros(n), np.ones(n)
        stale = set(range(n))
        while True:
            for k, i in enumerate(alive):
                after = alive[(k + 1) % len(alive)]
                if i in stale:
                    ends[i], starts[after] = self._joint(i, after, inset_mm)
            stale = set()
            slack = [self._slack(i, starts[i], ends[i], inset_mm) for i in alive]
            worst = int(np.argmin(slack))
            if slack[worst] >= 0.0:
                break
            if len(alive) <= 2:
                raise _no_parallel(inset_mm)
            gone = alive.pop(worst)
            starts[gone] = ends[gone] = np.nan
            stale.add(alive[worst - 1])
        joints = np.zeros((n, 2))
        for k, i in enumerate(alive):
            point = _offset(self.pieces[i], starts[i:i + 1], inset_mm)[0][0]
            before = alive[k - 1]
            while before != i:
                before = (before + 1) % n
                joints[before] = point
        return starts, ends, joints

    def _slack(self, i: int, start: float, end: float, inset_mm: float) -> float:
        """Negative if the parallel of piece `i` runs backwards: a share of the piece, or of its radius."""
        if not end > start:
            return float(end - start)
        return min(0.0, float(_stretch(self.pieces[i], start, end, inset_mm).min()))

    @cached_property
    def _joins_smoothly(self) -> tuple[bool, ...]:
        """For each piece, whether the next one goes on in its direction."""
        ends = [piece.at(np.array([0.0, 1.0]))[1] for piece in self.pieces]
        return tuple(bool(abs(_cross(one[1], other[0])) < math.radians(SMOOTH_DEG))
                     for one, other in zip(ends, ends[1:] + ends[:1], strict=True))

    def turns_after(self, i: int) -> bool:
        """True if the outline has a corner, or a cleft, between piece `i` and the next."""
        sides = self.pieces[i], self.pieces[(i + 1) % len(self.pieces)]
        return not self._joins_smoothly[i] or any(isinstance(side, Cleft) for side in sides)

    def _joint(self, before: int, after: int, inset_mm: float) -> tuple[float, float]:
        """Parameters at which the parallels of two pieces cross: the end of the first, the start of the second."""
        first, second = self.pieces[before], self.pieces[after]
        if isinstance(first, Line) and isinstance(second, Line):
            return _line_joint(first, second, inset_mm)
        t, s = 1.0, 0.0
        opening = (before + 1) % len(self.pieces) == after and self._joins_smoothly[before]
        if opening:
            t, s = 1.0 - _backwards(first, -1, inset_mm), _backwards(second, 1, inset_mm)
            if (t, s) == (1.0, 0.0):
                return t, s
            opened = _opened_rad(first, second, inset_mm)
            if opened is not None:
                assert isinstance(first, Arc) and isinstance(second, Arc)
                return 1.0 - opened / first.sweep_rad, opened / second.sweep_rad
        guess = t, s
        t, s, apart = _meeting(first, second, inset_mm, t, s)
        if (before + 1) % len(self.pieces) != after:
            # With the piece between them gone, they may cross anywhere: the steps are begun at other places too.
            for start in ((i / 4.0, j / 4.0) for i in (3, 2, 1, 4) for j in (1, 2, 3, 0)):
                # Near its sharpest place a parallel runs backwards, and may cross the other there, too.
                if apart < 1e-8 and t <= 1.0 and s >= 0.0 and _runs_on(first, t, inset_mm) and _runs_on(second, s, inset_mm):
                    break
                t, s, apart = _meeting(first, second, inset_mm, *start)
        # The parallels of two pieces that join smoothly also meet where the pieces do, but run backwards there.
        is_found = apart < 1e-8 and not (opening and 1.0 - t < 0.5 * (1.0 - guess[0]))
        if is_found:
            return t, s
        if opening:
            # A corner that only begins to open is a cusp, where the steps above find no other way; the guess lies on it.
            p, q = _offset(first, np.array(guess[:1]), inset_mm)[0][0], _offset(second, np.array(guess[1:]), inset_mm)[0][0]
            if math.hypot(*(p - q)) < CUSP_MM:
                return guess
            # Past the sharpest place at its other end, the shorter piece crosses nothing any more: it is swallowed.
            return (-1.0, guess[1]) if self.lengths_mm[before] < self.lengths_mm[after] else (guess[0], 2.0)
        raise _no_parallel(inset_mm)


@lru_cache(maxsize=64)
def _unit_polygon(count: int) -> Floats:
    """(count, 2) regular polygon with the area of the unit circle and a corner at azimuth 0."""
    step = 2.0 * math.pi / count
    turn = step * np.arange(count)
    points = math.sqrt(step / math.sin(step)) * np.column_stack([np.cos(turn), np.sin(turn)])
    points.setflags(write=False)
    return points


def _fewest_segments(piece: Piece, insets: Floats, chord_mm: float) -> int:
    """Segments of a piece that keep the chord error on its parallels at (k,) insets: an even number for an arc."""
    if not piece.is_curved:
        return 1
    _, _, along, turning = piece.at(np.linspace(0.0, 1.0, SIDE_CHORDS + 1))
    speed = np.linalg.norm(along - insets[:, None, None] * turning, axis=2)
    sagitta = float((speed * np.linalg.norm(turning, axis=1)).max()) / 8.0  # of the whole piece as one chord
    # The ends of a piece stay in place, so that n - 1 of its samples are pushed out for n chords.
    return max(2, 2 * math.ceil(0.25 + 0.5 * math.sqrt(0.25 + sagitta / (PUSHED * chord_mm)) - 1e-9))


def _apart(values: list[float]) -> list[float]:
    """Sorted parameters without those that repeat."""
    return [value for i, value in enumerate(values) if i == 0 or value - values[i - 1] > SAME]


def _no_parallel(inset_mm: float) -> GeometryError:
    return GeometryError("outline", f"no parallel curve lies {inset_mm:.4g} mm inside it", "take a smaller inset")


def _cross(a: Floats, b: Floats) -> Floats:
    """z of the cross product of (..., 2) vectors."""
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def _line_joint(first: Line, second: Line, inset_mm: float) -> tuple[float, float]:
    """Parameters at which the parallels of two straight pieces cross."""
    vx, vy = first.end[0] - first.start[0], first.end[1] - first.start[1]
    wx, wy = second.end[0] - second.start[0], second.end[1] - second.start[1]
    v, w = math.hypot(vx, vy), math.hypot(wx, wy)
    turn = vx * wy - vy * wx
    if abs(turn) < 1e-12 * v * w:
        if (first.end, vx * wx + vy * wy > 0.0) == (second.start, True):
            return 1.0, 0.0
        raise _no_parallel(inset_mm)
    gap_x = second.start[0] - inset_mm * wy / w - first.start[0] + inset_mm * vy / v
    gap_y = second.start[1] + inset_mm * wx / w - first.start[1] - inset_mm * vx / v
    return (gap_x * wy - gap_y * wx) / turn, (gap_x * vy - gap_y * vx) / turn


def _corner_joints(first: Piece, second: Piece, insets: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Where the parallels of two pieces that meet at a corner cross, at (k,) insets: parameters on the first and on the
    second, and whether they were found; by Newton's steps from the corner."""
    t, s = np.ones(len(insets)), np.zeros(len(insets))
    inset = insets[:, None]
    for _ in range(40):
        p, m, v, a = first.at(t)
        q, n, w, b = second.at(s)
        gap = (q - inset * n) - (p - inset * m)
        v, w = v - inset * a, w - inset * b
        turn = _cross(v, w)
        is_met = np.hypot(gap[:, 0], gap[:, 1]) < 1e-11 * (1.0 + np.abs(insets))
        if is_met.all() or (turn == 0.0).any():
            break
        t = t + np.clip(_cross(gap, w) / turn, -0.5, 0.5)
        s = s + np.clip(_cross(gap, v) / turn, -0.5, 0.5)
    return t, s, is_met


def _distances(across: Floats, points: Floats) -> Floats:
    """(k,) mm from the points (across[k], 0) to the nearest of curves (p, n, 2), sampled evenly: by parabolas."""
    squares = (points[None, :, :, 0] - across[:, None, None]) ** 2 + points[None, :, :, 1] ** 2
    k = squares.argmin(axis=2).clip(1, points.shape[1] - 2)[..., None]
    before, here, after = (np.take_along_axis(squares, k + step, axis=2)[..., 0] for step in (-1, 0, 1))
    slope, bend = 0.5 * (after - before), before - 2.0 * here + after
    offset = np.clip(-slope / np.where(bend > 0.0, bend, np.inf), -1.0, 1.0)
    least: Floats = (here + slope * offset + 0.5 * bend * offset * offset).min(axis=1)
    return np.sqrt(np.maximum(least, 0.0))


def _offset(piece: Piece, t: Floats, inset_mm: float) -> tuple[Floats, Floats]:
    points, normals, _, _ = piece.at(t)
    return points - inset_mm * normals, normals


def _stretch(piece: Piece, start: float, end: float, inset_mm: float) -> Floats:
    """How much the parallel is stretched against the piece, at samples; negative where it runs backwards."""
    if isinstance(piece, Line):
        return np.ones(1)
    if isinstance(piece, Cleft):
        return np.full(1, inset_mm)
    if piece.x_mm == piece.y_mm:
        return np.full(2, 1.0 - inset_mm / piece.x_mm)
    _, _, along, turning = piece.at(np.linspace(start, end, 65))
    stretch: Floats = 1.0 - inset_mm * np.einsum("ij,ij->i", turning, along) / np.einsum("ij,ij->i", along, along)
    return stretch


def _runs_on(piece: Piece, t: float, inset_mm: float) -> bool:
    """True if the parallel of a piece does not run backwards at a parameter."""
    return bool(_stretch(piece, t, t, inset_mm)[0] >= 0.0)


def _backwards(piece: Piece, step: int, inset_mm: float) -> float:
    """How far into a piece, from its start (step 1) or end (-1), its parallel crosses that of its mirror image there.

    0 unless the parallel starts by running backwards; then about sqrt 3 times the way to where it turns, as any smooth
    curve does near its sharpest place.
    """
    if isinstance(piece, Cleft):
        return 0.0
    stretch = _stretch(piece, 0.0, 1.0, inset_mm)[::step]
    if stretch[0] >= 0.0:
        return 0.0
    forwards = np.flatnonzero(stretch >= 0.0)
    if len(forwards) == 0:
        return 0.0
    k = int(forwards[0])
    turn = k - stretch[k] / (stretch[k] - stretch[k - 1])
    if k == 1:  # so near to its sharpest place the stretch grows with the square of the way from it
        turn = math.sqrt(stretch[0] / (stretch[0] - stretch[1]))
    return min(0.95, math.sqrt(3.0) * float(turn) / (len(stretch) - 1))


def _meeting(first: Piece, second: Piece, inset_mm: float, t: float, s: float) -> tuple[float, float, float]:
    """Parameters at which the parallels of two pieces cross, by Newton's steps from a guess, and how far apart they still
    are there, mm."""
    gap = np.full(2, math.inf)
    for _ in range(40):
        p, m, v, a = (row[0] for row in first.at(np.array([t])))
        q, n, w, b = (row[0] for row in second.at(np.array([s])))
        gap = (q - inset_mm * n) - (p - inset_mm * m)
        v, w = v - inset_mm * a, w - inset_mm * b
        turn = _cross(v, w)
        if turn == 0.0:
            break
        dt, ds = _cross(gap, w) / turn, _cross(gap, v) / turn
        t, s = t + float(np.clip(dt, -0.5, 0.5)), s + float(np.clip(ds, -0.5, 0.5))
        if abs(dt) + abs(ds) < 1e-11:  # the next step would be its square, and the gap is below its own limit
            break
    return t, s, math.hypot(*gap)


def _opened_rad(first: Piece, second: Piece, inset_mm: float) -> float | None:
    """How far on either side of the sharpest place of an ellipse, as an eccentric angle, the parallels of its two halves
    cross; None if two pieces are not the halves of an ellipse there.

    With half axes a > b the parallel at inset d meets the axis where b² + (a² - b²) sin² = (d a / b)² (geometry). Past an
    inset of b it does nowhere, and more than a half turn swallows both.
    """
    if not (isinstance(first, Arc) and isinstance(second, Arc)):
        return None
    is_one = (first.centre, first.x_mm, first.y_mm) == (second.centre, second.x_mm, second.y_mm)
    least, most = sorted((second.x_mm, second.y_mm))
    sharpest = 0.0 if second.x_mm > second.y_mm else 0.5 * math.pi
    off = (second.start_rad - sharpest) % math.pi
    if not is_one or least == most or min(off, math.pi - off) > SAME:
        return None
    square = ((inset_mm * most / least) ** 2 - least * least) / (most * most - least * least)
    return math.asin(math.sqrt(max(square, 0.0))) if square < 1.0 else math.tau


def _crossing(piece: Piece, ray: Floats, near: float) -> float:
    """Parameter, the nearest to another, at which a piece crosses a line through the origin (closed forms)."""
    x, y = ray.tolist()
    if isinstance(piece, Line):
        start, end = (x * at[1] - y * at[0] for at in (piece.start, piece.end))
        t = start / (start - end) if start != end else near
        return min(max(t, 0.0), 1.0)
    assert isinstance(piece, Arc)
    # On it x (cy + b sin a) = y (cx + c cos a), a sine of a turned by a constant.
    sine, cosine = x * piece.y_mm, -y * piece.x_mm
    turn = math.asin(min(max((y * piece.centre[0] - x * piece.centre[1]) / math.hypot(sine, cosine), -1.0), 1.0))
    off = math.atan2(cosine, sine)
    angle = piece.start_rad + near * piece.sweep_rad
    # Both solutions, each in the turn nearest to the angle looked for.
    found = [each - math.tau * round((each - angle) / math.tau) for each in (turn - off, math.pi - turn - off)]
    t = (min(found, key=lambda each: abs(each - angle)) - piece.start_rad) / piece.sweep_rad
    return min(max(t, 0.0), 1.0)


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(24)
    parts = np.arange(6)[:, None]
    return ((parts + 0.5 + 0.5 * nodes) / 6.0).ravel(), np.tile(weights / 12.0, 6)


def _swept_mm2(piece: Piece, start: Floats, end: Floats, insets: Floats) -> Floats:
    """(k,) mm2 between the origin and the parallels of a piece, from (k,) parameters to (k,) at (k,) insets, mm."""
    if isinstance(piece, Line):
        (p, m), (q, n) = (piece.at(t)[:2] for t in (start, end))
        area: Floats = _cross(p - insets[:, None] * m, q - insets[:, None] * n) / 2.0
        return area
    if isinstance(piece, Arc) and piece.x_mm == piece.y_mm:
        radius = piece.x_mm - insets
        turn = piece.at(end)[1] - piece.at(start)[1]
        moved = piece.centre[0] * turn[:, 1] - piece.centre[1] * turn[:, 0]
        area = radius * (radius * piece.sweep_rad * (end - start) + moved) / 2.0
        return area
    # Gauss-Legendre; exact to rounding on any arc a stone has.
    nodes, weights = _nodes()
    t = start[:, None] + (end - start)[:, None] * nodes
    points, normals, along, turning = (row.reshape(*t.shape, 2) for row in piece.at(t.ravel()))
    inset = insets[:, None, None]
    area = (end - start) * (_cross(points - inset * normals, along - inset * turning) @ weights) / 2.0
    return area


def _pushed(points: Floats, normals: Floats, targets_mm2: Floats) -> Floats:
    """(k, n, 2) points moved out along their normals, all of a row but its ends by the same amount, so that each row
    sweeps its area exactly."""
    push = normals.copy()
    push[:, [0, -1]] = 0.0
    p, q, m, n = points[:, :-1], points[:, 1:], push[:, :-1], push[:, 1:]
    missing = 2.0 * targets_mm2 - _cross(p, q).sum(axis=1)
    linear = (_cross(p, n) + _cross(m, q)).sum(axis=1)
    square = _cross(m, n).sum(axis=1)
    root = linear + np.sqrt(np.maximum(linear * linear + 4.0 * square * missing, 0.0))
    # A piece that its parallel has shrunk to a point has no length to push, only rounding to blow up.
    is_long = root > SAME
    amount = np.where(is_long, 2.0 * missing / np.where(is_long, root, 1.0), 0.0)
    pushed: Floats = points + push * amount[:, None, None]
    return pushed
