"""Every cut with every kind of head, small, usual and large, as cast and as set: one closed body, proven, or refused with
the reason. It takes minutes, so it stands apart from the core's own tests."""
from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from core.errors import SpecError
from core.head import STATES, make_head
from core.proof import prove
from core.solid.kernel import bodies, is_watertight_after_welding
from core.spec import spec_of
from core.stone import CUTS
from core.tolerance import WELD_MM

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
SIZES_MM = (3.0, 6.0, 12.0)

REFUSED = {
    ("gallery", 3.0): {"oval", "marquise", "pear", "emerald", "baguette", "tapered baguette", "oval cabochon"},
    ("peg", 12.0): {"oval cabochon", "sugarloaf cabochon"},
    ("trilogy", 3.0): {"heart"},
}
"""The cuts that a kind of head is refused for in a size; all others are made."""


def _matrix():
    """The script that makes the picture sheets, for its kinds of head and the choices that make them."""
    sys.path.insert(0, str(SCRIPTS))
    try:
        spec = importlib.util.spec_from_file_location("matrix", SCRIPTS / "matrix.py")
        assert spec and spec.loader
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(SCRIPTS))
    return module


MATRIX = _matrix()


@pytest.mark.parametrize("kind", MATRIX.KINDS)
@pytest.mark.parametrize("cut", CUTS)
def test_a_head_is_one_closed_body_that_can_be_proven_or_is_refused_with_the_reason(cut: str, kind: str) -> None:
    for size_mm in SIZES_MM:
        for state in STATES:
            try:
                head = make_head(spec_of(MATRIX.choices(cut, kind, size_mm)), state)
                assert cut not in REFUSED.get((kind, size_mm), set()), "it is made now: take it off the table"
            except SpecError as error:
                assert cut in REFUSED.get((kind, size_mm), set()), str(error)
                for fault in error.faults:
                    assert fault.key.partition(".")[0] in {"stone", "head", "wall", "rails", "peg", "rim", "claws", "surround",
                                                           "sides"}, fault
                    assert len(fault.allowed.split()) > 4, fault
                continue
            where = f"{size_mm:g} mm, {state}"
            assert len(bodies(head.solid)) == 1, where
            assert is_watertight_after_welding(head.solid, WELD_MM), where
            findings = prove(head)
            asked = {"casting.bodies", "casting.closed", "seat.to_cut" if state == "cast" else "seat.fits"}
            assert asked <= {each.code for each in findings}, where
            assert not [each for each in findings if each.code in asked and each.verdict != "sound"], where


@pytest.mark.parametrize("kind", MATRIX.KINDS)
@pytest.mark.parametrize("cut", CUTS)
def test_the_usual_size_with_everything_derived_raises_nothing_unsafe(cut: str, kind: str) -> None:
    if MATRIX.refusal(cut, kind):
        return  # the page of the matrix says why
    for state in STATES:
        findings = prove(make_head(spec_of(MATRIX.choices(cut, kind)), state))
        assert not [f"{each.code}: {each.what} {each.measured}" for each in findings if each.verdict == "unsafe"], state


def test_the_page_of_the_matrix_is_current() -> None:
    assert (SCRIPTS.parent / "docs" / "matrix.md").read_text("utf-8") == MATRIX.page(), "run scripts/matrix.py"
