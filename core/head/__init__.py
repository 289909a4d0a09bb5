"""From choices to a head: the plan, the parts and the fused solid."""
from __future__ import annotations

from .build import STATES, Head, make_head
from .draft import PINNABLE, Plan
from .plan import make_plan

__all__ = ["PINNABLE", "STATES", "Head", "Plan", "make_head", "make_plan"]
