"""What the tests of meshes share."""
from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from core.mesh import PolyMesh


@pytest.fixture(scope="session")
def planarity_mm() -> Callable[[PolyMesh], float]:
    """How far any corner of a mesh lies off the plane of its face at most, mm."""
    def told(mesh: PolyMesh) -> float:
        corners = (mesh.vertices[mesh.face(i)] for i in range(len(mesh)))
        return max(float(np.abs((ring - ring.mean(axis=0)) @ normal).max()) for ring, normal in zip(corners, mesh.face_normals()))

    return told
