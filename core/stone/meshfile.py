"""Reads triangle meshes: STL (binary and text) and OBJ, in mm."""
from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import FileFault
from ..mesh import Floats, Ints

KINDS = (".stl", ".obj")
MOST_BYTES = 500_000_000
"""The largest file that is read: ten million triangles of binary STL. Larger: the memory of a small machine fills."""

MOST_MM = 1e4
"""How far along an axis from the origin a corner may lie. Farther: the numbers of an STL are rounded to 0.001 mm or more."""

HEADER_BYTES, RECORD_BYTES = 84, 50
RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def read_triangles(path: str | Path) -> tuple[Floats, Ints]:
    """Vertices (n, 3) float mm, equal ones welded, and triangles (t, 3) int of all that the file holds. Raises FileFault if
    it holds no such mesh."""
    corners, _ = _read(Path(path))
    return _some(Path(path), {"": welded(corners)})[""]


def read_objects(path: str | Path) -> dict[str, tuple[Floats, Ints]]:
    """The same for each named object of an OBJ by its name in small letters ("claw 1"); one object "" where there are no
    names."""
    corners, names = _read(Path(path))
    return _some(Path(path), {name: welded(corners[names == name]) for name in dict.fromkeys(names.tolist())})


def _some(path: Path, meshes: dict[str, tuple[Floats, Ints]]) -> dict[str, tuple[Floats, Ints]]:
    """Those that hold a triangle. Raises FileFault if none does."""
    found = {name: mesh for name, mesh in meshes.items() if len(mesh[1])}
    if not found:
        raise FileFault(path, "it holds no triangles", "export what it shows as a mesh")
    return found


def _read(path: Path) -> tuple[Floats, NDArray[np.str_]]:
    """Corners (t, 3, 3) of the triangles and (t,) the name of the object of each. Raises FileFault."""
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise FileFault(path, f'its name ends in "{kind}"', "only .stl and .obj meshes are read")
    try:
        if path.exists() and not path.is_file():
            raise FileFault(path, "it is a folder or a device", "give the path of an STL or OBJ mesh in mm")
        if path.exists() and path.stat().st_size > MOST_BYTES:
            raise FileFault(path, f"it holds {path.stat().st_size / 1e6:.0f} MB", f"at most {MOST_BYTES / 1e6:.0f} MB are read")
        data = path.read_bytes()
    except FileNotFoundError:
        raise FileFault(path, "there is no such file", "give the path of an STL or OBJ mesh in mm") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFault(path, f"it cannot be read ({reason})", "check its name and permissions") from None
    try:
        if kind == ".stl":
            corners = _binary_stl(data) if _is_binary_stl(data) else _text_stl(data)
            names = np.full(len(corners), "")
        else:
            corners, names = _obj(data)
    except (ValueError, IndexError, OverflowError, UnicodeDecodeError) as error:
        raise FileFault(path, f"it is not a sound {kind[1:].upper()} file ({error})", "export it again") from None
    if not np.isfinite(corners).all():
        raise FileFault(path, f"{int((~np.isfinite(corners)).any(axis=2).sum())} corners of its triangles are not numbers",
                        "export it again")
    far_mm = float(np.abs(corners).max(initial=0.0))
    if far_mm > MOST_MM:
        raise FileFault(path, f"a corner lies {far_mm:g} mm from the origin, and at most {MOST_MM:g} mm are read",
                        "export it in mm, near the origin")
    return corners, names


def welded(corners: Floats) -> tuple[Floats, Ints]:
    """Vertices (n, 3) and triangles (t, 3) from triangle corners (t, 3, 3); equal points are one, collapsed triangles
    go."""
    points = np.ascontiguousarray(corners.reshape(-1, 3), np.float64) + 0.0
    bits = points.view(np.uint64).reshape(-1, 3)
    key = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15) ^ (bits[:, 1] * np.uint64(0xC2B2AE3D27D4EB4F) >> np.uint64(1)) ^ (
        bits[:, 2] * np.uint64(0x165667B19E3779F9))
    _, first, index = np.unique(key, return_index=True, return_inverse=True)
    vertices = points[first]
    if not (vertices[index] == points).all():  # two points with one key
        vertices, index = np.unique(points, axis=0, return_inverse=True)
    return vertices, _without_collapsed(index.reshape(-1, 3).astype(np.int32))


def _without_collapsed(triangles: Ints) -> Ints:
    a, b, c = triangles.T
    whole: Ints = triangles[(a != b) & (b != c) & (c != a)]
    return whole


def _is_binary_stl(data: bytes) -> bool:
    if len(data) < HEADER_BYTES:
        return False
    return len(data) == HEADER_BYTES + RECORD_BYTES * int.from_bytes(data[80:84], "little")


def _binary_stl(data: bytes) -> Floats:
    corners: Floats = np.frombuffer(data, RECORD, offset=HEADER_BYTES)["corners"].astype(np.float64)
    return corners


def _text_stl(data: bytes) -> Floats:
    if not data.lstrip().startswith(b"solid"):
        raise ValueError("neither its length nor its first word fits")
    words = data.split()
    at = np.flatnonzero(np.array(words) == b"vertex")
    if len(at) % 3:
        raise ValueError("a triangle lacks a corner")
    rows = np.array([words[i + k] for i in at for k in (1, 2, 3)], dtype=object)
    return np.array([float(word) for word in rows]).reshape(-1, 3, 3)


def _obj(data: bytes) -> tuple[Floats, NDArray[np.str_]]:
    vertices: list[list[float]] = []
    triangles: list[tuple[int, int, int]] = []
    names: list[str] = []
    name = ""
    for line in data.decode("utf-8").splitlines():
        words = line.split()
        if not words:
            continue
        if words[0] == "v":
            if len(words) < 4:
                raise ValueError("a point lacks a coordinate")
            vertices.append([float(word) for word in words[1:4]])
        elif words[0] == "f":
            face = [int(word.partition("/")[0]) for word in words[1:]]
            face = [i - 1 if i > 0 else len(vertices) + i for i in face]
            triangles += [(face[0], face[k], face[k + 1]) for k in range(1, len(face) - 1)]
            names += [name] * (len(face) - 2)
        elif words[0] == "o":
            # Exporters put _ for blanks.
            name = " ".join(words[1:]).replace("_", " ").casefold()
    points = np.array(vertices, np.float64).reshape(-1, 3)
    corners = np.array(triangles, np.int64).reshape(-1, 3)
    if len(corners) and not (0 <= corners.min() and corners.max() < len(points)):
        raise ValueError("a face names a point that is not there")
    return points[corners], np.array(names, np.str_)
