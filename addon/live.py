# SPDX-License-Identifier: GPL-3.0-or-later
"""Heads and findings that were computed, kept by what they follow from, and the timer that proves when a slider rests.

Nothing here is written into a datablock, so undo has nothing to put out of step: after it the key is another, and what
is missing is computed again.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections import OrderedDict
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import bpy

from ..core.errors import SeatwrightError
from ..core.spec import Spec, spec_from_toml
from . import house
from .properties import built_spec, built_state, sentence

if TYPE_CHECKING:
    from ..core.head import Head
    from ..core.proof import Finding
    from ..core.trade.house_rules import HouseRules

REST_S = 0.3
"""How long nothing may change before the proof runs. Shorter: a slow drag would stutter."""

HEADS_KEPT, PROOFS_KEPT = 16, 64

SCALE_READS = 1e-5
"""How far an object's scale may be off 1 by rounding. Larger: a tenth of a millimetre on a ring would go unnoticed."""

DRAWN_POINTS = 50_000
"""Metal of more points is looked through once for each change that Blender tells of, and not at every drawing."""

RESTING_POINTS = 60_000
"""Larger metal is proved on demand alone, with its share shown. Larger: the window stands still after each stroke."""

Key = tuple[str, str, str, str, str]
"""Choices, state, metal, how the stone was moved, and the house rules."""

_heads: OrderedDict[tuple[str, ...], Head] = OrderedDict()
_proofs: OrderedDict[Key, tuple[Finding, ...] | str] = OrderedDict()
_specs: OrderedDict[str, Spec] = OrderedDict()
_digests: dict[str, tuple[int, str]] = {}
_due = 0.0
_changes = 0


def make(text: str, spec: Spec, state: str) -> Head:
    """The head of a spec, whose text names it; the same choices and rules give the same object. Raises
    SeatwrightError."""
    from ..core.head import make_head

    key = _head_key(text, spec, state)
    return _keep(_heads, key, HEADS_KEPT, lambda: make_head(spec, state, rules=house.rules()))


def head_of(mesh: bpy.types.Mesh) -> Head:
    """The head that a mesh was last built as. Raises SeatwrightError."""
    text, state = built_spec(mesh), built_state(mesh)
    return make(text, _spec_of(text), state)


def head_at_hand(mesh: bpy.types.Mesh) -> Head | None:
    """The same if it was made already: what drawing may ask for."""
    text = built_spec(mesh)
    spec = _specs.get(text)
    return None if spec is None else _heads.get(_head_key(text, spec, built_state(mesh)))


def _spec_of(text: str) -> Spec:
    return _keep(_specs, text, HEADS_KEPT, lambda: spec_from_toml(text))


def _head_key(text: str, spec: Spec, state: str) -> tuple[str, ...]:
    """A stone's file may change under its name, so its age and size count."""
    file, age = spec.get("stone.mesh"), ""
    if file is not None:
        with contextlib.suppress(OSError):
            found = os.stat(file)
            age = f"{found.st_mtime_ns} {found.st_size}"
    return text, state, age, house.key()


def forget() -> None:
    """Let go of everything that was computed."""
    for kept in (_heads, _proofs, _specs, _digests):
        kept.clear()


def _keep(kept: OrderedDict[Any, Any], key: Any, most: int, make_one: Any) -> Any:
    if key in kept:
        kept.move_to_end(key)
        return kept[key]
    kept[key] = made = make_one()
    while len(kept) > most:
        kept.popitem(last=False)
    return made


def key_of(metal: bpy.types.Object, exactly: bool = True) -> Key:
    """What a proof follows from: the choices, the state, the metal that is there with its modifiers, and where its stone
    is. Not `exactly`: large metal as it was when Blender last told of a change, which is near enough for drawing."""
    from . import edited

    mesh = metal.data
    moved = edited.stone_moved(metal)
    place = "" if moved is None else repr(moved.round(6).tolist())
    return built_spec(mesh), built_state(mesh), digest_of(metal, exactly), place, house.key()


def digest_of(metal: bpy.types.Object, exactly: bool = True) -> str:
    """A digest of the metal that is there with its modifiers; `exactly` as in `key_of`."""
    from . import edited, rebuild

    if not exactly and len(metal.data.vertices) > DRAWN_POINTS:
        kept = _digests.get(metal.name)
        if kept is not None and kept[0] == _changes:
            return kept[1]
    found = rebuild.digest_of(edited.mesh_there(metal))
    _digests[metal.name] = _changes, found
    return found


def known(metal: bpy.types.Object) -> tuple[Finding, ...] | str | None:
    """The findings, worst first, or the sentence that says why there are none; None if the proof has not run yet."""
    found = _proofs.get(key_of(metal, exactly=False))
    return found if found is None or isinstance(found, str) else (*of_object(metal), *found)


def prove_now(metal: bpy.types.Object) -> tuple[Finding, ...] | str:
    """The findings, worst first, computed without their spread if they are missing; a sentence if there are none."""
    found = _keep(_proofs, key_of(metal), PROOFS_KEPT, lambda: _proved(metal))
    return found if isinstance(found, str) else (*of_object(metal), *found)


def wants_spread(metal: bpy.types.Object, findings: Iterable[Finding]) -> bool:
    """Whether tolerances were given that these findings do not show."""
    head = head_at_hand(metal.data)
    return head is not None and bool(head.spec.section("spread")) and all(each.spread is None for each in findings)


def keep_proof(key: Key, findings: tuple[Finding, ...]) -> None:
    """Take findings that were computed elsewhere for this key in place of those known."""
    _proofs.pop(key, None)
    _keep(_proofs, key, PROOFS_KEPT, lambda: findings)


def _proved(metal: bpy.types.Object) -> tuple[Finding, ...] | str:
    try:
        return proof_of(head_there(metal), house.rules(), with_spread=False)
    except SeatwrightError as error:
        return refusal(metal, error)


def proof_of(head: Head, rules: HouseRules, with_spread: bool, progress: Any = None) -> tuple[Finding, ...]:
    """The proof of a head as planned, or as others left it. Raises SeatwrightError."""
    from ..core.proof import prove
    from ..core.proof.outside import prove_as_found
    from . import edited

    if isinstance(head, edited.EditedHead):
        return prove_as_found(head, rules, progress, with_spread)
    return prove(head, rules, with_spread)


def refusal(metal: bpy.types.Object, error: SeatwrightError) -> str:
    """Why a head cannot be proved, for people."""
    from . import rebuild

    advice = " The metal was edited by hand; undo that or rebuild it." if rebuild.is_edited(metal.data) else ""
    return sentence(error) + advice


def is_scaled(metal: bpy.types.Object) -> bool:
    """Whether the metal stands in the scene larger, smaller or turned over."""
    return any(abs(each - 1.0) > SCALE_READS for each in metal.matrix_world.to_scale())


def of_object(metal: bpy.types.Object) -> tuple[Finding, ...]:
    """What only the object tells, and no mesh."""
    from ..core.proof import Finding

    if not is_scaled(metal):
        return ()
    return (
        Finding(
            "object.scale",
            "Scale of the object",
            "unsafe",
            max(metal.matrix_world.to_scale(), key=lambda each: abs(each - 1.0)),
            1.0,
            "1",
            None,
            "The metal stands in the scene in another size than it was measured in and is handed over in.",
            "Reset the scale, and change the stone's measures instead.",
            "geometry",
        ),
    )


def head_there(metal: bpy.types.Object) -> Head:
    """The head with the metal that is there: as built, or as hands and modifiers left it. Raises SeatwrightError."""
    from . import edited, rebuild

    head, mesh = head_of(metal.data), edited.mesh_there(metal)
    is_as_built = rebuild.digest_of(mesh) == metal.data.seatwright.built and edited.stone_moved(metal) is None
    return head if is_as_built else edited.edited_head(head, metal)


def request(*_: object) -> None:
    """Prove what is looked at once nothing has changed for a moment."""
    global _due
    if bpy.app.background:  # no timers there; the operator proves on demand
        return
    _due = time.monotonic() + REST_S
    if not bpy.app.timers.is_registered(_rest):
        bpy.app.timers.register(_rest, first_interval=REST_S)


def _rest() -> float | None:
    left = _due - time.monotonic()
    if left > 0.0:
        return left
    for metal in _looked_at():
        if metal.mode == "OBJECT" and len(metal.data.vertices) <= RESTING_POINTS and known(metal) is None:
            prove_now(metal)
            redraw()
    return None


def _looked_at() -> list[bpy.types.Object]:
    """The metal of the chosen head in every window."""
    from . import rebuild

    found = []
    for window in bpy.context.window_manager.windows:
        metal = rebuild.metal_near(window.view_layer.objects.active)
        if metal is not None and metal not in found:
            found.append(metal)
    return found


def redraw() -> None:
    """Let every 3D view show what is known now."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


@bpy.app.handlers.persistent
def changed(*_: object) -> None:
    global _changes
    _changes += 1
    request()


HANDLERS = ("depsgraph_update_post", "undo_post", "redo_post", "load_post")


def register() -> None:
    for name in HANDLERS:
        getattr(bpy.app.handlers, name).append(changed)


def unregister() -> None:
    for name in HANDLERS:
        getattr(bpy.app.handlers, name).remove(changed)
    if bpy.app.timers.is_registered(_rest):
        bpy.app.timers.unregister(_rest)
    forget()
