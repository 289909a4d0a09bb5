"""The styles of head: which dimensions each one plans and which parts it is put together from."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..mesh import PolyMesh
from ..solid.kernel import Solid, solid_of
from ..spec import Spec
from .claws import raise_claws
from .draft import Draft
from .openings import pierce_wall, scoop_wall
from .peg import raise_peg
from .planning.claws import plan_claws
from .planning.openings import plan_coronet, plan_gallery
from .planning.peg import plan_peg
from .planning.rails import plan_basket
from .planning.rim import plan_rim
from .planning.wall import plan_wall
from .rails import run_rails
from .rim import raise_rim, raise_rim_wall, rub_rim
from .seat import seat_stone
from .setting import set_claws
from .site import Site
from .wall import raise_wall

Shells = dict[str, PolyMesh]
Solids = dict[str, Solid]


@dataclass(frozen=True)
class Maker:
    """One kind of part. cast(site, even): its closed shells by part name, "even" in near square quads for a sculptor,
    else the same surfaces in as few quads as hold them; finished(site, cutter): its solids as the setter leaves them, with
    the stone's seat cut out of them; None where the setter cuts the seat and leaves them else as they were cast."""

    cast: Callable[[Site, bool], Shells]
    finished: Callable[[Site, Solid], Solids] | None = None

    def solids(self, site: Site, state: str, cutter: Solid | None) -> Solids:
        """Its parts as solids, with the seat in them where there is something to cut it with. Raises GeometryError naming
        the part that failed."""
        if state == "set" and self.finished is not None and cutter is not None:
            return self.finished(site, cutter)
        bare = {name: solid_of(shell, name) for name, shell in self.cast(site, False).items()}
        return bare if cutter is None else {name: seat_stone(solid, cutter, name) for name, solid in bare.items()}


@dataclass(frozen=True)
class Style:
    """How a head holds its stone: what is planned, in order, and what it is made of."""

    name: str
    steps: tuple[Callable[[Draft], None], ...]
    makers: tuple[Maker, ...]


WALL = Maker(raise_wall)
CLAWS = Maker(raise_claws, set_claws)
RAILS = Maker(run_rails)
RIM_WALL = Maker(raise_rim_wall)
RIM = Maker(raise_rim, rub_rim)

STYLES = {style.name: style for style in (
    Style("tapered claw", (plan_wall, plan_claws), (WALL, CLAWS)),
    Style("basket", (plan_basket,), (RAILS, CLAWS)),
    Style("gallery", (plan_gallery,), (Maker(pierce_wall), CLAWS)),
    Style("coronet", (plan_coronet,), (Maker(scoop_wall), CLAWS)),
    Style("peg", (plan_peg,), (Maker(raise_peg), CLAWS)),
    Style("rim", (plan_rim,), (RIM_WALL, RIM)),
)}


def style_of(spec: Spec) -> Style:
    """The style chosen, or the usual one."""
    return STYLES[spec.get("head.style") or "tapered claw"]
