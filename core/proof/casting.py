"""Whether it can be cast or printed: one sound body, sections that fill, gaps that stay open, and a way in for metal.

Everything is measured on the whole metal, so that it holds for any head and for metal from elsewhere; where parts are
known, their names say where a place is.
"""
from __future__ import annotations

import math
from collections.abc import Iterator
from operator import itemgetter

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, are_closed_after_welding, bodies, contains, triangles_of, volume_mm3
from ..tolerance import READ_DEG, READ_MM, WELD_MM
from ..trade.house_rules import HouseRules
from .air import check_air, check_merged
from .feeding import Feeding, check_claws_run, check_fed
from .findings import Finding, Limit, at_least, at_most, fills, judge, unable, rounded_up
from .heavy import judge_solid
from .narrowest import NEAR, NONE_NARROWER, REACH_MM, Search
from .runs import Uprights
from .shrinkage import told_shrinkage
from .sprue import judge_sprue
from .subject import NAME_WALL, NO_WALL, Subject

BALL_READ_MM = 2.0 * READ_MM
"""How finely a ball between facets is read: its normal is found to a sixth of the turn from one facet to the next.
Larger: thin sections pass."""

BEAD, PAST_BEADS = "bead", 12
"""Parts that are stubs fed by their plate, and how many places are looked at to find the thinnest outside them. Fewer: the
beads of one claw's neighbourhood hide it."""


def check_casting(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the metal as a casting or a print; of one of several heads not what all their metal tells."""
    if not subject.is_of_several:
        yield from _sound(subject)
    yield from _around_hollow(subject, rules)
    yield (thin := _thin(subject, rules))
    if not subject.is_set:
        yield _finished(thin, rules)
    yield from check_merged(subject)
    yield from check_air(subject, rules)
    yield _edges(subject, rules)
    if not subject.is_set:
        yield judge_solid(subject, rules)
        if not subject.is_of_several:
            yield from told_shrinkage(subject)
    yield from _flow(subject, rules)


def check_sizes(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """What of that is measured anew where the metal comes out a little larger or smaller: neither what hangs together, nor
    edges and what stands into the hollow; nor what lies between two faces, which changes as these stand farther out."""
    yield from check_merged(subject)
    yield from _flow(subject, rules)


def _around_hollow(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    if subject.gauge.wall is not None:
        yield from _wall(subject, rules)
        yield _hollow(subject, rules)
    elif not subject.parts:
        yield unable("casting.hollow", "Metal in the hollow", NO_WALL, NAME_WALL)


def _flow(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    if subject.is_set:
        return
    if subject.is_of_several or not subject.is_poured or not subject.parts:
        claws = {name: subject.parts[name] for name in subject.gauge.claw_names}
        yield from check_claws_run(subject, Uprights(claws, ()) if claws else None, rules)
        feeding = None
    else:
        feeding = Feeding(subject.parts)
        yield from check_claws_run(subject, feeding.uprights, rules)
    if not subject.is_of_several:
        yield from check_poured(subject, rules, feeding)


def check_poured(subject: Subject, rules: HouseRules, feeding: Feeding | None = None) -> Iterator[Finding]:
    """Where the sprue may go, and how each part is fed from there; a print has none, and once set it is off."""
    if not subject.is_poured:
        return
    sprue = judge_sprue(subject, rules)
    yield sprue
    if sprue.place is not None and subject.parts:
        yield from check_fed(feeding or Feeding(subject.parts), np.array(sprue.place), rules)


def check_whole(subject: Subject, rules: HouseRules, thin_mm: float = REACH_MM) -> Iterator[Finding]:
    """What all the metal together tells, where heads stand side by side or small stones round one: whether it is one, its
    thinnest places, gaps and edges, what joins the heads among them, and where it is fed. thin_mm: how thin the heads are
    by themselves, which is not looked for again."""
    yield from _sound(subject)
    yield _thin(subject, rules, thin_mm)
    yield from check_air(subject, rules)
    yield _edges(subject, rules)
    yield from told_shrinkage(subject)
    yield from check_poured(subject, rules)


def _sound(subject: Subject) -> Iterator[Finding]:
    """Bodies, and voids: shells that are inside out because they bound air within the metal."""
    shells = [(volume_mm3(shell), shell) for shell in bodies(subject.metal)]
    solid = [shell for shell in shells if shell[0] > 0.0]
    voids = [shell for shell in shells if shell[0] < 0.0]
    # The smallest is the one that fell off.
    stray = min(solid, key=itemgetter(0))[1] if solid else subject.metal
    one = Limit(1.0, False, "unsafe", "Metal in more than one body falls apart when it is cut from the sprue.",
                "geometry", "Let the parts reach into each other by 0.01 mm.")
    yield judge("casting.bodies", "Separate bodies of metal", float(len(solid)), "count", _middle(stray), [one], 0.0)
    closed = are_closed_after_welding(subject.surface.vertices, subject.surface.triangles, WELD_MM)
    whole = Limit(1.0, True, "unsafe", "A surface that opens once its points are welded is a hole to a slicer.",
                  "geometry", "Move parts that only touch apart, or 0.01 mm into each other.")
    yield judge("casting.closed", "Surface closed after welding", float(closed), "count", None, [whole], 0.0)
    largest_void = min(voids, key=itemgetter(0))[1] if voids else None
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
    thicker = f"Thicken the wall by {rounded_up(most - float(values[i]))} mm here."
    yield judge("casting.wall", "Thinnest place of the wall", float(values[i]), "mm", places[i],
                 [at_least(flat, "unsafe", thicker), *fills(alloy, thicker)], READ_MM)


def _hollow(subject: Subject, rules: HouseRules) -> Finding:
    most, place = subject.gauge.intrusion
    rule = rules["wall.lump_most_mm"]
    limit = at_most(rule, "watch", f"Cut it back by {rounded_up(most - rule.value)} mm.")
    return judge("casting.hollow", "Metal standing into the hollow", max(0.0, most), "mm", place, [limit], READ_MM)


def _thin(subject: Subject, rules: HouseRules, reach_mm: float = REACH_MM) -> Finding:
    """The thinnest place of all the metal, but for the seat: its rim and necks have checks of their own. Nothing thicker
    than reach_mm is looked for."""
    alloy = subject.alloy

    def is_cast(points: Floats) -> np.ndarray:
        # What is filed and rubbed over the crown by hand has checks of its own; beads are stubs that the plate feeds.
        cast = ~subject.is_above_girdle(points, not subject.is_set)
        cast[cast] = ~subject.beside_stone(points[cast])
        return cast

    def is_body(points: Floats, touches: Floats) -> np.ndarray:
        body = is_cast(points)
        body[body] = ~subject.beside_stone(touches[body])
        return body

    least = rules.of_process(subject.process, "section_least_mm")
    most = max(least.value, alloy.least_model_mm)
    surface = subject.surface
    search = Search(subject.metal, True, reach_mm, NEAR * most, is_body, surface)
    has_beads = any(name.startswith(BEAD) for name in subject.parts)
    kept = ~(subject.is_seat | subject.is_above_girdle(subject.places.points, not subject.is_set))
    ahead = subject.ahead.where(kept[~subject.is_in_seat])
    found = search.narrowest(subject.places.where(kept), ahead, PAST_BEADS if has_beads else 1)
    in_parts = ((ball, _part_at(subject, ball.middle)) for ball in found)
    thinnest, part = next(((ball, name) for ball, name in in_parts if not name.startswith(BEAD)), (None, ""))
    value = reach_mm if thinnest is None else thinnest.diameter_mm
    note = NONE_NARROWER if thinnest is None else f"it is in {part}" if part else ""
    thicker = f"Thicken the metal by {rounded_up(most - value)} mm here."
    # What the setter has filed was cast thicker, and need not fill any more.
    limits = [at_least(least, "watch", thicker)] if subject.is_set else [at_least(least, "unsafe", thicker), *fills(alloy, thicker)]
    return judge("casting.thin", "Thinnest place of the metal", value, "mm", None if thinnest is None else thinnest.middle, limits,
                 BALL_READ_MM, note)


def _finished(thin: Finding, rules: HouseRules) -> Finding:
    """What is left of the thinnest place once both its sides are filed and polished by hand."""
    assert thin.measured is not None
    allowance, least = rules["casting.finish_mm"], rules["casting.finished_least_mm"]
    left = max(0.0, thin.measured - 2.0 * allowance.value)
    remedy = f"Thicken the metal by {rounded_up(least.value + 2.0 * allowance.value - thin.measured)} mm here"
    # What is too thin as cast is not helped by less filing.
    remedy += f", or finish it with less than {allowance.value:g} mm a side." if thin.measured > least.value else "."
    return judge("casting.finished", "Thinnest place of the metal once it is finished", left, "mm", thin.place,
                 [at_least(least, "watch", remedy)], BALL_READ_MM,
                 f"{allowance.value:g} mm is taken off each side of {thin.measured:.2f} mm ({allowance.source})")


def _part_at(subject: Subject, place: Floats) -> str:
    """The name of a part that holds a place; empty where none does."""
    for name, solid in subject.parts.items():
        if contains(solid, place[None, :])[0]:
            return f"the {name}" if not name[-1].isdigit() else name
    return ""


def _edges(subject: Subject, rules: HouseRules) -> Finding:
    """The sharpest edge outside the seat. Every modelled edge is sharp; only a knife's is more than a note."""
    edges = subject.surface.edges
    convex = edges.where(edges.inside_deg < 180.0 - rules.value("casting.edge_turn_deg"))
    radius = rules.of_process(subject.process, "edge_radius_least_mm")
    rule = rules["casting.edge_least_deg"]
    note = (f"{convex.length_mm.sum():.0f} mm of edges are modelled sharp, and want breaking to a radius of "
            f"{radius.value:g} mm in the wax or resin ({radius.source})")
    if not len(convex.ends):
        return judge("casting.edges", "Sharpest edge of the metal", 180.0, "deg", None, [at_least(rule, "watch", "")], READ_DEG)
    is_sharp = convex.inside_deg < rule.value - READ_DEG
    sharp = convex.where(is_sharp)
    sharp = sharp.where(np.argsort(sharp.inside_deg, kind="stable"))
    i = subject.first_off_stone(sharp.middles)
    if i is None:
        # The seat's own edges are the setter's, and never the sharpest of what is cast.
        shown = convex.where(~is_sharp) if not is_sharp.all() else convex
        i = int(np.argmin(shown.inside_deg))
        measured, place = max(float(shown.inside_deg[i]), rule.value), shown.middles[i]
    else:
        measured, place = float(sharp.inside_deg[i]), sharp.middles[i]
    return judge("casting.edges", "Sharpest edge of the metal", measured, "deg", place,
                 [at_least(rule, "watch", "Blunt it, or round it to at least "
                           f"{radius.value:g} mm.")], READ_DEG, note)
