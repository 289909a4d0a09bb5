# SPDX-License-Identifier: GPL-3.0-or-later
"""A head whose metal was edited by hand or by modifiers: what is there is proved and handed over, not what was
planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property

import bpy
import numpy as np

from ..core.errors import GeometryError
from ..core.head import Head
from ..core.head.build import BESIDE
from ..core.head.placed import PlacedStone
from ..core.head.trilogy import Side
from ..core.mesh import PolyMesh
from ..core.solid.kernel import Solid, fuse, tidied
from ..core.tolerance import SLIVER_MM
from .properties import PARTS_KEY

MOVED = 1e-5
"""How far a stone's matrix may be off by rounding before it counts as moved. Larger: a stone that leans passes."""

WHOLE = "metal"
"""The only part of metal whose faces no longer know theirs."""


@dataclass(frozen=True, eq=False)
class EditedHead(Head):
    """The head that was planned, with the shells that are there now and the stones where they are.

    moved: (3, 4) matrix by which somebody moved the stones in the head's frame; None if nobody did.
    """

    shells: Mapping[str, PolyMesh] = field(default_factory=dict)
    moved: np.ndarray | None = None

    @cached_property
    def stones(self) -> tuple[PlacedStone, ...]:
        planned: tuple[PlacedStone, ...] = Head.stones.func(self)
        if self.moved is None:
            return planned
        return tuple(replace(each, matrix=_after(each.matrix, self.moved)) for each in planned)

    @cached_property
    def parts(self) -> dict[str, PolyMesh]:
        return dict(self.shells)

    @cached_property
    def part_solids(self) -> dict[str, Solid]:
        """Raises GeometryError naming a part that is no longer closed."""
        from ..core.proof.outside import solid_of_shells

        return {name: solid_of_shells(shell, name) for name, shell in self.shells.items()}

    @cached_property
    def solid(self) -> Solid:
        # As with planned parts: what is cut where they meet has edges that welding would pinch shut.
        return tidied(fuse(list(self.part_solids.values()), "head"), SLIVER_MM, "head")

    @cached_property
    def centre(self) -> Head:
        """With the shells that hold the centre stone; with all where faces no longer know their parts."""
        if len(self.stones) == 1:
            return self
        own = {name: shell for name, shell in self.shells.items() if not name.startswith(BESIDE)}
        return replace(self, spec=self.spec.with_choices(surround__present=None, sides__present=None), shells=own)

    @cached_property
    def sides(self) -> tuple[Side, ...]:
        """Each with the shells that are its own, in its own frame; with all where faces no longer know their parts."""
        return tuple(replace(side, head=self._edited_side(side)) for side in Head.sides.func(self))

    def _edited_side(self, side: Side) -> EditedHead:
        own = {name.removeprefix(f"{side.name} "): shell for name, shell in self.shells.items()
               if name.startswith(side.name) and not name.endswith("bridge")} or self.shells
        return EditedHead(**{each.name: getattr(side.head, each.name) for each in fields(Head)},
                          shells={name: side.brought_home(shell) for name, shell in own.items()},
                          moved=None if self.moved is None else _seen_from(side.matrix, self.moved))


def _after(first: np.ndarray, then: np.ndarray) -> np.ndarray:
    """(3, 4) of one motion after another."""
    return np.column_stack([then[:, :3] @ first[:, :3], then[:, :3] @ first[:, 3] + then[:, 3]])


def _seen_from(frame: np.ndarray, motion: np.ndarray) -> np.ndarray:
    """A motion as a frame that was only turned and moved sees it."""
    home = np.column_stack([frame[:, :3].T, -frame[:, :3].T @ frame[:, 3]])
    return _after(_after(frame, motion), home)


def stone_moved(metal: bpy.types.Object) -> np.ndarray | None:
    """(3, 4) matrix by which this metal's stone object was moved in the head's frame; None if it is where it was put."""
    from . import rebuild

    stone = rebuild.own_stone(metal.data)
    shown = next((each for each in metal.children if each.data == stone), None) if stone is not None else None
    if shown is None:
        return None
    matrix = np.array(shown.matrix_local, np.float64)[:3]
    return matrix if np.abs(matrix - np.eye(4)[:3]).max() > MOVED else None


def mesh_there(metal: bpy.types.Object) -> bpy.types.Mesh:
    """The metal as it is seen: with its modifiers where it has any that show."""
    if not any(modifier.show_viewport for modifier in metal.modifiers) or metal.mode == "EDIT":
        return metal.data
    # While Blender draws, the scene is evaluated already and must not be evaluated again.
    graph = bpy.context.view_layer.depsgraph or bpy.context.evaluated_depsgraph_get()
    return metal.evaluated_get(graph).data


def edited_head(head: Head, metal: bpy.types.Object) -> EditedHead:
    """The planned head with the metal that is there now. Raises GeometryError for a stone of another size."""
    moved = stone_moved(metal)
    if moved is not None and not is_rigid(moved):
        raise GeometryError("stone", "it was scaled or turned over, so that it is no longer what was measured",
                            "set its scale back to 1, and change the stone's measures instead")
    shells = shells_of(mesh_there(metal), list(metal.data.get(PARTS_KEY, [])))
    planned = {each.name: getattr(head, each.name) for each in fields(Head)}
    return EditedHead(**planned, shells=shells, moved=moved)


def is_rigid(motion: np.ndarray) -> bool:
    """Whether a (3, 4) motion turns and moves only."""
    turn = motion[:, :3]
    return bool(np.abs(turn.T @ turn - np.eye(3)).max() < 2.0 * MOVED and np.linalg.det(turn) > 0.0)


def shells_of(mesh: bpy.types.Mesh, names: list[str]) -> dict[str, PolyMesh]:
    """The mesh's triangles as one shell for each part that its faces name."""
    mesh.calc_loop_triangles()
    count = len(mesh.loop_triangles)
    points = np.empty(3 * len(mesh.vertices), np.float32)
    triangles, owners = np.empty(3 * count, np.int32), np.empty(count, np.int32)
    mesh.vertices.foreach_get("co", points)
    mesh.loop_triangles.foreach_get("vertices", triangles)
    mesh.loop_triangles.foreach_get("polygon_index", owners)
    vertices, triangles = points.reshape(-1, 3).astype(np.float64), triangles.reshape(-1, 3)
    parts = _parts(mesh, len(names))
    if parts is None:
        return {WHOLE: _shell(vertices, triangles, WHOLE)}
    return {
        names[index]: _shell(vertices, triangles[parts[owners] == index], names[index]) for index in np.unique(parts)
    }


def _parts(mesh: bpy.types.Mesh, count: int) -> np.ndarray | None:
    """(f,) int: which part each face belongs to; None if that is lost."""
    attribute = mesh.attributes.get("part")
    if attribute is None or attribute.domain != "FACE" or attribute.data_type != "INT":
        return None
    parts = np.empty(len(mesh.polygons), np.int32)
    attribute.data.foreach_get("value", parts)
    return parts if 0 <= parts.min(initial=0) and parts.max(initial=0) < count else None


def _shell(vertices: np.ndarray, triangles: np.ndarray, part: str) -> PolyMesh:
    used, corners = np.unique(triangles, return_inverse=True)
    return PolyMesh(
        vertices[used],
        corners.reshape(-1).astype(np.int32),
        np.arange(0, 3 * len(triangles) + 1, 3, dtype=np.int32),
        np.zeros(len(triangles), np.int32),
        (part,),
    )
