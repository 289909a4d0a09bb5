"""The setter's work on a claw: trimmed, bent over the crown and finished.

The finished claw is the bar up to the girdle and, above it, the hull of the bar's end and of the beads that lie on the
crown; the seat is cut afterwards with the stone itself, so the metal touches it and nowhere enters it.
"""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, cut, fuse, hull_triangles, solid_of, solid_of_triangles
from ..tolerance import OVERLAP_MM
from .claws import ClawLine, base_ring, in_space, raise_claw, section_of, share_at
from .draft import Plan
from .site import Site
from .tips import Bead, crown_line, find_tip, finish

DOME_ROWS = 4
"""Rows over a quarter turn of the dome that rounds off a bar's end. Fewer: the shoulder shows steps."""

V_TIP_SHARE = 0.5
"""Radius of a V claw's folded end as a share of its thickness. Common practice, no source."""

V_SHOULDER, V_NARROWED = 0.35, 0.8
"""How high on the crown a V's legs are filed down, as a share of the crown's height, and how much narrower they are there.
Common practice, no source."""


def set_claws(site: Site) -> dict[str, Solid]:
    """Every claw as the setter leaves it, by name, before the stone's seat is cut out of it.

    Raises GeometryError if a claw cannot reach over the crown.
    """
    return {f"claw {i}": set_claw(site, line, f"claw {i}") for i, line in enumerate(site.lines, 1)}


def set_claw(site: Site, line: ClawLine, part: str) -> Solid:
    """One claw as the setter leaves it, before the stone's seat is cut out of it."""
    if section_of(site.spec, site.plan, line.place) == "V":
        return _set_v(site, line, part)
    plan, chord = site.plan, site.chord_mm
    ring = base_ring(site.spec, plan, line, chord)
    share = share_at(plan, line.girdle_mm)
    thickness, width = share * np.ptp(ring, axis=0)
    tip = site.spec.get("claws.tip") or ("tab" if site.spec.get("claws.section") == "tab" else "round")
    beads = finish("round" if tip == "V" else tip, plan, crown_line(plan, site.stone, line), line, float(thickness),
                   float(width), part)
    radius = float(thickness) / 2.0
    # The shoulder is round and never stands higher than the tip, however thick the claw.
    shoulder_z = min(plan["girdle_plane"] + plan["girdle"] / 2.0, plan["tip_height"] - radius)
    shoulder = shoulder_z / line.axis[2]
    offsets = share_at(plan, shoulder) * in_space(line, ring)
    points = np.concatenate([line.at(shoulder - OVERLAP_MM) + offsets,
                             line.at(shoulder) + _dome(line, offsets, radius),
                             *(bead.points(line, chord) for bead in beads)])
    bent = solid_of_triangles(*hull_triangles(points), part)
    bar = solid_of(raise_claw(plan, line, ring, shoulder, part, even=False), part)
    return fuse([bar, bent], part)


def _dome(line: ClawLine, offsets: Floats, radius_mm: float) -> Floats:
    """(n, 3) points of the dome that rounds off a bar of this section (n, 3), its facets in line with the bar's."""
    tilts = np.arange(DOME_ROWS + 1) * (0.5 * math.pi / DOME_ROWS)
    return np.concatenate([math.cos(tilt) * offsets + math.sin(tilt) * radius_mm * line.axis for tilt in tilts])


# V claws.


def _set_v(site: Site, line: ClawLine, part: str) -> Solid:
    """A V claw folded over the facets on both sides of its corner, with room cut round the stone's point."""
    plan, stone, chord = site.plan, site.stone, site.chord_mm
    ring = base_ring(site.spec, plan, line, chord)
    girdle, crown_edge = plan["girdle_plane"], plan["girdle_plane"] + plan["girdle"]
    crown = crown_line(plan, stone, line)
    top = plan["v_tip_height"]
    radius = min(V_TIP_SHARE * share_at(plan, line.girdle_mm) * plan["claw_diameter"], 0.6 * (top - girdle))
    centre, _ = find_tip(crown, top, radius, plan["v_contact"], part)
    bend, edge = (girdle + 0.25 * plan["girdle"]) / line.axis[2], crown_edge / line.axis[2]
    offsets = in_space(line, ring)
    low = crown_edge + V_SHOULDER * (plan["table_height"] - crown_edge)
    points = np.concatenate([
        line.at(bend) + share_at(plan, bend) * offsets, line.at(edge) + share_at(plan, edge) * offsets,
        line.at(low / line.axis[2]) + V_NARROWED * share_at(plan, edge) * offsets, Bead(centre, radius).points(line, chord)])
    hood = solid_of_triangles(*hull_triangles(points), part)
    bar = solid_of(raise_claw(plan, line, ring, (bend + edge) / 2.0, part, even=False), part)
    return cut(fuse([bar, hood], part), [_relief(plan, line, chord)], part)


def _relief(plan: Plan, line: ClawLine, chord_mm: float) -> Solid:
    """The room round the stone's point: a rod with round ends along the girdle's edge there, nowhere narrower than
    planned."""
    low = np.array([*line.place.point, plan["girdle_plane"]])
    ball = Bead(np.zeros(3), plan["claw_relief"]).points(line, chord_mm)
    count = max(12, len(np.unique(np.round(ball[:, 2], 9))))
    ball *= 1.0 / math.cos(math.pi / count) ** 2
    return solid_of_triangles(*hull_triangles(np.concatenate([low + ball, low + ball + [0.0, 0.0, plan["girdle"]]])),
                              "relief")

