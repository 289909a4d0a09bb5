"""The least of changes that makes a head sound: nothing unsafe, as little as can be to watch, and every pin kept.

Where planning the open dimensions anew makes it sound and all but one of them can be brought back, that one is the change.
Else, from the head as it is, each dimension that may change is moved a little and the proof read again; that says how every
margin answers. The shortest step that brings all margins inside their limits is taken, the head is made and proven there,
and the answers are corrected by what was seen (C. G. Broyden, 1965), until nothing is unsafe. The same is tried from the
head whose open dimensions are planned anew, and with other counts of claws. What was found is then drawn back, dimension
by dimension, to the least that stays sound.
"""
from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import SpecError
from ..head import STATES, Head, make_head
from ..mesh import Floats
from ..proof.findings import Finding
from ..spec import Spec, Value
from ..trade.house_rules import HouseRules, house_rules
from .least import sparse_step
from .levers import Lever, changed, freed, is_lever, levers_of
from .remedy import Remedy
from .trial import Key, Progress, Trial, Trials

PROBE = 0.25
"""The change, in usual sizes, at which a dimension's effect is read."""

REACH = 4.0
"""The farthest that one step goes, in usual sizes. Larger: it leaves where the answers hold."""

ROUNDS = 7
"""Steps from one start. More: heads that can't be made sound take longer to be told so."""

MOST_TRIED = 150
"""No new start is made after so many heads."""

COUNTS = (1, -1, 2, -2, 3)
"""Other counts of claws that are tried where the given one can't be made sound."""

AWAY = (2.0, 4.0, 8.0)
"""How many usual sizes off a start is looked for where no head can be made."""

PATIENCE = 2
"""Steps without any gain before a start is given up."""

SLACK = 1.0
"""How far inside a limit a step aims, in what the proof reads."""


@dataclass(frozen=True)
class Collision:
    """Two findings that could not be made sound together; second is None where nothing that may change answers the first."""

    first: Finding
    second: Finding | None
    sentence: str


@dataclass(frozen=True)
class Change:
    """What makes a head sound. remedies: one for each dimension to change, the largest change first; before and after:
    findings in every state asked; spec: with the changes; collision: why there is none, if nothing was found; tried: how
    many heads were made and proven."""

    spec: Spec
    remedies: tuple[Remedy, ...]
    before: tuple[Finding, ...]
    after: tuple[Finding, ...]
    collision: Collision | None
    tried: int

    @property
    def is_sound(self) -> bool:
        """True if nothing is unsafe after the changes."""
        return self.collision is None

    @property
    def sentence(self) -> str:
        """What it comes to."""
        if self.collision is not None:
            return self.collision.sentence
        if not self.remedies:
            return "Nothing is unsafe, so nothing needs to change."
        watch = sum(each.verdict == "watch" for each in self.after)
        left = f" {watch} to watch." if watch else ""
        return f"{len(self.remedies)} changes leave nothing unsafe.{left}" if len(self.remedies) > 1 else (
            f"One change leaves nothing unsafe.{left}")


def make_sound(spec: Spec, state: str | Sequence[str] = STATES, rules: HouseRules | None = None,
               progress: Progress | None = None, keep: Collection[str] | None = None) -> Change:
    """The least of changes to `spec` that leaves nothing unsafe in `state` (one or more), and as little as can be to watch.

    keep: the paths of choices that must stay; if left out, all that the spec gives. Nothing is written anywhere. Raises
    SpecError or GeometryError if no head can be made even with every choice that may change left out, and Cancelled if
    progress does.
    """
    states = (state,) if isinstance(state, str) else tuple(state)
    kept = frozenset(path for path, _ in spec) if keep is None else frozenset(keep)
    rules = rules or house_rules()
    trials = Trials(states, rules, progress)
    trials.aim = "making the head sound"
    return _Maker(spec, kept, trials, rules).change()


class _Maker:
    """Looks for the change. best: the best head so far; levers: what may change, with their values in the head as it is."""

    def __init__(self, spec: Spec, kept: frozenset[str], trials: Trials, rules: HouseRules) -> None:
        self.spec, self.kept, self.trials, self.rules = spec, kept, trials, rules
        self.base = trials.of(spec)
        self.anew = freed(spec, [path for path, _ in spec if is_lever(path) and path not in kept])
        self.head = _head(spec, self.anew, rules)
        self.levers = tuple(lever for lever in levers_of(self.head) if lever.path not in kept)
        self.best = self.base
        self.dead: frozenset[str] = frozenset()

    def change(self) -> Change:
        """The change that was found, or why there is none."""
        before = tuple(self.base.findings.values())
        if self.base.score[0] == 0:
            return Change(self.spec, (), before, before, None, self.trials.count)
        found = self._found()
        if found is None:
            return Change(self.spec, (), before, before, self._collision(), self.trials.count)
        return Change(found.spec, self._remedies(found.spec), before, tuple(found.findings.values()), None, self.trials.count)

    def _found(self) -> Trial | None:
        """The best of what the head as it is and the head planned anew lead to, each drawn back; if neither does, what
        another count of claws leads to."""
        found: list[Trial] = []
        anew = self.trials.of(self.anew)
        if anew.score[0] == 0:
            # Often a head planned anew is sound, and all but one of its dimensions can be brought back.
            found.append(self.trials.of(self._drawn_back(anew)))
            if len(self._moved(found[0].spec)) == 1 and found[0].score[1] <= self.base.score[1]:
                return found[0]
        starts = [self.spec] if found else list(dict.fromkeys((self.spec, self.anew)))
        if all(self.trials.of(start).refused for start in starts):
            starts = self._away()
        for start in starts:
            best = self._from(start)
            if best.score[0] == 0:
                found.append(self.trials.of(self._drawn_back(best)))
                if found[-1].score == (0, 0) and len(self._moved(found[-1].spec)) == 1:
                    break  # nothing has less to watch, or fewer changes
        if found:
            return min(found, key=lambda trial: (trial.score, self._changed(trial.spec)))
        for start in self._counted():
            if self.trials.count > MOST_TRIED or self._stays_dead(start):
                return None
            best = self._from(start)
            if best.score[0] == 0:
                return self.trials.of(self._drawn_back(best))
        return None

    def _from(self, start: Spec) -> Trial:
        """The best head that steps from one start lead to: with nothing to watch if that can be, else with nothing unsafe."""
        overall, self.best = self.best, self.trials.of(start)
        for with_watch in (True, False):
            self._descend(start, with_watch)
            if self.best.score[0] == 0:
                break
        best = self.best
        self.best = min(overall, best, key=lambda trial: trial.score)
        return best

    def _stays_dead(self, start: Spec) -> bool:
        """True if what no dimension answers is unsafe in this head, too."""
        trial = self.trials.of(start)
        return any(trial.findings[key].code in self.dead for key in trial.of("unsafe"))

    def _away(self) -> list[Spec]:
        """Starts for a head that can be made neither as it is nor planned anew: each given choice that may change, put as far
        off as it takes until a head can be made."""
        found = []
        for lever in self.levers:
            for way in (1.0, -1.0) if self.spec.get(lever.path) is not None else ():
                values = (lever.rounded(lever.value + way * sizes * lever.size) for sizes in AWAY)
                trials = (self._tried(self.spec, {lever: value}) for value in values if value != lever.value)
                made = next((trial.spec for trial in trials if trial is not None), None)
                found += [] if made is None else [made]
        return found

    def _counted(self) -> list[Spec]:
        """Starts with other counts of claws."""
        count = next((lever for lever in self.levers if lever.path == "claws.count"), None)
        if count is None:
            return []
        return [changed(start, {count: count.value + more}) for more in COUNTS for start in dict.fromkeys((self.spec, self.anew))
                if count.low <= count.value + more <= count.high]

    def _taken(self, trial: Trial) -> None:
        """Keeps the best head so far."""
        if trial.score < self.best.score:
            self.best = trial

    def _descend(self, start: Spec, with_watch: bool) -> None:
        """Steps from one start until nothing is unsafe, or the rounds are over."""
        here = self.trials.of(start)
        self._taken(here)
        if here.refused or (here.score[0] == 0 and not with_watch) or here.score == (0, 0):
            return
        levers = [lever for lever in _at(start, self.levers, self.rules) if lever.kind != "count"]
        values = np.array([lever.value for lever in levers])
        sizes = np.array([lever.size for lever in levers])
        low, high = ((np.array([getattr(lever, side) for lever in levers]) - values) / sizes for side in ("low", "high"))
        keys = _limits(here, with_watch)
        margins = _margins(here, keys)
        answers = self._answers(start, levers, keys, margins)
        self.dead = _dead(here, keys, margins, answers)
        if self.dead:
            return
        offset, stale = np.zeros(len(levers)), 0
        for _ in range(ROUNDS):
            lack = SLACK * _readings(here, keys) - margins
            step = sparse_step(answers, lack, np.maximum(low - offset, -REACH), np.minimum(high - offset, REACH))
            trial, taken = self._stepped(start, levers, offset, step)
            if trial is None:
                return
            stale = 0 if trial.score < self.best.score else stale + 1
            self._taken(trial)
            after = _margins(trial, keys)
            if trial.score[0] == 0 and (not with_watch or trial.score[1] == 0 or not (after < 0.0).any()):
                return
            length = float(taken @ taken)
            if length < 1e-8 or stale > PATIENCE:
                return
            known = np.isfinite(after)
            answers[known] += np.outer((after - margins - answers @ taken)[known] / length, taken)
            margins, offset = np.where(known, after, margins), offset + taken

    def _stepped(self, start: Spec, levers: Sequence[Lever], offset: Floats, step: Floats) -> tuple[Trial | None, Floats]:
        """The head one step on, on round figures; half the step, and half again, where no head can be made."""
        for _ in range(4):
            values = {lever: lever.rounded(lever.value + float(way) * lever.size)
                      for lever, way in zip(levers, offset + step, strict=True)}
            taken = np.array([(values[lever] - lever.value) / lever.size for lever in levers]) - offset
            trial = self._tried(start, values)
            if trial is not None:
                return trial, taken
            step = step / 2.0
        return None, step

    def _tried(self, start: Spec, values: dict[Lever, float]) -> Trial | None:
        moved = {lever: value for lever, value in values.items() if value != lever.value}
        try:
            trial = self.trials.of(changed(start, moved))
        except SpecError:
            return None
        return None if trial.refused else trial

    def _answers(self, start: Spec, levers: Sequence[Lever], keys: Sequence[tuple[Key, int]], margins: Floats) -> Floats:
        """(limits, levers): how each margin changes for one usual size of each lever."""
        answers = np.zeros((len(keys), len(levers)))
        for j, lever in enumerate(levers):
            for way in (1.0, -1.0):
                value = lever.rounded(lever.value + way * max(PROBE * lever.size, lever.step))
                trial = self._tried(start, {lever: value}) if value != lever.value else None
                if trial is None:
                    continue
                self._taken(trial)
                change = (_margins(trial, keys) - margins) / ((value - lever.value) / lever.size)
                answers[:, j] = np.where(np.isfinite(change), change, 0.0)
                break
        return answers

    # What was found, drawn back to the least.

    def _drawn_back(self, trial: Trial) -> Spec:
        """The head with as little changed as keeps it as sound, dimension by dimension, the smallest change first."""
        spec, goal = trial.spec, trial.score
        moved = sorted(self._moved(spec), key=lambda lever: self._size(lever, spec))
        for lever in moved:
            back = _with(spec, lever.path, self.spec.get(lever.path))
            if self._is_as_sound(back, goal):
                spec = back
        for lever in self._moved(spec):
            if lever.kind != "count":
                spec = self._halved(spec, lever, goal)
        return spec

    def _moved(self, spec: Spec) -> list[Lever]:
        """The levers that a spec sets otherwise than the user's."""
        return [lever for lever in self.levers if spec.get(lever.path) != self.spec.get(lever.path)]

    def _size(self, lever: Lever, spec: Spec) -> float:
        """How far a lever is from where it was, in usual sizes."""
        plan = make_head(spec, rules=self.rules).plan
        return abs(plan[lever.name] - lever.value) / lever.size if lever.name in plan else 0.0

    def _changed(self, spec: Spec) -> float:
        """How much is changed over all, in usual sizes."""
        return sum(self._size(lever, spec) for lever in self._moved(spec))

    def _halved(self, spec: Spec, lever: Lever, goal: tuple[int, int]) -> Spec:
        """The same with one dimension brought back towards what it was, on round figures, as far as stays as sound."""
        far = make_head(spec, rules=self.rules).plan[lever.name]
        way = 1 if far > lever.value else -1
        bad, good = 0, max(1, math.ceil(abs(far - lever.value) / lever.step - 1e-6))
        while good - bad > 1:
            middle = (bad + good) // 2
            value = lever.at(middle, way)
            nearer = None if value is None else _with(spec, lever.path, lever.typed(value))
            if nearer is not None and self._is_as_sound(nearer, goal):
                good, spec = middle, nearer
            else:
                bad = middle
        return spec

    def _is_as_sound(self, spec: Spec, goal: tuple[int, int]) -> bool:
        return self.trials.is_within(spec, goal)

    def _remedies(self, spec: Spec) -> tuple[Remedy, ...]:
        """One for each dimension that the choices change, as it comes out in the plan, the largest change first."""
        plan = make_head(spec, rules=self.rules).plan
        found = []
        for lever in sorted(self._moved(spec), key=lambda lever: -self._size(lever, spec)):
            given, after = self.spec.get(lever.path), plan[lever.name]
            before = lever.value if given is None else float(given)
            verb = "Raise" if after > before else "Lower"
            found.append(Remedy(lever.path, before, after, lever.unit, f"{verb} the {lever.words} from {lever.shown(before)} to "
                                f"{lever.shown(after)}{self._helped(spec, lever.path)}."))
        return tuple(found)

    def _helped(self, spec: Spec, path: str) -> str:
        """Why a change is needed: what would be wrong without it."""
        goal = self.trials.of(spec)
        without = self.trials.of(_with(spec, path, self.spec.get(path)))
        if without.refused:
            return ", because without it no such head can be made"
        worse = [without.findings[key] for key in without.of("unsafe")] or [
            without.findings[key] for key in without.of("watch")
            if key not in goal.findings or goal.findings[key].verdict == "sound"]
        return f", because of this: {_said(worse[0])}" if worse else ""

    # Why there is none.

    def _collision(self) -> Collision:
        """The unsafe finding of the best head, and what becomes unsafe where the same levers make it sound."""
        best = self.best if not self.best.refused else self.base
        if best.refused:
            self.trials.remake(self.spec)
        key = best.of("unsafe")[0]
        first = best.findings[key]
        second = self._against(best, key)
        tried = f"Of {count} heads tried none is sound" if (count := self.trials.count) > 1 else "This head is not sound"
        if second is None:
            held = self._held(best, key)
            listed = " and ".join((*([", the ".join(held[:-1])] if held[1:] else []), *held[-1:]))
            pins = f"; it answers to what you keep: the {listed}" if held else ""
            return Collision(first, None, f"{tried}: nothing that may change makes this sound: {_said(first)}{pins}.")
        return Collision(first, second, f"{tried}, because two rules collide: {_said(first)}; and where that is mended, "
                                        f"{_said(second)}.")

    def _against(self, best: Trial, key: Key) -> Finding | None:
        """The gravest finding where one lever mends the first, in the head that is least unsafe then."""
        found: list[tuple[tuple[int, int], Finding]] = []
        for lever in _at(best.spec, self.levers, self.rules):
            for way in (1.0, -1.0):
                for sizes in (1.0, 3.0, 8.0):
                    value = lever.rounded(lever.value + way * sizes * lever.size)
                    trial = self._tried(best.spec, {lever: value}) if value != lever.value else None
                    if trial is None:
                        break
                    own = trial.findings.get(key)
                    if own is not None and own.verdict != "unsafe":
                        worse = [trial.findings[each] for each in trial.of("unsafe")]
                        if worse:
                            found.append((trial.score, worse[0]))
                        break
        return min(found, key=lambda entry: entry[0])[1] if found else None

    def _held(self, best: Trial, key: Key) -> list[str]:
        """The kept dimensions that would mend a finding by themselves or bring it nearer to its limit."""
        own = _margins(best, limits := [(key, i) for i in range(len(best.findings[key].bounds))])
        held = []
        for lever in _at(best.spec, [lever for lever in levers_of(self.head) if lever.path in self.kept], self.rules):
            for way in (1.0, -1.0):
                trial = self._tried(best.spec, {lever: lever.rounded(lever.value + way * lever.size)})
                if trial is not None and (_margins(trial, limits) > own + 1e-6)[own < 0.0].any():
                    held.append(lever.words)
                    break
        return held


def _said(finding: Finding) -> str:
    """A finding with its figures, as part of a sentence."""
    unit = finding.after_figures
    measured = "" if finding.measured is None else f" {finding.measured:.3g}{unit}"
    rule = f" ({finding.rule})" if finding.rule else ""
    limit = "" if finding.limit is None else f", limit {finding.limit:.3g}{unit}{rule}"
    return f"{finding.what[0].lower()}{finding.what[1:]}{measured}{limit}"


def _limits(trial: Trial, with_watch: bool) -> list[tuple[Key, int]]:
    """Every bound that a step has to respect, by its finding and its place there."""
    return [(key, i) for key, each in trial.findings.items() if each.measured is not None
            for i, bound in enumerate(each.bounds) if with_watch or bound.verdict == "unsafe"]


def _dead(here: Trial, keys: Sequence[tuple[Key, int]], margins: Floats, answers: Floats) -> frozenset[str]:
    """The codes of unsafe findings that all steps together cannot bring to their limits, as far as the answers hold."""
    reach = REACH * ROUNDS * np.abs(answers).sum(axis=1, initial=0.0)
    return frozenset(key[1] for (key, i), margin, most in zip(keys, margins, reach, strict=True)
                     if here.findings[key].verdict == "unsafe" and here.findings[key].bounds[i].verdict == "unsafe"
                     and margin + most < 0.0)


def _margins(trial: Trial, limits: Sequence[tuple[Key, int]]) -> Floats:
    """(limits,) how far inside each bound; not a number where the finding is not there."""
    result = np.full(len(limits), np.nan)
    for row, (key, i) in enumerate(limits):
        each = trial.findings.get(key)
        if each is not None and each.measured is not None and i < len(each.bounds):
            result[row] = each.bounds[i].margin(each.measured)
    return result


def _readings(trial: Trial, limits: Sequence[tuple[Key, int]]) -> Floats:
    return np.array([abs(trial.findings[key].bounds[i].reading) if key in trial.findings else 0.0 for key, i in limits])


def _at(spec: Spec, levers: Sequence[Lever], rules: HouseRules) -> list[Lever]:
    """The levers with the values that they have at another spec."""
    plan = make_head(spec, rules=rules).plan
    return [Lever(each.path, each.name, each.kind, plan[each.name], each.low, each.high) for each in levers
            if each.name in plan]


def _with(spec: Spec, path: str, value: Value | None) -> Spec:
    """The spec with one choice as given; None frees it."""
    return spec.with_choices(**{path.replace(".", "__"): value})


def _head(spec: Spec, anew: Spec, rules: HouseRules) -> Head:
    """The head as it is, or as planned anew where it can't be made."""
    try:
        return make_head(spec, rules=rules)
    except SpecError:
        return make_head(anew, rules=rules)
