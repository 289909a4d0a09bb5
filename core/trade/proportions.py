"""Published proportions: named sets for round brilliants, what cutters usually do for each cut, girdle classes.

Lengths are shares of the width. What a stone is *taken* to be where little is known stands with the stone itself;
these tables say whether a stone is as published or as usual.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from ..errors import Fault, SpecError
from .table import Row, pick, read_table

SET_FIGURES = ("table", "crown", "pavilion", "crown_height", "pavilion_depth", "depth", "girdle", "star", "lower")
"""The figures of a set; crown and pavilion are angles in degrees, the rest shares."""
HABIT_FIGURES = ("ratio", "depth", "table", "crown_height", "corner")
"""The figures of a cut; ratio is length over width, corner the leg or radius of a cut corner."""


@dataclass(frozen=True)
class ProportionSet:
    """A published set for a round brilliant: (low, high) by figure; a figure that it leaves open is missing."""

    name: str
    figures: Mapping[str, tuple[float, float]]
    source: str
    edition: str
    tag: str


@dataclass(frozen=True)
class Habit:
    """What is usual for one cut: (low, high) by figure; facets of crown, girdle and pavilion where they are fixed."""

    cut: str
    facets: tuple[int, int, int] | None
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
def proportion_sets() -> tuple[ProportionSet, ...]:
    """Every published set."""
    return tuple(ProportionSet(row.text("name"), _figures(row, SET_FIGURES), *_origin(row))
                 for row in read_table("proportions.csv").rows)


def proportion_set(name: str) -> ProportionSet:
    """The set called `name`; SpecError lists the known ones."""
    return pick("proportion set", name, {each.name: each for each in proportion_sets()})


@cache
def habits() -> tuple[Habit, ...]:
    """What is usual, for every cut."""
    return tuple(Habit(row.text("cut"), _facets(row), _figures(row, HABIT_FIGURES), *_origin(row))
                 for row in read_table("cuts.csv").rows)


def habit(cut: str) -> Habit:
    """What is usual for `cut`; SpecError lists the known ones."""
    return pick("stone.cut", cut, {each.cut: each for each in habits()})


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


def _figures(row: Row, names: tuple[str, ...]) -> dict[str, tuple[float, float]]:
    return {name: row.span(name) for name in names if row.cells[f"{name}_low"]}


def _facets(row: Row) -> tuple[int, int, int] | None:
    if not row.cells["facets_crown"]:
        return None
    return int(row.number("facets_crown")), int(row.number("facets_girdle")), int(row.number("facets_pavilion"))


def _origin(row: Row) -> tuple[str, str, str]:
    return row.text("source"), row.text("edition"), row.text("tag")
