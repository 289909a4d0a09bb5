"""The plan: every dimension of a head that follows from the choices, each with its reason and source.

Closed forms only; no mesh is made here but the stone's own, which the stone keeps.
"""
from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from ..dimension import COMMON, GEOMETRY, GIVEN, Dimension
from ..errors import Fault, SpecError
from ..spec import Spec
from ..stone import Stone
from ..tolerance import SAME_POINT_MM
from ..trade.alloys import Alloy, alloy
from ..trade.carat import estimate_ct
from ..trade.claw_sizes import claw_diameter
from ..trade.house_rules import HouseRules, house_rules
from ..trade.ring_sizes import inside_diameter_mm
from ..trade.species import species

HOUSE_ALLOY = "18K yellow gold"
HOUSE_SPECIES = "diamond"
HOUSE_PROCESS = "lost wax"
"""What a head is taken to be made of, for and by if nothing says so. Common practice, no source."""

REFERENCE_MM = 5.0
"""The stone whose worked head the usual clearance and spare length are stated for; others go in proportion."""

TAPERS_DEG = (14.0, 8.5, 0.0)
"""Smaller tapers that collet blocks come in, tried where the usual one would close a small head."""

HOLLOW_SHARE = 0.08
"""Least radius of the hollow at the base as a share of the stone's width, so that it can be cleaned and burnished
from below. Common practice, no source."""

SIX_CLAWS_ABOVE_MM = 6.0
EIGHT_CLAWS_ABOVE_MM = 12.0
"""From which width on six and eight claws are usual. Common practice, no source."""

SHELF_MM = 0.05
"""How far the flat of the wall's top runs on under the stone before the bevel begins. Without it a steep bevel falls
away from the pavilion at once, and the stone rests on an edge. Common practice, no source."""

TIP_MIDDLE, CONTACT_MIDDLE = 0.5, 0.5
"""Where in the published range for tip height and contact the setter aims: its middle."""

PRINTED = "direct metal print"
"""The process without a casting, and so without its shrinkage."""

KEPT = "You gave this value, so it is kept and proven as it is."

PINNABLE = {
    "culet_clearance": "head.culet_clearance_mm", "taper": "wall.taper_deg", "wall_thickness": "wall.thickness_mm",
    "seat_inset": "wall.seat_inset_mm", "bevel": "wall.bevel_mm", "seat_clearance": "seat.clearance_mm",
    "claw_count": "claws.count", "claw_diameter": "claws.diameter_mm", "claw_notch": "claws.notch",
    "claw_spare": "claws.spare_mm", "claw_start_angle": "claws.start_angle_deg",
    "shrinkage": "casting.shrinkage_percent", "stone_length": "stone.length_mm", "stone_width": "stone.width_mm",
    "stone_depth": "stone.depth_mm",
}
"""Which choice of the spec pins which dimension of the plan."""


@dataclass(frozen=True, eq=False)
class Plan:
    """The dimensions in order. plan[name] is a value; mm, deg, ct, and 1 for shares."""

    dimensions: dict[str, Dimension]

    def __getitem__(self, name: str) -> float:
        return self.dimensions[name].value

    def __contains__(self, name: object) -> bool:
        return name in self.dimensions

    def __iter__(self) -> Iterator[Dimension]:
        return iter(self.dimensions.values())

    def dimension(self, name: str) -> Dimension:
        """A value with its unit, reason and source. Raises KeyError for a name that is not in the plan."""
        return self.dimensions[name]


def alloy_of(spec: Spec) -> Alloy:
    """The alloy chosen, or the house's."""
    return alloy(spec.get("casting.alloy") or HOUSE_ALLOY)


class _Draft:
    """Collects dimensions; a pinned choice wins over the derived value."""

    def __init__(self, spec: Spec, rules: HouseRules) -> None:
        self.spec, self.rules = spec, rules
        self.process: str = spec.get("casting.process") or HOUSE_PROCESS
        self.all: dict[str, Dimension] = {}

    def derive(self, name: str, value: float, unit: str, reason: str, source: str = GEOMETRY) -> float:
        path = PINNABLE.get(name)
        given = self.spec.get(path) if path else None
        if given is not None:
            reason, source = KEPT, GIVEN
            value = float(given)
        self.all[name] = Dimension(name, float(value), unit, reason, source, given is not None)
        return float(value)

    def is_pinned(self, name: str) -> bool:
        return self.spec.get(PINNABLE[name]) is not None


def make_plan(spec: Spec, stone: Stone, rules: HouseRules | None = None) -> Plan:
    """Every dimension of the head for this stone.

    Raises SpecError, naming the choice that has to give way, if no head with these choices exists.
    """
    draft = _Draft(spec, rules or house_rules())
    metal = alloy_of(spec)
    _stone(draft, stone)
    _wall(draft, stone, metal)
    _claws(draft, stone, metal)
    _setting(draft, stone)
    _casting(draft, metal)
    _finger(draft)
    return Plan(draft.all)


def _stone(draft: _Draft, stone: Stone) -> None:
    derive = draft.derive
    for name in ("length", "width", "depth"):
        figure = stone.figures.get(name)
        value = getattr(stone, f"{name}_mm")
        derive(f"stone_{name}", value, "mm", figure.reason if figure else "Measured on the stone's own mesh.",
               figure.source if figure else GEOMETRY)
    derive("stone_table", stone.table_width_mm, "mm", "Width of the table facet, from the stone's proportions.")
    derive("crown_height", stone.crown_height_mm, "mm", "From the upper girdle edge to the table.")
    derive("girdle", stone.girdle_mm, "mm", "The girdle at its thickest, which the seat must take.")
    derive("pavilion_depth", stone.pavilion_depth_mm, "mm", "From the lower girdle edge to the culet.")
    kind = species(draft.spec.get("stone.species") or HOUSE_SPECIES)
    derive("stone_weight", stone.weight_ct(kind.density_g_cm3), "ct",
           f"Volume of the faceted stone times the density of {kind.name}, {kind.density_g_cm3:g} g/cm³.", kind.source)
    estimate = estimate_ct(stone.cut, stone.length_mm, stone.width_mm, stone.depth_mm, kind.density_g_cm3,
                           kind.name == "diamond")
    if estimate is not None:
        weight, words, source = estimate
        derive("weight_estimate", weight, "ct",
               f"{words}: the trade's estimate for this cut, to hold the volume's weight against.", source)


def _wall(draft: _Draft, stone: Stone, metal: Alloy) -> None:
    rules, derive, half = draft.rules, draft.derive, stone.width_mm / 2.0
    usual = rules["head.culet_clearance_mm"]
    preferred = rules["head.culet_clearance_preferred_mm"]
    clearance = derive(
        "culet_clearance", max(preferred.value, min(usual.value, usual.value * stone.width_mm / REFERENCE_MM)), "mm",
        "Keeps the culet off the finger and leaves the wall tall enough to work; in proportion for stones under "
        f"{REFERENCE_MM:g} mm.", usual.source)
    girdle = derive("girdle_plane", clearance + stone.pavilion_depth_mm, "mm",
                    "Culet clearance and pavilion depth: the height of the lower girdle edge above the base.")
    line = rules["wall.thickness_start_mm"].value + rules["wall.thickness_rise"].value * stone.width_mm
    least, most = rules["wall.thickness_low_mm"].value, rules["wall.thickness_high_mm"].value
    castable = max(metal.least_model_mm, rules.of_process(draft.process, "section_least_mm").value)
    thickness = derive("wall_thickness", round(max(min(max(line, least), most), castable), 2), "mm",
                       f"Grows with the stone, and never below what {metal.name} by {draft.process} needs, {castable:g} mm.",
                       rules["wall.thickness_start_mm"].source)
    taper = _taper(draft, stone, girdle, thickness)
    angle = math.radians(taper)
    inset_rule = rules["seat.inset_mm"]
    inset = derive("seat_inset", min(inset_rule.value, round(thickness / 3.0, 2)), "mm",
                   "Rim left outside the pavilion at the wall's top: enough to carry the girdle's edge without showing.",
                   inset_rule.source)
    drop = derive("wall_drop", _drop(draft, stone, girdle, angle, inset), "mm",
                  "How far below the girdle the pavilion leaves a rim of the seat inset, square to the wall.")
    top = derive("wall_top", girdle - drop, "mm", "The girdle plane less the drop: where the wall ends.")
    through = thickness / math.cos(angle)
    base = half - girdle * math.tan(angle)
    _check_hollow(draft, stone, girdle, thickness, taper)
    derive("outer_radius_base", base, "mm", "The outer wall leaves the girdle and runs inwards at the taper to the base.")
    derive("outer_radius_top", half - drop * math.tan(angle), "mm", "The outer wall at the wall's top.")
    derive("inner_radius_base", base - through, "mm", "The hollow at the base: the outer radius less the wall.")
    share = rules["seat.bevel_share"]
    room = (thickness - inset) / math.cos(angle) - SHELF_MM
    most = 0.9 * top / math.cos(angle)
    if stone.pavilion_depth_mm == 0.0:
        bevel = derive("bevel", 0.0, "mm", "A flat base rests on the whole of the wall's top, so there is none.", COMMON)
    else:
        bevel = derive("bevel", math.floor(100.0 * max(0.0, min(share.value * thickness, room, most)) + 0.5) / 100.0, "mm",
                       "As much of the wall as starts the seat, three quarters at most, and leaves a rim and a shelf under the "
                       "stone.", share.source)
    if bevel > min(through, top / math.cos(angle)) - 1e-9:
        raise SpecError(Fault("wall.bevel_mm", bevel, "the bevel must stay inside the wall: below "
                              f"{min(through, top / math.cos(angle)):.3f} mm with this wall and taper"))
    derive("seat_clearance", rules["seat.clearance_mm"].value, "mm",
           "Room between the stone and a seat that is cut in the model.", rules["seat.clearance_mm"].source)


def _taper(draft: _Draft, stone: Stone, girdle: float, thickness: float) -> float:
    rule = draft.rules["wall.taper_deg"]

    def hollow(taper: float) -> float:
        angle = math.radians(taper)
        return stone.outline.reach_mm - girdle * math.tan(angle) - thickness / math.cos(angle)

    fitting = [taper for taper in (rule.value, *TAPERS_DEG) if hollow(taper) >= HOLLOW_SHARE * stone.width_mm]
    taper = fitting[0] if fitting else 0.0
    reason = ("The usual lean of the wall to the axis; a collet block sold by this angle may mean both sides together."
              if taper == rule.value else
              f"The usual {rule.value:g}° would close the hollow of a head this small, so the wall stands steeper.")
    return draft.derive("taper", taper, "deg", reason, rule.source)


def _drop(draft: _Draft, stone: Stone, girdle: float, angle: float, inset: float) -> float:
    """Depth below the girdle at which the rim, square to the wall, is the inset; found on the stone."""
    def rim(depth: float) -> float:
        # Where no pavilion is met at all the way in is endless; the stone's width stands for it.
        way = min(stone.pavilion_inset_mm(depth), stone.width_mm)
        return (way - depth * math.tan(angle)) * math.cos(angle) - inset

    straight = stone.straight_pavilion_deg
    if straight is not None:
        # (inset / cos taper) / (cot pavilion - tan taper): the closed form for a straight pavilion.
        room = 1.0 / math.tan(math.radians(straight)) - math.tan(angle)
        drop = (inset / math.cos(angle)) / room if room > 0.0 else math.inf
    else:
        drop = _crossing(rim, 0.0, girdle) if rim(girdle) > 0.0 else math.inf
        if drop < SAME_POINT_MM:
            drop = 0.0  # a flat base rests on the wall's top
    if drop >= girdle:
        if draft.is_pinned("seat_inset") and math.isfinite(drop):
            raise SpecError(Fault("wall.seat_inset_mm", inset, "with this stone and taper the wall would end below the "
                                  "base; take a smaller inset"))
        limit = f"below {90.0 - straight:.1f}°" if straight is not None else "smaller"
        raise SpecError(Fault("wall.taper_deg", math.degrees(angle), "the wall runs in faster than the pavilion of this "
                              f"stone, so it never leaves a rim; the taper must be {limit}"))
    return drop


def _crossing(height: Callable[[float], float], low: float, high: float) -> float:
    """Where a function that rises from at most 0 at `low` to above 0 at `high` crosses 0 (false position, Illinois)."""
    at_low, at_high = height(low), height(high)
    side = 0
    for _ in range(60):
        if at_low >= 0.0:
            return low
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        value = height(middle)
        if abs(value) < SAME_POINT_MM * 1e-3 or high - low < SAME_POINT_MM * 1e-3:
            return middle
        if value > 0.0:
            high, at_high, at_low = middle, value, at_low / 2.0 if side > 0 else at_low
            side = 1
        else:
            low, at_low, at_high = middle, value, at_high / 2.0 if side < 0 else at_high
            side = -1
    return 0.5 * (low + high)


def _check_hollow(draft: _Draft, stone: Stone, girdle: float, thickness: float, taper: float) -> None:
    angle, half = math.radians(taper), stone.outline.reach_mm
    base = half - girdle * math.tan(angle)
    hollow = base - thickness / math.cos(angle)
    if hollow > 0.0:
        return
    if draft.is_pinned("wall_thickness") and thickness >= half:
        raise SpecError(Fault("wall.thickness_mm", thickness, "the wall must be thinner than half the stone, "
                              f"{half:.3f} mm"))
    if draft.is_pinned("taper"):
        most = _steepest(half, girdle, thickness)
        if most is not None:
            raise SpecError(Fault("wall.taper_deg", taper, f"the wall closes before it reaches the base; with this stone, "
                                  f"clearance and wall it must be at most {most:.1f}°"))
    if draft.is_pinned("wall_thickness"):
        raise SpecError(Fault("wall.thickness_mm", thickness, "the wall fills its own hollow at the base; with this taper "
                              f"it must be below {base * math.cos(angle):.3f} mm"))
    if draft.is_pinned("culet_clearance") and half > thickness:
        raise SpecError(Fault("head.culet_clearance_mm", draft.all["culet_clearance"].value, "the wall closes before it "
                              "reaches so low a base; take a smaller clearance or taper"))
    raise SpecError(Fault("stone.width_mm", stone.width_mm, "a tapered claw head needs a wider stone in this alloy: the "
                          f"wall of {thickness:g} mm leaves no hollow; take at least {2.4 * thickness:.1f} mm"))


def _steepest(half: float, girdle: float, thickness: float) -> float | None:
    """The largest taper, rounded down to 0.1°, that leaves a hollow at the base."""
    for tenth in range(400, -1, -1):
        angle = math.radians(tenth / 10.0)
        if half - girdle * math.tan(angle) - thickness / math.cos(angle) > 0.0:
            return tenth / 10.0
    return None


def _claws(draft: _Draft, stone: Stone, metal: Alloy) -> None:
    rules, derive, width = draft.rules, draft.derive, stone.width_mm
    angle = math.radians(draft.all["taper"].value)
    usual = 4 if width <= SIX_CLAWS_ABOVE_MM else 6 if width <= EIGHT_CLAWS_ABOVE_MM else 8
    count = round(derive("claw_count", usual, "count", f"Up to {SIX_CLAWS_ABOVE_MM:g} mm four claws are usual, up to {EIGHT_CLAWS_ABOVE_MM:g} mm six, then eight.", COMMON))
    low, high = rules["claws.notch_low"], rules["claws.notch_high"]
    notch = derive("claw_notch", round((low.value + high.value) / 2.0, 2), "1",
                   "The girdle may cut a quarter to a third into a claw: less holds badly, more weakens it.", low.source)
    size = claw_diameter(width, count, metal.family)
    least = max(metal.least_model_mm, rules.of_process(draft.process, "section_least_mm").value / (1.0 - notch))
    gap_rule = rules.of_process(draft.process, "gap_least_mm")
    gap = gap_rule.value
    value, reason = round(max(size.value, least), 2), size.reason
    if value > size.value + 0.006:
        reason = f"The usual {size.value:.2f} mm is too thin for {metal.name} by {draft.process}, which needs {least:.2f} mm."
    diameter = derive("claw_diameter", value, "mm", reason, size.source)

    def spread(diameter_mm: float) -> float:
        """Clear width between neighbouring claws at the girdle, mm."""
        shift = (0.5 - notch) * diameter_mm / math.cos(angle)
        return 2.0 * (width / 2.0 + shift) * math.sin(math.pi / count) - diameter_mm / math.cos(angle)

    if spread(diameter) < (0.0 if draft.is_pinned("claw_diameter") else gap):
        most = _largest(spread, gap)
        if draft.is_pinned("claw_diameter") or most < least:
            key = "claws.diameter_mm" if draft.is_pinned("claw_diameter") else "claws.count"
            shown = diameter if key.endswith("mm") else count
            raise SpecError(Fault(key, shown, f"{count} claws of {diameter:g} mm round a stone {width:g} mm wide overlap each "
                                  f"other; take claws below {most:.2f} mm or fewer of them"))
        diameter = derive("claw_diameter", math.floor(most * 100.0) / 100.0, "mm",
                          f"Of the usual size, {count} claws would touch at the girdle, so they are thinner and keep {gap:g} mm apart.",
                          gap_rule.source)
    derive("claw_shift", (0.5 - notch) * diameter / math.cos(angle), "mm",
           "How far the claw's axis stands outside the wall's line, so that the girdle cuts just the notch.")
    spare_rule = rules["claws.spare_mm"]
    spare = derive("claw_spare", round(spare_rule.value * width / REFERENCE_MM, 2), "mm",
                   "Length past the wall's top to bend over the crown, trimmed back after setting; in proportion to "
                   f"{spare_rule.value:g} mm for a {REFERENCE_MM:g} mm stone.", spare_rule.source)
    derive("claw_start_angle", 180.0 / count, "deg",
           "Half a step off the stone's length, so that the claws stand even on both sides.", COMMON)
    length = derive("claw_length", draft.all["wall_top"].value / math.cos(angle) + spare, "mm",
                    "Along the claw from the base plane to its end: the wall's slope and the spare length.")
    derive("head_height", length * math.cos(angle) + diameter / 2.0 * math.sin(angle), "mm",
           "The metal as cast, from the base plane to the highest point of the claws.")


def _largest(spread: Callable[[float], float], gap: float) -> float:
    """The thickest claw, mm, that leaves the gap."""
    low, high = 0.0, 20.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if spread(middle) >= gap else (low, middle)
    return low


def _setting(draft: _Draft, stone: Stone) -> None:
    rules, derive, at = draft.rules, draft.derive, draft.all
    low, high = rules["claws.tip_height_low"], rules["claws.tip_height_high"]
    share = low.value + TIP_MIDDLE * (high.value - low.value)
    crown_edge = at["girdle_plane"].value + stone.girdle_mm
    derive("table_height", crown_edge + stone.crown_height_mm, "mm", "From the base plane to the stone's table.")
    derive("tip_height", crown_edge + share * stone.crown_height_mm, "mm",
           f"After setting the claws' tips stand {100 * share:.0f} % of the crown above the girdle.", low.source)
    touch_low, touch_high = rules["claws.contact_low"], rules["claws.contact_high"]
    contact = derive("contact", touch_low.value + CONTACT_MIDDLE * (touch_high.value - touch_low.value), "1",
                     "How far up the crown's slope, from girdle to table, a claw lies on the stone.", touch_low.source)
    angle = math.radians(at["taper"].value)
    slope = math.hypot(stone.crown_height_mm, (stone.width_mm - stone.table_width_mm) / 2.0)
    kept = crown_edge / math.cos(angle) + contact * slope + at["claw_diameter"].value / 2.0
    derive("trim_length", max(0.0, at["claw_length"].value - kept), "mm",
           "What the setter cuts off each claw once it lies over the crown: all past girdle, contact and the bend.")


def _casting(draft: _Draft, metal: Alloy) -> None:
    if draft.process == PRINTED:
        percent, reason, source = 0.0, "Printed metal is scaled by the printing service, so the files stay as modelled.", COMMON
    else:
        percent, source = metal.shrinkage_percent, metal.source
        reason = f"Linear, from the model to the casting in {metal.name}; calibrate it with a test ring."
    given = draft.spec.get(PINNABLE["shrinkage"])
    if given is not None:
        percent, reason, source = given, KEPT, GIVEN
    draft.all["shrinkage"] = Dimension("shrinkage", percent / 100.0, "1", reason, source, given is not None)


def _finger(draft: _Draft) -> None:
    size = draft.spec.get("finger.size")
    if size is None:
        return
    system = draft.spec.get("finger.system") or "iso"
    at = draft.all
    draft.derive("finger_diameter", inside_diameter_mm(system, size), "mm",
                 f"Inside diameter of ring size {size} ({system}).", "the system's own definition, see the ring size table")
    draft.derive("finger_clearance", at["culet_clearance"].value, "mm",
                 "From the culet to the finger, with the base plane lying on the finger at its highest line.")
    draft.derive("height_over_finger", at["table_height"].value, "mm",
                 "From the finger to the table, with the base plane lying on the finger at its highest line.")
