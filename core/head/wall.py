"""The tapered under-bezel: a wall of even thickness that leaves the girdle and runs down and inwards."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats, PolyMesh
from .site import Site
from .sweep import closed_band

LONGEST_QUAD = 2.0
"""How many times as tall as wide a quad may be: even enough to sculpt on, few enough to fuse while a slider moves."""


def raise_wall(site: Site, even: bool) -> dict[str, PolyMesh]:
    """The wall with its bevel as one closed shell of quads, "wall".

    At height z the outer face is the outline moved inwards by (girdle_plane - z)·tan taper (design, common
    practice, no source); the inner face is parallel.
    even: with rows that keep the quads near square. Without them a round wall is the same surface in fewer quads;
    any other outline keeps its rows, because its parallels don't lie on straight lines between base and top.
    """
    plan, outline = site.plan, site.outline
    girdle, top = plan["girdle_plane"], plan["wall_top"]
    slope = math.tan(math.radians(plan["taper"]))
    lean = math.cos(math.radians(plan["taper"]))
    through, bevel = plan["wall_thickness"] / lean, plan["bevel"]
    counts = outline.counts(site.chord_mm, multiple=4)
    rows: list[Floats] = []

    def row(z: float, inwards: float) -> None:
        loop = outline.loop((girdle - z) * slope + inwards, counts)
        rows.append(np.column_stack([loop, np.full(len(loop), z)]))

    keeps_rows = even or not outline.is_one_piece
    pitch = LONGEST_QUAD * outline.perimeter_mm / sum(counts) if keeps_rows else math.inf
    inner_top = top - bevel * lean
    for z in np.linspace(0.0, top, max(2, round(top / lean / pitch) + 1)):
        row(z, 0.0)
    if bevel > 0.0:
        row(top, through - bevel)
    for z in np.linspace(inner_top, 0.0, max(2, round(inner_top / lean / pitch) + 1)):
        row(z, through)
    return {"wall": closed_band(rows, "wall")}
