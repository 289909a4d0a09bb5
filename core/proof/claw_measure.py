"""One claw as it is found: its line, its thickness where the girdle meets it, its notch, and what the notch leaves.

A claw's section is taken as it comes: round, oval, tab, or V, which has a leg along each side of a corner. Its line may
lean, bend and taper. Only its outer face is sure to be whole at the girdle, so that everything is told from there.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..mesh import Floats, Ints
from ..symmetry import Copy
from .chords import faces, last_crossings, spans
from .frame import Frame
from .loops import area_mm2, hollow_deg, largest, middles_of

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
    return bars(low[None], high[None], widths[None])[0]


def bars(low: Floats, high: Floats, widths: Floats) -> list[Bar]:
    """The same of several sections, (m, n) each."""
    tall = np.maximum(high - low, 0.0)
    kept = tall > 0.0
    areas = np.einsum("ij,ij->i", tall, widths)
    middles = np.einsum("ij,ij->i", tall * (low + high) / 2.0, widths) / np.where(areas > 0.0, areas, 1.0)
    over, under = high - middles[:, None], middles[:, None] - low
    inertias = np.einsum("ij,ij->i", np.where(kept, over ** 3 + under ** 3, 0.0), widths) / 3.0
    reach = np.where(kept, np.maximum(over, under), 0.0).max(axis=1)
    return [Bar(*each) if each[0] > 0.0 else Bar(0.0, 0.0, 0.0)
            for each in zip(areas.tolist(), (inertias / np.where(reach > 0.0, reach, 1.0)).tolist(), inertias.tolist())]


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
class _Standing:
    """A claw that stands from below up to the girdle. low_mm: its foot; heights (6,): five below its notch and the girdle's;
    rings: its largest loop at each, middles (6, 2): theirs; at_girdle: all its loops there."""

    name: str
    low_mm: float
    heights: Floats
    rings: list[Floats]
    middles: Floats
    at_girdle: list[Floats]

    @property
    def plain(self) -> list[Floats]:
        """The loops below its notch."""
        return self.rings[:-1]


@dataclass(frozen=True, eq=False)
class _Runs:
    """Corners (e, 2) of many loops, one loop after the other, and (k,) where each begins; owner (e,): the claw of each."""

    corners: Floats
    first: Ints
    owner: Ints

    @classmethod
    def of(cls, rings: Sequence[Sequence[Floats]]) -> _Runs:
        """Of the loops of each claw, as many of one as of the other."""
        sizes = np.array([[len(ring) for ring in own] for own in rings])
        return cls(np.concatenate([ring for own in rings for ring in own]), np.cumsum(sizes) - sizes.ravel(),
                   np.repeat(np.arange(len(rings)), sizes.sum(axis=1)))

    def reach(self, ways: Floats) -> tuple[Floats, Floats]:
        """How far each claw's loops reach along its way (n, 2), (n, loops) least and most."""
        along = np.einsum("ij,ij->i", self.corners, ways[self.owner])
        low, high = (extreme.reduceat(along, self.first).reshape(len(ways), -1) for extreme in (np.minimum, np.maximum))
        return low, high


def measure_claws(frame: Frame, names: Sequence[str]) -> tuple[ClawMeasure, ...]:
    """Those of the claws of these names that stand from below up to the girdle plane, measured in one go; those that are one in other
    places once."""
    firsts = {claw.name: claw for claw in _measured(frame, [name for name in names if frame.copy_of(name) is None])}
    claws = ((name, firsts.get(frame.first_of(name)), frame.copy_of(name)) for name in names)
    return tuple(claw if copy is None else _turned(claw, name, copy) for name, claw, copy in claws if claw is not None)


def _turned(claw: ClawMeasure, name: str, copy: Copy) -> ClawMeasure:
    """The same claw in another place."""
    legs = [replace(leg, edge=copy.of(leg.edge), outwards=copy.along(leg.outwards)) for leg in claw.legs]
    # One after the other along the girdle.
    return replace(claw, name=name, spine=copy.of(claw.spine), axis=copy.along(claw.axis), outwards=copy.along(claw.outwards),
                   edge=copy.of(claw.edge), legs=tuple(legs if copy.is_turned else legs[::-1]))


def _measured(frame: Frame, names: Sequence[str]) -> tuple[ClawMeasure, ...]:
    claws = _standing(frame, names)
    if not claws:
        return ()
    girdle, path = frame.girdle_plane_mm, frame.girdle_path
    halves = np.array([math.sqrt(abs(area_mm2([claw.rings[-2]])) / math.pi) for claw in claws])
    middles = np.array([claw.middles for claw in claws])
    where = path.nearest(middles[:, -1])
    has_legs = [_is_hollow(claw.rings[-2]) and _is_hollow(claw.rings[0]) for claw in claws]
    for i in np.flatnonzero(has_legs).tolist():
        where[i] = path.sharpest(float(where[i]), 2.0 * halves[i], halves[i])
    # The chord is as long as the claw is thick: beside a corner, that is the line between its sides.
    edges, outwards = path.points(where), path.normals(where, halves)
    runs, across = _Runs.of([claw.rings for claw in claws]), np.column_stack([-outwards[:, 1], outwards[:, 0]])
    low, high = runs.reach(outwards)
    heights = np.array([claw.heights for claw in claws])
    asides = straight_lines(np.einsum("ikj,ij->ik", middles[:, :-1], across), heights[:, :-1])[0]
    faces = _outer_faces(frame, claws, middles, heights, high, outwards)
    legs, slopes, tops = _one_leg_each(frame, claws, _Sections(middles, heights, low, high), edges, outwards, asides, *faces)
    for i in np.flatnonzero(has_legs).tolist():
        two, slope, top = _two_legs(frame, claws[i], float(where[i]), outwards[i], float(asides[i]), high[i, :-1],
                                    (float(faces[0][i]), float(faces[1][i])))
        if two:
            legs[i], slopes[i], tops[i] = two, slope, top
    # Square to the line: along the outline, and the area.
    steps, rises = middles[:, -2] - middles[:, -3], heights[:, -2] - heights[:, -3]
    upright = rises / np.sqrt((steps ** 2).sum(axis=1) + rises ** 2)
    aside, steep = np.einsum("ij,ij->i", steps, across) / rises, 1.0 + slopes * slopes
    wide = np.ptp(runs.reach(across - outwards * (aside * slopes / steep)[:, None]), axis=0)[:, -2]
    wide *= np.sqrt(steep / (steep + aside * aside))
    found = []
    for i, claw in enumerate(claws):
        spine = np.vstack([_foot(claw), np.column_stack([claw.middles, claw.heights])])
        spine[-1, :2] = tops[i]
        axis = spine[-1] - spine[0]
        axis = axis / np.linalg.norm(axis)
        lean = legs[i][0].lean if len(legs[i]) == 1 else math.cos(math.atan(slopes[i]))
        length = float(((frame.part_triangles(claw.name)[0] - spine[0]) @ axis).max())
        found.append(ClawMeasure(claw.name, spine, axis, outwards[i], edges[i], lean, float(slopes[i]), float(wide[i]),
                                 math.pi * halves[i] ** 2 * float(upright[i]), length, legs[i], girdle))
    return tuple(found)


def _standing(frame: Frame, names: Sequence[str]) -> list[_Standing]:
    girdle, cut, standing = frame.girdle_plane_mm, {}, []
    for name in names:
        below, above = frame.part_bounds(name)
        if below[2] < girdle <= above[2]:
            cut[name] = np.append(below[2] + np.array(PLAIN_SHARES) * (girdle - below[2]), girdle)
    if cut:
        frame.cut_claws(cut)
    for name, heights in cut.items():
        levels = [frame.part_at(name, z) for z in heights.tolist()]
        if all(levels):
            low = float(frame.part_bounds(name)[0][2])
            standing.append((name, low, heights, [largest(level) for level in levels], levels[-1]))
    if not standing:
        return []
    middles = middles_of([ring for each in standing for ring in each[3]]).reshape(len(standing), -1, 2)
    return [_Standing(name, low, heights, rings, middle, at_girdle)
            for (name, low, heights, rings, at_girdle), middle in zip(standing, middles)]


def _is_hollow(ring: Floats) -> bool:
    """Whether a section has a hollow that parts two legs."""
    if hollow_deg(ring) <= HOLLOW_DEG:
        return False
    turn = np.linspace(0.0, 2.0 * math.pi, HULL_WAYS, endpoint=False)
    hull = ring[np.unique((ring @ np.stack([np.cos(turn), np.sin(turn)])).argmax(axis=0))]
    return abs(area_mm2([ring])) < (1.0 - HOLLOW_SHARE) * abs(area_mm2([hull]))


def _foot(claw: _Standing) -> Floats:
    """(3,) the middle at the foot, by a parabola through the three lowest."""
    z, found = claw.heights[:3], np.zeros(2)
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        found = found + claw.middles[i] * ((claw.low_mm - z[j]) * (claw.low_mm - z[k]) / ((z[i] - z[j]) * (z[i] - z[k])))
    return np.array([*found, claw.low_mm])


def straight_line(values: Floats, heights: Floats) -> tuple[float, float]:
    """Slope and intercept of the straight line nearest to values (k,) at heights (k,)."""
    (slope,), (start,) = straight_lines(values[None], heights[None])
    return float(slope), float(start)


def straight_lines(values: Floats, heights: Floats) -> tuple[Floats, Floats]:
    """The same for several, (n, k) each: slopes and intercepts (n,)."""
    middles = heights.mean(axis=1)
    z = heights - middles[:, None]
    slopes = np.einsum("ij,ij->i", z, values) / np.einsum("ij,ij->i", z, z)
    return slopes, values.mean(axis=1) - slopes * middles


def _outer_faces(frame: Frame, claws: Sequence[_Standing], middles: Floats, heights: Floats, high: Floats,
                 outwards: Floats) -> tuple[Floats, Floats]:
    """For each claw how far out its outer face stands at the girdle before the setter rounds it, and its slope there: mm
    outwards for one mm up. A straight claw's is carried up from its plain part, a bowed one's by a parabola from as near
    as it can. high (n, 6): how far out its loops reach."""
    out, plain = np.einsum("ikj,ij->ik", middles[:, :-1], outwards), heights[:, :-1]
    growth, start = straight_lines(out, plain)
    is_bowed = np.abs(out - start[:, None] - growth[:, None] * plain).max(axis=1) > BOWED_MM
    slopes, faces = straight_lines(high[:, :-1], plain)
    here = np.array([_outermost(claw.at_girdle, way) if len(claw.at_girdle) > 1 else most
                     for claw, way, most in zip(claws, outwards, high[:, -1])])
    outer: Floats = np.maximum(faces + slopes * frame.girdle_plane_mm, here)
    for i in np.flatnonzero(is_bowed).tolist():
        outer[i], slopes[i] = _bowed_face(frame, claws[i], float(here[i]), outwards[i])
    return outer, slopes


def _bowed_face(frame: Frame, claw: _Standing, here: float, outwards: Floats) -> tuple[float, float]:
    """The same of one that is bowed, whose outer face stands `here` at the girdle."""
    girdle = frame.girdle_plane_mm
    z = claw.low_mm + np.array(NEAR_SHARES) * (girdle - claw.low_mm)
    outer = np.array([_outermost(frame.part_at(claw.name, height), outwards) for height in z.tolist()])
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


@dataclass(frozen=True, eq=False)
class _Sections:
    """Of n claws at six heights each (n, 6): middles (n, 6, 2) of their loops, and how far these reach outwards."""

    middles: Floats
    heights: Floats
    low: Floats
    high: Floats


def _one_leg_each(frame: Frame, claws: Sequence[_Standing], sections: _Sections, edges: Floats, outwards: Floats,
                  asides: Floats, outer: Floats, slopes: Floats) -> tuple[list[tuple[Leg, ...]], Floats, Floats]:
    """Each claw taken as one leg: the leg, and (n,) the slope of its line and (n, 2) its middle at the girdle. outer,
    slopes (n,): its outer face there, and how that leans."""
    girdle, across = frame.girdle_plane_mm, np.column_stack([-outwards[:, 1], outwards[:, 0]])
    middles, heights = sections.middles, sections.heights
    throughs = sections.high - sections.low
    for i in np.flatnonzero(np.abs(asides) > ASIDE).tolist():
        # A section's level width outwards is skewed if the claw leans aside; it is taken through its middle.
        low, high = spans([[ring] for ring in claws[i].rings], middles[i][:, None], np.tile(outwards[i], (len(middles[i]), 1)))
        throughs[i] = (high - low)[:, 0]
    growths, starts = straight_lines(throughs[:, :-1], heights[:, :-1])
    slopes = slopes - growths / 2.0
    leans = _leans(slopes, asides)
    expected = starts + growths * girdle
    is_whole = throughs[:, -1] >= UNCUT_SHARE * expected
    through = np.where(is_whole, throughs[:, -1], expected)
    # A claw that is cut already is taken as it is below, carried up along its outer face.
    shares = through / throughs[:, -2]
    low_z, high_z = heights[:, -3], heights[:, -2]
    straight_on = middles[:, -3] + (middles[:, -2] - middles[:, -3]) * ((girdle - low_z) / (high_z - low_z))[:, None]
    reach = (sections.high[:, -2] - _dots(middles[:, -2], outwards)) * shares
    straight_on += outwards * (outer - reach - _dots(straight_on, outwards))[:, None]
    middle = np.where(is_whole[:, None], middles[:, -1], straight_on)
    own = [claw.rings[-1] if is_whole[i] else (claw.rings[-2] - claw.middles[-2]) * shares[i] + middle[i]
           for i, claw in enumerate(claws)]
    inner = _dots(middle, outwards) - through / 2.0
    centres = middle + outwards * _dots(edges - middle, outwards)[:, None]
    halves = np.ptp(_Runs.of([[ring] for ring in own]).reach(across), axis=0)[:, 0] / 2.0
    turn = np.arange(1, STRIPS + 1) * (math.pi / (STRIPS + 1))
    origins = centres[:, None] + (halves[:, None] * np.cos(turn))[:, :, None] * across[:, None]
    widths = halves[:, None] * np.sin(turn) * (math.pi / (STRIPS + 1))
    low, high = spans([[ring] for ring in own], origins, outwards)
    here_low, here_high = spans([[claw.rings[-1]] if whole else claw.at_girdle for claw, whole in zip(claws, is_whole)],
                                origins, outwards)
    # The girdle beside the claw is the farthest out of what its line crosses.
    limits = last_crossings(frame.girdle_loop, origins, outwards)
    uncut, left = bars(low, high, widths), bars(np.maximum(here_low, limits), here_high, widths)
    half_way, thick = STRIPS // 2, through * leans
    notches = (_dots(centres, outwards) + limits[:, half_way] - inner) * leans / thick
    kept = np.maximum(0.0, (here_high[:, half_way] - np.maximum(here_low[:, half_way], limits[:, half_way])) * leans)
    numbers = np.column_stack([leans, thick, notches, kept, growths * leans]).tolist()
    legs: list[tuple[Leg, ...]] = [
        (Leg(edges[i], outwards[i], lean, thickness, notch, behind, *_shares(left[i], uncut[i]), growth),)
        for i, (lean, thickness, notch, behind, growth) in enumerate(numbers)]
    return legs, slopes, middle


def _dots(first: Floats, second: Floats) -> Floats:
    """(n,) of rows (n, 2) each."""
    products: Floats = np.einsum("ij,ij->i", first, second)
    return products


def _leans(slopes: Floats, aside: Floats | float) -> Floats:
    """(k,) the share of a level way outwards that counts square to a line which rises with these slopes outwards and one
    along the outline."""
    shares: Floats = np.sqrt((1.0 + aside * aside) / (1.0 + slopes * slopes + aside * aside))
    return shares


def _shares(left: Bar, whole: Bar) -> tuple[float, float, float]:
    return (left.area_mm2 / whole.area_mm2, left.modulus_mm3 / whole.modulus_mm3, left.inertia_mm4 / whole.inertia_mm4)


def _two_legs(frame: Frame, claw: _Standing, corner_mm: float, outwards: Floats, aside: float, outers: Floats,
              outer_face: tuple[float, float]) -> tuple[tuple[Leg, ...], float, Floats]:
    """The legs of a V claw about a corner of the girdle, the slope of its line and its middle (2,) at the girdle. outers
    (5,): how far out it reaches below; outer_face: how far at the girdle, and its slope there."""
    outer, slope = outer_face
    across = np.array([-outwards[1], outwards[0]])
    below = frame.girdle_plane_mm - claw.heights[:-1]
    shifts = np.outer(outer - outers, outwards) + np.outer(aside * below, across)
    line = slope * outwards + aside * across
    corner = frame.girdle_path.points(np.array([corner_mm]))[0]
    reach = float(np.linalg.norm(claw.rings[-1] - corner, axis=1).max())
    legs = [_leg(frame, claw, corner_mm, side * reach, shifts, line) for side in (-1.0, 1.0)]
    found = tuple(leg for leg in legs if leg is not None)
    return found if len(found) == 2 else (), slope, claw.middles[-2] + shifts[-1]


def _leg(frame: Frame, claw: _Standing, corner_mm: float, reach_mm: float, shifts: Floats, line: Floats) -> Leg | None:
    """One leg, along the girdle from the corner as far as `reach_mm`, which is negative on the way before it. shifts
    (k, 2): from the plain sections to the girdle; line (2,): mm that the claw goes outwards for one mm up."""
    path = frame.girdle_path
    ways = (np.arange(STRIPS) + 0.5) / STRIPS * reach_mm
    points, normals = path.points(corner_mm + ways), path.normals(corner_mm + ways, np.minimum(np.abs(ways) * 0.9, 0.1))
    # Thickness and outer face are told below the notch, and carried up by how they change there.
    inner, outer = faces([claw.at_girdle, *([ring + shift] for ring, shift in zip(claw.plain, shifts))], points, normals)
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
    growth, start = straight_line(below[:, 1] - below[:, 0], claw.heights[:-1])
    rise, from_there = straight_line(below[:, 1], claw.heights[:-1])
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
