"""Measurements on solids against closed forms: plates, cones, bars, and the least rim."""
from __future__ import annotations

import math
from functools import cache, partial

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

from core.head import make_head
from core.mesh import PolyMesh
from core.proof import prove, subject_of
from core.proof.loops import (
    area_mm2,
    corners_of,
    crossings,
    depths_mm,
    distances_mm,
    edges_of,
    farthest_crossings,
    first_crossing,
    free_turn,
    hollow_deg,
    is_inside,
    stations_on,
)
from core.proof.apart import nearest_of_triangles
from core.proof.claw_measure import _is_hollow, bar
from core.proof.fit import (
    SEATED_MM, _depth_between_lobes, _reaching, common, deepest_within, depth, gaps, is_deeper, rail_gap, room_at_culet,
)
from core.proof.frame import Frame
from core.proof.halves import ON_FACET_MM, edges_turning_in, facet_planes, halves, halves_of, is_convex
from core.proof.inside import deepest, volume_in_common
from core.proof.nearest import Sides
from core.proof.surface import BESIDE_MM, BesideStone
from core.solid.kernel import (
    contains, fuse, gap_mm, hull_triangles, moved, overlap, section, solid_of_triangles, transformed, triangles_not_of, triangles_of,
    volume_mm3, ways_through,
)
from core.solid.slicer import Slicer
from core.spec import Spec, spec_of
from core.stone import make_stone
from core.stone.cuts import CUTS
from core.symmetry import Copy
from core.tolerance import READ_MM, SAME_POINT_MM

TAPER = math.radians(17.0)
WORKED = {
    "stone.length_mm": 5.0, "stone.pavilion_angle_deg": 40.75, "head.culet_clearance_mm": 1.0, "wall.taper_deg": 17.0,
    "wall.thickness_mm": 0.9, "wall.seat_inset_mm": 0.2, "wall.bevel_mm": 0.7, "claws.count": 4,
    "claws.diameter_mm": 1.0, "claws.notch": 0.5 - 0.2 * math.cos(TAPER), "claws.spare_mm": 3.0,
}
"""A tapered claw head worked by hand. Common practice, no source."""

SQUARE = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
HOLE = 0.5 * SQUARE[::-1]
CUBE = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])


@cache
def gauge(state: str = "cast", chord_mm: float = 0.005, **changes: object):
    return subject_of(make_head(spec_of(WORKED).with_choices(**changes), state, chord_mm)).gauge


def test_a_line_crosses_each_side_once_and_a_parallel_side_never() -> None:
    ways = crossings([SQUARE], np.array([[0.0, 0.25]]), np.array([[1.0, 0.0]]))
    assert sorted(ways[np.isfinite(ways)]) == pytest.approx([-1.0, 1.0])


def test_a_line_through_a_corner_is_not_lost() -> None:
    corner = first_crossing([SQUARE], np.array([[0.0, 0.0]]), np.array([[1.0, 1.0]]) / math.sqrt(2.0), 0.0)
    assert corner == pytest.approx([math.sqrt(2.0)])


def test_points_in_holes_are_outside() -> None:
    points = np.array([[0.0, 0.0], [0.75, 0.0], [0.75, 0.75], [1.1, 0.0]])
    assert is_inside([SQUARE, HOLE], points).tolist() == [False, True, True, False]
    assert area_mm2([SQUARE, HOLE]) == pytest.approx(3.0)


def test_distances_to_a_loop_are_to_its_nearest_side_or_corner() -> None:
    points = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]])
    assert distances_mm(points, SQUARE) == pytest.approx([1.0, 1.0, math.sqrt(2.0)])


def test_the_nearest_side_of_several_heights_is_found_among_all_of_them() -> None:
    random = np.random.default_rng(7)
    turn = np.sort(random.uniform(0.0, 2.0 * math.pi, 90))
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * random.uniform(1.5, 3.0, 90)[:, None]
    # The middle lies outside of the first, inside of the second, and the third height is empty.
    loops = [3.0 * SQUARE + 8.0, ring]
    starts, ways = edges_of(loops)
    sides = Sides(starts, ways, np.array([0, 4, 94, 94]), np.zeros(2))
    points, heights = random.uniform(-6.0, 12.0, (300, 2)), np.repeat([0, 1, 2], 100)
    found, which = sides.nearest(points, heights)
    for height, loop in enumerate(loops):
        own = heights == height
        assert np.abs(found[own]) == pytest.approx(distances_mm(points[own], loop), abs=1e-12)
        assert ((which[own] < 4) == (height == 0)).all()
    assert np.isinf(found[200:]).all() and (which[200:] == -1).all()
    signed = sides.signed_distances_mm(points, heights)[0]
    assert (signed[:100] < 0.0).tolist() == is_inside(loops[:1], points[:100]).tolist()
    near, feet = sides.signed_distances_mm(points, heights, 1.0)
    assert np.isinf(near[np.abs(found) > 1.0]).all() and np.isfinite(near[np.abs(found) <= 0.99]).all()
    assert np.linalg.norm(points - feet, axis=1)[np.isfinite(near)] == pytest.approx(np.abs(near[np.isfinite(near)]), abs=1e-9)


def test_depths_in_a_convex_loop_are_the_distances_from_it_and_of_nothing_else() -> None:
    """Outside check: shapely's distances from the same polygon's boundary."""
    turn = np.arange(60) * (2.0 * math.pi / 60)
    ring = np.column_stack([4.0 * np.cos(turn), 2.5 * np.sin(turn)])
    points = ring[::-1] * np.linspace(0.0, 1.0, 60)[:, None]
    outside = [Point(*point).distance(Polygon(ring).exterior) for point in points]
    depths = depths_mm(points, ring)
    assert depths is not None and depths == pytest.approx(outside, abs=1e-12)
    dented = ring.copy()
    dented[7] *= 0.99
    for own, loop in ((points * 1.0001, ring), (points, ring[::-1]), (points[:30], dented), (points, np.repeat(ring, 2, axis=0))):
        assert depths_mm(own, loop) is None


def test_lines_from_a_middle_meet_each_loop_last_where_one_loop_by_itself_says() -> None:
    random = np.random.default_rng(3)
    turn = np.sort(random.uniform(0.0, 2.0 * math.pi, 40))
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * random.uniform(1.5, 3.0, 40)[:, None]
    middle, aside = np.array([0.2, -0.1]), random.uniform(0.0, 2.0 * math.pi, 30)
    ways = np.column_stack([np.cos(aside), np.sin(aside)])
    # About the middle, beside it, and with a corner and two whole sides on lines.
    loops = [ring, SQUARE + [5.0, 2.0], np.vstack([middle + 2.0 * ways[0], middle + 3.0 * ways[0], middle + ways[1]])]
    for loop, found in zip(loops, farthest_crossings(loops, middle, ways)):
        each = crossings([loop], np.broadcast_to(middle, ways.shape), ways)
        assert found == pytest.approx(np.where(np.isnan(each), -np.inf, each).max(axis=1), abs=1e-9)
        assert np.isfinite(found).any()


def test_corners_are_left_where_a_loop_turns_and_every_second_place_between() -> None:
    along = np.linspace(-1.0, 1.0, 5)[:-1]
    straight = np.vstack([np.column_stack([along, np.full(4, -1.0)]), SQUARE[1:]])
    assert [found.tolist() for found in corners_of([straight, HOLE])] == [[[-1.0, -1.0], [0.0, -1.0], *SQUARE[1:].tolist()],
                                                                         HOLE.tolist()]
    assert corners_of([]) == []


@pytest.mark.parametrize("style,name", [("gallery", "window_sill"), ("coronet", "scoop_depth")])
def test_the_lowest_opening_of_a_wall_is_told_as_it_was_planned(style: str, name: str) -> None:
    subject = subject_of(make_head(spec_of({"stone.length_mm": 6.0, "head.style": style})))
    walls, plan = subject.gauge.walls, subject.plan
    assert plan is not None and walls.sill_mm is not None
    found = walls.sill_mm - subject.gauge.base_mm if name == "window_sill" else subject.gauge.wall_top_mm - walls.sill_mm
    assert found == pytest.approx(plan[name], abs=1e-6)


def test_claws_cut_together_each_at_its_own_heights_are_what_the_kernel_cuts_one_by_one() -> None:
    found = gauge("set")
    heights = {name: 1.5 + 0.1 * i + np.array([0.7, 0.0, 1.1])[:i] for i, name in enumerate(found.claw_names)}
    starts, ways, counts = found.claw_sides(heights)
    areas = np.add.reduceat(starts[:, 0] * ways[:, 1] - starts[:, 1] * ways[:, 0], np.cumsum(counts) - counts) / 2.0
    expected = [area_mm2(section(found.parts[name], float(each))) for name, own in heights.items() for each in own]
    assert len(expected) == 6 and areas == pytest.approx(expected, abs=1e-6)


def test_many_points_and_sides_are_measured_as_few_are() -> None:
    turn = np.arange(400) * (2.0 * math.pi / 400)
    ring = 3.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    points = ring[::2] * np.linspace(0.0, 2.0, 200)[:, None]
    few = np.concatenate([distances_mm(points[i:i + 20], ring) for i in range(0, 200, 20)])
    assert distances_mm(points, ring) == pytest.approx(few, abs=1e-12)


def test_heights_cut_together_give_what_the_kernel_cuts_one_by_one() -> None:
    metal, heights = gauge("set").metal, np.linspace(-0.5, 6.0, 9)
    starts, ways, firsts = Slicer(*triangles_of(metal)).sides_at(heights)
    for i, height in enumerate(heights):
        own, loops = slice(firsts[i], firsts[i + 1]), section(metal, float(height))
        assert own.stop - own.start == sum(map(len, loops))
        twice = starts[own, 0] * ways[own, 1] - starts[own, 1] * ways[own, 0]
        assert float(twice.sum()) / 2.0 == pytest.approx(area_mm2(loops), abs=1e-6)


def test_stations_stand_evenly_on_a_circle_with_its_normals() -> None:
    turn = np.arange(400) * (2.0 * math.pi / 400)
    points, normals = stations_on(3.0 * np.column_stack([np.cos(turn), np.sin(turn)]), 50)
    assert np.linalg.norm(points, axis=1) == pytest.approx(3.0, abs=1e-3)
    assert np.einsum("ij,ij->i", points, normals) == pytest.approx(3.0, abs=1e-3)


def test_the_widest_turn_points_where_nothing_stands() -> None:
    turn, free = free_turn(np.array([[1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]))
    assert turn == pytest.approx(180.0)
    assert free == pytest.approx([-1.0, 0.0])


NOTCHED = {0.20: (.858, .695), 0.25: (.804, .607), 0.30: (.748, .523), 1 / 3: (.708, .470), 0.40: (.626, .370),
           0.50: (.500, .243), 0.60: (.374, .143), 0.70: (.252, .072)}
"""Share of a round bar's area and section modulus left by a straight notch; computed from the circle's segment."""


@pytest.mark.parametrize(("notch", "left"), NOTCHED.items())
def test_a_notched_round_bar_keeps_the_tabled_area_and_strength(notch: float, left: tuple[float, float]) -> None:
    count = 199
    turn = np.arange(1, count + 1) * (math.pi / (count + 1))
    half, widths = np.sin(turn), np.sin(turn) * (math.pi / (count + 1))
    whole = bar(-half, half, widths)
    rest = bar(np.maximum(-half, -1.0 + 2.0 * notch), half, widths)
    assert rest.area_mm2 / whole.area_mm2 == pytest.approx(left[0], abs=1.5e-3)
    assert rest.modulus_mm3 / whole.modulus_mm3 == pytest.approx(left[1], abs=3e-3)
    assert whole.area_mm2 == pytest.approx(math.pi, rel=1e-3)


def test_a_ray_through_a_plate_reads_its_thickness() -> None:
    corners = np.array([[x, y, z] for x in (-2.0, 2.0) for y in (-2.0, 2.0) for z in (0.0, 0.7)])
    faces = np.array([[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6],
                      [0, 6, 4], [1, 5, 7], [1, 7, 3]])
    plate = solid_of_triangles(corners, faces, "plate")
    (ways,) = ways_through(plate, np.array([[0.3, 0.2, 2.0]]), np.array([[0.3, 0.2, -2.0]]))
    assert ways == pytest.approx([1.3, 2.0])


@pytest.mark.parametrize("taper_deg", [0.0, 8.5, 17.0])
@pytest.mark.parametrize("thickness_mm", [0.6, 0.9])
def test_a_cones_wall_is_as_thick_as_asked_below_its_bevel(taper_deg: float, thickness_mm: float) -> None:
    found = gauge(wall__taper_deg=taper_deg, wall__thickness_mm=thickness_mm, wall__bevel_mm=0.3)
    values, places = found.wall_thickness
    assert values == pytest.approx(thickness_mm, abs=READ_MM)
    assert math.degrees(found.taper) == pytest.approx(taper_deg, abs=0.02)
    assert places[:, 2].max() > 0.6 * found.wall_top_mm


@pytest.mark.parametrize("chord_mm", [0.005, 0.02])
@pytest.mark.parametrize("notch", [0.1, 0.3087, 0.5])
@pytest.mark.parametrize("state", ["cast", "set"])
def test_the_notch_is_read_within_a_two_hundredth(notch: float, state: str, chord_mm: float) -> None:
    claws = gauge(state, chord_mm, claws__notch=notch).claws
    assert len(claws) == 4
    for claw in claws:
        assert claw.notch == pytest.approx(notch, abs=0.005)


@pytest.mark.parametrize("count", [3, 5, 7])
def test_the_notch_is_read_where_the_girdle_is_thin_too(count: int) -> None:
    """Between the mains the lower girdle edge stands higher than at them."""
    for state in ("cast", "set"):
        for claw in gauge(state, claws__count=count, claws__diameter_mm=0.9).claws:
            assert claw.notch == pytest.approx(WORKED["claws.notch"], abs=0.005)


def test_a_claws_axis_and_width_are_found_without_the_plan() -> None:
    made = make_head(spec_of(WORKED))
    for claw, line in zip(subject_of(made).gauge.claws, made.lines):
        assert claw.axis == pytest.approx(line.axis, abs=1e-6)
        assert claw.foot == pytest.approx(line.foot, abs=1e-4)
        assert claw.diameter_mm == pytest.approx(1.0, abs=READ_MM)
        assert claw.outwards == pytest.approx(line.place.normal, abs=0.02)


def test_the_neck_of_a_claw_at_a_straight_girdle_keeps_the_closed_share() -> None:
    """A large stone's girdle is nearly straight at a small claw, so the circle's segment holds."""
    claw = gauge(stone__length_mm=12.0, claws__notch=0.3, head__culet_clearance_mm=1.5).claws[0]
    assert claw.area_left == pytest.approx(.748, abs=0.008)
    assert claw.strength_left == pytest.approx(.523, abs=0.012)
    assert claw.left_mm == pytest.approx(0.7, abs=0.005)


def test_the_least_rim_is_a_little_under_the_inset_because_halves_stand_outside_the_mains() -> None:
    """Along the mains the rim is the inset; the facets between them run closer to the wall."""
    rim, place = gauge().walls.rim
    assert 0.19 < rim < 0.2
    assert place[2] == pytest.approx(2.9095, abs=1e-4)
    mains = np.arange(8) * 45.0
    azimuth = math.degrees(math.atan2(place[1], place[0])) % 45.0
    assert min(abs(azimuth - 22.5), azimuth, 45.0 - azimuth) < 2.0 and len(mains) == 8


def test_the_bearing_along_the_mains_has_the_length_of_the_cut() -> None:
    """As set, the pavilion lies on the wall from the top's crossing to where the inner wall leaves it (geometry)."""
    found = gauge("set")
    bearing = found.bearing(READ_MM, 0.05)
    through, tan_taper, tan_pavilion = 0.9 / math.cos(TAPER), math.tan(TAPER), math.tan(math.radians(40.75))
    begin = 0.2447 / tan_pavilion
    end = through / (1.0 - tan_taper * tan_pavilion)
    expected = (end - begin) / math.cos(math.radians(40.75))
    assert np.median(bearing.width_mm) == pytest.approx(expected, abs=0.06)
    assert not bearing.touches_again


def test_metal_is_told_to_reach_into_a_stone_as_the_kernel_tells_it() -> None:
    frame, random = gauge("set"), np.random.default_rng(11)
    middle, told = frame.placed.vertices.mean(axis=0), []
    normals, offsets = facet_planes(frame.placed)
    assert is_convex(frame.placed)
    for size in np.repeat([0.05, 0.6, 4.0], 40):
        corners = middle + random.uniform(-2.6, 2.6, 3) + size * random.uniform(-1.0, 1.0, (4, 3))
        metal = solid_of_triangles(*hull_triangles(corners), "splinter")
        both = overlap(metal, frame.stone_solid)
        volume, found, place = common(Frame(metal, {}, frame.stone, frame.placed, frame.stone_solid))
        assert volume == pytest.approx(volume_mm3(both), abs=1e-7)
        # Corners of what both have in common, and its middle, bound the depth from below.
        points = triangles_of(both)[0]
        points = np.concatenate([points, points.mean(axis=0, keepdims=True)]) if len(points) else points
        assert found >= (offsets - points @ normals.T).min(axis=1).max(initial=0.0) - 1e-3
        if found:
            assert (offsets - normals @ place).min() == pytest.approx(found, abs=1e-9)
            assert len(points)
        told.append(found > SEATED_MM)
    assert 20 < sum(told) < 100
    wide = np.array([[x, y, z] for x in (-9.0, 30.0) for y in (-9.0, 9.0) for z in (-1.0, float(frame.culet[2]))])
    for higher, reaches in ((-0.01, False), (0.0, False), (1.5, True), (9.0, True)):
        # A plate that the pavilion pierces beside the sides of its triangles, and one that the whole stone stands in.
        plate = solid_of_triangles(*hull_triangles(wide + [0.0, 0.0, 1.0] * (wide > 0.0) * higher), "plate")
        entered = Frame(plate, {}, frame.stone, frame.placed, frame.stone_solid)
        assert (depth(entered)[0] > SEATED_MM) == reaches == is_deeper(entered, SEATED_MM)
        assert common(entered)[0] == pytest.approx(volume_mm3(overlap(plate, frame.stone_solid)), abs=1e-7)


def test_the_volume_in_common_is_that_of_the_kernel_without_a_boolean() -> None:
    """Of claws and walls of heads as cast, with no fall back on the kernel."""
    for choices in ({}, {"claws.count": 6}, {"stone.cut": "oval"}, {"stone.cut": "princess"}, {"stone.cut": "emerald"}):
        frame = subject_of(make_head(spec_of({**WORKED, **choices}), "cast")).gauge
        found = volume_in_common(frame.metal_triangles[0], _reaching(frame), frame.placed,
                                 partial(contains, frame.metal))
        assert found is not None and found > 0.1
        assert found == pytest.approx(volume_mm3(overlap(frame.metal, frame.stone_solid)), rel=1e-6)


def test_room_to_the_stone_is_that_of_the_kernel() -> None:
    """From splinters beside, across and in it, as from a rail; from the culet to metal the same, to a point."""
    frame, random, found = gauge("set"), np.random.default_rng(5), []
    middle = frame.placed.vertices.mean(axis=0)
    for size in np.repeat([0.05, 0.6], 60):
        way = random.normal(size=3)
        corners = middle + way / np.linalg.norm(way) * random.uniform(0.5, 3.5)
        corners = corners + size * random.uniform(-1.0, 1.0, (5, 3))
        metal = solid_of_triangles(*hull_triangles(corners), "splinter")
        gap = rail_gap(frame, metal, 0.4)
        meets = volume_mm3(overlap(metal, frame.stone_solid)) > 0.0
        assert gap == (0.0 if meets else pytest.approx(gap_mm(metal, frame.stone_solid, 0.4), abs=2e-6))
        found.append(gap)
        there = corners - corners.mean(axis=0) + frame.culet + way * 0.2
        beside = solid_of_triangles(*hull_triangles(there), "splinter")
        point = solid_of_triangles(*hull_triangles(frame.culet + 1e-5 * CUBE), "point")
        room = room_at_culet(Frame(beside, {}, frame.stone, frame.placed, frame.stone_solid), 0.4)
        assert room == pytest.approx(gap_mm(point, beside, 0.4), abs=3e-5)
    assert min(found) == 0.0 and max(found) == 0.4 and sum(0.0 < each < 0.4 for each in found) > 10


def test_the_deepest_place_is_found_in_the_middle_of_a_face() -> None:
    """Under a pyramid a face, level or tilted less than its planes, is deepest below the point, beside its corners."""
    way = np.radians([0.0, 90.0, 180.0, 270.0])
    normals = np.column_stack([np.cos(way), np.sin(way), np.ones(4)]) / math.sqrt(2.0)
    face = np.array([[[-5.0, -4.0, 0.0], [6.0, -4.0, 0.0], [0.3, 7.0, 0.0]]])
    found, place = deepest(face, normals, np.full(4, math.sqrt(0.5)))
    assert found == pytest.approx(math.sqrt(0.5), abs=2e-4) and np.allclose(place, 0.0, atol=5e-4)
    tilted = face + [0.0, 0.0, 0.5] * face[:, :, :1]
    found, place = deepest(tilted, normals, np.full(4, math.sqrt(0.5)))
    assert found == pytest.approx(math.sqrt(0.5), abs=2e-4)
    for higher, reaches in ((-1e-3, True), (0.0, False), (1e-3, False)):
        assert (deepest(face + [0.0, 0.0, 1.0 + higher], normals, np.full(4, math.sqrt(0.5)))[0] > 0.0) == reaches


def test_a_heart_is_not_convex_and_a_round_is() -> None:
    assert not is_convex(make_stone(spec_of({"stone.cut": "heart"}).section("stone")).mesh)
    assert is_convex(make_stone(spec_of({"stone.cut": "princess"}).section("stone")).mesh)


def test_a_proof_looks_for_the_edges_that_turn_in_once_in_each_stone() -> None:
    head = make_head(spec_of({"stone.cut": "heart"}))
    edges_turning_in.cache_clear()
    prove(head)
    looked = edges_turning_in.cache_info()
    assert looked.misses == 1 and looked.hits > 1
    # Nobody can change what is kept.
    assert not edges_turning_in(head.placed_stone).flags.writeable


def test_a_heart_parts_in_two_convex_halves() -> None:
    stone = make_stone(spec_of({"stone.cut": "heart", "stone.length_mm": 7.0}).section("stone")).mesh
    parts = halves(stone, stone.vertices[edges_turning_in(stone)])
    assert len(parts) == 2
    low, high = stone.vertices.min(axis=0), stone.vertices.max(axis=0)
    places = np.random.default_rng(3).uniform(low, high, (4000, 3))
    within = [(places @ part.normals.T <= part.offsets).all(axis=1) for part in parts]
    assert (within[0] | within[1]).tolist() == contains(solid_of_triangles(stone.vertices, stone.triangles()[0], "stone"), places).tolist()
    assert not (within[0] & within[1]).any() and min(each.sum() for each in within) > 500
    # Where one half is dented, or the edges that turn in lie in no one plane, there are none.
    assert halves(stone, stone.vertices[edges_turning_in(stone)] + [0.0, 0.3, 0.0]) == ()
    assert halves(stone, np.random.default_rng(3).uniform(low, high, (4, 2, 3))) == ()


def folded_block(fold_mm: float) -> PolyMesh:
    """A block whose top goes down along one diagonal, by so much below its other corners."""
    corners = np.array([(x, y, z) for z in (0.0, 2.0) for x, y in ((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0))])
    corners[[5, 7], 2] += fold_mm
    return PolyMesh.from_faces(corners, [(3, 2, 1, 0), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7), (4, 5, 6),
                                         (4, 6, 7)], "block")


@pytest.mark.parametrize(("share", "folds"), [(0.99, False), (1.01, True)])
def test_a_fold_is_one_from_where_a_facet_rises_above_the_one_beside_it(share: float, folds: bool) -> None:
    """Half of the top, a third of the way up to its corner, stands over the other's plane by two thirds of the fold."""
    assert is_convex(folded_block(1.5 * share * ON_FACET_MM)) != folds


@pytest.mark.parametrize("cut", CUTS)
def test_a_large_stone_is_as_convex_in_triangles_of_single_precision(cut: str) -> None:
    """As a file of STL has it, whose rounding bends flat facets of a stone of 25 mm by up to 7e-5 mm."""
    stone = make_stone({"cut": cut, "length_mm": 25.0}).mesh
    rounded = PolyMesh.from_faces(stone.vertices.astype(np.float32).astype(np.float64), stone.triangles()[0].tolist(), "stone")
    assert is_convex(rounded) == is_convex(stone) == (cut != "heart")


def test_a_stone_with_one_face_that_is_folded_has_no_halves_and_is_measured_all_the_same() -> None:
    """As a scan may be."""
    fold = 0.01
    block = folded_block(fold)
    assert len(edges_turning_in(block)) == 1 and halves_of(block) == ()
    depth, place = deepest_within(np.array([(1.0, 1.0, 1.0), (1.0, 1.0, 0.3)]), block)
    assert depth == pytest.approx(1.0, abs=fold) and place == pytest.approx((1.0, 1.0, 1.0))


def test_what_is_beside_a_heart_belongs_to_it_as_far_out_as_beside_any_stone() -> None:
    """Square to its facets, in its cleft too."""
    stone = make_stone(spec_of({"stone.cut": "heart", "stone.length_mm": 7.0}).section("stone")).mesh
    solid = solid_of_triangles(stone.vertices, stone.triangles()[0], "stone")
    beside, low, high = BesideStone(stone, solid), stone.vertices.min(axis=0), stone.vertices.max(axis=0)
    assert len(halves_of(stone)) == 2
    places = np.random.default_rng(3).uniform(low, high, (2000, 3))
    assert beside(places)[contains(solid, places)].all()
    middles = np.array([stone.vertices[stone.face(i)].mean(axis=0) for i in range(len(stone))])
    for off, belongs in ((-1e-3, True), (BESIDE_MM - 1e-3, True), (BESIDE_MM + 1e-3, False)):
        # Beside the cleft what is farther from one side of it may still be the other's.
        some = (np.abs(middles[:, 1]) > 0.3) | belongs
        far = middles[some] + off * stone.face_normals()[some]
        assert len(far) > 50 and (beside(far) == belongs).all()


def test_metal_in_a_heart_is_found_wherever_it_stands() -> None:
    """In a half, in the cut between both, across it and in the cleft, as what both claim tells."""
    frame, random, found = gauge("set", **{"stone.cut": "heart", "wall.taper_deg": 12.0}), np.random.default_rng(13), []
    points = frame.placed.vertices[edges_turning_in(frame.placed)].reshape(-1, 3)
    low, high = frame.placed.vertices.min(axis=0), frame.placed.vertices.max(axis=0)
    sheet = CUBE * [0.6, 1e-3, 0.3]
    splinters = [random.uniform(low, high) + size * random.uniform(-1.0, 1.0, (4, 3)) for size in np.repeat([0.05, 0.5, 2.0], 40)]
    for corners in (*splinters, *(points.mean(axis=0) + sheet + [x, 0.0, 0.0] for x in np.linspace(-3.0, 3.0, 13))):
        metal = solid_of_triangles(*hull_triangles(corners), "splinter")
        entered = Frame(metal, {}, frame.stone, frame.placed, frame.stone_solid)
        told = _depth_between_lobes(entered, overlap(metal, frame.stone_solid), frame.stone_solid)[0]
        assert depth(entered)[0] == pytest.approx(told, abs=3e-4)
        assert (depth(entered)[0] > SEATED_MM) == (told > SEATED_MM) == is_deeper(entered, SEATED_MM)
        found.append(depth(entered)[0])
    assert 30 < sum(each > SEATED_MM for each in found) < len(found) - 30
    assert depth(frame) == (0.0, pytest.approx(frame.culet))


@pytest.mark.parametrize("thick", [0.3, 2.0])
def test_there_is_no_gap_where_metal_stands_in_the_stone_however_thick_it_is(thick: float) -> None:
    """A block over a level facet, looked at within half a millimetre: in it, on it, above it, and too far."""
    frame, facet, up = gauge("cast"), np.array([[0.1, 0.2, 1.0]]), np.array([[0.0, 0.0, 1.0]])
    for above, gap in ((-0.2, 0.0), (-0.001, 0.0), (0.0, 0.0), (0.001, 0.001), (0.49, 0.49), (0.51, math.inf)):
        corners = CUBE * [1.0, 1.0, thick / 2.0] + [0.0, 0.0, 1.0 + thick / 2.0 + above]
        block = solid_of_triangles(*hull_triangles(corners), "block")
        # In one piece, and in two that overlap and are not joined, of which one begins within the other.
        beside = Frame(block, {}, frame.stone, frame.placed, frame.stone_solid)
        inner = solid_of_triangles(*hull_triangles(corners + [0.0, 0.0, 0.2]), "inner block")
        parts = Frame(block, {"wall": inner, "claw 1": block}, frame.stone, frame.placed, frame.stone_solid, is_joined=False)
        for each in (beside, parts):
            assert gaps(each, facet, up, 0.5) == pytest.approx([gap], abs=3e-5)


def test_parts_that_are_not_joined_are_measured_as_their_union_is() -> None:
    """Twelve heaps of splinters that overlap, against the kernel's union of each; one of them is the first in a mirror."""
    frame, random = gauge("cast"), np.random.default_rng(23)
    way = np.array([[0.0, 1.0, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]])
    copy = Copy("claw 1", way)
    held, depths, middle = 0, [], np.array([0.0, 0.0, frame.girdle_plane_mm])
    for _ in range(12):
        parts = {f"claw {i}": solid_of_triangles(*hull_triangles(middle + random.uniform(-1.0, 1.0, (9, 3)) + random.uniform(-0.4, 0.4, 3)),
                                                 "splinter") for i in range(1, 4)}
        parts["claw 4"] = transformed(parts["claw 1"], way)
        whole = Frame(fuse(list(parts.values()), "heap"), {}, frame.stone, frame.placed, frame.stone_solid)
        apart = Frame(whole.metal, parts, frame.stone, frame.placed, frame.stone_solid, {"claw 4": copy}, is_joined=False)
        assert apart.first_of("claw 4") == "claw 1" and apart.copy_of("claw 4") is copy
        assert len(apart.unlike_triangles[1]) < len(apart.metal_triangles[1])
        # Metal of one part within another counts too, and is as deep as that part reaches alone.
        alone = [depth(Frame(part, {}, frame.stone, frame.placed, frame.stone_solid))[0] for part in parts.values()]
        depths.append((depth(apart)[0], max(alone), depth(whole)[0]))
        points = middle + random.uniform(-2.0, 2.0, (300, 3))
        inside = contains(whole.metal, points)
        assert np.array_equal(apart.metal_holds(points), inside)
        held += int(inside.sum())
        ways, facing = apart.metal_hits(points[~inside], 2.0 * middle - points[~inside])
        exact, normals = whole.metal_hits(points[~inside], 2.0 * middle - points[~inside])
        assert ways == pytest.approx(exact, abs=1e-9)
        assert facing == pytest.approx(normals, abs=1e-6)
        # What begins within comes out of a part, perhaps into another; the union is left no sooner.
        ends = points[inside] + [0.0, 0.0, 5.0]
        (ways, facing), (exact, _) = (each.metal_hits(points[inside], ends) for each in (apart, whole))
        assert (ways <= exact + 1e-9).all() and (facing[:, 2] > 0.0).sum() >= 0.8 * inside.sum()
        heights = middle[2] + np.array([-0.4, 0.1, 0.5])
        for height in heights:
            assert area_mm2(apart.metal_at(height)) == pytest.approx(area_mm2(whole.metal_at(height)), abs=1e-6)
        level = np.repeat(np.arange(3, dtype=np.int32), 100)
        stands = whole.has_metal(heights, points[:, :2], level)
        assert np.array_equal(apart.has_metal(heights, points[:, :2], level), stands)
        off = [each.metal_sides(heights).signed_distances_mm(points[:, :2], level)[0] for each in (apart, whole)]
        assert off[0][~stands] == pytest.approx(off[1][~stands], abs=1e-9)
    assert 100 < held < 1800
    for deep, deepest_part, of_all in depths:
        assert deep == pytest.approx(deepest_part, abs=3e-4) and deep >= of_all - 3e-4


def test_room_beside_a_heart_is_that_of_the_kernel() -> None:
    frame, random, found = gauge("set", **{"stone.cut": "heart", "wall.taper_deg": 12.0}), np.random.default_rng(17), []
    middle, across = frame.placed.vertices.mean(axis=0), np.ptp(frame.placed.vertices, axis=0)
    for size in np.repeat([0.05, 0.6], 60):
        corners = middle + across * random.uniform(-0.8, 0.8, 3) + size * random.uniform(-1.0, 1.0, (5, 3))
        metal = solid_of_triangles(*hull_triangles(corners), "splinter")
        found.append(rail_gap(frame, metal, 0.4))
        assert found[-1] == pytest.approx(gap_mm(metal, frame.stone_solid, 0.4), abs=2e-6)
    assert min(found) == 0.0 and max(found) == 0.4 and sum(0.0 < each < 0.4 for each in found) > 10


@pytest.mark.parametrize("cut_name", ["heart", "round brilliant", "oval cabochon"])
def test_how_far_inside_a_stone_a_place_is_agrees_with_an_outside_judge(cut_name: str) -> None:
    """trimesh finds the nearest place of every triangle of the stone."""
    triangles_module = pytest.importorskip("trimesh.triangles")
    stone = make_stone(spec_of({"stone.cut": cut_name, "stone.length_mm": 7.0}).section("stone")).mesh
    low, high = stone.vertices.min(axis=0), stone.vertices.max(axis=0)
    places = np.random.default_rng(5).uniform(low, high, (400, 3))
    places = places[contains(solid_of_triangles(stone.vertices, stone.triangles()[0], "stone"), places)]
    assert len(places) > 100
    corners = stone.vertices[stone.triangles()[0]]
    judged = [np.linalg.norm(triangles_module.closest_point(corners, np.tile(place, (len(corners), 1))) - place, axis=1).min()
              for place in places]
    depths = np.array([deepest_within(place[None], stone)[0] for place in places])
    assert depths == pytest.approx(np.array(judged), abs=1e-6)
    # The deepest is told without measuring all, wherever it comes among them.
    every = np.arange(len(places))
    for some in (every, every[::-1], np.argsort(judged), every[:17]):
        found, place = deepest_within(places[some], stone)
        assert found == pytest.approx(depths[some].max(), abs=1e-12) and (place == places[some][depths[some].argmax()]).all()
    on_surface = stone.vertices
    assert deepest_within(on_surface, stone)[0] <= SAME_POINT_MM


def test_triangles_not_of_another_are_what_lies_within_it() -> None:
    stone = make_stone(spec_of({"stone.cut": "heart"}).section("stone")).mesh
    solid = solid_of_triangles(stone.vertices, stone.triangles()[0], "stone")
    aside = stone.moved((1.0, 0.3, 0.2))
    metal = solid_of_triangles(aside.vertices, aside.triangles()[0], "metal")
    both = overlap(metal, solid)
    _, every = triangles_of(both)
    for one, other in ((metal, stone), (solid, aside)):
        vertices, triangles = triangles_not_of(both, one)
        own = vertices[triangles].mean(axis=1)
        assert deepest_within(own, other)[0] < 1e-9
        assert 0 < len(triangles) < len(every)
    assert not len(triangles_not_of(solid, solid)[1])
    assert len(triangles_not_of(overlap(moved(metal, (90.0, 0.0, 0.0)), solid), solid)[0]) == 0


def test_common_volume_is_the_stone_less_what_is_free() -> None:
    volume, depth, _ = gauge().common
    assert volume > 0.1 and 0.1 < depth < 0.5
    volume, depth, _ = gauge("set").common
    assert volume == pytest.approx(0.0, abs=1e-5) and depth < 1e-3


def test_sections_of_the_finished_claws_touch_the_girdle() -> None:
    found = gauge("set")
    girdle = found.girdle_plane_mm + found.stone.girdle_mm / 2.0
    for claw in found.claws:
        (loop,) = section(found.parts[claw.name], girdle)
        assert distances_mm(claw.edge[None, :], loop)[0] < 0.01


@pytest.mark.parametrize("cut_name", ["round brilliant", "marquise", "heart", "oval cabochon"])
def test_a_line_up_the_crown_lies_on_it_and_is_as_long_as_its_steps_add_up_to(cut_name: str) -> None:
    measured = subject_of(make_head(spec_of({"stone.cut": cut_name, "stone.length_mm": 6.0}))).gauge
    assert measured.claws
    for claw in measured.claws:
        line, length_mm = measured.crown_line(claw, 2001)
        heights = measured.stone.crown_height_at(line[:, :2]) + measured.girdle_plane_mm
        assert line[:, 2] == pytest.approx(heights, abs=1e-6)
        assert length_mm == pytest.approx(np.linalg.norm(np.diff(line, axis=0), axis=1).sum(), abs=1e-4)
        # Past its end the crown rises no farther.
        beyond = line[-1, :2] - np.linspace(0.0, 0.5, 20)[:, None] * claw.outwards
        assert line[-1, 2] == pytest.approx(np.nanmax(measured.stone.crown_height_at(beyond)) + measured.girdle_plane_mm, abs=1e-5)
        assert (np.diff(line[:, 2]) > -1e-9).all()


@pytest.mark.parametrize("length_mm", [2.0, 6.0, 12.0])
def test_tip_height_and_contact_come_out_as_the_setter_meant(length_mm: float) -> None:
    made = make_head(Spec().with_choices(stone__length_mm=length_mm), "set")
    found = subject_of(made).gauge
    for claw in found.claws:
        share = (found.claw_top_mm(claw) - found.crown_edge_mm) / (found.table_mm - found.crown_edge_mm)
        assert share == pytest.approx(0.7, abs=0.01)
        # The table is an octagon, so that the slope is longer towards its flats than towards its corners.
        assert found.contacts(READ_MM)[claw.name][0] == pytest.approx(made.plan["contact"], abs=0.05)


def test_the_stone_settles_by_the_clearance_its_seat_was_cut_with() -> None:
    assert gauge(seat__cut=True, seat__clearance_mm=0.04).settling_mm == pytest.approx(0.04, abs=READ_MM)
    assert gauge().settling_mm == 0.0


def test_vertices_of_a_solid_come_out_as_they_went_in() -> None:
    found = gauge()
    vertices, _ = triangles_of(found.parts["claw 1"])
    assert found.claw_length_mm(found.claws[0]) == pytest.approx(
        ((vertices - found.claws[0].foot) @ found.claws[0].axis).max())


def test_the_deepest_place_is_that_of_many_tried() -> None:
    stone = make_stone({"cut": "round cabochon", "length_mm": 8.0}).mesh
    normals, offsets = facet_planes(stone)
    random, step = np.random.default_rng(1), np.linspace(0.0, 1.0, 41)
    weights = np.array([(a, b, 1.0 - a - b) for a in step for b in step if a + b <= 1.0])
    for size in (0.1, 1.0, 8.0):
        faces = random.uniform(-3.0, 3.0, (6, 1, 3)) * (1.0, 1.0, 0.4) + (0.0, 0.0, 1.5)
        faces = faces + size * random.normal(size=(6, 3, 3))
        tried = (weights @ faces).reshape(-1, 3)
        most = float((offsets - tried @ normals.T).min(axis=1).max())
        found, place = deepest(faces, normals, offsets)
        # Places are tried a fortieth of a side apart, and no depth changes faster than its place.
        assert most - 2e-4 <= found <= most + 0.025 * float(np.abs(np.diff(faces, axis=1)).sum(axis=2).max())
        assert (offsets - normals @ place).min() == pytest.approx(found, abs=1e-9)



def test_legs_make_a_hollow_section_and_a_folded_needle_does_not() -> None:
    turn = np.arange(36) * math.pi / 18.0
    round_one = np.column_stack([np.cos(turn), np.sin(turn)])
    needle = [round_one[9] - [0.0, 0.01], 0.999 * round_one[8]]
    folded = np.concatenate([round_one[:10], needle, round_one[10:]])
    corner = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 0.5], [0.5, 0.5], [0.5, 2.0], [0.0, 2.0]])
    assert hollow_deg(folded) > 30.0
    assert not _is_hollow(round_one) and not _is_hollow(folded) and _is_hollow(corner)


def test_what_is_read_near_the_pavilion_is_near_it_also_where_it_faces_another_facet() -> None:
    """Under a small trillion the nearest metal on the level may touch the facet of another side."""
    found = subject_of(make_head(spec_of({"stone.cut": "straight trillion", "stone.length_mm": 3.46, "stone.width_mm": 2.6}))).gauge
    vertices, triangles = found.metal_triangles
    near = np.argwhere((found.room_mm >= 0.0) & (found.room_mm < 0.02))
    assert len(near) > 10
    for level, column in near:
        place = np.broadcast_to(found.columns.place(level, column), (len(triangles), 3, 3))
        assert nearest_of_triangles(place, vertices[triangles])[0].min() < 0.005 + 2.0 * found.room_mm[level, column]
