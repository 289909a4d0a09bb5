"""What of a head's claws stands beside other things, seen from above: level sections, and how far off."""
from __future__ import annotations

import numpy as np

from ...mesh import Floats
from ...spec import Spec
from ..claws import ClawLine, base_ring, in_space, level, share_at
from ..draft import Plan


def claw_rings(spec: Spec, plan: Plan, line: ClawLine, heights: Floats, chord_mm: float) -> Floats:
    """(h, k, 2) a claw as cast where level planes cut it: its own section, slid along its middle line."""
    ring = level(line, in_space(line, base_ring(spec, plan, line, chord_mm)))[:, :2]
    lengths = [(float(z) - float(line.foot[2])) / float(line.axis[2]) for z in heights]
    return np.array([line.at(length)[:2] + share_at(plan, length) * ring for length in lengths])


def outside_mm(points: Floats, loop: Floats) -> Floats:
    """(m,) from a closed loop (n, 2) out to points (m, 2), mm; negative inside."""
    ways = np.roll(loop, -1, axis=0) - loop
    lengths = np.maximum(np.einsum("ij,ij->i", ways, ways), 1e-300)
    from_start = points[:, None] - loop
    share = np.clip(np.einsum("ijk,jk->ij", from_start, ways) / lengths, 0.0, 1.0)
    distance = np.linalg.norm(from_start - share[..., None] * ways, axis=2).min(axis=1)
    # A point is inside if a way from it along X leaves through an odd number of sides.
    rises = (loop[:, 1] > points[:, 1:]) != ((loop + ways)[:, 1] > points[:, 1:])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = loop[:, 0] + (points[:, 1:] - loop[:, 1]) / ways[:, 1] * ways[:, 0]
    is_inside = (rises & (at > points[:, :1])).sum(axis=1) % 2 == 1
    outside: Floats = np.where(is_inside, -distance, distance)
    return outside
