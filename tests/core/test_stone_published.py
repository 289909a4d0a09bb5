"""Two published gem designs rebuilt from nothing but their angles, as outside checks of the facet solver."""
from __future__ import annotations

import math

import numpy as np
import pytest

from core.mesh import PolyMesh
from core.stone.facets import Planes, polyhedron

Plane = tuple[np.ndarray, float]


def facet(index: float, angle_deg: float, through: np.ndarray, up: bool) -> Plane:
    """A facet at a 96-tooth index, sloping by an angle from the girdle plane (90: upright), through a point."""
    azimuth, slope = math.radians(index * 360 / 96), math.radians(angle_deg)
    normal = np.array([math.sin(slope) * math.cos(azimuth), math.sin(slope) * math.sin(azimuth),
                       math.cos(slope) * (1 if up else -1)])
    return normal, float(normal @ through)


def meet(*planes: Plane) -> np.ndarray:
    return np.linalg.solve(np.array([n for n, _ in planes]), np.array([d for _, d in planes]))


def solid(planes: list[Plane]) -> PolyMesh:
    normals = np.array([n for n, _ in planes])
    every = Planes(normals, np.array([d for _, d in planes]), np.zeros(len(planes), np.int32), ("facet",))
    mesh = polyhedron(every, (0.0, 0.0, 0.005))
    assert len(mesh) == len(planes), "every facet of the design is there"
    assert ((np.abs(every.heights(mesh.vertices)) < 1e-9).sum(axis=1) >= 3).all(), "facets meet in every corner"
    return mesh


def all_round(indices: list[int], angle_deg: float, point: np.ndarray, up: bool) -> list[Plane]:
    """The same facet at several indices; `point` lies on the first one."""
    radius = np.hypot(point[0], point[1])
    off = math.atan2(point[1], point[0]) - math.radians(indices[0] * 360 / 96)
    planes = []
    for index in indices:
        azimuth = math.radians(index * 360 / 96) + off
        planes.append(facet(index, angle_deg,
                            np.array([radius * math.cos(azimuth), radius * math.sin(azimuth), point[2]]), up))
    return planes


def test_srb_with_highlight_breaks() -> None:
    """B. Keller, rockhounds.com, srb14: published T/W 0.508, P/W 0.450, C/W 0.154, H/W 0.624, Vol/W^3 0.205, 73 + 24
    facets."""
    girdle = 0.624 - 0.450 - 0.154
    corner, flat = 0.5, 0.5 * math.cos(math.radians(7.5))
    on = {index: np.array([flat * math.cos(math.radians(index * 3.75)), flat * math.sin(math.radians(index * 3.75)),
                           0.0]) for index in (2, 6)}
    rise = np.array([0.0, 0.0, girdle])
    mains, breaks, lights = list(range(0, 96, 12)), [i + s for i in range(0, 96, 12)
                                                     for s in (2, 10)], list(range(6, 96, 12))
    breaks_left, breaks_right = breaks[::2], [(i - 4) % 96 for i in breaks[::2]]
    vertex = np.array([corner, 0.0, 0.0])
    planes = all_round(list(range(2, 96, 4)), 90.0, on[2], True)
    for up, angles, height in ((False, (42.0, 43.0, 43.53), 0 * rise), (True, (32.0, 34.5, 36.22), rise)):
        planes += all_round(mains, angles[0], vertex + height, up)
        planes += all_round(breaks_left, angles[1], on[2] + height, up)
        planes += all_round(breaks_right, angles[1], on[2] * [1, -1, 1] + height, up)
        planes += all_round(lights, angles[2], on[6] + height, up)
    main, light = facet(0, 32.0, vertex + rise, True), facet(6, 36.22, on[6] + rise, True)
    star_tip = meet(main, facet(12, 32.0, corner * np.array([math.cos(math.pi / 4), math.sin(math.pi / 4), 0]) + rise,
                                True), light)
    stars = all_round(lights, 18.0, star_tip, True)
    table_corner = meet(main, stars[0], stars[-1])
    planes += stars + [(np.array([0.0, 0.0, 1.0]), float(table_corner[2]))]
    mesh = solid(planes)
    assert len(mesh) == 73 + 24
    low, high = mesh.vertices[:, 2].min(), mesh.vertices[:, 2].max()
    assert 2 * np.hypot(*table_corner[:2]) == pytest.approx(0.508, abs=0.002)
    assert -low == pytest.approx(0.450, abs=0.002)
    assert high - girdle == pytest.approx(0.154, abs=0.002)
    assert high - low == pytest.approx(0.624, abs=0.002)
    assert mesh.volume_mm3() == pytest.approx(0.205, rel=0.015)


def both(index: int, angle_deg: float, point: np.ndarray, up: bool) -> list[Plane]:
    """A facet and its image across the stone."""
    return [facet(index, angle_deg, point, up), facet(index + 48, angle_deg, point * [-1, -1, 1], up)]


def four(angle_deg: float, point: np.ndarray, up: bool) -> list[Plane]:
    return both(12, angle_deg, point, up) + both(36, angle_deg, point * [-1, 1, 1], up)


def test_gram_easy_emerald() -> None:
    """J. R. Graham 1999, rockhounds.com: published P/W 0.622, C/W 0.253, table length/W 1.020, T/L 0.680, H/W 0.894.

    The published volume (0.824 W^3) does not follow from the published angles; 0.786 does. Here +X is index 0's
    quarter turn away from the published one: sides at 24-72, ends at 96-48.
    """
    girdle = 0.894 - 0.622 - 0.253
    side, end = np.array([0.0, 0.5, 0.0]), np.array([0.75, 0.0, 0.0])
    p3, p4 = facet(24, 72.0, side, False), facet(0, 72.0, end, False)
    slant = math.radians(72.0)
    p5_on = np.array([0.0, 0.5 - 0.227 * math.cos(slant), -0.227 * math.sin(slant)])
    p5 = facet(24, 46.0, p5_on, False)
    corner = meet(p3, p4, p5)
    leg = 1.25 - corner[0] - corner[1]
    assert leg == pytest.approx(0.1403, abs=1e-4)
    corner_low = np.array([0.75, 0.5 - leg, 0.0])
    p7 = facet(12, 72.0, corner_low, False)
    p8_on = meet(p3, p5, p7)
    p8 = facet(12, 58.5, p8_on, False)
    p9_on = meet(p4, p7, p8)
    p9 = facet(0, 68.0, p9_on, False)
    p10_on = meet(p5, p8, p9)
    p10 = facet(24, 41.0, p10_on, False)
    p11_on = meet(p8, p9, p10)
    planes = both(24, 90, side, True) + both(0, 90, end, True) + four(90, corner_low, True)
    planes += both(24, 72.0, side, False) + both(0, 72.0, end, False) + both(24, 46.0, p5_on,
                                                                             False) + four(72.0, corner_low, False)
    planes += four(58.5, p8_on, False) + both(0, 68.0, p9_on, False) + both(24, 41.0, p10_on,
                                                                            False) + both(0, 64.0, p11_on, False)
    rise = np.array([0.0, 0.0, girdle])
    steep = math.radians(52.0)
    inset, up = 0.145 * math.cos(steep), np.array([0.0, 0.0, 0.145 * math.sin(steep)]) + rise
    planes += both(24, 52.0, side + rise, True) + both(0, 52.0, end + rise, True) + four(52.0, corner_low + rise, True)
    diagonal = np.array([1.0, 1.0, 0.0]) / math.sqrt(2)
    c4, c5 = facet(24, 42.0, side - [0, inset, 0] + up, True), facet(0, 42.0, end - [inset, 0, 0] + up, True)
    c6_on = corner_low - inset * diagonal + up
    table_corner = meet(c4, c5, facet(12, 42.0, c6_on, True))
    planes += both(24, 42.0, side - [0, inset, 0] + up, True) + both(0, 42.0, end - [inset, 0, 0] + up,
                                                                     True) + four(42.0, c6_on, True)
    planes.append((np.array([0.0, 0.0, 1.0]), float(table_corner[2])))
    mesh = solid(planes)
    assert len(mesh) == 37 + 8
    low, high = mesh.vertices[:, 2].min(), mesh.vertices[:, 2].max()
    assert -low == pytest.approx(0.622, rel=0.015)
    assert -low == pytest.approx(0.6212, abs=2e-4)
    assert high - girdle == pytest.approx(0.253, rel=0.015)
    assert high - girdle == pytest.approx(0.2495, abs=2e-4)
    assert 2 * table_corner[0] == pytest.approx(1.020, rel=0.015)
    assert 2 * table_corner[0] / 1.5 == pytest.approx(0.680, rel=0.015)
    assert 2 * table_corner[1] == pytest.approx(0.521, abs=1e-3)
    assert mesh.volume_mm3() == pytest.approx(0.786, abs=0.002)
