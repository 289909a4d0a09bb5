"""The proof: solids measured and held against the house rules, worst finding first."""
from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from ..head import Head
from ..trade.house_rules import HouseRules, house_rules
from .agreement import check_agreement
from .casting import check_casting
from .claws import check_claws
from .findings import VERDICTS, Finding, Spread, worst_first
from .marks import check_marks
from .retention import check_retention
from .rim import check_rim
from .seat import check_seat
from .spread import Tolerances, tolerances_of, with_spread
from .species_limits import check_species
from .strength import check_strength
from .subject import Subject, subject_of
from .wear import check_wear

CHECKS = (check_seat, check_claws, check_retention, check_strength, check_rim, check_casting, check_wear, check_species,
          check_marks, check_agreement)
"""The families of checks, in the order in which their findings come."""

OF_STONE_AND_METAL = tuple(check for check in CHECKS if check not in (check_species, check_marks, check_agreement))
OF_STONE = tuple(check for check in OF_STONE_AND_METAL if check is not check_casting)
"""The families that tolerances change: a stone that is off changes nothing of what the metal is as a casting."""

Check = Callable[[Subject, HouseRules], Iterable[Finding]]

__all__ = ["CHECKS", "VERDICTS", "Finding", "Spread", "Subject", "Tolerances", "prove", "prove_subject", "subject_of",
           "tolerances_of"]


def prove(head: Head, rules: HouseRules | None = None) -> tuple[Finding, ...]:
    """Every finding for a head, worst first, with the spread that its spec asks for. Raises GeometryError if its solids
    can't be made."""
    rules = rules or house_rules()
    return prove_subject(subject_of(head), rules, tolerances_of(head.spec, rules))


def prove_subject(subject: Subject, rules: HouseRules | None = None,
                  tolerances: Tolerances | None = None) -> tuple[Finding, ...]:
    """Every finding for metal and stone, however they came about, worst first; with their spread if there are
    tolerances."""
    rules = rules or house_rules()
    metal = rules.for_alloy(subject.alloy)
    if metal is not subject.alloy:
        subject = replace(subject, alloy=metal)
    found = _examined(subject, rules, CHECKS)
    if tolerances is None:
        return worst_first(found)

    def examine(varied: Subject, moves_metal: bool) -> list[Finding]:
        return _examined(varied, rules, OF_STONE_AND_METAL if moves_metal else OF_STONE)

    return worst_first(with_spread(subject, found, tolerances, examine))


def _examined(subject: Subject, rules: HouseRules, checks: Sequence[Check]) -> list[Finding]:
    # Ways that meet nothing are endless or not a number, and stay so through the sums.
    with np.errstate(invalid="ignore"):
        return [finding for check in checks for finding in check(subject, rules)]
