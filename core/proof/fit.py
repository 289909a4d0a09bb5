"""How stone and metal fit: volume in common, room at the culet, contact with the crown, gaps in the seat."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, PolyMesh
from ..solid.kernel import (
    Solid,
    first_hits,
    gap_mm,
    hull_triangles,
    overlap,
    solid_of_triangles,
    transformed,
    triangles_of,
    volume_mm3,
    ways_through,
)
from .claw_measure import ClawMeasure
from .frame import Frame
from .loops import first_crossing

EVERY, BATCH = 8, 64
"""Which planes bound a depth, and how many points are tried at once. Only the time taken depends on them."""

MOST_FACETS = 5000
"""Stones with more facets are scans. Larger: the table of points against facets fills the memory."""

MOST_TRIED = 30
"""From how many points the nearest way out of a scan is looked for. Fewer: a narrow high spot is passed over."""

OUTWARDS = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x * x + y * y + z * z in (1, 3)],
                    np.float64)
OUTWARDS /= np.linalg.norm(OUTWARDS, axis=1, keepdims=True)
"""Directions of those ways, (14, 3), along the axes and the diagonals: the way found is at most a quarter longer than
the depth."""

PROBE_MM = 1e-3
"""Half the edge of the cube that stands for the culet. Larger: room under it is read short."""

SEATED_MM = 0.01
"""How deep metal may reach into the stone and still count as a finished seat: what a stone beds into when pushed home.
Common practice, no source."""

CROWN_STEPS = 96
"""Places along the crown from which its length is summed up. Fewer: a dome reads short."""

LEVEL_MM = 1e-6
"""How far below the crown's highest place still is its top. Larger: a low dome would end early."""

BELOW_SHARES = (0.1, 0.45, 0.8)
"""Where in a notch, from the girdle inwards as shares of its depth, the seat is looked at."""

ABOVE_SHARES = (0.04, 0.12, 0.2)
"""Where on the crown, from the girdle to the table as shares of the way, the same: inside the least contact."""

GAP_REACH_MM = 0.5
"""Gaps wider than this are not looked for."""

START_MM = 1e-5
"""How far inside the stone a way out of it starts. Larger: a tight seat is read as a gap."""


def finished_depth(frame: Frame) -> tuple[float, Floats]:
    """How deep metal reaches into a stone that it was cut to, mm, and (3,) where. Metal that only lies against the facets
    is known from a stone a little smaller, which it does not meet."""
    middle, size = frame.placed.vertices.mean(axis=0), float(np.ptp(frame.placed.vertices, axis=0).max())
    less = 1.0 - SEATED_MM / size
    smaller = np.column_stack([np.eye(3) * less, middle * (1.0 - less)])
    if len(triangles_of(overlap(frame.metal, transformed(frame.stone_solid, smaller)))[1]):
        _, depth, place = common(frame)
        return depth, place
    vertices, _ = triangles_of(frame.metal)
    low, high = frame.placed.vertices.min(axis=0), frame.placed.vertices.max(axis=0)
    near = vertices[((vertices >= low) & (vertices <= high)).all(axis=1)]
    if not len(near) or len(frame.placed) > MOST_FACETS:
        return 0.0, frame.culet
    below = depths(near, *facet_planes(frame.placed))
    deepest = int(np.argmax(below))
    return max(0.0, float(below[deepest])), near[deepest]


def common(frame: Frame) -> tuple[float, float, Floats]:
    """Volume that metal and stone both claim, mm3, how deep it reaches below the facets, mm, and (3,) where."""
    both = overlap(frame.metal, frame.stone_solid)
    volume = max(0.0, volume_mm3(both))
    vertices, triangles = triangles_of(both)
    if not len(vertices):
        return volume, 0.0, frame.culet
    # Long edges run through the stone from facet to facet, so their middles are looked at too.
    after = np.concatenate([triangles[:, 1:], triangles[:, :1]], axis=1).ravel()
    ends = np.column_stack([triangles.ravel(), after])[triangles.ravel() < after]
    ways = vertices[ends[:, 1]] - vertices[ends[:, 0]]
    ends = ends[np.einsum("ij,ij->i", ways, ways) > SEATED_MM**2]
    vertices = np.concatenate([vertices, vertices[ends].mean(axis=1)])
    if len(frame.placed) > MOST_FACETS:
        # A scan has too many facets to try each, and may not be convex: the nearest way out is looked for instead.
        vertices = vertices[::max(1, len(vertices) // MOST_TRIED)]
        reach = float(np.ptp(frame.placed.vertices, axis=0).sum())
        depth = np.array([min((ways[0] for ways in ways_through(frame.stone_solid, np.tile(point, (len(OUTWARDS), 1)),
                                                                point + OUTWARDS * reach) if ways),
                              default=0.0) for point in vertices])
    else:
        depth = depths(vertices, *facet_planes(frame.placed))
    deepest = int(np.argmax(depth))
    return volume, max(0.0, float(depth[deepest])), vertices[deepest]


def facet_planes(placed: PolyMesh) -> tuple[Floats, Floats]:
    """Outward normals (f, 3) and offsets (f,) of a stone's facets."""
    normals = placed.face_normals()
    return normals, np.einsum("ij,ij->i", normals, placed.vertices[placed.corners[placed.starts[:-1]]])


def depths(points: Floats, normals: Floats, offsets: Floats) -> Floats:
    """(n,) mm below the nearest of the planes, for the deepest points exactly; others may read up to that deep at most.

    A few planes bound the depth of every point; all planes are tried only where that bound can still be the deepest.
    """
    depth: Floats = (offsets[::EVERY] - points @ normals[::EVERY].T).min(axis=1)
    deepest, order = -math.inf, np.argsort(-depth)
    for start in range(0, len(order), BATCH):
        batch = order[start:start + BATCH]
        if depth[batch[0]] <= deepest:
            depth[order[start:]] = np.minimum(depth[order[start:]], deepest)
            break
        depth[batch] = (offsets - points[batch] @ normals.T).min(axis=1)
        deepest = max(deepest, float(depth[batch].max()))
    return depth


def room_at_culet(frame: Frame, reach_mm: float) -> float:
    """From the culet to the metal, mm, at most `reach_mm`."""
    corner = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
    probe = solid_of_triangles(*hull_triangles(frame.culet + PROBE_MM * corner), "probe at the culet")
    return gap_mm(probe, frame.metal, reach_mm)


def crown_line(frame: Frame, claw: ClawMeasure, count: int) -> tuple[Floats, float]:
    """(count, 3) points on the crown, evenly along it from the girdle to the table's edge or a dome's top, inwards from the
    claw, and its length, mm."""
    inwards = -claw.outwards
    steps, z = _crown_steps(frame, claw.edge, inwards, _to_table_mm(frame, claw.edge, claw.outwards))
    highest = int(np.flatnonzero(z >= z.max() - LEVEL_MM)[0])
    if highest < len(z) - 1:  # it passes the table, or a dome's top, and falls again behind its highest place
        steps, z = _crown_steps(frame, claw.edge, inwards, float(steps[highest]))
    run = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(steps), np.diff(z)))])
    xy = claw.edge + np.outer(np.interp(np.linspace(0.0, run[-1], count), run, steps), inwards)
    return np.column_stack([xy, frame.stone.crown_height_at(xy) + frame.girdle_plane_mm]), float(run[-1])


def _crown_steps(frame: Frame, edge: Floats, inwards: Floats, far_mm: float) -> tuple[Floats, Floats]:
    """(k,) ways in from a place (2,) of the girdle, as far as asked, and the crown's heights there, mm."""
    steps = np.linspace(0.0, 1.0, CROWN_STEPS + 1) * far_mm
    steps[0] = 1e-3
    z = frame.stone.crown_height_at(edge + np.outer(steps, inwards)) + frame.girdle_plane_mm
    is_met = np.isfinite(z)
    return steps[is_met], z[is_met]


def crown_contact(frame: Frame, claw: ClawMeasure, reading_mm: float) -> tuple[float, Floats]:
    """Share of the crown's slope, girdle to table, that the claw lies on, in the middle of it; (3,) its end."""
    line, _ = crown_line(frame, claw, 25)
    solid = frame.parts[claw.name]

    def touches(at: Floats) -> np.ndarray:
        at = np.where(np.isfinite(at), at, 1e3)
        # Metal farther up does not touch, so that there is no need to look for it.
        ways, _ = first_hits(solid, at - [0.0, 0.0, reading_mm], at + [0.0, 0.0, reading_mm])
        return np.isfinite(ways)

    touching = touches(line)
    if not touching.any():
        return 0.0, line[0]
    last = int(np.flatnonzero(touching).max())
    after = min(last + 1, len(line) - 1)
    finer = line[last] + np.linspace(0.0, 1.0, 17)[:, None] * (line[after] - line[last])
    more = int(np.argmin(np.append(touches(finer), False))) - 1
    gaps = int((~touching[:last]).sum())
    return (last - gaps + max(more, 0) / 16.0) / (len(line) - 1), finer[max(more, 0)]


def seat_gaps(frame: Frame, claws: Sequence[ClawMeasure]) -> tuple[Gaps, Gaps]:
    """The gaps between stone and claws: below the girdle in their notches, and above it next to the girdle."""
    below, above = [], []
    for claw in claws:
        for leg in claw.legs:
            below.append(leg.edge - np.outer(np.array(BELOW_SHARES) * leg.notch * leg.thickness_mm, leg.outwards))
            # Over a dome, which has no table, a claw reaches no farther than it is thick.
            reach = min(_to_table_mm(frame, claw.edge, claw.outwards), 2.0 * leg.thickness_mm)
            above.append(leg.edge - np.outer(np.array(ABOVE_SHARES) * reach, leg.outwards))
    names = [claw.name for claw in claws for _ in claw.legs for _ in BELOW_SHARES]
    far = float(np.ptp(frame.placed.vertices[:, 2])) + 1.0
    return _gaps_over(frame, names, np.concatenate(below), -far), _gaps_over(frame, names, np.concatenate(above), far)


def _to_table_mm(frame: Frame, edge: Floats, outwards: Floats) -> float:
    """Level way in from a place (2,) of the girdle to the table's edge; half the way across where there is no table."""
    way = float(first_crossing(frame.stone_at(frame.table_mm - 1e-5), edge[None, :], -outwards[None, :], 0.0)[0])
    return way if math.isfinite(way) else float(frame.reach_mm.max())


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
    found = np.minimum(gaps(frame.metal, points, normals[met], GAP_REACH_MM), GAP_REACH_MM)
    return Gaps([name for name, is_met in zip(names, met) if is_met], found, points)


def gaps(solid: Solid, points: Floats, normals: Floats, reach_mm: float) -> Floats:
    """(n,) mm from places (n, 3) on the stone, along its facets' outward normals (n, 3), to the metal: 0 where metal
    lies on the stone or stands in it, inf where there is none within `reach_mm`."""
    ways, met = first_hits(solid, points - START_MM * normals, points + reach_mm * normals)
    leaves = np.einsum("ij,ij->i", met, normals) > 0.0
    return np.where(leaves & np.isfinite(ways), 0.0, np.maximum(ways - 2.0 * START_MM, 0.0))
