"""How many claws there are and where they stand on the outline."""
from __future__ import annotations

from collections.abc import Callable

from ...dimension import COMMON
from ...errors import Fault, SpecError
from ...spec import Spec, directions_deg
from ...stone.outline import Place
from ...trade.claw_sizes import claw_diameter
from ..draft import Draft
from ..placement import corners_of, pair_places, place_claws, places_towards, points_of, usual_placement
from .way_out import Hold, is_let_out

SIX_CLAWS_ABOVE_MM = 6.0
EIGHT_CLAWS_ABOVE_MM = 12.0
"""From which width on six and eight claws are usual. Common practice, no source."""

POINT_COUNTS = {1: (5, 6), 2: (6, 6)}
"""Claws of a stone with one or two points, up to and above SIX_CLAWS_ABOVE_MM. Common practice, no source."""

MOST_CLAWS = 16
"""The most claws that a head is given, as many as a choice allows."""

PAIR_APART = 1.5
"""How far apart the claws of a pair stand before their size is known, in claws. Only their order depends on it."""


def plan_count(draft: Draft) -> tuple[str, int, tuple[Place, ...]]:
    """Placement, count and places; the places of pairs are those of single claws until their size is known."""
    spec, outline = draft.spec, draft.stone.outline
    placement, why = placement_of(draft)
    pinned = spec.get("claws.count")
    if placement == "directions":
        given = spec.get("claws.directions_deg")
        if given is None:
            raise SpecError(Fault("claws.placement", placement, 'it needs claws.directions_deg, like "45, 135, 225, '
                                                                '315"'))
        ways = directions_deg(given)
        if len(ways) < 2:
            raise SpecError(Fault("claws.directions_deg", given, "one claw alone holds no stone; give at least two "
                                                                 "directions"))
        places = _refused_as("claws.directions_deg", given, lambda: places_towards(outline, ways))
        draft.derive("claw_count", len(ways), "count", "As many claws as directions were given.")
        return placement, len(ways), places
    if pinned is not None:
        is_chosen = spec.get("claws.placement") is not None
        try:
            places = places_of(draft, placement, pinned)
        except ValueError as error:
            if is_chosen or placement == "evenly":
                raise SpecError(Fault("claws.count", pinned, str(error))) from None
            # So many claws can't stand where they usually do; spread evenly they can.
            placement = "evenly"
            places = _refused_as("claws.count", pinned, lambda: places_of(draft, placement, pinned))
        return placement, round(draft.derive("claw_count", pinned, "count", "")), places
    usual, reason = _usual_count(draft, placement, why)
    places = _refused_as("claws.placement", placement, lambda: places_of(draft, placement, usual))
    places = _holding(draft, placement, places)
    if len(places) > usual:
        reason = f"{reason[:-1]}, but between {usual} claws so long a stone would pass; {len(places)} keep it in."
    draft.derive("claw_count", len(places), "count", reason, COMMON)
    return placement, len(places), places


def _holding(draft: Draft, placement: str, places: tuple[Place, ...]) -> tuple[Place, ...]:
    """These places, or those of so many more claws that the stone cannot leave between two of them; these where no
    number of claws does that."""
    outline, width, family = draft.stone.outline, draft.stone.width_mm, draft.metal.family
    most = draft.rules.value("claws.opening_most")
    for count in range(len(places), MOST_CLAWS + 1):
        try:
            tried = places if count == len(places) else places_of(draft, placement, count)
        except ValueError:
            continue  # so many can't stand the same on both sides
        claw_mm = claw_diameter(width, count, family).value
        if not is_let_out(outline, tuple(Hold.of(place, claw_mm, point_deg(draft)) for place in tried), most):
            return tried
    return places


def placement_of(draft: Draft) -> tuple[str, str]:
    """Where the claws stand, and why in half a sentence."""
    return chosen_placement(draft.spec) or usual_placement(draft.stone.outline, point_deg(draft))


def point_deg(draft: Draft) -> float:
    """From which turn on a corner of the outline is a point, which takes a claw of its own."""
    return draft.rules.value("retention.point_from_deg")


def chosen_placement(spec: Spec) -> tuple[str, str] | None:
    """Where the choices put the claws, in words or by what goes with one placement only; None where they leave it open."""
    chosen: str | None = spec.get("claws.placement")
    if chosen is not None:
        return chosen, "you chose so"
    if spec.get("claws.directions_deg") is not None:
        return "directions", "you gave their directions"
    if spec.get("claws.pair_gap_mm") is not None:
        return "pairs", "you gave the gap in a pair"
    if spec.get("claws.start_angle_deg") is not None:
        return "evenly", "you gave the first claw's direction"
    return None


def _usual_count(draft: Draft, placement: str, why: str) -> tuple[int, str]:
    # A scan's width is never round.
    outline, width = draft.stone.outline, round(draft.stone.width_mm, 2)
    if placement == "evenly":
        usual = 4 if width <= SIX_CLAWS_ABOVE_MM else 6 if width <= EIGHT_CLAWS_ABOVE_MM else 8
        return usual, (f"Up to {SIX_CLAWS_ABOVE_MM:g} mm four claws are usual, up to {EIGHT_CLAWS_ABOVE_MM:g} mm six, "
                       f"then "
                       f"eight; {why}.")
    if placement == "pairs":
        places = len(corners_of(outline, point_deg(draft))) or 4
        return 2 * places, f"A pair at each of {places} places; {why}."
    anchors = len((points_of if placement == "points" else corners_of)(outline, point_deg(draft)))
    small, large = POINT_COUNTS.get(anchors, (anchors, anchors)) if placement == "points" else (anchors, anchors)
    # With a claw at a heart's point and none in its cleft, the others stand in pairs.
    has_cleft = any(corner.turn_deg < 0.0 for corner in outline.corners)
    return small if has_cleft or width <= SIX_CLAWS_ABOVE_MM else large, f"Usual for this outline: {why}."


def places_of(draft: Draft, placement: str, count: int, apart_mm: float | None = None) -> tuple[Place, ...]:
    """Raises ValueError with the end of a sentence where so many claws can't stand so."""
    outline, start = draft.stone.outline, draft.spec.get("claws.start_angle_deg")
    # An outline without such places asks for none, which is refused where they are looked for.
    claw_mm = claw_diameter(draft.stone.width_mm, count, draft.metal.family).value if count > 1 else 0.0
    if placement == "pairs":
        return pair_places(outline, count, apart_mm or PAIR_APART * claw_mm, point_deg(draft), start)
    return place_claws(outline, placement, count, point_deg(draft), start, draft.spec.get("claws.diameter_mm") or claw_mm)


def _refused_as(path: str, value: object, places: Callable[[], tuple[Place, ...]]) -> tuple[Place, ...]:
    try:
        return places()
    except ValueError as error:
        raise SpecError(Fault(path, value, str(error))) from None
