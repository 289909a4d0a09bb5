"""Write scripts/locks/*.txt again from the names in scripts/locks/*.in: newest versions, hashes for every platform.

    python3 scripts/lock.py [NAME ...]     e.g. `lock.py test`; all of them without a name
"""

from __future__ import annotations

import subprocess
import sys

import _environment as environment

# Blender 5.1 and later run on Python 3.13; everything else must also work on the oldest Python.
PYTHON = {"blender-5.2": "3.13"}


def main(names: list[str]) -> int:
    environment.require_python()
    tool = environment.guarded(environment.python, "lock")
    for name in names or sorted(path.stem for path in environment.LOCKS.glob("*.in")):
        environment.say(f"   {name}")
        subprocess.run(
            [str(tool), "-m", "uv", "pip", "compile", f"{name}.in", "-o", f"{name}.txt", "--upgrade", "--universal",
             "--python-version", PYTHON.get(name, "3.11"), "--fork-strategy", "fewest", "--only-binary", ":all:",
             "--generate-hashes", "--no-header", "--no-annotate", "--system-certs", "--quiet"],
            cwd=environment.LOCKS, check=True,
        )  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
