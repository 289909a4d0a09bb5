"""The dimensions that can be changed to make a head sound, each with the steps a user would take."""
from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from ..head import Head
from ..head.draft import PINNABLE
from ..spec import BY_PATH, Spec, Value

STEPS = {"length": 0.01, "angle": 0.5, "share": 0.01, "count": 1.0}
"""The steps in which a user sets each kind: mm, degrees, shares of 1, pieces."""

SIZES = {"length": 0.1, "angle": 5.0, "share": 0.05, "count": 1.0}
"""What counts as one change of usual size, so that changes of different kinds can be compared; for long lengths it is
`SIZE_SHARE` of the length. Common practice, no source."""

SIZE_SHARE = 0.1

UNITS = {"length": "mm", "angle": "deg", "share": "1", "count": "count"}

NOT_TURNED = ("stone.", "casting.", "surround.stone_mm", "surround.count", "sides.length_mm", "sides.width_mm")
"""Choices that say what is made, not how it holds: the stones and the casting."""

PATHS = frozenset(PINNABLE.values())


@dataclass(frozen=True)
class Lever:
    """One dimension: its choice's path, its plan name, its value now, and the least and most that the choice allows."""

    path: str
    name: str
    kind: str
    value: float
    low: float
    high: float

    @property
    def step(self) -> float:
        return STEPS[self.kind]

    @property
    def size(self) -> float:
        """One change of usual size."""
        return max(SIZES[self.kind], SIZE_SHARE * abs(self.value) if self.kind == "length" else 0.0)

    @property
    def unit(self) -> str:
        return UNITS[self.kind]

    @property
    def words(self) -> str:
        """Its name in a sentence."""
        return self.name.replace("_", " ")

    def at(self, count: int, way: int) -> float | None:
        """The value `count` steps up (way 1) or down (-1) on the round figures; None where the choice does not go."""
        steps = self.value / self.step
        first = math.floor(steps + 1e-6) if way > 0 else math.ceil(steps - 1e-6)
        value = round((first + way * count) * self.step, 6)
        return value if self.low <= value <= self.high else None

    def rounded(self, value: float) -> float:
        """The nearest value on the round figures that the choice allows; its own where that is as near."""
        if abs(value - self.value) < self.step / 2.0:
            return self.value
        return min(max(round(round(value / self.step) * self.step, 6), self.low), self.high)

    def typed(self, value: float) -> Value:
        return round(value) if self.kind == "count" else float(value)

    def shown(self, value: float) -> str:
        """The value as a user writes it, with its unit."""
        unit = {"mm": " mm", "deg": "°"}.get(self.unit, "")
        return f"{value:.4g}{unit}"


def is_lever(path: str) -> bool:
    """True if a lever can set this choice."""
    return path in PATHS and not path.startswith(NOT_TURNED) and BY_PATH[path].kind in STEPS


def levers_of(head: Head, only: str = "") -> tuple[Lever, ...]:
    """Every dimension of a head that a numeric choice sets, but for those of the stones and the casting; with `only`
    just those whose path begins so."""
    found = []
    for name, path in PINNABLE.items():
        field = BY_PATH[path]
        wanted = path.startswith(only) and field.kind in STEPS if only else is_lever(path)
        if wanted and name in head.plan:
            found.append(Lever(path, name, field.kind, head.plan[name], field.low, field.high))
    return tuple(found)


def changed(spec: Spec, values: Mapping[Lever, float]) -> Spec:
    """The spec with these levers set. Raises SpecError where one may not be so."""
    return spec.with_choices(**{lever.path.replace(".", "__"): lever.typed(value) for lever, value in values.items()})


def freed(spec: Spec, paths: Collection[str]) -> Spec:
    """The spec without these choices."""
    return spec.with_choices(**{path.replace(".", "__"): None for path in paths})
