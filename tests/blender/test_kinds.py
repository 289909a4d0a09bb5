"""Every kind of head in Blender: its parts and stones, its measures painted, its remedies, its metal under modifiers."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import bpy
import pytest

Inside = Callable[[str], ModuleType]


def add(**choices: object) -> bpy.types.Object:
    """A new head with these properties set, as a user sets them one after the other."""
    assert bpy.ops.seatwright.head_add(length_mm=6.0) == {"FINISHED"}
    metal = bpy.context.object
    for name, value in choices.items():
        setattr(metal.data.seatwright, name, value)
    assert not metal.data.seatwright.problem
    return metal


def parts(metal: bpy.types.Object) -> set[str]:
    """The kinds of part that faces belong to; names that no face has are kept ready for what is joined later."""
    owners = [0] * len(metal.data.polygons)
    metal.data.attributes["part"].data.foreach_get("value", owners)
    return {str(metal.data["seatwright_parts"][index]).rstrip(" 0123456789") for index in set(owners)}


@pytest.mark.parametrize(("style", "made_of"), [
    ("tapered claw", {"wall", "claw"}), ("basket", {"base rail", "upper rail", "claw"}), ("gallery", {"wall", "claw"}),
    ("coronet", {"wall", "claw"}), ("peg", {"peg", "claw"}), ("rim", {"wall", "rim"}),
])  # fmt: skip
def test_every_style_is_one_choice_away(style: str, made_of: set[str]) -> None:
    metal = add(head_style=style)
    assert parts(metal) == made_of
    metal.data.seatwright.state = "set"
    assert parts(metal) == made_of and not metal.data.seatwright.problem
    assert bpy.ops.seatwright.prove() == {"FINISHED"}


def test_small_stones_and_side_stones_are_in_the_stones_mesh_each_with_its_species() -> None:
    metal = add(surround_present=True, surround_species="ruby")
    stone = metal.children[0].data
    assert [each.name for each in stone.materials] == ["Diamond", "Ruby"]
    slots = [0] * len(stone.polygons)
    stone.polygons.foreach_get("material_index", slots)
    alone = len(add().children[0].data.polygons)
    assert slots.count(0) == alone and slots.count(1) == len(slots) - alone > 10 * alone
    metal.data.seatwright.surround_present = False
    assert len(stone.polygons) == alone
    metal.data.seatwright.sides_present = True
    assert len(stone.polygons) > 2 * alone and {"left wall", "right wall"} <= parts(metal)


def test_what_follows_is_shown_in_the_choices_left_open() -> None:
    settings = add(stone_cut="princess").data.seatwright
    assert (settings.claws_placement, settings.claws_section, settings.claws_count) == ("corners", "V", 4)
    assert not settings.claws_placement_pinned
    settings.claws_placement = "evenly"
    assert settings.claws_placement_pinned and not settings.problem


def test_chosen_directions_start_from_those_in_which_the_claws_stand() -> None:
    metal = add(claws_count=4)
    standing = points_of(metal)
    settings = metal.data.seatwright
    settings.claws_placement = "directions"
    assert settings.claws_directions_deg == "45, 135, 225, 315" and not settings.problem
    assert points_of(metal) == standing
    settings.claws_directions_deg = "50, 130, 230, 310"
    assert not settings.problem and points_of(metal) != standing


def points_of(metal: bpy.types.Object) -> tuple[tuple[float, ...], ...]:
    """The metal's points to a micrometre."""
    return tuple(tuple(round(each, 3) for each in vertex.co) for vertex in metal.data.vertices)


def test_a_refused_combination_keeps_the_last_metal_and_says_what_fits() -> None:
    metal = add(stone_length_mm=2.0)
    count = len(metal.data.polygons)
    metal.data.seatwright.head_style = "gallery"
    assert "at least 3 mm" in metal.data.seatwright.problem and "basket" in metal.data.seatwright.problem
    assert len(metal.data.polygons) == count
    metal.data.seatwright.head_style = "tapered claw"
    assert not metal.data.seatwright.problem


@pytest.mark.parametrize("quantity", ["thickness", "gap"])
def test_measures_are_painted_on_every_face_and_go_with_the_next_rebuild(quantity: str, inside: Inside) -> None:
    metal = add(claws_diameter_mm=0.5)
    assert bpy.ops.seatwright.paint(quantity=quantity) == {"FINISHED"}
    mesh, paint = metal.data, inside("addon.paint")
    (attribute,) = mesh.color_attributes
    assert (attribute.domain, len(attribute.data)) == ("CORNER", len(mesh.loops))
    assert inside("addon.painted").painted(mesh) == quantity
    colours = {tuple(round(each, 4) for each in corner.color[:3]) for corner in attribute.data}
    if quantity == "thickness":  # claws of 0.5 mm do not fill in 18K gold, which takes 0.6; the proof says the same
        assert tuple(round(each, 4) for each in paint.UNSAFE) in colours
        widths = [each for each in inside("addon.live").prove_now(metal) if each.code == "claws.width"]
        assert {each.verdict for each in widths} == {"unsafe"}
        metal.data.seatwright.claws_diameter_mm = 0.65
        assert bpy.ops.seatwright.paint(quantity=quantity) == {"FINISHED"}
        (attribute,) = mesh.color_attributes
        colours = {tuple(round(each, 4) for each in corner.color[:3]) for corner in attribute.data}
        assert tuple(round(each, 4) for each in paint.WATCH) in colours
        assert tuple(round(each, 4) for each in paint.UNSAFE) not in colours
    metal.data.seatwright.wall_taper_deg = 15.0
    assert not mesh.color_attributes
    assert bpy.ops.seatwright.paint(quantity=quantity) == {"FINISHED"}
    assert paint.title(metal, quantity) == paint.TITLES[quantity]
    mesh.vertices[0].co.z += 0.1
    assert paint.title(metal, quantity) == f"{paint.TITLES[quantity]} before it was edited"
    assert bpy.ops.seatwright.paint_clear() == {"FINISHED"} and not mesh.color_attributes


def test_the_colours_of_the_paint_change_at_the_limits(inside: Inside) -> None:
    paint = inside("addon.paint")
    import numpy as np

    scale = paint.Scale(0.4, 0.7)
    rows = scale.colours(np.array([0.399, 0.4, 0.699, 0.7, 2.1, 9.0, np.nan]))[:, :3]
    for row, colour in zip(rows, (paint.UNSAFE, paint.WATCH, paint.WATCH, paint.SOUND, paint.DEEP, paint.DEEP, paint.HIDDEN)):
        assert row == pytest.approx(colour, abs=1e-6)


def test_metal_is_proved_with_its_modifiers_and_cannot_be_painted_under_them(inside: Inside) -> None:
    metal, live = add(), inside("addon.live")
    built = live.prove_now(metal)
    modifier = metal.modifiers.new("Aside", "DISPLACE")
    modifier.direction, modifier.strength, modifier.mid_level = "X", 0.15, 0.0
    bpy.context.view_layer.update()
    assert live.known(metal) is None, "the proof of the bare metal passed for that of the modified"
    changed = live.prove_now(metal)
    rim = [next(each for each in findings if each.code == "seat.rim") for findings in (built, changed)]
    assert rim[0].verdict == "sound" and rim[1].verdict == "unsafe"
    assert rim[1].measured == pytest.approx(rim[0].measured - 0.15, abs=0.02)
    with pytest.raises(RuntimeError, match="apply them first"):
        bpy.ops.seatwright.paint()
    modifier.show_viewport = False
    bpy.context.view_layer.update()
    assert live.known(metal) == built


def test_tolerances_are_applied_when_asked_and_not_while_a_slider_rests(inside: Inside) -> None:
    metal = add(spread_stone_mm=0.05)
    live = inside("addon.live")
    resting = live.prove_now(metal)
    assert all(each.spread is None for each in resting) and live.wants_spread(metal, resting)
    assert bpy.ops.seatwright.prove() == {"FINISHED"}
    proven = live.known(metal)
    assert not live.wants_spread(metal, proven)
    notch = next(each for each in proven if each.code == "claws.notch")
    assert 0.0 <= notch.spread.share_sound <= 1.0 and notch.spread.worst != notch.measured
    assert any(each.code == "spread.stone_size" for each in proven)


def test_a_remedy_is_solved_and_taken_and_undone(inside: Inside) -> None:
    metal = add(claws_notch=0.45)
    metal.data.seatwright.claws_notch_pinned = True
    live, remedies = inside("addon.live"), inside("addon.remedies")
    findings = live.prove_now(metal)
    index = next(i for i, each in enumerate(findings) if each.code == "claws.notch")
    assert findings[index].verdict == "watch"
    assert bpy.ops.seatwright.find_remedy(index=index) == {"FINISHED"}
    assert remedies.is_known(metal, findings[index])
    remedy = remedies.remedy_of(metal, findings[index])
    assert remedy is not None and remedy.path == "claws.notch" and remedy.after <= 0.4 and remedy.is_pinned
    assert bpy.ops.seatwright.take_remedy(path=remedy.path, value=remedy.after) == {"FINISHED"}
    assert not [each for each in live.prove_now(metal) if each.code == "claws.notch" and each.verdict != "sound"]


def test_a_head_is_made_sound_only_after_the_change_was_shown_and_pins_move_only_when_freed(inside: Inside) -> None:
    metal = add(stone_length_mm=5.0, wall_seat_inset_mm=0.08)
    live, remedies = inside("addon.live"), inside("addon.remedies")
    with pytest.raises(RuntimeError, match="No change is listed"):
        bpy.ops.seatwright.take_change()
    before = dict(metal.data.seatwright.items())
    assert any(each.verdict == "unsafe" for each in live.prove_now(metal))
    assert bpy.ops.seatwright.make_sound() == {"FINISHED"}
    change = remedies.change_of(metal)
    assert change is not None and not change.is_sound and "seat inset" in change.sentence
    assert bpy.ops.seatwright.put_away_change() == {"FINISHED"} and remedies.change_of(metal) is None
    assert bpy.ops.seatwright.make_sound(frees=True) == {"FINISHED"}
    change = remedies.change_of(metal)
    assert change is not None and change.is_sound and [each.path for each in change.remedies] == ["wall.seat_inset_mm"]
    assert dict(metal.data.seatwright.items()) == before, "looking for a change made one"
    assert bpy.ops.seatwright.take_change() == {"FINISHED"}
    assert not [each.code for each in live.prove_now(metal) if each.verdict == "unsafe"]
    assert metal.data.seatwright.wall_seat_inset_mm >= 0.1


def test_a_stone_that_was_moved_is_proved_where_it_is(inside: Inside) -> None:
    metal, live = add(), inside("addon.live")
    assert {each.verdict for each in live.prove_now(metal)} == {"sound"}
    metal.children[0].location.x = 0.2
    bpy.context.view_layer.update()
    assert live.known(metal) is None
    findings = live.prove_now(metal)
    centred = next(each for each in findings if each.code == "seat.centred")
    assert centred.verdict != "sound" and centred.measured == pytest.approx(0.2, abs=1e-4)
    metal.children[0].location.x = 0.0
    metal.children[0].rotation_euler.x = 0.05
    bpy.context.view_layer.update()
    level = next(each for each in live.prove_now(metal) if each.code == "seat.level")
    assert level.verdict != "sound" and level.measured == pytest.approx(2.865, abs=0.01)


def test_the_workshops_own_rules_hold_in_blender(inside: Inside, tmp_path: Path) -> None:
    metal, live = add(), inside("addon.live")
    house, before = inside("addon.house"), live.prove_now(metal)
    file = tmp_path / "workshop.toml"
    file.write_text("[claws]\nnotch_benchmark = 0.2\nnotch_low = 0.1\n")
    preferences = bpy.context.preferences.addons[house.PACKAGE].preferences
    preferences.rules = str(file)
    try:
        assert live.known(metal) is None
        notches = [each for each in live.prove_now(metal) if each.code == "claws.notch"]
        assert {each.verdict for each in notches} == {"watch"} and notches[0].limit == pytest.approx(0.2)
        file.write_text("[claws]\nnotch_benchmark = 7\n")
        metal.data.seatwright.wall_taper_deg = 12.0
        assert "notch_benchmark" in metal.data.seatwright.problem
    finally:
        preferences.rules = ""
    metal.data.seatwright.wall_taper_deg = 17.0
    assert not metal.data.seatwright.problem
    assert {each.verdict for each in live.prove_now(metal)} == {each.verdict for each in before}


def test_nothing_is_painted_on_metal_that_changed_or_is_being_edited(inside: Inside) -> None:
    metal = add()
    bpy.ops.object.mode_set(mode="EDIT")
    with pytest.raises(RuntimeError, match="leave this mode"):
        bpy.ops.seatwright.paint()
    bpy.ops.object.mode_set(mode="OBJECT")
    said: list[str] = []

    class Asked(inside("addon.job").Job):
        def report(self, kinds: set[str], text: str) -> None:
            said.append(text)

    job = Asked()
    job.start(metal)
    assert job.started() == metal and not said
    metal.data.seatwright.claws_count = 4
    assert job.started() is None and "changed while this ran" in said[0]


@pytest.mark.parametrize("is_moved", [False, True])
def test_a_ring_that_was_joined_to_a_head_is_closed_metal(is_moved: bool, inside: Inside) -> None:
    for height in (-9.5, -9.0, -8.5, -8.2):
        metal = add()
        if is_moved:
            for vertex in metal.data.vertices:
                vertex.co.z -= 0.3 * (vertex.co.z < 0.001)
        bpy.ops.mesh.primitive_torus_add(location=(0.0, 0.0, height), rotation=(math.pi / 2.0, 0.0, 0.0),
                                         major_radius=8.5, minor_radius=1.0, major_segments=96, minor_segments=24)  # fmt: skip
        bpy.context.object.select_set(True)
        metal.select_set(True)
        bpy.context.view_layer.objects.active = metal
        bpy.ops.object.join()
        findings = inside("addon.live").prove_now(metal)
        assert not isinstance(findings, str), findings
        surface = next(each for each in findings if each.code == "casting.closed")
        assert surface.verdict == "sound", f"ring at {height}"
        bpy.data.objects.remove(metal)
