"""Choices that would change nothing, because the head has no such part: refused, so that nobody relies on them."""
from __future__ import annotations

from ..errors import Fault
from ..spec import Spec, directions_deg
from .planning.claw_places import chosen_placement

WALLED = ("tapered claw", "gallery", "coronet", "rim")
CLAWED = ("tapered claw", "basket", "gallery", "coronet", "peg")

STYLES_OF = {
    "wall.thickness_mm": WALLED,
    "wall.seat_inset_mm": WALLED,
    "wall.bevel_mm": ("tapered claw", "gallery", "coronet"),
    "wall.bar_mm": ("gallery",),
    "wall.band_mm": ("gallery",),
    "wall.scoop_mm": ("coronet",),
    "wall.taper_deg": (*WALLED, "basket"),
    "rails.thickness_mm": ("basket",),
    "rails.upper_drop": ("basket",),
    "peg.diameter_mm": ("peg",),
    "peg.height_mm": ("peg",),
}
"""Which styles have what stands under the stone."""

STYLES_OF_SECTION = {"claws": CLAWED, "rim": ("rim",)}
"""Which styles have any of a section; a choice of neither table is there in all of them."""

SWITCHED = ("surround", "sides")
"""Sections that change nothing unless their `present` is true."""


def unused(spec: Spec) -> tuple[Fault, ...]:
    """A fault for every choice that changes nothing beside the others."""
    return tuple(Fault(path, value, reason) for path, value in spec if (reason := _reason(spec, path)))


def _reason(spec: Spec, path: str) -> str:
    section, key = path.split(".")
    style = spec.get("head.style") or "tapered claw"
    styles = STYLES_OF.get(path) or STYLES_OF_SECTION.get(section) or (style,)
    if path == "wall.taper_deg" and style == "peg":
        return ("the claws of a peg lean from its edge to the girdle, and there is no wall; leave the taper out, or "
                "change peg.diameter_mm")
    if style not in styles:
        return _instead("head.style", style, styles)
    if section in SWITCHED and key != "present" and not spec.get(f"{section}.present"):
        return f"it changes nothing without {section}.present = true; leave it out, or set that"
    if path == "rim.open_width_deg" and not spec.get("rim.open_directions_deg"):
        return 'it changes nothing without rim.open_directions_deg; leave it out, or give directions like "0, 180"'
    if path == "claws.width_mm" and spec.get("claws.section") == "round":
        return _instead("claws.section", "round", ("oval", "tab"))
    return _placement_reason(spec, path)


def _placement_reason(spec: Spec, path: str) -> str:
    chosen = chosen_placement(spec)
    if chosen is None:
        return ""
    placement, given = chosen[0], spec.get("claws.directions_deg")
    for placed, of_it in (("directions", "claws.directions_deg"), ("pairs", "claws.pair_gap_mm")):
        if path == of_it and placement != placed:
            return _instead("claws.placement", placement, (placed,))
    if path == "claws.start_angle_deg" and placement not in ("evenly", "pairs"):
        return (f'with claws.placement = "{placement}" the first claw has its place; leave the angle out, or take '
                '"evenly"')
    if path == "claws.count" and placement == "directions" and given and spec.get(path) != len(directions_deg(given)):
        return (f"claws.directions_deg gives {len(directions_deg(given))} directions; leave the count out or give as "
                "many")
    return ""


def _instead(path: str, value: str, others: tuple[str, ...]) -> str:
    shown = [f'"{other}"' for other in others]
    words = " or ".join((*([", ".join(shown[:-1])] if shown[1:] else []), shown[-1]))
    return f'with {path} = "{value}" it changes nothing; leave it out, or take {words}'
