"""The surround: small stones evenly spread round the centre stone, the plate that they are set in and their beads."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ...dimension import COMMON, GIVEN, MEMORY, Dimension
from ...errors import Fault, SpecError
from ...mesh import Floats
from ...stone import Stone, make_stone
from ...tolerance import CHORD_MM
from ..claws import claw_lines
from ..draft import KEPT, PINNABLE, Draft, Plan, species_of
from ..rounded import rounded
from ..row import FEWEST, Row, evenly, most_that_fit
from .beside import claw_rings, outside_mm

SINGLE_CUT_BELOW_MM = 1.2
"""Smaller stones are single cuts. visualdictionaryonline.com, eight cut: for melee under about 1.2 mm."""

STONE_SHARE, STONE_LOW_MM, STONE_HIGH_MM = 0.2, 1.0, 2.0
"""Usual size of the small stones: a share of the centre stone's width, between the two. Common practice, no source."""

SMALLEST_MM, STEP_MM = 0.8, 0.1
"""The smallest stones of a surround, and the steps in which smaller ones are tried. Common practice, no source."""

CLEAR_MM = 0.05
"""How far the small stones' seats stay from claws and rim. Common practice, no source."""

STEP_OUT, STEP_OUT_MM = 0.6, 0.01
"""By what share of what it lacks, and by how much at least, the surround is moved out until it is clear: farther
out the beads stand farther from it than before. Larger: it stands farther out than it need."""

OVER_MM = 0.05
"""How far above the beads and below the plate the seats' cutters go on. Smaller: a skin may be left; larger: they reach
a rim that leans over."""

BOWED = 7
"""At how many heights a bowed claw is looked at. Fewer: it bulges out between them."""

NOTCH = 0.15
"""How far a small stone's girdle cuts into a bead, as a share of the bead: each bead is cut twice, and a quarter is the
most (Professional Jeweler, December 2002). Common practice, no source."""

BEADS_APART = 1.15
"""Half the distance between the two beads in one gap, as a multiple of a bead's radius: they stay apart. Common
practice, no source."""

THICKEST, THICKER = 1.3, 25
"""Up to how many times the usual a bead is thickened so that the room beside its fellow fills, and how many thicknesses
are tried. Common practice, no source."""

FINISHED_MM = 0.01
"""How much less finished claws may stand out than cast ones, at the most. Smaller: a surround beside them is too far
out."""

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
    kind = species_of(draft.spec, "surround.species")
    count = round(draft["surround_count"])
    derive("surround_weight", count * small.weight_ct(kind.density_g_cm3), "ct",
           f"{count} small stones of {small.weight_ct(kind.density_g_cm3):.4f} ct each, by volume and density.",
           kind.source)


def _plan_ring(draft: Draft, size: float) -> None:
    derive, rules, stone = draft.derive, draft.rules, draft.stone
    low, high, least = rules["surround.gap_low_mm"], rules["surround.gap_high_mm"], rules["bead.gap_mm"]
    usual = (low.value + high.value) / 2.0
    reason = "Near enough to read as one with the centre stone, with room for a tool."
    apart = draft.spec.get("surround.gap_mm")
    apart = least.value if apart is None else apart
    if draft.spec.get(PINNABLE["surround_centre_gap"]) is None:
        beside = _beside(draft, size)
        stands_out = beside.stands_out_mm(stone)
        if stands_out > 0.0 and stands_out + CLEAR_MM > usual:
            nearest = max(usual, _squarely_outside_mm(draft) + CLEAR_MM)
            farthest = stands_out + high.value - FINISHED_MM
            usual = _clear_gap(draft, small_stone(size), beside, apart, nearest, farthest)
            reason = (f"Claws or rim stand {stands_out:.2f} mm outside the girdle, and the small stones' seats and "
                      "beads stay clear of them.")
    centre_gap = derive("surround_centre_gap", round(usual, 3), "mm", reason, low.source)
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


@dataclass(frozen=True, eq=False)
class _Beside:
    """Where claws or a rim stand beside the small stones: loops (k, 2), seen from above, at the heights of seats and
    beads; of those the ones level with the small stones' tables."""

    loops: list[Floats]
    level: list[Floats]

    def stands_out_mm(self, stone: Stone) -> float:
        """How far they stand outside a stone's girdle at the height of the small stones' tables; 0 if they don't."""
        girdle = stone.outline.loop(0.0, stone.outline.counts(CHORD_MM))
        return max(0.0, *(float(outside_mm(loop, girdle).max()) for loop in self.level))

    def away_mm(self, points: Floats) -> float:
        """How near to any of them the nearest of points (n, 2) lies."""
        return min(float(outside_mm(_near(points, loop), loop).min()) for loop in self.loops)


def _near(points: Floats, loop: Floats) -> Floats:
    """Of points (n, 2) those of which one must be the nearest to a loop (k, 2)."""
    middle = loop.mean(axis=0)
    away, reach = np.linalg.norm(points - middle, axis=1), float(np.linalg.norm(loop - middle, axis=1).max())
    near: Floats = points[away <= away.min() + 2.0 * reach]
    return near


def _beside(draft: Draft, size: float) -> _Beside:
    if "rim_thickness" in draft:
        around, out = rounded(draft.stone.outline), draft["seat_clearance"] + draft["rim_thickness"]
        loops = [around.loops(np.array([-out]), around.counts(CHORD_MM, out))[0]]
        return _Beside(loops, loops)
    # Claws lean outwards, so that straight ones are nearest where the seats' cutters end.
    small = small_stone(size)
    table = draft["girdle_plane"] - _drop_mm(draft, small) + _bead_height_mm(small)
    bulge = np.linspace(0.0, table, BOWED) if draft["claw_bow"] > 0.0 else np.zeros(0)
    plan, heights = Plan(draft.all), np.array([table, table + OVER_MM, *bulge])
    rings = [claw_rings(draft.spec, plan, line, heights, CHORD_MM) for line in claw_lines(plan, draft.stone.outline)]
    return _Beside([loop for ring in rings for loop in ring[1:]], [ring[0] for ring in rings])


def _squarely_outside_mm(draft: Draft) -> float:
    """How far claws or a rim stand outside the girdle, level, at the girdle, but for the points of V claws."""
    if "rim_thickness" in draft:
        return draft["seat_clearance"] + draft["rim_thickness"]
    return (1.0 - draft["claw_notch"]) * draft["claw_diameter"] / math.cos(math.radians(draft["taper"]))


def _clear_gap(draft: Draft, small: Stone, beside: _Beside, apart: float, least: float, most: float) -> float:
    """The gap to the centre's girdle, from the least one on, at which seats stay CLEAR_MM from what stands beside them,
    and beads so far that the gap between fills when it is cast; never more than the most that still reads as one."""
    size, gap, given = small.width_mm, least, draft.spec.get(PINNABLE["surround_count"])
    while gap < most:
        row = most_that_fit(draft.stone.outline, gap + size / 2.0, size + apart)
        if row is None:
            return gap
        rows = [row]
        if given is not None and FEWEST <= given < len(row.middles):
            rows.append(row_of(draft.stone, size, gap, given))
        short = max(_short_mm(draft, small, beside, each) for each in rows)
        if short <= 0.0:
            return gap
        gap += max(STEP_OUT * short, STEP_OUT_MM)
    return most


def _short_mm(draft: Draft, small: Stone, beside: _Beside, row: Row) -> float:
    """What a row's seats or beads lack to stand clear, mm; not above 0 where they do."""
    short = small.width_mm / 2.0 + CLEAR_MM - beside.away_mm(row.middles)
    between = row.pitch_mm - small.width_mm
    radius = _bead_radius(draft, small, between)
    if radius is None:
        return short
    inner = bead_places(row, bead_aside_mm(small.width_mm, between, radius))[1::2]
    room = draft.rules.of_process(draft.process, "gap_least_mm").value
    return max(short, _widest_mm(draft, small, between, radius) + room - beside.away_mm(inner))


def _usual_drop_mm(small: Stone) -> float:
    return small.crown_height_mm + small.girdle_mm


def _drop_mm(draft: Draft, small: Stone) -> float:
    given = draft.spec.get(PINNABLE["surround_drop"])
    return _usual_drop_mm(small) if given is None else float(given)


def _bead_height_mm(small: Stone) -> float:
    return small.girdle_mm + small.crown_height_mm


def _needed_mm(draft: Draft, small: Stone) -> float:
    """Least height of the plate's top over the base: for metal that fills, and for the small stones' culets."""
    return max(draft.rules.of_process(draft.process, "flat_least_mm").value, small.pavilion_depth_mm + OVER_BASE_MM)


def _has_depth(draft: Draft, small: Stone) -> bool:
    """True if small stones of this size stand high enough over the base."""
    return bool(draft["girdle_plane"] - _drop_mm(draft, small) >= _needed_mm(draft, small))


def plate_under_flat_mm(draft: Draft) -> float:
    """How high a stone with a flat base stands over the base plane at least, so that the plate with the smallest usual
    stones fills, mm."""
    return math.ceil(100.0 * (draft.castable_mm + _drop_mm(draft, small_stone(STONE_LOW_MM)))) / 100.0


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
    section = draft.castable_mm
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
    usual = rules["bead.size"]
    radius = _bead_radius(draft, small, gap)
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
    derive("surround_bead_height", _bead_height_mm(small), "mm",
           "The beads as cast end level with the small stones' tables: enough to push down over both crowns.", COMMON)
    derive("surround_contact", _contact(draft), "1",
           "How far up the crown's slope, from girdle to table, a bead lies on each small stone; at corners it lies on less.",
           rules["bead.contact_low"].source)


def _usual_bead_mm(draft: Draft, size: float) -> float:
    return draft.rules["bead.size"].value * size


def _contact(draft: Draft) -> float:
    low, high = draft.rules.value("bead.contact_low"), draft.rules.value("bead.contact_high")
    return low + CONTACT_SHARE * (high - low)


def bead_places(row: Row, aside_mm: float) -> Floats:
    """(2 n, 2) mm: between each stone and the next, the bead on the outer side and that on the inner."""
    after = np.roll(row.middles, -1, axis=0)
    ways = (after - row.middles) / row.pitch_mm
    out = np.column_stack([ways[:, 1], -ways[:, 0]]) * aside_mm
    middle = (after + row.middles) / 2.0
    places: Floats = np.stack([middle + out, middle - out], axis=1).reshape(-1, 2)
    return places


def bead_spread_mm(small: Stone, gap_mm: float, radius_mm: float, contact: float) -> float:
    """Radius of a finished bead where it lies on the crowns of both its stones, mm."""
    away = math.hypot(0.5 * (small.width_mm + gap_mm), bead_aside_mm(small.width_mm, gap_mm, radius_mm))
    return away - small.width_mm / 2.0 + contact * (small.width_mm - small.table_width_mm) / 2.0


def bead_aside_mm(size_mm: float, gap_mm: float, radius_mm: float) -> float:
    """How far a bead's middle stands aside from the line between its two stones' middles, mm; nan if it reaches
    neither."""
    reach = size_mm / 2.0 + (1.0 - 2.0 * NOTCH) * radius_mm
    square = reach ** 2 - ((size_mm + gap_mm) / 2.0) ** 2
    return math.sqrt(square) if square >= 0.0 else math.nan


def _bead_radius(draft: Draft, small: Stone, gap: float) -> float | None:
    """The thinnest bead, from the usual on, whose fellow on the other side stands so far from it that the room between
    fills when it is cast, if one not too thick does, or at least clear of it; None if there is none."""
    size, usual = small.width_mm, _usual_bead_mm(draft, small.width_mm) / 2.0
    least = _clear_radius(size, gap, usual)
    if least is None:
        return None
    room = draft.rules.of_process(draft.process, "gap_least_mm").value
    for radius in np.linspace(least, max(least, THICKEST * usual), THICKER).tolist():
        if bead_aside_mm(size, gap, radius) >= radius + room / 2.0:
            return float(radius)
    return least


def _widest_mm(draft: Draft, small: Stone, gap: float, radius: float) -> float:
    """Radius of a bead where it is widest, as cast or as set."""
    return max(radius, bead_spread_mm(small, gap, radius, _contact(draft)))


def _clear_radius(size: float, gap: float, usual: float) -> float | None:
    """The thinnest bead, from the usual on, that its fellow does not meet; None if there is none."""
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
