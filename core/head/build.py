"""A head: its plan, its parts and its one fused solid, as cast or as the setter leaves it."""
from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..mesh import PolyMesh
from ..solid.kernel import Solid, cut, fuse, is_watertight_after_welding, tidied, transformed, triangles_of
from ..spec import Spec
from ..stone import Stone, make_stone
from ..tolerance import CHORD_MM, SLIVER_MM, WELD_MM
from ..trade.alloys import Alloy
from ..trade.house_rules import HouseRules, house_rules
from ..trade.species import Species, species
from .claws import ClawLine
from .draft import HOUSE_PROCESS, HOUSE_SPECIES, Plan, alloy_of
from .placed import PlacedStone, upright_frame
from .plan import make_plan
from .planning.sides import side_spec
from .seat import seat_stone, seat_tool
from .site import Site
from .styles import Style, style_of
from .surround import TURNS, Surround
from .trilogy import Side, build_bridges, place_sides, solids_of

BESIDE = ("surround", "bead", "left", "right")
"""How the names of parts begin that do not hold the centre stone."""

STATES = ("cast", "set")
"""The head before and after the setter's work."""


@dataclass(frozen=True, eq=False)
class Head:
    """A head in its own frame: mm, origin on the axis in the base plane, +Z up through culet and table.

    Cheap to make; parts, solids and the fused solid are made once, when they are first asked for.
    """

    spec: Spec
    plan: Plan
    stone: Stone
    state: str
    chord_mm: float
    rules: HouseRules | None = None

    @property
    def alloy(self) -> Alloy:
        return alloy_of(self.spec)

    @property
    def species(self) -> Species:
        return species(self.spec.get("stone.species") or HOUSE_SPECIES)

    @property
    def process(self) -> str:
        return self.spec.get("casting.process") or HOUSE_PROCESS

    @cached_property
    def stones(self) -> tuple[PlacedStone, ...]:
        """Every stone, the centre's first: "stone", "small stone 1"…, "left stone", "right stone"."""
        centre = PlacedStone("stone", self.stone, self.species, upright_frame((0.0, 0.0, self.plan["girdle_plane"])))
        around = self.surround.stones if self.surround else ()
        return (centre, *around, *(side.stone for side in self.sides))

    @property
    def placed_stone(self) -> PolyMesh:
        """The centre stone's mesh where the head holds it."""
        return self.stones[0].mesh

    @property
    def stone_solid(self) -> Solid:
        """The centre stone as a solid where the head holds it."""
        return self.stones[0].solid

    @cached_property
    def surround(self) -> Surround | None:
        """The ring of small stones, where there is one."""
        return Surround(self._site, self.state) if self.spec.get("surround.present") else None

    @cached_property
    def sides(self) -> tuple[Side, ...]:
        """The side heads, left and right, where there are any."""
        if not self.spec.get("sides.present"):
            return ()
        spec = side_spec(self.spec, self.plan["side_length"], self.plan["side_width"], self.rules or house_rules())
        return place_sides(make_head(spec, self.state, self.chord_mm, self.rules), self.plan["side_shift_left"],
                           self.plan["side_shift_right"])

    @cached_property
    def centre(self) -> Head:
        """What holds the centre stone alone; the same head where there is nothing else."""
        if self.surround is None and not self.sides:
            return self
        return replace(self, spec=self.spec.with_choices(surround__present=None, sides__present=None))

    @cached_property
    def bridges(self) -> dict[str, PolyMesh]:
        """What joins the side heads to the centre's at the base."""
        if len(self.sides) != 2:
            return {}
        return build_bridges(self.centre.solid, self.sides, self.plan["bridge_height"], self.plan["bridge_width"])

    @cached_property
    def lines(self) -> tuple[ClawLine, ...]:
        """Where the claws stand."""
        return self._site.lines

    @property
    def style(self) -> Style:
        """How the head holds its stone."""
        return style_of(self.spec)

    @cached_property
    def _site(self) -> Site:
        return Site(self.spec, self.plan, self.stone, self.chord_mm)

    @cached_property
    def parts(self) -> dict[str, PolyMesh]:
        """Each part as a closed shell: clean quads as cast, the kernel's triangles where a seat was cut."""
        if self.sides:
            own = dict(self.centre.parts)
            for side in self.sides:
                own |= side.parts
            return {**own, **self.bridges}
        if self.surround is not None:
            clean = self.centre.parts
            return {name: clean[name] if solid is self.centre.part_solids.get(name) else _mesh_of(solid, name)
                    for name, solid in self.part_solids.items()}
        if not self._is_worked:
            return self._clean
        return {name: _mesh_of(solid, name) for name, solid in self.part_solids.items()}

    @cached_property
    def part_solids(self) -> dict[str, Solid]:
        """Each part as a solid."""
        if self.sides:
            own = dict(self.centre.part_solids)
            for side in self.sides:
                own |= side.part_solids
            return {**own, **solids_of(self.bridges)}
        if self.surround is not None:
            around = self.surround
            return {**{name: around.carved(solid, name) for name, solid in self.centre.part_solids.items()},
                    **around.solids}
        if not self._is_worked:
            return self._bare
        return {name: seat_stone(solid, self._cutter, name) for name, solid in self._unseated.items()}

    @cached_property
    def solid(self) -> Solid:
        """All parts as one solid. Raises GeometryError naming the part that failed."""
        if self.surround is None:
            return self._fused(None)
        for turn in TURNS:
            whole = self._fused(replace(self.surround, turn=turn))
            if is_watertight_after_welding(whole, WELD_MM):
                break
        return whole

    def _fused(self, around: Surround | None) -> Solid:
        # Fused before seats are cut, so that parts meet in metal and not along the seats' faces.
        metal, tools = list(self._unseated.values()), [self._cutter] if self._is_worked else []
        for side in self.sides:
            metal += [transformed(solid, side.matrix) for solid in side.head._unseated.values()]
            tools += [transformed(side.head._cutter, side.matrix)] if side.head._is_worked else []
        if self.sides:
            metal += solids_of(self.bridges).values()
        if around is not None:
            metal, tools = metal + around.joined, tools + around.cutters
        whole = fuse(metal, "head")
        # A union too leaves points on top of each other where parts meet in the base plane.
        return tidied(cut(whole, tools, "head") if tools else whole, SLIVER_MM, "head")

    @cached_property
    def _cutter(self) -> Solid:
        """What the seat is cut with: the very stone once it is set, with room around it before."""
        clearance = 0.0 if self.state == "set" else self.plan["seat_clearance"]
        return seat_tool(self.stone, self.plan["girdle_plane"], clearance)

    @property
    def _is_worked(self) -> bool:
        """True if the metal carries a cut seat, so that its parts come from the kernel."""
        return self.state == "set" or bool(self.spec.get("seat.cut"))

    @cached_property
    def _clean(self) -> dict[str, PolyMesh]:
        """Each part in near square quads, as a sculptor needs them."""
        return {name: mesh for maker in self.style.makers for name, mesh in maker.cast(self._site, True).items()}

    @cached_property
    def _bare(self) -> dict[str, Solid]:
        """The same surfaces in as few quads as hold them: they fuse in half the time."""
        return self._solids("cast")

    @cached_property
    def _unseated(self) -> dict[str, Solid]:
        return self._bare if self.state == "cast" else self._solids("set")

    def _solids(self, state: str) -> dict[str, Solid]:
        return {name: solid for maker in self.style.makers for name, solid in maker.solids(self._site, state).items()}


def make_head(spec: Spec, state: str = "cast", chord_mm: float = CHORD_MM, rules: HouseRules | None = None) -> Head:
    """The head for these choices. state: "cast" or "set".

    Raises SpecError for choices that no head can have, FileFault or GeometryError for a stone's mesh that can't serve.
    """
    if state not in STATES:
        raise ValueError(f"state must be one of {STATES}, not {state!r}")
    stone = make_stone(spec.section("stone"))
    return Head(spec, make_plan(spec, stone, rules), stone, state, chord_mm, rules)


def _mesh_of(solid: Solid, part: str) -> PolyMesh:
    vertices, triangles = triangles_of(solid)
    return PolyMesh(vertices, np.ascontiguousarray(triangles.ravel(), np.int32),
                    np.arange(0, 3 * len(triangles) + 1, 3, dtype=np.int32), np.zeros(len(triangles), np.int32),
                    (part,))
