"""Packages that load a module when one of its names is first asked for: Blender starts without numpy, and faster."""
from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any


def exports(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """The `__getattr__` of a package that exports these names, each from the module of the package named beside it."""

    def load(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(importlib.import_module(f"{package}.{homes[name]}"), name)

    return load
