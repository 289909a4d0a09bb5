"""Twenty heads broken on purpose by editing the mesh, each in one stated way: each found, where it is; and twenty good ones."""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.mesh import PolyMesh
from core.proof import Finding, Subject, prove, prove_subject, subject_of
from core.proof.outside import prove_meshes
from core.solid.kernel import Solid, bounds, cut, fuse, hull_triangles, moved, solid_of, solid_of_triangles, triangles_of
from core.spec import Spec, spec_of

Place = tuple[float, float, float]
TAPER = math.radians(17.0)
WORKED = {
    "stone.length_mm": 5.0, "stone.pavilion_angle_deg": 40.75, "head.culet_clearance_mm": 1.0, "wall.taper_deg": 17.0,
    "wall.thickness_mm": 0.9, "wall.seat_inset_mm": 0.2, "wall.bevel_mm": 0.7, "claws.count": 4,
    "claws.diameter_mm": 1.0, "claws.notch": 0.5 - 0.2 * math.cos(TAPER), "claws.spare_mm": 3.0,
}
"""A tapered claw head worked by hand. Common practice, no source."""

WITHIN_MM = 0.2


@dataclass(frozen=True)
class Broken:
    """A head with one fault: what the proof gets, the codes that may tell of it, and where it is."""

    subject: Subject
    codes: frozenset[str]
    place: Place


@cache
def worked(state: str = "cast") -> Subject:
    return subject_of(make_head(spec_of(WORKED), state))


def block(centre: np.ndarray | Place, size_mm: Place) -> Solid:
    corner = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    return solid_of_triangles(*hull_triangles(np.asarray(centre) + corner * size_mm), "block")


def ball(radius_mm: float, at: np.ndarray | Place) -> Solid:
    return moved(Manifold.sphere(radius_mm, 40), tuple(at))


def reread(solid: Solid) -> Solid:
    """The solid of the mesh as a file of single precision gives it back."""
    vertices, triangles = triangles_of(solid)
    return solid_of_triangles(vertices.astype(np.float32).astype(np.float64), triangles, "mesh")


def rebuilt(subject: Subject, **parts: Solid | None) -> Subject:
    """The head with the meshes of some parts changed or taken away ("claw_1" for "claw 1"), fused again."""
    kept = {**subject.parts, **{name.replace("_", " "): solid for name, solid in parts.items()}}
    solids = {name: reread(solid) for name, solid in kept.items() if solid is not None}
    return replace(subject, parts=solids, metal=fuse(list(solids.values()), "head"))


def outer_face_mm(height_mm: float) -> float:
    """The worked wall's outer radius."""
    return 2.5 - (3.1541 - height_mm) * math.tan(TAPER)


def inner_face_mm(height_mm: float) -> float:
    return outer_face_mm(height_mm) - 0.9 / math.cos(TAPER)


def on(radius_mm: float, azimuth_deg: float, height_mm: float) -> np.ndarray:
    turn = math.radians(azimuth_deg)
    return np.array([radius_mm * math.cos(turn), radius_mm * math.sin(turn), height_mm])


# Twenty faults.


def claw_filed_thin() -> Broken:
    subject = worked()
    claw = subject.gauge.claws[1]
    waist = claw.at_height(4.5)
    filed = cut(subject.parts["claw 2"], [block(waist + 0.5 * np.array([*claw.outwards, 0.0]), (1.0, 1.0, 0.3))], "claw 2")
    return Broken(rebuilt(subject, claw_2=filed), frozenset({"claws.width"}), tuple(waist))


def claw_pinched() -> Broken:
    """Two dents face each other and leave 0.5 mm between them."""
    subject = worked()
    claw = subject.gauge.claws[3]
    across = np.array([-claw.outwards[1], claw.outwards[0], 0.0])
    middle = claw.at_height(4.8)
    dents = [ball(0.6, middle + side * 0.85 * across) for side in (1.0, -1.0)]
    return Broken(rebuilt(subject, claw_4=cut(subject.parts["claw 4"], dents, "claw 4")), frozenset({"casting.thin"}),
                  tuple(middle))


def wall_thinned_outside(azimuth_deg: float = 10.0, height_mm: float = 1.4) -> Broken:
    """A ball of 0.4 mm radius takes 0.35 mm of the 0.9 mm of the wall, square to it."""
    subject = worked()
    out = on(math.cos(TAPER), azimuth_deg, -math.sin(TAPER))
    outer = on(outer_face_mm(height_mm), azimuth_deg, height_mm)
    at, left = 0.05, -0.625
    dented = cut(subject.parts["wall"], [ball(0.4, outer + at * out)], "wall")
    return Broken(rebuilt(subject, wall=dented), frozenset({"casting.thin"}), tuple(outer + left * out))


def base_filed_to_a_skin() -> Broken:
    """A groove 0.4 mm deep round under the base leaves only the outer skin of the wall."""
    subject = worked()
    ring = Manifold.cylinder(0.5, 1.32, 1.32 + 0.5 * math.tan(TAPER), 128)
    whole = cut(subject.parts["wall"], [moved(ring, (0.0, 0.0, -0.1))], "wall")
    left = outer_face_mm(0.2) - 1.32 - 0.3 * math.tan(TAPER)
    assert 0.1 < left < 0.5
    return Broken(rebuilt(subject, wall=whole), frozenset({"casting.thin", "casting.wall"}), (math.nan, math.nan, 0.2))


def claw_cut_off() -> Broken:
    subject = worked()
    claw = subject.gauge.claws[3]
    short = cut(subject.parts["claw 4"], [block((0.0, 0.0, 5.4), (20.0, 20.0, 5.0))], "claw 4")
    return Broken(rebuilt(subject, claw_4=short), frozenset({"retention.opening"}), tuple(claw.girdle_place))


def claw_missing() -> Broken:
    subject = worked()
    return Broken(rebuilt(subject, claw_3=None), frozenset({"retention.opening"}), tuple(subject.gauge.claws[2].girdle_place))


@cache
def other(style: str, state: str = "cast") -> Subject:
    return subject_of(make_head(spec_of({"head.style": style, "stone.length_mm": 6.0}), state))


def rail_of_a_basket_filed_thin() -> Broken:
    """All but 0.25 mm of the upper rail's height is sawn out, between two claws."""
    subject = other("basket")
    low, high = bounds(subject.parts["upper rail"])
    claws = subject.gauge.claws
    way = claws[0].outwards + claws[1].outwards
    way = way / np.linalg.norm(way)
    at = np.array([*(way * float(high[0] - 0.4)), 0.0])
    at[2] = float(low[2]) + 0.25 + 1.0
    filed = cut(subject.parts["upper rail"], [block(at, (2.0, 2.0, 2.0))], "upper rail")
    return Broken(rebuilt(subject, upper_rail=filed), frozenset({"casting.thin"}),
                  (math.nan, math.nan, float(low[2]) + 0.125))


def claw_of_a_peg_missing() -> Broken:
    subject = other("peg")
    return Broken(rebuilt(subject, claw_2=None), frozenset({"retention.opening"}), tuple(subject.gauge.claws[1].girdle_place))


def rim_filed_low() -> Broken:
    """Filed down to a quarter of the crown."""
    subject = other("rim")
    gauge = subject.gauge
    height = gauge.crown_edge_mm + 0.05 * (gauge.table_mm - gauge.crown_edge_mm)
    low = cut(subject.parts["rim"], [block((0.0, 0.0, height + 2.5), (20.0, 20.0, 5.0))], "rim")
    return Broken(rebuilt(subject, rim=low), frozenset({"rim.height"}), (math.nan, math.nan, height))


def claw_moved_out() -> Broken:
    """Pushed out by 0.3 mm, so that the girdle hardly cuts it."""
    subject = worked()
    claw = subject.gauge.claws[0]
    away = moved(subject.parts["claw 1"], 0.3 * np.array([*claw.outwards, 0.0]))
    return Broken(rebuilt(subject, claw_1=away), frozenset({"claws.notch"}), tuple(claw.girdle_place))


def narrow_hole_through_the_wall() -> Broken:
    subject = worked()
    drill = Manifold.cylinder(3.0, 0.08, 0.08, 32).rotate((0.0, 90.0, 0.0)).translate((0.0, 0.0, 1.0))
    middle = on((outer_face_mm(1.0) + inner_face_mm(1.0)) / 2.0, 0.0, 1.0)
    return Broken(rebuilt(subject, wall=cut(subject.parts["wall"], [drill], "wall")), frozenset({"casting.hole"}), tuple(middle))


def saw_cut_in_the_wall() -> Broken:
    subject = worked()
    slit = block((2.0, 0.0, 0.4), (3.0, 0.1, 2.0))
    return Broken(rebuilt(subject, wall=cut(subject.parts["wall"], [slit], "wall")), frozenset({"casting.gap"}),
                  (math.nan, 0.0, math.nan))


def bubble_in_a_claw() -> Broken:
    subject = worked()
    at = subject.gauge.claws[2].at_height(5.2)
    return Broken(rebuilt(subject, claw_3=cut(subject.parts["claw 3"], [ball(0.15, at)], "claw 3")),
                  frozenset({"casting.voids"}), tuple(at))


def crumb_beside_the_head() -> Broken:
    subject = worked()
    loose = fuse([subject.metal, block((0.0, 8.0, 1.0), (0.5, 0.5, 0.5))], "head")
    return Broken(replace(subject, metal=reread(loose)), frozenset({"casting.bodies"}), (0.0, 8.0, 1.0))


def lump_in_the_hollow() -> Broken:
    subject = worked()
    lump = ball(0.25, on(inner_face_mm(1.0), 90.0, 1.0))
    return Broken(rebuilt(subject, wall=fuse([subject.parts["wall"], lump], "wall")), frozenset({"casting.hollow"}),
                  tuple(on(inner_face_mm(1.0) - 0.25, 90.0, 1.0)))


def plug_under_the_culet() -> Broken:
    subject = worked()
    plug = block((0.0, 0.0, 0.48), (1.3, 1.3, 0.96))
    return Broken(rebuilt(subject, wall=fuse([subject.parts["wall"], plug], "wall")), frozenset({"seat.culet_free"}),
                  tuple(subject.gauge.culet))


def burr_in_the_seat() -> Broken:
    subject = worked("set")
    # Deepest in the stone at its inner upper end.
    burr = block((2.0, 0.0, 2.85), (0.6, 0.2, 0.3))
    return Broken(rebuilt(subject, wall=fuse([subject.parts["wall"], burr], "wall")), frozenset({"seat.fits"}), (1.7, 0.0, 3.0))


def tips_cut_low() -> Broken:
    """One tip trimmed to half the crown's height."""
    subject = worked("set")
    gauge = subject.gauge
    height = gauge.crown_edge_mm + 0.5 * (gauge.table_mm - gauge.crown_edge_mm)
    low = cut(subject.parts["claw 1"], [block((0.0, 0.0, height + 2.5), (20.0, 20.0, 5.0))], "claw 1")
    at = gauge.claws[0].at_height(height)
    return Broken(rebuilt(subject, claw_1=low), frozenset({"retention.tip_height"}), (math.nan, math.nan, float(at[2])))


def stone_tilted() -> Broken:
    subject = worked()
    cos, sin = math.cos(math.radians(3.0)), math.sin(math.radians(3.0))
    pivot = np.array([0.0, 0.0, 3.1541])
    turned = (subject.placed.vertices - pivot) @ np.array([[1.0, 0.0, 0.0], [0.0, cos, -sin], [0.0, sin, cos]]).T + pivot
    placed = replace(subject.placed, vertices=turned)
    return Broken(replace(subject, placed=placed, stone_solid=solid_of(placed, "stone")), frozenset({"seat.level"}),
                  (0.0, 0.0, math.nan))


def stone_off_centre() -> Broken:
    subject = worked()
    placed = subject.placed.moved((0.15, 0.0, 0.0))
    return Broken(replace(subject, placed=placed, stone_solid=solid_of(placed, "stone")), frozenset({"seat.centred"}),
                  (0.15, 0.0, math.nan))


FAULTS: tuple[Callable[[], Broken], ...] = (
    claw_filed_thin, claw_pinched, wall_thinned_outside, base_filed_to_a_skin, claw_cut_off,
    claw_missing, rail_of_a_basket_filed_thin, claw_of_a_peg_missing, rim_filed_low, claw_moved_out, narrow_hole_through_the_wall, saw_cut_in_the_wall,
    bubble_in_a_claw, crumb_beside_the_head, lump_in_the_hollow, plug_under_the_culet, burr_in_the_seat, tips_cut_low,
    stone_tilted, stone_off_centre,
)


def is_there(finding: Finding, place: Place) -> bool:
    """True if a finding is within WITHIN_MM of a place, in what is known of it."""
    if finding.place is None:
        return False
    off = np.subtract(finding.place, place)
    return float(np.linalg.norm(off[np.isfinite(off)])) <= WITHIN_MM


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_a_head_broken_on_purpose_is_found_where_it_is(fault: Callable[[], Broken]) -> None:
    broken = fault()
    told = [each for each in prove_subject(broken.subject) if each.code in broken.codes and each.verdict != "sound"]
    assert told, "the fault is not found"
    assert any(is_there(each, broken.place) for each in told), [each.place for each in told]


def test_the_faults_are_twenty_and_the_head_they_are_made_of_has_none_of_them() -> None:
    codes = frozenset().union(*(fault().codes for fault in FAULTS))
    assert len(FAULTS) == 20
    for whole in (worked("cast"), worked("set"), other("basket"), other("peg"), other("rim")):
        assert not [each for each in prove_subject(whole) if each.code in codes and each.verdict != "sound"]


@pytest.mark.parametrize("code", ["closed", "crossing", "outwards"])
def test_a_part_whose_mesh_is_torn_folded_or_turned_is_found_where_it_is(code: str) -> None:
    head = make_head(spec_of(WORKED))
    mesh = head.parts["claw 2"]
    triangles, _ = mesh.triangles()
    vertices, place = mesh.vertices.copy(), mesh.vertices.mean(axis=0)
    if code == "closed":
        place = vertices[triangles[40]].mean(axis=0)
        triangles = np.delete(triangles, 40, axis=0)
    elif code == "outwards":
        triangles = triangles[:, ::-1]
    else:
        # One corner half way up is pulled through the far side.
        claw = worked().gauge.claws[1]
        pulled = int(np.argmin(np.linalg.norm(vertices - claw.at_height(3.0) - 0.5 * np.array([*claw.outwards, 0.0]), axis=1)))
        vertices[pulled] -= 1.4 * np.array([*claw.outwards, 0.0])
        place = vertices[pulled] + 0.4 * np.array([*claw.outwards, 0.0])
    parts = {**head.parts, "claw 2": PolyMesh.from_faces(vertices, triangles, "claw 2")}
    findings = prove_meshes(parts, head.stone, head.placed_stone, "cast", head.alloy, head.process, head.species, head.plan)
    first = findings[0]
    assert first.code == f"soundness.{code}" and first.verdict == "unsafe" and "claw 2" in first.what
    assert np.linalg.norm(np.subtract(first.place, place)) <= WITHIN_MM


GOOD = [
    ({}, "cast"), ({}, "set"), ({"head.style": "basket"}, "cast"), ({"head.style": "basket", "stone.cut": "oval"}, "set"),
    ({"head.style": "gallery"}, "cast"), ({"head.style": "coronet"}, "set"), ({"head.style": "peg"}, "cast"),
    ({"head.style": "rim"}, "set"), ({"stone.cut": "oval", "stone.length_mm": 8.0}, "cast"),
    ({"stone.cut": "oval", "stone.length_mm": 8.0}, "set"), ({"stone.cut": "cushion", "stone.length_mm": 7.0}, "cast"),
    ({"stone.cut": "emerald", "stone.length_mm": 8.0}, "cast"), ({"stone.cut": "asscher", "stone.length_mm": 6.0}, "cast"),
    ({"stone.cut": "round cabochon", "stone.length_mm": 7.0}, "cast"), ({"stone.cut": "radiant", "stone.length_mm": 7.0}, "cast"),
    ({"stone.length_mm": 6.0, "seat.cut": True}, "cast"), ({"stone.length_mm": 6.0, "casting.alloy": "sterling silver"}, "cast"),
    ({"stone.length_mm": 6.0, "casting.process": "direct metal print"}, "cast"),
    ({"stone.length_mm": 6.0, "stone.species": "sapphire"}, "set"), ({"stone.length_mm": 2.5}, "cast"),
]


@pytest.mark.parametrize(("choices", "state"), GOOD)
def test_a_good_head_raises_nothing_unsafe(choices: dict[str, object], state: str) -> None:
    findings = prove(make_head(spec_of(choices) if choices else Spec(), state))
    assert [(each.code, each.measured, each.place) for each in findings if each.verdict == "unsafe"] == []


def test_the_good_heads_are_twenty() -> None:
    assert len(GOOD) == 20
