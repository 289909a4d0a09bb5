"""Specs that are unsafe although a sound one lies near: sound ones with one to three dimensions put off on purpose."""
from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from core.spec import Spec

NEAREST, FARTHEST = 2.0, 12.0
"""How far off a dimension is put, in usual sizes of change (core/remedy/levers.py): 0.1 mm or a tenth, 5 degrees, 0.05."""

SIZES_MM = (3.5, 10.0)
"""Between which sizes stones are drawn: the geometric mean of length and width."""

ALLOYS = ("18K yellow gold", "sterling silver", "14K white gold, nickel", "platinum 950 ruthenium")

NOT_PUT_OFF = ("claws.start_angle_deg", "seat.clearance_mm")
"""Choices that are hardly ever wrong by so much that the head is unsafe."""


@dataclass(frozen=True)
class Broken:
    """An unsafe spec, the sound one that it came from, and the choices that were put off and may be changed."""

    spec: Spec
    sound: Spec
    free: frozenset[str]

    @property
    def kept(self) -> frozenset[str]:
        return frozenset(path for path, _ in self.spec) - self.free


def broken_specs(seed: int = 7, states: tuple[str, ...] = ("cast", "set"), pinned: float = 0.5) -> Iterator[Broken]:
    """Endless, the same ones for the same seed: every cut in every style, where there is such a head. In the share `pinned`
    of them every dimension that was not put off is pinned, in the others it is open."""
    from core.errors import SeatwrightError
    from core.head import make_head
    from core.head.styles import STYLES
    from core.proof import prove
    from core.remedy.levers import levers_of
    from core.spec import Spec, spec_of
    from core.stone.cuts import BY_NAME, CUTS

    draw = random.Random(seed)

    def is_sound(spec: Spec) -> bool | None:
        try:
            return not any(each.verdict == "unsafe" for state in states for each in prove(make_head(spec, state)))
        except SeatwrightError:
            return None

    while True:
        cut = draw.choice(CUTS)
        length_mm = round(draw.uniform(*SIZES_MM) * BY_NAME[cut].ratio ** 0.5, 1)
        choices: dict[str, object] = {"stone.cut": cut, "stone.length_mm": length_mm, "head.style": draw.choice(list(STYLES)),
                                      "casting.alloy": draw.choice(ALLOYS)}
        if not is_sound(spec_of(choices)):
            continue
        levers = [lever for lever in levers_of(make_head(spec_of(choices))) if lever.path not in NOT_PUT_OFF]
        off = draw.sample(levers, draw.choice((1, 1, 2, 3)))
        sound = {**choices, **{lever.path: lever.typed(lever.rounded(lever.value + draw.uniform(-1.0, 1.0) * lever.size))
                               for lever in levers if lever.kind != "count"}} if draw.random() < pinned else dict(choices)
        put = {}
        for lever in off:
            way = draw.choice((-1.0, 1.0)) * (draw.choice((1.0, 2.0)) if lever.kind == "count" else draw.uniform(NEAREST, FARTHEST))
            put[lever.path] = lever.typed(lever.rounded(lever.value + way * lever.size))
        try:
            good, bad = spec_of(sound), spec_of({**sound, **put})
        except SeatwrightError:
            continue
        if is_sound(bad) is False and is_sound(good):
            yield Broken(bad, good, frozenset(put))
