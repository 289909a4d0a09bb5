"""Gem species: weight, optics, hardness and what each bears at the bench."""
from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from .table import Row, pick, read_table

HOUSE_SPECIES = "diamond"
"""What a stone is taken to be if nothing says so. Common practice, no source."""

CARE = ("safe", "usually safe", "risky", "never", "not listed")
"""Answers to ultrasonic and steam cleaning, mildest first."""


@dataclass(frozen=True)
class Species:
    """One species or variety. Pairs are (low, high).

    density_g_cm3 is the central figure, density_range_g_cm3 the usual spread. dispersion is B to G, None if the table
    has none. Cautions are sentences or words of the bench. colour_linear is for pictures only.
    """

    name: str
    mineral: str
    density_g_cm3: float
    density_range_g_cm3: tuple[float, float]
    refractive_index: tuple[float, float]
    birefringence: float
    dispersion: float | None
    hardness_mohs: tuple[float, float]
    cleavage: str
    has_perfect_cleavage: bool
    toughness: str
    ultrasonic: str
    steam: str
    boil: str
    heat: str
    acid: str
    cast_in_place: str
    colour_linear: tuple[float, float, float]
    source: str
    edition: str
    tag: str

    @property
    def mean_refractive_index(self) -> float:
        """Middle of the index range."""
        return sum(self.refractive_index) / 2


@cache
def all_species() -> tuple[Species, ...]:
    """Every species and variety, in the order of the table."""
    return tuple(map(_species, read_table("species.csv").rows))


def species(name: str) -> Species:
    """The species or variety called `name`; SpecError lists the known ones."""
    return pick("stone.species", name, {entry.name: entry for entry in all_species()})


def _species(row: Row) -> Species:
    return Species(
        name=row.text("name"),
        mineral=row.text("mineral"),
        density_g_cm3=row.number("density"),
        density_range_g_cm3=row.span("density"),
        refractive_index=row.span("index"),
        birefringence=row.number("birefringence"),
        dispersion=row.maybe("dispersion"),
        hardness_mohs=row.span("mohs"),
        cleavage=row.text("cleavage"),
        has_perfect_cleavage=row.flag("perfect_cleavage"),
        toughness=row.text("toughness"),
        ultrasonic=row.text("ultrasonic"),
        steam=row.text("steam"),
        boil=row.text("boil"),
        heat=row.text("heat"),
        acid=row.text("acid"),
        cast_in_place=row.text("cast_in_place"),
        colour_linear=(row.number("red"), row.number("green"), row.number("blue")),
        source=row.text("source"),
        edition=row.text("edition"),
        tag=row.text("tag"),
    )
