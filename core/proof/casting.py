"""Whether it can be cast or printed: one sound body, sections that fill, gaps that stay open, and a way in for metal.

Everything is measured on the whole metal, so that it holds for any head and for metal from elsewhere; where parts are
known, their names say where a place is.
"""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from ..mesh import Floats
from ..solid.kernel import (
    Solid,
    bodies,
    first_hits,
    is_watertight_after_welding,
    section,
    transformed,
    triangles_of,
    volume_mm3,
)
from ..tolerance import READ_DEG, READ_MM, SAME_POINT_MM, WELD_MM
from ..trade.house_rules import HouseRules, Rule
from .findings import Finding, Limit, at_least, at_most, fills, judge, unable
from .loops import area_mm2, distances_mm, is_inside, largest
from .subject import NAME_WALL, NO_WALL, Subject
from .thickness import Narrowest, Search, tangents

LUMP_MM = 0.05
"""How far metal may stand out of the hollow's face before it is a lump. Common practice, no source."""

REACH_MM = 1.6
"""Walls and gaps wider than this are not looked at, as no rule asks for more. Larger: the rays take longer."""

NONE_NARROWER = f"none narrower than {REACH_MM:g} mm was found, and nothing wider is looked for"

BALL_READ_MM = 2.0 * READ_MM
"""How finely a ball between facets is read: its normal is found to a sixth of the turn from one facet to the next.
Larger: thin sections pass."""

NEAR = 1.25
"""Readings above the limit by this factor are not followed to where they are least. Smaller: a narrow place beside a
wider reading is missed."""

PRINTED = "direct metal print"
"""The process that needs no sprue and no investment."""

AIR, HOLES = 12, 6
"""How many narrow places of air are looked at, and how many as holes. Fewer: a hole beside a gap is passed over."""

ROUND = 8
"""Directions in which the air is looked at for walls. Fewer: slots in other directions count as open."""

WIDER = 1.5
"""How many times as wide as where it is narrowest a hole may be and still be that hole. Larger: flared cups are holes."""

DEEPEST_MM = 30.0
"""Longer than any hole in a head. Larger: nothing; smaller: deep holes count as open."""

FEED_LEVELS = 7
"""At how many heights a claw's section is read on its way up."""

SPRUE_TRIED = 4
"""How many places for the sprue are compared. More: the thickest by a little more."""

BESIDE_DEG = 25.0
"""How far to both sides of a sprue's place its section is taken: what metal flows through on its way round. Less: a claw
that stands over the place counts as section."""


def check_casting(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the metal as a casting or a print."""
    yield from _sound(subject)
    if subject.gauge.wall is not None:
        yield from _wall(subject, rules)
        yield _hollow(subject)
    elif not subject.parts:
        yield unable("casting.hollow", "Metal in the hollow", NO_WALL, NAME_WALL)
    yield _thin(subject, rules)
    yield from _merged_claws(subject)
    yield from _air(subject, rules)
    yield _edges(subject, rules)
    if not subject.is_set:
        yield from _feed(subject, rules)
        if subject.process != PRINTED:
            yield _sprue(subject, rules)


def check_whole(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """What only all the metal together can tell, where heads stand side by side: whether it is one, and where it is fed."""
    yield from _sound(subject)
    if not subject.is_set and subject.process != PRINTED:
        yield _sprue(subject, rules)


def _sound(subject: Subject) -> Iterator[Finding]:
    """Bodies, and voids: shells that are inside out because they bound air within the metal."""
    metal = subject.metal
    shells = bodies(metal)
    solid = [shell for shell in shells if volume_mm3(shell) > 0.0]
    voids = [shell for shell in shells if volume_mm3(shell) < 0.0]
    # The smallest is the one that fell off.
    stray = min(solid, key=volume_mm3) if solid else metal
    one = Limit(1.0, False, "unsafe", "Metal in more than one body falls apart when it is cut from the sprue.",
                "geometry", "Let the parts reach into each other by 0.01 mm.")
    yield judge("casting.bodies", "Separate bodies of metal", float(len(solid)), "count", _middle(stray), [one], 0.0)
    closed = is_watertight_after_welding(metal, WELD_MM)
    whole = Limit(1.0, True, "unsafe", "A surface that opens once its points are welded is a hole to a slicer.",
                  "geometry", "Move parts that only touch apart, or 0.01 mm into each other.")
    yield judge("casting.closed", "Surface closed after welding", float(closed), "count", None, [whole], 0.0)
    largest_void = min(voids, key=volume_mm3) if voids else None
    none = Limit(0.0, False, "unsafe", "Air shut in the metal can hold no investment, and in a print it holds powder or "
                 "resin.", "geometry", "Fill it, or open it to the outside.")
    yield judge("casting.voids", "Hollow spaces shut in the metal", float(len(voids)), "count",
                None if largest_void is None else _middle(largest_void), [none], 0.0)


def _middle(solid: Solid) -> Floats | None:
    vertices, _ = triangles_of(solid)
    return vertices.mean(axis=0) if len(vertices) else None


def _wall(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """The wall where it is a ring; where it is cut open all round, the thinnest place of all metal tells."""
    gauge, alloy = subject.gauge, subject.alloy
    values, places = gauge.wall_thickness
    if subject.is_seat_cut:
        # Where the seat is cut the wall ends in its rim, which has a check of its own.
        seat = subject.beside_stone(places)
        kept = places[:, 2] < places[seat, 2].min(initial=math.inf)
        values, places = values[kept], places[kept]
    if not len(values):
        return
    i = int(np.argmin(values))
    flat = rules.of_process(subject.process, "flat_least_mm")
    most = max(flat.value, alloy.least_model_mm)
    thicker = f"Thicken the wall by {max(0.0, most - float(values[i])):.2f} mm here."
    yield judge("casting.wall", "Thinnest place of the wall", float(values[i]), "mm", places[i],
                 [at_least(flat, "unsafe", thicker), *fills(alloy, thicker)], READ_MM)


def _hollow(subject: Subject) -> Finding:
    most, place = subject.gauge.intrusion
    limit = Limit(LUMP_MM, False, "watch", "A lump in the hollow catches dirt, and shows through the stone.",
                  "common practice, no source", f"Cut it back by {max(0.0, most):.2f} mm.")
    return judge("casting.hollow", "Metal standing into the hollow", max(0.0, most), "mm", place, [limit], READ_MM)


def _thin(subject: Subject, rules: HouseRules) -> Finding:
    """The thinnest place of all the metal, but for the seat: its rim and necks have checks of their own."""
    alloy = subject.alloy

    def is_body(points: Floats, touches: Floats) -> np.ndarray:
        body: np.ndarray = ~(subject.beside_stone(points) | subject.beside_stone(touches))
        # What is filed and rubbed over the crown by hand has checks of its own.
        return body & (points[:, 2] <= subject.gauge.girdle_plane_mm) if subject.is_set else body

    least = rules.of_process(subject.process, "section_least_mm")
    most = max(least.value, alloy.least_model_mm)
    surface = subject.surface
    search = Search(subject.metal, True, REACH_MM, NEAR * most, is_body, surface.smooth_normals)
    found = search.narrowest(surface.places)
    value = found[0].diameter_mm if found else REACH_MM
    part = _part_at(subject, found[0].middle) if found else ""
    note = (f"it is in {part}" if part else "") if found else NONE_NARROWER
    thicker = f"Thicken the metal by {max(0.0, most - value):.2f} mm here."
    # What the setter has filed was cast thicker, and need not fill any more.
    limits = [at_least(least, "watch", thicker)] if subject.is_set else [at_least(least, "unsafe", thicker), *fills(alloy, thicker)]
    return judge("casting.thin", "Thinnest place of the metal", value, "mm", found[0].middle if found else None, limits,
                 BALL_READ_MM, note)


def _part_at(subject: Subject, place: Floats) -> str:
    """The name of a part that holds a place; empty where none does."""
    for name, solid in subject.parts.items():
        _, facing = first_hits(solid, place[None, :], place[None, :] + [0.0, 0.0, DEEPEST_MM])
        # From inside, the first face on the way up looks up.
        if facing[0, 2] > 0.0:
            return f"the {name}" if not name[-1].isdigit() else name
    return ""


def _merged_claws(subject: Subject) -> Iterator[Finding]:
    """Neighbouring claws that run into each other at the base, where they are nearest."""
    gauge = subject.gauge
    # Claws that grow out of a peg are meant to meet there.
    if len(gauge.claws) < 2 or "peg" in subject.parts:
        return
    height = max(float(claw.foot[2]) for claw in gauge.claws) + 0.02
    rings = [largest(section(gauge.parts[claw.name], height)) for claw in gauge.claws]
    gaps = []
    for ring, after in zip(rings, rings[1:] + rings[:1]):
        ways = np.linalg.norm(ring[:, None] - after, axis=2)
        i, j = np.unravel_index(int(np.argmin(ways)), ways.shape)
        line = after.mean(axis=0) - ring.mean(axis=0)
        line /= np.linalg.norm(line)
        clear = float((after @ line).min() - (ring @ line).max())
        gaps.append((clear, (ring[i] + after[j]) / 2.0))
    clear, middle = min(gaps, key=lambda gap: gap[0])
    if clear <= 0.0:
        merged = Limit(0.0, True, "watch", "Claws that run into each other at the base look like one lump of metal.",
                       "common practice, no source", "Take fewer or thinner claws, or a smaller taper.")
        yield judge("casting.gap", "Room between claws at the base", clear, "mm", [*middle, height], [merged], READ_MM)


# The air between the metal.


def _air(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """The narrowest gap and the narrowest hole anywhere but in the stone's own place, and the blind hole that is deepest
    for its width."""
    process = subject.process
    most = max(rules.of_process(process, name).value for name in ("gap_least_mm", "hole_least_mm"))
    surface = subject.surface

    def is_air(points: Floats, touches: Floats) -> np.ndarray:
        air: np.ndarray = ~subject.beside_stone((points + touches) / 2.0)
        return air

    search = Search(subject.metal, False, REACH_MM, NEAR * most, is_air, surface.smooth_normals)
    found = search.narrowest(surface.places, AIR)
    holes = [(each, *_hole(subject.metal, each)) for each in found[:HOLES]]
    gaps = [each for each in found if not any(each is hole and is_hole for hole, is_hole, _ in holes)]
    yield _narrow("casting.gap", "Narrowest gap in the metal", gaps,
                  rules.of_process(process, "gap_least_mm"), "Widen it by {short:.2f} mm, or close it.")
    bores = [each for each, is_hole, _ in holes if is_hole]
    yield _narrow("casting.hole", "Narrowest hole in the metal", bores,
                  rules.of_process(process, "hole_least_mm"), "Widen it by {short:.2f} mm, or fill it and drill it later.")
    yield _blind([(each, depth) for each, _, depth in holes if depth > 0.0], rules.of_process(process, "hole_depth_most_mm"))


def _narrow(code: str, what: str, found: Sequence[Narrowest], rule: Rule, remedy: str) -> Finding:
    if not found:
        return judge(code, what, REACH_MM, "mm", None, [at_least(rule, "watch", "")], READ_MM, NONE_NARROWER)
    least = found[0]
    words = remedy.format(short=max(0.0, rule.value - least.diameter_mm))
    return judge(code, what, least.diameter_mm, "mm", least.middle, [at_least(rule, "watch", words)], READ_MM)


def _hole(metal: Solid, ball: Narrowest) -> tuple[bool, float]:
    """Whether a ball of air lies in a hole, and how deep that is if it is blind, 0 if it goes through.

    It is a hole if metal stands on both sides in a second direction too, no farther off than the ball is wide; its way
    then runs across both.
    """
    first, second = tangents(ball.across[None, :])
    turn = np.arange(ROUND) * (2.0 * math.pi / ROUND)
    ways = np.outer(np.cos(turn), first[0]) + np.outer(np.sin(turn), second[0])
    far, _ = first_hits(metal, np.tile(ball.middle, (ROUND, 1)), ball.middle + ways * DEEPEST_MM)
    # Of each pair of opposite directions: how far the farther wall is, and how open both are together.
    widest = far.reshape(2, -1).max(axis=0)
    openness = np.minimum(far, DEEPEST_MM).reshape(2, -1).sum(axis=0)
    square = (np.arange(ROUND // 2) + ROUND // 4) % (ROUND // 2)
    closed = widest[square] <= WIDER * ball.diameter_mm
    if not closed.any():
        return False, 0.0
    along = int(np.argmax(np.where(closed, openness, -1.0)))
    beside = int(square[along])
    middle = ball.middle + ways[beside] * (far[beside] - far[beside + ROUND // 2]) / 2.0
    ends, _ = first_hits(metal, np.tile(middle, (2, 1)), middle + np.array([ways[along], -ways[along]]) * DEEPEST_MM)
    if np.isfinite(ends).all() or not np.isfinite(ends).any():
        return True, 0.0
    bottom = int(np.argmin(ends))
    outwards = ways[along] * (-1.0 if bottom == 0 else 1.0)
    # What it leads to may be the far side of a wider space, or it may be open to a side.
    backwards = (along + (0 if bottom == 0 else ROUND // 2) + np.array([-1, 1])) % ROUND
    if far[backwards].max() > 2.0 * WIDER * ball.diameter_mm or _to_opening(metal, ball, middle, -outwards) < ends[bottom]:
        return True, 0.0
    return True, float(ends[bottom]) + _to_opening(metal, ball, middle, outwards)


def _to_opening(metal: Solid, ball: Narrowest, middle: Floats, outwards: Floats) -> float:
    """How far from the middle of a hole it is on the way out to where it is WIDER than here, mm."""
    steps = np.arange(1, 97) * (ball.diameter_mm / 8.0)
    places = middle + steps[:, None] * outwards
    one, other = (first_hits(metal, places, places + side * (WIDER * ball.diameter_mm))[0] for side in (ball.across, -ball.across))
    is_open = one + other > WIDER * ball.diameter_mm
    return float(steps[int(np.argmax(is_open))]) if is_open.any() else DEEPEST_MM


def _blind(holes: Sequence[tuple[Narrowest, float]], rule: Rule) -> Finding:
    """The blind hole that is deepest for its width: investment, resin or powder must come out of it again."""
    code, what = "casting.blind", "Depth of the deepest blind hole over what its width allows"
    if not holes:
        limit = Limit(1.0, False, "watch", "No hole that ends in the metal was found.", rule.source, "", rule.key)
        return judge(code, what, 0.0, "1", None, [limit], 0.0)
    worst, depth = max(holes, key=lambda hole: hole[1] / max(hole[0].diameter_mm, rule.value))
    allowed = max(worst.diameter_mm, rule.value)
    limit = Limit(1.0, False, "watch", f"A blind hole {worst.diameter_mm:.2f} mm wide and {depth:.2f} mm deep keeps what "
                  f"is in it; it should be no deeper than wide, or than {rule.value:g} mm.", rule.source,
                  "Open its end, make it shallower, or fill it and drill it later.", rule.key)
    return judge(code, what, depth / allowed, "1", worst.middle, [limit], 0.01)


def _edges(subject: Subject, rules: HouseRules) -> Finding:
    """The sharpest edge outside the seat. Every modelled edge is sharp; only a knife's is more than a note."""
    edges = subject.surface.edges
    convex = edges.where(edges.inside_deg < 180.0 - rules.value("casting.edge_turn_deg"))
    radius = rules.of_process(subject.process, "edge_radius_least_mm")
    rule = rules["casting.edge_least_deg"]
    note = (f"{convex.length_mm.sum():.0f} mm of edges are modelled sharp, and want breaking to a radius of "
            f"{radius.value:g} mm in the wax or resin ({radius.source})")
    sharp = convex.where(convex.inside_deg < rule.value - READ_DEG)
    sharp = sharp.where(~subject.beside_stone(sharp.middles))
    shown = sharp if len(sharp.ends) else convex
    if not len(shown.ends):
        return judge("casting.edges", "Sharpest edge of the metal", 180.0, "deg", None, [at_least(rule, "watch", "")], READ_DEG)
    if not len(sharp.ends):
        # The seat's own edges are the setter's, and never the sharpest of what is cast.
        shown = convex.where(convex.inside_deg >= rule.value - READ_DEG)
        shown = shown if len(shown.ends) else convex
    i = int(np.argmin(shown.inside_deg))
    measured = float(shown.inside_deg[i]) if len(sharp.ends) else max(float(shown.inside_deg[i]), rule.value)
    return judge("casting.edges", "Sharpest edge of the metal", measured, "deg", shown.middles[i],
                 [at_least(rule, "watch", "Blunt it, or round it to at least "
                           f"{radius.value:g} mm.")], READ_DEG, note)


# How it is fed.


def _feed(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Metal that must pass a narrow section to reach a wider one: the wider one freezes last, and turns porous."""
    least, place, name = math.inf, None, ""
    for claw in subject.gauge.claws:
        solid = subject.gauge.parts[claw.name]
        top = subject.gauge.claw_top_mm(claw)
        heights = subject.gauge.base_mm + np.linspace(0.08, 0.9, FEED_LEVELS) * (top - subject.gauge.base_mm)
        areas = np.array([area_mm2(section(solid, float(height))) for height in heights])
        beyond = np.maximum.accumulate(areas[::-1])[::-1]
        shares = areas / np.maximum(beyond, 1e-9)
        i = int(np.argmin(shares))
        if shares[i] < least - 1e-6:
            least, place, name = float(shares[i]), claw.at_height(float(heights[i])), claw.name
    if place is None:
        return
    rule = rules["casting.feed_least"]
    yield judge("casting.feed", "Narrowest section of a claw over the widest that it feeds", least, "1", place,
                [at_least(rule, "watch", f"Thicken {name} here, or thin what lies beyond it.")], 0.01)


def _sprue(subject: Subject, rules: HouseRules) -> Finding:
    """Where the sprue may go: on the thickest metal of the underside, clear of seat, claws and rim."""
    code, what = "casting.sprue", "Thickest sprue that the place for it takes"
    best = _sprue_place(subject)
    if best is None:
        return unable(code, what, "no metal of the underside is clear of seat, claws and rim",
                      "Leave a place for the sprue on the wall, a rail or the base, or ask your caster.")
    place, area = best
    low, high = rules["casting.sprue_low"], rules["casting.sprue_high"]
    thin, thick = (2.0 * math.sqrt(rule.value * area / math.pi) for rule in (low, high))
    grams = volume_mm3(subject.metal) * subject.alloy.density_g_cm3 / 1000.0
    heavy = rules["casting.second_sprue_g"]
    count = "one" if grams <= heavy.value else "two"
    least = rules["casting.sprue_least_mm"]
    note = (f"the section here is {area:.2f} mm2, so take {count} of {thin:.1f} to {thick:.1f} mm with a fillet, "
            f"{100.0 * low.value:.0f} to {100.0 * high.value:.0f} % of it ({low.source})")
    return judge(code, what, thick, "mm", place,
                 [at_least(least, "watch", "Feed it at a thicker place, or by two sprues.")], READ_MM, note)


def _sprue_place(subject: Subject) -> tuple[Floats, float] | None:
    """The (3,) place and the area, mm2, of the metal's section there, cut upright through the head's axis."""
    gauge, places = subject.gauge, subject.surface.places
    down = places.normals[:, 2] < -0.5
    below = places.points[:, 2] < gauge.girdle_plane_mm
    index = np.flatnonzero(down & below)
    index = index[~subject.beside_stone(places.points[index])]
    for name, solid in subject.parts.items():
        if name.startswith(("claw", "rim", "bead")) and len(index):
            inner = places.points[index] - SAME_POINT_MM * places.normals[index]
            _, facing = first_hits(solid, inner, inner + [0.0, 0.0, DEEPEST_MM])
            index = index[facing[:, 2] <= 0.0]
    if not len(index):
        return None
    best: tuple[Floats, float] | None = None
    for i in index[:: max(1, len(index) // SPRUE_TRIED)]:
        area = min(_upright_section_mm2(subject.metal, places.points[i], gauge.culet, turn) for turn in (-BESIDE_DEG, BESIDE_DEG))
        if area > 0.0 and (best is None or area > best[1]):
            best = places.points[i], area
    return best


def _upright_section_mm2(metal: Solid, place: Floats, axis: Floats, turn_deg: float) -> float:
    """Area of the section through the upright axis on the side of a place, turned away from it, of the piece nearest to
    as far out and as high as the place."""
    way = place[:2] - axis[:2]
    out = float(np.linalg.norm(way))
    turn = (math.atan2(way[1], way[0]) if out > SAME_POINT_MM else 0.0) + math.radians(turn_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    # Turned about the axis so that outwards is x, and up is y of the level section.
    matrix = np.array([[cos, sin, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [sin, -cos, 0.0, 0.0]])
    spot = matrix[:, :3] @ axis
    loops = section(transformed(metal, matrix), float(spot[2]))
    if not loops:
        return 0.0
    target = np.array([[spot[0] + out, place[2]]])
    holding = [is_inside([loop], target)[0] for loop in loops]
    nearest = min(range(len(loops)), key=lambda i: (not holding[i], float(distances_mm(target, loops[i])[0])))
    outer = loops[nearest]
    inner = [loop for loop in loops if area_mm2([loop]) < 0.0 and is_inside([outer], loop[:1])[0]]
    return area_mm2([outer, *inner])
