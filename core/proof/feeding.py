"""How each part of a casting is fed: the narrowest section on the ways that metal takes to it from the sprue, all together.

Parts are joined where they share metal: by the part of one's surface that lies inside the other. Along a part metal passes its
sections. What comes to a section by several ways is their sum, and ways that share a section have it once: the most that can
flow (L. R. Ford and D. R. Fulkerson, Canadian Journal of Mathematics 8, 1956, from memory).
"""
from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, bounds, contains
from ..solid.slicer import OFF_LINE, runs_of
from ..trade.house_rules import HouseRules
from .findings import Finding, at_least, judge, unable
from .loops import are_inside_sides
from .runs import RINGS, UPRIGHTS, Ring, Run, Uprights, bar_of, head_of, kind_of, levels_within
from .subject import NAME_CLAWS, NO_CLAW, Subject

PIECE_MM = 0.15
"""How long a piece of a side may be that lies inside as a whole or not at all. Larger: joints are read coarsely."""

JOINT_TURNS, JOINT_PLACES = 4, 16
"""Of how many turns one is looked at for where two rings meet, and as how many joints that counts at most where they meet
all round. More turns: short joints are passed over; the second hardly matters."""

INTO_MM = 0.02
"""How far above its place on the underside the sprue's metal is looked for."""

KINDS = {"wall": "a wall", "rail": "a rail", "bar": "a bar between windows", "peg": "the peg", "rim": "the rim", "claw": "a claw",
         "plate": "the plate", "bead": "a bead", "bridge": "a bridge"}
"""The kinds of parts that are told of, as a title names them."""

RUN_SHARES = (0.08, 0.9)
"""Between which shares of its height a claw's own run is read. Wider: its foot or its tip, which nothing lies beyond, count."""

READ_SHARE = 0.01
"""How finely sections are read. Larger: necks that are a little too narrow pass."""

ENOUGH = 1.0 - 1e-9
"""The share of a section that feeds it in full, but for rounding."""


@dataclass(frozen=True, eq=False)
class Joint:
    """Where two runs share metal: at which sections of each, its area, mm2, and (3,) its middle. It counts by its area alone,
    because it has no length along which it could freeze before what it joins."""

    runs: tuple[int, int]
    at: tuple[list[int], list[int]]
    area_mm2: float
    place: Floats


@dataclass(frozen=True, eq=False)
class Fed:
    """How the section of a run is fed that is fed least: the share of it, its size and that of the narrowest on the ways to it,
    mm2, how many ways those are, (3,) the narrowest one's place, and the names of the runs that are there, two at a joint."""

    run: Run
    share: float
    fed_mm2: float
    neck_mm2: float
    ways: int
    place: Floats
    where: tuple[str, ...]


class Feeding:
    """The runs of parts (solids by name), and what joins them."""

    def __init__(self, parts: Mapping[str, Solid]) -> None:
        self._parts = parts
        rings = {name: solid for name, solid in parts.items() if kind_of(name) in RINGS}
        axes = _axes(rings)
        self.rings = {name: Ring(name, solid, axes[head_of(name)]) for name, solid in rings.items()}
        self.runs: list[Run] = [run for ring in self.rings.values() for run in ring.runs()]
        uprights = {name: solid for name, solid in parts.items() if kind_of(name) in UPRIGHTS}
        bands = [(run.low_mm, run.high_mm) for run in self.runs if run.is_ring]
        bands += [_heights(solid) for name, solid in uprights.items() if kind_of(name) == "peg"]
        self.uprights = Uprights(uprights, bands) if uprights else None
        top = next((run.high_mm for run in self.runs if run.kind == "plate"), None)
        self.runs += [self.uprights.run_of(name, top if kind_of(name) == "bead" else None)
                      for name in uprights if self.uprights is not None]
        self.runs += [bar_of(name, solid) for name, solid in parts.items() if name not in rings and name not in uprights]
        self.runs = [run for run in self.runs if len(run.sections)]
        self.joints = [*self._of_uprights(), *self._of_rings(), *self._of_bars()]

    # Joints.

    def _of_uprights(self) -> Iterator[Joint]:
        """Where uprights share metal with rings and pegs: the part of their surface that lies inside those."""
        if self.uprights is None:
            return
        cut = self.uprights
        of_run = {run.part: i for i, run in enumerate(self.runs) if run.kind in UPRIGHTS}
        runs = [of_run.get(name, -1) for name in cut.names]
        kinds, heads = (np.array([each(name) for name in cut.names]) for each in (kind_of, head_of))
        for i, run in enumerate(self.runs):
            if not run.is_ring and run.kind != "peg":
                continue
            heights, step = levels_within(run.low_mm, run.high_mm)
            may = (kinds == "claw") & (heads == head_of(run.part))
            some = np.flatnonzero(np.isin(cut.heights_mm, heights)[cut.level] & may[cut.of])
            pieces = _Pieces(cut.starts[some], cut.ways[some])
            of, level = cut.of[some][pieces.of], cut.level[some][pieces.of]
            points = np.column_stack([pieces.middles, cut.heights_mm[level]])
            if run.is_ring:
                inside = self.rings[run.part].holds(points)
            else:
                own = cut.of == cut.names.index(run.part)
                inside = are_inside_sides(cut.starts[own], cut.ways[own], cut.level[own], points[:, :2], level)
            yield from self._with_each(i, step, points[inside], pieces.lengths[inside], runs, of[inside])

    def _with_each(self, i: int, step_mm: float, points: Floats, lengths: Floats, runs: Sequence[int],
                   of: np.ndarray) -> Iterator[Joint]:
        """The joints of a run with uprights, from pieces of theirs that lie in it: middles (n, 3), lengths and of which (n,)."""
        run = self.runs[i]
        area = np.bincount(of, lengths, len(runs)) * step_mm
        joined = np.flatnonzero(area)
        if not len(joined):
            return
        sums = np.column_stack([np.bincount(of, lengths * each, len(runs))[joined] for each in points.T])
        middles: Floats = sums * (step_mm / area[joined])[:, None]
        ends = np.column_stack([np.full(len(runs), np.inf), np.full(len(runs), -np.inf)])
        np.minimum.at(ends[:, 0], of, points[:, 2] - step_mm / 2.0)
        np.maximum.at(ends[:, 1], of, points[:, 2] + step_mm / 2.0)
        turns = self.rings[run.part].turn_of(middles).tolist() if run.is_ring else [run.nearest(each) for each in middles]
        for nth, middle, at in zip(joined.tolist(), middles, turns):
            heights = self.runs[runs[nth]].places[:, 2]
            own = np.abs(heights - ends[nth][:, None]).argmin(axis=1).tolist()
            yield Joint((i, runs[nth]), ([at], sorted(set(own))), float(area[nth]), middle)

    def _at(self, run: Run, place: Floats) -> int:
        """The section of a run that a place (3,) lies at."""
        return int(self.rings[run.part].turn_of(place[None])[0]) if run.is_ring else run.nearest(place)

    def _of_rings(self) -> Iterator[Joint]:
        """Where rings of one head share metal: the part of one's surface that lies inside the other. And bars between a wall's
        windows, which end in it."""
        rings = [(i, run) for i, run in enumerate(self.runs) if run.is_ring]
        for nth, (i, run) in enumerate(rings):
            for j, other in rings[nth + 1:]:
                is_near = min(run.high_mm, other.high_mm) >= max(run.low_mm, other.low_mm)
                if is_near and run.part != other.part and head_of(run.part) == head_of(other.part):
                    yield from self._between(i, j)
        for i, bar in enumerate(self.runs):
            for j, run in rings:
                if bar.kind == "bar" and run.part == bar.part:
                    end = 0 if run.high_mm <= bar.low_mm else len(bar.places) - 1
                    yield Joint((i, j), ([end], self.rings[run.part].under_bar(bar.places[end])), math.inf, bar.places[end])

    def _between(self, i: int, j: int) -> Iterator[Joint]:
        ring, run = self.rings[self.runs[i].part], self.runs[i]
        some = np.flatnonzero(ring.at % JOINT_TURNS == 0)
        pieces = _Pieces(ring.starts[some], ring.ways[some])
        at = ring.at[some][pieces.of]
        turn = (at + OFF_LINE) * (2.0 * math.pi / ring.turns)
        out, up = pieces.middles.T
        points = np.column_stack([ring.axis[0] + out * np.cos(turn), ring.axis[1] + out * np.sin(turn), up])
        inside = self.rings[self.runs[j].part].holds(points) & (up >= run.low_mm) & (up <= run.high_mm)
        at, points, lengths = at[inside], points[inside], pieces.lengths[inside]
        wide = np.bincount(at, lengths, ring.turns)
        met = np.flatnonzero(wide)
        for group in np.array_split(met, min(len(met), JOINT_PLACES)) if len(met) else ():
            k = int(group[len(group) // 2])
            middle = points[at == k].mean(axis=0)
            long = len(group) * JOINT_TURNS * 2.0 * math.pi / ring.turns * float(np.hypot(*(middle[:2] - ring.axis)))
            yield Joint((i, j), ([k], [self._at(self.runs[j], middle)]), float(wide[group].mean()) * long, middle)

    def _of_bars(self) -> Iterator[Joint]:
        """Where bars end in other parts, and beads stand on their plate: there their own sections are the joint's."""
        plate = next((i for i, run in enumerate(self.runs) if run.kind == "plate"), None)
        for i, run in enumerate(self.runs):
            if run.kind == "bead" and plate is not None:
                yield Joint((i, plate), ([0], [self._at(self.runs[plate], run.places[0])]), math.inf, run.places[0])
            if run.kind in RINGS or run.kind in UPRIGHTS or run.part in self.rings:
                continue
            for j in range(len(self.runs)):
                if self.runs[j].part != run.part and self.runs[j].kind != "bead":
                    for k in np.flatnonzero(self._holds(j, run.places)[[0, -1]]).tolist():
                        k = k * (len(run.places) - 1)
                        yield Joint((i, j), ([k], [self._at(self.runs[j], run.places[k])]), math.inf, run.places[k])

    def _holds(self, i: int, points: Floats) -> np.ndarray:
        """(n,) bool: which points (n, 3) lie in a run."""
        run = self.runs[i]
        is_level = (points[:, 2] >= run.low_mm) & (points[:, 2] <= run.high_mm)
        if not is_level.any():
            return is_level
        if run.is_ring:
            is_level &= self.rings[run.part].holds(points)
            return is_level
        found: np.ndarray = contains(self._parts[run.part], points) & is_level
        return found

    # Ways.

    def sources(self, place: Floats) -> dict[int, set[int]]:
        """The runs that carry a sprue at a place (3,) on the underside, and the sections of each that it feeds itself."""
        inner = place[None] + [0.0, 0.0, INTO_MM]
        up = float(inner[0, 2])
        holding = [i for i, run in enumerate(self.runs) if run.low_mm <= up <= run.high_mm and self._holds(i, inner)[0]]
        if not holding:
            away = [float(np.linalg.norm(run.places - place, axis=1).min()) for run in self.runs]
            holding = [int(np.argmin(away))]
        found = {}
        for i in holding:
            run = self.runs[i]
            # A section that the sprue is nearer to than it is wide belongs to what the sprue itself keeps hot.
            beside = np.linalg.norm(run.places - place, axis=1) <= np.sqrt(run.sections / math.pi)
            found[i] = {self._at(run, place), *np.flatnonzero(beside).tolist()}
        return found

    def fed_from(self, place: Floats) -> list[Fed | None]:
        """How each run is fed from a sprue at a place (3,); None for one that metal does not reach."""
        sources = self.sources(place)
        knots: list[set[int]] = [set(sources.get(i, ())) for i in range(len(self.runs))]
        # Of many sections beside a joint the first, the middle and the last, and those that the sprue feeds itself.
        beside = [tuple(at if len(at) <= 3 else [k for n, k in enumerate(at) if n in (0, len(at) // 2, len(at) - 1)
                                                 or k in sources.get(i, ())] for i, at in zip(joint.runs, joint.at))
                  for joint in self.joints]
        for joint, ats in zip(self.joints, beside):
            for i, at in zip(joint.runs, ats):
                knots[i].update(at)
        # The section of each run that is fed least, were it fed in full wherever it is joined.
        ends = [_farthest(run.places, _least_fed(run.sections, sorted(knots[i]), run.is_ring), place) if knots[i] else 0
                for i, run in enumerate(self.runs)]
        net = _Net()
        for i, fed in sources.items():
            for k in sorted(fed):
                net.join(SPRUE, (i, k), math.inf, (place, (self.runs[i].name,)))
        for i, run in enumerate(self.runs):
            own = sorted(knots[i] | {ends[i]})
            for before, after in zip(own, own[1:] + own[:1]) if run.is_ring and len(own) > 1 else zip(own, own[1:]):
                between = np.arange(before, after + 1 if after > before else after + 1 + len(run.sections)) % len(run.sections)
                k = int(between[np.argmin(run.sections[between])])
                net.join((i, before), (i, after), float(run.sections[k]), (run.places[k], (run.name,)))
        for nth, joint in enumerate(self.joints):
            names = (self.runs[joint.runs[0]].name, self.runs[joint.runs[1]].name)
            for i, at, most in zip(joint.runs, beside[nth], (joint.area_mm2, math.inf)):
                for k in at:
                    net.join((i, k), (-1, nth), most, (joint.place, names))
        widest = net.widest(SPRUE)
        return [self._fed(net, i, ends[i], widest.get((i, ends[i]), 0.0)) for i in range(len(self.runs))]

    def _fed(self, net: _Net, i: int, k: int, widest: float) -> Fed | None:
        run = self.runs[i]
        size = float(run.sections[k])
        if widest >= size * ENOUGH:
            return Fed(run, 1.0, size, size, 1, run.places[k], (run.name,))
        if widest == 0.0:
            return None
        flow, cut = net.flow(SPRUE, (i, k), size)
        if flow >= size * ENOUGH:
            return Fed(run, 1.0, size, size, 1, run.places[k], (run.name,))
        most, (place, where) = min(cut, key=lambda each: each[0])
        return Fed(run, flow / size, size, flow, len(cut), place, where)


# Findings.


def check_claws_run(subject: Subject, cut: Uprights | None, rules: HouseRules) -> Iterator[Finding]:
    """Metal that must pass a narrow section of a claw to reach a wider one: the wider one freezes last, and turns porous. cut:
    uprights with this head's claws among them."""
    claws = [claw for claw in subject.gauge.claws if cut is not None and claw.name in cut.names]
    if cut is None or not claws:
        if not subject.parts:
            yield unable("casting.feed", "Narrowest section over the widest that it feeds", NO_CLAW, NAME_CLAWS)
        return
    found = []
    for claw in claws:
        base, top = subject.gauge.base_mm, subject.gauge.claw_top_mm(claw)
        up = (cut.heights_mm - base) / (top - base)
        some = np.flatnonzero((up >= RUN_SHARES[0]) & (up <= RUN_SHARES[1]))
        areas = cut.areas_mm2[cut.names.index(claw.name), some]
        shares = areas / np.maximum(np.maximum.accumulate(areas[::-1])[::-1], 1e-9)
        i = int(np.argmin(shares))
        found.append((float(shares[i]), claw.name, claw.at_height(float(cut.heights_mm[some[i]]))))
    least, name, place = min(found, key=lambda each: round(each[0], 6))
    yield judge("casting.feed", "Narrowest section of a claw over the widest that it feeds", least, "1", place,
                [at_least(rules["casting.feed_least"], "watch", f"Thicken {name} here, or thin what lies beyond it.")], READ_SHARE)


def check_fed(feeding: Feeding, sprue: Floats, rules: HouseRules) -> Iterator[Finding]:
    """Of each kind of part the one that is fed least from the sprue's place (3,)."""
    of_kind: dict[str, list[tuple[Run, Fed | None]]] = {}
    for run, fed in zip(feeding.runs, feeding.fed_from(np.asarray(sprue))):
        if run.kind in KINDS:
            of_kind.setdefault(run.kind, []).append((run, fed))
    for kind, found in of_kind.items():
        what = f"Narrowest section on the ways to {KINDS[kind]} over the widest that they feed"
        cut_off = next((run for run, fed in found if fed is None), None)
        if cut_off is not None:
            yield unable("casting.feed", what, f"{cut_off.name} shares no metal with what carries the sprue",
                         "Let it reach into its neighbour by 0.01 mm.")
            continue
        yield _judged(what, min((fed for _, fed in found if fed is not None), key=lambda fed: fed.share), rules)


def _judged(what: str, fed: Fed, rules: HouseRules) -> Finding:
    name, where = fed.run.name, " and ".join(fed.where)
    if len(fed.where) > 1:
        remedy = f"Let {where} reach farther into each other here, or set a further sprue at {name}."
    else:
        verb = "Widen" if fed.where[0].startswith("bar") else "Thicken"
        remedy = f"{verb} {where} here, thin {name}, or set the sprue or a further one at {name}."
    ways = "" if fed.ways == 1 else f" by {fed.ways} ways"
    note = f"{name} is as large as {fed.fed_mm2:.2f} mm2 of round bar, and fed in full" if fed.share == 1.0 else (
        f"{name}, as large as {fed.fed_mm2:.2f} mm2 of round bar, is fed through {fed.neck_mm2:.2f} mm2{ways}, narrowest "
        f"{'where ' + where + ' meet' if len(fed.where) > 1 else 'in ' + where}")
    return judge("casting.feed", what, fed.share, "1", fed.place, [at_least(rules["casting.feed_least"], "watch", remedy)],
                 READ_SHARE, note)


# The most that flows.


Knot = tuple[int, int]
"""A run and a section of it; -1 and a joint."""

SPRUE: Knot = (-2, 0)


class _Net:
    """Knots and what joins them, with the most that flows through, and what is to be said of it."""

    def __init__(self) -> None:
        self._ways: dict[Knot, dict[Knot, float]] = {}
        self._said: dict[tuple[Knot, Knot], tuple[Floats, tuple[str, ...]]] = {}

    def join(self, one: Knot, other: Knot, most: float, said: tuple[Floats, tuple[str, ...]]) -> None:
        """One more way between two knots, both ways, through a section of so many mm2."""
        for here, there in ((one, other), (other, one)):
            ways = self._ways.setdefault(here, {})
            ways[there] = ways.get(there, 0.0) + most
            self._said[here, there] = said

    def widest(self, source: Knot) -> dict[Knot, float]:
        """The narrowest section on the widest single way to each knot."""
        found: dict[Knot, float] = {}
        waiting = [(-math.inf, source)]
        while waiting:
            way, here = heappop(waiting)
            if here in found:
                continue
            found[here] = -way
            for there, most in self._ways.get(here, {}).items():
                if there not in found:
                    heappush(waiting, (max(way, -most), there))
        return found

    def flow(self, source: Knot, end: Knot, enough: float) -> tuple[float, list[tuple[float, tuple[Floats, tuple[str, ...]]]]]:
        """How much flows to an end, no more than is enough, and the sections that hold it up: each one's size and what is to
        be said of it."""
        left = {here: dict(ways) for here, ways in self._ways.items()}
        flow = 0.0
        while flow < enough:
            before: dict[Knot, Knot] = {source: source}
            waiting = [source]
            for here in waiting:
                for there, most in left[here].items():
                    if most > 1e-12 and there not in before:
                        before[there] = here
                        waiting.append(there)
                if end in before:
                    break
            if end not in before:
                cut = [(self._ways[here][there], self._said[here, there]) for here in before for there in self._ways[here]
                       if there not in before]
                return flow, cut
            way = [end]
            while way[-1] != source:
                way.append(before[way[-1]])
            pairs = list(zip(way[1:], way[:-1]))
            most = min(enough - flow, *(left[here][there] for here, there in pairs))
            for here, there in pairs:
                left[here][there] -= most
                left[there][here] += most
            flow += most
        return flow, []


def _farthest(places: Floats, some: np.ndarray, place: Floats) -> int:
    """Which of some places (n, 3) is the farthest from a place (3,)."""
    return int(some[0] if len(some) == 1 else some[np.argmax(((places[some] - place) ** 2).sum(axis=1))])


def _least_fed(sections: Floats, knots: Sequence[int], is_ring: bool) -> np.ndarray:
    """The section that least of it comes to, along the run from the knots before and after it; of several the largest, all that
    are as large but for rounding."""
    count = len(sections)
    fed = np.zeros(count)
    if is_ring:
        spans = [np.arange(a, b + 1 if b > a else b + 1 + count) % count for a, b in zip(knots, [*knots[1:], knots[0]])]
    else:
        spans = [np.arange(a, b + 1) for a, b in zip(knots, knots[1:])]
        for span in (np.arange(knots[-1], count), np.arange(knots[0], -1, -1)):
            fed[span] = np.minimum.accumulate(sections[span])
    for span in spans:
        own = sections[span]
        fed[span] = np.minimum.accumulate(own) + np.minimum.accumulate(own[::-1])[::-1]
    fed[list(knots)] = np.inf if len(knots) else 0.0
    shares = np.minimum(fed / np.maximum(sections, 1e-9), 1.0)
    least = np.flatnonzero(shares <= shares.min() + 1e-9)
    found: np.ndarray = least[sections[least] >= sections[least].max() * ENOUGH]
    return found


class _Pieces:
    """Sides, starts and ways (e, 2), in pieces: their middles (p, 2) and lengths (p,), and (p,) which side each is of."""

    def __init__(self, starts: Floats, ways: Floats) -> None:
        whole = np.hypot(*ways.T)
        many = np.ceil(whole / PIECE_MM).astype(np.int64).clip(1)
        self.of: np.ndarray = np.repeat(np.arange(len(many)), many)
        share = (runs_of(np.zeros(len(many), np.int64), many) + 0.5) / many[self.of]
        self.middles: Floats = starts[self.of] + ways[self.of] * share[:, None]
        self.lengths: Floats = (whole / many)[self.of]


def _heights(solid: Solid) -> tuple[float, float]:
    low, high = bounds(solid)
    return float(low[2]), float(high[2])


def _axes(rings: Mapping[str, Solid]) -> dict[str, Floats]:
    """Of each head with rings the middle (2,) of their bounds."""
    boxes: dict[str, list[tuple[Floats, Floats]]] = {}
    for name, solid in rings.items():
        boxes.setdefault(head_of(name), []).append(bounds(solid))
    return {head: (np.min([low for low, _ in own], axis=0) + np.max([high for _, high in own], axis=0))[:2] / 2.0
            for head, own in boxes.items()}
