# SPDX-License-Identifier: GPL-3.0-or-later
"""Stands for numpy where the layer names it, and loads it when the first array is made.

Blender itself starts without numpy; loading it takes longer than all of this extension's registration.
"""

from __future__ import annotations

from typing import Any


def __getattr__(name: str) -> Any:
    import numpy

    return getattr(numpy, name)
