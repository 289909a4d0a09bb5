"""One claw as it is found: its line, its thickness where the girdle meets it, its notch, and what the notch leaves.

A claw's section is taken as it comes: round, oval, tab, or V, which has a leg along each side of a corner. Its line may
lean, bend and taper. Only its outer face is sure to be whole at the girdle, so that everything is told from there.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats, Ints
from ..solid.kernel import bounds, triangles_of
from .chords import faces, last_crossing, span
from .frame import Frame
from .loops import area_mm2, hollow_deg, largest, middle_of, middles_of

STRIPS = 33
"""Strips across a claw for its area and strength; exact on a round bar to a tenth of a per cent."""

PLAIN_SHARES = (0.08, 0.2, 0.3, 0.4, 0.5)
"""Where between its foot and the girdle a claw is looked at: below the reach of any notch, and clear of the base, where
hand work may have rounded it."""

NEAR_SHARES = (0.75, 0.84, 0.93)
"""At which heights, from its foot to the girdle, a claw's outer face is told: near the girdle, but below what the setter
rounds. Lower: bowed claws are read too upright."""

BOWED_MM = 0.003
"""By how much the middles of a straight claw stray from a line. Larger: bowed claws are carried up straight."""

ASIDE = 0.02
"""Slope along the outline from which on sections are read through their middles. Larger: claws that lean aside are read
too thick."""

UNCUT_SHARE = 0.99
"""A claw at least this wide at the girdle, by what it is below, is not notched yet. Smaller: shallow notches are passed."""

HOLLOW_DEG = 30.0
"""A section whose corners turn inwards by more has two legs. Smaller: dents make legs."""

HOLLOW_SHARE, HULL_WAYS = 0.01, 72
"""From which share of its hull on what a section lacks is a hollow between legs, and in how many directions the hull is felt.
Smaller: a needle that folds over makes legs."""

LEG_FROM, LEG_TO = 0.3, 0.9
"""Where along a leg, from the corner to its end, its thickness is told: past the joint and the relief, before the end."""

@dataclass(frozen=True)
class Bar:
    """What the strips of a section say: area, modulus and stiffness against bending towards or away from the stone."""

    area_mm2: float
    modulus_mm3: float
    inertia_mm4: float


def bar(low: Floats, high: Floats, widths: Floats) -> Bar:
    """Of strips from `low` to `high` (n,) mm, each of a width (n,) mm; strips with nothing left count as none."""
    tall = np.maximum(high - low, 0.0)
    kept = tall > 0.0
    area = float(tall @ widths)
    if area <= 0.0:
        return Bar(0.0, 0.0, 0.0)
    middle = float((tall * (low + high) / 2.0) @ widths) / area
    inertia = float(((high - middle) ** 3 - (low - middle) ** 3)[kept] @ widths[kept]) / 3.0
    reach = max(float(high[kept].max()) - middle, middle - float(low[kept].min()))
    return Bar(area, inertia / reach, inertia)


@dataclass(frozen=True)
class Leg:
    """Where a claw holds one side of the stone: a V claw has two legs, any other claw one.

    edge (2,): the girdle there, outwards (2,): its normal; lean: cosine of the leg's tilt in that normal; thickness_mm:
    square to the axis; notch: share of that which the girdle cuts into, negative where the leg stands off the girdle;
    left_mm: metal left behind the notch; area_left, strength_left, stiffness_left: shares of the uncut leg; growth: mm by
    which it gets thicker for each mm up.
    """

    edge: Floats
    outwards: Floats
    lean: float
    thickness_mm: float
    notch: float
    left_mm: float
    area_left: float
    strength_left: float
    stiffness_left: float
    growth: float


@dataclass(frozen=True)
class ClawMeasure:
    """One claw as it is found.

    spine (k, 3): its middle line from the foot to the girdle; axis (3,): its general direction; outwards (2,): the
    girdle's normal beside it; edge (2,): the girdle there; lean: cosine of its tilt outwards at the girdle; slope: mm outwards for one
    mm up there; legs: one, or two of a V claw; width_mm: along the outline; area_mm2: of its section, square to its line; length_mm: from the foot
    to its end, along its axis.
    diameter_mm, notch, left_mm and the shares left are those of the leg with the deepest notch.
    """

    name: str
    spine: Floats
    axis: Floats
    outwards: Floats
    edge: Floats
    lean: float
    slope: float
    width_mm: float
    area_mm2: float
    length_mm: float
    legs: tuple[Leg, ...]
    girdle_mm: float

    @property
    def foot(self) -> Floats:
        """(3,) the lower end of its middle line."""
        start: Floats = self.spine[0]
        return start

    @property
    def is_v(self) -> bool:
        return len(self.legs) == 2

    @property
    def leg(self) -> Leg:
        """The leg with the deepest notch."""
        return max(self.legs, key=lambda leg: leg.notch)

    @property
    def diameter_mm(self) -> float:
        return self.leg.thickness_mm

    @property
    def notch(self) -> float:
        return self.leg.notch

    @property
    def left_mm(self) -> float:
        return self.leg.left_mm

    @property
    def area_left(self) -> float:
        return self.leg.area_left

    @property
    def strength_left(self) -> float:
        return self.leg.strength_left

    @property
    def stiffness_left(self) -> float:
        return self.leg.stiffness_left

    @property
    def girdle_place(self) -> Floats:
        """(3,) where the girdle meets it."""
        return np.array([*self.leg.edge, self.girdle_mm])

    def thickness_at(self, height_mm: float) -> float:
        """Its thickness, mm, square to its line, at a height, by its even taper."""
        return self.leg.thickness_mm + self.leg.growth * (height_mm - self.girdle_mm)

    def at_height(self, height_mm: float) -> Floats:
        """(3,) its middle at a height; beyond its measured line, straight on."""
        middle: Floats = self.at_heights(np.array([height_mm]))[0]
        return middle

    def at_heights(self, heights_mm: Floats) -> Floats:
        """(k, 3) the same at heights (k,)."""
        z = self.spine[:, 2]
        i = np.clip(np.searchsorted(z, heights_mm) - 1, 0, len(z) - 2)
        low, high = self.spine[i], self.spine[i + 1]
        middles: Floats = low + (high - low) * ((heights_mm - low[:, 2]) / (high[:, 2] - low[:, 2]))[:, None]
        return middles


@dataclass(frozen=True, eq=False)
class _Plain:
    """A claw below its notch: heights (k,), its largest loops and their middles (k, 2)."""

    low_mm: float
    heights: Floats
    rings: list[Floats]
    middles: Floats

    def reach(self, way: Floats) -> tuple[Floats, Floats]:
        """(k,) how far its loops reach along a way (2,), least and most."""
        along = self._corners @ way
        return np.minimum.reduceat(along, self._first), np.maximum.reduceat(along, self._first)

    @cached_property
    def _corners(self) -> Floats:
        return np.concatenate(self.rings)

    @cached_property
    def _first(self) -> Ints:
        """(k,) where each loop's corners begin."""
        sizes = [len(ring) for ring in self.rings]
        return np.cumsum([0, *sizes[:-1]])


def measure_claw(frame: Frame, name: str) -> ClawMeasure | None:
    """The claw of this name; None if it does not stand from below up to the girdle plane."""
    girdle = frame.girdle_plane_mm
    below, above = bounds(frame.parts[name])
    if not below[2] < girdle <= above[2]:
        return None
    plain = _plain(frame, name, float(below[2]))
    at_girdle = frame.part_at(name, girdle)
    if plain is None or not at_girdle:
        return None
    ring = largest(at_girdle)
    path = frame.girdle_path
    here = path.nearest(middle_of(ring))
    half = math.sqrt(abs(area_mm2([plain.rings[-1]])) / math.pi)
    has_legs = _is_hollow(plain.rings[-1]) and _is_hollow(plain.rings[0])
    if has_legs:
        here = path.sharpest(here, 2.0 * half, half)
    # The chord is as long as the claw is thick: beside a corner, that is the line between its sides.
    where = np.array([here])
    edge, outwards = path.points(where)[0], path.normals(where, half)[0]
    legs, slope, middle = _two_legs(frame, name, plain, at_girdle, here, outwards) if has_legs else ((), 0.0, edge)
    if not legs:
        legs, slope, middle = _one_leg(frame, name, plain, at_girdle, edge, outwards)
    spine = np.vstack([_foot(plain), np.column_stack([plain.middles, plain.heights]), [*middle, girdle]])
    axis = spine[-1] - spine[0]
    axis = axis / np.linalg.norm(axis)
    across = np.array([-outwards[1], outwards[0]])
    vertices, _ = triangles_of(frame.parts[name])
    lean = legs[0].lean if len(legs) == 1 else math.cos(math.atan(slope))
    # Square to the line: along the outline, and the area.
    line = plain.middles[-1] - plain.middles[-2], float(plain.heights[-1] - plain.heights[-2])
    upright = line[1] / math.hypot(*line[0], line[1])
    aside = float(line[0] @ across) / line[1]
    width = float(np.ptp(plain.rings[-1] @ (across - outwards * (aside * slope / (1.0 + slope * slope)))))
    width *= math.sqrt((1.0 + slope * slope) / (1.0 + slope * slope + aside * aside))
    return ClawMeasure(name, spine, axis, outwards, edge, lean, slope, width,
                       abs(area_mm2([plain.rings[-1]])) * upright, float(((vertices - spine[0]) @ axis).max()), legs, girdle)


def _is_hollow(ring: Floats) -> bool:
    """Whether a section has a hollow that parts two legs."""
    if hollow_deg(ring) <= HOLLOW_DEG:
        return False
    turn = np.linspace(0.0, 2.0 * math.pi, HULL_WAYS, endpoint=False)
    hull = ring[np.unique((ring @ np.stack([np.cos(turn), np.sin(turn)])).argmax(axis=0))]
    return abs(area_mm2([ring])) < (1.0 - HOLLOW_SHARE) * abs(area_mm2([hull]))


def _plain(frame: Frame, name: str, low: float) -> _Plain | None:
    heights = low + np.array(PLAIN_SHARES) * (frame.girdle_plane_mm - low)
    loops = [frame.part_at(name, float(z)) for z in heights]
    if any(not level for level in loops):
        return None
    rings = [largest(level) for level in loops]
    return _Plain(low, heights, rings, middles_of(rings))


def _straight_on(plain: _Plain, height_mm: float) -> Floats:
    """(2,) the middle above the plain sections, by the two highest."""
    low, high = plain.middles[-2], plain.middles[-1]
    share = (height_mm - plain.heights[-2]) / (plain.heights[-1] - plain.heights[-2])
    middle: Floats = low + (high - low) * share
    return middle


def _foot(plain: _Plain) -> Floats:
    """(3,) the middle at the foot, by a parabola through the three lowest."""
    z, found = plain.heights[:3], np.zeros(2)
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        found = found + plain.middles[i] * ((plain.low_mm - z[j]) * (plain.low_mm - z[k]) / ((z[i] - z[j]) * (z[i] - z[k])))
    return np.array([*found, plain.low_mm])


def straight_line(values: Floats, heights: Floats) -> tuple[float, float]:
    """Slope and intercept of the straight line nearest to values (k,) at heights (k,)."""
    count = len(heights)
    middle = float(heights.sum()) / count
    z = heights - middle
    slope = float(z @ values) / float(z @ z)
    return slope, float(values.sum()) / count - slope * middle


def _outer_face(frame: Frame, name: str, plain: _Plain, at_girdle: Sequence[Floats],
                outwards: Floats) -> tuple[float, float]:
    """How far out the outer face stands at the girdle before the setter rounds it, and its slope there: mm outwards for
    one mm up. A straight claw's is carried up from its plain part, a bowed one's by a parabola from as near as it can."""
    here = _outermost(at_girdle, outwards)
    out = plain.middles @ outwards
    growth, start = straight_line(out, plain.heights)
    if float(np.abs(out - start - growth * plain.heights).max()) <= BOWED_MM:
        slope, face = straight_line(plain.reach(outwards)[1], plain.heights)
        return max(face + slope * frame.girdle_plane_mm, here), slope
    girdle = frame.girdle_plane_mm
    z = plain.low_mm + np.array(NEAR_SHARES) * (girdle - plain.low_mm)
    outer = np.array([_outermost(frame.part_at(name, height), outwards) for height in z.tolist()])
    carried, slope = _parabola(z, outer, girdle)
    if here < carried:
        return carried, slope
    # Nothing is rounded off, so that the girdle's own level tells it best.
    return here, _parabola(np.append(z[1:], girdle), np.append(outer[1:], here), girdle)[1]


def _parabola(z: Floats, values: Floats, at: float) -> tuple[float, float]:
    """Value and slope at a height of the parabola through three values (3,) at heights (3,)."""
    first, second = np.diff(values) / np.diff(z)
    bend = (second - first) / (z[2] - z[0])
    return (float(values[2] + (at - z[2]) * (second + (at - z[1]) * bend)),
            float(second + bend * (2.0 * at - z[1] - z[2])))


def _outermost(loops: Sequence[Floats], outwards: Floats) -> float:
    return max((float((loop @ outwards).max()) for loop in loops), default=-math.inf)


def _one_leg(frame: Frame, name: str, plain: _Plain, at_girdle: list[Floats], edge: Floats,
             outwards: Floats) -> tuple[tuple[Leg, ...], float, Floats]:
    """The leg, the slope of its line and its middle (2,) at the girdle."""
    girdle, across = frame.girdle_plane_mm, np.array([-outwards[1], outwards[0]])
    aside = straight_line(plain.middles @ across, plain.heights)[0]
    low, high = plain.reach(outwards)
    through_each = high - low if abs(aside) <= ASIDE else np.array(
        [_through(ring, middle, outwards, aside) for ring, middle in zip(plain.rings, plain.middles)])
    growth, start = straight_line(through_each, plain.heights)
    outer, slope = _outer_face(frame, name, plain, at_girdle, outwards)
    slope -= growth / 2.0
    lean = float(_leans(np.array([slope]), aside)[0])
    expected = start + growth * girdle
    ring = largest(at_girdle)
    middle = middle_of(ring)
    seen = _through(ring, middle, outwards, aside)
    is_whole = seen >= UNCUT_SHARE * expected
    through = seen if is_whole else expected
    own = ring
    if not is_whole:
        below = plain.rings[-1] - plain.middles[-1]
        own = below * (through / through_each[-1])
        middle = _straight_on(plain, girdle)
        middle = middle + outwards * (outer - float((own @ outwards).max()) - float(middle @ outwards))
        own = own + middle
    inner = float(middle @ outwards) - through / 2.0
    centre = middle + outwards * float((edge - middle) @ outwards)
    half = float(np.ptp(own @ across)) / 2.0
    turn = np.arange(1, STRIPS + 1) * (math.pi / (STRIPS + 1))
    origins = centre + np.outer(half * np.cos(turn), across)
    widths = half * np.sin(turn) * (math.pi / (STRIPS + 1))
    low, high = span([own], origins, outwards)
    here_low, here_high = (low, high) if is_whole else span(at_girdle, origins, outwards)
    # The girdle beside the claw is the farthest out of what its line crosses.
    limit = last_crossing(frame.girdle_loop, origins, outwards)
    i = STRIPS // 2
    uncut, left = bar(low, high, widths), bar(np.maximum(here_low, limit), here_high, widths)
    thickness = through * lean
    notch = (float(centre @ outwards) + float(limit[i]) - inner) * lean / thickness
    leg = Leg(edge, outwards, lean, thickness, notch,
              max(0.0, float(here_high[i] - max(here_low[i], limit[i])) * lean), *_shares(left, uncut), growth * lean)
    return (leg,), slope, middle


def _leans(slopes: Floats, aside: float) -> Floats:
    """(k,) the share of a level way outwards that counts square to a line which rises with these slopes outwards and one
    along the outline."""
    shares: Floats = np.sqrt((1.0 + aside * aside) / (1.0 + slopes * slopes + aside * aside))
    return shares


def _through(ring: Floats, middle: Floats, outwards: Floats, aside: float) -> float:
    """A section's level width outwards, mm; through its middle if the claw leans aside, which skews it."""
    if abs(aside) <= ASIDE:
        return float(np.ptp(ring @ outwards))
    low, high = span([ring], middle[None, :], outwards)
    return float(high[0] - low[0])


def _shares(left: Bar, whole: Bar) -> tuple[float, float, float]:
    return (left.area_mm2 / whole.area_mm2, left.modulus_mm3 / whole.modulus_mm3, left.inertia_mm4 / whole.inertia_mm4)


def _two_legs(frame: Frame, name: str, plain: _Plain, at_girdle: list[Floats], corner_mm: float,
              outwards: Floats) -> tuple[tuple[Leg, ...], float, Floats]:
    """The legs of a V claw about a corner of the girdle, the slope of its line and its middle (2,) at the girdle."""
    outer, slope = _outer_face(frame, name, plain, at_girdle, outwards)
    outers = plain.reach(outwards)[1]
    across = np.array([-outwards[1], outwards[0]])
    aside = straight_line(plain.middles @ across, plain.heights)[0]
    below = frame.girdle_plane_mm - plain.heights
    shifts = np.outer(outer - outers, outwards) + np.outer(aside * below, across)
    line = slope * outwards + aside * across
    corner = frame.girdle_path.points(np.array([corner_mm]))[0]
    reach = float(np.linalg.norm(largest(at_girdle) - corner, axis=1).max())
    legs = [_leg(frame, plain, at_girdle, corner_mm, side * reach, shifts, line) for side in (-1.0, 1.0)]
    found = tuple(leg for leg in legs if leg is not None)
    return found if len(found) == 2 else (), slope, plain.middles[-1] + shifts[-1]


def _leg(frame: Frame, plain: _Plain, at_girdle: list[Floats], corner_mm: float, reach_mm: float, shifts: Floats,
         line: Floats) -> Leg | None:
    """One leg, along the girdle from the corner as far as `reach_mm`, which is negative on the way before it. shifts
    (k, 2): from the plain sections to the girdle; line (2,): mm that the claw goes outwards for one mm up."""
    path = frame.girdle_path
    ways = (np.arange(STRIPS) + 0.5) / STRIPS * reach_mm
    points, normals = path.points(corner_mm + ways), path.normals(corner_mm + ways, np.minimum(np.abs(ways) * 0.9, 0.1))
    # Thickness and outer face are told below the notch, and carried up by how they change there.
    inner, outer = faces([at_girdle, *([ring + shift] for ring, shift in zip(plain.rings, shifts))], points, normals)
    low, high = inner[0], outer[0]
    met = np.isfinite(high)
    if not met.any():
        return None
    length = float(np.abs(ways[met]).max())
    body = met & (np.abs(ways) >= LEG_FROM * length) & (np.abs(ways) <= LEG_TO * length)
    if not body.any():
        return None
    below = np.median([inner[1:, body], outer[1:, body]], axis=2).T
    if not np.isfinite(below).all():
        return None
    girdle = frame.girdle_plane_mm
    growth, start = straight_line(below[:, 1] - below[:, 0], plain.heights)
    rise, from_there = straight_line(below[:, 1], plain.heights)
    expected, seen = start + growth * girdle, float(np.median((high - low)[body]))
    is_whole = seen >= UNCUT_SHARE * expected
    through = seen if is_whole else expected
    face = float(np.median(high[body])) if is_whole else from_there + rise * girdle
    i = int(np.flatnonzero(body)[int(body.sum()) // 2])
    aside = float(line @ [-normals[i, 1], normals[i, 0]])
    lean = float(_leans(np.array([line @ normals[i]]), aside)[0])
    widths = np.full(STRIPS, abs(reach_mm) / STRIPS)
    whole = bar(np.where(met, face - through, 0.0), np.where(met, face, 0.0), widths)
    left = bar(np.where(met, np.maximum(low, 0.0), 0.0), np.where(met, high, 0.0), widths)
    kept = float(np.median((high - np.maximum(low, 0.0))[body]))
    return Leg(points[i], normals[i], lean, through * lean, (through - face) / through, max(0.0, kept * lean),
               *_shares(left, whole), growth * lean)


def bow_mm(claw: ClawMeasure) -> float:
    """How far its middle line, from the foot to the girdle, bends away from the straight line between its ends."""
    chord = claw.spine[-1] - claw.spine[0]
    off = np.cross(claw.spine - claw.spine[0], chord / np.linalg.norm(chord))
    return float(np.linalg.norm(off, axis=1).max())
