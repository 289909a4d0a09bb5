"""What the scripts decide by themselves: which Python they take, what they tell when they can't go on, what counts."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch):
    """A script as a module: script("build")."""
    monkeypatch.syspath_prepend(str(SCRIPTS))

    def load(name: str) -> ModuleType:
        sys.modules.pop(name, None)  # so that CI is read anew
        return importlib.import_module(name)

    yield load
    for name in ("_environment", "build", "test"):
        sys.modules.pop(name, None)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device", "the disk is full"),
        ("WARNING: Retrying … NewConnectionError …\nERROR: No matching distribution found for numpy==2.4.6", "not reached"),
        ("ERROR: No matching distribution found for bpy==5.2.3", "no wheel for this Python"),
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE.", "differs from the lock"),
        ("something new\nERROR: words nobody foresaw\n\n", "ERROR: words nobody foresaw"),
    ],
)
def test_what_pip_says_becomes_one_sentence(script, words: str, sentence: str) -> None:
    assert sentence in script("_environment").pip_failure(words)


@pytest.mark.skipif(os.name == "nt", reason="the stand-in is a shell script")
def test_a_python_that_only_looks_like_one_is_not_taken(script, tmp_path: Path) -> None:
    environment = script("_environment")
    shim = tmp_path / "python3.13"
    shim.write_text("#!/bin/sh\necho 'command not found' >&2\nexit 127\n", encoding="utf-8")
    shim.chmod(0o755)
    running = f"{sys.version_info.major}.{sys.version_info.minor}"
    assert not environment.runs(shim)
    assert not environment.runs(tmp_path / "nothing")
    assert environment.runs(Path(sys.executable), running)
    assert not environment.runs(Path(sys.executable), "3.9")


def test_a_missing_python_is_a_sentence_that_names_it(script) -> None:
    environment = script("_environment")
    with pytest.raises(environment.EnvironmentFailure, match=r"Python 3\.99 was not found"):
        environment.interpreter("3.99")


def test_a_second_script_waits_for_the_first(script, tmp_path: Path) -> None:
    environment = script("_environment")
    environment.CACHE = tmp_path
    probe = (
        f"import sys, pathlib; sys.path.insert(0, {str(SCRIPTS)!r}); import _environment as e; "
        f"e.CACHE = pathlib.Path({str(tmp_path)!r}); handle = (e.CACHE / 'thing.lock').open('a+b'); "
        "print(e.try_lock(handle.fileno()))"
    )
    command = [sys.executable, "-c", probe]
    with environment.only_one("thing"):
        assert subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip() == "False"
    assert subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip() == "True"


def test_the_locked_kernel_is_one_requirement_with_every_hash(script) -> None:
    build = script("build")
    text = build.locked_requirement("manifold3d")
    assert text.startswith("manifold3d==") and text.count("==") == 1
    assert text.count("--hash=sha256:") > len(tomllib.loads((SCRIPTS.parent / "blender_manifest.toml").read_text())["wheels"])
    with pytest.raises(build.BuildFailure, match="does not lock numpyy"):
        build.locked_requirement("numpyy")


@pytest.mark.parametrize(("ci", "failed", "skipped"), [("true", 1, 0), ("", 0, 1)])
def test_what_cannot_run_is_a_failure_where_everything_must_run(script, monkeypatch, ci: str, failed: int, skipped: int) -> None:
    monkeypatch.setenv("CI", ci)
    module = script("test")
    tally = module.Tally()

    def unavailable() -> None:
        raise module.environment.EnvironmentFailure("no such Blender here")

    module.stage(tally, "window", unavailable)
    assert (tally.passed, tally.failed, tally.skipped) == (0, failed, skipped)
    assert "no such Blender here" in tally.notes[0]


@pytest.mark.parametrize(
    ("body", "counts"),
    [
        ("def test_a(): pass\ndef test_b(): assert 0\n", (1, 1, 0)),
        ("import pytest\ndef test_a(): pytest.skip('no')\ndef test_b(): pass\n", (1, 0, 1)),
        ("import os\ndef test_a(): os._exit(0)\n", (0, 1, 0)),  # a crash leaves no report, whatever its exit code
        ("def test_a(:\n", (0, 1, 0)),
        ("", (0, 1, 0)),  # a folder without tests has not passed
    ],
)
def test_every_outcome_of_a_test_run_is_counted(script, monkeypatch, tmp_path: Path, body: str, counts: tuple[int, int, int]) -> None:
    monkeypatch.setenv("CI", "")
    module = script("test")
    monkeypatch.setattr(module, "RESULTS", tmp_path / "results")
    (tmp_path / "test_it.py").write_text(body, encoding="utf-8")
    tally = module.Tally()
    module.pytest(tally, "probe", Path(sys.executable), str(tmp_path))
    assert (tally.passed, tally.failed, tally.skipped) == counts
