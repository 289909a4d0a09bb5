"""What cutters usually do for each cut, and the classes of girdles.

Lengths are shares of the width. What a stone is *taken* to be where little is known stands with the stone itself;
these tables say whether a stone is as usual.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from ..errors import Fault, SpecError
from .table import Row, read_table

HABIT_FIGURES = ("ratio", "depth", "table", "crown_height")
"""The figures of a cut; ratio is length over width."""


@dataclass(frozen=True)
class Habit:
    """What is usual for one cut: (low, high) by figure."""

    cut: str
    figures: Mapping[str, tuple[float, float]]
    source: str
    edition: str
    tag: str


@dataclass(frozen=True)
class Girdle:
    """One class of girdle thickness, measured at the mains: its usual share of the width and where the class ends."""

    name: str
    usual: float
    up_to: float
    source: str
    edition: str
    tag: str


@cache
def habits() -> tuple[Habit, ...]:
    """What is usual, for every cut."""
    return tuple(Habit(row.text("cut"), _figures(row), *_origin(row))
                 for row in read_table("cuts.csv").rows)


@cache
def girdles() -> tuple[Girdle, ...]:
    """The girdle classes, thinnest first."""
    return tuple(Girdle(row.text("name"), row.number("usual"), row.number("up_to"), *_origin(row))
                 for row in read_table("girdles.csv").rows)


def girdle_class(share: float) -> Girdle:
    """The class of a girdle `share` of the width thick at the mains. SpecError unless 0 <= share <= 1."""
    if not 0 <= share <= girdles()[-1].up_to:
        raise SpecError(Fault("stone.girdle", share, "it must be a share of the width, from 0 to 1"))
    return next(each for each in girdles() if share <= each.up_to)


def _figures(row: Row) -> dict[str, tuple[float, float]]:
    return {name: row.span(name) for name in HABIT_FIGURES if row.cells[f"{name}_low"]}


def _origin(row: Row) -> tuple[str, str, str]:
    return row.text("source"), row.text("edition"), row.text("tag")
