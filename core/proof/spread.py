"""What the tolerances of stone, model and casting do to each finding, and which stones this metal still takes.

The proof runs on the head with one thing off at a time, as far as its tolerance goes, either way; between those and
the head as given each measure is taken to run straight, and what several things do together to add up. On that response
the worst corner of all tolerances is found, and random draws are counted. Within its tolerance each thing is taken to be
equally likely anywhere, as where only limits are known (JCGM 100:2008, Guide to the expression of uncertainty in
measurement, 4.3.7).
"""
from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats
from ..spec import Spec
from ..stone import Stone
from ..trade.house_rules import HouseRules
from .findings import Bound, Finding, Limit, Spread, Verdict, judge, unable
from .narrowest import REACH_MM
from .subject import Subject
from .varied import Deviation, Varied

ROUNDING = 1e-12
"""By how much a margin may be under nought for rounding."""

STANDING = 1e-9
"""A measure that is nearer to its limit stands on it. Larger: one that is only just inside is taken to be nowhere near."""

DRAWS = 2000
SEED = 20
"""How many random draws, and where they begin, so that a proof gives the same shares every time."""

PLAN = "plan."
"""Findings that hold the solids against the plan: they say nothing of a stone or a casting that is off."""

TOPOLOGY = ("casting.bodies", "casting.closed", "casting.edges", "casting.blind", "casting.voids", "casting.solid")
"""Findings on what hangs together and on edges, which no small tolerance changes, and on the thickest metal, which is read to a
tenth: other triangles change it by more."""

FACES = {"casting.wall": 2.0, "casting.thin": 2.0, "casting.finished": 2.0, "casting.gap": -2.0, "casting.hole": -2.0}
"""Findings of what lies between two faces, and by how many times the model's offset they change."""

FITTED = ("seat.fits", "seat.rests", "seat.tips", "seat.bearing", "seat.rocks", "seat.clearance")
"""Findings on a finished seat, which the setter fits to the stone that is there."""

SIZE = "spread.stone_size"
PROBES = 5
"""Proofs at most towards each end of the range of stone sizes: halving the farthest, it takes so many to come close."""
FARTHEST = 0.04
"""The farthest change of size that is tried, and the first, as a share of the stone's."""
CLOSE = 0.003
"""How close to the true end the range's end may stay, as a share of the stone's size: 0.015 mm on a stone of 5 mm."""

SLOWER = 1.5
"""By how much slower a margin may fall on its last way to its limit for the end to be that close. Larger: ends that are known
well enough are proven once more; smaller: one that bends is told too near."""

CASTING = "casting."
"""Findings that look at the metal alone."""

POWERS = {"mm": 1, "mm2": 2, "mm3": 3}
"""How a measure of each unit grows with the size of the metal; those of other units do not."""

Examined = Literal["stone", "metal", "size"]
"""What is off: the stone, so that checks which look at the metal alone are left out; the metal too; or the stone's size, where
only checks that can find something unsafe count."""

Examine = Callable[[Subject, Examined], Iterable[Sequence[Finding]]]
"""Runs the checks on a subject, one family after the other as it is asked for."""

Finder = Callable[[], list[Finding]]
"""Finds everything with something off. Raises GeometryError if there is no such metal."""

Key = tuple[str, str, int]
"""A finding's code, title where it needs one, and number."""


@dataclass(frozen=True)
class Tolerances:
    """How far the stone's measures, mm, the model's surfaces, mm, and the shrinkage, per cent, may be off either way."""

    stone_mm: float
    model_mm: float
    casting_percent: float


def tolerances_of(spec: Spec, rules: HouseRules) -> Tolerances | None:
    """What a spec says of tolerances, with the house's for those it leaves out; None if it says nothing."""
    given = spec.section("spread")
    if not given:
        return None
    stone, model, casting = (float(given.get(key, rules.value(f"spread.{key}")))
                             for key in ("stone_mm", "model_mm", "casting_percent"))
    return Tolerances(stone, model, casting)


def spread_over(subject: Subject, findings: Sequence[Finding], tolerances: Tolerances,
                examine: Examine) -> list[Finding]:
    """The findings, each measured one with its spread, and the stone sizes that the metal takes.

    A sound finding that is unsafe in its worst case becomes one to watch. `findings` are those of the subject as given.
    """
    varied = Varied(subject)

    def found_at(off: Deviation) -> Callable[[], list[Finding]]:
        return lambda: _found_at(off, varied, findings, examine)

    ends = [(high, found_at(low), found_at(high)) for low, high in ways_of(subject, tolerances)]
    after, response = spread_by(subject, findings, (), ends)
    return [*after, *_sizes(subject, varied, findings, tolerances, examine, response)]


def spread_by(subject: Subject, findings: Sequence[Finding], unsure: Sequence[str],
              ends: Iterable[tuple[Deviation, Finder, Finder]]) -> tuple[list[Finding], _Response]:
    """The findings, each measured one with its spread but for the codes that are unsure, and how they respond. ends: of each
    tolerance its highest, and what finds everything at its lowest and at its highest."""
    response = _Response([each for each in findings if _varies(each, subject) and each.code not in unsure])
    lost = 0
    for highest, *finders in ends:
        try:
            low, high = (find() for find in finders)
        except GeometryError:
            lost += 1
            continue
        response.add(highest, low, high)
    spread = response.spreads()
    after = [spread.get(id(each), each) for each in findings]
    after += [each for each in response.new(subject) if each.code not in unsure]
    if lost:
        after.append(unable("spread.applied", "Spread", "metal as thin as this closes up, or nothing of a stone is left, where a tolerance "
                            "takes it away", "Thicken the metal, or give closer tolerances."))
    return after, response


def _found_at(off: Deviation, varied: Varied, findings: Sequence[Finding], examine: Examine) -> list[Finding]:
    """What is found with this deviation. Raises GeometryError if there is no such metal."""
    found = [each for family in examine(varied.subject_at(off), "metal" if off.model_mm else "stone") for each in family]
    if off.scale != 1.0:
        # Shrinkage leaves the metal's shape as it is but in a cut seat, which follows the stone and is no part of these.
        found += of_casting(findings, off.scale)
    if off.model_mm:
        found += of_model(findings, off.model_mm)
    return found


def of_model(findings: Sequence[Finding], off_mm: float) -> list[Finding]:
    """What lies between two faces, of a model with every face moved outwards by so much. Looked for on moved metal, folds and
    the slots between parts that were moved one by one would be told instead."""
    return [with_measure(each, max(0.0, each.measured + FACES[each.code] * off_mm)) for each in findings
            if each.code in FACES and each.measured not in (None, REACH_MM)]


def of_casting(findings: Sequence[Finding], scale: float) -> list[Finding]:
    """What looks at the metal alone, of metal that is so many times as large; hand work takes as much off it as before."""
    thin = next((each.measured for each in findings if each.code == "casting.thin"), None)
    found = []
    for each in findings:
        if each.code == "casting.finished" and each.measured and thin not in (None, REACH_MM):
            assert thin is not None
            found.append(with_measure(each, max(0.0, each.measured + thin * (scale - 1.0))))
        elif each.code.startswith(CASTING):
            found.append(_scaled(each, scale))
    return found


def _scaled(finding: Finding, scale: float) -> Finding:
    """The same of metal that is so many times as large; what was not found within reach is not for that."""
    if finding.measured in (None, REACH_MM) or finding.unit not in POWERS:
        return finding
    assert finding.measured is not None
    return with_measure(finding, finding.measured * scale ** POWERS[finding.unit])


def with_measure(finding: Finding, measured: float) -> Finding:
    """The same finding, had it measured so much."""
    broken = next((bound for bound in finding.bounds if bound.margin(measured) < 0.0), None)
    return replace(finding, measured=measured, verdict=broken.verdict if broken else "sound")


def _varies(finding: Finding, subject: Subject) -> bool:
    code = finding.code
    return (finding.measured is not None and math.isfinite(finding.measured) and bool(finding.bounds)
            and not code.startswith(PLAN)
            and code not in TOPOLOGY and not (subject.is_set and code in FITTED))


def ways_of(subject: Subject, tolerances: Tolerances) -> list[tuple[Deviation, Deviation]]:
    """What may be off by itself, each at its lowest and highest."""
    ways = ways_of_stones([subject.stone], tolerances)
    more = {"model_mm": tolerances.model_mm, "casting_percent": tolerances.casting_percent}
    ways += [{name: off} for name, off in more.items() if off]
    return ends_of(ways)


def ways_of_stones(stones: Iterable[Stone], tolerances: Tolerances) -> list[dict[str, float]]:
    """What may be off by itself of stones that are off alike, at its highest. Round ones have one diameter."""
    off = tolerances.stone_mm
    if not off:
        return []
    is_round = all(stone.outline.is_one_piece for stone in stones)
    level = [{"length_mm": off, "width_mm": off}] if is_round else [{"length_mm": off}, {"width_mm": off}]
    return [*level, {"depth_mm": off}]


def ends_of(ways: Iterable[Mapping[str, float]]) -> list[tuple[Deviation, Deviation]]:
    """Ways to be off, each at its lowest and its highest, which are given."""
    return [(Deviation(**{name: -off for name, off in way.items()}), Deviation(**way)) for way in ways]


@dataclass(frozen=True, eq=False)
class _Answer:
    """How a finding answers to all tolerances: its bounds, its own margins (b,), and by how much its margins (t, 2, b) and its
    measure (t, 2) differ at each tolerance's ends."""

    finding: Finding
    bounds: tuple[Bound, ...]
    own: Floats
    margins: Floats
    measures: Floats


class _Response:
    """How each finding answers to each tolerance: measures and margins at both ends, less those of the head as given."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self._keys = keyed(findings)
        self._ends: list[tuple[Mapping[Key, Finding], Mapping[Key, Finding]]] = []
        self._highest: list[Deviation] = []

    def add(self, highest: Deviation, low: Sequence[Finding], high: Sequence[Finding]) -> None:
        """One more tolerance: its highest, and the findings at its lowest and at its highest."""
        self._ends.append((keyed(low), keyed(high)))
        self._highest.append(highest)

    def spreads(self) -> dict[int, Finding]:
        """id of each finding -> the same with its spread."""
        if not self._keys:
            return {}
        answers = [self._answer(key, finding) for key, finding in self._keys.items()]
        own, margins = np.concatenate([each.own for each in answers]), np.concatenate([each.margins for each in answers], axis=2)
        draws = np.random.default_rng(SEED).uniform(-1.0, 1.0, (DRAWS, len(self._ends)))
        drawn = own + np.maximum(-draws, 0.0) @ margins[:, 0] + np.maximum(draws, 0.0) @ margins[:, 1]
        starts = np.cumsum([0, *(len(each.own) for each in answers[:-1])])
        shares = np.logical_and.reduceat(drawn >= -ROUNDING, starts, axis=1).mean(axis=0).tolist()
        return {id(each.finding): _spread(each, share) for each, share in zip(answers, shares)}

    def _answer(self, key: Key, finding: Finding) -> _Answer:
        bounds = _bounds(finding)
        own = np.array(_margins(finding, finding, bounds))
        at_ends = [[end.get(key, finding) for end in pair] for pair in self._ends]
        # (tolerances, 2 ends, bounds) and (tolerances, 2 ends): by how much each end differs.
        margins = np.array([[_margins(each, finding, bounds) for each in pair] for pair in at_ends]
                           ).reshape(len(at_ends), 2, len(bounds)) - own
        assert finding.measured is not None
        measures = np.array([[_measure(each, finding) for each in pair] for pair in at_ends]).reshape(-1, 2) - finding.measured
        return _Answer(finding, bounds, own, margins, measures)

    def growth_to_unsafe(self, stone: Stone, way: float) -> float:
        """At which growth (way 1) or loss (way -1) of the stone, as a share of its size, what its tolerances do, carried on
        straight, takes an unsafe bound to its limit; inf if none."""
        end = 0 if way < 0.0 else 1
        changes = [stone.width_mm / off.width_mm if off.width_mm else stone.length_mm / off.length_mm if off.length_mm
                   else stone.depth_mm / off.depth_mm if off.depth_mm else 0.0 for off in self._highest]
        nearest = math.inf
        for key, finding in self._keys.items():
            if finding.unit == "count" or finding.verdict == "unsafe":
                continue
            for i, bound in enumerate(finding.bounds):
                if bound.verdict != "unsafe":
                    continue
                own = _margins(finding, finding, finding.bounds)[i]
                ends = [_margins(each[end].get(key, finding), finding, finding.bounds)[i] for each in self._ends]
                slope = sum(change * (margin - own) for change, margin in zip(changes, ends))
                if slope < 0.0:
                    nearest = min(nearest, -own / slope)
        return nearest

    def new(self, subject: Subject) -> list[Finding]:
        """What is wrong only where something is off: to watch, with the reason."""
        found: dict[Key, Finding] = {}
        for pair in self._ends:
            for end in pair:
                for key, each in end.items():
                    if key not in self._keys and each.verdict == "unsafe" and _varies(each, subject):
                        why = f"The head as given is free of this, but not within the tolerances. {each.why}"
                        found.setdefault(key, replace(each, verdict="watch", why=why))
        return list(found.values())


def _spread(answer: _Answer, share: float) -> Finding:
    """The finding with its worst case, and the share of draws in which it stays sound."""
    finding, bounds, margins = answer.finding, answer.bounds, answer.margins
    worst = answer.own + np.minimum(margins.min(axis=1), 0.0).sum(axis=0)
    broken = [i for i in range(len(bounds)) if worst[i] < -ROUNDING]
    unsafe = [i for i in broken if bounds[i].verdict == "unsafe"]
    shown = min(unsafe or broken or range(len(bounds)), key=lambda i: float(worst[i]))
    # At each tolerance's worse end; where neither is worse, the head as given.
    ends = margins[:, :, shown].argmin(axis=1)
    taken = margins[:, :, shown].min(axis=1) < 0.0
    assert finding.measured is not None
    measured = finding.measured + float((answer.measures[np.arange(len(ends)), ends] * taken).sum())
    # What no tolerance alone takes below nothing is nothing at least where they add up.
    measured = max(measured, min(0.0, finding.measured + float(answer.measures.min(initial=0.0))))
    found = replace(finding, spread=Spread(measured, share))
    wished = [bounds[i] for i in broken if i not in unsafe and bounds[i] in finding.bounds]
    return _doubtful(found, bounds[shown], wished) if finding.verdict == "sound" and unsafe else found


def keyed(findings: Iterable[Finding]) -> dict[Key, Finding]:
    """By code, and by title where there are several of a code: a title may name the claw that is worst, which is another
    one where something else is off. A further one of the same gets a number."""
    findings = list(findings)
    several = Counter(each.code for each in findings)
    found: dict[Key, Finding] = {}
    for each in findings:
        key = (each.code, each.what if several[each.code] > 1 else "", 0)
        while key in found:
            key = (*key[:2], key[2] + 1)
        found[key] = each
    return found


SAID: tuple[Verdict, ...] = ("unsafe", "watch")


def _bounds(finding: Finding) -> tuple[Bound, ...]:
    """The bounds whose margins run straight. A count, a measure that stands on its limit and one with no limit say
    nothing of how far they are from it: there only the verdict counts, which is taken to change half way."""
    assert finding.measured is not None
    is_smooth = finding.unit != "count" and all(abs(bound.margin(finding.measured)) > STANDING for bound in finding.bounds)
    if finding.bounds and is_smooth:
        return finding.bounds
    return tuple(Bound(0.0, True, verdict, 0.0) for verdict in SAID)


def _margins(finding: Finding, given: Finding, bounds: tuple[Bound, ...]) -> list[float]:
    """How far a finding is inside each bound of the given one."""
    if bounds != given.bounds:
        grade = SAID.index(finding.verdict) if finding.verdict in SAID else len(SAID)
        return [1.0 if grade > i else -1.0 for i in range(len(SAID))]
    measured = _measure(finding, given)
    # A limit may move with what is off, as when it is the stone's own width.
    own = finding.bounds if len(finding.bounds) == len(bounds) else bounds
    return [bound.margin(measured) for bound in own]


def _measure(finding: Finding, given: Finding) -> float:
    for each in (finding, given):
        if each.measured is not None and math.isfinite(each.measured):
            return each.measured
    return 0.0


def _doubtful(finding: Finding, bound: Bound, wished: Sequence[Bound]) -> Finding:
    """A sound finding whose worst case is unsafe. wished: what it must keep to stay sound, where that is stricter."""
    assert finding.spread is not None
    unit = finding.after_figures
    side = "least" if bound.is_least else "most"
    limit = f", where {bound.value:.3g}{unit} is the {side} that is safe" if bound in finding.bounds else ", which is unsafe"
    share = 100.0 * finding.spread.share_sound
    kept = " and ".join(f"{each.value:.3g}{unit} or {'more' if each.is_least else 'less'}" for each in wished)
    why = (f"As given it is sound, but within the tolerances it can come to {finding.spread.worst:.3g}{unit}{limit}; "
           f"{share:.0f} % of {DRAWS} draws stay sound{f', with {kept}' if kept else ''}.")
    return replace(finding, verdict="watch", limit=bound.value if bound in finding.bounds else finding.limit, why=why,
                   remedy="Choose it further from its limit, or hold the tolerances closer.")


# The stones that the metal takes.


def _sizes(subject: Subject, varied: Varied, findings: Sequence[Finding], tolerances: Tolerances,
           examine: Examine, response: _Response) -> list[Finding]:
    """The smallest and the largest stone that nothing is unsafe with, in the same proportions and this very metal."""
    given = keyed(findings)
    if any(each.verdict == "unsafe" for each in findings):
        return [unable(SIZE, "Stone sizes that this metal takes", "the head is unsafe with the stone as given",
                       "Make it sound first.")]
    width = subject.stone.width_mm
    low, high = (width * _farthest(given, varied, subject, examine, way, response.growth_to_unsafe(subject.stone, way))
                 for way in (-1.0, 1.0))
    why = f"Stones of these proportions from {low:.2f} to {high:.2f} mm wide leave nothing unsafe in this metal."
    if low <= width * (1.0 - FARTHEST) or high >= width * (1.0 + FARTHEST):
        why = f"{why[:-1]}; none farther off than {100 * FARTHEST:.0f} % was tried."
    remedy = "Match the stone to the head more closely, or make the head for the very stone."
    found = []
    for what, size, is_least in (("Smallest stone that this metal takes, width", low, False),
                                 ("Largest stone that this metal takes, width", high, True)):
        must = width + tolerances.stone_mm if is_least else width - tolerances.stone_mm
        limit = Limit(must, is_least, "watch", why, "geometry", remedy)
        found.append(judge(SIZE, what, size, "mm", None, [limit], CLOSE * width))
    return found


def _farthest(given: Mapping[Key, Finding], varied: Varied, subject: Subject, examine: Examine, way: float,
              expected: float) -> float:
    """The farthest size, as a share of the stone's, at which nothing is found unsafe; each tried one is proven.

    The first is a little short of where one is expected, as a share by which the size differs, or the farthest where that is
    as near. The unsafe margins of two proofs say where the next one goes: of the last two while all are good, then of the
    last good and the nearest bad one. While all are good there is no need to go past a crossing that is close. Past
    others the next one closes in on them.
    """
    # By how much the size differs, and what is found there.
    good, bad, past = (0.0, given), (math.inf, given), math.inf
    step = FARTHEST if abs(expected - FARTHEST) <= CLOSE / 2.0 else min(max(expected - CLOSE / 2.0, CLOSE / 2.0), FARTHEST)
    for _ in range(PROBES):
        before = good
        now = _proven(varied, subject, examine, 1.0 + way * step, step - good[0] > CLOSE)
        if now is None or any(_is_against(each, subject) for each in now.values()):
            bad, past = (step, now or {}), math.inf
        else:
            good = (step, now)
        if bad[0] - good[0] <= CLOSE or good[0] == FARTHEST:
            break
        if bad[0] == math.inf:
            crossing = _crossing(before, good, subject)
            if crossing - good[0] <= CLOSE / SLOWER:
                break
            step = min(_aim(crossing, good[0]), FARTHEST)
        elif good[0] < past < bad[0]:
            step, past = min(past, good[0] + CLOSE), math.inf
        else:
            crossing = _crossing(good, bad, subject)
            aim = _aim(crossing, good[0])
            step, past = aim if aim < bad[0] else (good[0] + bad[0]) / 2.0, crossing + CLOSE / 2.0
    return 1.0 + way * good[0]


def _aim(crossing: float, good: float) -> float:
    """The next step: short of a crossing, as long as that leads on; then past it, as far as is close enough."""
    short = crossing - CLOSE / 2.0
    return short if short > good + CLOSE / 2.0 else min(crossing + CLOSE / 2.0, good + CLOSE)


def _is_against(finding: Finding, subject: Subject) -> bool:
    """Whether a finding speaks against a size."""
    return finding.verdict == "unsafe" and _varies(finding, subject)


def _proven(varied: Varied, subject: Subject, examine: Examine, factor: float, is_whole: bool) -> dict[Key, Finding] | None:
    """The findings with a stone of that size, by key; if not as a whole, only as far as to the first family of checks that
    speaks against it. None where stone or metal can't be."""
    found: list[Finding] = []
    try:
        for family in examine(varied.subject_of_size(factor), "size"):
            found += family
            if not is_whole and any(_is_against(each, subject) for each in family):
                break
    except GeometryError:
        return None
    return keyed(found)


def _crossing(before: tuple[float, Mapping[Key, Finding]], now: tuple[float, Mapping[Key, Finding]],
              subject: Subject) -> float:
    """The nearest step at which a line through two steps' margins takes an unsafe bound to its limit."""
    (first, old), (second, new) = before, now
    nearest = math.inf
    for key, each in new.items():
        other = old.get(key)
        if other is None or not _varies(each, subject) or not _varies(other, subject) or each.unit == "count":
            continue
        if len(each.bounds) != len(other.bounds):
            continue
        assert each.measured is not None and other.measured is not None
        for mine, its in zip(each.bounds, other.bounds, strict=True):
            if mine.verdict != "unsafe":
                continue
            a, b = its.margin(other.measured), mine.margin(each.measured)
            slope = (b - a) / (second - first)
            # One that stood on its limit says nothing of how far it was from it.
            if slope < 0.0 and abs(a) > STANDING:
                nearest = min(nearest, second - b / slope)
    return nearest
