"""Reads a trade table: a header row, a unit row, then data rows, as UTF-8 and with float() only."""
from __future__ import annotations

import csv
import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from ..errors import Fault, FileFault, SpecError

FOLDER = Path(__file__).parent
PROVENANCE = ("source", "edition", "tag")
TAGS = {
    "P": "published",
    "C": "computed",
    "M": "from memory",
    "CP": "common practice, no source",
}

Value = TypeVar("Value")


@dataclass(frozen=True)
class Row:
    """One data row: `cells` by column name. Readers name the column; a bad cell raises FileFault with its line."""

    path: Path
    line: int
    cells: Mapping[str, str]

    def text(self, column: str) -> str:
        """The cell as text; a blank one is a fault."""
        cell = self.cells[column]
        if not cell:
            raise self._fault(column, "is blank")
        return cell

    def number(self, column: str) -> float:
        """The cell as a finite number; a blank one is a fault."""
        cell = self.text(column)
        try:
            value = float(cell)
        except ValueError:
            raise self._fault(column, f"{cell!r} is not a number") from None
        if not math.isfinite(value):
            raise self._fault(column, f"{cell!r} is not finite")
        return value

    def maybe(self, column: str) -> float | None:
        """The cell as a number, or None where the table has no figure."""
        return self.number(column) if self.cells[column] else None

    def span(self, column: str) -> tuple[float, float]:
        """The pair of cells `column`_low and `column`_high."""
        low, high = self.number(f"{column}_low"), self.number(f"{column}_high")
        if low > high:
            raise self._fault(f"{column}_low", f"{low:g} is above {column}_high, {high:g}")
        return low, high

    def flag(self, column: str) -> bool:
        """The cell as a truth: "yes" or "no"."""
        cell = self.text(column)
        if cell not in ("yes", "no"):
            raise self._fault(column, f"{cell!r} is neither yes nor no")
        return cell == "yes"

    def _fault(self, column: str, problem: str) -> FileFault:
        return FileFault(self.path, f"line {self.line}, column {column} {problem}", "put the table right")


@dataclass(frozen=True)
class Table:
    """A whole table: the unit of each column and the data rows in order."""

    path: Path
    units: Mapping[str, str]
    rows: tuple[Row, ...]


def read_table(path: str | Path) -> Table:
    """The table at `path` (a bare name is a table of this folder). FileFault if it cannot be read or is ragged."""
    path = FOLDER / path
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            lines = list(csv.reader(stream, strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise FileFault(path, f"the table cannot be read ({error})", "put the table right") from error
    if len(lines) < 3:
        raise FileFault(path, "the table has no data row", "give a header, a unit row and data rows")
    header = lines[0]
    missing = [column for column in PROVENANCE if column not in header]
    if missing or len(set(header)) < len(header):
        raise FileFault(path, "the header lacks source, edition or tag, or repeats a column", "put the header right")
    for number, cells in enumerate(lines[1:], start=2):
        if len(cells) != len(header):
            raise FileFault(path, f"line {number} has {len(cells)} cells, not {len(header)}", "put the line right")
    rows = tuple(Row(path, number, dict(zip(header, cells))) for number, cells in enumerate(lines[2:], start=3))
    return Table(path, dict(zip(header, lines[1])), rows)


def pick(key: str, name: object, known: Mapping[str, Value]) -> Value:
    """The entry of `known` called `name`, whatever the case. SpecError names the nearest one and lists them all."""
    if isinstance(name, str) and name in known:
        return known[name]
    folded = {_fold(entry): entry for entry in known}
    wanted = _fold(name) if isinstance(name, str) else ""
    if wanted in folded:
        return known[folded[wanted]]
    raise SpecError(Fault(key, name, f"{nearest_hint(wanted, folded)}; known are {'; '.join(known)}"))


def nearest_hint(wanted: str, known: Mapping[str, str]) -> str:
    """What the user may have meant: the entry of `known` (folded -> shown) whose spelling is nearest."""
    near = difflib.get_close_matches(wanted, list(known), n=1, cutoff=0.0)
    return f"the nearest is \"{known[near[0]]}\""


def _fold(name: str) -> str:
    return " ".join(name.casefold().split())
