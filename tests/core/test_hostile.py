"""Careless and hostile specs: what changes nothing is said, and every refusal is a sentence that helps."""
from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from core.errors import SpecError
from core.handover.stl import stl_bytes
from core.head import make_head
from core.head.planning.openings import MOST_SIDES
from core.head.unused import unused
from core.proof.seat import _spoken
from core.spec import BY_PATH, spec_of
from core.stone import make_stone


def faults_of(choices: dict[str, object], state: str = "cast") -> dict[str, str]:
    """What is refused, by key; every sentence is looked at."""
    with pytest.raises(SpecError) as caught:
        make_head(spec_of(choices), state)
    for fault in caught.value.faults:
        text = str(fault)
        assert text.endswith(".") and "  " not in text and "\n" not in text
        assert not re.search(r"\bnan\b|\binf\b|-\d+\.?\d* mm|(below|most|least) -?0\.?0* mm", text)
    return {fault.key: fault.allowed for fault in caught.value.faults}


IDLE = [
    ({"head.style": "tapered claw", "rails.thickness_mm": 1.0}, "rails.thickness_mm", 'take "basket"'),
    ({"rails.upper_drop": 0.5}, "rails.upper_drop", 'take "basket"'),
    ({"head.style": "basket", "wall.thickness_mm": 1.0}, "wall.thickness_mm", '"tapered claw", "gallery", "coronet" or "rim"'),
    ({"head.style": "basket", "peg.height_mm": 1.0}, "peg.height_mm", 'take "peg"'),
    ({"head.style": "rim", "wall.bevel_mm": 0.2}, "wall.bevel_mm", '"tapered claw", "gallery" or "coronet"'),
    ({"head.style": "coronet", "wall.bar_mm": 1.0}, "wall.bar_mm", 'take "gallery"'),
    ({"head.style": "gallery", "wall.scoop_mm": 1.0}, "wall.scoop_mm", 'take "coronet"'),
    ({"head.style": "peg", "wall.taper_deg": 5.0}, "wall.taper_deg", "leave the taper out"),
    ({"head.style": "rim", "claws.count": 4}, "claws.count", '"gallery", "coronet" or "peg"'),
    ({"head.style": "coronet", "rim.height_mm": 1.0}, "rim.height_mm", 'take "rim"'),
    ({"head.style": "rim", "rim.open_width_deg": 30.0}, "rim.open_width_deg", "rim.open_directions_deg"),
    ({"surround.stone_mm": 1.0}, "surround.stone_mm", "surround.present = true"),
    ({"surround.present": False, "surround.drop_mm": 1.0}, "surround.drop_mm", "surround.present = true"),
    ({"sides.cut": "pear"}, "sides.cut", "sides.present = true"),
    ({"claws.section": "round", "claws.width_mm": 1.0}, "claws.width_mm", '"oval" or "tab"'),
    ({"claws.placement": "evenly", "claws.directions_deg": "0, 90"}, "claws.directions_deg", 'take "directions"'),
    ({"claws.directions_deg": "45, 135, 225, 315", "claws.pair_gap_mm": 0.5}, "claws.pair_gap_mm", 'take "pairs"'),
    ({"claws.directions_deg": "45, 135, 225, 315", "claws.start_angle_deg": 5.0}, "claws.start_angle_deg", 'take "evenly"'),
    ({"claws.directions_deg": "45, 135, 225, 315", "claws.count": 6}, "claws.count", "gives 4 directions"),
]


@pytest.mark.parametrize(("choices", "key", "words"), IDLE, ids=[key for _, key, _ in IDLE])
def test_a_choice_that_changes_nothing_is_refused(choices: dict[str, object], key: str, words: str) -> None:
    found = faults_of({"stone.length_mm": 6.0, **choices})
    assert list(found) == [key] and words in found[key]
    freed = {path: value for path, value in choices.items() if path != key}
    assert unused(spec_of(freed)) == ()
    make_head(spec_of({"stone.length_mm": 6.0, **freed}))


HOPELESS = [
    ({"head.style": "rim", "stone.cut": "oval", "stone.width_mm": 1.0, "wall.seat_inset_mm": 1.68, "rim.thickness_mm": 0.2},
     "wall.seat_inset_mm", "below the culet; take a smaller inset"),
    ({"head.style": "rim", "stone.length_mm": 3.0, "wall.thickness_mm": 8.0, "wall.taper_deg": 11.0,
      "head.culet_clearance_mm": 20.0}, "wall.thickness_mm", "smaller taper"),
    ({"stone.cut": "oval", "stone.width_mm": 3.0, "claws.directions_deg": "33, 78, 81.8, 213"},
     "claws.directions_deg", "give directions farther apart"),
    ({"stone.cut": "straight trillion", "stone.width_mm": 9.0, "stone.length_mm": 27.0, "claws.diameter_mm": 1.5},
     "claws.count", "take fewer of them, or a larger stone"),
    ({"stone.length_mm": 6.0, "claws.width_mm": 1.0}, "claws.width_mm", '"oval" or "tab"'),
    ({"head.style": "peg", "stone.length_mm": 6.0, "head.culet_clearance_mm": 0.3}, "head.culet_clearance_mm", "a lower peg"),
    ({"head.style": "peg", "stone.length_mm": 0.8}, "stone.width_mm", "take a wider stone"),
    ({"head.style": "peg", "stone.length_mm": 2.0, "peg.diameter_mm": 2.5}, "peg.diameter_mm", "at most 2.00 mm"),
    ({"stone.length_mm": 6.0, "surround.present": True, "surround.drop_mm": 5.0}, "head.culet_clearance_mm",
     "lie below the base"),
]


@pytest.mark.parametrize(("choices", "key", "words"), HOPELESS, ids=[key for _, key, _ in HOPELESS])
def test_what_no_head_can_have_is_refused_with_a_way_out(choices: dict[str, object], key: str, words: str) -> None:
    found = faults_of(choices)
    assert list(found) == [key] and words in found[key]


@pytest.mark.parametrize("cut", ["princess", "oval", "round cabochon"])
def test_a_scan_has_every_head_but_windows_round_a_curve(cut: str, tmp_path: Path) -> None:
    drawn = make_stone({"cut": cut, "length_mm": 8.0})
    path = tmp_path / "scan.stl"
    path.write_bytes(stl_bytes(drawn.mesh.vertices, drawn.mesh.triangles()[0]))
    scan = make_stone({"mesh": str(path)})
    for share in (0.5, 0.9):
        depth = share * drawn.pavilion_depth_mm
        assert scan.pavilion_deepest_mm(depth) == pytest.approx(drawn.pavilion_deepest_mm(depth), rel=0.05, abs=0.01)
    for style in BY_PATH["head.style"].choices:
        if style == "gallery" and len(scan.outline.pieces) > MOST_SIDES:
            found = faults_of({"stone.mesh": str(path), "head.style": style})
            assert "with a corner between each two" in found["head.style"]
        else:
            make_head(spec_of({"stone.mesh": str(path), "head.style": style}))


@pytest.mark.parametrize(("choices", "key"), [
    ({"stone.cut": "rose cut", "stone.width_mm": 5.9, "head.culet_clearance_mm": 0.55}, "head.culet_clearance_mm"),
    ({"stone.length_mm": 6.0, "rails.thickness_mm": 1.4, "head.culet_clearance_mm": 0.3}, "rails.thickness_mm")])
def test_rails_without_room_are_told_how_much_they_need(choices: dict[str, object], key: str) -> None:
    found = faults_of({"head.style": "basket", **choices})
    assert list(found) == [key]
    least = float(re.search(r"culet clearance of at least ([\d.]+) mm", found[key])[1])
    make_head(spec_of({"head.style": "basket", **choices, "head.culet_clearance_mm": least}))
    if most := re.search(r"rails of at most ([\d.]+) mm", found[key]):
        make_head(spec_of({"head.style": "basket", **choices, "rails.thickness_mm": float(most[1])}))


def test_a_place_is_never_spoken_as_minus_zero() -> None:
    assert _spoken(np.array([-0.001, 0.004, -1.236])) == "(0.00, 0.00, -1.24) mm"
