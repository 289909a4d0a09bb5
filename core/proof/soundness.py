"""Whether a mesh bounds metal at all: closed, not crossing itself, its faces looking outwards. Comes before all else.

It takes triangles as they are, before any solid is made of them, because a solid cannot be made of a mesh that is open
or inside out, and lies about one that crosses itself. Shells that reach into each other are no fault: parts do, and are
fused. Triangles that share a corner are not compared.
"""
from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints, cross, lengths, ordered
from ..tolerance import SAME_POINT_MM
from .findings import Finding, Limit, judge
from .thickness import Progress, report

CELL, PIECE = 1.4, 6.0
"""How many times the usual triangle's size the cells are in which triangles are compared, and how many cells a triangle
may span before it is cut into pieces. Only the time taken depends on them."""

SINGLE_MM = 1e-4
"""By how much boxes are widened so that single precision loses no pair. Larger: more pairs are compared in full."""

PAIRS = 200_000
"""Pairs of triangles that are compared at once. Larger: they fall out of the processor's cache; smaller: more turns."""


def check_mesh(vertices: Floats, triangles: Ints, progress: Progress | None = None) -> tuple[Finding, ...]:
    """Findings for a mesh (n, 3) mm, (t, 3): all sound if a solid can be made of it. Raises Cancelled."""
    vertices, triangles = np.asarray(vertices, np.float64), np.asarray(triangles, np.int64)
    whole = _whole(vertices, triangles)
    if whole.verdict != "sound":
        return (whole,)
    findings = [whole, *_edges(vertices, triangles)]
    report(progress, 0.2)
    shells = shells_of(triangles, len(vertices))
    report(progress, 0.4)
    if all(each.verdict == "sound" for each in findings):
        findings.append(_outwards(vertices, triangles, shells))
    findings.append(_crossing(vertices, triangles, shells, progress))
    report(progress, 1.0)
    return tuple(findings)


def is_sound(findings: tuple[Finding, ...]) -> bool:
    """True if nothing keeps a mesh from being metal."""
    return all(each.verdict == "sound" for each in findings)


def _none(why: str, remedy: str) -> Limit:
    return Limit(0.0, False, "unsafe", why, "geometry", remedy)


def _whole(vertices: Floats, triangles: np.ndarray) -> Finding:
    """Numbers that are none, corners that are not there, and no triangles at all."""
    limit = _none("A corner without a place, or a triangle without its corners, is no surface.",
                  "Export the mesh again, or delete what is loose in it.")
    lost = (triangles < 0) | (triangles >= len(vertices))
    bad = ~np.isfinite(vertices).all(axis=1)
    count = int(bad.sum()) + int(lost.any(axis=1).sum()) + (0 if len(triangles) else 1)
    return judge("soundness.numbers", "Corners and triangles that are not whole", float(count), "count", None, [limit], 0.0)


# Edges.


def _edges(vertices: Floats, triangles: np.ndarray) -> Iterator[Finding]:
    after = triangles[:, [1, 2, 0]]
    low, high = np.minimum(triangles, after).ravel(), np.maximum(triangles, after).ravel()
    forwards = (triangles < after).ravel()
    key = low * len(vertices) + high
    order = ordered(key)
    key = key[order]
    first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    uses = np.diff(np.append(first, len(key)))
    there = np.add.reduceat(forwards[order].astype(np.int64), first)
    ends = np.column_stack([low[order[first]], high[order[first]]])
    yield _edge_finding("soundness.closed", "Open edges", vertices, ends[uses == 1],
                        _none("At an open edge the surface ends, so that there is no inside to cast.",
                              "Close the hole there, or delete the loose face."))
    yield _edge_finding("soundness.manifold", "Edges with more than two faces", vertices, ends[uses > 2],
                        _none("Where three or more faces meet at an edge, inside and outside cannot be told apart.",
                              "Delete the faces within, or part the shells that share the edge."))
    yield _edge_finding("soundness.turned", "Edges whose two faces look to different sides", vertices,
                        ends[(uses == 2) & (there != 1)],
                        _none("A face that is turned over makes a hole for every program that looks at its outside.",
                              "Recalculate the normals to look outwards."))


def _edge_finding(code: str, what: str, vertices: Floats, ends: np.ndarray, limit: Limit) -> Finding:
    place = _middle_of_first(vertices, ends) if len(ends) else None
    return judge(code, what, float(len(ends)), "count", place, [limit], 0.0)


def _middle_of_first(vertices: Floats, ends: np.ndarray) -> Floats:
    """(3,) the middle of the first chain of edges that hang together."""
    used, compact = np.unique(ends, return_inverse=True)
    compact = compact.reshape(-1, 2)
    labels = shells_of(compact, len(used))
    middle: Floats = vertices[used[labels == labels[compact[0, 0]]]].mean(axis=0)
    return middle


def shells_of(corners: np.ndarray, count: int) -> np.ndarray:
    """(count,) int: for each vertex the least vertex that it hangs together with by faces or edges (f, k)."""
    labels = np.arange(count)
    flat = corners.reshape(-1)
    while True:
        least = np.minimum.reduce([labels.take(corners[:, i]) for i in range(corners.shape[1])])
        before = labels.copy()
        np.minimum.at(labels, flat, np.repeat(least, corners.shape[1]))
        # The label's own label is lower still: chains of labels shorten by half each time.
        np.minimum.at(labels, before, labels)
        labels = labels[labels]
        if (labels == before).all():
            return labels


# Inside and outside.


def _outwards(vertices: Floats, triangles: np.ndarray, shells: np.ndarray) -> Finding:
    """Shells that are inside out: those of negative volume, unless they bound a hollow in another."""
    corners = vertices[triangles]
    six = np.einsum("ij,ij->i", corners[:, 0], cross(corners[:, 1], corners[:, 2]))
    of = shells[triangles[:, 0]]
    names, index = np.unique(of, return_inverse=True)
    volumes = np.bincount(index.reshape(-1), six) / 6.0
    wrong = [name for name, volume in zip(names, volumes) if volume <= 0.0 and
             not _is_within(vertices[name], corners[of != name])]
    place = vertices[shells == wrong[0]].mean(axis=0) if wrong else None
    return judge("soundness.outwards", "Shells that are inside out", float(len(wrong)), "count", place,
                 [_none("A shell that is inside out has less than no metal in it.", "Flip its normals.")], 0.0)


def _is_within(point: Floats, corners: Floats) -> bool:
    """True if a point (3,) lies within the surface of triangles (t, 3, 3), by a ray in no direction that a model has."""
    if not len(corners):
        return False
    way = np.array([0.6349, 0.2713, 0.7234])
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    across = cross(way, second)
    size = np.einsum("ij,ij->i", first, across)
    size[np.abs(size) < 1e-30] = np.inf
    off = point - corners[:, 0]
    u = np.einsum("ij,ij->i", off, across) / size
    turned = cross(off, first)
    v = turned @ way / size
    far = np.einsum("ij,ij->i", second, turned) / size
    met = (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0) & (far > 0.0)
    return bool(met.sum() % 2)


# Triangles that cross.


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Triangles, the large ones cut into pieces: lowest and highest corner of each, (p, 3), and whose piece it is, (p,)."""

    low: Floats
    high: Floats
    owner: np.ndarray


def _crossing(vertices: Floats, triangles: np.ndarray, shells: np.ndarray, progress: Progress | None) -> Finding:
    corners = vertices[triangles]
    own = shells[triangles[:, 0]].astype(np.int32)
    # Column by column and in single precision, because what is looked up millions of times should lie close together.
    small = [np.ascontiguousarray(triangles[:, i], np.int32) for i in range(3)]
    around = _box(corners)
    cell = _cell_mm(corners, _sizes(*around))
    pieces = _cut(corners, *around, cell)
    boxes = [((pieces.low[:, i] - SINGLE_MM).astype(np.float32), (pieces.high[:, i] + SINGLE_MM).astype(np.float32)) for i in range(3)]
    found = []
    for done, (first, second) in _near(pieces, cell):
        report(progress, 0.4 + 0.6 * done)
        for low, high in boxes:
            kept = np.flatnonzero((low.take(first) <= high.take(second)) & (low.take(second) <= high.take(first)))
            first, second = first.take(kept), second.take(kept)
        first, second = pieces.owner.take(first), pieces.owner.take(second)
        apart = own.take(first) == own.take(second)
        others = [corner.take(second) for corner in small]
        for corner in small:
            one = corner.take(first)
            for other in others:
                apart &= one != other
        kept = np.flatnonzero(apart)
        found.append(_cross(corners, first.take(kept), second.take(kept)))
    places = np.concatenate(found) if found else np.zeros((0, 3))
    # Cells share pairs; a pair that was found twice has the same place twice.
    places = np.unique(np.round(places, 6), axis=0)
    place = places[len(places) // 2] if len(places) else None
    return judge("soundness.crossing", "Places where the surface crosses itself", float(len(places)), "count", place,
                 [_none("Where a surface runs through itself, metal is counted twice or not at all.",
                        "Part the two sheets there, or fuse them with a voxel remesh.")], 0.0)


def _cell_mm(corners: Floats, sizes: Floats) -> float:
    """Size of the cells in which triangles (t, 3, 3) of some sizes (t,) are compared: not so small that the whole surface
    falls into many more cells than there are triangles."""
    area = float(lengths(cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])).sum()) / 2.0
    return max(CELL * float(np.median(sizes)), math.sqrt(area / len(corners)), SAME_POINT_MM)


def _cut(corners: Floats, low: Floats, high: Floats, cell_mm: float) -> _Pieces:
    """Triangles (t, 3, 3) in boxes, (t, 3) each, those that are larger than PIECE cells halved along their longest side until
    none is."""
    done: list[tuple[Floats, Floats, np.ndarray]] = []
    owner = np.arange(len(corners))
    while True:
        is_large = _sizes(low, high) > PIECE * cell_mm
        done.append((low[~is_large], high[~is_large], owner[~is_large]))
        if not is_large.any():
            break
        corners, owner = corners[is_large], owner[is_large]
        longest = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).argmax(axis=1)
        rows = np.arange(len(owner))
        a, b, c = (corners[rows, (longest + i) % 3] for i in range(3))
        middle = (a + b) / 2.0
        corners = np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])
        owner = np.concatenate([owner, owner])
        low, high = _box(corners)
    return _Pieces(*(np.concatenate(each) for each in zip(*done)))


def _box(corners: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest corner, each (t, 3), of triangles (t, 3, 3)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _sizes(low: Floats, high: Floats) -> Floats:
    """(t,) longest side of boxes, (t, 3) each."""
    sizes: Floats = np.maximum.reduce([high[:, i] - low[:, i] for i in range(3)])
    return sizes


def _near(pieces: _Pieces, cell_mm: float) -> Iterator[tuple[float, tuple[np.ndarray, np.ndarray]]]:
    """Pairs of pieces that fall into one cell, in batches, with the share that is done."""
    origin = pieces.low.min(axis=0)
    first = ((pieces.low - origin) / cell_mm).astype(np.int64)
    spans = ((pieces.high - origin) / cell_mm).astype(np.int64) - first + 1
    covers = spans.prod(axis=1)
    owner = np.repeat(np.arange(len(covers)), covers)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(covers) - covers, covers)
    wide, deep = spans[owner, 0], spans[owner, 1]
    at = first[owner]
    rows = (first + spans).max(axis=0) + 1
    key = (at[:, 0] + step % wide) + rows[0] * ((at[:, 1] + step // wide % deep)
                                                + rows[1] * (at[:, 2] + step // (wide * deep)))
    order = ordered(key)
    owner, key = owner[order], key[order]
    starts = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    sizes = np.diff(np.append(starts, len(key)))
    # Each entry is paired with those after it in its cell.
    later = np.repeat(starts + sizes, sizes) - np.arange(len(key)) - 1
    ends = np.cumsum(later)
    begin = 0
    while begin < len(key):
        done = ends[begin - 1] if begin else 0
        stop = max(begin + 1, int(np.searchsorted(ends, done + PAIRS, side="right")))
        part = later[begin:stop]
        one = np.repeat(np.arange(begin, stop), part)
        other = one + 1 + np.arange(len(one)) - np.repeat(np.cumsum(part) - part, part)
        yield begin / len(key), (owner[one], owner[other])
        begin = stop


def _cross(corners: Floats, first: np.ndarray, second: np.ndarray) -> Floats:
    """(k, 3) places where triangles of pairs run through each other by more than SAME_POINT_MM."""
    for is_turned in (False, True):
        side = _sides(corners, second, first) if is_turned else _sides(corners, first, second)
        above, below = side > SAME_POINT_MM, side < -SAME_POINT_MM
        kept = np.flatnonzero((above[:, 0] | above[:, 1] | above[:, 2]) & (below[:, 0] | below[:, 1] | below[:, 2]))
        first, second = first[kept], second[kept]
    places = [_through(corners, one, other) for one, other in ((first, second), (second, first))]
    return np.concatenate(places)


def _sides(corners: Floats, planes: np.ndarray, others: np.ndarray) -> Floats:
    """(n, 3) how far the corners of `others` lie above the planes of `planes`, mm; 0 for planes of no triangle."""
    a, b, c = (corners[planes, i] for i in range(3))
    normal = cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-30)[:, None]
    heights: Floats = np.einsum("ijk,ik->ij", corners[others] - a[:, None], normal)
    return heights


def _through(corners: Floats, planes: np.ndarray, others: np.ndarray) -> Floats:
    """(k, 3) where sides of `others` pass through the triangles `planes`."""
    if not len(planes):
        return np.zeros((0, 3))
    a, b, c = (corners[planes, i] for i in range(3))
    normal = cross(b - a, c - a)
    squares = np.einsum("ij,ij->i", normal, normal)
    side = _sides(corners, planes, others)
    found = []
    for i in range(3):
        j = (i + 1) % 3
        passes = side[:, i] * side[:, j] < 0.0
        share = np.where(passes, side[:, i] / np.where(passes, side[:, i] - side[:, j], 1.0), 0.0)
        point = corners[others, i] + share[:, None] * (corners[others, j] - corners[others, i])
        u = np.einsum("ij,ij->i", cross(point - a, c - a), normal) / squares
        v = np.einsum("ij,ij->i", cross(b - a, point - a), normal) / squares
        inside = passes & (u > 0.0) & (v > 0.0) & (u + v < 1.0)
        found.append(point[inside])
    return np.concatenate(found)
