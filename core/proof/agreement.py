"""The plan held against the solids: each planned length that can be found again on the metal or the stone."""
from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..solid.kernel import bounds, volume_mm3
from ..tolerance import SAME_POINT_MM
from ..trade.house_rules import HouseRules, Rule
from .findings import Finding, point
from .loops import inset_mm
from .measure import HAIR_MM, Gauge
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
    is_off = abs(measured - planned) > allowed + SAME_POINT_MM
    why = f"{rule.why[:-1]}; it is {abs(measured - planned):.4f} off where {allowed:.3g} is allowed." if is_off else (
        f"It was planned as {planned:.4f} and is found so to within {allowed:.3g}.")
    remedy = f"Build the head again from its plan, or take {measured:.4g} as its {name}." if is_off else ""
    return Finding(f"plan.{name}", f"{name.replace('_', ' ').capitalize()} as planned", "watch" if is_off else "sound",
                   measured, planned, unit, point(place), why, remedy, rule.source)


def _measured(subject: Subject) -> dict[str, tuple[float, np.ndarray | None]]:
    gauge = subject.gauge
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
        found |= _wall(gauge)
    if gauge.claws:
        found |= _claws(subject)
    return found


def _wall(gauge: Gauge) -> dict[str, tuple[float, np.ndarray | None]]:
    """Radii are the half width less the way from the girdle in to the face, so that they serve any outline."""
    base, top = gauge.base_mm + HAIR_MM, gauge.wall_top_mm - HAIR_MM
    half = float(np.ptp(gauge.girdle_loop[:, 1])) / 2.0
    found: dict[str, tuple[float, np.ndarray | None]] = {
        "wall_top": (gauge.wall_top_mm - gauge.base_mm, np.array([0.0, half, gauge.wall_top_mm]))}
    values, places = gauge.wall_thickness
    if len(values):
        i = int(np.argmin(values))
        found["wall_thickness"] = (float(values[i]), places[i])
    outer, inner = gauge.wall_faces(base)
    for name, face, height in (("outer_radius_base", outer, base), ("inner_radius_base", inner, base),
                               ("outer_radius_top", gauge.wall_faces(top)[0], top)):
        if face is not None:
            found[name] = (half - inset_mm(face, gauge.girdle_loop), np.array([*face[0], height]))
    if math.isfinite(gauge.taper):
        found["taper"] = (math.degrees(gauge.taper), np.array([0.0, half, gauge.wall_top_mm]))
        if not gauge.has_flat_base:
            found["seat_inset"] = gauge.rim
    return found


def _claws(subject: Subject) -> dict[str, tuple[float, np.ndarray | None]]:
    """Of the claw that strays most from the plan."""
    gauge, plan = subject.gauge, subject.plan
    assert plan is not None
    claws = gauge.claws
    found: dict[str, tuple[float, np.ndarray | None]] = {"claw_count": (float(len(claws)), None)}
    notched = max(claws, key=lambda claw: abs(claw.notch - plan["claw_notch"]))
    thick = max(claws, key=lambda claw: abs(claw.diameter_mm - plan["claw_diameter"]))
    found["claw_notch"] = (notched.notch, notched.girdle_place)
    found["claw_diameter"] = (thick.diameter_mm, thick.at_height(gauge.girdle_plane_mm / 2.0))
    tops = {claw.name: gauge.claw_top_mm(claw) - gauge.base_mm for claw in claws}
    if subject.is_set:
        strays = max(claws, key=lambda claw: abs(tops[claw.name] - plan["tip_height"]))
        found["tip_height"] = (tops[strays.name], strays.at_height(gauge.crown_edge_mm))
        return found
    lengths = {claw.name: gauge.claw_length_mm(claw) for claw in claws}
    short = max(claws, key=lambda claw: abs(lengths[claw.name] - plan["claw_length"]))
    end = short.at_height(gauge.claw_top_mm(short))
    found["claw_length"] = (lengths[short.name], end)
    found["head_height"] = (float(bounds(subject.metal)[1][2]) - gauge.base_mm, end)
    return found
