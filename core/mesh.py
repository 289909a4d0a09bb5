"""Closed polygon meshes as plain arrays: what stones and parts are made of before any solid kernel."""
from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


def cross(a: Floats, b: Floats) -> Floats:
    """(..., 3) vector product of (..., 3) and (..., 3). For few vectors numpy's own takes ten times as long."""
    product: Floats = np.empty(np.broadcast_shapes(a.shape, b.shape))
    (ax, ay, az), (bx, by, bz) = (a[..., 0], a[..., 1], a[..., 2]), (b[..., 0], b[..., 1], b[..., 2])
    product[..., 0] = ay * bz - az * by
    product[..., 1] = az * bx - ax * bz
    product[..., 2] = ax * by - ay * bx
    return product


def ordered(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    """(n,) indices that sort whole numbers (n,), none below 0; equal ones stay as they came. Numbers sort many times as
    fast as indices do, so that each carries its own along where there are bits to spare."""
    bits = len(keys).bit_length()
    if not len(keys) or int(keys.max()).bit_length() + bits > 63:
        return np.argsort(keys, kind="stable")
    order: NDArray[np.int64] = np.sort((keys << bits) | np.arange(len(keys))) & ((1 << bits) - 1)
    return order


def lengths(vectors: Floats) -> Floats:
    """(n,) lengths of vectors (n, 3). Numpy's own norm takes five times as long."""
    lengths: Floats = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
    return lengths


@dataclass(frozen=True, eq=False)
class PolyMesh:
    """Faces with any number of corners, counter-clockwise seen from outside.

    vertices (n, 3) float, mm; corners (c,) int, the faces' vertex indices one face after the other;
    starts (f + 1,) int, where each face begins in `corners`, and its end; tags (f,) int, an index into
    `tag_names` that says what the face is (a facet's kind, or a part's name). Faces are convex, or at
    least star-shaped from their first corner.
    """

    vertices: Floats
    corners: Ints
    starts: Ints
    tags: Ints
    tag_names: tuple[str, ...]

    @classmethod
    def from_faces(cls, vertices: Floats, faces: Iterable[Sequence[int]], tags: Sequence[str] | str) -> PolyMesh:
        """From a list of faces, each a sequence of vertex indices, with one tag each or one for all."""
        faces = [list(face) for face in faces]
        sizes = np.fromiter((len(face) for face in faces), np.int32, len(faces))
        names = [tags] * len(faces) if isinstance(tags, str) else list(tags)
        tag_names = tuple(dict.fromkeys(names))
        order = {name: i for i, name in enumerate(tag_names)}
        return cls(
            np.ascontiguousarray(vertices, np.float64),
            np.concatenate([np.asarray(face, np.int32) for face in faces]) if faces else np.zeros(0, np.int32),
            np.concatenate([[0], np.cumsum(sizes)]).astype(np.int32),
            np.asarray([order[name] for name in names], np.int32),
            tag_names,
        )

    def __len__(self) -> int:
        return len(self.starts) - 1

    @property
    def sizes(self) -> Ints:
        """(f,) int: corners per face."""
        return np.diff(self.starts)

    def face(self, index: int) -> Ints:
        """Vertex indices of one face."""
        return self.corners[self.starts[index]:self.starts[index + 1]]

    def corners_after(self) -> Ints:
        """(c,) int: for each of `corners` the vertex that comes next in its face."""
        following = np.arange(1, len(self.corners) + 1)
        following[self.starts[1:] - 1] = self.starts[:-1]
        return self.corners[following]

    def faces_tagged(self, *names: str) -> Ints:
        """Indices of the faces that carry one of these tags."""
        wanted = [i for i, name in enumerate(self.tag_names) if name in names]
        return np.flatnonzero(np.isin(self.tags, wanted)).astype(np.int32)

    def triangles(self) -> tuple[Ints, Ints]:
        """Fans: (t, 3) int vertex indices and (t,) int, the face each triangle belongs to."""
        sizes = self.sizes
        count = sizes - 2
        owner = np.repeat(np.arange(len(sizes), dtype=np.int32), count)
        first = np.repeat(self.starts[:-1], count)
        step = np.arange(len(owner), dtype=np.int32) - np.repeat(np.cumsum(count) - count, count).astype(np.int32)
        corner = np.column_stack([first, first + step + 1, first + step + 2])
        return self.corners[corner], owner

    def face_normals(self) -> Floats:
        """(f, 3) float: unit normals by Newell's sums, which also serve faces that are not quite planar."""
        return self._face_normals

    def face_normal(self, index: int) -> Floats:
        """(3,) that of one face."""
        corners = self.vertices[self.face(index)]
        total = cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0)
        normal: Floats = total / np.linalg.norm(total)
        return normal

    @cached_property
    def _face_normals(self) -> Floats:
        sums = np.add.reduceat(cross(self.vertices[self.corners], self.vertices[self.corners_after()]), self.starts[:-1], axis=0)
        normals: Floats = sums / np.linalg.norm(sums, axis=1, keepdims=True)
        normals.flags.writeable = False
        return normals

    def volume_mm3(self) -> float:
        """Signed volume by the divergence theorem, mm3; positive when faces look outwards."""
        triangles, _ = self.triangles()
        a, b, c = (self.vertices[triangles[:, i]] for i in range(3))
        return float(np.einsum("ij,ij->", a, cross(b, c)) / 6.0)

    def area_mm2(self) -> float:
        """Total surface, mm2."""
        triangles, _ = self.triangles()
        a, b, c = (self.vertices[triangles[:, i]] for i in range(3))
        return float(np.linalg.norm(cross(b - a, c - a), axis=1).sum() / 2.0)

    def moved(self, offset: Sequence[float]) -> PolyMesh:
        """The same mesh shifted by (3,) mm."""
        return replace(self, vertices=self.vertices + np.asarray(offset, np.float64))

    def is_closed(self) -> bool:
        """Every edge is used once in each direction."""
        a, b = self.corners.astype(np.int64), self.corners_after().astype(np.int64)
        n = len(self.vertices)
        there, back = np.sort(a * n + b), np.sort(b * n + a)
        return bool((there == back).all() and (np.diff(there) > 0).all())


def joined(meshes: Iterable[PolyMesh]) -> PolyMesh:
    """Several closed meshes as separate shells of one."""
    meshes = list(meshes)
    names = tuple(dict.fromkeys(name for mesh in meshes for name in mesh.tag_names))
    vertex_offset = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes])
    corner_offset = np.cumsum([0] + [len(mesh.corners) for mesh in meshes])
    lookup = [np.asarray([names.index(name) for name in mesh.tag_names], np.int32) for mesh in meshes]
    return PolyMesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.corners + vertex_offset[i] for i, mesh in enumerate(meshes)]).astype(np.int32),
        np.concatenate([[0]] + [mesh.starts[1:] + corner_offset[i] for i, mesh in enumerate(meshes)]).astype(np.int32),
        np.concatenate([lookup[i][mesh.tags] for i, mesh in enumerate(meshes)]).astype(np.int32),
        names,
    )
