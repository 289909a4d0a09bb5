"""One derived figure with its reason: what plans and stones are made of."""
from __future__ import annotations

from dataclasses import dataclass

COMMON = "common practice, no source"
"""The mark of a figure that workshops share but nobody published."""

MEMORY = "from memory"
"""The mark of a figure believed to stand in a book or standard that was not at hand."""

GIVEN = "given by the user"
"""The source of a value that the user chose."""

GEOMETRY = "geometry"
"""The source of a value that follows from others without any choice."""


@dataclass(frozen=True)
class Dimension:
    """A figure of a head or a stone.

    value in `unit`: "mm", "deg", "ct", "1" for shares, "count" for numbers of things. `reason` is one sentence;
    `source` names a publication, or says that there is none. `pinned` is true if the user gave the value.
    """

    name: str
    value: float
    unit: str
    reason: str
    source: str
    pinned: bool = False
