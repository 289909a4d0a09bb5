"""Where metal stands against the stone, found on both solids, and which motions of the stone that leaves.

A rigid stone touched without friction may move with a twist t if no contact is pressed: n·v >= 0 for every contact, n
the unit normal into the stone and v what t does to its point. The cone of such twists is {0} exactly when the contacts
press against one another in every direction. By Moreau's decomposition a wished motion d splits into what the contacts
answer, a sum of their forces with factors of 0 or more, and what they leave free; the split is found by non-negative
least squares (active sets, after Lawson and Hanson, Solving Least Squares Problems, 1974).
"""
from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..mesh import Floats, Ints, cross
from ..solid.kernel import bounds, first_hits
from .chords import are_inside
from .loops import is_inside
from .measure import CLOSED_MM, HAIR_MM, Gauge

TOUCH_MM = 0.02
"""How near to the stone metal counts as touching it: what a bur leaves. Larger: metal beside the stone would hold
it."""

SETTLING_MOST_MM = 0.1
"""From farther than this a stone does not settle on its seat. Larger: metal out of reach would count as a seat."""

CROWN_SHARES = (0.05, 0.18, 0.31, 0.5, 0.8)
"""At which shares of the crown's height contact is looked for. Fewer: a low tip is passed over."""

PAVILION_ROWS = 3
"""At how many of the levels that touch below the girdle the points are taken: the ends of the band and its middle."""

RING = 64
"""About how many places are looked at on each ring. Fewer: a narrow claw falls between two."""

FLAT_SHARES = (0.995, 0.97, 0.85, 0.7, 0.5)
"""Rings, as shares of its edge, on which a flat base is looked at. Farther in: the narrow ledge under a large one is missed."""

STEEP = 0.1
"""Least level part of a normal for which metal is looked for sideways. Smaller: the look goes far past the facet."""

CLAW_REACH = 0.75
"""How far along the girdle from a claw's middle, as a share of its diameter, contact still is that claw's."""

FREE_SHARE = 1e-6
"""Free shares of a motion below this are rounding. Larger: a stone that creeps out counts as held."""

LEAST_RANK = 1e-6
"""The least singular value of contacts that span a direction. Smaller: rounding would span it."""

STEPS = 12
"""Newton's steps after which contacts are looked at otherwise. Only the time taken depends on it."""

LEAST_FACTOR, TINY = 1e-9, 1e-12
"""The least factor of a contact that surely presses, and what keeps a step from dividing by nothing. Larger: some
choices are looked at otherwise."""

TIP_SHARES = (-0.3, 0.0, 0.3)
"""Across a closed claw, where it lies on the crown, as shares of its diameter. Larger: it would lie wider than it
is."""

ROUNDED = 9
"""Decimals that are kept of normals: rounding in the last places would wedge parallel sides, in sums if not in
metal."""


@dataclass(frozen=True, eq=False)
class Contacts:
    """Where metal touches the stone: points (k, 3) mm, unit normals into the stone (k, 3), and the name of the claw at
    each, empty where other metal touches. centre (3,): the middle of the girdle; reach_mm: half the stone's width."""

    points: Floats
    normals: Floats
    owners: np.ndarray
    centre: Floats
    reach_mm: float

    def without(self, claw: str) -> Contacts:
        """What is left once a claw has broken off."""
        return self._kept(self.owners != claw)

    def _kept(self, keep: np.ndarray) -> Contacts:
        return Contacts(self.points[keep], self.normals[keep], self.owners[keep], self.centre, self.reach_mm)

    @cached_property
    def wrenches(self) -> Floats:
        """(k, 5) what each contact does with unit force: along x, y and z, and about x and y, mm at the girdle."""
        turning = cross(self.points - self.centre, self.normals)[:, :2] / self.reach_mm
        return np.round(np.concatenate([self.normals, turning], axis=1), ROUNDED)

    def velocity(self, twist: Floats, points: Floats) -> Floats:
        """(n, 3) what a twist (3,) or (5,) does to points (n, 3)."""
        turn = np.zeros(3)
        turn[:len(twist) - 3] = twist[3:] / self.reach_mm
        moved: Floats = twist[:3] + cross(turn, points - self.centre)
        return moved


def holds_all(wrenches: Floats) -> bool:
    """True if contacts (k, m) leave no motion at all: they span every direction, and some sum of all of them, each with
    a factor above 0, is nothing."""
    # Squares of singular values: their own take three times as long.
    if len(wrenches) <= wrenches.shape[1] or np.linalg.eigvalsh(wrenches.T @ wrenches)[0] <= LEAST_RANK ** 2:
        return False
    whole = wrenches.mean(axis=0)
    size = float(np.linalg.norm(whole))
    return size < FREE_SHARE or free_part(wrenches, whole / size)[0] <= FREE_SHARE


def which_hold(wrenches: Floats, kept: np.ndarray) -> np.ndarray:
    """(c,) bool: the same of several choices of contacts (k, m) at once, kept (c, k).

    Where contacts hold, the sum of e to the power of what a motion does to each is least for some motion, and the terms
    of that sum are such factors (duality of geometric programmes). Newton's steps find them in a few rounds; where they
    do not, the contacts are looked at one choice after the other.
    """
    size = wrenches.shape[1]
    products = (wrenches[:, :, None] * wrenches[:, None]).reshape(len(wrenches), size * size)
    spans = (kept @ products).reshape(-1, size, size)
    held = np.linalg.eigvalsh(spans)[:, 0] > LEAST_RANK ** 2
    found, motion = np.zeros(len(kept), bool), np.zeros((len(kept), size))
    tried = np.flatnonzero(held)
    for _ in range(STEPS):
        if not len(tried):
            break
        factors = np.exp(motion[tried] @ wrenches.T) * kept[tried]
        left = factors @ wrenches
        # What is left of the sum, taken off the factors.
        exact = factors - np.linalg.solve(spans[tried], left[:, :, None])[:, :, 0] @ wrenches.T
        done = ((exact > LEAST_FACTOR) | ~kept[tried]).all(axis=1)
        found[tried[done]] = True
        factors, left, tried = factors[~done], left[~done], tried[~done]
        bend = (factors @ products).reshape(-1, size, size)
        step = np.linalg.solve(bend + TINY * np.eye(size), left[:, :, None])[:, :, 0]
        longest = np.abs(step @ wrenches.T).max(axis=1, initial=1.0)
        motion[tried] -= step / longest[:, None]
    for i in np.flatnonzero(held & ~found).tolist():
        found[i] = holds_all(wrenches[kept[i]])
    return found


def free_part(wrenches: Floats, motion: Floats) -> tuple[float, Floats]:
    """How much of a unit motion (m,) contacts (k, m) leave free, 0 to 1, and the twist (m,) by which the stone
    escapes."""
    twist = motion + wrenches.T @ nonnegative_least_squares(wrenches.T, -motion)
    return float(np.linalg.norm(twist)), twist


def nonnegative_least_squares(columns: Floats, target: Floats) -> Floats:
    """(k,) factors, none below 0, with which columns (m, k) come as near to a target (m,) as they can."""
    count = columns.shape[1]
    factors, used = np.zeros(count), np.zeros(count, bool)
    slack = 1e-11 * max(1.0, float(np.abs(columns).max(initial=0.0)))
    # Each step lowers the distance, so that no set of columns comes twice; the bound only ends what rounding would not.
    for _ in range(10 * (count + 1)):
        gain = columns.T @ (target - columns @ factors)
        gain[used] = -math.inf
        best = int(np.argmax(gain)) if count else 0
        if not count or gain[best] <= slack:
            break
        used[best] = True
        trial = _fitted(columns, target, used)
        if trial[best] <= 0.0:
            break
        while (trial[used] <= 0.0).any():
            over = used & (trial <= 0.0)
            step = float((factors[over] / (factors[over] - trial[over])).min())
            factors += step * (trial - factors)
            used &= factors > 1e-14
            factors[~used] = 0.0
            trial = _fitted(columns, target, used)
        factors = trial
    return factors


def _fitted(columns: Floats, target: Floats, used: np.ndarray) -> Floats:
    """(k,) the least-squares factors of the columns in use, 0 for the others."""
    trial = np.zeros(columns.shape[1])
    trial[used] = np.linalg.lstsq(columns[:, used], target, rcond=None)[0]
    return trial


# Finding them.


def contacts_of(gauge: Gauge, is_set: bool, contact_share: float) -> Contacts:
    """Where metal touches the stone, as it stands if it is set.

    As cast, metal that reaches into the stone counts as touching, because there the setter's notch will be, and each
    claw counts as closed over `contact_share` of the crown's slope.
    """
    low, girdle, high = gauge.girdle_plane_mm, gauge.girdle_plane_mm + gauge.stone.girdle_mm / 2.0, gauge.crown_edge_mm
    # A knife edge has no level of its own, so metal is looked for just above and below it.
    edge = [girdle] if gauge.stone.girdle_mm > 4.0 * HAIR_MM else [low - HAIR_MM, high + HAIR_MM]
    others = [*_pavilion_levels(gauge, low)]
    if is_set:
        others += [high + share * (gauge.table_mm - high) for share in CROWN_SHARES]
    settling = min(gauge.settling_mm, SETTLING_MOST_MM)
    within, rings = TOUCH_MM + settling, Rings(gauge)
    # As cast, what stands as near to the girdle as a setter closes it holds the stone there.
    beside = within if is_set else CLOSED_MM + settling
    reach = [beside] * len(edge) + [within] * len(others)
    points, normals = _touching(gauge, rings, [*edge, *others], reach)
    base, downwards = _under_base(gauge, rings, within)
    points, normals = np.concatenate([points, base]), np.concatenate([normals, downwards])
    owners = owners_of(gauge, points, normals)
    if not is_set and gauge.claws:
        more, upwards, names = _closed_tips(gauge, contact_share)
        points, normals = np.concatenate([points, more]), np.concatenate([normals, upwards])
        owners = np.concatenate([owners, names])
    middle = (gauge.girdle_loop.max(axis=0) + gauge.girdle_loop.min(axis=0)) / 2.0
    return Contacts(points, -normals, owners, np.array([*middle, girdle]), gauge.stone.width_mm / 2.0)


def _pavilion_levels(gauge: Gauge, girdle_mm: float) -> Iterable[float]:
    """Heights below the girdle at which metal touches: beside the claws' notches and over the bearing."""
    depth = girdle_mm - float(gauge.culet[2])
    top = min(float(gauge.levels_mm[0]), girdle_mm)
    yield from (girdle_mm - share * max(girdle_mm - top, 0.04 * depth) for share in (0.15, 0.85))
    touching = np.flatnonzero((gauge.room_mm - gauge.settling_mm <= TOUCH_MM).any(axis=1))
    rows = np.linspace(0, len(touching) - 1, PAVILION_ROWS).round().astype(int) if len(touching) else ()
    for i in dict.fromkeys(rows):
        yield float(gauge.levels_mm[touching[i]])


class Rings:
    """Level rings round the stone as it stands, cut from its own facets, each place with its facet's normal."""

    def __init__(self, gauge: Gauge) -> None:
        triangles, owner = gauge.placed.triangles()
        self.corners: Floats = gauge.placed.vertices[triangles]
        self.owner: Ints = owner
        self.normals = gauge.placed.face_normals()
        self.low: Floats = self.corners[:, :, 2].min(axis=1)
        self.high: Floats = self.corners[:, :, 2].max(axis=1)

    def at(self, heights_mm: Sequence[float]) -> tuple[Floats, Floats, Ints]:
        """(n, 3) places and (n, 3) outward normals along every facet that a level meets, evenly, and (n,) which
        level."""
        heights = np.asarray(heights_mm, np.float64)
        level, met = np.nonzero((self.low < heights[:, None]) & (self.high > heights[:, None]))
        height, corners = heights[level], self.corners[met]
        after = corners[:, [1, 2, 0]]
        above = corners[:, :, 2] > height[:, None]
        crossing = above != above[:, [1, 2, 0]]
        rise = np.where(crossing, after[:, :, 2] - corners[:, :, 2], 1.0)
        cuts = corners + ((height[:, None] - corners[:, :, 2]) / rise)[:, :, None] * (after - corners)
        # A plane meets two sides of a triangle, so a reshape pairs them.
        ends = cuts[crossing].reshape(-1, 2, 3)
        ways = ends[:, 1] - ends[:, 0]
        lengths = np.sqrt(np.einsum("ij,ij->i", ways, ways))
        step = np.maximum(np.bincount(level, lengths, len(heights)) / RING, 1e-9)
        counts = np.maximum(1, np.ceil(lengths / step[level])).astype(int)
        many = np.bincount(level, minlength=len(heights))
        if many.max(initial=0) > 2 * RING:
            # A scan's ring has more facets than places are needed.
            every = np.where(many > 2 * RING, np.ceil(many / RING).astype(int), 1)
            nth = np.arange(len(met)) - (np.cumsum(many) - many)[level]
            counts[nth % every[level] != 0] = 0
        which = np.repeat(np.arange(len(met)), counts)
        order = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
        share = ((order + 0.5) / counts[which])[:, None]
        places: Floats = ends[which, 0] + share * ways[which]
        # Rounding would make a level of each, to be cut by itself.
        places[:, 2] = height[which]
        return places, self.normals[self.owner[met[which]]], level[which].astype(np.int32)


def _touching(gauge: Gauge, rings: Rings, levels: Sequence[float], within_mm: Sequence[float]) -> tuple[Floats, Floats]:
    """Those places of the rings at some levels beside which metal stands, as near as is asked for each, and their
    normals."""
    points, normals, level = rings.at(levels)
    flat = np.hypot(normals[:, 0], normals[:, 1])
    steep = flat > 1e-9
    points, normals, flat, level = points[steep], normals[steep], flat[steep], level[steep]
    out = normals[:, :2] / flat[:, None] * (np.asarray(within_mm)[level] / np.maximum(flat, STEEP))[:, None]
    met = gauge.has_metal(np.asarray(levels, np.float64), points[:, :2] + out, level)
    return points[met], normals[met]


def _under_base(gauge: Gauge, rings: Rings, within_mm: float) -> tuple[Floats, Floats]:
    """Places of a flat base under which metal stands, and their normals; none under a culet."""
    nothing = np.zeros((0, 3)), np.zeros((0, 3))
    if gauge.stone.pavilion_depth_mm > 0.0:
        return nothing
    low = float(gauge.culet[2])
    edge = rings.at([low + 1e-6])[0]
    if not len(edge):
        return nothing
    loops = gauge.metal_at(low - within_mm)
    middle = edge[:, :2].mean(axis=0)
    places = np.concatenate([middle + share * (edge[:, :2] - middle) for share in FLAT_SHARES])
    met = is_inside(loops, places) if loops else np.zeros(len(places), bool)
    if not met.any():
        return nothing
    points = np.column_stack([places[met], np.full(int(met.sum()), low)])
    return points, np.tile([0.0, 0.0, -1.0], (len(points), 1))


def _closed_tips(gauge: Gauge, contact_share: float) -> tuple[Floats, Floats, np.ndarray]:
    """Where each claw will lie on the crown: three places across it, (k, 3) each with outward normals, and its name."""
    claws = gauge.claws
    outwards = np.array([claw.outwards for claw in claws])
    reach = contact_share * np.array([gauge.crown_reach_mm(claw) for claw in claws])
    tips = np.array([claw.edge for claw in claws]) - reach[:, None] * outwards
    aside = np.column_stack([-outwards[:, 1], outwards[:, 0]]) * np.array([claw.diameter_mm for claw in claws])[:, None]
    flat = (tips[:, None] + np.array(TIP_SHARES)[:, None] * aside[:, None]).reshape(-1, 2)
    names = [claw.name for claw in claws for _ in TIP_SHARES]
    above, below = (np.column_stack([flat, np.full(len(flat), z)]) for z in (gauge.table_mm + 1.0, gauge.girdle_plane_mm))
    ways, normals = first_hits(gauge.stone_solid, above, below)
    # Beside the crown a tip finds nothing to lie on.
    on = np.isfinite(ways)
    return (above - np.outer(ways, [0.0, 0.0, 1.0]))[on], normals[on], np.array(names, object)[on]


def owners_of(gauge: Gauge, points: Floats, normals: Floats) -> np.ndarray:
    """(k,) names of the claws that touch places (k, 3) of the stone with outward normals (k, 3).

    Empty where a wall, a rail or a rim touches too, which stays when a claw breaks.
    """
    names = np.full(len(points), "", object)
    claws = gauge.claws
    if not claws or not len(points):
        return names
    edges, outwards = np.array([claw.edge for claw in claws]), np.array([claw.outwards for claw in claws])
    boxes = np.array([gauge.part_bounds(claw.name) for claw in claws])
    off = points[:, None, :2] - edges
    beside = np.abs(off[:, :, 1] * outwards[:, 0] - off[:, :, 0] * outwards[:, 1])
    ahead = np.einsum("ijk,jk->ij", off, outwards)
    lowest, highest = boxes[:, 0] - SETTLING_MOST_MM, boxes[:, 1] + SETTLING_MOST_MM
    near = ((points[:, None] >= lowest) & (points[:, None] <= highest)).all(axis=2)
    near &= beside <= CLAW_REACH * np.array([claw.diameter_mm for claw in claws])
    near &= ahead > -gauge.stone.width_mm / 2.0
    for claw, own in zip(claws, near.T):
        names[own] = claw.name
    held = np.flatnonzero(near.any(axis=1))
    out = points[held, :2] + normals[held, :2] * (TOUCH_MM + SETTLING_MOST_MM)
    levels, level = np.unique(points[held, 2], return_inverse=True)
    for name, solid in gauge.parts.items():
        if name not in gauge.claw_names:
            low, high = (float(each[2]) for each in bounds(solid))
            sections = [gauge.part_at(name, z) if low < z < high else [] for z in levels.tolist()]
            names[held[are_inside(sections, out, level.astype(np.int32))]] = ""
    return names


def sides(count: int) -> Sequence[Floats]:
    """(3,) unit ways in the girdle plane, evenly round."""
    turn = np.arange(count) * (2.0 * math.pi / count)
    return [np.array([math.cos(angle), math.sin(angle), 0.0]) for angle in turn]
