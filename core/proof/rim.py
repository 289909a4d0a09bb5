"""The rim: thick enough to push over and high enough to close as cast, closed on the girdle and over the crown as set.

Everything is read from level sections of the rim and of the stone, along lines square to the girdle.
"""
from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, bounds
from ..stone.side import is_domed, upright_height_mm
from ..tolerance import READ_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, at_most, judge, rounded_up
from .loops import crossing_pairs, distances_mm, first_crossing, stations_on
from .subject import Subject

STATION_MM = 0.25
"""How far apart the lines stand on the girdle. Larger: a short lip hides between them."""

STATIONS = (64, 96)
"""Fewest and most of them."""

NEAR_MM = 0.6
"""Metal farther from the girdle does not stand round the stone there: the rim is open. Larger: the far side of an opening
counts."""

UNDER_MM = 0.3
"""How far inside the girdle the rim's inner face is looked for. Larger: beside a narrow tip, the rim of the other side is
taken for an undercut."""

FAR_MM = 5.0
"""Thicker than any rim. Larger: on a line out of a heart's cleft the far lobe's rim counts as the near one's back."""

SHARES = (0.15, 0.4, 0.65, 0.9)
"""How far up the rim, from the girdle plane, its thickness is read. Fewer: a thin band hides between them."""

LEVELS = 14
"""Heights at which contact with the crown is looked for. Fewer: short lips read badly."""

BELOW = 3
"""Heights from the girdle's middle to its upper edge, where facets that cut into it begin. Fewer: their contact reads long."""

AT_GIRDLE_MM = 0.005
"""Where the stone has come in by less, it is still the girdle. Larger: the crown's foot counts as girdle."""

HALVINGS = 14
"""Halvings of the height up to which the rim stands everywhere. Fewer: it is read coarser than a hundredth of a mm."""

HAIR_MM = 1e-4
"""How far inside an edge its section is taken. Larger: the rim is read beside its edge."""

TOUCHING_MM = 0.01
"""Metal no farther from the crown than this touches it. Larger: a lip that stands off it counts as closed."""


def check_rim(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of a rim; none for a head without one."""
    if "rim" not in subject.parts:
        return
    rim = _Rim(subject, subject.parts["rim"])
    yield _held(rim, rules)
    if not rim.is_held.any():
        return
    yield from _thickness(rim, rules)
    if subject.is_set:
        yield _closed(rim, rules)
        yield from _cover(rim, rules)
        yield _proud(rim, rules)
    else:
        yield from _height(rim, rules)
        yield from _room(rim, rules)


class _Rim:
    """A rim along the lines (n,) that stand square on the girdle."""

    def __init__(self, subject: Subject, solid: Solid) -> None:
        self.subject, self.solid, self.gauge = subject, solid, subject.gauge
        count = round(subject.stone.outline.perimeter_mm / STATION_MM)
        self._faces: dict[float, tuple[Floats, Floats]] = {}
        self.points, self.normals = stations_on(self.gauge.girdle_loop, min(max(count, STATIONS[0]), STATIONS[1]))

    @property
    def middle_mm(self) -> float:
        """Half way up the girdle."""
        return (self.gauge.girdle_plane_mm + self.gauge.crown_edge_mm) / 2.0

    @cached_property
    def top_mm(self) -> float:
        return float(bounds(self.solid)[1][2])

    @cached_property
    def is_held(self) -> np.ndarray:
        """(n,) bool: where the rim stands round the girdle."""
        return (self.apart(self.middle_mm) < NEAR_MM) & np.isfinite(self.faces(self.middle_mm)[0])

    def apart(self, height_mm: float) -> Floats:
        """(n,) least distance from the girdle to the rim at a height; inf where there is no rim at that height."""
        loops = self.loops_at(height_mm)
        least: Floats = np.min([np.full(len(self.points), np.inf), *(distances_mm(self.points, loop) for loop in loops)], axis=0)
        return least

    def faces(self, height_mm: float) -> tuple[Floats, Floats]:
        """(n,) each: ways out from the girdle to the rim's inner and outer face at a height; inf where there is none."""
        if height_mm not in self._faces:
            i, _, ways = crossing_pairs(self.loops_at(height_mm), self.points, self.normals)
            inner, outer = np.full((2, len(self.points)), np.inf)
            near = (ways > -self._under_mm[i]) & (ways < FAR_MM)
            np.minimum.at(inner, i[near], ways[near])
            # A line through a corner meets both sides at one place.
            beyond = near & (ways > inner[i] + TOUCHING_MM)
            np.minimum.at(outer, i[beyond], ways[beyond])
            self._faces[height_mm] = inner, outer
        return self._faces[height_mm]

    def loops_at(self, height_mm: float) -> list[Floats]:
        """The rim's section at a height."""
        return self.gauge.part_at("rim", height_mm)

    @cached_property
    def _under_mm(self) -> Floats:
        """(n,) how far inside the girdle a face is looked for: beside a sharp point no farther than its middle, past which
        the rim's other side stands."""
        least = first_crossing([self.gauge.girdle_loop], self.points, -self.normals, TOUCHING_MM)
        return np.minimum(UNDER_MM, least / 2.0)

    def place(self, station: int, height_mm: float, out_mm: float = 0.0) -> Floats:
        """(3,) on a line."""
        return np.array([*(self.points[station] + out_mm * self.normals[station]), height_mm])

    @cached_property
    def least_top_mm(self) -> float:
        """Up to which height the rim stands wherever it stands at the girdle."""
        def stands(height: float) -> bool:
            return bool(np.isfinite(self.faces(height)[0][self.is_held]).all())

        low, high = self.middle_mm, self.top_mm - HAIR_MM
        if stands(high):
            return self.top_mm
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if stands(middle) else (low, middle)
        return low

    @cached_property
    def lowest(self) -> int:
        """The line on which the rim ends lowest."""
        ends = ~np.isfinite(self.faces(self.least_top_mm + HAIR_MM)[0]) & self.is_held
        return int(np.argmax(ends)) if ends.any() else int(np.argmax(self.is_held))


def _held(rim: _Rim, rules: HouseRules) -> Finding:
    share = float(rim.is_held.mean())
    place = rim.place(int(np.argmin(rim.is_held)), rim.middle_mm)
    return judge("rim.held", "Share of the girdle that the rim stands round", share, "1", place,
                 [at_least(rules["rim.held_least"], "watch", "Make the openings narrower, or fewer.")], 0.01)


def _thickness(rim: _Rim, rules: HouseRules) -> Iterator[Finding]:
    """Square to the outer face; as set at the girdle only, because the lip is thinned on purpose."""
    foot = rim.gauge.girdle_plane_mm
    heights = [rim.middle_mm] if rim.subject.is_set else [foot + share * (rim.top_mm - foot) for share in SHARES]
    inner, outer = np.array([rim.faces(height) for height in heights]).transpose(1, 0, 2)
    lean = np.ones(len(rim.points))
    if len(heights) > 1:
        with np.errstate(invalid="ignore"):
            lean = np.cos(np.arctan((outer[-1] - outer[0]) / (heights[-1] - heights[0])))
            lean[~np.isfinite(lean)] = 1.0
    with np.errstate(invalid="ignore"):
        thick = np.where(rim.is_held & np.isfinite(outer), (outer - inner) * lean, np.nan)
    i, j = np.unravel_index(int(np.nanargmin(thick)), thick.shape)
    least, most = float(thick[i, j]), float(np.nanmedian(thick))
    low, high = rules["rim.thickness_low_mm"], rules["rim.thickness_high_mm"]
    place = rim.place(int(j), heights[i], float(inner[i, j]))
    yield judge("rim.thickness", "Thinnest place of the rim", least, "mm", place,
                [at_least(low, "unsafe", f"Thicken the rim by {rounded_up(low.value - least)} mm here.")], READ_MM)
    if not rim.subject.is_set:
        yield judge("rim.pushes", "Thickness of the rim that is pushed over", most, "mm", place,
                    [at_most(high, "watch", f"Thin the rim by {rounded_up(most - high.value)} mm, or file its outer face "
                                            "before it is pushed.")], READ_MM)


def _height(rim: _Rim, rules: HouseRules) -> Iterator[Finding]:
    """Above the girdle, as cast; a dome's from the lower girdle edge."""
    gauge, stone = rim.gauge, rim.subject.stone
    crown = gauge.table_mm - gauge.crown_edge_mm
    top, place = rim.least_top_mm, rim.place(rim.lowest, rim.least_top_mm)
    above = top - gauge.crown_edge_mm
    proud = rules["rim.above_table_mm"]
    highest = crown + proud.value
    too_high = Limit(highest, False, "unsafe", proud.why, proud.source,
                     f"Lower the rim by {rounded_up(above - highest)} mm.", proud.key)
    if is_domed(stone):
        share, lean = rules["rim.dome_height_low"], rules["rim.dome_lean_deg"]
        whole, upright = stone.girdle_mm + crown, upright_height_mm(stone, lean.value)
        up = top - gauge.girdle_plane_mm
        higher = f"Raise the rim by {rounded_up(max(share.value * whole, upright) - up)} mm."
        yield judge("rim.dome", "Height of the rim, share of the dome's", up / whole, "1", place,
                    [at_least(share, "unsafe", higher)], READ_MM / whole)
        yield judge("rim.curve", "Height of the rim above the lower girdle edge", up, "mm", place, [
            Limit(upright, True, "unsafe", lean.why, lean.source, higher, lean.key)], READ_MM)
        yield judge("rim.height", "Height of the rim above the girdle", above, "mm", place, [too_high], READ_MM)
        return
    low, high, least = rules["rim.height_low"], rules["rim.height_high"], rules["rim.height_least_mm"]
    needed = max(low.value * crown, least.value)
    # On a low crown the least that can be pushed may be more than the usual share.
    most = max(high.value * crown, least.value)
    raised, lowered = f"Raise the rim by {rounded_up(needed - above)} mm.", f"Lower it by {rounded_up(above - most)} mm."
    yield judge("rim.height", "Height of the rim above the girdle", above, "mm", place, [
        too_high, Limit(least.value, True, "watch", least.why, least.source, raised, least.key),
        Limit(low.value * crown, True, "watch", low.why, low.source, raised, low.key),
        Limit(most, False, "watch", high.why, high.source, lowered, high.key)], READ_MM)


def _room(rim: _Rim, rules: HouseRules) -> Iterator[Finding]:
    """Between girdle and rim, as cast: the stone drops in from above, and does not rattle."""
    gauge = rim.gauge
    heights = [gauge.girdle_plane_mm + HAIR_MM, rim.middle_mm,
               *np.linspace(gauge.crown_edge_mm, rim.top_mm - HAIR_MM, 5)]
    room = np.array([rim.faces(height)[0] for height in heights])
    room[:, ~rim.is_held] = np.inf
    i, j = np.unravel_index(int(np.argmin(room)), room.shape)
    least = float(room[i, j])
    low, high = rules["seat.clearance_low_mm"], rules["seat.clearance_high_mm"]
    wider = f"Move the rim's inner face {rounded_up(low.value - least)} mm out here."
    undercut = Limit(0.0, True, "unsafe", "A rim that is narrower than the girdle does not let the stone in from above.",
                     "geometry", wider)
    yield judge("rim.drops_in", "Least room for the girdle on its way down", least, "mm",
                rim.place(int(j), float(heights[i]), least), [undercut, at_least(low, "watch", wider)], READ_MM)
    beside = np.where(rim.is_held, np.minimum(rim.apart(heights[0]), rim.apart(heights[1])), -np.inf)
    k = int(np.argmax(beside))
    widest = float(beside[k])
    rattles = Limit(high.value, False, "watch", "Wider than this the stone shifts in the rim until it is closed.", high.source,
                    f"Move the rim's inner face {rounded_up(widest - high.value)} mm in here.", high.key)
    yield judge("rim.gap", "Widest gap between girdle and rim", widest, "mm", rim.place(k, rim.middle_mm, widest),
                [rattles], READ_MM)


def _closed(rim: _Rim, rules: HouseRules) -> Finding:
    """Between girdle and rim, as set, at the girdle's lower edge, its middle and its upper edge."""
    gauge = rim.gauge
    heights = (gauge.girdle_plane_mm + HAIR_MM, rim.middle_mm, gauge.crown_edge_mm - HAIR_MM)
    stone = np.array([first_crossing(gauge.stone_at(height), rim.points, -rim.normals, -NEAR_MM)
                      for height in heights])
    # Where facets cut into the girdle, its edge is higher or lower than elsewhere.
    at_girdle = (stone < AT_GIRDLE_MM) & rim.is_held
    gaps = np.where(at_girdle, np.array([rim.faces(height)[0] for height in heights]) + stone, -np.inf)
    i, j = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    widest = max(0.0, float(gaps[i, j]))
    limit = at_most(rules["seat.gap_most_mm"], "unsafe", "Push the rim in here until it lies within {limit} mm of the girdle.")
    return judge("rim.gap", "Widest gap between girdle and rim", widest, "mm", rim.place(int(j), heights[i]), [limit], READ_MM)


def _cover(rim: _Rim, rules: HouseRules) -> Iterator[Finding]:
    """How far the lip lies on the crown along its slope: enough everywhere, and nowhere too near to the table."""
    cover, slope, ends, is_whole = _contact(rim)
    share = cover / slope
    least, part = rules["rim.cover_least_mm"], rules["rim.cover_least"]
    # On small crowns that is nearly all of the slope; there a share of it is enough.
    needed = np.minimum(least.value, part.value * slope)
    j = int(np.argmin(np.where(rim.is_held & is_whole, cover - needed, np.inf)))
    rule = least if needed[j] >= least.value else part
    more = f"Push the rim {rounded_up(float(needed[j] - cover[j]))} mm farther over the crown here."
    yield judge("rim.cover", "Least cover of the crown, along its slope", float(cover[j]), "mm", ends[j],
                [Limit(float(needed[j]), True, "unsafe", rule.why, rule.source, more, rule.key)], 2.0 * READ_MM)
    share = np.where(rim.is_held, share, -np.inf)
    k = int(np.argmax(share))
    yield judge("rim.contact", "Most contact along the crown's slope", float(share[k]), "1", ends[k],
                [at_most(rules["rim.contact_high"], "watch", "Trim the lip back to {limit} of the way to the table.")], 0.01)


def _contact(rim: _Rim) -> tuple[Floats, Floats, Floats, np.ndarray]:
    """(n,) mm of the crown's slope that the rim lies on, (n,) mm of that slope up to the table or the dome's top, (n, 3)
    where contact ends, and (n,) whether the lip does: beside a corner a line may run out over the other side first."""
    gauge = rim.gauge
    foot, top = gauge.crown_edge_mm, min(rim.top_mm, gauge.table_mm) - HAIR_MM
    count = len(rim.points)
    if top <= foot:
        return np.zeros(count), _slope_mm(rim), np.array([rim.place(j, foot) for j in range(count)]), rim.is_held
    # Finer towards the foot, where a lip that is too short would end.
    crown = foot + HAIR_MM + (top - foot - HAIR_MM) * np.linspace(0.0, 1.0, LEVELS) ** 1.5
    heights = np.concatenate([np.linspace(rim.middle_mm, foot - HAIR_MM, BELOW), crown])
    ways, rims = np.array([_crown_and_rim(rim, float(height)) for height in heights]).transpose(1, 0, 2)
    ways[~np.isfinite(ways)] = np.nan
    run, rise = np.diff(ways, axis=0), np.diff(heights)[:, None]
    square = np.abs(rise) / np.maximum(np.hypot(run, rise), 1e-12)
    square = np.concatenate([square, square[-1:]])
    square[~np.isfinite(square)] = 1.0
    off = (ways - rims) * square
    off = np.where(np.isfinite(off), np.maximum(off, 0.0), FAR_MM)
    lies = off <= TOUCHING_MM
    is_crown = (ways[1:] > AT_GIRDLE_MM) | (heights[1:, None] > foot)
    steps = np.where(np.isfinite(run) & is_crown, np.hypot(run, rise), 0.0)
    lengths = np.where(lies[:-1] & lies[1:], steps, 0.0)
    # Between the last height that touches and the next, the lip ends where its distance grows past touching.
    ending = lies[:-1] & ~lies[1:]
    part = (TOUCHING_MM - off[:-1]) / np.where(ending, off[1:] - off[:-1], 1.0)
    cover = (lengths + np.where(ending, part * steps, 0.0)).sum(axis=0)
    last = np.where(lies.any(axis=0), len(heights) - 1 - np.argmax(lies[::-1], axis=0), 0)
    j = np.arange(count)
    way = np.where(np.isfinite(ways[last, j]), ways[last, j], 0.0)
    ends = np.column_stack([rim.points - way[:, None] * rim.normals, heights[last]])
    runs_out = ~np.isfinite(ways[-1]) & lies[np.isfinite(ways).sum(axis=0).clip(1) - 1, j]
    return cover, _slope_mm(rim), ends, ~runs_out


def _crown_and_rim(rim: _Rim, height: float) -> tuple[Floats, Floats]:
    """(n,) each: ways in from the girdle to the crown, and to the innermost rim on this side of it, at a height."""
    stone = first_crossing(rim.gauge.stone_at(height), rim.points, -rim.normals, -NEAR_MM)
    i, _, ways = crossing_pairs(rim.loops_at(height), rim.points, -rim.normals)
    # Beyond the crown lies the rim of the other side.
    near = (ways <= stone[i] + TOUCHING_MM) & (ways > -FAR_MM)
    innermost = np.full(len(stone), -np.inf)
    np.maximum.at(innermost, i[near], ways[near])
    return stone, innermost


def _slope_mm(rim: _Rim) -> Floats:
    """(n,) mm of the crown's slope from the girdle to the table's edge, or to the top where there is no table."""
    gauge = rim.gauge
    way = first_crossing(gauge.stone_at(gauge.table_mm - HAIR_MM), rim.points, -rim.normals, 0.0)
    met = np.isfinite(way)
    # A line beside a corner passes the table by; a dome has none.
    other = np.median(way[met]) if met.mean() > 0.5 else np.linalg.norm(rim.points - rim.points.mean(axis=0), axis=1)
    slope: Floats = np.hypot(np.where(met, way, other), gauge.table_mm - gauge.crown_edge_mm)
    return slope


def _proud(rim: _Rim, rules: HouseRules) -> Finding:
    over = rim.top_mm - rim.gauge.table_mm
    rule = rules["rim.above_table_mm"]
    limit = Limit(rule.value, False, "watch", "A rim that stands above the table catches, and shades the stone.", rule.source,
                  f"File the rim down by {rounded_up(over - rule.value)} mm.", rule.key)
    return judge("rim.top", "Rim above the table", over, "mm", [0.0, 0.0, rim.top_mm], [limit], READ_MM)
