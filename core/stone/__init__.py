"""Stones: from what a gauge or a report says to a closed faceted solid that answers a setting's questions."""
from __future__ import annotations

from .cuts import CUTS
from .drawing import Drawing, crown_view
from .make import cache_info, make_stone
from .outline import Outline, Place
from .stone import Stone

__all__ = ["CUTS", "Drawing", "Outline", "Place", "Stone", "cache_info", "crown_view", "make_stone"]
