"""From a model's weight and size to the casting's: metal to melt, and shrinkage."""
from __future__ import annotations

from ..errors import Fault, SpecError
from .house_rules import HouseRules, house_rules

WAX_G_CM3 = 1.0
"""What casting charts take wax to weigh (Romanoff; Rio Grande); injection wax is 0.92 to 0.98, from memory."""


def melt_grams(model_g: float, metal_g_cm3: float, wax_g_cm3: float = WAX_G_CM3, rules: HouseRules | None = None) -> float:
    """Metal to melt for a model of wax or resin, grams, with button and sprues by the house rules."""
    sprues = (rules or house_rules()).value("casting.sprue_weight")
    return casting_grams(model_g * (1 + sprues), metal_g_cm3, wax_g_cm3)


def casting_grams(model_g: float, metal_g_cm3: float, wax_g_cm3: float = WAX_G_CM3) -> float:
    """Grams of metal that fill the space of a model of `model_g` grams."""
    return model_g * metal_g_cm3 / wax_g_cm3


def enlargement(shrinkage_percent: float) -> float:
    """By what a model is multiplied so that the casting comes out at size. SpecError unless 0 <= percent < 50."""
    if not 0 <= shrinkage_percent < 50:
        raise SpecError(Fault("casting.shrinkage_percent", shrinkage_percent, "it must be from 0 to less than 50"))
    return 1 / (1 - shrinkage_percent / 100)
