"""Line drawings of stones."""
from __future__ import annotations

import numpy as np
import pytest

from core.stone import CUTS, make_stone
from core.stone.drawing import crown_view


def test_the_round_brilliant_shows_its_crown() -> None:
    stone = make_stone({"width_mm": 6.0})
    drawing = crown_view(stone)
    flats = len(stone.mesh.faces_tagged("girdle"))
    assert len(drawing.outline) == flats
    # table 8, stars to bezels 16, bezels to upper halves 16, between upper halves at the stars 8 and at the mains none
    assert len(drawing.edges) == 48
    assert np.linalg.norm(drawing.outline.reshape(-1, 2), axis=1) == pytest.approx(3.0)


@pytest.mark.parametrize("cut", CUTS)
def test_outlines_are_closed_and_of_the_stones_size(cut: str) -> None:
    stone = make_stone({"cut": cut, "width_mm": 6.0})
    drawing = crown_view(stone)
    ends, uses = np.unique(np.round(drawing.outline.reshape(-1, 2), 6), axis=0, return_counts=True)
    assert (uses == 2).all()
    assert np.ptp(ends, axis=0) == pytest.approx([stone.length_mm, stone.width_mm], abs=1e-5)
    inside = drawing.edges.reshape(-1, 2)
    assert (np.abs(inside) <= np.abs(ends).max(axis=0) + 1e-9).all()


def test_smooth_domes_show_no_facets_and_a_sugarloaf_its_ridges() -> None:
    assert len(crown_view(make_stone({"cut": "oval cabochon"})).edges) == 0
    ridges = crown_view(make_stone({"cut": "sugarloaf cabochon"})).edges
    assert len(ridges) > 8
    angles = np.degrees(np.arctan2(*(ridges[:, 1] - ridges[:, 0]).T[::-1])) % 90
    assert (np.minimum(angles, 90 - angles) > 5).all(), "ridges run up the corners, not along the sides"
