"""From choices to a head: the plan, the parts and the fused solid."""
from __future__ import annotations

from typing import TYPE_CHECKING

from .. import lazily

if TYPE_CHECKING:
    from .build import STATES, Head, make_head
    from .draft import PINNABLE, Plan
    from .plan import make_plan

__all__ = ["PINNABLE", "STATES", "Head", "Plan", "make_head", "make_plan"]

__getattr__ = lazily.exports(__name__, {
    "STATES": "build", "Head": "build", "make_head": "build", "PINNABLE": "draft", "Plan": "draft", "make_plan": "plan",
})
