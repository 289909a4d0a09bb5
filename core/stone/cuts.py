"""The cuts by name: what each is made of and what it is taken to be where nothing else is known.

A `Reference` holds whole sets of proportions, so that a stone of which little is known comes out as one that a
cutter would make. Angles are those of the overall slope across the width, which are the mains' on a brilliant.
"""
from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Reference:
    """Proportions to start from. Angles in degrees; table, girdle, star, lower_half and culet are shares."""

    table: float
    crown_deg: float
    pavilion_deg: float
    girdle: float
    star: float
    lower_half: float
    culet: float
    source: str


@dataclass(frozen=True)
class Cut:
    """One cut. ratio: usual length over width. alone: proportions where the depth is not known either;
    measured: those that a known depth is shared out by. has: the proportions that the cut has at all.
    """

    name: str
    ratio: float
    alone: Reference
    measured: Reference
    has: frozenset[str]

    @property
    def is_round(self) -> bool:
        """True if length and width are one diameter."""
        return self.name.startswith("round") or self.name == "single cut"


BRILLIANT = frozenset({"table", "crown_angle_deg", "pavilion_angle_deg", "crown_height", "pavilion_depth", "girdle",
                       "star", "lower_half", "culet", "depth", "depth_mm"})

WEIGHT_RATIO = Reference(0.57, 34.0, 40.7, 0.025, 0.50, 0.80, 0.0,
                         "Reinitz, Geurts and Gilbertson, Weight Ratio within the GIA Diamond Cut Grading System: "
                         "the reference round brilliant")
CUT_CHARTS = Reference(0.57, 34.5, 40.8, 0.035, 0.55, 0.80, 0.0,
                       "GIA Facetware cut charts (star 55 %, lower half 80 %; middle of the best grade's angles), with "
                       "the girdle that the weights of 53,643 round diamonds of the public diamonds table show")

ALL: tuple[Cut, ...] = (
    Cut("round brilliant", 1.0, WEIGHT_RATIO, CUT_CHARTS, BRILLIANT),
)
BY_NAME = {cut.name: cut for cut in ALL}
CUTS: tuple[str, ...] = tuple(BY_NAME)
"""The names a spec may choose from."""
