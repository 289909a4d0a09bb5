"""In a second start on the saved file: the head is as it was left, and its slider still moves the metal."""

import json
import os
import sys

sys.path.insert(0, os.path.dirname(__file__))
import bpy
import hands
from hands import driver


def steps():
    with open(os.path.join(os.environ["SEATWRIGHT_FILES"], "head.json"), encoding="utf-8") as file:
        left = json.load(file)
    assert sorted(each.name for each in bpy.data.objects) == left["objects"]
    assert hands.metal(left["mesh"]) == left["metal"]
    yield from hands.show_tab("Seatwright")
    taper = yield from hands.find_button("seatwright.wall_taper_deg")
    assert (taper.mesh, taper.value()) == (left["mesh"], left["value"])
    yield from driver.drag(taper.x, taper.y, 40)
    yield from hands.rest(0.5)
    assert taper.value() != left["value"]
    assert hands.metal(left["mesh"]) != left["metal"], "the metal of a reopened file did not follow its slider"
    yield from hands.press("ctrl+z")
    assert (taper.value(), hands.metal(left["mesh"])) == (left["value"], left["metal"])


hands.finish(steps)
