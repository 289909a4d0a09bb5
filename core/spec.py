"""What the user chose, and nothing that follows from it.

`FIELDS` is the one list of choices: it drives TOML in and out, the limits, Blender's properties and the
documents. A choice left out is None; the plan then derives it and gives its reason.
"""
from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .errors import Fault, FileFault, SpecError
from .trade import alloys, house_rules, ring_sizes, species

VERSION = 1
"""The version of the keys below. A file may leave it out; any other is refused."""

MOST_DIRECTIONS = 16
"""How many directions a choice may list: as many as there may be claws."""

Value = float | int | str | bool


@dataclass(frozen=True)
class Field:
    """One choice: where it stands, what it may be, and what it is for.

    kind: "length" (mm), "angle" (deg), "share" (of 1), "percent", "weight" (ct), "count", "choice", "text",
    "switch" or "directions" (degrees, as text with commas between them). low and high are the limits, both allowed; `doc` is one sentence without its full stop.
    """

    section: str
    key: str
    kind: str
    doc: str
    low: float = 0.0
    high: float = 0.0
    choices: tuple[str, ...] = ()

    @property
    def path(self) -> str:
        return f"{self.section}.{self.key}"

    @property
    def allowed(self) -> str:
        """What a user may write here, as the end of a sentence."""
        if self.kind == "choice":
            return "it must be one of " + ", ".join(f'"{choice}"' for choice in self.choices)
        if self.kind == "switch":
            return "it must be true or false"
        if self.kind == "text":
            return "it must be text"
        if self.kind == "directions":
            return f'it must be up to {MOST_DIRECTIONS} degrees from -360 to 360 with commas between them, like "45, 135"'
        unit = {"length": " mm", "angle": "°", "share": " as a share of 1", "percent": " %", "weight": " ct"}.get(self.kind, "")
        whole = "a whole number" if self.kind == "count" else "a number"
        return f"it must be {whole} from {self.low:g} to {self.high:g}{unit}"

    def check(self, value: Any) -> Value:
        """The value in its own type. Raises SpecError saying what is allowed."""
        if self.kind == "choice":
            if value in self.choices and isinstance(value, str):
                return value
            given = value.lower() if isinstance(value, str) else ""
            near = difflib.get_close_matches(given, [c.lower() for c in self.choices], 1)
            hint = next((f'; did you mean "{c}"' for c in self.choices if near and c.lower() == near[0]), "")
            raise SpecError(Fault(self.path, value, self.allowed + hint))
        if self.kind == "switch":
            if isinstance(value, bool):
                return value
        elif self.kind == "text":
            if isinstance(value, str):
                return value
        elif self.kind == "directions":
            if isinstance(value, str) and 0 < len(_numbers(value)) <= MOST_DIRECTIONS:
                return value
        elif isinstance(value, (int, float)) and not isinstance(value, bool):
            if self.low <= value <= self.high:  # also false for NaN
                if self.kind != "count":
                    return float(value)
                if float(value).is_integer():
                    return int(value)
        raise SpecError(Fault(self.path, value, self.allowed))


def directions_deg(text: str) -> tuple[float, ...]:
    """The degrees, each from 0 to 360, of a choice of kind "directions"; sorted, none twice."""
    return tuple(sorted({number % 360.0 for number in _numbers(text)}))


def _numbers(text: str) -> tuple[float, ...]:
    """Degrees with commas between them; empty if any is none from -360 to 360."""
    try:
        numbers = tuple(float(each) for each in text.split(","))
    except ValueError:
        return ()
    return numbers if all(-360.0 <= number <= 360.0 for number in numbers) else ()


def _fields() -> tuple[Field, ...]:
    from .stone import CUTS

    return (
        Field("stone", "cut", "choice", "The shape and facet layout of the stone", choices=CUTS),
        Field("stone", "species", "choice", "What the stone is; it decides weight, handling and looks",
              choices=tuple(each.name for each in species.all_species())),
        Field("stone", "length_mm", "length", "The longer measure of the girdle; the diameter of a round stone", 0.8, 60),
        Field("stone", "width_mm", "length", "The shorter measure of the girdle", 0.8, 60),
        Field("stone", "depth_mm", "length", "Table to culet", 0.3, 60),
        Field("stone", "weight_ct", "weight", "What the stone weighs, where no measure is known", 0.001, 500),
        Field("stone", "depth", "share", "Table to culet as a share of the width", 0.2, 1.2),
        Field("stone", "table", "share", "Width of the table as a share of the width", 0.2, 0.9),
        Field("stone", "crown_angle_deg", "angle", "Slope of the bezel facets", 5, 60),
        Field("stone", "pavilion_angle_deg", "angle", "Slope of the pavilion mains", 20, 75),
        Field("stone", "crown_height", "share", "Girdle to table as a share of the width", 0.01, 0.5),
        Field("stone", "pavilion_depth", "share", "Girdle to culet as a share of the width", 0.1, 0.9),
        Field("stone", "girdle", "share", "Thickness of the girdle at the mains as a share of the width", 0.005, 0.15),
        Field("stone", "star", "share", "Length of the star facets as a share of the way from table to girdle", 0.2, 0.8),
        Field("stone", "lower_half", "share", "Length of the lower halves as a share of the way from girdle to culet", 0.4, 0.95),
        Field("stone", "culet", "share", "Width of the culet as a share of the width; 0 is a point", 0, 0.25),
        Field("stone", "mesh", "text", "A file with a closed mesh to use as the stone: STL or OBJ, in mm"),
        Field("stone", "mesh_tilt_length_deg", "angle", "Turns a mesh's measured orientation about its length; 180 turns it over", -180, 180),
        Field("stone", "mesh_tilt_width_deg", "angle", "Turns a mesh's measured orientation about its width", -180, 180),
        Field("stone", "mesh_turn_deg", "angle", "Turns a mesh's measured orientation about its height", -180, 180),
        Field("head", "style", "choice", "How the head holds the stone", choices=("tapered claw", "basket", "gallery", "coronet", "peg", "rim")),
        Field("head", "culet_clearance_mm", "length", "Culet above the lowest plane of the head", 0.1, 20),
        Field("wall", "taper_deg", "angle", "Angle of the wall to the axis, per side", 0, 40),
        Field("wall", "thickness_mm", "length", "Thickness of the wall, square to it", 0.2, 10),
        Field("wall", "seat_inset_mm", "length", "Least rim between the outer wall and the pavilion, square to the wall", 0.02, 5),
        Field("wall", "bevel_mm", "length", "Bevel on the inner top edge, along the top and along the wall", 0, 10),
        Field("seat", "cut", "switch", "Cut the seat to the stone in the model instead of leaving it to the setter"),
        Field("seat", "clearance_mm", "length", "Room between the stone and a seat cut in the model", 0, 0.3),
        Field("wall", "scoop_mm", "length", "How far the wall's top is scooped down between the claws", 0, 10),
        Field("wall", "bar_mm", "length", "Wall left between two windows; beside a claw, half of it", 0.2, 5),
        Field("wall", "band_mm", "length", "Wall left above and below the windows", 0.2, 5),
        Field("rails", "thickness_mm", "length", "Thickness of the rails, square to their run", 0.3, 4),
        Field("rails", "upper_drop", "share", "The upper rail's middle below the girdle, as a share of the pavilion's depth", 0.1, 0.9),
        Field("peg", "diameter_mm", "length", "Diameter of the peg that the claws spring from", 0.8, 10),
        Field("peg", "height_mm", "length", "Height of the peg above the base plane", 0.3, 10),
        Field("rim", "thickness_mm", "length", "Thickness of the rim that is rubbed over the stone", 0.2, 3),
        Field("rim", "height_mm", "length", "Height of the rim above the lower girdle edge, before it is rubbed over", 0.1, 20),
        Field("rim", "open_directions_deg", "directions", "Directions in which the rim is open, counter-clockwise from the stone's length: \"0, 180\""),
        Field("rim", "open_width_deg", "angle", "How wide each opening of the rim is", 5, 150),
        Field("claws", "count", "count", "How many claws", 2, 16),
        Field("claws", "placement", "choice", "Where the claws stand on the outline", choices=("evenly", "corners", "points", "pairs", "directions")),
        Field("claws", "directions_deg", "directions", "Directions of the claws, counter-clockwise from the stone's length: \"45, 135, 270\""),
        Field("claws", "pair_gap_mm", "length", "Clear width between the two claws of a pair, at the girdle", 0.1, 10),
        Field("claws", "diameter_mm", "length", "Thickness of a claw at its base, square to the outline", 0.3, 6),
        Field("claws", "width_mm", "length", "Width of an oval or tab claw along the outline; of a V claw, the length of each leg", 0.3, 12),
        Field("claws", "tip_share", "share", "Thickness of a claw at its end as a share of that at its base", 0.4, 1),
        Field("claws", "bow_mm", "length", "How far a claw bows outwards, half way between base and girdle", 0, 5),
        Field("claws", "notch", "share", "Share of the claw's diameter that the girdle cuts into", 0.02, 0.9),
        Field("claws", "spare_mm", "length", "How far a claw runs past the wall's top edge, along the wall", 0, 20),
        Field("claws", "start_angle_deg", "angle", "Direction of the first claw, counter-clockwise from the stone's length", -360, 360),
        Field("claws", "section", "choice", "The claw's section, square to its axis; V claws stand at corners only", choices=("round", "oval", "tab", "V")),
        Field("claws", "tip", "choice", "How the setter finishes the claw over the crown; V claws are always folded to a V", choices=("round", "almond", "tab", "V")),
        Field("surround", "present", "switch", "A ring of small stones round the centre stone"),
        Field("surround", "stone_mm", "length", "Diameter of the small stones", 0.8, 4),
        Field("surround", "species", "choice", "What the small stones are", choices=tuple(each.name for each in species.all_species())),
        Field("surround", "count", "count", "How many small stones", 6, 120),
        Field("surround", "gap_mm", "length", "Least clear width between two small stones", 0, 1),
        Field("surround", "centre_gap_mm", "length", "Clear width between the small stones and the centre stone's girdle, in plan", 0, 3),
        Field("surround", "drop_mm", "length", "The small stones' girdles below the centre stone's girdle", 0, 5),
        Field("surround", "plate_mm", "length", "Thickness of the plate that the small stones are set in", 0.5, 4),
        Field("sides", "present", "switch", "A smaller head on each side, joined at the base"),
        Field("sides", "cut", "choice", "The shape of the side stones", choices=CUTS),
        Field("sides", "species", "choice", "What the side stones are", choices=tuple(each.name for each in species.all_species())),
        Field("sides", "length_mm", "length", "The longer measure of a side stone's girdle", 0.8, 30),
        Field("sides", "width_mm", "length", "The shorter measure of a side stone's girdle", 0.8, 30),
        Field("sides", "gap_mm", "length", "Clear width between the girdles of centre and side stones", 0, 5),
        Field("casting", "alloy", "choice", "The metal the head is cast in", choices=tuple(each.name for each in alloys.all_alloys())),
        Field("casting", "process", "choice", "How the model becomes metal", choices=PROCESSES),
        Field("casting", "shrinkage_percent", "percent", "Linear shrinkage from model to casting", 0, 10),
        Field("finger", "system", "choice", "The ring size system", choices=ring_sizes.SYSTEMS),
        Field("finger", "size", "text", "The ring size, as that system writes it"),
        Field("spread", "stone_mm", "length", "How far the stone's measures may be off, either way", 0, 1),
        Field("spread", "model_mm", "length", "How far the printed or milled model may be off, either way", 0, 1),
        Field("spread", "casting_percent", "percent", "How far the shrinkage may be off, either way", 0, 5),
    )


PROCESSES = tuple(house_rules.PROCESSES)
"""How a model becomes metal; the house rules have a section for each."""

FIELDS: tuple[Field, ...] = _fields()
SECTIONS: tuple[str, ...] = tuple(dict.fromkeys(each.section for each in FIELDS))
BY_PATH: dict[str, Field] = {each.path: each for each in FIELDS}


@dataclass(frozen=True)
class Spec:
    """The choices, by their path ("claws.count"). Frozen and hashable; build one with `spec_of`."""

    choices: tuple[tuple[str, Value], ...] = ()
    _map: dict[str, Value] = field(init=False, repr=False, compare=False, hash=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_map", dict(self.choices))

    def get(self, path: str) -> Any:
        """The choice at a path, or None where it was left out. Raises KeyError on a path that is no field."""
        BY_PATH[path]
        return self._map.get(path)

    def section(self, name: str) -> dict[str, Value]:
        """The choices of one section by key, without those left out."""
        return {path.partition(".")[2]: value for path, value in self.choices if path.startswith(name + ".")}

    def with_choices(self, **changes: Value | None) -> Spec:
        """A copy with some choices changed; "__" stands for the dot, None frees a choice."""
        merged = dict(self.choices)
        for name, value in changes.items():
            path = name.replace("__", ".", 1)
            if value is None:
                merged.pop(path, None)
            else:
                merged[path] = value
        return spec_of(merged)

    def __iter__(self) -> Iterator[tuple[str, Value]]:
        return iter(self.choices)


def spec_of(choices: Mapping[str, Any]) -> Spec:
    """A spec from path -> value. Raises SpecError with a fault for every unknown path and bad value."""
    faults: list[Fault] = []
    good: dict[str, Value] = {}
    for path, value in choices.items():
        known = BY_PATH.get(path)
        if known is None:
            faults.append(_unknown(path, value, list(BY_PATH), "a key"))
            continue
        try:
            good[path] = known.check(value)
        except SpecError as error:
            faults.extend(error.faults)
    if faults:
        raise SpecError(*faults)
    return Spec(tuple((each.path, good[each.path]) for each in FIELDS if each.path in good))


def spec_from_toml(text: str) -> Spec:
    """A spec from TOML text. Raises SpecError for what is wrong with any key."""
    try:
        tree = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError is one; a number of thousands of digits raises a plain one
        raise SpecError(Fault("file", "not TOML", f"it must be TOML ({error})")) from None
    except RecursionError:
        raise SpecError(Fault("file", "not a spec", "it nests too deeply")) from None
    faults: list[Fault] = []
    choices: dict[str, Any] = {}
    for name, content in tree.items():
        if name == "seatwright":
            if type(content) is not int or content != VERSION:
                faults.append(Fault("seatwright", content, f"this program reads version {VERSION} of a spec"))
        elif name not in SECTIONS:
            faults.append(_unknown(name, content, ["seatwright", *SECTIONS], "a section"))
        elif not isinstance(content, dict):
            faults.append(Fault(name, content, "it must be a section with keys of its own"))
        else:
            choices.update({f"{name}.{key}": value for key, value in content.items()})
    try:
        spec = spec_of(choices)
    except SpecError as error:
        faults.extend(error.faults)
    if faults:
        raise SpecError(*faults)
    return spec


def read_spec(path: str | Path) -> Spec:
    """A spec from a file. Raises FileFault if it can't be read as UTF-8 text, SpecError for what is in it."""
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise FileFault(path, "there is no such file", "give the path of a spec in TOML") from None
    except IsADirectoryError:
        raise FileFault(path, "this is a folder", "give the path of a spec in TOML") from None
    except UnicodeDecodeError as error:
        raise FileFault(path, f"byte {error.start} is not UTF-8 text", "save the file as UTF-8") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFault(path, f"it cannot be read ({reason})", "check its name and permissions") from None
    spec = spec_from_toml(text)
    mesh = spec.get("stone.mesh")
    # A mesh is named as seen from the spec, so that both can be moved together.
    return spec.with_choices(stone__mesh=str(path.parent / mesh)) if mesh else spec


def spec_to_toml(spec: Spec) -> str:
    """The same spec as TOML text that `spec_from_toml` reads back."""
    lines = [f"seatwright = {VERSION}"]
    for section in SECTIONS:
        content = spec.section(section)
        if content:
            lines += ["", f"[{section}]"] + [f"{key} = {_toml(value)}" for key, value in content.items()]
    return "\n".join(lines) + "\n"


def _toml(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'
    return repr(value)


def _unknown(name: str, value: Any, known: list[str], what: str) -> Fault:
    near = difflib.get_close_matches(name, known, 1, 0.5) or difflib.get_close_matches(
        name.rpartition(".")[2], [k.rpartition(".")[2] for k in known], 1, 0.5)
    full = next((k for k in known if near and (k == near[0] or k.endswith("." + near[0]))), None)
    nearest = f"; the nearest known one is {full}" if full else f"; known are {', '.join(known)}"
    return Fault(name, value, f"it is not {what} of a spec{nearest}")
