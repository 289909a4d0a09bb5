"""Whether the stone is held: its motions against every contact, its ways out, one claw lost, its corners; spare metal
as cast, height and contact as set.

Held means held by shape alone, without friction: sideways, down, up and against tipping. As cast the claws count as
closed over the crown as far as the least contact asks. Turning in its own plane is left to friction.
"""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats
from ..tolerance import READ_MM, READ_SHARE
from ..trade.house_rules import HouseRules
from .contacts import FREE_SHARE, Contacts, contacts_of, free_part, owners_of, sides, which_hold
from .findings import Finding, Limit, at_least, at_most, direction, judge, point, unable, rounded_up
from .loops import distances_mm, in_rows, is_inside
from .measure import ClawMeasure
from .subject import NAME_CLAWS, NO_CLAW, Subject

SIDES = 8
"""In how many ways a push is tried. Any stone that can move at all moves in one of them."""

TURN_DEG = 1.5
"""Steps in which an outline is turned. Larger: a heart reads wide between its lobes, and a way out is read too wide."""

TURN_MOST_DEG = 15.0
"""How far a stone turns in its seat while claws give way. Larger: a long stone would leave through the side of its head
lengthwise, through the claws at its other side. Common practice, no source."""

GUARD_STEPS = 12
"""Places outside a point at which metal is looked for."""

NO_CROWN = "no crown of the stone lies inwards from it", "Look at this place yourself."
"""What is said of a claw that has nothing to be bent over, and what to do."""

THROUGH = "Through an opening as wide as the part of it that has to pass, turned as fits best, a stone leaves."


@dataclass(frozen=True, eq=False)
class Opening:
    """A run of the girdle without metal: where it begins among the dense places, how many, and both ends (2,) mm."""

    start: int
    length: int
    first: Floats
    last: Floats


def check_retention(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of how the stone is held."""
    contacts, door = _contacts(subject, rules), Door(subject.gauge.girdle_loop)
    yield from _kept(subject, rules, contacts, door)
    if subject.gauge.claws:
        yield from _one_lost(subject, contacts, door)
    yield from _guarded(subject, rules)


def check_held(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Those of them that can find something unsafe."""
    yield from _kept(subject, rules, _contacts(subject, rules), Door(subject.gauge.girdle_loop))
    yield from _guarded(subject, rules)


def _contacts(subject: Subject, rules: HouseRules) -> Contacts:
    return contacts_of(subject.gauge, subject.is_set, rules.value("claws.contact_low"))


def _kept(subject: Subject, rules: HouseRules, contacts: Contacts, door: Door) -> Iterator[Finding]:
    """What all that holds the stone does together."""
    gauge = subject.gauge
    if gauge.girdle_contact.any():
        yield from _ways_out(subject, rules, door)
    else:
        rule = rules["claws.opening_most"]
        yield Finding("retention.opening", "Largest opening between claws", "unsafe", 1.0, rule.value, "1", None,
                      "No metal stands at the girdle, so nothing holds the stone sideways.",
                      "Raise claws past the girdle.", rule.source, rule.key)
    yield from _held(subject, contacts)


def _guarded(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """What each corner and each claw needs."""
    gauge = subject.gauge
    yield from _corners(subject, rules)
    if subject.is_set:
        yield from _finished(subject, rules)
    else:
        for claw in gauge.claws:
            yield _spare(claw, subject, rules)
    if not gauge.claws and gauge.rim_part is None:
        yield unable("retention.spare", "Metal to bend over the crown", NO_CLAW, NAME_CLAWS)


# Ways out between two claws.


def _ways_out(subject: Subject, rules: HouseRules, door: Door) -> Iterator[Finding]:
    gauge = subject.gauge
    points, _ = gauge.dense_girdle
    girdle_z = gauge.girdle_plane_mm + subject.stone.girdle_mm / 2.0
    found = openings(points, gauge.girdle_contact)

    def place(opening: Opening) -> list[float]:
        return [*points[(opening.start + opening.length // 2) % len(points)], girdle_z]

    longest = max(found, key=lambda each: each.length, default=Opening(0, 0, points[0], points[0]))
    yield judge("retention.opening", "Largest opening between claws, share of the girdle",
                longest.length / len(points), "1", place(longest),
                [at_most(rules["claws.opening_most"], "unsafe",
                         "Add a claw here, or spread the claws until no opening is above {limit} of the girdle.")],
                READ_SHARE)
    wide, needed, widest = max(_ways(found, door), key=_easiest, default=(0.0, door.least_mm, longest))
    limit = Limit(needed, False, "unsafe", THROUGH, "geometry",
                  f"Add a claw here{_nearer('its neighbours', wide, needed)}.")
    yield judge("retention.passing", "Widest way out between two claws", wide, "mm", place(widest), [limit], -READ_MM)


def _ways(found: Sequence[Opening], door: Door) -> list[tuple[float, float, Opening]]:
    """How wide each opening is, mm, how wide it would have to be for the stone to leave through it, and the opening."""
    firsts = np.array([each.first for each in found]).reshape(-1, 2)
    lasts = np.array([each.last for each in found]).reshape(-1, 2)
    return list(zip(np.linalg.norm(lasts - firsts, axis=1).tolist(), door.needs_mm(firsts, lasts).tolist(), found))


def _easiest(way: tuple[float, float, Opening]) -> float:
    """By which of some ways the stone leaves most easily."""
    return way[0] - way[1]


def _nearer(which: str, wide_mm: float, needed_mm: float) -> str:
    """The end of a remedy: how near claws have to stand; nothing where the stone is narrower behind them at any
    rate."""
    return f", or bring {which} to less than {needed_mm:.2f} mm apart" if needed_mm < wide_mm - READ_MM else ""


def openings(points: Floats, touching: np.ndarray) -> list[Opening]:
    """Every run of False on a ring of places (n, 2), with the places that touch beside it; none if nothing touches."""
    count, held = len(points), np.flatnonzero(touching)
    if not len(held):
        return []
    runs = np.diff(np.append(held, held[0] + count)) - 1
    return [Opening((int(held[i]) + 1) % count, int(runs[i]), points[held[i]], points[(held[i] + runs[i] + 1) % count])
            for i in np.flatnonzero(runs)]


class Door:
    """How wide an opening must be for an outline (k, 2), counter-clockwise, to leave through it.

    While a convex outline passes a door, its longest chord along the door has to fit at some time, unless that is
    outside already (G. Strang, The Width of a Chair, 1982). The stone may turn as far as claws that give way let it.
    """

    def __init__(self, outline: Floats) -> None:
        self.outline = outline
        ways = np.concatenate([outline[1:], outline[:1]]) - outline
        # Square to its sides an outline is narrowest; whole turns besides, because a cleft's lips are no side of it.
        turn = np.arange(0.0, math.pi, math.radians(TURN_DEG))
        self.across = np.concatenate([np.column_stack([-ways[:, 1], ways[:, 0]]) / np.hypot(*ways.T)[:, None],
                                      np.column_stack([np.cos(turn), np.sin(turn)])])
        self.wide_mm = np.ptp(outline @ self.across.T, axis=0)

    @property
    def least_mm(self) -> float:
        """The outline's least width in any direction."""
        return float(self.wide_mm.min())

    def longest_mm(self, ways: Floats) -> Floats:
        """(n,) the outline's longest chord along each unit way (n, 2): no chord leaves the strips of its widths, and in
        one of them it is as long as the strip allows."""
        longest: Floats = np.empty(len(ways))
        for rows in in_rows(len(ways), len(self.across)):
            along = ways[rows] @ self.across.T
            np.maximum(np.abs(along, out=along), 1e-9, out=along)
            longest[rows] = np.divide(self.wide_mm, along, out=along).min(axis=1)
        return longest

    def needs_mm(self, firsts: Floats, lasts: Floats) -> Floats:
        """(n,) for the openings between places (n, 2) and (n, 2) of the outline, each of the second counter-clockwise
        of the first: the least of the longest chords along it as the outline turns, or its own width where all that is
        behind it is narrower."""
        needs: Floats = np.linalg.norm(lasts - firsts, axis=1)
        along = (lasts - firsts) / np.maximum(needs, 1e-12)[:, None]
        inwards = np.column_stack([-along[:, 1], along[:, 0]])
        over = self.outline @ inwards.T - np.einsum("ij,ij->i", firsts, inwards)
        ahead = self.outline @ along.T
        passes = [i for i, wide in enumerate(needs.tolist())
                  if _widest_behind(ahead[:, i], over[:, i]) > wide + READ_MM]
        if passes:
            steps = 1 + 2 * round(TURN_MOST_DEG / TURN_DEG)
            turn = np.radians(np.linspace(-TURN_MOST_DEG, TURN_MOST_DEG, steps))[:, None]
            ways = np.cos(turn) * along[passes, None] + np.sin(turn) * inwards[passes, None]
            needs[passes] = self.longest_mm(ways.reshape(-1, 2)).reshape(len(passes), -1).min(axis=1)
        return needs


def _widest_behind(along: Floats, over: Floats) -> float:
    """How long a line across a ring of corners with coordinates (k,) each is inside it at most, at the heights of
    corners over nothing; 0 if there are none."""
    behind = np.sort(over[over > 0.0])
    return float(_widths(along, over, behind).max()) if len(behind) else 0.0


def _widths(along: Floats, over: Floats, heights: Floats) -> Floats:
    """(h,) how long the lines at heights across a ring of corners with coordinates (k,) each are inside it."""
    low, count = int(np.argmin(over)), len(over)
    order = (low + np.arange(count + 1)) % count
    high = int(np.argmax(over[order[:-1]]))
    up, down = order[:high + 1], order[high:][::-1]
    ahead, back = (np.interp(heights, np.maximum.accumulate(over[part]), along[part]) for part in (up, down))
    return np.abs(ahead - back)


# Motions against the contacts.


def _motions(subject: Subject) -> dict[str, Sequence[Floats]]:
    """Unit motions that a head in this state has to stop, by the code of their check."""
    level, down = sides(SIDES), np.array([0.0, 0.0, -1.0])
    # A rim that still stands open leaves the way up free.
    if not subject.is_set and not subject.gauge.claws:
        return {"sideways": level, "downwards": [down]}
    nothing = np.zeros(2)
    return {"sideways": [np.append(way, nothing) for way in level], "downwards": [np.append(down, nothing)],
            "upwards": [np.append(-down, nothing)], "tilt": [np.concatenate([np.zeros(3), way[:2]]) for way in level]}


def _freest(wrenches: Floats, motions: Sequence[Floats]) -> tuple[float, Floats]:
    """The motion of which contacts (k, 5) leave most free: its share, and the twist in the middle of all those by which
    it escapes."""
    free = [free_part(wrenches[:, :len(motions[0])], motion) for motion in motions]
    # Sums of free twists are free, because they are a cone.
    return max(share for share, _ in free), np.sum([twist for _, twist in free], axis=0)


HELD = {
    "sideways": ("Share of a push along the girdle that nothing stops",
                 "A stone that is not held all round slides out where nothing holds it.",
                 "Add a claw towards {towards}°, where the stone is free to leave."),
    "downwards": ("Share of a push towards the culet that nothing stops",
                  "A stone without a bearing all round sinks between the claws.",
                  "Raise the wall or a rail under the stone, or notch the claws below the girdle, towards "
                  "{towards}°."),
    "upwards": ("Share of a lift that nothing stops",
                "A stone that no metal holds down leaves the head upwards.",
                "Close a claw over the crown towards {towards}°."),
    "tilt": ("Share of a tip that nothing stops",
             "A stone held down on one side only tips out at the other; its turning in the seat is left to friction.",
             "Close a claw over the crown towards {towards}°."),
}
"""What each check of a motion says: title, why, remedy."""


def _held(subject: Subject, contacts: Contacts) -> Iterator[Finding]:
    """The motions one after the other, unless contacts hold against all."""
    gauge = subject.gauge
    motions = _motions(subject)
    is_held = "tilt" in motions and bool(which_hold(contacts.wrenches, np.ones((1, len(contacts.owners)), bool))[0])
    ring = np.column_stack([gauge.dense_girdle[0], np.full(len(gauge.dense_girdle[0]), gauge.crown_edge_mm)])
    for code, tried in motions.items():
        share, twist = (0.0, tried[0]) if is_held else _freest(contacts.wrenches, tried)
        is_free = share > FREE_SHARE
        place = _leaves_at(contacts, twist, ring, code) if is_free else None
        towards = "" if place is None else direction(*(place - contacts.centre)[:2])
        what, why, remedy = HELD[code]
        if not subject.is_set and gauge.claws:
            what += " once the claws are closed"
        limit = Limit(0.0, False, "unsafe", why, "geometry", remedy.format(towards=towards))
        yield judge(f"retention.{code}", what, share if is_free else 0.0, "1", place, [limit], 0.0)


def _leaves_at(contacts: Contacts, twist: Floats, ring: Floats, code: str) -> Floats:
    """(3,) where on a ring (k, 3) a stone leaves that escapes by a twist: where its girdle goes farthest, outwards, down
    or up."""
    if code == "sideways" and np.linalg.norm(twist[:2]) > FREE_SHARE:
        goes = ring[:, :2] @ twist[:2]
    else:
        goes = contacts.velocity(twist, ring)[:, 2] * (-1.0 if code == "downwards" else 1.0)
    place: Floats = ring[int(np.argmax(goes))]
    return place


def _one_lost(subject: Subject, contacts: Contacts, door: Door) -> Iterator[Finding]:
    """The same questions with each claw broken off in turn, for the worst of them."""
    gauge = subject.gauge
    hold_without = which_hold(contacts.wrenches, np.array([contacts.owners != claw.name for claw in gauge.claws])).tolist()
    motions = [motion for tried in _motions(subject).values() for motion in tried]
    points, normals = gauge.dense_girdle
    ring = np.column_stack([points, np.full(len(points), gauge.girdle_plane_mm + subject.stone.girdle_mm / 2.0)])
    owners = owners_of(gauge, ring, np.column_stack([normals, np.zeros(len(normals))]))
    before = set(_runs(openings(points, gauge.girdle_contact)))
    free: list[tuple[float, ClawMeasure]] = []
    opened: list[tuple[Opening, ClawMeasure]] = []
    for claw, is_held in zip(gauge.claws, hold_without):
        share = 0.0 if is_held else _freest(contacts.wrenches[contacts.owners != claw.name], motions)[0]
        free.append((share if share > FREE_SHARE else 0.0, claw))
        opened += [(each, claw) for each in openings(points, gauge.girdle_contact & (owners != claw.name))
                   if not before.issuperset(_runs([each]))]
    more = "Take one claw more" if len(gauge.claws) < 4 else "Take more claws, or wider ones"
    why = "A head that needs every claw loses its stone with the first that breaks."
    share, claw = max(free, key=lambda each: round(each[0], 3))
    yield judge("retention.one_lost", "Share of the stone's freest motion with one claw broken off", share, "1",
                claw.girdle_place, [Limit(0.0, False, "watch", why, "geometry",
                                          f"{more}, or have the claws checked every year.")], 0.0,
                f"{claw.name} is the one whose loss lets the stone go most")
    if not opened:
        return
    ways = [(wide, needed, claw)
            for (wide, needed, _), (_, claw) in zip(_ways([each for each, _ in opened], door), opened)]
    loosened = {each.name for freed, each in free if freed > 0.0}
    code, what = "retention.one_lost_way", "Widest way out with one claw broken off"
    # A way out is one for a stone that can move; what still holds a stone all round keeps it from any.
    open_ways = [each for each in ways if each[2].name in loosened]
    wide, needed, claw = max(open_ways or ways, key=lambda each: round(each[0] - each[1], 3))
    if not open_ways and wide >= needed - READ_MM:
        yield Finding(code, what, "sound", wide, None, "mm", point(claw.girdle_place),
                      f"The stone would pass, but whichever claw breaks, the others still press on it from every side and over "
                      f"its crown; it stays, and the broken claw wants mending soon; {claw.name} leaves the widest way.", "",
                      "geometry")
        return
    yield judge(code, what, wide, "mm", claw.girdle_place,
                [Limit(needed, False, "watch", why, "geometry",
                       f"{more}{_nearer(f'the neighbours of {claw.name}', wide, needed)}.")], -READ_MM,
                f"{claw.name} is the one whose loss lets the stone go most")


def _runs(found: Sequence[Opening]) -> list[tuple[int, int]]:
    return [(each.start, each.length) for each in found]


# Corners.


def _corners(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Metal outside every corner of the outline, and room at its points."""
    gauge = subject.gauge
    least_deg = rules.value("retention.corner_from_deg")
    corners = [corner for corner in subject.stone.outline.corners if corner.turn_deg >= least_deg]
    if not corners:
        return
    height = gauge.girdle_plane_mm + subject.stone.girdle_mm / 2.0
    loops = gauge.metal_at(height)
    shift = np.median(subject.placed.vertices - subject.stone.mesh.vertices, axis=0)[:2]
    places = np.array([corner.point for corner in corners]) + shift
    outwards = np.array([corner.normal for corner in corners])
    turns = np.array([corner.turn_deg for corner in corners])
    sharp = turns >= rules.value("retention.corner_sharp_deg")
    away = np.min([distances_mm(places, loop) for loop in loops], axis=0) if loops else np.full(len(places), math.inf)
    covered = is_inside(loops, places + outwards * READ_MM)
    guard = rules["retention.corner_guard_mm"]
    steps = np.linspace(READ_MM, guard.value + READ_MM, GUARD_STEPS)
    outside = is_inside(loops, (places + steps[:, None, None] * outwards).reshape(-1, 2)).reshape(GUARD_STEPS, -1)
    # A blow comes from outside: beside a sharp point metal is of no use.
    bare = ~outside.any(axis=0) & (sharp | (away > guard.value + READ_MM))
    worst = int(np.argmax(np.where(bare, turns, 0.0)))
    limit = Limit(0.0, False, "unsafe" if (bare & sharp).any() else "watch", guard.why, guard.source,
                  "Stand a claw at each bare corner, a V claw at a point, or close a rim around the stone.", guard.key)
    yield judge("retention.corners", f"Corners of the stone without metal within {guard.value:.2f} mm",
                float(bare.sum()), "count", [*places[worst], height], [limit], 0.0)
    # A V claw's own check looks at the relief at its point.
    own = np.array([claw.edge for claw in gauge.claws if claw.is_v]).reshape(-1, 2)
    elsewhere = np.linalg.norm(places[:, None, :] - own, axis=2).min(axis=1, initial=math.inf) > guard.value
    points = np.flatnonzero(~bare & elsewhere & (turns >= rules.value("retention.point_from_deg")))
    if not len(points) or not subject.is_seat_cut:
        return
    room = np.where(covered, 0.0, away)
    nearest = points[int(np.argmin(room[points]))]
    yield judge("retention.point_free", "Least room between a point of the stone and its metal", room[nearest], "mm",
                [*places[nearest], height], [at_least(rules["claws.relief_least_mm"], "watch",
                "Relieve the metal at the point by a saw cut or a small drill, until {limit} mm are free.")], READ_MM)


# Claws.


def _spare(claw: ClawMeasure, subject: Subject, rules: HouseRules) -> Finding:
    """Metal past the girdle, along the claw, against what the least contact and a round tip take."""
    gauge = subject.gauge
    slope = gauge.crown_slope_mm(claw)
    if slope <= 0.0:
        return unable("retention.spare", f"Length of {claw.name} past the girdle", *NO_CROWN)
    spare = gauge.claw_length_mm(claw) - (gauge.crown_edge_mm - gauge.base_mm) / float(claw.axis[2])
    contact, published = rules["claws.contact_low"], rules["claws.spare_low_mm"]
    needed = contact.value * slope + claw.diameter_mm / 2.0
    place = claw.at_height(gauge.claw_top_mm(claw))
    longer = f"Make {claw.name} {rounded_up(max(needed, published.value) - spare)} mm longer."
    return judge("retention.spare", f"Length of {claw.name} past the girdle", spare, "mm", place, [
        Limit(needed, True, "unsafe", "Shorter metal does not reach far enough over the crown once it is bent.",
              contact.source, longer, contact.key),
        at_least(published, "unsafe", longer)], READ_MM)


def _finished(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    gauge = subject.gauge
    crown, lies = gauge.table_mm - gauge.crown_edge_mm, gauge.contacts(READ_MM)
    for claw in gauge.claws:
        top = gauge.claw_top_mm(claw)
        share = (top - gauge.crown_edge_mm) / crown
        low, high = (rules.v_tip_heights(gauge.wall is not None) if claw.is_v else
                     (rules["claws.tip_height_low"], rules["claws.tip_height_high"]))
        contact = _contact(claw, subject, rules, *lies[claw.name])
        end = contact.place or claw.at_height(top)
        off = (share - (low.value + high.value) / 2.0) * crown
        remedy = f"Finish {claw.name} {abs(off):.2f} mm {'lower' if off > 0.0 else 'higher'}."
        yield judge("retention.tip_height", f"Height of {claw.name} on the crown", share, "1", [*end[:2], top],
                    [at_least(low, "unsafe", remedy), at_most(high, "watch", remedy)], 0.01)
        yield contact


def _contact(claw: ClawMeasure, subject: Subject, rules: HouseRules, contact: float, end: Floats) -> Finding:
    what = f"Contact of {claw.name} along the crown's slope"
    if subject.gauge.crown_slope_mm(claw) <= 0.0:
        return unable("retention.contact", what, *NO_CROWN)
    longer = f"Bend {claw.name} down and leave it longer, to lie on {{limit}} of the slope."
    return judge("retention.contact", what, contact, "1", end,
                 [at_least(rules["claws.contact_low"], "unsafe", longer),
                  at_most(rules["claws.contact_high"], "watch", f"Trim {claw.name} to lie on at most {{limit}} of the slope.")], 0.01)
