"""The tapered under-bezel: a wall of even thickness that leaves the girdle and runs down and inwards."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats, PolyMesh
from .site import Site
from .sweep import parallel_band

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
    keeps_rows = even or not outline.is_one_piece
    pitch = LONGEST_QUAD * outline.perimeter_mm / sum(counts) if keeps_rows else math.inf
    inner_top = top - bevel * lean
    profile = [(z, 0.0) for z in _even(0.0, top, pitch * lean)]
    if bevel > 0.0:
        profile.append((top, through - bevel))
    profile += [(z, through) for z in _even(inner_top, 0.0, pitch * lean)]
    heights, inwards = np.array(profile).T
    return {"wall": parallel_band(outline, (girdle - heights) * slope + inwards, heights, counts, "wall")}


def _even(start: float, end: float, pitch_mm: float) -> Floats:
    """Heights from start to end about a pitch apart."""
    return np.linspace(start, end, max(2, round(abs(end - start) / pitch_mm) + 1))
