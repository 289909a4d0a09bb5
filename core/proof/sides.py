"""Whether side heads stand well beside their centre: stones apart, no metal in a neighbour's stone, a bridge that
holds."""
from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..mesh import Floats
from ..solid.kernel import bounds, overlap, triangles_of, volume_mm3
from ..tolerance import READ_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, fills, judge
from .measure import SEATED_MM
from .several import SIDES, Several, girdle_loop
from .surround import TOUCH_MM, apart_mm, middle_in

NEAR_MM = 0.1
"""Least gap between the girdles of centre and side stones, of the usual 0.1 to 0.3 mm. Common practice, no source."""


def check_sides(several: Several, rules: HouseRules) -> Iterator[Finding]:
    """Every check of side heads beside the centre's; none where there are none."""
    centre = girdle_loop(several.stones[0])
    for stone in several.sides:
        own = girdle_loop(stone)
        least, place = apart_mm(own, centre)
        apart = f"Move the side head {max(0.0, NEAR_MM - least):.2f} mm outwards."
        yield judge("sides.gap", f"Gap between the {stone.name}'s girdle and the centre's", least, "mm",
                    [*place, float(np.median(stone.mesh.vertices[:, 2]))],
                    [Limit(TOUCH_MM, True, "unsafe", "Stones that touch chip each other.", "geometry", apart),
                     Limit(NEAR_MM, True, "watch", "Girdles this near chip when one stone is set beside the other.",
                           "common practice, no source", apart)], READ_MM)
    if several.sides:
        yield _enters(several)
        yield from _bridges(several, rules)


def _owner(name: str) -> str:
    """"left" or "right" for a side's part or stone, else ""."""
    first = name.split()[0]
    return first if first in SIDES else ""


def _enters(several: Several) -> Finding:
    """The deepest that any part reaches into the stone of another head."""
    depth, place, which = 0.0, np.zeros(3), ""
    for stone in several.stones:
        low, high = bounds(stone.solid)
        for name, part in several.parts.items():
            if _owner(name) == _owner(stone.name) and not name.endswith("bridge"):
                continue
            part_low, part_high = bounds(part)
            if (part_low > high).any() or (low > part_high).any():
                continue
            both = overlap(part, stone.solid)
            if volume_mm3(both) <= 0.0:
                continue
            deep, where = _deepest(np.concatenate([corners := triangles_of(both)[0], middle_in(both, corners)]),
                                   stone.mesh.face_normals(),
                                   stone.mesh.vertices[stone.mesh.corners[stone.mesh.starts[:-1]]])
            if deep > depth:
                depth, place, which = deep, where, f"{name} in the {stone.name}"
    limit = Limit(SEATED_MM, False, "unsafe", "Metal of one head that stands in another's stone keeps it out of its "
                                              "seat.",
                  "geometry", "Widen the gap between the heads, or turn or thin what stands there.")
    return judge("sides.enters", "Deepest metal of one head in another's stone", depth, "mm", place if which else None,
                 [limit],
                 READ_MM, which)


def _deepest(points: Floats, normals: Floats, on_faces: Floats) -> tuple[float, Floats]:
    deep = (np.einsum("ij,ij->i", normals, on_faces) - points @ normals.T).min(axis=1)
    i = int(np.argmax(deep))
    return max(0.0, float(deep[i])), points[i]


def _bridges(several: Several, rules: HouseRules) -> Iterator[Finding]:
    least = rules.of_process(several.process, "section_least_mm")
    for name, part in several.parts.items():
        if name.endswith("bridge"):
            low, high = bounds(part)
            thick = float((high - low)[1:].min())
            thicker = f"Thicken the {name} by {max(0.0, several.alloy.least_model_mm - thick):.2f} mm."
            yield judge("sides.bridge", f"Thickness of the {name}", thick, "mm", (low + high) / 2.0,
                        [at_least(least, "unsafe", thicker), *fills(several.alloy, thicker)], READ_MM)
