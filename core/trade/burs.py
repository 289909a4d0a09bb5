"""Setting burs by nominal diameter, and which one cuts the seat of a stone."""
from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from ..errors import Fault, SpecError
from ..tolerance import SAME_POINT_MM
from .table import Row, read_table

MOST_UNDER_MM = 0.1
"""How far under the stone a bur may be and still cut its seat: "equal or slightly under" (Professional Jeweler,
June 2004: 6.38 mm for a 6.40 mm stone); the tenth is the step between gauges."""


@dataclass(frozen=True)
class Bur:
    """One nominal bur size. `code` is the diameter in tenths of a mm, three digits (ISO 2157)."""

    code: str
    diameter_mm: float
    is_preferred: bool
    source: str
    edition: str
    tag: str

    @property
    def designation(self) -> str:
        """How the size is written on an order."""
        return f"ISO 2157 size {self.code}"


@dataclass(frozen=True)
class BurChoice:
    """The bur for a seat; `remark` says what the setter must do if none fits, and is empty if it does."""

    bur: Bur
    remark: str


@cache
def burs() -> tuple[Bur, ...]:
    """Every nominal size, smallest first."""
    return tuple(map(_bur, read_table("burs.csv").rows))


def seat_bur(stone_mm: float) -> BurChoice:
    """The largest bur not above the stone's diameter, mm. SpecError if no bur is that small."""
    fitting = [bur for bur in burs() if bur.diameter_mm <= stone_mm + SAME_POINT_MM] if math.isfinite(stone_mm) else []
    if not fitting:
        least = burs()[0].diameter_mm
        raise SpecError(Fault("stone.width_mm", stone_mm, f"the smallest setting bur is {least:g} mm"))
    bur = fitting[-1]
    under_mm = stone_mm - bur.diameter_mm
    if under_mm <= MOST_UNDER_MM + SAME_POINT_MM:
        return BurChoice(bur, "")
    return BurChoice(bur, f"the nearest bur is {under_mm:.2f} mm under the stone, more than {MOST_UNDER_MM:g} mm; "
                          "open the seat by hand or lead the bur round the seat")


def _bur(row: Row) -> Bur:
    return Bur(row.text("code"), row.number("diameter"), row.flag("preferred"),
               row.text("source"), row.text("edition"), row.text("tag"))
