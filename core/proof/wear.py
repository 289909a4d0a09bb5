"""How it lives on a hand: hardness, height, spread of the claws, edges and points that catch, and dirt under the stone."""
from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..tolerance import READ_DEG, READ_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, at_least, at_most, judge, point, rounded_up
from .species_limits import is_weak
from .subject import Subject

SHORT_MM = 0.05
"""Edges shorter than this catch nothing. Larger: burrs pass."""

WAYS = 96
"""Directions in which a way out from under the culet is looked for. Fewer: small openings are passed over."""

RISE = 0.5
"""Sine of the steepest way up that is looked along: 30 degrees, below every pavilion. Larger: the stone stands in the way."""

UNDER_MM = 0.15
"""How far under the culet they start. Larger: they start in the metal of low heads; smaller: nothing."""

FAR_MM = 15.0
"""What leads farther than this leads out. Larger: the far side of a ring closes the way."""


def check_wear(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of what wear does."""
    yield from check_worn(subject, rules)
    yield from check_caught(subject, rules)


def check_worn(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """The same without what catches."""
    yield _hardness(subject, rules)
    yield _height(subject, rules)
    if subject.gauge.wall is not None and math.isfinite(subject.gauge.taper):
        yield _flare(subject, rules)
    yield _cover(subject, rules)
    yield _species(subject)
    yield _cleaning(subject, rules)


def check_caught(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Edges and points that catch, which any metal tells."""
    if subject.is_set:
        yield _snag(subject, rules)
    yield _points(subject, rules)


def _hardness(subject: Subject, rules: HouseRules) -> Finding:
    hardness = sum(subject.alloy.hardness_cast_hv) / 2.0
    rule = rules["wear.hardness_least_hv"]
    return judge("wear.hardness", f"Hardness of {subject.alloy.name} as cast", hardness, "HV", None,
                 [at_least(rule, "watch", "Take a harder alloy, or thicken the claws and check them every year.")], 0.0)


def _height(subject: Subject, rules: HouseRules) -> Finding:
    gauge = subject.gauge
    height = gauge.table_mm - gauge.base_mm
    rule = rules["head.height_over_finger_most_mm"]
    return judge("wear.height", "Table above the base plane", height, "mm", [0.0, 0.0, gauge.table_mm],
                 [at_most(rule, "watch", f"Lower the head by {rounded_up(height - rule.value)} mm, by less culet "
                                         "clearance or a shallower stone.")], READ_MM)


def _flare(subject: Subject, rules: HouseRules) -> Finding:
    gauge = subject.gauge
    flare = math.degrees(gauge.taper)
    rule = rules["wall.taper_high_deg"]
    return judge("wear.flare", "Lean of the wall to the axis", flare, "deg", [*gauge.girdle_loop[0], gauge.wall_top_mm],
                 [at_most(rule, "watch", f"Take a taper smaller by {max(0.0, flare - rule.value):.1f}°.")], READ_DEG)


def _cover(subject: Subject, rules: HouseRules) -> Finding:
    """How much of the girdle the claws cover: for information above, a caution below."""
    gauge = subject.gauge
    share = float(gauge.girdle_contact.mean())
    low, high = rules["claws.cover_low"], rules["claws.cover_high"]
    points, _ = gauge.dense_girdle
    place = [*points[int(np.argmax(gauge.girdle_contact))], gauge.girdle_plane_mm]
    if share > high.value:
        return Finding("wear.cover", "Share of the girdle under claws", "sound", share, high.value, "1", point(place),
                       high.why, "", high.source, high.key)
    return judge("wear.cover", "Share of the girdle under claws", share, "1", place,
                 [at_least(low, "watch", "Take more or thicker claws, to hold {limit} of the girdle.")], 0.002)


def _species(subject: Subject) -> Finding:
    """A caution for stones that chip under a claw; words of the species table."""
    kind = subject.species
    name = kind.name.capitalize()
    why = f"{name} bears the pressure of setting (toughness: {kind.toughness})."
    remedy = ""
    if is_weak(kind):
        why = (f"{name} may split under a claw that is pushed home hard (toughness: {kind.toughness}; cleavage: "
               f"{kind.cleavage}).")
        remedy = "Fit each notch to the stone and close the claws in turns, at most 0.1 mm at a time."
    return Finding("wear.species", f"Pressure on the {kind.name}", "watch" if is_weak(kind) else "sound",
                   min(kind.hardness_mohs), None, "Mohs", None, why, remedy, kind.source)


def _snag(subject: Subject, rules: HouseRules) -> Finding:
    """The sharpest edge above the girdle, where cloth is drawn over the head; as cast it is still to be filed."""
    rule = rules["wear.snag_least_deg"]
    edges = subject.surface.edges
    edges = edges.where((edges.length_mm > SHORT_MM) & (edges.inside_deg < 180.0))
    edges = edges.where(np.argsort(edges.inside_deg, kind="stable"))
    i = subject.first_off_stone(edges.middles, only_above=True)
    sharpest, place = (180.0, None) if i is None else (float(edges.inside_deg[i]), edges.middles[i])
    return judge("wear.snag", "Sharpest edge above the girdle", sharpest, "deg", place,
                 [at_least(rule, "watch", "Round it: a scarf drawn over the head must not catch.")], READ_DEG)


def _points(subject: Subject, rules: HouseRules) -> Finding:
    """The sharpest point of the metal, as the full angle of a cone."""
    rule = rules["wear.point_least_deg"]
    surface = subject.surface
    order = np.flatnonzero(surface.points_deg < 180.0)
    order = order[np.argsort(surface.points_deg[order], kind="stable")]
    i = subject.first_off_stone(surface.vertices[order])
    sharpest, place = (180.0, None) if i is None else (float(surface.points_deg[order[i]]), surface.vertices[order[i]])
    return judge("wear.points", "Sharpest point of the metal", sharpest, "deg", place,
                 [at_least(rule, "watch", "Blunt it, or round it off.")], READ_DEG)


def _cleaning(subject: Subject, rules: HouseRules) -> Finding:
    """Share of the ways down, sideways and up to the pavilion from under the culet on which no metal stands."""
    rule = rules["wear.cleaning_least"]
    place = subject.gauge.culet - [0.0, 0.0, UNDER_MM]
    down = -1.0 + (1.0 + RISE) * (np.arange(WAYS) + 0.5) / WAYS
    turn = np.arange(WAYS) * math.pi * (3.0 - math.sqrt(5.0))
    level = np.sqrt(1.0 - down * down)
    ways = np.column_stack([level * np.cos(turn), level * np.sin(turn), down])
    met, facing = subject.gauge.metal_hits(np.tile(place, (WAYS, 1)), place + FAR_MM * ways)
    # Where the first face looks away, the way began in metal.
    is_buried = bool((np.einsum("ij,ij->i", facing, ways) > 0.0).any())
    share = 0.0 if is_buried else float(np.mean(~np.isfinite(met)))
    return judge("wear.cleaning", "Openings under the stone, as a share of the ways from the culet", share, "1", place,
                 [at_least(rule, "watch", "Open the base or the sides under the stone.")], 0.5 / WAYS)
