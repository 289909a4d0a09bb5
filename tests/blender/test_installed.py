"""The zip as it is installed: what it holds, whose solid kernel it runs, and that it leaves nothing behind."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import bpy

ZIP = Path(os.environ["SEATWRIGHT_ZIP"])
SHIPPED = {"__init__.py", "blender_manifest.toml", "LICENSE", "README.md", "core", "addon", "wheels"}
HANDLER_LISTS = [name for name in dir(bpy.app.handlers) if isinstance(getattr(bpy.app.handlers, name), list)]


def ours() -> set[str]:
    """Everything the extension has put into Blender: types, operators, properties of data, handlers."""
    types = {name for name in dir(bpy.types) if "SEATWRIGHT" in name.upper()}
    operators = {f"ops.{name}" for name in dir(bpy.ops) if "seatwright" in name}
    properties = {
        f"{kind}.seatwright"
        for kind in ("Mesh", "Object", "Scene", "WindowManager", "Material", "Collection")
        if hasattr(getattr(bpy.types, kind), "seatwright")
    }
    handlers = {
        f"{name}:{function.__module__}"
        for name in HANDLER_LISTS
        for function in getattr(bpy.app.handlers, name)
        if "seatwright" in getattr(function, "__module__", "")
    }
    return types | operators | properties | handlers


def test_the_zip_holds_what_is_shipped_and_nothing_else() -> None:
    with zipfile.ZipFile(ZIP) as archive:
        names = archive.namelist()
        manifest = tomllib.loads(archive.read("blender_manifest.toml").decode())
    assert {name.split("/")[0] for name in names} == SHIPPED
    assert {f"./{name}" for name in names if name.startswith("wheels/")} == set(manifest["wheels"])
    assert not [name for name in names if "__pycache__" in name or "test" in name.lower()]


def test_blenders_own_tool_accepts_the_zip() -> None:
    scripts = Path(bpy.utils.resource_path("LOCAL")) / "scripts"
    tool = scripts / "addons_core" / "bl_pkg" / "cli" / "blender_ext.py"
    tags = scripts / "modules" / "_bpy_internal" / "extensions" / "tags.py"
    done = subprocess.run(
        [sys.executable, str(tool), "validate", f"--valid-tags={tags}", str(ZIP)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_solid_kernel_is_the_one_from_the_zip(inside: Callable[[str], ModuleType]) -> None:
    inside("core.solid.kernel")
    resources = Path(os.environ["BLENDER_USER_RESOURCES"]).resolve()
    assert resources in Path(sys.modules["manifold3d"].__file__).resolve().parents
    assert "core" not in sys.modules, "a working copy was imported beside the installed extension"


def test_switching_off_leaves_nothing_and_on_again_brings_everything(
    extension: ModuleType, restricted: Callable[[], contextlib.AbstractContextManager[None]]
) -> None:
    on = ours()
    assert on
    extension.unregister()
    try:
        assert ours() == set()
    finally:
        with restricted():
            extension.register()
    assert ours() == on


REGISTER = """
import importlib, os, sys
import bpy

before = set(sys.modules)
sys.path.append(os.environ["KERNEL_FOLDER"])
importlib.import_module("bl_ext.user_default.seatwright").register()
print("LOADED", *sorted(set(sys.modules) - before), flush=True)
os._exit(0)  # Blender's own clean-up may crash or hang in a module
"""


def test_blender_starts_without_loading_what_only_a_head_needs(extension: ModuleType) -> None:
    folder = str(Path(sys.modules["manifold3d"].__file__).parent)
    done = subprocess.run([sys.executable, "-c", REGISTER], env={**os.environ, "KERNEL_FOLDER": folder},
                          capture_output=True, text=True, check=False)  # fmt: skip
    loaded = next((line.split()[1:] for line in done.stdout.splitlines() if line.startswith("LOADED")), None)
    assert loaded, done.stdout + done.stderr
    names = {name.partition("seatwright.")[2] or name for name in loaded}
    assert {"addon.panels", "core.spec", "manifold3d"} <= names
    assert not names & {"numpy", "core.mesh", "core.head.build", "core.solid.kernel", "core.proof", "core.stone.make"}
