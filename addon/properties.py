# SPDX-License-Identifier: GPL-3.0-or-later
"""The choices of a spec as properties of the metal's mesh, made from the core's list of fields.

Each field has a value and a switch `…_pinned`. A pinned value is a choice; any other shows what the plan derives.
"""

from __future__ import annotations

import contextlib
import zlib
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any

import bpy

from ..core.errors import SeatwrightError, SpecError, show
from ..core.head.draft import PINNABLE, Draft
from ..core.spec import BY_PATH, FIELDS, Field, Spec, Value, spec_from_toml, spec_of, spec_to_toml
from ..core.stone.cuts import BY_NAME as CUT_BY_NAME
from ..core.trade.house_rules import house_rules
from . import compat

if TYPE_CHECKING:
    from ..core.head import Head

SCHEMA = 2
"""The version of the properties below; a mesh with 0 is no head. In 1, choices had larger numbers (see `ITEM_BITS`)."""

ITEM_BITS = 24
"""Bits of a choice's number. More: Blender's menus, which hand numbers on as 32 bit floats, would round it to that of no item."""

SPEC_KEY, STATE_KEY, PARTS_KEY = "seatwright_spec", "seatwright_state", "seatwright_parts"
"""Custom properties of the mesh: what it was built from, readable without this extension."""

ADDED = "added metal"
"""The first name in PARTS_KEY: faces that were joined to a head without a part of their own get 0 from Blender."""

DIGITS = 6
"""Significant digits of a number taken from Blender, which keeps them as 32 bit floats: 0.9 is 0.8999999762 there.
More would show that rounding in files; fewer would lose a typed micrometre of a 60 mm stone."""

UNIT_MARKS = {"angle": "°", "weight": "ct"}
"""Units that Blender's number fields don't write themselves."""

SUFFIXES = ("_mm", "_deg", "_ct", "_percent")

LABELS = {
    "stone.mesh": "Mesh File",
    "stone.depth": "Depth Share",
    "stone.star": "Star Facets",
    "stone.lower_half": "Lower Halves",
    "head.culet_clearance_mm": "Culet Clearance",
    "seat.cut": "Cut the Seat",
    "seat.clearance_mm": "Seat Clearance",
    "wall.seat_inset_mm": "Seat Inset",
    "stone.mesh_tilt_length_deg": "Tilt Along °",
    "stone.mesh_tilt_width_deg": "Tilt Across °",
    "stone.mesh_turn_deg": "Turn °",
    "claws.count": "Count",
    "claws.spare_mm": "Spare Length",
    "claws.start_angle_deg": "First Claw °",
    "casting.shrinkage_percent": "Shrinkage",
    "finger.system": "Size System",
    "finger.size": "Ring Size",
    "head.style": "Style",
    "wall.scoop_mm": "Scoop Depth",
    "wall.bar_mm": "Window Bars",
    "wall.band_mm": "Window Bands",
    "rails.thickness_mm": "Rail Thickness",
    "rails.upper_drop": "Rail Drop",
    "rim.open_directions_deg": "Open Towards °",
    "rim.open_width_deg": "Opening °",
    "claws.directions_deg": "Directions °",
    "claws.pair_gap_mm": "Gap in a Pair",
    "claws.diameter_mm": "Thickness",
    "claws.tip_share": "End Share",
    "claws.bow_mm": "Bow Outwards",
    "surround.present": "Surround",
    "surround.stone_mm": "Stone Diameter",
    "surround.gap_mm": "Gap Between",
    "surround.centre_gap_mm": "Gap to Centre",
    "surround.drop_mm": "Drop",
    "surround.plate_mm": "Plate Thickness",
    "sides.present": "Side Stones",
    "sides.gap_mm": "Girdle Gap",
    "spread.stone_mm": "Stone ±",
    "spread.model_mm": "Model ±",
    "spread.casting_percent": "Shrinkage ±",
}

CORRECTIONS = tuple(each.path for each in FIELDS if each.section == "stone" and each.key.startswith("mesh_"))
"""How a user corrects the orientation that was measured on a mesh."""

SYSTEM_NAMES = {
    "iso": "ISO (circumference)",
    "us": "US and Canada",
    "uk": "UK",
    "jp": "Japan",
    "continental": "Continental",
    "de diameter": "Diameter",
}

PLAN_NAME = {path: name for name, path in PINNABLE.items()}
FIGURES = {
    "stone.crown_angle_deg": "crown_angle",
    "stone.pavilion_angle_deg": "pavilion_angle",
    "stone.depth": "depth",
    **{
        f"stone.{key}": key
        for key in ("table", "crown_height", "pavilion_depth", "girdle", "star", "lower_half", "culet")
    },
}
"""Where the derived value of a stone's proportion stands among the stone's own figures."""

_quiet = 0


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Inside, setting a property changes nothing but that property."""
    global _quiet
    _quiet += 1
    try:
        yield
    finally:
        _quiet -= 1


def is_head(mesh: object) -> bool:
    """Whether this datablock is the metal of a head."""
    return isinstance(mesh, bpy.types.Mesh) and mesh.seatwright.schema > 0


def property_name(path: str) -> str:
    """The property of a field: "wall.taper_deg" is wall_taper_deg."""
    return path.replace(".", "_")


def label(path: str) -> str:
    """A field's name for people, without its section."""
    if path in LABELS:
        return LABELS[path]
    key = path.partition(".")[2]
    for suffix in SUFFIXES:
        key = key.removesuffix(suffix)
    name = key.replace("_", " ").title()
    mark = UNIT_MARKS.get(BY_PATH[path].kind)
    return f"{name} {mark}" if mark else name


def full_label(path: str) -> str:
    """A field's name with its section: "Wall Taper"."""
    section, name = path.partition(".")[0].title(), label(path).removesuffix(" °").removesuffix(" ct")
    return name if name.startswith(section[:4]) or section in ("Casting", "Finger", "Head") else f"{section} {name}"


def sentence(error: SeatwrightError) -> str:
    """A refusal in the words of the panels: "Wall Taper of 40 is refused: …"."""
    if not isinstance(error, SpecError):
        return str(error)
    lines = []
    for fault in error.faults:
        name = full_label(fault.key) if fault.key in BY_PATH else fault.key
        allowed = fault.allowed
        for path in sorted(BY_PATH, key=len, reverse=True):
            allowed = allowed.replace(path, full_label(path))
        lines.append(f"{name} {show(fault.value)} is refused: {allowed}.")
    return "\n".join(dict.fromkeys(lines))


def enum_items(field: Field) -> list[tuple[str, str, str, str, int]]:
    """A choice's items. Numbers come from the names, so a file keeps its choice when the table grows or is sorted."""
    return [
        (name, SYSTEM_NAMES.get(name, name[:1].upper() + name[1:]), "", "NONE", zlib.crc32(name.encode()) % 2**ITEM_BITS)
        for name in field.choices
    ]


def value_property(field: Field, update: Callable[..., None] | None = None, **more: Any) -> Any:
    """Blender's property for one field, with the core's limits and sentence."""
    common: dict[str, Any] = {"name": label(field.path), "description": field.doc, "options": set(), **more}
    if update is not None:
        common["update"] = update
    if field.kind == "choice":
        return bpy.props.EnumProperty(items=enum_items(field), **common)
    if field.kind == "switch":
        return bpy.props.BoolProperty(**common)
    if field.kind in ("text", "directions"):
        if field.path == "stone.mesh":
            common |= {"subtype": "FILE_PATH", "options": compat.path_options()}
        return bpy.props.StringProperty(**common)
    if field.kind == "count":
        return bpy.props.IntProperty(min=int(field.low), max=int(field.high), default=int(field.low), **common)
    kinds = {
        "length": {"subtype": "DISTANCE_CAMERA", "precision": 4, "step": 1},
        "angle": {"precision": 2, "step": 10},
        "share": {"precision": 3, "step": 1},
        "percent": {"subtype": "PERCENTAGE", "precision": 2, "step": 1},
        "weight": {"precision": 3, "step": 1},
    }
    return bpy.props.FloatProperty(
        min=field.low, max=field.high, default=max(field.low, 0.0), **kinds[field.kind], **common
    )


def _value_changed(path: str) -> Callable[[Any, bpy.types.Context], None]:
    def changed(self: Any, context: bpy.types.Context) -> None:
        if not _quiet:
            _choose(self.id_data, path)

    return changed


def _pin_changed(self: Any, context: bpy.types.Context) -> None:
    if not _quiet:
        _rebuild(self.id_data)


def _choose(mesh: bpy.types.Mesh, path: str) -> None:
    """A value was typed or dragged: from now on it is the user's."""
    settings = mesh.seatwright
    with quiet():
        setattr(
            settings,
            property_name(path) + "_pinned",
            BY_PATH[path].kind not in ("text", "directions") or bool(getattr(settings, property_name(path))),
        )
        if path == "stone.cut":
            _suit_cut(settings)
        elif path == "claws.placement":
            _give_directions(mesh)
        elif path == "stone.mesh" and not settings.stone_mesh:
            free(settings, list(CORRECTIONS))
        elif path == "stone.mesh":
            free(
                settings,
                [
                    each.path
                    for each in FIELDS
                    if each.section == "stone" and each.key not in ("cut", "species", "mesh")
                ],
            )
    _rebuild(mesh)


def _give_directions(mesh: bpy.types.Mesh) -> None:
    """Where claws are to stand in chosen directions and none are given yet, take those that they stand in, to start from."""
    settings = mesh.seatwright
    if settings.claws_placement != "directions" or settings.claws_directions_deg:
        return
    from . import live

    with contextlib.suppress(SeatwrightError):
        plan = live.head_of(mesh).plan
        numbers = range(1, round(plan["claw_count"]) + 1) if "claw_count" in plan else ()
        settings.claws_directions_deg = ", ".join(f"{plan[f'claw_{number}_direction']:.4g}" for number in numbers)
        settings.claws_directions_deg_pinned = bool(settings.claws_directions_deg)


def _suit_cut(settings: Any) -> None:
    """Let go of proportions that the new cut does not have, of a second diameter of a round one, and of a width that was
    meant for claws at corners."""
    cut = CUT_BY_NAME[settings.stone_cut]
    free(settings, [path for path in proportions() if path.partition(".")[2] not in cut.has])
    if not settings.claws_section_pinned:
        free(settings, ["claws.width_mm"])
    if cut.is_round and settings.stone_width_mm_pinned:
        if not settings.stone_length_mm_pinned:
            settings.stone_length_mm, settings.stone_length_mm_pinned = settings.stone_width_mm, True
        settings.stone_width_mm_pinned = False


def proportions() -> list[str]:
    """The paths of what some cuts have and others have not."""
    return [
        each.path for each in FIELDS if each.section == "stone" and (each.path in FIGURES or each.key == "depth_mm")
    ]


def _rebuild(mesh: bpy.types.Mesh) -> None:
    from . import rebuild

    if is_head(mesh) and mesh.is_editable:
        rebuild.rebuild(mesh)


@contextlib.contextmanager
def changing(mesh: bpy.types.Mesh) -> Iterator[Any]:
    """Set several properties of a head and rebuild it once at the end."""
    with quiet():
        yield mesh.seatwright
    _rebuild(mesh)


def free(settings: Any, paths: Iterable[str]) -> None:
    """Let these follow from the rest again. Call it inside `quiet`."""
    for path in paths:
        setattr(settings, property_name(path) + "_pinned", False)
        if BY_PATH[path].kind in ("text", "directions"):
            setattr(settings, property_name(path), "")


def choice(settings: Any, field: Field) -> Value:
    """A property's value as the core counts it."""
    value = getattr(settings, property_name(field.path))
    if field.path == "stone.mesh":
        return bpy.path.abspath(value)
    return float(f"{value:.{DIGITS}g}") if isinstance(value, float) else value


def spec_from(settings: Any) -> Spec:
    """The pinned choices but for those that change nothing in such a head: the panels hide them, and they come back with
    what they belong to. Raises SpecError."""
    from ..core.head.unused import unused

    spec = spec_of(
        {
            each.path: choice(settings, each)
            for each in FIELDS
            if getattr(settings, property_name(each.path) + "_pinned")
        }
    )
    idle = {fault.key for fault in unused(spec)}
    return spec_of({path: value for path, value in spec if path not in idle}) if idle else spec


def write_choices(settings: Any, spec: Spec) -> None:
    """Take over all choices of a spec; what it leaves out follows from the rest. Call it inside `quiet`."""
    for each in FIELDS:
        value = spec.get(each.path)
        name = property_name(each.path)
        setattr(settings, name + "_pinned", value is not None)
        if value is not None:
            setattr(settings, name, value)
        elif each.kind in ("text", "directions"):
            setattr(settings, name, "")


def write_derived(settings: Any, head: Head) -> None:
    """Show what the plan derived in every property that is not pinned. Call it inside `quiet`."""
    for path, value in derived(head).items():
        name = property_name(path)
        if not getattr(settings, name + "_pinned") and getattr(settings, name) != value:
            setattr(settings, name, value)


def derived(head: Head) -> dict[str, Value]:
    """What a head makes of every field that may be left open; without those of which nothing follows."""
    plan, figures = head.plan, head.stone.figures
    found: dict[str, Value] = {each.path: each.choices[0] for each in FIELDS if each.kind == "choice"}
    found |= {path: plan[name] for path, name in PLAN_NAME.items() if name in plan}
    found |= {path: round(found[path]) for path in found if BY_PATH[path].kind == "count"}
    found |= {path: figures[name].value for path, name in FIGURES.items() if name in figures}
    found |= {
        "casting.shrinkage_percent": 100.0 * plan["shrinkage"],
        "stone.weight_ct": plan["stone_weight"],
        "stone.species": head.species.name,
        "casting.alloy": head.alloy.name,
        "casting.process": head.process,
        "seat.cut": False,
        "head.style": head.style.name,
        **words_of(head),
    }
    if head.stone.cut in CUT_BY_NAME:
        found["stone.cut"] = head.stone.cut
    else:
        del found["stone.cut"]  # a mesh is of no cut, and the one that was chosen before stays
    return found


def words_of(head: Head) -> dict[str, Value]:
    """How the claws came to stand and look, where that was left open; nothing on a head without claws."""
    from ..core.head.planning.claw_places import placement_of
    from ..core.head.setting import tip_of

    if "claw_count" not in head.plan:
        return {}
    section = "V" if "v_claw_count" in head.plan else head.spec.get("claws.section") or "round"
    placement, _ = placement_of(Draft(head.spec, head.stone, head.rules or house_rules()))
    return {"claws.placement": placement, "claws.section": section, "claws.tip": tip_of(head.spec)}


def built_spec(mesh: bpy.types.Mesh) -> str:
    """The spec that the metal was last built from, as TOML; "" if it never was."""
    return str(mesh.get(SPEC_KEY, ""))


def built_state(mesh: bpy.types.Mesh) -> str:
    """The state that the metal was last built in."""
    return str(mesh.get(STATE_KEY, STATE_ITEMS[0][0]))


def is_behind(mesh: bpy.types.Mesh) -> bool:
    """Whether the choices shown are not those that the metal was built from."""
    try:
        return spec_to_toml(spec_from(mesh.seatwright)) != built_spec(mesh) or mesh.seatwright.state != built_state(
            mesh
        )
    except SpecError:
        return True


STATE_ITEMS = (
    ("cast", "As Cast", "The head as it comes from casting, claws straight", "NONE", 1),
    ("set", "As Set", "The head after the setter's work, claws over the stone", "NONE", 2),
)


def state_property(**options: Any) -> Any:
    return bpy.props.EnumProperty(
        name="State",
        items=STATE_ITEMS,
        options=set(),
        description="Show the head before or after the setter's work",
        **options,
    )


def _annotations() -> dict[str, Any]:
    found: dict[str, Any] = {
        "schema": bpy.props.IntProperty(
            name="Schema", description="Version of these properties, 0 where there is no head", options={"HIDDEN"}
        ),
        "state": state_property(update=_pin_changed),
        "built": bpy.props.StringProperty(
            name="Built", options={"HIDDEN"}, description="Digest of the metal as last built, to notice edits by hand"
        ),
        "problem": bpy.props.StringProperty(
            name="Problem", description="Why the last rebuild was refused", options={"HIDDEN"}
        ),
        "stone": bpy.props.PointerProperty(
            type=bpy.types.Mesh,
            name="Stone",
            options={"HIDDEN"},
            description="The mesh of the stone that this metal holds",
        ),
        "metal": bpy.props.PointerProperty(
            type=bpy.types.Mesh, name="Metal", options={"HIDDEN"}, description="Only in files of earlier versions"
        ),
        "directory": bpy.props.StringProperty(
            name="Folder",
            subtype="DIR_PATH",
            options=compat.path_options(),
            default="//",
            description="Where the files of this head are written",
        ),
    }
    for each in FIELDS:
        name = property_name(each.path)
        found[name] = value_property(each, _value_changed(each.path))
        found[name + "_pinned"] = bpy.props.BoolProperty(
            name=f"{label(each.path)} Kept",
            options=set(),
            update=_pin_changed,
            description=f"Keep {full_label(each.path)} as it is instead of letting it follow from the rest",
        )
    return found


SEATWRIGHT_PG_head = type(
    "SEATWRIGHT_PG_head",
    (bpy.types.PropertyGroup,),
    {
        "__doc__": "One head: its choices, on the mesh of its metal",
        "__module__": __name__,
        "__annotations__": _annotations(),
    },
)


class SEATWRIGHT_PG_view(bpy.types.PropertyGroup):
    """What is looked at now; never saved with a head"""

    why: bpy.props.StringProperty(
        name="Why",
        options=set(),  # type: ignore[valid-type]
        description="The dimension whose reason is shown",
    )


@bpy.app.handlers.persistent
def migrate(*_: object) -> None:
    """Bring heads of earlier versions, and heads whose properties were lost, up to date after a file was opened."""
    for mesh in bpy.data.meshes:
        if mesh.seatwright.metal is not None and mesh.is_editable:
            mesh.seatwright.metal = None
        text = mesh.get(SPEC_KEY)
        if mesh.seatwright.schema < SCHEMA and isinstance(text, str) and mesh.is_editable:
            _restore(mesh, text)


def _restore(mesh: bpy.types.Mesh, text: str) -> None:
    """Fill in the properties of a head from its text, and leave it known whether its metal was edited."""
    from . import live, rebuild

    settings = mesh.seatwright
    try:
        spec = spec_from_toml(text)
        with quiet():
            write_choices(settings, spec)
            settings.state = built_state(mesh)
            write_derived(settings, live.head_of(mesh))
    except SeatwrightError as error:
        settings.problem = sentence(error)
        return
    if settings.schema == 0:
        settings.built = rebuild.digest_of(mesh)
    settings.schema = SCHEMA


classes = (SEATWRIGHT_PG_head, SEATWRIGHT_PG_view)


def register() -> None:
    bpy.types.Mesh.seatwright = bpy.props.PointerProperty(
        type=SEATWRIGHT_PG_head, name="Seatwright", description="The head that this mesh is the metal of"
    )
    bpy.types.WindowManager.seatwright = bpy.props.PointerProperty(
        type=SEATWRIGHT_PG_view, name="Seatwright", description="What is looked at now"
    )
    bpy.app.handlers.load_post.append(migrate)


def unregister() -> None:
    bpy.app.handlers.load_post.remove(migrate)
    del bpy.types.WindowManager.seatwright
    del bpy.types.Mesh.seatwright
