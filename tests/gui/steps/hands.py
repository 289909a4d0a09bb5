"""What a hand and an eye do in Blender's window, over the driver's clicks: find a button, drag it, read the head."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator
from typing import Any

import bpy
import driver

Steps = Generator[float, None, Any]
BUTTON_STEP_PX = 8  # less than half a button's height, so that no button is stepped over


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


def find_button(last_part: str) -> Steps:
    """The pixel of the sidebar's button for the property whose path ends so; the pointer sweeps the panels for it."""
    sidebar = driver.region("UI")
    x = sidebar.x + int(sidebar.width * 0.6)
    for y in range(from_top(sidebar.y + sidebar.height) + 30, from_top(sidebar.y) - 4, BUTTON_STEP_PX):
        driver.pointer("mousemove", x, y)
        yield 0.06
        with bpy.context.temp_override(window=driver.window(), area=driver.area(), region=sidebar):
            hovered = bpy.context.property
        if hovered and hovered[1].split(".")[-1] == last_part:
            return x, y + BUTTON_STEP_PX // 2
    picture(f"not-found-{last_part}")
    raise AssertionError(f"the sidebar shows no button for {last_part}")


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


def points(mesh: bpy.types.Mesh) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(round(value, 5) for value in vertex.co) for vertex in mesh.vertices)
