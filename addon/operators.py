# SPDX-License-Identifier: GPL-3.0-or-later
"""What the buttons do. Each works from Python with only its arguments, on the head of the active object."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import bpy
from bpy_extras.object_utils import AddObjectHelper, add_object_align_init
from mathutils import Matrix, Vector

from ..core.errors import SeatwrightError
from ..core.head.draft import HOUSE_ALLOY
from ..core.spec import BY_PATH, Spec, spec_from_toml, spec_of
from ..core.stone.cuts import BY_NAME as CUT_BY_NAME
from . import compat, house, live, overlay, rebuild, stone_file
from .job import Job, Work
from .properties import (
    FIGURES,
    PLAN_NAME,
    built_spec,
    built_state,
    changing,
    free,
    quiet,
    sentence,
    state_property,
    value_property,
    write_choices,
    write_derived,
)

HOUSE_LENGTH_MM = 6.5
"""The stone that a new head starts with: a round diamond of about one carat. Common practice, no source."""

MILLIMETRE_M = 0.001
"""Blender's scene scale at which one unit is one millimetre."""


def metal_of(context: bpy.types.Context) -> bpy.types.Object | None:
    """The metal of the chosen head."""
    return rebuild.metal_near(getattr(context, "active_object", None))


class OnHead:
    """Operators that need a chosen head, whose data may be changed."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        metal = metal_of(context)
        if metal is None:
            cls.poll_message_set("Choose a head first: its metal or its stone")
            return False
        if not metal.data.is_editable:
            cls.poll_message_set("This head is linked from another file; make it local to change it")
            return False
        return True


class SEATWRIGHT_OT_head_add(bpy.types.Operator, AddObjectHelper):
    """Add the head for a stone: its seat, its wall and its claws, every measure derived from the stone"""

    bl_idname = "seatwright.head_add"
    bl_label = "Stone Head"
    bl_options = {"REGISTER", "UNDO"}

    cut: value_property(BY_PATH["stone.cut"])  # type: ignore[valid-type]
    species: value_property(BY_PATH["stone.species"])  # type: ignore[valid-type]
    length_mm: bpy.props.FloatProperty(  # type: ignore[valid-type]
        name="Length",
        default=HOUSE_LENGTH_MM,
        min=BY_PATH["stone.length_mm"].low,
        max=BY_PATH["stone.length_mm"].high,
        subtype="DISTANCE_CAMERA",
        precision=4,
        step=1,
        description=BY_PATH["stone.length_mm"].doc,
    )
    width_mm: bpy.props.FloatProperty(  # type: ignore[valid-type]
        name="Width",
        default=0.0,
        min=0.0,
        max=BY_PATH["stone.width_mm"].high,
        subtype="DISTANCE_CAMERA",
        precision=4,
        step=1,
        description="The shorter measure of the girdle; 0 takes the cut's usual width for the length",
    )
    claw_count: bpy.props.IntProperty(  # type: ignore[valid-type]
        name="Claws",
        default=0,
        min=0,
        max=int(BY_PATH["claws.count"].high),
        description="How many claws, from 3 on; 0 takes as many as are usual for the stone",
    )
    alloy: value_property(BY_PATH["casting.alloy"], default=HOUSE_ALLOY)  # type: ignore[valid-type]
    state: state_property()  # type: ignore[valid-type]

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        if context.mode != "OBJECT":
            cls.poll_message_set("Leave this mode first: a head is an object of its own and is added in Object Mode")
            return False
        return True

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        return self.execute(context)

    def choices(self) -> dict[str, Any]:
        """What the arguments say, by path; those at 0 are left open."""
        found = {
            "stone.cut": self.cut,
            "stone.species": self.species,
            "casting.alloy": self.alloy,
            "stone.length_mm": float(f"{self.length_mm:.6g}"),
        }
        if self.width_mm > 0.0 and not self.is_round:
            found["stone.width_mm"] = float(f"{self.width_mm:.6g}")
        if self.claw_count > 0:
            found["claws.count"] = self.claw_count
        return found

    @property
    def is_round(self) -> bool:
        return CUT_BY_NAME[self.cut].is_round

    def execute(self, context: bpy.types.Context) -> set[str]:
        try:
            spec = spec_of(self.choices())
            rebuild.check(spec, self.state)
        except SeatwrightError as error:
            self.report({"ERROR"}, sentence(error))
            return {"CANCELLED"}
        _new_head(context, spec, self.state, add_object_align_init(context, self))
        return {"FINISHED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.layout
        layout.use_property_split, layout.use_property_decorate = True, False
        layout.prop(self, "cut")
        layout.prop(self, "species")
        layout.prop(self, "length_mm", text="Diameter" if self.is_round else "Length")
        if not self.is_round:
            layout.prop(self, "width_mm")
        for name in ("claw_count", "alloy", "state"):
            layout.prop(self, name)
        for name in ("align", "location", "rotation"):
            layout.prop(self, name)


def _new_head(context: bpy.types.Context, spec: Spec, state: str, place: Matrix) -> bpy.types.Object:
    """The metal of a new head with its stone, chosen alone. The choices were checked."""
    mesh = bpy.data.meshes.new("Stone Head")
    rebuild.create(mesh, spec, state)
    metal = bpy.data.objects.new("Stone Head", mesh)
    metal.matrix_world = place
    _link(context, metal)
    _give_stone(metal)
    _choose_only(context, metal)
    return metal


def _link(context: bpy.types.Context, thing: bpy.types.Object) -> None:
    context.collection.objects.link(thing)
    space = context.space_data
    if space is not None and space.type == "VIEW_3D" and space.local_view:
        thing.local_view_set(space, True)


def _choose_only(context: bpy.types.Context, thing: bpy.types.Object) -> None:
    context.view_layer.update()  # from 5.0 on the layer does not list the new object before
    for other in context.view_layer.objects:
        if other.select_get():
            other.select_set(False)
    if thing.name in context.view_layer.objects:  # not so if its collection is excluded from this view layer
        thing.select_set(True)
        context.view_layer.objects.active = thing


def _give_stone(metal: bpy.types.Object) -> None:
    """A stone of its own, as a child, wherever the metal is."""
    mesh = rebuild.own_stone(metal.data) or rebuild.new_stone(metal.data)
    stone = bpy.data.objects.new("Stone", mesh)
    stone.parent = metal
    for collection in metal.users_collection:
        collection.objects.link(stone)


class SEATWRIGHT_OT_stone_from_object(bpy.types.Operator):
    """Add the head for the chosen mesh, such as a scan of a stone; it is turned table up and measured"""

    bl_idname = "seatwright.stone_from_object"
    bl_label = "Head for This Mesh"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        chosen = getattr(context, "active_object", None)
        if chosen is None or chosen.type != "MESH" or metal_of(context) is not None:
            cls.poll_message_set("Choose the mesh of a stone first: a closed one, in millimeters")
            return False
        if context.mode != "OBJECT":
            cls.poll_message_set("Leave this mode first: a head is added in Object Mode")
            return False
        return True

    def execute(self, context: bpy.types.Context) -> set[str]:
        source = context.active_object
        try:
            path = stone_file.write(source, context.evaluated_depsgraph_get())
            spec = spec_of({"stone.mesh": bpy.path.abspath(path)})
            rebuild.check(spec, "cast")
        except SeatwrightError as error:
            self.report({"ERROR"}, sentence(error))
            return {"CANCELLED"}
        metal = _new_head(context, spec, "cast", Matrix.Translation(source.matrix_world.translation))
        with quiet():
            metal.data.seatwright.stone_mesh = path
        self.report({"INFO"}, f"The stone is kept as {path}; change the mesh and run this again for a new head")
        return {"FINISHED"}


class SEATWRIGHT_OT_stone_add(OnHead, bpy.types.Operator):
    """Give this head a stone object of its own again, as after a copy of the metal alone or a deleted stone"""

    bl_idname = "seatwright.stone_add"
    bl_label = "Add Its Stone"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        metal = metal_of(context)
        if has_stone(metal):
            self.report({"INFO"}, "This head has its stone already")
            return {"CANCELLED"}
        try:
            _give_stone(metal)
        except SeatwrightError as error:
            self.report({"ERROR"}, sentence(error))
            return {"CANCELLED"}
        return {"FINISHED"}


def has_stone(metal: bpy.types.Object) -> bool:
    """Whether an object shows this metal's own stone."""
    mesh = rebuild.own_stone(metal.data)
    return mesh is not None and any(each.data == mesh for each in metal.children)


class SEATWRIGHT_OT_free(OnHead, bpy.types.Operator):
    """Let this value follow from the stone and the house rules again"""

    bl_idname = "seatwright.free"
    bl_label = "Let It Follow"
    bl_options = {"REGISTER", "UNDO", "INTERNAL"}

    path: bpy.props.StringProperty(  # type: ignore[valid-type]
        name="Path", description="The choice, as a spec writes it: wall.taper_deg"
    )

    @classmethod
    def description(cls, context: bpy.types.Context, properties: Any) -> str:
        return "You gave this value, so it is kept. Click to let it follow from the stone and the house rules again"

    def execute(self, context: bpy.types.Context) -> set[str]:
        if self.path not in BY_PATH:
            self.report({"ERROR"}, f'"{self.path}" is no choice of a head; give one such as wall.taper_deg')
            return {"CANCELLED"}
        mesh = metal_of(context).data
        with changing(mesh) as settings:
            free(settings, [self.path])
        return answer(self, mesh)


def answer(operator: bpy.types.Operator, mesh: bpy.types.Mesh) -> set[str]:
    """Say what stopped a rebuild, if anything did; the change itself stays, as the panel shows it."""
    if mesh.seatwright.problem:
        operator.report({"WARNING"}, mesh.seatwright.problem.replace("\n", " "))
    return {"FINISHED"}


METAL = ("head", "wall", "rails", "peg", "rim", "seat", "claws", "surround", "sides")
KINDS = ("head.style", "surround.present", "sides.present", "sides.cut", "sides.species", "surround.species")
"""What a head is made of and what kind of head it is: letting its measures follow leaves the latter."""


class SEATWRIGHT_OT_free_all(OnHead, bpy.types.Operator):
    """Let every measure of the metal follow from the stone and the house rules again, as in a new head"""

    bl_idname = "seatwright.free_all"
    bl_label = "Let All Follow"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        mesh = metal_of(context).data
        with changing(mesh) as settings:
            free(settings, [path for path in BY_PATH if path.partition(".")[0] in METAL and path not in KINDS])
        return answer(self, mesh)


class SEATWRIGHT_OT_why(bpy.types.Operator):
    """Show the reason for this measure, and where it comes from"""

    bl_idname = "seatwright.why"
    bl_label = "Why"
    bl_options = {"INTERNAL"}

    name: bpy.props.StringProperty(  # type: ignore[valid-type]
        name="Dimension", description="The dimension, as dimensions.json names it"
    )

    @classmethod
    def description(cls, context: bpy.types.Context, properties: Any) -> str:
        entry = dimension(context, properties.name)
        if entry is None:
            return "Nothing is derived here: it is as chosen"
        return "\n".join(textwrap.wrap(f"{entry.reason} Source: {entry.source}", 90))

    def execute(self, context: bpy.types.Context) -> set[str]:
        view = context.window_manager.seatwright
        view.why = "" if view.why == self.name else self.name
        return {"FINISHED"}


def dimension(context: bpy.types.Context, name: str) -> Any:
    """A dimension of the chosen head's plan, or a figure of its stone; None if there is none of that name."""
    metal = metal_of(context)
    if metal is None:
        return None
    try:
        head = live.head_of(metal.data)
    except SeatwrightError:
        return None
    return head.plan.dimension(name) if name in head.plan else head.stone.figures.get(name)


def why_name(path: str) -> str:
    """The dimension that a choice pins."""
    return PLAN_NAME.get(path) or FIGURES.get(path) or {"stone.weight_ct": "stone_weight"}.get(path, "")


class SEATWRIGHT_OT_rebuild(OnHead, bpy.types.Operator):
    """Make the metal from the choices again; what was edited by hand on it is lost"""

    bl_idname = "seatwright.rebuild"
    bl_label = "Rebuild and Lose Hand Edits"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        mesh = metal_of(context).data
        if rebuild.obstacle(mesh):
            self.report({"ERROR"}, rebuild.obstacle(mesh))
            return {"CANCELLED"}
        if not rebuild.rebuild(mesh, lose_hand_edits=True):
            self.report({"ERROR"}, mesh.seatwright.problem)
            return {"CANCELLED"}
        return {"FINISHED"}


class SEATWRIGHT_OT_keep_hand_edits(OnHead, bpy.types.Operator):
    """Keep the metal as it was edited, and set the choices back to those it was built from"""

    bl_idname = "seatwright.keep_hand_edits"
    bl_label = "Keep Hand Edits"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        mesh = metal_of(context).data
        settings = mesh.seatwright
        with quiet():
            write_choices(settings, spec_from_toml(built_spec(mesh)))
            settings.state, settings.problem = built_state(mesh), ""
            write_derived(settings, live.head_of(mesh))
        return {"FINISHED"}


class SEATWRIGHT_OT_prove(OnHead, Job, bpy.types.Operator):
    """Measure the metal and hold it against the house rules now, with what the tolerances do to each finding"""

    bl_idname = "seatwright.prove"
    bl_label = "Prove Now"
    doing = "Proving"

    def prepare(self, context: bpy.types.Context) -> Work | None:
        metal = metal_of(context)
        try:
            head = live.head_there(metal)
        except SeatwrightError as error:
            self.report({"ERROR"}, live.refusal(metal, error))
            return None
        rules = house.rules()
        self.start(metal)
        return lambda tell: live.proof_of(head, rules, with_spread=True, progress=tell)

    def finish(self, context: bpy.types.Context, findings: Any) -> set[str]:
        live.keep_proof(self._key, findings)
        live.redraw()
        count = {verdict: sum(each.verdict == verdict for each in findings) for verdict in ("unsafe", "watch", "sound")}
        self.report({"INFO"}, ", ".join(f"{number} {verdict}" for verdict, number in count.items()))
        return {"FINISHED"}


class SEATWRIGHT_OT_show_finding(bpy.types.Operator):
    """Turn the view to the place of this finding and mark it there"""

    bl_idname = "seatwright.show_finding"
    bl_label = "Show Finding"

    index: bpy.props.IntProperty(  # type: ignore[valid-type]
        name="Index", min=0, description="Which finding, counted from the worst"
    )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        if metal_of(context) is None:
            cls.poll_message_set("Choose a head first: its metal or its stone")
            return False
        return True

    @classmethod
    def description(cls, context: bpy.types.Context, properties: Any) -> str:
        metal = metal_of(context)
        findings = live.known(metal) if metal is not None else None
        if findings is None or isinstance(findings, str) or properties.index >= len(findings):
            return "Turn the view to the place of this finding and mark it there"
        found = findings[properties.index]
        figures = overlay.label_of(found)
        title = f"{found.what}: {figures}" if figures else found.what
        text = f"{title}. {found.why} {found.remedy} Source: {found.source}"
        return "\n".join(textwrap.wrap(" ".join(text.split()), 90))

    def execute(self, context: bpy.types.Context) -> set[str]:
        metal = metal_of(context)
        findings = live.prove_now(metal)
        if isinstance(findings, str):
            self.report({"ERROR"}, findings)
            return {"CANCELLED"}
        if self.index >= len(findings):
            self.report({"ERROR"}, f"There is no finding {self.index}: this head has {len(findings)}, counted from 0")
            return {"CANCELLED"}
        if overlay.shown_index(metal) == self.index:
            overlay.hide()
            return {"FINISHED"}
        finding = findings[self.index]
        overlay.show(metal, self.index, finding)
        if finding.place is not None:
            _look_at(context, metal, Vector(finding.place))
        return {"FINISHED"}


CLOSE = 1.6
"""How many lengths of the head the view stands off a place. Nearer: one cannot tell which claw it is."""


def _look_at(context: bpy.types.Context, metal: bpy.types.Object, place: Vector) -> None:
    """Centre the 3D view on a place of the head, keeping its direction."""
    areas = (
        [context.area]
        if context.area is not None and context.area.type == "VIEW_3D"
        else [
            area for window in context.window_manager.windows for area in window.screen.areas if area.type == "VIEW_3D"
        ]
    )
    length = max(metal.dimensions) or 1.0
    for area in areas[:1]:
        view = area.spaces.active.region_3d
        view.view_location = metal.matrix_world @ place
        view.view_distance = CLOSE * length
        area.tag_redraw()


class SEATWRIGHT_OT_hand_over(OnHead, Job, bpy.types.Operator):
    """Write the files for caster, setter and customer: meshes, the setter's sheet, weights, dimensions and proof"""

    bl_idname = "seatwright.hand_over"
    bl_label = "Write Files"
    doing = "Handing over"

    directory: bpy.props.StringProperty(
        name="Folder",
        subtype="DIR_PATH",
        options=compat.path_options(),  # type: ignore[valid-type]
        description="Where to write; empty takes a folder named like the head, in the one chosen for it",
    )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        metal = metal_of(context)
        if metal is None:
            cls.poll_message_set("Choose a head first: its metal or its stone")
            return False
        return True

    def prepare(self, context: bpy.types.Context) -> Work | None:
        from ..core.handover import hand_over

        metal = metal_of(context)
        folder = self.directory or hand_over_folder(metal)
        if folder.startswith("//") and not bpy.data.filepath:
            self.report(
                {"ERROR"},
                "The folder is beside the .blend file, which is not saved yet; save it or choose another folder",
            )
            return None
        try:
            head, rules = live.head_there(metal), house.rules()
        except SeatwrightError as error:
            self.report({"ERROR"}, live.refusal(metal, error))
            return None
        self._target = Path(bpy.path.abspath(folder))
        target, known, beside = self._target, live.known(metal), live.of_object(metal)
        if known is not None and (isinstance(known, str) or live.wants_spread(metal, known)):
            known = None

        def work(tell: Any) -> Any:
            findings = known or (*beside, *live.proof_of(head, rules, with_spread=True, progress=tell))
            return hand_over(head, findings, target, rules), findings

        return work

    def finish(self, context: bpy.types.Context, result: Any) -> set[str]:
        paths, findings = result
        unsafe = sum(each.verdict == "unsafe" for each in findings)
        said = f"{len(paths)} files written to {self._target}"
        self.report(
            {"WARNING"} if unsafe else {"INFO"},
            f"{said}; {unsafe} findings are unsafe, see the proof" if unsafe else said,
        )
        return {"FINISHED"}


def hand_over_folder(metal: bpy.types.Object) -> str:
    """Where the files of a head go: a folder of its own, so that two heads don't take each other's place."""
    chosen = metal.data.seatwright.directory
    name = bpy.path.clean_name(metal.name)
    return f"{chosen}{name}" if chosen.endswith(("/", "\\")) else str(Path(chosen) / name)


class SEATWRIGHT_OT_scene_millimeters(bpy.types.Operator):
    """Set the scene's units so that one Blender unit is one millimetre and lengths show in mm; nothing is scaled"""

    bl_idname = "seatwright.scene_millimeters"
    bl_label = "Set Up Millimeters"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        units = context.scene.unit_settings
        units.system, units.length_unit, units.scale_length = "METRIC", "MILLIMETERS", MILLIMETRE_M
        for window in context.window_manager.windows:
            for area in window.screen.areas:
                if area.type == "VIEW_3D":
                    area.spaces.active.clip_start, area.spaces.active.clip_end = 0.01, 1000.0
        return {"FINISHED"}


class SEATWRIGHT_OT_reset_scale(OnHead, bpy.types.Operator):
    """Set the object's scale back to 1, so that the metal in the scene is as large as its measures say"""

    bl_idname = "seatwright.reset_scale"
    bl_label = "Reset Scale"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        metal_of(context).scale = (1.0, 1.0, 1.0)
        return {"FINISHED"}


classes = (
    SEATWRIGHT_OT_head_add,
    SEATWRIGHT_OT_stone_from_object,
    SEATWRIGHT_OT_stone_add,
    SEATWRIGHT_OT_free,
    SEATWRIGHT_OT_free_all,
    SEATWRIGHT_OT_why,
    SEATWRIGHT_OT_rebuild,
    SEATWRIGHT_OT_keep_hand_edits,
    SEATWRIGHT_OT_prove,
    SEATWRIGHT_OT_show_finding,
    SEATWRIGHT_OT_hand_over,
    SEATWRIGHT_OT_scene_millimeters,
    SEATWRIGHT_OT_reset_scale,
)


def _menu(self: Any, context: bpy.types.Context) -> None:
    self.layout.operator(SEATWRIGHT_OT_head_add.bl_idname, icon="MESH_CYLINDER")


def register() -> None:
    bpy.types.VIEW3D_MT_mesh_add.append(_menu)


def unregister() -> None:
    bpy.types.VIEW3D_MT_mesh_add.remove(_menu)
