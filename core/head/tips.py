"""The finished end of a claw: rounded beads that lie on the crown as high and as far as planned."""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats
from ..stone import Stone
from ..stone.outline import Place
from .claws import ClawLine
from .draft import Plan
from .sweep import circle_count

TIP_SHARE = 0.8
"""Radius of the finished tip as a share of half the claw's thickness: the setter rounds the end. Common practice, no
source."""

LOW_SHARE, LEAST_SHARE = 0.5, 0.2
"""On a low crown the tip's radius is at most this share of its height over the girdle, and at least this share of the
claw's thickness. Common practice, no source."""

ALMOND_OVER, BULGE_OUT = 1.2, 0.2
"""How high an almond's end stands over its contact, and how far outside a dome the bead over its bulge has its
centre, as shares of their radii. Common practice, no source."""

ALMOND_SHARE, ALMOND_MIDDLE = 0.45, 0.5
"""An almond's end as a share of its middle's radius, and where its middle lies on the way to its end. Common
practice, no source."""

TAB_SHARE = 0.6
"""Radius of the edges of a tab's end as a share of a round tip's. Common practice, no source."""

SAG_SHARE = 0.1
"""A crown that stands above the straight way to the tip by more than this share of the tip's radius is followed by a
further bead. Larger: a dome wears through the claw's bend."""

BULGE_SHARE = 0.93
"""Radius of that bead as a share of the tip's: the claw grows a little towards its end, as bent wire is filed. Common
practice, no source."""

WAYS_IN = 200
"""How many places are looked at from the girdle to the middle. Fewer: the table's edge is read coarsely."""

LEVEL_MM = 1e-6
"""How far below the crown's top still is its top. Larger: a low dome would end early."""

STEEPEST = 0.95
"""How far above or below its centre a round tip may touch the crown, as a share of its radius. Larger: it touches with
its very top."""


TURN_SHARE = 1e-6
"""By which share of a facet rounding may miss the count of a ring. Larger: facets grow."""

LOW_END = 0.5
"""How far over the crown's end a bead's centre may stand, as a share of its radius. Larger: it hardly touches it."""


@dataclass(frozen=True)
class Bead:
    """A rounded lump of the finished end: centre (3,) mm, radius mm, and how many times as wide along the outline."""

    centre: Floats
    radius_mm: float
    widening: float = 1.0

    def points(self, line: ClawLine, chord_mm: float, twist: float = 0.0) -> Floats:
        """(n, 3) points of its surface, fine enough for the chord error. twist: by which share of a facet it is turned;
        between beads turned alike the hull would have flat quads, on which it folds."""
        ball = sphere(self.radius_mm, chord_mm, twist)
        return self.centre + ball + np.outer((self.widening - 1.0) * (ball @ line.along), line.along)


@dataclass(frozen=True)
class Aim:
    """Where a tip is to come: its top and the girdle's lower edge, mm above the base plane, and how far up the crown's
    slope it lies, as a share."""

    top_mm: float
    contact: float
    girdle_mm: float


@dataclass(frozen=True)
class CrownLine:
    """The crown from a claw's place on the girdle inwards: (n,) ways in, heights above the base plane and lengths along
    the crown, mm."""

    edge: Floats
    inwards: Floats
    ways_mm: Floats
    heights_mm: Floats
    lengths_mm: Floats

    @property
    def slope_mm(self) -> float:
        """Length of the crown's slope from the girdle to the table or, on a dome, to its top."""
        return float(self.lengths_mm[-1])

    def index_at(self, share: float) -> int:
        """Which of its places lies nearest to a share of the slope."""
        return int(np.argmin(np.abs(self.lengths_mm - share * self.slope_mm)))

    def point(self, index: int, height_mm: float) -> Floats:
        """(3,) over one of its places."""
        return np.array([*(self.edge + self.inwards * self.ways_mm[index]), height_mm])


def crown_line(plan: Plan, stone: Stone, line: ClawLine) -> CrownLine:
    """The crown along a claw's own direction, on the stone's facets."""
    return crown_in_from(stone, line.place, plan["girdle_plane"])


def crown_in_from(stone: Stone, place: Place, girdle_plane_mm: float = 0.0) -> CrownLine:
    """The crown from a place on the girdle inwards along its normal."""
    edge, inwards = np.asarray(place.point, np.float64), -np.asarray(place.normal, np.float64)
    ways = np.linspace(0.0, stone.length_mm / 2.0, WAYS_IN + 1)[1:]
    heights = stone.crown_height_at(edge + np.outer(ways, inwards))
    if not np.isfinite(heights).any():
        raise GeometryError("claw", "the stone has no crown beside it", "let it stand elsewhere")
    last = int(np.flatnonzero(heights >= np.nanmax(heights) - LEVEL_MM)[0])
    # Where the rise ends between two places, the last one lies past it; a finer look is not worth its time.
    ways = np.linspace(0.0, ways[last], WAYS_IN + 1)[1:]
    heights = stone.crown_height_at(edge + np.outer(ways, inwards))
    known = np.isfinite(heights)
    ways, heights = ways[known], heights[known]
    rises = np.diff(np.concatenate([[stone.girdle_mm], heights]))
    lengths = np.cumsum(np.hypot(np.diff(np.concatenate([[0.0], ways])), rises))
    return CrownLine(edge, inwards, ways, heights + girdle_plane_mm, lengths)


def find_tip(crown: CrownLine, top_mm: float, radius_mm: float, contact: float, part: str) -> tuple[Floats, int]:
    """Centre (3,) of a bead that is as high as `top_mm` and touches the crown at a share `contact` of its slope, and
    which place of the crown it touches.

    Where the crown is too steep for a bead of this height, it reaches as nearly as far as it can. Raises GeometryError
    if none fits.
    """
    # Beside the middle of a dome the crown ends lower, and so does the bead.
    centre_z = min(top_mm - radius_mm, float(crown.heights_mm.max()) + LOW_END * radius_mm)
    fits = np.flatnonzero(np.abs(crown.heights_mm - centre_z) < STEEPEST * radius_mm)
    if not len(fits):
        raise GeometryError(part, f"a tip of {radius_mm:.2f} mm radius cannot be {top_mm:.2f} mm high and touch the "
                                  f"crown",
                            "take thicker claws or a lower crown")
    best = int(fits[np.argmin(np.abs(fits - crown.index_at(contact)))])
    off = crown.heights_mm[best] - centre_z
    # The bead passes through the farthest contact: its centre is outwards of that by sqrt(radius² - rise²).
    way = crown.ways_mm[best] - math.sqrt(radius_mm * radius_mm - off * off)
    return np.array([*(crown.edge + crown.inwards * way), centre_z]), best


def finish(tip: str, aim: Aim, crown: CrownLine, line: ClawLine, thickness_mm: float, width_mm: float,
           part: str) -> list[Bead]:
    """The beads of a finished claw of this thickness and width at the girdle: round, almond or tab."""
    top, contact, girdle = aim.top_mm, aim.contact, aim.girdle_mm
    radius = min(TIP_SHARE * thickness_mm / 2.0, max(LOW_SHARE * (top - girdle), LEAST_SHARE * thickness_mm))
    # A round tip is filed as broad as its claw, whatever its height.
    widening = max(1.0, width_mm / (2.0 * radius))
    if tip == "tab":
        edge = TAB_SHARE * radius
        centre, end = find_tip(crown, top, edge, contact, part)
        aside = (max(TIP_SHARE * width_mm / 2.0 - edge, 0.0)) * line.along
        beads = [Bead(centre - aside, edge), Bead(centre + aside, edge)]
    elif tip == "almond":
        _, end = find_tip(crown, top, radius, contact, part)
        point = ALMOND_SHARE * radius
        middle, _ = find_tip(crown, top, radius, ALMOND_MIDDLE * contact, part)
        lowest = min(top, float(crown.heights_mm[end]) + ALMOND_OVER * point)
        tapered, _ = find_tip(crown, lowest, point, float(crown.lengths_mm[end]) / crown.slope_mm, part)
        beads = [Bead(middle, radius, widening), Bead(tapered, point)]
    else:
        centre, end = find_tip(crown, top, radius, contact, part)
        beads = [Bead(centre, radius, widening)]
    return beads + _over_bulge(crown, end, radius, widening)


def _over_bulge(crown: CrownLine, end: int, radius_mm: float, widening: float) -> list[Bead]:
    """A bead half way along the crown where it bulges, as a dome does, so that the bend stays thick over it."""
    middle = crown.index_at(0.5 * float(crown.lengths_mm[end]) / crown.slope_mm)
    start, finish_z, height = float(crown.heights_mm[0]), float(crown.heights_mm[end]), float(crown.heights_mm[middle])
    share = float(crown.ways_mm[middle] / crown.ways_mm[end])
    if height - (start + (finish_z - start) * share) <= SAG_SHARE * radius_mm:
        return []
    rise = float(np.gradient(crown.heights_mm, crown.ways_mm)[middle]) if len(crown.ways_mm) > 1 else 0.0
    out = np.array([*(-crown.inwards * rise), 1.0]) / math.hypot(rise, 1.0)
    return [Bead(crown.point(middle, height) + BULGE_OUT * radius_mm * out, BULGE_SHARE * radius_mm, widening)]


def sphere(radius_mm: float, chord_mm: float, twist: float = 0.0) -> Floats:
    """(n, 3) points of a sphere about the origin, fine enough for the chord error, turned by a share of a facet."""
    return radius_mm * _unit_sphere(circle_count(radius_mm, chord_mm), twist)


@lru_cache(maxsize=64)
def _unit_sphere(count: int, twist: float) -> Floats:
    """(n, 3) points in rings, each of as many as keep them as near to each other as the rings are."""
    tilts = np.linspace(-math.pi / 2.0, math.pi / 2.0, count // 2 + 1)[1:-1]
    rings = []
    for tilt in tilts:
        around = math.ceil(count * math.cos(tilt) - TURN_SHARE)
        turn = (np.arange(around) + twist) * (2.0 * math.pi / around)
        rings.append(np.column_stack([math.cos(tilt) * np.cos(turn), math.cos(tilt) * np.sin(turn),
                                      np.full(around, math.sin(tilt))]))
    points: Floats = np.concatenate([*rings, [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]])
    points.setflags(write=False)
    return points
