"""What this stone does not bear: heat, the caster's flask, cleaning baths, acids, and pressure along its cleavage.

Cautions in the words of the species table. A head is set after all hot work, so that only what threatens the finished
piece, or the setting itself, is for watching.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..mesh import Floats
from ..trade.house_rules import HouseRules
from ..trade.species import CARE, Species
from .findings import Finding, Verdict, point
from .subject import Subject

NO_ACID = ("no pickle", "never", "avoid")
"""How the table's words on acid begin for stones that must not be pickled."""

WEAK = ("poor", "fair")
"""Words on toughness for stones that chip or split under a claw."""


def check_species(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every caution that comes with the species of the stone."""
    kind = subject.species
    yield _heat(subject, kind)
    yield _flask(kind)
    yield _cleaning(kind)
    yield _acid(kind)
    yield _cleavage(subject, kind, rules)


def is_weak(kind: Species) -> bool:
    """True if a claw pushed home hard may chip or split it."""
    return any(word in kind.toughness for word in WEAK)


def _heat(subject: Subject, kind: Species) -> Finding:
    melts, _ = subject.alloy.melting_c
    why = (f"{subject.alloy.name} begins to melt at {melts:.0f} C, and {kind.name} and heat: {kind.heat}; so set it after all "
           "soldering, and take it out before a repair unless it bears the torch.")
    return _caution("species.heat", f"Heat and the {kind.name}", "sound", melts, None, "C", why, "", kind)


def _flask(kind: Species) -> Finding:
    is_borne = kind.cast_in_place.startswith(("yes", "often"))
    why = f"Casting with the {kind.name} in the wax: {kind.cast_in_place}."
    if not is_borne:
        why = f"{why[:-1]}; set it into the finished casting."
    return _caution("species.flask", f"Casting the {kind.name} in place", "sound", None, None, "", why, "", kind)


def _cleaning(kind: Species) -> Finding:
    grade = max(CARE.index(each) for each in (kind.ultrasonic, kind.steam))
    never, unknown = CARE.index("never"), CARE.index("not listed")
    why = f"{kind.name.capitalize()} in the ultrasonic bath: {kind.ultrasonic}; in steam: {kind.steam}."
    verdict: Verdict = "watch" if grade == never else "sound"
    remedy = "Tell the customer and the next jeweller: warm soapy water and a soft brush only." if verdict == "watch" else ""
    if grade == unknown:
        why = f"{why[:-1]}; what is not listed is best left to soap and a soft brush."
    return _caution("species.cleaning", f"Cleaning the {kind.name}", verdict, None, None, "", why, remedy, kind)


def _acid(kind: Species) -> Finding:
    is_barred = kind.acid.startswith(NO_ACID)
    why = f"{kind.name.capitalize()} and acids: {kind.acid}."
    remedy = "Pickle the head before the stone is in it, and never after." if is_barred else ""
    return _caution("species.acid", f"Pickle and the {kind.name}", "watch" if is_barred else "sound", None, None, "", why, remedy, kind)


def _cleavage(subject: Subject, kind: Species, rules: HouseRules) -> Finding:
    """Claws that press on a point of a stone that cleaves."""
    gauge = subject.gauge
    points = _points(subject, rules.value("retention.point_from_deg"))
    pressed = [(claw, corner) for claw in gauge.claws for corner in points
               if np.linalg.norm(claw.edge - corner) <= claw.diameter_mm]
    what = "Claws on points of a stone that cleaves"
    count = float(len(pressed)) if kind.has_perfect_cleavage else 0.0
    verdict: Verdict = "watch" if count and is_weak(kind) else "sound"
    why = f"{kind.name.capitalize()} cleaves: {kind.cleavage}; a blow or a claw on a point starts the split there."
    if not kind.has_perfect_cleavage:
        why = f"{kind.name.capitalize()} has no perfect cleavage ({kind.cleavage})."
    elif count and verdict == "sound":
        why = f"{why[:-1]}, so relieve each notch at the very point and let the claw press beside it."
    remedy = "Relieve each notch at the very point, and press beside it; or take V claws that keep off it." if verdict == "watch" else ""
    place = [*pressed[0][1], gauge.girdle_plane_mm] if pressed and count else None
    return replace(_caution("species.cleavage", what, verdict, count, 0.0, "count", why, remedy, kind), place=point(place))


def _points(subject: Subject, from_deg: float) -> list[Floats]:
    """(2,) the corners that turn by so much, of the placed stone's outline, by its girdle as it is measured."""
    loop = subject.gauge.girdle_loop
    before, after = np.roll(loop, 1, axis=0), np.roll(loop, -1, axis=0)
    one, other = loop - before, after - loop
    turn = np.degrees(np.arctan2(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0], np.einsum("ij,ij->i", one, other)))
    return [loop[i] for i in np.flatnonzero(turn >= from_deg)]


def _caution(code: str, what: str, verdict: Verdict, measured: float | None, limit: float | None, unit: str, why: str, remedy: str,
             kind: Species) -> Finding:
    return Finding(code, what, verdict, measured, limit, unit, None, why, remedy, kind.source)
