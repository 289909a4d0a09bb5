"""What is taken out of a wall: the windows of a gallery and the scoops of a coronet."""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats, Ints, PolyMesh
from ..stone.outline import Cleft, Outline, Place
from .claws import section_of
from .columns import Columns, Run, columns, points_at
from .draft import Plan
from .panels import framed, on_panels
from .site import Site
from .sweep import band_corners, closed_band, same_points, shell
from .windows import Face, Holes, Window, posts, spot_of, windows

EVEN_PER_BAR, FEW_PER_BAR = 5.0, 2.0
"""Stations along the wall for each bar between two windows: in near square quads, and in few. Fewer: a window finds no
stations beside it to join on."""

LONGEST_QUAD_MM = 0.4
"""How tall a scooped wall's quads are: even enough to sculpt on. Larger: they are tall and thin."""

RIDGE_ROWS = 3
"""Rows of cells of windows in a wall of few quads whose corners run along bowed ridges. Fewer: it leaves them."""

SCOOP_PARALLELS = 9
"""Parallels between which a scooped wall is straight. Fewer: it leaves the true ridge of a curved corner."""

BESIDE = 0.25
"""How far beside a window, in steps between stations, the nearest that frames it must lie. Smaller: thin quads."""

ROOM_MM = 0.01
"""The same in a wall of few quads, mm: they need not be even."""


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


def lay_out_windows(site: Site, holes: Holes) -> tuple[Window, ...]:
    """The windows of the site's wall."""
    return _laid_out(site.outline.parted, tuple(claw_halves(site)), wall_face(site.plan), holes)


# The plan and then the wall ask for the same windows.
@lru_cache(maxsize=16)
def _laid_out(outline: Outline, claws: tuple[tuple[Place, float], ...], face: Face, holes: Holes) -> tuple[Window, ...]:
    run, deepest, low = Run.along(outline), float(face.inset(0.0)) + face.through_mm, float(face.inset(holes.bottom_mm))
    # At a corner claws follow the ridge, which runs on along both sides as the wall runs in.
    taken = [(place, half + low * math.tan(math.radians(max(place.turn_deg, 0.0) / 2.0))) for place, half in claws]
    return tuple(windows(run, posts(outline, run, taken, deepest, holes.bar_mm), face, holes))


def holes_of(plan: Plan) -> Holes:
    """What the plan says of the windows."""
    return Holes(plan["window_sill"], plan["window_top"], plan["window_bar"], plan["window_least"])


def pierce_wall(site: Site, even: bool) -> dict[str, PolyMesh]:
    """The wall of a gallery as one closed shell, "wall": windows go through it square to the outline.

    even: in quads that are near square; otherwise in as few as windows and chords allow, some of them triangles.
    """
    plan, outline = site.plan, site.outline.parted
    face, holes, run = wall_face(plan), holes_of(plan), Run.along(outline)
    lean = math.cos(face.taper_rad)
    through, bevel, top = face.through_mm, plan["bevel"], plan["wall_top"]
    inner_top = top - bevel * lean
    pitch = min(holes.bar_mm, 2.0 * holes.bottom_mm) / (EVEN_PER_BAR if even else FEW_PER_BAR)
    low, high = holes.bottom_mm / 2.0, (holes.top_mm + inner_top) / 2.0
    deepest = float(face.inset(0.0)) + through
    rows = max(3, round((high - low) / (1.5 * pitch))) if even else RIDGE_ROWS if _has_bowed_ridges(outline, deepest) else 1
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
        patch = (_even_patch(stations, run, window, block, pitch) if even
                 else _few_patch(stations, run, window, rows, site.chord_mm))
        around = patch.rows, patch.columns % n
        wide = np.arange(patch.first, patch.last) % n
        if not kept[1:rows + 1, wide].all():
            raise GeometryError("wall", f"a bar of {holes.bar_mm:g} mm leaves no metal to join two of its windows",
                                "take wider bars")
        kept[1:rows + 1, wide] = False
        kept[np.ix_(np.arange(len(heights) - rows - 2, len(heights) - 2), wide)] = False
        points = patch.points(outline, face)
        own = np.arange(len(points), dtype=np.int32).reshape(2 * len(patch.rings), -1)[:, patch.order]
        rings = [outside[around], *(count + own), inside[around]]
        quads += [_ring_quads(one, other) for one, other in zip(rings, rings[1:], strict=False)]
        vertices.append(points)
        count += len(points)
    cells = band_corners(*index.shape).reshape(*index.shape, 4)
    corners = np.concatenate([cells[kept], *quads]).ravel().astype(np.int32)
    same = same_points(vertices[0].reshape(*index.shape, 3))
    if same is not None or not even:
        kept_as = np.arange(index.size, dtype=np.int32) if same is None else same
        same = np.concatenate([kept_as, np.arange(index.size, count, dtype=np.int32)])
    return {"wall": shell(np.concatenate(vertices), corners, "wall", same)}


def _has_bowed_ridges(outline: Outline, deepest_mm: float) -> bool:
    """True if sides that are bowed meet at corners, on the outline or on a parallel up to an inset."""
    starts, ends, _ = outline.trims(np.array([deepest_mm]))
    is_whole = bool((starts == 0.0).all() and (ends == 1.0).all())
    return not is_whole and any(piece.is_curved for piece in outline.pieces)


@dataclass(frozen=True)
class _Patch:
    """A window in the block of a wall's cells that makes room for it, from column first to last. rows, columns (p,): round
    the edge of the block, counter-clockwise; rings: spots and heights (m,) of the rings of points from there to the
    window's edge; order (p,): which point of a ring lies beside which of the block's edge. stations (k,): the spots between
    which the wall is flat; none where it is as round as the outline."""

    first: int
    last: int
    rows: Ints
    columns: Ints
    rings: tuple[tuple[Floats, Floats], ...]
    order: Ints
    stations: Floats | None = None

    def points(self, outline: Outline, face: Face) -> Floats:
        """(2 · rings · m, 3) points: the rings on the outer face, then on the inner from the window's edge back."""
        many = len(self.rings[0][0])
        rings = [*self.rings, *self.rings[::-1]]
        spots, heights = (np.concatenate([ring[i] for ring in rings]) for i in range(2))
        inwards = np.repeat([0.0, face.through_mm], len(self.rings) * many)
        insets = np.asarray(face.inset(heights)) + inwards
        flat = (points_at(outline, spots, insets) if self.stations is None
                else on_panels(outline, self.stations, spots, insets))
        return np.column_stack([flat, heights])


def _even_patch(stations: Columns, run: Run, window: Window, block: Floats, pitch_mm: float) -> _Patch:
    """A window with two rings of quads round it, with as many sides as the edge of the block."""
    places = _around(stations, run)
    first, last = _stations_beside(places, run, window, BESIDE * pitch_mm)
    if (last - first) % 2:  # an even number of steps has one at the arch's apex
        first, last = (first, last + 1) if np.isfinite(places[last + 1]) else (first - 1, last)
    rows, columns = _edge_of_block(first, last, len(block) - 1)
    lengths, heights = window.edge(last - first, len(rows) - (last - first))
    spots = run.spot(lengths, np.asarray(window.face.inset(heights)), window.bay)
    middle = 0.5 * (spots + places[columns]), 0.5 * (heights + block[rows])
    return _Patch(first, last, rows, columns, (middle, (spots, heights)), np.arange(len(rows), dtype=np.int32))


def _few_patch(stations: Columns, run: Run, window: Window, rows: int, chord_mm: float) -> _Patch:
    """A window in no more corners than its arch's chords and the wall's stations ask for, with nothing round it."""
    places = _around(stations, run)
    first, last = _stations_beside(places, run, window, ROOM_MM)
    near = places[first:last + 1]
    frame = framed(window, run, near, rows, chord_mm)
    return _Patch(first, last, frame.rows, first + frame.stations, ((frame.spots, frame.heights),), frame.corners, near)


def _around(stations: Columns, run: Run) -> Floats:
    """Spots of a wall's stations in the run's three rounds."""
    return np.concatenate([stations.spots, stations.spots + float(run.pieces), stations.spots + 2.0 * run.pieces])


def _stations_beside(places: Floats, run: Run, window: Window, room_mm: float) -> tuple[int, int]:
    """The nearest stations that leave room on either side of a window, numbered through the three rounds."""
    lengths, heights = window.edge(2, 200)
    spots = run.spot(lengths, np.asarray(window.face.inset(heights)), window.bay)
    along, reach = run.length(places, 0.0), run.length(spots, 0.0)
    return (int(np.flatnonzero(along < reach.min() - room_mm)[-1]), int(np.flatnonzero(along > reach.max() + room_mm)[0]))


def _edge_of_block(first: int, last: int, rows: int) -> tuple[Ints, Ints]:
    """Row and column of the points round a block of a wall: along the bottom, up the right, back along the top, and down
    the left."""
    wide, high = np.arange(first, last), np.arange(rows)
    row = np.concatenate([np.zeros_like(wide), high, np.full_like(wide, rows), rows - high])
    column = np.concatenate([wide, np.full_like(high, last), last - np.arange(last - first), np.full_like(high, first)])
    return row.astype(np.int32), column.astype(np.int32)


def scoop_wall(site: Site, even: bool) -> dict[str, PolyMesh]:
    """The wall of a coronet as one closed shell of quads, "wall": its top runs down between the claws and back up.

    At the claws it ends at the wall's top, as a plain wall does. even: in rows that keep the quads even; otherwise in as
    few as the ridges of curved corners ask for.
    """
    plan, outline = site.plan, site.outline.parted
    face = wall_face(plan)
    lean = math.cos(face.taper_rad)
    through, bevel, top = face.through_mm, plan["bevel"], plan["wall_top"]
    known = np.linspace(float(face.inset(top)), float(face.inset(0.0)) + through, SCOOP_PARALLELS)
    bays = scoop_bays(site, Run.along(outline))
    depths = scoop_depths(bays, plan["scoop_depth"])
    stations = columns(outline, known, scoop_pitch_mm(bays, depths, site.chord_mm), site.chord_mm)
    tops = top - scooped_mm(Run.along(outline), bays, depths, stations)
    bends = stations.bends_mm
    # Half as long a step leaves a curve by a quarter as much.
    steps = min(math.ceil(math.sqrt(float(bends.max()) / site.chord_mm)), SCOOP_PARALLELS - 1)
    rows = max(2, (round(top / lean / LONGEST_QUAD_MM) if even else steps) + 1)
    outer = np.linspace(0.0, 1.0, rows)[:, None] * tops
    inner = np.linspace(1.0, 0.0, rows)[:, None] * (tops - bevel * lean)
    heights = np.concatenate([outer, *([tops[None]] if bevel > 0.0 else []), inner])
    inwards = np.concatenate([np.zeros(rows), *([[through - bevel]] if bevel > 0.0 else []), np.full(rows, through)])
    loops = stations.at(np.asarray(face.inset(heights)) + inwards[:, None])
    points = np.concatenate([loops, heights[..., None]], axis=2)
    if even:
        return {"wall": closed_band(list(points), "wall")}
    # Straight stations need no point between base and top.
    index = np.arange(heights.size, dtype=np.int32).reshape(heights.shape)
    stands_for, straight = index.copy(), bends <= site.chord_mm
    stands_for[1:rows - 1, straight] = index[rows - 1, straight]
    stands_for[-rows + 1:-1, straight] = index[-rows, straight]
    same = same_points(points)
    same = stands_for.ravel() if same is None else same[stands_for.ravel()]
    return {"wall": shell(points.reshape(-1, 3), band_corners(*index.shape), "wall", same)}


SCOOP_OF_BAY = 0.5
"""Usual depth of a scoop as a share of its bay's width, and the most of one beside wider bays. Common practice, no source."""

LEAST_BAY_MM = 0.4
"""Where the wall between two claws is narrower it is left as it is: the scoop would be a slot that closes when it is cast.
Common practice, no source."""


@dataclass(frozen=True)
class Bay:
    """The wall between two claws: from `start` to `end`, mm along the outline in the run's second and third rounds."""

    start: float
    end: float


def scoop_bays(site: Site, run: Run) -> list[Bay]:
    """What lies between the claws and their bearings, at the girdle, where it is wide enough for a scoop."""
    bearing = site.plan["claw_bearing"]
    claws = sorted(((float(run.length(run.pieces + spot_of(site.outline.parted, place), 0.0)), half)
                    for place, half in claw_halves(site)))
    around = float(run.length(run.pieces, 0.0))
    after = [*claws[1:], (claws[0][0] + around, claws[0][1])]
    bays = [Bay(at + half + bearing, end - other - bearing) for (at, half), (end, other) in zip(claws, after, strict=True)]
    clefts = [float(run.length(run.pieces + i, 0.0)) + turn for i, piece in enumerate(site.outline.parted.pieces)
              if isinstance(piece, Cleft) for turn in (0.0, around)]
    return [bay for bay in bays if bay.end - bay.start >= LEAST_BAY_MM
            and not any(bay.start < cleft < bay.end for cleft in clefts)]


def scoop_depths(bays: list[Bay], depth_mm: float) -> list[float]:
    """How deep each bay is scooped: the widest as planned, one so narrow that its scoop would be a slot by no more than its
    share of its width."""
    widest = max((bay.end - bay.start for bay in bays), default=1.0)
    most = max(depth_mm / widest, SCOOP_OF_BAY)
    return [min(depth_mm, most * (bay.end - bay.start)) for bay in bays]


def scooped_mm(run: Run, bays: list[Bay], depths_mm: list[float], stations: Columns) -> Floats:
    """(n,) of each station: by how much the wall's top is scooped down there, 0 at the claws and a bay's depth in its middle;
    at all stations that a corner or a cleft brings together the least of theirs, so that no claw loses its wall."""
    scooped = np.zeros(len(stations.spots))
    around = float(run.length(run.pieces, 0.0))
    for along in (run.length(stations.along, 0.0) + around, run.length(stations.along, 0.0) + 2.0 * around):
        for bay, depth in zip(bays, depths_mm, strict=True):
            share = np.clip((along - bay.start) / (bay.end - bay.start), 0.0, 1.0)
            scooped = np.maximum(scooped, depth * (0.5 - 0.5 * np.cos(2.0 * math.pi * share)))
    # Corners bring stations together inside, a cleft outside; a wall as tall on either side of each stays closed.
    together = [same for same in (same_points(stations.points[-1:]), same_points(stations.points[:1])) if same is not None]
    for same in together + together[:-1]:
        least = np.full(len(scooped), np.inf)
        np.minimum.at(least, same, scooped)
        scooped = least[same]
    return scooped


def scoop_pitch_mm(bays: list[Bay], depths_mm: list[float], chord_mm: float) -> float:
    """Steps along the wall that keep the chord error of the scoops: a cosine's sharpest bend is at its ends."""
    shortest = min((bay.end - bay.start for bay in bays), default=1.0)
    sharpest = max((max(depth, 0.05) / (bay.end - bay.start) ** 2 for bay, depth in zip(bays, depths_mm, strict=True)), default=0.05)
    return max(math.sqrt(8.0 * chord_mm / (2.0 * math.pi ** 2 * sharpest)), shortest / 64.0)


def _ring_quads(outer: Ints, inner: Ints) -> Ints:
    """(m, 4) quads between two closed rings of vertex numbers, the first counter-clockwise round the second."""
    quads: Ints = np.stack([outer, np.roll(outer, -1), np.roll(inner, -1), inner], axis=-1).astype(np.int32)
    return quads
