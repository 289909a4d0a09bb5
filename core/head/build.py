"""A head: its plan, its parts and its one fused solid, as cast or as the setter leaves it."""
from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from ..mesh import PolyMesh
from ..solid.kernel import Solid, cut, fuse, is_watertight_after_welding, solid_of, tidied, transformed
from ..spec import Spec
from ..stone import Stone, make_stone
from ..tolerance import CHORD_MM, SLIVER_MM, WELD_MM
from ..trade.alloys import Alloy
from ..trade.house_rules import HouseRules, house_rules
from ..trade.species import Species
from .claws import ClawLine
from .draft import Plan, alloy_of, process_of, species_of
from .placed import PlacedStone, upright_frame
from .plan import make_plan
from .planning.sides import side_spec
from .seat import seat_stone, seat_tool
from .site import Site
from .styles import Style, style_of
from .surround import PLATE, TURNS, Surround, mesh_of
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
        return species_of(self.spec)

    @property
    def process(self) -> str:
        return process_of(self.spec)

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
        return build_bridges(self.centre, self.sides, self.plan["bridge_height"],
                             (self.plan["bridge_width"], self.plan["bridge_side_width"]))

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
            around, clean = self.surround, self.centre.parts
            left = {name: (solid, around.carved(solid, name)) for name, solid in self.centre.part_solids.items()}
            return {**{name: clean[name] if after is before else mesh_of(after, name)
                       for name, (before, after) in left.items()}, **around.parts}
        if not self._is_worked:
            return self._clean
        return {name: mesh_of(solid, name) for name, solid in self.part_solids.items()}

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
        return {name: solid for maker in self.style.makers
                for name, solid in maker.solids(self._site, self.state, self._cutter).items()}

    @cached_property
    def solid(self) -> Solid:
        """All parts as one solid. Raises GeometryError naming the part that failed."""
        if self.surround is None:
            return self._fused([], [])
        for turn in TURNS:
            around = self.surround if turn == self.surround.turn else replace(self.surround, turn=turn)
            # Where nothing else stands near, seats and beads are sewn to the plate instead of cut and fused.
            is_clear = around.is_clear_of(self._metal)
            whole = (around.punched(self._with_plate) if is_clear else None) or self._fused(around.joined, around.cutters)
            if is_watertight_after_welding(whole, WELD_MM):
                break
        return whole

    @cached_property
    def _with_plate(self) -> Solid:
        """All metal with the surround's plate before its seats are cut."""
        assert self.surround is not None
        return self._fused([solid_of(self.surround.plate, PLATE)], [])

    @cached_property
    def _metal(self) -> list[Solid]:
        """Every part but the surround's. Each stone's seat is cut in the parts that hold it, and not once more in the whole:
        it would be cut along its own faces."""
        if self.sides:
            return [*self._beside_each_other(), *solids_of(self.bridges).values()]
        return list(self.centre.part_solids.values())

    def _fused(self, more: list[Solid], cutters: list[Solid]) -> Solid:
        """All parts with more metal and with something cut from the whole."""
        whole = fuse([*self._metal, *more], "head")
        # A union too leaves points on top of each other where parts meet in the base plane.
        return tidied(cut(whole, cutters, "head") if cutters else whole, SLIVER_MM, "head")

    def _beside_each_other(self) -> list[Solid]:
        """The centre's metal and that of the side heads, each without what reaches into another's stone."""
        centre, own = self.centre.solid, self._cutter
        beside = []
        for side in self.sides:
            if side.head._cutter is not None:
                centre = seat_stone(centre, transformed(side.head._cutter, side.matrix), "head")
            beside.append(side.solid if own is None else seat_stone(side.solid, own, f"{side.name} head"))
        return [centre, *beside]

    @cached_property
    def _cutter(self) -> Solid | None:
        """What the seat is cut with: the very stone once it is set, with room around it before; None without a seat."""
        if not self._is_worked:
            return None
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


def make_head(spec: Spec, state: str = "cast", chord_mm: float = CHORD_MM, rules: HouseRules | None = None) -> Head:
    """The head for these choices. state: "cast" or "set".

    Raises SpecError for choices that no head can have, FileFault or GeometryError for a stone's mesh that can't serve.
    """
    if state not in STATES:
        raise ValueError(f"state must be one of {STATES}, not {state!r}")
    stone = make_stone(spec.section("stone"))
    return Head(spec, make_plan(spec, stone, rules), stone, state, chord_mm, rules)
