"""Surrounds: even spacing on the true parallel, the published count, one sound body on every cut, and what is
refused."""
from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
from manifold3d import Manifold

from core.errors import SpecError
from core.head import STATES, Head, make_head
from core.head.row import curve, evenly, most_that_fit
from core.proof import prove
from core.proof.several import several_of
from core.proof.surround import check_surround
from core.solid.kernel import bodies, bounds, cut, fuse, gap_mm, is_watertight_after_welding, overlap, volume_mm3
from core.spec import Spec, spec_of
from core.stone import CUTS, make_stone
from core.tolerance import CHORD_MM, READ_MM, WELD_MM
from core.trade.house_rules import house_rules

RULES = house_rules()
LEAST_MM = RULES.of_process("lost wax", "gap_least_mm").value


COARSE_MM = 0.02
"""Chord error where only the solids' soundness is looked at."""


def head(state: str = "cast", chord_mm: float = CHORD_MM, **changes: object) -> Head:
    return make_head(Spec().with_choices(surround__present=True, **changes), state, chord_mm)


def found(made: Head, code: str, **changes: object):
    """The gravest finding of a code, on the head with its solids or stones changed."""
    order = {"unsafe": 0, "watch": 1, "sound": 2}
    several = replace(several_of(made), **changes)
    return min((each for each in check_surround(several, RULES) if each.code == code),
               key=lambda each: order[each.verdict])


def outline_of(cut: str, width_mm: float = 5.0):
    return make_stone({"cut": cut, "width_mm": width_mm}).outline


@pytest.mark.parametrize(("pitch_mm", "count"), [(1.4, 18), (2 * 4.05 * np.sin(np.pi / 18), 18), (1.40656, 17),
                                                 (1.33, 19)])
def test_a_circle_takes_as_many_stones_as_the_identity_says(pitch_mm: float, count: int) -> None:
    """floor(pi / asin(pitch / 2 R)): stones of 1.3 mm, 0.1 mm apart, 0.15 mm from a girdle of 6.5 mm are 18
    (geometry)."""
    row = most_that_fit(make_stone({"length_mm": 6.5}).outline, 0.15 + 1.3 / 2.0, pitch_mm)
    assert row is not None and len(row.middles) == count


def test_the_plan_takes_the_published_figures_to_that_count() -> None:
    made = head(head__style="rim", stone__length_mm=6.5, surround__stone_mm=1.3, surround__centre_gap_mm=0.15,
                surround__gap_mm=0.1)
    assert made.plan["surround_count"] == 18 == len(made.stones) - 1
    assert made.plan["surround_gap"] == pytest.approx(2 * 4.05 * np.sin(np.pi / 18) - 1.3, abs=1e-5)


@pytest.mark.parametrize("cut", CUTS)
def test_neighbours_stand_equally_far_apart_on_the_true_parallel(cut: str) -> None:
    """Within a thousandth of a millimetre; the parallel against shapely's round buffer of the outline."""
    outline = outline_of(cut)
    row = most_that_fit(outline, 0.65, 1.1)
    assert row is not None
    gaps = np.linalg.norm(np.roll(row.middles, -1, axis=0) - row.middles, axis=1)
    assert np.ptp(gaps) < 1e-6 and row.nearest_mm >= 1.1 - 1e-6
    ring = shapely.Polygon(outline.loop(0.0, outline.counts(1e-5))).buffer(0.0).exterior
    off = [ring.distance(shapely.Point(point)) - 0.65 for point in row.middles]
    assert np.abs(off).max() < 1e-3
    assert shapely.Polygon(curve(outline, 0.65)).contains(shapely.Polygon(ring))


@pytest.mark.parametrize("cut", ["oval", "princess", "pear"])
def test_one_stone_more_does_not_fit(cut: str) -> None:
    outline = outline_of(cut)
    row = most_that_fit(outline, 0.65, 1.1)
    assert row is not None and evenly(outline, 0.65, len(row.middles) + 1).nearest_mm < 1.1


@pytest.mark.parametrize("cut", CUTS)
def test_surrounds_are_one_sound_body_that_enters_no_stone(cut: str) -> None:
    states = ("cast", "set") if cut in {"round brilliant", "pear", "emerald", "heart"} else ("cast",)
    for state in states:
        made = head(state, COARSE_MM, stone__cut=cut, stone__width_mm=5.0)
        assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM), state
        assert max(volume_mm3(overlap(made.solid, stone.solid)) for stone in made.stones[1:4]) < 1e-6
        beads = [name for name in made.part_solids if name.startswith("bead")]
        assert len(beads) == 2 * (len(made.stones) - 1) == 2 * made.plan["surround_count"]


@pytest.mark.parametrize("style", ["basket", "gallery", "coronet", "peg", "rim"])
def test_every_style_takes_a_surround(style: str) -> None:
    for state in ("cast", "set"):
        made = head(state, COARSE_MM, head__style=style)
        assert len(bodies(made.solid)) == 1 and is_watertight_after_welding(made.solid, WELD_MM), state


@pytest.mark.parametrize(("cut", "style"), [("round brilliant", "tapered claw"), ("cushion", "basket"),
                                            ("pear", "rim")])
def test_seats_sewn_to_the_plate_are_those_that_would_be_cut(cut: str, style: str) -> None:
    """The same metal, to within the facets of a bur, and none of it or of the air on the other side."""
    for state in ("cast", "set"):
        made = head(state, stone__cut=cut, stone__width_mm=5.0, head__style=style)
        assert made.surround.is_clear_of(made._metal)
        sewn, whole = made.surround.punched(made._with_plate), made._fused(made.surround.joined, made.surround.cutters)
        assert sewn is not None and len(bodies(sewn)) == 1
        assert volume_mm3(sewn) == pytest.approx(volume_mm3(whole), rel=5e-4)
        share = 1e-3 * volume_mm3(whole)
        assert volume_mm3(sewn - whole) < share and volume_mm3(whole - sewn) < share


@pytest.mark.parametrize(("cut", "choices"), [
    ("pear", {}), ("marquise", {"head__style": "peg"}), ("heart", {"head__style": "basket"}), ("princess", {}), ("trillion", {}),
    ("princess", {"surround__count": 25}), ("oval", {"claws__bow_mm": 0.25, "wall__taper_deg": 5.0}),
    ("emerald", {"head__style": "peg", "claws__bow_mm": 0.4}),
])
def test_seats_and_beads_stay_clear_of_the_claws_as_they_stand(cut: str, choices: dict[str, object]) -> None:
    """V claws stand out farther at their points than along their legs, and bowed ones below the girdle."""
    for state in ("cast", "set"):
        made = head(state, stone__cut=cut, stone__width_mm=6.0, **choices)
        whole, parts = made.centre.part_solids, made.part_solids
        claws = [name for name in parts if name.startswith("claw")]
        assert all(parts[name] is whole[name] for name in claws)
        gaps = [gap_mm(parts[name], bead, 0.3) for name in claws for other, bead in parts.items() if other.startswith("bead")]
        far = found(made, "surround.centre_gap")
        # Farther out than its limit a surround does not go for the beads' sake.
        assert min(gaps) >= LEAST_MM - READ_MM or (far.verdict == "sound" and far.measured > far.limit - 0.02)


def test_seats_that_reach_other_metal_are_cut() -> None:
    made = head(surround__centre_gap_mm=0.4)
    assert not made.surround.is_clear_of(made._metal)
    assert len(bodies(made.solid)) == 1


@pytest.mark.parametrize("style", ["tapered claw", "rim"])
def test_a_surround_as_planned_is_found_sound(style: str) -> None:
    for state in ("cast", "set"):
        made = head(state, head__style=style)
        findings = [each for each in prove(made) if each.code.startswith(("surround.", "casting.bodies",
                                                                          "casting.closed"))]
        assert {each.code for each in findings if each.verdict != "sound"} == set()
        gap = next(each for each in findings if each.code == "surround.gap")
        assert gap.measured == pytest.approx(made.plan["surround_gap"],
                                             abs=0.02) and gap.measured >= made.plan["surround_gap"] - 1e-4


def test_small_stones_are_single_cuts_below_the_published_size() -> None:
    assert head(surround__stone_mm=1.19).stones[1].stone.cut == "single cut"
    assert head(surround__stone_mm=1.2).stones[1].stone.cut == "round brilliant"


def test_low_heads_take_smaller_stones_in_their_surround() -> None:
    """Under a cabochon of 10 mm there is no depth for the usual 2.0 mm; just the next size would not stand clear."""
    made = head(stone__cut="round cabochon", stone__width_mm=10.0)
    size = made.plan["surround_stone"]
    assert 1.0 < size < 2.0 and made.stones[1].mesh.vertices[:, 2].min() >= 0.1
    with pytest.raises(SpecError, match="head.culet_clearance_mm"):
        head(stone__cut="round cabochon", stone__width_mm=10.0, surround__stone_mm=size + 0.1)


def test_parts_that_the_seats_do_not_reach_keep_their_quads() -> None:
    made = head()
    assert all((mesh.sizes == 4).all() for name, mesh in made.parts.items() if name == "wall"
               or name.startswith("claw"))
    assert all(mesh.is_closed() for mesh in made.parts.values())


@pytest.mark.parametrize(("changes", "key"), [
    ({"surround__count": 40}, "surround.count"),
    ({"surround__count": 8}, "surround.count"),
    ({"surround__stone_mm": 4.0, "stone__length_mm": 2.5, "head__style": "rim"}, "surround.stone_mm"),
    ({"surround__plate_mm": 4.0}, "surround.plate_mm"),
    ({"surround__drop_mm": 3.5}, "head.culet_clearance_mm"),
])
def test_what_no_surround_can_be_is_refused_with_the_nearest_that_can(changes: dict[str, object], key: str) -> None:
    with pytest.raises(SpecError) as caught:
        head(**changes)
    (fault,) = caught.value.faults
    assert fault.key == key and "take" in fault.allowed


def test_the_nearest_that_a_refusal_names_is_taken() -> None:
    for path, given in (("surround__count", 8), ("surround__stone_mm", 4.0)):
        others = {"stone__length_mm": 2.5, "head__style": "rim", "head__culet_clearance_mm": 2.0} if given == 4.0 else {}
        with pytest.raises(SpecError) as caught:
            head(**{path: given}, **others)
        nearest = float(re.findall(r"at (?:least|most) ([\d.]+\d)", caught.value.faults[0].allowed)[-1])
        assert head(**{path: nearest}, **others).surround is not None
    most = round(head().plan["surround_count"])
    assert len(head(surround__count=most).stones) == most + 1
    with pytest.raises(SpecError, match=f"take at most {most}"):
        head(surround__count=most + 1)


@pytest.fixture(scope="module")
def cast() -> Head:
    return head(head__style="rim", surround__stone_mm=1.3)


def moved(made: Head, number: int, offset: tuple[float, float, float]) -> tuple:
    """The head's stones with one small stone shifted."""
    stones = list(made.stones)
    matrix = stones[number].matrix.copy()
    matrix[:, 3] += offset
    stones[number] = replace(stones[number], matrix=matrix)
    return tuple(stones)


@pytest.mark.parametrize(("over_mm", "verdict"), [(-0.006, "watch"), (0.0, "sound"), (0.004, "sound")])
def test_the_gap_between_small_stones_is_held_to_its_limit(cast: Head, over_mm: float, verdict: str) -> None:
    """Both neighbours of a stone are brought to the published 0.10 mm, and just under and over it."""
    way = cast.surround.row.middles[1] - cast.surround.row.middles[0]
    way = way / np.linalg.norm(way)
    measured = found(cast, "surround.gap").measured
    shift = way * (found_gap_of(cast, 1, 2) - (0.1 + over_mm))
    finding = found(cast, "surround.gap", stones=moved(cast, 1, (*shift, 0.0)))
    assert finding.verdict == verdict and finding.measured == pytest.approx(0.1 + over_mm, abs=1e-3) and measured > 0.1


def found_gap_of(made: Head, one: int, other: int) -> float:
    """Between the girdles of two stones, by the kernel."""
    return float(made.stones[one].solid.min_gap(made.stones[other].solid, 1.0))


def test_stones_that_touch_or_stand_high_or_sink_into_metal_are_found(cast: Head) -> None:
    way = cast.surround.row.middles[1] - cast.surround.row.middles[0]
    touching = moved(cast, 1, (*(way / np.linalg.norm(way) * (found_gap_of(cast, 1, 2) + 0.01)), 0.0))
    assert found(cast, "surround.gap", stones=touching).verdict == "unsafe"
    assert found(cast, "surround.level", stones=moved(cast, 3, (0.0, 0.0, 0.2))).verdict == "watch"
    low = found(cast, "surround.fits", stones=moved(cast, 3, (0.0, 0.0, -0.1)))
    assert low.verdict == "unsafe" and low.measured == pytest.approx(0.1 * np.cos(np.radians(40.7)) - 0.03, abs=0.01)
    assert np.linalg.norm(np.subtract(low.place[:2], cast.surround.row.middles[2])) < 0.65


@pytest.mark.parametrize(("share", "verdict"), [(0.79, "sound"), (0.797, "sound"), (0.82, "unsafe")])
def test_holes_are_held_to_their_limit(cast: Head, share: float, verdict: str) -> None:
    """Every hole opened on the plate itself to a share of the stone; four fifths is the most."""
    wide = replace(cast, plan=_with(cast, surround_hole=share * 1.3))
    finding = found(cast, "surround.hole", parts={**cast.part_solids,
                                                  "surround plate": wide.part_solids["surround plate"]})
    assert finding.verdict == verdict and finding.measured == pytest.approx(share, abs=0.004)


def _with(made: Head, **values: float):
    """The plan with some values changed."""
    dimensions = dict(made.plan.dimensions)
    for name, value in values.items():
        dimensions[name] = replace(dimensions[name], value=value)
    return replace(made.plan, dimensions=dimensions)


@pytest.mark.parametrize(("contact", "verdict"), [(0.2, "unsafe"), (0.35, "sound"), (0.5, "watch")])
def test_beads_are_held_to_the_published_contact(contact: float, verdict: str) -> None:
    """GIA Quality Assurance Benchmark, bead setting: 30 to 40 % of the crown."""
    made = head("set", head__style="rim", surround__stone_mm=2.0)
    changed = replace(made, plan=_with(made, surround_contact=contact))
    assert found(made, "surround.contact", metal=made.centre.solid, parts=changed.part_solids).verdict == verdict


@pytest.mark.parametrize("style", ["tapered claw", "rim"])
@pytest.mark.parametrize(("beyond_mm", "verdict"), [(0.19, "sound"), (0.2, "sound"), (0.22, "watch")])
def test_a_surround_stands_as_near_as_claws_or_rim_let_it(style: str, beyond_mm: float, verdict: str) -> None:
    """The outside is taken from the plan: how far the claws' or the rim's outer face lies from the girdle."""
    plan = head(head__style=style).plan
    lean = math.cos(math.radians(plan["taper"]))
    outside = (plan["seat_clearance"] + plan["rim_thickness"] if style == "rim"
               else (1.0 - plan["claw_notch"]) * plan["claw_diameter"] / lean)
    finding = found(head(head__style=style, surround__centre_gap_mm=round(outside + beyond_mm, 4)), "surround.centre_gap")
    assert finding.verdict == verdict and finding.limit == pytest.approx(outside + 0.2, abs=0.006)
    assert found(head(surround__centre_gap_mm=0.04), "surround.centre_gap").verdict != "sound"


def test_claws_that_the_small_stones_cut_through_are_found() -> None:
    made = head(surround__centre_gap_mm=0.1)
    finding = found(made, "surround.claws")
    assert finding.verdict == "unsafe" and finding.rule == "claws.area_left_min"
    assert found(head(), "surround.claws").verdict == "sound"


def test_without_names_the_checks_say_what_they_miss(cast: Head) -> None:
    assert {found(cast, code, parts={}).measured for code in ("surround.plate", "surround.beads")} == {None}


def test_a_plate_that_is_thinned_in_one_place_is_found_there(cast: Head) -> None:
    """A ball takes 0.4 mm of its underside, outside the small stones; by its box it is as thick as ever."""
    plate = cast.part_solids["surround plate"]
    low, high = bounds(plate)
    way = cast.surround.row.middles[:2].mean(axis=0)
    at = way / np.linalg.norm(way) * (float(high[0]) - 0.25)
    dented = cut(plate, [Manifold.sphere(0.5, 40).translate((*at, float(low[2]) - 0.1))], "surround plate")
    whole, thin = found(cast, "surround.plate"), found(cast, "surround.plate", parts={**cast.part_solids, "surround plate": dented})
    assert whole.measured == pytest.approx(float(high[2] - low[2])) and thin.measured < whole.measured - 0.35
    assert thin.verdict != "sound" and np.linalg.norm(np.subtract(thin.place[:2], at)) < 0.2


def test_metal_that_fills_a_seat_is_found(cast: Head) -> None:
    finding = found(cast, "surround.fits", metal=fuse([cast.solid, cast.stones[1].solid], "head"))
    assert finding.verdict == "unsafe" and np.linalg.norm(np.subtract(finding.place[:2],
                                                                      cast.surround.row.middles[0])) < 0.2


@pytest.mark.parametrize("choices", [{}, {"surround__stone_mm": 2.0}, {"stone__cut": "cushion", "stone__width_mm": 8.0}])
def test_pushed_down_beads_hold_as_much_metal_as_was_cast(choices: dict[str, object]) -> None:
    before = head(**choices)
    after = replace(before, state="set")
    for name, bead in before.part_solids.items():
        if name.startswith("bead"):
            assert volume_mm3(after.part_solids[name]) == pytest.approx(volume_mm3(bead), rel=0.01), name
    assert found(after, "surround.contact").verdict == "sound"


@pytest.mark.parametrize(("cut", "length_mm", "width_mm"), [
    ("rose cut", 3.0, 3.0), ("round cabochon", 3.6, 3.6), ("oval cabochon", 5.4, 3.76), ("sugarloaf cabochon", 4.2, 4.2)])
def test_a_small_flat_stone_stands_over_a_plate_that_is_as_thick_as_fills(cut: str, length_mm: float, width_mm: float) -> None:
    spec = spec_of({"stone.cut": cut, "stone.length_mm": length_mm, "stone.width_mm": width_mm, "surround.present": True})
    for state in STATES:
        made = make_head(spec, state)
        assert made.plan["surround_plate"] >= made.alloy.least_model_mm
        assert not [f"{each.what}: {each.measured}" for each in prove(made) if each.verdict == "unsafe"]
