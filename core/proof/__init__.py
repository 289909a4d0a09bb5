"""The proof: solids measured and held against the house rules, worst finding first."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..head import Head
from ..trade.house_rules import HouseRules, house_rules
from .agreement import check_agreement
from .casting import check_casting
from .claws import check_claws
from .findings import VERDICTS, Finding, unable, worst_first
from .retention import check_retention
from .seat import check_seat
from .subject import Subject, subject_of
from .wear import check_wear

CHECKS = (check_seat, check_claws, check_retention, check_casting, check_wear, check_agreement)
"""The families of checks, in the order in which their findings come."""

__all__ = ["CHECKS", "VERDICTS", "Finding", "Subject", "prove", "prove_subject", "subject_of"]


def prove(head: Head, rules: HouseRules | None = None) -> tuple[Finding, ...]:
    """Every finding for a head, worst first. Raises GeometryError if its solids can't be made."""
    findings = prove_subject(subject_of(head), rules)
    if not head.spec.section("spread"):
        return findings
    reason = "worst cases are not computed yet, and every figure holds for the sizes as given"
    return worst_first([*findings, unable("spread.applied", "Spread", reason,
                                          "Prove the head again with the stone at its largest and at its smallest.")])


def prove_subject(subject: Subject, rules: HouseRules | None = None) -> tuple[Finding, ...]:
    """Every finding for metal and stone, however they came about, worst first."""
    rules = rules or house_rules()
    metal = rules.for_alloy(subject.alloy)
    if metal is not subject.alloy:
        subject = replace(subject, alloy=metal)
    # Ways that meet nothing are endless or not a number, and stay so through the sums.
    with np.errstate(invalid="ignore"):
        return worst_first(finding for check in CHECKS for finding in check(subject, rules))
