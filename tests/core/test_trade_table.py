"""Tables: every shipped one is whole, and a damaged one is refused with its line and column."""
from __future__ import annotations

import pytest

from core.errors import FileFault
from core.trade.table import FOLDER, TAGS, read_table

SHIPPED = sorted(path.name for path in FOLDER.glob("*.csv"))
GOOD = "name,size_low,size_high,open,source,edition,tag\ntext,mm,mm,yes/no,text,text,text\n"


def table(folder, text: str):
    path = folder / "table.csv"
    path.write_text(text, encoding="utf-8")
    return read_table(path)


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_tables_have_units_and_provenance(name) -> None:
    shipped = read_table(name)
    assert all(shipped.units.values())
    for row in shipped.rows:
        assert row.text("source") and row.text("edition") and row.text("tag") in TAGS
        assert (row.text("tag") == "M") <= ("from memory" in row.text("source"))
        for column, cell in row.cells.items():
            assert cell == cell.strip(), (row.line, column)


@pytest.mark.parametrize("name", SHIPPED)
def test_numbers_of_shipped_tables_are_numbers(name) -> None:
    shipped = read_table(name)
    for row in shipped.rows:
        for column, unit in shipped.units.items():
            if unit == "yes/no":
                row.flag(column)
            elif unit != "text":
                row.maybe(column)


def test_there_are_tables() -> None:
    assert {"alloys.csv", "species.csv", "burs.csv", "cuts.csv"} <= set(SHIPPED)


def test_cells(tmp_path) -> None:
    row, = table(tmp_path, GOOD + "a,1,2.5,yes,me,none,M\n").rows
    assert (row.text("name"), row.span("size"), row.flag("open"), row.line) == ("a", (1.0, 2.5), True, 3)


@pytest.mark.parametrize("line, read, problem", [
    ("a,x,2,yes,me,none,M", lambda row: row.number("size_low"), "line 3, column size_low 'x' is not a number"),
    ("a,nan,2,yes,me,none,M", lambda row: row.number("size_low"), "is not finite"),
    ("a,1e999,2,yes,me,none,M", lambda row: row.number("size_low"), "is not finite"),
    ("a,3,2,yes,me,none,M", lambda row: row.span("size"), "3 is above size_high, 2"),
    ("a,1,2,true,me,none,M", lambda row: row.flag("open"), "neither yes nor no"),
    (",1,2,yes,me,none,M", lambda row: row.text("name"), "column name is blank"),
])
def test_bad_cells_are_refused(tmp_path, line, read, problem) -> None:
    row, = table(tmp_path, GOOD + line + "\n").rows
    with pytest.raises(FileFault, match=problem):
        read(row)


@pytest.mark.parametrize("text, problem", [
    ("", "no data row"), (GOOD, "no data row"), (GOOD + "a,1\n", "line 3 has 2 cells, not 7"),
    ("name\ntext\na\n", "lacks source"),
    ("name,name,source,edition,tag\ntext,text,text,text,text\na,b,c,d,M\n", "repeats a column"),
    (GOOD + '"a,1,2,yes,me,none,M\n', "cannot be read"),
])
def test_bad_tables_are_refused(tmp_path, text, problem) -> None:
    with pytest.raises(FileFault, match=problem):
        table(tmp_path, text)


def test_a_table_that_is_missing_or_not_utf_8_is_refused(tmp_path) -> None:
    with pytest.raises(FileFault, match="cannot be read"):
        read_table("missing.csv")
    path = tmp_path / "latin.csv"
    path.write_bytes(GOOD.encode() + b"caf\xe9,1,2,yes,me,none,M\n")
    with pytest.raises(FileFault, match="cannot be read"):
        read_table(path)
