"""Makes a stone from what a spec says about it."""
from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any

from ..errors import Fault, FileFault, GeometryError, SpecError
from ..trade.species import HOUSE_SPECIES, species
from . import forms
from .cuts import BY_NAME, CUTS, Cut
from .proportions import refuse
from .resolve import ANGLE_KEYS, SHARE_KEYS, SIZE_KEYS, resolve
from .stone import Stone

ONE_CARAT_MM = 6.395
"""Diameter of a round diamond of 1.00 ct: median of 1,052 stones of the public diamonds table. Where sizes are looked
for first."""

CORRECTION_KEYS = ("mesh_tilt_length_deg", "mesh_tilt_width_deg", "mesh_turn_deg")
"""How a user corrects the orientation that was measured on a mesh: turns about its length, width and height."""

WEIGHT_AGREES = 0.10
"""How far a weight may stray from what the measures give: girdles and bulges make up to a tenth (common practice)."""

WEIGHT_SOLVED = 1e-4
"""How exactly a measure is found that gives a weight; reports round weights to a hundredth of a carat."""


def make_stone(choice: Mapping[str, Any]) -> Stone:
    """The stone of a spec's stone section: keys without "stone.", any left out or None.

    The species counts only with `weight_ct`, by its density. The same choice gives the same object; a `mesh` is
    measured again once its file has changed. Raises SpecError for figures that contradict each other or that no stone
    can have, FileFault for a mesh that cannot be read and GeometryError for one that is no closed, single body.
    """
    counts = choice.get("weight_ct") is not None
    items = tuple(sorted((key, value) for key, value in choice.items()
                         if value is not None and (counts or key != "species")))
    mesh = choice.get("mesh")
    return _made(items, _stamp(mesh) if mesh is not None else ())


def _stamp(path: str) -> tuple[int, int]:
    """What changes when a file does, so that a mesh saved again is measured again. Raises FileFault if it is not
    there."""
    try:
        state = os.stat(path)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFault(path, f"it cannot be read ({reason})", "give the path of an STL or OBJ mesh in mm") from None
    return state.st_mtime_ns, state.st_size


@lru_cache(maxsize=64)
def _made(items: tuple[tuple[str, Any], ...], stamp: tuple[int, ...]) -> Stone:
    choice = dict(items)
    if "mesh" in choice:
        return _scanned(choice)
    for key in CORRECTION_KEYS:
        if key in choice:
            refuse(key, choice[key], "it corrects the orientation of stone.mesh, which is left out")
    name = choice.get("cut", CUTS[0])
    if name not in BY_NAME:
        refuse("cut", name, "it must be one of " + ", ".join(f'"{cut}"' for cut in CUTS))
    cut = BY_NAME[name]
    if "weight_ct" in choice:
        return _weighed(choice, cut)
    return _built(choice, cut)


cache_info = _made.cache_info
"""How often stones were made and how often they were found ready."""


def _scanned(choice: Mapping[str, Any]) -> Stone:
    """A stone from a mesh file, which alone says how large it is."""
    # Here, because most stones come from measures and Blender waits for every module while it starts.
    from .meshfile import read_triangles
    from .scan import scanned_stone

    measures = [key for key in (*SIZE_KEYS, *SHARE_KEYS, *ANGLE_KEYS) if key in choice]
    if measures:
        raise SpecError(*(Fault(f"stone.{key}", choice[key],
                                "stone.mesh already gives the stone's measures, so it must be left out")
                          for key in measures))
    correction = tuple(choice.get(key, 0.0) for key in CORRECTION_KEYS)
    return scanned_stone(*read_triangles(choice["mesh"]), correction_deg=correction)


def _built(choice: Mapping[str, Any], cut: Cut) -> Stone:
    """A stone by its measures, not looking at its weight."""
    form: forms.Form = getattr(forms, cut.form)(resolve(choice, cut))
    p = form.proportions
    return Stone(cut.name, form.mesh, form.outline, p.length_mm, p.width_mm, p.depth_mm, p.crown_mm, p.girdle_mm,
                 p.pavilion_mm,
                 p.table * p.width_mm, p.figures, form.planes, form.inside, form.is_mirrored, form.straight_deg)


def _weighed(choice: Mapping[str, Any], cut: Cut) -> Stone:
    """A stone whose weight is known: it gives the size, or else the depth, or else it must agree."""
    weight = choice["weight_ct"]
    if isinstance(weight, bool) or not isinstance(weight, (int, float)) or not (math.isfinite(weight) and weight > 0.0):
        refuse("weight_ct", weight, "it must be a finite number above 0")
    density = species(choice.get("species", HOUSE_SPECIES)).density_g_cm3
    rest = {key: value for key, value in choice.items() if key != "weight_ct"}
    if not {"length_mm", "width_mm"} & rest.keys() and not {"depth", "depth_mm"} <= rest.keys():
        guess = ONE_CARAT_MM * (weight * species(HOUSE_SPECIES).density_g_cm3 / density) ** (1.0 / 3.0)
        return _found(rest, cut, weight, density, "width_mm", guess)
    stone = _built(rest, cut)
    heights_open = not {"crown_angle_deg", "crown_height"} & rest.keys() or not (
        {"pavilion_angle_deg", "pavilion_depth"} & rest.keys())
    if "depth" in cut.has and heights_open and not {"depth", "depth_mm"} & rest.keys():
        return _found(rest, cut, weight, density, "depth", stone.depth_mm / stone.width_mm)
    off = stone.weight_ct(density) / weight - 1.0
    if abs(off) > WEIGHT_AGREES:
        size = next(key for key in ("width_mm", "length_mm", "depth_mm") if key in rest)
        raise SpecError(*(Fault(f"stone.{key}", choice[key],
                                f"it contradicts stone.{other} = {choice[other]:g}: the measures give "
                                f"{stone.weight_ct(density):.4g} "
                                f"ct at {density:g} g/cm³, and they may differ by {WEIGHT_AGREES:.0%}; correct or "
                                "leave out one")
                          for key, other in (("weight_ct", size), (size, "weight_ct"))))
    return stone


def _found(rest: Mapping[str, Any], cut: Cut, weight_ct: float, density: float, key: str, guess: float) -> Stone:
    """The stone whose measure `key` gives the weight, by secants of logarithms."""
    def off(value: float) -> tuple[Stone, float]:
        stone = _built({**rest, key: value}, cut)
        return stone, math.log(stone.weight_ct(density) / weight_ct)

    try:
        return _secant(off, guess)
    except (SpecError, GeometryError) as error:
        raise SpecError(Fault("stone.weight_ct", weight_ct,
                              f"no {cut.name} has it together with the other figures ({error})".rstrip("."))) from None


def _secant(off: Callable[[float], tuple[Stone, float]], guess: float) -> Stone:
    before, (_, miss_before) = guess, off(guess)
    value = guess * math.exp(-miss_before / 3.0)
    for _ in range(20):
        stone, miss = off(value)
        if abs(miss) < WEIGHT_SOLVED:
            return stone
        slope = (miss - miss_before) / math.log(value / before)
        before, miss_before = value, miss
        value *= math.exp(max(-0.5, min(0.5, -miss / slope)))
    raise GeometryError("stone", "no size gives this weight", "give its measures instead")
