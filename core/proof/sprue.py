"""Where the sprue may go: beside a claw, at the foot of what carries the rest."""
from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..mesh import Floats
from ..solid.kernel import bounds, contains, volume_mm3
from ..solid.slicer import upright_loops
from ..tolerance import READ_MM, SAME_POINT_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, at_least, judge, unable
from .loops import are_inside_sides, is_inside, to_sides
from .measure import Gauge
from .runs import head_of, kind_of
from .subject import Subject
from .surface import Surface

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
    if gauge.claw_names and len(index):
        index = index[~_in_claws(gauge, places.points[index] - SAME_POINT_MM * places.normals[index])]
    for name, solid in subject.parts.items():
        if kind_of(name) in ("claw", "rim", "bead") and name not in gauge.claw_names and len(index):
            inner = places.points[index] - SAME_POINT_MM * places.normals[index]
            index = index[~contains(solid, inner)]
    index = np.union1d(index, at_foot)
    index = _rather(subject, index)
    if not len(index):
        return None
    if gauge.claws:
        # Beside a claw's foot, where metal goes up and to both sides.
        feet = np.array([claw.foot[:2] for claw in gauge.claws])
        off = np.linalg.norm(places.points[index, None, :2] - feet, axis=2).min(axis=1)
        index = index[np.argsort(off, kind="stable")[: max(SPRUE_TRIED, len(index) // BESIDE_CLAWS)]]
    tried = places.points[index[:: max(1, len(index) // SPRUE_TRIED)]]
    areas = _upright_sections_mm2(subject.surface, tried, gauge.culet, (-BESIDE_DEG, BESIDE_DEG)).min(axis=0)
    best = int(np.argmax(areas))
    return (tried[best], float(areas[best])) if areas[best] > 0.0 else None


def _in_claws(gauge: Gauge, points: Floats) -> np.ndarray:
    """(n,) bool: which points (n, 3) lie in a claw, all looked at together."""
    near = {}
    for name in gauge.claw_names:
        low, high = bounds(gauge.parts[name])
        near[name] = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    index = np.concatenate(list(near.values()))
    starts, ways, counts = gauge.claw_sides({name: points[some, 2] for name, some in near.items()})
    each = np.arange(len(index))
    found = np.zeros(len(points), bool)
    found[index[are_inside_sides(starts, ways, np.repeat(each, counts), points[index, :2], each)]] = True
    return found


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


def _upright_sections_mm2(surface: Surface, places: Floats, axis: Floats, turns_deg: Sequence[float]) -> Floats:
    """For each turn and place (t, n), of places (n, 3), the area of the section through the upright axis on the side of the
    place, turned away from it, of the piece nearest to as far out and as high as the place."""
    way = places[:, :2] - axis[:2]
    out = np.linalg.norm(way, axis=1)
    turns = np.where(out > SAME_POINT_MM, np.arctan2(way[:, 1], way[:, 0]), 0.0) + np.radians(turns_deg)[:, None]
    loops = upright_loops(surface.vertices, surface.triangles, axis[:2], turns.ravel())
    of, first = loops.of, loops.first
    section, count = loops.section[first], len(first)
    targets = np.tile(np.column_stack([out, places[:, 2]]), (len(turns), 1))[section]
    (x, y), (way_x, way_y) = loops.starts.T, loops.ways.T
    areas = np.bincount(of, x * way_y - y * way_x, count) / 2.0
    is_held = are_inside_sides(loops.starts, loops.ways, of, targets, np.arange(count))
    away = np.full(count, np.inf)
    np.minimum.at(away, of, to_sides(targets[of], loops.starts, loops.ways)[0])
    # Of each section the loop that holds the place; of several, or where none does, the nearest.
    order = np.lexsort([away, ~is_held, section])
    met, nth = np.unique(section[order], return_index=True)
    outer = np.full(turns.size, -1)
    outer[met] = order[nth]
    found = np.zeros(turns.size)
    found[met] = areas[outer[met]]
    holes = np.flatnonzero(areas < 0.0)
    holes = holes[are_inside_sides(loops.starts, loops.ways, of, loops.starts[first[holes]], outer[section[holes]])]
    np.add.at(found, section[holes], areas[holes])
    return found.reshape(turns.shape)
