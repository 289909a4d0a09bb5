"""Whether side heads stand well beside their centre: stones apart, no metal in a neighbour's stone, a bridge that
holds."""
from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..mesh import Floats
from ..solid.kernel import bounds, contains, overlap, triangles_of, volume_mm3
from ..tolerance import READ_MM
from ..trade.house_rules import HouseRules
from .findings import Finding, Limit, at_least, fills, judge, rounded_up
from .measure import SEATED_MM
from .narrowest import NEAR, NONE_NARROWER, REACH_MM, Search
from .several import SIDES, Several, girdle_loop
from .surface import Surface
from .surround import TOUCH_MM, apart_mm, middle_in

def check_sides(several: Several, rules: HouseRules) -> Iterator[Finding]:
    """Every check of side heads beside the centre's; none where there are none."""
    centre, near = girdle_loop(several.stones[0]), rules["sides.gap_low_mm"]
    for stone in several.sides:
        own = girdle_loop(stone)
        (least,), (place,) = apart_mm([own], [centre])
        apart = f"Move the side head {rounded_up(near.value - least)} mm outwards."
        yield judge("sides.gap", f"Gap between the {stone.name}'s girdle and the centre's", float(least), "mm",
                    [*place, float(np.median(stone.mesh.vertices[:, 2]))],
                    [Limit(TOUCH_MM, True, "unsafe", "Stones that touch chip each other.", "geometry", apart),
                     Limit(near.value, True, "watch", near.why, near.source, apart, near.key)], READ_MM)
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
            most = max(least.value, several.alloy.least_model_mm)
            thick, place = _thinnest(several, name, NEAR * most)
            thicker = f"Thicken the {name} by {rounded_up(most - thick)} mm here."
            yield judge("sides.bridge", f"Least thickness of the {name}", thick, "mm", place,
                        [at_least(least, "unsafe", thicker), *fills(several.alloy, thicker)], READ_MM,
                        NONE_NARROWER if place is None else "")


def _thinnest(several: Several, name: str, follow_mm: float) -> tuple[float, Floats | None]:
    """The smallest ball in a bridge, mm, and its middle (3,), but for its ends within the heads."""
    part = several.parts[name]
    low, high = bounds(part)
    others = [solid for other, solid in several.parts.items() if other != name
              and (bounds(solid)[0] <= high).all() and (bounds(solid)[1] >= low).all()]

    def is_open(points: Floats, touches: Floats) -> np.ndarray:
        within = np.zeros(len(points), bool)
        for solid in others:
            within |= contains(solid, points) | contains(solid, touches)
        return ~within

    surface = Surface(part)
    search = Search(part, True, REACH_MM, follow_mm, is_open, surface)
    found = search.narrowest(surface.spread, surface.looks.ahead(surface.spread, REACH_MM, 0.0))
    return (found[0].diameter_mm, found[0].middle) if found else (REACH_MM, None)
