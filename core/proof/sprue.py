"""Where the sprue may go: beside a claw, at the foot of what carries the rest."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, bounds, contains, section, transformed, volume_mm3
from ..tolerance import READ_MM, SAME_POINT_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, at_least, judge, unable
from .loops import area_mm2, distances_mm, is_inside
from .runs import head_of, kind_of
from .subject import Subject

SPRUE_TRIED = 4
"""About how many places for the sprue are compared, at even steps through the list of places on the underside, wherever those
lie. More: the thickest by a little more."""

BESIDE_DEG = 25.0
"""How far to both sides of a sprue's place its section is taken: what metal flows through on its way round. Less: a claw
that stands over the place counts as section."""

BESIDE_CLAWS = 4
"""One in so many of the places for the sprue counts as beside a claw. Fewer: places between claws are tried too."""

FOOT_SHARE = 0.25
"""How far up a wall its foot reaches, as a share of its height. Larger: the sprue goes to the heads of its windows."""


def judge_sprue(subject: Subject, rules: HouseRules) -> Finding:
    """Where the sprue may go: on the thickest metal of the underside, clear of seat, claws and rim."""
    code, what = "casting.sprue", "Thickest sprue that the place for it takes"
    best = _sprue_place(subject)
    if best is None:
        return unable(code, what, "no metal of the underside is clear of seat, claws and rim",
                      "Leave a place for the sprue on the wall, a rail or the base, or ask your caster.")
    place, area = best
    low, high = rules["casting.sprue_low"], rules["casting.sprue_high"]
    thin, thick = (2.0 * math.sqrt(rule.value * area / math.pi) for rule in (low, high))
    grams = volume_mm3(subject.metal) * subject.alloy.density_g_cm3 / 1000.0
    heavy = rules["casting.second_sprue_g"]
    count = "one" if grams <= heavy.value else "two"
    least = rules["casting.sprue_least_mm"]
    note = (f"the section here is {area:.2f} mm2, so take {count} of {thin:.1f} to {thick:.1f} mm with a fillet, "
            f"{100.0 * low.value:.0f} to {100.0 * high.value:.0f} % of it ({low.source})")
    return judge(code, what, thick, "mm", place,
                 [at_least(least, "watch", "Feed it at a thicker place, or by two sprues.")], READ_MM, note)


def _sprue_place(subject: Subject) -> tuple[Floats, float] | None:
    """The (3,) place and the area, mm2, of the metal's section there, cut upright through the head's axis."""
    gauge, places = subject.gauge, subject.surface.spread
    down = places.normals[:, 2] < -0.5
    below = places.points[:, 2] < gauge.girdle_plane_mm
    index = np.flatnonzero(down & below)
    index = index[~subject.beside_stone(places.points[index])]
    # A peg's foot takes the sprue, whatever grows out of it above.
    foot = subject.parts.get("peg")
    at_foot = index[:0]
    if foot is not None and len(index):
        low = places.points[index, 2] <= gauge.base_mm + READ_MM
        at_foot = index[low & is_inside(gauge.part_at("peg", gauge.base_mm + READ_MM), places.points[index, :2])]
    for name, solid in subject.parts.items():
        if kind_of(name) in ("claw", "rim", "bead") and len(index):
            inner = places.points[index] - SAME_POINT_MM * places.normals[index]
            index = index[~contains(solid, inner)]
    index = np.union1d(index, at_foot)
    index = _rather(subject, index)
    if not len(index):
        return None
    best: tuple[Floats, float] | None = None
    least = 0.0
    if gauge.claws:
        # Beside a claw's foot, where metal goes up and to both sides.
        feet = np.array([claw.foot[:2] for claw in gauge.claws])
        off = np.linalg.norm(places.points[index, None, :2] - feet, axis=2).min(axis=1)
        index = index[np.argsort(off, kind="stable")[: max(SPRUE_TRIED, len(index) // BESIDE_CLAWS)]]
    for i in index[:: max(1, len(index) // SPRUE_TRIED)]:
        area = _upright_section_mm2(subject.metal, places.points[i], gauge.culet, -BESIDE_DEG)
        if area > least:
            area = min(area, _upright_section_mm2(subject.metal, places.points[i], gauge.culet, BESIDE_DEG))
        if area > least:
            best, least = (places.points[i], area), area
    return best


def _rather(subject: Subject, index: np.ndarray) -> np.ndarray:
    """Which of the places (n,) are left without windows' heads and what only hangs on the head: all where none would be."""
    places = subject.surface.spread
    inner = places.points[index] - SAME_POINT_MM * places.normals[index]
    kept = np.ones(len(index), bool)
    for name, solid in subject.parts.items():
        hangs, is_wall = bool(head_of(name)) or kind_of(name) in ("plate", "bridge"), kind_of(name) == "wall"
        if not (hangs or is_wall) or not len(index):
            continue
        low, high = (float(each[2]) for each in bounds(solid))
        above = -math.inf if hangs else low + FOOT_SHARE * (high - low)
        some = np.flatnonzero(kept & (inner[:, 2] > above))
        kept[some] = ~contains(solid, inner[some])
    return index[kept] if kept.any() else index


def _upright_section_mm2(metal: Solid, place: Floats, axis: Floats, turn_deg: float) -> float:
    """Area of the section through the upright axis on the side of a place, turned away from it, of the piece nearest to
    as far out and as high as the place."""
    way = place[:2] - axis[:2]
    out = float(np.linalg.norm(way))
    turn = (math.atan2(way[1], way[0]) if out > SAME_POINT_MM else 0.0) + math.radians(turn_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    # Turned about the axis so that outwards is x, and up is y of the level section.
    matrix = np.array([[cos, sin, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [sin, -cos, 0.0, 0.0]])
    spot = matrix[:, :3] @ axis
    loops = section(transformed(metal, matrix), float(spot[2]))
    if not loops:
        return 0.0
    target = np.array([spot[0] + out, place[2]])
    near = [loop for loop in loops if _holds(loop, target)] or loops
    outer = near[0] if len(near) == 1 else min(near, key=lambda loop: float(distances_mm(target[None, :], loop)[0]))
    inner = [loop for loop in loops if area_mm2([loop]) < 0.0 and _holds(outer, loop[0])]
    return area_mm2([outer, *inner])


def _holds(loop: Floats, point: Floats) -> bool:
    """True if a point (2,) lies in a loop (k, 2); most do not even lie within its bounds."""
    is_within = bool(((loop.min(axis=0) <= point) & (loop.max(axis=0) >= point)).all())
    return is_within and bool(is_inside([loop], point[None, :])[0])
