"""Loops of upright sections, against sections known in closed form and the kernel's own."""
from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import subject_of
from core.proof.loops import area_mm2
from core.solid.kernel import section, transformed, triangles_of
from core.solid.slicer import Loops, upright_loops
from core.spec import spec_of


def areas(loops: Loops) -> np.ndarray:
    (x, y), (way_x, way_y) = loops.starts.T, loops.ways.T
    return np.bincount(loops.of, x * way_y - y * way_x, len(loops.first)) / 2.0


def test_a_hollow_block_shows_its_outside_and_its_hole_whichever_way_it_is_cut() -> None:
    block = Manifold.cube((4.0, 6.0, 2.0), True) - Manifold.cube((1.0, 1.0, 1.0), True)
    loops = upright_loops(*triangles_of(block), np.zeros(2), np.array([0.0, math.pi / 2.0, math.pi / 4.0]))
    each = [sorted(areas(loops)[loops.section[loops.first] == nth]) for nth in range(3)]
    root = math.sqrt(2.0)
    assert each == [pytest.approx([-1.0, 8.0]), pytest.approx([-1.0, 12.0]), pytest.approx([-root, 8.0 * root])]


def test_a_plane_that_misses_shows_nothing() -> None:
    block = Manifold.cube((1.0, 1.0, 1.0), True).translate((5.0, 0.0, 0.0))
    loops = upright_loops(*triangles_of(block), np.zeros(2), np.array([math.pi / 2.0, 0.05]))
    assert areas(loops) == pytest.approx([1.0 / math.cos(0.05)], rel=1e-9) and (loops.section == 1).all()


@pytest.mark.parametrize("style", ["basket", "gallery", "peg"])
def test_loops_of_a_head_are_those_that_the_kernel_cuts(style: str) -> None:
    subject = subject_of(make_head(spec_of({"stone.length_mm": 6.0, "head.style": style})))
    turns = np.array([0.3, 1.1, 2.9, -1.7])
    loops = upright_loops(*triangles_of(subject.metal), np.zeros(2), turns)
    sizes = areas(loops)
    for nth, (cos, sin) in enumerate(zip(np.cos(turns), np.sin(turns))):
        matrix = np.array([[cos, sin, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [sin, -cos, 0.0, 0.0]])
        kernel = [area_mm2([loop]) for loop in section(transformed(subject.metal, matrix), 0.0)]
        own = sizes[loops.section[loops.first] == nth]
        assert sorted(own[np.abs(own) > 1e-6]) == pytest.approx(sorted(kernel), abs=1e-6)
