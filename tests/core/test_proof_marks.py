"""Cautions of the law and of the stone: said with the published figures, for watching only where something is at stake."""
from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from core.head import make_head
from core.proof import Finding, Subject, subject_of
from core.proof.marks import check_marks
from core.proof.species_limits import check_species
from core.proof.wear import check_wear
from core.solid.kernel import cut, fuse, hull_triangles, solid_of_triangles, transformed, volume_mm3
from core.spec import Spec
from core.trade.alloys import all_alloys, alloy
from core.trade.hallmarks import hallmark_fineness
from core.trade.house_rules import house_rules
from core.trade.species import all_species, species


@cache
def head(state: str = "cast", **choices: object) -> Subject:
    return subject_of(make_head(Spec().with_choices(**choices), state))


def marks(subject: Subject) -> dict[str, Finding]:
    return {each.code.removeprefix("marks."): each for each in check_marks(subject, house_rules())}


def cautions(subject: Subject) -> dict[str, Finding]:
    return {each.code.removeprefix("species."): each for each in check_species(subject, house_rules())}


def worn(subject: Subject) -> dict[str, Finding]:
    return {each.code.removeprefix("wear."): each for each in check_wear(subject, house_rules())}


def block(centre: tuple[float, float, float], size_mm: tuple[float, float, float]):
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return solid_of_triangles(*hull_triangles(np.asarray(centre) + corner * size_mm), "block")


# Law.


def test_every_alloy_is_told_of_nickel_cadmium_lead_and_hallmark_and_of_the_local_law() -> None:
    for each in all_alloys():
        found = marks(replace(head(), alloy=each))
        assert set(found) == {"nickel", "cadmium", "lead", "hallmark"}
        assert all("the law where it is sold decides" in finding.why for finding in found.values())
        assert (found["nickel"].verdict == "watch") == each.has_nickel
        assert found["cadmium"].verdict == found["lead"].verdict == "sound"


def test_nickel_is_told_with_both_limits_of_release() -> None:
    """REACH Annex XVII entry 27: 0.5 and, through the skin, 0.2 ug/cm2/week."""
    nickel = marks(replace(head(), alloy=alloy("14K white gold, nickel")))["nickel"]
    assert nickel.verdict == "watch" and nickel.measured == 12.0 and "EN 1811" in nickel.remedy
    assert "0.5" in nickel.why and "0.2" in nickel.why and nickel.source == "REACH Annex XVII entry 27(1)(b)"
    assert marks(replace(head(), alloy=alloy("14K white gold, palladium")))["nickel"].verdict == "sound"


@pytest.mark.parametrize(("share", "verdict"), [(0.0, "sound"), (0.0099, "sound"), (0.01, "unsafe"), (0.02, "unsafe")])
def test_cadmium_must_be_less_than_its_limit(share: float, verdict: str) -> None:
    """REACH Annex XVII entry 23: less than 0.01 % by weight, so that the limit itself fails."""
    tainted = replace(alloy("18K yellow gold"), composition={"Au": 75.0, "Cd": share})
    assert marks(replace(head(), alloy=tainted))["cadmium"].verdict == verdict


@pytest.mark.parametrize(("share", "verdict"), [(0.0, "sound"), (0.0499, "sound"), (0.05, "unsafe"), (0.06, "unsafe")])
def test_lead_must_be_less_than_its_limit(share: float, verdict: str) -> None:
    """REACH Annex XVII entry 63: less than 0.05 % by weight in any part."""
    tainted = replace(alloy("18K yellow gold"), composition={"Au": 75.0, "Pb": share})
    assert marks(replace(head(), alloy=tainted))["lead"].verdict == verdict


@pytest.mark.parametrize(("name", "most_g"), [("18K yellow gold", 1.0), ("sterling silver", 7.78), ("platinum 950 ruthenium", 0.5),
                                              ("palladium 950 gallium", 1.0)])
@pytest.mark.parametrize(("off_g", "must"), [(-0.01, False), (-1e-9, False), (0.01, True)])
def test_precious_metal_above_its_weight_must_be_marked_in_britain(name: str, most_g: float, off_g: float, must: bool) -> None:
    """Hallmarking Convention, United Kingdom: what a piece may weigh unmarked."""
    subject = replace(head(), alloy=alloy(name))
    grams = most_g + off_g
    wanted = grams * 1000.0 / subject.alloy.density_g_cm3
    scale = (wanted / volume_mm3(subject.metal)) ** (1.0 / 3.0)
    metal = transformed(subject.metal, np.hstack([scale * np.eye(3), np.zeros((3, 1))]))
    hallmark = marks(replace(subject, metal=metal))["hallmark"]
    assert hallmark.verdict == "sound" and hallmark.measured == pytest.approx(grams)
    assert ("must be marked" in hallmark.why) == must and hallmark.limit == most_g
    assert str(hallmark_fineness(subject.alloy)) in hallmark.why


def test_gold_of_no_legal_fineness_is_for_watching_and_base_metal_takes_no_mark() -> None:
    low = replace(alloy("9K yellow gold"), name="8K gold", fineness_ppt=333.0)
    found = marks(replace(head(), alloy=low))["hallmark"]
    assert found.verdict == "watch" and "375" in found.why
    base = next(each for each in all_alloys() if not each.is_precious)
    assert "no hallmark" in marks(replace(head(), alloy=base))["hallmark"].why


# The stone.


def test_every_species_has_its_five_cautions_in_whole_sentences() -> None:
    for kind in all_species():
        found = cautions(replace(head(), species=kind))
        assert set(found) == {"heat", "flask", "cleaning", "acid", "cleavage"}
        for finding in found.values():
            assert finding.why.endswith(".") and finding.source == kind.source
            assert finding.is_caution or math.isfinite(finding.measured)
            assert (finding.remedy == "") == (finding.verdict == "sound")


@pytest.mark.parametrize(("name", "watched"), [
    ("diamond", set()), ("sapphire", set()), ("amethyst", set()), ("emerald", {"cleaning", "acid"}), ("pearl", {"cleaning", "acid"}),
    ("peridot", {"cleaning", "acid"}), ("pyrope", {"cleaning"}), ("opal", {"cleaning", "acid"}),
])
def test_stones_are_for_watching_where_their_owner_or_a_repair_would_harm_them(name: str, watched: set[str]) -> None:
    found = cautions(replace(head(), species=species(name)))
    assert {code for code, finding in found.items() if finding.verdict == "watch"} == watched


def test_claws_on_the_points_of_a_stone_that_cleaves_are_told() -> None:
    square = head(stone__cut="princess", stone__length_mm=6.0)
    cleaves = cautions(replace(square, species=species("topaz")))["cleavage"]
    assert cleaves.verdict == "watch" and cleaves.measured == 4.0
    reach = np.linalg.norm(square.gauge.girdle_loop, axis=1).max()
    assert np.linalg.norm(cleaves.place[:2]) == pytest.approx(reach, abs=0.05)
    tough = cautions(replace(square, species=species("diamond")))["cleavage"]
    assert tough.verdict == "sound" and tough.measured == 4.0 and "beside" in tough.why
    assert cautions(replace(square, species=species("sapphire")))["cleavage"].measured == 0.0
    assert cautions(replace(head(), species=species("topaz")))["cleavage"].measured == 0.0


# Wear.


def spike(full_angle_deg: float):
    """A slender cone that stands out of the head's side, below the girdle."""
    half, length = math.radians(full_angle_deg / 2.0), 2.0
    turn = np.arange(64) * (2.0 * math.pi / 64)
    ring = np.column_stack([np.full(64, 1.2), length * math.tan(half) * np.cos(turn), 1.2 + length * math.tan(half) * np.sin(turn)])
    return solid_of_triangles(*hull_triangles(np.vstack([ring, [1.2 + length, 0.0, 1.2]])), "spike")


@pytest.mark.parametrize(("angle_deg", "verdict"), [(50.0, "watch"), (59.5, "watch"), (60.5, "sound"), (70.0, "sound")])
def test_a_point_that_pricks_is_found_at_its_tip(angle_deg: float, verdict: str) -> None:
    subject = head()
    found = worn(replace(subject, metal=fuse([subject.metal, spike(angle_deg)], "head")))["points"]
    assert found.verdict == verdict and found.measured == pytest.approx(angle_deg, abs=0.3)
    assert found.place == pytest.approx((3.2, 0.0, 1.2), abs=1e-6)


@pytest.mark.parametrize(("angle_deg", "verdict"), [(50.0, "watch"), (59.9, "watch"), (60.0, "sound"), (60.1, "sound"),
                                                    (75.0, "sound")])
def test_an_edge_above_the_girdle_that_catches_is_found_once_the_stone_is_set(angle_deg: float, verdict: str) -> None:
    """A blade 0.5 mm thick that grows out of a claw and ends in an edge."""
    subject = head("set")
    claw = subject.gauge.claws[0]
    at = claw.at_height(subject.gauge.crown_edge_mm + 0.2)
    out, up = np.array([*claw.outwards, 0.0]), np.array([0.0, 0.0, 1.0])
    across = np.array([-out[1], out[0], 0.0])
    edge, shoulder = at + 1.5 * out, at + (1.5 - 0.25 / math.tan(math.radians(angle_deg / 2.0))) * out
    corners = [place + side * 0.2 * across + rise * up for side in (-1, 1)
               for place, rise in ((edge, 0.0), (shoulder, 0.25), (shoulder, -0.25), (at, 0.25), (at, -0.25))]
    blade = solid_of_triangles(*hull_triangles(np.array(corners)), "blade")
    found = worn(replace(subject, metal=fuse([subject.metal, blade], "head")))["snag"]
    assert found.verdict == verdict and found.measured == pytest.approx(angle_deg, abs=0.005)
    assert found.place == pytest.approx(tuple(edge), abs=0.05)
    assert "snag" not in worn(head())


def test_a_base_that_is_closed_leaves_no_way_to_clean_under_the_stone() -> None:
    subject = head()
    floor = block((0.0, 0.0, 0.1), (3.0, 3.0, 0.2))
    found = worn(replace(subject, metal=fuse([subject.metal, floor], "head")))["cleaning"]
    assert found.verdict == "watch" and found.measured == 0.0
    assert found.place == pytest.approx(tuple(subject.gauge.culet), abs=0.2)
    opened = cut(fuse([subject.metal, floor], "head"), [block((0.0, 0.0, 0.1), (0.5, 0.5, 0.4))], "head")
    assert worn(replace(subject, metal=opened))["cleaning"].verdict == "sound"
    assert worn(subject)["cleaning"].verdict == "sound"
