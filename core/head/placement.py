"""Where claws stand on an outline: evenly, at its corners or points, in pairs, or in directions of the user's."""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from ..mesh import Floats
from ..stone.outline import Arc, Cleft, Line, Outline, Place

CUT_TURN_DEG = (20.0, 75.0)
"""What the outline turns at either end of a side that cuts off a corner. Common practice, no source."""

ROUND_TURN_DEG = (30.0, 100.0)
"""What a round corner turns in all: less is a bow, more a round end. Common practice, no source."""

ROUND_SHARE = 0.5
"""How sharp a round corner is: its radius as a share of its neighbours'. Common practice, no source."""

SAMPLES = 128
"""Places per piece at which its length is summed up. Fewer: claws on an ellipse stand unevenly by microns."""

SNAP_MM = 1e-6
"""How near to a corner a place is that corner. Larger: a claw beside a corner would turn to it."""

LEG_MIDDLE = 0.6
"""Where along a V claw's leg it cuts as deep as planned into a bowed side. Smaller: its end holds less of the
girdle."""

MIRROR_MM = 1e-3
"""How far two stretches may be from each other's mirror image. Larger: claws would be shared out as on another
outline."""


@dataclass(frozen=True, eq=False)
class Way:
    """Once around an outline, counter-clockwise from where it leaves the X axis, by arc length in mm."""

    outline: Outline

    @cached_property
    def _table(self) -> tuple[Floats, list[tuple[int, float]], Floats]:
        """Length so far, piece and parameter, and point (n, 2) at each sample; pieces without length are left out."""
        spots, points = [], []
        for i, piece in enumerate(self.outline.pieces):
            if isinstance(piece, Cleft):
                continue
            t = np.linspace(0.0, 1.0, (SAMPLES if piece.is_curved else 1) + 1)
            spots += [(i, float(each)) for each in t]
            points.append(piece.at(t)[0])
        along = np.concatenate(points)
        return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(along, axis=0), axis=1))]), spots, along

    @property
    def length_mm(self) -> float:
        return float(self._table[0][-1])

    @cached_property
    def _start_mm(self) -> float:
        """Length along the pieces at which the X axis is crossed."""
        return self._raw_mm(self.outline.place(0.0).point)

    def _raw_mm(self, point: Floats) -> float:
        """Length along the pieces at which a point (2,) of the outline lies."""
        run, (starts, ways, squares) = self._table[0], self._chords
        gaps = point - starts
        share = np.clip((gaps * ways).sum(axis=1) / squares, 0.0, 1.0)
        off = gaps - share[:, None] * ways
        k = int(np.argmin((off * off).sum(axis=1)))
        return float(run[k] + share[k] * (run[k + 1] - run[k]))

    @cached_property
    def _chords(self) -> tuple[Floats, Floats, Floats]:
        """Between the samples: where each chord starts and its way, (n, 2), and its length squared."""
        points = self._table[2]
        ways = np.diff(points, axis=0)
        return points[:-1], ways, np.maximum((ways * ways).sum(axis=1), 1e-300)

    def length_at(self, point: Floats) -> float:
        """How far along the way a point (2,) of the outline lies, from 0 to below `length_mm`."""
        along = (self._raw_mm(point) - self._start_mm) % self.length_mm
        return 0.0 if self.length_mm - along < SNAP_MM else along

    def place_at(self, along_mm: float) -> Place:
        """The place so far along the way; a corner where there is one."""
        run, spots, _ = self._table
        at = (along_mm + self._start_mm) % self.length_mm
        k = min(int(np.searchsorted(run, at, side="right")) - 1, len(run) - 2)
        while spots[k][0] != spots[k + 1][0]:
            k += 1
        (i, low), (_, high) = spots[k], spots[k + 1]
        t = low + (high - low) * (at - float(run[k])) / max(float(run[k + 1] - run[k]), 1e-300)
        place = self.outline.at(i, min(max(t, 0.0), 1.0))
        for corner in self.outline.corners:
            if math.dist(corner.point, place.point) < SNAP_MM:
                return corner
        return place


# Its samples are looked up from several sides for every stone.
@lru_cache(maxsize=16)
def way_round(outline: Outline) -> Way:
    """Once around an outline."""
    return Way(outline)


def azimuth_deg(place: Place) -> float:
    """Direction of a place from the axis, 0 to 360, counter-clockwise from the stone's length."""
    angle = math.degrees(math.atan2(place.point[1], place.point[0])) % 360.0
    return 0.0 if 360.0 - angle < 1e-9 else angle


@lru_cache(maxsize=32)
def points_of(outline: Outline, point_deg: float) -> tuple[Place, ...]:
    """The sharp corners of an outline that stand out. point_deg: from which turn on a corner is so sharp, in this and all
    below the house rule retention.point_from_deg."""
    cut = [end for i in _cut_sides(outline) for end in (outline.pieces[i].at(np.array([0.0, 1.0]))[0])]
    return tuple(corner for corner in outline.corners if corner.turn_deg >= point_deg
                 and not any(math.dist(corner.point, end) < SNAP_MM for end in cut))


@lru_cache(maxsize=32)
def corners_of(outline: Outline, point_deg: float) -> tuple[Place, ...]:
    """The corners of an outline as a setter counts them: sharp ones, and the middles of cut and of round ones."""
    middles = [outline.at(i, 0.5) for i in (*_cut_sides(outline), *_round_corners(outline))]
    return tuple(sorted((*points_of(outline, point_deg), *middles), key=azimuth_deg))


def _cut_sides(outline: Outline) -> list[int]:
    """Pieces that cut off a corner: straight, shorter than their neighbours, and turning a little at either end."""
    pieces, turns = outline.pieces, {tuple(np.round(c.point, 6)): c.turn_deg for c in outline.corners}
    found = []
    for i, piece in enumerate(pieces):
        before, after = pieces[i - 1], pieces[(i + 1) % len(pieces)]
        if not (isinstance(piece, Line) and isinstance(before, Line) and isinstance(after, Line)):
            continue
        ends = [turns.get(tuple(np.round(end, 6)), 0.0) for end in (piece.start, piece.end)]
        length = math.dist(piece.start, piece.end)
        if all(CUT_TURN_DEG[0] <= turn <= CUT_TURN_DEG[1] for turn in ends) and length < 0.99 * min(
                math.dist(before.start, before.end), math.dist(after.start, after.end)):
            found.append(i)
    return found


def _round_corners(outline: Outline) -> list[int]:
    """Arcs that stand for a corner: sharper than their neighbours, into which they run."""
    pieces = outline.pieces
    smooth = [corner.point for corner in outline.corners]
    found = []
    for i, piece in enumerate(pieces):
        beside = pieces[i - 1], pieces[(i + 1) % len(pieces)]
        if not isinstance(piece, Arc) or not ROUND_TURN_DEG[0] <= math.degrees(piece.sweep_rad) <= ROUND_TURN_DEG[1]:
            continue
        ends = piece.at(np.array([0.0, 1.0]))[0]
        if any(math.dist(end, corner) < SNAP_MM for end in ends for corner in smooth):
            continue
        if all(isinstance(each, Line) or (isinstance(each, Arc) and _radius_mm(piece) < ROUND_SHARE * _radius_mm(each))
               for each in beside):
            found.append(i)
    return found


def _radius_mm(arc: Arc) -> float:
    return math.sqrt(arc.x_mm * arc.y_mm)


@lru_cache(maxsize=64)
def legs_turn_deg(outline: Outline, place: Place, leg_mm: float) -> float:
    """Turn between two straight legs of a length that lie along the sides of a corner: the corner's own, and more
    where its sides are bowed, so that each leg is cut as deep on both sides of its middle."""
    bow = 0.0
    for piece in outline.pieces:
        for t in (0.0, 1.0):
            point, _, along, turning = (row[0] for row in piece.at(np.array([t])))
            if piece.is_curved and math.dist(point, place.point) < SNAP_MM and np.any(along):
                # A side leaves its tangent by curvature x way² / 2: seen from the corner, by this angle.
                bow += math.hypot(*turning) / math.hypot(*along) * LEG_MIDDLE * leg_mm / 2.0
    return place.turn_deg + math.degrees(bow)


@lru_cache(maxsize=32)
def usual_placement(outline: Outline, point_deg: float) -> tuple[str, str]:
    """Where claws usually stand on such an outline, and why in half a sentence."""
    sharp, corners = points_of(outline, point_deg), corners_of(outline, point_deg)
    if 1 <= len(sharp) <= 3 and len(sharp) == len(corners):
        what = "point chips" if len(sharp) == 1 else "points chip"
        return "points", f"the {what} first, so a claw covers {'it' if len(sharp) == 1 else 'each'}"
    if corners:
        return "corners", f"a stone with {len(corners)} corners is held at them"
    return "evenly", "an outline without corners is held evenly all round"


# The same places are asked for at every tick of a slider that changes claws only.
@lru_cache(maxsize=64)
def place_claws(outline: Outline, placement: str, count: int, point_deg: float, start_deg: float | None = None,
                claw_mm: float = 0.0) -> tuple[Place, ...]:
    """`count` places, by azimuth from the first. placement: "evenly", "corners" or "points"; claw_mm: how thick a claw is.

    Evenly: by equal angles on a circle, else by equal lengths of outline, from `start_deg`; from half a step off the X
    axis if that is None. Corners and points: one at each, and the others spread over the stretches between them,
    mirrored across the X axis; between points, one that would reach round a flatter corner stands at it. Raises ValueError
    with the end of a sentence where that can't be.
    """
    if placement == "evenly":
        return _evenly(outline, count, start_deg)
    return _anchored(outline, placement, count, point_deg, claw_mm)


def _evenly(outline: Outline, count: int, start_deg: float | None) -> tuple[Place, ...]:
    if outline.is_one_piece:
        start = 180.0 / count if start_deg is None else start_deg
        return tuple(outline.place(start + 360.0 * i / count) for i in range(count))
    way = way_round(outline)
    step = way.length_mm / count
    clefts = [way.length_at(corner.point) for corner in outline.corners if corner.turn_deg < 0.0]
    starts = [0.5 * step, 0.0] if start_deg is None else [way.length_at(outline.place(start_deg).point)]
    for start in starts:
        along = [start + i * step for i in range(count)]
        if not any(abs((each - cleft + 0.5 * way.length_mm) % way.length_mm - 0.5 * way.length_mm) < 0.2 * step
                   for each in along for cleft in clefts):
            return tuple(way.place_at(each) for each in along)
    raise ValueError("a claw would stand in the cleft, where it holds nothing; turn the claws")


def _anchored(outline: Outline, placement: str, count: int, point_deg: float, claw_mm: float) -> tuple[Place, ...]:
    anchors = (points_of if placement == "points" else corners_of)(outline, point_deg)
    if not anchors:
        raise ValueError(f"this outline has no {placement}; let the claws stand evenly")
    if count < len(anchors):
        raise ValueError(f"this outline has {len(anchors)} {placement}, so it takes at least {len(anchors)} claws; "
                         "or let them stand evenly")
    way = way_round(outline)
    stops = sorted([(way.length_at(anchor.point), True) for anchor in anchors]
                   + [(way.length_at(corner.point), False) for corner in outline.corners if corner.turn_deg < 0.0])
    stretches = [Stretch(start, (end - start) % way.length_mm or way.length_mm, held, ends)
                 for (start, held), (end, ends) in zip(stops, stops[1:] + stops[:1], strict=True)]
    shares = _shared_out(stretches, count - len(anchors), way.length_mm)
    if shares is None:
        raise ValueError(f"{count} claws can't stand the same on both sides of this outline; take one more or one "
                         f"fewer")
    between = [way.place_at(along) for stretch, share in zip(stretches, shares, strict=True) for along in stretch.spread(share)]
    if placement == "points":
        flat = [corner for corner in outline.corners if 0.0 < corner.turn_deg < point_deg]
        between = _at_corners(flat, between, claw_mm / 2.0)
    return tuple(sorted((*anchors, *between), key=azimuth_deg))


def _at_corners(corners: list[Place], places: list[Place], within_mm: float) -> list[Place]:
    """The places, where a corner has one within so far the nearest of them at it: beside a corner a claw is cut by both sides
    and lies square to neither."""
    moved = list(places)
    for corner in corners if places else ():
        far = [math.dist(corner.point, place.point) for place in places]
        nearest = far.index(min(far))
        if far[nearest] < within_mm:
            moved[nearest] = corner
    return moved


@dataclass(frozen=True)
class Stretch:
    """A piece of the way between two stops: from `start_mm` over `length_mm`, and whether a claw stands at either end;
    where none does is a cleft."""

    start_mm: float
    length_mm: float
    is_held_before: bool
    is_held_after: bool

    def spread(self, count: int) -> list[float]:
        """Lengths along the way of so many claws: even between claws, and half a step off a cleft."""
        before, after = (1.0 if held else 0.5 for held in (self.is_held_before, self.is_held_after))
        step = self.length_mm / (count - 1.0 + before + after) if count else 0.0
        return [self.start_mm + (before + k) * step for k in range(count)]

    def opening_mm(self, count: int) -> float:
        """How far apart claws stand with so many of them."""
        ends = sum(1.0 if held else 0.5 for held in (self.is_held_before, self.is_held_after))
        return self.length_mm / max(count - 1.0 + ends, 0.5)


def _shared_out(stretches: list[Stretch], count: int, around_mm: float) -> list[int] | None:
    """How many claws each stretch gets, the same on both sides of the X axis; None if that can't be."""
    found = [_twin(stretch, stretches, around_mm) for stretch in stretches]
    twins = [i if None in found or twin is None else twin for i, twin in enumerate(found)]
    shares = [0] * len(stretches)
    while count > 0:
        open_to = [i for i, twin in enumerate(twins) if twin == i or count >= 2]
        if not open_to:
            return None
        widest = max(open_to, key=lambda i: (round(stretches[i].opening_mm(shares[i]), 6), twins[i] != i, -i))
        for i in {widest, twins[widest]}:
            shares[i] += 1
            count -= 1
    return shares


def _twin(stretch: Stretch, stretches: list[Stretch], around_mm: float) -> int | None:
    """Which stretch is the mirror image of one across the X axis."""
    for j, other in enumerate(stretches):
        off = (other.start_mm + stretch.start_mm + stretch.length_mm + 0.5 * around_mm) % around_mm - 0.5 * around_mm
        if abs(off) < MIRROR_MM and abs(other.length_mm - stretch.length_mm) < MIRROR_MM:
            return j
    return None


@lru_cache(maxsize=64)
def pair_places(outline: Outline, count: int, apart_mm: float, point_deg: float,
                start_deg: float | None = None) -> tuple[Place, ...]:
    """Places of `count` claws, an even number, in pairs whose claws' middles are `apart_mm` from each other.

    The pairs stand at the corners where there are enough of them, else evenly. Raises ValueError as `place_claws` does.
    """
    if count % 2:
        raise ValueError("claws in pairs are even in number")
    pairs = count // 2
    placement = "corners" if 0 < len(corners_of(outline, point_deg)) <= pairs else "evenly"
    way = way_round(outline)
    places = []
    for middle in place_claws(outline, placement, pairs, point_deg, start_deg):
        # Beside a corner both stand on their own sides, which run away from each other.
        half = 0.5 * apart_mm / math.cos(math.radians(middle.turn_deg / 2.0))
        along = way.length_at(middle.point)
        places += [way.place_at(along - half), way.place_at(along + half)]
    return tuple(places)


@lru_cache(maxsize=64)
def places_towards(outline: Outline, directions_deg: tuple[float, ...]) -> tuple[Place, ...]:
    """Where rays in these directions leave the outline. Raises ValueError for one in a cleft."""
    places = tuple(outline.place(direction) for direction in directions_deg)
    if any(place.turn_deg < 0.0 for place in places):
        raise ValueError("a claw in the cleft holds nothing; let it stand beside it")
    return places
