"""Binary STL, mm."""
from __future__ import annotations

import numpy as np

from ..mesh import Floats, Ints

HEADER = b"Seatwright; binary STL; lengths in mm"
"""The first 80 bytes. It must not begin with "solid", which marks the text form."""

RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def stl_bytes(vertices: Floats, triangles: Ints) -> bytes:
    """A binary STL of (n, 3) mm and (t, 3) triangles, in float32, which is all the format holds.

    Triangles that vanish in float32 are left out: what remains closes, since their edges have fallen together.
    """
    points = vertices.astype(np.float32)
    _, index = np.unique(points, axis=0, return_inverse=True)
    welded = index.reshape(-1)[triangles]
    whole = (welded[:, 0] != welded[:, 1]) & (welded[:, 1] != welded[:, 2]) & (welded[:, 2] != welded[:, 0])
    corners = points[triangles[whole]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).astype(np.float64)
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    records = np.zeros(len(corners), RECORD)
    records["normal"] = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0.0)
    records["corners"] = corners
    return HEADER.ljust(80, b" ") + np.uint32(len(corners)).tobytes() + records.tobytes()
