"""Every cut with every kind of head: docs/matrix.md and its two picture sheets, as cast and as set.

    python3 scripts/matrix.py [--no-picture]

The page says which combinations are refused, with the reason that a user reads. The pictures are one rendering each,
by Blender, of the very heads that the core makes: one tile for each cut and kind.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile

import _environment as environment

ROOT = environment.REPOSITORY
PAGE, PICTURES = ROOT / "docs" / "matrix.md", ROOT / "docs" / "pictures"
STATES = {"cast": "as cast", "set": "as set"}
BLENDERS = ("4.2", "5.2")

SIZE_MM = 6.0
"""A stone's length and width have this as their geometric mean, so that all cuts look about as large."""

KINDS = {
    "tapered claw": {"head.style": "tapered claw"},
    "basket": {"head.style": "basket"},
    "gallery": {"head.style": "gallery"},
    "coronet": {"head.style": "coronet"},
    "peg": {"head.style": "peg"},
    "rim": {"head.style": "rim"},
    "surround": {"head.style": "tapered claw", "surround.present": True},
    "trilogy": {"head.style": "tapered claw", "sides.present": True},
}
"""The kinds of head, by the choices that make them."""


def choices(cut: str, kind: str, size_mm: float = SIZE_MM) -> dict[str, object]:
    """What a user would choose for this tile, by path."""
    from core.stone.cuts import BY_NAME

    length = round(size_mm * BY_NAME[cut].ratio ** 0.5, 2)
    return {"stone.cut": cut, "stone.length_mm": length, **KINDS[kind]}


def refusal(cut: str, kind: str) -> str:
    """Why there is no such head, in the words a user reads; "" if there is one."""
    from core.errors import SpecError
    from core.head import make_head
    from core.spec import spec_of

    try:
        make_head(spec_of(choices(cut, kind)))
    except SpecError as error:
        return str(error)
    return ""


def page() -> str:
    """The page that shows the sheets and names what is refused."""
    from core.stone import CUTS

    refused = [(cut, kind, refusal(cut, kind)) for cut in CUTS for kind in KINDS]
    refused = [each for each in refused if each[2]]
    made = len(CUTS) * len(KINDS) - len(refused)
    lines = ["# Every cut with every kind of head", "",
             f"{len(CUTS)} cuts and {len(KINDS)} kinds of head, each stone about {SIZE_MM:g} mm large and everything else "
             f"left to be derived: {made} heads are made and {len(refused)} are refused. Written by `scripts/matrix.py`.", "",
             "## As cast", "", "![every cut with every kind of head, as cast](pictures/matrix-cast.jpg)", "",
             "## As set", "", "![the same heads as the setter leaves them](pictures/matrix-set.jpg)", "",
             "## Refused", ""]
    if refused:
        lines += ["| cut | kind | why |", "|---|---|---|"]
        lines += [f"| {cut} | {kind} | {why} |" for cut, kind, why in refused]
    else:
        lines += ["None, at this size."]
    return "\n".join(lines) + "\n"


def render(state: str) -> int:
    """Render one sheet in a Blender with the built extension; its exit code."""
    import build

    blender = environment.first_blender(*BLENDERS)
    with tempfile.TemporaryDirectory(prefix="seatwright-") as resources:
        variables = {**{key: value for key, value in os.environ.items() if key != "PYTHONPATH"},
                     "BLENDER_USER_RESOURCES": resources, "SEATWRIGHT_ZIP": str(build.build()[0])}  # fmt: skip
        script, picture = ROOT / "scripts" / "matrix_scene.py", PICTURES / f"matrix-{state}.jpg"
        done = subprocess.run([str(blender), str(script), state, str(picture)], env=variables, text=True, check=False,
                              stdout=subprocess.PIPE, stderr=subprocess.STDOUT)  # fmt: skip
    for line in done.stdout.splitlines():
        if line.startswith("   ") or done.returncode:  # ours; the rest is Cycles counting samples
            environment.say(line)
    return done.returncode


def main() -> int:
    parser = argparse.ArgumentParser(description="Write docs/matrix.md and render its two sheets.")
    parser.add_argument("--no-picture", action="store_true", help="write the page alone")
    options = parser.parse_args()
    environment.enter("core")
    sys.path.insert(0, str(ROOT))
    PAGE.write_text(page(), "utf-8")
    environment.say(f"wrote {PAGE.relative_to(ROOT)}")
    if options.no_picture:
        return 0
    try:
        return max(render(state) for state in STATES)
    except environment.EnvironmentFailure as failure:
        environment.say(f"matrix.py: the page is written; the pictures are not: {failure}")
        return 1


if __name__ == "__main__":
    sys.exit(main())
