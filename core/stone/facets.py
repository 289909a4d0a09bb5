"""From facet planes to a closed polygon mesh.

A convex stone is the part that its facet planes leave in common. Each plane is a point of the dual space (its normal
over its distance from an inner point); the hull of those points has one triangle for each corner of the stone, three
planes meeting. Where more planes meet, several triangles stand for the same corner: they are gathered and the corner
is solved from all its planes, so that every facet is flat to rounding.
"""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats, Ints, PolyMesh, cross
from ..solid.kernel import hull_triangles

MEET_MM = 3e-10
"""Planes that pass a corner nearer than this meet in it. Larger: facets would bend by more than PLANAR_MM."""


MANY_PAIRS, TOGETHER = 40_000, 12
"""From how many pairs of points and planes on points are taken so many together. Only the time taken depends on them."""

LEVEL = 1e-9
"""A plane whose normal has less than this along z is upright. Larger: a steep facet would count as girdle."""

MIRROR = "mirror"
"""The tag of the plane y = 0 between the halves of a mirrored stone; it is no facet."""

UP = np.array([[0.0, 0.0, 1.0]])


@dataclass(frozen=True, eq=False)
class Planes:
    """Half-spaces normal · x <= offset: normals (m, 3) of unit length, offsets (m,) mm, tags (m,) into `tag_names`."""

    normals: Floats
    offsets: Floats
    tags: Ints
    tag_names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.offsets)

    def grown(self, clearance_mm: float) -> Planes:
        """Every plane moved outwards."""
        return replace(self, offsets=self.offsets + clearance_mm)

    def heights(self, points: Floats) -> Floats:
        """(n, m) mm: how far (n, 3) points lie outside each plane; negative inside."""
        return points @ self.normals.T - self.offsets


def gathered(groups: Sequence[tuple[str, Floats, Floats]]) -> Planes:
    """One set of planes from (kind, normals (k, 3) of any length, points on them (k, 3))."""
    names = tuple(dict.fromkeys(name for name, _, _ in groups))
    normals = np.concatenate([rows for _, rows, _ in groups])
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    points = np.concatenate([rows for _, _, rows in groups])
    tags = np.concatenate([np.full(len(rows), names.index(name), np.int32) for name, rows, _ in groups])
    return Planes(normals, np.einsum("ij,ij->i", normals, points), tags, names)


def through(a: Floats, b: Floats, c: Floats, inside: Floats) -> Floats:
    """(k, 3) normals of the planes through three rows of points, looking away from `inside` (3,)."""
    normals = cross(b - a, c - a)
    flip = np.einsum("ij,ij->i", normals, inside - a) > 0.0
    normals[flip] *= -1.0
    return normals


def raised(points: Floats, height_mm: float) -> Floats:
    """(n, 2) points at a height, as (n, 3)."""
    return np.column_stack([points, np.full(len(points), height_mm)])


def upright(edge: Floats, is_closed: bool = True) -> tuple[Floats, Floats]:
    """Normals (k, 3) and points (k, 3) of the upright planes along a counter-clockwise polygon, or an open chain."""
    side = np.roll(edge, -1, axis=0) - edge
    normals = np.column_stack([side[:, 1], -side[:, 0], np.zeros(len(side))])
    count = len(edge) if is_closed else len(edge) - 1
    return normals[:count], raised(edge, 0.0)[:count]


def column(planes: Planes, xy: Floats) -> tuple[Floats, Floats]:
    """(n,) highest and lowest z, mm, that all sloping planes leave over (n, 2) points."""
    n = planes.normals
    up, down = n[:, 2] > LEVEL, n[:, 2] < -LEVEL
    return (_lowest(planes.offsets[up] / n[up, 2], n[up, :2] / n[up, 2:], xy),
            -_lowest(-planes.offsets[down] / n[down, 2], -n[down, :2] / n[down, 2:], xy))


def _lowest(heights: Floats, slopes: Floats, xy: Floats) -> Floats:
    """(n,) least of heights (f,) - xy · slopes (f, 2) over (n, 2) points.

    Of many planes only those are tried that can be lowest near a run of points: neighbours in a list mostly lie near each
    other, and a dome has thousands of planes.
    """
    if len(xy) * len(heights) <= MANY_PAIRS:
        least: Floats = (heights - xy @ slopes.T).min(axis=1)
        return least
    least, steep = np.empty(len(xy)), np.hypot(slopes[:, 0], slopes[:, 1])
    for start in range(0, len(xy), TOGETHER):
        run = xy[start:start + TOGETHER]
        middle = (run.min(axis=0) + run.max(axis=0)) / 2.0
        level, change = heights - slopes @ middle, steep * float(np.hypot(*(run - middle).T).max())
        can_be = ~(level - change > (level + change).min())
        least[start:start + TOGETHER] = (heights[can_be] - run @ slopes[can_be].T).min(axis=1)
    return least


def mirrored_polyhedron(planes: Planes, inside: Sequence[float]) -> PolyMesh:
    """The half that the planes leave on the side y >= 0, with its mirror image at y = 0, as one closed mesh.

    The faces on the "mirror" plane fall away. A face that crosses it upright becomes one with its image, and
    starts on it, so that it is star-shaped from its first corner even where the outline has a cleft.
    """
    half = polyhedron(planes, inside)
    on_mirror = np.abs(half.vertices[:, 1]) < MEET_MM
    own = half.vertices.copy()
    own[on_mirror, 1] = 0.0
    image = np.arange(len(own))
    image[~on_mirror] = len(own) + np.arange(int((~on_mirror).sum()))
    vertices = np.concatenate([own, own[~on_mirror] * [1.0, -1.0, 1.0]])
    faces, tags = [], []
    normals = half.face_normals()
    for i in range(len(half)):
        name = half.tag_names[half.tags[i]]
        if name == MIRROR:
            continue
        face = half.face(i)
        following = np.roll(face, -1)
        seam = np.flatnonzero(on_mirror[face] & on_mirror[following])
        if abs(normals[i, 1]) < LEVEL and len(seam):
            face = np.roll(face, -int(seam[0]) - 1)
            faces.append([*face, *image[face[-2:0:-1]]])
            tags.append(name)
        else:
            faces += [list(face), list(image[face[::-1]])]
            tags += [name, name]
    mesh = PolyMesh.from_faces(vertices, faces, tags)
    used = np.unique(mesh.corners)
    renumbered = np.zeros(len(vertices), np.int32)
    renumbered[used] = np.arange(len(used))
    mesh = replace(mesh, vertices=vertices[used], corners=renumbered[mesh.corners])
    if not mesh.is_closed():
        raise GeometryError("stone", "its halves leave it open", "change the proportions")
    return mesh


def polyhedron(planes: Planes, inside: Sequence[float]) -> PolyMesh:
    """The closed convex mesh that the planes leave in common around `inside` (3,) mm.

    Faces come in the order of the planes; a plane that bounds nothing has none. Raises GeometryError if `inside`
    lies on or beyond a plane, or the planes leave an open shape.
    """
    middle = np.asarray(inside, np.float64)
    depths = planes.offsets - planes.normals @ middle
    if not (depths > 0.0).all():
        kind = planes.tag_names[planes.tags[int(np.argmin(depths))]]
        raise GeometryError("stone", f"its {kind} facets pass its middle", "change the proportions")
    triangles = _dual_hull(planes.normals / depths[:, None] * np.median(depths))
    corners, owners, vertices = _corners(planes.normals, depths, triangles)
    mesh = _faces(planes, vertices, corners, owners)
    if not mesh.is_closed():
        raise GeometryError("stone", "its facets leave it open", "change the proportions")
    return replace(mesh, vertices=mesh.vertices + middle)


def _dual_hull(points: Floats) -> Ints:
    """(t, 3) int: the hull's triangles as indices into (m, 3) points."""
    hull, triangles = hull_triangles(points)
    if len(triangles) < 4:
        raise GeometryError("stone", "its facets leave it open", "change the proportions")
    return _rows_in(points, hull)[triangles]


def _rows_in(points: Floats, wanted: Floats) -> Ints:
    """(w,) int: for each of (w, 3) `wanted` its row in (m, 3) `points`; the nearest one, should the kernel have
    rounded it."""
    row = {place: i for i, place in enumerate(map(tuple, points.tolist()))}
    found = np.array([row.get(place, -1) for place in map(tuple, wanted.tolist())], np.int32)
    for i in np.flatnonzero(found < 0):
        found[i] = ((points - wanted[i]) ** 2).sum(axis=1).argmin()
    return found


def _corners(normals: Floats, depths: Floats, triangles: Ints) -> tuple[Ints, Ints, Floats]:
    """Pairs of (corner, plane) as two (k,) arrays, and the corners' places (c, 3) about the inner point."""
    n = normals[triangles]
    d = depths[triangles]
    crossed = np.stack([cross(n[:, 1], n[:, 2]), cross(n[:, 2], n[:, 0]), cross(n[:, 0], n[:, 1])], axis=1)
    volume = np.einsum("ij,ij->i", n[:, 0], crossed[:, 0])
    sharp = np.abs(volume)
    places = np.einsum("ij,ijk->ik", d, crossed) / np.where(sharp > 0.0, volume, 1.0)[:, None]
    label = _meeting(triangles, places, sharp, normals, depths)

    count = int(label.max()) + 1
    best = np.zeros(count, np.int64)
    order = np.argsort(sharp, kind="stable")
    best[label[order]] = order
    pairs = np.unique(label[:, None].astype(np.int64) * len(depths) + triangles)
    corners, owners = pairs // len(depths), pairs % len(depths)
    return corners.astype(np.int32), owners.astype(np.int32), _solved(places[best], normals, depths, corners, owners)


def _meeting(triangles: Ints, places: Floats, sharp: Floats, normals: Floats, depths: Floats) -> Ints:
    """(t,) int: which corner each triangle stands for. Neighbours whose planes all meet in one point share one."""
    count, planes = len(triangles), len(depths)
    start, end = triangles.ravel().astype(np.int64), triangles[:, [1, 2, 0]].ravel().astype(np.int64)
    opposite = triangles[:, [2, 0, 1]].ravel()
    owner = np.repeat(np.arange(count), 3)
    there, back = np.argsort(start * planes + end), np.argsort(end * planes + start)
    twin = np.empty(3 * count, np.int64)
    twin[there] = back
    one, other = owner, owner[twin]
    keep = (one < other)
    one, other, over_one, over_other = one[keep], other[keep], opposite[keep], opposite[twin][keep]
    from_one = sharp[one] >= sharp[other]
    base = np.where(from_one, one, other)
    plane = np.where(from_one, over_other, over_one)
    off = np.abs(np.einsum("ij,ij->i", normals[plane], places[base]) - depths[plane])
    same = off < MEET_MM
    one, other = one[same], other[same]
    label = np.arange(count)
    while True:
        lower = label.copy()
        np.minimum.at(lower, one, label[other])
        np.minimum.at(lower, other, label[one])
        lower = lower[lower]
        if (lower == label).all():
            break
        label = lower
    return np.unique(label, return_inverse=True)[1].reshape(-1).astype(np.int32)


def _solved(places: Floats, normals: Floats, depths: Floats, corners: Ints, owners: Ints) -> Floats:
    """Corners (c, 3) moved to where their planes meet best, by least squares about a first guess."""
    for _ in range(2):
        rows = normals[owners]
        error = depths[owners] - np.einsum("ij,ij->i", rows, places[corners])
        first = np.flatnonzero(np.diff(corners, prepend=-1))
        square = np.add.reduceat(rows[:, :, None] * rows[:, None, :], first, axis=0)
        right = np.add.reduceat(rows * error[:, None], first, axis=0)
        places = places + np.linalg.solve(square, right[:, :, None])[:, :, 0]
    return places


def _faces(planes: Planes, vertices: Floats, corners: Ints, owners: Ints) -> PolyMesh:
    """Each plane's corners put in counter-clockwise order about their middle; planes with fewer than three left out."""
    sizes = np.bincount(owners, minlength=len(planes))
    keep = sizes[owners] >= 3
    corners, owners = corners[keep], owners[keep]
    axis = np.eye(3)[np.abs(planes.normals).argmin(axis=1)]
    along = cross(axis, planes.normals)
    across = cross(planes.normals, along)
    sums = np.stack([np.bincount(owners, vertices[corners, k], len(planes)) for k in range(3)], axis=1)
    spoke = vertices[corners] - (sums / np.maximum(sizes, 1)[:, None])[owners]
    angle = np.arctan2(np.einsum("ij,ij->i", spoke, across[owners]), np.einsum("ij,ij->i", spoke, along[owners]))
    order = np.lexsort([angle, owners])
    bounding = np.flatnonzero(sizes >= 3)
    used, compact = np.unique(corners[order], return_inverse=True)
    starts = np.concatenate([[0], np.cumsum(sizes[bounding])]).astype(np.int32)
    return PolyMesh(vertices[used], compact.reshape(-1).astype(np.int32), starts, planes.tags[bounding],
                    planes.tag_names)
