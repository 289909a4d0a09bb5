"""Outlines: exact areas, mitred corners, honest parallels."""
from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import maximum_inscribed_circle
from shapely.geometry import Polygon

from core.errors import GeometryError
from core.stone import make_stone
from core.stone.outline import Arc, Line, Outline


def area(loop: np.ndarray) -> float:
    x, y = loop.T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def marquise(length: float, width: float) -> Outline:
    radius = (length ** 2 + width ** 2) / (4 * width)
    half = math.asin(length / 2 / radius)
    return Outline((Arc((0, width / 2 - radius), radius, radius, math.pi / 2 - half, 2 * half),
                    Arc((0, radius - width / 2), radius, radius, 1.5 * math.pi - half, 2 * half)))


def stadium() -> Outline:
    return Outline((Arc((2, 0), 1, 1, -math.pi / 2, math.pi), Line((2, 1), (-2, 1)),
                    Arc((-2, 0), 1, 1, math.pi / 2, math.pi), Line((-2, -1), (2, -1))))


def rectangle() -> Outline:
    return Outline.polygon(np.array([[4, -3], [4, 3], [-4, 3], [-4, -3]]))


def octagon(leg: float) -> Outline:
    x, y = 4.0, 3.0
    return Outline.polygon(np.array([[x, -y + leg], [x, y - leg], [x - leg, y], [-x + leg, y], [-x, y - leg],
                                     [-x, -y + leg],
                                     [-x + leg, -y], [x - leg, -y]]))


def test_a_circle_is_a_regular_polygon_of_its_own_area() -> None:
    for radius, inset in ((3.25, 0.0), (3.25, 1.1), (0.5, -0.2)):
        outline = Outline.circle(radius)
        counts = outline.counts(0.005, 12)
        loop = outline.loop(inset, counts)
        n = len(loop)
        assert n % 12 == 0
        r = radius - inset
        assert np.hypot(*loop.T) == pytest.approx(r * math.sqrt((2 * math.pi / n) / math.sin(2 * math.pi / n)),
                                                  rel=1e-12)
        assert loop[0] == pytest.approx([np.hypot(*loop[0]), 0], abs=1e-12)
        assert area(loop) == pytest.approx(math.pi * r * r, rel=1e-12)


def test_counts_keep_the_chord_error() -> None:
    for chord in (0.05, 0.005, 0.0005):
        (n,) = Outline.circle(3.0).counts(chord)
        assert 3.0 * (1 - math.cos(math.pi / n)) <= chord < 3.0 * (1 - math.cos(math.pi / (n - 4)))


@pytest.mark.parametrize("cut", ["round brilliant", "oval", "marquise", "pear", "heart", "cushion", "trillion"])
def test_the_fewest_segments_keep_the_chord_error_on_a_parallel_and_half_of_them_do_not(cut: str) -> None:
    """Outside check: shapely's distance between a coarse parallel and a dense one, both ways."""
    outline = make_stone({"cut": cut, "length_mm": 8.0}).outline
    for inset, chord in ((-0.5, 0.02), (0.0, 0.005), (0.6, 0.005)):
        dense = Polygon(outline.loop(inset, [2000 if piece.is_curved else 1 for piece in outline.pieces])).boundary
        counts = outline.counts_at(np.array([inset]), chord)
        off = [Polygon(outline.loop(inset, each)).boundary.hausdorff_distance(dense)
               for each in (counts, [max(2, n // 2) for n in counts])]
        assert off[0] <= 1.02 * chord < off[1]  # outside, pieces are produced past their ends until they meet


def test_closed_forms_of_area_and_length() -> None:
    ellipse = Outline.ellipse(4, 3)
    h = (1 / 7) ** 2
    assert ellipse.area_mm2 == pytest.approx(12 * math.pi, rel=1e-13)
    # Ramanujan
    assert ellipse.perimeter_mm == pytest.approx(7 * math.pi * (1 + 3 * h / (10 + math.sqrt(4 - 3 * h))), rel=1e-8)
    assert octagon(0.8).area_mm2 == pytest.approx(48 - 2 * 0.8 ** 2, rel=1e-13)
    assert stadium().area_mm2 == pytest.approx(8 + math.pi, rel=1e-13)


@pytest.mark.parametrize("ratio, tip_deg", [(2.0, 106.3), (1.75, 119.0)])
def test_marquise_tips(ratio: float, tip_deg: float) -> None:
    corners = marquise(5 * ratio, 5).corners
    assert len(corners) == 2
    for corner in corners:
        assert 180 - corner.turn_deg == pytest.approx(tip_deg, abs=0.05)
        assert abs(corner.point[1]) < 1e-12 and abs(corner.normal[0]) == pytest.approx(1)


@pytest.mark.parametrize("outline", [Outline.ellipse(4, 3), stadium(), marquise(10, 5), rectangle(), octagon(0.8)])
def test_parallels_follow_steiner_where_no_corner_is_swallowed(outline: Outline) -> None:
    """Area of a mitred parallel: A - L d + d^2 (pi-turn of the arcs + the corners' tangents)."""
    turned = sum(math.radians(corner.turn_deg) for corner in outline.corners)
    kites = sum(math.tan(math.radians(corner.turn_deg) / 2) for corner in outline.corners)
    straight = all(not piece.is_curved for piece in outline.pieces)
    for inset in (-0.5, 0.3):
        loop = outline.loop(inset, outline.counts(0.002))
        if straight or not outline.corners:
            whole = outline.area_mm2 - outline.perimeter_mm * inset + inset ** 2 * ((2 * math.pi - turned) / 2 + kites)
            assert area(loop) == pytest.approx(whole, rel=1e-10)
        assert area(loop) < outline.area_mm2 if inset > 0 else area(loop) > outline.area_mm2


def test_every_sample_of_a_parallel_is_the_inset_away() -> None:
    for outline in (Outline.ellipse(4, 3), stadium(), marquise(10, 5), octagon(0.8)):
        dense = outline.loop(0.0, [400] * len(outline.pieces))
        for inset in (0.2, 0.9):
            loop = outline.loop(inset, outline.counts(0.0005))
            nearest = np.linalg.norm(loop[:, None] - dense, axis=2).min(axis=1)
            assert nearest == pytest.approx(inset, abs=2e-3)


def test_marquise_parallel_is_two_circles_trimmed_at_their_crossing() -> None:
    outline = marquise(10, 5)
    radius, inset = 125 / 20, 0.7
    loop = outline.loop(inset, (8, 8))
    tip = math.sqrt((radius - inset) ** 2 - (radius - 2.5) ** 2)
    assert loop[0] == pytest.approx([tip, 0], abs=1e-12)
    assert loop[8] == pytest.approx([-tip, 0], abs=1e-12)
    assert np.allclose(loop[1:8] * [1, -1], loop[:8:-1], atol=1e-12)


def test_a_swallowed_corner_keeps_its_samples() -> None:
    outline = octagon(0.8)
    counts = outline.counts(0.005)
    loop = outline.loop(2.0, counts)
    assert len(loop) == sum(counts) == 8
    distinct = np.unique(np.round(loop, 9), axis=0)
    assert np.allclose(distinct, [[-2, -1], [-2, 1], [2, -1], [2, 1]])


def test_beyond_its_least_radius_an_ellipse_gets_corners_on_its_long_axis() -> None:
    outline = Outline.ellipse(4, 2)
    inset = 1.5
    assert inset > 2 ** 2 / 4
    loop = outline.loop(inset, (40, 40))
    assert loop[0, 1] == pytest.approx(0, abs=1e-12) and np.allclose(loop[1:40] * [1, -1], loop[:40:-1], atol=1e-12)
    dense = outline.loop(0.0, (4000, 4000))
    nearest = np.linalg.norm(loop[:, None] - dense, axis=2).min(axis=1)
    assert nearest == pytest.approx(inset, abs=1e-3)
    # the corner is where a point of the axis has the outline at the inset twice: x^2 = (a^2 - b^2) (1 - d^2 / b^2)
    assert loop[0, 0] == pytest.approx(math.sqrt(12 * (1 - inset ** 2 / 4)), abs=1e-9)


@pytest.mark.parametrize("outline, reach", [(Outline.circle(3), 3), (Outline.ellipse(4, 3), 3),
                                            (Outline.ellipse(3, 4), 3), (stadium(), 1), (marquise(10, 5), 2.5),
                                            (rectangle(), 3), (octagon(0.8), 3)])
def test_reach(outline: Outline, reach: float) -> None:
    assert outline.reach_mm == pytest.approx(reach, rel=1e-5)
    outline.loop(0.999 * reach, outline.counts(0.01))
    with pytest.raises(GeometryError, match="smaller inset"):
        outline.loop(1.01 * reach, outline.counts(0.01))


@pytest.mark.parametrize("outline", [Outline.ellipse(4, 3), stadium(), marquise(10, 5), octagon(0.8)])
def test_places(outline: Outline) -> None:
    for azimuth in (0, 12.5, 90, 133, 180, 275, 359.9, -30):
        place = outline.place(azimuth)
        off = math.degrees(math.atan2(place.point[1], place.point[0])) - azimuth
        assert (off + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)
        assert np.hypot(*place.normal) == pytest.approx(1)
        assert place.point @ place.normal > 0
        assert place.is_corner == any(np.allclose(place.point, corner.point) for corner in outline.corners)
    ellipse = Outline.ellipse(4, 3).place(33)
    assert (ellipse.point / [4, 3]) @ (ellipse.point / [4, 3]) == pytest.approx(1, abs=1e-12)
    assert Outline.polygon(np.array([[4, -3], [4, 3], [-4, 3], [-4, -3]])).place(math.degrees(math.atan2(3,
                                                                                                         4))).is_corner


def test_a_parallel_at_just_the_radius_of_a_corner_keeps_its_distance() -> None:
    """There the corner's arc is a point, which has no length to push its samples along."""
    corner, x, y = 1.8, 3.0, 2.6
    centres = ((x - corner, y - corner), (corner - x, y - corner), (corner - x, corner - y), (x - corner, corner - y))
    pieces: list[Arc | Line] = []
    for quarter, (centre, after) in enumerate(zip(centres, centres[1:] + centres[:1], strict=True)):
        turn = (quarter + 1) * math.pi / 2
        reach = corner * np.array([math.cos(turn), math.sin(turn)])
        pieces += [Arc(centre, corner, corner, turn - math.pi / 2, math.pi / 2),
                   Line(tuple(centre + reach), tuple(after + reach))]
    outline = Outline(tuple(pieces))
    dense = outline.loop(0.0, [600] * len(pieces))
    for inset in (corner - 1e-12, corner, corner + 1e-12):
        loop = outline.loop(inset, outline.counts(0.002))
        assert np.linalg.norm(loop[:, None] - dense, axis=2).min(axis=1) == pytest.approx(inset, abs=4e-3)


@pytest.mark.parametrize("cut", ["tapered baguette", "straight trillion", "pear", "cushion"])
def test_the_reach_of_a_convex_outline_is_the_largest_circle_that_fits(cut: str) -> None:
    """Outside judge: the largest circle in a fine polygon of the outline, as a linear program (scipy)."""
    from scipy.optimize import linprog

    outline = make_stone({"cut": cut, "length_mm": 7.0}).outline
    loop = outline.loop(0.0, [400] * len(outline.pieces))
    way = np.roll(loop, -1, axis=0) - loop
    sides = np.linalg.norm(way, axis=1)
    loop, way, sides = loop[sides > 1e-9], way[sides > 1e-9], sides[sides > 1e-9]
    normals = np.column_stack([way[:, 1], -way[:, 0]]) / sides[:, None]
    found = linprog([0, 0, -1], np.column_stack([normals, np.ones(len(loop))]), np.einsum("ij,ij->i", normals, loop),
                    bounds=[(None, None), (None, None), (0, None)])
    assert outline.reach_mm == pytest.approx(found.x[2], rel=2e-5)


@pytest.mark.parametrize("cut", ["marquise", "oval", "pear", "trillion", "cushion", "heart"])
def test_a_parallel_is_found_at_every_inset_up_to_the_reach(cut: str) -> None:
    outline = make_stone({"cut": cut, "length_mm": 14.81}).outline
    counts = outline.counts(0.005, 4)
    for inset in outline.reach_mm * np.arange(0.0, 0.99, 0.0025):
        assert len(outline.loop(float(inset), counts)) == sum(counts)


@pytest.mark.parametrize("ratio", [2.0, 3.0, 4.0])
def test_parallels_of_a_long_cushion_keep_their_distance_once_its_ends_are_swallowed(ratio: float) -> None:
    outline = make_stone({"cut": "cushion", "length_mm": 4.0 * ratio, "width_mm": 4.0}).outline
    dense = outline.loop(0.0, [600] * len(outline.pieces))
    for inset in 2.0 * np.arange(0.6, 0.98, 0.01):
        loop = outline.loop(float(inset), outline.counts(0.005))
        assert np.linalg.norm(loop[:, None] - dense, axis=2).min(axis=1).min() >= inset - 0.01


@pytest.mark.parametrize(("cut", "ratio"), [("cushion", 1.4), ("cushion", 1.9), ("cushion", 2.6), ("heart", 1.05), ("heart", 1.9)])
def test_parallels_are_right_up_to_the_reach(cut: str, ratio: float) -> None:
    """Outside check: shapely's buffer of a dense polygon, and its largest circle that fits."""
    outline = make_stone({"cut": cut, "width_mm": 10.3, "length_mm": 10.3 * ratio}).outline
    dense = Polygon(outline.loop(0.0, [400 if piece.is_curved else 1 for piece in outline.pieces]))
    assert outline.reach_mm == pytest.approx(maximum_inscribed_circle(dense, 1e-4).length, rel=2e-4)
    style = "round" if cut == "heart" else "mitre"
    for share in (0.5, 0.9, 0.96, 0.999):
        judge = dense.buffer(-share * outline.reach_mm, join_style=style, mitre_limit=50.0, quad_segs=64)
        loop = outline.loop(share * outline.reach_mm, [60 if piece.is_curved else 3 for piece in outline.pieces])
        assert Polygon(loop).buffer(0.0).symmetric_difference(judge).area < 1e-3 * outline.perimeter_mm


def test_every_heart_has_a_reach() -> None:
    for width in np.arange(2.0, 12.0, 0.5):
        for ratio in (0.95, 1.0, 1.2, 1.4, 1.9, 2.6):
            outline = make_stone({"cut": "heart", "width_mm": width, "length_mm": width * ratio}).outline
            assert 0.25 * width < outline.reach_mm < 0.5 * max(1.0, ratio) * width
