"""Weights by the trade's estimation formulas, melee sieves and the names of fractions.

These are for stones of which only measures are known, and for holding a computed weight against; the weight of a
modelled stone is its volume times its density.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import cache

from ..errors import Fault, SpecError
from .table import Row, pick, read_table

FORMS: dict[str, Callable[[float, float], float]] = {
    "mean squared": lambda length_mm, width_mm: ((length_mm + width_mm) / 2) ** 2,
    "length width": lambda length_mm, width_mm: length_mm * width_mm,
}
"""What the formula of a cut takes as the area."""


@dataclass(frozen=True)
class Formula:
    """The estimation formula of one cut: weight = form(length, width) × depth × factor of length over width."""

    cut: str
    form: str
    ratios: tuple[float, ...]
    factors: tuple[float, ...]
    sources: tuple[str, ...]

    def factor(self, ratio: float) -> float:
        """The factor at a length over width: linear between the published rows, held at the first and last."""
        if ratio <= self.ratios[0]:
            return self.factors[0]
        for index, upper in enumerate(self.ratios[1:]):
            if ratio <= upper:
                lower = self.ratios[index]
                share = (ratio - lower) / (upper - lower)
                return self.factors[index] + share * (self.factors[index + 1] - self.factors[index])
        return self.factors[-1]

    def weight(self, length_mm: float, width_mm: float, depth_mm: float) -> float:
        """form × depth × factor, with sides in mm."""
        for key, value in (("length_mm", length_mm), ("width_mm", width_mm), ("depth_mm", depth_mm)):
            if not 0 < value < math.inf:
                raise SpecError(Fault(f"stone.{key}", value, "it must be above 0 mm"))
        return FORMS[self.form](length_mm, width_mm) * depth_mm * self.factor(length_mm / width_mm)


@dataclass(frozen=True)
class Sieve:
    """One sieve step of melee: stones of diameter low to high, mm, their usual weight, ct, and the group's name."""

    name: str
    diameter_mm: tuple[float, float]
    weight_ct: float
    group: str


def estimate_ct(cut: str, length_mm: float, width_mm: float, depth_mm: float, density_g_cm3: float, is_diamond: bool,
                girdle: str = "medium") -> tuple[float, str, str] | None:
    """The trade's estimate, ct, with the formula in words and its source; None for a cut without a published formula.

    Width of a tapered stone: mean of its two ends. `girdle` is its class; the published factors for it are those of diamonds.
    SpecError for an unknown girdle, or a measure that is not above 0. Rounded factors make the estimate good to about 3 %.
    """
    formula = _formulas("carat_diamond.csv" if is_diamond else "carat_coloured.csv").get(cut)
    if formula is None:
        return None
    weight = formula.weight(length_mm, width_mm, depth_mm)
    area = "mean of length and width squared" if formula.form == "mean squared" else "length times width"
    words = f"{area.capitalize()}, times depth, times {formula.factor(length_mm / width_mm):.4g}"
    if not is_diamond:
        return weight * density_g_cm3, f"{words} and the density", formula.sources[0]
    thicker = girdle_factor(girdle, width_mm)
    if thicker != 1.0:
        words += f", times {thicker:g} for its girdle, {girdle}"
    return weight * thicker, words, formula.sources[0]


NEAREST_GIRDLE = {"very thin": "extremely thin to thin", "very thick": "very thick minus", "extremely thick": "very thick minus"}
"""The row that serves a class of girdles for which no factor was published."""


def girdle_factor(girdle: str, width_mm: float) -> float:
    """By what a girdle thicker or thinner than medium changes the weight of a stone of this width."""
    row = pick("stone.girdle", NEAREST_GIRDLE.get(girdle, girdle), {row.text("girdle"): row for row in _rows("girdle_factors.csv")})
    return row.number("below_4_15" if width_mm < 4.15 else "below_7" if width_mm < 7 else "from_7")


@cache
def sieves() -> tuple[Sieve, ...]:
    """The sieve steps, smallest first."""
    return tuple(Sieve(row.text("sieve"), row.span("diameter"), row.number("carat"), row.text("group"))
                 for row in _rows("melee_sieves.csv"))


def sieve(diameter_mm: float) -> Sieve | None:
    """The step that a stone of this diameter falls into (low end included), or None if the published list has none."""
    return next((step for step in sieves() if step.diameter_mm[0] <= diameter_mm < step.diameter_mm[1]), None)


def fraction_name(weight_ct: float) -> str | None:
    """What the trade calls this weight ("1/2"), or None between the named ones. Source in the table."""
    shown = half_up(weight_ct, 2)
    return next((row.text("name") for row in _rows("carat_fractions.csv")
                 if row.number("carat_low") <= shown <= row.number("carat_high")), None)


def half_up(value: float, decimals: int) -> float:
    """`value` rounded to so many decimals as reports do: halves go up, also those that binary fractions just miss."""
    return float(Decimal(repr(round(value, decimals + 6))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP))


@cache
def _rows(name: str) -> tuple[Row, ...]:
    return read_table(name).rows


@cache
def _formulas(name: str) -> dict[str, Formula]:
    by_cut: dict[str, list[Row]] = {}
    for row in _rows(name):
        by_cut.setdefault(row.text("cut"), []).append(row)
    return {cut: Formula(cut, rows[0].text("form"), tuple(row.number("ratio") for row in rows),
                         tuple(row.number("factor") for row in rows), tuple(row.text("source") for row in rows))
            for cut, rows in by_cut.items()}
