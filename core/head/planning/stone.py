"""What the plan says of the stone."""
from __future__ import annotations

from ...dimension import GEOMETRY
from ...errors import Fault, SpecError
from ...trade.carat import estimate_ct
from ...trade.proportions import girdle_class
from ..draft import Draft, species_of


NARROWEST_CLEFT_DEG = 25.0
"""Between the lobes of a heart whose cleft opens by less no wall, rail or claw has room to be cast. Found by trial; no source."""


def plan_stone(draft: Draft) -> None:
    """The stone's own measures, as far as the head needs them. Raises SpecError for a heart too long to be held."""
    derive, stone = draft.derive, draft.stone
    opens = min((180.0 + corner.turn_deg for corner in stone.outline.corners if corner.turn_deg < 0.0), default=180.0)
    if opens < NARROWEST_CLEFT_DEG:
        raise SpecError(Fault("stone.length_mm", stone.length_mm, f"the cleft of a heart so long for its width of {stone.width_mm:.4g} mm "
                              f"opens by {opens:.0f}°, and between its lobes a head needs {NARROWEST_CLEFT_DEG:g}° to be cast; take a "
                              "shorter or a wider heart"))
    for name in ("length", "width", "depth"):
        figure = stone.figures.get(name)
        value = getattr(stone, f"{name}_mm")
        derive(f"stone_{name}", value, "mm", figure.reason if figure else "Measured on the stone's own mesh.",
               figure.source if figure else GEOMETRY)
    derive("stone_table", stone.table_width_mm, "mm", "Width of the table facet, from the stone's proportions.")
    derive("crown_height", stone.crown_height_mm, "mm", "From the upper girdle edge to the table.")
    derive("girdle", stone.girdle_mm, "mm", "The girdle at its thickest, which the seat must take.")
    derive("pavilion_depth", stone.pavilion_depth_mm, "mm", "From the lower girdle edge to the culet.")
    kind = species_of(draft.spec)
    derive("stone_weight", stone.weight_ct(kind.density_g_cm3), "ct",
           f"Volume of the faceted stone times the density of {kind.name}, {kind.density_g_cm3:g} g/cm³.", kind.source)
    share = stone.figures.get("girdle")
    estimate = estimate_ct(stone.cut, stone.length_mm, stone.width_mm, stone.depth_mm, kind.density_g_cm3,
                           kind.name == "diamond", girdle_class(share.value).name if share else "medium")
    if estimate is not None:
        weight, words, source = estimate
        derive("weight_estimate", weight, "ct",
               f"{words}: the trade's estimate for this cut, to hold the volume's weight against.", source)
