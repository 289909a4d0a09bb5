"""Any closed mesh as a stone: checked, turned the right way up, and measured.

A scan has no facet planes, so what a setting asks is read off the solid itself. The stone must be one closed body
around its middle, whose triangles cover every direction once. Two of them can only cross where a direction is covered
more than once, and so by one that faces back to the middle: on a smooth scan there is none, which proves that the
surface does not cross itself, and on a noisy one only the few around such triangles have to be tried.
"""
from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..dimension import Dimension
from ..errors import GeometryError
from ..mesh import Floats, Ints, PolyMesh
from ..solid.kernel import Solid, bodies, hits, section, solid_of_triangles, transformed
from .facets import Planes
from .outline import Outline
from .stone import Stone, farthest_inside_mm

SIZES_MM = (0.5, 100.0)
"""How small and how large a scanned stone may be. Wider: a mesh in metres or inches would pass for one in mm."""

FLAT_DEG = 1.0
"""Triangles whose normals differ by less lie on one flat facet. Larger: a low dome would count as a table."""

MOST_FOLDS = 300
"""How many triangles of a noisy scan may face back to its middle. Larger: trying them all takes seconds."""

MOST_TRIED = 6000
"""How many triangles around those may be tried against each other. Larger: it takes seconds."""

TOUCH = 1e-6
"""Share of a side or a triangle within which touching is no crossing. Larger: a fold a micrometre deep goes
unnoticed."""

STEPS = 360
"""Steps per half turn in which an axis of symmetry is looked for, before it is refined."""

SKEW = 0.01
"""Mean difference of an outline from its mirror image, as a share of its radius, up to which it counts as symmetric."""

WAYS = 400
"""Places around a scanned outline from which the pavilion is looked for."""

GIRDLE_SHARE = 0.001
"""How near to the farthest point, as a share of the width, the surface still is girdle. Larger: steep facets join
it."""

LEVEL_SHARE = 0.01
"""How far, as a share of the depth, a point of the table may lie from its level. Larger: bezels join the table."""

BASE_SHARE = 0.85
"""A flat facet this large against the stone's shadow is a base, not a table. Common practice, no source."""

FINE_MM = 0.002
"""How far a section may be simplified before ways to it are measured. Larger: the wall's top moves by half of that."""

ROUGH_MM = 0.006
"""How far the outline's polygon may stray from the scan. Larger: walls follow it less well; smaller: they follow
noise."""

CORNER_DEG = 20.0
"""A scanned outline that turns by more than this at one place has a corner there. Common practice, no source."""

MEASURED = "measured on the mesh"


@dataclass(frozen=True, eq=False)
class ScannedStone(Stone):
    """A stone that came as a mesh. Everything a `Stone` tells is measured on the mesh, or on `solid`, which is the
    same to the kernel; `part` is empty."""

    solid: Solid = field(kw_only=True)

    def crown_height_at(self, xy: Floats) -> Floats:
        """As `Stone.crown_height_at`, by a ray from above each point."""
        low, high = self.mesh.vertices[:, 2].min() - 1.0, self.mesh.vertices[:, 2].max() + 1.0
        heights = np.full(len(xy), np.nan)
        for i, (x, y) in enumerate(np.asarray(xy, np.float64)):
            for _, point in hits(self.solid, (x, y, high), (x, y, low)):
                heights[i] = point[2]
                break
        return heights

    def grown(self, clearance_mm: float) -> PolyMesh:
        """The mesh with every vertex moved so that its faces move out by the clearance, in the mean."""
        triangles, _ = self.mesh.triangles()
        normals = self.mesh.face_normals()
        sums = np.zeros_like(self.mesh.vertices)
        areas = _areas(self.mesh.vertices, triangles)[:, None]
        for k in range(3):
            np.add.at(sums, triangles[:, k], normals * areas)
        ways = sums / np.linalg.norm(sums, axis=1, keepdims=True)
        lean, count = np.zeros(len(ways)), np.zeros(len(ways))
        for k in range(3):
            np.add.at(lean, triangles[:, k], areas[:, 0] * np.einsum("ij,ij->i", normals, ways[triangles[:, k]]))
            np.add.at(count, triangles[:, k], areas[:, 0])
        moved = self.mesh.vertices + ways * (clearance_mm * count / np.maximum(lean, 0.2 * count))[:, None]
        return PolyMesh(moved, self.mesh.corners, self.mesh.starts, self.mesh.tags, self.mesh.tag_names)

    @cached_property
    def _ways_around(self) -> tuple[Floats, Floats]:
        """(k, 2) places all round the outline and the (k, 2) unit ways inwards from them."""
        rows = []
        for piece in self.outline.pieces:
            length = float(np.linalg.norm(piece.at(np.full(1, 0.5))[2]))
            rows.append(piece.at(np.linspace(0.0, 1.0, 2 + math.ceil(WAYS * length / self.outline.perimeter_mm)))[:2])
        return np.concatenate([points for points, _ in rows]), -np.concatenate([normals for _, normals in rows])

    def _loops_mm(self, depth_mm: float) -> list[Floats]:
        """Where the mesh is cut at a depth below the girdle; nothing at its very tip."""
        return [_simplified(loop, FINE_MM) for loop in section(self.solid, -depth_mm) if len(loop) > 3]

    def _deepest(self, depth_mm: float) -> float:
        loops, around = self._loops_mm(depth_mm), self._ways_around[0]
        if not loops:
            return self.outline.reach_mm
        feet = [point for loop in loops for point in (loop, _along(loop, WAYS))]
        return farthest_inside_mm(np.concatenate(feet), np.concatenate([around, around[:1]]))

    def _least_insets(self, depths_mm: Floats) -> Floats:
        return np.array([self._least_inset(each) for each in depths_mm.tolist()])

    def _least_inset(self, depth_mm: float) -> float:
        loops = self._loops_mm(depth_mm)
        if not loops:
            return self.outline.reach_mm
        starts = np.concatenate(loops)
        ends = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops])
        points, inwards = self._ways_around
        least = float(_first_hits(points, inwards, starts, ends).min())
        return least if math.isfinite(least) else self.outline.reach_mm


def _along(loop: Floats, count: int) -> Floats:
    """(count, 2) points evenly along a closed loop (n, 2)."""
    closed = np.concatenate([loop, loop[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    ways = np.linspace(0.0, run[-1], count)
    return np.column_stack([np.interp(ways, run, closed[:, k]) for k in range(2)])


def scanned_stone(vertices: Floats, triangles: Ints, name: str = "scan",
                  correction_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> ScannedStone:
    """A stone from vertices (n, 3) mm and triangles (t, 3).

    correction_deg: how the measured orientation is corrected, as turns about the stone's own length, width and
    height in this order; (180, 0, 0) turns it over. Raises GeometryError naming count and place of what is wrong.
    """
    used, index = np.unique(triangles, return_inverse=True)
    vertices = vertices[used]
    size = float(np.ptp(vertices, axis=0).max()) if len(vertices) else 0.0
    if not SIZES_MM[0] <= size <= SIZES_MM[1]:
        raise GeometryError("stone", f"its mesh is {size:.4g} mm large", f"a stone measures {SIZES_MM[0]:g} to "
                            f"{SIZES_MM[1]:g} mm; export it in millimetres")
    triangles = _outward(vertices, index.reshape(-1, 3).astype(np.int32))
    _check_closed(vertices, triangles)
    solid = solid_of_triangles(vertices, triangles, "stone")
    _check_one_body(vertices, triangles, solid)
    turn, table = _upright(vertices, triangles)
    if any(correction_deg[:2]):
        turn = _tilt(*correction_deg[:2]) @ turn
        table = _facing(vertices, triangles, turn[2])
    turned = vertices @ turn.T
    low, high = _girdle_levels(turned)
    solid = transformed(solid, np.column_stack([turn, np.zeros(3)]))
    loops = section(solid, 0.5 * (low + high))
    loop = max(loops, key=lambda points: abs(_area(points)))
    spin, centre = _lengthwise(loop)
    spin = _turn_z(correction_deg[2]) @ spin
    shift = np.array([centre[0], centre[1], low])
    placed = (turned - shift) @ spin.T
    loop = (loop - centre) @ spin[:2, :2].T
    length, width = np.ptp(loop, axis=0)
    points = _simplified(loop)
    points *= math.sqrt(_area(loop) / _area(points))  # chords took some of it away
    outline = Outline(Outline.polygon(points).pieces, CORNER_DEG)
    top, bottom = float(placed[:, 2].max()), float(placed[:, 2].min())
    table_width = float(np.ptp(placed[table, 1])) if len(table) else 0.0
    figures = _figures({"length": (length, "mm"), "width": (width, "mm"), "depth": ((top - bottom) / width, "1"),
                        "table": (table_width / width, "1"), "crown_height": ((top - high + low) / width, "1"),
                        "girdle": ((high - low) / width, "1"), "pavilion_depth": (max(-bottom, 0.0) / width, "1")})
    tags = np.zeros(len(triangles), np.int32)
    mesh = PolyMesh(placed, triangles.ravel().astype(np.int32), np.arange(len(triangles) + 1, dtype=np.int32) * 3, tags,
                    ("scan",))
    flat = bottom > -GIRDLE_SHARE * width
    return ScannedStone(name, mesh, outline, float(length), float(width), top - bottom, top - (high - low), high - low,
                        0.0 if flat else -bottom, table_width, figures,
                        Planes(np.zeros((0, 3)), np.zeros(0), np.zeros(0, np.int32), ()),
                        (0.0, 0.0, 0.5 * (high - low)),
                        solid=transformed(solid, np.column_stack([spin, -spin @ shift])))


def _figures(values: Mapping[str, tuple[float, str]]) -> dict[str, Dimension]:
    return {name: Dimension(name, float(value), unit, f"The {name.replace('_', ' ')} {MEASURED}.", MEASURED)
            for name, (value, unit) in values.items()}


def _areas(vertices: Floats, triangles: Ints) -> Floats:
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    areas: Floats = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return areas


def _normals(vertices: Floats, triangles: Ints) -> Floats:
    """(t, 3), as long as twice the triangles' areas."""
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    return np.cross(b - a, c - a)


def _place(point: Floats) -> str:
    return "({:.3f}, {:.3f}, {:.3f}) mm".format(*point)


def _outward(vertices: Floats, triangles: Ints) -> Ints:
    """Triangles turned inside out if the mesh as a whole is."""
    normals = _normals(vertices, triangles)
    volume = float(np.einsum("ij,ij->", normals, vertices[triangles[:, 0]] - vertices.mean(axis=0)))
    return triangles[:, ::-1].copy() if volume < 0.0 else triangles


def _check_closed(vertices: Floats, triangles: Ints) -> None:
    """Every edge has two faces that run along it in opposite ways."""
    n = len(vertices)
    a = triangles.ravel().astype(np.int64)
    b = triangles[:, [1, 2, 0]].ravel().astype(np.int64)
    there, back = np.sort(a * n + b), np.sort(b * n + a)
    if (there == back).all() and (np.diff(there) > 0).all():
        return
    odd = np.setxor1d(there, back)
    if len(odd):
        ends = np.unique(np.sort(np.column_stack([odd // n, odd % n]), axis=1), axis=0)
        place = vertices[ends[0]].mean(axis=0)
        raise GeometryError("stone", f"its mesh is open or turned over at {len(ends)} edges, the first near "
                                     f"{_place(place)}",
                            "close the mesh and make all faces look outwards")
    double = there[1:][np.diff(there) == 0]
    place = vertices[[double[0] // n, double[0] % n]].mean(axis=0)
    raise GeometryError("stone", f"more than two faces meet at {len(double)} edges, the first near {_place(place)}",
                        "separate or remove the surplus faces")


def _check_one_body(vertices: Floats, triangles: Ints, solid: Solid) -> None:
    """The surface goes once around its middle, and nowhere back over itself."""
    count = len(bodies(solid))
    if count != 1:
        raise GeometryError("stone", f"its mesh has {count} bodies", "keep only the stone")
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    weights = np.einsum("ij,ij->i", a, np.cross(b, c))
    middle = (weights[:, None] * (a + b + c)).sum(axis=0) / (4.0 * weights.sum())
    a, b, c = a - middle, b - middle, c - middle
    faces_out = np.einsum("ij,ij->i", a, np.cross(b, c))
    back = np.flatnonzero(faces_out < 0.0).astype(np.int32)
    if len(back) > MOST_FOLDS:
        raise GeometryError("stone", f"{len(back)} of its faces look back at its middle, the first near "
                                     f"{_place(vertices[triangles[back[0]]].mean(axis=0))}, and at most {MOST_FOLDS} "
                                     "may",
                            "smooth the mesh, or carve the seat by hand if the stone is hollowed")
    _check_folds(vertices, triangles, middle, back)
    la, lb, lc = (np.linalg.norm(p, axis=1) for p in (a, b, c))
    below = (la * lb * lc + np.einsum("ij,ij->i", a, b) * lc + np.einsum("ij,ij->i", b, c) * la
             + np.einsum("ij,ij->i", c, a) * lb)
    turns = float((2.0 * np.arctan2(faces_out, below)).sum()) / (4.0 * math.pi)
    if abs(turns - 1.0) > 1e-6:
        raise GeometryError("stone", f"its surface goes around its middle {turns:.2f} times",
                            "it crosses itself; mend the mesh")


def _check_folds(vertices: Floats, triangles: Ints, middle: Floats, back: Ints) -> None:
    """No two triangles cross among those that share directions with one that faces back."""
    if len(back) == 0:
        return
    corners = vertices[triangles] - middle
    corners = corners / np.linalg.norm(corners, axis=2, keepdims=True)
    ways = corners.sum(axis=1)
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    spread = np.arccos(np.clip(np.einsum("ijk,ik->ij", corners, ways).min(axis=1), -1.0, 1.0))
    shared = np.zeros(len(triangles), bool)
    for i in back:
        shared |= 2.0 - 2.0 * (ways @ ways[i]) <= (spread + spread[i]) ** 2  # a chord is no longer than its arc
    tried = triangles[shared]
    if len(tried) > MOST_TRIED:
        raise GeometryError("stone", f"{len(back)} of its faces look back at its middle over {len(tried)} others, the "
                                     "first near "
                                     f"{_place(vertices[triangles[back[0]]].mean(axis=0))}, and at most {MOST_TRIED} "
                                     "can be tried",
                            "smooth the mesh, or carve the seat by hand if the stone is hollowed")
    low, high = vertices[tried].min(axis=1), vertices[tried].max(axis=1)
    pairs = [np.flatnonzero(((low <= high[k]) & (high >= low[k])).all(axis=1)) for k in range(len(tried))]
    one, other = np.repeat(np.arange(len(tried)), [len(near) for near in pairs]), np.concatenate(pairs)
    crossed = np.unique(one[_do_cross(vertices, tried[one], tried[other])])
    if len(crossed):
        place = vertices[tried[crossed[0]]].mean(axis=0)
        raise GeometryError("stone", f"its surface crosses itself at {len(crossed)} faces, the first near "
                                     f"{_place(place)}",
                            "mend the mesh there")


def _do_cross(vertices: Floats, first: Ints, second: Ints) -> NDArray[np.bool_]:
    """(k,): whether a side of a triangle of `first` goes through the inside of the one in `second`, both (k, 3)."""
    a, b, c = (vertices[second[:, i]] for i in range(3))
    u, v = b - a, c - a
    crosses = np.zeros(len(first), bool)
    for i in range(3):
        start = vertices[first[:, i]]
        way = vertices[first[:, (i + 1) % 3]] - start
        p = np.cross(way, v)
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = 1.0 / np.einsum("ij,ij->i", u, p)
            gap = start - a
            s = np.einsum("ij,ij->i", gap, p) * scale
            q = np.cross(gap, u)
            t = np.einsum("ij,ij->i", way, q) * scale
            far = np.einsum("ij,ij->i", v, q) * scale
            crosses |= (s > TOUCH) & (t > TOUCH) & (s + t < 1.0 - TOUCH) & (far > TOUCH) & (far < 1.0 - TOUCH)
    return crosses


def _upright(vertices: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    """The turn (3, 3) that makes the table look up, and which vertices are the table's (none if the flat is a base)."""
    normals = _normals(vertices, triangles)
    areas = np.linalg.norm(normals, axis=1)
    unit = normals / np.maximum(areas, 1e-300)[:, None]
    cells = np.round(unit * 12).astype(np.int64) @ [1, 100, 10000]
    _, cell = np.unique(cells, return_inverse=True)
    totals = np.bincount(cell.reshape(-1), areas)
    way = unit[np.flatnonzero(cell.reshape(-1) == int(totals.argmax()))[0]]
    for _ in range(3):
        near = unit @ way > math.cos(math.radians(FLAT_DEG if _ else 5.0))
        way = (normals * near[:, None]).sum(axis=0)
        way = way / np.linalg.norm(way)
    near = unit @ way > math.cos(math.radians(FLAT_DEG))
    shadow = 0.5 * float(np.abs(unit @ way * areas).sum())
    is_base = float(areas[near].sum()) > BASE_SHARE * shadow
    if is_base:
        return _turn_to_z(-way), np.zeros(0, np.int32)
    return _turn_to_z(way), _facing(vertices, triangles, way)


def _facing(vertices: Floats, triangles: Ints, way: Floats) -> Ints:
    """Which vertices are those of the flat facet that looks along a unit vector; none if there is no such facet."""
    normals = _normals(vertices, triangles)
    near = normals @ way > math.cos(math.radians(FLAT_DEG)) * np.linalg.norm(normals, axis=1)
    table = np.unique(triangles[near]).astype(np.int32)
    if not len(table):
        return table
    heights = vertices @ way
    # on a noisy scan a few triangles elsewhere happen to lie level
    off = np.abs(heights[table] - np.median(heights[table]))
    level: Ints = table[off < LEVEL_SHARE * np.ptp(heights)]
    return level


def _turn_z(angle_deg: float) -> Floats:
    """The rotation (3, 3) about +Z."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])


def _tilt(about_x_deg: float, about_y_deg: float) -> Floats:
    """The rotation (3, 3) about +X and then +Y."""
    a, b = math.radians(about_x_deg), math.radians(about_y_deg)
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, math.cos(a), -math.sin(a)], [0.0, math.sin(a), math.cos(a)]])
    about_y = np.array([[math.cos(b), 0.0, math.sin(b)], [0.0, 1.0, 0.0], [-math.sin(b), 0.0, math.cos(b)]])
    tilt: Floats = about_y @ about_x
    return tilt


def _turn_to_z(way: Floats) -> Floats:
    """The rotation (3, 3) that takes a unit vector to +Z."""
    side = np.eye(3)[int(np.abs(way).argmin())]
    x = np.cross(side, way)
    x = x / np.linalg.norm(x)
    return np.array([x, np.cross(way, x), way])


def _girdle_levels(points: Floats) -> tuple[float, float]:
    """Heights of the girdle's lower and upper edge: where the surface is farthest out, in 180 directions,
    leaving out the lowest and highest tenth."""
    xy = points[:, :2] - 0.5 * (points[:, :2].min(axis=0) + points[:, :2].max(axis=0))
    far = np.hypot(xy[:, 0], xy[:, 1])
    outer = far > 0.4 * far.max()
    xy, z = xy[outer], points[outer, 2]
    near = GIRDLE_SHARE * float(np.ptp(xy, axis=0).min())
    lows, highs = [], []
    for angle in np.arange(180) * (math.pi / 90.0):
        reach = xy @ [math.cos(angle), math.sin(angle)]
        level = z[reach > reach.max() - near]
        lows.append(level.min())
        highs.append(level.max())
    return float(np.percentile(lows, 10)), float(np.percentile(highs, 90))


def _area(loop: Floats) -> float:
    x, y = loop.T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) / 2.0


def _lengthwise(loop: Floats) -> tuple[Floats, Floats]:
    """The turn about Z (3, 3) that lays the stone's length along X, its tip ahead, and the middle (2,) of its box then.

    The length runs along the outline's axis of symmetry, the longer if there are several; across the narrowest way if
    there is none.
    """
    radii, heart = _radii(loop)
    angles = np.arange(STEPS) * (math.pi / STEPS)
    skew = np.array([_skew(radii, angle) for angle in angles])
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    along = np.ptp(loop @ ways.T, axis=0)
    across = np.roll(along, -STEPS // 2)
    if skew.min() > SKEW:
        angle = float(angles[int(across.argmin())])
    else:
        # of all axes of symmetry those of the smallest box (a square's sides, not its diagonals), and of these the
        # longest
        good = (skew < skew.min() + 0.25 * SKEW) & _is_dip(skew)
        box = np.where(good, along * across, np.inf)
        best = int(np.where(box < 1.01 * box.min(), along, -np.inf).argmax())
        angle = _least_skew(radii, float(angles[best]))
    way = np.array([math.cos(angle), math.sin(angle)])
    ahead = (loop - heart) @ way
    if -ahead.min() > ahead.max():
        way = -way
    spin = np.array([[way[0], way[1], 0.0], [-way[1], way[0], 0.0], [0.0, 0.0, 1.0]])
    box = loop @ spin[:2, :2].T
    return spin, spin[:2, :2].T @ (0.5 * (box.min(axis=0) + box.max(axis=0)))


def _radii(loop: Floats) -> tuple[Floats, Floats]:
    """Distance of the outline from its centroid at 2 STEPS even azimuths, and the centroid (2,)."""
    x, y = loop.T
    cross = x * np.roll(y, -1) - y * np.roll(x, -1)
    heart = ((loop + np.roll(loop, -1, axis=0)) * cross[:, None]).sum(axis=0) / (3.0 * cross.sum())
    azimuth = np.arange(2 * STEPS) * (math.pi / STEPS)
    ways = np.column_stack([np.cos(azimuth), np.sin(azimuth)])
    return _first_hits(np.broadcast_to(heart, ways.shape), ways, loop, np.roll(loop, -1, axis=0)), heart


def _skew(radii: Floats, angle: float) -> float:
    """How much an outline differs from its mirror image about an axis: mean difference of radii over the mean
    radius."""
    steps = np.arange(2 * STEPS)
    image = (2.0 * angle * STEPS / math.pi - steps) % (2 * STEPS)
    low = np.floor(image).astype(int)
    share = image - low
    mirrored = (1.0 - share) * radii[low % (2 * STEPS)] + share * radii[(low + 1) % (2 * STEPS)]
    return float(np.abs(mirrored - radii).mean() / radii.mean())


def _is_dip(skew: Floats) -> NDArray[np.bool_]:
    """Where a periodic row is no higher than its neighbours."""
    return (skew <= np.roll(skew, 1)) & (skew <= np.roll(skew, -1))


def _least_skew(radii: Floats, angle: float) -> float:
    """The axis near `angle` about which the outline is most symmetric."""
    step = math.pi / STEPS
    for _ in range(4):
        near = angle + step * np.linspace(-1.0, 1.0, 11)
        angle = float(near[int(np.argmin([_skew(radii, each) for each in near]))])
        step *= 0.2
    return angle


def _simplified(loop: Floats, within_mm: float = ROUGH_MM) -> Floats:
    """A counter-clockwise loop with only the points that keep it within a distance, by halving at the farthest."""
    first = int(np.argmax(np.hypot(loop[:, 0], loop[:, 1])))
    loop = np.roll(loop, -first, axis=0)
    closed = np.vstack([loop, loop[:1]])
    keep = np.zeros(len(closed), bool)
    keep[[0, -1]] = True
    stack = [(0, len(loop) // 2), (len(loop) // 2, len(loop))]
    keep[len(loop) // 2] = True
    while stack:
        start, end = stack.pop()
        if end - start < 2:
            continue
        way = closed[end] - closed[start]
        off = np.abs((closed[start + 1:end] - closed[start]) @ [-way[1], way[0]]) / max(math.hypot(*way), 1e-12)
        worst = int(off.argmax())
        if off[worst] > within_mm:
            middle = start + 1 + worst
            keep[middle] = True
            stack += [(start, middle), (middle, end)]
    return closed[:-1][keep[:-1]]


def _first_hits(points: Floats, ways: Floats, starts: Floats, ends: Floats) -> Floats:
    """(k,) mm: how far along each unit way (k, 2) from its point the first of the segments (s, 2) to (s, 2) is
    crossed."""
    along = ends - starts
    gap = starts[None] - points[:, None]
    turn = ways[:, None, 0] * along[None, :, 1] - ways[:, None, 1] * along[None, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        far = (gap[..., 0] * along[None, :, 1] - gap[..., 1] * along[None, :, 0]) / turn
        share = (gap[..., 0] * ways[:, None, 1] - gap[..., 1] * ways[:, None, 0]) / turn
    good = (share >= 0.0) & (share <= 1.0) & (far > -ROUGH_MM)
    nearest: Floats = np.where(good, np.maximum(far, 0.0), np.inf).min(axis=1)
    return nearest
