"""Metal that comes as meshes, edited by hand or from elsewhere: looked at first, and proven only if it is sound."""
from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from ..head import Head, Plan
from ..mesh import PolyMesh
from ..solid.kernel import Solid, bodies, cut, fuse, gap_mm, solid_of, solid_of_triangles, tidied, triangles_of, volume_mm3
from ..stone import Stone
from ..tolerance import SLIVER_MM
from ..trade.alloys import Alloy
from ..trade.house_rules import HouseRules
from ..trade.species import Species
from . import CHECKS, prove, prove_subject
from .findings import Finding, unable, worst_first
from .frame import holds_stone
from .soundness import check_mesh, is_sound
from .subject import Subject
from .thickness import Progress

WHOLE = "metal"
"""The one part of metal whose roles are not known."""

BESIDE_MM = 0.1
"""Metal nearer to the stone may hold it. Smaller: a claw that is not quite closed would be passed over; larger: what only stands
below the culet would be asked for its role."""


def prove_as_found(head: Head, rules: HouseRules | None = None, progress: Progress | None = None,
                   with_spread: bool = True) -> tuple[Finding, ...]:
    """Every finding for a head whose parts are meshes that came about by other hands, worst first.

    Where a mesh bounds no metal, its faults come first, each with its place, and every other family says that it cannot
    run. Raises Cancelled if `progress` answers False.
    """
    looked = look_at(head.parts, progress)
    return worst_first([*looked, *(prove(head, rules, with_spread) if is_sound(looked) else _not_run())])


def prove_meshes(parts: Mapping[str, PolyMesh], stone: Stone, placed: PolyMesh, state: str, alloy: Alloy, process: str,
                 species: Species, plan: Plan | None = None, rules: HouseRules | None = None,
                 progress: Progress | None = None) -> tuple[Finding, ...]:
    """The same for metal that no head was planned for: meshes by role ("wall", "claw 1"…; only "metal" where roles are
    not known), mm, and a stone placed in them."""
    looked = look_at(parts, progress)
    if not is_sound(looked):
        return worst_first([*looked, *_not_run()])
    solids = {name: solid_of_shells(mesh, name) for name, mesh in parts.items()}
    metal = tidied(fuse(list(solids.values()), "head"), SLIVER_MM, "head")
    roles = {} if set(solids) == {WHOLE} else solids
    subject = Subject(metal, roles, stone, placed, solid_of(placed, "stone"), state, alloy, process, species, plan)
    return worst_first([*looked, *_of_no_role(subject), *prove_subject(subject, rules)])


def look_at(parts: Mapping[str, PolyMesh], progress: Progress | None = None) -> tuple[Finding, ...]:
    """Whether each mesh is sound, by name. Raises Cancelled."""
    looked: list[Finding] = []
    for name, mesh in parts.items():
        triangles, _ = mesh.triangles()
        found = check_mesh(mesh.vertices, triangles, progress)
        looked += [replace(each, what=f"{each.what} of the {name}") for each in found]
    return tuple(looked)


def _of_no_role(subject: Subject) -> Iterator[Finding]:
    """Of each part that stands at the stone under a name that tells no role: what is asked of claws and walls was not asked of it."""
    for name, part in subject.parts.items():
        if not holds_stone(name) and gap_mm(part, subject.stone_solid, BESIDE_MM) < BESIDE_MM:
            yield unable("metal.role", f'Part "{name}" at the stone', "its name does not tell how it holds the stone",
                         'If it is a claw, name it "claw 1" or the next number; else "wall", "rim", "peg", "base rail" or "upper rail".')


def _not_run() -> Iterator[Finding]:
    """One finding for each family that needs a solid."""
    for check in CHECKS:
        family = check.__name__.removeprefix("check_")
        yield unable(f"{family}.metal", f"Checks of the {family}", "the metal's mesh is not sound, so that it has no inside",
                     "Put the mesh right where the first findings say.")


def solid_of_shells(mesh: PolyMesh, part: str) -> Solid:
    """A solid of a sound mesh, whose shells may reach into each other; shells that are inside out are hollows.

    Raises GeometryError naming `part` if there is none.
    """
    solid = solid_of(mesh, part)
    shells = bodies(solid)
    if len(shells) == 1:
        return solid
    hollows = []
    for shell in shells:
        if volume_mm3(shell) < 0.0:
            vertices, triangles = triangles_of(shell)
            hollows.append(solid_of_triangles(vertices, triangles[:, ::-1], part))
    whole = fuse([shell for shell in shells if volume_mm3(shell) > 0.0], part)
    return cut(whole, hollows, part) if hollows else whole
