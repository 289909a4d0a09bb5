"""The plan as it is drawn up: dimensions by name, each with its reason and source."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..dimension import GEOMETRY, GIVEN, Dimension
from ..spec import Spec
from ..trade.alloys import Alloy, alloy
from ..trade.house_rules import HouseRules
from ..trade.species import HOUSE_SPECIES, Species, species

if TYPE_CHECKING:
    from ..stone import Stone

HOUSE_ALLOY = "18K yellow gold"
HOUSE_PROCESS = "lost wax"
"""What a head is taken to be made of and by if nothing says so. Common practice, no source."""

KEPT = "You gave this value, so it is kept and proven as it is."

PINNABLE = {
    "culet_clearance": "head.culet_clearance_mm", "taper": "wall.taper_deg", "wall_thickness": "wall.thickness_mm",
    "seat_inset": "wall.seat_inset_mm", "bevel": "wall.bevel_mm", "scoop_depth": "wall.scoop_mm",
    "window_bar": "wall.bar_mm", "window_band": "wall.band_mm", "rail_thickness": "rails.thickness_mm",
    "upper_rail_drop": "rails.upper_drop", "peg_diameter": "peg.diameter_mm", "peg_height": "peg.height_mm",
    "rim_thickness": "rim.thickness_mm", "rim_height": "rim.height_mm", "rim_open_width": "rim.open_width_deg",
    "seat_clearance": "seat.clearance_mm", "claw_count": "claws.count", "claw_pair_gap": "claws.pair_gap_mm",
    "claw_diameter": "claws.diameter_mm", "claw_width": "claws.width_mm", "claw_tip_share": "claws.tip_share",
    "claw_bow": "claws.bow_mm", "claw_notch": "claws.notch", "claw_spare": "claws.spare_mm",
    "claw_start_angle": "claws.start_angle_deg", "surround_stone": "surround.stone_mm",
    "surround_count": "surround.count", "surround_gap": "surround.gap_mm",
    "surround_centre_gap": "surround.centre_gap_mm", "surround_drop": "surround.drop_mm",
    "surround_plate": "surround.plate_mm", "side_length": "sides.length_mm", "side_width": "sides.width_mm",
    "side_gap": "sides.gap_mm", "shrinkage": "casting.shrinkage_percent", "stone_length": "stone.length_mm",
    "stone_width": "stone.width_mm", "stone_depth": "stone.depth_mm",
}
"""Which choice of the spec pins which dimension of the plan."""


@dataclass(frozen=True, eq=False)
class Plan:
    """The dimensions in order. plan[name] is a value; mm, deg, ct, and 1 for shares."""

    dimensions: dict[str, Dimension]

    def __getitem__(self, name: str) -> float:
        return self.dimensions[name].value

    def __contains__(self, name: object) -> bool:
        return name in self.dimensions

    def __iter__(self) -> Iterator[Dimension]:
        return iter(self.dimensions.values())

    def dimension(self, name: str) -> Dimension:
        """A value with its unit, reason and source. Raises KeyError for a name that is not in the plan."""
        return self.dimensions[name]


def alloy_of(spec: Spec) -> Alloy:
    """The alloy chosen, or the house's."""
    return alloy(spec.get("casting.alloy") or HOUSE_ALLOY)


def species_of(spec: Spec, key: str = "stone.species") -> Species:
    """The species chosen under that key, or the house's."""
    return species(spec.get(key) or HOUSE_SPECIES)


def process_of(spec: Spec) -> str:
    """How the metal is cast: as chosen, or as the house does."""
    return spec.get("casting.process") or HOUSE_PROCESS


def castable_mm(spec: Spec, rules: HouseRules) -> float:
    """The thinnest section that fills in the spec's alloy by its process, mm."""
    return max(rules.for_alloy(alloy_of(spec)).least_model_mm, rules.of_process(process_of(spec), "section_least_mm").value)


class Draft:
    """Collects dimensions for one stone; a pinned choice wins over the derived value."""

    def __init__(self, spec: Spec, stone: Stone, rules: HouseRules) -> None:
        self.spec, self.stone, self.rules = spec, stone, rules
        self.metal = rules.for_alloy(alloy_of(spec))
        self.process = process_of(spec)
        self.all: dict[str, Dimension] = {}

    def __getitem__(self, name: str) -> float:
        return self.all[name].value

    def __contains__(self, name: object) -> bool:
        return name in self.all

    def derive(self, name: str, value: float, unit: str, reason: str, source: str = GEOMETRY) -> float:
        """Puts a dimension into the plan and returns what it came to: the user's value where one was given."""
        path = PINNABLE.get(name)
        given = self.spec.get(path) if path else None
        if given is not None:
            reason, source = KEPT, GIVEN
            value = float(given)
        self.all[name] = Dimension(name, float(value), unit, reason, source, given is not None)
        return float(value)

    @property
    def castable_mm(self) -> float:
        """The thinnest section that fills in this alloy by this process, mm."""
        return castable_mm(self.spec, self.rules)

    def is_pinned(self, name: str) -> bool:
        """True if the user gave this dimension."""
        return self.spec.get(PINNABLE[name]) is not None
