"""The brilliant: table, stars, bezels, upper halves, girdle, lower halves, mains and culet over any convex outline.

The round one is the standard round brilliant. Its construction uses nothing but points on the outline, the tangents
there and the axis, so the same steps serve every outline that a brilliant is stretched to: all bezels meet in one
point above the table, all mains in one point at or under the culet, and each half facet passes through two points of
the girdle's edge and the tip of its star or of its pair of lower halves.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints
from .facets import MIRROR, UP, Planes, column, gathered, raised, through, upright

ROUND_MAINS = 8
"""Mains, and bezels, of the standard round brilliant (57 facets, 58 with a culet; girdle not counted)."""


@dataclass(frozen=True)
class Heights:
    """What a brilliant's facets need besides its outline. table, star, lower_half and culet are shares, the rest mm.

    star: of the way, in plan, from the table's edge to the girdle. lower_half: of the way from girdle to culet.
    pavilion_mm: from the lower girdle edge to the culet.
    """

    table: float
    crown_mm: float
    girdle_mm: float
    pavilion_mm: float
    star: float
    lower_half: float
    culet: float

    @property
    def apex_mm(self) -> float:
        """Depth below the lower girdle edge at which the mains would meet."""
        return self.pavilion_mm / (1.0 - self.culet)


@dataclass(frozen=True, eq=False)
class Girdle:
    """Where a brilliant touches its outline, counter-clockwise: all round, or along one half of a mirrored stone.

    mains (m, 2): points with a bezel above and a main below; normals (m, 2): outward, of the outline there;
    between (p, 2): the point after each main where two halves meet (p = m all round, m - 1 on a half);
    edge (n, 2): the polygon or chain that stands for the outline, with all those points among its corners;
    middle (2,): a point well inside.
    """

    mains: Floats
    normals: Floats
    between: Floats
    edge: Floats
    middle: Floats

    @property
    def is_whole(self) -> bool:
        return len(self.between) == len(self.mains)

    @property
    def pairs(self) -> tuple[Ints, Ints]:
        """Indices of neighbouring mains."""
        first = np.arange(len(self.between), dtype=np.int32)
        return first, (first + 1) % len(self.mains)


def round_girdle(radius_mm: float, count: int) -> Girdle:
    """A round girdle of `count` flats with its corners on the circle."""
    angle = np.arange(4 * ROUND_MAINS) * (math.pi / (2.0 * ROUND_MAINS))
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    angle = np.arange(count) * (2.0 * math.pi / count)
    edge = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    return Girdle(radius_mm * ring[::4], ring[::4], radius_mm * ring[2::4], edge, np.zeros(2))


def round_count(radius_mm: float, chord_mm: float, multiple: int = 32) -> int:
    """Flats of a round girdle that keep the chord error; a multiple of 32, so that a brilliant's halves have their
    own."""
    need = math.pi / math.acos(max(1.0 - chord_mm / radius_mm, 0.0))
    return multiple * max(1, math.ceil(need / multiple))


def brilliant_planes(girdle: Girdle, heights: Heights) -> Planes:
    """The facet planes, z = 0 at the lower girdle edge at the mains; on a half, with a "mirror" plane at y = 0."""
    h = heights
    crown_apex = np.array([0.0, 0.0, h.girdle_mm + h.crown_mm / (1.0 - h.table)])
    culet_apex = np.array([0.0, 0.0, -h.apex_mm])
    middle = np.array([*girdle.middle, 0.5 * h.girdle_mm])
    upper, lower = raised(girdle.mains, h.girdle_mm), raised(girdle.mains, 0.0)
    meet, share = meets(girdle)
    first, second = girdle.pairs
    table = _towards(upper, crown_apex, 1.0 - h.table)
    star = _towards(raised(meet, h.girdle_mm), crown_apex, 1.0 - _star_shares(girdle, h.table, h.star))
    low = _towards(raised(meet, 0.0), culet_apex, 1.0 - (1.0 - h.lower_half) * share)
    gap_up, gap_low = raised(girdle.between, h.girdle_mm), raised(girdle.between, 0.0)

    def halves(points: Floats, gaps: Floats, tips: Floats) -> tuple[Floats, Floats]:
        left = through(points[first], gaps, tips, middle)
        right = through(points[second], gaps, tips, middle)
        return np.stack([left, right], axis=1).reshape(-1, 3), np.repeat(gaps, 2, axis=0)

    groups = [
        ("table", UP, table[:1]),
        ("star", through(table[first], table[second], star, middle), star),
        ("bezel", _tilted(girdle.normals, upper, crown_apex), upper),
        ("upper half", *halves(upper, gap_up, star)),
        ("girdle", *upright(girdle.edge, girdle.is_whole)),
        ("lower half", *halves(lower, gap_low, low)),
        ("main", _tilted(girdle.normals, lower, culet_apex), lower),
    ]
    if h.culet > 0.0:
        groups.append(("culet", -UP, np.array([[0.0, 0.0, -h.pavilion_mm]])))
    if not girdle.is_whole:
        groups.append((MIRROR, np.array([[0.0, -1.0, 0.0]]), np.zeros((1, 3))))
    return gathered(groups)


def scallops_mm(girdle: Girdle, planes: Planes, girdle_mm: float) -> float:
    """How much of the girdle's thickness the halves take away where they cut deepest, over the edge's corners."""
    top, bottom = column(planes, girdle.edge)
    return girdle_mm - float((top - bottom).min())


def least_star(girdle: Girdle, table: float) -> float:
    """The star length at which a star's tip comes up to the table, so that the star lies flat."""
    _, share = meets(girdle)
    inner = _star_shares(girdle, table, 0.0)
    return float(((table - inner) / (share - inner)).max())


def most_culet(girdle: Girdle, lower_half: float) -> float:
    """The culet at which the tips of the lower halves come down to it."""
    return (1.0 - lower_half) * float(meets(girdle)[1].min())


def meets(girdle: Girdle) -> tuple[Floats, Floats]:
    """(p, 2) where the tangents of neighbouring mains cross, and (p,) where the outline stands on the axis' way
    there."""
    first, second = girdle.pairs
    n, m = girdle.normals[first], girdle.normals[second]
    a, b = np.einsum("ij,ij->i", n, girdle.mains[first]), np.einsum("ij,ij->i", m, girdle.mains[second])
    meet = np.column_stack([a * m[:, 1] - b * n[:, 1], b * n[:, 0] - a * m[:, 0]]) / _cross(n, m)[:, None]
    return meet, np.einsum("ij,ij->i", girdle.between, meet) / np.einsum("ij,ij->i", meet, meet)


def _star_shares(girdle: Girdle, table: float, star: float) -> Floats:
    """(p,): where each star's tip stands on the way from the axis to the crossing of its two bezels' tangents."""
    first, second = girdle.pairs
    meet, share = meets(girdle)
    one, other = girdle.mains[first], girdle.mains[second]
    inner = table * _cross(one, other) / _cross(meet, other - one)
    return inner + star * (share - inner)


def _cross(a: Floats, b: Floats) -> Floats:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def _towards(points: Floats, apex: Floats, share: Floats | float) -> Floats:
    """Points moved a share of their way to the apex."""
    return points + np.reshape(share, (-1, 1)) * (apex - points)


def _tilted(normals: Floats, points: Floats, apex: Floats) -> Floats:
    """(m, 3) normals of planes that hold the level tangent at each point and the apex."""
    reach = np.einsum("ij,ij->i", normals, points[:, :2])
    rise = apex[2] - points[:, 2]
    return np.column_stack([normals * np.abs(rise)[:, None], reach * np.sign(rise)])
