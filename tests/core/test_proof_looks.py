"""Looks at many walls at once against closed forms, and against a ray from each place."""
from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import looks, subject_of
from core.proof.narrowest import Search
from core.proof.places import Places
from core.proof.surface import Surface
from core.proof.thickness import FACING_DEG, straight_balls
from core.solid.kernel import contains, first_hits, ways_through
from core.spec import spec_of

PATHS = pytest.mark.parametrize("most_walls", [10**9, 0], ids=["tables", "rays"])


def hull(points: list[tuple[float, float, float]]) -> Manifold:
    return Manifold.hull_points(np.array(points))


def one_place(point: tuple[float, float, float], normal: tuple[float, float, float]) -> Places:
    return Places(np.array([point]), np.array([normal]), 1.0)


@PATHS
def test_a_wall_is_seen_up_to_how_far_is_looked(monkeypatch: pytest.MonkeyPatch, most_walls: int) -> None:
    monkeypatch.setattr(looks, "MOST_WALLS", most_walls)
    monkeypatch.setattr(looks, "MOST_CROSSED", most_walls)
    plates = Manifold.cube((8.0, 8.0, 0.7)) + Manifold.cube((8.0, 8.0, 0.5)).translate((0.0, 0.0, 1.9))
    top = one_place((3.1, 4.3, 0.7), (0.0, 0.0, 1.0))
    for metal_mm, air_mm in ((0.7 - 1e-4, 1.2 - 1e-4), (0.7 + 1e-4, 1.2 + 1e-4)):
        ahead = Surface(plates).looks.ahead(top, metal_mm, air_mm)
        expected = (0.7, 1.2) if metal_mm > 0.7 else (math.inf, math.inf)
        assert (ahead.metal[0], ahead.air[0]) == pytest.approx(expected, abs=1e-9)


@PATHS
@pytest.mark.parametrize("off_deg, faces", [(FACING_DEG - 0.01, True), (FACING_DEG + 0.01, False)])
def test_a_wall_that_leans_more_than_walls_may_does_not_face(monkeypatch: pytest.MonkeyPatch, most_walls: int, off_deg: float,
                                                               faces: bool) -> None:
    monkeypatch.setattr(looks, "MOST_WALLS", most_walls)
    monkeypatch.setattr(looks, "MOST_CROSSED", most_walls)
    rise = math.tan(math.radians(off_deg))
    wedge = hull([(x, y, z) for y in (0.0, 8.0) for x in (1.0, 4.0) for z in (0.0, x * rise)])
    ahead = Surface(wedge).looks.ahead(one_place((1.7, 4.1, 0.0), (0.0, 0.0, -1.0)), 2.0, 2.0)
    assert ahead.metal[0] == pytest.approx(1.7 * rise if faces else math.inf, abs=1e-9)
    assert ahead.air[0] == math.inf


def test_what_is_seen_past_something_else_is_no_gap() -> None:
    """Two plates, with a bar between them that is too steep to face them: the lower one's place before it has no ball."""
    plates = Manifold.cube((8.0, 8.0, 1.0)) + Manifold.cube((8.0, 8.0, 1.0)).translate((0.0, 0.0, 2.0))
    bar = hull([(x, y, z) for y in (1.0, 7.0) for x, z in ((3.4, 1.5), (3.8, 1.5), (3.6, 1.1), (3.6, 1.9))])
    surface = Surface(plates + bar)
    search = Search(surface.solid, False, 1.6, 0.9, lambda points, touches: np.ones(len(points), bool), surface)
    for x, is_free in ((3.65, False), (4.05, True)):
        under = one_place((x, 4.0, 1.0), (0.0, 0.0, 1.0))
        ahead = surface.looks.ahead(under, 0.0, 1.6)
        assert ahead.air[0] == pytest.approx(1.0)
        assert [each.diameter_mm for each in search.narrowest(under, ahead)] == pytest.approx([1.0] if is_free else [])


@pytest.mark.parametrize("is_metal, expected", [(True, 0.7), (False, 1.2)])
def test_what_was_not_looked_for_far_enough_is_looked_for_again(is_metal: bool, expected: float) -> None:
    plates = Manifold.cube((8.0, 8.0, 0.7)) + Manifold.cube((8.0, 8.0, 0.5)).translate((0.0, 0.0, 1.9))
    surface, top = Surface(plates), one_place((3.1, 4.3, 0.7), (0.0, 0.0, 1.0))
    search = Search(surface.solid, is_metal, 1.6, 0.5, lambda points, touches: np.ones(len(points), bool), surface)
    (found,) = search.narrowest(top, surface.looks.ahead(top, 0.1, 0.1))
    assert found.diameter_mm == pytest.approx(expected)


@PATHS
@pytest.mark.parametrize("choices, state", [({}, "cast"), ({}, "set"), ({"stone.cut": "heart"}, "cast")])
def test_what_rays_from_each_place_meet_is_seen_as_near(monkeypatch: pytest.MonkeyPatch, most_walls: int, choices: dict[str, str],
                                                        state: str) -> None:
    monkeypatch.setattr(looks, "MOST_WALLS", most_walls)
    monkeypatch.setattr(looks, "MOST_CROSSED", most_walls)
    surface = subject_of(make_head(spec_of(choices), state)).surface
    places = surface.beside_corners
    ahead = surface.looks.ahead(places, 1.6, 6.0)
    for is_metal, nearest, reach_mm in ((True, ahead.metal, 1.6), (False, ahead.air, 6.0)):
        balls, met = straight_balls(surface.solid, places.points, places.normals, is_metal, reach_mm)
        found = np.isfinite(balls.diameters)
        assert found.any()
        assert nearest[found] == pytest.approx(balls.diameters[found], abs=1e-6)
        # What a ray does not meet may be seen past what stands before it only.
        assert (np.isinf(nearest) | found | met).all()


@PATHS
def test_metal_reaches_from_its_middle_to_its_ends(monkeypatch: pytest.MonkeyPatch, most_walls: int) -> None:
    monkeypatch.setattr(looks, "MOST_WALLS", most_walls)
    monkeypatch.setattr(looks, "MOST_CROSSED", most_walls)
    surface = Surface(Manifold.cube((4.0, 6.0, 8.0)) - Manifold.cube((2.0, 2.0, 2.0)).translate((1.0, 4.0, 3.0)))
    points, ways = np.tile([2.0, 2.0, 4.0], (6, 1)), np.vstack([np.eye(3), -np.eye(3)])
    to_end = [2.0, 2.0, 4.0, 2.0, 2.0, 4.0]
    assert surface.looks.to_end_mm(points, ways, 20.0) == pytest.approx(to_end, abs=1e-9)
    assert surface.looks.to_end_mm(points, ways, 4.0 - 1e-6) == pytest.approx([2.0, 2.0, 0.0, 2.0, 2.0, 0.0], abs=1e-9)
    slanted = np.array([[0.6, 0.0, 0.8]])
    assert surface.looks.to_end_mm(points[:1], slanted, 20.0) == pytest.approx([2.0 / 0.6], abs=1e-9)


@PATHS
def test_no_places_have_no_ways(monkeypatch: pytest.MonkeyPatch, most_walls: int) -> None:
    monkeypatch.setattr(looks, "MOST_WALLS", most_walls)
    monkeypatch.setattr(looks, "MOST_CROSSED", most_walls)
    none, block = np.zeros((0, 3)), Surface(Manifold.cube((4.0, 6.0, 8.0)))
    assert block.looks.to_end_mm(none, none, 20.0).shape == (0,)
    ahead = block.looks.ahead(Places(none, none, 1.0), 1.0, 1.0)
    assert ahead.metal.shape == ahead.air.shape == (0,)


@pytest.mark.parametrize("seed", range(4))
def test_ways_from_metal_and_from_air_end_at_the_same_walls_in_tables_and_rays(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Blocks and balls that stand in and apart from each other, cut by more of them, from anywhere within their bounds."""
    random = np.random.default_rng(seed)

    def some(count: int) -> Manifold:
        shapes = [Manifold.cube(random.uniform(1.0, 5.0, 3), True) if i % 2 else Manifold.sphere(random.uniform(0.5, 2.5), 24)
                  for i in range(count)]
        turned = [each.rotate(random.uniform(0.0, 360.0, 3)).translate(random.uniform(-4.0, 4.0, 3)) for each in shapes]
        return sum(turned, Manifold())

    surface = Surface(some(12) - some(6))
    points, ways = random.uniform(-5.0, 5.0, (2000, 3)), random.normal(size=(2000, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    inside = contains(surface.solid, points)
    assert 200 < inside.sum() < 1800
    for far_mm in (2.0, 30.0):
        through = ways_through(surface.solid, points, points + far_mm * ways)
        # From air a way passes through one wall more.
        expected = np.array([met[skip] if len(met) > skip else 0.0 for met, skip in zip(through, (~inside).astype(int).tolist())])
        assert 0 < (expected[~inside] == 0.0).sum() < (~inside).sum()
        for most_walls in (10**9, 0):
            monkeypatch.setattr(looks, "MOST_WALLS", most_walls)
            monkeypatch.setattr(looks, "MOST_CROSSED", most_walls)
            assert surface.looks.to_end_mm(points, ways, far_mm) == pytest.approx(expected, abs=1e-6)


def test_ways_in_tables_and_rays_are_as_long() -> None:
    surface = subject_of(make_head(spec_of({}), "cast")).surface
    places = surface.spread
    inwards = -places.normals + np.array([0.31, -0.23, 0.17])
    inwards /= np.linalg.norm(inwards, axis=1)[:, None]
    starts = places.points - 1e-4 * places.normals
    far, _ = first_hits(surface.solid, starts, starts + 20.0 * inwards)
    assert np.isfinite(far).all()
    assert surface.looks.to_end_mm(starts, inwards, 20.0) == pytest.approx(far, abs=1e-6)


def test_the_narrowest_place_is_found_however_few_walls_are_near() -> None:
    """A plate thicker than what is looked at first, with all of it within reach."""
    plate = Manifold.cube((9.0, 9.0, 1.4))
    surface = Surface(plate)
    search = Search(plate, True, 1.6, 0.9, lambda points, touches: np.ones(len(points), bool), surface)
    found = search.narrowest(surface.spread, surface.looks.ahead(surface.spread, 1.1, 0.0))
    assert [each.diameter_mm for each in found] == pytest.approx([1.4], abs=1e-6)
