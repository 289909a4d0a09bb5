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


class Frustum(Protocol):
    """A body between two parallels of an outline: their heights and insets, mm."""

    def __call__(self, low_mm: float, low_inset_mm: float, high_mm: float, high_inset_mm: float, /) -> exact.Shape: ...


HAIR_MM = 0.02
"""How far a hollow is cut past the base, so that no face of it lies in the base plane."""

LOFTED = 8
"""Steps of a loft. Fewer: it bulges between its rings."""

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


def exact_outline_wall(plan: Plan, frustum: Frustum) -> exact.Shape:
    """The wall of a stone that is not round: what `frustum` makes of its outer face, its hollow and its bevel."""
    taper = math.radians(plan["taper"])
    girdle, top, bevel = plan["girdle_plane"], plan["wall_top"], plan["bevel"]
    through, inner_top = plan["wall_thickness"] / math.cos(taper), top - bevel * math.cos(taper)

    def face(height_mm: float, inwards_mm: float) -> tuple[float, float]:
        return height_mm, (girdle - height_mm) * math.tan(taper) + inwards_mm

    wall = frustum(*face(0.0, 0.0), *face(top, 0.0)).cut(frustum(*face(-HAIR_MM, through), *face(inner_top, through)))
    return wall.cut(frustum(*face(inner_top, through), *face(top, through - bevel)))


def oval_frustum(length_mm: float, width_mm: float) -> Frustum:
    """Lofted through the parallels of an ellipse, which the kernel finds; a single one is no conic."""
    ellipse = exact.Wire([exact.Edge.make_ellipse(length_mm / 2.0, width_mm / 2.0)])

    def frustum(low_mm: float, low_inset_mm: float, high_mm: float, high_inset_mm: float) -> exact.Shape:
        rings = []
        for k in range(LOFTED + 1):
            share = k / LOFTED
            inset = low_inset_mm + share * (high_inset_mm - low_inset_mm)
            ring = ellipse.offset_2d(-inset) if inset else ellipse
            rings.append(ring.moved(exact.Location((0.0, 0.0, low_mm + share * (high_mm - low_mm)))))
        return exact.Solid.make_loft(rings)

    return frustum


def marquise_frustum(length_mm: float, width_mm: float) -> Frustum:
    """What two cones have in common, whose circles pass through both points."""
    half = width_mm / 2.0
    radius = (length_mm * length_mm / 4.0 + half * half) / (2.0 * half)

    def frustum(low_mm: float, low_inset_mm: float, high_mm: float, high_inset_mm: float) -> exact.Shape:
        cones = [exact.Solid.make_cone(radius - low_inset_mm, radius - high_inset_mm, high_mm - low_mm,
                                       exact.Plane(origin=(0.0, side * (radius - half), low_mm))) for side in (1.0, -1.0)]
        (lens,) = cones[0].intersect(cones[1]).solids()
        return lens

    return frustum


def square_frustum(width_mm: float) -> Frustum:
    """Between two squares."""
    def frustum(low_mm: float, low_inset_mm: float, high_mm: float, high_inset_mm: float) -> exact.Shape:
        rings = []
        for height, inset in ((low_mm, low_inset_mm), (high_mm, high_inset_mm)):
            half = width_mm / 2.0 - inset
            corners = [(half, half, height), (-half, half, height), (-half, -half, height), (half, -half, height)]
            rings.append(exact.Wire.make_polygon(corners, close=True))
        return exact.Solid.make_loft(rings, True)

    return frustum
