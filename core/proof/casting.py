"""Whether it can be cast: one sound body, sections that fill, gaps that stay open, a hollow that is free."""
from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..solid.kernel import bodies, is_watertight_after_welding, section, triangles_of, volume_mm3
from ..tolerance import READ_MM, WELD_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, fills, judge, unable
from .loops import largest
from .subject import NAME_WALL, NO_WALL, Subject

LUMP_MM = 0.05
"""How far metal may stand out of the hollow's face before it is a lump. Common practice, no source."""


def check_casting(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of the metal as a casting."""
    yield from _sound(subject)
    yield _wall(subject, rules)
    yield _hollow(subject)
    yield from _gaps(subject, rules)


def _sound(subject: Subject) -> Iterator[Finding]:
    metal = subject.metal
    separate = bodies(metal)
    volumes = [volume_mm3(body) for body in separate]
    # The smallest is the one that fell off.
    stray = separate[int(np.argmin(volumes))] if separate else metal
    vertices, _ = triangles_of(stray)
    place = vertices.mean(axis=0) if len(vertices) else None
    one = Limit(1.0, False, "unsafe", "Metal in more than one body falls apart when it is cut from the sprue.",
                "geometry", "Let the parts reach into each other by 0.01 mm.")
    yield judge("casting.bodies", "Separate bodies of metal", float(len(separate)), "count", place, [one], 0.0)
    closed = is_watertight_after_welding(metal, WELD_MM)
    whole = Limit(1.0, True, "unsafe", "A surface that opens once its points are welded is a hole to a slicer.",
                  "geometry", "Move parts that only touch apart, or 0.01 mm into each other.")
    yield judge("casting.closed", "Surface closed after welding", float(closed), "count", None, [whole], 0.0)


def _wall(subject: Subject, rules: HouseRules) -> Finding:
    gauge, alloy = subject.gauge, subject.alloy
    code, what = "casting.wall", "Thinnest place of the wall"
    if gauge.wall is None:
        return unable(code, what, NO_WALL, NAME_WALL)
    values, places = gauge.wall_thickness
    if not len(values):
        return unable(code, what, "no ray square to the wall finds both its faces", "Close the wall's surface.")
    i = int(np.argmin(values))
    flat = rules.of_process(subject.process, "flat_least_mm")
    most = max(flat.value, alloy.least_model_mm)
    thicker = f"Thicken the wall by {max(0.0, most - float(values[i])):.2f} mm here."
    return judge(code, what, float(values[i]), "mm", places[i],
                 [at_least(flat, "unsafe", thicker), *fills(alloy, thicker)], READ_MM)


def _hollow(subject: Subject) -> Finding:
    if subject.gauge.wall is None:
        return unable("casting.hollow", "Metal in the hollow", NO_WALL, NAME_WALL)
    most, place = subject.gauge.intrusion
    limit = Limit(LUMP_MM, False, "watch", "A lump in the hollow catches dirt, and shows through the stone.",
                  "common practice, no source", f"Cut it back by {max(0.0, most):.2f} mm.")
    return judge("casting.hollow", "Metal standing into the hollow", max(0.0, most), "mm", place, [limit], READ_MM)


def _gaps(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Clear width between neighbouring claws where they are nearest: at the base."""
    gauge = subject.gauge
    if len(gauge.claws) < 2:
        return
    height = gauge.base_mm + 0.02
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
    rule = rules.of_process(subject.process, "gap_least_mm")
    place = [*middle, height]
    if clear <= 0.0:
        merged = Limit(0.0, True, "watch", "Claws that run into each other at the base look like one lump of metal.",
                       "common practice, no source", "Take fewer or thinner claws, or a smaller taper.")
        yield judge("casting.gap", "Room between claws at the base", clear, "mm", place, [merged], READ_MM)
        return
    yield judge("casting.gap", "Room between claws at the base", clear, "mm", place,
                [at_least(rule, "watch", f"Thin the claws by {max(0.0, rule.value - clear):.2f} mm, or take fewer.")],
                READ_MM)
