"""Each claw as a beam that stands out of the wall: the force at its tip that first bends it for good, and how far it
springs back when it is closed.

Sections are the claw's own, taken where it leaves wall or rail and up to the girdle, with the setter's notch in them.
The figures are for screening: they leave out how the metal was cast, worked and worn, and are no test.
"""
from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..mesh import Floats, Ints
from ..solid.kernel import outside
from ..trade.alloys import Alloy
from ..trade.house_rules import HouseRules
from .findings import Finding, at_least, at_most, judge, unable
from .loops import area_mm2, is_inside
from .measure import HAIR_MM, ClawMeasure
from .subject import NAME_CLAWS, NO_CLAW, Subject

PITCH_MM = 0.5
"""Height between the sections of a claw. Larger: a filed waist hides between them."""

SECTIONS = (4, 12)
"""Fewest and most of them."""

LEVER_LEAST_MM = 0.05
"""The least lever of a tip over a section. Smaller: a tip level with its section would bear any force."""

HELD_SHARE = 1e-6
"""Share of a claw's section that another part has to take for it to hold the claw. Smaller: rounding would."""

HALVING_STEPS = 60
"""Most steps to the line that halves a section; half a dozen do unless it is ragged."""


@dataclass(frozen=True)
class Beam:
    """A section against bending towards or away from the stone.

    area_mm2; middle_mm: its centroid; inertia_mm4: second moment about the line through it along the girdle;
    modulus_mm3: that over the farthest fibre.
    """

    area_mm2: float
    middle_mm: float
    inertia_mm4: float
    modulus_mm3: float


def beams(sections: Sequence[Sequence[Floats]]) -> tuple[Beam, ...]:
    """Of sections, each of closed loops (k, 2), holes clockwise, with the way outwards first: exact sums over their corners
    (Green)."""
    nothing = Beam(0.0, 0.0, 0.0, 0.0)
    known = [i for i, loops in enumerate(sections) if len(loops)]
    found = [nothing] * len(sections)
    if not known:
        return tuple(found)
    start, stop = _sides([loop for i in known for loop in sections[i]])
    sizes = np.array([sum(map(len, sections[i])) for i in known])
    first = np.cumsum(sizes) - sizes
    areas, firsts, seconds = (np.add.reduceat(each, first) for each in _moments(start, stop))
    highest, lowest = np.maximum.reduceat(start[0], first), np.minimum.reduceat(start[0], first)
    sums = np.column_stack([areas, firsts, seconds, highest, lowest]).tolist()
    for i, (area, moment, second, high, low) in zip(known, sums):
        if area > 0.0:
            middle = moment / area
            inertia = second - area * middle * middle
            found[i] = Beam(area, middle, inertia, inertia / max(high - middle, middle - low))
    return tuple(found)


def plastics_mm3(sections: Sequence[Sequence[Floats]]) -> list[float]:
    """The plastic modulus of each section: the first moment of its area about the line that halves it. Times the stress,
    it is the most that the section bears before it bends like a hinge."""
    known = [i for i, loops in enumerate(sections) if len(loops)]
    found = [0.0] * len(sections)
    if not known:
        return found
    sides = _sides([loop for i in known for loop in sections[i]])
    sizes = np.array([sum(map(len, sections[i])) for i in known])
    begins, owner = np.cumsum(sizes) - sizes, np.repeat(np.arange(len(known)), sizes)
    areas, firsts, _ = (np.add.reduceat(each, begins) for each in _moments(*sides))
    low, high = np.minimum.reduceat(sides[0][0], begins), np.maximum.reduceat(sides[0][0], begins)
    metal = areas > 0.0
    halves = np.where(metal, firsts / np.where(metal, areas, 1.0), low)
    for _ in range(HALVING_STEPS):
        below, _, widths = _below(*sides, halves[owner], begins)
        off = below - areas / 2.0
        left = metal & (np.abs(off) > 1e-12 * areas)
        if not left.any():
            break
        low, high = np.where(left & (off <= 0.0), halves, low), np.where(left & (off > 0.0), halves, high)
        # Newton's step where it stays between what is too low and too high, else their middle.
        steps = halves - np.where(widths > 0.0, off, np.inf) / np.where(widths > 0.0, widths, 1.0)
        steps = np.where((steps > low) & (steps < high), steps, (low + high) / 2.0)
        halves = np.where(left, steps, halves)
    below, below_firsts, _ = _below(*sides, halves[owner], begins)
    for i, modulus in zip(known, np.where(metal, firsts - 2.0 * below_firsts - halves * (areas - 2.0 * below), 0.0).tolist()):
        found[i] = modulus
    return found


def _sides(loops: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Starts and ends, each (2, e), of the sides of closed loops (k, 2)."""
    return (np.concatenate(loops).T.copy(),
            np.concatenate([part for loop in loops for part in (loop[1:], loop[:1])]).T.copy())


def _moments(start: Floats, stop: Floats) -> tuple[Floats, Floats, Floats]:
    """What each side (2, e) adds to area, first and second moment about x = 0, mm2, mm3 and mm4 (Green)."""
    x, to = start[0], stop[0]
    turned = x * stop[1] - to * start[1]
    return turned / 2.0, turned * (x + to) / 6.0, turned * (x * x + x * to + to * to) / 12.0


def _below(start: Floats, stop: Floats, most: Floats, begins: Ints) -> tuple[Floats, Floats, Floats]:
    """Area and first moment of the part of each section with x at most `most`, and how wide it is there, from their sides
    (2, e), which begin at (n,): sums of -y dx and -x y dx along what lies below, to which the line itself adds nothing
    (Green). most (e,): for each side its section's."""
    (x, y), (to_x, to_y) = start, stop
    slope = (to_y - y) / np.where(to_x == x, 1.0, to_x - x)
    low, high = np.minimum(x, most), np.minimum(to_x, most)
    y_low, y_high = y + (low - x) * slope, to_y + (high - to_x) * slope
    run = high - low
    areas = run * (y_low + y_high) / -2.0
    firsts = run * (2.0 * (low * y_low + high * y_high) + low * y_high + high * y_low) / -6.0
    # Ways towards higher x run below the metal, those back above it.
    rises, falls = (x <= most) & (to_x > most), (x > most) & (to_x <= most)
    widths = (y + (most - x) * slope) * (falls.astype(np.int8) - rises)
    area, first, width = (np.add.reduceat(each, begins) for each in (areas, firsts, widths))
    return area, first, width


@dataclass(frozen=True)
class Cantilever:
    """A claw as a beam: heights (n,) mm of its sections from root to girdle, their loops and beams, the lever (n,) mm
    from each to the tip along the claw, and the length (n,) mm of claw that each stands for."""

    claw: ClawMeasure
    heights: Floats
    sections: tuple[list[Floats], ...]
    beams: tuple[Beam, ...]
    levers: Floats
    lengths: Floats

    def tip_force_n(self, stress_mpa: float) -> tuple[float, int]:
        """The least force square to the claw at its tip that brings a fibre to a stress: F = stress · Z / lever
        (cantilever with an end load, any textbook of strength of materials), and at which section."""
        forces = [stress_mpa * each.modulus_mm3 / lever for each, lever in zip(self.beams, self.levers)]
        weakest = int(np.argmin(forces))
        return forces[weakest], weakest


def spring_backs_deg(claws: Sequence[Cantilever], stress_mpa: float, modulus_gpa: float) -> list[float]:
    """How far each claw turns back when it is let go after being bent for good: the elastic part of the bend under the
    force that makes the weakest section yield right through. By the first moment-area theorem (Mohr) the turn is the sum
    of M / (E · I) over the length. 0 for a claw that is cut through."""
    turns = []
    weakest = [each.tip_force_n(stress_mpa) for each in claws]
    moduli = plastics_mm3([each.sections[i] for each, (_, i) in zip(claws, weakest)])
    for claw, (least, i), plastic in zip(claws, weakest, moduli):
        if least == 0.0:
            turns.append(0.0)
            continue
        force = stress_mpa * plastic / claw.levers[i]
        bends = [force * lever / (1000.0 * modulus_gpa * each.inertia_mm4) for each, lever in zip(claw.beams, claw.levers)]
        turns.append(math.degrees(float(np.asarray(bends) @ claw.lengths)))
    return turns


def cantilevers(subject: Subject, rules: HouseRules) -> list[Cantilever]:
    """Every claw that reaches the girdle, as it stands once it is finished."""
    gauge = subject.gauge
    girdle = gauge.girdle_plane_mm + subject.stone.girdle_mm / 2.0
    crown = gauge.table_mm - gauge.crown_edge_mm
    share = (rules.value("claws.tip_height_low") + rules.value("claws.tip_height_high")) / 2.0
    finished = gauge.crown_edge_mm + share * crown
    roots = _roots_mm(subject)
    root_of = {claw.name: root for claw, root in zip(gauge.claws, roots)}
    # Most claws leave the same wall, so that their sections are taken together.
    found: dict[str, Cantilever] = {}
    copied = {claw.name: copy for claw, root in zip(gauge.claws, roots)
              if (copy := gauge.copy_of(claw.name)) is not None and root_of.get(copy.first) == root}
    for root in dict.fromkeys(roots):
        claws = [claw for claw, own in zip(gauge.claws, roots) if own == root and claw.name not in copied]
        count = min(max(math.ceil((girdle - root) / PITCH_MM) + 1, SECTIONS[0]), SECTIONS[1])
        heights = np.linspace(root + HAIR_MM, girdle, count)
        cuts = [_loops([claw.name for claw in claws], subject, float(height)) for height in heights]
        each_sections = [_square_to(claw, [level[i] for level in cuts]) for i, claw in enumerate(claws)]
        all_beams = beams([loops for sections in each_sections for loops in sections])
        for i, (claw, sections) in enumerate(zip(claws, each_sections)):
            top = gauge.claw_top_mm(claw)
            tip = top if subject.is_set else min(top, finished)
            # The notch is as deep all along the girdle, and its lower end has the longer lever.
            ends = np.append(heights[:-1], gauge.girdle_plane_mm)
            levers = np.maximum((tip - ends) / claw.lean, LEVER_LEAST_MM)
            steps = np.diff(np.append(heights, max(tip, girdle))) / claw.lean
            # Each section stands for half the way to either neighbour; the last also for what is left to the tip, over
            # which the moment falls to nothing.
            lengths = np.concatenate([[0.0], steps[:-1] / 2.0]) + np.append(steps[:-1] / 2.0, steps[-1] / 2.0)
            found[claw.name] = Cantilever(claw, heights, sections, all_beams[i * count:(i + 1) * count], levers, lengths)
    # Copies that leave the same wall are the same beams.
    return [replace(found[copied[claw.name].first], claw=claw) if claw.name in copied else found[claw.name]
            for claw in gauge.claws]


def _loops(names: Sequence[str], subject: Subject, height_mm: float) -> list[list[Floats]]:
    """The level cuts of claws at a height, without what the stone takes."""
    loops = [subject.gauge.part_at(name, height_mm) for name in names]
    return loops if subject.is_seat_cut else outside(loops, subject.gauge.stone_at(height_mm))


def _square_to(claw: ClawMeasure, levels: Sequence[list[Floats]]) -> tuple[list[Floats], ...]:
    """The loops of each level as they look along the claw, with the way outwards first; the largest body of them
    only."""
    frame = np.column_stack([claw.outwards * claw.lean, [-claw.outwards[1], claw.outwards[0]]])
    return tuple(_largest_body([(loop - claw.edge) @ frame for loop in loops]) for loops in levels)


def _largest_body(loops: list[Floats]) -> list[Floats]:
    """Of loops, holes clockwise, the largest outer one and its holes."""
    if len(loops) < 2:
        return loops
    areas = [area_mm2([loop]) for loop in loops]
    # What the notch leaves on the stone's side of a claw carries nothing.
    kept = loops[int(np.argmax(areas))]
    holes = [loop for loop, area in zip(loops, areas) if area < 0.0]
    return [kept, *(hole for hole in holes if is_inside([kept], hole[:1])[0])]


def _roots_mm(subject: Subject) -> list[float]:
    """For each claw the height at which it leaves the highest part that holds it below the girdle: wall, rail or foot;
    else the base."""
    gauge = subject.gauge
    boxes = [gauge.part_bounds(claw.name) for claw in gauge.claws]
    roots = [gauge.base_mm] * len(boxes)
    for name, part in gauge.parts.items():
        if name in gauge.claw_names or part is gauge.rim_part:
            continue
        part_low, part_high = gauge.part_bounds(name)
        top = min(float(part_high[2]), gauge.girdle_plane_mm) - HAIR_MM
        beside = [i for i, (low, high) in enumerate(boxes) if top > roots[i]
                  and not ((part_low[:2] > high[:2]).any() or (low[:2] > part_high[:2]).any())]
        # By area: a rail is so narrow at its top that a claw which it crosses may have no corner in it.
        sections = [gauge.part_at(gauge.claws[i].name, top) for i in beside]
        for i, whole, left in zip(beside, sections, outside(sections, gauge.part_at(name, top)) if beside else ()):
            own = area_mm2(whole)
            if own - area_mm2(left) > HELD_SHARE * own:
                roots[i] = top
    return roots


# Findings.


def check_strength(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every check of how strong the claws are."""
    gauge = subject.gauge
    if not gauge.claws:
        if gauge.rim_part is None:
            yield unable("strength.tip_force", "Force that opens a claw", NO_CLAW, NAME_CLAWS)
        return
    found = cantilevers(subject, rules)
    for each in found:
        yield _tip_force(each, subject.alloy, rules)
    yield _spring_back(found, subject.alloy, rules)


def yield_mpa(alloy: Alloy, condition: str) -> float:
    """The stress that first bends an alloy for good. condition: "as cast" or "hard".

    The lower published 0.2 % proof stress is of annealed metal; other conditions go with their hardness, from memory.
    """
    hardness = alloy.hardness_cast_hv if condition == "as cast" else alloy.hardness_hard_hv
    return alloy.proof_mpa[0] * sum(hardness) / sum(alloy.hardness_annealed_hv)


def _tip_force(cantilever: Cantilever, alloy: Alloy, rules: HouseRules) -> Finding:
    claw = cantilever.claw
    force, weakest = cantilever.tip_force_n(yield_mpa(alloy, "as cast"))
    rule = rules["strength.tip_force_least_n"]
    whole = max(cantilever.beams, key=lambda each: each.area_mm2)
    left = cantilever.beams[weakest].inertia_mm4 / whole.inertia_mm4 if whole.inertia_mm4 > 0.0 else 0.0
    hard = force * yield_mpa(alloy, "hard") / yield_mpa(alloy, "as cast")
    # Strength grows with the cube of the thickness.
    share = (rule.value / force) ** (1.0 / 3.0) - 1.0 if 0.0 < force < rule.value else 1.0
    return judge("strength.tip_force", f"Force at the tip that opens {claw.name} of {alloy.name} as cast", force, "N",
                 [*claw.at_height(cantilever.heights[weakest])],
                 [at_least(rule, "watch", f"Thicken {claw.name} by {share * claw.diameter_mm:.2f} mm, take a shallower "
                                          "notch or a stronger alloy.")],
                 0.01, f"worked hard it would bear {hard:.0f} N, and {100.0 * left:.0f} % of its stiffness is left at "
                       "its weakest section")


def _spring_back(found: Sequence[Cantilever], alloy: Alloy, rules: HouseRules) -> Finding:
    rule = rules["strength.spring_back_most_deg"]
    modulus = sum(alloy.modulus_gpa) / 2.0
    stress = sum(alloy.proof_mpa) / 2.0 * sum(alloy.hardness_cast_hv) / sum(alloy.hardness_annealed_hv)
    turns = spring_backs_deg(found, stress, modulus)
    worst = int(np.argmax(turns))
    claw = found[worst].claw
    lift = math.radians(turns[worst]) * found[worst].levers[-1]
    return judge("strength.spring_back", f"Angle by which a claw of {alloy.name} springs back when it is closed",
                 turns[worst], "deg", claw.girdle_place,
                 [at_most(rule, "watch", f"Anneal the claws before closing them, and bend {claw.name} "
                                         f"{turns[worst]:.1f}° too far.")], 0.001,
                 f"the tip of {claw.name}, which springs most, lifts by {lift:.3f} mm if it is bent no farther than it "
                 "shall stay")
