# SPDX-License-Identifier: GPL-3.0-or-later
"""Heads and findings that were computed, kept by what they follow from, and the timer that proves when a slider rests.

Nothing here is written into a datablock, so undo has nothing to put out of step: after it the key is another, and what
is missing is computed again.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import bpy

from ..core.errors import SeatwrightError
from ..core.head import Head, make_head
from ..core.spec import Spec, spec_from_toml
from .properties import built_spec, built_state, sentence

if TYPE_CHECKING:
    from ..core.proof import Finding

REST_S = 0.3
"""How long nothing may change before the proof runs. Shorter: a slow drag would stutter."""

HEADS_KEPT, PROOFS_KEPT = 16, 64

SCALE_READS = 1e-5
"""How far an object's scale may be off 1 by rounding. Larger: a tenth of a millimetre on a ring would go unnoticed."""

Key = tuple[str, str, str]

_heads: OrderedDict[tuple[str, str], Head] = OrderedDict()
_proofs: OrderedDict[Key, tuple[Finding, ...] | str] = OrderedDict()
_due = 0.0


def make(text: str, spec: Spec, state: str) -> Head:
    """The head of a spec, whose text names it; the same choices give the same object. Raises SeatwrightError."""
    if spec.get("stone.mesh") is not None:
        return make_head(spec, state)  # the file may have changed
    return _keep(_heads, (text, state), HEADS_KEPT, lambda: make_head(spec, state))


def head_of(mesh: bpy.types.Mesh) -> Head:
    """The head that a mesh was last built as. Raises SeatwrightError."""
    text, state = built_spec(mesh), built_state(mesh)
    if (text, state) in _heads:
        return _heads[text, state]
    return make(text, spec_from_toml(text), state)


def _keep(kept: OrderedDict[Any, Any], key: Any, most: int, make_one: Any) -> Any:
    if key in kept:
        kept.move_to_end(key)
        return kept[key]
    kept[key] = made = make_one()
    while len(kept) > most:
        kept.popitem(last=False)
    return made


def key_of(metal: bpy.types.Object) -> Key:
    """What a proof follows from: the choices, the state and the metal that is there, with its modifiers."""
    from . import edited, rebuild

    return built_spec(metal.data), built_state(metal.data), rebuild.digest_of(edited.mesh_there(metal))


def known(metal: bpy.types.Object) -> tuple[Finding, ...] | str | None:
    """The findings, worst first, or the sentence that says why there are none; None if the proof has not run yet."""
    found = _proofs.get(key_of(metal))
    return found if found is None or isinstance(found, str) else (*_of_object(metal), *found)


def prove_now(metal: bpy.types.Object) -> tuple[Finding, ...] | str:
    """The findings, worst first, computed without their spread if they are missing; a sentence if there are none."""
    found = _keep(_proofs, key_of(metal), PROOFS_KEPT, lambda: _proved(metal))
    return found if isinstance(found, str) else (*_of_object(metal), *found)


def prove_fully(metal: bpy.types.Object) -> tuple[Finding, ...] | str:
    """The same with the spread, where tolerances were given."""
    found = prove_now(metal)
    if isinstance(found, str) or not wants_spread(metal, found):
        return found
    keep_proof(key_of(metal), proof_of(head_there(metal), with_spread=True))
    return prove_now(metal)


def wants_spread(metal: bpy.types.Object, findings: Iterable[Finding]) -> bool:
    """Whether tolerances were given that these findings do not show."""
    try:
        is_given = bool(head_of(metal.data).spec.section("spread"))
    except SeatwrightError:
        return False
    return is_given and all(each.spread is None for each in findings)


def keep_proof(key: Key, findings: tuple[Finding, ...]) -> None:
    """Take findings that were computed elsewhere for this key in place of those known."""
    _proofs.pop(key, None)
    _keep(_proofs, key, PROOFS_KEPT, lambda: findings)


def _proved(metal: bpy.types.Object) -> tuple[Finding, ...] | str:
    try:
        return proof_of(head_there(metal), with_spread=False)
    except SeatwrightError as error:
        return refusal(metal, error)


def proof_of(head: Head, with_spread: bool, progress: Any = None) -> tuple[Finding, ...]:
    """The proof of a head as planned, or as others left it. Raises SeatwrightError."""
    from ..core.proof import prove
    from ..core.proof.outside import prove_as_found
    from . import edited

    if isinstance(head, edited.EditedHead):
        return prove_as_found(head, progress=progress, with_spread=with_spread)
    return prove(head, with_spread=with_spread)


def refusal(metal: bpy.types.Object, error: SeatwrightError) -> str:
    """Why a head cannot be proved, for people."""
    from . import rebuild

    advice = " The metal was edited by hand; undo that or rebuild it." if rebuild.is_edited(metal.data) else ""
    return sentence(error) + advice


def is_scaled(metal: bpy.types.Object) -> bool:
    """Whether the metal stands in the scene larger, smaller or turned over."""
    return any(abs(each - 1.0) > SCALE_READS for each in metal.matrix_world.to_scale())


def _of_object(metal: bpy.types.Object) -> tuple[Finding, ...]:
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
    return head if rebuild.digest_of(mesh) == metal.data.seatwright.built else edited.edited_head(head, metal)


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
        if known(metal) is None:
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
    _heads.clear()
    _proofs.clear()
