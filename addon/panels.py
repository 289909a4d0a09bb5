# SPDX-License-Identifier: GPL-3.0-or-later
"""The sidebar: the chosen head's choices, reasons and findings. Drawing only reads."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import bpy

from ..core.errors import SeatwrightError
from ..core.spec import FIELDS
from ..core.stone.cuts import BY_NAME as CUT_BY_NAME
from . import live, overlay, painted, preview, rebuild, remedies
from .operators import MILLIMETRE_M, dimension, hand_over_folder, has_stone, metal_of, why_name
from .properties import CORRECTIONS, is_behind, property_name, proportions

if TYPE_CHECKING:
    from ..core.head import Head

ICONS = {"unsafe": "CANCEL", "watch": "ERROR", "sound": "CHECKMARK"}
VERDICTS = ("unsafe", "watch", "sound")
LETTER_PX, MARGINS_PX, ICON_PX = 5.9, 72.0, 20.0
"""About how wide a letter of the panels is, and margins and an icon take, to break lines before they are cut off."""


class SeatwrightPanel:
    """Where all panels stand, and that they need a chosen head."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Seatwright"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return metal_of(context) is not None

    def begin(self, context: bpy.types.Context) -> tuple[bpy.types.UILayout, Any, bpy.types.Mesh]:
        """The layout in Blender's two columns, the settings, and their mesh."""
        layout, mesh = self.layout, metal_of(context).data
        layout.use_property_split, layout.use_property_decorate = True, False
        layout.enabled = mesh.is_editable
        return layout, mesh.seatwright, mesh


def broken(context: bpy.types.Context, text: str, has_icon: bool) -> list[str]:
    """Text in lines that fit the sidebar."""
    scale = context.preferences.system.ui_scale or 1.0  # 0 where there is no screen
    width = context.region.width if context.region is not None else 280
    letters = max(20, int((width / scale - MARGINS_PX - has_icon * ICON_PX) / LETTER_PX))
    return [line for paragraph in text.splitlines() for line in textwrap.wrap(paragraph, letters)]


def say(layout: bpy.types.UILayout, context: bpy.types.Context, text: str, icon: str = "NONE") -> None:
    """Sentences for the user, none cut off."""
    column = layout.column(align=True)
    column.scale_y = 0.8
    for row, line in enumerate(broken(context, text, icon != "NONE")):
        column.label(text=line, icon=icon if row == 0 else ("BLANK1" if icon != "NONE" else "NONE"))


def choose(layout: bpy.types.UILayout, context: bpy.types.Context, settings: Any, path: str, text: str = "") -> None:
    """One choice: its value, and beside it why it is so, or a way to let it follow again."""
    name, why = property_name(path), why_name(path)
    row = layout.row(align=True)
    if text:
        row.prop(settings, name, text=text)
    else:
        row.prop(settings, name)
    if getattr(settings, name + "_pinned"):
        row.operator("seatwright.free", text="", icon="PINNED", emboss=False).path = path
    elif why:
        row.operator("seatwright.why", text="", icon="QUESTION", emboss=False).name = why
    else:
        row.label(text="", icon="BLANK1")
    if why and context.window_manager.seatwright.why == why:
        entry = dimension(context, why)
        if entry is not None:
            say(layout.box(), context, reason(entry))


def reason(entry: Any) -> str:
    """Why a dimension is as it is, and by whom, in two sentences."""
    text = entry.reason[:1].upper() + entry.reason[1:]
    return f"{text.rstrip('.')}.\nSource: {entry.source}"


def head_of(mesh: bpy.types.Mesh) -> Head | None:
    """The head last built, None if its own text is not readable."""
    try:
        return live.head_of(mesh)
    except SeatwrightError:
        return None


class SEATWRIGHT_PT_head(SeatwrightPanel, bpy.types.Panel):
    """The head as a whole: add one, as cast or as set, and what stands in its way"""

    bl_label = "Head"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return True

    def draw(self, context: bpy.types.Context) -> None:
        metal = metal_of(context)
        if metal is None:
            self.layout.label(text="No head is chosen")
            self.layout.operator("seatwright.head_add", text="Add Stone Head", icon="ADD")
            if context.active_object is not None and context.active_object.type == "MESH":
                self.layout.operator("seatwright.stone_from_object", icon="MESH_ICOSPHERE")
            return
        layout, settings, mesh = self.begin(context)
        row = layout.row()
        row.use_property_split = False
        row.prop(metal, "name", text="", icon="OUTLINER_OB_MESH")
        row = layout.row()
        row.use_property_split = False
        row.prop(settings, "state", expand=True)
        layout.prop(settings, "head_style")
        draw_verdict(layout, metal)
        draw_hints(layout, context, metal)


def draw_verdict(layout: bpy.types.UILayout, metal: bpy.types.Object) -> None:
    """What the proof says, in one line."""
    findings = live.known(metal)
    if findings is None or isinstance(findings, str):
        layout.label(text="Not proved yet", icon="TIME")
        return
    counts = count_verdicts(findings)
    worst = next((verdict for verdict in VERDICTS if counts[verdict]), "sound")
    bad = ", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICTS[:2] if counts[verdict])
    layout.label(text=bad or f"All {counts['sound']} checks are sound", icon=ICONS[worst])


def count_verdicts(findings: Iterable[Any]) -> dict[str, int]:
    """How many findings there are of each verdict."""
    verdicts = [each.verdict for each in findings]
    return {verdict: verdicts.count(verdict) for verdict in VERDICTS}


def draw_hints(layout: bpy.types.UILayout, context: bpy.types.Context, metal: bpy.types.Object) -> None:
    """Everything that keeps the metal from being what the panel shows, each with its remedy."""
    mesh = metal.data
    if not mesh.is_editable:
        say(layout, context, "This head is linked from another file. Make it local to change it.", "LINKED")
        return
    if mesh.seatwright.problem:
        say(layout.box(), context, mesh.seatwright.problem, "ERROR")
    if rebuild.obstacle(mesh):
        say(layout.box(), context, rebuild.obstacle(mesh), "INFO")
    elif rebuild.is_edited(mesh):
        box = layout.box()
        say(box, context, "The metal was edited by hand and no longer follows its choices.", "INFO")
        box.operator("seatwright.rebuild", text="Rebuild and Lose Hand Edits")
        if is_behind(mesh):
            box.operator("seatwright.keep_hand_edits", text="Keep Hand Edits")
    elif is_behind(mesh) and not mesh.seatwright.problem:
        box = layout.box()
        say(box, context, "The metal does not follow its choices yet.", "INFO")
        box.operator("seatwright.rebuild", text="Rebuild")
    if not has_stone(metal):
        box = layout.box()
        say(box, context, "This head has no stone of its own.", "INFO")
        box.operator("seatwright.stone_add")
    if live.is_scaled(metal):
        box = layout.box()
        say(box, context, "The object is scaled, so the metal here is not as large as its measures say.", "ERROR")
        box.operator("seatwright.reset_scale")


class SEATWRIGHT_PT_stone(SeatwrightPanel, bpy.types.Panel):
    """What stone the head holds"""

    bl_label = "Stone"

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, mesh = self.begin(context)
        head = head_of(mesh)
        if head is not None:
            layout.template_icon(icon_value=preview.icon_of(head.stone), scale=5.0)
        if not settings.stone_mesh:
            layout.prop(settings, "stone_cut")
        layout.prop(settings, "stone_species")
        column = layout.column(align=True)
        if not settings.stone_mesh:
            draw_size(column, context, settings)


def draw_size(column: bpy.types.UILayout, context: bpy.types.Context, settings: Any) -> None:
    """The stone's measures; a round one has a diameter."""
    cut = CUT_BY_NAME[settings.stone_cut]
    choose(column, context, settings, "stone.length_mm", "Diameter" if cut.is_round else "")
    if not cut.is_round or settings.stone_width_mm_pinned:
        choose(column, context, settings, "stone.width_mm")
    if "depth_mm" in cut.has:
        choose(column, context, settings, "stone.depth_mm")
    choose(column, context, settings, "stone.weight_ct")


class SEATWRIGHT_PT_proportions(SeatwrightPanel, bpy.types.Panel):
    """The stone's proportions, as a lab report states them"""

    bl_label = "Proportions"
    bl_parent_id = "SEATWRIGHT_PT_stone"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, _ = self.begin(context)
        column = layout.column(align=True)
        if not settings.stone_mesh:
            has = CUT_BY_NAME[settings.stone_cut].has
            for path in proportions():
                if path.partition(".")[2] in has and path != "stone.depth_mm":
                    choose(column, context, settings, path)
        else:
            for path in CORRECTIONS:
                choose(column, context, settings, path)
        layout.prop(settings, "stone_mesh")


class SEATWRIGHT_PT_wall(SeatwrightPanel, bpy.types.Panel):
    """What stands under the stone, and the seat in it"""

    bl_label = "Under the Stone"

    def draw(self, context: bpy.types.Context) -> None:
        from ..core.head.unused import STYLES_OF

        layout, settings, _ = self.begin(context)
        column = layout.column(align=True)
        choose(column, context, settings, "head.culet_clearance_mm")
        for path, styles in STYLES_OF.items():
            if settings.head_style in styles:
                choose(column, context, settings, path)
        layout.prop(settings, "seat_cut")
        if settings.seat_cut:
            choose(layout, context, settings, "seat.clearance_mm")


class SEATWRIGHT_PT_rim(SeatwrightPanel, bpy.types.Panel):
    """The rim that is rubbed over the stone"""

    bl_label = "Rim"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        metal = metal_of(context)
        return metal is not None and metal.data.seatwright.head_style == "rim"

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, _ = self.begin(context)
        column = layout.column(align=True)
        for path in ("rim.thickness_mm", "rim.height_mm", "rim.open_directions_deg"):
            choose(column, context, settings, path)
        if settings.rim_open_directions_deg:
            choose(column, context, settings, "rim.open_width_deg")


class SEATWRIGHT_PT_claws(SeatwrightPanel, bpy.types.Panel):
    """The claws that hold the stone"""

    bl_label = "Claws"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        metal = metal_of(context)
        return metal is not None and metal.data.seatwright.head_style != "rim"

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, _ = self.begin(context)
        column = layout.column(align=True)
        choose(column, context, settings, "claws.placement")
        for path in PLACED_BY.get(settings.claws_placement, ("claws.count",)):
            choose(column, context, settings, path)
        column = layout.column(align=True)
        choose(column, context, settings, "claws.section")
        choose(column, context, settings, "claws.diameter_mm")
        if settings.claws_section != "round":
            choose(column, context, settings, "claws.width_mm")
        for path in ("claws.notch", "claws.tip_share", "claws.bow_mm"):
            choose(column, context, settings, path)
        column = layout.column(align=True)
        choose(column, context, settings, "claws.spare_mm")
        choose(column, context, settings, "claws.tip")
        layout.operator("seatwright.free_all")


PLACED_BY = {
    "evenly": ("claws.count", "claws.start_angle_deg"),
    "pairs": ("claws.count", "claws.pair_gap_mm", "claws.start_angle_deg"),
    "directions": ("claws.directions_deg",),
}
"""What else says where claws stand, for each way of placing them; else their count alone."""


class SwitchedPanel(SeatwrightPanel):
    """A part that a head may have: its switch stands in the panel's header."""

    bl_options = {"DEFAULT_CLOSED"}
    section = ""

    def draw_header(self, context: bpy.types.Context) -> None:
        mesh = metal_of(context).data
        self.layout.enabled = mesh.is_editable
        self.layout.prop(mesh.seatwright, f"{self.section}_present", text="")

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, _ = self.begin(context)
        column = layout.column(align=True)
        column.active = getattr(settings, f"{self.section}_present")
        for field in FIELDS:
            if field.section == self.section and field.key != "present":
                choose(column, context, settings, field.path)


class SEATWRIGHT_PT_surround(SwitchedPanel, bpy.types.Panel):
    """A ring of small stones round the centre stone"""

    bl_label = "Surround"
    section = "surround"


class SEATWRIGHT_PT_sides(SwitchedPanel, bpy.types.Panel):
    """A smaller head on each side of the centre stone"""

    bl_label = "Side Stones"
    section = "sides"


class SEATWRIGHT_PT_casting(SeatwrightPanel, bpy.types.Panel):
    """What the head is cast in and which finger the ring is for"""

    bl_label = "Casting & Finger"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, mesh = self.begin(context)
        layout.prop(settings, "casting_alloy")
        layout.prop(settings, "casting_process")
        choose(layout, context, settings, "casting.shrinkage_percent")
        column = layout.column(align=True)
        column.prop(settings, "finger_system")
        column.prop(settings, "finger_size")
        head = head_of(mesh)
        if head is not None and "finger_diameter" in head.plan:
            layout.label(text=f"Inside diameter {head.plan['finger_diameter']:.2f} mm")


class SEATWRIGHT_PT_spread(SeatwrightPanel, bpy.types.Panel):
    """How far stone, model and shrinkage may be off; the proof then says what that does to each finding"""

    bl_label = "Tolerances"
    bl_parent_id = "SEATWRIGHT_PT_casting"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, _ = self.begin(context)
        column = layout.column(align=True)
        for path in SPREAD:
            choose(column, context, settings, path)
        if not any(getattr(settings, property_name(path) + "_pinned") for path in SPREAD):
            say(layout, context, "Give any of these, and the proof shows worst cases and the stone sizes that fit.", "INFO")


SPREAD = tuple(field.path for field in FIELDS if field.section == "spread")


class SEATWRIGHT_PT_proof(SeatwrightPanel, bpy.types.Panel):
    """What was measured on the metal, worst first"""

    bl_label = "Proof"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.layout
        findings = live.known(metal_of(context))
        if findings is None:
            layout.label(text="Not proved yet", icon="TIME")
            layout.operator("seatwright.prove")
        elif isinstance(findings, str):
            say(layout, context, findings, "ERROR")
        else:
            draw_findings(layout, context, findings)
            if live.wants_spread(metal_of(context), findings):
                layout.operator("seatwright.prove", text="Prove with Tolerances")
            if any(each.verdict != "sound" for each in findings) or remedies.change_of(metal_of(context)):
                draw_change(layout, context)
        draw_paint(layout, metal_of(context).data)


def draw_paint(layout: bpy.types.UILayout, mesh: bpy.types.Mesh) -> None:
    """Buttons that paint measures on the metal, and take them off."""
    row = layout.row(align=True)
    now = painted.painted(mesh)
    for quantity, text in (("thickness", "Paint Thickness"), ("gap", "Paint Gaps")):
        row.operator("seatwright.paint", text=text, depress=now == quantity).quantity = quantity
    if now:
        layout.operator("seatwright.paint_clear")


def draw_findings(layout: bpy.types.UILayout, context: bpy.types.Context, findings: Iterable[Any]) -> None:
    """Counts, then by family every finding that is not sound; the sound ones folded away."""
    numbered = list(enumerate(findings))
    counts = count_verdicts(each for _, each in numbered)
    layout.label(text=", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICTS))
    marked = overlay.shown_index(metal_of(context))
    list_families(layout, context, [each for each in numbered if each[1].verdict != "sound"], marked)
    header, body = layout.panel("SEATWRIGHT_sound", default_closed=True)
    header.label(text=f"Sound ({counts['sound']})")
    if body is not None:
        list_families(body, context, [each for each in numbered if each[1].verdict == "sound"], marked)


def list_families(
    layout: bpy.types.UILayout, context: bpy.types.Context, findings: list[tuple[int, Any]], marked: int | None
) -> None:
    """The findings under the names of their families, in the order of each family's worst."""
    families: dict[str, list[tuple[int, Any]]] = {}
    for each in findings:
        families.setdefault(each[1].code.partition(".")[0], []).append(each)
    for family, members in families.items():
        layout.label(text=FAMILIES.get(family, family.capitalize()))
        alike: dict[tuple[str, str], list[tuple[int, Any]]] = {}
        for each in members:
            alike.setdefault((each[1].code, each[1].verdict), []).append(each)
        for (code, verdict), same in alike.items():
            shown = len(same) if len(same) <= ALIKE_SHOWN else 1
            list_findings(layout, context, same[:shown], marked)
            if same[shown:]:
                header, body = layout.panel(f"SEATWRIGHT_{code}_{verdict}", default_closed=True)
                header.label(text=f"{len(same) - shown} more like it")
                if body is not None:
                    list_findings(body, context, same[shown:], marked)


ALIKE_SHOWN = 2
"""Findings of one kind, such as one for each claw, that are listed before the rest is folded away."""


FAMILIES = {
    "soundness": "Mesh of the Metal",
    "retention": "Hold",
    "plan": "As Planned",
    "object": "Object",
    "surround": "Small Stones",
    "sides": "Side Stones",
    "marks": "Marks and Law",
}
"""Families whose name for people is not that of their codes."""


def list_findings(
    layout: bpy.types.UILayout, context: bpy.types.Context, findings: list[tuple[int, Any]], marked: int | None
) -> None:
    """One line for each finding; the one that is marked is opened."""
    column = layout.column(align=True)
    for index, finding in findings:
        for number, line in enumerate(broken(context, finding.what, True)):
            row = column.row(align=True)
            row.alignment = "LEFT"
            row.operator(
                "seatwright.show_finding",
                text=line,
                icon="BLANK1" if number else ICONS[finding.verdict],
                emboss=False,
                depress=index == marked,
            ).index = index
        if index == marked:
            box = column.box()
            say(
                box,
                context,
                "\n".join((overlay.label_of(finding), finding.why, finding.remedy, spread_of(finding), f"Source: {finding.source}")).strip(),
            )
            if finding.verdict != "sound":
                draw_remedy(box, context, index, finding)


def spread_of(finding: Any) -> str:
    """What the tolerances make of a finding, in a sentence; "" where none were given."""
    if finding.spread is None:
        return ""
    worst = overlay.figure(finding.spread.worst, finding.unit)
    return f"Within the tolerances at worst {worst}; sound in {100.0 * finding.spread.share_sound:.0f} % of random draws."


def draw_remedy(layout: bpy.types.UILayout, context: bpy.types.Context, index: int, finding: Any) -> None:
    """The solved remedy with its button, or the button that solves it."""
    metal = metal_of(context)
    if finding.code.partition(".")[0] in ("plan", "object", "soundness"):
        return
    if not remedies.is_known(metal, finding):
        layout.operator("seatwright.find_remedy", icon="VIEWZOOM").index = index
        return
    remedy = remedies.remedy_of(metal, finding)
    if remedy is None:
        say(layout, context, remedies.NO_REMEDY + ".", "INFO")
        return
    say(layout, context, remedy.sentence, "INFO")
    button = layout.operator("seatwright.take_remedy", text=remedies.line_of(remedy), icon="CHECKMARK")
    button.path, button.value = remedy.path, remedy.after


def draw_change(layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
    """The changes that would make the head sound, before they are made; or the button that looks for them."""
    change = remedies.change_of(metal_of(context))
    if change is None:
        layout.operator("seatwright.make_sound", icon="CHECKMARK")
        return
    box = layout.box()
    say(box, context, change.sentence, "CHECKMARK" if change.is_sound else "CANCEL")
    for remedy in change.remedies:
        say(box, context, remedies.line_of(remedy), "DOT")
        say(box, context, remedy.sentence, "BLANK1")
    column = box.column(align=True)
    if change.is_sound and change.remedies:
        column.operator("seatwright.take_change")
    if not change.is_sound:
        column.operator("seatwright.make_sound", text="Free What Is Pinned").frees = True
    column.operator("seatwright.put_away_change")


class SEATWRIGHT_PT_why(SeatwrightPanel, bpy.types.Panel):
    """Every derived measure, its value and its reason"""

    bl_label = "Why"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout, mesh = self.layout, metal_of(context).data
        head = head_of(mesh)
        if head is None:
            layout.label(text="Nothing was built yet")
            return
        chosen = context.window_manager.seatwright.why
        column = layout.column(align=True)
        for entry in head.plan:
            draw_dimension(column, context, entry, entry.name == chosen)
        if chosen not in head.plan and dimension(context, chosen) is not None:
            draw_dimension(column, context, dimension(context, chosen), True)


def draw_dimension(column: bpy.types.UILayout, context: bpy.types.Context, entry: Any, is_open: bool) -> None:
    """Name and value of a dimension; its reason and source if it is open."""
    row = column.row(align=True)
    split = row.split(factor=0.7, align=True)
    name = split.row(align=True)
    name.alignment = "LEFT"
    closed = "PINNED" if entry.pinned else "DISCLOSURE_TRI_RIGHT"
    name.operator(
        "seatwright.why",
        text=entry.name.replace("_", " ").capitalize(),
        emboss=False,
        icon="DISCLOSURE_TRI_DOWN" if is_open else closed,
    ).name = entry.name
    split.label(text=overlay.figure(entry.value, entry.unit))
    if is_open:
        say(column.box(), context, reason(entry))


class SEATWRIGHT_PT_hand_over(SeatwrightPanel, bpy.types.Panel):
    """Files for caster, setter and customer"""

    bl_label = "Hand Over"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, _ = self.begin(context)
        layout.prop(settings, "directory")
        layout.prop(settings, "state")
        say(layout, context, f"Into {hand_over_folder(metal_of(context))}")
        layout.operator("seatwright.hand_over", icon="EXPORT")


class SEATWRIGHT_PT_scene(SeatwrightPanel, bpy.types.Panel):
    """Whether the scene counts in millimetres"""

    bl_label = "Scene"
    bl_options = {"DEFAULT_CLOSED"}

    def draw_header(self, context: bpy.types.Context) -> None:
        if not counts_millimetres(context.scene):
            self.layout.label(icon="INFO")

    def draw(self, context: bpy.types.Context) -> None:
        if counts_millimetres(context.scene):
            self.layout.label(text="One unit is one millimeter", icon="CHECKMARK")
        else:
            say(
                self.layout,
                context,
                "One unit is one millimeter to Seatwright. Blender's own rulers in this scene say otherwise.",
                "INFO",
            )
            self.layout.operator("seatwright.scene_millimeters")


def counts_millimetres(scene: bpy.types.Scene) -> bool:
    """Whether Blender's own rulers show one unit as one millimetre."""
    units = scene.unit_settings
    return units.system == "METRIC" and abs(units.scale_length - MILLIMETRE_M) < 1e-9


classes = (
    SEATWRIGHT_PT_head,
    SEATWRIGHT_PT_stone,
    SEATWRIGHT_PT_proportions,
    SEATWRIGHT_PT_wall,
    SEATWRIGHT_PT_rim,
    SEATWRIGHT_PT_claws,
    SEATWRIGHT_PT_surround,
    SEATWRIGHT_PT_sides,
    SEATWRIGHT_PT_proof,
    SEATWRIGHT_PT_casting,
    SEATWRIGHT_PT_spread,
    SEATWRIGHT_PT_why,
    SEATWRIGHT_PT_hand_over,
    SEATWRIGHT_PT_scene,
)
