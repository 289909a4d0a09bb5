"""Writes docs/rules.md from the house rules, so that the page can't differ from what the program works to.

    python3 scripts/documents.py
"""
from __future__ import annotations

import sys
from itertools import groupby
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def rules_page() -> str:
    """The house rules as a page: one table for each family, the source beside each number."""
    from core.trade.house_rules import house_rules

    lines = ["# House rules", "",
             "The limits that plans and proofs work to, as shipped. A workshop's own TOML file overlays any of them "
             "(`--rules workshop.toml`); a value outside what is physically possible is refused. Written by "
             "`scripts/documents.py` from `core/trade/house_rules.toml`.", "",
             "What an alloy needs to fill stands in the table of alloys (`core/trade/alloys.csv`); a workshop's file may set it "
             "for one alloy, with `cast_least_mm` and `model_least_mm` in a section such as `[alloy.\"sterling silver\"]`.", "",
             "Tags: P published, C computed, M from memory, CP common practice, no source.", ""]
    for family, rules in groupby(house_rules(), key=lambda rule: rule.key.partition(".")[0]):
        lines += [f"## {family.replace('_', ' ').capitalize()}", "", "| rule | value | may be | why | source |",
                  "|---|---|---|---|---|"]
        for rule in rules:
            unit = "" if rule.unit == "1" else f" {rule.unit}"
            low, high = rule.allowed
            lines.append(f"| `{rule.key}` | {rule.value:.4g}{unit} | {low:g} to {high:g} | {rule.why} | {rule.source} [{rule.tag}] |")
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT / "scripts"))
    from _environment import enter

    enter("core")
    sys.path.insert(0, str(ROOT))
    (ROOT / "docs" / "rules.md").write_text(rules_page(), "utf-8")
    print("Wrote docs/rules.md.")
