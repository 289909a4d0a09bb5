"""Copies by Shift+D and Alt+D, each dragged and undone; metal moved by hand in Edit Mode, kept, undone."""

import os
import sys

sys.path.insert(0, os.path.dirname(__file__))
import bpy
import hands
from hands import driver

LABEL = bpy.ops.seatwright.head_add.get_rna_type().name


def heads() -> dict[str, str]:
    """The metal objects and their meshes."""
    is_head = hands.addon("properties").is_head
    return {each.name: each.data.name for each in bpy.data.objects if is_head(each.data)}


def metals() -> dict[str, str]:
    return {name: hands.metal(mesh) for name, mesh in heads().items()}


def is_edited() -> bool:
    return hands.addon("rebuild").is_edited(hands.chosen().data)


def copy(keys: str):
    """Copy the chosen object and leave the copy where it is; the copy's name."""
    yield from hands.press(keys)
    yield from hands.press("Return")
    yield from hands.until(lambda: not hands.runs("TRANSFORM_OT_translate"), "the end of moving a copy")
    return hands.chosen().name


def type_taper(degrees: str):
    yield from hands.show_tab("Seatwright")
    taper = yield from hands.find_button("seatwright.wall_taper_deg")
    driver.type_into(taper.x, taper.y, degrees)
    yield from hands.rest(0.5)
    return taper


def steps():
    yield from hands.add_from_menu(LABEL)
    first, mesh = hands.chosen().name, hands.chosen().data.name
    alone = metals()

    full = yield from copy("shift+d")
    assert full != first and heads()[full] != mesh, "Shift+D did not copy the metal"
    hands.picture("full-copy")
    taper = yield from type_taper("12")
    assert abs(bpy.data.objects[full].data.seatwright.wall_taper_deg - 12.0) < 1e-5, "the sidebar shows another head"
    assert metals()[first] == alone[first], "a full copy changed the head that it was made from"
    assert metals()[full] != alone[first]
    yield from hands.press("ctrl+z")
    assert metals() == {first: alone[first], full: alone[first]}
    yield from hands.click("stone_add(")
    own = hands.addon("rebuild").own_stone(hands.chosen().data)
    assert own is not None and own != hands.addon("rebuild").own_stone(bpy.data.meshes[mesh])
    yield from hands.press("ctrl+z")
    yield from hands.press("ctrl+z")
    assert metals() == alone and hands.chosen().name == first, "undo did not take the copy away"

    linked = yield from copy("alt+d")
    assert linked != first and heads()[linked] == mesh, "Alt+D did not share the metal"
    yield from type_taper("13")
    assert metals()[first] == metals()[linked] != alone[first]
    yield from hands.press("ctrl+z")
    yield from hands.press("ctrl+z")
    assert metals() == alone and hands.chosen().name == first

    yield from hands.press("Tab")
    for keys in ("a", "g", "x"):
        yield from hands.press(keys)
    driver.pointer("type", "0.5")
    yield from hands.rest()
    yield from hands.press("Return")
    yield from hands.press("Tab")
    yield from hands.rest()
    assert hands.chosen().mode == "OBJECT" and is_edited(), "the metal was not edited"
    moved = metals()
    hands.picture("edited")
    taper = yield from type_taper("11")
    hands.picture("edited-and-behind")
    assert metals() == moved, "a slider threw hand edits away"
    yield from hands.press("ctrl+z")
    assert metals() == moved and abs(taper.value() - 11.0) > 1e-5
    for _ in range(UNDO_STEPS):
        if not is_edited():
            break
        yield from hands.press("ctrl+z")
    yield from hands.press("Escape")
    assert hands.chosen().mode == "OBJECT", "undo of a hand edit ended in another mode"
    assert metals() == alone and not is_edited(), "undo did not take the hand edit back"
    yield from type_taper("14")
    assert metals() != alone and not is_edited(), "the metal no longer follows its choices after an undone edit"


UNDO_STEPS = 8
hands.finish(steps)
