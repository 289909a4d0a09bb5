"""The flat blank that rolls up into a conical collet."""
from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import Fault, SpecError


@dataclass(frozen=True)
class ColletBlank:
    """A sector of a ring: outer and inner radius, mm, sector angle, degrees; bottom_radius_mm of the rolled cone."""

    outer_radius_mm: float
    inner_radius_mm: float
    sector_deg: float
    bottom_radius_mm: float


def collet_blank(taper_deg: float, top_radius_mm: float, height_mm: float) -> ColletBlank:
    """The blank of a cone that narrows downwards by `taper_deg` per side from `top_radius_mm` over `height_mm`.

    SpecError if the taper is not between 0 and 90 or the cone would close before the bottom. Source: geometry.
    """
    if not 0 < taper_deg < 90:
        raise SpecError(Fault("wall.taper_deg", taper_deg, "a rolled collet needs a taper between 0 and 90 degrees"))
    taper = math.radians(taper_deg)
    bottom_mm = top_radius_mm - height_mm * math.tan(taper)
    if not (height_mm > 0 and 0 < bottom_mm < math.inf):
        most_mm = top_radius_mm / math.tan(taper)
        raise SpecError(Fault("collet height", height_mm, f"it must be above 0 and below {most_mm:.2f} mm, its tip"))
    outer_mm = top_radius_mm / math.sin(taper)
    return ColletBlank(outer_mm, outer_mm - height_mm / math.cos(taper), 360 * math.sin(taper), bottom_mm)
