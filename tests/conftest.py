"""Guards for tests inside Blender's Python; where no Blender is asked for, nothing here does anything.

Blender only prints an error of a callback, a panel or a handler, registers an extension with a restricted context
that its Python module does not imitate, and, as a module, crashes (4.2) or hangs (4.5) when Python leaves in the
ordinary way.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator

import pytest

LEAVING = pytest.StashKey[int]()
IN_BLENDER = "SEATWRIGHT_ZIP" in os.environ and importlib.util.find_spec("bpy") is not None
IN_WINDOW = "SEATWRIGHT_WINDOW_LAUNCHER" in os.environ
collect_ignore = [folder for folder, wanted in (("blender", IN_BLENDER), ("gui", IN_WINDOW)) if not wanted]

# A panel that names an unknown property prints no traceback, only the line `…/file.py:27`.
PRINTED_ERROR = re.compile(
    r"Traceback \(most recent call last\)|Python script error|property not found|unknown operator|^/.*\.py:\d+$", re.MULTILINE
)


if IN_BLENDER:  # before any test file imports bpy, so that the user's own settings are neither read nor changed
    os.environ["BLENDER_USER_RESOURCES"] = tempfile.mkdtemp(prefix="seatwright-")


@pytest.fixture(autouse=IN_BLENDER)
def nothing_printed(capfd: pytest.CaptureFixture[str]) -> Iterator[None]:
    """Fail a test during which Blender printed an error instead of raising it."""
    yield
    out, err = capfd.readouterr()
    assert not PRINTED_ERROR.search(out + err), out + err


@pytest.fixture
def restricted() -> Callable[[], contextlib.AbstractContextManager[None]]:
    return restricted_context


@contextlib.contextmanager
def restricted_context() -> Iterator[None]:
    """The context in which a real Blender registers extensions: no scene, no data."""
    import bpy

    # Renamed in 5.0.
    name = next(name for name in ("_bpy_restrict_state", "bpy_restrict_state") if importlib.util.find_spec(name))
    state = importlib.import_module(name)
    context, data = bpy.context, bpy.data
    bpy.context, bpy.data = state._RestrictContext(), state._RestrictData()
    try:
        yield
    finally:
        bpy.context, bpy.data = context, data


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    session.config.stash[LEAVING] = int(exitstatus)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config: pytest.Config) -> None:
    if IN_BLENDER:
        shutil.rmtree(os.environ["BLENDER_USER_RESOURCES"], ignore_errors=True)
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(config.stash.get(LEAVING, 1))
