"""From a cut's proportions to its outline and facets: one function per kind of cut."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..dimension import GEOMETRY
from ..mesh import Floats, PolyMesh
from . import outlines
from .brilliant import (ROUND_MAINS, Girdle, Heights, brilliant_planes, least_star, meets, most_culet, round_count,
                        round_girdle, scallops_mm)
from .chevron import PRINCESS_PAVILION, RADIANT_PAVILION, boxed, chevron_pavilion, princess_crown
from .dome import dome_levels, dome_mesh, loaf_rows, planes_of, rose_planes
from .facets import LEVEL, MIRROR, UP, Planes, column, gathered, mirrored_polyhedron, polyhedron, upright
from .outline import Outline
from .proportions import Proportions, refuse
from .step import CROWN_ROWS, PAVILION_ROWS, step_planes, step_rows, ways_to

FLATS_MM = 0.001
"""Chord error of a stone's girdle. Larger: a round stone of 6 mm would lose over 0.01 % of its weight."""

DOME_MM = 0.002
"""Chord error of a dome. Larger: a cabochon of 6 mm would lose over 0.2 % of its weight."""

EMERALD_CORNER = 0.14
"""Leg of an emerald cut's cut corners as a share of its width: as computed from J. R. Graham's Easy Emerald (1999)."""

ASSCHER_CORNER, RADIANT_CORNER, LOAF_CORNER = 0.22, 0.15, 0.10
"""Legs of other cut corners as shares of the width. From memory."""

TRILLION_CORNER = 0.08
"""How much of each side a straight trillion's cut corners take. From memory."""

NARROW_END = 0.70
"""Narrow end of a tapered baguette as a share of its wide end. From memory."""

Spot = tuple[int, float]
"""A place on an outline: a piece's number and the parameter along it."""

HEART_SIDE_SHARE, HEART_LOBE_DEG = 0.6, (115.0, 180.0)
"""Where, between tip and cleft, the mains of half a heart touch its side and its lobe: as even as the girdle allows."""


@dataclass(frozen=True, eq=False)
class Form:
    """A stone's shape: outline, facet planes, mesh, a point inside, and its proportions as they came out.

    is_mirrored: the planes are those of the half at y >= 0. straight_deg: slope of a pavilion that counts as straight.
    """

    outline: Outline
    planes: Planes
    mesh: PolyMesh
    inside: tuple[float, float, float]
    proportions: Proportions
    is_mirrored: bool = False
    straight_deg: float | None = None


def round_brilliant(p: Proportions) -> Form:
    radius = 0.5 * p.width_mm
    form = _brilliant(p, Outline.circle(radius), round_girdle(radius, round_count(radius, FLATS_MM)))
    return replace(form, straight_deg=p.pavilion_deg)


def oval(p: Proportions) -> Form:
    x, y = 0.5 * p.length_mm, 0.5 * p.width_mm
    unit = round_girdle(1.0, round_count(max(x, y), FLATS_MM))
    normals = unit.normals / [x, y]
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    girdle = Girdle(unit.mains * [x, y], normals, unit.between * [x, y], unit.edge * [x, y], np.zeros(2))
    return _brilliant(p, Outline.ellipse(x, y), girdle)


def marquise(p: Proportions) -> Form:
    spots = [(i, 0.25 * k) for i in range(2) for k in range(4)]
    return _over(p, outlines.marquise(p.length_mm, p.width_mm), spots)


def pear(p: Proportions) -> Form:
    if p.length_mm <= p.width_mm:
        refuse("length_mm", p.length_mm, f"a pear is longer than it is wide, so it must be more than {p.width_mm:g} mm")
    spots = [(0, 0.0), (0, 0.5), *((1, 0.25 * k) for k in range(4)), (2, 0.0), (2, 0.5)]
    return _over(p, outlines.pear(p.length_mm, p.width_mm), spots)


def cushion(p: Proportions) -> Form:
    return _over(p, outlines.cushion(p.length_mm, p.width_mm), [(i, 0.5) for i in range(8)])


def trillion(p: Proportions) -> Form:
    return _over(p, outlines.trillion(p.length_mm, p.width_mm), [(i, t) for i in range(3) for t in (0.0, 0.5)])


def heart(p: Proportions) -> Form:
    """Two halves that meet at y = 0, each a brilliant over its own side of the outline."""
    start, end = outlines.lobe_span()
    tops = [(1, (math.radians(angle) - start) / (end - start)) for angle in HEART_LOBE_DEG]
    return _over(p, outlines.heart(p.length_mm, p.width_mm), [(0, 0.0), (0, HEART_SIDE_SHARE), *tops, (1, 1.0)],
                 is_half=True)


def single_cut(p: Proportions) -> Form:
    """Eight bezels and eight mains, no halves: they meet the girdle's edge between them and cut it deepest at the
    mains."""
    radius = 0.5 * p.width_mm
    angle = np.arange(ROUND_MAINS) * (2.0 * math.pi / ROUND_MAINS)
    flat = radius * math.cos(math.pi / ROUND_MAINS) * np.column_stack([np.cos(angle), np.sin(angle)])
    edge = round_girdle(radius, round_count(radius, FLATS_MM)).edge
    keel = np.zeros((1, 2))
    octagon = radius * np.column_stack([np.cos(angle - math.pi / ROUND_MAINS), np.sin(angle - math.pi / ROUND_MAINS)])
    groups = [("table", UP, np.array([[0.0, 0.0, p.girdle_mm + p.crown_mm]]))]
    groups += step_rows(octagon, ways_to(octagon, keel), "bezel", p.girdle_mm, p.crown_mm, 1.0 - p.table, CROWN_ROWS[1])
    groups += [("girdle", *upright(edge))]
    groups += step_rows(octagon, ways_to(octagon, keel), "main", 0.0, -p.pavilion_mm, 1.0 - p.culet, CROWN_ROWS[1])
    if p.culet > 0.0:
        groups.append(("culet", -UP, np.array([[0.0, 0.0, -p.pavilion_mm]])))
    planes = gathered(groups)
    _keep_girdle(p, planes, np.concatenate([edge, flat / math.cos(math.pi / ROUND_MAINS)]), "the mains and bezels")
    return _convex(p, Outline.circle(radius), planes)


def emerald(p: Proportions) -> Form:
    return _step(p, EMERALD_CORNER, 3, 3)


def asscher(p: Proportions) -> Form:
    return _step(p, ASSCHER_CORNER, 3, 3)


def baguette(p: Proportions) -> Form:
    return _step(p, 0.0, 1, 2)


def tapered_baguette(p: Proportions) -> Form:
    """All sides slope alike, so that the keel rises from the wide end to the narrow one; deepest where the first
    three sides meet."""
    outline = outlines.tapered(p.length_mm, p.width_mm, NARROW_END)
    slant = math.atan2(0.5 * (1.0 - NARROW_END) * p.width_mm, p.length_mm)
    side = 0.25 * (1.0 + NARROW_END) * p.width_mm * math.cos(slant)
    deepest = (side + 0.5 * p.length_mm * math.sin(slant)) / (1.0 + math.sin(slant))
    return _steps_over(p, outline, np.zeros((1, 2)), 1, 2, deepest)


def straight_trillion(p: Proportions) -> Form:
    outline = outlines.straight_trillion(p.length_mm, p.width_mm, TRILLION_CORNER)
    return _steps_over(p, outline, np.zeros((1, 2)), 2, 3)


def princess(p: Proportions) -> Form:
    return _chevron(p, 0.0)


def radiant(p: Proportions) -> Form:
    return _chevron(p, RADIANT_CORNER)


def rose_cut(p: Proportions) -> Form:
    radius = 0.5 * p.width_mm
    edge = round_girdle(radius, round_count(radius, FLATS_MM, 12)).edge
    planes = rose_planes(radius, p.crown_mm, p.girdle_mm, edge)
    _keep_girdle(p, planes, edge, "the facets at the girdle")
    return _convex(p, Outline.circle(radius), planes)


def cabochon(p: Proportions) -> Form:
    """A dome over a round or oval base, smooth to the chord error."""
    outline = Outline.ellipse(0.5 * p.length_mm, 0.5 * p.width_mm)
    edge = outline.chain((), DOME_MM)
    levels = dome_levels(max(0.5 * p.length_mm, p.crown_mm), DOME_MM)
    mesh = dome_mesh(edge, p.crown_mm, p.girdle_mm, levels)
    return Form(outline, planes_of(mesh), mesh, (0.0, 0.0, 0.5 * (p.girdle_mm + p.crown_mm)), p)


def sugarloaf(p: Proportions) -> Form:
    """A square or oblong base whose bowed sides rise to a point or a ridge."""
    outline = outlines.cut_corners(p.length_mm, p.width_mm, LOAF_CORNER * p.width_mm)
    edge = _polygon(outline)
    levels = dome_levels(max(0.5 * p.length_mm, p.crown_mm), DOME_MM)
    groups = step_rows(edge, ways_to(edge, _keel(p)), "dome", p.girdle_mm, p.crown_mm, 1.0, loaf_rows(levels))
    planes = gathered([*groups, ("girdle", *upright(edge)), ("base", -UP, np.zeros((1, 3)))])
    inside = (0.0, 0.0, 0.5 * p.girdle_mm)
    return Form(outline, planes, polyhedron(planes, inside), inside, p)


def _over(p: Proportions, outline: Outline, spots: Sequence[Spot], is_half: bool = False) -> Form:
    """A brilliant with its mains at these spots of an outline, from the tip to the cleft if it is but half of one."""
    places = [outline.at(*spot) for spot in spots]
    mains, normals = np.array([each.point for each in places]), np.array([each.normal for each in places])
    count = len(spots) - 1 if is_half else len(spots)
    middle = np.array([0.0, 0.2 * p.width_mm]) if is_half else np.zeros(2)
    ways = meets(Girdle(mains, normals, np.zeros((count, 2)), mains, middle))[0]
    gaps = [outline.spot(way) for way in ways]
    between = np.array([outline.at(*spot).point for spot in gaps])
    if is_half:
        edge = np.vstack([Outline(outline.pieces[:len(outline.pieces) // 2]).chain([*spots, *gaps], FLATS_MM),
                          mains[-1:]])
    else:
        edge = outline.chain([*spots, *gaps], FLATS_MM)
    return _brilliant(p, outline, Girdle(mains, normals, between, edge, middle))


def _brilliant(p: Proportions, outline: Outline, girdle: Girdle) -> Form:
    p = _settled_star(p, girdle)
    most = most_culet(girdle, p.lower_half)
    if p.culet >= most:
        refuse("culet", p.culet, f"lower halves of {p.lower_half:.3g} come down to {most:.3f} of the width, so it "
                                 "must be less than that")
    heights = Heights(p.table, p.crown_mm, p.girdle_mm, p.pavilion_mm, p.star, p.lower_half, p.culet)
    planes = brilliant_planes(girdle, heights)
    inside = (float(girdle.middle[0]), float(girdle.middle[1]), 0.5 * p.girdle_mm)
    taken = scallops_mm(girdle, planes, p.girdle_mm)
    _keep_girdle(p, planes, girdle.edge, "the half facets", taken)
    if girdle.is_whole:
        return _convex(p, outline, planes)
    mesh = mirrored_polyhedron(planes, inside)
    _keep_all(p, planes, mesh)
    return Form(outline, planes, mesh, inside, p, is_mirrored=True)


def _settled_star(p: Proportions, girdle: Girdle) -> Proportions:
    """The star made longer if it was not given and would not slope under so wide a table."""
    least = least_star(girdle, p.table)
    if p.star > least and (p.figures["star"].pinned or p.star >= 0.25 + 0.75 * least):
        return p
    if p.figures["star"].pinned:
        refuse("star", p.star, f"with a table of {p.table:.3g} its tip would stand above the table, so it must be "
                               f"more than {least:.3f}")
    if least > 0.9:
        refuse("table", p.table, "no star slopes under so wide a table; it must be smaller")
    star = 0.25 + 0.75 * least
    figure = replace(p.figures["star"], value=star, source=GEOMETRY,
                     reason="Longer than usual, to slope under so wide a table.")
    return replace(p, star=star, figures={**p.figures, "star": figure})


def _keep_girdle(p: Proportions, planes: Planes, edge: Floats, what: str, taken_mm: float | None = None) -> None:
    """Refuses a girdle that the facets beside it cut through."""
    if taken_mm is None:
        top, bottom = column(planes, edge)
        taken_mm = p.girdle_mm - float((top - bottom).min())
    if p.girdle_mm <= taken_mm:
        refuse("girdle", p.girdle_mm / p.width_mm,
               f"{what} take {taken_mm / p.width_mm:.2%} of the width from it, so it must be more than that where it "
               "is thickest "
               "or the stone has no girdle between them")


def _step(p: Proportions, corner: float, crown: int, pavilion: int) -> Form:
    outline = outlines.cut_corners(p.length_mm, p.width_mm, corner * p.width_mm)
    return _steps_over(p, outline, _keel(p), crown, pavilion)


def _steps_over(p: Proportions, outline: Outline, keel: Floats, crown: int, pavilion: int,
                way_mm: float | None = None) -> Form:
    edge = _polygon(outline)
    ways = ways_to(edge, keel) if way_mm is None else np.full(len(edge), way_mm)
    planes = step_planes(edge, ways, (p.crown_mm, p.girdle_mm, p.pavilion_mm), p.table, p.culet,
                         CROWN_ROWS[crown], PAVILION_ROWS[pavilion])
    return _convex(p, outline, planes)


def _keel(p: Proportions) -> Floats:
    """The ends of the level line on which a rectangle's sides and ends meet: along its longer side."""
    half = 0.5 * (p.length_mm - p.width_mm)
    return np.array([[half, 0.0], [-half, 0.0]]) if half >= 0.0 else np.array([[0.0, -half], [0.0, half]])


def _polygon(outline: Outline) -> Floats:
    return np.array([piece.at(np.zeros(1))[0][0] for piece in outline.pieces])


def _chevron(p: Proportions, corner: float) -> Form:
    """The princess, and with cut corners the radiant, whose crown is a step cut's."""
    x, y = 0.5 * p.length_mm, 0.5 * p.width_mm
    unit = outlines.cut_corners(2.0, 2.0, 2.0 * corner)
    outline = outlines.stretched(unit, x, y)
    edge = _polygon(outline)
    apex_mm = p.pavilion_mm / (1.0 - p.culet)
    sides, corners, chevrons = RADIANT_PAVILION if corner else PRINCESS_PAVILION
    if corner:
        box = step_rows(_polygon(unit), ways_to(_polygon(unit), np.zeros((1, 2))), "crown step", 0.0, 1.0,
                        1.0 - p.table, CROWN_ROWS[3])
        crown = [("table", UP, np.array([[0.0, 0.0, p.girdle_mm + p.crown_mm]]))] + [
            (kind, *_stretched_planes(normals, points, x, y, p.crown_mm, p.girdle_mm)) for kind, normals, points in box]
    else:
        crown = [(kind, *boxed(rows, x, y, p.crown_mm, p.girdle_mm)) for kind, rows in princess_crown(p.table)]
    pavilion = [(kind, *boxed(rows, x, y, apex_mm, 0.0))
                for kind, rows in chevron_pavilion(sides, corners, chevrons, 2.0 * corner)]
    groups = [*crown, ("girdle", *upright(edge)), *pavilion]
    if p.culet > 0.0:
        groups.append(("culet", -UP, np.array([[0.0, 0.0, -p.pavilion_mm]])))
    return _convex(p, outline, gathered(groups))


def _stretched_planes(normals: Floats, points: Floats, x: float, y: float, z: float,
                      start_mm: float) -> tuple[Floats, Floats]:
    """Planes stretched along the axes, then raised: their normals shrink where their points spread."""
    return normals / [x, y, z], points * [x, y, z] + [0.0, 0.0, start_mm]


def _convex(p: Proportions, outline: Outline, planes: Planes) -> Form:
    """The stone that the planes leave; refuses proportions under which one of its facets vanishes."""
    inside = (0.0, 0.0, 0.5 * p.girdle_mm)
    mesh = polyhedron(planes, inside)
    _keep_all(p, planes, mesh)
    return Form(outline, planes, mesh, inside, p)


BLAME = {"culet": "culet", "star": "star", "upper half": "star", "lower half": "lower_half", "main": "lower_half",
         "girdle": "girdle"}
"""Which proportion is to change where facets of a kind vanish; the table for any other."""


def _keep_all(p: Proportions, planes: Planes, mesh: PolyMesh) -> None:
    """Every plane bounds the stone with a face, or with two if it is that of a half and its image is another."""
    faces = np.ones(len(planes), np.int64)
    if MIRROR in planes.tag_names:
        faces[np.abs(planes.normals[:, 1]) > LEVEL] = 2
        faces[planes.tags == planes.tag_names.index(MIRROR)] = 0
    want = np.bincount(planes.tags, faces, len(planes.tag_names))
    have = [int((mesh.tags == mesh.tag_names.index(name)).sum()) if name in mesh.tag_names else 0
            for name in planes.tag_names]
    missing = want - have
    if missing.max() <= 0:
        return
    kind = planes.tag_names[int(np.argmax(missing))]
    key = BLAME.get(kind, "table")
    if key not in p.figures:
        key = "culet" if p.culet > 0.0 else "table"
    refuse(key, p.figures[key].value, f"the {kind} facets vanish, so it must be nearer to the cut's usual figure")
