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

from ..mesh import Floats
from .facets import Planes, gathered, through

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
    """Where a brilliant touches its outline, counter-clockwise.

    mains (m, 2): points with a bezel above and a main below; normals (m, 2): outward, of the outline there;
    between (m, 2): the point after each main where two halves meet; edge (n, 2): the polygon that stands for the
    outline, with all those points among its corners.
    """

    mains: Floats
    normals: Floats
    between: Floats
    edge: Floats


def round_girdle(radius_mm: float, count: int) -> Girdle:
    """A round girdle of `count` flats, a multiple of 32, with its corners on the circle."""
    angle = np.arange(4 * ROUND_MAINS) * (math.pi / (2.0 * ROUND_MAINS))
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    angle = np.arange(count) * (2.0 * math.pi / count)
    edge = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    return Girdle(radius_mm * ring[::4], ring[::4], radius_mm * ring[2::4], edge)


def round_count(radius_mm: float, chord_mm: float) -> int:
    """Flats of a round girdle that keep the chord error: a multiple of 32, so that halves have flats of their own."""
    need = math.pi / math.acos(max(1.0 - chord_mm / radius_mm, 0.0))
    return 32 * max(1, math.ceil(need / 32.0))


def brilliant_planes(girdle: Girdle, heights: Heights) -> Planes:
    """The facet planes about the axis, z = 0 at the lower girdle edge at the mains."""
    h = heights
    crown_apex = np.array([0.0, 0.0, h.girdle_mm + h.crown_mm / (1.0 - h.table)])
    culet_apex = np.array([0.0, 0.0, -h.apex_mm])
    middle = np.array([0.0, 0.0, 0.5 * h.girdle_mm])
    upper, lower = _raised(girdle.mains, h.girdle_mm), _raised(girdle.mains, 0.0)
    meet, share = _meets(girdle)
    table = _towards(upper, crown_apex, 1.0 - h.table)

    star = _towards(_raised(meet, h.girdle_mm), crown_apex, 1.0 - star_shares(girdle, h, share))
    low = _towards(_raised(meet, 0.0), culet_apex, 1.0 - (1.0 - h.lower_half) * share)
    after = np.roll(np.arange(len(upper)), -1)
    gap_up, gap_low = _raised(girdle.between, h.girdle_mm), _raised(girdle.between, 0.0)
    up = np.array([[0.0, 0.0, 1.0]])
    side = np.roll(girdle.edge, -1, axis=0) - girdle.edge

    def both(points: Floats, gaps: Floats, tips: Floats) -> tuple[Floats, Floats]:
        left = through(points, gaps, tips, middle)
        right = through(points[after], gaps, tips, middle)
        return np.stack([left, right], axis=1).reshape(-1, 3), np.repeat(gaps, 2, axis=0)

    groups = [
        ("table", up, table[:1]),
        ("star", through(table, table[after], star, middle), star),
        ("bezel", _tilted(girdle.normals, upper, crown_apex), upper),
        ("upper half", *both(upper, gap_up, star)),
        ("girdle", np.column_stack([side[:, 1], -side[:, 0], np.zeros(len(side))]), _raised(girdle.edge, 0.0)),
        ("lower half", *both(lower, gap_low, low)),
        ("main", _tilted(girdle.normals, lower, culet_apex), lower),
    ]
    if h.culet > 0.0:
        groups.append(("culet", -up, np.array([[0.0, 0.0, -h.pavilion_mm]])))
    return gathered(groups)


def round_scallops(heights: Heights, radius_mm: float) -> tuple[float, float]:
    """How deep the halves of a round brilliant cut into the girdle from above and from below, mm.

    Each cuts a girdle cylinder by R (1 - cos 11.25 deg) tan(half); checked against J. Harding's scallops of 0.83 % and
    0.86 % of the diameter for Tolkowsky's proportions.
    """
    c, c_half = math.cos(math.pi / ROUND_MAINS), math.cos(math.pi / (2 * ROUND_MAINS))
    inner = heights.table * c
    star = (inner + heights.star * (1.0 - inner)) * c
    low = (1.0 - heights.lower_half) * c
    upper_tan = (1.0 - star) * heights.crown_mm / ((1.0 - heights.table) * (1.0 - star / c) * c_half)
    lower_tan = (1.0 - low) * heights.apex_mm / ((1.0 - low / c) * c_half)
    return (1.0 - c_half) * upper_tan, (1.0 - c_half) * lower_tan


def round_least_star(table: float) -> float:
    """The star length at which a round brilliant's star tips come up to the table, so that the stars lie flat."""
    c = math.cos(math.pi / ROUND_MAINS)
    return (table / c - table * c) / (1.0 - table * c)


def star_shares(girdle: Girdle, heights: Heights, share: Floats) -> Floats:
    """(m,): where each star's tip stands on the way from the axis to the crossing of its two bezels' tangents.

    `share` (m,) is where the outline itself stands on that way.
    """
    meet, _ = _meets(girdle)
    first, second = girdle.mains, np.roll(girdle.mains, -1, axis=0)
    inner = heights.table * _cross(first, second) / _cross(meet, second - first)
    return inner + heights.star * (share - inner)


def _meets(girdle: Girdle) -> tuple[Floats, Floats]:
    """(m, 2) where the tangents of neighbouring mains cross, and (m,) where the outline stands on the way there."""
    n, p = girdle.normals, girdle.mains
    m, q = np.roll(n, -1, axis=0), np.roll(p, -1, axis=0)
    a, b = np.einsum("ij,ij->i", n, p), np.einsum("ij,ij->i", m, q)
    turn = _cross(n, m)
    meet = np.column_stack([a * m[:, 1] - b * n[:, 1], b * n[:, 0] - a * m[:, 0]]) / turn[:, None]
    return meet, np.einsum("ij,ij->i", girdle.between, meet) / np.einsum("ij,ij->i", meet, meet)


def _cross(a: Floats, b: Floats) -> Floats:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def _raised(points: Floats, height_mm: float) -> Floats:
    return np.column_stack([points, np.full(len(points), height_mm)])


def _towards(points: Floats, apex: Floats, share: Floats | float) -> Floats:
    """Points moved a share of their way to the apex."""
    return points + np.reshape(share, (-1, 1)) * (apex - points)


def _tilted(normals: Floats, points: Floats, apex: Floats) -> Floats:
    """(m, 3) normals of planes that hold the level tangent at each point and the apex."""
    reach = np.einsum("ij,ij->i", normals, points[:, :2])
    rise = apex[2] - points[:, 2]
    return np.column_stack([normals * np.abs(rise)[:, None], reach * np.sign(rise)])
