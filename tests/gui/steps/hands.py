"""What a hand and an eye do in Blender's window, over the driver's clicks: find a button, drag it, read the head."""

from __future__ import annotations

import hashlib
import importlib
import os
import subprocess
import time
from array import array
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any

import bpy
import driver

Steps = Generator[float, None, Any]
SWEEP_STEP_PX = 14  # less than a button's height, so that no button is stepped over
LONGEST_REST_S, ON_TIME_S = 4.0, 0.16
WAITS_S = (0.04, 0.2, 0.8)  # how long a sweep stays at a place; a busy Blender takes its time
PAGES, PAGE_NOTCHES = 2, 30  # how far the sidebar is scrolled in search of a button
NEAR_COLOUR = 12  # of 255; smoothing and rounding change a drawn colour by less


def finish(steps: Callable[[], Steps]) -> None:
    """Run the steps and print the last line that the test looks for."""

    def to_the_end() -> Steps:
        yield from steps()
        print("FINISHED", flush=True)

    driver.run(to_the_end(), first=2.0)


def picture(name: str) -> None:
    driver.picture(os.path.join(os.environ["SEATWRIGHT_PICTURES"], name + ".png"))


def from_top(y: int) -> int:
    """Blender counts pixels upwards, the pointer downwards."""
    return driver.window().height - 1 - y


def rest(least_s: float = 0.3) -> Steps:
    """Let Blender answer, until its timers come on time again: on a busy machine that takes longer."""
    started, calm = time.monotonic(), 0
    while time.monotonic() - started < least_s or (calm < 2 and time.monotonic() - started < LONGEST_REST_S):
        asked = time.monotonic()
        yield 0.1
        calm = calm + 1 if time.monotonic() - asked < ON_TIME_S else 0


def over_viewport() -> tuple[int, int]:
    region = driver.region("WINDOW")
    return region.x + region.width // 2, from_top(region.y + region.height // 2)


def show_tab(name: str) -> Steps:
    """Bring that tab of the sidebar to the front and scroll it to its top."""
    for _ in range(3):
        driver.show_sidebar(name)
        yield from rest()
    assert driver.region("UI").active_panel_category == name


@dataclass(frozen=True)
class Button:
    """A property's button in the sidebar: where it is, and whose value it shows."""

    x: int
    y: int
    mesh: str
    path: str

    def value(self) -> float:
        return bpy.data.meshes[self.mesh].path_resolve(self.path)  # by name: undo makes every old reference invalid


# Smoothed edges are drawn sample by sample: on a processor that draws, most of what a visit takes.
bpy.context.preferences.system.viewport_aa = "OFF"
_found: dict[str, int] = {}


def heights(what: str) -> list[int]:
    """Where to look for a button in the sidebar, from where it was found last, else from the top."""
    sidebar = driver.region("UI")
    top, bottom = from_top(sidebar.y + sidebar.height) + 30, from_top(sidebar.y) - 4
    start = _found.get(what, top)
    return sorted([*range(start, top, -SWEEP_STEP_PX), *range(start + SWEEP_STEP_PX, bottom, SWEEP_STEP_PX), top],
                  key=lambda y: abs(y - start))


def swept(what: str, x: int, wait_s: float, is_there: Callable[[], bool]) -> Steps:
    """Sweep the sidebar with the pointer until it is over what is looked for; its height, None if it is nowhere."""
    for y in heights(what):
        driver.pointer("mousemove", x, y)
        yield wait_s
        if is_there():
            yield from rest(0.1)
            if is_there():
                _found[what] = y
                return y
    return None


def scroll(notches: int) -> Steps:
    """Turn the wheel over the sidebar; up if negative."""
    sidebar = driver.region("UI")
    driver.pointer("mousemove", sidebar.x + sidebar.width // 4, from_top(sidebar.y + sidebar.height // 2))
    driver.pointer("click", "--repeat", abs(notches), "--delay", 15, 5 if notches > 0 else 4)
    yield from rest()


def find_button(path: str) -> Steps:
    """The button of that property of a mesh."""
    key = path.split(".")[-1]  # 4.3 names a hovered property without the group that holds it
    sidebar = driver.region("UI")
    x = sidebar.x + int(sidebar.width * 0.6)

    def mesh_below() -> str:
        with bpy.context.temp_override(window=driver.window(), area=driver.area(), region=sidebar):
            hovered = bpy.context.property
        is_it = hovered and isinstance(hovered[0], bpy.types.Mesh) and hovered[1].split(".")[-1] == key
        return hovered[0].name if is_it else ""

    for wait_s in WAITS_S:
        y = yield from swept(path, x, wait_s, lambda: bool(mesh_below()))
        if y is not None:
            return Button(x, y, mesh_below(), path)
    picture(f"not-found-{key}")
    raise AssertionError(f"the sidebar shows no button for {path}")


def press(keys: str) -> Steps:
    """Press a key over the 3D viewport and let Blender answer."""
    driver.pointer("mousemove", *over_viewport())
    yield 0.2
    driver.pointer("key", keys)
    yield from rest(0.5)


def add_from_menu(words: str) -> Steps:
    """Shift+A over the viewport, then type until the menu shows the entry."""
    yield from press("shift+a")
    driver.pointer("type", "--delay", 40, words)
    yield from rest(0.5)
    picture("add-menu")
    driver.pointer("key", "Return")
    yield 1.5


def metal(mesh: str) -> str:
    """A digest of the points of the metal, to see whether it is the same."""
    points = array("f", bytes(12 * len(bpy.data.meshes[mesh].vertices)))
    bpy.data.meshes[mesh].vertices.foreach_get("co", points)
    return hashlib.sha256(points.tobytes()).hexdigest()


def addon(name: str) -> Any:
    """A module of the installed extension's Blender layer."""
    return importlib.import_module(f"bl_ext.user_default.seatwright.addon.{name}")


def chosen() -> bpy.types.Object:
    """The active object; asked anew each time, because undo makes every old reference invalid."""
    return driver.window().view_layer.objects.active


def until(is_so: Callable[[], bool], what: str, longest_s: float = 30.0) -> Steps:
    """Let Blender run until something is so."""
    for _ in range(int(longest_s / 0.2)):
        if is_so():
            return
        yield 0.2
    picture("waited-in-vain")
    raise AssertionError(f"{what} did not happen within {longest_s:g} s")


def runs(operator: str) -> bool:
    """Whether an operator that waits for events, named as a class, is running."""
    return operator in [each.bl_idname for each in driver.window().modal_operators]


def proved() -> Steps:
    """Rest until the proof of the chosen head is there; the findings, worst first."""
    live = addon("live")
    yield from until(lambda: live.known(chosen()) is not None, "the proof of a resting head")
    yield from rest()  # until the sidebar has drawn them
    return live.known(chosen())


def find_operator(call: str, share: float = 0.25) -> Steps:
    """Where the sidebar shows the button of an operator whose Python call begins so; it is scrolled down until it does.

    share: how far across the sidebar the pointer sweeps.
    """
    sidebar = driver.region("UI")
    x = sidebar.x + int(sidebar.width * share)

    def is_below() -> bool:
        with bpy.context.temp_override(window=driver.window(), area=driver.area(), region=sidebar):
            # What a user gets with Ctrl+C over a button: no other way tells Python which operator it is.
            if not bpy.ops.ui.copy_python_command_button.poll():
                return False
            bpy.ops.ui.copy_python_command_button()
        return bpy.context.window_manager.clipboard.startswith(f"bpy.ops.seatwright.{call}")

    for wait_s in WAITS_S:
        for _ in range(PAGES):
            y = yield from swept(call, x, wait_s, is_below)
            if y is not None:
                return x, y
            yield from scroll(PAGE_NOTCHES)
        yield from scroll(-PAGES * PAGE_NOTCHES)
    picture("not-found-" + call.partition("(")[0])
    raise AssertionError(f"the sidebar shows no button for {call}")


def click(call: str, share: float = 0.25) -> Steps:
    """Press the button of that operator in the sidebar."""
    x, y = yield from find_operator(call, share)
    driver.pointer("mousemove", x, y, "click", 1)
    yield from rest()


def colours_in(left: int, top: int, width: int, height: int) -> set[tuple[int, int, int]]:
    """The colours that the screen shows in a rectangle, 0 to 255."""
    command = ["import", "-window", "root", "-crop", f"{width}x{height}+{left}+{top}", "+repage", "-depth", "8", "rgb:-"]
    pixels = subprocess.run(command, check=True, capture_output=True).stdout
    return set(zip(pixels[0::3], pixels[1::3], pixels[2::3], strict=True))


def shows(colour: tuple[float, ...], seen: set[tuple[int, int, int]]) -> bool:
    """Whether a colour, given as a share of full in each channel, is among those seen."""
    return any(max(abs(255 * share - value) for share, value in zip(colour, each)) <= NEAR_COLOUR for each in seen)
