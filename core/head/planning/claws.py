"""The claws: how many, where, how thick, how deep the girdle cuts them, how far out and how long."""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from ...dimension import COMMON, GEOMETRY
from ...errors import Fault, SpecError
from ...stone.outline import Outline, Place
from ...trade.claw_sizes import claw_diameter
from ..claw_sections import RELIEF_TURN_DEG, VShape, takes_v
from ..claws import claw_lines, foot_on_peg, wall_run_mm
from ..draft import Draft, Plan, species_of
from ..placement import azimuth_deg, legs_turn_deg
from ..tips import crown_in_from
from .claw_places import places_of, plan_count, point_deg
from .claw_stand import Stand, clear_between
from .position import REFERENCE_MM

WIDTH_SHARES = {"oval": 1.4, "tab": 1.6, "V": 1.3}
"""Usual width of a claw along the outline, or length of each leg of a V, as a share of its thickness. Common practice,
no source."""

OPEN_SHARE = 0.5
"""How much of a V claw's legs at most the metal between them fills, at a point so sharp that it does: more, and the girdle
cuts the legs off where they are thickest. Common practice, no source."""

SHARPER_DEG = 96.0
"""From which turn between them on a corner's legs must be so long. At right angles the shortest stand open enough."""

WIDTH_OF_WAY = 0.36
"""Most of the way to the next claw that the usual width takes. Common practice, no source."""

SHORTEST_LEG = 0.7
"""Shortest usual leg of a V claw as a share of its thickness: shorter it covers no more than its point. Common
practice, no source."""

BRITTLE_SHARE = 1.05
"""Claws on a stone of poor toughness are this much stouter, so that they cover more of its edge. Common practice, no
source."""

RELIEF_MM, RELIEF_SHARE = 0.1, 0.15
"""Room that is cut round a stone's point in a claw, and the most of the claw's thickness that it takes. Common
practice, no source; that the points must not touch: GIA Quality Assurance Benchmark, princess cut in V prongs."""

FACETED_MM = 0.01
"""By how much more than planned that room takes, as its facets stand off the ball. Smaller: what is left reads too thin."""

PAIR_GAP_SHARE = 0.5
"""Usual clear width between the claws of a pair, as a share of their thickness. Common practice, no source."""

PAIR_STEPS = 3
"""How often the claws of a pair are moved until their gap is as planned. Fewer: it is a tenth too wide."""

CHORD_MM = 0.01
"""Chord error of the parallels on which a corner's ridge is found. Larger: claws stray from the ridge by it."""

EVEN = "Claws are as thick at the end as at the base, so that they can be cut to any length."
"""Why claws don't taper unless they are told to."""

SAME_LEAN_DEG = 1e-6
"""Leans that differ by less are the wall's own. Larger: a corner claw would leave its ridge."""


def plan_claws(draft: Draft, between_mm: float = 0.0) -> None:
    """Count, places, size and length of the claws. between_mm: what V claws leave of the wall between them at the base, where
    that is more than a gap. Raises SpecError where they can't stand so or would overlap."""
    stone, metal, spec = draft.stone, draft.metal, draft.spec
    rules, derive, width = draft.rules, draft.derive, stone.width_mm
    low, high = rules["claws.notch_low"], rules["claws.notch_high"]
    notch_usual = round((low.value + high.value) / 2.0, 2)
    placement, count, places = plan_count(draft)
    notch = derive("claw_notch", notch_usual, "1",
                   "The girdle may cut a quarter to a third into a claw: less holds badly, more weakens "
                   "it.", low.source)
    size = claw_diameter(width, count, metal.family)
    behind = rules.of_process(draft.process, "section_least_mm").value
    least = max(metal.least_model_mm, behind / (1.0 - notch))
    kind = species_of(spec)
    is_brittle = "poor" in kind.toughness
    usual = size.value * (BRITTLE_SHARE if is_brittle else 1.0)
    value, reason = round(max(usual, least), 2), size.reason
    relieved = _least_relieved_mm(draft, places, notch, value, behind)
    if is_brittle:
        reason = f"{reason[:-1]}, and stouter because {kind.name} chips easily."
    if value > usual + 0.006:
        reason = (f"The usual {usual:.2f} mm is too thin for {metal.name} by {draft.process}, which needs "
                  f"{least:.2f} mm.")
    if relieved > value:
        reason = (f"Of claws of {value:.2f} mm less than {behind:g} mm would be left behind the room that is cut round the stone's "
                  "points, so they are thicker.")
        value = math.ceil(100.0 * relieved) / 100.0
    diameter = derive("claw_diameter", value, "mm", reason, size.source)
    diameter = _plan_section(draft, placement, places, diameter, max(least, relieved), between_mm)
    final = _stand(draft, placement, places, diameter)
    leans = _leans(draft, final.places)
    angle = math.radians(draft["taper"])
    tilts = _tilts(draft, final.places, leans)
    steepest = max(tilts)
    bearing = draft["wall_top" if "wall_top" in draft else "girdle_plane"]
    spare_rule = rules["claws.spare_mm"]
    usual = round(spare_rule.value * width / REFERENCE_MM, 2)
    lack = _needed_mm(draft, final.places, tilts, bearing / math.cos(steepest) + usual) - bearing / math.cos(steepest) - usual
    reason = ("Length past the wall's top to bend over the crown, trimmed back after setting; in proportion to "
              f"{spare_rule.value:g} mm for a {REFERENCE_MM:g} mm stone.")
    if lack > 0.0:
        reason = f"{reason[:-1]}, and as much more as takes the claws up the long slope of this crown."
    spare = derive("claw_spare", usual + math.ceil(100.0 * max(0.0, lack)) / 100.0, "mm", reason, spare_rule.source)
    length = derive("claw_length", bearing / math.cos(steepest) + spare, "mm",
                    "Along the claw from the base plane to its end: up to the bearing, and the spare length.")
    tip = derive("claw_tip_share", 1.0, "1", EVEN, COMMON)
    derive("claw_shift", (0.5 - notch) * diameter * _share(draft, tip, length, angle) / math.cos(angle), "mm",
           "How far the claw's axis stands outside the wall's line, so that the girdle cuts just the notch.")
    _plan_bow(draft, diameter, notch)
    _plan_directions(draft, placement, final.places, leans)
    leaning = replace(final, leans_rad=leans)
    tops = [length * float(line.axis[2]) + tip * leaning.inwards_mm(i, diameter) * abs(float(line.outwards[2]))
            for i, line in enumerate(claw_lines(Plan(draft.all), stone.outline))]
    derive("head_height", max(tops), "mm", "The metal as cast, from the base plane to the highest point of the claws.")


def _least_relieved_mm(draft: Draft, places: tuple[Place, ...], notch: float, usual_mm: float, behind_mm: float) -> float:
    """Thinnest claws, mm, that keep so much metal behind their notches where room is cut round points of the stone inside claws
    of the usual thickness; 0 where there are none. V claws keep more outside their corner."""
    section, outside = _section(draft, places), 0.5 - notch
    points = [corner.point for corner in draft.stone.outline.corners if corner.turn_deg >= RELIEF_TURN_DEG]
    least = 0.0
    for place in places:
        if section == "V" and takes_v(place):
            continue
        for point in (each for each in points if math.dist(each, place.point) < usual_mm / 2.0):
            out = behind_mm + RELIEF_MM + FACETED_MM + float((point - place.point) @ place.normal)
            # Wide claws are about as thick there as in their middle.
            aside = abs(float((point - place.point) @ (-place.normal[1], place.normal[0]))) if section in ("round", "V") else 0.0
            # outside d + sqrt(d²/4 - aside²) = out
            square = 0.25 - outside * outside
            thick = math.sqrt((outside * out) ** 2 + square * (out * out + aside * aside)) - outside * out
            least = max(least, thick / square)
    return least


def _needed_mm(draft: Draft, places: tuple[Place, ...], tilts: tuple[float, ...], usual_mm: float) -> float:
    """Length of the claws, mm along them from the base plane, with which each of them comes as far up the crown as it
    should; usual_mm where that is no less."""
    stone, rules = draft.stone, draft.rules
    contact = (rules.value("claws.contact_low") + rules.value("claws.contact_high")) / 2.0
    edge, run = draft["girdle_plane"] + stone.girdle_mm, 1.0 - stone.table_width_mm / stone.width_mm
    needed = usual_mm
    for place, tilt in zip(places, tilts, strict=True):
        to_edge = edge / math.cos(tilt) + draft["claw_diameter"] / 2.0
        # Along the crown it is at most about as far as if the table lay like the girdle; only where that is much one looks.
        if to_edge + contact * math.hypot(stone.crown_height_mm, run * float(place.point @ place.normal)) > needed:
            needed = max(needed, to_edge + contact * crown_in_from(stone, place).slope_mm)
    return needed


def _share(draft: Draft, tip: float, length: float, angle: float) -> float:
    """Thickness at the girdle as a share of that at the base."""
    return 1.0 - (1.0 - tip) * min(draft["girdle_plane"] / math.cos(angle) / length, 1.0)


# What they look like.


def _plan_section(draft: Draft, placement: str, places: tuple[Place, ...], diameter: float, least: float,
                  between_mm: float) -> float:
    """Section, width, relief and pair gap; returns the thickness, which is less where claws would meet."""
    spec, derive = draft.spec, draft.derive
    section = _section(draft, places)
    if section == "round" and spec.get("claws.width_mm") is not None:
        raise SpecError(Fault("claws.width_mm", spec.get("claws.width_mm"), "these claws are round and as wide as they are "
                              'thick; leave it out, or take claws.section = "oval" or "tab"'))
    if section == "V" and not any(map(takes_v, places)):
        raise SpecError(Fault("claws.section", section,
                              'V claws stand at corners, and no claw of this head stands at one; take '
                              '"tab", or a placement at the corners of a stone that has sharp ones'))
    if spec.get("claws.tip") == "V" and section != "V":
        raise SpecError(Fault("claws.tip", "V", f'only V claws are folded so, and these are {section}; take "tab"'))
    if section == "V" and all(map(takes_v, places)) and spec.get("claws.tip") not in (None, "V"):
        raise SpecError(Fault("claws.tip", spec.get("claws.tip"), "every claw of this head is a V and is folded over its corner; "
                              'leave it out, or take claws.section = "round"'))
    if section == "V":
        derive("v_claw_count", sum(map(takes_v, places)), "count", "A claw at a corner is a V that covers both its "
                                                                   "sides.", COMMON)
    if any(corner.turn_deg >= RELIEF_TURN_DEG for corner in draft.stone.outline.corners):
        derive("claw_relief", round(min(RELIEF_MM, RELIEF_SHARE * diameter), 3), "mm",
               "Room cut round each of the stone's points inside a claw, so that a point never bears on metal and "
               "chips.",
               "GIA Quality Assurance Benchmark, princess cut in V prongs, for the relief; its size: common practice, "
               "no source")
    gap_rule = draft.rules.of_process(draft.process, "gap_least_mm")
    gap = gap_rule.value
    _plan_width(draft, section, places, diameter, max(gap, between_mm))
    _plan_pair_gap(draft, placement, diameter, gap)

    def clear(thickness_mm: float) -> float:
        return _stand(draft, placement, places, thickness_mm, section).clear_mm(thickness_mm)

    count = len(places)
    least_clear = 0.0 if draft.is_pinned("claw_diameter") else gap
    if clear(diameter) < least_clear - 1e-9:
        _check_width(draft, _stand(draft, placement, places, diameter, section), diameter, gap)
        most = _largest(clear, gap, diameter)
        if draft.is_pinned("claw_diameter") or most < least:
            shown: object = count
            key = "claws.count"
            way = f"take claws below {most:.2f} mm or fewer of them"
            if most < least:
                way = "claws thin enough could not be cast; take fewer of them, or a larger stone"
                if placement == "directions":
                    key, shown, way = "claws.directions_deg", spec.get("claws.directions_deg"), "give directions farther apart"
            elif draft.is_pinned("claw_diameter"):
                key, shown = "claws.diameter_mm", diameter
            if key == "claws.count" and not draft.is_pinned("claw_count") and spec.get("claws.placement"):
                key, shown = "claws.placement", placement
            raise SpecError(Fault(key, shown, f"{count} claws of {diameter:g} mm round a stone "
                                              f"{draft.stone.width_mm:g} mm wide "
                                  f"overlap each other; {way}"))
        diameter = derive("claw_diameter", math.floor(most * 100.0) / 100.0, "mm",
                          f"Of the usual size, {count} claws would touch at the girdle, so they are thinner and keep "
                          f"{gap:g} mm apart.",
                          gap_rule.source)
        _plan_width(draft, section, places, diameter, max(gap, between_mm))
        _plan_pair_gap(draft, placement, diameter, gap)
    return diameter


def _check_width(draft: Draft, stand: Stand, diameter: float, gap: float) -> None:
    """Raises SpecError if it is the width that was given with which the claws overlap."""
    if "claw_width" not in draft or not draft.is_pinned("claw_width"):
        return
    most = _largest(lambda width_mm: replace(stand, width_mm=width_mm).clear_mm(diameter), gap, stand.width_mm)
    if most > 0.0:
        raise SpecError(Fault("claws.width_mm", draft["claw_width"], f"{len(stand.places)} claws so wide overlap each "
                                                                     f"other; take "
                              f"at most {math.floor(100.0 * most) / 100.0:.2f} mm or fewer of them"))


def _section(draft: Draft, places: tuple[Place, ...]) -> str:
    """The section chosen, or V where a claw stands at a point, else round."""
    chosen: str | None = draft.spec.get("claws.section")
    return chosen or ("V" if any(place.turn_deg >= point_deg(draft) for place in places) else "round")


def _plan_width(draft: Draft, section: str, places: tuple[Place, ...], diameter: float, gap: float) -> None:
    if section == "round":
        return
    room = min(math.dist(first.point, second.point) for first, second in zip(places, places[1:] + places[:1]))
    value = min(WIDTH_SHARES[section] * diameter, WIDTH_OF_WAY * room)
    if section == "V":
        shortest = max(SHORTEST_LEG, _open_legs(draft, places, diameter))
        value = max(min(value, _room_at_base(draft, places, gap)), shortest * diameter)
    reason = ("Length of each leg of a V claw, along its side of the corner: as much as covers the point and stands "
              "open beyond it."
              if section == "V" else f"Width of the {section} claw along the outline: more than its thickness, to hold "
                                     f"more of the edge.")
    draft.derive("claw_width", max(math.floor(100.0 * value + 1e-9) / 100.0, 0.3), "mm", reason, COMMON)


def _open_legs(draft: Draft, places: tuple[Place, ...], thickness: float) -> float:
    """Shortest legs of V claws, as a share of their thickness, that stand open beyond the metal between them."""
    turns = [legs_turn_deg(draft.stone.outline, place, SHORTEST_LEG * thickness) if takes_v(place) else 0.0 for place in places]
    shapes = (VShape.of(1.0, 1.0, draft["claw_notch"], turn, lean)
              for turn, lean in zip(turns, _leans(draft, places), strict=True) if turn >= SHARPER_DEG)
    return max((shape.filled_mm for shape in shapes), default=0.0) / OPEN_SHARE


def _room_at_base(draft: Draft, places: tuple[Place, ...], gap: float) -> float:
    """Longest legs with which neighbouring V claws still stand a gap apart in the base plane, where they come
    nearest."""
    girdle = draft["girdle_plane"]
    feet = [(place.point - girdle * math.tan(lean) * place.normal, takes_v(place))
            for place, lean in zip(places, _leans(draft, places), strict=True)]
    ways = [math.dist(foot, after) for (foot, is_v), (after, is_next_v) in zip(feet, feet[1:] + feet[:1], strict=True)
            if is_v and is_next_v]
    return (min(ways) - gap) / 2.0 if ways else math.inf


def _plan_pair_gap(draft: Draft, placement: str, diameter: float, gap: float) -> None:
    if placement == "pairs":
        draft.derive("claw_pair_gap", round(max(gap, PAIR_GAP_SHARE * diameter), 2), "mm",
                     "Clear width between the two claws of a pair: half a claw, and enough to be cast.", COMMON)


def _stand(draft: Draft, placement: str, places: tuple[Place, ...], thickness: float, section: str = "") -> Stand:
    """How claws of this thickness stand; the wall's taper stands for their lean, which hardly changes their clear
    width."""
    section = section or ("V" if "v_claw_count" in draft else draft.spec.get("claws.section") or "round")
    width = thickness
    if "claw_width" in draft:
        usual = max(WIDTH_SHARES[section], _open_legs(draft, places, thickness) if section == "V" else 0.0)
        width = draft["claw_width"] if draft.is_pinned("claw_width") else min(draft["claw_width"], usual * thickness)
    leans = (math.radians(draft["taper"]),) * len(places)

    def stand(places: tuple[Place, ...]) -> Stand:
        turns = tuple(legs_turn_deg(draft.stone.outline, place, width) if section == "V" and takes_v(place) else 0.0
                      for place in places)
        return Stand(section, width, draft["claw_notch"], places, leans, turns)

    if placement != "pairs":
        return stand(places)
    apart = draft["claw_pair_gap"] + (width if section in ("oval", "tab") else thickness)
    for _ in range(PAIR_STEPS):
        found = stand(places_of(draft, placement, len(places), round(apart, 4)))
        apart -= clear_between(*found.plan_rings(thickness)[:2]) - draft["claw_pair_gap"]
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


def _tilts(draft: Draft, places: tuple[Place, ...], leans: tuple[float, ...]) -> tuple[float, ...]:
    """Angle of each claw to the axis, rad: its lean, or more where a peg lies beside the way in from its place."""
    if "peg_diameter" not in draft:
        return leans
    feet = [foot_on_peg(place, draft["peg_diameter"] / 2.0) for place in places]
    return tuple(math.atan2(math.dist(place.point, foot), draft["girdle_plane"])
                 for place, foot in zip(places, feet, strict=True))


def _plan_bow(draft: Draft, diameter: float, notch: float) -> None:
    bow = draft.derive("claw_bow", 0.0, "mm", "Straight claws lie along the wall for all their length.", COMMON)
    if "wall_top" in draft:
        most, why = notch * diameter, "the claw leaves the wall"
    elif "peg_diameter" in draft:
        most, why = draft["girdle_plane"] / 4.0, "the claw bends more than the setter can close"
    else:
        most, why = diameter / 2.0, "the claw leaves its rails"
    if bow > most + 1e-9:
        raise SpecError(Fault("claws.bow_mm", bow, f"bowed by so much {why}; take at most "
                                                   f"{math.floor(100.0 * most) / 100.0:.2f} mm"))


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
                         "At a corner the wall's ridge runs in faster than its faces, and the claw lies along the "
                         "ridge.", GEOMETRY)


def _largest(clear: Callable[[float], float], gap: float, most: float) -> float:
    """The thickest claw, mm, up to `most`, that leaves the gap."""
    low, high = 0.0, most
    for _ in range(24):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if clear(middle) >= gap else (low, middle)
    return low
