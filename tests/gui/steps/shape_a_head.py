"""Add a head from the Add menu, drag and type its taper, undo and redo every step, save."""

import json
import os
import sys

sys.path.insert(0, os.path.dirname(__file__))
import bpy
import hands
from hands import driver

LABEL = bpy.ops.seatwright.head_add.get_rna_type().name


def objects() -> set[str]:
    return {each.name for each in bpy.data.objects}


def steps():
    before = objects()
    yield from hands.add_from_menu(LABEL)
    with_head = objects()
    assert with_head > before, f"the Add menu's {LABEL} added nothing"
    yield from hands.press("ctrl+z")
    assert objects() == before, f"undo left {objects() - before}"
    yield from hands.press("ctrl+shift+z")
    assert objects() == with_head, f"redo brought {objects() - before}"

    yield from hands.show_tab("Seatwright")
    taper = yield from hands.find_button("seatwright.wall_taper_deg")
    history = [(taper.value(), hands.metal(taper.mesh))]
    for pixels in (40, -24):
        yield from driver.drag(taper.x, taper.y, pixels)
        yield from hands.rest(0.5)
        history.append((taper.value(), hands.metal(taper.mesh)))
        hands.picture(f"dragged-{len(history)}")
    driver.type_into(taper.x, taper.y, "12.5")
    yield from hands.rest(0.5)
    history.append((taper.value(), hands.metal(taper.mesh)))
    print(history)
    assert abs(taper.value() - 12.5) < 1e-5
    assert len({value for value, _ in history}) == len(history), "a drag or the typing did not reach the property"
    assert len({metal for _, metal in history}) == len(history), "the metal did not follow its property"

    for expected in history[-2::-1]:
        yield from hands.press("ctrl+z")
        assert (taper.value(), hands.metal(taper.mesh)) == expected, f"undo: {taper.value()}, not {expected[0]}"
    for expected in history[1:]:
        yield from hands.press("ctrl+shift+z")
        assert (taper.value(), hands.metal(taper.mesh)) == expected, f"redo: {taper.value()}, not {expected[0]}"

    folder = os.environ["SEATWRIGHT_FILES"]
    with open(os.path.join(folder, "head.json"), "w", encoding="utf-8") as file:
        json.dump({"objects": sorted(objects()), "mesh": taper.mesh, "value": history[-1][0], "metal": history[-1][1]}, file)
    bpy.ops.wm.save_as_mainfile(filepath=os.path.join(folder, "head.blend"))


hands.finish(steps)
