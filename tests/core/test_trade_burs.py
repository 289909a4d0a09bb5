"""Burs: the codes are the diameters, and the rule picks the same size or slightly under."""
from __future__ import annotations

import math

import pytest

from core.errors import SpecError
from core.trade.burs import burs, seat_bur


def test_codes_are_tenths_of_a_millimetre_and_rise() -> None:
    """801-009 is 0.9 mm (pursuantmedia.com, How Do You Read a Bur Number)."""
    assert {bur.code: bur.diameter_mm for bur in burs()}["009"] == 0.9
    assert all(bur.code == f"{round(bur.diameter_mm * 10):03d}" for bur in burs())
    diameters = [bur.diameter_mm for bur in burs()]
    assert diameters == sorted(set(diameters))
    assert sum(bur.is_preferred for bur in burs()) == 23


@pytest.mark.parametrize("stone_mm, code, fits", [
    (0.3, "003", True), (2.5, "025", True), (2.59, "025", True), (2.6, "026", True), (2.6 - 1e-9, "026", True),
    (3.2, "031", True), (3.6, "035", True), (3.61, "035", False), (5.0, "050", True), (5.1, "050", True),
    (5.11, "050", False), (6.4, "060", False), (6.5, "065", True), (6.6, "065", True), (6.60001, "065", False),
    (10.0, "100", True), (14.0, "100", False),
])
def test_the_largest_bur_not_above_the_stone(stone_mm, code, fits) -> None:
    choice = seat_bur(stone_mm)
    assert choice.bur.code == code
    assert (choice.remark == "") == fits
    assert choice.bur.designation == f"ISO 2157 size {code}"


def test_the_remark_says_by_how_much() -> None:
    assert "0.40 mm under the stone" in seat_bur(6.4).remark


@pytest.mark.parametrize("stone_mm", [0.29, 0.0, -1.0, math.nan, math.inf])
def test_a_stone_without_a_bur_is_refused(stone_mm) -> None:
    with pytest.raises(SpecError, match="smallest setting bur is 0.3 mm"):
        seat_bur(stone_mm)
