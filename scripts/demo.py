"""Make the head of an invented ring from scripts/demo/tidepool.toml, everything under out/:

    out/cast/            what leaves the program for the caster: meshes, the setter's sheet, weights, the proof
    out/set/             the same of the head as the setter leaves it
    out/tidepool.blend   the head, live: open it in a Blender with the extension and move a slider
    out/preview.png      a picture of it

    python3 scripts/demo.py [--no-picture] [--readme]     --readme: also docs/pictures/head.png, small enough for a page
"""

from __future__ import annotations

import _environment as environment

import argparse
import json
import os
import subprocess
import sys
import tempfile
import textwrap
import time
from collections import Counter
from pathlib import Path

import build

SPEC = environment.REPOSITORY / "scripts" / "demo" / "tidepool.toml"
OUT = environment.REPOSITORY / "out"
README_PICTURE = environment.REPOSITORY / "docs" / "pictures" / "head.png"
WIDTH_PX, README_WIDTH_PX = 960, 720
STATES = {"cast": "as cast", "set": "as set"}
REFUSED = 2
# The oldest Blender first, because its files open in every later one.
BLENDERS = ("4.2", "5.2")


def hand_over(state: str) -> int:
    """Run the command line on the spec, tell what came of it; its exit code: 0 sound, 1 something unsafe, 2 refused."""
    folder = OUT / state
    environment.say(f"== {SPEC.relative_to(environment.REPOSITORY)}, {STATES[state]}")
    command = [sys.executable, "-m", "core", str(SPEC), "--out", str(folder), "--state", state]
    verdict = subprocess.run(command, cwd=environment.REPOSITORY, check=False).returncode
    if verdict in (0, 1):
        tell(folder)
    return verdict


def tell(folder: Path) -> None:
    """Print which files were made and what the proof found."""
    for path in sorted(folder.iterdir()):
        environment.say(f"   {path.relative_to(environment.REPOSITORY)}  {path.stat().st_size / 1000:.0f} kB")
    proof = json.loads((folder / "proof.json").read_text(encoding="utf-8"))
    metal = proof["metal"]
    closed = "watertight" if metal["watertight"] else "OPEN"
    environment.say(f"   metal {metal['volume_mm3']:.2f} mm³, {metal['bodies']} body, {closed}")
    sound = Counter(finding["code"] for finding in proof["findings"] if finding["verdict"] == "sound")
    codes = ", ".join(code if count == 1 else f"{code} x{count}" for code, count in sound.items())
    text = f"{sound.total()} sound: {codes}"
    environment.say(textwrap.fill(text, 120, initial_indent="   ", subsequent_indent="      "))
    for finding in proof["findings"]:
        if finding["verdict"] != "sound":
            advice = f"{finding['why']} {finding['remedy']}"
            environment.say(f"   {finding['verdict']}: {finding['what']}: {measures(finding)}. {advice}")


def measures(finding: dict) -> str:
    """What was measured and its limit, where there are numbers."""
    unit = "" if finding["unit"] == "1" else f" {finding['unit']}"
    numbers = [(key, finding[key]) for key in ("measured", "limit") if finding[key] is not None]
    return ", ".join(f"{key} {number:.4g}{unit}" for key, number in numbers)


def scene(*pictures: tuple[Path, int]) -> int:
    """Make the file with the live head, and the pictures, in a Blender with the built extension; 0 if all came out."""
    blender = environment.first_blender(*BLENDERS)
    zip_path = build.build()[0]
    words = [word for path, width_px in pictures for word in (str(path), str(width_px))]
    with tempfile.TemporaryDirectory(prefix="seatwright-") as resources:
        variables = {**{key: value for key, value in os.environ.items() if key != "PYTHONPATH"},
                     "BLENDER_USER_RESOURCES": resources, "SEATWRIGHT_ZIP": str(zip_path)}  # fmt: skip
        script, blend = environment.REPOSITORY / "scripts" / "demo_scene.py", OUT / f"{SPEC.stem}.blend"
        command = [str(blender), str(script), str(SPEC), str(blend), *words]
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
        with subprocess.Popen(command, env=variables, text=True, **pipes) as running:
            assert running.stdout is not None
            said = []
            for line in running.stdout:
                said.append(line)
                if line.startswith("   "):  # ours; the rest is Cycles counting samples
                    environment.say(line.rstrip())
    if running.returncode:
        environment.say(f"demo.py: Blender left with {running.returncode}: {environment.last_line(''.join(said))}")
    return running.returncode


def main() -> int:
    parser = argparse.ArgumentParser(description="Make the demo's head, its files, a .blend and a picture under out/.")
    parser.add_argument("--no-picture", action="store_true", help="leave out the picture, which takes most of the time")
    parser.add_argument("--readme", action="store_true", help="also make docs/pictures/head.png")
    options = parser.parse_args()
    environment.enter("core")
    started = time.monotonic()
    OUT.mkdir(exist_ok=True)
    verdicts = [hand_over(state) for state in STATES]
    if not set(verdicts) <= {0, 1}:
        return REFUSED
    environment.say("== the head in Blender")
    pictures = [] if options.no_picture else [(OUT / "preview.png", WIDTH_PX)]
    if options.readme:
        README_PICTURE.parent.mkdir(exist_ok=True)
        pictures.append((README_PICTURE, README_WIDTH_PX))
    try:
        failed = scene(*pictures)
    except (build.BuildFailure, environment.EnvironmentFailure) as failure:
        environment.say(f"demo.py: the files are made; the .blend and the picture are not: {failure}")
        return 1
    environment.say(f"all in {time.monotonic() - started:.0f} s")
    return 1 if failed else max(verdicts)


if __name__ == "__main__":
    sys.exit(main())
