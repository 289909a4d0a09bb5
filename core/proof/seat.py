"""How the stone sits: rim, bearing, room below it, gaps beside the girdle, level and centred.

A wall carries the stone all round, or where its top stands if that is scooped; without a wall the claws' notches carry it.
"""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, cross, lengths
from ..solid.kernel import bounds
from ..tolerance import CHORD_MM, READ_DEG, READ_MM, READ_SHARE
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, at_most, direction, judge, point, unable, rounded_up
from .loops import HALF_TURN_DEG, free_turn, middle_of
from .measure import SEATED_MM, Gauge
from .pavilion import Bearing, flat_level_mm
from .subject import NAME_HOLD, NO_HOLD, Subject


def check_seat(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the seat."""
    yield from check_seated(subject, rules)
    if subject.is_set:
        if _is_carried(subject.gauge):
            yield from _bearing(subject, rules)
        yield _fits(subject)
    else:
        yield _to_cut(subject)


def check_seated(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the seat, without what the setter still cuts away, which is only told, or has fitted to the stone."""
    yield from _rests(subject, rules)
    if subject.is_set:
        yield from _gaps(subject, rules)
    yield from _stands(subject, rules)
    yield _centred(subject, rules)


def check_rests(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Those of them that can find something unsafe."""
    yield from _rests(subject, rules)
    yield from _stands(subject, rules)


def _rests(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """What carries the stone."""
    gauge = subject.gauge
    if not _is_carried(gauge):
        for code, what in (("seat.rim", "Rim at the wall's top"), ("seat.rests", "Stone on its seat"),
                           ("seat.bearing", "Width of the bearing")):
            yield unable(code, what, NO_HOLD, NAME_HOLD)
    else:
        if gauge.wall is not None and not gauge.has_flat_base:
            yield _rim(subject, rules)
        if not subject.is_set:
            yield from _bearing(subject, rules)
        yield from _rails(subject, rules)


def _stands(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """How high and how level the stone stands."""
    yield _culet_clearance(subject, rules)
    yield _culet_free(subject, rules)
    yield _level(subject, rules)


def _is_carried(gauge: Gauge) -> bool:
    """Whether any part is known that may carry the stone."""
    return gauge.wall is not None or gauge.rim_part is not None or len(gauge.claw_names + gauge.rail_names) > 0


def _rim(subject: Subject, rules: HouseRules) -> Finding:
    walls = subject.gauge.walls
    measured, place = walls.rim
    least, usual = rules["seat.rim_least_mm"], rules["seat.inset_mm"]
    # The halves between the mains run a little outside them, so the usual inset is met to within a measured length.
    widen = f"Widen the seat inset by {rounded_up(usual.value - measured)} mm, or lower the wall's top."
    slack = Limit(usual.value - rules.value("measure.length_mm"), True, "watch", usual.why, usual.source, widen, usual.key)
    # In a heart's cleft the walls of both lobes back each other, so the least that stays standing is enough there.
    in_cleft = measured >= least.value - READ_MM and walls.rim_past_cleft[0] > measured
    if in_cleft and walls.rim_past_cleft[0] < slack.value - READ_MM:
        measured, place = walls.rim_past_cleft
        in_cleft = False
    return judge("seat.rim", "Rim outside the pavilion at the wall's top", measured, "mm", place,
                 [at_least(least, "unsafe", widen), *([] if in_cleft else [slack])], READ_MM,
                 "in the cleft, where both lobes' walls back it; elsewhere wider" if in_cleft else "")


@dataclass(frozen=True, eq=False)
class Support:
    """What may carry the stone. what: in words; width_mm (n,): bearing on each place; places (n, 3); groups: which places
    make up one carrier, which bears as wide as its best place; all round, every place is one by itself."""

    what: str
    width_mm: Floats
    places: Floats
    groups: Sequence[np.ndarray]

    @property
    def widths(self) -> Floats:
        """(g,) of the carriers."""
        return np.array([self.width_mm[group].max() for group in self.groups])

    def place(self, carrier: int) -> Floats:
        """(3,) the middle place of a carrier."""
        group = self.groups[carrier]
        middle: Floats = self.places[group[len(group) // 2]]
        return middle


def _support(gauge: Gauge, width: Floats, places: Floats) -> Support:
    """The carriers: stations all round, the runs of a scooped top, or the claws' legs."""
    count = len(gauge.stations[0])
    if gauge.wall is None and gauge.has_flat_base and gauge.rail_names:
        return Support("rail", width, places, [np.array([i]) for i in range(count)])
    if gauge.wall is None and gauge.claws:
        return Support("claws", width, places, [np.array([i]) for i in range(count, len(width))])
    if gauge.wall is None or gauge.walls.stands.all():
        return Support("wall" if gauge.rim_part is None else "ledge", width, places, [np.array([i]) for i in range(count)])
    return Support("wall's top where it stands", width, places, _runs(gauge.walls.stands))


def _runs(stands: np.ndarray) -> list[np.ndarray]:
    """The runs of True on a ring that holds a False."""
    first = int(np.argmin(stands))
    order = np.roll(np.arange(len(stands)), -first)
    pieces = np.split(order, np.flatnonzero(np.diff(stands[order].astype(int)) != 0) + 1)
    return [piece for piece in pieces if stands[piece[0]]]


def _bearing(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    gauge = subject.gauge
    again: list[tuple[int, int]] = []
    if gauge.has_flat_base:
        width, places = gauge.flat_bearing()
    else:
        found = gauge.bearing(READ_MM, rules.value("seat.clearance_high_mm"))
        width, places, again = found.whole_mm, found.places, found.touches_again
        lower = np.array([gauge.columns.place(*pair)[:2] for pair in again]).reshape(-1, 2)
        if again and _free_turn(gauge, lower)[0] < HALF_TURN_DEG:
            # A stepped pavilion lies on the wall twice, all round: that is one bearing in two bands.
            again = []
        elif again:
            width = found.width_mm
        if gauge.wall is None and gauge.claws:
            width, again = _on_claws(gauge, found, width, again)
    support = _support(gauge, width, places)
    widths = support.widths
    share = float((widths > 0.0).mean())
    j = int(np.argmin(widths))
    rests = Limit(1.0, True, "watch", "A stone that does not rest on all that should carry it chips where it bridges.",
                  "geometry", f"Build the seat up near {_spoken(support.place(j))}, or cut it level all round.")
    yield judge("seat.rests", f"Share of the {support.what} that the stone rests on", share, "1", support.place(j), [rests],
                0.0)
    # Over a wall the notches carry the stone as well, above the wall's top.
    notched = [leg.edge for claw in gauge.claws for leg in claw.legs if leg.notch > READ_SHARE]
    yield _tips(gauge, np.concatenate([places[width > 0.0, :2], np.array(notched).reshape(-1, 2)])
                if gauge.wall is not None else places[width > 0.0, :2])
    wider = ("Deepen the notch, or move the claw inwards, until the stone bears on {limit} mm." if support.what == "claws"
             else "Thicken the wall or reduce its bevel until the stone bears on {limit} mm.")
    yield judge("seat.bearing", "Least width of the bearing", float(widths[j]), "mm", support.place(j),
                [at_least(rules["seat.bearing_least_mm"], "watch", wider)], READ_MM)
    place = support.place(j)
    if again:
        place = gauge.columns.place(*min(again, key=lambda pair: gauge.room_mm[pair]))
    nothing = Limit(0.0, False, "unsafe", "A pavilion that touches below its bearing is lifted off it, and rocks.",
                    "geometry", f"Remove the metal near {_spoken(place)}.")
    yield judge("seat.rocks", "Places where the stone touches below its bearing", float(len(again)), "count", place,
                [nothing], 0.0)
    if subject.state == "cast" and gauge.settling_mm > READ_MM:
        low, high = rules["seat.clearance_low_mm"], rules["seat.clearance_high_mm"]
        yield judge("seat.clearance", "Room between the stone and its seat", gauge.settling_mm, "mm", support.place(j),
                    [at_least(low, "watch", "Cut the seat with {limit} mm of room, or leave it to the setter."),
                     at_most(high, "watch", "Cut the seat closer, to at most {limit} mm.")], READ_MM)


def _tips(gauge: Gauge, resting: Floats) -> Finding:
    """Whether the places (n, 2) that carry the stone lie round its middle, so that it cannot tip off them."""
    turn, free = _free_turn(gauge, resting)
    limit = Limit(HALF_TURN_DEG, False, "unsafe", "A stone that rests on one side only rocks and tips.", "geometry",
                  f"Build the seat up towards {direction(*free)}°, where nothing carries the stone.")
    reach = float((gauge.girdle_loop @ free).max())
    return judge("seat.tips", "Widest turn with nothing under the stone", turn, "deg",
                 [*(free * reach), gauge.girdle_plane_mm], [limit], -READ_DEG)


def _free_turn(gauge: Gauge, places: Floats) -> tuple[float, Floats]:
    """The widest turn, degrees, about the stone's middle without any of these places (n, 2), and where it is."""
    return free_turn(places - middle_of(gauge.girdle_loop)) if len(places) else (360.0, np.array([1.0, 0.0]))


def _on_claws(gauge: Gauge, found: Bearing, width: Floats,
              again: list[tuple[int, int]]) -> tuple[Floats, list[tuple[int, int]]]:
    """The same where claws carry the stone: what is touched lower than any claw's bearing is no bearing, it lifts, unless it is
    in one piece with a claw's, as where a claw leans along the pavilion."""
    legs = np.arange(len(gauge.stations[0]), len(width))
    bearing = legs[width[legs] > 0.0]
    if not len(bearing):
        return width, again
    # Heights are told by levels, so that what begins one level lower is the same bearing still.
    levels = gauge.levels_mm
    begin, low = (np.searchsorted(-levels, -np.asarray(z) - READ_MM) for z in (found.begins_mm, found.ends_mm[bearing].min()))
    under = (width > 0.0) & (begin > low + 1)
    if under.any():
        begin = np.minimum(begin, len(levels) - 1)
        under &= ~found.joined_with(bearing)[begin, np.arange(len(width))]
    return np.where(under, 0.0, width), again + [(int(begin[j]), j) for j in np.flatnonzero(under).tolist()]


def _rails(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Rails under the stone stay clear of the pavilion, unless they stand so high that they are part of its bearing."""
    gauge, rule = subject.gauge, rules["head.pavilion_gap_least_mm"]
    for name in gauge.rail_names:
        low, high = bounds(gauge.parts[name])
        if high[2] < gauge.culet[2] - 2.0 * rule.value or (gauge.has_flat_base and high[2] >= flat_level_mm(gauge) - READ_MM):
            continue
        gap = gauge.rail_gap(name, 2.0 * rule.value)
        near = _near(gauge, low[2], high[2])
        level, column = divmod(int(np.argmin(near)), gauge.room_mm.shape[1])
        # Where nothing is near at any height that was looked at, there is no place to tell of.
        place = gauge.columns.place(level, column) if np.isfinite(near[level, column]) else None
        remedy = f"Lower the {name} or move it outwards by {rounded_up(rule.value - gap)} mm."
        touches = Limit(CHORD_MM + READ_MM, True, "unsafe", "A rail that the pavilion touches lifts the stone off its bearing.",
                        "geometry", remedy)
        note = "more room than that was not looked for" if gap >= 2.0 * rule.value - READ_MM else ""
        yield judge("seat.rail_clear", f"Room between the pavilion and the {name}", gap, "mm", place,
                    [touches, at_least(rule, "watch", remedy)], CHORD_MM, note)


def _near(gauge: Gauge, low: float, high: float) -> Floats:
    """(h, n) room to the metal at the heights of a rail, inf elsewhere."""
    here = (gauge.levels_mm >= low - READ_MM) & (gauge.levels_mm <= high + READ_MM)
    return np.where(here[:, None], gauge.room_mm, np.inf)


def _fits(subject: Subject) -> Finding:
    depth, place = subject.gauge.finished_depth
    limit = Limit(SEATED_MM, False, "unsafe", "Metal cannot stand inside a stone, so the seat is not finished.",
                  "geometry", f"Cut the seat {depth:.2f} mm deeper here.")
    return judge("seat.fits", "Deepest metal inside the stone", depth, "mm", place, [limit], READ_MM)


def _to_cut(subject: Subject) -> Finding:
    volume, depth, place = subject.gauge.common
    done = subject.is_seat_cut
    why = ("The seat is in the model already, so the setter only cleans it." if done else
           f"The setter cuts this much away, {depth:.2f} mm at the deepest, before the stone goes down.")
    return Finding("seat.to_cut", "Metal that the setter still removes", "sound", volume, None, "mm3", point(place),
                   why, "", "geometry")


def _gaps(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """The widest of all claws, on either side of the girdle."""
    gauge = subject.gauge
    if not gauge.claws:
        return
    rule = rules["seat.gap_most_mm"]
    for found, code, what, mend in zip(gauge.seat_gaps(), ("seat.gap_below", "seat.gap_above"), ("below", "above"),
                                       ("Cut the notch of {name} to the stone", "Bend {name} down")):
        if not len(found.names):
            continue
        j = int(np.argmax(found.gaps_mm))
        close = mend.format(name=found.names[j])
        yield judge(code, f"Widest gap between stone and claws {what} the girdle", float(found.gaps_mm[j]), "mm",
                    found.points[j], [at_most(rule, "watch", close + ", until at most {limit} mm is left open.")], READ_MM / 2.0)


def _culet_clearance(subject: Subject, rules: HouseRules) -> Finding:
    gauge = subject.gauge
    clearance = float(gauge.culet[2]) - gauge.base_mm
    preferred = rules.value("head.culet_clearance_preferred_mm")
    raise_by = f"Raise the culet clearance by {rounded_up(preferred - clearance)} mm."
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
    limit = at_least(rule, "watch", f"Open the hollow by {rounded_up(rule.value - room)} mm about the culet.")
    return judge("seat.culet_free", "Room about the culet", room, "mm", place, [limit], READ_MM,
                 "more room than that was not looked for" if room >= 2.0 * rule.value - READ_MM else "")


def _level(subject: Subject, rules: HouseRules) -> Finding:
    stone, placed = subject.stone.mesh, subject.placed
    tables = stone.faces_tagged("table")
    top = int(tables[0]) if len(tables) else int(np.argmax(stone.face_normals()[:, 2]))
    before, now = stone.face_normal(top), placed.face_normal(top)
    lean = math.degrees(math.atan2(float(lengths(cross(before, now)[None])[0]), float(before @ now)))
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
    # Added to nothing, a negative zero loses its sign.
    return "({:.2f}, {:.2f}, {:.2f}) mm".format(*(np.round(place, 2) + 0.0))
