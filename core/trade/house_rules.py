"""House rules: the limits a workshop works to, each with its reason and source, and the workshop's own overlay.

An overlay is a TOML file that names only what differs, either as a bare number or with a source and a reason:

    [claws]
    notch_max = 0.45
    contact_low = { value = 0.35, source = "our setter", why = "Our customers wear rings in the garden." }

    [lost_wax]                      # one section for each process
    section_least_mm = 0.5

    [alloy."sterling silver"]       # what one alloy needs to fill, instead of the figure in the table of alloys
    model_least_mm = 0.9
"""
from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from ..errors import Fault, FileFault, SpecError
from .alloys import Alloy, all_alloys
from .table import FOLDER, nearest_hint, pick

PROCESSES = {"lost wax": "lost_wax", "printed resin, cast": "printed_resin", "direct metal print": "metal_print"}
"""The family of rules that holds for each process."""

TEXT_KEYS = ("source", "why")

ALLOY = "alloy"
"""The family of rules with a section for each alloy; their shipped values stand in the table of alloys."""

ALLOY_LIMITS = {
    "cast_least_mm": "A thinner section of this alloy does not fill.",
    "model_least_mm": "A thinner model of this alloy fills only with luck.",
}
"""The limits of an alloy, with their reasons."""

ALLOY_ALLOWED_MM = (0.1, 3.0)
"""Within what a workshop may move them: thinner than the lower no casting fills, thicker no claw is."""


def alloy_rule(name: str, limit: str) -> str:
    """The key of an alloy's limit: "alloy.sterling silver.model_least_mm"."""
    return f"{ALLOY}.{name}.{limit}"


@dataclass(frozen=True)
class Rule:
    """One limit. key "family.name"; value in `unit` ("1" for shares); why is a sentence; tag P, C, M or CP, or
    "house" if the workshop set it; allowed is the physical range that the workshop may move it in."""

    key: str
    value: float
    unit: str
    source: str
    tag: str
    why: str
    allowed: tuple[float, float]


@dataclass(frozen=True)
class HouseRules:
    """Every rule by key, in the order of the file."""

    rules: Mapping[str, Rule]

    def __getitem__(self, key: str) -> Rule:
        """The rule called `key`; SpecError names the nearest."""
        return self.rules.get(key) or pick("house rules", key, self.rules)

    def __iter__(self) -> Iterator[Rule]:
        return iter(self.rules.values())

    def __len__(self) -> int:
        return len(self.rules)

    def value(self, key: str) -> float:
        """The value of the rule called `key`."""
        return self[key].value

    def for_alloy(self, metal: Alloy) -> Alloy:
        """The alloy with the limits that the workshop sets for it; the same one if it sets none."""
        cast, model = (self.rules.get(alloy_rule(metal.name, limit)) for limit in ALLOY_LIMITS)
        given = model or cast
        if given is None:
            return metal
        return replace(metal, least_cast_mm=cast.value if cast else metal.least_cast_mm,
                       least_model_mm=model.value if model else metal.least_model_mm, making_source=given.source)

    def v_tip_heights(self, is_supported: bool) -> tuple[Rule, Rule]:
        """Least and most height of a V claw's end over the girdle, as shares of the crown: where a wall carries the stone
        between the claws, and where they alone do."""
        if is_supported:
            return self["claws.v_tip_height_low"], self["claws.v_tip_height_high"]
        return self["claws.v_tip_height_bare_low"], self["claws.v_tip_height_bare_high"]

    def of_process(self, process: str, name: str) -> Rule:
        """The rule `name` ("section_least_mm") of a process ("lost wax")."""
        return self[f"{pick('casting.process', process, PROCESSES)}.{name}"]


def house_rules(overlay: str | Path | None = None) -> HouseRules:
    """The shipped rules, with those of the workshop's `overlay` file laid over them.

    Raises FileFault if the file cannot be read or is no TOML, SpecError with one Fault for each rule that is refused.
    """
    if overlay is None:
        return _shipped()
    path = Path(overlay)
    faults: list[Fault] = []
    merged = dict(_shipped().rules)
    shipped = {**merged, **_of_alloys()}
    for key, choice in _flat(_read(path), faults):
        rule = _changed(key, choice, path.name, shipped, faults)
        if rule is not None:
            merged[key] = rule
    faults.extend(_crossed(merged))
    faults.extend(_thin(merged))
    if faults:
        raise SpecError(*faults)
    return HouseRules(merged)


@cache
def _shipped() -> HouseRules:
    rules = {}
    for family, members in _read(FOLDER / "house_rules.toml").items():
        for name, entry in members.items():
            low, high = entry.pop("allowed")
            rules[f"{family}.{name}"] = Rule(key=f"{family}.{name}", allowed=(low, high), **entry)
    return HouseRules(rules)


@cache
def _of_alloys() -> dict[str, Rule]:
    """The limits of every alloy as rules, from the table of alloys."""
    return {alloy_rule(metal.name, limit): Rule(alloy_rule(metal.name, limit), getattr(metal, attribute), "mm",
                                                metal.making_source, "M", why, ALLOY_ALLOWED_MM)
            for metal in all_alloys()
            for (limit, why), attribute in zip(ALLOY_LIMITS.items(), ("least_cast_mm", "least_model_mm"), strict=True)}


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise FileFault(path, f"the house rules cannot be read ({reason})", "give a readable TOML file") from error
    except UnicodeDecodeError as error:
        raise FileFault(path, f"the house rules are not UTF-8 (byte {error.start})", "save them as UTF-8") from error
    except (ValueError, RecursionError) as error:
        raise FileFault(path, f"the house rules are not TOML ({error})", "put the file right") from error


def _flat(content: Mapping[str, Any], faults: list[Fault]) -> Iterator[tuple[str, Any]]:
    """The entries "family.name" of an overlay; anything that is in no family is a fault."""
    for family, members in content.items():
        if isinstance(members, dict) and family == ALLOY:
            yield from _flat({f"{ALLOY}.{name}": limits for name, limits in members.items()}, faults)
        elif isinstance(members, dict):
            yield from ((f"{family}.{name}", choice) for name, choice in members.items())
        else:
            example = '[alloy."sterling silver"] model_least_mm = 0.9' if family.startswith(ALLOY) else "[claws] notch_max = 0.45"
            faults.append(Fault(family, members, f"a rule stands in a family, as in {example}"))


def _changed(key: str, choice: Any, file: str, shipped: Mapping[str, Rule], faults: list[Fault]) -> Rule | None:
    """The shipped rule with the workshop's value; None, and one more fault, if it is refused."""
    entry = choice if isinstance(choice, dict) else {"value": choice}
    fault = _fault(key, choice, entry, shipped)
    if fault is not None:
        faults.append(fault)
        return None
    rule = shipped[key]
    return replace(rule, value=float(entry["value"]), tag="house", why=entry.get("why", rule.why),
                   source=entry.get("source", f"house rules {file}"))


def _fault(key: str, choice: Any, entry: Mapping[str, Any], shipped: Mapping[str, Rule]) -> Fault | None:
    """What is wrong with one entry of an overlay, if anything."""
    if key not in shipped:
        return Fault(key, choice, f"there is no such rule; {nearest_hint(key, {known: known for known in shipped})}")
    other = [name for name in entry if name not in ("value", *TEXT_KEYS)]
    if other or "value" not in entry:
        return Fault(key, choice, "a rule is a number, or a table of value, source and why")
    if any(not isinstance(entry[name], str) or not entry[name].strip() for name in TEXT_KEYS if name in entry):
        return Fault(key, choice, "source and why are sentences")
    rule, value = shipped[key], entry["value"]
    low, high = rule.allowed
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    # A comparison with "not a number" is false, so it is refused here too.
    if not is_number or not low <= value <= high:
        return Fault(key, value, f"it must be a number from {low:g} to {high:g} (unit {rule.unit})")
    return None


def _crossed(rules: Mapping[str, Rule]) -> Iterator[Fault]:
    """One fault for each pair of low and high limits that changed places."""
    for key, rule in rules.items():
        partner = rules.get(key.replace("_low", "_high")) if "_low" in key else None
        if partner is not None and rule.value > partner.value:
            yield Fault(key, rule.value, f"it must not be above {partner.key} = {partner.value:g}")


def _thin(rules: Mapping[str, Rule]) -> Iterator[Fault]:
    """One fault for each alloy of the workshop whose model may be thinner than its casting."""
    for metal in all_alloys():
        cast, model = (rules.get(alloy_rule(metal.name, limit)) for limit in ALLOY_LIMITS)
        least = cast.value if cast else metal.least_cast_mm
        given = model.value if model else metal.least_model_mm
        if (cast or model) and least > given:
            key, value = (cast.key, least) if cast else (alloy_rule(metal.name, "model_least_mm"), given)
            yield Fault(key, value, f"the casting's least, {least:g} mm, must not be above the model's, {given:g} mm")
