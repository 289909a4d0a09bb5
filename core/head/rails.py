"""The rails of a basket: round bars along the outline that tie the claws at the base and under the girdle."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import PolyMesh
from .site import Site
from .sweep import circle_count, honest_radius_mm, parallel_band


def run_rails(site: Site, even: bool) -> dict[str, PolyMesh]:
    """"base rail" and "upper rail" as closed shells of quads; they are the same in few quads and in even ones."""
    plan = site.plan
    slope = math.tan(math.radians(plan["taper"]))

    def inset(height_mm: float, shift_mm: float) -> float:
        return (plan["girdle_plane"] - height_mm) * slope - shift_mm

    base, upper = plan["base_rail_height"], plan["upper_rail_height"]
    return {"base rail": run_rail(site, base, inset(base, plan["base_rail_shift"]), "base rail"),
            "upper rail": run_rail(site, upper, inset(upper, plan["upper_rail_shift"]), "upper rail")}


def run_rail(site: Site, height_mm: float, inset_mm: float, part: str) -> PolyMesh:
    """A round bar whose middle follows the outline's parallel at a height; its section has the circle's area.

    A flat of the section lies below, so that a rail half its thickness above the base plane is flush with it.
    """
    radius = site.plan["rail_thickness"] / 2.0
    count = circle_count(radius, site.chord_mm)
    turn = (np.arange(count) + 0.5) * (2.0 * math.pi / count)
    corner = honest_radius_mm(radius, count)
    low = corner * math.cos(math.pi / count)
    heights = height_mm - radius + low + corner * np.sin(turn)
    return parallel_band(site.outline, inset_mm - corner * np.cos(turn), heights,
                         site.outline.counts(site.chord_mm, multiple=4), part)
