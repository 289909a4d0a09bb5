"""A tapered claw head as an exact B-rep by build123d, built from a plan's dimensions and nothing else of the core.

What the core's solids are held against in the tests, and what the bench times them against.
"""

from __future__ import annotations

import math
import warnings
from typing import Protocol

with warnings.catch_warnings():  # what its own dependencies deprecate is not ours to mend
    warnings.simplefilter("ignore")
    import build123d as exact


class Plan(Protocol):
    """Dimensions by name, as core.head.make_plan gives them; mm and deg."""

    def __getitem__(self, name: str, /) -> float: ...


BELOW_MM = 2.0
"""How far the rods start below the base before they are cut flush with it: more than any slanted end reaches."""


def exact_head(plan: Plan) -> exact.Shape:
    """One solid, mm: the cone wall with its bevel, turned, and tilted cylinders cut flush with the base plane."""
    wall = exact_wall(plan)
    claws = [exact_claw(plan, turn) for turn in range(round(plan["claw_count"]))]
    return wall.fuse(*claws)


def exact_wall(plan: Plan) -> exact.Shape:
    taper = math.radians(plan["taper"])
    top, bevel = plan["wall_top"], plan["bevel"]
    outer_base, outer_top = plan["outer_radius_base"], plan["outer_radius_top"]
    inner_base = plan["inner_radius_base"]
    inner_top = inner_base + outer_top - outer_base
    edge = [(inner_top + bevel, top), (inner_top - bevel * math.sin(taper), top - bevel * math.cos(taper))]
    profile = [(outer_base, 0.0), (outer_top, top), *(edge if bevel > 0.0 else [(inner_top, top)]), (inner_base, 0.0)]
    face = exact.make_face(exact.Plane.XZ * exact.Polyline(*profile, close=True))
    return exact.revolve(face, axis=exact.Axis.Z)


def exact_claw(plan: Plan, turn: int) -> exact.Shape:
    taper = math.radians(plan["taper"])
    azimuth = math.radians(plan["claw_start_angle"] + 360.0 * turn / plan["claw_count"])
    outwards = exact.Vector(math.cos(azimuth), math.sin(azimuth), 0.0)
    up = exact.Vector(0.0, 0.0, 1.0)
    axis = outwards * math.sin(taper) + up * math.cos(taper)
    at_girdle = outwards * (plan["stone_width"] / 2.0 + plan["claw_shift"]) + up * plan["girdle_plane"]
    foot = at_girdle - axis * (plan["girdle_plane"] / math.cos(taper))
    length = plan["wall_top"] / math.cos(taper) + plan["claw_spare"]
    low = exact.Plane(origin=foot - axis * BELOW_MM, z_dir=axis)
    rod = exact.Solid.make_cylinder(plan["claw_diameter"] / 2.0, BELOW_MM + length, low)
    reach = 4.0 * (plan["stone_width"] + length + BELOW_MM)
    under = exact.Solid.make_box(reach, reach, reach, exact.Plane(origin=(-reach / 2.0, -reach / 2.0, -reach)))
    return rod.cut(under)
