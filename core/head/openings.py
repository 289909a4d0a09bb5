"""What is taken out of a wall: the windows of a gallery and the scoops of a coronet."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats, Ints, PolyMesh
from ..stone.outline import Place
from .claws import section_of
from .columns import Columns, Run, columns, points_at
from .draft import Plan
from .site import Site
from .sweep import band_corners, closed_band, same_points, shell
from .windows import Face, Holes, Window, posts, spot_of, windows

PITCHES_PER_BAR = 5.0
"""Stations along the wall for each bar between two windows. Fewer: a window finds no stations beside it to join on."""

LONGEST_QUAD_MM = 0.4
"""How tall a scooped wall's quads are: even enough to sculpt on. Larger: they are tall and thin."""

SCOOP_PARALLELS = 9
"""Parallels between which a scooped wall is straight. Fewer: it leaves the true ridge of a curved corner."""

BESIDE = 0.25
"""How far beside a window, in steps between stations, the nearest that frames it must lie. Smaller: thin quads."""

RINGS = 2
"""Rings of quads round each window, from the wall's own stations to the window's edge."""


def claw_halves(site: Site) -> list[tuple[Place, float]]:
    """Each claw's place, and half of what it takes of the wall's length there, mm; of a V, the whole of a leg."""
    return [(line.place, claw_half_mm(site, line.place)) for line in site.lines]


def claw_half_mm(site: Site, place: Place) -> float:
    """Half of what a claw at a place takes of the wall's length, mm."""
    section = section_of(site.spec, site.plan, place)
    if section == "V":
        return site.plan["claw_width"]
    return site.plan["claw_width" if section != "round" else "claw_diameter"] / 2.0


def wall_face(plan: Plan) -> Face:
    """The wall's outer face."""
    taper = math.radians(plan["taper"])
    return Face(plan["girdle_plane"], taper, plan["wall_thickness"] / math.cos(taper))


def lay_out_windows(site: Site, holes: Holes) -> list[Window]:
    """The windows of the site's wall."""
    outline = site.outline.parted
    face, run = wall_face(site.plan), Run.along(outline)
    deepest = float(face.inset(0.0)) + face.through_mm
    return windows(run, posts(outline, run, claw_halves(site), deepest, holes.bar_mm), face, holes)


def holes_of(plan: Plan) -> Holes:
    """What the plan says of the windows."""
    return Holes(plan["window_sill"], plan["window_top"], plan["window_bar"], plan["window_least"])


def pierce_wall(site: Site, even: bool) -> dict[str, PolyMesh]:
    """The wall of a gallery as one closed shell of quads, "wall": windows go through it square to the outline.

    It is the same in few quads and in even ones.
    """
    plan, outline = site.plan, site.outline.parted
    face, holes, run = wall_face(plan), holes_of(plan), Run.along(outline)
    lean = math.cos(face.taper_rad)
    through, bevel, top = face.through_mm, plan["bevel"], plan["wall_top"]
    inner_top = top - bevel * lean
    pitch = min(holes.bar_mm, 2.0 * holes.bottom_mm) / PITCHES_PER_BAR
    low, high = holes.bottom_mm / 2.0, (holes.top_mm + inner_top) / 2.0
    rows = max(3, round((high - low) / (1.5 * pitch)))
    block = np.linspace(low, high, rows + 1)
    outer, inner = np.array([0.0, *block, top]), np.array([0.0, *block, inner_top])
    profile = [(z, 0.0) for z in outer] + [(top, through - bevel)] * (bevel > 0.0) + [(z, through) for z in inner[::-1]]
    heights, inwards = np.array(profile).T
    insets = face.inset(heights) + inwards
    known = np.unique(insets)
    stations = columns(outline, known, pitch, site.chord_mm)
    loops = stations.points[np.searchsorted(known, insets)]
    n = loops.shape[1]
    levels = np.broadcast_to(heights[:, None, None], (len(heights), n, 1))
    index = np.arange(len(heights) * n).reshape(len(heights), n)
    kept = np.ones(index.shape, bool)
    outside, inside = index[1:rows + 2], index[-2:-rows - 3:-1]
    vertices: list[Floats] = [np.concatenate([loops, levels], axis=2).reshape(-1, 3)]
    quads: list[Ints] = []
    count = index.size
    for window in lay_out_windows(site, holes):
        patch = _patch(site, stations, run, window, block, through, pitch)
        around = patch.perimeter(n)
        wide = np.arange(patch.first, patch.last) % n
        if not kept[1:rows + 1, wide].all():
            raise GeometryError("wall", f"a bar of {holes.bar_mm:g} mm leaves no metal to join two of its windows",
                                "take wider bars")
        kept[1:rows + 1, wide] = False
        kept[np.ix_(np.arange(len(heights) - rows - 2, len(heights) - 2), wide)] = False
        rings = [outside[around], *(count + np.arange(2 * RINGS * len(around[0])).reshape(2 * RINGS, -1)), inside[around]]
        quads += [_ring_quads(one, other) for one, other in zip(rings, rings[1:], strict=False)]
        vertices.append(patch.points)
        count += len(patch.points)
    cells = band_corners(*index.shape).reshape(*index.shape, 4)
    corners = np.concatenate([cells[kept], *quads]).ravel().astype(np.int32)
    same = same_points(vertices[0].reshape(*index.shape, 3))
    if same is not None:
        same = np.concatenate([same, np.arange(len(same), count, dtype=np.int32)])
    return {"wall": shell(np.concatenate(vertices), corners, "wall", same)}


class _Patch:
    """A window in the block of a wall's cells that makes room for it: columns first to last, and its own points."""

    def __init__(self, first: int, last: int, rows: int, points: Floats) -> None:
        self.first, self.last, self.rows, self.points = first, last, rows, points

    def perimeter(self, n: int) -> tuple[Ints, Ints]:
        """Rows and columns of the block's edge: along the bottom, up the right, back along the top, down the left."""
        return _perimeter(self.first, self.last, self.rows, n)


def _perimeter(first: int, last: int, rows: int, n: int) -> tuple[Ints, Ints]:
    wide, high = np.arange(first, last), np.arange(rows)
    row = np.concatenate([np.zeros_like(wide), high, np.full_like(wide, rows), rows - high])
    column = np.concatenate([wide, np.full_like(high, last), last - np.arange(last - first), np.full_like(high, first)])
    return row.astype(np.int32), (column % n).astype(np.int32)


def _patch(site: Site, stations: Columns, run: Run, window: Window, block: Floats, through: float,
           pitch_mm: float) -> _Patch:
    """The block of a window, and the points of its rings: two on the outer face, then two on the inner."""
    rows = len(block) - 1
    lengths, heights = window.edge(2, 200)
    spots = run.spot(lengths, np.asarray(window.face.inset(heights)), window.bay)
    round_ = float(run.pieces)
    places = np.concatenate([stations.spots, stations.spots + round_, stations.spots + 2.0 * round_])
    n = len(stations.spots)
    along, reach, beside = run.length(places, 0.0), run.length(spots, 0.0), BESIDE * pitch_mm
    first = int(np.flatnonzero(along < reach.min() - beside)[-1])
    last = int(np.flatnonzero(along > reach.max() + beside)[0])
    if (last - first) % 2:  # an even number of steps has one at the arch's apex
        first, last = (first, last + 1) if np.isfinite(places[last + 1]) else (first - 1, last)
    row, column = _perimeter(first, last, rows, n)
    lengths, heights = window.edge(last - first, len(row) - (last - first))
    spots = run.spot(lengths, np.asarray(window.face.inset(heights)), window.bay)
    around = np.concatenate([np.arange(first, last), np.full(rows, last), last - np.arange(last - first), np.full(rows, first)])
    middle_spots, middle_heights = 0.5 * (spots + places[around]), 0.5 * (heights + block[row])
    points = []
    for inwards in (0.0, through):
        rings = [(middle_spots, middle_heights), (spots, heights)]
        for spot, height in rings if inwards == 0.0 else rings[::-1]:
            flat = points_at(site.outline.parted, spot, np.asarray(window.face.inset(height)) + inwards)
            points.append(np.column_stack([flat, height]))
    return _Patch(first, last, rows, np.concatenate(points))


def scoop_wall(site: Site, even: bool) -> dict[str, PolyMesh]:
    """The wall of a coronet as one closed shell of quads, "wall": its top runs down between the claws and back up.

    At the claws it ends at the wall's top, as a plain wall does. It is the same in few quads and in even ones.
    """
    plan, outline = site.plan, site.outline.parted
    face = wall_face(plan)
    lean = math.cos(face.taper_rad)
    through, bevel, top = face.through_mm, plan["bevel"], plan["wall_top"]
    known = np.linspace(float(face.inset(top)), float(face.inset(0.0)) + through, SCOOP_PARALLELS)
    bays = scoop_bays(site, Run.along(outline))
    stations = columns(outline, known, scoop_pitch_mm(bays, plan["scoop_depth"], site.chord_mm), site.chord_mm)
    tops = top - plan["scoop_depth"] * scoop_shares(Run.along(outline), bays, stations)
    rows = max(2, round(top / lean / LONGEST_QUAD_MM) + 1)
    outer = np.linspace(0.0, 1.0, rows)[:, None] * tops
    inner = np.linspace(1.0, 0.0, rows)[:, None] * (tops - bevel * lean)
    heights = np.concatenate([outer, *([tops[None]] if bevel > 0.0 else []), inner])
    inwards = np.concatenate([np.zeros(rows), *([[through - bevel]] if bevel > 0.0 else []), np.full(rows, through)])
    loops = stations.at(np.asarray(face.inset(heights)) + inwards[:, None])
    return {"wall": closed_band(list(np.concatenate([loops, heights[..., None]], axis=2)), "wall")}


@dataclass(frozen=True)
class Bay:
    """The wall between two claws: from `start` to `end`, mm along the outline in the run's second and third rounds."""

    start: float
    end: float


def scoop_bays(site: Site, run: Run) -> list[Bay]:
    """What lies between the claws and their bearings, at the girdle."""
    bearing = site.plan["claw_bearing"]
    claws = sorted(((float(run.length(run.pieces + spot_of(site.outline.parted, place), 0.0)), half)
                    for place, half in claw_halves(site)))
    around = float(run.length(run.pieces, 0.0))
    after = [*claws[1:], (claws[0][0] + around, claws[0][1])]
    return [Bay(at + half + bearing, end - other - bearing) for (at, half), (end, other) in zip(claws, after, strict=True)]


def scoop_shares(run: Run, bays: list[Bay], stations: Columns) -> Floats:
    """(n,) of each station: how far down the scoop the wall's top is, 0 at the claws and 1 in the middle of a bay; at all
    stations that a corner or a cleft brings together the least of theirs, so that no claw loses its wall."""
    shares = np.zeros(len(stations.spots))
    around = float(run.length(run.pieces, 0.0))
    for along in (run.length(stations.along, 0.0) + around, run.length(stations.along, 0.0) + 2.0 * around):
        for bay in bays:
            if bay.end > bay.start:
                share = np.clip((along - bay.start) / (bay.end - bay.start), 0.0, 1.0)
                shares = np.maximum(shares, 0.5 - 0.5 * np.cos(2.0 * math.pi * share))
    # Corners bring stations together inside, a cleft outside; a wall as tall on either side of each stays closed.
    together = [same for same in (same_points(stations.points[-1:]), same_points(stations.points[:1])) if same is not None]
    for same in together + together[:-1]:
        least = np.ones(len(shares))
        np.minimum.at(least, same, shares)
        shares = least[same]
    return shares


def scoop_pitch_mm(bays: list[Bay], depth_mm: float, chord_mm: float) -> float:
    """Steps along the wall that keep the chord error of the scoops: a cosine's sharpest bend is at its ends."""
    shortest = min((bay.end - bay.start for bay in bays if bay.end > bay.start), default=1.0)
    bend = 2.0 * math.pi ** 2 * max(depth_mm, 0.05) / shortest ** 2
    return max(math.sqrt(8.0 * chord_mm / bend), shortest / 64.0)


def _ring_quads(outer: Ints, inner: Ints) -> Ints:
    """(m, 4) quads between two closed rings of vertex numbers, the first counter-clockwise round the second."""
    quads: Ints = np.stack([outer, np.roll(outer, -1), np.roll(inner, -1), inner], axis=-1).astype(np.int32)
    return quads
