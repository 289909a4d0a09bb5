"""The air between the metal: gaps, holes and blind holes that must stay open, and claws that leave none between them."""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from operator import itemgetter

import numpy as np

from ..mesh import Floats
from ..solid.kernel import Solid, first_hits, section
from ..tolerance import READ_MM, SAME_POINT_MM
from ..trade.house_rules import HouseRules, Rule
from .between import narrowest_between
from .findings import Finding, Limit, at_least, judge
from .loops import largest
from .narrowest import NEAR, NONE_NARROWER, REACH_MM, Narrowest, Search
from .subject import Subject
from .thickness import tangents

AIR, HOLES = 12, 6
"""How many narrow places of air are looked at, and how many as holes. Fewer: a hole beside a gap is passed over."""

ROUND = 8
"""Directions in which the air is looked at for walls. Fewer: slots in other directions count as open."""

AS_OPEN = 0.9
"""Which share of the most open direction's way others are as open from. Larger: a hole seen near its mouth runs aslant; smaller:
a flared one does."""

WIDER = 1.5
"""How many times as wide as where it is narrowest a hole may be and still be that hole. Larger: flared cups are holes."""

SMALL = 2.0
"""Up to how many times the least width a hole is small, so that its core breaks however short. Common practice, no source."""

DEEPEST_MM = 30.0
"""Longer than any hole in a head. Larger: nothing; smaller: deep holes count as open."""


def check_air(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """The narrowest gap and the narrowest hole anywhere but in the stone's own place, and the blind hole that is deepest
    for its width."""
    process = subject.process
    most = max(rules.of_process(process, name).value for name in ("gap_least_mm", "hole_least_mm"))
    surface = subject.surface

    def is_air(points: Floats, touches: Floats) -> np.ndarray:
        air: np.ndarray = ~subject.beside_stone((points + touches) / 2.0)
        return air

    search = Search(subject.metal, False, REACH_MM, NEAR * most, is_air, surface)
    places = subject.places.where(~subject.is_in_seat)
    found = search.narrowest(places, subject.ahead, AIR)
    holes = [(each, *_hole(subject.metal, each)) for each in found[:HOLES]]
    # At the corners of its mouth a hole is none any more.
    gaps = search.slid([each for each in found if not any(each is hole and is_hole for hole, is_hole, *_ in holes)],
                       places.spacing_mm)
    gap_rule, note = rules.of_process(process, "gap_least_mm"), ""
    # Beside a surround's beads the places on the surface meet what is narrowest only by chance.
    below_mm = min([gap_rule.value + SAME_POINT_MM, *(each.diameter_mm for each in gaps[:1])])
    exact = narrowest_between(subject.parts, subject.metal, below_mm)
    if exact is not None:
        gaps, note = [exact[0]], exact[1]
    yield _narrow("casting.gap", "Narrowest gap in the metal", gaps, gap_rule, "Widen it by {short:.2f} mm, or close it.",
                  note)
    bores = [_amid(subject.metal, each, along) if each.diameter_mm < search.follow_mm else each
             for each, is_hole, _, along in holes if is_hole][:1]
    yield _narrow("casting.hole", "Narrowest hole in the metal", bores,
                  rules.of_process(process, "hole_least_mm"), "Widen it by {short:.2f} mm, or fill it and drill it later.")
    yield _blind([(each, depth) for each, _, depth, _ in holes if depth > 0.0], process, rules)


def _amid(metal: Solid, ball: Narrowest, along: Floats) -> Narrowest:
    """The ball moved half way through its hole, which runs along a way (3,)."""
    up, down = (_to_opening(metal, ball, ball.middle, way) for way in (along, -along))
    shift = along * (up - down) / 2.0 if max(up, down) < DEEPEST_MM else 0.0 * along
    return replace(ball, point=ball.point + shift, touch=ball.touch + shift)


def _narrow(code: str, what: str, found: Sequence[Narrowest], rule: Rule, remedy: str, note: str = "") -> Finding:
    if not found:
        return judge(code, what, REACH_MM, "mm", None, [at_least(rule, "watch", "")], READ_MM, NONE_NARROWER)
    least = found[0]
    words = remedy.format(short=max(0.0, rule.value - least.diameter_mm))
    return judge(code, what, least.diameter_mm, "mm", least.middle, [at_least(rule, "watch", words)], READ_MM, note)


def _hole(metal: Solid, ball: Narrowest) -> tuple[bool, float, Floats]:
    """Whether a ball of air lies in a hole, how deep that is if it is blind, 0 if it goes through, and (3,) the unit way along
    it.

    It is a hole if metal stands on both sides in a second direction too, no farther off than the ball is wide; its way
    then runs across both.
    """
    first, second = tangents(ball.across[None, :])
    turn = np.arange(ROUND) * (2.0 * math.pi / ROUND)
    ways = np.outer(np.cos(turn), first[0]) + np.outer(np.sin(turn), second[0])
    far, _ = first_hits(metal, np.tile(ball.middle, (ROUND, 1)), ball.middle + ways * DEEPEST_MM)
    # Of each pair of opposite directions: how far the farther wall is, and how open both are together.
    widest = far.reshape(2, -1).max(axis=0)
    openness = np.minimum(far, DEEPEST_MM).reshape(2, -1).sum(axis=0)
    square = (np.arange(ROUND // 2) + ROUND // 4) % (ROUND // 2)
    closed = widest[square] <= WIDER * ball.diameter_mm
    if not closed.any():
        return False, 0.0, ball.normal
    # Near its mouth a hole is as open aslant; along it the walls are nearest.
    is_open = closed & (openness >= AS_OPEN * openness[closed].max())
    along = int(np.argmin(np.where(is_open, widest[square], np.inf)))
    beside = int(square[along])
    middle = ball.middle + ways[beside] * (far[beside] - far[beside + ROUND // 2]) / 2.0
    ends, _ = first_hits(metal, np.tile(middle, (2, 1)), middle + np.array([ways[along], -ways[along]]) * DEEPEST_MM)
    if np.isfinite(ends).all() or not np.isfinite(ends).any():
        return True, 0.0, ways[along]
    bottom = int(np.argmin(ends))
    outwards = ways[along] * (-1.0 if bottom == 0 else 1.0)
    # What it leads to may be the far side of a wider space, or it may be open to a side.
    backwards = (along + (0 if bottom == 0 else ROUND // 2) + np.array([-1, 1])) % ROUND
    if far[backwards].max() > 2.0 * WIDER * ball.diameter_mm or _to_opening(metal, ball, middle, -outwards) < ends[bottom]:
        return True, 0.0, ways[along]
    return True, float(ends[bottom]) + _to_opening(metal, ball, middle, outwards), ways[along]


def _to_opening(metal: Solid, ball: Narrowest, middle: Floats, outwards: Floats) -> float:
    """How far from the middle of a hole it is on the way out to where it is WIDER than here, mm: first by eighths of its
    width, then by eighths of those."""
    wide, opens, closed = WIDER * ball.diameter_mm, DEEPEST_MM, 0.0
    for count, step in ((96, ball.diameter_mm / 8.0), (8, ball.diameter_mm / 64.0)):
        steps = closed + np.arange(1, count + 1) * step
        places = middle + steps[:, None] * outwards
        one, other = (first_hits(metal, places, places + side * wide)[0] for side in (ball.across, -ball.across))
        is_open = one + other > wide
        if not is_open.any():
            break
        opens = float(steps[int(np.argmax(is_open))])
        closed = opens - step
    return opens


def _blind(holes: Sequence[tuple[Narrowest, float]], process: str, rules: HouseRules) -> Finding:
    """The blind hole that is deepest for its width: investment, resin or powder must come out of it again."""
    code, what = "casting.blind", "Depth of the deepest blind hole over what its width allows"
    share, most = (rules.of_process(process, name) for name in ("hole_depth_share", "hole_depth_most_mm"))
    small_mm = SMALL * rules.of_process(process, "hole_least_mm").value
    if not holes:
        limit = Limit(1.0, False, "watch", "No hole that ends in the metal was found.", share.source, "", share.key)
        return judge(code, what, 0.0, "1", None, [limit], 0.0)

    def allowed(width_mm: float) -> tuple[float, Rule]:
        by_width = share.value * width_mm
        return (most.value, most) if width_mm <= small_mm and most.value < by_width else (by_width, share)

    worst, depth = max(holes, key=lambda hole: hole[1] / allowed(hole[0].diameter_mm)[0])
    deepest, rule = allowed(worst.diameter_mm)
    limit = Limit(1.0, False, "watch", f"A blind hole {worst.diameter_mm:.2f} mm wide and {depth:.2f} mm deep keeps what "
                  f"is in it; so wide, it may be {deepest:.2f} mm deep.", rule.source,
                  "Open its end, make it shallower, or fill it and drill it later.", rule.key)
    return judge(code, what, depth / deepest, "1", worst.middle, [limit], 0.01)


def check_merged(subject: Subject) -> Iterator[Finding]:
    """Neighbouring claws that run into each other at the base, where they are nearest."""
    gauge = subject.gauge
    # Claws that grow out of a peg are meant to meet there.
    if len(gauge.claws) < 2 or "peg" in subject.parts:
        return
    height = max(float(claw.foot[2]) for claw in gauge.claws) + 0.02
    rings = [largest(section(gauge.parts[claw.name], height)) for claw in gauge.claws]
    gaps = []
    for ring, after in zip(rings, rings[1:] + rings[:1]):
        line = after.mean(axis=0) - ring.mean(axis=0)
        line /= np.linalg.norm(line)
        gaps.append((float((after @ line).min() - (ring @ line).max()), ring, after))
    clear, ring, after = min(gaps, key=itemgetter(0))
    if clear <= 0.0:
        ways = np.linalg.norm(ring[:, None] - after, axis=2)
        i, j = np.unravel_index(int(np.argmin(ways)), ways.shape)
        middle = (ring[i] + after[j]) / 2.0
        merged = Limit(0.0, True, "watch", "Claws that run into each other at the base look like one lump of metal.",
                       "common practice, no source", "Take fewer or thinner claws, or a smaller taper.")
        yield judge("casting.gap", "Room between claws at the base", clear, "mm", [*middle, height], [merged], READ_MM)
