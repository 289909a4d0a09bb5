"""Outside judge: the fused head against the same head built as an exact B-rep (build123d), volume within 0.1 %.

The exact head is turned and cut from the plan's dimensions; no mesh and no line of the core's geometry is in it.
"""
from __future__ import annotations

import numpy as np
import pytest

from core.head import make_head
from core.solid.kernel import section, volume_mm3
from core.spec import Spec, spec_of
from scripts.exact_head import (
    exact,
    exact_head,
    exact_outline_wall,
    marquise_frustum,
    oval_frustum,
    square_frustum,
)

CHORD_MM = 0.005

HEADS = {
    "tiny, straight": {"stone.length_mm": 2.0},
    "three claws": {"stone.length_mm": 3.5, "claws.count": 3, "wall.taper_deg": 8.5},
    "worked": {"stone.length_mm": 5.0, "stone.pavilion_angle_deg": 40.75, "head.culet_clearance_mm": 1.0,
               "wall.taper_deg": 17.0, "wall.thickness_mm": 0.9, "wall.seat_inset_mm": 0.2, "wall.bevel_mm": 0.7,
               "claws.count": 4, "claws.diameter_mm": 1.0, "claws.notch": 0.3087, "claws.spare_mm": 3.0},
    "upright, five": {"stone.length_mm": 6.0, "claws.count": 5, "wall.taper_deg": 0.0, "claws.start_angle_deg": 13.0},
    "six": {"stone.length_mm": 7.2, "claws.count": 6, "wall.taper_deg": 14.0, "claws.notch": 0.4},
    "no bevel": {"stone.length_mm": 8.0, "wall.bevel_mm": 0.0, "wall.taper_deg": 20.0, "claws.count": 4},
    "large, eight": {"stone.length_mm": 14.0, "claws.count": 8, "wall.thickness_mm": 1.6},
    "tall, thin claws": {"stone.length_mm": 4.0, "head.culet_clearance_mm": 2.5, "wall.taper_deg": 5.0,
                         "claws.diameter_mm": 0.7},
}


def loop_area_mm2(loop: np.ndarray) -> float:
    """Signed area of a closed loop (k, 2), mm."""
    after = np.roll(loop, -1, axis=0)
    return 0.5 * float((loop[:, 0] * after[:, 1] - loop[:, 1] * after[:, 0]).sum())


@pytest.fixture(scope="module", params=HEADS)
def pair(request: pytest.FixtureRequest):
    """The core's head and the exact one."""
    made = make_head(spec_of(HEADS[request.param]), chord_mm=CHORD_MM)
    return made, exact_head(made.plan)


def test_the_fused_volume_is_the_exact_ones_within_a_thousandth(pair) -> None:
    made, judge = pair
    assert judge.is_valid and len(judge.solids()) == 1
    assert volume_mm3(made.solid) == pytest.approx(judge.volume, rel=1e-3)


def test_the_fused_metal_reaches_as_far_as_the_exact_one(pair) -> None:
    made, judge = pair
    box = judge.bounding_box(optimal=True)
    low, high = made.solid.bounding_box()[:3], made.solid.bounding_box()[3:]
    assert low == pytest.approx(tuple(box.min), abs=2 * CHORD_MM)
    assert high == pytest.approx(tuple(box.max), abs=2 * CHORD_MM)


def test_a_level_cut_holds_the_area_of_the_exact_cut(pair) -> None:
    made, judge = pair
    for share in (0.1, 0.5, 0.9, 1.2):
        height_mm = share * made.plan["wall_top"]
        cut = exact.section(judge, exact.Plane.XY.offset(height_mm))
        loops = section(made.solid, height_mm)
        assert sum(loop_area_mm2(loop) for loop in loops) == pytest.approx(sum(face.area for face in cut.faces()), rel=2e-3)


def test_the_judge_tells_a_head_that_is_one_part_in_a_hundred_off() -> None:
    made = make_head(Spec(), chord_mm=CHORD_MM)
    other = make_head(Spec().with_choices(claws__diameter_mm=made.plan["claw_diameter"] * 1.01), chord_mm=CHORD_MM)
    assert volume_mm3(other.solid) != pytest.approx(exact_head(made.plan).volume, rel=1e-3)


WALLS = {"oval": oval_frustum(7.0, 6.0), "marquise": marquise_frustum(10.0, 5.0), "princess": square_frustum(5.5)}
SIZES = {"oval": (7.0, 6.0), "marquise": (10.0, 5.0), "princess": (5.5, 5.5)}


@pytest.mark.parametrize("cut", WALLS)
def test_walls_on_other_outlines_hold_the_exact_volume_within_two_thousandths(cut: str) -> None:
    length, width = SIZES[cut]
    made = make_head(spec_of({"stone.cut": cut, "stone.length_mm": length, "stone.width_mm": width}), chord_mm=CHORD_MM)
    judge = exact_outline_wall(made.plan, WALLS[cut])
    assert made.plan["taper"] > 0.0 and made.plan["bevel"] > 0.0 and judge.is_valid
    assert volume_mm3(made.part_solids["wall"]) == pytest.approx(judge.volume, rel=2e-3)
