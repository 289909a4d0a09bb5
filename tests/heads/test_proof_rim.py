"""The proof of rims: each limit just under, at and just over; closed forms; and metal that was changed after it was made."""
from __future__ import annotations

import math
from dataclasses import replace

import pytest

from core.head import make_head
from core.proof import Subject, prove, subject_of
from core.proof.findings import Finding
from core.proof.rim import check_rim
from core.spec import spec_of
from core.stone import CUTS
from core.stone.side import upright_height_mm
from core.trade.house_rules import HouseRules, house_rules

RULES = house_rules()


def subject(cut: str = "round brilliant", width_mm: float = 5.0, state: str = "cast", **changes: object) -> Subject:
    return subject_of(make_head(spec_of({"head.style": "rim", "stone.cut": cut, "stone.width_mm": width_mm})
                                .with_choices(**changes), state))


def found(proven: Subject, rules: HouseRules = RULES) -> dict[str, Finding]:
    return {each.code: each for each in check_rim(proven, rules)}


def with_rule(key: str, value: float) -> HouseRules:
    return HouseRules({**RULES.rules, key: replace(RULES[key], value=value)})


def with_rim(proven: Subject, rim) -> Subject:
    return replace(proven, parts={**proven.parts, "rim": rim})


@pytest.mark.parametrize("state", ["cast", "set"])
@pytest.mark.parametrize("cut", CUTS)
def test_a_derived_rim_is_safe_on_every_cut(cut: str, state: str) -> None:
    findings = found(subject(cut, state=state))
    assert {code: each.measured for code, each in findings.items() if each.verdict == "unsafe"} == {}
    assert set(findings) >= {"rim.held", "rim.thickness", "rim.gap"}
    assert all(each.place is not None and each.why and (each.remedy or each.verdict == "sound") for each in findings.values())


def test_a_head_without_a_rim_has_no_finding_of_one() -> None:
    assert found(subject_of(make_head(spec_of({})))) == {}


def test_the_whole_proof_runs_on_a_rim() -> None:
    for state in ("cast", "set"):
        codes = [each.code for each in prove(make_head(spec_of({"head.style": "rim"}), state))]
        assert codes.count("rim.thickness") == 1


@pytest.mark.parametrize(("code", "changes", "verdict"), [
    ("rim.thickness", {"rim__thickness_mm": 0.39}, "unsafe"),
    ("rim.thickness", {"rim__thickness_mm": 0.40}, "sound"),
    ("rim.thickness", {"rim__thickness_mm": 0.41}, "sound"),
    ("rim.pushes", {"rim__thickness_mm": 1.19}, "sound"),
    ("rim.pushes", {"rim__thickness_mm": 1.20}, "sound"),
    ("rim.pushes", {"rim__thickness_mm": 1.21}, "watch"),
    ("rim.height", {"rim__height_mm": 0.125 + 0.29}, "watch"),  # the least that can be pushed, 0.3 mm
    ("rim.height", {"rim__height_mm": 0.125 + 0.30}, "sound"),
    ("rim.height", {"rim__height_mm": 0.125 + 0.31}, "sound"),
    ("rim.height", {"rim__height_mm": 0.125 + 0.425}, "sound"),  # 0.6 of a crown of 0.725 mm
    ("rim.height", {"rim__height_mm": 0.125 + 0.435}, "sound"),
    ("rim.height", {"rim__height_mm": 0.125 + 0.445}, "watch"),
    ("rim.height", {"width_mm": 10.0, "rim__height_mm": 0.25 + 0.57}, "watch"),  # 0.4 of a crown of 1.45 mm
    ("rim.height", {"width_mm": 10.0, "rim__height_mm": 0.25 + 0.58}, "sound"),
    ("rim.height", {"width_mm": 10.0, "rim__height_mm": 0.25 + 0.59}, "sound"),
    ("rim.dome", {"cut": "round cabochon", "rim__height_mm": 0.82}, "unsafe"),  # a third of 2.5 mm
    ("rim.dome", {"cut": "round cabochon", "rim__height_mm": 2.5 / 3.0}, "sound"),
    ("rim.dome", {"cut": "round cabochon", "rim__height_mm": 0.85}, "sound"),
    ("rim.drops_in", {"seat__clearance_mm": 0.010}, "watch"),
    ("rim.drops_in", {"seat__clearance_mm": 0.020}, "sound"),
    ("rim.drops_in", {"seat__clearance_mm": 0.030}, "sound"),
    ("rim.gap", {"cut": "emerald", "seat__clearance_mm": 0.045}, "sound"),
    ("rim.gap", {"cut": "emerald", "seat__clearance_mm": 0.050}, "sound"),
    ("rim.gap", {"cut": "emerald", "seat__clearance_mm": 0.060}, "watch"),
    ("rim.held", {"rim__open_directions_deg": "0, 180", "rim__open_width_deg": 86.0}, "sound"),
    ("rim.held", {"rim__open_directions_deg": "0, 180", "rim__open_width_deg": 90.0}, "sound"),
    ("rim.held", {"rim__open_directions_deg": "0, 180", "rim__open_width_deg": 96.0}, "watch"),
])
def test_limits_as_cast(code: str, changes: dict[str, object], verdict: str) -> None:
    """Under, at and over each limit; of 90° twice half the girdle is left."""
    assert found(subject(**changes))[code].verdict == verdict


def test_a_tall_domes_rim_must_pass_what_stands_upright_of_its_side() -> None:
    tall = {"cut": "round cabochon", "stone__depth": 0.9}
    upright = upright_height_mm(subject(**tall).stone, RULES.value("rim.dome_lean_deg"))
    for off, verdict in ((-0.01, "unsafe"), (0.0, "sound"), (0.01, "sound")):
        findings = found(subject(**tall, rim__height_mm=upright + off))
        assert findings["rim.curve"].verdict == verdict and findings["rim.dome"].verdict == "sound"


@pytest.mark.parametrize(("code", "key", "harsher"), [("rim.cover", "rim.cover_least_mm", 1.0), ("rim.contact", "rim.contact_high", -1.0)])
def test_limits_as_set(code: str, key: str, harsher: float) -> None:
    proven = subject("cushion", state="set")
    measured = found(proven)[code].measured
    assert measured is not None
    everywhere = with_rule("rim.cover_least", 0.9)
    for step, is_sound in ((-0.03, True), (0.0, True), (0.03, False)):
        rules = HouseRules({**everywhere.rules, key: replace(RULES[key], value=measured + harsher * step)})
        assert (found(proven, rules)[code].verdict == "sound") == is_sound


@pytest.mark.parametrize("cover_mm", [0.12, 0.15, 0.18])
def test_cover_is_measured_along_the_crowns_slope(cover_mm: float) -> None:
    """A lip filed off at a height covers that height over the sine of the lowest step's slope."""
    proven = subject("emerald", state="set")
    stone = proven.stone
    normals = stone.mesh.face_normals()
    lowest = [i for i in range(len(stone.mesh)) if 0.1 < normals[i, 2] < 0.99
              and stone.mesh.vertices[stone.mesh.face(i), 2].min() < stone.girdle_mm + 1e-6]
    slope = max(math.acos(normals[i, 2]) for i in lowest)
    filed = proven.parts["rim"].trim_by_plane((0.0, 0.0, -1.0), -(proven.gauge.crown_edge_mm + cover_mm * math.sin(slope)))
    finding = found(with_rim(proven, filed))["rim.cover"]
    assert finding.measured == pytest.approx(cover_mm, abs=0.006)
    assert finding.verdict == ("unsafe" if cover_mm < 0.14 else "sound")


def test_on_a_small_crown_the_share_of_its_slope_counts() -> None:
    """Of a slope shorter than 0.5 mm, 30 % is less than 0.15 mm."""
    proven = subject("round brilliant", 1.2, "set")
    finding = found(proven)["rim.cover"]
    assert finding.rule == "rim.cover_least" and finding.verdict == "sound"
    assert finding.limit is not None and finding.limit < 0.15
    wide = with_rule("rim.cover_least_mm", 2.0)
    for share, verdict in ((0.5, "sound"), (0.95, "unsafe")):
        rules = HouseRules({**wide.rules, "rim.cover_least": replace(RULES["rim.cover_least"], value=share)})
        assert found(proven, rules)["rim.cover"].verdict == verdict


def test_a_rim_that_was_moved_is_found_out() -> None:
    """As cast narrower than the girdle: the stone cannot drop in. As set wider: a gap. Cut down on one side: found there."""
    cast, finished = subject(), subject(state="set")
    narrow = found(with_rim(cast, cast.parts["rim"].scale((0.98, 0.98, 1.0))))["rim.drops_in"]
    assert narrow.verdict == "unsafe" and narrow.measured == pytest.approx(2.53 * 0.98 - 2.5, abs=0.006)
    for share, gap_mm, verdict in ((1.008, 0.02, "sound"), (1.016, 0.04, "unsafe")):
        wide = found(with_rim(finished, finished.parts["rim"].scale((share, share, 1.0))))["rim.gap"]
        assert wide.rule == "seat.gap_most_mm" and wide.verdict == verdict and wide.measured == pytest.approx(gap_mm, abs=0.006)
    girdle = cast.gauge.girdle_plane_mm
    nicked = cast.parts["rim"] - cast.parts["rim"].trim_by_plane((0.0, 0.0, 1.0), girdle + 0.3).trim_by_plane(
        (1.0, 0.0, 0.0), 2.4)
    low = found(with_rim(cast, nicked))["rim.height"]
    assert low.verdict == "watch" and low.measured == pytest.approx(0.3 - cast.stone.girdle_mm, abs=2e-3)
    assert low.place is not None and low.place[0] > 2.3


@pytest.mark.parametrize(("over_mm", "verdict"), [(-0.01, "sound"), (0.0, "sound"), (0.01, "watch")])
def test_a_rim_above_the_table_is_found(over_mm: float, verdict: str) -> None:
    finished = subject(state="set")
    rim = finished.parts["rim"]
    foot, top = rim.bounding_box()[2], rim.bounding_box()[5]
    share = (finished.gauge.table_mm + over_mm - foot) / (top - foot)
    raised = rim.translate((0.0, 0.0, -foot)).scale((1.0, 1.0, share)).translate((0.0, 0.0, foot))
    assert found(with_rim(finished, raised))["rim.top"].verdict == verdict
