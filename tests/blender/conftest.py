"""Every test here drives the built zip, installed as a user installs it, in a fresh empty scene."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
from collections.abc import Callable
from types import ModuleType

import bpy
import pytest

PACKAGE = "bl_ext.user_default.seatwright"
Restricted = Callable[[], contextlib.AbstractContextManager[None]]


def install(restricted: Restricted) -> None:
    """Install the zip, then register it once more with the restricted context of a real Blender."""
    bpy.ops.extensions.package_install_files(
        filepath=os.environ["SEATWRIGHT_ZIP"], repo="user_default", enable_on_install=True, overwrite=True
    )
    module = sys.modules[PACKAGE]
    module.unregister()
    with restricted():
        module.register()


@pytest.fixture(autouse=True)
def extension(nothing_printed: None, restricted: Restricted) -> ModuleType:
    """The extension's root module, over an empty scene."""
    if PACKAGE not in sys.modules:
        install(restricted)
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)  # factory settings would switch it off
    return sys.modules[PACKAGE]


@pytest.fixture
def inside() -> Callable[[str], ModuleType]:
    """A module of the installed extension: inside("core.spec")."""
    return lambda name: importlib.import_module(f"{PACKAGE}.{name}")
