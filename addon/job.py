# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work of an operator: beside Blender's own, with its share shown, and stopped by Escape.

The work is the core's and touches nothing of Blender's, so it may run in a thread; what it comes to is written by the
operator afterwards, all at once.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import bpy

from ..core.errors import Cancelled, SeatwrightError
from . import live
from .properties import is_head, sentence

Progress = Callable[..., bool]
"""Is told the share that is done, and where that is not known words instead, and answers whether to go on."""

Work = Callable[[Progress], Any]

LOOK_S = 0.1
"""How often the share is shown and Escape is heard. Longer: the stop feels late."""


LOOKING = ("MIDDLEMOUSE", "MOUSEMOVE", "MOUSEROTATE", "MOUSESMARTZOOM")
LOOKING_KINDS = ("WHEEL", "TRACKPAD", "NDOF_MOTION")


def only_looks(event: bpy.types.Event) -> bool:
    """Whether an event turns, moves or scrolls a view, and changes nothing. With Ctrl the wheel turns a number's value."""
    is_wheel = event.type.startswith("WHEEL")
    return (event.type in LOOKING or event.type.startswith(LOOKING_KINDS)) and not (is_wheel and event.ctrl)


class _Run:
    """One piece of work in its thread, and what came of it."""

    def __init__(self, work: Work) -> None:
        self.share, self.words, self.is_stopped = 0.0, "", False
        self.result: Any = None
        self.error: Exception | None = None
        self._thread = threading.Thread(target=self._run, args=(work,), daemon=True)
        self._thread.start()

    def _run(self, work: Work) -> None:
        try:
            self.result = work(self._tell)
        except Exception as error:  # shown, or raised again, where the operator ends
            self.error = error

    def _tell(self, share: float, words: str = "") -> bool:
        self.share, self.words = share, words
        return not self.is_stopped

    @property
    def is_running(self) -> bool:
        return self._thread.is_alive()


class Job:
    """An operator whose work takes a while.

    prepare(context) reads Blender's data and returns the work, or None after reporting why there is none;
    finish(context, result) writes what came of it and returns the operator's answer.
    """

    doing = "Working"

    def start(self, metal: bpy.types.Object) -> None:
        """Remember which metal the work is about, as it is now."""
        self._name, self._key = metal.name, live.key_of(metal)

    def started(self) -> bpy.types.Object | None:
        """That metal, if it is still as it was; else None, after saying so."""
        metal = bpy.data.objects.get(self._name)
        if metal is not None and is_head(metal.data) and live.key_of(metal) == self._key:
            return metal
        self.report({"WARNING"}, f"{self._name} was changed while this ran, so the result was dropped; run it again")
        return None

    def execute(self, context: bpy.types.Context) -> set[str]:
        work = self.prepare(context)
        if work is None:
            return {"CANCELLED"}
        try:
            result = work(lambda share, words="": True)
        except SeatwrightError as error:
            self.report({"ERROR"}, sentence(error))
            return {"CANCELLED"}
        return self.finish(context, result)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        work = self.prepare(context)
        if work is None:
            return {"CANCELLED"}
        self._run = _Run(work)
        manager = context.window_manager
        self._timer = manager.event_timer_add(LOOK_S, window=context.window)
        manager.progress_begin(0.0, 1.0)
        manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        if event.type == "ESC":
            self._run.is_stopped = True
        if event.type != "TIMER":
            # Whoever waits may look round the head; what would change it waits for the end.
            return {"PASS_THROUGH"} if only_looks(event) else {"RUNNING_MODAL"}
        context.window_manager.progress_update(self._run.share)
        far = self._run.words or f"{100.0 * self._run.share:.0f} %"
        context.workspace.status_text_set(f"{self.doing}: {far}, Escape stops it")
        return {"RUNNING_MODAL"} if self._run.is_running else self._end(context)

    def cancel(self, context: bpy.types.Context) -> None:
        """Blender closes the file or the window."""
        self._run.is_stopped = True
        self._clear(context)

    def _clear(self, context: bpy.types.Context) -> None:
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        if context.workspace is not None:
            context.workspace.status_text_set(None)

    def _end(self, context: bpy.types.Context) -> set[str]:
        self._clear(context)
        error = self._run.error
        if isinstance(error, Cancelled):
            self.report({"INFO"}, str(error))
            return {"CANCELLED"}
        if isinstance(error, SeatwrightError):
            self.report({"ERROR"}, sentence(error))
            return {"CANCELLED"}
        if error is not None:
            raise error
        return self.finish(context, self._run.result)
