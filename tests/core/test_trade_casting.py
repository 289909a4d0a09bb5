"""Casting weights, shrinkage, hallmarks and collets against published worked examples."""
from __future__ import annotations

import math

import pytest

from core.errors import SpecError
from core.trade.alloys import all_alloys, alloy
from core.trade.casting import casting_grams, enlargement, melt_grams
from core.trade.collets import collet_blank
from core.trade.hallmarks import hallmark_fineness, legal_finenesses, needs_hallmark
from core.trade.house_rules import house_rules


@pytest.mark.parametrize("model_g, density, metal_g", [
    (5.0, 13.5, 74.25), (5.0, 13.07, 71.885),
])
def test_metal_to_melt(model_g, density, metal_g) -> None:
    """5 g of wax and a tenth for sprues: Romanoff with 14K at 13.5, Rio Grande at 13.07."""
    assert melt_grams(model_g, density) == pytest.approx(metal_g, rel=1e-12)


@pytest.mark.parametrize("model_g, density, wax, metal_g", [
    (43.5 - 38, 10.5, 1.0, 57.75), (43.5 - 38, 15.20, 1.0, 83.60), (1.0, 13.5, 1.0, 13.5), (5.5, 10.36, 0.95, 59.98),
])
def test_metal_of_a_sprued_model(model_g, density, wax, metal_g) -> None:
    """Romanoff's tips (wax on its base less the base); Orchid thread 2435; Cser, Orchid thread 27807."""
    assert casting_grams(model_g, density, wax) == pytest.approx(metal_g, abs=5e-3)


@pytest.mark.parametrize("entry", all_alloys(), ids=lambda entry: entry.name)
def test_an_enlarged_model_shrinks_back_to_size(entry) -> None:
    grown = 10 * enlargement(entry.shrinkage_percent)
    assert grown > 10
    assert 100 * (grown - 10) / grown == pytest.approx(entry.shrinkage_percent, rel=1e-9)


@pytest.mark.parametrize("percent", [-0.01, 50, math.nan, math.inf])
def test_other_shrinkages_are_refused(percent) -> None:
    with pytest.raises(SpecError, match="less than 50"):
        enlargement(percent)


@pytest.mark.parametrize("name, limit_g", [
    ("18K yellow gold", 1.0), ("sterling silver", 7.78), ("platinum 950 ruthenium", 0.5),
    ("palladium 950 ruthenium", 1.0)])
def test_hallmark_weights(name, limit_g) -> None:
    """Hallmarking Convention, United Kingdom: above the weight, not at it."""
    assert not needs_hallmark(alloy(name), limit_g - 0.001, house_rules())
    assert not needs_hallmark(alloy(name), limit_g, house_rules())
    assert needs_hallmark(alloy(name), limit_g + 0.001, house_rules())


def test_eight_grams_of_750_must_be_marked() -> None:
    """6.000 g of fine gold, over the 1 g of the British rule."""
    gold = alloy("18K yellow gold")
    assert gold.fine_grams(8.0) == 6.0
    assert needs_hallmark(gold, 8.0, house_rules())


@pytest.mark.parametrize("name, mark", [
    ("9K yellow gold", 375), ("10K yellow gold", 375), ("14K rose gold", 585), ("18K red gold", 750),
    ("22K yellow gold", 916), ("fine gold", 999), ("sterling silver", 925), ("silver 935 germanium", 925),
    ("silver 960 germanium", 958), ("platinum 950 palladium", 950), ("palladium 950 gallium", 950),
    ("brass 70/30", None),
])
def test_marks(name, mark) -> None:
    assert hallmark_fineness(alloy(name)) == mark


def test_base_metal_is_never_marked() -> None:
    assert legal_finenesses("base") == ()
    assert not needs_hallmark(alloy("brass 70/30"), 100.0, house_rules())


@pytest.mark.parametrize("taper, bottom, outer, inner, sector", [
    (8.5, 2.903, 24.694, 19.638, 53.21), (14, 2.403, 15.088, 9.934, 87.09), (17, 2.121, 12.484, 7.256, 105.25),
    (28, 0.991, 7.775, 2.112, 169.01)])
def test_collet_blanks(taper, bottom, outer, inner, sector) -> None:
    """Worked from the development of a cone of 3.65 mm top radius, 5 mm high."""
    blank = collet_blank(taper, 3.65, 5)
    assert blank.bottom_radius_mm == pytest.approx(bottom, abs=6e-4)
    assert blank.outer_radius_mm == pytest.approx(outer, abs=6e-4)
    assert blank.inner_radius_mm == pytest.approx(inner, abs=6e-4)
    assert blank.sector_deg == pytest.approx(sector, abs=5e-3)


def test_a_collet_blank_has_the_arcs_of_the_cone() -> None:
    blank = collet_blank(17, 3.65, 5)
    turn = math.radians(blank.sector_deg)
    assert turn * blank.outer_radius_mm == pytest.approx(2 * math.pi * 3.65)
    assert turn * blank.inner_radius_mm == pytest.approx(2 * math.pi * blank.bottom_radius_mm)


@pytest.mark.parametrize("taper, height", [(0, 5), (90, 5), (math.nan, 5), (28, 6.87), (28, 0), (28, math.nan)])
def test_a_collet_that_cannot_be_rolled_is_refused(taper, height) -> None:
    with pytest.raises(SpecError):
        collet_blank(taper, 3.65, height)
