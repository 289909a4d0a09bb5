"""The narrowest air between beads or plate of a surround and what holds the centre stone, exactly: between parts whose
names are known every pair of triangles is measured, where places on a surface may miss the narrowest by chance."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from operator import attrgetter

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, above, bounds, contains, gap_mm, triangles_of
from .apart import near_pairs, nearest_of_triangles
from .narrowest import Narrowest

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
    i, j = near_pairs(ones, others, below_mm)
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
