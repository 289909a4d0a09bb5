"""The command line: a spec in, the handover's files out.

Exit 0: no unsafe finding. 1: written, but something is unsafe. 2: refused, one line on stderr for each fault, and nothing
written.
"""
from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn, TextIO

from .errors import Fault, SeatwrightError, SpecError
from .handover import SOUND_SPEC, hand_over
from .handover.records import dimensions_record, found_record, json_text, proof_record
from .handover.write import write_files
from .head import STATES, Head, make_head
from .mesh import PolyMesh
from .proof import prove
from .proof.findings import VERDICTS, Finding
from .proof.frame import holds_stone
from .proof.outside import WHOLE, prove_meshes
from .remedy import Change, Progress, Remedy, make_sound, solve_remedies
from .spec import Spec, read_spec, spec_to_toml
from .stone.meshfile import read_objects, read_triangles
from .tolerance import CHORD_MM
from .trade.house_rules import HouseRules, house_rules

SOUND, UNSAFE, REFUSED = 0, 1, 2

NO_REMEDY = "no change of one dimension makes this sound without another finding getting graver."

CHORDS_MM = (0.0005, 0.1)
"""Chord errors that can be asked for: finer fills the disk, coarser is no longer round."""


class _Refusal(SeatwrightError):
    """Words on the command line that can't be understood."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise _Refusal(f"The command line is not understood: {message}; see --help.")


def _parser() -> _Parser:
    parser = _Parser(prog="python -m core", description="Makes the head for a stone: plan, solid, proof and files.", allow_abbrev=False)
    parser.add_argument("spec", metavar="SPEC.toml", help="what was chosen; every key may be left out")
    parser.add_argument("--out", required=True, metavar="DIR", help="the folder to write into")
    parser.add_argument("--state", default="cast", metavar="cast|set", help="the head before or after the setter's work")
    parser.add_argument("--chord-mm", default=str(CHORD_MM), metavar="MM", help=f"chord error of curved surfaces, {CHORD_MM:g} if left out")
    parser.add_argument("--rules", metavar="HOUSE.toml", help="house rules that overlay the shipped ones")
    parser.add_argument("--metal", metavar="FILE", help="prove the metal of this STL or OBJ file, mm, in the head's frame, with the spec's "
                        "stone in place; objects of an OBJ that are named wall, rim, peg, base rail, upper rail or claw 1, claw 2… are "
                        "proven as such; only proof.json is written")
    parser.add_argument("--solve", action="store_true", help="find, for each finding that is not sound, the smallest change of one "
                        "dimension that makes it so; takes seconds")
    parser.add_argument("--make-sound", action="store_true", help="hand over the head with the least of changes that leave nothing "
                        "unsafe, as cast and as set, and its spec as sound.toml; takes seconds")
    parser.add_argument("--free", action="append", default=[], metavar="KEY", help="a choice of the spec, such as claws.notch, that "
                        "--make-sound may change; can be given several times")
    parser.add_argument("--json", action="store_true", help="print dimensions and proof as JSON instead of a summary")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line; returns its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    try:
        return _run(arguments)
    except SpecError as error:
        return _refused(str(fault) for fault in error.faults)
    except SeatwrightError as error:
        return _refused([str(error)])
    except KeyboardInterrupt:
        return _refused(["Stopped by the user; nothing was written."])


def _run(arguments: Sequence[str] | None) -> int:
    options = _parser().parse_args(arguments)
    chord_mm = _chord(options.chord_mm)
    if options.state not in STATES:
        raise SpecError(Fault("--state", options.state, "it must be cast or set"))
    if not options.out:
        raise SpecError(Fault("--out", options.out, "it must name a folder"))
    rules = house_rules(options.rules)
    spec = read_spec(options.spec)
    kept = _kept(spec, options.free, options.make_sound)
    if options.metal is not None:
        if options.solve or options.make_sound:
            raise SpecError(Fault("--metal", options.metal, "only made heads can be changed; leave out --solve and --make-sound"))
        return _prove_metal(options, make_head(spec, options.state, chord_mm, rules), rules)
    with _telling() as progress:
        change = make_sound(spec, STATES, rules, progress, kept) if options.make_sound else None
        head = make_head(change.spec if change else spec, options.state, chord_mm, rules)
        findings = prove(head, rules)
        solved = solve_remedies(head, findings, rules, progress) if options.solve else None
    more = {SOUND_SPEC: spec_to_toml(_found_again(change.spec)).encode()} if change and change.is_sound else {}
    paths = hand_over(head, findings, options.out, rules, solved, change, more)
    record = {"dimensions": dimensions_record(head), "proof": proof_record(head, findings, solved, change)} if options.json else None
    _report(record, findings, paths, solved, change)
    return UNSAFE if any(finding.verdict == "unsafe" for finding in findings) else SOUND


def _prove_metal(options: argparse.Namespace, head: Head, rules: HouseRules) -> int:
    """Metal from a file with the stone where the head would hold it; the names of its objects tell their roles, if any do."""
    if len(head.stones) > 1:
        raise SpecError(Fault("--metal", options.metal, "metal from a file is proven with one stone; leave surround and sides out"))
    objects = read_objects(options.metal)
    if not any(holds_stone(name) for name in objects):
        objects = {WHOLE: read_triangles(options.metal)}
    parts = {name or WHOLE: PolyMesh.from_faces(*mesh, name or WHOLE) for name, mesh in objects.items()}
    findings = prove_meshes(parts, head.stone, head.placed_stone, head.state, head.alloy, head.process, head.species,
                            rules=rules)
    record = found_record(head.state, findings)
    paths = write_files(options.out, {"proof.json": json_text(record).encode()})
    _report({"proof": record} if options.json else None, findings, paths, None, None)
    return UNSAFE if any(finding.verdict == "unsafe" for finding in findings) else SOUND


def _kept(spec: Spec, free: Sequence[str], is_asked: bool) -> frozenset[str]:
    """The choices that must stay: all that the spec gives but those that were freed."""
    if free and not is_asked:
        raise SpecError(Fault("--free", free[0], "it goes with --make-sound"))
    given = frozenset(path for path, _ in spec)
    faults = [Fault("--free", path, f"it must be a choice that the spec gives: {', '.join(sorted(given)) or 'it gives none'}")
              for path in free if path not in given]
    if faults:
        raise SpecError(*faults)
    return given - set(free)


def _found_again(spec: Spec) -> Spec:
    """The spec with its mesh named so that it is found from any folder."""
    mesh = spec.get("stone.mesh")
    return spec.with_choices(stone__mesh=str(Path(mesh).resolve())) if mesh else spec


@contextlib.contextmanager
def _telling() -> Iterator[Progress | None]:
    """What to call while heads are tried: a line on stderr that is renewed, if anyone looks at it."""
    stream = sys.stderr
    if stream is None or not stream.isatty():
        yield None
        return
    longest = 0

    def progress(aim: str, count: int) -> None:
        nonlocal longest
        line = f"{aim[0].upper()}{aim[1:]}: {count} heads tried"[:120]
        longest = max(longest, len(line))
        print(f"\r{line:{longest}}", end="", file=stream, flush=True)

    try:
        yield progress
    finally:
        if longest:
            print(f"\r{'':{longest}}\r", end="", file=stream, flush=True)


def _report(record: dict[str, Any] | None, findings: Sequence[Finding], paths: Sequence[Path],
            solved: Mapping[Finding, Remedy | None] | None, change: Change | None) -> None:
    """Says what was written. From here on the files are there, so that stopping or a deaf reader changes no exit code."""
    if record is None:
        text = "\n".join(_summary(findings, paths, solved, change))
    else:
        text = json.dumps({**record, "files": [str(path) for path in paths]}, ensure_ascii=False, allow_nan=False)
    try:
        _say(text, sys.stdout)
    except BrokenPipeError:
        return
    except OSError as error:
        _refused([f"The files are in {paths[0].parent}, but the report of them could not be printed ({error.strerror})."])
    except KeyboardInterrupt:
        _refused([f"Stopped by the user; the files are in {paths[0].parent}."])


def _say(text: str, stream: TextIO | None) -> None:
    """Prints at once, so that a failure shows here; a stream that failed is led to nowhere, or Python fails again at exit."""
    if stream is None:
        return
    try:
        print(text, file=stream, flush=True)
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        raise


def _chord(text: str) -> float:
    low, high = CHORDS_MM
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise SpecError(Fault("--chord-mm", text, f"it must be a number from {low:g} to {high:g} mm"))
    return value


def _summary(findings: Sequence[Finding], paths: Sequence[Path], solved: Mapping[Finding, Remedy | None] | None,
             change: Change | None) -> list[str]:
    counts = Counter(finding.verdict for finding in findings)
    lines = [f"Wrote {len(paths)} files to {paths[0].parent}: {', '.join(path.name for path in paths)}.",
             *_changes(change), "Proof: " + ", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICTS) + "."]
    for finding in findings:
        if finding.verdict != "sound":
            figures = "" if finding.is_caution else f": {_figures(finding)}"
            lines.append(f"  {finding.verdict}: {finding.what}{figures}. {finding.why} {finding.remedy}".rstrip())
            if solved is not None:
                lines.append(f"    remedy: {remedy.sentence if (remedy := solved.get(finding)) else NO_REMEDY}")
    return lines


def _changes(change: Change | None) -> list[str]:
    if change is None:
        return []
    return [f"Made sound: {change.sentence}" if change.is_sound else f"Not made sound: {change.sentence}",
            *(f"  {remedy.sentence}" for remedy in change.remedies)]


def _figures(finding: Finding) -> str:
    unit = finding.after_figures
    spread = finding.spread
    measured = "not measured" if finding.measured is None else f"{finding.measured:.3f}{unit}"
    limit = "" if finding.limit is None else f", limit {finding.limit:.3f}{unit}"
    place = "" if finding.place is None else " at " + ", ".join(f"{c:.2f}" for c in finding.place)
    worst = "" if spread is None else f", at worst {spread.worst:.3f}{unit}, sound in {100 * spread.share_sound:.0f} % of draws"
    return measured + limit + worst + place


def _refused(lines: Iterable[str]) -> int:
    # Without stderr the exit code still tells.
    with contextlib.suppress(OSError):
        for line in lines:
            _say("".join(c if c.isprintable() else "?" for c in " ".join(str(line).split())), sys.stderr)
    return REFUSED
