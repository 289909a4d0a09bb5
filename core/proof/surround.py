"""Whether a surround holds: gaps, tables, seats and holes, plate and beads, measured for every small stone."""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from ..mesh import Floats, Ints, PolyMesh, cross
from ..solid.kernel import (
    Solid,
    bounds,
    composed,
    contains,
    first_hits,
    overlap,
    section,
    solid_of,
    transformed,
    triangles_of,
    volume_mm3,
)
from ..stone import Stone
from ..tolerance import READ_MM, READ_SHARE, SAME_POINT_MM
from ..trade.house_rules import HouseRules
from .entered import entered
from .findings import Finding, Limit, at_least, at_most, judge, unable, rounded_up
from .halves import facet_planes
from .loops import area_mm2, distances_mm, edges_of, is_inside, largest, middle_of, to_sides
from .measure import SEATED_MM
from .nearest import SQUARELY, Sides
from .several import Several, girdle_loop
from .surface import BESIDE_MM

TOUCH_MM = 0.005
"""Girdles nearer than this touch, to within what the proof reads. Larger: stones that nearly touch count."""

BELOW_MM = (0.01, 0.03)
"""How far below the plate's top the seats are read, to follow their slope. Larger: a small seat ends before."""

BEAD_STEPS = 41
"""How many places along a crown are looked at under a bead. Fewer: contact is read coarsely."""

HOLE_MM = 0.02
"""How far above the plate's underside the holes are read."""

GRID_MM, LEVEL = 0.12, 0.9
"""How far apart the plate's thickness is taken, and the cosine of the steepest face that it is taken between: 25
degrees. Larger distances: dents are passed over; smaller cosines: its slanted rims count as thin."""

OVER_MM = 0.5
"""How far outside the plate its thickness is looked for from. Smaller: nothing; zero: its faces may be missed."""

PLATE_LEVELS = 6
"""At how many heights a claw beside the small stones is read."""

HELD_READING = 0.02
"""How finely contact is read: facets of bead and crown. Larger: a short bead passes."""


def check_surround(several: Several, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the small stones round a centre stone; none where there are none."""
    if not several.small:
        return
    yield from _gaps(several, rules)
    yield from _row(several, rules)
    yield _enters(several)
    if several.plate is None:
        yield unable("surround.plate", "Plate of the surround", "no part is known to be it",
                     'Name the plate\'s faces "surround plate".')
    else:
        yield from _seats(several, rules)
    yield from _beads(several, rules)
    yield from _claws(several, rules)


def _gaps(several: Several, rules: HouseRules) -> Iterator[Finding]:
    touching = Limit(TOUCH_MM, True, "unsafe", "Stones that touch chip each other.",
                     "Professional Jeweler, July 2002: nearly touching", "Take one small stone fewer, or smaller ones.")
    near = rules["bead.gap_mm"]
    ways = np.linalg.norm(several.middles[:, None] - several.middles, axis=2)
    np.fill_diagonal(ways, np.inf)
    pairs = {tuple(sorted((i, int(j)))) for i, row in enumerate(ways) for j in np.argsort(row)[:2]}
    ones, others = np.array(sorted(pairs)).T
    gaps, _ = apart_mm([several.girdles[i] for i in ones], [several.girdles[i] for i in others])
    k = int(np.argmin(gaps))
    yield judge("surround.gap", "Least gap between two small stones", float(gaps[k]), "mm",
                several.middles[[ones[k], others[k]]].mean(axis=0),
                [touching, at_least(near, "watch", "Take one small stone fewer, for {limit} mm between girdles.")],
                READ_MM)
    centre = girdle_loop(several.stones[0])
    points = np.concatenate(several.girdles)
    away = _signed_mm(points, [centre])
    k = int(np.argmin(away))
    least = min(float(away[k]), float(_signed_mm(centre, several.girdles).min()))
    place = [*points[k], float(np.median(several.middles[:, 2]))]
    low, high = rules["surround.gap_low_mm"], rules["surround.gap_high_mm"]
    between = standing_between_mm(several, centre)
    # What holds the centre stone stands between, so the small stones are as near as they can be beside that.
    most = Limit(between + high.value, False, "watch", high.why, high.source,
                 f"Move the surround inwards, to within {between + high.value:.2f} mm of the girdle.", high.key)
    yield judge("surround.centre_gap", "Least gap between small stones and the centre's girdle", least, "mm", place, [
        touching, at_least(low, "watch", "Move the surround outwards, to {limit} mm from the girdle."), most],
        READ_MM, f"claws or rim take {between:.2f} mm of it" if between > READ_MM else "")


def standing_between_mm(several: Several, centre: Floats) -> float:
    """How far claws or a rim stand outside the centre stone's girdle (k, 2) at the height of the small stones' tables,
    mm; 0 if nothing does."""
    height = max(float(stone.mesh.vertices[:, 2].max()) for stone in several.small)
    loops = [loop for name, solid in several.parts.items() if name.startswith(("claw", "rim"))
             for loop in section(solid, height)]
    points = np.concatenate(loops) if loops else np.zeros((0, 2))
    outside = points[~is_inside([centre], points)]
    return float(distances_mm(outside, centre).max()) if len(outside) else 0.0


def apart_mm(ones: Sequence[Floats], others: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Of each pair of loops, counter-clockwise: (p,) the least distance, mm, negative where they overlap, and (p, 2)
    the nearest corner of the first."""
    away, corners = _nearest_corners(ones, others)
    back, _ = _nearest_corners(others, ones)
    least: Floats = np.minimum(away, back)
    return least, corners


def _signed_mm(points: Floats, loops: Sequence[Floats]) -> Floats:
    """(n,) least distance of points (n, 2) from loops, counter-clockwise, negative in any of them."""
    starts, ways = edges_of(loops)
    sides = Sides(starts, ways, np.array([0, len(starts)], np.int32), starts.mean(axis=0))
    return sides.nearest(points, np.zeros(len(points), np.int32), squarely=SQUARELY)[0]


def _nearest_corners(ones: Sequence[Floats], others: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Of each pair of loops the corner of the first that is nearest to the second, or deepest in it: (p,) mm and
    (p, 2)."""
    sizes, firsts = np.array([len(loop) for loop in others]), np.cumsum([0, *map(len, ones)])[:-1]
    corners, (starts, ways) = np.concatenate(ones), edges_of(others)
    pair = np.repeat(np.arange(len(ones)), [len(loop) for loop in ones])
    owner = np.repeat(np.arange(len(others)), sizes)
    middles = np.array([loop.mean(axis=0) for loop in others])
    # Between two circles about the other's middle runs the other loop, so that most corners are surely farther than
    # another.
    squares, _ = to_sides(middles[owner], starts, ways)
    begins = np.cumsum(sizes) - sizes
    width = (np.maximum.reduceat(np.linalg.norm(starts - middles[owner], axis=1), begins)
             - np.sqrt(np.minimum.reduceat(squares, begins)))
    off = np.linalg.norm(corners - middles[pair], axis=1)
    kept = off <= (np.minimum.reduceat(off, firsts) + width)[pair] + SAME_POINT_MM
    corners, pair = corners[kept], pair[kept]
    # Each of the rest with every side of the other loop.
    many = sizes[pair]
    corner = np.repeat(np.arange(len(corners)), many)
    side = np.arange(len(corner)) + np.repeat(begins[pair] - (np.cumsum(many) - many), many)
    squares, left = to_sides(corners[corner], starts[side], ways[side])
    seen = squares - SQUARELY * left * left
    best = np.flatnonzero(seen == np.minimum.reduceat(seen, np.cumsum(many) - many)[corner])
    best = best[np.searchsorted(corner[best], np.arange(len(corners)))]
    away = np.where(left[best] > 0.0, -1.0, 1.0) * np.sqrt(squares[best])
    least = np.minimum.reduceat(away, np.searchsorted(pair, np.arange(len(ones))))
    nearest = np.flatnonzero(away == least[pair])
    return least, corners[nearest[np.searchsorted(pair[nearest], np.arange(len(ones)))]]


def _row(several: Several, rules: HouseRules) -> Iterator[Finding]:
    rule = rules["bead.row_spread_mm"]
    tops = np.array([stone.mesh.vertices[:, 2].max() for stone in several.small])
    highest, lowest = int(np.argmax(tops)), int(np.argmin(tops))
    yield judge("surround.level", "Spread of the small stones' tables in height", float(np.ptp(tops)), "mm",
                [*several.middles[lowest][:2], tops[lowest]],
                [at_most(rule, "watch", "Seat them all at one height, to {limit} mm.")], READ_MM)
    sizes = np.array([np.ptp(loop[:, 0]) for loop in several.girdles])
    odd = int(np.argmax(np.abs(sizes - np.median(sizes))))
    yield judge("surround.sizes", "Spread of the small stones' diameters", float(np.ptp(sizes)), "mm",
                several.middles[odd],
                [at_most(rule, "watch", "Sort the stones to within {limit} mm.")], READ_MM)
    first = several.stones[0]
    girdle = float(np.median(first.mesh.vertices[:, 2] - first.stone.mesh.vertices[:, 2])) + first.stone.girdle_mm
    over = float(tops[highest]) - girdle
    rule = rules["surround.above_girdle_mm"]
    below = Limit(rule.value, False, "watch", rule.why, rule.source,
                  f"Set the surround {rounded_up(over - rule.value)} mm lower.", rule.key)
    yield judge("surround.tables", "Small stones' tables over the centre stone's girdle", over, "mm",
                [*several.middles[highest][:2], tops[highest]], [below], READ_MM)


def _enters(several: Several) -> Finding:
    # A finished seat shares its faces with the stone, which the kernel is slow to tell apart; a hair within they are
    # clear.
    shrunk = {stone: _shrunk(stone) for stone in {each.stone for each in several.small}}
    depth, place = 0.0, several.middles[0]
    which = entered(several.metal, several.small, [shrunk[each.stone] for each in several.small])
    near = [transformed(solid_of(shrunk[each.stone], each.name), each.matrix)
            for each in (several.small[i] for i in which)]
    both = overlap(several.metal, composed(near, "small stones")) if near else None
    if both is not None and volume_mm3(both) > 0.0:
        vertices, _ = triangles_of(both)
        owner = np.linalg.norm(vertices[:, None, :2] - several.middles[:, :2], axis=2).argmin(axis=1)
        for i in np.unique(owner):
            mesh, own = several.small[i].mesh, vertices[owner == i]
            own = np.concatenate([own, middle_in(both, own)])
            normals, offsets = facet_planes(mesh)
            deep = (offsets - own @ normals.T).min(axis=1)
            if deep.max() > depth:
                depth, place = float(deep.max()), own[int(np.argmax(deep))]
    limit = Limit(SEATED_MM, False, "unsafe", "Metal cannot stand inside a stone.", "geometry",
                  f"Cut the seat {depth:.2f} mm deeper here.")
    return judge("surround.fits", "Deepest metal inside a small stone", depth, "mm", place, [limit], READ_MM)


def middle_in(solid: Solid, points: Floats) -> Floats:
    """(1, 3) the middle of some of a solid's corners, deeper than any of them; (0, 3) where it is not in the solid."""
    middle: Floats = points.mean(axis=0)[None]
    return middle[contains(solid, middle)]


def _shrunk(stone: Stone) -> PolyMesh:
    """The stone in its own frame with every facet a little inwards, by half of what a stone beds into a finished seat
    at most."""
    middle = stone.mesh.vertices.mean(axis=0)
    share = 1.0 - SEATED_MM / stone.width_mm
    return replace(stone.mesh, vertices=middle + share * (stone.mesh.vertices - middle))


def _seats(several: Several, rules: HouseRules) -> Iterator[Finding]:
    """Holes, seats and the metal between them, on level sections through the plate."""
    assert several.plate is not None
    low, high = bounds(several.plate)
    underside, top = float(low[2]), float(high[2])
    loops = section(several.plate, underside + HOLE_MM)
    holes = _about(loops, several.middles)
    upper = [_about(section(several.plate, top - below), several.middles) for below in BELOW_MM]
    if any(hole is None for level in (holes, *upper) for hole in level):
        yield unable("surround.seat", "Seats of the small stones", "a seat or hole is no closed ring in the plate",
                     "Widen the plate outside the small stones.")
        return
    widths = np.array([stone.stone.width_mm for stone in several.small])
    hole, first, second = (np.array([_radius_mm(loop) for loop in level]) for level in (holes, *upper))
    shares = 2.0 * hole / widths
    i = int(np.argmax(shares))
    yield judge("surround.hole", "Widest drilled hole over its stone's width", float(shares[i]), "1",
                [*several.middles[i][:2], underside],
                [at_most(rules["bead.hole_most"], "unsafe", "Drill at most {limit} of the stone's width.")], READ_SHARE)
    slope = np.maximum(first - second, 1e-9) / (BELOW_MM[1] - BELOW_MM[0])
    depths = BELOW_MM[0] + np.maximum(first - hole, 0.0) / slope
    j = int(np.argmin(depths / widths))
    yield judge("surround.seat", "Shallowest seat of a small stone, as a share of its width",
                float(depths[j] / widths[j]), "1",
                [*several.middles[j][:2], top],
                [at_least(rules["bead.seat_least"], "unsafe", "Cut the seat {limit} of the stone's width deep, or "
                                                              "drill narrower.")],
                READ_SHARE)
    yield from _plate(several, rules, loops, [loop for loop in holes if loop is not None], underside, top)


def _plate(several: Several, rules: HouseRules, loops: list[Floats], holes: list[Floats], underside: float,
           top: float) -> Iterator[Finding]:
    flat, least = rules.of_process(several.process, "flat_least_mm"), rules["surround.plate_least_mm"]
    thick, thinnest = _thinnest(several, top, underside)
    yield judge("surround.plate", "Least thickness of the surround's plate", thick, "mm", thinnest,
                [at_least(flat, "unsafe", "Thicken the plate to {limit} mm."),
                 at_least(least, "watch", "Thicken the plate to {limit} mm.")], READ_MM)
    middles = np.array([middle_of(hole) for hole in holes])
    ways = np.linalg.norm(middles[:, None] - middles, axis=2)
    np.fill_diagonal(ways, np.inf)
    nearest = np.argsort(ways, axis=1)[:, :2]
    # Holes run clockwise.
    rings = [hole[::-1] for hole in holes]
    beside, corners = apart_mm([ring for ring in rings for _ in (0, 1)], [rings[j] for j in nearest.ravel()])
    edges = np.concatenate(rings)
    outside = distances_mm(edges, largest(loops))
    away, corners = np.concatenate([beside, outside]), np.concatenate([corners, edges])
    k = int(np.argmin(away))
    web, place = float(away[k]), [*corners[k], underside + HOLE_MM]
    rule = rules.of_process(several.process, "gap_least_mm")
    needed = Limit(rule.value, True, "watch", "Less metal beside a hole does not fill, unless the hole is drilled "
                                              "after casting.",
                   rule.source, "Drill the holes after casting, or narrower.", rule.key)
    yield judge("surround.web", "Least metal beside a drilled hole", web, "mm", place, [needed], READ_MM)


def _thinnest(several: Several, top: float, underside: float) -> tuple[float, Floats]:
    """The least that the plate is thick upright, mm, beside the small stones, and (3,) where; of each column the
    topmost and the lowest layer of metal, where it has several."""
    assert several.plate is not None
    seats = np.array([stone.stone.width_mm / 2.0 + BESIDE_MM for stone in several.small])
    middles = several.middles[:, :2]
    vertices, triangles = triangles_of(several.plate)
    columns = _columns_at_dents(vertices, triangles[_are_dents(vertices, triangles, middles, seats, top, underside)])
    away = np.linalg.norm(columns[:, None] - middles, axis=2)
    columns = columns[(away > seats).all(axis=1)]
    # Everywhere else it reaches from its top down to its underside.
    found: list[tuple[float, Floats]] = [(top - underside, several.middles[0])]
    for begin, end in ((underside - OVER_MM, top + OVER_MM), (top + OVER_MM, underside - OVER_MM)):
        starts = np.column_stack([columns, np.full(len(columns), begin)])
        ends = np.column_stack([columns, np.full(len(columns), end)])
        met, facing = first_hits(several.plate, starts, ends)
        is_met = np.isfinite(met) & (np.abs(facing[:, 2]) > LEVEL)
        way = math.copysign(1.0, end - begin)
        inner = starts[is_met] + np.outer(met[is_met] + SAME_POINT_MM, [0.0, 0.0, way])
        through, back = first_hits(several.plate, inner, ends[is_met])
        through = np.where(np.abs(back[:, 2]) > LEVEL, through, np.inf)
        if len(through):
            i = int(np.argmin(through))
            found.append((float(through[i]) + SAME_POINT_MM, inner[i]))
    return min(found, key=lambda each: each[0])


def _are_dents(vertices: Floats, triangles: Ints, middles: Floats, seats: Floats, top: float,
               underside: float) -> np.ndarray:
    """(t,) which of a plate's level faces beside the seats, radii (n,) about middles (n, 2), lie neither in its top,
    looking up, nor in its underside, looking down."""
    corners = vertices[triangles]
    normals = cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    tilt = normals[:, 2] / np.maximum(np.linalg.norm(normals, axis=1), 1e-300)
    level = np.where(tilt > 0.0, top, underside)
    dents: np.ndarray = (np.abs(tilt) > LEVEL) & (np.abs(corners[:, :, 2] - level[:, None]) > SAME_POINT_MM).any(axis=1)
    some = np.flatnonzero(dents)
    away = np.linalg.norm(corners[some][:, :, None, :2] - middles, axis=3)
    dents[some] = ~(away < seats).all(axis=1).any(axis=1)
    return dents


def _columns_at_dents(vertices: Floats, dents: Ints) -> Floats:
    """(n, 2) places, GRID_MM apart, in the boxes round triangles (t, 3), seen from above."""
    low, high = vertices[:, :2].min(axis=0) + GRID_MM / 2.0, vertices[:, :2].max(axis=0)
    counts = np.ceil((high - low) / GRID_MM).astype(int)
    corners = vertices[dents, :2]
    first, last = (np.ceil((corners.min(axis=1) - low) / GRID_MM).astype(int),
                   np.floor((corners.max(axis=1) - low) / GRID_MM).astype(int) + 1)
    first, last = np.clip(first, 0, counts), np.clip(last, first, counts)
    # Each box adds one where it begins and takes it off where it ends, along both ways; sums tell how many lie over a
    # place.
    steps = np.zeros(counts + 1, int)
    for at, sign in (((first, first), 1), ((last, last), 1), ((first, last), -1), ((last, first), -1)):
        np.add.at(steps, (at[0][:, 0], at[1][:, 1]), sign)
    is_over = steps.cumsum(axis=0).cumsum(axis=1)[:-1, :-1] > 0
    places: Floats = low + GRID_MM * np.argwhere(is_over)
    return places


def _about(loops: list[Floats], middles: Floats) -> list[Floats | None]:
    """For each middle the loop that runs round it most closely; None where there is none."""
    inner = [loop for loop in loops if area_mm2([loop]) < 0.0]
    if not inner:
        return [None] * len(middles)
    centres = np.array([(loop.max(axis=0) + loop.min(axis=0)) / 2.0 for loop in inner])
    found: list[Floats | None] = []
    for middle in middles[:, :2]:
        i = int(np.argmin(np.linalg.norm(centres - middle, axis=1)))
        is_own = np.linalg.norm(centres[i] - middle) < np.ptp(inner[i], axis=0).max() / 4.0
        found.append(inner[i] if is_own else None)
    return found


def _radius_mm(loop: Floats | None) -> float:
    assert loop is not None
    return math.sqrt(abs(area_mm2([loop])) / math.pi)


def _beads(several: Several, rules: HouseRules) -> Iterator[Finding]:
    """As set, how far up its stones' crowns each bead lies; as cast, how deep the girdles cut into it."""
    if not several.beads:
        yield unable("surround.beads", "Beads of the surround", "no part is known to be a bead",
                     'Name their faces "bead 1" and so on.')
        return
    found = []
    known: dict[bytes, float] = {}
    measure = _contact if several.state == "set" else _cut_share
    for name, solid in several.beads.items():
        corners = triangles_of(solid)[0]
        low, high = corners.min(axis=0), corners.max(axis=0)
        middle = ((low + high) / 2.0)[:2]
        ways = np.linalg.norm(several.middles[:, :2] - middle, axis=1)
        for i in np.argsort(ways)[:2]:
            # Most beads lie on their stones as others do on theirs, and are measured once.
            lie = _lie(several, corners, int(i))
            if lie not in known:
                known[lie] = measure(several, name, int(i))
            found.append((known[lie], name, [*middle, float(high[2])]))
    if several.state == "set":
        low_rule, high_rule = rules["bead.contact_low"], rules["bead.contact_high"]
        for (value, name, place), which, limits in (
                (min(found, key=lambda each: each[0]), "Least",
                 [at_least(low_rule, "unsafe", "Push the bead farther down, to {limit} of the crown.")]),
                (max(found, key=lambda each: each[0]), "Most",
                 [at_most(high_rule, "watch", "Cut the bead back to {limit} of the crown.")])):
            yield judge("surround.contact", f"{which} contact of a bead along a small stone's crown, {name}", value,
                        "1", place, limits,
                        HELD_READING)
        return
    value, name, place = max(found, key=lambda each: each[0])
    yield judge("surround.notch", f"Deepest cut of a small stone into a bead, {name}", value, "1", place,
                [at_most(rules["claws.notch_shared_max"], "unsafe", "Move the beads outwards or thicken them, until "
                                                                    "{limit} is cut.")],
                HELD_READING)


def _lie(several: Several, corners: Floats, i: int) -> bytes:
    """How a bead's corners (n, 3) lie to a stone, in the stone's own frame: the same for beads that are alike, to
    within SAME_POINT_MM."""
    matrix = several.small[i].matrix
    own = (corners - matrix[:, 3]) @ matrix[:, :3]
    return several.small[i].stone.mesh.vertices.tobytes() + np.round(own / SAME_POINT_MM).astype(np.int64).tobytes()


def _contact(several: Several, name: str, i: int) -> float:
    """Share of the crown's slope, from girdle to table, that a bead lies on, along the line between both middles."""
    stone, middle = several.small[i], several.middles[i]
    low, high = bounds(several.beads[name])
    way = ((low + high) / 2.0 - middle)[:2]
    way /= np.linalg.norm(way)
    crown = stone.mesh.vertices[stone.mesh.vertices[:, 2] > stone.mesh.vertices[:, 2].max() - 1e-6][:, :2] - middle[:2]
    table, edge = float((crown @ way).max()), float((several.girdles[i] @ way).max() - middle[:2] @ way)
    places = middle[:2] + np.linspace(edge - 1e-4, table, BEAD_STEPS)[:, None] * way
    above = np.column_stack([places, np.full(BEAD_STEPS, stone.mesh.vertices[:, 2].max() + 1.0)])
    down, _ = first_hits(stone.solid, above, above - [0.0, 0.0, 3.0])
    is_met = np.isfinite(down)
    crown_at = above[is_met] - np.outer(down[is_met], [0.0, 0.0, 1.0])
    up, _ = first_hits(several.beads[name], crown_at - [0.0, 0.0, READ_MM], crown_at + [0.0, 0.0, 1.0])
    return float((up < 2.0 * READ_MM).sum()) / max(1, len(crown_at) - 1)


def _cut_share(several: Several, name: str, i: int) -> float:
    """How deep a stone's girdle cuts into a bead, as a share of the bead as it is below the seat."""
    middle, solid = several.middles[i], several.beads[name]
    low, _ = bounds(solid)
    whole = largest(section(solid, float(low[2]) + READ_MM))
    way = middle_of(whole) - middle[:2]
    way /= np.linalg.norm(way)
    along = whole @ way - middle[:2] @ way
    edge = float((several.girdles[i] @ way).max() - middle[:2] @ way)
    return max(0.0, edge - float(along.min())) / float(np.ptp(along))


def _claws(several: Several, rules: HouseRules) -> Iterator[Finding]:
    """What the small stones' seats leave of the centre's claws, by the area of level sections."""
    names = [name for name in several.parts if name.startswith("claw")]
    if not names:
        return
    low, high = float(several.middles[0][2]), max(float(stone.mesh.vertices[:, 2].max()) for stone in several.small)
    rule, found = rules["claws.area_left_min"], []
    for name in names:
        solid = several.parts[name]
        # Below the seats a claw is whole.
        below = low - several.small[0].stone.pavilion_depth_mm
        whole = abs(area_mm2(section(solid, max(below, float(bounds(solid)[0][2]) + HOLE_MM))))
        for height in np.linspace(low, high, PLATE_LEVELS):
            loops = section(solid, float(height))
            left = abs(area_mm2(loops)) / max(whole, 1e-9)
            found.append((left, name, [*(middle_of(largest(loops)) if loops else several.middles[0][:2]),
                                       float(height)]))
    left, name, place = min(found, key=lambda each: each[0])
    yield judge("surround.claws", f"Share of {name}'s section left beside the small stones", left, "1", place,
                [at_least(rule, "unsafe", "Move the surround outwards, or thin the claws, until {limit} is left.")],
                READ_SHARE)
