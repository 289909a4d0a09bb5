"""Who may import whom: the core knows no Blender, one module knows the solid kernel, packages name each other relatively."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
CORE = sorted((REPOSITORY / "core").rglob("*.py"))
ADDON = sorted((REPOSITORY / "addon").rglob("*.py"))
BLENDER = {"bpy", "bmesh", "mathutils", "gpu", "blf", "bpy_extras", "addon_utils"}
OWN = {"core", "addon", "seatwright", "bl_ext"}


def name(path: Path) -> str:
    return path.relative_to(REPOSITORY).as_posix()


def absolute_imports(path: Path) -> Iterator[str]:
    """The top packages that a file imports absolutely, anywhere in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield (node.module or "").split(".")[0]


def test_importing_every_core_module_loads_no_blender() -> None:
    modules = [name(path).removesuffix(".py").removesuffix("/__init__").replace("/", ".") for path in CORE]
    modules = [module for module in modules if not module.endswith("__main__")]
    script = (
        f"import importlib, sys\nfor module in {modules!r}: importlib.import_module(module)\n"
        f"print(sorted({BLENDER!r} & set(sys.modules)), sum(m.startswith('core.') for m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=REPOSITORY, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    loaded, count = done.stdout.rsplit(" ", 1)
    assert loaded == "[]"
    assert int(count) >= len(modules) - 1  # "core" itself has no dot


@pytest.mark.parametrize("path", CORE, ids=name)
def test_core_imports_only_numpy_and_the_standard_library(path: Path) -> None:
    allowed = set(sys.stdlib_module_names) | {"numpy"}
    if name(path) == "core/solid/kernel.py":
        allowed.add("manifold3d")
    assert set(absolute_imports(path)) <= allowed


@pytest.mark.parametrize("path", CORE + ADDON, ids=name)
def test_own_packages_are_imported_relatively(path: Path) -> None:
    assert not set(absolute_imports(path)) & OWN


def test_the_entry_imports_nothing_until_blender_registers_it() -> None:
    body = ast.parse((REPOSITORY / "__init__.py").read_text(encoding="utf-8")).body
    assert {type(node) for node in body} == {ast.Expr, ast.FunctionDef}  # its docstring and two functions


def test_locks_name_no_host_and_hash_every_package() -> None:
    locks = sorted((REPOSITORY / "scripts" / "locks").glob("*.txt"))
    assert {lock.stem for lock in locks} == {lock.stem for lock in (REPOSITORY / "scripts" / "locks").glob("*.in")}
    for lock in locks:
        text = lock.read_text(encoding="utf-8")
        assert "://" not in text
        requirements = text.replace("\\\n", " ").splitlines()
        assert requirements and all("==" in line and "--hash=sha256:" in line for line in requirements), lock.name
