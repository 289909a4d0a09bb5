"""Trilogies: three whole heads in one body, clear of each other's stones; what is refused; and their proof and
files."""
from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold

from core.errors import SpecError
from core.handover.views import plan_view, side_view
from core.handover.weights import weights_csv
from core.head import STATES, Head, make_head
from core.head.draft import castable_mm
from core.head.planning.bridges import EVEN_SHARE, _Bridge
from core.proof import prove, prove_subject, subject_of
from core.proof.several import several_of
from core.proof.sides import check_sides
from core.solid.kernel import bodies, bounds, cut, gap_mm, is_watertight_after_welding, moved, overlap, volume_mm3
from core.spec import Spec, spec_of
from core.stone import CUTS
from core.tolerance import CHORD_MM, WELD_MM
from core.trade.house_rules import house_rules

RULES = house_rules()


COARSE_MM = 0.02
"""Chord error where only the solids' soundness is looked at."""


def head(state: str = "cast", chord_mm: float = CHORD_MM, **changes: object) -> Head:
    return make_head(Spec().with_choices(sides__present=True, **changes), state, chord_mm)


def found(made: Head, code: str, **changes: object):
    several = replace(several_of(made), **changes)
    order = {"unsafe": 0, "watch": 1, "sound": 2}
    return min((each for each in check_sides(several, RULES) if each.code == code),
               key=lambda each: order[each.verdict])


@pytest.mark.parametrize("cut", [cut for cut in CUTS if cut not in {"single cut", "round cabochon",
                                                                    "tapered baguette"}])
def test_trilogies_are_one_sound_body_clear_of_each_others_stones(cut: str) -> None:
    for state in ("cast", "set") if cut in {"round brilliant", "pear", "princess", "heart"} else ("cast",):
        made = head(state, COARSE_MM, stone__cut=cut, stone__width_mm=5.0)
        assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM), state
        centre, (left, right) = made.centre.solid, made.sides
        for metal, stone in ((centre, made.stones[1]), (centre, made.stones[2]), (left.solid, made.stones[0]),
                             (right.solid, made.stones[0])):
            assert volume_mm3(overlap(metal, stone.solid)) < 1e-9, stone.name


@pytest.mark.parametrize("style", ["basket", "gallery", "coronet", "peg", "rim"])
def test_every_style_takes_side_heads(style: str) -> None:
    for state in ("cast", "set"):
        made = head(state, COARSE_MM, head__style=style)
        assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM), state
        assert found(made, "sides.enters").verdict == "sound"


@pytest.mark.parametrize("cut", ["round brilliant", "pear"])
def test_girdles_stand_as_far_apart_as_planned_on_both_sides(cut: str) -> None:
    """A pear's ends lie unevenly about its axis; both sides keep the same gap, and the left is the right turned
    about."""
    made = head(stone__cut=cut)
    gaps = [each.measured for each in prove(made) if each.code == "sides.gap"]
    assert gaps == pytest.approx([made.plan["side_gap"]] * 2, abs=0.02)
    left, right = made.sides
    assert left.head is right.head
    assert np.allclose(left.matrix[:, :3], right.matrix[:, :3] * np.array([[-1, -1, 1]]).T)


def test_parts_carry_their_sides_names_and_every_stone_is_listed() -> None:
    made = head(sides__cut="oval", sides__species="sapphire")
    assert [stone.name for stone in made.stones] == ["stone", "left stone", "right stone"]
    assert {"wall", "claw 1", "left wall", "left claw 4", "right wall", "right claw 1", "left bridge",
            "right bridge"} <= set(made.parts)
    assert all(mesh.is_closed() and mesh.tag_names == (name,) for name, mesh in made.parts.items())
    rows = list(csv.DictReader(io.StringIO(weights_csv(made))))
    chosen = {row["kind"]: row for row in rows if row["chosen"]}
    assert chosen["side stones"]["name"] == "sapphire"
    assert float(chosen["side stones"]["weight_ct"]) == pytest.approx(made.plan["side_weight"], abs=1e-4)


def test_the_proof_names_each_side_and_says_of_all_metal_once() -> None:
    made = head()
    findings = prove(made)
    codes = [each.code for each in findings]
    assert codes.count("casting.bodies") == codes.count("casting.closed") == codes.count("marks.hallmark") == 1
    own = next(each for each in prove_subject(subject_of(made.sides[0].head)) if each.code == "claws.notch"
               and each.what.endswith("claw 1"))
    for side in made.sides:
        moved = next(each for each in findings if each.what == f"{side.name.capitalize()} stone: {own.what}")
        assert moved.measured == own.measured and moved.place == pytest.approx(side.at(np.array([own.place]))[0])
    hallmark = next(each for each in findings if each.code == "marks.hallmark")
    assert hallmark.measured == pytest.approx(volume_mm3(made.solid) * made.alloy.density_g_cm3 / 1000.0)


@pytest.mark.parametrize(("gap_mm", "verdict"), [(-0.05, "unsafe"), (0.0, "unsafe"), (0.09, "watch"), (0.1, "sound"),
                                                 (0.12, "sound")])
def test_side_stones_are_held_to_their_gap(gap_mm: float, verdict: str) -> None:
    made = head()
    stones = list(made.stones)
    matrix = stones[2].matrix.copy()
    measured = found(made, "sides.gap").measured
    matrix[0, 3] += gap_mm - measured
    stones[2] = replace(stones[2], matrix=matrix)
    assert found(made, "sides.gap", stones=tuple(stones)).verdict == verdict


def test_metal_in_a_neighbours_stone_is_found_with_its_place() -> None:
    made = head()
    low, high = bounds(made.part_solids["claw 1"])
    away = np.array([made.plan["side_shift_right"], 0.0]) - ((low + high) / 2.0)[:2]
    claw = moved(made.part_solids["claw 1"], [*away, 0.0])
    finding = found(made, "sides.enters", parts={**made.part_solids, "claw 1": claw})
    assert finding.verdict == "unsafe" and "claw 1 in the right stone" in finding.why and finding.place[0] > 3.0


@pytest.mark.parametrize(("thick_mm", "verdict"), [(0.39, "unsafe"), (0.7, "sound")])
def test_bridges_are_held_to_what_casts(thick_mm: float, verdict: str) -> None:
    made = head()
    thin = made.part_solids["left bridge"].scale((1.0, 1.0, thick_mm / made.plan["bridge_height"]))
    assert found(made, "sides.bridge", parts={**made.part_solids, "left bridge": thin}).verdict == verdict


def test_a_bridge_that_is_filed_thin_in_one_place_is_found_there() -> None:
    """Sawn through to 0.1 mm over 0.2 mm of its length; by its box it is as thick as ever."""
    made = head()
    bridge = made.part_solids["left bridge"]
    low, high = bounds(bridge)
    middle = float(low[0] + high[0]) / 2.0
    slot = moved(Manifold.cube((0.2, 10.0, 10.0)), (middle - 0.1, -5.0, 0.1))
    finding = found(made, "sides.bridge", parts={**made.part_solids, "left bridge": cut(bridge, [slot], "left bridge")})
    assert finding.verdict == "unsafe" and finding.measured == pytest.approx(0.1, abs=0.01)
    assert abs(finding.place[0] - middle) < 0.15 and finding.place[2] < 0.1


def test_all_metal_tells_of_gaps_between_heads_that_no_head_has_by_itself() -> None:
    made = head()
    told = [each for each in prove(made) if each.code == "casting.gap"]
    whole = next(each for each in told if each.what.startswith("All metal: "))
    assert all(whole.measured < each.measured for each in told if each is not whole)


@pytest.mark.parametrize(("changes", "key"), [
    ({"surround__present": True}, "sides.present"),
    ({"sides__width_mm": 9.0, "sides__length_mm": 9.0}, "sides.width_mm"),
    ({"sides__gap_mm": 0.0, "head__style": "rim"}, "sides.gap_mm"),
    ({"sides__length_mm": 0.9}, "sides.width_mm"),
])
def test_what_no_trilogy_can_be_is_refused(changes: dict[str, object], key: str) -> None:
    with pytest.raises(SpecError) as caught:
        head(**changes)
    assert key in {fault.key for fault in caught.value.faults} and all("take" in fault.allowed
                                                                       or "leave" in fault.allowed
                                                                      for fault in caught.value.faults)


def test_the_gap_that_the_refusal_names_is_taken() -> None:
    least = head(head__style="rim").plan["side_gap"]
    assert head(head__style="rim", sides__gap_mm=least).plan["side_gap"] == least


def test_v_claws_of_the_centre_are_no_choice_of_round_sides() -> None:
    made = head(stone__cut="princess", claws__section="V", sides__cut="round brilliant")
    assert made.sides[0].head.spec.get("claws.section") is None
    same = head(stone__cut="princess", claws__section="V")
    assert same.sides[0].head.spec.get("claws.section") == "V"


def test_drawings_show_every_stone() -> None:
    """The plan view is wide enough for the whole row, and the section draws what it cuts of the side stones."""
    made = head(head__style="basket")
    svg, scale = plan_view(made, 1.0)
    width = float(svg.split('width="')[1].split("mm")[0])
    row = made.plan["side_shift_right"] + made.plan["side_shift_left"] + made.plan["side_length"]
    assert scale == 1.0 and width > row
    assert side_view(made, 1.0)[0].count('class="stone"') >= 1


def test_bridges_leave_room_to_cast_under_rails() -> None:
    made = make_head(Spec().with_choices(sides__present=True, head__style="basket", stone__width_mm=6.0))
    assert made.plan["bridge_height"] < 0.9
    assert {each.verdict for each in prove(made, with_spread=False) if each.code == "casting.gap"} == {"sound"}


@pytest.mark.parametrize("style", ["tapered claw", "basket", "gallery", "coronet", "peg", "rim"])
def test_beside_the_bridges_of_a_default_trilogy_no_gap_is_too_narrow_to_cast(style: str) -> None:
    """A bridge that was a third of a side stone wide grazed its claws: the gaps were 0.001 to 0.1 mm. Where it was narrower at the
    centre by half than at the side stone, it starved there. Higher up the heads may come near each other by themselves."""
    for state in STATES:
        made = head(state, head__style=style)
        told = [each for each in prove(made, with_spread=False) if each.code in ("casting.gap", "casting.hole", "sides.bridge")]
        beside = [each for each in told if each.place is None or each.place[2] < made.plan["bridge_height"] + 0.5]
        assert len(beside) > 3 and {each.verdict for each in beside} == {"sound"}
        narrow, wide = sorted(made.plan[name] for name in ("bridge_width", "bridge_side_width"))
        assert narrow >= EVEN_SHARE * wide - 0.01


@pytest.mark.parametrize("style", ["tapered claw", "basket", "gallery", "peg"])
@pytest.mark.parametrize("cut", ["round brilliant", "oval", "pear", "marquise", "cushion", "princess", "emerald", "baguette"])
def test_each_bridge_carries_a_claw_or_leaves_room_beside_it(cut: str, style: str) -> None:
    """Measured on the solids: what the two have in common runs from base to top of the bridge, or the gap can be cast."""
    room = RULES.of_process("lost wax", "gap_least_mm").value
    for width in (5.0, 6.5, 9.0):
        made = head("cast", COARSE_MM, stone__cut=cut, stone__width_mm=width, head__style=style)
        parts, height = made.part_solids, made.plan["bridge_height"]
        claws = {name: solid for name, solid in parts.items() if "claw" in name.split()}
        bridges = [solid for name, solid in parts.items() if name.endswith("bridge")]
        for name, claw in claws.items():
            for bridge in bridges:
                low, high = bounds(both) if volume_mm3(both := overlap(claw, bridge)) > 0.0 else (np.zeros(3), np.zeros(3))
                carried = low[2] < 0.01 and high[2] > height - 0.01
                assert carried or gap_mm(claw, bridge, 1.0) >= room, (width, name)


def test_a_bridge_keeps_its_usual_width_where_no_claw_is_near() -> None:
    made = head(head__style="rim")
    assert made.plan["bridge_width"] == made.plan["bridge_side_width"] == pytest.approx(0.35 * made.plan["side_width"], abs=0.005)


def test_bridges_end_below_windows() -> None:
    made = head(head__style="gallery")
    assert made.plan["bridge_height"] == made.centre.plan["window_sill"]


@pytest.mark.parametrize(("off_mm", "fits"), [(-0.2001, True), (-0.1, True), (-0.0999, False), (0.0, False), (0.1999, False), (0.2, True)])
def test_a_claw_is_carried_or_clear(off_mm: float, fits: bool) -> None:
    """Square claws, one whose corner and one whose side comes so near to a bridge 2 mm wide."""
    square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    corner_first = square @ np.array([[0.5, 0.5], [-0.5, 0.5]])
    for ring, is_flat in ((square, True), (corner_first, False)):
        claw = np.array([ring - [0.0, float(ring[:, 1].min()) - 1.0 - off_mm]] * 2)
        bridge = _Bridge((-5.0, 5.0), (-5.0, 5.0), [claw])
        assert bridge.are_carried_or_clear(np.array([1.0]), np.array([1.0]), 0.2).tolist() == [fits], is_flat


def test_a_claw_that_runs_out_of_a_bridge_at_a_flat_angle_is_no_claw_that_it_carries() -> None:
    for turn_deg, fits in ((29.0, False), (31.0, True)):
        turn = np.radians(turn_deg)
        ring = np.array([[0.0, -0.5], [4.0, -0.5], [4.0, 0.5], [0.0, 0.5]])
        ring = ring @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + [0.0, 1.2]
        bridge = _Bridge((-5.0, 5.0), (-5.0, 5.0), [np.array([ring] * 2)])
        assert bridge.are_carried_or_clear(np.array([1.0]), np.array([1.0]), 0.2).tolist() == [fits]


@pytest.mark.parametrize(("cut", "style"), [("heart", "basket"), ("cushion", "gallery"), ("round brilliant", "tapered claw")])
def test_a_bridge_ends_where_its_corners_are_in_metal_too(cut: str, style: str) -> None:
    """Beside a point, or between two windows, a bar that ends in metal on the row alone would be thin at its corners."""
    made = head(stone__cut=cut, head__style=style, stone__length_mm=6.0)
    findings = prove(made)
    assert not [(each.code, each.measured) for each in findings if each.verdict == "unsafe"]
    least = min(made.plan[name] for name in ("bridge_height", "bridge_width", "bridge_side_width"))
    thick = [each.measured for each in findings if each.code == "sides.bridge"]
    assert len(thick) == 2 and thick == pytest.approx([least, least], abs=0.01)


@pytest.mark.parametrize(("cut", "length_mm", "width_mm"), [
    ("rose cut", 3.0, 3.0), ("round cabochon", 3.0, 3.0), ("oval cabochon", 3.97, 2.27), ("sugarloaf cabochon", 3.55, 2.54),
    # Their steps from part to part read thin.
    ("baguette", 16.97, 8.48), ("princess", 14.2, 10.14),
])
def test_what_the_plan_left_unsafe_in_a_survey_is_sound(cut: str, length_mm: float, width_mm: float) -> None:
    """A flat stone stands over the bridges, which are as tall as fills when they are cast."""
    spec = spec_of({"stone.cut": cut, "stone.length_mm": length_mm, "stone.width_mm": width_mm, "sides.present": True})
    for state in STATES:
        made = make_head(spec, state)
        assert made.plan["bridge_height"] >= castable_mm(spec, house_rules())
        assert not [f"{each.what}: {each.measured}" for each in prove(made) if each.verdict == "unsafe"]
