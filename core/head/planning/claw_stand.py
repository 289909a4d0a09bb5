"""How claws of a thickness stand beside each other at the girdle."""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ...mesh import Floats
from ...stone.outline import Place
from ..claw_sections import VShape, section_ring, takes_v

FEW_FACES_MM = 0.02
"""Chord error of the sections whose clear width is checked. Larger: claws stand nearer than planned by it."""


@dataclass(frozen=True)
class Stand:
    """How claws of a thickness stand: their section word, width or leg length, notch, places, leans (rad) and, for V
    claws, the turns between their legs (deg)."""

    section: str
    width_mm: float
    notch: float
    places: tuple[Place, ...]
    leans_rad: tuple[float, ...]
    turns_deg: tuple[float, ...]

    def plan_rings(self, thickness_mm: float) -> list[Floats]:
        """Of each claw, where the girdle plane cuts it: (n, 2) mm, seen from above."""
        rings = []
        for place, lean, turn in zip(self.places, self.leans_rad, self.turns_deg, strict=True):
            if self.section == "V" and takes_v(place):
                shape = VShape.of(thickness_mm, self.width_mm, self.notch, turn, lean)
                out, ring = shape.out_mm, shape.ring(FEW_FACES_MM)
            else:
                section = "round" if self.section == "V" else self.section
                out = (0.5 - self.notch) * thickness_mm / math.cos(lean)
                ring = section_ring(section, thickness_mm, thickness_mm if section == "round" else self.width_mm,
                                    FEW_FACES_MM) / (math.cos(lean), 1.0)
            normal = place.normal
            rings.append(place.point + (out + ring[:, :1]) * normal + ring[:, 1:] * np.array([-normal[1], normal[0]]))
        return rings

    def clear_mm(self, thickness_mm: float) -> float:
        """Least clear width between neighbouring claws at the girdle, mm; negative where they overlap."""
        rings = self.plan_rings(thickness_mm)
        return min(clear_between(first, second) for first, second in zip(rings, rings[1:] + rings[:1], strict=True))

    def inwards_mm(self, i: int, thickness_mm: float) -> float:
        """How far from its axis a claw's section reaches towards the stone: half its thickness, or a V's leg ends."""
        if self.section != "V" or not takes_v(self.places[i]):
            return thickness_mm / 2.0
        shape = VShape.of(thickness_mm, self.width_mm, self.notch, self.turns_deg[i], self.leans_rad[i])
        return -float(shape.ring(FEW_FACES_MM)[:, 0].min()) * math.cos(self.leans_rad[i])


def clear_between(first: Floats, second: Floats) -> float:
    """Clear width between two rings (n, 2) along the line through their middles, mm; negative where they overlap."""
    way = second.mean(axis=0) - first.mean(axis=0)
    way /= max(float(np.hypot(*way)), 1e-12)
    return float((second @ way).min() - (first @ way).max())
