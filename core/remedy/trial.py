"""Heads tried out: each is really made and really proven, and kept so that it is proven once."""
from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from ..errors import GeometryError, SpecError
from ..head import make_head
from ..proof import Finding, prove
from ..proof.findings import VERDICTS
from ..proof.spread import PLAN
from ..proof.spread import keyed as of_one_state
from ..spec import Spec
from ..trade.house_rules import HouseRules

Progress = Callable[[str, int], None]
"""Told what is being looked for and how many heads were tried so far; it stops the work by raising Cancelled."""

Key = tuple[str, str, str, int]
"""State of a finding, its code, its title where that names one of several parts, and its number."""

SPREAD = "spread."
"""Findings on the tolerances: a head that is tried has none."""


@dataclass(frozen=True, eq=False)
class Trial:
    """One head: its spec and its findings by key; refused says why there is none."""

    spec: Spec
    findings: dict[Key, Finding]
    refused: str = ""

    def of(self, verdict: str) -> list[Key]:
        return [key for key, each in self.findings.items() if each.verdict == verdict]

    @property
    def score(self) -> tuple[int, int]:
        """How many findings are unsafe and how many to watch; a head that can't be made is worse than any."""
        return (10**6, 10**6) if self.refused else (len(self.of("unsafe")), len(self.of("watch")))

    def worst_of(self, code: str) -> int:
        """The gravest verdict of a code, as its place in VERDICTS; of a code that is not there, as if sound."""
        return min((VERDICTS.index(each.verdict) for each in self.findings.values() if each.code == code),
                   default=len(VERDICTS) - 1)

    def is_no_worse_than(self, other: Trial) -> bool:
        """True if no finding is graver than it was; one that was not there before counts as the gravest of its code."""
        if self.refused:
            return False
        for key, each in self.findings.items():
            before = other.findings.get(key)
            then = VERDICTS.index(before.verdict) if before else other.worst_of(each.code)
            if VERDICTS.index(each.verdict) < then:
                return False
        return True


class Trials:
    """Makes and proves heads for specs in one or more states, without any spread."""

    def __init__(self, states: Sequence[str], rules: HouseRules, progress: Progress | None = None) -> None:
        self.states, self.rules = tuple(states), rules
        self._progress = progress
        self._known: dict[tuple[Spec, str], Trial] = {}
        self._seen: set[Spec] = set()
        self._whole: dict[Spec, Trial] = {}
        self._strictest = list(states)
        self.aim = "looking for a remedy"

    @property
    def count(self) -> int:
        """How many heads were tried."""
        return len(self._seen)

    def of(self, spec: Spec) -> Trial:
        """The head for a spec, made and proven in every state. Raises Cancelled if progress does."""
        if spec not in self._whole:
            self._whole[spec] = self._in_all(spec)
        return self._whole[spec]

    def _in_all(self, spec: Spec) -> Trial:
        findings: dict[Key, Finding] = {}
        for state in self.states:
            one = self._in(spec, state)
            if one.refused:
                return one
            findings |= one.findings
        return Trial(spec, findings)

    def remake(self, spec: Spec) -> None:
        """Makes and proves a head that was refused once more, to raise the SpecError or GeometryError that refused it."""
        for state in self.states:
            self._proven(spec, state)

    def is_within(self, spec: Spec, score: tuple[int, int]) -> bool:
        """True if a head scores no worse. It is proven state by state, first in the one that decided last, and no further
        than decides."""
        unsafe = watch = 0
        for state in tuple(self._strictest):
            one = self._in(spec, state)
            unsafe, watch = unsafe + one.score[0], watch + one.score[1]
            if (unsafe, watch) > score:
                self._strictest.sort(key=lambda each: each != state)
                return False
        return True

    def _in(self, spec: Spec, state: str) -> Trial:
        if (spec, state) not in self._known:
            if self._progress is not None:
                self._progress(self.aim, self.count)
            self._seen.add(spec)
            try:
                self._known[spec, state] = Trial(spec, keyed(state, self._proven(spec, state)))
            except (SpecError, GeometryError) as error:
                self._known[spec, state] = Trial(spec, {}, str(error))
        return self._known[spec, state]

    def _proven(self, spec: Spec, state: str) -> tuple[Finding, ...]:
        """The whole proof, worst first, but for the spread, which would take ten times as long."""
        return prove(make_head(spec, state, rules=self.rules), self.rules, with_spread=False)


def keyed(state: str, findings: Iterable[Finding]) -> dict[Key, Finding]:
    """Findings by key, without those that hold the solids against the plan."""
    kept = (each for each in findings if not each.code.startswith((PLAN, SPREAD)))
    return {(state, *key): each for key, each in of_one_state(kept).items()}
