"""Stones: from what a gauge or a report says to a closed faceted solid that answers a setting's questions."""
from __future__ import annotations

from typing import TYPE_CHECKING

from .. import lazily
from .cuts import CUTS

if TYPE_CHECKING:
    from .drawing import Drawing, crown_view
    from .make import cache_info, make_stone
    from .outline import Outline, Place
    from .stone import Stone

__all__ = ["CUTS", "Drawing", "Outline", "Place", "Stone", "cache_info", "crown_view", "make_stone"]

__getattr__ = lazily.exports(__name__, {
    "Drawing": "drawing", "crown_view": "drawing", "cache_info": "make", "make_stone": "make", "Outline": "outline",
    "Place": "outline", "Stone": "stone",
})
