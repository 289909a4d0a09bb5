"""How thick a claw is along its line: its least width in any direction, or the thickness of a V claw's legs."""
from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats, cross
from .claw_measure import ClawMeasure, faces, straight_line
from .frame import Frame
from .loops import crossings, largest, middle_of

WHOLE_SHARE = 0.98
"""A section of a claw with less of its expected area than this is looked through. Larger: whole ones are too."""

DIRECTIONS = 6
"""In how many directions a width is taken, 30° apart. Fewer: a claw filed flat across them is read too thick."""


def widths_between(frame: Frame, claw: ClawMeasure, low_mm: float, high_mm: float,
                   count: int) -> tuple[Floats, Floats]:
    """(k,) least width of a claw square to its axis, in six directions, or the least thickness of its legs, and (k, 3)
    where, at heights between two."""
    heights = np.linspace(low_mm, high_mm, count)
    places = claw.at_heights(heights)
    levels = [frame.part_at(claw.name, z) for z in heights.tolist()]
    rings = [largest(loops) if loops else None for loops in levels]
    if claw.is_v:
        return np.array([0.0 if ring is None else _thinnest_leg(claw, ring, place[:2])
                         for ring, place in zip(rings, places)]), places
    return _widths(claw, rings, heights), places


def _square_toline(claw: ClawMeasure, heights: Floats) -> Floats:
    """(k, 2, 2) what turns level ways into ways outwards and along, square to the claw's line at heights."""
    z = claw.spine[:, 2]
    steps = np.diff(claw.spine, axis=0) / np.diff(z)[:, None]
    middles = np.append((z[1:] + z[:-1]) / 2.0, z[-1])
    # Near the girdle the lean is known better than by the last step.
    outwards = np.interp(heights, middles, np.append(steps[:, :2] @ claw.outwards, claw.slope))
    across = np.array([-claw.outwards[1], claw.outwards[0]])
    along = np.interp(heights, middles[:-1], steps[:, :2] @ across)
    lines = np.column_stack([np.outer(outwards, claw.outwards) + np.outer(along, across), np.ones(len(heights))])
    lines /= np.linalg.norm(lines, axis=1, keepdims=True)
    out = np.array([*claw.outwards, 0.0]) - lines * (lines[:, :2] @ claw.outwards)[:, None]
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    turned: Floats = np.stack([out[:, :2], cross(lines, out)[:, :2]], axis=2)
    return turned


def _widths(claw: ClawMeasure, rings: list[Floats | None], heights: Floats) -> Floats:
    turn = np.arange(DIRECTIONS) * (math.pi / DIRECTIONS)
    lines = np.column_stack([np.cos(turn), np.sin(turn)])
    widths = np.zeros(len(rings))
    known = [i for i, ring in enumerate(rings) if ring is not None]
    if not known:
        return widths
    # A level section is longer along the tilt; undo that before reading the widths.
    known_rings = [ring for ring in rings if ring is not None]
    sizes = np.array([len(ring) for ring in known_rings])
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    turned = _square_toline(claw, heights)[known].repeat(sizes, axis=0)
    flat = np.einsum("ij,ijk->ik", np.concatenate(known_rings), turned)
    along = flat @ lines.T
    widths[known] = (np.maximum.reduceat(along, starts) - np.minimum.reduceat(along, starts)).min(axis=1)
    after = np.arange(1, len(flat) + 1)
    after[starts + sizes - 1] = starts
    areas = np.abs(np.add.reduceat(flat[:, 0] * flat[after, 1] - flat[:, 1] * flat[after, 0], starts)) / 2.0
    growth, start = straight_line(areas, np.arange(len(areas), dtype=np.float64)) if len(areas) > 2 else (0.0, areas.max())
    # Where metal is missing, what is left through the middle counts, not how far its ends stand apart.
    for k in np.flatnonzero(areas < WHOLE_SHARE * (start + growth * np.arange(len(areas)))):
        ring = flat[starts[k]:starts[k] + sizes[k]]
        ways = crossings([ring], np.tile(middle_of(ring), (DIRECTIONS, 1)), lines)
        ahead = np.where(ways >= 0.0, ways, np.inf).min(axis=1)
        behind = np.where(ways < 0.0, -ways, np.inf).min(axis=1)
        widths[known[k]] = min(widths[known[k]], float((ahead + behind).min()))
    return widths


def _thinnest_leg(claw: ClawMeasure, ring: Floats, middle: Floats) -> float:
    """Of a V's legs at one height, (2,) the claw's middle there, square to its line, half way along each."""
    thickness = []
    for leg in claw.legs:
        inner, outer = faces([ring], (leg.edge + middle - claw.spine[-1, :2])[None, :], leg.outwards[None, :])
        thickness.append(float(outer[0] - inner[0]) * leg.lean if math.isfinite(outer[0]) else 0.0)
    return min(thickness)
