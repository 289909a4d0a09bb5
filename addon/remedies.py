# SPDX-License-Identifier: GPL-3.0-or-later
"""What to change: remedies and whole changes that were solved, kept by what they follow from like the findings, and the
buttons that solve and take them."""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, Any

import bpy

from ..core.errors import Cancelled
from ..core.spec import BY_PATH
from . import house, live, rebuild
from .job import Job, Progress, Work
from .operators import OnHead, answer, metal_of
from .properties import changing, full_label, property_name, spec_from, write_choices

if TYPE_CHECKING:
    from ..core.proof import Finding
    from ..core.remedy import Change, Remedy

KEPT = 64
MOST_HEADS = 150
"""About how many heads are tried before there is an answer; for the pointer's share only."""

_remedies: OrderedDict[Any, Remedy | None] = OrderedDict()
_changes: OrderedDict[Any, Change] = OrderedDict()


def _put(kept: OrderedDict[Any, Any], key: Any, value: Any) -> None:
    kept[key] = value
    while len(kept) > KEPT:
        kept.popitem(last=False)


def is_known(metal: bpy.types.Object, finding: Finding) -> bool:
    """Whether a remedy was looked for."""
    return (live.key_of(metal, exactly=False), finding.code, finding.what) in _remedies


def remedy_of(metal: bpy.types.Object, finding: Finding) -> Remedy | None:
    """The remedy that was found; None if there is none, or none was looked for."""
    return _remedies.get((live.key_of(metal, exactly=False), finding.code, finding.what))


def change_of(metal: bpy.types.Object) -> Change | None:
    """The change that makes this head sound, if it was looked for and not put away."""
    return _changes.get(live.key_of(metal, exactly=False))


def _counting(tell: Progress) -> Any:
    """The core's progress, which counts heads and is stopped by an exception, from the job's."""

    def told(aim: str, count: int) -> None:
        if not tell(min(count / MOST_HEADS, 0.99), "1 head tried" if count == 1 else f"{count} heads tried"):
            raise Cancelled("The search was stopped; nothing was changed.")

    return told


class OnPlan(OnHead):
    """Operators that change the plan, which metal that was edited by hand no longer follows."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        if not super().poll(context):
            return False
        if rebuild.is_edited(metal_of(context).data):
            cls.poll_message_set("The metal was edited by hand and no longer follows its choices; rebuild it first")
            return False
        return True


class SEATWRIGHT_OT_find_remedy(OnPlan, Job, bpy.types.Operator):
    """Find the smallest change of one dimension that makes this finding sound and no other graver"""

    bl_idname = "seatwright.find_remedy"
    bl_label = "Find a Remedy"
    doing = "Looking for a remedy"

    index: bpy.props.IntProperty(  # type: ignore[valid-type]
        name="Index", min=0, description="Which finding, counted from the worst"
    )

    def prepare(self, context: bpy.types.Context) -> Work | None:
        from ..core.remedy import solve_remedy

        metal = metal_of(context)
        findings = live.prove_now(metal)
        if isinstance(findings, str):
            self.report({"ERROR"}, findings)
            return None
        if self.index >= len(findings):
            self.report({"ERROR"}, f"There is no finding {self.index}: this head has {len(findings)}, counted from 0")
            return None
        finding, head, rules = findings[self.index], live.head_of(metal.data), house.rules()
        self.start(metal)
        self._about = finding.code, finding.what
        return lambda tell: solve_remedy(head, findings, finding, rules, _counting(tell))

    def finish(self, context: bpy.types.Context, remedy: Remedy | None) -> set[str]:
        _put(_remedies, (self._key, *self._about), remedy)
        live.redraw()
        self.report({"INFO"}, remedy.sentence if remedy else NO_REMEDY)
        return {"FINISHED"}


NO_REMEDY = "No change of one dimension helps; Make It Sound looks for a change of several"


class SEATWRIGHT_OT_take_remedy(OnPlan, bpy.types.Operator):
    """Give this dimension the value that makes the finding sound, and keep it"""

    bl_idname = "seatwright.take_remedy"
    bl_label = "Take the Remedy"
    bl_options = {"REGISTER", "UNDO"}

    path: bpy.props.StringProperty(  # type: ignore[valid-type]
        name="Path", description="The choice, as a spec writes it: wall.taper_deg"
    )
    value: bpy.props.FloatProperty(name="Value", description="What it becomes")  # type: ignore[valid-type]

    def execute(self, context: bpy.types.Context) -> set[str]:
        field = BY_PATH.get(self.path)
        if field is None or field.kind in ("choice", "switch", "text", "directions"):
            self.report({"ERROR"}, f'"{self.path}" is no number of a head; give one such as wall.taper_deg')
            return {"CANCELLED"}
        mesh = metal_of(context).data
        with changing(mesh) as settings:
            name = property_name(self.path)
            setattr(settings, name, round(self.value) if field.kind == "count" else self.value)
            setattr(settings, name + "_pinned", True)
        return answer(self, mesh)


class SEATWRIGHT_OT_make_sound(OnPlan, Job, bpy.types.Operator):
    """Find the least of changes that leaves nothing unsafe, as cast and as set, and keeps all that you gave; it is shown
    before anything changes"""

    bl_idname = "seatwright.make_sound"
    bl_label = "Make It Sound"
    doing = "Making the head sound"

    frees: bpy.props.BoolProperty(  # type: ignore[valid-type]
        name="Free What Is Pinned",
        description="Let the measures that you gave change, too; stone, alloy and kind of head stay",
    )

    def prepare(self, context: bpy.types.Context) -> Work | None:
        from ..core.remedy import make_sound
        from ..core.remedy.levers import is_lever

        metal = metal_of(context)
        spec = spec_from(metal.data.seatwright)
        self.start(metal)
        rules = house.rules()
        kept = None if not self.frees else frozenset(path for path, _ in spec if not is_lever(path))
        return lambda tell: make_sound(spec, rules=rules, progress=_counting(tell), keep=kept)

    def finish(self, context: bpy.types.Context, change: Change) -> set[str]:
        _put(_changes, self._key, change)
        live.redraw()
        self.report({"INFO"} if change.is_sound else {"WARNING"}, change.sentence)
        return {"FINISHED"}


class SEATWRIGHT_OT_take_change(OnPlan, bpy.types.Operator):
    """Make the changes that are listed, and keep the new values"""

    bl_idname = "seatwright.take_change"
    bl_label = "Make These Changes"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        metal = metal_of(context)
        change = change_of(metal)
        if change is None or not change.is_sound:
            self.report({"ERROR"}, "No change is listed; press Make It Sound first")
            return {"CANCELLED"}
        with changing(metal.data) as settings:
            write_choices(settings, change.spec)
        return answer(self, metal.data)


class SEATWRIGHT_OT_put_away_change(OnHead, bpy.types.Operator):
    """Put the list of changes away and leave the head as it is"""

    bl_idname = "seatwright.put_away_change"
    bl_label = "Leave It"
    bl_options = {"INTERNAL"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        _changes.pop(live.key_of(metal_of(context)), None)
        live.redraw()
        return {"FINISHED"}


def line_of(remedy: Remedy) -> str:
    """One change in the words of the panels: "Claws Thickness: 0.8 to 0.95 mm"."""
    unit = {"mm": " mm", "deg": "°"}.get(remedy.unit, "")
    return f"{full_label(remedy.path)}: {remedy.before:.4g} to {remedy.after:.4g}{unit}"


classes = (
    SEATWRIGHT_OT_find_remedy,
    SEATWRIGHT_OT_take_remedy,
    SEATWRIGHT_OT_make_sound,
    SEATWRIGHT_OT_take_change,
    SEATWRIGHT_OT_put_away_change,
)


def unregister() -> None:
    _remedies.clear()
    _changes.clear()
