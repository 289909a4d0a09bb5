"""Run every test: the core without Blender, heads of every kind, the built extension in each Blender, and a real Blender in a window.

    python3 scripts/test.py [--only core|heads|blender|gui]

A part that can't run on this machine is reported as skipped with the reason; with CI=true that is a failure.
The window part needs a folder with setup.sh and window.sh (environment variable SEATWRIGHT_BLENDER_GUI, or
../shared/blender-gui beside the repository); it is optional on a user's machine.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import _environment as environment
import build

RESULTS = environment.CACHE / "results"
STRICT = os.environ.get("CI", "").lower() in ("true", "1")
# The core on the Python that runs this script, and on both ends of what the official Blenders bring.
CORES = (
    ("core", "test", None),
    ("core, oldest numpy", "test-oldest", "3.11"),
    ("core, newest Python", "test", "3.13"),
)
# A test that hangs is named and ends the run; without a report the run counts as failed.
ENDING = ("-o", "faulthandler_timeout=300", "-o", "faulthandler_exit_on_timeout=true")
WINDOW_SUITES = ("stable", "newest")
MOST_WORKERS = 8
# What needs no Blender runs on every core; a worker takes tests from another that has many left.
ON_ALL_CORES = ("-n", str(min(MOST_WORKERS, os.cpu_count() or 1)), "--dist", "worksteal")


@dataclass
class Tally:
    """What the stages so far came to; `notes` are repeated at the end so that nobody has to scroll for them."""

    passed: int = 0
    failed: int = 0
    skipped: int = 0

    def __post_init__(self) -> None:
        self.notes: list[str] = []

    def fail(self, what: str) -> None:
        self.failed += 1
        self.notes.append(f"failed: {what}")

    def skip(self, what: str, count: int = 1) -> None:
        """Count something that did not run; where every part must run, that is a failure."""
        if STRICT:
            self.failed += count
        else:
            self.skipped += count
        self.notes.append(f"skipped{' (a failure, because CI is set)' if STRICT else ''}: {what}")


def stage(tally: Tally, name: str, work: Callable[[], None]) -> None:
    """Run one stage, say how long it took, and turn what it can't get into a skip."""
    environment.say(f"== {name}")
    started = time.monotonic()
    try:
        work()
    except environment.EnvironmentFailure as failure:
        tally.skip(f"{name}: {failure}")
        environment.say(f"   skipped: {failure}")
    except build.BuildFailure as failure:
        tally.fail(f"{name}: {failure}")
        environment.say(f"   failed: {failure}")
    environment.say(f"== {name}: {time.monotonic() - started:.1f} s")


def pytest(tally: Tally, name: str, python: Path, *words: str, **variables: str) -> None:
    """Run pytest with these words in that environment and add up what it reports."""
    RESULTS.mkdir(parents=True, exist_ok=True)
    report = RESULTS / f"{name.replace(' ', '-')}.xml"
    report.unlink(missing_ok=True)
    command = [str(python), "-m", "pytest", "-q", f"--junitxml={report}", *ENDING, *words]
    inherited = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(command, cwd=environment.REPOSITORY, env={**inherited, **variables}, check=False)
    if not report.is_file():
        tally.fail(f"{name}: the tests ended without a report (exit {done.returncode}): Python crashed or a test file doesn't load")
        return
    counts = {"tests": 0, "failures": 0, "errors": 0, "skipped": 0}
    for suite in ElementTree.parse(report).getroot().iter("testsuite"):
        counts = {key: total + int(suite.get(key, 0)) for key, total in counts.items()}
    bad = counts["failures"] + counts["errors"]
    tally.passed += max(0, counts["tests"] - bad - counts["skipped"])
    tally.failed += bad
    if bad:
        tally.notes.append(f"failed: {name}: {bad} tests")
    if counts["skipped"]:
        tally.skip(f"{name}: {counts['skipped']} tests, reasons above", counts["skipped"])
    if done.returncode and not bad:
        tally.fail(f"{name}: pytest left with {done.returncode} although no test failed")


def core_stage(tally: Tally, name: str, lock: str, version: str | None) -> None:
    pytest(tally, name, environment.python(lock, version), "tests/core", "tests/scripts", *ON_ALL_CORES)


def heads_stage(tally: Tally) -> None:
    """What takes minutes, once, on the Python that runs this script."""
    pytest(tally, "heads", environment.python("test"), "tests/heads", *ON_ALL_CORES)


def types_stage(tally: Tally) -> None:
    python = environment.python("test")
    # The explicit base keeps mypy from taking the repository folder, which holds an __init__.py, for a package.
    done = subprocess.run(
        [str(python), "-m", "mypy", "--explicit-package-bases", "--cache-dir", str(environment.CACHE / "mypy"), "core"],
        cwd=environment.REPOSITORY, env={**os.environ, "MYPYPATH": "."}, check=False,
    )  # fmt: skip
    if done.returncode:
        tally.fail("mypy --strict core")
    else:
        tally.passed += 1


def blender_stage(tally: Tally, series: str) -> None:
    zip_path = build.build()[0]
    # No pythonpath: only the installed extension may be imported, never the working copy.
    options = ("-o", "pythonpath=", "-p", "no:cacheprovider")
    pytest(tally, f"blender {series}", environment.blender(series), "tests/blender", *options, SEATWRIGHT_ZIP=str(zip_path))


def window_stage(tally: Tally, suite: str) -> None:
    kit = Path(os.environ.get("SEATWRIGHT_BLENDER_GUI", environment.REPOSITORY.parent / "shared" / "blender-gui"))
    if not (kit / "setup.sh").is_file():
        raise environment.EnvironmentFailure(
            f"{kit} holds no setup.sh; set SEATWRIGHT_BLENDER_GUI to the folder that lays up a Blender with a window"
        )
    environment.say(f"   laying up the {suite} Blender (about a minute the first time)")
    laid = subprocess.run(["bash", str(kit / "setup.sh"), suite], capture_output=True, text=True, check=False)
    if laid.returncode:
        raise environment.EnvironmentFailure(environment.last_line(laid.stderr))
    variables = {
        "SEATWRIGHT_ZIP": str(build.build_for_window_tests()),
        "SEATWRIGHT_WINDOW_KIT": str(kit.resolve()),
        "SEATWRIGHT_WINDOW_LAUNCHER": laid.stdout.strip().splitlines()[-1],
        "SEATWRIGHT_WINDOW_PICTURES": str(environment.CACHE / "window" / suite),
    }
    pytest(tally, f"window {suite}", environment.python("test"), "tests/gui", **variables)


def main() -> int:
    parser = argparse.ArgumentParser(description="Run every test of Seatwright.")
    parser.add_argument("--only", choices=("core", "heads", "blender", "gui"), help="run one of the four parts")
    only = parser.parse_args().only
    tally = Tally()
    started = time.monotonic()
    if only in (None, "core"):
        for name, lock, version in CORES:
            stage(tally, name, lambda: core_stage(tally, name, lock, version))
        stage(tally, "types of the core", lambda: types_stage(tally))
    if only in (None, "heads"):
        stage(tally, "heads of every kind", lambda: heads_stage(tally))
    if only in (None, "blender"):
        for series in environment.BLENDERS:
            stage(tally, f"blender {series}", lambda: blender_stage(tally, series))
    if only in (None, "gui"):
        for suite in WINDOW_SUITES:
            stage(tally, f"window {suite}", lambda: window_stage(tally, suite))
    for note in tally.notes:
        environment.say(note)
    environment.say(f"all in {time.monotonic() - started:.0f} s")
    environment.say(f"{tally.passed} passed, {tally.failed} failed, {tally.skipped} skipped")
    return 1 if tally.failed or not tally.passed else 0


if __name__ == "__main__":
    sys.exit(main())
