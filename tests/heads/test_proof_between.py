"""Air between a surround's beads and what holds the centre stone: exact, told once, and held to the process's limit."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold

from core.head import make_head
from core.proof import prove, subject_of
from core.proof.air import check_air
from core.proof.apart import nearest_of_triangles
from core.proof.between import narrowest_between
from core.solid.kernel import Solid, contains, fuse, gap_mm, triangles_of
from core.spec import Spec
from core.tolerance import READ_MM
from core.trade.house_rules import house_rules

RULES = house_rules()
LEAST_MM = RULES.of_process("lost wax", "gap_least_mm").value


def test_triangles_are_as_far_apart_as_the_kernel_says() -> None:
    """Of convex bodies the least over all pairs of triangles is the kernel's own distance, and that of the places."""
    random = np.random.default_rng(5)
    for scale in (1.0, 0.05):
        for _ in range(60):
            first, second = (Manifold.hull_points(np.ascontiguousarray(random.normal(size=(5, 3)) * scale + shift))
                             for shift in ([0.0, 0.0, 0.0], random.normal(size=3) * 4.0 * scale))
            ones, others = (vertices[triangles] for vertices, triangles in map(triangles_of, (first, second)))
            distances, starts, ends = nearest_of_triangles(np.repeat(ones, len(others), axis=0),
                                                           np.tile(others, (len(ones), 1, 1)))
            np.testing.assert_allclose(np.linalg.norm(ends - starts, axis=1), distances, atol=1e-12)
            if gap := gap_mm(first, second, 100.0):
                assert distances.min() == pytest.approx(gap, abs=1e-9)


def parts_apart(gap: float) -> dict[str, Solid]:
    """A plate, a round bead on it, and a slanted claw through it; they come nearest where the bead ends."""
    plate = Manifold.cube((4.0, 4.0, 1.0)).translate((-2.0, -2.0, -1.0))
    bead = Manifold.cylinder(0.7, 0.25, 0.25, 48).translate((0.0, 0.0, -0.4))
    claw = Manifold.cube((0.8, 0.8, 8.0), True).translate((0.4, 0.0, 0.0)).rotate((0.0, -20.0, 0.0))
    claw = claw.translate((2.0, 0.0, 0.0))
    claw = claw.translate((gap - gap_mm(bead, claw, 5.0), 0.0, 0.0))
    # Leaning, a claw comes nearer by less than it is moved.
    for _ in range(40):
        claw = claw.translate((gap - gap_mm(bead, claw, 5.0), 0.0, 0.0))
    return {"surround plate": plate, "bead 1": bead, "claw 1": claw}


@pytest.mark.parametrize(("off_mm", "verdict"), [(-0.005, "watch"), (0.0, "sound"), (0.004, "sound")])
def test_the_air_beside_a_bead_is_held_to_the_limit(off_mm: float, verdict: str) -> None:
    parts = parts_apart(LEAST_MM + off_mm)
    subject = replace(subject_of(make_head(Spec())), parts=parts, metal=fuse(list(parts.values()), "head"))
    (finding,) = [each for each in check_air(subject, RULES) if each.code == "casting.gap"]
    assert finding.verdict == verdict
    if off_mm <= 0.0:
        assert finding.measured == pytest.approx(LEAST_MM + off_mm, abs=1e-6)
        assert "between bead 1 and claw 1" in finding.why and np.allclose(finding.place[1:], (0.0, 0.3), atol=0.05)
    else:
        # What is wider than the limit is read as any other air.
        assert finding.measured >= LEAST_MM + off_mm - READ_MM


def test_metal_between_is_no_air() -> None:
    parts = parts_apart(0.1)
    metal = fuse([*parts.values(), Manifold.cube((1.0, 3.0, 2.0)).translate((-0.2, -1.5, -0.5))], "head")
    assert narrowest_between(parts, metal, 0.2) is None
    assert narrowest_between(parts, fuse(list(parts.values()), "head"), 0.0999) is None


def test_a_narrow_gap_in_a_real_surround_is_told_once_and_exactly() -> None:
    """Nearer than planned: places on the surface alone read 0.184 mm."""
    made = make_head(Spec().with_choices(surround__present=True, stone__width_mm=6.0, surround__centre_gap_mm=0.852))
    parts = made.part_solids
    least = min(gap_mm(parts[claw], parts[bead], 1.0) for claw in parts if claw.startswith("claw")
                for bead in parts if bead.startswith("bead"))
    told = [each for each in prove(made, with_spread=False) if each.code == "casting.gap" and each.verdict != "sound"]
    assert [each.measured for each in told] == pytest.approx([least], abs=1e-6) and least < 0.17
    assert told[0].rule == "lost_wax.gap_least_mm" and not contains(made.solid, np.array([told[0].place]))[0]
    planned = make_head(Spec().with_choices(surround__present=True, stone__width_mm=6.0))
    assert {each.verdict for each in prove(planned, with_spread=False) if each.code == "casting.gap"} == {"sound"}
