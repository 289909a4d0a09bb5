"""The least step that meets linear limits: the shortest u with A u >= b, by dual coordinate ascent (C. Hildreth, A
quadratic programming procedure, 1957)."""
from __future__ import annotations

import numpy as np

from ..mesh import Floats

SWEEPS = 300
"""How often every limit is gone through at most. Fewer: corners where many limits meet are missed."""

SPARSER, LEFT = 3, 0.03
"""How often a step is taken again with what moved little made dearer, and how cheap it stays; more leaves single moves.
After E. Candes, M. Wakin and S. Boyd, Enhancing sparsity by reweighted l1 minimization, 2008."""

CLOSE = 1e-6
"""A sweep that moves u by less is the last."""


def sparse_step(rows: Floats, least: Floats, low: Floats, high: Floats) -> Floats:
    """As `least_step`, but in as few of the n moves as will do, and so not the shortest."""
    step = least_step(rows, least, low, high)
    for _ in range(SPARSER):
        most = float(np.abs(step).max())
        if most < CLOSE:
            break
        ease = np.abs(step) / most + LEFT
        step = ease * least_step(rows * ease, least, low / ease, high / ease)
    step[np.abs(step) < LEFT] = 0.0
    return step


def least_step(rows: Floats, least: Floats, low: Floats, high: Floats) -> Floats:
    """(n,) u between low and high (n,) with rows (k, n) @ u >= least (k,), as short as can be.

    Where no u meets all limits, it is one that comes near to them.
    """
    count = rows.shape[1]
    box = np.eye(count)
    a = np.concatenate([rows, box, -box])
    b = np.concatenate([least, low, -high])
    lengths = np.linalg.norm(a, axis=1)
    kept = lengths > 1e-9
    a, b = a[kept] / lengths[kept, None], b[kept] / lengths[kept]
    step, pushes = np.zeros(count), np.zeros(len(b))
    for _ in range(SWEEPS):
        moved = 0.0
        for i in range(len(b)):
            push = max(-pushes[i], float(b[i] - a[i] @ step))
            if push != 0.0:
                pushes[i] += push
                step += push * a[i]
                moved = max(moved, abs(push))
        if moved < CLOSE:
            break
    return np.clip(step, low, high)
