"""Ring sizes: definitions, published rows, round trips and refusals."""
from __future__ import annotations

import math
from pathlib import Path

import pytest

from core.errors import SpecError
from core.trade.ring_sizes import SYSTEMS, inside_diameter_mm, nearest_size
from core.trade.table import read_table

PUBLISHED = read_table(Path(__file__).with_suffix(".csv")).rows


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row.text('system')} {row.text('size')}")
def test_published_rows(row) -> None:
    """Retail tables stray up to 0.1 mm from the definition, the sources are named in the table."""
    found = inside_diameter_mm(row.text("system"), row.text("size"))
    assert found == pytest.approx(row.number("diameter"), abs=row.number("within") + 1e-3)


@pytest.mark.parametrize("system, size, diameter", [
    ("iso", 54, 54 / math.pi), ("continental", "14", 54 / math.pi),
    ("us", 0, 11.6332), ("us", "7", 17.3228), ("us", "7 1/4", 17.5260), ("us", 7.5, 17.7292), ("us", "1/2", 12.0396),
    ("us", "00", 10.8204), ("us", "000", 10.0076), ("us", "7¾", 17.9324),
    ("uk", "A", 37.5 / math.pi), ("uk", "N", 53.75 / math.pi), ("uk", "n½", 54.375 / math.pi),
    ("uk", "N 1/2", 54.375 / math.pi), ("uk", "Z", 68.75 / math.pi), ("uk", "Z+1", 70 / math.pi),
    ("uk", "Z+2", 71.25 / math.pi), ("uk", "Z+1 1/2", 70.625 / math.pi),
    ("jp", 1, 13.0), ("jp", 19, 19.0), ("jp", "30", 68 / 3), ("de diameter", "17.25", 17.25), ("de diameter", 18, 18.0),
])
def test_sizes_equal_their_definitions(system, size, diameter) -> None:
    assert inside_diameter_mm(system, size) == pytest.approx(diameter, abs=5e-5)


@pytest.mark.parametrize("circumference, size", [
    (43.4, "43"), (43.4999, "43"), (43.5, "44"), (54.42, "54"), (76.4, "76")])
def test_iso_rounds_the_circumference_half_up(circumference, size) -> None:
    """JIS S 4700:1998 clause 4, after ISO 8653:1986."""
    assert nearest_size("iso", circumference / math.pi) == size


def test_us_7_is_uk_n_and_a_half() -> None:
    """ringsizely.com, glossary."""
    assert nearest_size("uk", inside_diameter_mm("us", 7)) == "N 1/2"


@pytest.mark.parametrize("system, sizes", [
    ("iso", [str(n) for n in range(41, 77)]), ("continental", [str(n) for n in range(1, 37)]),
    ("jp", [str(n) for n in range(1, 31)]),
    ("us", ["000", "00", "0", "1/4", "1/2", "3/4", "1", "1 1/4", "7 1/2", "15 3/4", "16"]),
    ("uk", ["A", "A 1/2", "B", "Z", "Z 1/2", "Z+1", "Z+6"]),
    ("de diameter", ["12.5", "12.55", "17.3", "22.45", "22.5"]),
])
def test_sizes_come_back_and_rise(system, sizes) -> None:
    diameters = [inside_diameter_mm(system, size) for size in sizes]
    assert diameters == sorted(set(diameters))
    assert [nearest_size(system, diameter) for diameter in diameters] == sizes


def test_every_system_is_covered_by_the_round_trip() -> None:
    assert SYSTEMS == ("iso", "us", "uk", "jp", "continental", "de diameter")


@pytest.mark.parametrize("system, size", [
    ("iso", 40), ("iso", 77), ("iso", 54.5), ("iso", "54 mm"), ("iso", ""), ("iso", None), ("iso", True),
    ("iso", math.nan), ("iso", math.inf), ("iso", -54), ("us", "16 1/4"), ("us", "7.1"), ("us", "0000"), ("us", "-1"),
    ("us", "7/4"),
    ("us", "3 1/3"), ("uk", "Z+7"), ("uk", "Z+0.3"), ("uk", "N+1"), ("uk", "NN"), ("uk", 14), ("uk", "N 1/4"),
    ("jp", 0), ("jp", 31), ("continental", 0), ("continental", 37), ("de diameter", 12.45), ("de diameter", 22.55),
    ("us", "٧"),
])
def test_other_sizes_are_refused_with_what_is_allowed(system, size) -> None:
    with pytest.raises(SpecError) as caught:
        inside_diameter_mm(system, size)
    fault, = caught.value.faults
    assert fault.key == "finger.size" and system in fault.allowed


@pytest.mark.parametrize("diameter", [0.0, -1.0, 9.0, 25.0, math.nan, math.inf])
@pytest.mark.parametrize("system", SYSTEMS)
def test_diameters_outside_a_system_are_refused(system, diameter) -> None:
    with pytest.raises(SpecError, match="inside diameter"):
        nearest_size(system, diameter)


def test_american_sizes_below_zero_are_whole() -> None:
    assert nearest_size("us", 11.3) == "0"
    assert nearest_size("us", 10.9) == "00"


def test_a_wrong_system_is_answered_with_the_nearest() -> None:
    with pytest.raises(SpecError, match='the nearest is "continental"; known are iso; us; uk'):
        inside_diameter_mm("continent", "14")
