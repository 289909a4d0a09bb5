"""What leaves the program: files for the caster, the setter, the customer and other programs."""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from ..head import Head
from ..mesh import Floats, Ints, PolyMesh
from ..proof.findings import Finding
from ..remedy import Change, Remedy
from ..solid.kernel import triangles_of
from ..trade.house_rules import HouseRules, house_rules
from .records import dimensions_record, json_text, proof_record
from .sheet import enlargement_of, sheet_html
from .stl import stl_bytes
from .threemf import Body, threemf_bytes
from .weights import weights_csv
from .write import write_files

__all__ = ["FILES", "SOUND_SPEC", "hand_over"]

FILES = ("dimensions.json", "proof.json", "head.stl", "head.3mf", "cast.stl", "cast.3mf", "sheet.html", "weights.csv")
"""Everything that is written, in this order."""


SOUND_SPEC = "sound.toml"
"""What the spec of a head that was made sound is called, beside the others."""


def hand_over(head: Head, findings: Sequence[Finding], directory: str | Path, rules: HouseRules | None = None,
              solved: Mapping[Finding, Remedy | None] | None = None, change: Change | None = None,
              more: Mapping[str, bytes] | None = None) -> tuple[Path, ...]:
    """Writes `FILES`, and `more` by name, into a folder, all or none; solved and change go into the proof. Raises FileFault if it can't be written, GeometryError if the head can't be
    made."""
    vertices, triangles = triangles_of(head.solid)
    factor = enlargement_of(head)
    title = f"Head for {head.stone.cut} {head.species.name}, {head.stone.length_mm:g} mm"
    made = {"Title": title, "Application": "Seatwright"}
    as_modelled = {**made, "Description": f"{head.alloy.name}, as {head.state}; as modelled, not enlarged for shrinkage."}
    enlarged = {**made, "Description": f"{head.alloy.name}, as {head.state}; enlarged by {100 * (factor - 1):.3f} % for a linear "
                f"shrinkage of {100 * head.plan['shrinkage']:.3f} %."}
    stones = [Body(f"{stone.name}: {stone.species.name}", *_triangles(stone.mesh), False) for stone in head.stones]
    contents = {
        "dimensions.json": json_text(dimensions_record(head)).encode(),
        "proof.json": json_text(proof_record(head, findings, solved, change)).encode(),
        "head.stl": stl_bytes(vertices, triangles),
        "head.3mf": threemf_bytes([Body("metal", vertices, triangles), *stones], as_modelled),
        "cast.stl": stl_bytes(vertices * factor, triangles),
        "cast.3mf": threemf_bytes([Body("metal", vertices * factor, triangles)], enlarged),
        "sheet.html": sheet_html(head, findings, rules or house_rules()).encode(),
        "weights.csv": weights_csv(head).encode(),
    }
    assert tuple(contents) == FILES
    return write_files(directory, {**contents, **(more or {})})


def _triangles(mesh: PolyMesh) -> tuple[Floats, Ints]:
    return mesh.vertices, mesh.triangles()[0]
