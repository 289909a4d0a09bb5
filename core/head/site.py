"""Where a part is built: the choices, the plan, the stone and how finely to build."""
from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from ..spec import Spec
from ..stone import Stone
from ..stone.outline import Outline
from .claws import ClawLine, claw_lines
from .draft import Plan


@dataclass(frozen=True, eq=False)
class Site:
    """What every part of one head is built from, mm, in the head's own frame."""

    spec: Spec
    plan: Plan
    stone: Stone
    chord_mm: float

    @property
    def outline(self) -> Outline:
        """The stone's girdle outline."""
        return self.stone.outline

    @cached_property
    def lines(self) -> tuple[ClawLine, ...]:
        """Where the claws stand; none on a head without claws."""
        return claw_lines(self.plan, self.stone.outline) if "claw_count" in self.plan else ()
