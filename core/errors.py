"""What the core refuses, as one small tree.

    SeatwrightError            everything below; catch this at a boundary
    ├── SpecError              one or more choices that are out of bounds; .faults lists them
    ├── FileFault              a file or folder that cannot be read or written
    ├── GeometryError          a solid that could not be made from allowed choices
    └── Cancelled              the user stopped long work
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any


class SeatwrightError(Exception):
    """Base of all refusals. str() is one or more whole sentences fit for a user."""


@dataclass(frozen=True)
class Fault:
    """One choice that is refused: `key` as the user wrote it, its `value`, and what is `allowed`."""

    key: str
    value: Any
    allowed: str

    def __str__(self) -> str:
        return f"{self.key} = {show(self.value)} is refused: {self.allowed}."


class SpecError(SeatwrightError):
    """One or more choices are out of bounds. `faults` is a non-empty tuple of `Fault`."""

    def __init__(self, *faults: Fault) -> None:
        self.faults = faults
        super().__init__("\n".join(map(str, faults)))


class FileFault(SeatwrightError):
    """A file or folder that cannot be read or written: `path`, the `problem`, the `remedy`."""

    def __init__(self, path: object, problem: str, remedy: str) -> None:
        self.path, self.problem, self.remedy = str(path), problem, remedy
        super().__init__(f"{path}: {problem}; {remedy}.")


class GeometryError(SeatwrightError):
    """A solid that could not be made: which `part`, the `problem`, the `remedy`."""

    def __init__(self, part: str, problem: str, remedy: str) -> None:
        self.part, self.problem, self.remedy = part, problem, remedy
        super().__init__(f"The {part} cannot be made: {problem}; {remedy}.")


class Cancelled(SeatwrightError):
    """The user stopped long work; nothing was changed."""


def show(value: Any) -> str:
    """A value as a user would recognise it, kept short: numbers to six figures, text quoted."""
    if isinstance(value, float):
        return f"{value:g}"
    try:
        text = repr(value)
    except ValueError:  # Python writes no whole number of so many digits, which TOML may give in base 16
        return "a number of thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."
