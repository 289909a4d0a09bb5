"""How stone and metal fit: volume in common, room at the culet, contact with the crown, gaps in the seat."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from ..mesh import Floats, Ints, PolyMesh, cross, lengths
from ..solid.kernel import (
    Solid,
    bounds,
    contains,
    first_hits,
    gap_mm,
    overlap,
    transformed,
    triangles_not_of,
    triangles_of,
    volume_mm3,
    ways_through,
)
from ..tolerance import READ_MM, SAME_POINT_MM
from .apart import near_pairs, nearest_of_triangles
from .claw_measure import ClawMeasure
from .frame import Frame
from .halves import Half, edges_turning_in, facet_planes, halves, halves_of, is_convex
from .inside import DEEP_MM, deepest, volume_in_common
from .loops import first_crossing, in_rows

EVERY, AT_ONCE = 8, 4
"""Which planes are tried first, and how many times as many pairs of points and planes are looked at in one go as of others. Only
the time taken depends on them."""

FINE_FACETS = 600
"""Stones with more facets are cut with the metal to tell what both claim. Only the time taken depends on it."""

MOST_FACETS = 5000
"""Stones with more facets are scans. Larger: the table of points against facets fills the memory."""

MOST_TRIED = 30
"""From how many points the nearest way out of a scan is looked for. Fewer: a narrow high spot is passed over."""

ONE_IN = 16
"""How many places of what metal and stone both claim go to one that is measured first, or are measured first. Only the time taken
depends on it."""

FIRST_TRIED = 16
"""How many triangles of a rail are first held against the stone. Only the time taken depends on it."""

OUTWARDS = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x * x + y * y + z * z in (1, 3)],
                    np.float64)
OUTWARDS /= np.linalg.norm(OUTWARDS, axis=1, keepdims=True)
"""Directions of those ways, (14, 3), along the axes and the diagonals: the way found is at most a quarter longer than
the depth."""

PAST_CUT = 1.25
"""How far past the cut between its halves a stone is held against metal, as a share of the depth that is passed over. No more
than once: metal in the cut is passed over; one and a half times: other metal at its edge counts as inside.
"""

SEATED_MM = 0.01
"""How deep metal may reach into the stone and still count as a finished seat: what a stone beds into when pushed home.
Common practice, no source."""

BELOW_SHARES = (0.1, 0.45, 0.8)
"""Where in a notch, from the girdle inwards as shares of its depth, the seat is looked at."""

ABOVE_SHARES = (0.04, 0.12, 0.2)
"""Where on the crown, from the girdle to the table as shares of the way, the same: inside the least contact."""

GAP_REACH_MM = 0.5
"""Gaps wider than this are not looked for."""

START_MM = 1e-5
"""How far inside the stone a way out of it starts. Larger: a tight seat is read as a gap."""


def _within(vertices: Floats, triangles: Ints, low: Floats, high: Floats) -> Ints:
    """Those of the triangles that reach into a box."""
    # Six sides of the box in one byte for each corner.
    beyond = np.packbits(np.concatenate([vertices < low, vertices > high], axis=1), axis=1)[:, 0][triangles]
    reaching: Ints = triangles[(beyond[:, 0] & beyond[:, 1] & beyond[:, 2]) == 0]
    return reaching


def _not_above_one(vertices: Floats, triangles: Ints, normals: Floats, offsets: Floats) -> Ints:
    """Those of the triangles whose corners do not all lie above one and the same plane."""
    points, planes = np.column_stack([vertices, np.ones(len(vertices))]), np.column_stack([normals, -offsets])
    # Most have all corners above one of a few planes, and nearly all others above one of all.
    for some in (planes[::EVERY], planes):
        used = np.zeros(len(vertices), bool)
        used[triangles] = True
        above = np.zeros((len(vertices), (len(some) + 7) // 8), np.uint8)
        own = np.flatnonzero(used)
        for rows in in_rows(len(own), len(some) // AT_ONCE):
            above[own[rows]] = np.packbits(points[own[rows]] @ some.T >= 0.0, axis=1)
        one, two, three = (above[triangles[:, corner]] for corner in range(3))
        triangles = triangles[~(one & two & three).any(axis=1)]
    return triangles


def common(frame: Frame) -> tuple[float, float, Floats]:
    """Volume that metal and stone both claim, mm3, how deep it reaches into the stone, mm, and (3,) where."""
    if len(frame.placed) > MOST_FACETS:
        return max(0.0, volume_mm3(overlap(frame.metal, frame.stone_solid))), *_depth_in_scan(frame)
    if not is_convex(frame.placed):
        both = overlap(frame.metal, frame.stone_solid)
        return max(0.0, volume_mm3(both)), *_depth_between_lobes(frame, both, frame.stone_solid)
    reaching, volume = _reaching(frame), None
    deep, place = _depth_of(frame, reaching)
    if deep <= SAME_POINT_MM:
        return 0.0, deep, place
    if len(frame.placed) <= FINE_FACETS and frame.is_joined:
        volume = volume_in_common(frame.metal_triangles[0], reaching, frame.placed, partial(contains, frame.metal))
    if volume is None:
        volume = volume_mm3(overlap(frame.metal, frame.stone_solid))
    return max(0.0, volume), deep, place


def depth(frame: Frame) -> tuple[float, Floats]:
    """How deep metal reaches into the stone, mm, and (3,) where."""
    if len(frame.placed) > MOST_FACETS:
        return _depth_in_scan(frame)
    turning = edges_turning_in(frame.placed)
    if len(turning):
        if _is_clear_of_halves(frame, turning, DEEP_MM):
            return 0.0, frame.culet
        return _depth_between_lobes(frame, overlap(frame.metal, frame.stone_solid), frame.stone_solid)
    return _depth_of(frame, _reaching(frame, DEEP_MM))


def _is_clear_of_halves(frame: Frame, turning: Ints, deep_mm: float) -> bool:
    """Whether metal reaches so deep into neither half of a stone, parted at its edges (k, 2) that turn in, so that there is
    no need to look what both claim."""
    parts = halves(frame.placed, frame.placed.vertices[turning])
    vertices, triangles = frame.unlike_triangles
    triangles = _within(vertices, triangles, frame.placed.vertices.min(axis=0), frame.placed.vertices.max(axis=0))
    for part in parts:
        # By more than what is passed over, so that what lies across the cut is found as well; a stone's edge on the cut that
        # turns out leaves other metal two thirds of that to both sides.
        part = part.past_cut(PAST_CUT * deep_mm)
        reaching = vertices[_not_above_one(vertices, triangles, part.normals, part.offsets - deep_mm)]
        if deepest(reaching, part.normals, part.offsets)[0] > deep_mm:
            return False
    middle = frame.placed.vertices.mean(axis=0)[None, :]
    return len(parts) > 0 and not (frame.metal_holds(middle)[0] and contains(frame.stone_solid, middle)[0])


def is_deeper(frame: Frame, than_mm: float) -> bool:
    """Whether metal reaches deeper into the stone than that."""
    if len(frame.placed) > MOST_FACETS:
        return _depth_in_scan(frame)[0] > than_mm
    turning = edges_turning_in(frame.placed)
    if len(turning):
        smaller = _smaller_stone(frame, than_mm)
        return (not _is_clear_of_halves(frame, turning, than_mm)
                and any(_depth_between_lobes(frame, overlap(body, smaller), smaller)[0] > than_mm for body in frame.bodies()))
    return _depth_of(frame, _reaching(frame, than_mm))[0] > than_mm


def _depth_of(frame: Frame, reaching: Ints) -> tuple[float, Floats]:
    """The same by those of the metal's triangles that may reach into the stone."""
    planes, middle = facet_planes(frame.placed), frame.placed.vertices.mean(axis=0)
    found = deepest(frame.unlike_triangles[0][reaching], *planes)
    if frame.metal_holds(middle[None, :])[0]:
        # Metal may stand all round it and have no face in the stone.
        found = max(found, (float((planes[1] - planes[0] @ middle).min()), middle), key=lambda each: each[0])
    return found if found[0] > 0.0 else (0.0, frame.culet)


def _depth_between_lobes(frame: Frame, both: Solid, stone: Solid) -> tuple[float, Floats]:
    """The same of a stone whose facets' planes run on through it, as a heart's do, by what metal and it, or a smaller one
    in it, both claim."""
    # What came from the stone is its surface.
    vertices, triangles = triangles_not_of(both, stone)
    if not len(vertices):
        return 0.0, frame.culet
    places = _places_of(vertices, triangles)
    middle = frame.placed.vertices.mean(axis=0)[None, :]
    if frame.metal_holds(middle)[0] and contains(frame.stone_solid, middle)[0]:
        places = np.concatenate([places, middle])
    return deepest_within(places, frame.placed) if len(places) else (0.0, frame.culet)


def _places_of(vertices: Floats, triangles: Ints) -> Floats:
    """(n, 3) corners of triangles (t, 3) of what metal and stone both claim, and the middles of their edges: long ones run
    through the stone from facet to facet."""
    after = np.concatenate([triangles[:, 1:], triangles[:, :1]], axis=1).ravel()
    ends = np.column_stack([triangles.ravel(), after])[triangles.ravel() < after]
    ways = vertices[ends[:, 1]] - vertices[ends[:, 0]]
    ends = ends[np.einsum("ij,ij->i", ways, ways) > SEATED_MM**2]
    return np.concatenate([vertices[np.unique(triangles)], vertices[ends].mean(axis=1)])


def _depth_in_scan(frame: Frame) -> tuple[float, Floats]:
    """The same of a stone that has too many facets to try each, and may not be convex: by the nearest way out. Metal
    that only lies against the facets is known from a stone a little smaller, which it does not meet."""
    if not len(triangles_of(overlap(frame.metal, _smaller_stone(frame, SEATED_MM)))[1]):
        return 0.0, frame.culet
    middle = frame.placed.vertices.mean(axis=0)
    vertices = _places_of(*triangles_of(overlap(frame.metal, frame.stone_solid)))
    vertices = vertices[::max(1, len(vertices) // MOST_TRIED)]
    if frame.metal_holds(middle[None, :])[0]:
        vertices = np.concatenate([vertices, middle[None, :]])
    reach = float(np.ptp(frame.placed.vertices, axis=0).sum())
    depths = []
    for point in vertices:
        through = ways_through(frame.stone_solid, np.tile(point, (len(OUTWARDS), 1)), point + OUTWARDS * reach)
        depths.append(min((ways[0] for ways in through if ways), default=0.0))
    best = int(np.argmax(depths))
    return depths[best], vertices[best]


def _smaller_stone(frame: Frame, by_mm: float) -> Solid:
    """The stone smaller about its middle, nowhere by more than that."""
    middle = frame.placed.vertices.mean(axis=0)
    less = 1.0 - by_mm / float(lengths(frame.placed.vertices - middle).max())
    return transformed(frame.stone_solid, np.column_stack([np.eye(3) * less, middle * (1.0 - less)]))


def _reaching(frame: Frame, deeper_mm: float = 0.0) -> Ints:
    """(t, 3) those of the metal's triangles that may reach into the stone by more than so much."""
    vertices, triangles = frame.unlike_triangles
    triangles = _within(vertices, triangles, frame.placed.vertices.min(axis=0), frame.placed.vertices.max(axis=0))
    normals, offsets = facet_planes(frame.placed)
    return _not_above_one(vertices, triangles, normals, offsets - deeper_mm)


def deepest_within(points: Floats, mesh: PolyMesh) -> tuple[float, Floats]:
    """How far the deepest of points (n, 3) inside a closed mesh, n > 0, is from its surface, mm, and where it is (3,).

    Most lie near the surface, so that few are measured: of a stone of two halves first those that may be deepest, else some of
    all; then those that may be deeper, and that no face has as near above them as the deepest of the first.
    """
    faces, most = _Faces.of(mesh), _no_deeper_mm(points, halves_of(mesh))
    is_told = np.isfinite(most)
    first = np.argsort(np.where(is_told, -most, np.inf))[:ONE_IN] if is_told.any() else np.arange(0, len(points), ONE_IN)
    deep = faces.depths(points[first])
    best = int(deep.argmax())
    found = float(deep[best]), points[first[best]]
    left = points[most > found[0] + SAME_POINT_MM]
    left = left[~faces.are_under(left, max(found[0], SAME_POINT_MM))]
    if len(left):
        deep = faces.depths(left)
        best = int(deep.argmax())
        found = max(found, (float(deep[best]), left[best]), key=lambda each: each[0])
    return found


def _no_deeper_mm(points: Floats, parts: Sequence[Half]) -> Floats:
    """(n,) how deep points (n, 3) lie in a stone of halves at most, mm, inf where nothing is told: as far as below the nearest
    plane of their half, if square over them it is a facet and not past the cut."""
    most = np.full(len(points), np.inf)
    for part in parts:
        own = np.flatnonzero(points @ part.normals[-1] <= part.offsets[-1])
        below = part.offsets[:-1] - points[own] @ part.normals[:-1].T
        nearest, every = below.argmin(axis=1), np.arange(len(own))
        over = points[own] + below[every, nearest, None] * part.normals[nearest]
        is_facet = over @ part.normals[-1] <= part.offsets[-1]
        most[own[is_facet]] = below[every, nearest][is_facet]
    return most


@dataclass(frozen=True, eq=False)
class _Faces:
    """A closed mesh from within: its triangles' normals (t, 3) and offsets (t,), of each of their sides the normal in their
    plane, inwards, (3, t, 3), with offsets (3, t), and the edges at which it turns in: starts and ways (k, 3)."""

    normals: Floats
    offsets: Floats
    inwards: Floats
    from_sides: Floats
    starts: Floats
    ways: Floats

    @classmethod
    def of(cls, mesh: PolyMesh) -> _Faces:
        corners = mesh.vertices[mesh.triangles()[0]]
        sides = np.roll(corners, -1, axis=1) - corners
        normals = cross(sides[:, 0], sides[:, 1])
        sizes = np.linalg.norm(normals, axis=1)
        corners, sides = corners[sizes > 0.0], sides[sizes > 0.0]
        normals = normals[sizes > 0.0] / sizes[sizes > 0.0, None]
        inwards = np.ascontiguousarray(cross(normals[:, None], sides).transpose(1, 0, 2))
        turning = edges_turning_in(mesh)
        starts = mesh.vertices[turning[:, 0]]
        return cls(normals, np.einsum("ij,ij->i", normals, corners[:, 0]), inwards,
                   np.einsum("kij,ikj->ki", inwards, corners), starts, mesh.vertices[turning[:, 1]] - starts)

    def are_under(self, points: Floats, most_mm: float) -> np.ndarray:
        """(n,) bool: which points (n, 3) lie no more than so far square under a face."""
        are = np.zeros(len(points), bool)
        for rows in in_rows(len(points), len(self.normals)):
            below = self.offsets - points[rows] @ self.normals.T
            point, face = np.divmod(np.flatnonzero((below >= -SAME_POINT_MM) & (below <= most_mm)), len(self.normals))
            point += rows.start
            for inwards, offsets in zip(self.inwards, self.from_sides):
                within = np.einsum("ij,ij->i", points[point], inwards[face]) >= offsets[face] - SAME_POINT_MM
                point, face = point[within], face[within]
            are[point] = True
        return are

    def depths(self, points: Floats) -> Floats:
        """(n,) how far points (n, 3) are from the surface, mm: square under a face, or at an edge where it turns in. Nowhere
        else can the surface be nearest."""
        deep, squares = np.full(len(points), np.inf), np.einsum("ij,ij->i", self.ways, self.ways)
        for rows in in_rows(len(points), len(self.normals) + len(self.starts)):
            below = self.offsets - points[rows] @ self.normals.T
            is_under = below >= -SAME_POINT_MM
            for inwards, offsets in zip(self.inwards, self.from_sides):
                is_under &= points[rows] @ inwards.T >= offsets - SAME_POINT_MM
            deep[rows] = np.where(is_under, np.maximum(below, 0.0), np.inf).min(axis=1)
            off = points[rows, None] - self.starts
            along = np.clip(np.einsum("pij,ij->pi", off, self.ways) / squares, 0.0, 1.0)
            to_edges = np.linalg.norm(off - along[..., None] * self.ways, axis=2)
            deep[rows] = np.minimum(deep[rows], to_edges.min(axis=1, initial=np.inf))
        return deep


def room_at_culet(frame: Frame, reach_mm: float) -> float:
    """From the culet to the metal, mm, at most `reach_mm`; 0 in it."""
    vertices, triangles = frame.unlike_triangles
    if frame.metal_holds(frame.culet[None, :])[0]:
        return 0.0
    near = vertices[_within(vertices, triangles, frame.culet - reach_mm, frame.culet + reach_mm)]
    if not len(near):
        return reach_mm
    apart = nearest_of_triangles(np.broadcast_to(frame.culet, near.shape), near)[0]
    return float(apart.min(initial=reach_mm))


def rail_gap(frame: Frame, rail: Solid, reach_mm: float) -> float:
    """From a rail to the stone, mm, at most `reach_mm`; 0 where they meet."""
    if bounds(rail)[1][2] <= frame.culet[2] - reach_mm:
        return reach_mm
    bodies = _convex_bodies(frame.placed)
    if not bodies:
        return gap_mm(rail, frame.stone_solid, reach_mm)
    vertices, triangles = triangles_of(rail)
    facets = frame.placed.vertices[frame.placed.triangles()[0]]
    gap = reach_mm
    for normals, offsets in bodies:
        # What lies so far above the plane of one facet, all of it, is no nearer to the stone.
        near = vertices[_not_above_one(vertices, triangles, normals, offsets + gap)]
        if deepest(near, normals, offsets)[0] > 0.0:
            return 0.0
        least = (near.reshape(-1, 3) @ normals.T - offsets).reshape(-1, 3, len(offsets)).min(axis=1).max(axis=1)
        order = np.argsort(least)
        for some in (order[:FIRST_TRIED], order[FIRST_TRIED:]):
            some = some[least[some] < gap - SAME_POINT_MM]
            if len(some):
                i, j = near_pairs(near[some], facets, gap)
                gap = float(nearest_of_triangles(near[some[i]], facets[j])[0].min(initial=gap))
    return gap


def _convex_bodies(placed: PolyMesh) -> list[tuple[Floats, Floats]]:
    """Normals (f, 3) and offsets (f,) mm of the planes round a convex stone, or round each half of one that has two; none of
    others."""
    if is_convex(placed):
        return [facet_planes(placed)]
    return [(half.normals, half.offsets) for half in halves_of(placed)]


def seat_gaps(frame: Frame, claws: Sequence[ClawMeasure]) -> tuple[Gaps, Gaps]:
    """The gaps between stone and claws: below the girdle in their notches, and above it next to the girdle."""
    below, above = [], []
    edges, outwards = np.array([claw.edge for claw in claws]), np.array([claw.outwards for claw in claws])
    for claw, to_table in zip(claws, _to_table_mm(frame, edges, outwards).tolist()):
        for leg in claw.legs:
            below.append(leg.edge - np.outer(np.array(BELOW_SHARES) * leg.notch * leg.thickness_mm, leg.outwards))
            # Over a dome, which has no table, a claw reaches no farther than it is thick.
            reach = min(to_table, 2.0 * leg.thickness_mm)
            above.append(leg.edge - np.outer(np.array(ABOVE_SHARES) * reach, leg.outwards))
    names = [claw.name for claw in claws for _ in claw.legs for _ in BELOW_SHARES]
    far = float(np.ptp(frame.placed.vertices[:, 2])) + 1.0
    return _gaps_over(frame, names, np.concatenate(below), -far), _gaps_over(frame, names, np.concatenate(above), far)


def _to_table_mm(frame: Frame, edges: Floats, outwards: Floats) -> Floats:
    """(c,) level ways in from places (c, 2) of the girdle to the table's edge; half the way across where there is no
    table."""
    ways = first_crossing(frame.stone_at(frame.table_mm - 1e-5), edges, -outwards, 0.0)
    return np.where(np.isfinite(ways), ways, float(frame.reach_mm.max()))


@dataclass(frozen=True, eq=False)
class Gaps:
    """names (n,) of the claws, gaps_mm (n,), at most GAP_REACH_MM, and points (n, 3) on the stone."""

    names: Sequence[str]
    gaps_mm: Floats
    points: Floats


def _gaps_over(frame: Frame, names: Sequence[str], xy: Floats, far_mm: float) -> Gaps:
    """The gaps at places of the stone, seen straight from below (`far_mm` negative) or above."""
    inside = np.column_stack([xy, np.full(len(xy), frame.girdle_middle_mm)])
    ways, normals = first_hits(frame.stone_solid, inside, inside + [0.0, 0.0, far_mm])
    met = np.isfinite(ways)
    points = inside[met] + np.outer(ways[met], [0.0, 0.0, math.copysign(1.0, far_mm)])
    found = np.minimum(gaps(frame, points, normals[met], GAP_REACH_MM), GAP_REACH_MM)
    return Gaps([name for name, is_met in zip(names, met) if is_met], found, points)


def gaps(frame: Frame, points: Floats, normals: Floats, reach_mm: float) -> Floats:
    """(n,) mm from places (n, 3) on the stone, along its facets' outward normals (n, 3), to the metal: 0 where metal
    lies on the stone or stands in it, inf where there is none within `reach_mm`."""
    starts = points - START_MM * normals
    ways, met = frame.metal_hits(starts, points + reach_mm * normals)
    found = np.where(np.einsum("ij,ij->i", met, normals) > 0.0, 0.0, np.maximum(ways - 2.0 * START_MM, 0.0))
    # A way that leaves no metal within reach may begin in metal that is thicker, or in one part and come upon another in it.
    doubtful = np.flatnonzero(np.isinf(ways) if frame.is_joined else found > READ_MM)
    found[doubtful[frame.metal_holds(starts[doubtful])]] = 0.0
    return found
