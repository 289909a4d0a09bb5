"""What cooling takes of a casting is said for every head that is poured, with the figures of its own files."""
from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from core.handover.sheet import enlargement_of
from core.head import make_head
from core.proof import Finding, prove, prove_subject, subject_of
from core.solid.kernel import triangles_of
from core.spec import spec_of


def told(findings: tuple[Finding, ...]) -> list[Finding]:
    return [each for each in findings if each.code == "casting.shrinkage"]


@pytest.mark.parametrize("choices", [{}, {"casting.shrinkage_percent": 4.2}, {"casting.alloy": "18K rose gold"},
                                     {"sides.present": True}], ids=["as planned", "given", "another alloy", "trilogy"])
def test_every_poured_head_tells_once_what_would_be_missing_and_how_much_its_files_are_enlarged(
        choices: dict[str, str | float]) -> None:
    head = make_head(spec_of({"stone.length_mm": 6.5, **choices}))
    (found,) = told(prove(head))
    share, longest, missing, more = map(float, re.findall(r"(\d+\.?\d*) (?:%|mm)", found.why))
    size = float(np.ptp(triangles_of(head.solid)[0], axis=0).max())
    assert share == pytest.approx(100.0 * head.plan["shrinkage"], rel=5e-3)
    assert longest == pytest.approx(size, abs=6e-3)
    assert missing == pytest.approx(size * head.plan["shrinkage"], abs=6e-3)
    assert more == pytest.approx(100.0 * (enlargement_of(head) - 1.0), rel=5e-3)
    assert (found.verdict, found.remedy, found.is_caution) == ("sound", "", True)
    assert found.source == head.plan.dimension("shrinkage").source


def test_metal_without_a_plan_is_told_the_shrinkage_of_its_alloy() -> None:
    subject = subject_of(make_head(spec_of({"casting.shrinkage_percent": 4.2})))
    (found,) = told(prove_subject(replace(subject, plan=None)))
    assert f"{subject.alloy.shrinkage_percent:.3g} %" in found.why and "4.2 %" not in found.why
    assert found.source == subject.alloy.making_source
    # Nothing was made of it that is enlarged already.
    assert "enlarge it once" in found.why and "cast.stl" not in found.why


@pytest.mark.parametrize(("state", "choices"), [("set", {}), ("cast", {"casting.process": "direct metal print"}),
                                               ("cast", {"casting.shrinkage_percent": 0.0})])
def test_nothing_is_told_of_metal_that_is_set_was_never_poured_or_does_not_shrink(
        state: str, choices: dict[str, str | float]) -> None:
    assert not told(prove(make_head(spec_of(choices), state)))
