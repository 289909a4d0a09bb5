"""The narrowest air between beads or plate of a surround and what holds the centre stone, exactly: between parts whose
names are known every pair of triangles is measured, where places on a surface may miss the narrowest by chance."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from operator import attrgetter

import numpy as np

from ..mesh import Floats, Ints, cross
from ..solid.kernel import Solid, above, bounds, contains, gap_mm, triangles_of
from .narrowest import Narrowest
from ..solid.slicer import runs_of

BEAD, PLATE, RAIL = "bead", "surround plate", "rail"
HOLDING = ("claw", "rim", "wall", "upper rail")
"""Words in the names of a surround's parts, of rails, and how the names of parts begin that beads stand beside. The
plate itself joins claws or wall."""

FOOT_MM = 0.01
"""How far above the plate a bead begins to stand in air. Smaller: its foot is looked at where it is in metal; larger: a
narrow foot is passed over."""

TRIED = 64
"""How many pairs of triangles are looked at together for the nearest that has air between. Only the time taken depends
on it."""

NO_LENGTH = 1e-15
"""Squared mm: less has no direction. Larger: slivers count as points."""


def narrowest_between(parts: Mapping[str, Solid], metal: Solid, below_mm: float) -> tuple[Narrowest, str] | None:
    """The narrowest air that is less than `below_mm` wide between a part of the surround and one that holds the centre
    stone and does not join it, as a ball, and both names; None if there is none so narrow."""
    plate, beads = parts.get(PLATE), {name: solid for name, solid in parts.items() if name.startswith(BEAD)}
    apart: list[_Pair] = []
    if beads:
        low, high = (np.array(each) for each in zip(*map(bounds, beads.values())))
        foot = float((low if plate is None else bounds(plate)[1])[..., 2].min()) + FOOT_MM
        top, names = float(high[:, 2].max()) + below_mm, list(beads)
        for name, solid in parts.items():
            if name.startswith(HOLDING) and bounds(solid)[0][2] < top and bounds(solid)[1][2] > foot:
                near = _least_apart(low[:, :2], high[:, :2], _seen_between(solid, foot, top)) < below_mm
                apart += [_Pair(gap_mm(solid, beads[names[i]], below_mm), beads[names[i]], solid, _said(names[i], name))
                          for i in np.flatnonzero(near).tolist()]
    if plate is not None:
        apart += [_Pair(gap_mm(solid, plate, below_mm), plate, solid, _said(PLATE, name))
                  for name, solid in parts.items() if name.endswith(RAIL)]
    best: tuple[Narrowest, str] | None = None
    for pair in sorted(apart, key=attrgetter("gap_mm")):
        # What the kernel tells may run through metal, so that the air is wider, but never narrower.
        if 0.0 < pair.gap_mm < below_mm:
            one = pair.one if pair.one is plate else above(pair.one, foot, BEAD)
            ball = _ball_between(one, pair.other, metal, below_mm)
            if ball is not None:
                best, below_mm = (ball, pair.said), ball.diameter_mm
    return best


def _seen_between(solid: Solid, low_mm: float, high_mm: float) -> Floats:
    """(m, 2) corners, seen from above, of what of a solid stands between two heights: a leaning claw's own box is
    near to beads that it passes far above."""
    vertices, triangles = triangles_of(solid)
    i, j = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    from_mm, to_mm = vertices[i, 2], vertices[j, 2]
    reaches = (i < j) & (np.maximum(from_mm, to_mm) >= low_mm) & (np.minimum(from_mm, to_mm) <= high_mm)
    starts, ends = vertices[i[reaches]], vertices[j[reaches]]
    rise = ends[:, 2:] - starts[:, 2:]
    shares = (np.array([low_mm, high_mm]) - starts[:, 2:]) / np.where(rise == 0.0, np.inf, rise)
    # A level edge is there from one end to the other.
    shares = np.where(rise == 0.0, [0.0, 1.0], np.clip(shares, 0.0, 1.0))
    points: Floats = (starts[:, None, :2] + shares[..., None] * (ends - starts)[:, None, :2]).reshape(-1, 2)
    return points


def _least_apart(low: Floats, high: Floats, points: Floats) -> Floats:
    """(n,) how far boxes (n, 2) and the hull of points (m, 2) are apart at least: along the way from the nearest."""
    if not len(points):
        return np.full(len(low), np.inf)
    middles, halves = (low + high) / 2.0, (high - low) / 2.0
    squares = np.einsum("ij,ij->i", points, points) - 2.0 * middles @ points.T
    ways = middles - points[np.argmin(squares, axis=1)]
    ways /= np.maximum(np.linalg.norm(ways, axis=1), 1e-12)[:, None]
    apart: Floats = ((middles - halves * np.sign(ways)) * ways).sum(axis=1) - (ways @ points.T).max(axis=1)
    return apart


@dataclass(frozen=True, eq=False)
class _Pair:
    """Two parts, how near they are at most, mm, and what is said of the air between."""

    gap_mm: float
    one: Solid
    other: Solid
    said: str


def _said(one: str, other: str) -> str:
    return f"it is between {_named(one)} and {_named(other)}"


def _named(part: str) -> str:
    return part if part[-1].isdigit() else f"the {part}"


def _ball_between(first: Solid, second: Solid, metal: Solid, below_mm: float) -> Narrowest | None:
    """The nearest places of two solids, nearer than `below_mm`, that have air and not metal half way between them."""
    ones, others = (vertices[triangles] for vertices, triangles in map(triangles_of, (first, second)))
    i, j = _near_pairs(ones, others, below_mm)
    distances, starts, ends = nearest_of_triangles(ones[i], others[j])
    order = np.argsort(distances, kind="stable")
    order = order[: int(np.searchsorted(distances[order], below_mm))]
    for some in np.split(order, range(TRIED, len(order), TRIED)):
        in_air = some[~contains(metal, (starts[some] + ends[some]) / 2.0)]
        if len(in_air):
            k = int(in_air[0])
            way = (ends[k] - starts[k]) / max(float(distances[k]), 1e-12)
            return Narrowest(float(distances[k]), starts[k], way, ends[k], -way)
    return None


def _near_pairs(ones: Floats, others: Floats, reach_mm: float) -> tuple[Ints, Ints]:
    """Which of triangles (n, 3, 3) have boxes nearer than this to which of (m, 3, 3): indices (p,) of both."""
    low, high = ones.min(axis=1) - reach_mm, ones.max(axis=1) + reach_mm
    other_low, other_high = others.min(axis=1), others.max(axis=1)
    mine = np.flatnonzero(((low < other_high.max(axis=0)) & (high > other_low.min(axis=0))).all(axis=1))
    theirs = np.flatnonzero(((other_low < high.max(axis=0)) & (other_high > low.min(axis=0))).all(axis=1))
    order = theirs[np.argsort(other_low[theirs, 0])]
    begins, widest = other_low[order, 0], float((other_high - other_low)[order, 0].max(initial=0.0))
    first, last = np.searchsorted(begins, low[mine, 0] - widest), np.searchsorted(begins, high[mine, 0], side="right")
    counts = last - first
    i = np.repeat(mine, counts)
    j = order[runs_of(first, counts)]
    near = ((low[i] < other_high[j]) & (high[i] > other_low[j])).all(axis=1)
    return i[near].astype(np.int32), j[near].astype(np.int32)


def nearest_of_triangles(ones: Floats, others: Floats) -> tuple[Floats, Floats, Floats]:
    """Of pairs of triangles, (p, 3, 3) each, that do not cut each other: (p,) how far apart they are, mm, and the
    nearest place (p, 3) of each. They are nearest at two edges, or at a corner of one over the face of the other."""
    found = [_of_edges(ones, others)]
    for corners, faces, is_first in ((ones, others, True), (others, ones, False)):
        distances, points, below = _of_faces(corners, faces)
        found.append((distances, points, below) if is_first else (distances, below, points))
    distances = np.stack([each[0] for each in found])
    k, row = np.argmin(distances, axis=0), np.arange(distances.shape[1])
    starts, ends = (np.stack([each[side] for each in found])[k, row] for side in (1, 2))
    return distances[k, row], starts, ends


def _of_edges(ones: Floats, others: Floats) -> tuple[Floats, Floats, Floats]:
    """The nearest of the nine pairs of edges."""
    a, b = np.repeat(ones, 3, axis=1), np.tile(others, (1, 3, 1))
    along = np.repeat(np.roll(ones, -1, axis=1), 3, axis=1) - a
    across = np.tile(np.roll(others, -1, axis=1), (1, 3, 1)) - b
    off = a - b

    def dot(first: Floats, second: Floats) -> Floats:
        product: Floats = np.einsum("pij,pij->pi", first, second)
        return product

    long, wide, both = (np.maximum(dot(along, along), NO_LENGTH), np.maximum(dot(across, across), NO_LENGTH),
                        dot(along, across))
    from_a, from_b = dot(along, off), dot(across, off)
    turn = long * wide - both * both
    # Parallel ones are as near anywhere, so that any start will do.
    share = (both * from_b - from_a * wide) / np.maximum(turn, NO_LENGTH)
    share = np.clip(np.where(turn > NO_LENGTH, share, 0.0), 0.0, 1.0)
    other = np.clip((both * share + from_b) / wide, 0.0, 1.0)
    share = np.clip((both * other - from_a) / long, 0.0, 1.0)
    points, ends = a + share[..., None] * along, b + other[..., None] * across
    distances = np.linalg.norm(points - ends, axis=2)
    k, row = np.argmin(distances, axis=1), np.arange(len(ones))
    return distances[row, k], points[row, k], ends[row, k]


def _of_faces(corners: Floats, faces: Floats) -> tuple[Floats, Floats, Floats]:
    """The nearest of three corners (p, 3, 3) to what of a face lies square under them; endless where none does."""
    sides = np.roll(faces, -1, axis=1) - faces
    normals = cross(sides[:, 0], sides[:, 1])
    sizes = np.linalg.norm(normals, axis=1)
    normals /= np.maximum(sizes, NO_LENGTH)[:, None]
    away = np.einsum("pij,pj->pi", corners - faces[:, :1], normals)
    below = corners - away[..., None] * normals[:, None]
    # Inside all three sides: each turns left to it.
    inwards = np.stack([cross(normals, sides[:, k]) for k in range(3)], axis=1)
    is_over = (np.einsum("pkj,pikj->pik", inwards, below[:, :, None] - faces[:, None]) >= 0.0).all(axis=2)
    distances = np.where(is_over & (sizes > NO_LENGTH)[:, None], np.abs(away), np.inf)
    k, row = np.argmin(distances, axis=1), np.arange(len(corners))
    return distances[row, k], corners[row, k], below[row, k]
