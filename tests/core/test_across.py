"""Where level lines across a solid meet its surface, against a block in closed form and the kernel's own sections."""
from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import subject_of
from core.proof.loops import crossing_pairs, edges_of
from core.solid.kernel import section, triangles_of
from core.solid.slicer import Across
from core.spec import spec_of


def test_a_turned_block_is_met_where_its_faces_are_and_as_squarely_as_they_stand() -> None:
    block = Manifold.cube((2.0, 6.0, 4.0), True).rotate((0.0, 0.0, 30.0))
    lines = Across(*triangles_of(block), np.array([[-5.0, 0.1], [-5.0, 9.0]]), np.array([[1.0, 0.0], [1.0, 0.0]]))
    heights = np.array([-2.1, -1.9, 0.3, 2.1])
    level, line, ways, met = lines.at(heights)
    order = np.lexsort((ways, level))
    # Upright faces at 1 mm from the middle, turned by 30 degrees; the other line passes by, and two heights lie beyond.
    far = 5.0 - 0.1 * math.tan(math.radians(30.0)) + np.array([-1.0, 1.0]) / math.cos(math.radians(30.0))
    assert level[order].tolist() == [1, 1, 2, 2] and (line == 0).all()
    assert ways[order] == pytest.approx([*far, *far]) and lines.along(met) == pytest.approx(0.5)


@pytest.mark.parametrize("style", ["tapered claw", "coronet", "gallery"])
def test_lines_in_from_the_girdle_meet_a_wall_where_they_cross_the_kernels_sections(style: str) -> None:
    gauge = subject_of(make_head(spec_of({"stone.length_mm": 6.0, "head.style": style}))).gauge
    points, normals = gauge.stations
    # Past corners of the wall, through which a line meets both sides.
    points = points + 1e-3 * normals[:, ::-1] * [1.0, -1.0]
    low, high = gauge.base_mm, gauge.wall_top_mm
    heights = low + (high - low) * np.array([0.003, 0.31, 0.57, 0.83, 0.99])
    lines = Across(*gauge.part_triangles("wall"), points, -normals)
    level, line, ways, met = lines.at(heights)
    along = lines.along(met)
    for nth, height in enumerate(heights.tolist()):
        loops = section(gauge.parts["wall"], height)
        i, j, expected = crossing_pairs(loops, points, -normals)
        own = np.flatnonzero(level == nth)
        own, order = own[np.lexsort((ways[own], line[own]))], np.lexsort((expected, i))
        assert line[own].tolist() == i[order].tolist() and ways[own] == pytest.approx(expected[order], abs=1e-6)
        sides = edges_of(loops)[1][j[order]]
        cosines = np.abs(np.einsum("ij,ij->i", sides, normals[i[order]])) / np.hypot(*sides.T)
        assert along[own] == pytest.approx(cosines, abs=1e-4)
