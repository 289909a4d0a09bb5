"""Heads with a rim: closed forms as cast, metal kept when it is rubbed over, openings, every cut, and what is refused."""
from __future__ import annotations

import math

import numpy as np
import pytest

from core.errors import SpecError
from core.head import make_head
from core.head.rounded import ROUND_DEG
from core.solid.kernel import bodies, is_watertight_after_welding, overlap, section, volume_mm3
from core.spec import spec_of
from core.stone import CUTS, make_stone
from core.stone.side import crown_run_mm, is_domed, upright_height_mm
from core.tolerance import WELD_MM
from core.trade.house_rules import house_rules


def head(cut: str = "round brilliant", width_mm: float = 5.0, state: str = "cast", **changes: object):
    return make_head(spec_of({"head.style": "rim", "stone.cut": cut, "stone.width_mm": width_mm}).with_choices(**changes), state)


def refused(**changes: object) -> str:
    """The fault of a rim head with these choices, as a sentence."""
    with pytest.raises(SpecError) as caught:
        head(**changes)
    return str(caught.value.faults[0])


def frustum_mm3(low: float, high: float, height: float) -> float:
    return math.pi * height / 3.0 * (low * low + low * high + high * high)


@pytest.mark.parametrize("taper", [0.0, 8.5, 17.0])
def test_a_round_rim_holds_the_volume_of_its_cones_and_cylinders(taper: float) -> None:
    """Closed form: the wall's frusta and the rim's cylinders, whatever the chord error."""
    made = head(wall__taper_deg=taper)
    plan = made.plan
    outer, inner = 2.5 + plan["seat_clearance"] + plan["rim_thickness"], 2.5 + plan["seat_clearance"]
    hollow, lean = 2.5 - plan["ledge_width"], plan["wall_top"] * math.tan(math.radians(taper))
    wall = (frustum_mm3(outer - lean, outer, plan["wall_top"]) - frustum_mm3(hollow - lean, hollow, plan["wall_top"]))
    rim = math.pi * (outer**2 - inner**2) * (plan["rim_height"] + plan["wall_drop"])
    assert volume_mm3(made.solid) == pytest.approx(wall + rim, rel=1e-9)
    assert plan["outer_radius_top"] == pytest.approx(outer) and plan["outer_radius_base"] == pytest.approx(outer - lean)
    assert plan["inner_radius_base"] == pytest.approx(hollow - lean)
    assert plan["wall_thickness"] == pytest.approx((outer - hollow) * math.cos(math.radians(taper)))


@pytest.mark.parametrize("cut", ["oval", "marquise", "pear", "cushion", "princess", "emerald", "tapered baguette", "trillion",
                                 "straight trillion"])
def test_a_straight_rim_holds_what_the_parallels_of_its_outline_enclose(cut: str) -> None:
    """Steiner: a parallel outside gains d times the perimeter and half d squared times each turn, or d squared times the
    tangent of half the turn where a blunt corner stays mitred."""
    made = head(cut, wall__taper_deg=0.0)
    plan, outline = made.plan, made.stone.outline
    turns = np.radians([corner.turn_deg for corner in outline.corners])
    blunt = turns[np.degrees(turns) <= ROUND_DEG]
    outside = 2.0 * math.pi - blunt.sum() + 2.0 * np.tan(blunt / 2.0).sum()

    def enclosed(way: float) -> float:
        return outline.area_mm2 + way * outline.perimeter_mm + way * way * outside / 2.0

    inner = plan["seat_clearance"]
    outer = inner + plan["rim_thickness"]
    rim = made.part_solids["rim"].trim_by_plane((0.0, 0.0, 1.0), plan["wall_top"])
    assert volume_mm3(rim) == pytest.approx((enclosed(outer) - enclosed(inner)) * (plan["rim_height"] + plan["wall_drop"]), rel=1e-6)


@pytest.mark.parametrize("cut", CUTS)
def test_every_cut_takes_a_rim_as_cast_and_as_set(cut: str) -> None:
    """One body, closed for a reader of STL; as cast the rim leaves the stone its clearance, as set nothing is in the stone."""
    for width_mm in (2.5, 6.0):
        cast, finished = (head(cut, width_mm, state) for state in ("cast", "set"))
        for made in (cast, finished):
            assert set(made.parts) == {"wall", "rim"}
            assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM), (width_mm, made.state)
        assert all(mesh.is_closed() and (mesh.sizes <= 4).all() for mesh in cast.parts.values())
        assert volume_mm3(overlap(cast.part_solids["rim"], cast.stone_solid)) < 1e-9
        assert volume_mm3(overlap(finished.solid, finished.stone_solid)) < 1e-6
        kept = [made.part_solids["rim"].trim_by_plane((0.0, 0.0, 1.0), cast.plan["wall_top"]) for made in (cast, finished)]
        assert volume_mm3(kept[1]) == pytest.approx(volume_mm3(kept[0]), rel=2e-3), width_mm


def test_a_rubbed_rim_lies_on_girdle_and_crown_and_stays_below_the_table() -> None:
    cast, finished = head(), head(state="set")
    plan, girdle = cast.plan, cast.plan["girdle_plane"]
    points = finished.part_solids["rim"].to_mesh64().vert_properties
    assert points[:, 2].max() < plan["table_height"]
    assert np.hypot(points[:, 0], points[:, 1]).max() <= 2.5 + plan["seat_clearance"] + plan["rim_thickness"] + 0.01
    # At the girdle the rim's inner face is the stone's own.
    middle = girdle + plan["girdle"] / 2.0
    loops = section(finished.part_solids["rim"], middle)
    assert min(np.hypot(*loop.T).min() for loop in loops) == pytest.approx(2.5, abs=0.01)
    assert min(np.hypot(*loop.T).min() for loop in section(cast.part_solids["rim"], middle)) == pytest.approx(2.53, abs=0.005)


def azimuths_deg(loop: np.ndarray) -> np.ndarray:
    return np.degrees(np.arctan2(loop[:, 1], loop[:, 0])) % 360.0


@pytest.mark.parametrize("state", ["cast", "set"])
def test_openings_run_between_their_azimuths_and_end_square_to_the_outline(state: str) -> None:
    made = head(state=state, rim__open_directions_deg="90, 200", rim__open_width_deg=50.0)
    assert made.plan["rim_open_count"] == 2
    loops = section(made.part_solids["rim"], made.plan["girdle_plane"] + made.plan["girdle"] / 2.0)
    ranges = sorted((azimuths_deg(loop).min(), azimuths_deg(loop).max()) for loop in loops if not
                    (azimuths_deg(loop).max() > 350.0 and azimuths_deg(loop).min() < 10.0))
    assert ranges == [pytest.approx((115.0, 175.0), abs=1e-6)]
    around = next(loop for loop in loops if azimuths_deg(loop).max() > 350.0)
    turned = (azimuths_deg(around) + 180.0) % 360.0
    assert (turned.min(), turned.max()) == pytest.approx((45.0, 245.0), abs=1e-6)
    # The wall under the ledge is whole.
    assert len(section(made.part_solids["wall"], made.plan["wall_top"] / 2.0)) == 2


@pytest.mark.parametrize("cut", CUTS)
def test_openings_leave_one_closed_body_on_every_cut(cut: str) -> None:
    """Opened towards its corners and sides, wide and narrow; as set the metal of what is left is kept."""
    choices = {"rim__open_directions_deg": "0, 130, 225", "rim__open_width_deg": 35.0}
    cast, finished = (head(cut, state=state, **choices) for state in ("cast", "set"))
    for made in (cast, finished):
        assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM), made.state
    assert len(bodies(cast.part_solids["rim"])) == 3
    assert cast.parts["rim"].is_closed()
    kept = [made.part_solids["rim"].trim_by_plane((0.0, 0.0, 1.0), cast.plan["wall_top"]) for made in (cast, finished)]
    assert volume_mm3(kept[1]) == pytest.approx(volume_mm3(kept[0]), rel=2e-3)


@pytest.mark.parametrize(("choices", "thickness"), [
    ({"stone__width_mm": 12.0}, 0.9),  # 0.30 + 0.05 x 12
    ({"stone__width_mm": 12.0, "casting__alloy": "sterling silver"}, 1.07),  # 0.35 + 0.06 x 12
    ({"stone__width_mm": 30.0}, 1.2),  # the most that is pushed over
    ({"stone__width_mm": 5.0}, 0.72),  # what 18K gold needs to fill, 0.7, over 0.55
    ({"cut": "round cabochon", "casting__alloy": "sterling silver"}, 0.82),  # what silver needs, 0.8, over the strip's 0.40
])
def test_thickness_follows_stone_alloy_and_what_can_be_cast(choices: dict[str, object], thickness: float) -> None:
    assert head(**choices).plan["rim_thickness"] == pytest.approx(thickness)


def test_height_follows_the_crown_or_the_dome() -> None:
    """Half the crown above the girdle; for cabochons a third of the height, or past what stands upright of the side."""
    plan = head("round brilliant", 8.0).plan
    assert plan["rim_height"] == pytest.approx(plan["girdle"] + 0.5 * plan["crown_height"])
    plan = head("round cabochon", 8.0).plan
    assert plan["rim_height"] == pytest.approx(plan["stone_depth"] / 3.0) and plan["taper"] == 0.0
    tall = head("round cabochon", 8.0, stone__depth=0.9)
    assert tall.plan["rim_height"] == pytest.approx(upright_height_mm(tall.stone, 15.0))
    assert tall.plan["rim_height"] > tall.plan["stone_depth"] / 3.0
    # A low crown takes the least that can be pushed, but never more than ends below the table once it is.
    low = head("round brilliant", 5.0, stone__crown_angle_deg=22.0).plan
    assert low["rim_height"] == pytest.approx(low["girdle"] + house_rules().value("rim.height_least_mm"), abs=0.02)


def test_the_side_of_a_dome_is_upright_up_to_where_an_ellipse_leans_as_much() -> None:
    """Half an ellipse of half axes r and h leans by t at the share s of its height with tan t = r/h s / sqrt(1 - s^2)."""
    stone = make_stone({"cut": "round cabochon", "width_mm": 8.0, "depth": 0.8})
    radius, height = 4.0, stone.crown_height_mm
    slope = math.tan(math.radians(15.0)) * height / radius
    share = slope / math.sqrt(1.0 + slope * slope)
    assert upright_height_mm(stone, 15.0) == pytest.approx(stone.girdle_mm + share * height, abs=0.02)
    assert [cut for cut in CUTS if is_domed(make_stone({"cut": cut}))] == ["round cabochon", "oval cabochon",
                                                                          "sugarloaf cabochon"]


def test_the_crown_runs_to_the_table_by_the_shortest_way() -> None:
    emerald = make_stone({"cut": "emerald", "width_mm": 5.0})
    assert crown_run_mm(emerald) == pytest.approx((5.0 - emerald.table_width_mm) / 2.0, abs=1e-9)
    heart = make_stone({"cut": "heart", "width_mm": 5.0})
    assert crown_run_mm(heart) < 0.6 * (5.0 - heart.table_width_mm) / 2.0  # in the cleft


@pytest.mark.parametrize(("choices", "words"), [
    ({"rim__height_mm": 0.17}, "from 0.18 to 0.85"),
    ({"rim__height_mm": 0.86}, "from 0.18 to 0.85"),
    ({"wall__thickness_mm": 0.5}, "no ledge"),
    ({"wall__thickness_mm": 4.0}, "must be below"),
    ({"wall__taper_deg": 40.0}, "must be below"),
    ({"wall__seat_inset_mm": 0.3}, "more than 0.7"),
    ({"seat__clearance_mm": 0.3, "rim__thickness_mm": 0.5}, "at most 0.25 mm"),
    ({"rim__open_directions_deg": "0, 60", "rim__open_width_deg": 60.0}, "less than 60°"),
    ({"rim__open_directions_deg": "0, 60", "rim__open_width_deg": 50.0}, "no rim between"),
    ({"width_mm": 1.0, "stone__table": 0.87, "stone__crown_angle_deg": 25.0}, "tapered claw"),
    ({"width_mm": 0.8, "wall__thickness_mm": None, "rim__thickness_mm": 0.7, "wall__taper_deg": 17.0}, "must be below"),
])
def test_what_makes_no_rim_is_refused_with_the_nearest_that_does(choices: dict[str, object], words: str) -> None:
    assert words in refused(**choices)


def test_limits_of_the_choices_themselves_are_taken() -> None:
    for height_mm in (0.18, 0.84):
        assert head(rim__height_mm=height_mm).plan["rim_height"] == height_mm
        assert len(bodies(head(state="set", rim__height_mm=height_mm).solid)) == 1
    made = head(wall__seat_inset_mm=1.0)
    assert made.plan["seat_inset"] == 1.0 and made.plan["wall_drop"] > head().plan["wall_drop"]
