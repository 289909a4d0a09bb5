"""Meshes that are no metal, each found where it is, and what the other checks say then."""
from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from core.errors import Cancelled
from core.head import make_head
from core.mesh import PolyMesh, joined
from core.proof import CHECKS, prove, prove_subject, subject_of
from core.proof.outside import BESIDE_MM, prove_as_found, prove_meshes, solid_of_shells
from core.proof.soundness import check_mesh, shells_of
from core.solid.kernel import volume_mm3
from core.spec import Spec


def ring(across: int = 120, around: int = 48, bore_mm: float = 9.0, thick_mm: float = 1.2) -> tuple[np.ndarray, np.ndarray]:
    """A torus: (n, 3) vertices and (t, 3) triangles that look outwards."""
    u, w = np.meshgrid(np.arange(across) * 2.0 * np.pi / across, np.arange(around) * 2.0 * np.pi / around, indexing="ij")
    out = bore_mm + thick_mm * np.cos(w)
    vertices = np.stack([out * np.cos(u), out * np.sin(u), thick_mm * np.sin(w)], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(across), np.arange(around), indexing="ij")

    def at(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return (a % across) * around + b % around

    first = np.stack([at(i, j), at(i + 1, j), at(i + 1, j + 1)], axis=-1).reshape(-1, 3)
    second = np.stack([at(i, j), at(i + 1, j + 1), at(i, j + 1)], axis=-1).reshape(-1, 3)
    return vertices, np.concatenate([first, second])


def arrays(solid: Manifold) -> tuple[np.ndarray, np.ndarray]:
    mesh = solid.to_mesh64()
    return np.array(mesh.vert_properties[:, :3]), mesh.tri_verts.astype(np.int64)


def faults(vertices: np.ndarray, triangles: np.ndarray) -> dict[str, tuple[float, np.ndarray]]:
    """Measure and place of each fault by code."""
    return {each.code.removeprefix("soundness."): (each.measured, np.asarray(each.place))
            for each in check_mesh(vertices, triangles) if each.verdict == "unsafe"}


def middle(vertices: np.ndarray, triangle: np.ndarray) -> np.ndarray:
    return vertices[triangle].mean(axis=0)


def test_a_closed_ring_is_sound() -> None:
    findings = check_mesh(*ring())
    assert [each.code for each in findings] == [f"soundness.{name}" for name in
                                                ("numbers", "closed", "manifold", "turned", "outwards", "crossing")]
    assert {each.verdict for each in findings} == {"sound"}


def test_a_hole_is_found_at_its_middle_and_the_larger_ring_of_edges_is_counted() -> None:
    vertices, triangles = ring()
    gone = 4711
    found = faults(vertices, np.delete(triangles, gone, axis=0))
    assert set(found) == {"closed"} and found["closed"][0] == 3
    assert found["closed"][1] == pytest.approx(middle(vertices, triangles[gone]), abs=1e-9)


def test_a_fin_within_is_an_edge_of_three_faces() -> None:
    vertices, triangles = ring()
    tip = len(vertices)
    edge = triangles[100][:2]
    fin = np.array([[edge[0], edge[1], tip], [edge[1], edge[0], tip]])
    found = faults(np.vstack([vertices, vertices[edge].mean(axis=0) + [0.0, 0.0, 3.0]]), np.vstack([triangles, fin]))
    assert found["manifold"][0] == 1
    assert found["manifold"][1] == pytest.approx(vertices[edge].mean(axis=0), abs=1e-9)


def test_a_face_that_is_turned_over_is_found() -> None:
    vertices, triangles = ring()
    turned = triangles.copy()
    turned[77] = turned[77][::-1]
    found = faults(vertices, turned)
    assert set(found) == {"turned"} and found["turned"][0] == 3
    assert found["turned"][1] == pytest.approx(middle(vertices, triangles[77]), abs=1e-9)


def test_a_mesh_inside_out_is_said_to_be_so_but_a_hollow_is_not() -> None:
    vertices, triangles = ring()
    assert faults(vertices, triangles[:, ::-1])["outwards"][0] == 1
    hollow = Manifold.cube((4.0, 4.0, 4.0)) - Manifold.cube((1.0, 1.0, 1.0)).translate((1.0, 1.0, 1.0))
    assert faults(*arrays(hollow)) == {}
    outer, inner = arrays(Manifold.cube((4.0, 4.0, 4.0))), arrays(Manifold.cube((1.0, 1.0, 1.0)).translate((6.0, 0.0, 0.0)))
    aside = np.vstack([outer[0], inner[0]]), np.vstack([outer[1], inner[1][:, ::-1] + len(outer[0])])
    found = faults(*aside)
    assert set(found) == {"outwards"} and found["outwards"][1] == pytest.approx([6.5, 0.5, 0.5])


@pytest.mark.parametrize(("across", "around"), [(24, 12), (160, 60)])
def test_a_surface_that_runs_through_itself_is_found_where_it_does(across: int, around: int) -> None:
    """A dent pushed through the far side: few triangles are compared all with all, many in cells."""
    vertices, triangles = ring(across, around)
    near = np.linalg.norm(vertices - [10.2, 0.0, 0.0], axis=1) < 0.7
    assert near.any()
    pushed = vertices - np.where(near, 3.2, 0.0)[:, None] * [1.0, 0.0, 0.0]
    found = faults(pushed, triangles)
    assert set(found) == {"crossing"} and found["crossing"][0] > 0
    # The far side of the ring's bar, through which the dent comes out.
    assert np.linalg.norm(found["crossing"][1] - [7.8, 0.0, 0.0]) < 1.2


def test_a_dent_just_short_of_the_far_side_does_not_cross_it() -> None:
    box = arrays(Manifold.cube((4.0, 4.0, 4.0)) - Manifold.cube((1.0, 1.0, 3.9999)).translate((1.0, 1.0, 0.0)))
    assert faults(*box) == {}
    pushed = box[0].copy()
    pushed[np.abs(pushed[:, 2] - 3.9999) < 1e-9, 2] = 4.0 + 5e-6
    assert set(faults(pushed, box[1])) == {"crossing"}


def test_numbers_that_are_none_are_refused_before_anything_is_measured() -> None:
    vertices, triangles = ring()
    lost = vertices.copy()
    lost[5, 1] = np.nan
    assert set(faults(lost, triangles)) == {"numbers"}
    assert set(faults(vertices, triangles + len(vertices))) == {"numbers"}
    assert set(faults(vertices, triangles[:0])) == {"numbers"}


def test_shells_are_told_apart_however_their_vertices_are_numbered() -> None:
    vertices, triangles = ring()
    order = np.random.default_rng(3).permutation(2 * len(vertices))
    both = order[np.vstack([triangles, triangles + len(vertices)])]
    labels = shells_of(both, len(order))
    assert len(np.unique(labels)) == 2
    assert all(len(np.unique(labels[part])) == 1 for part in (both[:len(triangles)], both[len(triangles):]))


def test_looking_can_be_stopped() -> None:
    shares: list[float] = []
    check_mesh(*ring(), lambda share: shares.append(share) is None)
    assert shares == sorted(shares) and shares[-1] == 1.0
    with pytest.raises(Cancelled):
        check_mesh(*ring(), lambda share: share < 0.3)


# What the proof says of a mesh.


def given(meshes: dict[str, PolyMesh]) -> tuple:
    head = make_head(Spec())
    return prove_meshes(meshes, head.stone, head.placed_stone, head.state, head.alloy, head.process, head.species, head.plan)


def test_a_head_given_as_its_meshes_proves_like_the_one_made() -> None:
    head = make_head(Spec())
    found = {(each.code, each.what): each.verdict for each in given(dict(head.parts))}
    made = {(each.code, each.what): each.verdict for each in prove_subject(subject_of(head))}
    assert made.items() <= found.items()
    assert {verdict for (code, _), verdict in found.items() if code.startswith("soundness.")} == {"sound"}


def told_of_roles(meshes: dict[str, PolyMesh]) -> list[str]:
    return [each.what for each in given(meshes) if each.code == "metal.role" and each.verdict == "watch" and each.measured is None]


def test_a_claw_under_a_name_that_tells_no_role_is_asked_for_it_and_not_passed_over() -> None:
    parts = dict(make_head(Spec()).parts)
    assert told_of_roles(parts) == []
    parts["prong"] = parts.pop("claw 1")
    assert told_of_roles(parts) == ['Part "prong" at the stone']


@pytest.mark.parametrize(("off", "is_told"), [(-1e-6, True), (1e-6, False)])
def test_metal_that_stands_clear_of_the_stone_needs_no_role(off: float, is_told: bool) -> None:
    head = make_head(Spec())
    table_mm = float(head.placed_stone.vertices[:, 2].max())
    # A tetrahedron on its point over the table.
    above = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 1.0], [-1.0, 1.0, 1.0], [-1.0, -1.0, 1.0]]) + [0.0, 0.0, table_mm + BESIDE_MM + off]
    triangles = np.array([[0, 2, 1], [0, 3, 2], [0, 1, 3], [1, 2, 3]])
    assert bool(told_of_roles({**head.parts, "shank": PolyMesh.from_faces(above, triangles, "shank")})) == is_told


def test_a_mesh_without_an_inside_is_reported_first_and_no_other_check_pretends() -> None:
    parts = dict(make_head(Spec()).parts)
    name = list(parts)[-1]
    triangles, _ = parts[name].triangles()
    parts[name] = PolyMesh.from_faces(parts[name].vertices, triangles[:-1], name)
    findings = given(parts)
    assert findings[0].code == "soundness.closed" and findings[0].verdict == "unsafe" and name in findings[0].what
    assert findings[0].place is not None
    unable = [each for each in findings if each.measured is None]
    assert len(unable) == len(CHECKS) and {each.verdict for each in unable} == {"watch"}
    assert all(each.code.startswith("soundness.") for each in findings if each.measured is not None)


def test_a_head_is_proven_as_it_is_found_and_its_meshes_are_looked_at_first() -> None:
    head = make_head(Spec())
    found = prove_as_found(head)
    assert {(each.code, each.what) for each in prove(head)} <= {(each.code, each.what) for each in found}
    wall = head.parts["wall"]
    triangles, _ = wall.triangles()
    torn = make_head(Spec())
    torn.__dict__["parts"] = {**head.parts, "wall": PolyMesh.from_faces(wall.vertices, triangles[1:], "wall")}
    first = prove_as_found(torn)[0]
    assert first.code == "soundness.closed" and "wall" in first.what


def test_shells_of_one_mesh_are_fused_and_hollows_stay_hollow() -> None:
    box = arrays(Manifold.cube((4.0, 4.0, 4.0)))
    beside = arrays(Manifold.cube((4.0, 4.0, 4.0)).translate((3.0, 0.0, 0.0)))
    hollow = arrays(Manifold.cube((1.0, 1.0, 1.0)).translate((1.0, 1.0, 1.0)))
    shells = [PolyMesh.from_faces(box[0], box[1], "metal"), PolyMesh.from_faces(beside[0], beside[1], "metal"),
              PolyMesh.from_faces(hollow[0], hollow[1][:, ::-1], "metal")]
    assert volume_mm3(solid_of_shells(joined(shells), "metal")) == pytest.approx(4.0 * 4.0 * 7.0 - 1.0)
