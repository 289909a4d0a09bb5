"""The outlines of the cuts, by length (along X) and width (along Y), about the axis through the culet."""
from __future__ import annotations

import math

import numpy as np

from .outline import Arc, Cleft, Line, Outline, Piece

LOBE = 0.28
"""Radius of a heart's lobes as a share of its width; the cleft is then 0.107 of the width deep. From memory."""

HEART_SIDE = 1.3
"""Radius of a heart's sides as a share of its size before it is stretched. From memory."""

HEART_SHIFT = 0.08
"""How far behind the culet, as a share of the length, a heart is widest. Common practice, no source."""

CUSHION_BOW = 1.5
"""Radius of a cushion's bowed sides as a share of the side. From memory."""

CUSHION_CORNER = 0.30
"""Radius of a cushion's corners as a share of the width; 0.25 to 0.40, from memory."""

TRILLION_BOW = 0.68
"""Middle of a bowed trillion's side as a share of the tip's distance from the axis; 0.5 is straight. From memory."""


def stretched(outline: Outline, x: float, y: float) -> Outline:
    """An outline stretched along both axes; arcs become arcs of ellipses."""
    def one(piece: Piece) -> Piece:
        if isinstance(piece, Line):
            return Line((piece.start[0] * x, piece.start[1] * y), (piece.end[0] * x, piece.end[1] * y))
        if isinstance(piece, Cleft):
            raise AssertionError("a cleft's normals do not stretch; stretch its neighbours and make it anew")
        return Arc((piece.centre[0] * x, piece.centre[1] * y), piece.x_mm * x, piece.y_mm * y, piece.start_rad,
                   piece.sweep_rad)
    return Outline(tuple(one(piece) for piece in outline.pieces))


def marquise(length_mm: float, width_mm: float) -> Outline:
    """Two arcs through the tips: radius (L^2 + W^2) / 4W."""
    radius = (length_mm ** 2 + width_mm ** 2) / (4.0 * width_mm)
    half, off = math.asin(0.5 * length_mm / radius), radius - 0.5 * width_mm
    return Outline((Arc((0.0, -off), radius, radius, math.pi / 2 - half, 2 * half),
                    Arc((0.0, off), radius, radius, 1.5 * math.pi - half, 2 * half)))


def pear(length_mm: float, width_mm: float) -> Outline:
    """Half a circle about the axis and two arcs from its ends to the tip at +X."""
    tip = length_mm - 0.5 * width_mm
    radius = (tip ** 2 + 0.25 * width_mm ** 2) / width_mm
    half, off = math.asin(tip / radius), radius - 0.5 * width_mm
    return Outline((Arc((0.0, -off), radius, radius, math.pi / 2 - half, half),
                    Arc((0.0, 0.0), 0.5 * width_mm, 0.5 * width_mm, math.pi / 2, math.pi),
                    Arc((0.0, off), radius, radius, 1.5 * math.pi, half)))


def heart(length_mm: float, width_mm: float) -> Outline:
    """A heart with its tip at +X: on each side a flat arc from the tip that runs into a lobe, and between these the
    cleft."""
    start, end = lobe_span()
    back, flat, tip = 0.5 - LOBE, HEART_SIDE, 1.0 - LOBE - HEART_SHIFT
    x, y = -HEART_SHIFT + (LOBE - flat) * math.cos(start), back + (LOBE - flat) * math.sin(start)
    low = math.atan2(-y, tip - x)
    unit = Outline((Arc((x, y), flat, flat, low, start - low),
                    Arc((-HEART_SHIFT, back), LOBE, LOBE, start, end - start),
                    Arc((-HEART_SHIFT, -back), LOBE, LOBE, -end, end - start),
                    Arc((x, -y), flat, flat, -start, start - low)))
    first, left, right, last = stretched(unit, length_mm, width_mm).pieces
    point, normal = (row[0] for row in left.at(np.ones(1))[:2])
    start = math.atan2(normal[1], normal[0])
    inward = 2.0 * (math.pi - start % (2.0 * math.pi))
    cleft = Cleft((float(point[0]), 0.0), start, inward, 0.25 * width_mm)
    return Outline((first, left, cleft, right, last))


def lobe_span() -> tuple[float, float]:
    """Angles, rad, at which the lobe of a heart starts, where its side's arc runs into it, and ends in the cleft."""
    back, way = 0.5 - LOBE, 1.0 - LOBE
    # the side's circle touches the lobe's from within and holds the tip
    along = ((HEART_SIDE - LOBE) ** 2 + way ** 2 + back ** 2 - HEART_SIDE ** 2) / (2.0 * (HEART_SIDE - LOBE))
    start = math.atan2(back, -way) - math.acos(along / math.hypot(way, back))
    return start, math.pi + math.asin(back / LOBE)


def cushion(length_mm: float, width_mm: float) -> Outline:
    """Four bowed sides and four round corners that run into each other; a square cushion stretched to its length."""
    bow, corner = CUSHION_BOW, CUSHION_CORNER
    off = bow - 0.5
    # the corner's centre (c, c) is bow - corner away from the centre (0, -off) of the side's arc
    c = 0.5 * (-off + math.sqrt(2.0 * (bow - corner) ** 2 - off ** 2))
    half = math.atan2(c, c + off)
    pieces: list[Piece] = []
    for quarter in range(4):
        turn = quarter * math.pi / 2
        cos, sin = round(math.cos(turn)), round(math.sin(turn))
        pieces.append(Arc((-off * cos, -off * sin), bow, bow, turn - half, 2 * half))
        pieces.append(Arc((c * cos - c * sin, c * sin + c * cos), corner, corner, turn + half, math.pi / 2 - 2 * half))
    return stretched(Outline(tuple(pieces)), length_mm, width_mm)


def trillion(length_mm: float, width_mm: float) -> Outline:
    """Three bowed sides between three tips, one at +X; equilateral before it is stretched."""
    middle = TRILLION_BOW
    # the side's arc about (c, 0), c on the far side of the axis, holds (-middle, 0) and the tips (-1/2, +-sqrt 3/2)
    radius = ((0.5 - middle) ** 2 + 0.75) / (2.0 * (middle - 0.5))
    half = math.asin(math.sqrt(0.75) / radius)
    off = radius - middle
    arcs = []
    for third in (1, 3, 5):
        turn = third * math.pi / 3
        arcs.append(Arc((-off * math.cos(turn), -off * math.sin(turn)), radius, radius, turn - half, 2 * half))
    wide = 2.0 * float(max(arc.at(np.linspace(0.0, 1.0, 2001))[0][:, 1].max() for arc in arcs))
    return stretched(Outline(tuple(arcs)), length_mm / (1.0 + middle), width_mm / wide)


def straight_trillion(length_mm: float, width_mm: float, corner: float) -> Outline:
    """A triangle with its tip at +X and its corners cut, each by `corner` of its sides, before it is stretched."""
    tips = [np.array([math.cos(a), math.sin(a)]) for a in (0.0, 2 * math.pi / 3, 4 * math.pi / 3)]
    points = [p + corner * (q - p) for i, p in enumerate(tips) for q in (tips[i - 1], tips[(i + 1) % 3])]
    unit = np.array(points)
    size = np.ptp(unit, axis=0)
    return Outline.polygon(unit * [length_mm / size[0], width_mm / size[1]])


def cut_corners(length_mm: float, width_mm: float, leg_mm: float) -> Outline:
    """A rectangle whose corners are cut by two equal legs; none cut if they are 0."""
    x, y, e = 0.5 * length_mm, 0.5 * width_mm, leg_mm
    if e == 0.0:
        return Outline.polygon(np.array([[x, -y], [x, y], [-x, y], [-x, -y]]))
    return Outline.polygon(np.array([[x, e - y], [x, y - e], [x - e, y], [e - x, y], [-x, y - e], [-x, e - y],
                                     [e - x, -y],
                                     [x - e, -y]]))


def tapered(length_mm: float, width_mm: float, narrow: float) -> Outline:
    """A trapezoid, `width_mm` at -X and a share `narrow` of it at +X."""
    x, y = 0.5 * length_mm, 0.5 * width_mm
    return Outline.polygon(np.array([[x, -y * narrow], [x, y * narrow], [-x, y], [-x, -y]]))
