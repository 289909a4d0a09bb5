"""Choose another style by its menu, as a hand does, and undo it."""

import os
import sys

sys.path.insert(0, os.path.dirname(__file__))
import bpy
import hands
from hands import driver

LABEL = bpy.ops.seatwright.head_add.get_rna_type().name


def steps():
    yield from hands.add_from_menu(LABEL)
    yield from hands.show_tab("Seatwright")
    style = yield from hands.find_button("seatwright.head_style")
    first = (style.value(), hands.metal(style.mesh))
    driver.pointer("mousemove", style.x, style.y, "click", 1)
    yield from hands.rest(0.5)
    hands.picture("style-menu")
    driver.pointer("key", "b")  # the letter that the menu underlines in Basket
    yield from hands.rest(0.5)
    second = (style.value(), hands.metal(style.mesh))
    assert bpy.data.meshes[style.mesh].seatwright.head_style == "basket", "the menu did not choose what was picked"
    assert second[1] != first[1], "the metal did not follow its style"
    yield from hands.press("ctrl+z")
    assert (style.value(), hands.metal(style.mesh)) == first, "undo did not bring the first style back"


hands.finish(steps)
