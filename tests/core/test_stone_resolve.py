"""What a report says becomes full proportions; what cannot be is refused by name."""
from __future__ import annotations

import math

import pytest

from core.dimension import GIVEN
from core.errors import SpecError
from core.stone import make_stone
from core.stone.cuts import BY_NAME
from core.stone.proportions import Proportions
from core.stone.resolve import resolve
from core.trade.species import species

ROUND = BY_NAME["round brilliant"]


def proportions(**choice: float) -> Proportions:
    return resolve(choice, ROUND)


def refused(**choice: object) -> dict[str, str]:
    with pytest.raises(SpecError) as caught:
        make_stone(choice)
    return {fault.key: str(fault) for fault in caught.value.faults}


def test_a_measured_depth_is_kept() -> None:
    for choice in ({"depth_mm": 3.63}, {"depth_mm": 3.63, "table": .6}, {"depth_mm": 3.7, "crown_angle_deg": 33.0},
                   {"depth_mm": 3.7, "pavilion_angle_deg": 41.0}, {"depth_mm": 3.7, "girdle": .04},
                   {"depth_mm": 3.7, "girdle": .035, "pavilion_angle_deg": 40.8, "crown_angle_deg": 34.5}):
        assert proportions(length_mm=6.05, width_mm=6.11, **choice).depth_mm == pytest.approx(choice["depth_mm"],
                                                                                              abs=1e-12)


def test_heights_and_angles_say_the_same() -> None:
    by_angle = proportions(length_mm=6.0, table=.57, crown_angle_deg=34.5, pavilion_angle_deg=40.8)
    by_height = proportions(length_mm=6.0, table=.57, crown_height=.215 * math.tan(math.radians(34.5)),
                            pavilion_depth=.5 * math.tan(math.radians(40.8)))
    assert by_angle.crown_mm == pytest.approx(by_height.crown_mm, abs=1e-12)
    assert by_angle.pavilion_mm == pytest.approx(by_height.pavilion_mm, abs=1e-12)
    assert by_height.pavilion_deg == pytest.approx(40.8, abs=1e-12)


def test_a_crown_of_known_height_and_angle_tells_the_table() -> None:
    p = proportions(length_mm=6.0, crown_angle_deg=34.5, crown_height=.15)
    assert p.table == pytest.approx(1 - .15 / (.5 * math.tan(math.radians(34.5))), abs=1e-12)


def test_a_whole_report_with_its_roundings_is_accepted() -> None:
    p = proportions(length_mm=6.41, width_mm=6.45, depth_mm=3.97, depth=.617, table=.57, crown_angle_deg=34.5,
                    crown_height=.15, pavilion_angle_deg=40.8, pavilion_depth=.43, girdle=.035, star=.55, lower_half=.8)
    assert p.depth_mm == pytest.approx(3.97)
    assert p.width_mm == pytest.approx(6.43)
    assert p.figures["pavilion_angle"].value == 40.8 and p.figures["pavilion_angle"].source == GIVEN


def test_every_figure_has_a_reason_and_a_source() -> None:
    figures = proportions(length_mm=6.0, depth=.6).figures
    assert set(figures) == {"length", "width", "depth", "table", "crown_height", "girdle", "pavilion_depth", "culet",
                            "star",
                            "lower_half", "crown_angle", "pavilion_angle"}
    for name, figure in figures.items():
        assert figure.name == name and figure.reason.endswith(".") and figure.source
        assert figure.pinned == (figure.source == GIVEN)
    assert {name for name, figure in figures.items() if figure.pinned} == {"length", "depth"}


@pytest.mark.parametrize("choice, keys", [
    ({"length_mm": 6.5, "depth_mm": 4.1, "depth": .60}, {"stone.depth", "stone.depth_mm"}),
    ({"length_mm": 6.5, "width_mm": 6.0}, {"stone.length_mm", "stone.width_mm"}),
    ({"table": .57, "crown_angle_deg": 34.5, "crown_height": .16}, {"stone.crown_angle_deg", "stone.crown_height"}),
    ({"pavilion_angle_deg": 40.8, "pavilion_depth": .45}, {"stone.pavilion_angle_deg", "stone.pavilion_depth"}),
    ({"depth": .60, "girdle": .06, "crown_angle_deg": 34.5, "pavilion_angle_deg": 40.8},
     {"stone.depth", "stone.girdle"}),
    ({"depth": .55, "crown_angle_deg": 34.5, "pavilion_angle_deg": 40.8}, {"stone.depth", "stone.pavilion_angle_deg"}),
    ({"length_mm": 6.4, "depth": .61, "weight_ct": 2.0}, {"stone.weight_ct", "stone.length_mm"}),
    ({"crown_angle_deg": 20.0, "crown_height": .3}, {"stone.crown_angle_deg", "stone.crown_height"}),
])
def test_contradictions_name_both_keys_and_both_values(choice: dict[str, float], keys: set[str]) -> None:
    faults = refused(**choice)
    assert set(faults) == keys
    for text in faults.values():
        for key in keys:
            assert f"{key} = {choice[key.removeprefix('stone.')]:g}" in text


def test_a_depth_may_stray_by_half_a_per_cent_and_no_more() -> None:
    for depth in (.595, .605):
        make_stone({"length_mm": 6.0, "depth_mm": 3.6, "depth": depth})
    refused(length_mm=6.0, depth_mm=3.6, depth=.6051)
    refused(length_mm=6.0, depth_mm=3.6, depth=.5949)


@pytest.mark.parametrize("choice, key", [
    ({"girdle": .012}, "stone.girdle"), ({"table": .95}, "stone.table"), ({"table": 1.2}, "stone.table"),
    ({"culet": .22}, "stone.culet"), ({"depth": .05}, "stone.depth"), ({"crown_height": .004}, "stone.crown_height"),
    ({"depth": .45, "pavilion_angle_deg": 42.0}, "stone.depth"), ({"crown_angle_deg": 75.0}, "stone.crown_angle_deg"),
    ({"pavilion_angle_deg": 80.0}, "stone.pavilion_angle_deg"), ({"length_mm": float("nan")}, "stone.length_mm"),
    ({"length_mm": -3.0}, "stone.length_mm"), ({"depth_mm": float("inf")}, "stone.depth_mm"),
                                         ({"table": "wide"}, "stone.table"),
    ({"weight_ct": 0.0}, "stone.weight_ct"), ({"weight_ct": float("nan")}, "stone.weight_ct"),
                                         ({"cut": "round"}, "stone.cut"),
])
def test_impossible_proportions_are_refused_by_name(choice: dict[str, object], key: str) -> None:
    faults = refused(**choice)
    assert set(faults) == {key}
    assert "it must be" in faults[key] or "must be" in faults[key]


def test_a_girdle_just_over_its_scallops_is_allowed() -> None:
    limit = float(refused(length_mm=6.0, girdle=.01)["stone.girdle"].partition("take ")[2].partition("%")[0]) / 100
    make_stone({"length_mm": 6.0, "girdle": limit + 6e-5})
    refused(length_mm=6.0, girdle=limit - 6e-5)


@pytest.mark.parametrize("rest", [{}, {"depth_mm": 3.9}, {"depth": .62, "table": .58}, {"length_mm": 6.4},
                                  {"length_mm": 6.4, "table": .6}])
def test_weight_gives_the_missing_measure(rest: dict[str, float]) -> None:
    stone = make_stone(rest | {"weight_ct": 1.0})
    assert stone.weight_ct(species("diamond").density_g_cm3) == pytest.approx(1.0, rel=2e-4)
    if "depth_mm" in rest:
        assert stone.depth_mm == pytest.approx(rest["depth_mm"])


def test_weight_uses_the_species_density() -> None:
    sapphire = make_stone({"weight_ct": 1.0, "species": "sapphire"})
    assert sapphire.weight_ct(species("sapphire").density_g_cm3) == pytest.approx(1.0, rel=2e-4)
    assert sapphire.width_mm < make_stone({"weight_ct": 1.0, "species": "diamond"}).width_mm
    assert set(refused(weight_ct=1.0, species="granite")) == {"stone.species"}


def test_a_size_makes_the_same_stone_of_any_species() -> None:
    assert make_stone({"width_mm": 6.1, "species": "sapphire"}) is make_stone({"width_mm": 6.1, "species": "diamond"})
