"""Alloys: the table is whole, its densities agree with mixing and with published figures."""
from __future__ import annotations

import pytest

from core.errors import SpecError
from core.trade.alloys import FAMILIES, SHEET_ALLOYS, all_alloys, alloy, mixing_density_g_cm3
from core.trade.table import TAGS

MIXING = {
    "9K yellow gold": 11.15, "9K white gold, silver": 12.15, "9K rose gold": 11.37, "10K yellow gold": 11.54,
    "14K yellow gold": 13.14, "14K yellow gold, silver-rich": 13.65, "14K rose gold": 13.31,
    "14K white gold, nickel": 12.69, "14K white gold, palladium": 14.48, "18K yellow gold": 15.46,
    "18K yellow gold 2N": 15.60, "18K rose gold": 15.32, "18K red gold": 15.15, "18K green gold": 15.96,
    "18K white gold, nickel": 14.66, "18K white gold, palladium": 16.44, "22K yellow gold": 17.91,
    "sterling silver": 10.36, "silver 935 germanium": 10.28, "silver 960 germanium": 10.34,
    "platinum 950 ruthenium": 20.69, "platinum 950 cobalt": 20.04, "platinum 900 iridium": 21.56,
    "platinum 950 iridium": 21.50, "palladium 950 ruthenium": 12.04, "palladium 950 gallium": 11.43,
    "brass 70/30": 8.32, "brass 85/15": 8.63, "silicon bronze": 8.03, "tin bronze": 8.76,
}
"""Ideal mixing worked by hand from the same compositions and handbook element densities."""

CONTRACTS = {"palladium 950 gallium", "brass 70/30"}
"""Mixtures that are known to shrink: copper with zinc, palladium with gallium."""


@pytest.mark.parametrize("name, density", MIXING.items())
def test_mixing_density(name: str, density: float) -> None:
    assert alloy(name).mixing_density_g_cm3 == pytest.approx(density, abs=0.0051)


def test_mixing_density_of_18k_lies_in_the_published_range() -> None:
    """Au75 Ag12.5 Cu12.5: 15.46 by mixing, published 15.45 to 15.58."""
    density = mixing_density_g_cm3({"Au": 75, "Ag": 12.5, "Cu": 12.5})
    assert density == pytest.approx(15.46, abs=0.01)
    assert 15.45 <= density <= 15.58


@pytest.mark.parametrize("entry", all_alloys(), ids=lambda entry: entry.name)
def test_rows_are_whole(entry) -> None:
    assert sum(entry.composition.values()) == pytest.approx(100, abs=1e-9)
    assert entry.family in FAMILIES and entry.tag in TAGS
    assert entry.has_nickel == ("Ni" in entry.composition)
    assert entry.hardness_cast_hv[0] <= entry.hardness_hard_hv[1]
    assert entry.proof_mpa[1] < entry.tensile_mpa[1]
    assert 0.4 <= entry.least_cast_mm <= entry.least_model_mm <= 1.0
    assert 0 < entry.shrinkage_percent < 3
    assert all(0 < part <= 1 for part in (*entry.colour_linear, entry.roughness))
    if entry.name not in CONTRACTS:
        # Published figures are of one maker's mixture under the same name; the widest, 9K yellow, is 1.33 % away.
        assert entry.density_g_cm3 == pytest.approx(entry.mixing_density_g_cm3, rel=0.0135)


@pytest.mark.parametrize("entry", [a for a in all_alloys() if a.is_precious], ids=lambda entry: entry.name)
def test_fineness_is_the_share_of_the_name_giving_metal(entry) -> None:
    symbol = {"gold": "Au", "silver": "Ag", "platinum": "Pt", "palladium": "Pd"}[entry.family]
    assert entry.composition[symbol] * 10 == pytest.approx(entry.fineness_ppt, abs=1.001)


def test_published_densities() -> None:
    """Rio Grande, Determining Metal Weight; Romanoff; gemsociety.org."""
    known = {"14K yellow gold": 13.07, "10K yellow gold": 11.57, "sterling silver": 10.36, "fine gold": 19.32,
             "22K yellow gold": 17.8, "platinum 950 ruthenium": 20.70, "palladium 950 ruthenium": 12.0}
    assert {name: alloy(name).density_g_cm3 for name in known} == known
    assert alloy("9K yellow gold").density_g_cm3 == pytest.approx(11.3)


def test_fine_gold_in_750() -> None:
    """8.0 g of 750 gold hold 6.000 g of fine gold."""
    assert alloy("18K yellow gold").fine_grams(8.0) == 6.0


def test_a_finished_jewel_needs_100_hv_and_these_fail_it_as_cast() -> None:
    """Corti, Santa Fe Symposium 2008: as-cast sterling, platinum with palladium or 5 % iridium, 22K."""
    for name in ("sterling silver", "platinum 950 palladium", "platinum 950 iridium", "22K yellow gold"):
        assert alloy(name).hardness_cast_hv[1] < 100
    assert alloy("platinum 950 ruthenium").hardness_cast_hv[0] >= 100


def test_names_are_unique_and_the_sheet_lists_ten() -> None:
    names = [entry.name for entry in all_alloys()]
    assert len(set(names)) == len(names)
    assert len(set(SHEET_ALLOYS)) == 10
    assert all(alloy(name).name == name for name in SHEET_ALLOYS)


def test_a_name_is_found_whatever_its_case_and_spacing() -> None:
    assert alloy(" 18k  Yellow Gold ") is alloy("18K yellow gold")


@pytest.mark.parametrize("wrong", ["18K yelow gold", "", None, 18])
def test_a_wrong_name_lists_the_right_ones(wrong) -> None:
    with pytest.raises(SpecError) as caught:
        alloy(wrong)
    fault, = caught.value.faults
    assert fault.key == "casting.alloy" and fault.value == wrong
    assert all(entry.name in fault.allowed for entry in all_alloys())


def test_a_wrong_name_is_answered_with_the_nearest() -> None:
    with pytest.raises(SpecError, match='the nearest is "sterling silver"'):
        alloy("stirling silver")
