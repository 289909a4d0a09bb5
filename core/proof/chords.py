"""Lines through level sections: where they enter and leave them, the outermost body that they pass through, and whether
places lie in them."""
from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..mesh import Floats, Ints
from .loops import is_inside

APART = 4.0
"""How far apart sections are laid, as a share of their greatest coordinate. Smaller: slanting lines meet the next."""


def spans(sections: Sequence[Sequence[Floats]], origins: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """(n, k) first and last crossing, mm, of lines through each section from its own origins (n, k, 2), all in its own unit
    way (n, 2); an empty span where a line misses."""
    corners, owner = _joined(sections)
    low, high = _crossed(corners, corners[_after([loop for each in sections for loop in each])], owner, origins, ways)
    missed = low > high
    low[missed] = high[missed] = 0.0
    return low, high


def last_crossings(loop: Floats, origins: Floats, ways: Floats) -> Floats:
    """(n, k) last crossing, mm, with one and the same loop of lines from origins (n, k, 2), those of a row all in its own
    unit way (n, 2); -inf where a line misses."""
    after = _after([loop])
    across = np.column_stack([-ways[:, 1], ways[:, 0]])
    level, off = np.einsum("ikj,ij->ik", origins, across), across @ loop.T
    ends = off[:, after]
    # Most sides lie beside all lines.
    owner, side = np.nonzero((np.maximum(off, ends) >= level.min(axis=1)[:, None])
                             & (np.minimum(off, ends) <= level.max(axis=1)[:, None]))
    return _crossed(loop[side], loop[after[side]], owner, origins, ways)[1]


def _joined(sections: Sequence[Sequence[Floats]]) -> tuple[Floats, np.ndarray]:
    """The corners (e, 2) of all loops, one after the other, and (e,) whose section's each is."""
    owner = np.repeat(np.arange(len(sections)), [sum(map(len, each)) for each in sections])
    return np.concatenate([loop for each in sections for loop in each]), owner


def _crossed(starts: Floats, stops: Floats, owner: np.ndarray, origins: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """(n, k) least and greatest way along lines, as `spans` has them, to sides from starts to stops (e, 2), each crossed only
    by the lines of its owner (e,), in whose order they come; inf and -inf where none is."""
    turns = np.stack([np.column_stack([-ways[:, 1], ways[:, 0]]), ways], axis=1)
    (level, begin), own = np.einsum("itj,ikj->tik", turns, origins), turns[owner]
    (across, ahead), (ends, after) = (np.einsum("etj,ej->te", own, each) for each in (starts, stops))
    step = ends - across
    step[step == 0.0] = 1.0
    slope, levels = ((after - ahead) / step)[:, None], level[owner]
    crossed = (across[:, None] > levels) != (ends[:, None] > levels)
    along = slope * levels + (ahead[:, None] - slope * across[:, None]) - begin[owner]
    low, high = np.full(level.shape, np.inf), np.full(level.shape, -np.inf)
    if len(owner):
        first = np.flatnonzero(np.diff(owner, prepend=-1))
        low[owner[first]] = np.minimum.reduceat(np.where(crossed, along, np.inf), first)
        high[owner[first]] = np.maximum.reduceat(np.where(crossed, along, -np.inf), first)
    return low, high


def _after(loops: Sequence[Floats]) -> Ints:
    """(k,) which corner comes after each, of closed loops one after the other."""
    ends = np.cumsum([len(loop) for loop in loops])
    after = np.arange(1, ends[-1] + 1)
    after[ends - 1] = ends - [len(loop) for loop in loops]
    return after


def faces(sections: Sequence[Sequence[Floats]], points: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """(s, n) the inner and the outer face of what stands outermost in each section along each line from points (n, 2)
    in unit ways (n, 2), mm; nan where nothing does."""
    loops = [loop for each in sections for loop in each]
    count = len(sections) * len(points)
    inner, outer = np.full(count, np.nan), np.full(count, np.nan)
    if loops:
        corners, after = np.concatenate(loops), _after(loops)
        of_loop = np.repeat(np.arange(len(sections)), [len(each) for each in sections])
        section = np.repeat(of_loop, [len(loop) for loop in loops])
        across = np.column_stack([-normals[:, 1], normals[:, 0]])
        off = across @ corners.T - np.einsum("ij,ij->i", across, points)[:, None]
        beyond = off > 0.0
        line, side = np.nonzero(beyond != beyond[:, after])
        first, second = off[line, side], off[line, after[side]]
        met = corners[side] + (corners[after[side]] - corners[side]) * (first / (first - second))[:, None]
        ways = np.einsum("ij,ij->i", met - points[line], normals[line])
        group = section[side] * len(points) + line
        order = np.lexsort((ways, group))
        last = np.cumsum(np.bincount(group, minlength=count))
        # A closed loop is crossed twice or not at all.
        is_met = np.diff(last, prepend=0) > 1
        inner[is_met], outer[is_met] = ways[order[last[is_met] - 2]], ways[order[last[is_met] - 1]]
    return inner.reshape(len(sections), -1), outer.reshape(len(sections), -1)


def are_inside(sections: Sequence[Sequence[Floats]], points: Floats, section: Ints) -> np.ndarray:
    """(n,) bool: which points (n, 2) lie in the section that each belongs to (n,). All are told at once, with the
    sections laid so far apart that no line from a point meets another's."""
    loops = [loop for each in sections for loop in each]
    if not loops or not len(points):
        return np.zeros(len(points), bool)
    apart = APART * max(float(np.abs(each).max()) for each in (*loops, points))
    shifted = [loop + [0.0, i * apart] for i, each in enumerate(sections) for loop in each]
    return is_inside(shifted, points + np.column_stack([np.zeros(len(points)), section * apart]))
