"""Write scripts/locks/*.txt again from the names in scripts/locks/*.in: newest versions, hashes for every platform.

    python3 scripts/lock.py [NAME ...]     e.g. `lock.py test`; all of them without a name
"""

from __future__ import annotations

import _environment as environment

import subprocess
import sys

# Blender 5.1 and later run on Python 3.13; everything else must also work on the oldest Python.
PYTHON = {"blender-5.2": "3.13"}
# Read by the tests for a public table in it, never imported: locked without what it would need to run.
DATA_ONLY = "plotnine"
WITH_DATA = ("test", "test-oldest")


def main(names: list[str]) -> int:
    tool = environment.guarded(environment.python, "lock")
    for name in names or sorted(path.stem for path in environment.LOCKS.glob("*.in")):
        environment.say(f"   {name}")
        lock = compiled(tool, (environment.LOCKS / f"{name}.in").read_text(encoding="utf-8"), PYTHON.get(name, "3.11"))
        if name in WITH_DATA:
            lock += compiled(tool, DATA_ONLY, "3.11", "--no-deps")
        (environment.LOCKS / f"{name}.txt").write_text(lock, encoding="utf-8")
    return 0


def compiled(tool: object, wanted: str, python: str, *options: str) -> str:
    return subprocess.run(
        [str(tool), "-m", "uv", "pip", "compile", "-", "--upgrade", "--universal", "--python-version", python,
         "--fork-strategy", "fewest", "--only-binary", ":all:", "--generate-hashes", "--no-header", "--no-annotate",
         "--system-certs", "--quiet", *options],
        cwd=environment.LOCKS, input=wanted, stdout=subprocess.PIPE, text=True, check=True,
    ).stdout  # fmt: skip


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
