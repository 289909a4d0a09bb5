"""The command line: exit codes, one line for each fault, nothing half written, never a traceback."""
from __future__ import annotations

import errno
import itertools
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from core.cli import main
from core.handover import FILES
from core.head import make_head
from core.proof import prove
from core.solid.kernel import hull_triangles, moved, triangles_of
from core.spec import Spec

ROOT = Path(__file__).resolve().parents[2]

SOUND = "[stone]\nlength_mm = 6.0\n"
UNSAFE = "[stone]\nlength_mm = 6.0\n[claws]\nnotch = 0.7\n"


def run(tmp_path: Path, text: str | bytes, *more: str) -> tuple[int, Path]:
    spec = tmp_path / "head.toml"
    spec.write_bytes(text if isinstance(text, bytes) else text.encode())
    return main([str(spec), "--out", str(tmp_path / "out"), *more]), tmp_path / "out"


def test_a_sound_head_exits_0_with_every_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out = run(tmp_path, SOUND)
    assert (code, sorted(path.name for path in out.iterdir())) == (0, sorted(FILES))
    said = capsys.readouterr()
    assert said.err == "" and "0 unsafe" in said.out and all(name in said.out for name in FILES)


def test_an_unsafe_head_exits_1_and_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out = run(tmp_path, UNSAFE)
    assert code == 1 and len(list(out.iterdir())) == len(FILES)
    assert "unsafe: Notch in claw 1" in capsys.readouterr().out


@pytest.mark.parametrize("state", ["cast", "set"])
def test_json_says_the_same_as_the_files(tmp_path: Path, state: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, out = run(tmp_path, SOUND, "--json", "--state", state, "--chord-mm", "0.02")
    said = json.loads(capsys.readouterr().out)
    assert said["dimensions"] == json.loads((out / "dimensions.json").read_text("utf-8"))
    assert said["proof"] == json.loads((out / "proof.json").read_text("utf-8"))
    assert said["proof"]["state"] == state


REFUSED = {
    "unknown key": ("[claws]\ndiametre = 1", "claws.diametre"),
    "unknown section": ("[prongs]\ncount = 4", "prongs"),
    "wrong type": ('[claws]\ncount = "four"', "claws.count"),
    "NaN": ("[stone]\nlength_mm = nan", "stone.length_mm"),
    "infinity": ("[stone]\nlength_mm = inf", "stone.length_mm"),
    "negative": ("[wall]\nthickness_mm = -1", "wall.thickness_mm"),
    "zero": ("[stone]\nlength_mm = 0", "stone.length_mm"),
    "a 400 mm stone": ("[stone]\nlength_mm = 400", "stone.length_mm"),
    "0.01 mm claws": ("[claws]\ndiameter_mm = 0.01", "claws.diameter_mm"),
    "a wall thicker than the stone": ("[stone]\nlength_mm = 5\n[wall]\nthickness_mm = 3", "wall.thickness_mm"),
    "a taper that closes the cone": ("[stone]\nlength_mm = 5\n[wall]\ntaper_deg = 38", "wall.taper_deg"),
    "claws that overlap": ("[stone]\nlength_mm = 5\n[claws]\ncount = 12\ndiameter_mm = 2", "claws.diameter_mm"),
    "figures that contradict": ("[stone]\nlength_mm = 6.5\ndepth = 0.6\ndepth_mm = 4.4", "stone.depth"),
    "a number of 5000 digits": ("[stone]\nlength_mm = " + "9" * 5000, "file"),
    "a length of 6000 digits in base 16": ("[stone]\nlength_mm = 0x" + "F" * 6000, "stone.length_mm"),
    "a choice of 6000 digits in base 16": ("[stone]\ncut = 0x" + "F" * 6000, "stone.cut"),
    "a list with 6000 digits in base 16": ("[claws]\nfoo = [0x" + "F" * 6000 + "]", "claws.foo"),
    "a version of 6000 digits in base 16": ("seatwright = 0x" + "F" * 6000, "seatwright"),
    "nested too deeply": ("a = " + "[" * 20000 + "]" * 20000, "deeply"),
    "a key that colours terminals": ('"a\\u001b[31mb" = 1', "a?[31mb"),
    "not TOML": ("stone = {", "file"),
    "not UTF-8": (b"[stone]\ncut = '\xe9'", "UTF-8"),
    "a key with a line break": ('"a\\nb" = 1', "a b"),
    "an unknown ring size": ("[finger]\nsize = 'huge'", "huge"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_bad_specs_exit_2_with_a_line_and_write_nothing(tmp_path: Path, case: str, capsys: pytest.CaptureFixture[str]) -> None:
    text, key = REFUSED[case]
    code, out = run(tmp_path, text)
    said = capsys.readouterr()
    assert code == 2 and said.out == "" and not out.exists()
    lines = said.err.splitlines()
    assert lines and any(key in line for line in lines) and all(line.strip() for line in lines)
    assert "Traceback" not in said.err


def test_every_fault_has_a_line_of_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _ = run(tmp_path, "[claws]\ncount = 1\nnotch = 2\nfoo = 1")
    lines = capsys.readouterr().err.splitlines()
    assert code == 2 and len(lines) == 3
    assert [any(key in line for line in lines) for key in ("claws.count", "claws.notch", "claws.foo")] == [True] * 3


@pytest.mark.parametrize("more", [["--state", "melted"], ["--chord-mm", "nan"], ["--chord-mm", "0.00049"], ["--chord-mm", "0.11"],
                                  ["--chord-mm", "thick"], ["--wrong"], ["--out", ""], ["--rules", "nowhere.toml"]])
def test_bad_words_exit_2(tmp_path: Path, more: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    code, out = run(tmp_path, SOUND, *more)
    assert code == 2 and len(capsys.readouterr().err.splitlines()) == 1 and not out.exists()


@pytest.mark.parametrize("chord", ["0.0005", "0.1"])
def test_chord_errors_at_their_limits_pass(tmp_path: Path, chord: str) -> None:
    assert run(tmp_path, "[stone]\nlength_mm = 2.5\n", "--chord-mm", chord)[0] in (0, 1)


@pytest.mark.parametrize("arguments", [[], ["x.toml"], ["--out", "y"]])
def test_missing_words_exit_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_spec_that_is_a_folder_or_missing_exits_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (tmp_path, tmp_path / "none.toml"):
        assert main([str(path), "--out", str(tmp_path / "out")]) == 2
        assert str(path) in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_spec_that_may_not_be_read_exits_2(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def denied(path: Path) -> bytes:
        raise PermissionError(errno.EACCES, "Permission denied", str(path))
    monkeypatch.setattr(Path, "read_bytes", denied)
    assert main([str(tmp_path / "head.toml"), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "Permission denied" in said and len(said.splitlines()) == 1 and list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("fault", [OSError(errno.ENOSPC, "No space left on device"), OSError(errno.EROFS, "Read-only file system")])
def test_a_disk_that_takes_no_more_exits_2_and_keeps_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: OSError,
                                                                    capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "sheet.html").write_text("before")

    def full(descriptor: int) -> None:
        raise fault
    monkeypatch.setattr(os, "fsync", full)
    code, out = run(tmp_path, SOUND)
    said = capsys.readouterr()
    assert code == 2 and said.out == "" and len(said.err.splitlines()) == 1 and str(fault.strerror) in said.err
    assert {path.name: path.read_text() for path in out.iterdir()} == {"sheet.html": "before"}


def test_an_out_that_is_a_file_exits_2_and_keeps_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "out").write_text("mine")
    assert run(tmp_path, SOUND)[0] == 2
    assert (tmp_path / "out").read_text() == "mine" and "nothing was written" in capsys.readouterr().err


def test_house_rules_of_the_workshop_change_the_verdict(tmp_path: Path) -> None:
    rules = tmp_path / "house.toml"
    rules.write_text("[claws]\nnotch_max = 0.2\n")
    assert run(tmp_path, SOUND, "--rules", str(rules))[0] == 1


def test_stopping_is_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt
    monkeypatch.setattr("core.cli.prove", stop)
    assert run(tmp_path, SOUND)[0] == 2
    assert capsys.readouterr().err == "Stopped by the user; nothing was written.\n"


def test_a_stop_while_it_still_loads_is_said_in_one_line() -> None:
    stopped = ("import sys, runpy\nclass Stop:\n    def find_spec(self, name, path=None, target=None):\n"
               "        if name == 'core.cli':\n            raise KeyboardInterrupt\n"
               "sys.meta_path.insert(0, Stop())\nrunpy.run_module('core', run_name='__main__')")
    done = subprocess.run([sys.executable, "-c", stopped], cwd=Path(__file__).parents[2], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (2, "Stopped by the user; nothing was written.\n")


def test_it_runs_as_a_module(tmp_path: Path) -> None:
    (tmp_path / "head.toml").write_text(SOUND)
    command = [sys.executable, "-m", "core", str(tmp_path / "head.toml"), "--out", str(tmp_path / "out"), "--json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, encoding="utf-8", timeout=60)
    assert done.returncode == 0 and done.stderr == "" and json.loads(done.stdout)["proof"]["metal"]["watertight"]


@pytest.mark.skipif(os.name == "nt", reason="closes and fills POSIX streams")
@pytest.mark.parametrize(("redirect", "code"), [("| true", 0), (">&-", 0), (">/dev/full", 0), ("2>/dev/full", 2), ("2>&-", 2)])
def test_deaf_readers_change_no_exit_code(tmp_path: Path, redirect: str, code: int) -> None:
    if "/dev/full" in redirect and not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    spec = tmp_path / "head.toml"
    spec.write_text(SOUND if code == 0 else "stone = 3")
    line = f'"$PYTHON" -m core "$SPEC" --out "$OUT" --chord-mm 0.05 {redirect}; echo "exit ${{PIPESTATUS[0]}}" >&3'
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHON": sys.executable, "SPEC": str(spec), "OUT": str(tmp_path / "out")}
    with open(tmp_path / "code", "wb") as said:
        done = subprocess.run(["bash", "-c", f"exec 3>&{said.fileno()}; {line}"], env=environment, pass_fds=[said.fileno()],
                              capture_output=True, text=True, timeout=60)
    assert (tmp_path / "code").read_text() == f"exit {code}\n"
    assert "Traceback" not in done.stderr and "Exception ignored" not in done.stderr
    assert (tmp_path / "out").exists() == (code == 0)
    assert ("could not be printed (No space left" in done.stderr) == (redirect == ">/dev/full")


@pytest.mark.parametrize("fault", ["", "open", "inside out"])
def test_metal_from_a_file_is_proven_and_what_bounds_no_metal_is_told(tmp_path, fault: str) -> None:
    vertices, triangles = triangles_of(make_head(Spec()).solid)
    triangles = {"": triangles, "open": triangles[1:], "inside out": triangles[:, ::-1]}[fault]
    path = tmp_path / "metal.obj"
    path.write_text("".join([*(f"v {x!r} {y!r} {z!r}\n" for x, y, z in vertices.tolist()),
                             *(f"f {a} {b} {c}\n" for a, b, c in (triangles + 1).tolist())]), "utf-8")
    spec = tmp_path / "head.toml"
    spec.write_text("seatwright = 1\n", "utf-8")
    out = tmp_path / "out"
    code = main([str(spec), "--out", str(out), "--metal", str(path)])
    findings = json.loads((out / "proof.json").read_text("utf-8"))["findings"]
    told = {each["code"] for each in findings if each["verdict"] == "unsafe"}
    assert [each.name for each in out.iterdir()] == ["proof.json"]
    if fault:
        assert code == 1 and {"open": "soundness.closed", "inside out": "soundness.outwards"}[fault] in told
    else:
        assert code == 0 and not told and "casting.thin" in {each["code"] for each in findings}


def test_objects_with_the_names_of_parts_are_proven_as_such(tmp_path) -> None:
    """Names as exporters write them: other letters, _ for blanks, and a ring that holds no stone."""
    head = make_head(Spec())
    lines, count = [], 1
    for name, solid in {**head.part_solids, "ring": moved(next(iter(head.part_solids.values())), (0.0, 0.0, -0.5))}.items():
        vertices, triangles = triangles_of(solid)
        lines += [f"o {name.title().replace(' ', '_')}\n", *(f"v {x!r} {y!r} {z!r}\n" for x, y, z in vertices.tolist()),
                  *(f"f {a} {b} {c}\n" for a, b, c in (triangles + count).tolist())]
        count += len(vertices)
    (tmp_path / "metal.obj").write_text("".join(lines), "utf-8")
    (tmp_path / "head.toml").write_text("seatwright = 1\n", "utf-8")
    main([str(tmp_path / "head.toml"), "--out", str(tmp_path / "out"), "--metal", str(tmp_path / "metal.obj")])
    told = {(each["code"], each["what"]): each["measured"] for each in json.loads((tmp_path / "out" / "proof.json").read_text("utf-8"))["findings"]}
    own = {(each.code, each.what): each.measured for each in prove(head) if each.code.startswith(("claws.", "seat.notch", "strength."))}
    assert len(own) > 10 and {key: told[key] for key in own} == pytest.approx(own, abs=1e-6)


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("away_mm", [(50.0, 0.0, 0.0), (0.0, 0.0, -30.0), (0.0, 0.0, 30.0)], ids=["beside", "below", "above"])
@pytest.mark.parametrize("names", [(), ("wall",), ("wall", "claw 1")], ids=["unnamed", "a wall", "a wall and a claw"])
def test_metal_that_is_nowhere_near_the_stone_holds_nothing(tmp_path, names: tuple[str, ...], away_mm, state: str) -> None:
    head = make_head(Spec())
    lines, count = [], 1
    for name, solid in [(name, head.part_solids[name]) for name in names] or [("", head.solid)]:
        vertices, triangles = triangles_of(moved(solid, away_mm))
        lines += [f"o {name}\n", *(f"v {x!r} {y!r} {z!r}\n" for x, y, z in vertices.tolist()),
                  *(f"f {a} {b} {c}\n" for a, b, c in (triangles + count).tolist())]
        count += len(vertices)
    (tmp_path / "metal.obj").write_text("".join(lines), "utf-8")
    (tmp_path / "head.toml").write_text("seatwright = 1\n", "utf-8")
    out = tmp_path / "out"
    assert main([str(tmp_path / "head.toml"), "--out", str(out), "--metal", str(tmp_path / "metal.obj"), "--state", state]) == 1
    findings = json.loads((out / "proof.json").read_text("utf-8"))["findings"]
    told = {each["code"]: each["measured"] for each in findings if each["verdict"] == "unsafe"}
    assert told["retention.opening"] == told["retention.sideways"] == told["retention.downwards"] == 1.0


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("cut", ["round brilliant", "heart", "round cabochon"])
def test_a_wall_that_swallows_the_stone_is_told(tmp_path, cut: str, state: str) -> None:
    vertices, triangles = hull_triangles(np.array(list(itertools.product((-30.0, 30.0), repeat=3))))
    (tmp_path / "metal.obj").write_text("".join(["o wall\n", *(f"v {x!r} {y!r} {z!r}\n" for x, y, z in vertices.tolist()),
                                                 *(f"f {a} {b} {c}\n" for a, b, c in (triangles + 1).tolist())]), "utf-8")
    (tmp_path / "head.toml").write_text(f"[stone]\ncut = '{cut}'\nlength_mm = 8\n", "utf-8")
    out = tmp_path / "out"
    assert main([str(tmp_path / "head.toml"), "--out", str(out), "--metal", str(tmp_path / "metal.obj"), "--state", state]) == 1
    findings = json.loads((out / "proof.json").read_text("utf-8"))["findings"]
    assert {"seat.tips", "seat.culet_free"} <= {each["code"] for each in findings if each["verdict"] == "unsafe"}
    assert [each["code"] for each in findings if each["code"] == "seat.fits" and each["verdict"] == "unsafe"] == ["seat.fits"] * (state == "set")


def test_metal_that_is_no_file_is_refused_and_nothing_is_written(tmp_path) -> None:
    spec = tmp_path / "head.toml"
    spec.write_text("seatwright = 1\n", "utf-8")
    assert main([str(spec), "--out", str(tmp_path / "out"), "--metal", str(tmp_path / "none.stl")]) == 2
    assert not (tmp_path / "out").exists()
