"""Local thickness and gap against closed forms: a sphere's shell, tapered plates, cones; edges; stopping."""
from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import Manifold

from core.errors import Cancelled
from core.proof.places import places_of
from core.proof.thickness import gap_at, thickness_at

MM = 0.01
"""How near the closed form a reading must come."""


def hull(points: list[tuple[float, float, float]]) -> Manifold:
    return Manifold.hull_points(np.array(points))


def test_a_spheres_shell_is_as_thick_as_its_radii_differ_and_its_void_as_wide_as_the_inner_ball() -> None:
    shell = Manifold.sphere(3.0, 200) - Manifold.sphere(2.2, 200)
    places = places_of(shell, 200)
    assert thickness_at(shell, places.points, places.normals) == pytest.approx(0.8, abs=MM)
    inner = np.linalg.norm(places.points, axis=1) < 2.6
    gaps = gap_at(shell, places.points, places.normals, 6.0)
    # A ball as large as the void touches it everywhere at once, so that each facet's tilt shows.
    assert inner.any() and gaps[inner] == pytest.approx(4.4, abs=0.04)
    assert (gaps[~inner] == 6.0).all()


@pytest.mark.parametrize("taper_deg", [2.0, 10.0, 25.0])
def test_a_tapered_plate_holds_the_ball_between_its_faces(taper_deg: float) -> None:
    """A ball that touches one side of a wedge of angle a at the way x from its edge has the diameter 2x·tan(a / 2)."""
    rise = math.tan(math.radians(taper_deg))
    plate = hull([(x, y, z) for y in (0.0, 8.0) for x in (2.0, 9.0) for z in (0.0, x * rise)])
    way = np.linspace(3.0, 6.0, 25)
    points = np.column_stack([way, np.full(25, 4.0), np.zeros(25)])
    read = thickness_at(plate, points, np.tile([0.0, 0.0, -1.0], (25, 1)), 6.0)
    assert read == pytest.approx(2.0 * way * math.tan(math.radians(taper_deg / 2.0)), abs=MM)


@pytest.mark.parametrize("half_angle_deg", [5.0, 10.0, 14.0])
def test_a_cone_holds_the_ball_that_touches_it_all_round(half_angle_deg: float) -> None:
    """At a radius r of a cone of half angle a that ball has the radius r / cos a."""
    angle, height = math.radians(half_angle_deg), 8.0
    cone = Manifold.cylinder(height, height * math.tan(angle), 0.0, 400)
    level = np.linspace(3.0, 6.0, 25)
    radius, turn = (height - level) * math.tan(angle), np.linspace(0.0, 6.0, 25)
    points = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), level])
    normals = np.column_stack([np.cos(turn) * math.cos(angle), np.sin(turn) * math.cos(angle),
                               np.full(25, math.sin(angle))])
    assert thickness_at(cone, points - 1e-4 * normals, normals, 6.0) == pytest.approx(2.0 * radius / math.cos(angle), abs=MM)


def test_a_conical_wall_is_read_square_to_its_faces() -> None:
    lean = math.radians(17.0)
    outer = Manifold.cylinder(4.0, 2.0, 2.0 + 4.0 * math.tan(lean), 400)
    across = 0.9 / math.cos(lean)
    wall = outer - Manifold.cylinder(4.0, 2.0 - across, 2.0 + 4.0 * math.tan(lean) - across, 400)
    places = places_of(wall, 300)
    side = (np.abs(places.normals[:, 2]) < 0.5) & (np.abs(places.points[:, 2] - 2.0) < 1.0)
    assert thickness_at(wall, places.points, places.normals)[side] == pytest.approx(0.9, abs=MM)


def test_an_edge_is_no_thin_wall_and_a_corner_no_narrow_gap() -> None:
    """By the rule of the module: walls that meet at a wide angle do not face each other."""
    block = hull([(x, y, z) for x in (0.0, 2.0) for y in (0.0, 2.0) for z in (0.0, 2.0)])
    near_edge = np.array([[1.0, 0.01, 2.0]])
    assert thickness_at(block, near_edge, np.array([[0.0, 0.0, 1.0]])) == pytest.approx(2.0)
    corner = block - hull([(x, y, z) for x in (0.5, 3.0) for y in (0.5, 3.0) for z in (1.0, 3.0)])
    assert gap_at(corner, np.array([[0.51, 1.5, 1.0]]), np.array([[0.0, 0.0, 1.0]])) == pytest.approx(3.0)


def test_a_groove_beside_the_straight_way_in_is_seen() -> None:
    """A ball of 2 mm is stopped by a ridge of metal that the ray straight out passes by."""
    floor = hull([(x, y, z) for x in (-3.0, 3.0) for y in (-3.0, 3.0) for z in (-1.0, 0.0)])
    roof = hull([(x, y, z) for x in (-3.0, 3.0) for y in (-3.0, 3.0) for z in (2.0, 3.0)])
    tooth = hull([(x, y, z) for x in (0.15, 0.6) for y in (-3.0, 3.0) for z in (1.0, 2.1)])
    gap = gap_at(floor + roof + tooth, np.zeros((1, 3)), np.array([[0.0, 0.0, 1.0]]))
    # The ball through the tooth's lower edge at (0.15, 1.0).
    assert gap == pytest.approx((0.15**2 + 1.0) / 1.0, abs=MM)


def test_places_are_spread_by_area_and_by_triangles_and_always_the_same() -> None:
    box = hull([(x, y, z) for x in (0.0, 4.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])
    first, again = places_of(box, 900), places_of(box, 900)
    assert (first.points == again.points).all()
    ends = np.abs(first.normals[:, 0]) > 0.5
    # The ends are 2 of 18 mm2, and 4 of 12 triangles.
    assert ends.mean() == pytest.approx((2.0 / 18.0 + 4.0 / 12.0) / 2.0, abs=0.01)
    assert first.spacing_mm == pytest.approx(math.sqrt(18.0 / 900.0))
    assert (first.points >= -1e-9).all() and (first.points <= [4.0 + 1e-9, 1.0 + 1e-9, 1.0 + 1e-9]).all()
    # Every quarter of the long sides has its share.
    quarter = np.histogram(first.points[~ends, 0], 4, (0.0, 4.0))[0]
    assert quarter == pytest.approx((~ends).sum() / 4.0, abs=12.0)


def test_long_work_says_how_far_it_is_and_can_be_stopped() -> None:
    box = hull([(x, y, z) for x in (0.0, 4.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])
    places = places_of(box, 50)
    shares: list[float] = []
    thickness_at(box, places.points, places.normals, progress=lambda share: shares.append(share) is None)
    assert shares == [0.0, 1.0]
    with pytest.raises(Cancelled):
        thickness_at(box, places.points, places.normals, progress=lambda share: False)

