"""Heads: the plan in closed form, the parts as clean quads, one closed solid; and what is refused."""
from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from core.errors import SpecError
from core.head import PINNABLE, make_head, make_plan
from core.head.sweep import circle_count, honest_radius_mm
from core.mesh import PolyMesh
from core.solid.kernel import bodies, is_watertight_after_welding, overlap, section, volume_mm3
from core.spec import BY_PATH, Spec, spec_of
from core.stone import cache_info, make_stone
from core.tolerance import WELD_MM

TAPER = math.radians(17.0)

WORKED = {
    "stone.length_mm": 5.0, "stone.pavilion_angle_deg": 40.75, "head.culet_clearance_mm": 1.0, "wall.taper_deg": 17.0,
    "wall.thickness_mm": 0.9, "wall.seat_inset_mm": 0.2, "wall.bevel_mm": 0.7, "claws.count": 4,
    "claws.diameter_mm": 1.0, "claws.notch": 0.5 - 0.2 * math.cos(TAPER), "claws.spare_mm": 3.0,
}
"""A tapered claw head worked by hand. Common practice, no source."""

WORKED_RESULT = {
    "girdle_plane": 3.1541, "wall_drop": 0.2447, "wall_top": 2.9095, "outer_radius_base": 1.5357,
    "outer_radius_top": 2.4252, "claw_notch": 0.3087, "claw_shift": 0.2,
}


def head(state: str = "cast", chord_mm: float = 0.005, **changes: object):
    return make_head(spec_of(WORKED).with_choices(**changes), state, chord_mm)


@pytest.mark.parametrize(("name", "value"), WORKED_RESULT.items())
def test_the_worked_head_comes_out_as_by_hand(name: str, value: float) -> None:
    """Common practice, no source: figures to the digits printed."""
    assert head().plan[name] == pytest.approx(value, abs=0.5e-4)


def test_every_dimension_has_a_reason_in_one_sentence_and_a_source() -> None:
    for dimension in make_head(spec_of({"finger.system": "uk", "finger.size": "N"})).plan:
        assert dimension.reason.endswith(".") and dimension.reason[0].isupper() and ". " not in dimension.reason, dimension
        assert dimension.source and dimension.unit in {"mm", "deg", "ct", "1", "count"}, dimension
        assert math.isfinite(dimension.value)


def test_what_the_user_gives_is_kept_and_marked_and_the_rest_is_not() -> None:
    plan = head().plan
    for name, path in PINNABLE.items():
        given = dict(WORKED).get(path)
        if name in plan:
            assert plan.dimension(name).pinned == (given is not None), name
        if given is not None:
            assert plan[name] == given


def test_freeing_a_choice_derives_it_again() -> None:
    derived = make_head(Spec()).plan["claw_diameter"]
    pinned = Spec().with_choices(claws__diameter_mm=1.5)
    assert make_head(pinned).plan["claw_diameter"] == 1.5
    assert make_head(pinned.with_choices(claws__diameter_mm=None)).plan["claw_diameter"] == derived


def test_parts_are_closed_shells_of_quads_and_flush_with_the_base(planarity_mm: Callable[[PolyMesh], float]) -> None:
    for name, mesh in head().parts.items():
        assert mesh.is_closed() and (mesh.sizes == 4).all(), name
        assert mesh.tag_names == (("wall",) if name == "wall" else (name,))
        assert mesh.vertices[:, 2].min() == pytest.approx(0.0, abs=1e-12)
        assert planarity_mm(mesh) < 1e-9, name


def test_the_wall_holds_the_volume_of_the_true_cones_at_any_chord_error() -> None:
    """Closed form: two frusta less the bevel's ring (Pappus)."""
    plan = head().plan
    through = 0.9 / math.cos(TAPER)

    def frustum(low: float, high: float, height: float) -> float:
        return math.pi * height / 3.0 * (low * low + low * high + high * high)

    top, base = plan["wall_top"], plan["outer_radius_base"]
    outer = plan["outer_radius_top"]
    solid = frustum(base, outer, top) - frustum(base - through, outer - through, top)
    corners = np.array([[outer - through, top], [outer - through + 0.7, top],
                        [outer - through - 0.7 * math.sin(TAPER), top - 0.7 * math.cos(TAPER)]])
    across, along = corners[1] - corners[0], corners[2] - corners[0]
    area = abs(across[0] * along[1] - across[1] * along[0]) / 2.0
    expected = solid - area * 2.0 * math.pi * corners[:, 0].mean()
    for chord_mm in (0.001, 0.005, 0.05):
        assert head(chord_mm=chord_mm).parts["wall"].volume_mm3() == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("cut", ["round brilliant", "oval", "princess", "pear"])
def test_solids_have_the_very_surface_of_the_quads_a_sculptor_gets(cut: str) -> None:
    """Solids are made without the rows that only even out the quads; no part may change by that."""
    made = make_head(Spec().with_choices(stone__cut=cut, stone__length_mm=7.0))
    for name, mesh in made.parts.items():
        solid = made.part_solids[name]
        assert volume_mm3(solid) == pytest.approx(mesh.volume_mm3(), rel=1e-12), name
        assert solid.surface_area() == pytest.approx(mesh.area_mm2(), rel=1e-12), name


def test_claws_hold_the_volume_of_true_cylinders() -> None:
    """Closed form: area times the length of the axis (a slanted base changes nothing)."""
    made = head()
    for i in range(1, 5):
        assert made.parts[f"claw {i}"].volume_mm3() == pytest.approx(math.pi / 4.0 * made.plan["claw_length"], rel=1e-9)


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("length_mm", [2.0, 3.5, 6.5, 12.0])
@pytest.mark.parametrize("count", [None, 3, 6])
def test_every_head_is_one_body_watertight_after_welding(length_mm: float, count: int | None, state: str) -> None:
    made = make_head(Spec().with_choices(stone__length_mm=length_mm, claws__count=count), state)
    assert len(bodies(made.solid)) == 1
    assert is_watertight_after_welding(made.solid, WELD_MM)


def test_the_plan_notch_is_what_the_girdle_cuts_out_of_the_claw() -> None:
    """Common practice, no source: within 0.005 of the plan."""
    made = head(claws__notch=0.3)
    line = made.lines[0]
    girdle = made.plan["girdle_plane"]
    (loop,) = section(made.part_solids["claw 1"], girdle)
    inner = (loop @ line.place.normal).min()
    assert (2.5 - inner) * math.cos(TAPER) == pytest.approx(0.3, abs=0.005)


def test_a_seat_cut_in_the_model_clears_the_stone_by_what_was_asked() -> None:
    made = head(seat__cut=True, seat__clearance_mm=0.04)
    assert volume_mm3(overlap(made.solid, made.stone_solid)) < 1e-9
    assert made.solid.min_gap(made.stone_solid, 1.0) == pytest.approx(0.04, abs=1e-6)


def test_set_metal_touches_the_stone_and_nowhere_enters_it() -> None:
    made = head("set")
    assert abs(volume_mm3(overlap(made.solid, made.stone_solid))) < 1e-6
    assert made.solid.min_gap(made.stone_solid, 1.0) < 1e-6


def test_set_claws_are_as_high_as_planned() -> None:
    made = head("set")
    for name, solid in made.part_solids.items():
        if name != "wall":
            assert solid.bounding_box()[5] == pytest.approx(made.plan["tip_height"], abs=0.006)


def test_changing_claws_never_makes_the_stone_again() -> None:
    head()
    before = cache_info().misses
    for notch in np.linspace(0.2, 0.4, 10):
        head(claws__notch=float(notch)).parts
    assert cache_info().misses == before


@pytest.mark.parametrize(("changes", "key"), [
    ({"wall__thickness_mm": 2.6}, "wall.thickness_mm"),
    ({"wall__taper_deg": 30.0}, "wall.taper_deg"),
    ({"wall__bevel_mm": 0.95}, "wall.bevel_mm"),
    ({"claws__diameter_mm": 5.0}, "claws.diameter_mm"),
    ({"claws__count": 12, "claws__diameter_mm": 1.6}, "claws.diameter_mm"),
    ({"wall__seat_inset_mm": 4.0}, "wall.seat_inset_mm"),
])
def test_choices_that_no_head_can_have_are_refused_by_name(changes: dict[str, float], key: str) -> None:
    with pytest.raises(SpecError) as caught:
        head(**changes)
    assert key in [fault.key for fault in caught.value.faults]
    assert all(fault.allowed for fault in caught.value.faults)


def test_the_taper_is_refused_just_where_the_hollow_closes() -> None:
    plan = head().plan
    half, girdle = 2.5, plan["girdle_plane"]
    closing = next(t / 100 for t in range(1700, 3000)
                   if half - girdle * math.tan(math.radians(t / 100)) - 0.9 / math.cos(math.radians(t / 100)) <= 0)
    head(wall__taper_deg=closing - 0.01)
    with pytest.raises(SpecError, match="wall.taper_deg"):
        head(wall__taper_deg=closing)


def test_round_parts_keep_their_area_and_chord_error() -> None:
    for radius_mm in (0.2, 0.5, 3.0):
        count = circle_count(radius_mm, 0.005)
        polygon = 0.5 * count * honest_radius_mm(radius_mm, count) ** 2 * math.sin(2 * math.pi / count)
        assert polygon == pytest.approx(math.pi * radius_mm**2, rel=1e-12)
        assert count == 12 or radius_mm * (1 - math.cos(math.pi / count)) <= 0.005


def test_a_plan_is_made_without_any_mesh_but_the_stones() -> None:
    spec = spec_of(WORKED)
    assert make_plan(spec, make_stone(spec.section("stone")))["wall_top"] == pytest.approx(2.9095, abs=1e-4)


def test_every_pinnable_dimension_names_a_field() -> None:
    assert set(PINNABLE.values()) <= set(BY_PATH)


@pytest.mark.parametrize("cut", ["oval", "pear", "marquise", "oval cabochon"])
def test_walls_follow_outlines_right_where_a_corner_begins_to_open(cut: str) -> None:
    """An ellipse's parallel gets a corner at the inset b²/a; an 8.2 mm oval's wall has a row just there."""
    for length_mm in np.arange(8.0, 8.5, 0.05):
        assert make_head(Spec().with_choices(stone__cut=cut, stone__length_mm=float(length_mm))).parts["wall"].is_closed()
