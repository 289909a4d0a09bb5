"""Stones that metal reaches into are told from those that it does not, as the kernel's own intersections tell."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold

from core.head.placed import PlacedStone, upright_frame
from core.proof.entered import entered
from core.solid.kernel import composed, volume_mm3
from core.stone import make_stone
from core.trade.species import species

STONE = make_stone({"length_mm": 1.5})
STONES = [PlacedStone(f"small stone {i}", STONE, species("diamond"), upright_frame((3.0 * (i % 8), 3.0 * (i // 8), 0.0),
                                                                                     (np.cos(i), np.sin(i))))
          for i in range(48)]


@pytest.mark.parametrize("decimals", [15, 5])
def test_metal_in_a_stone_is_never_passed_over(decimals: int) -> None:
    """Blocks that stand in them with a corner, an edge or a face, hold them whole, or stand beside them; the stones as they are, or
    as they come from a file that keeps five decimals."""
    random = np.random.default_rng(7)
    blocks = []
    for i, stone in enumerate(STONES):
        size = random.uniform(0.2, 1.2, 3) if i else np.full(3, 3.0)
        offset = random.normal(size=3) * [0.7, 0.7, 0.4] if i else np.zeros(3)
        turned = Manifold.cube(size.tolist(), True).rotate(random.uniform(0.0, 360.0, 3).tolist())
        blocks.append(turned.translate((stone.matrix[:, 3] + offset).tolist()))
    metal = composed(blocks, "metal")
    met = {i for i, (stone, block) in enumerate(zip(STONES, blocks)) if volume_mm3(stone.solid ^ block) > 0.0}
    body = replace(STONE.mesh, vertices=STONE.mesh.vertices.round(decimals))
    found = set(entered(metal, STONES, [body] * len(STONES)))
    assert 0 in met and met <= found
    assert 5 < len(STONES) - len(met) and len(found - met) <= 2
