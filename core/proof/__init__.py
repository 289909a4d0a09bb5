"""The proof: solids measured and held against the house rules, worst finding first."""
from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from ..head import Head
from ..head.trilogy import Side
from ..tolerance import READ_MM
from ..trade.house_rules import HouseRules, house_rules
from .agreement import check_agreement
from .casting import check_casting, check_poured, check_sizes, check_whole
from .claws import check_claws
from .findings import VERDICTS, Finding, Spread, point, worst_first
from .marks import check_marks
from .narrowest import REACH_MM
from .proportions import check_proportions
from .retention import check_held, check_retention
from .rim import check_rim
from .seat import check_rests, check_seat, check_seated
from .several import Several, several_of
from .sides import check_sides
from .spread import Examined, Tolerances, spread_over, tolerances_of
from .spread_all import spread_over_all
from .species_limits import check_species
from .strength import check_strength
from .subject import Subject, subject_of
from .surround import check_surround
from .wear import check_caught, check_wear, check_worn

CHECKS = (check_seat, check_claws, check_retention, check_strength, check_rim, check_casting, check_wear,
          check_proportions, check_species, check_marks, check_agreement)
"""The families of checks, in the order in which their findings come."""

OF_STONE_AND_METAL = tuple(check for check in CHECKS if check not in (check_proportions, check_species, check_marks, check_agreement))
OF_STONE = (check_seated, check_worn, *(check for check in OF_STONE_AND_METAL if check not in (check_seat, check_casting, check_wear)))
"""The families that a stone which is off changes: neither what the metal is as a casting and what on it catches, nor what is
only told."""

OF_SIZE = (check_rests, check_claws, check_held, check_rim)
"""What can find something unsafe, and so says which stones this metal takes."""

OF_ALL_METAL = ("casting.bodies", "casting.closed", "casting.voids", "casting.sprue", "marks.hallmark", "marks.nickel",
                "marks.lead", "marks.cadmium")
"""Findings that hold for all the metal of a head with several stones, and are said of that alone."""

OF_ANY_PART = ("casting.thin", "casting.gap", "casting.hole", "casting.blind", "casting.edges", "wear.snag", "wear.points")
"""Findings that all the metal adds only where it is worse than each head by itself: where heads are joined."""

SAID_ONCE = ("wear.hardness", "marks.")
"""Findings of a side head that only repeat the centre's."""

NEWS = 2.0 * READ_MM
"""How much worse all the metal must be than one head for news. Smaller: the same place is told twice."""

Check = Callable[[Subject, HouseRules], Iterable[Finding]]

__all__ = ["CHECKS", "VERDICTS", "Finding", "Spread", "Subject", "Tolerances", "prove", "prove_subject", "subject_of",
           "tolerances_of"]


def prove(head: Head, rules: HouseRules | None = None, with_spread: bool = True) -> tuple[Finding, ...]:
    """Every finding for a head, worst first, with the spread that its spec asks for unless that is left for later. Raises
    GeometryError if its solids can't be made.

    Each main stone is proven with the metal of its own head; then all metal and all stones together.
    """
    rules = rules or house_rules()
    tolerances = tolerances_of(head.spec, rules) if with_spread else None
    if head.centre is head:
        return prove_subject(subject_of(head), rules, tolerances)
    centre = replace(subject_of(head.centre), is_of_several=True)
    found = [finding for finding in prove_subject(centre, rules, tolerances) if finding.code not in OF_ALL_METAL]
    # As made, left and right are one head, put in two places.
    own = {each: prove_subject(replace(subject_of(each), is_of_several=True), rules, tolerances)
           for each in dict.fromkeys(side.head for side in head.sides)}
    found += [_beside(finding, side) for side in head.sides for finding in own[side.head]
              if finding.code not in OF_ALL_METAL and not finding.code.startswith(SAID_ONCE)]
    several = several_of(head)
    whole = _of_alloy(replace(centre, metal=several.metal, parts=several.parts,
                              others=several.stones[1:]), rules)
    together = replace(several, alloy=whole.alloy)
    thin_mm = min((each.measured for each in found if each.code == "casting.thin" and each.measured), default=REACH_MM)

    def examine(varied: Subject, stones: Several, moves_metal: bool) -> list[Finding]:
        with np.errstate(invalid="ignore"):
            poured = check_poured(varied, rules) if moves_metal else ()
            return [*poured, *check_surround(stones, rules), *check_sides(stones, rules)]

    with np.errstate(invalid="ignore"):
        told = [*check_whole(whole, rules, thin_mm), *check_caught(whole, rules), *check_marks(whole, rules),
                *examine(whole, together, False)]
        if tolerances is not None:
            told = spread_over_all(whole, together, told, tolerances, examine)
    found += [_of_all(each) if each.code in OF_ANY_PART else each for each in told if _is_news(each, found)]
    return worst_first(found)


def _is_news(finding: Finding, found: Sequence[Finding]) -> bool:
    """Whether a finding of all metal is worse than what each head tells of its own."""
    if finding.code not in OF_ANY_PART or finding.measured is None:
        return finding.code not in OF_ANY_PART
    own = [each.measured for each in found if each.code == finding.code and each.measured is not None]
    return all(bound.margin(finding.measured) < bound.margin(measured) - NEWS for bound in finding.bounds[:1] for measured in own)


def _of_all(finding: Finding) -> Finding:
    return replace(finding, what=f"All metal: {finding.what[0].lower()}{finding.what[1:]}")


def _beside(finding: Finding, side: Side) -> Finding:
    """A side head's own finding as one of the whole head."""
    place = None if finding.place is None else point(side.at(np.array([finding.place]))[0])
    return replace(finding, what=f"{side.name.capitalize()} stone: {finding.what}", place=place)


def _of_alloy(subject: Subject, rules: HouseRules) -> Subject:
    """The subject with the workshop's own limits for its alloy."""
    metal = rules.for_alloy(subject.alloy)
    return subject if metal is subject.alloy else replace(subject, alloy=metal)


def prove_subject(subject: Subject, rules: HouseRules | None = None,
                  tolerances: Tolerances | None = None) -> tuple[Finding, ...]:
    """Every finding for metal and stone, however they came about, worst first; with their spread if there are
    tolerances."""
    rules = rules or house_rules()
    subject = _of_alloy(subject, rules)
    found = _examined(subject, rules, CHECKS)
    if tolerances is None:
        return worst_first(found)

    def examine(varied: Subject, what: Examined) -> Iterator[list[Finding]]:
        checks = OF_SIZE if what == "size" else (*OF_STONE, *((check_sizes,) if what == "metal" else ()))
        return (_examined(varied, rules, [check]) for check in checks)

    return worst_first(spread_over(subject, found, tolerances, examine))


def _examined(subject: Subject, rules: HouseRules, checks: Sequence[Check]) -> list[Finding]:
    # Ways that meet nothing are endless or not a number, and stay so through the sums.
    with np.errstate(invalid="ignore"):
        return [finding for check in checks for finding in check(subject, rules)]
