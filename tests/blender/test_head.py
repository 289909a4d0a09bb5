"""A head in Blender from its first click to its files: chosen, built, undone, copied, edited, saved and proved."""

from __future__ import annotations

import json
import os
import struct
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import bpy
import pytest
from mathutils import Vector

Inside = Callable[[str], ModuleType]


def add(**arguments: Any) -> bpy.types.Object:
    assert bpy.ops.seatwright.head_add(**arguments) == {"FINISHED"}
    return bpy.context.object


def points(mesh: bpy.types.Mesh) -> list[tuple[float, ...]]:
    return [tuple(vertex.co) for vertex in mesh.vertices]


def select(*things: bpy.types.Object) -> None:
    bpy.ops.object.select_all(action="DESELECT")
    for each in things:
        each.select_set(True)
    bpy.context.view_layer.objects.active = things[0]


def closed(mesh: bpy.types.Mesh) -> bool:
    """Every edge has two faces, and Blender finds nothing to mend."""
    used = [0] * len(mesh.edges)
    for loop in mesh.loops:
        used[loop.edge_index] += 1
    return set(used) == {2} and not mesh.validate()


def test_a_head_is_one_metal_of_closed_parts_and_a_faceted_stone_below_the_cursor(inside: Inside) -> None:
    bpy.context.scene.cursor.location = (3, 4, 5)
    metal = add(claw_count=4)
    mesh, stone = metal.data, metal.children[0].data
    assert closed(mesh) and closed(stone)
    assert metal.matrix_world.translation == Vector((3, 4, 5))
    assert list(mesh["seatwright_parts"]) == ["added metal", "wall", "claw 1", "claw 2", "claw 3", "claw 4"]
    assert {each.value for each in mesh.attributes["part"].data} == set(range(1, 6))
    kinds = list(stone["seatwright_facets"])
    assert [kinds[each.value] for each in stone.attributes["facet"].data].count("table") == 1
    assert all(each.value for each in stone.attributes["sharp_face"].data)
    head = inside("core.head").make_head(inside("core.spec").spec_from_toml(mesh["seatwright_spec"]))
    assert max(z for *_, z in points(stone)) == pytest.approx(head.plan["table_height"], abs=1e-5)
    assert max(z for *_, z in points(mesh)) == pytest.approx(head.plan["head_height"], abs=0.01)


@pytest.mark.parametrize(("system", "scale"), [("METRIC", 1.0), ("METRIC", 0.01), ("METRIC", 0.001), ("NONE", 1.0)])
def test_one_unit_is_one_millimetre_in_every_scene(system: str, scale: float) -> None:
    units = bpy.context.scene.unit_settings
    units.system, units.scale_length = system, scale
    metal = add(cut="oval", length_mm=8.0, width_mm=6.0)
    assert metal.children[0].dimensions.x == pytest.approx(8.0, abs=1e-4)
    assert metal.children[0].dimensions.y == pytest.approx(6.0, abs=1e-4)
    assert bpy.ops.seatwright.scene_millimeters() == {"FINISHED"}
    assert (units.system, units.length_unit, round(units.scale_length, 9)) == ("METRIC", "MILLIMETERS", 0.001)
    assert metal.children[0].dimensions.x == pytest.approx(8.0, abs=1e-4)


def test_a_typed_value_is_kept_and_the_rest_follows_until_it_is_freed() -> None:
    mesh = add(length_mm=5.0).data
    settings = mesh.seatwright
    assert (settings.wall_taper_deg, settings.wall_taper_deg_pinned) == (17.0, False)
    settings.wall_taper_deg = 12.0
    assert settings.wall_taper_deg_pinned
    assert tomllib.loads(mesh["seatwright_spec"])["wall"] == {"taper_deg": 12.0}
    weight = settings.stone_weight_ct
    settings.stone_length_mm = 6.0
    assert settings.wall_taper_deg == 12.0
    assert settings.stone_weight_ct == pytest.approx(weight * 1.2**3, rel=1e-4)
    assert bpy.ops.seatwright.free(path="wall.taper_deg") == {"FINISHED"}
    assert (settings.wall_taper_deg, settings.wall_taper_deg_pinned) == (17.0, False)
    assert "wall" not in tomllib.loads(mesh["seatwright_spec"])


def test_numbers_reach_the_spec_as_typed_and_not_as_32_bit_floats() -> None:
    mesh = add(length_mm=6.1).data
    mesh.seatwright.wall_thickness_mm = 0.9
    spec = tomllib.loads(mesh["seatwright_spec"])
    assert (spec["stone"]["length_mm"], spec["wall"]["thickness_mm"]) == (6.1, 0.9)


def test_a_refused_value_keeps_the_last_good_metal_and_says_the_limit() -> None:
    mesh = add().data
    before = points(mesh)
    mesh.seatwright.wall_taper_deg = 39.0
    assert points(mesh) == before
    assert "Wall Taper" in mesh.seatwright.problem and "at most" in mesh.seatwright.problem
    mesh.seatwright.wall_taper_deg = 12.0
    assert mesh.seatwright.problem == ""
    assert points(mesh) != before


def test_a_refused_head_leaves_nothing_behind() -> None:
    with pytest.raises(RuntimeError, match="wider stone"):
        bpy.ops.seatwright.head_add(length_mm=0.8)
    assert not bpy.data.objects and not bpy.data.meshes


def test_a_new_cut_lets_go_of_what_it_does_not_have() -> None:
    settings = add(cut="oval", length_mm=8.0, width_mm=6.0).data.seatwright
    settings.stone_star = 0.55
    settings.stone_cut = "emerald"
    assert (settings.problem, settings.stone_star_pinned) == ("", False)
    assert (settings.stone_length_mm, settings.stone_width_mm) == (8.0, 6.0)
    settings.stone_cut = "round brilliant"
    assert settings.problem == ""
    assert (settings.stone_length_mm, settings.stone_width_mm) == (8.0, 8.0)


def test_every_cut_of_the_core_makes_a_head(inside: Inside) -> None:
    mesh = add(length_mm=7.0).data
    for cut in inside("core.stone").CUTS:
        mesh.seatwright.stone_cut = cut
        assert (cut, mesh.seatwright.problem) == (cut, "")
        assert closed(mesh), cut


def test_undo_and_redo_take_metal_and_values_together() -> None:
    bpy.ops.ed.undo_push(message="start")
    name = add().data.name
    bpy.ops.ed.undo_push(message="add")
    history = []
    for taper in (17.0, 12.0, 9.0):
        mesh = bpy.data.meshes[name]
        if taper != 17.0:
            mesh.seatwright.wall_taper_deg = taper
            bpy.ops.ed.undo_push(message=f"{taper}")
        history.append((taper, points(mesh), points(mesh.seatwright.stone)))
    for step, backwards in [*((each, True) for each in history[-2::-1]), *((each, False) for each in history[1:])]:
        bpy.ops.ed.undo() if backwards else bpy.ops.ed.redo()
        mesh = bpy.data.meshes[name]
        assert (mesh.seatwright.wall_taper_deg, points(mesh), points(mesh.seatwright.stone)) == step


def test_a_full_copy_is_a_head_of_its_own_and_a_linked_one_shares() -> None:
    metal = add()
    stone = metal.children[0]
    select(metal, stone)
    bpy.ops.object.duplicate(linked=True)
    assert bpy.context.object.data == metal.data
    select(metal, stone)
    bpy.ops.object.duplicate()
    copy = bpy.context.object
    before = points(metal.data), points(stone.data)
    copy.data.seatwright.stone_length_mm = 9.0
    bpy.context.view_layer.update()
    assert (points(metal.data), points(stone.data)) == before
    assert copy.children[0].dimensions.x == pytest.approx(9.0, abs=1e-4)


def test_a_copy_of_the_metal_alone_leaves_the_first_stone_alone_and_can_have_its_own() -> None:
    metal = add()
    stone = metal.children[0].data
    select(metal)
    bpy.ops.object.duplicate()
    copy, before = bpy.context.object, points(stone)
    copy.data.seatwright.stone_length_mm = 5.0
    assert points(stone) == before
    assert bpy.ops.seatwright.stone_add() == {"FINISHED"}
    assert copy.children[0].data != stone
    assert copy.children[0].dimensions.x == pytest.approx(5.0, abs=1e-4)


def test_hand_edits_are_kept_until_the_user_lets_them_go(inside: Inside) -> None:
    mesh = add().data
    mesh.vertices[0].co.x += 0.25
    mesh.update()
    edited = points(mesh)
    mesh.seatwright.wall_taper_deg = 12.0
    assert points(mesh) == edited
    assert bpy.ops.seatwright.keep_hand_edits() == {"FINISHED"}
    assert (points(mesh), mesh.seatwright.wall_taper_deg) == (edited, 17.0)
    assert bpy.ops.seatwright.rebuild() == {"FINISHED"}
    assert points(mesh) != edited
    assert not inside("addon.rebuild").is_edited(mesh)


def test_a_mesh_in_edit_mode_waits() -> None:
    mesh = add().data
    before = points(mesh)
    bpy.ops.object.mode_set(mode="EDIT")
    mesh.seatwright.wall_taper_deg = 12.0
    bpy.ops.object.mode_set(mode="OBJECT")
    assert points(mesh) == before
    assert bpy.ops.seatwright.rebuild() == {"FINISHED"}
    assert points(mesh) != before


def test_a_rebuild_keeps_what_the_user_put_on_the_metal() -> None:
    metal = add()
    mesh = metal.data
    own = bpy.data.materials.new("own")
    mesh.materials[0] = own
    metal.modifiers.new("smooth", "SUBSURF")
    metal.location, metal.name = (1, 2, 3), "mine"
    metal.vertex_groups.new(name="soft")
    mesh.seatwright.claws_count = 8
    mesh.seatwright.casting_alloy = "sterling silver"
    assert mesh.materials[0] == own
    assert [each.name for each in metal.modifiers] == ["smooth"]
    assert [each.name for each in metal.vertex_groups] == ["soft"]
    assert (tuple(metal.location), metal.name, metal.data) == ((1, 2, 3), "mine", mesh)


def test_our_material_follows_the_alloy_and_is_shared() -> None:
    first, second = add().data, add().data
    assert first.materials[0] == second.materials[0]
    second.seatwright.casting_alloy = "sterling silver"
    assert [each.materials[0].name for each in (first, second)] == ["18K yellow gold", "Sterling silver"]


def test_a_saved_head_is_whole_and_alive_when_opened(tmp_path: Path) -> None:
    mesh = add(cut="pear", length_mm=9.0).data
    mesh.seatwright.wall_taper_deg = 11.0
    left = points(mesh)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "head.blend"))
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "head.blend"))
    mesh = bpy.data.meshes["Stone Head"]
    assert (points(mesh), mesh.seatwright.wall_taper_deg, mesh.seatwright.problem) == (left, 11.0, "")
    mesh.seatwright.wall_taper_deg = 8.0
    assert points(mesh) != left


def test_a_mesh_that_only_kept_its_text_becomes_a_head_again_on_opening(inside: Inside) -> None:
    mesh = add(cut="oval").data
    twin = bpy.data.meshes.new("twin")
    for key in ("seatwright_spec", "seatwright_state", "seatwright_parts"):
        twin[key] = mesh[key]
    inside("addon.properties").migrate()
    assert (twin.seatwright.schema, twin.seatwright.stone_cut) == (mesh.seatwright.schema, "oval")
    assert not inside("addon.properties").is_behind(twin)


def test_linked_metal_is_left_alone_and_says_so(tmp_path: Path) -> None:
    add()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "head.blend"))
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    with bpy.data.libraries.load(str(tmp_path / "head.blend"), link=True) as (_, wanted):
        wanted.objects = ["Stone Head"]
    metal = wanted.objects[0]
    bpy.context.collection.objects.link(metal)
    bpy.context.view_layer.objects.active = metal
    before = points(metal.data)
    metal.data.seatwright.wall_taper_deg = 5.0
    assert points(metal.data) == before
    assert not bpy.ops.seatwright.free.poll()


def test_the_proof_is_of_the_metal_that_is_there(inside: Inside) -> None:
    metal = add()
    mesh, live = metal.data, inside("addon.live")
    assert live.known(metal) is None
    assert bpy.ops.seatwright.prove() == {"FINISHED"}
    built = live.known(metal)
    assert {each.verdict for each in built} <= {"sound", "watch"}
    for vertex in mesh.vertices:
        vertex.co.x *= 1.05
    mesh.update()
    assert live.known(metal) is None
    edited = live.prove_now(metal)
    assert [each.code for each in edited if each.verdict != "sound"] != [
        each.code for each in built if each.verdict != "sound"
    ]
    assert bpy.ops.seatwright.show_finding(index=0) == {"FINISHED"}
    with pytest.raises(RuntimeError, match="counted from 0"):
        bpy.ops.seatwright.show_finding(index=9999)


def test_a_scaled_object_is_the_first_finding_until_it_is_reset(inside: Inside) -> None:
    metal = add()
    assert [each.code for each in inside("addon.live").prove_now(metal)].count("object.scale") == 0
    metal.scale = (1.0, 1.0, 1.1)
    bpy.context.view_layer.update()
    first = inside("addon.live").known(metal)[0]
    assert (first.code, first.verdict, first.measured) == ("object.scale", "unsafe", pytest.approx(1.1))
    assert bpy.ops.seatwright.reset_scale() == {"FINISHED"}
    bpy.context.view_layer.update()
    assert inside("addon.live").known(metal)[0].code != "object.scale"


def test_metal_with_shape_keys_is_not_broken() -> None:
    metal = add()
    metal.shape_key_add(name="Basis")
    before = points(metal.data)
    metal.data.seatwright.claws_count = 8
    assert points(metal.data) == before
    with pytest.raises(RuntimeError, match="shape keys"):
        bpy.ops.seatwright.rebuild()


def test_a_missing_kernel_is_named_in_lines_that_fit_the_sidebar(inside: Inside) -> None:
    missing = inside("addon.missing")
    missing.explain("No module named 'manifold3d'")
    lines = missing.sentences()
    assert any("manifold3d" in line for line in lines) and any("Python 3." in line for line in lines)
    assert max(map(len, lines)) <= 36


def test_an_open_metal_is_the_first_finding_with_its_place_and_is_not_handed_over(inside: Inside, tmp_path: Path) -> None:
    import bmesh

    metal = add()
    mesh = metal.data
    work = bmesh.new()
    work.from_mesh(mesh)
    work.faces.ensure_lookup_table()
    corners = [tuple(vertex.co) for vertex in work.faces[0].verts]
    bmesh.ops.delete(work, geom=[work.faces[0]], context="FACES")
    work.to_mesh(mesh)
    work.free()
    assert bpy.ops.seatwright.prove() == {"FINISHED"}
    first = inside("addon.live").known(metal)[0]
    assert (first.code, first.verdict) == ("soundness.closed", "unsafe") and "wall" in first.what
    nearest = min(max(abs(a - b) for a, b in zip(first.place, corner)) for corner in corners)
    assert nearest < 0.5
    with pytest.raises(RuntimeError, match="wall"):
        bpy.ops.seatwright.hand_over(directory=str(tmp_path / "files"))
    assert not (tmp_path / "files").exists()


def test_the_files_are_those_of_the_core(inside: Inside, tmp_path: Path) -> None:
    metal = add(claw_count=4, state="set")
    mesh = metal.data
    assert bpy.ops.seatwright.hand_over(directory=str(tmp_path / "blender")) == {"FINISHED"}
    head = inside("core.head").make_head(inside("core.spec").spec_from_toml(mesh["seatwright_spec"]), "set")
    inside("core.handover").hand_over(head, inside("core.proof").prove(head), tmp_path / "core")
    written = sorted(each.name for each in (tmp_path / "blender").iterdir())
    assert written == sorted(inside("core.handover").FILES)
    assert json.loads((tmp_path / "blender" / "proof.json").read_text()) == json.loads(
        (tmp_path / "core" / "proof.json").read_text()
    )
    assert (tmp_path / "blender" / "head.stl").read_bytes() == (tmp_path / "core" / "head.stl").read_bytes()


def test_two_heads_hand_over_into_folders_of_their_own(tmp_path: Path) -> None:
    for _ in range(2):
        add(claw_count=4).data.seatwright.directory = f"{tmp_path}{os.sep}"
        assert bpy.ops.seatwright.hand_over() == {"FINISHED"}
    assert len(list(tmp_path.iterdir())) == 2


def test_a_mesh_becomes_the_stone_of_a_head() -> None:
    first = add(cut="oval", length_mm=8.0, width_mm=6.0)
    loose = bpy.data.objects.new("scan", first.children[0].data.copy())
    bpy.context.collection.objects.link(loose)
    loose.rotation_euler = (0.4, 0.3, 0.2)
    select(loose)
    bpy.context.view_layer.update()
    assert bpy.ops.seatwright.stone_from_object() == {"FINISHED"}
    settings = bpy.context.object.data.seatwright
    assert Path(bpy.path.abspath(settings.stone_mesh)).is_file()
    assert settings.stone_length_mm == pytest.approx(8.0, abs=1e-3)
    assert settings.stone_width_mm == pytest.approx(6.0, abs=1e-3)
    settings.wall_taper_deg = 11.0
    assert settings.problem == ""
    settings.stone_mesh_tilt_length_deg = 180.0
    assert settings.problem == "" and settings.stone_mesh_tilt_length_deg_pinned
    settings.stone_mesh = ""
    assert settings.problem == "" and not settings.stone_mesh_tilt_length_deg_pinned


def test_one_rebuild_for_many_changes(inside: Inside, monkeypatch: pytest.MonkeyPatch) -> None:
    mesh = add().data
    rebuild = inside("addon.rebuild")
    counted: list[str] = []
    written = rebuild.write_metal
    monkeypatch.setattr(rebuild, "write_metal", lambda *arguments: (counted.append("metal"), written(*arguments)))
    with inside("addon.properties").changing(mesh) as settings:
        settings.wall_taper_deg, settings.wall_taper_deg_pinned = 12.0, True
        settings.claws_count, settings.claws_count_pinned = 4, True
    assert counted == ["metal"]
    monkeypatch.setattr(rebuild, "write_facets", lambda *arguments: counted.append("stone"))
    mesh.seatwright.claws_diameter_mm = 0.9
    assert counted == ["metal", "metal"], "the stone was rewritten although it did not change"


def test_choices_have_numbers_that_do_not_depend_on_their_order(inside: Inside) -> None:
    for field in inside("core.spec").FIELDS:
        numbers = [item[4] for item in inside("addon.properties").enum_items(field)]
        assert len(set(numbers)) == len(numbers), field.path
        assert all(struct.unpack("f", struct.pack("f", each)) == (each,) for each in numbers), "a menu would round it"
    cut = add().data.seatwright.bl_rna.properties["stone_cut"].enum_items["oval"]
    assert cut.value == 715086654 % 2**24


def test_a_file_with_the_first_versions_numbers_keeps_its_choices_and_its_hand_edits(inside: Inside, tmp_path: Path) -> None:
    metal = add(cut="oval")
    settings = metal.data.seatwright
    settings.casting_alloy = "sterling silver"
    metal.data.vertices[0].co.z += 0.2
    settings["stone_cut"], settings.schema = 715086654, 1
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "first.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "first.blend"))
    mesh = bpy.data.meshes[bpy.context.object.data.name]
    assert (mesh.seatwright.stone_cut, mesh.seatwright.casting_alloy) == ("oval", "sterling silver")
    assert mesh.seatwright.schema == inside("addon.properties").SCHEMA and inside("addon.rebuild").is_edited(mesh)


def test_blenders_own_tools_may_be_applied_to_the_metal(inside: Inside) -> None:
    metal = add()
    assert metal.data.users == 1, "Blender applies nothing to a mesh with a second user"
    modifier = metal.modifiers.new("Rounder", "REMESH")
    modifier.voxel_size = 0.15
    assert bpy.ops.object.modifier_apply(modifier=modifier.name) == {"FINISHED"}
    assert inside("addon.rebuild").is_edited(metal.data)
    assert not isinstance(inside("addon.live").prove_now(metal), str)
    metal.scale = (2.0, 2.0, 2.0)
    assert bpy.ops.object.transform_apply(location=False, rotation=False, scale=True) == {"FINISHED"}
    bpy.context.view_layer.update()
    said = inside("addon.live").prove_now(metal)  # the stone is a child and grew with the metal
    assert isinstance(said, str) and "set its scale back to 1" in said


def test_a_stone_knows_its_metal_by_its_parent_and_files_that_said_otherwise_are_mended(inside: Inside, tmp_path: Path) -> None:
    metal = add()
    stone = metal.children[0]
    stone.data.seatwright.metal = metal.data  # as earlier versions did
    path = str(tmp_path / "earlier.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.open_mainfile(filepath=path)
    metal = next(each for each in bpy.data.objects if inside("addon.properties").is_head(each.data))
    assert metal.data.users == 1
    own = inside("addon.rebuild").own_stone(metal.data)
    assert own is not None and own == metal.children[0].data
    metal.children[0].parent = None
    assert inside("addon.rebuild").own_stone(metal.data) is None
