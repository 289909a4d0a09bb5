"""The plan: every dimension of a head that follows from the choices, each with its reason and source.

Closed forms only; no mesh is made here but the stone's own, which the stone keeps.
"""
from __future__ import annotations

from ..errors import SpecError
from ..spec import Spec
from ..stone import Stone
from ..trade.house_rules import HouseRules, house_rules
from .draft import Draft, Plan
from .planning.making import plan_casting, plan_finger
from .planning.setting import plan_setting
from .planning.sides import plan_sides
from .planning.stone import plan_stone
from .planning.surround import plan_surround
from .styles import style_of
from .unused import unused


def make_plan(spec: Spec, stone: Stone, rules: HouseRules | None = None) -> Plan:
    """Every dimension of the head for this stone.

    Raises SpecError, naming the choice that has to give way, if no head with these choices exists.
    """
    if faults := unused(spec):
        raise SpecError(*faults)
    draft = Draft(spec, stone, rules or house_rules())
    plan_stone(draft)
    for step in style_of(spec).steps:
        step(draft)
    if "claw_count" in draft:
        plan_setting(draft)
    if spec.get("surround.present"):
        plan_surround(draft)
    if spec.get("sides.present"):
        plan_sides(draft, make_plan)
    plan_casting(draft)
    plan_finger(draft)
    return Plan(draft.all)
