# SPDX-License-Identifier: GPL-3.0-or-later
"""From a mesh's properties to its geometry, inside the same datablock, at once.

A rebuild that waited for a timer would break undo: the step would hold the new value and the old metal.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import bpy

from ..core.errors import SeatwrightError
from ..core.spec import Spec, spec_to_toml
from . import arrays as np
from . import live, materials, painted
from .properties import (
    ADDED,
    PARTS_KEY,
    SCHEMA,
    SPEC_KEY,
    STATE_KEY,
    is_head,
    quiet,
    sentence,
    spec_from,
    write_choices,
    write_derived,
)

if TYPE_CHECKING:
    from ..core.head import Head
    from ..core.mesh import PolyMesh

SHARP_DEG = 30.0
"""Edges that turn by more are edges of the metal, not of its facets. Smaller: claws look cut with a file."""


def rebuild(mesh: bpy.types.Mesh, lose_hand_edits: bool = False) -> bool:
    """Make the metal and the stones follow the properties; False if they stay as they are.

    Refused choices keep the last good metal and leave their sentence in `problem`. Metal that is being edited, or was
    edited by hand, stays unless `lose_hand_edits`.
    """
    from ..core.mesh import joined

    settings = mesh.seatwright
    try:
        spec = spec_from(settings)
        head = live.make(spec_to_toml(spec), spec, settings.state)
        shells = joined(head.parts.values())
    except SeatwrightError as error:
        settings.problem = sentence(error)
        return False
    settings.problem = ""
    if obstacle(mesh) or (is_edited(mesh) and not lose_hand_edits):
        return False
    write_metal(mesh, shells)
    materials.dress(mesh, materials.metal_of(head))
    held = own_stone(mesh)
    if held is not None:
        _place_stones(held, head)
    _remember(mesh, spec, head)
    live.request()
    return True


def check(spec: Spec, state: str) -> None:
    """Raises SeatwrightError if no head follows from these choices."""
    from ..core.mesh import joined

    joined(live.make(spec_to_toml(spec), spec, state).parts.values())


def create(mesh: bpy.types.Mesh, spec: Spec, state: str) -> None:
    """Make a new mesh the metal of a head whose choices were checked."""
    settings = mesh.seatwright
    with quiet():
        settings.schema, settings.state, settings.directory = SCHEMA, state, "//"
        settings.built = settings.problem = ""
        write_choices(settings, spec)
    rebuild(mesh, lose_hand_edits=True)


def is_edited(mesh: bpy.types.Mesh) -> bool:
    """Whether the metal is no longer as it was last built."""
    return bool(mesh.seatwright.built) and digest_of(mesh) != mesh.seatwright.built


def obstacle(mesh: bpy.types.Mesh) -> str:
    """What holds the mesh so that new metal would be thrown away or break it, as a sentence; "" if nothing does."""
    active = getattr(bpy.context, "object", None)
    if mesh.is_editmode or (active is not None and active.data == mesh and active.mode != "OBJECT"):
        return "The metal is being edited; leave this mode, then rebuild it."
    if mesh.shape_keys is not None:
        return "The metal has shape keys, which new metal would break; remove them, then rebuild it."
    return ""


def digest_of(mesh: bpy.types.Mesh) -> str:
    """A digest of the points and faces that the mesh holds now."""
    points = np.empty(3 * len(mesh.vertices), np.float32)
    corners = np.empty(len(mesh.loops), np.int32)
    if "position" in mesh.attributes:
        mesh.attributes["position"].data.foreach_get("vector", points)
    if ".corner_vert" in mesh.attributes:
        mesh.attributes[".corner_vert"].data.foreach_get("value", corners)
    return _digest(points, corners, len(mesh.polygons))


def _digest(points: np.ndarray, corners: np.ndarray, faces: int) -> str:
    return hashlib.blake2b(
        points.tobytes() + corners.tobytes() + faces.to_bytes(8, "little"), digest_size=16
    ).hexdigest()


def write_metal(mesh: bpy.types.Mesh, shells: PolyMesh) -> None:
    """The parts as separate shells, smooth but for their edges; each face knows its part."""
    painted.clear(mesh)
    if _same_faces(mesh, shells):
        _write_points(mesh, shells)
        mesh.update()
    else:
        with _kept_groups(mesh):
            _write_faces(mesh, shells)
    _face_attribute(mesh, "part", "INT", shells.tags + 1)
    mesh.set_sharp_from_angle(angle=math.radians(SHARP_DEG))
    mesh[PARTS_KEY] = [ADDED, *shells.tag_names]


def write_facets(mesh: bpy.types.Mesh, stones: PolyMesh) -> None:
    """Stones' facets as flat polygons; each face knows its kind."""
    _write_faces(mesh, stones)
    _face_attribute(mesh, "facet", "INT", stones.tags)
    _face_attribute(mesh, "sharp_face", "BOOLEAN", np.ones(len(stones), bool))
    mesh["seatwright_facets"] = list(stones.tag_names)


def _same_faces(mesh: bpy.types.Mesh, shells: PolyMesh) -> bool:
    """Whether only the points move, so that seams, groups and layers of the mesh can stay."""
    if (len(mesh.vertices), len(mesh.loops), len(mesh.polygons)) != (
        len(shells.vertices),
        len(shells.corners),
        len(shells),
    ):
        return False
    corners = np.empty(len(mesh.loops), np.int32)
    mesh.attributes[".corner_vert"].data.foreach_get("value", corners)
    return np.array_equal(corners, shells.corners) and list(mesh.get(PARTS_KEY, [])) == [ADDED, *shells.tag_names]


@contextlib.contextmanager
def _kept_groups(mesh: bpy.types.Mesh) -> Iterator[None]:
    """New faces take the names of vertex groups with them, which modifiers ask for: put the names back, empty."""
    owner = next((each for each in bpy.data.objects if each.data == mesh), None)
    names = [group.name for group in owner.vertex_groups] if owner is not None else []
    yield
    for name in names:
        owner.vertex_groups.new(name=name)


def _write_points(mesh: bpy.types.Mesh, shells: PolyMesh) -> None:
    mesh.attributes["position"].data.foreach_set("vector", np.ascontiguousarray(shells.vertices, np.float32).ravel())


def _write_faces(mesh: bpy.types.Mesh, shells: PolyMesh) -> None:
    mesh.clear_geometry()
    mesh.vertices.add(len(shells.vertices))
    _write_points(mesh, shells)
    mesh.loops.add(len(shells.corners))
    mesh.attributes[".corner_vert"].data.foreach_set("value", np.ascontiguousarray(shells.corners, np.int32))
    mesh.polygons.add(len(shells))
    mesh.polygons.foreach_set("loop_start", np.ascontiguousarray(shells.starts[:-1], np.int32))
    mesh.update(calc_edges=True)


def _face_attribute(mesh: bpy.types.Mesh, name: str, kind: str, values: np.ndarray) -> None:
    attribute = mesh.attributes.get(name)
    if attribute is not None and (attribute.domain, attribute.data_type) != ("FACE", kind):
        mesh.attributes.remove(attribute)
        attribute = None
    attribute = attribute or mesh.attributes.new(name, kind, "FACE")
    attribute.data.foreach_set("value", np.ascontiguousarray(values, bool if kind == "BOOLEAN" else np.int32))


def _place_stones(held: bpy.types.Mesh, head: Head) -> None:
    """Rewrite the stones that a metal holds if their facets or places changed."""
    from ..core.mesh import joined

    if not held.is_editable or held.is_editmode:
        return
    kinds = list(dict.fromkeys(each.species for each in head.stones))
    placed = joined(each.mesh for each in head.stones)
    slots = np.repeat([kinds.index(each.species) for each in head.stones], [len(each.mesh) for each in head.stones])
    surfaces = np.concatenate([placed.corners, slots]).astype(np.int32)
    key = _digest(np.ascontiguousarray(placed.vertices, np.float32), surfaces, len(placed))
    if held.seatwright.built != key or len(held.polygons) != len(placed):
        write_facets(held, placed)
        _face_attribute(held, "material_index", "INT", slots)
        held.seatwright.built = key
    materials.dress(held, *(materials.stone_of(kind) for kind in kinds))


def own_stone(mesh: bpy.types.Mesh) -> bpy.types.Mesh | None:
    """The mesh of this metal's own stone; None if it has none, or still that of the head it was copied from.

    Objects tell whose it is. A pointer from the stone to its metal would count as a user of the metal, and Blender then
    refuses to apply modifiers or a scale to it.
    """
    stone = mesh.seatwright.stone
    if stone is None:
        return None
    parents = (each.parent for each in bpy.data.objects if each.data == stone)
    return stone if any(parent is not None and parent.data == mesh for parent in parents) else None


def new_stone(mesh: bpy.types.Mesh) -> bpy.types.Mesh:
    """A stone of its own for this metal."""
    stone = bpy.data.meshes.new("Stone")
    mesh.seatwright.stone = stone
    _place_stones(stone, live.head_of(mesh))
    return stone


def _remember(mesh: bpy.types.Mesh, spec: Spec, head: Head) -> None:
    settings = mesh.seatwright
    mesh[SPEC_KEY], mesh[STATE_KEY] = spec_to_toml(spec), head.state
    settings.built = digest_of(mesh)
    with quiet():
        write_derived(settings, head)


def metal_near(thing: bpy.types.Object | None) -> bpy.types.Object | None:
    """The head that an object is a part of: the metal itself, or the metal that it is a child of."""
    while thing is not None and not is_head(thing.data):
        thing = thing.parent
    return thing
