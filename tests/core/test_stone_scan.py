"""A mesh as a stone: read, checked, turned the right way up and measured; a broken one refused with count and place."""
from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import trimesh

from core.errors import FileFault, GeometryError, SpecError
from core.stone import CUTS, Stone, cache_info, make_stone
from core.stone.cuts import BY_NAME
from core.stone.meshfile import read_triangles
from core.stone.scan import scanned_stone

FACETED = [name for name in CUTS if BY_NAME[name].flat_depth is None]


def turned(points: np.ndarray) -> np.ndarray:
    """Somewhere else, some other way up."""
    q = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    return points @ (q * np.sign(np.linalg.det(q))).T + [11.0, -2.0, 3.0]


def arrays(stone: Stone) -> tuple[np.ndarray, np.ndarray]:
    return turned(stone.mesh.vertices), stone.mesh.triangles()[0]


@pytest.mark.parametrize("cut", CUTS)
def test_a_scan_of_a_cut_measures_like_the_cut(cut: str) -> None:
    stone = make_stone({"cut": cut, "width_mm": 6.0})
    scan = scanned_stone(*arrays(stone))
    assert [scan.length_mm, scan.width_mm, scan.depth_mm] == pytest.approx([stone.length_mm, stone.width_mm,
                                                                            stone.depth_mm], abs=4e-3)
    assert scan.volume_mm3 == pytest.approx(stone.volume_mm3, rel=1e-9)
    assert scan.outline.area_mm2 == pytest.approx(stone.outline.area_mm2, rel=1.5e-3)
    assert scan.pavilion_depth_mm == pytest.approx(stone.pavilion_depth_mm, abs=1e-3)
    assert len(scan.outline.corners) == len(stone.outline.corners)
    if cut in FACETED:
        assert scan.girdle_mm == pytest.approx(stone.girdle_mm, abs=1e-3)
        assert scan.crown_height_mm == pytest.approx(stone.crown_height_mm, abs=1e-3)
        assert scan.pavilion_inset_mm(0.6) == pytest.approx(stone.pavilion_inset_mm(0.6), abs=0.02)
    else:
        assert scan.table_width_mm == 0.0
    if cut in ("oval", "princess", "emerald", "marquise"):
        spots = np.array([[0.3, 0.2], [2.0, 1.1], [-1.0, 2.0]])
        assert scan.crown_height_at(spots) == pytest.approx(stone.crown_height_at(spots), abs=1e-3)
        assert scan.table_width_mm == pytest.approx(stone.table_width_mm, abs=1e-3)
    assert np.isnan(scan.crown_height_at(np.array([[50.0, 0.0]]))).all()
    grown = scan.grown(0.03)
    assert grown.is_closed()
    assert grown.volume_mm3() == pytest.approx(stone.grown(0.03).volume_mm3(), rel=1e-3)


def test_a_large_mesh_is_measured_once_per_file(tmp_path: Path) -> None:
    stone = make_stone({"cut": "pear", "width_mm": 6.0, "length_mm": 9.0})
    vertices, faces = trimesh.remesh.subdivide_to_size(*arrays(stone), 0.12, max_iter=20)
    path = tmp_path / "pear.stl"
    trimesh.Trimesh(vertices, faces).export(path)
    scan = make_stone({"mesh": str(path)})
    assert len(scan.mesh) > 50_000
    assert [scan.length_mm, scan.width_mm, scan.table_width_mm] == pytest.approx([9.0, 6.0, stone.table_width_mm],
                                                                                 abs=0.01)
    misses = cache_info().misses
    assert make_stone({"mesh": str(path)}) is scan
    assert cache_info().misses == misses
    os.utime(path, ns=(1, 1))
    assert make_stone({"mesh": str(path)}) is not scan


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "obj"])
def test_readers_agree_with_an_outside_writer(tmp_path: Path, kind: str) -> None:
    stone = make_stone({"cut": "emerald", "width_mm": 6.0})
    mesh = trimesh.Trimesh(*arrays(stone), process=False)
    path = tmp_path / f"stone.{kind[:3]}"
    mesh.export(path, file_type=kind)
    vertices, triangles = read_triangles(path)
    assert len(vertices) == len(stone.mesh.vertices) and len(triangles) == len(mesh.faces)
    assert scanned_stone(vertices, triangles).volume_mm3 == pytest.approx(stone.volume_mm3, rel=1e-5)


def test_faces_that_look_inwards_altogether_are_turned() -> None:
    stone = make_stone({"cut": "princess", "width_mm": 6.0})
    vertices, triangles = arrays(stone)
    assert scanned_stone(vertices, triangles[:, ::-1]).volume_mm3 == pytest.approx(stone.volume_mm3)


def test_an_open_mesh_is_refused_with_count_and_place() -> None:
    vertices, triangles = arrays(make_stone({"cut": "princess", "width_mm": 6.0}))
    gone = vertices[triangles[7]]
    with pytest.raises(GeometryError, match="open or turned over at 3 edges, the first near") as caught:
        scanned_stone(vertices, np.delete(triangles, 7, axis=0))
    place = np.array([float(word) for word in str(caught.value).partition("(")[2].partition(")")[0].split(",")])
    assert np.linalg.norm(gone - place, axis=1).min() < np.ptp(gone, axis=0).max()


def test_two_bodies_are_refused() -> None:
    vertices, triangles = arrays(make_stone({"cut": "princess", "width_mm": 6.0}))
    with pytest.raises(GeometryError, match="has 2 bodies"):
        scanned_stone(np.vstack([vertices, vertices + 20]), np.vstack([triangles, triangles + len(vertices)]))


def test_a_surface_that_crosses_itself_is_refused() -> None:
    stone = make_stone({"cut": "round cabochon", "width_mm": 6.0})
    vertices = stone.mesh.vertices.copy()
    triangles = stone.mesh.triangles()[0]
    top = int(vertices[:, 2].argmax())
    vertices[top] = [0.0, 0.0, -1.0]
    with pytest.raises(GeometryError, match="crosses itself at [0-9]+ faces, the first near"):
        scanned_stone(vertices, triangles)


def test_a_dent_that_only_folds_is_allowed() -> None:
    """A few triangles that face back, as on a noisy scan, without any that cross."""
    stone = make_stone({"cut": "round cabochon", "width_mm": 6.0})
    vertices = stone.mesh.vertices.copy()
    rim = np.flatnonzero((vertices[:, 2] > 1.0) & (vertices[:, 2] < 2.4))
    one = int(rim[0])
    triangles = stone.mesh.triangles()[0]
    neighbours = np.setdiff1d(triangles[(triangles == one).any(axis=1)], [one])
    middle = np.array([0.0, 0.0, 1.0])
    spoke = vertices[one] - middle
    side = vertices[neighbours[0]] - vertices[one]
    vertices[one] = middle + 1.06 * spoke + 1.2 * side
    measured = scanned_stone(vertices, triangles)
    assert measured.volume_mm3 == pytest.approx(stone.volume_mm3, rel=5e-3)


def test_more_than_two_faces_at_an_edge_are_refused() -> None:
    stone = make_stone({"cut": "princess", "width_mm": 6.0})
    vertices, triangles = arrays(stone)
    a, b, c = triangles[0]
    far = len(vertices)
    fin = [[a, b, far], [b, a, far], [b, a, far], [a, b, far]]
    with pytest.raises(GeometryError, match="edges, the first near"):
        scanned_stone(np.vstack([vertices, vertices[[c]] * 1.2]), np.vstack([triangles, fin]))


@pytest.mark.parametrize("name, content, problem", [
    ("a.stl", b"", "neither its length"), ("a.stl", b"solid x\nendsolid x\n", "no triangles"),
    ("a.stl", b"solid x\nvertex 0 0 nan\nvertex 1 0 0\nvertex 0 1 0\n", "not numbers"),
    ("a.stl", b"solid x\nvertex 0 0 zero\nvertex 1 0 0\nvertex 0 1 0\n", "not a sound STL"),
    ("a.stl", b"solid x\nvertex 0 0 0\nvertex 1 0 0\n", "lacks a corner"),
    ("a.obj", b"v 0 0 0\nv 1 0 0\nf 1 2 3\n", "a point that is not there"), ("a.obj", b"\xff\xfe", "not a sound OBJ"),
    ("a.obj", b"v 0 0 0\nv 1 0\nv 0 1 0\nf 1 2 3\n", "a point lacks a coordinate"),
    ("a.obj", b"v 0 0 0\nv 1e4 0 0\nv 0 -10000.1 0\nf 1 2 3\n", "10000.1 mm from the origin"),
    ("a.obj", b"v 0 0 0\nv 1e308 0 0\nv 0 1e308 0\nf 1 2 3\n", "1e\\+308 mm from the origin"),
    ("a.ply", b"ply", "only .stl and .obj"),
])
def test_files_that_hold_no_mesh_are_refused(tmp_path: Path, name: str, content: bytes, problem: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(FileFault, match=problem):
        make_stone({"mesh": str(path)})
    path.unlink()
    with pytest.raises(FileFault, match="cannot be read"):
        make_stone({"mesh": str(path)})


def test_a_mesh_leaves_no_room_for_measures(tmp_path: Path) -> None:
    path = tmp_path / "stone.stl"
    trimesh.Trimesh(*arrays(make_stone({"cut": "oval", "width_mm": 6.0}))).export(path)
    with pytest.raises(SpecError, match="stone.width_mm = 6 is refused: stone.mesh already gives"):
        make_stone({"mesh": str(path), "width_mm": 6.0})
    assert make_stone({"mesh": str(path), "species": "diamond", "cut": "oval"}).length_mm == pytest.approx(8.4,
                                                                                                           abs=1e-3)


def test_a_scan_can_be_turned_over_and_back() -> None:
    vertices, triangles = arrays(make_stone({"cut": "oval", "length_mm": 8.0}))
    right = scanned_stone(vertices, triangles)
    over = scanned_stone(vertices, triangles, correction_deg=(180.0, 0.0, 0.0))
    assert over.pavilion_depth_mm == pytest.approx(right.crown_height_mm, abs=1e-9)
    assert over.crown_height_mm == pytest.approx(right.pavilion_depth_mm, abs=1e-9)
    assert over.volume_mm3 == pytest.approx(right.volume_mm3, rel=1e-12)


def test_a_scan_can_be_turned_about_its_height() -> None:
    vertices, triangles = arrays(make_stone({"cut": "oval", "length_mm": 8.0, "width_mm": 6.0}))
    across = scanned_stone(vertices, triangles, correction_deg=(0.0, 0.0, 90.0))
    assert np.ptp(across.mesh.vertices, axis=0)[:2] == pytest.approx([6.0, 8.0], abs=1e-6)
    assert across.outline.place(90.0).point == pytest.approx([0.0, 4.0], abs=0.01)


def test_a_tilted_scan_loses_its_table() -> None:
    vertices, triangles = arrays(make_stone({"length_mm": 6.0}))
    assert scanned_stone(vertices, triangles).table_width_mm > 3.0
    assert scanned_stone(vertices, triangles, correction_deg=(0.0, 5.0, 0.0)).table_width_mm == 0.0


def test_only_a_mesh_has_an_orientation_to_correct() -> None:
    with pytest.raises(SpecError, match="stone.mesh_turn_deg"):
        make_stone({"length_mm": 6.0, "mesh_turn_deg": 10.0})


@pytest.mark.parametrize("size_mm", [3e30, 101.0, 0.4, 3e-30])
def test_a_mesh_of_no_stone_s_size_is_refused(size_mm: float) -> None:
    vertices, triangles = arrays(make_stone({"length_mm": 6.0}))
    with pytest.raises(GeometryError, match="millimetres"):
        scanned_stone(vertices * (size_mm / 6.0), triangles)


def test_what_is_no_file_or_names_no_point_is_refused(tmp_path: Path) -> None:
    (tmp_path / "folder.stl").mkdir()
    (tmp_path / "far.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 99999999999999999999999\n")
    for name in ("folder.stl", "far.obj"):
        with pytest.raises(FileFault):
            read_triangles(tmp_path / name)
    with pytest.raises(FileFault, match="only .stl and .obj"):
        read_triangles("/dev/zero")
