"""Marks and law: nickel, cadmium, lead and the hallmark, as cautions with the published limits.

What holds is the law where the piece is sold: every sentence here defers to it. The figures are those of the European
Union (REACH, Annex XVII) and of the United Kingdom (hallmarks).
"""
from __future__ import annotations

from collections.abc import Iterator

from ..solid.kernel import volume_mm3
from ..trade.hallmarks import hallmark_fineness, legal_finenesses, needs_hallmark
from ..trade.house_rules import HouseRules
from .findings import Finding, Verdict
from .subject import Subject

LOCAL = "the law where it is sold decides"

MM3_PER_CM3 = 1000.0


def check_marks(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """Every caution of the law."""
    yield _nickel(subject, rules)
    yield _barred(subject, rules, "Cd", "cadmium", "solder of every later repair included")
    yield _barred(subject, rules, "Pb", "lead", "whether of metal or not")
    yield _hallmark(subject, rules)


def _nickel(subject: Subject, rules: HouseRules) -> Finding:
    """A share of nickel says nothing of its release, but without any there is none to release."""
    alloy = subject.alloy
    share = alloy.composition.get("Ni", 0.0)
    skin, pierced = rules["law.nickel_skin"], rules["law.nickel_piercing"]
    limits = (f"what lies on the skin may release {skin.value:g} ug/cm2/week, posts through it {pierced.value:g}")
    if not alloy.has_nickel:
        why = f"{alloy.name} holds no nickel; where an alloy does, {limits} ({LOCAL})."
        return _said("marks.nickel", f"Nickel in {alloy.name}", "sound", share, 0.0, "wt %", why, "", skin.source, skin.key)
    why = f"{alloy.name} holds {share:g} % nickel, and some of it comes out on the skin: {limits} ({LOCAL})."
    return _said("marks.nickel", f"Nickel in {alloy.name}", "watch", share, 0.0, "wt %", why,
                 "Take a palladium white gold or platinum, or have the release tested by EN 1811.", skin.source, skin.key)


def _barred(subject: Subject, rules: HouseRules, element: str, name: str, extent: str) -> Finding:
    """An element that each part may hold only a trace of; the alloys table knows none that is meant to hold it."""
    rule = rules[f"law.{name}_most"]
    share = subject.alloy.composition.get(element, 0.0)
    verdict: Verdict = "sound" if share < rule.value else "unsafe"
    why = (f"Each part must hold less than {rule.value:g} % of {name}, {extent}, and {subject.alloy.name} is made with "
           f"{share:g} %; {LOCAL}.")
    remedy = "" if verdict == "sound" else f"Take an alloy without {name}."
    return _said(f"marks.{name}", f"{name.capitalize()} in {subject.alloy.name}", verdict, share, rule.value, "wt %", why,
                 remedy, rule.source, rule.key)


def _hallmark(subject: Subject, rules: HouseRules) -> Finding:
    """Whether metal of this weight must be marked; what is sculpted around the head counts with it."""
    alloy = subject.alloy
    grams = volume_mm3(subject.metal) / MM3_PER_CM3 * alloy.density_g_cm3
    code, what = "marks.hallmark", "Weight of the metal as modelled, without stones"
    if not alloy.is_precious:
        rule = rules["law.hallmark_gold_g"]
        return _said(code, what, "sound", grams, None, "g", f"{alloy.name} is no precious metal and takes no hallmark; {LOCAL}.",
                     "", rule.source, "")
    rule = rules[f"law.hallmark_{alloy.family}_g"]
    mark = hallmark_fineness(alloy)
    if mark is None:
        legal = ", ".join(map(str, legal_finenesses(alloy.family)))
        return _said(code, what, "watch", grams, rule.value, "g",
                     f"{alloy.name} at {alloy.fineness_ppt:g} reaches no legal fineness ({legal}); {LOCAL}.",
                     f"Take an alloy of a legal fineness, or do not sell it as {alloy.family}.", rule.source, rule.key)
    must = "must be marked" if needs_hallmark(alloy, grams, rules) else f"need not be marked up to {rule.value:g} g"
    why = (f"{alloy.family.capitalize()} of {grams:.2f} g {must} to be sold as such in the United Kingdom, here as {mark}; the "
           f"finished piece's whole weight counts, and {LOCAL}.")
    return _said(code, what, "sound", grams, rule.value, "g", why, "", rule.source, rule.key)


def _said(code: str, what: str, verdict: Verdict, measured: float, limit: float | None, unit: str, why: str, remedy: str,
          source: str, rule: str) -> Finding:
    return Finding(code, what, verdict, measured, limit, unit, None, why, remedy, source, rule)
