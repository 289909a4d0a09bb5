"""Every panel and operator, drawn and asked without a window: names that exist, words for the user, nothing changed.

A real panel that names an unknown property or icon raises nothing; the stand-in for the layout does.
"""

from __future__ import annotations

import types
from collections.abc import Callable
from types import ModuleType
from typing import Any

import bpy
import pytest

PACKAGE = "bl_ext.user_default.seatwright"
LAYOUT = bpy.types.UILayout.bl_rna
ICONS = set(LAYOUT.functions["label"].parameters["icon"].enum_items.keys())
NEW_LAYOUTS = {"row", "column", "box", "split", "column_flow", "grid_flow", "menu_pie"}


class Layout:
    """Takes what a layout takes in this version of Blender, checks every name in it, and remembers the texts."""

    def __init__(self, texts: list[str]) -> None:
        object.__setattr__(self, "texts", texts)

    def __setattr__(self, name: str, value: object) -> None:
        assert name in LAYOUT.properties, f"no layout has the setting {name}"

    def __getattr__(self, name: str) -> Callable[..., Any]:
        assert name in LAYOUT.functions or name in LAYOUT.properties, f"no layout has {name}"
        return lambda *arguments, **options: self.called(name, arguments, options)

    def called(self, name: str, arguments: tuple[Any, ...], options: dict[str, Any]) -> Any:
        known = LAYOUT.functions[name].parameters.keys()
        assert set(options) <= set(known), f"{name} takes no {set(options) - set(known)}"
        assert options.get("icon", "NONE") in ICONS, f"there is no icon {options.get('icon')}"
        self.texts.append(str(options.get("text", "")))
        if name.startswith("prop"):
            data = arguments[0] if arguments else options["data"]
            key = arguments[1] if len(arguments) > 1 else options["property"]
            assert key in data.bl_rna.properties, f"{data.bl_rna.identifier} has no property {key}"
        if name in ("operator", "operator_menu_enum"):
            return self.operator(arguments[0] if arguments else options["operator"])
        if name == "panel":
            return Layout(self.texts), Layout(self.texts)
        return Layout(self.texts) if name in NEW_LAYOUTS else None

    def operator(self, identifier: str, **options: Any) -> Any:
        group, _, verb = identifier.partition(".")
        assert verb in dir(getattr(bpy.ops, group)), f"there is no operator {identifier}"
        assert options.get("icon", "NONE") in ICONS, f"there is no icon {options.get('icon')}"
        known = getattr(getattr(bpy.ops, group), verb).get_rna_type().properties
        return Settings(identifier, known)


class Settings:
    """The settings of an operator's button: only those that the operator has."""

    def __init__(self, identifier: str, known: Any) -> None:
        object.__setattr__(self, "known", (identifier, known))

    def __setattr__(self, name: str, value: object) -> None:
        identifier, known = self.known
        assert name in known, f"{identifier} has no setting {name}"


def ours(base: type) -> list[type]:
    return [each for each in base.__subclasses__() if each.__module__.startswith(PACKAGE) and each.is_registered]


def draw(panel: type) -> list[str]:
    """The texts of a panel, drawn on the stand-in; nothing if it does not show in this context."""
    if hasattr(panel, "poll") and not panel.poll(bpy.context):
        return []
    texts: list[str] = []
    stand_in = types.SimpleNamespace(layout=Layout(texts))
    for name in dir(panel):
        member = getattr(panel, name, None)
        if isinstance(member, types.FunctionType):
            setattr(stand_in, name, types.MethodType(member, stand_in))
        elif isinstance(member, str) and not name.startswith("__"):
            setattr(stand_in, name, member)
    for part in ("draw_header", "draw"):
        if hasattr(stand_in, part):
            getattr(stand_in, part)(bpy.context)
    return texts


def state() -> tuple[Any, ...]:
    """What drawing must not change: the data's names and the points of every mesh."""
    points = {mesh.name: tuple(tuple(vertex.co) for vertex in mesh.vertices) for mesh in bpy.data.meshes}
    return points, sorted(block.name for block in bpy.data.objects), sorted(block.name for block in bpy.data.materials)


@pytest.mark.parametrize("scene", ["nothing", "a cube", "a head"])
def test_every_panel_draws_known_names_and_changes_nothing(extension: ModuleType, scene: str) -> None:
    if scene == "a cube":
        bpy.ops.mesh.primitive_cube_add()
    if scene == "a head":
        bpy.ops.seatwright.head_add()
    before = state()
    panels = ours(bpy.types.Panel)
    assert panels
    drawn = {panel.__name__: draw(panel) for panel in panels}
    assert any(drawn.values()), f"no panel of {list(drawn)} shows anything over {scene}"
    assert state() == before


def test_every_operator_says_what_it_does(extension: ModuleType) -> None:
    operators = ours(bpy.types.Operator)
    assert operators
    for operator in operators:
        group, verb = operator.bl_idname.split(".")
        kind = getattr(getattr(bpy.ops, group), verb).get_rna_type()
        assert group == "seatwright"
        assert kind.name, operator
        assert len(kind.description.split()) >= 4, f"{operator.bl_idname}: {kind.description!r}"
        assert not kind.description.endswith("."), f"{operator.bl_idname}: Blender adds the full stop"
        assert kind.description != kind.name


def test_every_property_has_a_name_and_a_sentence(extension: ModuleType) -> None:
    groups = ours(bpy.types.PropertyGroup)
    assert groups
    for group in groups:
        for key, each in group.bl_rna.properties.items():
            if key in ("rna_type", "name") or each.is_hidden:
                continue
            assert each.name and each.description, f"{group.__name__}.{key}"
            assert not each.is_animatable, f"{group.__name__}.{key}: a keyframe would move the value and not the metal"
