"""What each claw keeps: notch, neck, width, length, its point's relief, and whether it stays out of the hollow."""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, gap_mm
from ..tolerance import READ_MM, READ_SHARE
from ..trade.claw_sizes import FAMILY_FACTORS, claw_factors
from ..trade.house_rules import HouseRules, Rule
from .claw_widths import widths_along
from .findings import Finding, Limit, at_least, at_most, fills, judge, unable, rounded_up
from .loops import largest
from .measure import HAIR_MM, ClawMeasure
from .subject import NAME_CLAWS, NO_CLAW, Subject

PITCH_MM = 0.25
"""Height between the places at which a claw's width is taken; on claws thicker than 1 mm more, in proportion. Larger: a
filed waist hides between them."""

SHARED_MM = 0.05
"""A claw this near to another stone holds that one too. Larger: neighbours that only stand close count as shared."""

ROUND_SHARE = 0.97
"""A section at least this thick, against the round one of its area, is held against the rules as a round one. Smaller: tabs
count as round; larger: the facets of a round bar make it broad."""


def check_claws(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the claws; none for a rim without any."""
    gauge = subject.gauge
    if not gauge.claw_names:
        if gauge.rim_part is None:
            for code, what in (("claws.notch", "Notch in the claws"), ("claws.neck", "Metal left at the notch"),
                               ("claws.width", "Least width of the claws")):
                yield unable(code, what, NO_CLAW, NAME_CLAWS)
        return
    reaching = {claw.name for claw in gauge.claws}
    for name in gauge.claw_names:
        if name not in reaching:
            yield Finding("claws.reaches", f"{_title(name)} at the girdle", "unsafe", 0.0, 1.0, "count", None,
                          "A claw that does not stand from below up to the girdle holds nothing.",
                          f"Carry it up past {gauge.crown_edge_mm:.2f} mm.", "geometry")
    least = _least_widths(subject) if gauge.claws else {}
    if subject.is_set:
        gauge.cut_claws({claw.name: np.array([gauge.crown_edge_mm + HAIR_MM]) for claw in gauge.claws if not claw.is_v})
    for claw in gauge.claws:
        yield _notch(claw, subject, rules)
        yield from _neck(claw, subject, rules)
        yield from _widths(claw, subject, rules, least[claw.name])
        if claw.is_v and subject.is_seat_cut:
            yield _relief(claw, subject, rules)
        if gauge.wall is not None:
            yield _in_hollow(claw, subject)
    if gauge.claws:
        yield from _weakest(subject, rules)


def _title(name: str) -> str:
    return name[0].upper() + name[1:]


def _notch(claw: ClawMeasure, subject: Subject, rules: HouseRules) -> Finding:
    most, low = rules["claws.notch_benchmark"], rules["claws.notch_low"]
    middle = (low.value + rules.value("claws.notch_high")) / 2.0
    shared, least, leg = rules["claws.notch_shared_max"], rules["claws.notch_least"], claw.leg
    is_for_two = is_shared(subject.parts[claw.name], subject.neighbours)
    if is_for_two:
        middle = (least.value + shared.value) / 2.0
    way = (claw.notch - middle) * leg.thickness_mm / leg.lean
    remedy = f"Move {claw.name} {abs(way):.2f} mm {'outwards' if way > 0.0 else 'inwards'} for a notch of {middle:.2f}."
    # A claw that is cut from both sides can't take the usual notch, nor need it.
    limits = [at_most(shared, "unsafe", remedy), at_least(least, "unsafe", remedy)] if is_for_two else [
        at_most(rules["claws.notch_max"], "unsafe", remedy), at_least(least, "unsafe", remedy),
        at_most(most, "watch", remedy), at_least(low, "watch", remedy)]
    return judge("claws.notch", f"Notch in {claw.name}", claw.notch, "1", claw.girdle_place, limits,
                 max(READ_MM / leg.thickness_mm, READ_SHARE), "it holds another stone too" if is_for_two else "")


def is_shared(claw: Solid, neighbours: tuple[Solid, ...]) -> bool:
    """True if a claw holds one of these stones too."""
    return any(gap_mm(claw, stone, 2.0 * SHARED_MM) <= SHARED_MM for stone in neighbours)


def _neck(claw: ClawMeasure, subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    heel = rules["claws.heel_left_min"]
    leg = min(claw.legs, key=lambda each: each.left_mm / each.thickness_mm)
    place = [*(leg.edge + leg.outwards * leg.left_mm / 2.0), claw.girdle_mm]
    remedy = f"Thicken {claw.name} or reduce its notch until {{limit}} of its thickness is left."
    yield judge("claws.neck", f"Share of {claw.name}'s thickness left at the notch", leg.left_mm / leg.thickness_mm, "1",
                place, [at_least(heel, "unsafe", remedy)], READ_SHARE,
                f"{100.0 * leg.area_left:.0f} % of its section, {100.0 * leg.strength_left:.0f} % of its strength and "
                f"{100.0 * leg.stiffness_left:.0f} % of its stiffness in bending are left")
    section = rules.of_process(subject.process, "section_least_mm")
    leg = min(claw.legs, key=lambda each: each.left_mm)
    is_cast_so = subject.state == "cast" and subject.is_seat_cut
    most = max(section.value, subject.alloy.least_cast_mm) if is_cast_so else section.value
    thicker = f"Thicken {claw.name} by {rounded_up((most - leg.left_mm) / max(1.0 - leg.notch, 0.1))} mm."
    limits = [at_least(section, "unsafe", thicker)]
    if is_cast_so:
        # A neck is short, and metal flows to it from both sides.
        limits.append(fills(subject.alloy, thicker)[0]._replace(verdict="watch"))
    yield judge("claws.neck_thickness", f"Metal left behind the notch in {claw.name}", leg.left_mm, "mm", place,
                limits, READ_MM)


def _weakest(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """What the notch leaves of area, strength and stiffness, of the claw that keeps least of each."""
    for code, what, rule in (("claws.neck_area", "section", "claws.area_left_min"),
                             ("claws.neck_strength", "strength in bending", "claws.strength_left_min"),
                             ("claws.neck_stiffness", "stiffness in bending", "claws.stiffness_left_min")):
        name = f"{code.removeprefix('claws.neck_')}_left"
        claw, leg = min(((claw, leg) for claw in subject.gauge.claws for leg in claw.legs),
                        key=lambda pair: float(getattr(pair[1], name)))
        remedy = f"Reduce the notch in {claw.name} until {{limit}} of its {what} is left."
        yield judge(code, f"Share of a claw's {what} left at the notch, the least of all", getattr(leg, name), "1",
                    [*leg.edge, claw.girdle_mm], [at_least(rules[rule], "unsafe", remedy)], READ_SHARE)


def plain_spans(claw: ClawMeasure, subject: Subject) -> tuple[tuple[float, float], tuple[float, float] | None]:
    """Heights between which the claw is a plain bar, below the girdle and above it: all of it as cast; below the seat and
    past the table once the seat is cut; None above it where the setter has finished the tip."""
    gauge = subject.gauge
    low = float(claw.foot[2]) + 0.02
    # The end is square to the claw, so that its inner edge lies lower than its outer one.
    across = claw.width_mm if claw.is_v else claw.diameter_mm
    top = gauge.claw_top_mm(claw) - across * math.sqrt(1.0 - claw.lean ** 2) - 0.02
    if not subject.is_seat_cut:
        girdle = min(gauge.girdle_plane_mm, top)
        return (low, max(low, girdle)), (girdle, top) if top > girdle else None
    past = gauge.table_mm + 0.1
    return (low, max(low, _below_seat_mm(claw, subject))), (past, top) if top > past and not subject.is_set else None


def _below_seat_mm(claw: ClawMeasure, subject: Subject) -> float:
    """Where the pavilion leaves the claw's inner face: found by going down until it does."""
    gauge = subject.gauge
    if gauge.has_flat_base:
        return gauge.girdle_plane_mm - 0.05
    names = gauge.rests[2]
    lowest, first = math.inf, len(gauge.stations[0])
    for j, leg in zip((first + i for i, name in enumerate(names) if name == claw.name), claw.legs):
        way = (leg.edge - gauge.columns.places[:, j]) @ leg.outwards
        down = gauge.girdle_plane_mm - gauge.levels_mm
        inner = leg.notch * leg.thickness_mm / leg.lean + down * math.tan(math.acos(min(1.0, leg.lean)))
        free = np.flatnonzero(~(way < inner + gauge.settling_mm + 0.05))
        lowest = min(lowest, float(gauge.levels_mm[free[0]]) if len(free) else -math.inf)
    return lowest


Least = tuple[float, Floats]
"""A least width, mm, and where it is, (3,)."""


def _widths(claw: ClawMeasure, subject: Subject, rules: HouseRules, least: Sequence[Least]) -> Iterator[Finding]:
    section, alloy = rules.of_process(subject.process, "section_least_mm"), subject.alloy
    width, place = least[0]
    size = _size(claw, subject, rules, "claws.diameter_least")
    most = max(section.value, alloy.least_model_mm, size.value)
    thicker = f"Thicken {claw.name} by {rounded_up(most - width)} mm."
    yield judge("claws.width", f"Least width of {claw.name}", width, "mm", place, [
        at_least(section, "unsafe", thicker), *fills(alloy, thicker), at_least(size, "watch", thicker)], READ_MM)
    finished = _size(claw, subject, rules, "claws.finished_least")
    for width, place in least[1:]:
        most = max(section.value, alloy.least_model_mm, finished.value)
        thicker = f"Thicken the end of {claw.name} by {rounded_up(most - width)} mm, or let it taper less."
        yield judge("claws.width", f"Least width of {claw.name} past the girdle", width, "mm", place, [
            at_least(section, "unsafe", thicker), *fills(alloy, thicker), at_least(finished, "watch", thicker)], READ_MM)
    if len(least) == 1 and subject.is_set and not claw.is_v:
        width, place = _tip_width(claw, subject)
        broader = f"Leave the tip of {claw.name} {rounded_up(finished.value - width)} mm broader."
        yield judge("claws.tip", f"Width of {claw.name}'s tip where it comes over the girdle", width, "mm", place,
                    [at_least(finished, "watch", broader)], READ_MM)


def _least_widths(subject: Subject) -> dict[str, list[Least]]:
    """For each claw that of its plain part below the girdle, and that of its plain part above it if it has one."""
    stretches = []
    for claw in subject.gauge.claws:
        pitch = PITCH_MM * max(1.0, claw.diameter_mm)
        stretches += [(claw, np.linspace(*span, max(3, round((span[1] - span[0]) / pitch))))
                      for span in plain_spans(claw, subject) if span is not None]
    found: dict[str, list[Least]] = {claw.name: [] for claw in subject.gauge.claws}
    for (claw, heights), widths in zip(stretches, widths_along(subject.gauge, stretches)):
        i = int(np.argmin(widths))
        found[claw.name].append((float(widths[i]), claw.at_height(float(heights[i]))))
    return found


def _tip_width(claw: ClawMeasure, subject: Subject) -> tuple[float, Floats]:
    """Of a finished tip along the outline, where it comes over the girdle, and (3,) where."""
    height = subject.gauge.crown_edge_mm + HAIR_MM
    loops = subject.gauge.part_at(claw.name, height)
    if not loops:
        return 0.0, claw.at_height(height)
    ring = largest(loops)
    return float(np.ptp(ring @ [-claw.outwards[1], claw.outwards[0]])), np.array([*ring.mean(axis=0), height])


def _size(claw: ClawMeasure, subject: Subject, rules: HouseRules, name: str) -> Rule:
    """The house's least for a round claw of this stone; for another section, as thick as one of that area would be."""
    is_centre = subject.stone.width_mm >= rules.value("claws.centre_from_mm")
    size, small = rules[f"{name}_centre_mm" if is_centre else f"{name}_small_mm"], rules.value(f"{name}_small_mm")
    value = size.value
    if is_centre:
        value = max(value * _share_of_load(len(subject.gauge.claws), subject.alloy.family), small)
    share = claw.diameter_mm / math.sqrt(4.0 * claw.area_mm2 / math.pi)
    return replace(size, value=value * (share if share < ROUND_SHARE else 1.0))


def _share_of_load(count: int, family: str) -> float:
    """The rule is for four gold claws; more of them share the load, and platinum is tougher. From memory."""
    factors = claw_factors()
    of_count = factors.get(min(count, max(factors)), 1.0)
    return min(1.0, of_count) * min(1.0, FAMILY_FACTORS[family])


def _relief(claw: ClawMeasure, subject: Subject, rules: HouseRules) -> Finding:
    room, place = subject.gauge.room_at_corner(claw)
    rule = rules["claws.relief_least_mm"]
    deeper = f"Cut the relief in {claw.name} {rounded_up(rule.value - room)} mm deeper."
    return judge("claws.relief", f"Room for the stone's corner in {claw.name}", room, "mm", place,
                 [at_least(rule, "watch", deeper)], READ_MM)


def _in_hollow(claw: ClawMeasure, subject: Subject) -> Finding:
    most, place = subject.gauge.claws_in_hollow[claw.name]
    nothing = Limit(0.0, False, "watch", "A claw that stands into the hollow shows through the stone and traps dirt.",
                    "common practice, no source", f"Move {claw.name} outwards or thicken the wall by {most:.2f} mm.")
    return judge("claws.hollow", f"{_title(claw.name)} beyond the wall's inner face", most, "mm", place, [nothing], READ_MM,
                 "" if most > 0.0 else "it stays inside the wall")
