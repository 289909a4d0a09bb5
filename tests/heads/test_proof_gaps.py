"""Gaps between metal are read where they are narrowest, and not where a place on the surface happens to lie."""
from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import surface, subject_of
from core.proof.air import check_air
from core.proof.findings import Finding
from core.proof.narrowest import GAIN
from core.proof.places import Places, places_on
from core.solid.kernel import fuse
from core.spec import Spec, spec_of
from core.tolerance import READ_MM
from core.trade.house_rules import house_rules

RULES = house_rules()

DENSE = 20
"""How many times as many places are looked at where all that is narrow is found by brute force."""

GALLERY = {"stone.cut": "tapered baguette", "stone.length_mm": 7.27, "head.style": "gallery", "head.culet_clearance_mm": 1.33,
           "wall.taper_deg": 15.1, "claws.count": 6, "claws.notch": 0.226}
MARQUISE = {"stone.cut": "marquise", "stone.length_mm": 8.51, "head.style": "basket", "head.culet_clearance_mm": 1.33,
            "wall.taper_deg": 16.4, "claws.count": 6, "claws.notch": 0.327}
ASSCHER = {"stone.cut": "asscher", "stone.length_mm": 5.97, "head.style": "basket", "head.culet_clearance_mm": 1.25,
           "wall.taper_deg": 14.6, "claws.count": 8, "claws.notch": 0.356}
BAGUETTE = {"stone.cut": "tapered baguette", "stone.length_mm": 14.64, "head.style": "tapered claw",
            "head.culet_clearance_mm": 1.41, "wall.taper_deg": 17.6, "claws.count": 5, "claws.notch": 0.251}
"""Heads of a random survey on which gaps were read up to 0.53 mm too wide."""


def gap_of(spec: Spec, state: str) -> Finding:
    with np.errstate(invalid="ignore"):
        return next(each for each in check_air(subject_of(make_head(spec, state)), RULES) if each.code == "casting.gap")


@pytest.mark.parametrize("choices", [GALLERY, MARQUISE, ASSCHER, BAGUETTE])
def test_no_gap_is_passed_over_that_many_more_places_find(choices: dict[str, object],
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    sparse = surface.Surface._spread

    def dense(own: surface.Surface, per_mm2: float, by_area: float) -> Places:
        few = sparse(own, per_mm2, by_area)
        many = places_on(own._corners, own._cross, own._doubled, DENSE * len(few.points), by_area)
        return replace(many, spacing_mm=few.spacing_mm)

    spec = spec_of(choices)
    read = {state: gap_of(spec, state) for state in ("cast", "set")}
    monkeypatch.setattr(surface.Surface, "_spread", dense)
    for state, finding in read.items():
        found = gap_of(spec, state)
        assert finding.verdict == found.verdict, state
        assert finding.measured <= found.measured / GAIN + READ_MM, state


def test_a_gap_too_narrow_to_cast_at_the_end_of_a_slot_is_told() -> None:
    """The survey passed over it: 0.34 mm was read."""
    finding = gap_of(spec_of(GALLERY), "cast")
    assert finding.verdict == "watch" and finding.measured < 0.1


def leaning_bars(gap_mm: float, lean_deg: float, turn_deg: float) -> Manifold:
    """Two square bars on a plate, so far apart at it, which lean apart from each other."""
    bar = Manifold.cube((1.0, 1.0, 8.0)).translate((0.0, -0.5, -0.5))
    one = bar.rotate((0.0, lean_deg, 0.0)).translate((gap_mm / 2.0, 0.0, 0.0))
    both = fuse([one, one.mirror((1.0, 0.0, 0.0)), Manifold.cube((8.0, 1.0, 1.0)).translate((-4.0, -0.5, -1.0))], "bars")
    return both.rotate((17.0, 0.0, turn_deg)).translate((0.3, 0.2, 20.0))


@pytest.mark.parametrize("turn_deg", [0.0, 41.0, 77.0])
@pytest.mark.parametrize("gap_mm", [0.15, 0.3, 0.5, 0.9])
def test_a_slot_is_read_at_its_narrow_end(gap_mm: float, turn_deg: float) -> None:
    """Bars that lean apart by 4 degrees each are nearest at the plate: from the foot of one, square to it, it is a little
    farther to the other than level."""
    lean = math.radians(4.0)
    subject = replace(subject_of(make_head(Spec())), metal=leaning_bars(gap_mm, 4.0, turn_deg), parts={}, cut_seat=False)
    (finding,) = [each for each in check_air(subject, RULES) if each.code == "casting.gap"]
    assert finding.measured == pytest.approx(gap_mm * math.cos(lean) / math.cos(2.0 * lean), abs=2.0 * READ_MM)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
@pytest.mark.parametrize("flare_deg", [2.0, 4.0])
def test_a_flared_hole_is_not_taken_for_a_gap_at_the_corners_of_its_mouth(flare_deg: float, turn_deg: float) -> None:
    """0.3 mm wide at its bottom, as deep as four times that, in a block that stands upright or leans."""
    wide, deep = 0.3, 1.2
    drill = Manifold.cylinder(deep + 0.05, wide / 2.0, wide / 2.0 + deep * math.tan(math.radians(flare_deg)), 32)
    block = Manifold.cube((4.0, 4.0, 2.0), True) - drill.translate((0.0, 0.0, 1.0 - deep))
    metal = block.rotate((turn_deg, turn_deg / 2.0, 7.0)).translate((0.0, 0.0, 11.0))
    subject = replace(subject_of(make_head(Spec())), metal=metal, parts={}, cut_seat=False)
    found = {each.code: each for each in check_air(subject, RULES)}
    assert found["casting.hole"].measured == pytest.approx(wide, abs=0.02)
    assert found["casting.blind"].verdict == "watch"
    assert found["casting.gap"].measured > wide
