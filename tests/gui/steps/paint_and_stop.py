"""Paint the metal and look for its legend, undo it, paint again and let a slider take it off; stop a long search by Escape."""

import os
import sys

sys.path.insert(0, os.path.dirname(__file__))
import bpy
import hands
from hands import driver
from mathutils import Color

LABEL = bpy.ops.seatwright.head_add.get_rna_type().name
STOPPED_S = 5.0  # in which Escape must have stopped a search; to its own end it takes longer


def shading():
    return driver.area().spaces.active.shading


def view():
    return driver.area().spaces.active.region_3d


def painted() -> str:
    return hands.addon("painted").painted(hands.chosen().data)


def is_searching() -> bool:
    return hands.runs("SEATWRIGHT_OT_make_sound")


def legend_colours() -> set[tuple[int, int, int]]:
    """What the lower left of the 3D view shows."""
    region = driver.region("WINDOW")
    left, bottom = region.x + 50, hands.from_top(region.y + 50)
    return hands.colours_in(left, bottom - 180, 60, 180)


def legend_rows(quantity: str) -> list[tuple[float, ...]]:
    paint, live = hands.addon("paint"), hands.addon("live")
    rows = paint.legend(live.head_of(hands.chosen().data), quantity)
    return [tuple(Color(colour).from_scene_linear_to_srgb()) for colour, _ in rows]


def steps():
    yield from hands.add_from_menu(LABEL)
    yield from hands.show_tab("Seatwright")
    yield from hands.proved()
    mesh = hands.chosen().data.name
    metal = hands.metal(mesh)
    usual = shading().color_type
    assert not all(hands.shows(colour, legend_colours()) for colour in legend_rows("thickness"))

    yield from hands.click("paint(quantity='thickness')")
    yield from hands.until(lambda: painted() == "thickness", "the painting", 60.0)
    yield from hands.rest(0.5)
    hands.picture("painted")
    assert shading().color_type == "VERTEX"
    seen = legend_colours()
    for colour in legend_rows("thickness"):
        assert hands.shows(colour, seen), f"the legend lacks {colour}"
    yield from hands.press("ctrl+z")
    yield from hands.rest()
    hands.picture("paint-undone")
    assert painted() == "" and hands.metal(mesh) == metal
    assert shading().color_type == usual, "undo left the view in the colours of a paint that is gone"
    yield from hands.press("ctrl+shift+z")
    yield from hands.rest()
    assert painted() == "thickness" and shading().color_type == "VERTEX"

    yield from hands.scroll(-60)
    taper = yield from hands.find_button("seatwright.wall_taper_deg")
    driver.type_into(taper.x, taper.y, "12")
    yield from hands.rest(0.5)
    hands.picture("paint-gone")
    assert painted() == "" and shading().color_type == usual, "the paint of another metal is still shown"

    thickness = yield from hands.find_button("seatwright.wall_thickness_mm")
    driver.type_into(thickness.x, thickness.y, "0.3")
    yield from hands.rest()
    yield from hands.proved()
    left = (hands.metal(mesh), hands.addon("properties").built_spec(bpy.data.meshes[mesh]))
    yield from hands.click("make_sound(")
    hands.picture("searching")
    assert is_searching(), "the search is not running"
    far = view().view_distance
    driver.pointer("mousemove", *hands.over_viewport(), "click", "--repeat", 3, "--delay", 15, 4)
    yield from hands.until(lambda: view().view_distance < far, "the view's coming nearer while a search runs", STOPPED_S)
    yield from hands.press("g")
    assert is_searching(), "the search ended before the metal was to be moved"
    assert not hands.runs("TRANSFORM_OT_translate"), "metal can be moved while a search runs"
    yield from hands.press("Escape")
    yield from hands.until(lambda: not is_searching(), "the end of the search after Escape", STOPPED_S)
    yield from hands.rest()
    hands.picture("stopped")
    assert (hands.metal(mesh), hands.addon("properties").built_spec(bpy.data.meshes[mesh])) == left
    assert hands.addon("remedies").change_of(hands.chosen()) is None, "a search that was stopped left a change"


hands.finish(steps)
