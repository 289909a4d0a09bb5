"""What each claw keeps: notch, neck, width, length, and whether it stays out of the hollow."""
from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..tolerance import READ_MM, READ_SHARE
from ..trade.claw_sizes import FAMILY_FACTORS, claw_factors
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, at_most, fills, judge, unable
from .measure import ClawMeasure
from .subject import NAME_CLAWS, NAME_WALL, NO_CLAW, NO_WALL, Subject

PITCH_MM = 0.2
"""Height between the places at which a claw's width is taken; on claws thicker than 1 mm more, in proportion. Larger: a
filed waist hides between them."""


def check_claws(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of a single claw."""
    gauge = subject.gauge
    if not gauge.claw_names:
        for code, what in (("claws.notch", "Notch in the claws"), ("claws.neck", "Metal left at the notch"),
                           ("claws.width", "Least width of the claws"), ("claws.hollow", "Claws in the hollow")):
            yield unable(code, what, NO_CLAW, NAME_CLAWS)
        return
    reaching = {claw.name for claw in gauge.claws}
    for name in gauge.claw_names:
        if name not in reaching:
            yield Finding("claws.reaches", f"{_title(name)} at the girdle", "unsafe", 0.0, 1.0, "count", None,
                          "A claw that does not stand from the base to the girdle holds nothing.",
                          f"Carry it up past {gauge.crown_edge_mm:.2f} mm.", "geometry")
    for claw in gauge.claws:
        yield _notch(claw, rules)
        yield from _neck(claw, subject, rules)
        yield from _width(claw, subject, rules)
        yield _in_hollow(claw, subject)


def _title(name: str) -> str:
    return name[0].upper() + name[1:]


def _notch(claw: ClawMeasure, rules: HouseRules) -> Finding:
    middle = (rules.value("claws.notch_low") + rules.value("claws.notch_high")) / 2.0
    way = (claw.notch - middle) * claw.diameter_mm / claw.lean
    side = "outwards" if way > 0.0 else "inwards"
    remedy = f"Move {claw.name} {abs(way):.2f} mm {side} for a notch of {middle:.2f}."
    reading = READ_MM / claw.diameter_mm
    return judge("claws.notch", f"Notch in {claw.name}", claw.notch, "1", claw.girdle_place,
                 [at_most(rules["claws.notch_max"], "unsafe", remedy),
                  at_least(rules["claws.notch_least"], "unsafe", remedy),
                  at_most(rules["claws.notch_benchmark"], "watch", remedy),
                  at_least(rules["claws.notch_low"], "watch", remedy)], max(reading, READ_SHARE))


def _neck(claw: ClawMeasure, subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    heel = rules["claws.heel_left_min"]
    place = claw.at_height(claw.girdle_mm)
    remedy = f"Thicken {claw.name} or reduce its notch until {{limit}} of its thickness is left."
    yield judge("claws.neck", f"Share of {claw.name}'s thickness left at the notch", claw.left_mm / claw.diameter_mm, "1", place,
                [at_least(heel, "unsafe", remedy)], READ_SHARE,
                f"{100.0 * claw.strength_left:.0f} % of its strength in bending is left")
    section = rules.of_process(subject.process, "section_least_mm")
    is_cast_so = subject.state == "cast" and subject.is_seat_cut
    most = max(section.value, subject.alloy.least_cast_mm) if is_cast_so else section.value
    thicker = f"Thicken {claw.name} by {max(0.0, most - claw.left_mm) / max(1.0 - claw.notch, 0.1):.2f} mm."
    limits = [at_least(section, "unsafe", thicker)]
    if is_cast_so:
        limits.append(_alloy_least(subject, thicker))
    yield judge("claws.neck_thickness", f"Metal left behind the notch in {claw.name}", claw.left_mm, "mm", place,
                limits, READ_MM)


def _alloy_least(subject: Subject, remedy: str) -> Limit:
    return Limit(subject.alloy.least_cast_mm, True, "watch",
                 f"Thinner sections of {subject.alloy.name} may not fill.", subject.alloy.source, remedy)


def clear_heights(claw: ClawMeasure, subject: Subject) -> list[tuple[float, float]]:
    """Spans of heights at which the claw is a plain bar: all of it as cast; below the seat once that is cut."""
    gauge = subject.gauge
    low = gauge.base_mm + 0.02
    top = gauge.claw_top_mm(claw) - claw.diameter_mm * math.sqrt(1.0 - claw.lean ** 2) - 0.02
    if not subject.is_seat_cut:
        return [(low, max(low, top))]
    # The pavilion leaves the claw's inner face this far below the girdle: found by going down until it does.
    inner = claw.notch * claw.diameter_mm / claw.lean
    points, _ = gauge.stations
    j = int(np.argmin(np.linalg.norm(points - claw.edge, axis=1)))
    tilt = math.tan(math.acos(claw.lean))
    reach = inner + (gauge.girdle_plane_mm - gauge.levels_mm) * tilt + gauge.settling_mm + 0.05
    free = np.flatnonzero(~(gauge.pavilion[0][:, j] < reach))
    below = float(gauge.levels_mm[free[0]]) if len(free) else low
    spans = [(low, max(low, below))]
    if not subject.is_set and top > gauge.table_mm + 0.1:
        spans.append((gauge.table_mm + 0.1, top))
    return spans


def _width(claw: ClawMeasure, subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    gauge = subject.gauge
    pitch = PITCH_MM * max(1.0, claw.diameter_mm)
    taken = [gauge.claw_widths(claw, low, high, max(3, round((high - low) / pitch)))
             for low, high in clear_heights(claw, subject)]
    widths, places = np.concatenate([each[0] for each in taken]), np.concatenate([each[1] for each in taken])
    i = int(np.argmin(widths))
    width, place = float(widths[i]), places[i]
    section, alloy = rules.of_process(subject.process, "section_least_mm"), subject.alloy
    is_centre = subject.stone.width_mm >= rules.value("claws.centre_from_mm")
    size = rules["claws.diameter_least_centre_mm" if is_centre else "claws.diameter_least_small_mm"]
    if is_centre:
        size = replace(size, value=max(size.value * _share_of_load(len(gauge.claws), alloy.family),
                                       rules.value("claws.diameter_least_small_mm")))
    most = max(section.value, alloy.least_model_mm, size.value)
    thicker = f"Thicken {claw.name} by {max(0.0, most - width):.2f} mm."
    yield judge("claws.width", f"Least width of {claw.name}", width, "mm", place, [
        at_least(section, "unsafe", thicker), *fills(alloy, thicker), at_least(size, "watch", thicker)], READ_MM)


def _share_of_load(count: int, family: str) -> float:
    """The rule is for four gold claws; more of them share the load, and platinum is tougher. From memory."""
    factors = claw_factors()
    of_count = factors.get(min(count, max(factors)), 1.0)
    return min(1.0, of_count) * min(1.0, FAMILY_FACTORS[family])


def _in_hollow(claw: ClawMeasure, subject: Subject) -> Finding:
    gauge = subject.gauge
    if gauge.wall is None:
        return unable("claws.hollow", f"{_title(claw.name)} in the hollow", NO_WALL, NAME_WALL)
    most, area, place = gauge.claw_in_hollow(claw)
    nothing = Limit(0.0, False, "watch", "A claw that stands into the hollow shows through the stone and traps dirt.",
                    "common practice, no source",
                    f"Move {claw.name} outwards or thicken the wall by {max(0.0, most):.2f} mm.")
    note = f"{area:.3f} mm² of its section stands in the hollow" if most > 0.0 else "it stays inside the wall"
    return judge("claws.hollow", f"{_title(claw.name)} beyond the wall's inner face", max(0.0, most), "mm", place,
                 [nothing], READ_MM, note)
