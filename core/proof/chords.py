"""Lines through level sections: where they enter and leave them, the outermost body that they pass through, and whether
places lie in them."""
from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..mesh import Floats, Ints
from .loops import is_inside

APART = 4.0
"""How far apart sections are laid, as a share of their greatest coordinate. Smaller: slanting lines meet the next."""


def span(loops: Sequence[Floats], origins: Floats, way: Floats) -> tuple[Floats, Floats]:
    """(n,) first and last crossing, mm, of lines from origins (n, 2), all in one unit way (2,); an empty span where a
    line misses."""
    along, crossed = _parallel(loops, origins, way)
    low = np.where(crossed, along, np.inf).min(axis=1, initial=np.inf)
    high = np.where(crossed, along, -np.inf).max(axis=1, initial=-np.inf)
    missed = low > high
    low[missed] = high[missed] = 0.0
    return low, high


def last_crossing(loop: Floats, origins: Floats, way: Floats) -> Floats:
    """(n,) last crossing, mm, of lines from origins (n, 2), all in one unit way (2,); -inf where a line misses."""
    along, crossed = _parallel([loop], origins, way)
    last: Floats = np.where(crossed, along, -np.inf).max(axis=1, initial=-np.inf)
    return last


def _parallel(loops: Sequence[Floats], origins: Floats, way: Floats) -> tuple[Floats, np.ndarray]:
    """(n, e) ways along each line to each side's own line, and whether the side is crossed there; without sides that lie
    beside all lines."""
    turn = np.array([[-way[1], way[0]], [way[0], way[1]]])
    across, ahead = turn @ np.concatenate(loops).T
    after = _after(loops)
    level, begin = turn @ origins.T
    ends = across[after]
    near = np.flatnonzero((np.maximum(across, ends) >= level.min()) & (np.minimum(across, ends) <= level.max()))
    across, ends, start = across[near], ends[near], ahead[near]
    step = ends - across
    step[step == 0.0] = 1.0
    slope = (ahead[after[near]] - start) / step
    crossed = (across > level[:, None]) != (ends > level[:, None])
    return slope * level[:, None] + (start - slope * across) - begin[:, None], crossed


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
