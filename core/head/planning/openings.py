"""What is taken out of a wall: a gallery's windows and a coronet's scoops."""
from __future__ import annotations

import math

from ...dimension import COMMON
from ...errors import Fault, SpecError
from ...tolerance import CHORD_MM
from ..columns import Run
from ..draft import Draft, Plan
from ..openings import SCOOP_OF_BAY, lay_out_windows, scoop_bays
from ..site import Site
from ..windows import Holes
from .claws import plan_claws
from .wall import plan_wall

BEVEL_ROOM_MM = 0.15
"""What is left between a window and the bevel's lower edge inside. Common practice, no source."""

LEAST_WINDOW_MM = 0.4
"""A narrower window fills with polish and shows no light. Common practice, no source."""

LEAST_TALL_MM = 0.6
"""A lower one has no room for jambs and an arch. Common practice, no source."""

WANTED_TALL_MM = 0.9
"""Height that a low head is lifted to leave for its windows. Common practice, no source."""

LEAST_STONE_MM = 3.0
"""Windows under a smaller stone are not worth their bars. Common practice, no source."""

WANTED_SCOOP_MM = 0.4
"""Depth that a low head is lifted to leave for its scoops. Common practice, no source."""

SCOOP_OF_WALL = 0.35
"""Usual depth of a scoop as a share of the wall's height, where that is less than its share of the bay's width. Common
practice, no source."""

SHARPEST_DEG = 140.0
"""Most that an outline may turn at a point: beside a sharper one the inner wall has shrunk to so short a side that no window
goes through square to it. Found by trial on pears and marquises; no source."""

MOST_SIDES = 32
"""More sides than any drawn outline has: windows bent across so many corners of a scanned one would break the wall."""

LEAST_SCOOPS = 2
"""A wall that is scooped in one place alone is told from one that was filed away by nothing. Common practice, no source."""

BEARING_SHARE = 0.25
"""Wall that stays at its full height on each side of a claw, as a share of the claw's thickness. Common practice, no
source."""

LEAST_BELOW_SHARE = 1.0
"""Wall left below a scoop, as a share of its thickness. Common practice, no source."""


def plan_gallery(draft: Draft) -> None:
    """A wall, its claws and the windows between them. Raises SpecError where no window fits."""
    castable, source = _castable(draft)
    stone, rules = draft.stone, draft.rules
    if stone.width_mm < LEAST_STONE_MM:
        raise SpecError(Fault("head.style", "gallery", f"a stone {stone.width_mm:g} mm wide leaves no room for windows and bars; take "
                              f'a stone of at least {LEAST_STONE_MM:g} mm, or the style "basket"'))
    if (sides := len(stone.outline.pieces)) > MOST_SIDES:
        raise SpecError(Fault("head.style", "gallery", f"windows follow the sides of an outline, and this mesh's has {sides} with "
                              'a corner between each two; take the style "tapered claw" or "basket", or the cut by its name'))
    if (turn := max((corner.turn_deg for corner in stone.outline.corners), default=0.0)) > SHARPEST_DEG:
        raise SpecError(Fault("head.style", "gallery", f"windows find no wall beside a point as sharp as this one, of {180.0 - turn:.0f}°; "
                              f"take a stone whose point is at least {180.0 - SHARPEST_DEG:g}° wide, or the style \"basket\""))
    expected = draft.spec.get("wall.band_mm") or castable
    plan_wall(draft, 2.0 * expected + WANTED_TALL_MM + 1.5 * rules["seat.inset_mm"].value,
              "Lifts the stone until the wall is tall enough for windows and the bands above and below them.")
    hole = rules.of_process(draft.process, "hole_least_mm")
    least = max(hole.value, LEAST_WINDOW_MM)
    plan_claws(draft, least + (draft.spec.get("wall.bar_mm") or castable))
    bar = draft.derive("window_bar", castable, "mm", "Wall left between two windows; beside a claw half of it is enough, because "
                       "the claw stiffens it.", source)
    band = draft.derive("window_band", castable, "mm", "Wall left below the windows, and above them on the outside.", source)
    lean = math.cos(math.radians(draft["taper"]))
    inside = draft["wall_top"] - draft["bevel"] * lean - BEVEL_ROOM_MM
    sill = draft.derive("window_sill", band, "mm", "The windows' lower edge above the base plane.")
    top = draft.derive("window_top", min(draft["wall_top"] - band, inside), "mm",
                       "The arches' highest point: a band below the wall's top, and below the bevel inside.")
    draft.derive("window_least", least, "mm", "Bays whose windows would be narrower stay closed.", hole.source)
    if top - sill < LEAST_TALL_MM:
        _refuse_gallery(draft, f"the wall leaves {max(0.0, top - sill):.2f} mm of height for windows and they need "
                        f"{LEAST_TALL_MM:g} mm")
    found = lay_out_windows(_site(draft), Holes(sill, top, bar, least))
    if not found:
        _refuse_gallery(draft, f"no bay between the claws holds a window of {least:g} mm with its bars")
    widest = max(found, key=lambda window: window.span_mm)
    draft.derive("window_count", len(found), "count", "As many as fit between the claws, each no wider than its arch allows.")
    draft.derive("window_width", widest.span_mm, "mm", "The widest window, where its arch springs; the bay less its bars.")
    draft.derive("window_height", (top - sill) / lean, "mm", "From sill to arch, along the wall.")


def plan_coronet(draft: Draft) -> None:
    """A wall, its claws and the scoops between them. Raises SpecError where the wall is too low or the claws too close."""
    rules, width = draft.rules, draft.stone.width_mm
    line = rules["wall.thickness_start_mm"].value + rules["wall.thickness_rise"].value * width
    thickness = draft.spec.get("wall.thickness_mm") or min(line, rules["wall.thickness_high_mm"].value)
    bevelled = 0.0 if draft.stone.pavilion_depth_mm == 0.0 else rules["seat.bevel_share"].value * thickness
    plan_wall(draft, LEAST_BELOW_SHARE * thickness + bevelled + WANTED_SCOOP_MM + 1.5 * rules["seat.inset_mm"].value,
              "Lifts the stone until the wall is tall enough for its scoops and a ring below them.", bears_all_round=False)
    plan_claws(draft)
    draft.derive("claw_bearing", BEARING_SHARE * draft["claw_diameter"], "mm",
                 "Wall at its full height on each side of a claw, so that the stone bears there.", COMMON)
    site = _site(draft)
    bays = scoop_bays(site, Run.along(site.outline.parted))
    lean = math.cos(math.radians(draft["taper"]))
    # The bevel goes down with the scoop, and the wall below it must stay a ring.
    most = draft["wall_top"] - draft["bevel"] * lean - LEAST_BELOW_SHARE * draft["wall_thickness"]
    if len(bays) < LEAST_SCOOPS:
        raise SpecError(Fault("claws.count", round(draft["claw_count"]), "the claws and their bearings leave too little wall to scoop "
                              f"between {'all but two of them' if bays else 'them'}; take fewer or thinner claws, or the style "
                              '"tapered claw"'))
    widest = max(bay.end - bay.start for bay in bays)
    usual = min(SCOOP_OF_WALL * draft["wall_top"], SCOOP_OF_BAY * widest)
    depth = draft.derive("scoop_depth", math.floor(100.0 * min(usual, most)) / 100.0, "mm",
                         "Lightens the wall between the claws and lets light under the stone; the wall below stays a ring.",
                         COMMON)
    if depth > most + 1e-9:
        raise SpecError(Fault("wall.scoop_mm", depth, f"the wall below the scoop must stay {draft['wall_thickness']:g} mm "
                              f"high; take at most {max(0.0, most):.2f} mm"))
    if depth <= 0.0 and not draft.is_pinned("scoop_depth"):
        raise SpecError(Fault("head.style", "coronet", f"the wall is {draft['wall_top']:.2f} mm high and a scoop would leave no "
                              'ring below it; take a larger stone, or the style "tapered claw"'))


def _castable(draft: Draft) -> tuple[float, str]:
    rule = draft.rules.of_process(draft.process, "section_least_mm")
    if draft.metal.least_model_mm >= rule.value:
        return draft.metal.least_model_mm, draft.metal.making_source
    return rule.value, rule.source


def _site(draft: Draft) -> Site:
    return Site(draft.spec, Plan(draft.all), draft.stone, CHORD_MM)


def _refuse_gallery(draft: Draft, why: str) -> None:
    given = next((path for name, path in (("window_bar", "wall.bar_mm"), ("window_band", "wall.band_mm"))
                  if draft.is_pinned(name)), None)
    if given is not None:
        raise SpecError(Fault(given, draft.spec.get(given), f"{why}; take thinner bars and bands"))
    raise SpecError(Fault("head.style", "gallery", f"{why} round a stone {draft.stone.width_mm:g} mm wide; take a larger stone, "
                          'fewer claws, or the style "tapered claw"'))
