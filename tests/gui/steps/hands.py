"""What a hand and an eye do in Blender's window, over the driver's clicks: find a button, drag it, read the head."""

from __future__ import annotations

import hashlib
import importlib
import os
import subprocess
from array import array
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any

import bpy
import driver

Steps = Generator[float, None, Any]
BUTTON_STEP_PX = 8  # less than half a button's height, so that no button is stepped over
SWEEP_STEP_PX = 14  # less than a button's height
PAGES, PAGE_NOTCHES = 3, 20  # how far the sidebar is scrolled in search of a button
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


def over_viewport() -> tuple[int, int]:
    region = driver.region("WINDOW")
    return region.x + region.width // 2, from_top(region.y + region.height // 2)


def show_tab(name: str) -> Steps:
    """Bring that tab of the sidebar to the front and scroll it to its top."""
    for _ in range(3):
        driver.show_sidebar(name)
        yield 0.5
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


def find_button(path: str) -> Steps:
    """The button of that property of a mesh; the pointer sweeps the sidebar for it."""
    key = path.split(".")[-1]  # 4.3 names a hovered property without the group that holds it
    sidebar = driver.region("UI")
    x = sidebar.x + int(sidebar.width * 0.6)
    for y in range(from_top(sidebar.y + sidebar.height) + 30, from_top(sidebar.y) - 4, BUTTON_STEP_PX):
        driver.pointer("mousemove", x, y)
        yield 0.06
        with bpy.context.temp_override(window=driver.window(), area=driver.area(), region=sidebar):
            hovered = bpy.context.property
        if hovered and isinstance(hovered[0], bpy.types.Mesh) and hovered[1].split(".")[-1] == key:
            return Button(x, y + BUTTON_STEP_PX // 2, hovered[0].name, path)
    picture(f"not-found-{key}")
    raise AssertionError(f"the sidebar shows no button for {path}")


def press(keys: str) -> Steps:
    """Press a key over the 3D viewport and let Blender answer."""
    driver.pointer("mousemove", *over_viewport())
    yield 0.2
    driver.pointer("key", keys)
    yield 0.8


def add_from_menu(words: str) -> Steps:
    """Shift+A over the viewport, then type until the menu shows the entry."""
    yield from press("shift+a")
    driver.pointer("type", "--delay", 40, words)
    yield 0.8
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


def proved() -> Steps:
    """Rest until the proof of the chosen head is there; the findings, worst first."""
    live = addon("live")
    yield from until(lambda: live.known(chosen()) is not None, "the proof of a resting head")
    yield 0.3  # until the sidebar has drawn them
    return live.known(chosen())


def find_operator(call: str, share: float = 0.25) -> Steps:
    """Where the sidebar shows the button of an operator whose Python call begins so; it is scrolled down until it does.

    share: how far across the sidebar the pointer sweeps.
    """
    sidebar = driver.region("UI")
    x = sidebar.x + int(sidebar.width * share)
    for _ in range(PAGES):
        for y in range(from_top(sidebar.y + sidebar.height) + 30, from_top(sidebar.y) - 4, SWEEP_STEP_PX):
            driver.pointer("mousemove", x, y)
            yield 0.03
            with bpy.context.temp_override(window=driver.window(), area=driver.area(), region=sidebar):
                # What a user gets with Ctrl+C over a button: no other way tells Python which operator it is.
                if bpy.ops.ui.copy_python_command_button.poll():
                    bpy.ops.ui.copy_python_command_button()
                    if bpy.context.window_manager.clipboard.startswith(f"bpy.ops.seatwright.{call}"):
                        return x, y
        driver.pointer("click", "--repeat", PAGE_NOTCHES, "--delay", 20, 5)
        yield 0.5
    picture("not-found-" + call.partition("(")[0])
    raise AssertionError(f"the sidebar shows no button for {call}")


def click(call: str, share: float = 0.25) -> Steps:
    """Press the button of that operator in the sidebar."""
    x, y = yield from find_operator(call, share)
    driver.pointer("mousemove", x, y, "click", 1)
    yield 0.6


def colours_in(left: int, top: int, width: int, height: int) -> set[tuple[int, int, int]]:
    """The colours that the screen shows in a rectangle, 0 to 255."""
    command = ["import", "-window", "root", "-crop", f"{width}x{height}+{left}+{top}", "+repage", "-depth", "8", "rgb:-"]
    pixels = subprocess.run(command, check=True, capture_output=True).stdout
    return set(zip(pixels[0::3], pixels[1::3], pixels[2::3], strict=True))


def shows(colour: tuple[float, ...], seen: set[tuple[int, int, int]]) -> bool:
    """Whether a colour, given as a share of full in each channel, is among those seen."""
    return any(max(abs(255 * share - value) for share, value in zip(colour, each)) <= NEAR_COLOUR for each in seen)
