"""Findings: what was measured, the limit it was held against, and the verdict.

Equal to the limit passes; a difference smaller than the measurement can read does not count.
"""
from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..trade.alloys import Alloy
from ..trade.house_rules import Rule, alloy_rule

CANNOT = "This check cannot run"
"""How the reason of a check begins that could not measure."""

Verdict = Literal["unsafe", "watch", "sound"]
VERDICTS: tuple[Verdict, ...] = ("unsafe", "watch", "sound")
"""Worst first."""

Point = tuple[float, float, float]
Place = Sequence[float] | NDArray[np.float64] | None


@dataclass(frozen=True)
class Spread:
    """What the tolerances do to one finding: `worst`, the measure in its worst case, and `share_sound`, the share of
    random draws within the tolerances in which it stays sound."""

    worst: float
    share_sound: float


class Bound(NamedTuple):
    """One limit that a measure was held against; `margin(measured)` is 0 or more where it is kept."""

    value: float
    is_least: bool
    verdict: Verdict
    reading: float

    def margin(self, measured: float) -> float:
        """How far inside the bound, in the measure's unit; negative where it is broken."""
        return (measured - self.value if self.is_least else self.value - measured) + self.reading


@dataclass(frozen=True)
class Finding:
    """One check's result.

    code: stable, "family.check"; what: a short title with the part's name; measured and limit in `unit` ("mm", "1"
    for shares, "deg", "mm3", "count", "HV", "N"), None where there is none; place: where on the head, mm; why: one
    sentence; remedy: one sentence, empty if sound; source: of the limit; rule: the house rule's key ("claws.notch_max"),
    empty where the limit is none of them; spread: None where no tolerances were given; bounds: every limit of the check,
    the gravest first.
    """

    code: str
    what: str
    verdict: Verdict
    measured: float | None
    limit: float | None
    unit: str
    place: Point | None
    why: str
    remedy: str
    source: str
    rule: str = ""
    spread: Spread | None = None
    bounds: tuple[Bound, ...] = ()

    @property
    def is_caution(self) -> bool:
        """True if it says something in words alone; False if it was measured, or should have been and could not be."""
        return self.measured is None and not self.why.startswith(CANNOT)

    @property
    def after_figures(self) -> str:
        """The unit as it follows a figure in plain text; nothing after shares and counts."""
        return {"1": "", "count": "", "deg": "°"}.get(self.unit, f" {self.unit}")


class Limit(NamedTuple):
    """One bound of a check: `value`, whether it is the least or the most allowed, and what breaking it means. rule: the
    key of the house rule that it is, if it is one."""

    value: float
    is_least: bool
    verdict: Verdict
    why: str
    source: str
    remedy: str
    rule: str = ""

    def is_kept(self, measured: float, reading: float) -> bool:
        """True if the measurement keeps the bound, to within what it can read."""
        return measured >= self.value - reading if self.is_least else measured <= self.value + reading


def at_least(rule: Rule, verdict: Verdict, remedy: str) -> Limit:
    """A house rule as the least allowed; `remedy` may show the rule's value as {limit}."""
    return Limit(rule.value, True, verdict, rule.why, rule.source, remedy.format(limit=f"{rule.value:.3g}"), rule.key)


def at_most(rule: Rule, verdict: Verdict, remedy: str) -> Limit:
    """A house rule as the most allowed."""
    return Limit(rule.value, False, verdict, rule.why, rule.source, remedy.format(limit=f"{rule.value:.3g}"), rule.key)


def fills(alloy: Alloy, remedy: str) -> tuple[Limit, Limit]:
    """What an alloy needs to fill a section: the casting's least, and the model's."""
    return (
        Limit(alloy.least_cast_mm, True, "unsafe", f"A thinner section of {alloy.name} does not fill.", alloy.making_source,
              remedy, alloy_rule(alloy.name, "cast_least_mm")),
        Limit(alloy.least_model_mm, True, "watch", f"A thinner model of {alloy.name} fills only with luck.",
              alloy.making_source, remedy, alloy_rule(alloy.name, "model_least_mm")),
    )


def rounded_up(mm: float) -> str:
    """A length that a remedy asks for, as text, rounded up to a hundredth: rounded down it would not be enough."""
    return f"{math.ceil(100.0 * max(0.0, mm) - 1e-6) / 100.0:.2f}"


def direction(x: float, y: float) -> str:
    """A way seen from above, as text: whole degrees from 0 to 359, counter-clockwise from the stone's length, as the plan
    counts them."""
    return f"{round(math.degrees(math.atan2(y, x))) % 360}"


def judge(code: str, what: str, measured: float, unit: str, place: Place, limits: Sequence[Limit],
          reading: float, note: str = "") -> Finding:
    """The finding for a measurement against limits, the gravest first.

    `note` is the end of the sentence that says what was seen, for the sake of a reader who did not look. A measurement that
    came to no number, on metal unlike any that is planned, is one that cannot be judged.
    """
    if not math.isfinite(measured):
        return unable(code, what, "the metal there has no such measure", "Look at this place yourself.")
    broken = next((limit for limit in limits if not limit.is_kept(measured, reading)), None)
    # A sound finding shows the bound that it came nearest to.
    shown = broken or min(limits, key=lambda limit: abs(measured - limit.value))
    why = shown.why if not note else f"{shown.why[:-1]}; {note}."
    return Finding(code, what, broken.verdict if broken else "sound", float(measured), float(shown.value), unit,
                   point(place), why, broken.remedy if broken else "", shown.source, shown.rule,
                   bounds=tuple(Bound(each.value, each.is_least, each.verdict, reading) for each in limits))


def unable(code: str, what: str, reason: str, remedy: str) -> Finding:
    """A check that cannot run: never passed off as done."""
    return Finding(code, what, "watch", None, None, "", None, f"{CANNOT}, because {reason}.", remedy,
                   "geometry")


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Unsafe, then watch, then sound; in the order of the checks within each."""
    return tuple(sorted(findings, key=lambda finding: VERDICTS.index(finding.verdict)))


def point(place: Place) -> Point | None:
    """A place as three floats; None for one that came to no number, on metal unlike any that is planned."""
    if place is None or not all(map(math.isfinite, place)):
        return None
    return float(place[0]), float(place[1]), float(place[2])
