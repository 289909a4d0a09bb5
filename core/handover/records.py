"""Plan and proof for other programs, as JSON."""
from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from ..head import Head
from ..proof.findings import Finding
from ..remedy import Change, Remedy
from ..solid.kernel import area_mm2, bodies, is_watertight_after_welding, volume_mm3
from ..tolerance import WELD_MM


def dimensions_record(head: Head) -> dict[str, Any]:
    """name -> value, unit, reason, source, pinned. Units: mm, deg, ct, and 1 for shares and counts."""
    return {each.name: {"value": each.value, "unit": "1" if each.unit == "count" else each.unit, "reason": each.reason,
                        "source": each.source, "pinned": each.pinned} for each in head.plan}


def metal_record(head: Head) -> dict[str, Any]:
    """The fused solid as modelled, before shrinkage."""
    return {"volume_mm3": volume_mm3(head.solid), "area_mm2": area_mm2(head.solid), "bodies": len(bodies(head.solid)),
            "watertight": is_watertight_after_welding(head.solid, WELD_MM)}


def proof_record(head: Head, findings: Sequence[Finding], solved: Mapping[Finding, Remedy | None] | None = None,
                 change: Change | None = None) -> dict[str, Any]:
    """The findings, worst first, and the metal; with the solved remedy of each finding that is not sound, and with the
    changes that made the head sound or the reason why there are none, where those were looked for."""
    record: dict[str, Any] = {"state": head.state, "metal": metal_record(head)}
    if change is not None:
        record["made_sound"] = {"is_sound": change.is_sound, "sentence": change.sentence,
                                "changes": [asdict(remedy) for remedy in change.remedies]}
    record["findings"] = [_finding_record(each, solved) for each in findings]
    return record


def found_record(state: str, findings: Sequence[Finding]) -> dict[str, Any]:
    """The findings on metal that was not made here, worst first."""
    return {"state": state, "findings": [_finding_record(each, None) for each in findings]}


def _finding_record(finding: Finding, solved: Mapping[Finding, Remedy | None] | None) -> dict[str, Any]:
    """All of a finding but the bounds, which only the spread needs."""
    record = asdict(finding)
    del record["bounds"]
    if solved is not None and finding in solved:
        remedy = solved[finding]
        record["solved"] = None if remedy is None else asdict(remedy)
    return record


def json_text(record: dict[str, Any]) -> str:
    """Strict JSON: a figure that is not finite is a fault in the program and raises ValueError."""
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
