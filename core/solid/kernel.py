"""Solids by manifold3d: every result is checked and names the part that failed.

Seen with manifold3d 3.5.4: a bad part raises nothing, it carries a status and silently empties every
union it enters; a mesh turned inside out reports NoError with a negative volume. So nothing leaves this
module without `checked`.
"""
from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TypeAlias

import numpy as np
from manifold3d import CrossSection, Error, Manifold, Mesh64, OpType, triangulate
from numpy.typing import NDArray

from ..errors import GeometryError
from ..mesh import Floats, Ints, PolyMesh, ordered
from ..tolerance import WELD_MM

Solid: TypeAlias = Manifold
"""An immutable solid, mm."""

WHOLE_MM2, PIECE_MM, RUN_ON = 1.3, 0.4, 1e-6
"""How large the largest side of the box round a ray may be, how wide the boxes round the pieces of others, and by which share
a piece runs on. Only the time taken depends on the first two; a larger share changes nothing but rounding."""

NOTHING_MM3 = 1e-9
"""Bodies that hold less are none. Larger: crumbs of metal pass unseen."""


def checked(solid: Solid, part: str) -> Solid:
    """The same solid, if it is sound and holds metal. Raises GeometryError naming `part` if not."""
    status = solid.status()
    if status != Error.NoError:
        raise GeometryError(part, f"the solid kernel reports {status.name}",
                            "it is open, crosses itself or has parts without thickness; change its dimensions")
    if solid.volume() <= 0.0:
        raise GeometryError(part, f"its volume is {solid.volume():.6g} mm³", "a part must hold some metal; make it larger")
    return solid


def solid_of(mesh: PolyMesh, part: str) -> Solid:
    """A solid from a closed mesh. Raises GeometryError if it is open, inside out or empty."""
    triangles, _ = mesh.triangles()
    return solid_of_triangles(mesh.vertices, triangles, part)


def solid_of_triangles(vertices: Floats, triangles: Ints, part: str) -> Solid:
    """A solid from (n, 3) float mm and (t, 3) int. Raises GeometryError as `solid_of` does."""
    return checked(Manifold(Mesh64(np.ascontiguousarray(vertices, np.float64),
                                   np.ascontiguousarray(triangles, np.uint64))), part)


def triangles_of(solid: Solid) -> tuple[Floats, Ints]:
    """(n, 3) float mm and (t, 3) int of a solid, in double precision."""
    mesh = solid.to_mesh64()
    # A copy: the kernel's own array is read-only, and it takes no read-only array back.
    return np.array(mesh.vert_properties[:, :3], np.float64, order="C"), mesh.tri_verts.astype(np.int32)


def with_vertices(solid: Solid, vertices: Floats, part: str) -> Solid:
    """The same triangles between vertices (n, 3) elsewhere, in the order in which `triangles_of` has them. Less than half
    the work of a solid made anew. Raises GeometryError if it is inside out or empty."""
    return checked(solid.warp_batch(lambda _: vertices), part)


def triangles_not_of(solid: Solid, other: Solid) -> tuple[Floats, Ints]:
    """(n, 3) float mm and (t, 3) int of a solid that was made of others, without the triangles that lie on what was `other`'s surface. `other` must
    not have been moved since it went into any of them."""
    mesh, own = solid.to_mesh64(), other.to_mesh64().run_original_id
    ends = np.asarray(mesh.run_index, np.int64) // 3
    is_left = np.repeat(~np.isin(mesh.run_original_id, own), ends[1:] - ends[:-1])
    return np.array(mesh.vert_properties[:, :3], np.float64, order="C"), mesh.tri_verts[is_left].astype(np.int32)


def fuse(solids: Sequence[Solid], part: str) -> Solid:
    """The union of all."""
    return checked(Manifold.batch_boolean(list(solids), OpType.Add), part)


def fused_if_asked(solids: Sequence[Solid]) -> Solid:
    """The union of sound solids, which is only made when something is first asked of it. Nothing tells if that fails."""
    return Manifold.batch_boolean(list(solids), OpType.Add)


def cut(solid: Solid, tools: Sequence[Solid], part: str) -> Solid:
    """What is left of `solid` without any of `tools`."""
    return checked(Manifold.batch_boolean([solid, *tools], OpType.Subtract), part)


def composed(solids: Sequence[Solid], part: str) -> Solid:
    """Solids that stand apart as one, without the work of a union. Where they meet, use `fuse`."""
    return checked(Manifold.compose(list(solids)), part)


def tidied(solid: Solid, within_mm: float, part: str) -> Solid:
    """The same solid without edges shorter than `within_mm` and bodies that hold nothing, so that a reader that welds points
    keeps it closed."""
    simple = _without_empty(checked(solid.simplify(within_mm), part), part)
    vertices, triangles = triangles_of(simple)
    first, welded = _welded(vertices, triangles, WELD_MM)
    if _shortest_edge_mm(vertices, triangles) >= 2.0 * WELD_MM and _is_closed(welded):
        return simple
    # The kernel keeps some edges of no length where parts meet in one plane; welded, their triangles have no width.
    has_width = (welded != np.roll(welded, 1, axis=1)).all(axis=1)
    welded = _without_doubled(welded[has_width])
    return solid_of_triangles(vertices[first], welded, part) if _is_closed(welded) else simple


def _without_empty(solid: Solid, part: str) -> Solid:
    """Without bodies and voids as flat as a sheet, which a union leaves where a face of one part runs along one of another."""
    every = bodies(solid)
    whole = [each for each in every if abs(volume_mm3(each)) >= NOTHING_MM3]
    return solid if len(whole) == len(every) else composed(whole, part)


def _shortest_edge_mm(vertices: Floats, triangles: Ints) -> float:
    low = triangles < triangles[:, [1, 2, 0]]  # each edge once
    sides = vertices[triangles[low]] - vertices[triangles[:, [1, 2, 0]][low]]
    return math.sqrt(float(np.einsum("ij,ij->i", sides, sides).min()))


def _without_doubled(triangles: Ints) -> Ints:
    """(t, 3) triangles without those that lie back to back: welding closes what was open between them, by less than it."""
    corners = np.sort(triangles, axis=1).astype(np.int64)
    many = int(corners.max()) + 1
    _, which, counts = np.unique((corners[:, 0] * many + corners[:, 1]) * many + corners[:, 2], return_inverse=True, return_counts=True)
    kept: Ints = triangles[counts[which] == 1]
    return kept


def overlap(first: Solid, second: Solid) -> Solid:
    """What both have in common; may well be empty, so look at `volume_mm3` before using it."""
    return first ^ second


def volume_mm3(solid: Solid) -> float:
    """Volume, mm3."""
    return float(solid.volume())


def area_mm2(solid: Solid) -> float:
    """Surface, mm2."""
    return float(solid.surface_area())


def bodies(solid: Solid) -> list[Solid]:
    """Its separate bodies."""
    return list(solid.decompose())


def bounds(solid: Solid) -> tuple[Floats, Floats]:
    """Lowest and highest corner, each (3,) mm."""
    box = solid.bounding_box()
    return np.asarray(box[:3], np.float64), np.asarray(box[3:], np.float64)


def moved(solid: Solid, offset: Sequence[float]) -> Solid:
    """Shifted by (3,) mm."""
    return solid.translate(tuple(float(v) for v in offset))


def transformed(solid: Solid, matrix: Floats) -> Solid:
    """Turned and shifted by a (3, 4) matrix."""
    return solid.transform(np.ascontiguousarray(matrix, np.float64))


def section(solid: Solid, height_mm: float) -> list[Floats]:
    """Loops (k, 2) of the level cut at a height: outer loops counter-clockwise, holes clockwise."""
    return [np.asarray(loop, np.float64) for loop in solid.slice(float(height_mm)).to_polygons()]


def outside(sections: Iterable[Sequence[Floats]], other: Sequence[Floats]) -> list[list[Floats]]:
    """For each section, loops (k, 2) as `section` gives them, those of what is left of it without another."""
    taken = CrossSection(list(other))
    return [[np.asarray(loop, np.float64) for loop in (CrossSection(list(loops)) - taken).to_polygons()] for loops in sections]


def joined(sections: Iterable[Sequence[Floats]]) -> list[Floats]:
    """What several sections cover together, as `section` gives it."""
    whole = CrossSection.batch_boolean([CrossSection(list(loops)) for loops in sections], OpType.Add)
    return [np.asarray(loop, np.float64) for loop in whole.to_polygons()]


def gap_mm(first: Solid, second: Solid, reach_mm: float) -> float:
    """The smallest distance between two solids, or `reach_mm` if they are further apart; 0 if they meet."""
    return float(first.min_gap(second, float(reach_mm)))


def hits(solid: Solid, origin: Sequence[float], end: Sequence[float]) -> Iterable[tuple[float, Floats]]:
    """Where a ray from `origin` to `end` meets the surface: (distance along the ray in mm, (3,) point), nearest first."""
    length = float(np.linalg.norm(np.subtract(end, origin)))
    for hit in solid.ray_cast(tuple(map(float, origin)), tuple(map(float, end))):
        yield float(hit.distance) * length, np.asarray(hit.position, np.float64)


def ways_through(solid: Solid, origins: Floats, ends: Floats) -> list[list[float]]:
    """For each ray from (n, 3) to (n, 3): how far along it, in mm, it meets the surface, nearest first."""
    lengths = np.linalg.norm(ends - origins, axis=1).tolist()
    return [[hit.distance * length for hit in solid.ray_cast(origin, end)]
            for origin, end, length in zip(origins.tolist(), ends.tolist(), lengths)]


def first_hits(solid: Solid, origins: Floats, ends: Floats) -> tuple[Floats, Floats]:
    """For each ray from (n, 3) to (n, 3): (n,) how far along it, in mm, it first meets the surface, inf if it does
    not, and (n, 3) the surface's outward normal there."""
    spans, counts = _within_bounds(solid, origins, ends - origins)
    single = np.flatnonzero(counts == 1)
    starts = origins[single]
    found = list(map(solid.ray_cast, starts.tolist(), (starts + spans[single]).tolist()))
    index = [i for i, each in zip(single.tolist(), found) if each]
    shares, normals = [each[0].distance for each in found if each], [each[0].normal for each in found if each]
    for i in np.flatnonzero(counts > 1).tolist():
        count = int(counts[i])
        (x, y, z), (dx, dy, dz) = origins[i].tolist(), (spans[i] / count).tolist()
        for piece in range(count):
            # Each runs on a little into the next, so that nothing falls between them.
            far = piece + 1.0 + RUN_ON
            met = solid.ray_cast((x + piece * dx, y + piece * dy, z + piece * dz), (x + far * dx, y + far * dy, z + far * dz))
            if met:
                index.append(i)
                shares.append((piece + met[0].distance * (1.0 + RUN_ON)) / count)
                normals.append(met[0].normal)
                break
    ways, facing = np.full(len(origins), np.inf), np.zeros((len(origins), 3))
    if index:
        ways[index], facing[index] = shares * np.linalg.norm(spans[index], axis=1), normals
    return ways, facing


def _within_bounds(solid: Solid, origins: Floats, spans: Floats) -> tuple[Floats, Ints]:
    """(n, 3) rays from (n, 3) as far as they run within the solid's bounds, and into how many pieces each is best cut: the
    kernel looks at all that lies in the box round a ray, so that long slanted ones are cheaper short and in pieces."""
    if np.abs(spans).max(initial=0.0) ** 2 > WHOLE_MM2:
        low, high = bounds(solid)
        with np.errstate(divide="ignore", invalid="ignore"):
            leaves = np.where(spans == 0.0, np.inf, (np.where(spans > 0.0, high, low) - origins) / spans).min(axis=1)
        spans = spans * np.clip(leaves + RUN_ON, RUN_ON, 1.0)[:, None]
        _, across, along = np.sort(np.abs(spans), axis=1).T
        return spans, np.where(across * along > WHOLE_MM2, np.ceil(across / PIECE_MM), 1.0).astype(np.int32)
    return spans, np.ones(len(spans), np.int32)


def contains(solid: Solid, points: Floats) -> NDArray[np.bool_]:
    """(n,) whether each of (n, 3) points lies inside: from there, the first face on a way looks along it."""
    low, high = bounds(solid)
    inside: NDArray[np.bool_] = np.all((points >= low) & (points <= high), axis=1)
    index = np.flatnonzero(inside)
    if not len(index):
        return inside
    # Slanted a little, so that it runs along no face of anything that stands upright, and the box round it stays small.
    way = np.array([0.0312, 0.0224, 0.9993]) * 2.0 * float(np.linalg.norm(high - low))
    inside[index] = first_hits(solid, points[index], points[index] + way)[1] @ way > 0.0
    return inside


def above(solid: Solid, height_mm: float, part: str) -> Solid:
    """What of it stands over a height."""
    return checked(solid.trim_by_plane((0.0, 0.0, 1.0), float(height_mm)), part)


def triangulated(loops: Sequence[Floats]) -> Ints:
    """(t, 3) int of what loops (k, 2) enclose, outer ones counter-clockwise and holes clockwise: their points one loop
    after the other."""
    return np.asarray(triangulate(list(loops)), np.int32)


def hull_triangles(points: Floats) -> tuple[Floats, Ints]:
    """Convex hull of (n, 3) points as vertices and triangles; both empty if the points are flat."""
    return triangles_of(Manifold.hull_points(np.ascontiguousarray(points, np.float64)))


def is_watertight_after_welding(solid: Solid, weld_mm: float) -> bool:
    """True if every edge still has exactly two faces once points nearer than `weld_mm` are one.

    That is what a reader of STL does: it knows only points, so bodies that touch at a point or an edge
    become one broken surface.
    """
    return are_closed_after_welding(*triangles_of(solid), weld_mm)


def are_closed_after_welding(vertices: Floats, triangles: Ints, weld_mm: float) -> bool:
    """The same of (n, 3) points and (t, 3) triangles."""
    return _is_closed(_welded(vertices, triangles, weld_mm)[1])


def _welded(vertices: Floats, triangles: Ints, weld_mm: float) -> tuple[Ints, Ints]:
    """Points nearer than `weld_mm` as one: (m,) which vertices are kept, and (t, 3) triangles of those."""
    cells = np.round(vertices / weld_mm).astype(np.int64)
    cells -= cells.min(axis=0)
    labels = np.zeros(len(vertices), np.int64)
    # One axis after the other: points with one label share their cell along all the axes so far.
    for cell in cells.T:
        keys = labels * (int(cell.max()) + 1) + cell
        order = ordered(keys)
        keys = keys[order]
        is_first = np.concatenate([[True], keys[1:] != keys[:-1]])
        labels[order] = np.cumsum(is_first) - 1
    return order[is_first].astype(np.int32), labels[triangles].astype(np.int32)


def _is_closed(triangles: Ints) -> bool:
    """True if every edge of (t, 3) triangles has exactly two faces; those of no width count as faces."""
    after = triangles[:, [1, 2, 0]]
    low, high = np.minimum(triangles, after).ravel(), np.maximum(triangles, after).ravel()
    keys = np.sort((low.astype(np.int64) * (int(triangles.max()) + 1) + high)[low != high])
    # Sorted, the two uses of each edge stand side by side, and the next edge is another.
    return len(keys) % 2 == 0 and bool((keys[0::2] == keys[1::2]).all() and (keys[1:-1:2] != keys[2::2]).all())
