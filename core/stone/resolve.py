"""From what a gauge or a lab report says to a stone's full proportions, each with its reason.

Heights are shares of the width: depth = crown height + girdle + pavilion depth. The crown rises over the way from the
girdle to the table, the pavilion over the way from the girdle to the culet, each at its angle. Whatever two figures
say about the same thing must agree within the rounding of a report; whatever is missing is derived, or taken from the
cut's reference.
"""
from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from ..dimension import COMMON, GEOMETRY, GIVEN, Dimension
from ..errors import Fault, SpecError
from .cuts import Cut, Reference
from .proportions import Proportions, refuse

SIZE_KEYS = ("length_mm", "width_mm", "depth_mm", "weight_ct")
SHARE_KEYS = ("depth", "table", "crown_height", "pavilion_depth", "girdle", "star", "lower_half", "culet")
ANGLE_KEYS = ("crown_angle_deg", "pavilion_angle_deg")

HOUSE_WIDTH_MM = 6.5
"""The width of a stone of which no size is known: a round diamond of about one carat. Common practice, no source."""

OUT_OF_ROUND = 0.03
"""How far length and width of a round stone may differ, as a share; beyond it, one of the two is misread."""

DEPTH_AGREES = 0.005
"""How far a depth in per cent may stray from depth over width: half a per cent, the rounding of gauges and reports."""

HEIGHT_AGREES = 0.0075
"""How far a height may stray from what its angle gives. Reports round heights to half a per cent, angles to half or a
fifth of a degree and tables to one per cent, which together is this much."""

SUM_AGREES = 0.0125
"""How far crown, girdle and pavilion may stray from the depth: three roundings of half a per cent, less luck."""

GIRDLE_TAKES = 0.4
"""Share of an unusual depth that the girdle takes, the rest going to crown and pavilion in proportion. It gives
the slope of weight against depth that 53,643 round diamonds show (public diamonds table)."""

GIRDLE_RANGE = (0.02, 0.06)
"""The girdle that a depth alone may lead to: very thin to thick by GIA's classes."""

LEAST_CROWN, LEAST_PAVILION = 0.01, 0.05
"""The least heights, as shares of the width, that still are a crown and a pavilion. Common practice, no source."""

MOST_FLAT = 1.5
"""The greatest depth of a stone with a flat base as a share of its width. Common practice, no source."""

CROWN_DEG, PAVILION_DEG, TABLE = (5.0, 60.0), (10.0, 75.0), (0.1, 0.9)
"""The angles and tables that a derived figure may reach. Common practice, no source."""


@dataclass(frozen=True)
class Figure:
    """A value on its way into the ledger: what it is, why, by whom."""

    value: float
    reason: str
    source: str

    @property
    def is_given(self) -> bool:
        return self.source == GIVEN


def contradict(first: str, one: float, second: str, other: float, why: str) -> NoReturn:
    """Raises SpecError naming two keys that cannot both be right."""
    raise SpecError(
        Fault(f"stone.{first}", one, f"it contradicts stone.{second} = {other:g}: {why}; correct or leave out one"),
        Fault(f"stone.{second}", other, f"it contradicts stone.{first} = {one:g}: {why}; correct or leave out one"))


def given_figures(choice: Mapping[str, Any], cut: Cut) -> dict[str, float]:
    """The numbers of a choice. Raises SpecError for one that is no positive number or that the cut does not have."""
    faults, figures = [], {}
    for key in SIZE_KEYS + SHARE_KEYS + ANGLE_KEYS:
        value = choice.get(key)
        if value is None:
            continue
        if key not in ("length_mm", "width_mm", "weight_ct") and key not in cut.has:
            faults.append(Fault(f"stone.{key}", value, f"a {cut.name} has no such proportion; leave it out"))
        elif isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or value < 0.0:
            faults.append(Fault(f"stone.{key}", value, "it must be a finite number above 0"))
        elif value == 0.0 and key != "culet":
            faults.append(Fault(f"stone.{key}", value, "it must be above 0"))
        elif key in SHARE_KEYS and key != "depth" and value >= 1.0:
            faults.append(Fault(f"stone.{key}", value,
                                "it must be below 1, as it is a share of the width or of a facet's way"))
        elif key in ANGLE_KEYS and value >= 85.0:
            faults.append(Fault(f"stone.{key}", value, "it must be below 85°"))
        else:
            figures[key] = float(value)
    if faults:
        raise SpecError(*faults)
    return figures


def resolve(choice: Mapping[str, Any], cut: Cut) -> Proportions:
    """Full proportions of a stone. `choice` holds the stone's keys of a spec; a weight in it is not looked at here.

    Raises SpecError for figures that contradict each other or that no stone can have, naming them.
    """
    given = given_figures(choice, cut)
    length, width = _size(given, cut)
    depth = _depth(given, width.value)
    if cut.flat_depth is not None:
        return _flat(given, length, width, depth, cut)
    run = cut.run
    reference = cut.measured if depth else cut.alone
    table, crown, pavilion, culet = _slopes(given, reference, run)
    girdle = Figure(given["girdle"], "the girdle as measured", GIVEN) if "girdle" in given else None
    if depth is None:
        crown = crown or _by_angle("crown", reference.crown_deg, (1.0 - table.value) * run, reference.source)
        pavilion = pavilion or _by_angle("pavilion", reference.pavilion_deg, (1.0 - culet.value) * run,
                                         reference.source)
        girdle = girdle or Figure(reference.girdle, "the cut's usual girdle", reference.source)
    else:
        crown, girdle, pavilion = _share_out(given, depth, crown, girdle, pavilion, reference,
                                             (1.0 - table.value) * run, (1.0 - culet.value) * run)
    _check(given, crown, pavilion, table, culet, run)
    star = _own(given, "star", reference.star, reference.source)
    lower_half = _own(given, "lower_half", reference.lower_half, reference.source)
    pavilion_deg = math.degrees(math.atan2(pavilion.value, (1.0 - culet.value) * run))
    if "pavilion_angle_deg" in given:
        pavilion_deg = given["pavilion_angle_deg"]
    crown_deg = math.degrees(math.atan2(crown.value, (1.0 - table.value) * run))
    total = crown.value + girdle.value + pavilion.value
    depth = depth or Figure(total, "crown, girdle and pavilion together", GEOMETRY)
    figures = (
        _entry("length", length, "mm"), _entry("width", width, "mm"), _entry("depth", depth, "1"),
        _entry("table", table, "1"), _entry("crown_height", crown, "1"), _entry("girdle", girdle, "1"),
        _entry("pavilion_depth", pavilion, "1"), _entry("culet", culet, "1"),
        _entry("star", star, "1"), _entry("lower_half", lower_half, "1"),
        _entry("crown_angle", _angle(given, "crown_angle_deg", crown_deg, crown), "deg"),
        _entry("pavilion_angle", _angle(given, "pavilion_angle_deg", pavilion_deg, pavilion), "deg"),
    )
    kept = {each.name: each for each in figures
            if each.name in ("length", "width") or not cut.has.isdisjoint((each.name, each.name + "_deg"))}
    w = width.value
    return Proportions(length.value, w, crown.value * w, girdle.value * w, pavilion.value * w, table.value, star.value,
                       lower_half.value, culet.value, pavilion_deg, kept)


def _flat(given: Mapping[str, float], length: Figure, width: Figure, depth: Figure | None, cut: Cut) -> Proportions:
    """Proportions of a stone with a flat base: a girdle and what rises from it."""
    assert cut.flat_depth is not None
    depth = depth or Figure(cut.flat_depth, "the cut's usual depth", cut.alone.source)
    girdle = _own(given, "girdle", cut.alone.girdle, cut.alone.source)
    crown = Figure(depth.value - girdle.value, "what the girdle leaves of the depth", GEOMETRY)
    key = next((k for k in ("depth_mm", "depth") if k in given), "girdle")
    if crown.value < LEAST_CROWN:
        refuse(key, given[key], f"over a girdle of {girdle.value:.2%} of the width nothing would rise, and the depth "
                                f"must be at least {girdle.value + LEAST_CROWN:.2%}")
    if depth.value > MOST_FLAT:
        refuse(key, given[key], f"it makes the depth {depth.value:.0%} of the width, and it must be at most "
                                f"{MOST_FLAT:.0%}")
    entries = (_entry("length", length, "mm"), _entry("width", width, "mm"), _entry("depth", depth, "1"),
               _entry("crown_height", crown, "1"), _entry("girdle", girdle, "1"))
    w = width.value
    return Proportions(length.value, w, crown.value * w, girdle.value * w, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
                       {each.name: each for each in entries})


def _entry(name: str, figure: Figure, unit: str) -> Dimension:
    return Dimension(name, figure.value, unit, figure.reason[0].upper() + figure.reason[1:] + ".", figure.source,
                     figure.is_given)


def _own(given: Mapping[str, float], key: str, usual: float, source: str) -> Figure:
    """A proportion that nothing else decides."""
    what = key.replace("_", " ")
    if key in given:
        return Figure(given[key], f"the {what} as reported", GIVEN)
    return Figure(usual, f"the cut's usual {what}", source)


def _angle(given: Mapping[str, float], key: str, value: float, height: Figure) -> Figure:
    if key in given:
        return Figure(given[key], "the angle as reported", GIVEN)
    return Figure(value, "the slope that the height makes over its way", GEOMETRY if height.is_given else height.source)


def _size(given: Mapping[str, float], cut: Cut) -> tuple[Figure, Figure]:
    """Length and width; one diameter for both on a round stone."""
    length, width = given.get("length_mm"), given.get("width_mm")
    if length is None and width is None:
        if "depth_mm" in given and "depth" in given:
            width = given["depth_mm"] / given["depth"]
            across = Figure(width, "the depth in mm over the depth as a share", GEOMETRY)
        else:
            width = HOUSE_WIDTH_MM
            across = Figure(width, "no size was given, so a round diamond of about one carat is taken", COMMON)
        return Figure(width * cut.ratio, "the cut's usual length for the width", cut.alone.source), across
    if cut.is_round and length is not None and width is not None:
        if abs(length - width) > OUT_OF_ROUND * min(length, width) * (1.0 + 1e-12):
            contradict("length_mm", length, "width_mm", width,
                       f"a {cut.name} may be out of round by {OUT_OF_ROUND:.0%} at most")
        both = Figure(0.5 * (length + width), "the mean of the two diameters", GIVEN)
        return both, both
    if length is None or width is None:
        if width is None:
            assert length is not None
            return (Figure(length, "the length as measured", GIVEN),
                    Figure(length / cut.ratio, _from_other("width", cut), _ratio_source(cut)))
        return (Figure(width * cut.ratio, _from_other("length", cut), _ratio_source(cut)),
                Figure(width, "the width as measured", GIVEN))
    return Figure(length, "the length as measured", GIVEN), Figure(width, "the width as measured", GIVEN)


def _from_other(what: str, cut: Cut) -> str:
    return "the stone is round" if cut.is_round else f"the cut's usual length is {cut.ratio:g} times its width"


def _ratio_source(cut: Cut) -> str:
    return GEOMETRY if cut.is_round else cut.alone.source


def _depth(given: Mapping[str, float], width_mm: float) -> Figure | None:
    """Total depth as a share of the width, if any figure tells it."""
    if "depth_mm" in given:
        share = given["depth_mm"] / width_mm
        if "depth" in given and abs(share - given["depth"]) > DEPTH_AGREES + 1e-12:
            contradict("depth", given["depth"], "depth_mm", given["depth_mm"],
                       f"{given['depth_mm']:g} mm over the width of {width_mm:.4g} mm is {share:.2%}, and they may "
                       "differ "
                       f"by {DEPTH_AGREES:.1%}")
        return Figure(share, "the depth as measured, over the width", GIVEN)
    return Figure(given["depth"], "the depth as reported", GIVEN) if "depth" in given else None


def _by_angle(what: str, angle_deg: float, run: float, source: str) -> Figure:
    if source == GIVEN:
        return Figure(run * math.tan(math.radians(angle_deg)), f"the {what} angle over its way", GIVEN)
    return Figure(run * math.tan(math.radians(angle_deg)), f"the cut's usual {what} angle of {angle_deg:g}°", source)


def _slopes(given: Mapping[str, float], reference: Reference,
            run: float) -> tuple[Figure, Figure | None, Figure | None, Figure]:
    """Table, crown height, pavilion depth and culet, as far as angles, heights and widths tell them."""
    crown_deg, crown_height = given.get("crown_angle_deg"), given.get("crown_height")
    if "table" in given:
        table = Figure(given["table"], "the table as reported", GIVEN)
    elif crown_deg is not None and crown_height is not None:
        value = 1.0 - crown_height / (run * math.tan(math.radians(crown_deg)))
        table = Figure(value, "where a crown of this angle reaches this height", GEOMETRY)
        if not TABLE[0] <= value <= TABLE[1]:
            contradict("crown_height", crown_height, "crown_angle_deg", crown_deg,
                       f"they leave a table of {value:.1%}, and it must be {TABLE[0]:.0%} to {TABLE[1]:.0%}")
    else:
        table = Figure(reference.table, "the cut's usual table", reference.source)
    culet = _own(given, "culet", reference.culet, reference.source)
    crown = _height(given, "crown", "crown_height", "crown_angle_deg", (1.0 - table.value) * run)
    pavilion = _height(given, "pavilion", "pavilion_depth", "pavilion_angle_deg", (1.0 - culet.value) * run)
    return table, crown, pavilion, culet


def _height(given: Mapping[str, float], what: str, height_key: str, angle_key: str, run: float) -> Figure | None:
    """A height from its angle, or as reported; both must agree."""
    by_angle = _by_angle(what, given[angle_key], run, GIVEN) if angle_key in given else None
    if height_key not in given:
        return by_angle
    height = given[height_key]
    if by_angle is None:
        return Figure(height, f"the {height_key.replace('_', ' ')} as reported", GIVEN)
    if abs(by_angle.value - height) > HEIGHT_AGREES + 1e-12:
        contradict(height_key, height, angle_key, given[angle_key],
                   f"that angle gives {by_angle.value:.2%}, and they may differ by {HEIGHT_AGREES:.2%}")
    return by_angle


def _share_out(given: Mapping[str, float], depth: Figure, crown: Figure | None, girdle: Figure | None,
               pavilion: Figure | None, reference: Reference, crown_run: float,
               pavilion_run: float) -> tuple[Figure, Figure, Figure]:
    """Crown, girdle and pavilion that add up to a known depth."""
    key = "depth_mm" if "depth_mm" in given else "depth"
    usual_crown = crown_run * math.tan(math.radians(reference.crown_deg))
    usual_pavilion = pavilion_run * math.tan(math.radians(reference.pavilion_deg))
    if crown and pavilion:
        left = depth.value - crown.value - pavilion.value
        if girdle and abs(left - girdle.value) > SUM_AGREES + 1e-12:
            contradict(key, given[key], "girdle", girdle.value,
                       f"crown {crown.value:.2%} and pavilion {pavilion.value:.2%} leave {left:.2%} of the depth for "
                       "the "
                       f"girdle, and they may differ by {SUM_AGREES:.2%}")
        if left <= 0.0:
            other = next(k for k in ("pavilion_angle_deg", "pavilion_depth") if k in given)
            contradict(key, given[key], other, given[other],
                       f"crown {crown.value:.2%} and pavilion {pavilion.value:.2%} leave nothing of the depth of "
                       f"{depth.value:.2%} for the girdle")
        reason = "what crown and pavilion leave of the depth"
        reason += ", within the rounding of the report" if girdle else ""
        return crown, Figure(left, reason, GEOMETRY), pavilion
    if crown or pavilion:
        girdle = girdle or Figure(reference.girdle, "the cut's usual girdle", reference.source)
        known = crown or pavilion
        assert known is not None
        left = depth.value - girdle.value - known.value
        what, least = ("pavilion", LEAST_PAVILION) if crown else ("crown", LEAST_CROWN)
        if left < least:
            refuse(key, given[key], f"the {what} would be {left:.2%} of the width, so the depth must be at least "
                                    f"{known.value + girdle.value + least:.2%} of it")
        rest = Figure(left, "what the rest leaves of the depth", GEOMETRY)
        return (crown, girdle, rest) if crown else (rest, girdle, known)
    spare = depth.value - usual_crown - usual_pavilion - reference.girdle
    if girdle is None:
        value = min(max(reference.girdle + GIRDLE_TAKES * spare, GIRDLE_RANGE[0]),
                    max(GIRDLE_RANGE[1], reference.girdle))
        girdle = Figure(value, "the cut's usual girdle and its share of an unusual depth", reference.source)
    factor = (depth.value - girdle.value) / (usual_crown + usual_pavilion)
    if usual_crown * factor < LEAST_CROWN or usual_pavilion * factor < LEAST_PAVILION:
        low = girdle.value + (usual_crown + usual_pavilion) * max(LEAST_CROWN / usual_crown,
                                                                  LEAST_PAVILION / usual_pavilion)
        refuse(key, given[key], f"crown and pavilion would vanish, so the depth must be at least {low:.2%} of the "
                                "width")
    reason = "the cut's usual angle, eased to the depth"
    return (Figure(usual_crown * factor, reason, reference.source), girdle,
            Figure(usual_pavilion * factor, reason, reference.source))


def _check(given: Mapping[str, float], crown: Figure, pavilion: Figure, table: Figure, culet: Figure,
           run: float) -> None:
    """Refuses what no stone can have, by the key that led there."""
    if not TABLE[0] <= table.value <= TABLE[1]:
        refuse("table", table.value, f"it must be {TABLE[0]:g} to {TABLE[1]:g}; the table has to lie within the girdle")
    if culet.value > 0.5:
        refuse("culet", culet.value, "it must be at most 0.5, or no pavilion is left")
    depth = next((k for k in ("depth_mm", "depth") if k in given), "")
    for what, height, least, way, (low, high) in (
            ("crown", crown, LEAST_CROWN, (1.0 - table.value) * run, CROWN_DEG),
            ("pavilion", pavilion, LEAST_PAVILION, (1.0 - culet.value) * run, PAVILION_DEG)):
        angle = math.degrees(math.atan2(height.value, way))
        keys = (f"{what}_angle_deg", "crown_height" if what == "crown" else "pavilion_depth", depth, "table")
        key = next((k for k in keys if k in given), keys[0])
        value = given.get(key, angle)
        if height.value < least:
            refuse(key, value, f"the {what} would be {height.value:.2%} of the width high, and it must be at least "
                               f"{least:.0%}")
        if not low - 1e-9 <= angle <= high + 1e-9:
            refuse(key, value, f"the {what} would slope by {angle:.1f}°, and it must be {low:g}° to {high:g}°")
