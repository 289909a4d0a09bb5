"""3MF by the core specification (3MF Consortium, 3MF Core Specification 1.3): millimetres, exact to float64."""
from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from ..mesh import Floats, Ints

NAMESPACE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"

CONTENT_TYPES = """<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>
</Types>
"""

RELATIONS = f"""<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Target="/3D/3dmodel.model" Id="model" Type="{RELATION}"/>
</Relationships>
"""

EPOCH = (1980, 1, 1, 0, 0, 0)
"""The time in every archive, the earliest that ZIP knows, so that the same head gives the same bytes."""


@dataclass(frozen=True)
class Body:
    """One object of a 3MF: (n, 3) mm and (t, 3) int. What is not printed is of the type "other" and never built."""

    name: str
    vertices: Floats
    triangles: Ints
    is_printed: bool = True


def threemf_bytes(bodies: Sequence[Body], metadata: Mapping[str, str]) -> bytes:
    """A 3MF package. metadata: the specification's well-known names (Title, Application, Description)."""
    model = "".join(_model(bodies, metadata)).encode("utf-8")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as package:
        for path, content in (("[Content_Types].xml", CONTENT_TYPES.encode()), ("_rels/.rels", RELATIONS.encode()),
                              ("3D/3dmodel.model", model)):
            entry = zipfile.ZipInfo(path, EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(entry, content, compresslevel=6)
    return buffer.getvalue()


def _model(bodies: Sequence[Body], metadata: Mapping[str, str]) -> list[str]:
    lines = [f'<?xml version="1.0" encoding="UTF-8"?>\n<model unit="millimeter" xml:lang="en-US" xmlns="{NAMESPACE}">\n']
    lines += [f"<metadata name={quoteattr(name)}>{escape(text)}</metadata>\n" for name, text in metadata.items()]
    lines.append("<resources>\n")
    for number, body in enumerate(bodies, 1):
        kind = "model" if body.is_printed else "other"
        lines.append(f'<object id="{number}" type="{kind}" name={quoteattr(body.name)}>\n<mesh>\n<vertices>\n')
        lines += [f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>\n' for x, y, z in body.vertices.tolist()]
        lines.append("</vertices>\n<triangles>\n")
        lines += [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>\n' for a, b, c in body.triangles.tolist()]
        lines.append("</triangles>\n</mesh>\n</object>\n")
    lines.append("</resources>\n<build>\n")
    lines += [f'<item objectid="{number}"/>\n' for number, body in enumerate(bodies, 1) if body.is_printed]
    lines.append("</build>\n</model>\n")
    return lines
