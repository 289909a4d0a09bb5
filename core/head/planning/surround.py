"""The surround: small stones evenly spread round the centre stone, the plate that they are set in and their beads."""
from __future__ import annotations

import math

from ...dimension import COMMON, GIVEN, MEMORY, Dimension
from ...errors import Fault, SpecError
from ...stone import Stone, make_stone
from ...trade.species import species
from ..draft import HOUSE_SPECIES, KEPT, PINNABLE, Draft
from ..row import FEWEST, Row, evenly, most_that_fit

SINGLE_CUT_BELOW_MM = 1.2
"""Smaller stones are single cuts. visualdictionaryonline.com, eight cut: for melee under about 1.2 mm."""

STONE_SHARE, STONE_LOW_MM, STONE_HIGH_MM = 0.2, 1.0, 2.0
"""Usual size of the small stones: a share of the centre stone's width, between the two. Common practice, no source."""

SMALLEST_MM, STEP_MM = 0.8, 0.1
"""The smallest stones of a surround, and the steps in which smaller ones are tried. Common practice, no source."""

CLEAR_MM = 0.05
"""How far the small stones' seats stay from claws and rim. Common practice, no source."""

NOTCH = 0.15
"""How far a small stone's girdle cuts into a bead, as a share of the bead: each bead is cut twice, and a quarter is the
most (Professional Jeweler, December 2002). Common practice, no source."""

BEADS_APART = 1.15
"""Half the distance between the two beads in one gap, as a multiple of a bead's radius: they stay apart. Common
practice, no source."""

CONTACT_SHARE = 0.8
"""Where in the published range of contact a bead aims: above its middle, because beside corners, where the stones are
turned to each other, it comes to lie on less. Common practice, no source."""

MARGIN_MM = 0.2
"""Plate outside the small stones' girdles. Common practice, no source."""

OVER_BASE_MM = 0.1
"""Least height of the small stones' culets over the base plane. Common practice, no source."""


def small_stone(size_mm: float) -> Stone:
    """A stone of a surround: a round brilliant, or a single cut where it is very small."""
    return make_stone({"cut": "single cut" if size_mm < SINGLE_CUT_BELOW_MM else "round brilliant",
                       "length_mm": size_mm})


def row_of(stone: Stone, size_mm: float, centre_gap_mm: float, count: int) -> Row:
    """Where the small stones stand round the centre stone."""
    return evenly(stone.outline, centre_gap_mm + size_mm / 2.0, count)


def plan_surround(draft: Draft) -> None:
    """Size, number and places of the small stones, plate, holes and beads. Raises SpecError where they don't fit."""
    derive, rules = draft.derive, draft.rules
    usual = round(min(max(STONE_SHARE * draft.stone.width_mm, STONE_LOW_MM), STONE_HIGH_MM), 1)
    while usual > SMALLEST_MM and not _has_depth(draft, small_stone(usual)):
        usual = round(usual - STEP_MM, 1)
    size = derive("surround_stone", usual, "mm",
                  "A fifth of the centre stone's width, of a size that is sold and can be set, and smaller where a "
                  "low head has no depth for that.", COMMON)
    small = small_stone(size)
    _plan_ring(draft, size)
    hole_rule, seat_rule = rules["bead.hole"], rules["bead.seat_mm"]
    slope = small.pavilion_depth_mm / (size / 2.0)
    hole = derive("surround_hole", max(hole_rule.value * size, size - 2.0 * seat_rule.value / slope), "mm",
                  "Drilled through under each small stone, three quarters of its width; wider where that leaves a "
                  f"seat of {seat_rule.value:g} mm, which is enough.", hole_rule.source)
    drop = derive("surround_drop", _usual_drop_mm(small), "mm",
                  "Puts the small stones' tables level with the centre stone's lower girdle edge, so that they stay "
                  "below it.", MEMORY)
    _plan_plate(draft, small, hole, drop)
    _plan_beads(draft, small)
    kind = species(draft.spec.get("surround.species") or HOUSE_SPECIES)
    count = round(draft["surround_count"])
    derive("surround_weight", count * small.weight_ct(kind.density_g_cm3), "ct",
           f"{count} small stones of {small.weight_ct(kind.density_g_cm3):.4f} ct each, by volume and density.",
           kind.source)


def _plan_ring(draft: Draft, size: float) -> None:
    derive, rules, stone = draft.derive, draft.rules, draft.stone
    low, high, least = rules["surround.gap_low_mm"], rules["surround.gap_high_mm"], rules["bead.gap_mm"]
    usual = (low.value + high.value) / 2.0
    reason = "Near enough to read as one with the centre stone, with room for a tool."
    stands_out = _metal_outside_mm(draft)
    if stands_out > 0.0 and stands_out + CLEAR_MM > usual:
        usual = stands_out + CLEAR_MM
        reason = (f"Claws or rim stand {stands_out:.2f} mm outside the girdle, and the small stones' seats stay clear "
                  "of them.")
    centre_gap = derive("surround_centre_gap", round(usual, 3), "mm", reason, low.source)
    apart = draft.spec.get("surround.gap_mm")
    apart = least.value if apart is None else apart
    most = most_that_fit(stone.outline, centre_gap + size / 2.0, size + apart)
    if most is None:
        raise SpecError(Fault("surround.stone_mm", size,
                              f"fewer than {FEWEST} of them fit round this stone; take them of at most "
                              f"{_largest_mm(stone, size, centre_gap, apart):.1f} mm, or a larger centre stone"))
    fit = len(most.middles)
    count = round(derive("surround_count", fit, "count",
                         f"As many as keep {apart:g} mm between their girdles, evenly spaced along the parallel of "
                         "the centre stone's outline.", least.source))
    row = most if count == fit else evenly(stone.outline, centre_gap + size / 2.0, count)
    gap = row.nearest_mm - size
    if count > fit:
        stand = f"keep {gap:.3f} mm between their girdles" if gap >= 0.0 else f"overlap by {-gap:.3f} mm"
        raise SpecError(Fault("surround.count", count,
                              f"so many stones of {size:g} mm {stand}, and {apart:g} mm is asked for; take at most "
                              f"{fit}"))
    given = draft.spec.get(PINNABLE["surround_gap"])
    reason = (f"What {count} stones leave between their girdles, the same everywhere; at least {apart:g} mm is asked "
              "for.")
    draft.all["surround_gap"] = Dimension("surround_gap", gap, "mm", reason if given is None
                                          else f"{KEPT[:-1]} as the least: {count} stones leave "
                                               f"{gap:.3f} mm.", least.source if given is None else GIVEN,
                                          given is not None)


def _largest_mm(stone: Stone, size: float, centre_gap: float, apart: float) -> float:
    """The largest small stone, in steps, of which a ring fits; the smallest that there is if none does."""
    smaller = size
    while smaller > SMALLEST_MM:
        smaller = round(smaller - STEP_MM, 2)
        if most_that_fit(stone.outline, centre_gap + smaller / 2.0, smaller + apart) is not None:
            break
    return smaller


def _metal_outside_mm(draft: Draft) -> float:
    """How far claws or a rim stand outside the girdle, level, at the girdle."""
    lean = math.cos(math.radians(draft["taper"])) if "taper" in draft else 1.0
    claws = (1.0 - draft["claw_notch"]) * draft["claw_diameter"] / lean if "claw_diameter" in draft else 0.0
    return max(claws, draft["seat_clearance"] + draft["rim_thickness"] / lean if "rim_thickness" in draft else 0.0)


def _usual_drop_mm(small: Stone) -> float:
    return small.crown_height_mm + small.girdle_mm


def _needed_mm(draft: Draft, small: Stone) -> float:
    """Least height of the plate's top over the base: for metal that fills, and for the small stones' culets."""
    return max(draft.rules.of_process(draft.process, "flat_least_mm").value, small.pavilion_depth_mm + OVER_BASE_MM)


def _has_depth(draft: Draft, small: Stone) -> bool:
    """True if small stones of this size stand high enough over the base."""
    given = draft.spec.get(PINNABLE["surround_drop"])
    drop = _usual_drop_mm(small) if given is None else given
    return bool(draft["girdle_plane"] - drop >= _needed_mm(draft, small))


def _plan_plate(draft: Draft, small: Stone, hole: float, drop: float) -> None:
    derive, rules, metal = draft.derive, draft.rules, draft.metal
    size, top = small.width_mm, draft["girdle_plane"] - drop
    share, least = rules["surround.plate_share"], rules["surround.plate_least_mm"]
    needed = _needed_mm(draft, small)
    if top < needed:
        raise SpecError(Fault("head.culet_clearance_mm", draft["culet_clearance"],
                              "the plate of the surround would "
                              + (f"stand {top:.2f} mm over the base" if top > 0.0 else "lie below the base")
                              + ", and it needs "
                              f"{needed:.2f} mm for its metal and the small stones' culets; take at least "
                              f"{draft['culet_clearance'] + needed - top:.2f} mm, or smaller stones in the surround"))
    section = max(rules.of_process(draft.process, "section_least_mm").value, metal.least_model_mm)
    # Where the wall ends below the plate's top, they join in what the plate reaches below the wall's top.
    joined = top - draft["wall_top"] + section if "wall_top" in draft and "rim_height" not in draft else 0.0
    plate = derive("surround_plate", min(round(max(share.value * size, least.value, joined), 3), top), "mm",
                   f"Nearly half of a small stone's width, at least {least.value:g} mm, thick enough to join the wall, and never "
                   "below the base plane.", share.source)
    if plate > top + 1e-9:
        raise SpecError(Fault("surround.plate_mm", plate, "it would reach below the base plane; take at most "
                                                          f"{top:.2f} mm"))
    derive("surround_margin", round(max(MARGIN_MM, section - (size - hole) / 2.0), 3), "mm",
           f"Plate outside the small stones, so that {section:g} mm of metal stand beside each drilled hole.",
           metal.making_source)


def _plan_beads(draft: Draft, small: Stone) -> None:
    derive, rules = draft.derive, draft.rules
    size, gap = small.width_mm, draft["surround_gap"]
    usual, low, high = rules["bead.size"], rules["bead.contact_low"], rules["bead.contact_high"]
    radius = _bead_radius(size, gap, usual.value * size / 2.0)
    if radius is None:
        most = _widest_gap(size)
        reach = draft["surround_centre_gap"] + size / 2.0
        fewest = most_that_fit(draft.stone.outline, reach, size + most)
        fewest_count = 0 if fewest is None else len(fewest.middles) + 1
        raise SpecError(Fault("surround.count", round(draft["surround_count"]), f"{gap:.2f} mm between the small "
                                                                                "stones is more than a "
                              f"shared bead can bridge, {most:.2f} mm; take at least {fewest_count}"))
    derive("surround_bead", 2.0 * radius, "mm", "Thickness of the beads as cast: a share of the stone, and as much "
                                                "as reaches both stones across the gap.", usual.source)
    derive("surround_bead_height", small.girdle_mm + small.crown_height_mm, "mm",
           "The beads as cast end level with the small stones' tables: enough to push down over both crowns.", COMMON)
    derive("surround_contact", low.value + CONTACT_SHARE * (high.value - low.value), "1",
           "How far up the crown's slope, from girdle to table, a bead lies on each small stone; at corners it lies on less.",
           low.source)


def bead_aside_mm(size_mm: float, gap_mm: float, radius_mm: float) -> float:
    """How far a bead's middle stands aside from the line between its two stones' middles, mm; nan if it reaches
    neither."""
    reach = size_mm / 2.0 + (1.0 - 2.0 * NOTCH) * radius_mm
    square = reach ** 2 - ((size_mm + gap_mm) / 2.0) ** 2
    return math.sqrt(square) if square >= 0.0 else math.nan


def _bead_radius(size: float, gap: float, usual: float) -> float | None:
    """The thinnest bead, from the usual on, whose fellow on the other side stands clear of it; None if there is
    none."""
    if bead_aside_mm(size, gap, usual) >= BEADS_APART * usual:
        return usual
    # aside = BEADS_APART radius, squared: a r^2 + b r + c = 0.
    share = 1.0 - 2.0 * NOTCH
    a, b, c = share ** 2 - BEADS_APART ** 2, share * size, (size ** 2 - (size + gap) ** 2) / 4.0
    inside = b * b - 4.0 * a * c
    if inside < 0.0:
        return None
    radius = (-b + math.sqrt(inside)) / (2.0 * a)
    return radius * (1.0 + 1e-9) if radius >= usual else None


def _widest_gap(size: float) -> float:
    """The widest gap that a bead can bridge, mm, rounded down to a hundredth."""
    share = 1.0 - 2.0 * NOTCH
    most = share ** 2 * size ** 2 / (BEADS_APART ** 2 - share ** 2)
    return math.floor(100.0 * (math.sqrt(size ** 2 + most) - size)) / 100.0
