"""Species: the table is whole, in physical bounds, and agrees with published rows."""
from __future__ import annotations

import pytest

from core.errors import SpecError
from core.trade.species import CARE, all_species, species
from core.trade.table import TAGS


@pytest.mark.parametrize("entry", all_species(), ids=lambda entry: entry.name)
def test_rows_are_whole(entry) -> None:
    low, high = entry.density_range_g_cm3
    assert 1 < low <= entry.density_g_cm3 <= high < 7
    assert 1.3 < entry.refractive_index[0] <= entry.refractive_index[1] < 2.8
    assert 0 <= entry.birefringence <= 0.3
    assert entry.dispersion is None or 0 < entry.dispersion < 0.15
    assert 1 <= entry.hardness_mohs[0] <= entry.hardness_mohs[1] <= 10
    assert entry.has_perfect_cleavage == entry.cleavage.startswith("perfect")
    assert entry.ultrasonic in CARE and entry.steam in CARE
    assert entry.tag in TAGS
    assert all(0 <= part <= 1 for part in entry.colour_linear)


def test_steam_is_never_milder_than_ultrasonic() -> None:
    """Stuller's bench chart has no stone that may be steamed but not cleaned in the tank."""
    for entry in all_species():
        if entry.steam != "not listed":
            assert CARE.index(entry.steam) >= CARE.index(entry.ultrasonic), entry.name


@pytest.mark.parametrize("name, density, low, high, dispersion, mohs", [
    ("diamond", 3.52, 2.417, 2.417, 0.044, 10), ("ruby", 4.00, 1.762, 1.770, 0.018, 9),
    ("amethyst", 2.65, 1.544, 1.553, 0.013, 7), ("demantoid", 3.84, 1.880, 1.895, 0.057, 7),
    ("peridot", 3.34, 1.654, 1.690, 0.020, 7), ("tanzanite", 3.35, 1.691, 1.700, 0.021, 7),
    ("blue zircon", 4.70, 1.925, 1.984, 0.039, 7.5), ("fluorite", 3.18, 1.433, 1.435, 0.007, 4),
])
def test_published_rows(name, density, low, high, dispersion, mohs) -> None:
    """Gravity and index: O'Donoghue, Appendix A; dispersion: Schumann, Gemstones of the World, 2009."""
    entry = species(name)
    assert (entry.density_g_cm3, entry.refractive_index, entry.dispersion) == (density, (low, high), dispersion)
    assert entry.hardness_mohs[1] == mohs


def test_cautions_of_stones_that_break_at_the_bench() -> None:
    """Stuller, To Steam or Not to Steam."""
    for name in ("emerald", "topaz", "tanzanite", "opal", "moonstone", "turquoise", "pearl"):
        assert species(name).ultrasonic == species(name).steam == "never"
    for name in ("diamond", "jadeite", "cubic zirconia"):
        assert species(name).ultrasonic == species(name).steam == "safe"
    for name in ("pearl", "coral", "lapis lazuli", "turquoise", "malachite", "peridot", "iolite"):
        assert species(name).acid.startswith("no pickle")
    bears = [species(name).cast_in_place for name in ("diamond", "ruby", "emerald", "opal")]
    assert bears == ["yes", "yes", "no", "no"]


def test_names_are_unique_and_a_wrong_one_is_answered_with_the_nearest() -> None:
    names = [entry.name for entry in all_species()]
    assert len(set(names)) == len(names)
    assert species("Aquamarine ").name == "aquamarine"
    with pytest.raises(SpecError, match='the nearest is "sapphire"') as caught:
        species("saphire")
    assert caught.value.faults[0].key == "stone.species"
    assert all(name in caught.value.faults[0].allowed for name in names)
