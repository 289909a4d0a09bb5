"""British hallmarks: which fineness an alloy may be marked with, and from which weight on it must be."""
from __future__ import annotations

from functools import cache

from .alloys import Alloy
from .house_rules import HouseRules
from .table import read_table


@cache
def legal_finenesses(family: str) -> tuple[int, ...]:
    """The finenesses, parts in a thousand, that may be marked on this family of metal, lowest first."""
    rows = read_table("hallmarks.csv").rows
    return tuple(int(row.number("fineness")) for row in rows if row.text("family") == family)


def hallmark_fineness(alloy: Alloy) -> int | None:
    """The highest mark that the alloy reaches, with no tolerance below it; None if it may not be sold as precious."""
    reached = [mark for mark in legal_finenesses(alloy.family) if mark <= alloy.fineness_ppt]
    return reached[-1] if reached else None


def needs_hallmark(alloy: Alloy, metal_g: float, rules: HouseRules) -> bool:
    """True if a piece with so much metal, without stones, must be marked before it is sold as precious."""
    return hallmark_fineness(alloy) is not None and metal_g > rules.value(f"law.hallmark_{alloy.family}_g")
