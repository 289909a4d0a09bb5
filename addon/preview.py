# SPDX-License-Identifier: GPL-3.0-or-later
"""A small line drawing of the stone from above, drawn from its own facets."""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, Any

import bpy.utils.previews

from . import arrays as np

if TYPE_CHECKING:
    from ..core.stone import Drawing, Stone

SIZE_PX = 128
MARGIN_PX = 6.0
FACET_PX, OUTLINE_PX = 1.3, 2.4
LIGHT = 0.88
"""Grey of the lines: the panels' own text."""
KEPT = 32

_previews: Any = None
_icons: OrderedDict[str, int] = OrderedDict()


def icon_of(stone: Stone) -> int:
    """The number of the stone's icon, drawn when it is first asked for."""
    from ..core.stone import crown_view

    shares = (
        stone.length_mm / stone.width_mm,
        stone.table_width_mm / stone.width_mm,
        stone.volume_mm3 / stone.width_mm**3,
    )
    key = " ".join([stone.cut, *(f"{share:.3f}" for share in shares)])
    if key not in _icons:
        while len(_icons) >= KEPT:
            del _previews[_icons.popitem(last=False)[0]]
        picture = _previews.new(key)
        picture.image_size = (SIZE_PX, SIZE_PX)
        picture.image_pixels_float.foreach_set(pixels_of(crown_view(stone)).ravel())
        _icons[key] = picture.icon_id
    return _icons[key]


def pixels_of(drawing: Drawing) -> np.ndarray:
    """(SIZE_PX, SIZE_PX, 4) float: light lines on nothing, from the bottom row up."""
    points = drawing.outline.reshape(-1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    scale = (SIZE_PX - 2.0 * MARGIN_PX) / float((high - low).max())
    middle = 0.5 * (low + high)

    def placed(lines: np.ndarray) -> np.ndarray:
        return (lines - middle) * scale + SIZE_PX / 2.0

    ink = np.maximum(0.7 * drawn(placed(drawing.edges), FACET_PX), drawn(placed(drawing.outline), OUTLINE_PX))
    # Icons hold colours that are already multiplied by their opacity.
    return np.repeat(ink[:, :, None], 4, axis=2).astype(np.float32) * np.float32([LIGHT, LIGHT, LIGHT, 1.0])


def drawn(lines: np.ndarray, width_px: float) -> np.ndarray:
    """(SIZE_PX, SIZE_PX) float from 0 to 1: how much of each pixel the lines (n, 2, 2) cover, softly."""
    ink = np.zeros((SIZE_PX, SIZE_PX))
    for start, end in lines:
        low = np.maximum(np.floor(np.minimum(start, end) - width_px - 1.0), 0).astype(int)
        high = np.minimum(np.ceil(np.maximum(start, end) + width_px + 1.0), SIZE_PX).astype(int)
        if (high <= low).any():
            continue
        x, y = np.meshgrid(np.arange(low[0], high[0]) + 0.5, np.arange(low[1], high[1]) + 0.5)
        way = end - start
        share = np.clip(((x - start[0]) * way[0] + (y - start[1]) * way[1]) / max(float(way @ way), 1e-12), 0.0, 1.0)
        off = np.hypot(x - start[0] - share * way[0], y - start[1] - share * way[1])
        part = ink[low[1] : high[1], low[0] : high[0]]
        np.maximum(part, np.clip(0.5 + 0.5 * width_px - off, 0.0, 1.0), out=part)
    return ink


def register() -> None:
    global _previews
    _previews = bpy.utils.previews.new()


def unregister() -> None:
    bpy.utils.previews.remove(_previews)
    _icons.clear()
