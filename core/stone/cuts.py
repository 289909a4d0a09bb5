"""The cuts by name: what each is made of and what it is taken to be where nothing else is known.

A `Reference` holds whole sets of proportions, so that a stone of which little is known comes out as one that a
cutter would make. Angles are those of the overall slope across the width, which are the mains' on a brilliant.
"""
from __future__ import annotations

from dataclasses import dataclass

from ..dimension import MEMORY


@dataclass(frozen=True)
class Reference:
    """Proportions to start from. Angles in degrees; table, girdle, star, lower_half and culet are shares."""

    table: float
    crown_deg: float
    pavilion_deg: float
    girdle: float
    source: str
    star: float = 0.5
    lower_half: float = 0.8
    culet: float = 0.0


@dataclass(frozen=True)
class Cut:
    """One cut. form: the function of forms.py that makes it. ratio: usual length over width.
    alone: proportions where the depth is not known either; measured: those that a known depth is shared out by.
    has: the proportions that the cut has at all.
    run: from the axis to the outline, as a share of the width, what the angles are measured over.
    flat_depth: usual depth, as a share of the width, of a cut with a flat base, else None.
    """

    name: str
    form: str
    ratio: float
    alone: Reference
    measured: Reference
    has: frozenset[str]
    is_round: bool = False
    run: float = 0.5
    flat_depth: float | None = None


FLAT = frozenset({"girdle", "depth", "depth_mm"})
STEP = FLAT | {"table", "crown_angle_deg", "pavilion_angle_deg", "crown_height", "pavilion_depth", "culet"}
BRILLIANT = STEP | {"star", "lower_half"}

WEIGHT_RATIO = Reference(0.57, 34.0, 40.7, 0.025,
                         "Reinitz, Geurts and Gilbertson, Weight Ratio within the GIA Diamond Cut Grading System: "
                         "the reference round brilliant")
CUT_CHARTS = Reference(0.57, 34.5, 40.8, 0.035,
                       "GIA Facetware cut charts (star 55 %, lower half 80 %; middle of the best grade's angles), with "
                       "the girdle that the weights of 53,643 round diamonds of the public diamonds table show",
                       star=0.55)
CLASS_ONE = Reference(0.57, 34.5, 40.0, 0.035,
                      "diamondcuttersintl.com, Classes of Cut: class I marquise, pear and oval; girdle from memory",
                      lower_half=0.75)
CLASS_ONE_STEP = Reference(0.61, 33.0, 44.5, 0.030,
                           "diamondcuttersintl.com, Classes of Cut: class I emerald and rectangle; girdle from memory")
SQUARE_STEP = Reference(0.60, 33.0, 44.5, 0.030, "shalev.co.uk, Cut Grading across Shapes: asscher; angles from memory")
PRINCESS = Reference(0.68, 33.0, 48.0, 0.030, "shalev.co.uk, Cut Grading across Shapes: princess; angles from memory")


def _cut(name: str, form: str, ratio: float, reference: Reference, has: frozenset[str],
         is_round: bool = False, run: float = 0.5, flat_depth: float | None = None) -> Cut:
    return Cut(name, form, ratio, reference, reference, has, is_round, run, flat_depth)


def _remembered(table: float, crown_deg: float, pavilion_deg: float, girdle: float,
                lower_half: float = 0.8) -> Reference:
    return Reference(table, crown_deg, pavilion_deg, girdle, MEMORY, lower_half=lower_half)


ALL: tuple[Cut, ...] = (
    Cut("round brilliant", "round_brilliant", 1.0, WEIGHT_RATIO, CUT_CHARTS, BRILLIANT, is_round=True),
    _cut("single cut", "single_cut", 1.0, _remembered(0.60, 30.0, 40.0, 0.08), STEP, is_round=True, run=0.4619),
    _cut("oval", "oval", 1.40, CLASS_ONE, BRILLIANT),
    _cut("marquise", "marquise", 2.0, CLASS_ONE, BRILLIANT),
    _cut("pear", "pear", 1.55, CLASS_ONE, BRILLIANT),
    _cut("heart", "heart", 1.0, _remembered(0.57, 34.5, 40.0, 0.045), BRILLIANT),
    _cut("cushion", "cushion", 1.0, _remembered(0.60, 34.0, 43.0, 0.035), BRILLIANT),
    _cut("princess", "princess", 1.0, PRINCESS, STEP),
    _cut("radiant", "radiant", 1.0, _remembered(0.64, 35.0, 44.0, 0.030), STEP),
    _cut("emerald", "emerald", 1.40, CLASS_ONE_STEP, STEP),
    _cut("asscher", "asscher", 1.0, SQUARE_STEP, STEP),
    _cut("baguette", "baguette", 2.0, _remembered(0.60, 30.0, 42.0, 0.030), STEP),
    _cut("tapered baguette", "tapered_baguette", 2.0, _remembered(0.60, 30.0, 42.0, 0.030), STEP),
    _cut("trillion", "trillion", 1.0, _remembered(0.60, 35.0, 40.0, 0.035), BRILLIANT, run=0.36),
    _cut("straight trillion", "straight_trillion", 0.95, _remembered(0.60, 35.0, 42.0, 0.035), STEP, run=0.30),
    _cut("rose cut", "rose_cut", 1.0, _remembered(0.0, 0.0, 0.0, 0.05), FLAT, is_round=True, flat_depth=0.45),
    _cut("round cabochon", "cabochon", 1.0, _remembered(0.0, 0.0, 0.0, 0.03), FLAT, is_round=True, flat_depth=0.50),
    _cut("oval cabochon", "cabochon", 1.25, _remembered(0.0, 0.0, 0.0, 0.03), FLAT, flat_depth=0.50),
    _cut("sugarloaf cabochon", "sugarloaf", 1.0, _remembered(0.0, 0.0, 0.0, 0.03), FLAT, flat_depth=0.70),
)
BY_NAME = {cut.name: cut for cut in ALL}
CUTS: tuple[str, ...] = tuple(BY_NAME)
"""The names a spec may choose from."""
