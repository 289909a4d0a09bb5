"""Whether the claws hold the stone: spare metal as cast; height and contact as set; no way out sideways or upwards."""
from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..tolerance import READ_MM, READ_SHARE
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, at_most, judge, unable
from .loops import HALF_TURN_DEG, free_turn
from .measure import ClawMeasure
from .subject import NAME_CLAWS, NO_CLAW, Subject

def check_retention(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of how the stone is held."""
    yield from _sideways(subject, rules)
    if not subject.gauge.claws:
        yield unable("retention.spare", "Metal to bend over the crown", NO_CLAW, NAME_CLAWS)
        return
    if subject.is_set:
        yield from _finished(subject, rules)
    else:
        for claw in subject.gauge.claws:
            yield _spare(claw, subject, rules)


def _sideways(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    gauge = subject.gauge
    touching = gauge.girdle_contact
    points, normals = gauge.dense_girdle
    girdle_z = gauge.girdle_plane_mm + subject.stone.girdle_mm / 2.0
    if not touching.any():
        yield Finding("retention.opening", "Largest opening between claws", "unsafe", 1.0,
                      rules.value("claws.opening_most"), "1", None,
                      "No metal stands at the girdle, so nothing holds the stone sideways.",
                      "Raise claws past the girdle.", rules["claws.opening_most"].source)
        return
    start, length = _longest_gap(touching)
    share = length / len(touching)
    middle = (start + length // 2) % len(touching)
    place = [*points[middle], girdle_z]
    yield judge("retention.opening", "Largest opening between claws, share of the girdle", share, "1", place,
                [at_most(rules["claws.opening_most"], "unsafe",
                         "Add a claw here, or spread the claws until no opening is above {limit} of the girdle.")],
                READ_SHARE)
    yield _passing(subject, start, length, place)
    gap, free = free_turn(normals[touching])
    direction = math.degrees(math.atan2(free[1], free[0]))
    limit = Limit(HALF_TURN_DEG, False, "unsafe", "A stone held from one side only slides out at the other.",
                  "geometry", f"Add a claw towards {direction:.0f}°, where the stone is free to leave.")
    reach = float(np.max(points @ free))
    yield judge("retention.sideways", "Widest arc of the girdle with nothing to stop the stone", gap, "deg",
                [*(free * reach), girdle_z], [limit], 0.0)


def _passing(subject: Subject, start: int, length: int, place: list[float]) -> Finding:
    """The straight way between the two claws beside the largest opening against the stone's narrowest width."""
    points, _ = subject.gauge.dense_girdle
    count = len(points)
    turn = np.radians(np.arange(0.0, 180.0, 2.0))
    # Past half the girdle both claws stand behind the stone's widest line, and nothing narrows the way.
    wide = math.inf if 2 * length >= count else float(
        np.linalg.norm(points[(start - 1) % count] - points[(start + length) % count]))
    narrowest = float(np.ptp(points @ np.array([np.cos(turn), np.sin(turn)]), axis=0).min())
    limit = Limit(narrowest, False, "unsafe", "Through an opening as wide as itself a stone leaves sideways.",
                  "geometry", f"Add a claw here, or bring its neighbours to less than {narrowest:.2f} mm apart.")
    return judge("retention.passing", "Widest way out between two claws", min(wide, 2.0 * narrowest), "mm", place,
                 [limit], -READ_MM)


def _longest_gap(touching: np.ndarray) -> tuple[int, int]:
    """Where the longest run of False begins on a ring that holds a True, and how long it is."""
    first = int(np.argmax(touching))
    turned = np.roll(touching, -first)
    edges = np.flatnonzero(turned)
    runs = np.diff(np.append(edges, len(turned))) - 1
    longest = int(np.argmax(runs))
    return (first + int(edges[longest]) + 1) % len(turned), int(runs[longest])


def _spare(claw: ClawMeasure, subject: Subject, rules: HouseRules) -> Finding:
    """Metal past the girdle, along the claw, against what the least contact and a round tip take."""
    gauge = subject.gauge
    _, slope = gauge.crown_line(claw, 2)
    spare = gauge.claw_length_mm(claw) - (gauge.crown_edge_mm - gauge.base_mm) / float(claw.axis[2])
    contact, published = rules["claws.contact_low"], rules["claws.spare_low_mm"]
    needed = contact.value * slope + claw.diameter_mm / 2.0
    place = claw.at_height(gauge.claw_top_mm(claw))
    longer = f"Make {claw.name} {max(0.0, max(needed, published.value) - spare):.2f} mm longer."
    return judge("retention.spare", f"Length of {claw.name} past the girdle", spare, "mm", place, [
        Limit(needed, True, "unsafe", "Shorter metal does not reach far enough over the crown once it is bent.",
              contact.source, longer),
        at_least(published, "unsafe", longer)], READ_MM)


def _finished(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    gauge = subject.gauge
    crown = gauge.table_mm - gauge.crown_edge_mm
    holding = []
    for claw in gauge.claws:
        top = gauge.claw_top_mm(claw)
        share = (top - gauge.crown_edge_mm) / crown
        low, high = rules["claws.tip_height_low"], rules["claws.tip_height_high"]
        contact, end = gauge.contact(claw, READ_MM)
        off = (share - (low.value + high.value) / 2.0) * crown
        remedy = f"Finish {claw.name} {abs(off):.2f} mm {'lower' if off > 0.0 else 'higher'}."
        yield judge("retention.tip_height", f"Height of {claw.name} on the crown", share, "1", [*end[:2], top],
                    [at_least(low, "unsafe", remedy), at_most(high, "watch", remedy)], 0.01)
        least, most = rules["claws.contact_low"], rules["claws.contact_high"]
        longer = f"Bend {claw.name} down and leave it longer, to lie on {{limit}} of the slope."
        yield judge("retention.contact", f"Contact of {claw.name} along the crown's slope", contact, "1", end,
                    [at_least(least, "unsafe", longer),
                     at_most(most, "watch", f"Trim {claw.name} to lie on at most {{limit}} of the slope.")], 0.01)
        if contact > 0.0:
            # Where it holds, not which way it faces, decides whether the stone can tip.
            holding.append(claw.edge - gauge.girdle_loop.mean(axis=0))
    turn, free = free_turn(np.array(holding)) if holding else (360.0, np.array([1.0, 0.0]))
    direction = math.degrees(math.atan2(free[1], free[0]))
    limit = Limit(HALF_TURN_DEG, False, "unsafe", "A stone held down on one side only tips out at the other.",
                  "geometry", f"Close a claw over the crown towards {direction:.0f}°.")
    reach = float(np.max(gauge.dense_girdle[0] @ free))
    yield judge("retention.upwards", "Widest turn without a claw over the crown", turn, "deg",
                [*(free * reach), gauge.crown_edge_mm], [limit], -1e-6)
