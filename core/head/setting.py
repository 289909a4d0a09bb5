"""The setter's work on a claw: trimmed, bent over the crown and finished.

The finished claw is the bar up to the girdle and, above it, the hull of the bar's end and of the beads that lie on the
crown; the seat is cut afterwards with the stone itself, so the metal touches it and nowhere enters it.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats
from ..solid.kernel import (
    Solid,
    cut,
    fuse,
    hull_triangles,
    moved,
    solid_of,
    solid_of_triangles,
    tidied,
    transformed,
    volume_mm3,
)
from ..spec import Spec
from ..symmetry import ALIKE_MM, Symmetry
from ..tolerance import SAME_POINT_MM, SLIVER_MM
from .claw_sections import RELIEF_TURN_DEG
from .claws import ClawLine, base_ring, in_space, level, raise_claw, section_of, share_at
from .draft import Plan
from .seat import seat_stone
from .site import Site
from .sweep import circle_count
from .tips import Aim, Bead, CrownLine, crown_line, find_tip, finish, sphere

MIRROR = np.diag([1.0, -1.0, 1.0, 1.0])
"""From a claw's upright frame to the same seen in a mirror along its middle."""

TWIST = 0.37
"""By which share of a facet each bead is turned against the one before. 0: the hull folds on flat quads between
them."""

ROOT, PROUD = 0.9, 1.0003
"""Where the bent end starts inside the bar, as a share of its section, and by how much it stands proud at the
shoulder: so that their faces cross and nowhere lie in each other, on which the union folds."""

ROOT_SHARE, ROOT_DEPTH = 0.2, 0.8
"""How far below the shoulder it starts: the larger of a share of half the bar's thickness and of the height over the
girdle plane, so that no metal comes under a flat base. Common practice, no source."""

DOME_ROWS = 4
"""Rows over a quarter turn of the dome that rounds off a bar's end. Fewer: the shoulder shows steps."""

V_TIP_SHARE = 0.5
"""Radius of a V claw's folded end as a share of its thickness. Common practice, no source."""

V_TIP_MOST = 0.6
"""The same at most, as a share of the end's height over the girdle plane: a larger bead would reach under the stone."""

V_BEND = 0.25
"""Where on the girdle's height a V's fold starts: above its lower edge, so that no metal fills the V under the
stone."""

V_SHOULDER, V_NARROWED = 0.35, 0.8
"""How high on the crown a V's legs are filed down, as a share of the crown's height, and how much narrower they are
there. Common practice, no source."""


REACH_STEPS = 9
"""Halvings of the reach of a claw that is too short to come as far as planned. Fewer: its metal is left over by more
than half a per cent."""


@dataclass(frozen=True, eq=False)
class _Made:
    """A claw that was made: its frame (4, 4), how it stands in it, the crown beside it, and its solid without and with
    the seat."""

    frame: Floats
    stand: Floats
    crown: CrownLine
    unseated: Solid
    seated: Solid


def set_claws(site: Site, cutter: Solid) -> dict[str, Solid]:
    """Every claw as the setter leaves it, by name, with the stone, `cutter`, cut out of it. Those that are alike but for
    their places are made once; where the stone too is alike there, they are seated once.

    Raises GeometryError if a claw has the metal to reach over the crown and still cannot.
    """
    solids: dict[str, Solid] = {}
    known: list[_Made] = []
    symmetry = Symmetry(site.stone.mesh.vertices)
    for i, line in enumerate(site.lines, 1):
        part = f"claw {i}"
        frame, stand = _frame_of(line), _stand_of(line)
        alike = [each for each in known if _are_alike(each.stand, stand)]
        turned = ((each, way) for each in alike for way in _ways_between(each.frame, frame) if symmetry.holds(way))
        first = next(turned, None)
        if first is not None:
            solids[part] = transformed(first[0].seated, first[1])
            continue
        crown = crown_line(site.plan, site.stone, line)
        if section_of(site.spec, site.plan, line.place) == "V":
            unseated = _set_v(site, line, crown, part)
        else:
            like = next((each for each in alike if _have_alike_crowns(each.crown, crown)), None)
            unseated = (set_claw(site, line, crown, part) if like is None
                        else transformed(like.unseated, _ways_between(like.frame, frame)[0]))
        solids[part] = seat_stone(_relieved(unseated, site, line, part), cutter, part)
        known.append(_Made(frame, stand, crown, unseated, solids[part]))
    return solids


def _are_alike(first: Floats, second: Floats) -> bool:
    return first.shape == second.shape and float(np.abs(first - second).max()) < ALIKE_MM


def _have_alike_crowns(first: CrownLine, second: CrownLine) -> bool:
    return _are_alike(first.ways_mm, second.ways_mm) and _are_alike(first.heights_mm, second.heights_mm)


def _frame_of(line: ClawLine) -> Floats:
    """(4, 4) from a claw's upright frame to the head's: outwards, along and up from its foot."""
    out_x, out_y = line.place.normal
    return np.array([[out_x, -out_y, 0.0, line.foot[0]], [out_y, out_x, 0.0, line.foot[1]],
                     [0.0, 0.0, 1.0, line.foot[2]], [0.0, 0.0, 0.0, 1.0]])


def _ways_between(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """(3, 4) each: what moves that which stands in one frame to where it stands in another, turned and as in a mirror."""
    home = np.linalg.inv(first)
    return (second @ home)[:3], (second @ MIRROR @ home)[:3]


def _stand_of(line: ClawLine) -> Floats:
    """How a claw stands in its upright frame: with the crown beside it, all that tells one claw of a head from another."""
    upright = _frame_of(line)[:3, :3]
    ways = np.array([line.axis, line.outwards, line.along, [*line.place.point, 0.0] - line.foot]) @ upright
    return np.concatenate([ways.ravel(), [line.girdle_mm, line.bow_mm, line.turn_deg]])


def tip_of(spec: Spec) -> str:
    """How claws that are no V claws are finished: as chosen, or as suits their section."""
    chosen: str | None = spec.get("claws.tip")
    return chosen or ("tab" if spec.get("claws.section") == "tab" else "round")


def set_claw(site: Site, line: ClawLine, crown: CrownLine, part: str) -> Solid:
    """One claw that is no V claw as the setter leaves it, before anything is cut out of it."""
    plan = site.plan
    relieved = _relieved_mm(site, line) / crown.slope_mm

    def bent(reach: float) -> Solid:
        aim = Aim(_top_at(plan, plan["tip_height"], reach), reach * (plan["contact"] + relieved), plan["girdle_plane"])
        return _bent(site, line, crown, aim, part)

    return _of_its_metal(site, line, part, bent)


def _relieved_mm(site: Site, line: ClawLine) -> float:
    """How far in from the girdle, in the claw's middle, room is cut round points of the stone, where it lies on nothing."""
    place, reach = line.place, 0.0
    for off in (point - place.point for point in _points_in(site, line)):
        aside, room = float(off[0] * place.normal[1] - off[1] * place.normal[0]), site.plan["claw_relief"]
        if abs(aside) < room:
            reach = max(reach, math.sqrt(room * room - aside * aside) - float(off @ place.normal))
    return reach


def _points_in(site: Site, line: ClawLine) -> list[Floats]:
    """The stone's points, (2,) each, round which room is cut in a claw: those that lie in it, and of a V claw its own."""
    if "claw_relief" not in site.plan:
        return []
    reach = 0.0
    if section_of(site.spec, site.plan, line.place) != "V":
        ring = base_ring(site.spec, site.plan, line, site.chord_mm)
        reach = float(np.hypot(*(0.5 * share_at(site.plan, line.girdle_mm) * np.ptp(ring, axis=0))))
    return [corner.point for corner in site.outline.corners if corner.turn_deg >= RELIEF_TURN_DEG
            and math.dist(corner.point, line.place.point) <= reach + SAME_POINT_MM]


def _top_at(plan: Plan, top_mm: float, reach: float) -> float:
    """Height of a tip that comes only so far of its planned way over the girdle's upper edge."""
    edge = plan["girdle_plane"] + plan["girdle"]
    return edge + reach * (top_mm - edge)


def _of_its_metal(site: Site, line: ClawLine, part: str, bent: Callable[[float], Solid]) -> Solid:
    """The claw `bent(reach)` as far as its metal comes: bending and trimming add none. reach 1 is as planned; a claw too
    short to be bent over the crown at all stays as it was cast.

    Raises GeometryError if the claw has the metal and cannot come as far as planned.
    """
    plan = site.plan
    ring = base_ring(site.spec, plan, line, site.chord_mm)
    shell = raise_claw(plan, line, ring, plan["claw_length"], part, even=False)
    try:
        planned = bent(1.0)
    except GeometryError:
        if plan["trim_length"] > 0.0:
            raise
        return solid_of(shell, part)
    # Both are the same bar below; where the whole is no more, what is bent is no more.
    if volume_mm3(planned) <= shell.volume_mm3():
        return planned
    cast = solid_of(shell, part)
    girdle = plan["girdle_plane"]
    there = _above_mm3(cast, girdle)
    stone = moved(solid_of(site.stone.mesh, "stone"), [0.0, 0.0, girdle])

    def is_enough(made: Solid) -> bool:
        left = cut(made, [stone], part)
        return _above_mm3(left, girdle) <= there and volume_mm3(left) <= volume_mm3(cast)

    if is_enough(planned):
        return planned
    low, high, best = 0.0, 1.0, cast
    for _ in range(REACH_STEPS):
        reach = 0.5 * (low + high)
        try:
            made = bent(reach)
        except GeometryError:
            # So low a tip does not touch the crown.
            low = reach
            continue
        if is_enough(made):
            low, best = reach, made
        else:
            high = reach
    return best


def _above_mm3(solid: Solid, height_mm: float) -> float:
    return volume_mm3(solid.trim_by_plane((0.0, 0.0, 1.0), height_mm))


def _bent(site: Site, line: ClawLine, crown: CrownLine, aim: Aim, part: str) -> Solid:
    """A claw that is no V claw, bent over the crown to where its tip is aimed."""
    plan, chord = site.plan, site.chord_mm
    ring = base_ring(site.spec, plan, line, chord)
    share = share_at(plan, line.girdle_mm)
    thickness, width = share * np.ptp(ring, axis=0)
    tip = tip_of(site.spec)
    beads = finish("round" if tip == "V" else tip, aim, crown, line, float(thickness), float(width), part)
    radius = float(thickness) / 2.0
    # The shoulder is round and never stands higher than the tip, however thick the claw.
    shoulder_z = min(plan["girdle_plane"] + plan["girdle"] / 2.0, aim.top_mm - radius)
    shoulder = shoulder_z / line.axis[2]
    offsets = share_at(plan, shoulder) * in_space(line, ring)
    root = shoulder - max(ROOT_SHARE * radius, (shoulder_z - plan["girdle_plane"]) * ROOT_DEPTH)
    points = np.concatenate([line.at(root) + ROOT * offsets, line.at(shoulder) + _dome(line, PROUD * offsets, radius),
                             *(bead.points(line, chord, TWIST * i) for i, bead in enumerate(beads))])
    bent = solid_of_triangles(*hull_triangles(points), part)
    bar = solid_of(raise_claw(plan, line, ring, shoulder, part, even=False), part)
    # Where the bent end leaves the bar, slivers are left over.
    return tidied(fuse([bar, bent], part), SLIVER_MM, part)


def _dome(line: ClawLine, offsets: Floats, radius_mm: float) -> Floats:
    """(n, 3) points of the dome that rounds off a bar of this section (n, 3), its facets in line with the bar's."""
    tilts = np.arange(DOME_ROWS + 1) * (0.5 * math.pi / DOME_ROWS)
    return np.concatenate([math.cos(tilt) * offsets + math.sin(tilt) * radius_mm * line.axis for tilt in tilts])


# V claws.


def _set_v(site: Site, line: ClawLine, crown: CrownLine, part: str) -> Solid:
    """A V claw folded over the facets on both sides of its corner."""
    return _of_its_metal(site, line, part, lambda reach: _folded(site, line, crown, reach, part))


def _folded(site: Site, line: ClawLine, crown: CrownLine, reach: float, part: str) -> Solid:
    """A V claw folded over its corner, so far of its planned way."""
    plan, chord = site.plan, site.chord_mm
    ring = base_ring(site.spec, plan, line, chord)
    girdle, crown_edge = plan["girdle_plane"], plan["girdle_plane"] + plan["girdle"]
    top = _top_at(plan, plan["v_tip_height"], reach)
    radius = min(V_TIP_SHARE * share_at(plan, line.girdle_mm) * plan["claw_diameter"], V_TIP_MOST * (top - girdle))
    centre, _ = find_tip(crown, top, radius, reach * plan["v_contact"], part)
    bend, edge = (girdle + V_BEND * plan["girdle"]) / line.axis[2], crown_edge / line.axis[2]
    offsets = level(line, in_space(line, ring))
    low = crown_edge + reach * V_SHOULDER * (plan["table_height"] - crown_edge)
    points = np.concatenate([
        line.at(bend) + ROOT * share_at(plan, bend) * offsets, line.at(edge) + PROUD * share_at(plan, edge) * offsets,
        line.at(low / line.axis[2]) + V_NARROWED * share_at(plan, edge) * offsets,
        Bead(centre, radius).points(line, chord)])
    hood = solid_of_triangles(*hull_triangles(points), part)
    bar = solid_of(raise_claw(plan, line, ring, edge, part, even=False, is_level=True), part)
    return tidied(fuse([bar, hood], part), SLIVER_MM, part)


def _relieved(claw: Solid, site: Site, line: ClawLine, part: str) -> Solid:
    """The claw with room cut round each point of the stone that lies in it."""
    points = _points_in(site, line)
    return cut(claw, [_relief(site.plan, point, site.chord_mm) for point in points], part) if points else claw


def _relief(plan: Plan, point: Floats, chord_mm: float) -> Solid:
    """The room round a stone's point (2,): a rod with round ends along the girdle's edge there, nowhere narrower than
    planned."""
    low = np.array([*point, plan["girdle_plane"]])
    ball = sphere(plan["claw_relief"], chord_mm)
    # Its facets, in both directions, lie inside the sphere; moved out, they touch it.
    ball /= math.cos(math.pi / circle_count(plan["claw_relief"], chord_mm)) ** 2
    return solid_of_triangles(*hull_triangles(np.concatenate([low + ball, low + ball + [0.0, 0.0, plan["girdle"]]])),
                              "relief")
