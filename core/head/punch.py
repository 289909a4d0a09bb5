"""Pits and beads sewn to a plate along their rims: what a boolean would make of a plate that is flat where they are, in
a fraction of its time, because each pit and each bead is made once and the rest of the metal is left alone."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints
from ..solid.kernel import Solid, triangles_of, triangulated
from ..tolerance import SAME_POINT_MM

FLAT_MM = 1e-9
"""How far from its plane a corner of a flat face may lie. Larger: faces beside it are taken for part of it."""


@dataclass(frozen=True, eq=False)
class Skin:
    """An open skin: vertices (n, 3), mm; triangles (t, 3), seen from outside the metal; rim (e, 2), its free edges, as
    its triangles run along them; owners (e,), the triangles that they belong to."""

    vertices: Floats
    triangles: Ints
    rim: Ints
    owners: Ints

    @classmethod
    def of(cls, vertices: Floats, triangles: Ints) -> Skin:
        """Of these triangles alone."""
        used, corners = np.unique(triangles, return_inverse=True)
        triangles = corners.reshape(-1, 3).astype(np.int32)
        edges, owners = _edges(triangles), np.tile(np.arange(len(triangles), dtype=np.int32), 3)
        free = _is_free(edges)
        return cls(vertices[used], triangles, edges[free], owners[free])

    def at_level(self, z: float) -> tuple[Ints, Ints]:
        """The free edges at a height, and their owners."""
        is_there = np.abs(self.vertices[self.rim[:, 0], 2] - z) < SAME_POINT_MM
        return self.rim[is_there], self.owners[is_there]


def skin_above(solid: Solid, z: float) -> Skin:
    """The surface of a solid that ends at a height, but for its face there."""
    vertices, triangles = triangles_of(solid)
    return Skin.of(vertices, triangles[(np.abs(vertices[triangles, 2] - z) > FLAT_MM).any(axis=1)])


def _edges(triangles: Ints) -> Ints:
    """(3 t, 2) as the triangles run."""
    found: Ints = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    return found


def _is_free(edges: Ints) -> np.ndarray:
    """(e,) whether no other of the edges runs the other way."""
    base = np.int64(edges.max(initial=0)) + 1
    free: np.ndarray = ~np.isin(edges[:, 0] * base + edges[:, 1], edges[:, 1] * base + edges[:, 0])
    return free


@dataclass(frozen=True, eq=False)
class Pits:
    """Pits of one kind round a row: vertices (n, k, 3); of each the same triangles and free edges, those on the plate's
    top and those on its underside."""

    vertices: Floats
    triangles: Ints
    top: Ints
    owners: Ints
    bottom: Ints

    @classmethod
    def of(cls, skin: Skin, vertices: Floats, top_mm: float) -> Pits:
        """The skin at places that its vertices (n, k, 3) are moved to; top_mm: the height of its upper rim as it is."""
        top, owners = skin.at_level(top_mm)
        is_below = np.abs(skin.vertices[skin.rim[:, 0], 2] - top_mm) >= SAME_POINT_MM
        return cls(vertices, skin.triangles, top, owners, skin.rim[is_below])


@dataclass(frozen=True, eq=False)
class Sewn:
    """Pits and what stands between them as one skin, with its free edges on top and on the underside."""

    vertices: Floats
    triangles: Ints
    top: Ints
    bottom: Ints


def sew(pits: Pits, between: list[Skin]) -> Sewn:
    """The skins that stand between each pit and the next joined to both; none: the pits alone."""
    count, size = pits.vertices.shape[:2]
    offsets = (np.arange(count, dtype=np.int32) * size)[:, None, None]
    vertices = pits.vertices.reshape(-1, 3)
    triangles = (pits.triangles + offsets).reshape(-1, 3)
    top, bottom = (pits.top + offsets).reshape(-1, 2), (pits.bottom + offsets).reshape(-1, 2)
    if not between:
        return Sewn(vertices, triangles, top, bottom)
    starts = count * size + np.concatenate([[0], np.cumsum([len(skin.vertices) for skin in between])]).astype(np.int32)
    owners = (pits.owners + (np.arange(count, dtype=np.int32) * len(pits.triangles))[:, None]).ravel()
    same = np.arange(starts[-1], dtype=np.int32)
    rims = [np.unique(skin.rim) for skin in between]
    points, own = _padded([skin.vertices[rim, :2] for skin, rim in zip(between, rims)],
                          [rim + start for rim, start in zip(rims, starts)])
    taken: list[Floats] = []
    for step in (0, 1):
        pit = (np.arange(count) + step) % count
        ring = pits.vertices[pit][:, pits.top, :2]
        edge, along, length, away = _nearest_edges(points, ring)
        beside = away < SAME_POINT_MM
        number = pit[:, None] * len(pits.top) + edge
        for end, is_there in ((0, along < SAME_POINT_MM), (1, length - along < SAME_POINT_MM)):
            met = beside & is_there
            same[own[met]] = top[number[met], end]
        inner = beside & (along >= SAME_POINT_MM) & (length - along >= SAME_POINT_MM)
        taken.append(np.column_stack([number[inner], along[inner], own[inner]]))
    between_triangles = np.concatenate([skin.triangles + start for skin, start in zip(between, starts)])
    between_rim = np.concatenate([skin.rim + start for skin, start in zip(between, starts)])
    corners = np.concatenate(taken)
    order = np.lexsort((corners[:, 1], corners[:, 0]))
    triangles, top = _with_corners(triangles, top, owners, corners[order][:, [0, 2]].astype(np.int32))
    edges = np.concatenate([top, same[between_rim]])
    return Sewn(np.concatenate([vertices, *(skin.vertices for skin in between)]),
                np.concatenate([triangles, same[between_triangles]]), edges[_is_free(edges)], bottom)


def _padded(points: list[Floats], own: list[Ints]) -> tuple[Floats, Ints]:
    """Points (n, m, 2), not a number after the end of each list, and whose they are (n, m)."""
    most = max(len(each) for each in own)
    places, numbers = np.full((len(points), most, 2), np.nan), np.zeros((len(points), most), np.int32)
    for i, (some, names) in enumerate(zip(points, own)):
        places[i, :len(some)], numbers[i, :len(some)] = some, names
    return places, numbers


def _nearest_edges(points: Floats, edges: Floats) -> tuple[Ints, Floats, Floats, Floats]:
    """For points (n, m, 2) and edges (n, e, 2 ends, 2), each (n, m): the nearest edge of the same row, how far along it
    the point lies, how long it is, and how far away the point is, mm."""
    (x, y), (to_x, to_y) = np.moveaxis(edges[:, None], (3, 4), (0, 1))
    way_x, way_y = to_x - x, to_y - y
    lengths = np.hypot(way_x, way_y)
    off_x, off_y = points[:, :, None, 0] - x, points[:, :, None, 1] - y
    along = (off_x * way_x + off_y * way_y) / lengths
    aside = (off_x * way_y - off_y * way_x) / lengths
    away = np.hypot(aside, along - np.clip(along, 0.0, lengths))
    nearest = np.argmin(away, axis=2)[:, :, None]
    along, lengths, away = (np.take_along_axis(np.broadcast_to(each, away.shape), nearest, 2)[:, :, 0]
                            for each in (along, lengths, away))
    return nearest[:, :, 0].astype(np.int32), along, lengths, away


def _with_corners(triangles: Ints, edges: Ints, owners: Ints, corners: Ints) -> tuple[Ints, Ints]:
    """Triangles and edges with further corners (c, 2) on some edges, each the edge and the corner, one after the other
    as they lie along it."""
    if not len(corners):
        return triangles, edges
    edge, corner = corners.T
    is_first, is_last = np.append(True, edge[1:] != edge[:-1]), np.append(edge[1:] != edge[:-1], True)
    after = np.where(is_last, edges[edge, 1], np.roll(corner, -1))
    owner = triangles[owners[edge]]
    far = owner[(owner != edges[edge, :1]) & (owner != edges[edge, 1:])]
    triangles, edges = triangles.copy(), edges.copy()
    triangles[owners[edge[is_first]]] = np.column_stack([edges[edge[is_first], 0], corner[is_first], far[is_first]])
    edges[edge[is_first], 1] = corner[is_first]
    return (np.concatenate([triangles, np.column_stack([corner, after, far])]),
            np.concatenate([edges, np.column_stack([corner, after])]))


def punched(vertices: Floats, triangles: Ints, skin: Sewn, top_mm: float,
            bottom_mm: float) -> tuple[Floats, Ints] | None:
    """Metal, vertices (n, 3) and triangles (t, 3), with the skin in its flat faces at two heights, the upper one
    looking up and the lower one down: its vertices and triangles. Nothing else may stand where the skin runs. None
    where the flat faces, or the skin's rims, touch themselves at a corner: a boolean has to tell what is joined
    there."""
    whole = np.concatenate([vertices, skin.vertices])
    kept, found = np.ones(len(triangles), bool), [skin.triangles + len(vertices)]
    for level, way, rim in ((top_mm, 1.0, skin.top), (bottom_mm, -1.0, skin.bottom)):
        flat = np.flatnonzero((np.abs(vertices[triangles, 2] - level) < FLAT_MM).all(axis=1))
        a, b, c = np.moveaxis(vertices[triangles[flat], :2], 1, 0)
        turn = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
        flat = flat[turn * way > 0.0]
        kept[flat] = False
        edges = _edges(triangles[flat])
        edges = np.concatenate([edges[_is_free(edges)], rim[:, ::-1] + len(vertices)])
        starts, ends = np.sort(edges, axis=0).T
        if (starts[1:] == starts[:-1]).any() or (starts != ends).any():
            return None
        loops = _chained(edges)
        around = np.concatenate(loops)
        found.append(around[triangulated([whole[loop, :2] * (1.0, way) for loop in loops])])
    all_triangles = np.concatenate([triangles[kept], *found])
    used = np.zeros(len(whole), bool)
    used[all_triangles] = True
    return whole[used], (np.cumsum(used, dtype=np.int32) - 1)[all_triangles]


def _chained(edges: Ints) -> list[Ints]:
    """Loops of vertices, each edge (e, 2) leading on to the only one that starts where it ends."""
    after, loops = dict(edges.tolist()), []
    while after:
        start, following = after.popitem()
        loop = [start]
        while following != start:
            loop.append(following)
            following = after.pop(following)
        loops.append(np.array(loop, np.int32))
    return loops
