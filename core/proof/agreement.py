"""The plan held against the solids: each planned length that can be found again on the metal or the stone."""
from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from ..head import Plan
from ..solid.kernel import Solid, bounds, volume_mm3
from ..tolerance import READ_SHARE, SAME_POINT_MM
from ..trade.house_rules import HouseRules, Rule
from .claw_measure import bow_mm
from .findings import Finding, point
from .loops import area_mm2, distances_mm, inset_mm, is_inside, is_ring, largest
from .measure import HAIR_MM, ClawMeasure, Gauge
from .subject import Subject


def check_agreement(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """One finding for each dimension of the plan that is measured; none for a head without a plan."""
    plan = subject.plan
    if plan is None:
        return
    length, share, angle = rules["measure.length_mm"], rules["measure.share"], rules["measure.angle_deg"]
    tolerance = {"mm": length, "1": share, "deg": angle, "count": share, "ct": rules["measure.weight"]}
    for name, (measured, place) in _measured(subject).items():
        planned = plan.dimension(name)
        rule = tolerance[planned.unit]
        allowed = rule.value * planned.value if planned.unit == "ct" else rule.value
        yield _agree(name, measured, planned.value, allowed, planned.unit, place, rule)


def _agree(name: str, measured: float, planned: float, allowed: float, unit: str, place: np.ndarray | None,
           rule: Rule) -> Finding:
    """measured is what was found, limit what was planned. Hand work may be meant, so a stray length is for watching:
    whether it is safe is said by the other checks."""
    reading = READ_SHARE if unit == "1" else SAME_POINT_MM
    is_off = abs(measured - planned) > allowed + reading
    why = f"{rule.why[:-1]}; it is {abs(measured - planned):.4f} off where {_plain(allowed)} is allowed." if is_off else (
        f"It was planned as {planned:.4f} and is found so to within {_plain(allowed)}.")
    remedy = f"Build the head again from its plan, or take {measured:.4g} as its {name}." if is_off else ""
    return Finding(f"plan.{name}", f"{name.replace('_', ' ').capitalize()} as planned", "watch" if is_off else "sound",
                   measured, planned, unit, point(place), why, remedy, rule.source, rule.key)


def _measured(subject: Subject) -> dict[str, tuple[float, np.ndarray | None]]:
    gauge, plan = subject.gauge, subject.plan
    assert plan is not None
    culet = gauge.culet
    found: dict[str, tuple[float, np.ndarray | None]] = {
        "girdle_plane": (gauge.girdle_plane_mm - gauge.base_mm, culet),
        "culet_clearance": (float(culet[2]) - gauge.base_mm, culet),
        "table_height": (gauge.table_mm - gauge.base_mm, np.array([0.0, 0.0, gauge.table_mm])),
        "stone_weight": (volume_mm3(subject.stone_solid) * subject.species.density_g_cm3 / 200.0, culet),
    }
    low, high = bounds(subject.stone_solid)
    found["stone_length"], found["stone_width"] = (float(high[0] - low[0]), high), (float(high[1] - low[1]), high)
    found["stone_depth"] = (float(high[2] - low[2]), culet)
    if gauge.wall is not None:
        found |= _wall(gauge, plan)
    if gauge.rim_part is not None and not subject.is_set:
        found |= _rim(gauge, gauge.rim_part)
    found |= _rails(gauge)
    if "peg" in gauge.parts:
        found |= _peg(gauge)
    if gauge.claws:
        found |= _claws(subject)
    return {name: each for name, each in found.items() if name in plan}


def _wall(gauge: Gauge, plan: Plan) -> dict[str, tuple[float, np.ndarray | None]]:
    """Radii are the half width less the way from the girdle in to the face, so that they serve any outline."""
    base, top = gauge.base_mm + HAIR_MM, gauge.wall_top_mm - HAIR_MM
    half = float(np.ptp(gauge.girdle_loop[:, 1])) / 2.0
    # A seat cut for a flat base takes its room off the wall's top.
    lowered = gauge.settling_mm if gauge.has_flat_base else 0.0
    found: dict[str, tuple[float, np.ndarray | None]] = {
        "wall_top": (gauge.wall_top_mm - gauge.base_mm + lowered, np.array([0.0, half, gauge.wall_top_mm]))}
    values, places = gauge.wall_thickness
    if len(values):
        # What it is all round, past mitred corners, which are thicker, and dents, of which the other checks say whether
        # they are safe.
        i = int(np.argsort(values)[len(values) // 10])
        found["wall_thickness"] = (float(values[i]), places[i])
    for name in ("window_sill", "scoop_depth"):
        sill = gauge.walls.sill_mm if name in plan else None
        if sill is not None:
            found[name] = (sill - gauge.base_mm if name == "window_sill" else gauge.wall_top_mm + lowered - sill,
                           np.array([0.0, half, sill]))
    outer, inner = gauge.walls.faces(base)
    for name, face, height in (("outer_radius_base", outer, base), ("inner_radius_base", inner, base),
                               ("outer_radius_top", gauge.walls.faces(top)[0], top)):
        if face is not None:
            # Told from the inner of both loops, past the other's mitred corners.
            is_within = is_inside([gauge.girdle_loop], face).mean() >= 0.5
            inset = inset_mm(face, gauge.girdle_loop) if is_within else -inset_mm(gauge.girdle_loop, face)
            found[name] = (half - inset, np.array([*face[0], height]))
    if math.isfinite(gauge.taper):
        found["taper"] = (math.degrees(gauge.taper), np.array([0.0, half, gauge.wall_top_mm]))
        # Where the top is scooped, the least rim may be scooped away with it.
        if not gauge.has_flat_base and gauge.walls.stands.all():
            found["seat_inset"] = gauge.walls.rim
    return found


def _rim(gauge: Gauge, rim: Solid) -> dict[str, tuple[float, np.ndarray | None]]:
    """As cast its thickness is even; the middle of its height is clear of both ends."""
    low, high = bounds(rim)
    height = float(low[2] + high[2]) / 2.0
    found: dict[str, tuple[float, np.ndarray | None]] = {
        "rim_height": (float(high[2]) - gauge.girdle_plane_mm, np.array([*gauge.girdle_loop[0], high[2]]))}
    loops = gauge.part_at("rim", height)
    if is_ring(loops):
        outer, inner = sorted(loops, key=lambda loop: -abs(area_mm2([loop])))
        ways = distances_mm(inner, outer)
        found["rim_thickness"] = (float(np.median(ways)) * math.cos(_lean_of(gauge, "rim")), np.array([*inner[0], height]))
    return found


def _lean_of(gauge: Gauge, name: str) -> float:
    """Radians: lean of a part's outer face, by how its section grows from its lower quarter to its upper."""
    low, high = (float(each[2]) for each in bounds(gauge.parts[name]))
    heights = (low + 0.25 * (high - low), low + 0.75 * (high - low))
    faces = [largest(gauge.part_at(name, z)) for z in heights]
    return math.atan2(inset_mm(faces[0], faces[1]), heights[1] - heights[0])


def _rails(gauge: Gauge) -> dict[str, tuple[float, np.ndarray | None]]:
    """Thickness across the middle of the bar, which a seat cut into its top leaves as it is."""
    found: dict[str, tuple[float, np.ndarray | None]] = {}
    for name in gauge.rail_names:
        low, high = (float(each[2]) for each in bounds(gauge.parts[name]))
        middle = (low + high) / 2.0
        loops = sorted(gauge.part_at(name, middle), key=lambda loop: -abs(area_mm2([loop])))
        thickness = float(np.median(distances_mm(loops[1], loops[0]))) if is_ring(loops) else high - low
        place = np.array([*loops[0][0], middle])
        if "rail_thickness" not in found or thickness < (found["rail_thickness"][0] or 0.0):
            found["rail_thickness"] = (thickness, place)
        if name == "upper rail":
            found["upper_rail_height"] = (middle - gauge.base_mm, place)
    return found


def _peg(gauge: Gauge) -> dict[str, tuple[float, np.ndarray | None]]:
    low, high = (float(each[2]) for each in bounds(gauge.parts["peg"]))
    loop = largest(gauge.part_at("peg", low + HAIR_MM))
    # The circle of the same area.
    return {"peg_height": (high - low, np.array([*loop[0], high])),
            "peg_diameter": (math.sqrt(4.0 * abs(area_mm2([loop])) / math.pi), np.array([*loop[0], low]))}


def _claws(subject: Subject) -> dict[str, tuple[float, np.ndarray | None]]:
    """Of the claw that strays most from the plan."""
    gauge, plan = subject.gauge, subject.plan
    assert plan is not None
    claws = gauge.claws
    found: dict[str, tuple[float, np.ndarray | None]] = {"claw_count": (float(len(claws)), None)}

    def stray(name: str, measures: dict[str, float], place: Callable[[ClawMeasure], np.ndarray]) -> None:
        if name in plan and measures:
            claw = max((each for each in claws if each.name in measures), key=lambda each: abs(measures[each.name] - plan[name]))
            found[name] = (measures[claw.name], place(claw))

    tops = {claw.name: gauge.claw_top_mm(claw) - gauge.base_mm for claw in claws}
    base = {claw.name: claw.diameter_mm + claw.leg.growth * (float(claw.foot[2]) - claw.girdle_mm) for claw in claws}
    stray("claw_notch", {claw.name: claw.notch for claw in claws}, lambda claw: claw.girdle_place)
    stray("claw_diameter", base, lambda claw: claw.at_height(gauge.girdle_plane_mm / 2.0))
    if not any(claw.is_v for claw in claws):
        # Told half way up, and carried down to the base by the taper of the thickness.
        wider = {claw.name: base[claw.name] / claw.thickness_at((float(claw.foot[2]) + claw.girdle_mm) / 2.0) for claw in claws}
        stray("claw_width", {claw.name: claw.width_mm * wider[claw.name] for claw in claws}, lambda claw: claw.foot)
    stray("claw_bow", {claw.name: bow_mm(claw) for claw in claws}, lambda claw: claw.at_height(gauge.girdle_plane_mm / 2.0))
    if subject.is_set:
        for name, is_v in (("tip_height", False), ("v_tip_height", True)):
            stray(name, {claw.name: tops[claw.name] for claw in claws if claw.is_v == is_v},
                  lambda claw: claw.at_height(gauge.crown_edge_mm))
        return found

    def end(claw: ClawMeasure) -> np.ndarray:
        return claw.at_height(gauge.claw_top_mm(claw))

    stray("claw_length", {claw.name: claw.length_mm for claw in claws}, end)
    rise = {claw.name: claw.length_mm * float(claw.axis[2]) for claw in claws}
    stray("claw_tip_share", {claw.name: 1.0 + claw.leg.growth * rise[claw.name] / base[claw.name] for claw in claws}, end)
    found["head_height"] = (float(bounds(subject.metal)[1][2]) - gauge.base_mm, end(claws[0]))
    return found


def _plain(value: float) -> str:
    """Three figures without an exponent, which few readers of a proof know."""
    return np.format_float_positional(value, 3, fractional=False, trim="-")
