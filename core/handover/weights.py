"""What the metal weighs in every alloy, and the stones in every species."""
from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from ..head import Head
from ..head.placed import PlacedStone
from ..solid.kernel import volume_mm3
from ..trade.alloys import Alloy, all_alloys
from ..trade.casting import melt_grams
from ..trade.species import all_species


@dataclass(frozen=True)
class MetalWeight:
    """Of the head in one alloy: as modelled, and what to melt with sprue and button, g."""

    alloy: Alloy
    head_g: float
    melt_g: float


def metal_weights(head: Head) -> tuple[MetalWeight, ...]:
    """The head in every alloy. Volume times density; the casting shrinks back to the size as modelled."""
    volume_cm3 = volume_mm3(head.solid) / 1000.0
    return tuple(MetalWeight(alloy, volume_cm3 * alloy.density_g_cm3,
                             melt_grams(volume_cm3, alloy.density_g_cm3, 1.0, head.rules)) for alloy in all_alloys())


def stone_groups(head: Head) -> dict[str, list[PlacedStone]]:
    """The stones that go together: "stone", then "small stones" and "side stones" where there are any."""
    groups: dict[str, list[PlacedStone]] = {"stone": [head.stones[0]]}
    for stone in head.stones[1:]:
        groups.setdefault("small stones" if stone.name.startswith("small") else "side stones", []).append(stone)
    return groups


def weights_csv(head: Head) -> str:
    """Metal by alloy and each group of stones by species, all of them together, one row each, with the density used and
    its source."""
    buffer = io.StringIO()
    table = csv.writer(buffer, lineterminator="\n")
    table.writerow(["kind", "name", "density_g_cm3", "weight_g", "weight_ct", "melt_g", "chosen", "source"])
    for weight in metal_weights(head):
        alloy = weight.alloy
        table.writerow(["metal", alloy.name, f"{alloy.density_g_cm3:.3f}", f"{weight.head_g:.4f}", "",
                        f"{weight.melt_g:.3f}", "yes" if alloy.name == head.alloy.name else "", alloy.source])
    for group, stones in stone_groups(head).items():
        mm3 = sum(stone.stone.volume_mm3 for stone in stones)
        for kind in all_species():
            carats = mm3 * kind.density_g_cm3 / 200.0
            table.writerow([group, kind.name, f"{kind.density_g_cm3:.3f}", f"{carats / 5.0:.5f}", f"{carats:.4f}", "",
                            "yes" if kind.name == stones[0].species.name else "", kind.source])
    return buffer.getvalue()
