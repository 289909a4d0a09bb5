"""Specs: what may be chosen, in TOML and back, and the sentence for everything else."""
from __future__ import annotations

import math
from pathlib import Path

import pytest

from core.errors import FileFault, SpecError
from core.spec import FIELDS, SECTIONS, Field, Spec, directions_deg, read_spec, spec_from_toml, spec_of, spec_to_toml

NUMBERS = [field for field in FIELDS if field.kind in {"length", "angle", "share", "percent", "weight"}]


def refused(text: str) -> SpecError:
    with pytest.raises(SpecError) as caught:
        spec_from_toml(text)
    return caught.value


def test_an_empty_file_is_a_spec_that_leaves_everything_to_the_house() -> None:
    assert spec_from_toml("") == spec_from_toml("seatwright = 1") == Spec()


def test_every_field_survives_toml_and_back() -> None:
    def sample(field: Field):
        return {"choice": field.choices[-1:] and field.choices[-1], "switch": True, "count": 6,
                "directions": "45, 135.5,-30", "text": 'a "b" \\ ü\n\x7f'}.get(field.kind, (field.low + field.high) / 2.0)
    spec = spec_of({field.path: sample(field) for field in FIELDS})
    assert len(list(spec)) == len(FIELDS)
    assert spec_from_toml(spec_to_toml(spec)) == spec


@pytest.mark.parametrize("field", NUMBERS, ids=lambda field: field.path)
def test_numbers_are_taken_at_their_limits_and_refused_beyond(field: Field) -> None:
    assert field.check(field.low) == field.low and field.check(field.high) == field.high
    for value in (math.nextafter(field.low, -math.inf), math.nextafter(field.high, math.inf), math.nan, math.inf,
                  -math.inf, 10**400, True, "5", None, [1.0]):
        with pytest.raises(SpecError) as caught:
            field.check(value)
        (fault,) = caught.value.faults
        assert fault.key == field.path and "number" in fault.allowed


def test_counts_are_whole() -> None:
    assert spec_of({"claws.count": 6.0}).get("claws.count") == 6
    with pytest.raises(SpecError, match="whole number from 2 to 16"):
        spec_of({"claws.count": 4.5})


def test_directions_are_degrees_with_commas() -> None:
    assert directions_deg("270, -45, 90,270.0") == (90.0, 270.0, 315.0)
    for bad in ("", "a", "1,,2", "361", "nan", "1;2", ",".join("1" * 17), 45, True):
        with pytest.raises(SpecError, match="commas"):
            spec_of({"claws.directions_deg": bad})


def test_unknown_keys_name_the_nearest() -> None:
    assert "claws.diameter_mm" in str(refused("[claws]\ndiametre_mm = 1"))
    assert "wall" in str(refused("[wal]\ntaper_deg = 1"))


def test_every_fault_is_told_at_once() -> None:
    error = refused("nonsense = 1\n[claws]\ncount = 1\nnotch = nan\n[stone]\nlength_mm = -1\ncut = 'cube'")
    assert {fault.key for fault in error.faults} == {"nonsense", "claws.count", "claws.notch", "stone.length_mm", "stone.cut"}


@pytest.mark.parametrize("text", ["seatwright = 2", "seatwright = 0", "seatwright = true", "seatwright = '1'"])
def test_other_versions_are_refused(text: str) -> None:
    assert refused(text).faults[0].allowed == "this program reads version 1 of a spec"


@pytest.mark.parametrize("text", ["[claws", "claws = 4", "a = " + "[" * 3000, "[claws]\ncount = 1979-05-27"])
def test_what_is_no_spec_is_refused(text: str) -> None:
    assert refused(text).faults


def test_a_spec_whose_sections_are_empty_leaves_everything_to_the_plan() -> None:
    assert spec_from_toml("seatwright = 1\n" + "".join(f"[{name}]\n" for name in SECTIONS)) == Spec()


def test_files_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes("[stone]\ncut = 'né'".encode("latin-1"))
    for path, words in ((tmp_path / "none.toml", "no such file"), (tmp_path, "folder"), (tmp_path / "latin.toml", "UTF-8"),
                        (tmp_path / "a\0b", "cannot be read")):
        with pytest.raises(FileFault, match=words):
            read_spec(path)
    good = tmp_path / "good.toml"
    good.write_text("﻿[claws]\ncount = 6\n", "utf-8")
    assert read_spec(good).get("claws.count") == 6


def test_a_path_that_is_no_field_is_an_error_in_the_program() -> None:
    with pytest.raises(KeyError):
        Spec().get("claws.colour")


def test_a_mesh_is_named_as_seen_from_the_spec(tmp_path: Path) -> None:
    (tmp_path / "head.toml").write_text('[stone]\nmesh = "scans/old.stl"\n')
    assert read_spec(tmp_path / "head.toml").get("stone.mesh") == str(tmp_path / "scans" / "old.stl")
    (tmp_path / "head.toml").write_text('[stone]\nmesh = "/elsewhere/old.stl"\n')
    assert read_spec(tmp_path / "head.toml").get("stone.mesh") == "/elsewhere/old.stl"
