"""Drives a real Blender in a real window, as a hand would: menus, sliders, undo, a second start on the saved file.

Each file in steps/ is one visit to a window. It runs inside Blender, asserts as it goes, and prints FINISHED as its
last line; a visit that is cut off by the clock has not passed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent
KIT = Path(os.environ["SEATWRIGHT_WINDOW_KIT"])
LAUNCHER = os.environ["SEATWRIGHT_WINDOW_LAUNCHER"]
PICTURES = Path(os.environ["SEATWRIGHT_WINDOW_PICTURES"])
LONGEST_S = 480  # several times what a visit takes on a machine with nothing else to do


@pytest.fixture(scope="module")
def blender(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The surroundings of a Blender in whose own user folder the built zip was installed and enabled."""
    folder = tmp_path_factory.mktemp("blender")
    surroundings = {**os.environ, "BLENDER_USER_RESOURCES": str(folder), "SEATWRIGHT_FILES": str(folder)}
    command = [LAUNCHER, "--command", "extension", "install-file", "-r", "user_default", "-e", os.environ["SEATWRIGHT_ZIP"]]
    done = subprocess.run(command, env=surroundings, capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert "Traceback" not in said and "incompatible" not in said, said
    return surroundings


def visit(surroundings: dict[str, str], name: str, blender_arguments: str = " ") -> str:
    """Run steps/NAME.py in a window; what Blender printed. A picture and the log stay in the results folder."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    picture = PICTURES / f"{name}.png"
    # BLENDER_ARGS replaces --factory-startup, which would leave the extension switched off.
    surroundings = {**surroundings, "BLENDER_ARGS": blender_arguments, "SEATWRIGHT_PICTURES": str(PICTURES)}
    files = surroundings["SEATWRIGHT_FILES"]  # which Blender sees, wherever the repository and the kit lie
    script = shutil.copy2(HERE / "steps" / f"{name}.py", files)
    for helper in (HERE / "steps" / "hands.py", KIT / "driver.py"):
        shutil.copy2(helper, files)
    done = subprocess.run(
        ["bash", str(KIT / "window.sh"), LAUNCHER, str(script), str(picture), str(LONGEST_S)],
        env=surroundings, capture_output=True, text=True, check=False,
    )  # fmt: skip
    log = Path(f"{picture}.log").read_text(encoding="utf-8", errors="replace")
    assert done.returncode == 0, f"{done.stdout}{done.stderr}\n{log}"
    assert "\nFINISHED" in f"\n{log}", f"the visit did not come to its end\n{log}"
    return log


def test_a_head_from_the_add_menu_follows_its_sliders_through_undo_and_redo(blender: dict[str, str]) -> None:
    visit(blender, "shape_a_head")


def test_a_style_is_chosen_by_its_menu_and_undone(blender: dict[str, str]) -> None:
    visit(blender, "choose_a_style")


def test_the_saved_head_lives_on_in_a_second_start(blender: dict[str, str]) -> None:
    saved = Path(blender["SEATWRIGHT_FILES"]) / "head.blend"
    assert saved.is_file(), "the first visit saved no file"
    visit(blender, "reopen", str(saved))


def test_a_finding_is_shown_where_it_is_and_its_remedy_taken_and_undone(blender: dict[str, str]) -> None:
    visit(blender, "follow_the_proof")


def test_paint_goes_with_the_metal_it_was_measured_on_and_escape_stops_a_search(blender: dict[str, str]) -> None:
    visit(blender, "paint_and_stop")


def test_copies_live_lives_of_their_own_and_a_hand_edit_is_kept_and_undone(blender: dict[str, str]) -> None:
    visit(blender, "copy_and_edit")
