"""The smallest change of one dimension that makes one finding sound, found on heads that are really made and proven."""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import SpecError
from ..head import Head
from ..proof.findings import Finding
from ..trade.house_rules import HouseRules, house_rules
from .levers import Lever, changed, levers_of
from .trial import Key, Progress, Trial, Trials, keyed

PROBE = 0.3
"""The change, in usual sizes, at which a dimension's effect is read. Larger: it jumps over what it should see."""

FARTHEST = 20.0
"""How many usual sizes a dimension is changed by at most: a head so different is another head."""

WORTH_TRYING = 4
"""How many dimensions are followed to the end, the most promising first."""


@dataclass(frozen=True)
class Remedy:
    """One change: the choice's path, its value before and after in `unit` ("mm", "deg", "1" for shares, "count"), and
    the sentence that says so. is_pinned: the user gave the value, so only the user may change it."""

    path: str
    before: float
    after: float
    unit: str
    sentence: str
    is_pinned: bool = False


def solve_remedy(head: Head, findings: Sequence[Finding], finding: Finding, rules: HouseRules | None = None,
                 progress: Progress | None = None, trials: Trials | None = None) -> Remedy | None:
    """The smallest change of one dimension that makes `finding`, one of the head's `findings`, sound and no other graver.

    What the user gave is left alone; only if nothing else helps is such a change suggested, and a change of the stone
    only after that. None if no change of one dimension helps. `trials` of the same state and rules may be shared between
    findings. Raises Cancelled if progress does.
    """
    if finding not in findings:
        raise ValueError("the finding must be one of the head's own")
    trials = trials or Trials((head.state,), rules or house_rules(), progress)
    trials.aim = f"looking for a remedy for: {finding.what}"
    base = trials.of(head.spec)
    key = next((key for key, each in keyed(head.state, findings).items() if each == finding), None)
    if finding.verdict == "sound" or finding.measured is None or key not in base.findings:
        return None
    search = _Search(trials, base, key, finding)
    metal = levers_of(head)
    free = [lever for lever in metal if head.spec.get(lever.path) is None]
    for levers in (free, [lever for lever in metal if lever not in free], levers_of(head, "stone.")):
        best = search.best_of(levers)
        if best is not None:
            lever, value = best
            return _remedy(lever, value, head.spec.get(lever.path) is not None)
    return None


def solve_remedies(head: Head, findings: Sequence[Finding], rules: HouseRules | None = None,
                   progress: Progress | None = None) -> dict[Finding, Remedy | None]:
    """The remedy for each finding that is not sound, worst first; None where no change of one dimension helps."""
    trials = Trials((head.state,), rules or house_rules(), progress)
    return {each: solve_remedy(head, findings, each, trials=trials) for each in findings if each.verdict != "sound"}


def _remedy(lever: Lever, value: float, is_pinned: bool) -> Remedy:
    verb = "Raise" if value > lever.value else "Lower"
    change = f"the {lever.words} from {lever.shown(lever.value)} to {lever.shown(value)}"
    if lever.path.startswith("stone."):
        sentence = f"No change of the metal helps; the stone would have to differ: {verb.lower()} {change}."
    elif is_pinned:
        sentence = f"Nothing that you left open helps; you gave this one, so it is for you to change: {verb.lower()} {change}."
    else:
        sentence = f"{verb} {change}; no other finding gets graver."
    return Remedy(lever.path, lever.value, value, lever.unit, sentence, is_pinned)


class _Search:
    """Follows one dimension after another to where the finding is sound."""

    def __init__(self, trials: Trials, base: Trial, key: Key, finding: Finding) -> None:
        self.trials, self.base, self.key = trials, base, key
        # Where only the worst case is unsafe, the head as given needs as much more room as the tolerances take.
        doubtful = finding.spread if base.findings[key].verdict == "sound" else None
        self._reserve = [0.0 if doubtful is None or bound.verdict != "unsafe" or finding.measured is None else
                         max(0.0, bound.margin(finding.measured) - bound.margin(doubtful.worst)) for bound in finding.bounds]

    def best_of(self, levers: Sequence[Lever]) -> tuple[Lever, float] | None:
        """The lever, and its value, that needs the smallest change in usual sizes."""
        promising = sorted((entry for lever in levers for entry in self._read(lever)), key=lambda entry: entry[0])
        best: tuple[float, Lever, float] | None = None
        for estimate, lever, way in promising[:WORTH_TRYING]:
            if best is not None and estimate > 2.0 * best[0]:
                break
            value = self._nearest(lever, way, estimate)
            if value is not None:
                size = abs(value - lever.value) / lever.size
                if best is None or size < best[0]:
                    best = (size, lever, value)
        return None if best is None else best[1:]

    def _read(self, lever: Lever) -> list[tuple[float, Lever, int]]:
        """How many usual sizes it seems to take, and the first way that helps; nothing where neither does."""
        lack = self._lack(self.base)
        found = []
        count = max(1, round(PROBE * lever.size / lever.step))
        for way in (1, -1):
            trial = self._at(lever, way, count)
            if trial is None:
                continue
            left = self._lack(trial)
            if left < lack - 1e-9:
                moved = count * lever.step / lever.size
                found.append((moved * lack / (lack - left), lever, way))
                break
        return found

    def _at(self, lever: Lever, way: int, count: int) -> Trial | None:
        """The head with the lever that many steps away; None where there is none."""
        value = lever.at(count, way)
        if value is None:
            return None
        try:
            trial = self.trials.of(changed(self.base.spec, {lever: value}))
        except SpecError:
            return None
        return None if trial.refused else trial

    def _lack(self, trial: Trial) -> float:
        """How much the finding lacks: the sum over its bounds of what is missing, in its unit; 0 if it is sound."""
        own = self._found(trial)
        if own is None:
            return 0.0
        lacks = [max(0.0, reserve - bound.margin(own.measured)) for bound, reserve in zip(own.bounds, self._reserves(own))
                 ] if own.measured is not None else []
        return max(sum(lacks), 0.0 if own.verdict == "sound" else 1e-6)

    def _reserves(self, own: Finding) -> list[float]:
        return self._reserve if len(self._reserve) == len(own.bounds) else [0.0] * len(own.bounds)

    def _found(self, trial: Trial) -> Finding | None:
        """The finding in another head; where its part is gone, the gravest of its code there."""
        own = trial.findings.get(self.key)
        if own is not None:
            return own
        same = [each for other, each in trial.findings.items() if other[1] == self.key[1]]
        return min(same, key=lambda each: ("unsafe", "watch", "sound").index(each.verdict), default=None)

    def _nearest(self, lever: Lever, way: int, estimate: float) -> float | None:
        """The value nearest to the present one at which the finding is sound; None if it is nowhere so without another
        finding being graver than it was."""
        most = math.ceil(FARTHEST * lever.size / lever.step)
        bad, good = 0, min(most, max(1, math.ceil(estimate * lever.size / lever.step)))
        limit = most + 1
        while True:
            trial = self._at(lever, way, good)
            if trial is None:
                limit = good
                if limit - bad <= 1:
                    return None
                good = (bad + limit) // 2
                continue
            if self._lack(trial) == 0.0:
                break
            bad = good
            if limit - bad <= 1:
                return None
            good = min(2 * good, (bad + limit) // 2 if limit <= most else most)
            if good <= bad:
                return None
        while good - bad > 1:
            middle = (bad + good) // 2
            trial = self._at(lever, way, middle)
            if trial is not None and self._lack(trial) == 0.0:
                good = middle
            else:
                bad = middle
        final = self._at(lever, way, good)
        return lever.at(good, way) if final is not None and final.is_no_worse_than(self.base) else None
