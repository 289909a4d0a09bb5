"""Alloys: what they are made of, how heavy, hard, strong and stiff they are, and how thin they may be cast."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from ..dimension import MEMORY
from .table import Row, pick, read_table

ELEMENT_DENSITY_G_CM3 = {
    "Au": 19.32, "Ag": 10.49, "Cu": 8.96, "Zn": 7.14, "Ni": 8.91, "Pd": 12.02, "Pt": 21.45, "Ir": 22.56,
    "Ru": 12.37, "Co": 8.90, "Ga": 5.91, "Ge": 5.32, "Sn": 7.29, "Si": 2.33,
}
"""Handbook element densities, from memory."""

FAMILIES = ("gold", "silver", "platinum", "palladium", "base")

SHEET_ALLOYS = (
    "9K yellow gold", "14K yellow gold", "14K rose gold", "18K yellow gold", "18K rose gold",
    "18K white gold, palladium", "22K yellow gold", "sterling silver", "platinum 950 ruthenium",
    "palladium 950 ruthenium",
)
"""The ten alloys that a sheet of weights lists: one of each that a customer is likely to ask for."""


@dataclass(frozen=True)
class Alloy:
    """One alloy. Pairs are (low, high) of the usual range; composition is in weight per cent by element.

    density_g_cm3 is the published one (middle of its range) or, where none is trusted, that of ideal mixing.
    colour_linear and roughness are for pictures only. `source` is of the composition and the density,
    `mechanical_source` of hardness, strength, stiffness and melting range, `making_source` of shrinkage and of how thin
    it may be.
    """

    name: str
    family: str
    fineness_ppt: float
    colour: str
    has_nickel: bool
    composition: Mapping[str, float]
    published_density: tuple[float, float] | None
    melting_c: tuple[float, float]
    hardness_cast_hv: tuple[float, float]
    hardness_annealed_hv: tuple[float, float]
    hardness_hard_hv: tuple[float, float]
    proof_mpa: tuple[float, float]
    tensile_mpa: tuple[float, float]
    modulus_gpa: tuple[float, float]
    shrinkage_percent: float
    least_cast_mm: float
    least_model_mm: float
    colour_linear: tuple[float, float, float]
    roughness: float
    mechanical_source: str
    source: str
    edition: str
    tag: str
    making_source: str = MEMORY

    @property
    def mixing_density_g_cm3(self) -> float:
        """Density if the elements kept their volumes."""
        return mixing_density_g_cm3(self.composition)

    @property
    def density_g_cm3(self) -> float:
        """Density to weigh with."""
        if self.published_density is None:
            return self.mixing_density_g_cm3
        return sum(self.published_density) / 2

    @property
    def is_precious(self) -> bool:
        """True if a hallmark can apply."""
        return self.family != "base"

    def fine_grams(self, mass_g: float) -> float:
        """Grams of the family's own metal in `mass_g` of the alloy."""
        return mass_g * self.fineness_ppt / 1000


def mixing_density_g_cm3(composition: Mapping[str, float]) -> float:
    """Density of an ideal mixture of `composition` (weight per cent by element symbol): volumes add up."""
    weight = sum(composition.values())
    return weight / sum(share / ELEMENT_DENSITY_G_CM3[element] for element, share in composition.items())


@cache
def all_alloys() -> tuple[Alloy, ...]:
    """Every alloy, in the order of the table."""
    return tuple(map(_alloy, read_table("alloys.csv").rows))


def alloy(name: str) -> Alloy:
    """The alloy called `name`; SpecError lists the known ones."""
    return pick("casting.alloy", name, {entry.name: entry for entry in all_alloys()})


def _alloy(row: Row) -> Alloy:
    shares = {element: row.maybe(element) for element in ELEMENT_DENSITY_G_CM3}
    return Alloy(
        name=row.text("name"),
        family=row.text("family"),
        fineness_ppt=row.number("fineness"),
        colour=row.text("colour"),
        has_nickel=row.flag("nickel"),
        composition={element: share for element, share in shares.items() if share is not None},
        published_density=row.span("density") if row.cells["density_low"] else None,
        melting_c=row.span("melting"),
        hardness_cast_hv=row.span("hardness_cast"),
        hardness_annealed_hv=row.span("hardness_annealed"),
        hardness_hard_hv=row.span("hardness_hard"),
        proof_mpa=row.span("proof"),
        tensile_mpa=row.span("tensile"),
        modulus_gpa=row.span("modulus"),
        shrinkage_percent=row.number("shrinkage"),
        least_cast_mm=row.number("least_cast"),
        least_model_mm=row.number("least_model"),
        colour_linear=(row.number("red"), row.number("green"), row.number("blue")),
        roughness=row.number("roughness"),
        mechanical_source=row.text("mechanical_source"),
        source=row.text("source"),
        edition=row.text("edition"),
        tag=row.text("tag"),
    )
