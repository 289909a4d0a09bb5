"""Copies of shapes in other places, and ways that leave a stone as it is."""
from __future__ import annotations

import math

import numpy as np
import pytest

from core.solid.kernel import hull_triangles
from core.stone import make_stone
from core.symmetry import ALIKE_MM, Symmetry, copies_of, turned_copies


def turned(degrees: float, mirrored: bool = False, shift: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> np.ndarray:
    """(3, 4) that turns about the vertical, in a mirror along x first if asked for, and moves."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0])
    return np.column_stack([turn, shift])


@pytest.mark.parametrize("way", [turned(35.0), turned(120.0, mirrored=True), turned(-80.0, shift=(3.0, -2.0, 1.0))])
def test_a_shape_is_known_for_a_copy_of_another_where_every_corner_is(way: np.ndarray) -> None:
    corners, triangles = hull_triangles(np.random.default_rng(3).uniform(-1.0, 1.0, (30, 3)))
    facing = triangles[:, [0, 2, 1]] if np.linalg.det(way[:, :3]) < 0.0 else triangles
    other = corners @ way[:, :3].T + way[:, 3]
    found = copies_of({"first": (corners, triangles), "other": (other, facing)})
    assert list(found) == ["other"] and found["other"].first == "first"
    assert found["other"].way == pytest.approx(way, abs=1e-9)
    for off, is_copy in ((0.9 * ALIKE_MM, True), (1.1 * ALIKE_MM, False)):
        moved = other.copy()
        moved[7, 1] += off
        assert found["other"].holds(corners, moved) == is_copy


def test_stretched_and_differently_joined_shapes_are_no_copies() -> None:
    corners, triangles = hull_triangles(np.random.default_rng(3).uniform(-1.0, 1.0, (30, 3)))
    joined = triangles.copy()
    joined[0] = joined[1]
    assert copies_of({"first": (corners, triangles), "stretched": (corners * [1.0, 1.0, 1.01], triangles),
                      "joined": (corners, joined), "fewer": (corners[:-1], triangles)}) == {}


def test_a_round_stone_turns_by_its_mains_and_an_oval_by_half_a_turn() -> None:
    round_stone, oval = (Symmetry(make_stone({"cut": cut, "length_mm": 6.0}).mesh.vertices) for cut in ("round brilliant", "oval"))
    for degrees, in_round, in_oval in ((45.0, True, False), (90.0, True, False), (180.0, True, True), (30.0, False, False)):
        for mirrored in (False, True):
            assert (round_stone.holds(turned(degrees, mirrored)), oval.holds(turned(degrees, mirrored))) == (in_round, in_oval)
    assert not round_stone.holds(turned(45.0, shift=(0.0, 0.0, 2.0 * ALIKE_MM)))


def test_shapes_that_are_turned_or_mirrored_are_found_whatever_the_order_of_their_corners() -> None:
    random = np.random.default_rng(5)
    shape = random.uniform(-1.0, 1.0, (20, 3)) + [3.0, 0.5, 1.0]
    ways = {"turned": turned(40.0), "mirrored": turned(120.0, mirrored=True), "turned on": turned(-166.0)}
    shapes = {"first": shape, **{name: random.permutation(shape @ way[:, :3].T) for name, way in ways.items()},
              "larger": 1.01 * shape, "beside": shape @ ways["turned"][:, :3].T + [0.0, 0.0, 1e-5]}
    found = turned_copies(shapes, lambda _: True)
    assert {name: copy.first for name, copy in found.items()} == dict.fromkeys(ways, "first")
    for name, way in ways.items():
        assert found[name].way == pytest.approx(way, abs=1e-9)
        assert found[name].is_level and found[name].is_turned == (name != "mirrored")
        assert found[name].back(found[name].of(shape)) == pytest.approx(shape, abs=1e-12)


@pytest.mark.parametrize("off, is_one", [(0.9 * ALIKE_MM, True), (1.1 * ALIKE_MM, False)])
def test_shapes_are_one_to_within_a_limit(off: float, is_one: bool) -> None:
    shape = np.array([[2.0, 0.3, 0.0], [3.0, 0.0, 0.0], [2.5, 1.0, 0.2], [2.2, 0.1, 1.0]])
    other = shape @ turned(57.0)[:, :3].T
    other[3, 2] += off
    assert bool(turned_copies({"first": shape, "other": other}, lambda _: True)) == is_one


def test_what_a_way_has_to_hold_for_says_which_shapes_are_one() -> None:
    """Six alike round a square: turned by a quarter, or mirrored in its middle lines, it is itself."""
    square = Symmetry(np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (0.0, 1.0)]))
    shape = np.array([[2.0, 0.3, 0.0], [2.0, -0.3, 0.0], [2.5, 0.0, 0.2], [2.2, 0.1, 1.0], [2.2, -0.1, 1.0]])
    shapes = {str(deg): shape @ turned(deg)[:, :3].T for deg in (0, 30, 60, 90, 120, 150)}
    found = turned_copies(shapes, square.holds)
    # Those at 30 and 60 degrees are one in a mirror at 45.
    assert {name: copy.first for name, copy in found.items()} == {"60": "30", "90": "0", "120": "30", "150": "30"}
    assert all(square.holds(copy.way) for copy in found.values())
