"""The rails of a basket: round bars along the outline that tie the claws at the base and under the girdle."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import PolyMesh
from .site import Site
from .sweep import circle_count, honest_radius_mm, parallel_band


def run_rails(site: Site, even: bool) -> dict[str, PolyMesh]:
    """"base rail" and "upper rail" as closed shells of quads; even: with as many along each as keep them near square."""
    plan = site.plan
    slope = math.tan(math.radians(plan["taper"]))

    def inset(height_mm: float, shift_mm: float) -> float:
        return (plan["girdle_plane"] - height_mm) * slope - shift_mm

    base, upper = plan["base_rail_height"], plan["upper_rail_height"]
    return {"base rail": run_rail(site, base, inset(base, plan["base_rail_shift"]), "base rail", even),
            "upper rail": run_rail(site, upper, inset(upper, plan["upper_rail_shift"]), "upper rail", even)}


def run_rail(site: Site, height_mm: float, inset_mm: float, part: str, even: bool) -> PolyMesh:
    """A round bar whose middle follows the outline's parallel at a height; its section has the circle's area.

    A flat of the section lies below, so that a rail half its thickness above the base plane is flush with it.
    """
    radius = site.plan["rail_thickness"] / 2.0
    count = circle_count(radius, site.chord_mm)
    step = 2.0 * math.pi / count
    turn = (np.arange(count) + 0.5) * step - 0.5 * math.pi
    corner = honest_radius_mm(radius, count)
    heights = height_mm - radius + corner * (math.cos(0.5 * step) + np.sin(turn))
    insets = inset_mm - corner * np.cos(turn)
    outline = site.outline
    counts = outline.counts(site.chord_mm, multiple=4) if even else outline.counts_at(insets, site.chord_mm)
    return parallel_band(outline, insets, heights, counts, part)
