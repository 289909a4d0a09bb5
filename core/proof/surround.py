"""Whether a surround holds: gaps, tables, seats and holes, plate and beads, measured for every small stone."""
from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..head.placed import PlacedStone
from ..mesh import Floats
from ..solid.kernel import (
    Solid,
    bounds,
    composed,
    contains,
    first_hits,
    overlap,
    section,
    solid_of,
    triangles_of,
    volume_mm3,
)
from ..tolerance import READ_MM, READ_SHARE, SAME_POINT_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, at_most, judge, unable, rounded_up
from .loops import area_mm2, distances_mm, is_inside, largest, middle_of
from .measure import SEATED_MM
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
"""How far apart the plate's thickness is taken, and the cosine of the steepest face that it is taken between: 25 degrees.
Larger distances: dents are passed over; smaller cosines: its slanted rims count as thin."""

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
    gaps = {pair: apart_mm(several.girdles[pair[0]], several.girdles[pair[1]])[0] for pair in pairs}
    pair = min(gaps, key=lambda each: gaps[each])
    yield judge("surround.gap", "Least gap between two small stones", gaps[pair], "mm",
                several.middles[list(pair)].mean(axis=0),
                [touching, at_least(near, "watch", "Take one small stone fewer, for {limit} mm between girdles.")],
                READ_MM)
    centre = girdle_loop(several.stones[0])
    found = []
    for own, middle in zip(several.girdles, several.middles):
        away, nearest = apart_mm(own, centre)
        found.append((away, [*nearest, middle[2]]))
    least, place = min(found, key=lambda each: each[0])
    low, high = rules["surround.gap_low_mm"], rules["surround.gap_high_mm"]
    between = standing_between_mm(several, centre)
    # What holds the centre stone stands between, so the small stones are as near as they can be beside that.
    most = Limit(between + high.value, False, "watch", high.why, high.source,
                 f"Move the surround inwards, to within {between + high.value:.2f} mm of the girdle.", high.key)
    yield judge("surround.centre_gap", "Least gap between small stones and the centre's girdle", least, "mm", place, [
        touching, at_least(low, "watch", "Move the surround outwards, to {limit} mm from the girdle."), most],
        READ_MM, f"claws or rim take {between:.2f} mm of it" if between > READ_MM else "")


def standing_between_mm(several: Several, centre: Floats) -> float:
    """How far claws or a rim stand outside the centre stone's girdle (k, 2) at the height of the small stones' tables, mm;
    0 if nothing does."""
    height = max(float(stone.mesh.vertices[:, 2].max()) for stone in several.small)
    loops = [loop for name, solid in several.parts.items() if name.startswith(("claw", "rim"))
             for loop in section(solid, height)]
    points = np.concatenate(loops) if loops else np.zeros((0, 2))
    outside = points[~is_inside([centre], points)]
    return float(distances_mm(outside, centre).max()) if len(outside) else 0.0


def apart_mm(one: Floats, other: Floats) -> tuple[float, Floats]:
    """The least distance between two loops, mm, negative where they overlap, and the nearest corner (2,) of the
    first."""
    away, back = distances_mm(one, other), distances_mm(other, one)
    away[is_inside([other], one)] *= -1.0
    back[is_inside([one], other)] *= -1.0
    i = int(np.argmin(away))
    return min(float(away[i]), float(back.min())), one[i]


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
    both = overlap(several.metal, composed([_within(stone) for stone in several.small], "small stones"))
    depth, place = 0.0, several.middles[0]
    if volume_mm3(both) > 0.0:
        vertices, _ = triangles_of(both)
        owner = np.linalg.norm(vertices[:, None, :2] - several.middles[:, :2], axis=2).argmin(axis=1)
        for i in np.unique(owner):
            mesh, own = several.small[i].mesh, vertices[owner == i]
            own = np.concatenate([own, middle_in(both, own)])
            normals = mesh.face_normals()
            offsets = np.einsum("ij,ij->i", normals, mesh.vertices[mesh.corners[mesh.starts[:-1]]])
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


def _within(stone: PlacedStone) -> Solid:
    """The stone with every facet a little inwards, by half of what a stone beds into a finished seat at most."""
    middle = stone.mesh.vertices.mean(axis=0)
    share = 1.0 - SEATED_MM / stone.stone.width_mm
    return solid_of(replace(stone.mesh, vertices=middle + share * (stone.mesh.vertices - middle)), stone.name)


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
    outer = largest(loops)
    webs: list[tuple[float, list[float]]] = []
    middles = np.array([middle_of(hole) for hole in holes])
    for i, hole in enumerate(holes):
        nearest = np.argsort(np.linalg.norm(middles - middles[i], axis=1))[1:3]
        away = [distances_mm(hole, holes[int(j)]) for j in nearest] + [distances_mm(hole, outer)]
        k = int(np.argmin(best := np.min(away, axis=0)))
        webs.append((float(best[k]), [*hole[k], underside + HOLE_MM]))
    web, place = min(webs, key=lambda each: each[0])
    rule = rules.of_process(several.process, "gap_least_mm")
    needed = Limit(rule.value, True, "watch", "Less metal beside a hole does not fill, unless the hole is drilled "
                                              "after casting.",
                   rule.source, "Drill the holes after casting, or narrower.", rule.key)
    yield judge("surround.web", "Least metal beside a drilled hole", web, "mm", place, [needed], READ_MM)


def _thinnest(several: Several, top: float, underside: float) -> tuple[float, Floats]:
    """The least that the plate is thick upright, mm, beside the small stones, and (3,) where; of each column the topmost and
    the lowest layer of metal, where it has several."""
    assert several.plate is not None
    low, high = bounds(several.plate)
    x, y = (np.arange(low[axis] + GRID_MM / 2.0, high[axis], GRID_MM) for axis in (0, 1))
    columns = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    seats = np.array([stone.stone.width_mm / 2.0 + BESIDE_MM for stone in several.small])
    away = np.linalg.norm(columns[:, None] - several.middles[:, :2], axis=2)
    columns = columns[(away > seats).all(axis=1)]
    found: list[tuple[float, Floats]] = []
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
    thick, place = min(found, key=lambda each: each[0], default=(math.inf, several.middles[0]))
    return (thick, place) if math.isfinite(thick) else (top - underside, several.middles[0])


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
    for name, solid in several.beads.items():
        low, high = bounds(solid)
        middle = ((low + high) / 2.0)[:2]
        ways = np.linalg.norm(several.middles[:, :2] - middle, axis=1)
        for i in np.argsort(ways)[:2]:
            value = _contact(several, name, int(i)) if several.state == "set" else _cut_share(several, name, int(i))
            found.append((value, name, [*middle, float(high[2])]))
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
