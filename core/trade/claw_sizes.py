"""The usual diameter of a claw, from the stone, the count and the metal. From memory: no table is published."""
from __future__ import annotations

from functools import cache

from ..dimension import MEMORY, Dimension
from ..errors import Fault, SpecError
from .table import pick, read_table

START_MM = 0.36
RISE = 0.12
"""Four claws: START_MM + RISE × stone diameter, fitted to trade practice for stones of 1 to 12 mm, from memory. The
same line is carried on beyond them, which keeps melee claws castable and large claws in proportion."""

FAMILY_FACTORS = {"gold": 1.0, "silver": 1.1, "platinum": 0.9, "palladium": 1.0, "base": 1.1}
"""Platinum is tougher and silver softer than gold (from memory); palladium and base metals as gold and silver
(common practice, no source)."""


@cache
def claw_factors() -> dict[int, float]:
    """Diameter of one claw out of so many, as a share of one out of four, by count."""
    return {int(row.number("count")): row.number("factor") for row in read_table("claw_factors.csv").rows}


def claw_diameter(stone_mm: float, count: int, family: str = "gold") -> Dimension:
    """The usual diameter, mm, of a round claw at the seat before setting.

    stone_mm is the stone's diameter, or its width if it is not round; family is the alloy's ("gold"). SpecError for a
    count outside 2 to 16 or an unknown family.
    """
    factors = claw_factors()
    if count not in factors:
        raise SpecError(Fault("claws.count", count, f"it must be a whole number from {min(factors)} to {max(factors)}"))
    diameter_mm = (START_MM + RISE * stone_mm) * factors[count] * pick("alloy family", family, FAMILY_FACTORS)
    reason = f"Usual for {count} claws of {family} round a stone of {stone_mm:g} mm."
    return Dimension("claw_diameter", diameter_mm, "mm", reason, MEMORY)
