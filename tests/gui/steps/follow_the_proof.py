"""Thin a wall, click what the proof finds, take the remedy that it names, and undo."""

import os
import sys

sys.path.insert(0, os.path.dirname(__file__))
import bpy
import hands
from bpy_extras.view3d_utils import location_3d_to_region_2d
from hands import driver
from mathutils import Vector

LABEL = bpy.ops.seatwright.head_add.get_rna_type().name


def view():
    return driver.area().spaces.active.region_3d


def place_on_screen(place) -> tuple[int, int]:
    region = driver.region("WINDOW")
    point = location_3d_to_region_2d(region, view(), hands.chosen().matrix_world @ Vector(place))
    return region.x + round(point.x), hands.from_top(region.y + round(point.y))


def marked_colours(place) -> set[tuple[int, int, int]]:
    radius = hands.addon("overlay").RADIUS_PX + 3
    x, y = place_on_screen(place)
    return hands.colours_in(round(x - radius), round(y - radius), round(2 * radius), round(2 * radius))


def steps():
    overlay = hands.addon("overlay")
    yield from hands.add_from_menu(LABEL)
    yield from hands.show_tab("Seatwright")
    thickness = yield from hands.find_button("seatwright.wall_thickness_mm")
    driver.type_into(thickness.x, thickness.y, "0.4")
    yield from hands.rest()
    assert abs(thickness.value() - 0.4) < 1e-6
    findings = yield from hands.proved()
    index = next(i for i, each in enumerate(findings) if each.verdict == "unsafe" and each.place is not None)
    finding = findings[index]
    print(finding.code, finding.what, finding.place)

    before = tuple(view().view_location)
    yield from hands.click(f"show_finding(index={index})")
    yield from hands.rest()
    hands.picture("finding")
    assert overlay.shown_index(hands.chosen()) == index
    there = hands.chosen().matrix_world @ Vector(finding.place)
    assert (view().view_location - there).length < 1e-4, f"the view stands over {view().view_location}, not {there}"
    assert tuple(view().view_location) != before
    assert hands.shows(overlay.COLOURS["unsafe"][:3], marked_colours(finding.place)), "no ring is drawn at the place"

    remedies = hands.addon("remedies")
    thin = hands.metal(thickness.mesh)
    yield from hands.click(f"find_remedy(index={index})")
    yield from hands.until(lambda: remedies.is_known(hands.chosen(), finding), "the search for a remedy", 60.0)
    yield from hands.rest()
    hands.picture("remedy")
    remedy = remedies.remedy_of(hands.chosen(), finding)
    assert remedy is not None and hands.metal(thickness.mesh) == thin, "looking for a remedy changed the metal"
    print(remedy.path, remedy.after)
    yield from hands.click(f'take_remedy(path="{remedy.path}"')
    yield from hands.rest()
    taken = bpy.data.meshes[thickness.mesh].seatwright.path_resolve(remedy.path.replace(".", "_"))
    assert abs(taken - remedy.after) < 1e-5
    assert hands.metal(thickness.mesh) != thin, "the metal did not follow its remedy"
    findings = yield from hands.proved()
    hands.picture("remedied")
    same = [each for each in findings if (each.code, each.what) == (finding.code, finding.what)]
    assert [each.verdict for each in same] == ["sound"], "the remedy left its finding as it was"

    yield from hands.press("ctrl+z")
    assert hands.metal(thickness.mesh) == thin, "undo did not take the remedy back"
    assert abs(thickness.value() - 0.4) < 1e-6
    yield from hands.proved()
    yield from hands.click(f"show_finding(index={index})")
    hands.picture("put-away")
    assert overlay.shown_index(hands.chosen()) is None, "a second click on a finding did not put its mark away"
    assert not hands.shows(overlay.COLOURS["unsafe"][:3], marked_colours(finding.place)), "the ring is still drawn"


hands.finish(steps)
