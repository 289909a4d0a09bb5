"""Loops of level sections of several bodies cut together, against blocks in closed form and the kernel's own."""
from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import subject_of
from core.proof.loops import area_mm2, is_inside
from core.solid.kernel import fuse, section, triangles_of
from core.solid.slicer import Slicer
from core.spec import spec_of


def test_each_body_is_cut_at_its_own_heights_from_its_foot_on_and_below_its_top() -> None:
    low, high = 0.1, 2.3
    block = Manifold.cube((2.0, 3.0, high - low)).translate((0.0, 0.0, low))
    hollow = block - Manifold.cube((1.0, 1.0, 9.0)).translate((0.5, 0.5, -1.0))
    surfaces = [triangles_of(each) for each in (block, block, hollow)]
    shifts, firsts = (np.cumsum([0, *(len(surface[i]) for surface in surfaces)]) for i in (0, 1))
    slicer = Slicer(np.concatenate([vertices for vertices, _ in surfaces]),
                    np.concatenate([triangles + shift for (_, triangles), shift in zip(surfaces, shifts)]).astype(np.int32))
    # A rounding to either side of foot and top: cuts there meet the block as a whole or not at all.
    foot, top = surfaces[0][0][:, 2].min(), surfaces[0][0][:, 2].max()
    about = np.array([top, np.nextafter(foot, -1.0), 1.0, foot, np.nextafter(top, 0.0)])
    with np.errstate(all="raise"):
        loops = slicer.loops_of_each(firsts.tolist(), [np.zeros(0), about, np.array([1.7, 0.4])])
        counts = slicer.sides_of_each(firsts.tolist(), [about, np.zeros(0), np.array([1.7])])[2]
    areas = [sorted(area_mm2([loop]) for loop in each) for each in loops]
    assert areas[:5] == [[], [], [pytest.approx(6.0)], [pytest.approx(6.0)], [pytest.approx(6.0)]]
    assert areas[5:] == [[pytest.approx(-1.0), pytest.approx(6.0)]] * 2
    assert (counts > 0).tolist() == [False, False, True, True, True, True]


@pytest.mark.parametrize("style", ["tapered claw", "coronet", "gallery"])
def test_loops_of_walls_and_claws_are_those_that_the_kernel_cuts_corner_for_corner(style: str) -> None:
    gauge = subject_of(make_head(spec_of({"stone.length_mm": 6.0, "head.style": style}))).gauge
    for name in ("wall", "claw 1"):
        vertices, triangles = gauge.part_triangles(name)
        low, high = float(vertices[:, 2].min()), float(vertices[:, 2].max())
        heights = low + (high - low) * np.array([0.93, 0.003, 0.31, 0.57, 0.71])
        for height, loops in zip(heights.tolist(), Slicer(vertices, triangles).loops_of_each([0, len(triangles)], [heights])):
            expected = section(gauge.parts[name], height)
            assert sorted(map(len, loops)) == sorted(map(len, expected)) and len(loops) > 0
            for other in expected:
                loop = min(loops, key=lambda each: float(np.linalg.norm(each - other[0], axis=1).min()))
                begin = int(np.linalg.norm(loop - other[0], axis=1).argmin())
                assert np.roll(loop, -begin, axis=0) == pytest.approx(other, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_metal_that_touches_itself_along_edges_is_cut_as_the_kernel_cuts_it(seed: int) -> None:
    """Half of the cubes of a grid, of which many share only an edge: as the kernel has them, whose edges have two faces each, and
    with equal points made one and the triangles in any order, where edges have four."""
    random = np.random.default_rng(seed)
    places = np.argwhere(random.random((4, 4, 4)) < 0.5).astype(float)
    metal = fuse([Manifold.cube((1.0, 1.0, 1.0)).translate(place.tolist()) for place in places], "metal")
    vertices, triangles = triangles_of(metal)
    points, same = np.unique(np.round(vertices, 9), axis=0, return_inverse=True)
    welded = random.permutation(same.reshape(-1)[triangles]).astype(np.int32)
    assert uses_of_edges(triangles) == {2} and uses_of_edges(welded) == {2, 4}
    heights = np.array([0.5, 1.3, 2.2, 3.7])
    middles = np.stack(np.meshgrid(np.arange(4.0), np.arange(4.0)), axis=-1).reshape(-1, 2) + 0.5
    for surface in ((vertices, triangles), (points, welded)):
        for height, loops in zip(heights.tolist(), Slicer(*surface).loops_of_each([0, len(triangles)], [heights])):
            assert area_mm2(loops) == pytest.approx(area_mm2(section(metal, height)))
            stands = is_inside(loops, middles).tolist()
            assert stands == [[x - 0.5, y - 0.5, int(height)] in places.tolist() for x, y in middles.tolist()]


def uses_of_edges(triangles: np.ndarray) -> set[int]:
    edges = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1).reshape(-1, 2), axis=1)
    return set(np.unique(edges, axis=0, return_counts=True)[1].tolist())
