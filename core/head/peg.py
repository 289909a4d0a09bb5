"""The peg: the small solid base that claws spring from."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import PolyMesh
from .site import Site
from .sweep import circle_count, honest_radius_mm, rod

OFF_CLAWS = 0.382
"""How far, in steps, the peg's corners are turned off the axes, so that none falls on the plane side of a claw: the
kernel keeps two points there, and a reader that welds points takes the joint for broken."""


def raise_peg(site: Site, even: bool) -> dict[str, PolyMesh]:
    """"peg" as a closed shell of quads: flush with the base plane, wider at its flat top. Its sections have the circle's
    area. even: with rows between that keep the quads near square."""
    plan = site.plan
    radius, height = plan["peg_diameter"] / 2.0, plan["peg_height"]
    top = radius + height * math.tan(math.radians(plan["peg_flare"]))
    count = circle_count(top, site.chord_mm)
    turn = (np.arange(count) + OFF_CLAWS) * (2.0 * math.pi / count)
    circle = np.column_stack([np.cos(turn), np.sin(turn)]) * honest_radius_mm(1.0, count)
    rows = max(2, round(height * count / (2.0 * math.pi * top)) + 1) if even else 2
    return {"peg": rod([np.column_stack([circle * (radius + (top - radius) * share), np.full(count, height * share)])
                        for share in np.linspace(0.0, 1.0, rows)], "peg")}
