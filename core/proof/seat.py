"""How the stone sits: rim, bearing, clearance below, level and centred."""
from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..tolerance import READ_DEG, READ_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, at_most, judge, point, unable
from .loops import HALF_TURN_DEG, free_turn
from .measure import SEATED_MM
from .subject import NAME_WALL, NO_WALL, Subject


def check_seat(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the seat."""
    if subject.gauge.wall is None:
        for code, what in (("seat.rim", "Rim at the wall's top"), ("seat.rests", "Stone on its seat"),
                           ("seat.bearing", "Width of the bearing")):
            yield unable(code, what, NO_WALL, NAME_WALL)
    else:
        if not subject.gauge.has_flat_base:
            yield _rim(subject, rules)
        yield from _bearing(subject, rules)
    yield _in_common(subject)
    yield _culet_clearance(subject, rules)
    yield _culet_free(subject, rules)
    yield _level(subject, rules)
    yield _centred(subject, rules)


def _rim(subject: Subject, rules: HouseRules) -> Finding:
    measured, place = subject.gauge.rim
    least, usual = rules["seat.rim_least_mm"], rules["seat.inset_mm"]
    # The halves between the mains run a little outside them, so the usual inset is met to within a measured length.
    widen = f"Widen the seat inset by {max(0.0, usual.value - measured):.2f} mm, or lower the wall's top."
    slack = Limit(usual.value - rules.value("measure.length_mm"), True, "watch", usual.why, usual.source, widen)
    return judge("seat.rim", "Rim outside the pavilion at the wall's top", measured, "mm", place,
                 [at_least(least, "unsafe", widen), slack], READ_MM)


def _bearing(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    gauge = subject.gauge
    again: list[tuple[int, int]] = []
    if gauge.has_flat_base:
        width, places = gauge.flat_bearing()
    else:
        width, places, again = gauge.bearing(READ_MM, rules.value("seat.clearance_high_mm"))
    share = float((width > 0.0).mean())
    j = int(np.argmin(width))
    resting = gauge.stations[1][width > 0.0]
    is_steady = len(resting) > 0 and free_turn(resting)[0] < HALF_TURN_DEG
    rests = Limit(1.0, True, "watch" if is_steady else "unsafe", "A stone that does not rest all round chips where it "
                  "bridges." if is_steady else "A stone that rests on one side only rocks and tips.", "geometry",
                  f"Build the seat up near {_spoken(places[j])}, or cut it level all round.")
    yield judge("seat.rests", "Share of the wall that the stone rests on", share, "1", places[j], [rests], 0.0)
    limit = at_least(rules["seat.bearing_least_mm"], "watch",
                     "Thicken the wall or reduce its bevel until the stone bears on {limit} mm.")
    yield judge("seat.bearing", "Least width of the bearing", float(width[j]), "mm", places[j], [limit], READ_MM)
    if again:
        level, station = min(again, key=lambda pair: gauge.room_mm[pair])
        place = gauge.place_at(level, station, float(gauge.pavilion[0][level, station]))
    else:
        level, station = 0, j
        place = places[j]
    nothing = Limit(0.0, False, "unsafe", "A pavilion that touches below its bearing is lifted off it, and rocks.",
                    "geometry", f"Remove the metal near {_spoken(place)}.")
    yield judge("seat.rocks", "Places where the stone touches below its bearing", float(len(again)), "count", place,
                [nothing], 0.0)
    if subject.state == "cast" and gauge.settling_mm > 0.0:
        low, high = rules["seat.clearance_low_mm"], rules["seat.clearance_high_mm"]
        yield judge("seat.clearance", "Room between the stone and its seat", gauge.settling_mm, "mm", places[j],
                    [at_least(low, "watch", "Cut the seat with {limit} mm of room, or leave it to the setter."),
                     at_most(high, "watch", "Cut the seat closer, to at most {limit} mm.")], READ_MM)


def _in_common(subject: Subject) -> Finding:
    volume, depth, place = subject.gauge.common
    if subject.is_set:
        limit = Limit(SEATED_MM, False, "unsafe", "Metal cannot stand inside a stone, so the seat is not finished.",
                      "geometry", f"Cut the seat {depth:.2f} mm deeper here.")
        return judge("seat.fits", "Deepest metal inside the stone", depth, "mm", place, [limit], READ_MM)
    done = subject.is_seat_cut
    why = ("The seat is in the model already, so the setter only cleans it." if done else
           f"The setter cuts this much away, {depth:.2f} mm at the deepest, before the stone goes down.")
    return Finding("seat.to_cut", "Metal that the setter still removes", "sound", volume, None, "mm3", point(place),
                   why, "", "geometry")


def _culet_clearance(subject: Subject, rules: HouseRules) -> Finding:
    gauge = subject.gauge
    clearance = float(gauge.culet[2]) - gauge.base_mm
    preferred = rules.value("head.culet_clearance_preferred_mm")
    raise_by = f"Raise the culet clearance by {max(0.0, preferred - clearance):.2f} mm."
    return judge("seat.culet_clearance", "Culet above the base plane", clearance, "mm", gauge.culet,
                 [at_least(rules["head.culet_clearance_least_mm"], "unsafe", raise_by),
                  at_least(rules["head.culet_clearance_preferred_mm"], "watch", raise_by)], READ_MM)


def _culet_free(subject: Subject, rules: HouseRules) -> Finding:
    room, place = subject.gauge.room_at_culet(2.0 * rules.value("head.pavilion_gap_least_mm"))
    rule = rules["head.pavilion_gap_least_mm"]
    if room <= READ_MM:
        touches = Limit(rule.value, True, "unsafe", "A culet that stands on metal carries the whole stone and breaks.",
                        "geometry", f"Open the hollow under the culet by {rule.value:g} mm.")
        return judge("seat.culet_free", "Room about the culet", room, "mm", place, [touches], READ_MM)
    limit = at_least(rule, "watch", f"Open the hollow by {max(0.0, rule.value - room):.2f} mm about the culet.")
    return judge("seat.culet_free", "Room about the culet", room, "mm", place, [limit], READ_MM,
                 "more room than that was not looked for" if room >= 2.0 * rule.value - READ_MM else "")


def _level(subject: Subject, rules: HouseRules) -> Finding:
    stone, placed = subject.stone.mesh, subject.placed
    tables = stone.faces_tagged("table")
    top = int(tables[0]) if len(tables) else int(np.argmax(stone.face_normals()[:, 2]))
    before, now = stone.face_normals()[top], placed.face_normals()[top]
    lean = math.degrees(math.atan2(float(np.linalg.norm(np.cross(before, now))), float(before @ now)))
    place = placed.vertices[placed.face(top)].mean(axis=0)
    return judge("seat.level", "Lean of the stone's table", lean, "deg", place,
                 [at_most(rules["seat.level_deg"], "unsafe", f"Turn the stone back by {lean:.1f}°.")], READ_DEG)


def _centred(subject: Subject, rules: HouseRules) -> Finding:
    gauge = subject.gauge
    own = subject.stone.mesh.vertices
    low = own[:, 2] <= own[:, 2].min() + 1e-9
    off = gauge.culet[:2] - own[low].mean(axis=0)[:2]
    distance = float(np.linalg.norm(off))
    return judge("seat.centred", "Culet off the head's axis", distance, "mm", gauge.culet,
                 [at_most(rules["seat.centred_mm"], "watch", f"Move the stone back by {distance:.2f} mm.")], READ_MM)


def _spoken(place: np.ndarray) -> str:
    return f"({place[0]:.2f}, {place[1]:.2f}, {place[2]:.2f}) mm"
