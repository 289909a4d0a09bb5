"""The claws: how many, where, how thick, how deep the girdle cuts them, how far out and how long."""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...dimension import COMMON, GEOMETRY, MEMORY
from ...errors import Fault, SpecError
from ...mesh import Floats
from ...spec import Spec, directions_deg
from ...stone.outline import Outline, Place
from ...trade.claw_sizes import claw_diameter
from ...trade.species import species
from ..claw_sections import RELIEF_TURN_DEG, VShape, section_ring, takes_v
from ..claws import foot_on_peg, wall_run_mm
from ..draft import HOUSE_SPECIES, Draft
from ..placement import (
    POINT_TURN_DEG,
    azimuth_deg,
    corners_of,
    legs_turn_deg,
    pair_places,
    place_claws,
    places_towards,
    points_of,
    usual_placement,
)
from .position import REFERENCE_MM

SIX_CLAWS_ABOVE_MM = 6.0
EIGHT_CLAWS_ABOVE_MM = 12.0
"""From which width on six and eight claws are usual. Common practice, no source."""

POINT_COUNTS = {1: (5, 6), 2: (6, 6)}
"""Claws of a stone with one or two points, up to and above SIX_CLAWS_ABOVE_MM. Common practice, no source."""

WIDTH_SHARES = {"oval": 1.4, "tab": 1.6, "V": 1.3}
"""Usual width of a claw along the outline, or length of each leg of a V, as a share of its thickness. Common practice,
no source."""

WIDTH_OF_WAY = 0.36
"""Most of the way to the next claw that the usual width takes. Common practice, no source."""

BRITTLE_SHARE = 1.05
"""Claws on a stone of poor toughness are this much stouter, so that they cover more of its edge. Common practice, no
source."""

RELIEF_MM, RELIEF_SHARE = 0.1, 0.15
"""Room that is cut round a stone's point in a claw, and the most of the claw's thickness that it takes. Common practice,
no source; that the points must not touch: GIA Quality Assurance Benchmark, princess cut in V prongs."""

PAIR_GAP_SHARE = 0.5
"""Usual clear width between the claws of a pair, as a share of their thickness. Common practice, no source."""

PAIR_STEPS = 3
"""How often the claws of a pair are moved until their gap is as planned. Fewer: it is a tenth too wide."""

CHORD_MM = 0.01
"""Chord error of the parallels on which a corner's ridge is found. Larger: claws stray from the ridge by it."""

FEW_FACES_MM = 0.02
"""Chord error of the sections whose clear width is checked. Larger: claws stand nearer than planned by it."""

SAME_LEAN_DEG = 1e-6
"""Leans that differ by less are the wall's own. Larger: a corner claw would leave its ridge."""


@dataclass(frozen=True)
class Stand:
    """How claws of a thickness stand: their section word, width or leg length, notch, places, leans (rad) and, for V claws, the
    turns between their legs (deg)."""

    section: str
    width_mm: float
    notch: float
    places: tuple[Place, ...]
    leans_rad: tuple[float, ...]
    turns_deg: tuple[float, ...]

    def plan_rings(self, thickness_mm: float) -> list[Floats]:
        """Of each claw, where the girdle plane cuts it: (n, 2) mm, seen from above."""
        rings = []
        for place, lean, turn in zip(self.places, self.leans_rad, self.turns_deg, strict=True):
            if self.section == "V" and takes_v(place):
                shape = VShape.of(thickness_mm, self.width_mm, self.notch, turn, lean)
                out, ring = shape.out_mm, shape.ring(FEW_FACES_MM)
            else:
                section = "round" if self.section == "V" else self.section
                out = (0.5 - self.notch) * thickness_mm / math.cos(lean)
                ring = section_ring(section, thickness_mm, thickness_mm if section == "round" else self.width_mm,
                                    FEW_FACES_MM) / (math.cos(lean), 1.0)
            normal = place.normal
            rings.append(place.point + (out + ring[:, :1]) * normal + ring[:, 1:] * np.array([-normal[1], normal[0]]))
        return rings

    def clear_mm(self, thickness_mm: float) -> float:
        """Least clear width between neighbouring claws at the girdle, mm; negative where they overlap."""
        rings = self.plan_rings(thickness_mm)
        return min(_between(first, second) for first, second in zip(rings, rings[1:] + rings[:1], strict=True))


def _between(first: Floats, second: Floats) -> float:
    """Clear width between two rings (n, 2) along the line through their middles, mm; negative where they overlap."""
    way = second.mean(axis=0) - first.mean(axis=0)
    way /= max(float(np.hypot(*way)), 1e-12)
    return float((second @ way).min() - (first @ way).max())


def plan_claws(draft: Draft) -> None:
    """Count, places, size and length of the claws. Raises SpecError where they can't stand so or would overlap."""
    stone, metal, spec = draft.stone, draft.metal, draft.spec
    rules, derive, width = draft.rules, draft.derive, stone.width_mm
    low, high = rules["claws.notch_low"], rules["claws.notch_high"]
    notch_usual = round((low.value + high.value) / 2.0, 2)
    placement, count, places = _plan_count(draft)
    notch = derive("claw_notch", notch_usual, "1",
                   "The girdle may cut a quarter to a third into a claw: less holds badly, more weakens it.", low.source)
    size = claw_diameter(width, count, metal.family)
    least = max(metal.least_model_mm, rules.of_process(draft.process, "section_least_mm").value / (1.0 - notch))
    kind = species(spec.get("stone.species") or HOUSE_SPECIES)
    is_brittle = kind.toughness.startswith("poor")
    usual = size.value * (BRITTLE_SHARE if is_brittle else 1.0)
    value, reason = round(max(usual, least), 2), size.reason
    if is_brittle:
        reason = f"{reason[:-1]}, and stouter because {kind.name} chips easily."
    if value > usual + 0.006:
        reason = f"The usual {usual:.2f} mm is too thin for {metal.name} by {draft.process}, which needs {least:.2f} mm."
    diameter = derive("claw_diameter", value, "mm", reason, size.source)
    diameter = _plan_section(draft, placement, places, diameter, least)
    leans = _leans(draft, _stand(draft, placement, places, diameter).places)
    final = _stand(draft, placement, places, diameter)
    angle = math.radians(draft["taper"])
    spare_rule = rules["claws.spare_mm"]
    spare = derive("claw_spare", round(spare_rule.value * width / REFERENCE_MM, 2), "mm",
                   "Length past the wall's top to bend over the crown, trimmed back after setting; in proportion to "
                   f"{spare_rule.value:g} mm for a {REFERENCE_MM:g} mm stone.", spare_rule.source)
    steepest = max(leans)
    length = derive("claw_length", draft["wall_top" if "wall_top" in draft else "girdle_plane"] / math.cos(steepest) + spare,
                    "mm", "Along the claw from the base plane to its end: up to the bearing, and the spare length.")
    tip = derive("claw_tip_share", 1.0, "1", "Straight claws are as thick at the end as at the base, so that they can be cut to "
                 "any length.", COMMON)
    derive("claw_shift", (0.5 - notch) * diameter * _share(draft, tip, length, angle) / math.cos(angle), "mm",
           "How far the claw's axis stands outside the wall's line, so that the girdle cuts just the notch.")
    _plan_bow(draft, diameter, notch)
    _plan_directions(draft, placement, final.places, leans)
    tops = [length * math.cos(lean) + tip * _inwards_mm(replace(final, leans_rad=leans), i, diameter) * math.sin(lean)
            for i, lean in enumerate(leans)]
    derive("head_height", max(tops), "mm", "The metal as cast, from the base plane to the highest point of the claws.")


def _share(draft: Draft, tip: float, length: float, angle: float) -> float:
    """Thickness at the girdle as a share of that at the base."""
    return 1.0 - (1.0 - tip) * min(draft["girdle_plane"] / math.cos(angle) / length, 1.0)


def _inwards_mm(stand: Stand, i: int, thickness: float) -> float:
    """How far from its axis a claw's section reaches towards the stone: half its thickness, or a V's leg ends."""
    if stand.section == "V" and takes_v(stand.places[i]):
        lean = stand.leans_rad[i]
        shape = VShape.of(thickness, stand.width_mm, stand.notch, stand.turns_deg[i], lean)
        return -float(shape.ring(FEW_FACES_MM)[:, 0].min()) * math.cos(lean)
    return thickness / 2.0


# How many, and where.


def _plan_count(draft: Draft) -> tuple[str, int, tuple[Place, ...]]:
    """Placement, count and places; the places of pairs are those of single claws until their size is known."""
    spec, outline = draft.spec, draft.stone.outline
    placement, why = placement_of(spec, outline)
    pinned = spec.get("claws.count")
    if placement == "directions":
        given = spec.get("claws.directions_deg")
        if given is None:
            raise SpecError(Fault("claws.placement", placement, 'it needs claws.directions_deg, like "45, 135, 225, 315"'))
        ways = directions_deg(given)
        if len(ways) < 2:
            raise SpecError(Fault("claws.directions_deg", given, "one claw alone holds no stone; give at least two directions"))
        if pinned not in (None, len(ways)):
            raise SpecError(Fault("claws.count", pinned, f"claws.directions_deg gives {len(ways)} directions; leave the count "
                                  "out or give as many"))
        places = _refused_as("claws.directions_deg", given, lambda: places_towards(outline, ways))
        draft.derive("claw_count", len(ways), "count", "As many claws as directions were given.")
        return placement, len(ways), places
    if pinned is not None:
        is_chosen = spec.get("claws.placement") is not None
        try:
            places = _places(draft, placement, pinned)
        except ValueError as error:
            if is_chosen or placement == "evenly":
                raise SpecError(Fault("claws.count", pinned, str(error))) from None
            # So many claws can't stand where they usually do; spread evenly they can.
            placement = "evenly"
            places = _refused_as("claws.count", pinned, lambda: _places(draft, placement, pinned))
        return placement, round(draft.derive("claw_count", pinned, "count", "")), places
    count, reason = _usual_count(draft, placement, why)
    places = _refused_as("claws.placement", placement, lambda: _places(draft, placement, count))
    draft.derive("claw_count", count, "count", reason, COMMON)
    return placement, count, places


def placement_of(spec: Spec, outline: Outline) -> tuple[str, str]:
    """Where the claws stand, and why in half a sentence. Raises SpecError where the choices contradict each other."""
    chosen: str | None = spec.get("claws.placement")
    start = spec.get("claws.start_angle_deg")
    if chosen is not None:
        if start is not None and chosen not in ("evenly", "pairs"):
            raise SpecError(Fault("claws.start_angle_deg", start, f'with claws.placement = "{chosen}" the first claw has its '
                                  'place; leave the angle out, or take "evenly"'))
        return chosen, "you chose so"
    if spec.get("claws.directions_deg") is not None:
        return "directions", "you gave their directions"
    if spec.get("claws.pair_gap_mm") is not None:
        return "pairs", "you gave the gap in a pair"
    if start is not None:
        return "evenly", "you gave the first claw's direction"
    return usual_placement(outline)


def _usual_count(draft: Draft, placement: str, why: str) -> tuple[int, str]:
    # A scan's width is never round.
    outline, width = draft.stone.outline, round(draft.stone.width_mm, 2)
    if placement == "evenly":
        usual = 4 if width <= SIX_CLAWS_ABOVE_MM else 6 if width <= EIGHT_CLAWS_ABOVE_MM else 8
        return usual, (f"Up to {SIX_CLAWS_ABOVE_MM:g} mm four claws are usual, up to {EIGHT_CLAWS_ABOVE_MM:g} mm six, then "
                       f"eight; {why}.")
    if placement == "pairs":
        places = len(corners_of(outline)) or 4
        return 2 * places, f"A pair at each of {places} places; {why}."
    anchors = len(points_of(outline) if placement == "points" else corners_of(outline))
    small, large = POINT_COUNTS.get(anchors, (anchors, anchors)) if placement == "points" else (anchors, anchors)
    first = small if width <= SIX_CLAWS_ABOVE_MM else large
    if any(corner.turn_deg < 0.0 for corner in outline.corners):
        # Two claws beside the cleft and none in it: with one at the point they are odd in number.
        first += 1 - first % 2
    return first, f"Usual for this outline: {why}."


def _places(draft: Draft, placement: str, count: int, apart_mm: float | None = None) -> tuple[Place, ...]:
    """Raises ValueError with the end of a sentence where so many claws can't stand so."""
    outline, start = draft.stone.outline, draft.spec.get("claws.start_angle_deg")
    if placement == "pairs":
        usual = 1.5 * claw_diameter(draft.stone.width_mm, count, draft.metal.family).value
        return pair_places(outline, count, apart_mm or usual, start)
    return place_claws(outline, placement, count, start)


def _refused_as(path: str, value: object, places: Callable[[], tuple[Place, ...]]) -> tuple[Place, ...]:
    try:
        return places()
    except ValueError as error:
        raise SpecError(Fault(path, value, str(error))) from None


# What they look like.


def _plan_section(draft: Draft, placement: str, places: tuple[Place, ...], diameter: float, least: float) -> float:
    """Section, width, relief and pair gap; returns the thickness, which is less where claws would meet."""
    spec, derive = draft.spec, draft.derive
    section = _section(draft, places)
    if section == "V" and not any(map(takes_v, places)):
        raise SpecError(Fault("claws.section", section, 'V claws stand at corners, and no claw of this head stands at one; '
                              'take "tab", or a placement at the corners of a stone that has sharp ones'))
    if spec.get("claws.tip") == "V" and section != "V":
        raise SpecError(Fault("claws.tip", "V", f'only V claws are folded so, and these are {section}; take "tab"'))
    if section == "V":
        derive("v_claw_count", sum(map(takes_v, places)), "count", "A claw at a corner is a V that covers both its sides.", COMMON)
    if any(corner.turn_deg >= RELIEF_TURN_DEG for corner in draft.stone.outline.corners):
        derive("claw_relief", round(min(RELIEF_MM, RELIEF_SHARE * diameter), 3), "mm",
               "Room cut round each of the stone's points inside a claw, so that a point never bears on metal and chips.",
               "GIA Quality Assurance Benchmark, princess cut in V prongs, for the relief; its size: common practice, no source")
    gap_rule = draft.rules.of_process(draft.process, "gap_least_mm")
    gap = gap_rule.value
    _plan_width(draft, section, places, diameter)
    _plan_pair_gap(draft, placement, diameter, gap)

    def clear(thickness_mm: float) -> float:
        return _stand(draft, placement, places, thickness_mm, section).clear_mm(thickness_mm)

    count = len(places)
    least_clear = 0.0 if draft.is_pinned("claw_diameter") else gap
    if clear(diameter) < least_clear - 1e-9:
        most = _largest(clear, gap, diameter)
        if draft.is_pinned("claw_diameter") or most < least:
            shown: object = count
            key = "claws.count"
            if draft.is_pinned("claw_diameter"):
                key, shown = "claws.diameter_mm", diameter
            elif not draft.is_pinned("claw_count") and spec.get("claws.placement"):
                key, shown = "claws.placement", placement
            raise SpecError(Fault(key, shown, f"{count} claws of {diameter:g} mm round a stone {draft.stone.width_mm:g} mm wide "
                                  f"overlap each other; take claws below {most:.2f} mm or fewer of them"))
        diameter = derive("claw_diameter", math.floor(most * 100.0) / 100.0, "mm",
                          f"Of the usual size, {count} claws would touch at the girdle, so they are thinner and keep {gap:g} mm apart.",
                          gap_rule.source)
        _plan_width(draft, section, places, diameter)
        _plan_pair_gap(draft, placement, diameter, gap)
    return diameter


def _section(draft: Draft, places: tuple[Place, ...]) -> str:
    """The section chosen, or V where a claw stands at a point, else round."""
    chosen: str | None = draft.spec.get("claws.section")
    return chosen or ("V" if any(place.turn_deg >= POINT_TURN_DEG for place in places) else "round")


def _plan_width(draft: Draft, section: str, places: tuple[Place, ...], diameter: float) -> None:
    if section == "round":
        return
    room = min(math.dist(first.point, second.point) for first, second in zip(places, places[1:] + places[:1]))
    value = max(min(WIDTH_SHARES[section] * diameter, WIDTH_OF_WAY * room), 0.3)
    reason = ("Length of each leg of a V claw, along its side of the corner: as much as covers the point and leaves the side open."
              if section == "V" else f"Width of the {section} claw along the outline: more than its thickness, to hold more of the edge.")
    draft.derive("claw_width", round(value, 2), "mm", reason, COMMON)


def _plan_pair_gap(draft: Draft, placement: str, diameter: float, gap: float) -> None:
    if placement == "pairs":
        draft.derive("claw_pair_gap", round(max(gap, PAIR_GAP_SHARE * diameter), 2), "mm",
                     "Clear width between the two claws of a pair: half a claw, and enough to be cast.", COMMON)


def _stand(draft: Draft, placement: str, places: tuple[Place, ...], thickness: float, section: str = "") -> Stand:
    """How claws of this thickness stand; the wall's taper stands for their lean, which hardly changes their clear width."""
    section = section or ("V" if "v_claw_count" in draft else draft.spec.get("claws.section") or "round")
    width = thickness
    if "claw_width" in draft:
        width = draft["claw_width"] if draft.is_pinned("claw_width") else min(draft["claw_width"],
                                                                              WIDTH_SHARES[section] * thickness)
    leans = (math.radians(draft["taper"]),) * len(places)

    def stand(places: tuple[Place, ...]) -> Stand:
        turns = tuple(legs_turn_deg(draft.stone.outline, place, width) if section == "V" and takes_v(place) else 0.0
                      for place in places)
        return Stand(section, width, draft["claw_notch"], places, leans, turns)

    if placement != "pairs":
        return stand(places)
    apart = draft["claw_pair_gap"] + (width if section in ("oval", "tab") else thickness)
    for _ in range(PAIR_STEPS):
        found = stand(_places(draft, placement, len(places), round(apart, 4)))
        apart -= _between(*found.plan_rings(thickness)[:2]) - draft["claw_pair_gap"]
    return found


def _leans(draft: Draft, places: tuple[Place, ...]) -> tuple[float, ...]:
    """Lean of each claw, rad: the wall's, or that of the ridge in which the wall's faces meet at a corner."""
    girdle, taper = draft["girdle_plane"], math.radians(draft["taper"])
    outline: Outline = draft.stone.outline
    if "peg_diameter" in draft:
        feet = [foot_on_peg(place, draft["peg_diameter"] / 2.0) for place in places]
        return tuple(math.atan2(float((place.point - foot) @ place.normal), girdle)
                     for place, foot in zip(places, feet, strict=True))
    inset = girdle * math.tan(taper)
    if outline.is_one_piece or inset >= outline.reach_mm:
        return (taper,) * len(places)
    return tuple(math.atan2(wall_run_mm(outline, place, inset, CHORD_MM), girdle) for place in places)


def _plan_bow(draft: Draft, diameter: float, notch: float) -> None:
    bow = draft.derive("claw_bow", 0.0, "mm", "Straight claws lie along the wall for all their length.", COMMON)
    if "wall_top" in draft:
        most, why = notch * diameter, "the claw leaves the wall"
    elif "peg_diameter" in draft:
        most, why = draft["girdle_plane"] / 4.0, "the claw bends more than the setter can close"
    else:
        most, why = diameter / 2.0, "the claw leaves its rails"
    if bow > most + 1e-9:
        raise SpecError(Fault("claws.bow_mm", bow, f"bowed by so much {why}; take at most {math.floor(100.0 * most) / 100.0:.2f} mm"))


def _plan_directions(draft: Draft, placement: str, places: tuple[Place, ...], leans: tuple[float, ...]) -> None:
    if placement in ("evenly", "pairs"):
        start = azimuth_deg(places[0])
        if placement == "pairs":
            start = (start + 0.5 * ((azimuth_deg(places[1]) - start) % 360.0)) % 360.0
        draft.derive("claw_start_angle", start, "deg",
                     "Half a step off the stone's length, so that the claws stand even on both sides.", COMMON)
    for i, (place, lean) in enumerate(zip(places, leans, strict=True), 1):
        what = ("At a corner of the outline, in the middle between its sides" if place.is_corner else
                "Square to the outline at its place")
        draft.derive(f"claw_{i}_direction", azimuth_deg(place), "deg",
                     f"{what}; counter-clockwise from the stone's length.", GEOMETRY)
        if abs(math.degrees(lean) - draft["taper"]) > SAME_LEAN_DEG:
            draft.derive(f"claw_{i}_lean", math.degrees(lean), "deg",
                         "At a corner the wall's ridge runs in faster than its faces, and the claw lies along the ridge.", GEOMETRY)


def _largest(clear: Callable[[float], float], gap: float, most: float) -> float:
    """The thickest claw, mm, up to `most`, that leaves the gap."""
    low, high = 0.0, most
    for _ in range(24):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if clear(middle) >= gap else (low, middle)
    return low
