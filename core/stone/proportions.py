"""A stone's resolved measures, and how one of its choices is refused."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from ..dimension import Dimension
from ..errors import Fault, SpecError


@dataclass(frozen=True)
class Proportions:
    """A stone's measures, mm, and shares of its width, with `figures` that say where each comes from."""

    length_mm: float
    width_mm: float
    crown_mm: float
    girdle_mm: float
    pavilion_mm: float
    table: float
    star: float
    lower_half: float
    culet: float
    pavilion_deg: float
    figures: Mapping[str, Dimension]

    @property
    def depth_mm(self) -> float:
        return self.crown_mm + self.girdle_mm + self.pavilion_mm


def refuse(key: str, value: Any, allowed: str) -> NoReturn:
    """Raises SpecError for one key of the stone."""
    raise SpecError(Fault(f"stone.{key}", value, allowed))
