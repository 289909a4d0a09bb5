"""The rub-over rim and the wall with the ledge under it, as cast and rubbed over the stone.

As cast the rim stands upright outside the girdle by the seat's clearance, so that the stone drops in from above; it is
equally thick all round and its top is flat, as the setter files it. The wall under it leaves its outer face at the
ledge and runs inwards at the taper. The setter pushes it over: its metal goes where the rim was closed
to the girdle and laid over the crown, thinned at the lip and burnished to one slope from there to its outer face. None
is lost, so how far it comes to cover the crown follows from how much there was.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats, PolyMesh, joined
from ..solid.kernel import Solid, above, solid_of, volume_mm3
from ..spec import directions_deg
from ..stone import Stone
from ..stone.outline import Place
from ..stone.side import crown_run_mm
from ..tolerance import OVERLAP_MM
from .crossing import crossing
from .draft import Plan
from .planning.rim import COVER_MOST, SHOULDER
from .rounded import Rounded, rounded
from .seat import seat_stone
from .site import Site
from .sweep import closed_band, rod
from .wall import LONGEST_QUAD

KEEL_MM = 5.0 * OVERLAP_MM
"""How far the rim's foot reaches down into the wall, as a keel within its faces, so that both become one body."""

LIP_SHARE = 1.0 / 3.0
"""Thickness of the burnished lip, as a share of the rim's. Common practice, no source."""

KEPT_SHARE = 5e-4
"""How exactly, as a share of itself, the rim's volume is kept when it is rubbed over. Smaller: more trials."""

FIRST_PUSH, MOST_PUSH = 0.25, 16.0
"""How far a rim is pushed at the first trial, on domes not much less than it needs, and at the last, twice as far each
time."""

CROWN_SHARES = np.linspace(0.0, 1.0, 9) ** 2
"""Where the crown is looked at, as shares of the way in, to say how far a rim is pushed: denser towards the edge, where
domes are steep. Fewer: what is said needs more corrections."""

ROUNDS = 12
"""How often it is cut to the stone at most. Fewer: not all keep their metal to within KEPT_SHARE."""

STATION_MM = 0.25
"""How far apart the places along a straight side are at which the lip follows the crown. Larger: it stands off facets."""

BESIDE = 1e-6
"""How near to an opening's end, in samples, no other sample is kept. Larger: a corner beside the end is cut off."""


@dataclass(frozen=True)
class _Faces:
    """Heights of girdle plane, ledge and the rim's top, and how far outside the girdle the rim's faces stand, mm."""

    girdle: float
    ledge: float
    top: float
    inner: float
    outer: float

    @classmethod
    def of(cls, plan: Plan) -> _Faces:
        inner = plan["seat_clearance"]
        return cls(plan["girdle_plane"], plan["wall_top"], plan["girdle_plane"] + plan["rim_height"], inner,
                   inner + plan["rim_thickness"])


def raise_rim_wall(site: Site, even: bool) -> dict[str, PolyMesh]:
    """The wall from the base plane to the ledge, as one closed shell of quads, "wall". even: as `raise_wall`."""
    faces, curve = _Faces.of(site.plan), rounded(site.outline)
    counts = _cast_counts(site, curve)
    angle = math.radians(site.plan["taper"])
    slope, through = math.tan(angle), site.plan["wall_thickness"] / math.cos(angle)
    keeps_rows = even or not site.outline.is_one_piece
    pitch = LONGEST_QUAD * site.outline.perimeter_mm / sum(counts) if keeps_rows else math.inf
    up = _levels(0.0, faces.ledge, pitch)
    # Where the outer face crosses the girdle's own outline, rounded corners become mitred ones.
    crossing = faces.ledge - faces.outer / slope if slope > 0.0 else -1.0
    if not site.outline.is_one_piece and 0.0 < crossing < faces.ledge:
        up = np.sort(np.append(up, crossing))
    down = _levels(faces.ledge, 0.0, pitch)
    heights = np.concatenate([up, down])
    out = faces.outer + (heights - faces.ledge) * slope
    out[len(up):] -= through
    return {"wall": closed_band(_rows(curve, counts, out, heights), "wall")}


def raise_rim(site: Site, even: bool) -> dict[str, PolyMesh]:
    """The rim as cast, from the ledge up, "rim": one closed shell of quads for each stretch between openings."""
    faces, curve = _Faces.of(site.plan), rounded(site.outline)
    counts = _cast_counts(site, curve)
    pitch = LONGEST_QUAD * site.outline.perimeter_mm / sum(counts) if even else math.inf
    up = _levels(faces.ledge, faces.top, pitch)
    heights = np.concatenate([up, up[::-1]])
    out = np.concatenate([np.full(len(up), faces.outer), np.full(len(up), faces.inner)])
    keel = out[0] + (out[-1] - out[0]) * np.array([1.0, 2.0]) / 3.0
    rows = _rows(curve, counts, np.concatenate([keel[:1], out, keel[1:]]),
                 np.concatenate([[faces.ledge - KEEL_MM], heights, [faces.ledge - KEEL_MM]]))
    return {"rim": _opened(site, curve, counts, rows)}


def rub_rim(site: Site, cutter: Solid) -> dict[str, Solid]:
    """The rim as the setter leaves it, "rim", with the stone, `cutter`, cut out of it.

    Raises GeometryError if it holds too little metal to close on the girdle, or more than lies on this crown.
    """
    plan, stone, curve = site.plan, site.stone, rounded(site.outline)
    faces = _Faces.of(plan)
    counts = curve.counts(site.chord_mm, faces.outer, STATION_MM)
    shape = _Rubbed(faces, stone, curve, counts, plan["rim_thickness"], plan["ledge_width"])
    heights = np.array([faces.ledge, faces.top, faces.top, faces.ledge])
    out = np.array([faces.outer, faces.outer, faces.inner, faces.inner])

    def opened(rows: list[Floats]) -> PolyMesh:
        return _opened(site, curve, counts, rows)

    cast = opened(_rows(curve, counts, out, heights)).volume_mm3()
    beside = 0.0
    for _ in range(ROUNDS):
        push = _pushed_until_kept(lambda push: opened(shape.metal_rows(push)).volume_mm3() / cast - 1.0 + beside)
        rim = seat_stone(solid_of(opened(shape.rows(push)), "rim"), cutter, "rim")
        excess = volume_mm3(above(rim, faces.ledge, "rim")) / cast - 1.0  # without the keel
        if abs(excess) < KEPT_SHARE:
            break
        if push == 0.0 and excess > 0.0:
            raise GeometryError("rim", f"closing it on the girdle takes {100.0 * excess:.0f} % more metal than it holds",
                                "make it higher or its clearance smaller")
        if push == MOST_PUSH and excess < 0.0:
            raise GeometryError("rim", "it holds more metal than this crown can take", "make it lower or thinner")
        beside += excess
    return {"rim": rim}


@dataclass(frozen=True)
class _Lip:
    """The rim's section where it is pushed over: how far in it covers the crown and how thick its lip is, mm, the sine and
    cosine of the crown's lean there, and the heights (n,) or () of crown and shoulder, mm."""

    cover: float
    thick: float
    sin: float
    cos: float
    crown: Floats
    shoulder: float

    @property
    def outer(self) -> tuple[float, Floats]:
        """How far outside the girdle and how high the lip's outer edge lies."""
        return self.thick * self.sin - self.cover, self.crown + self.thick * self.cos


@dataclass(frozen=True)
class _Rubbed:
    """Sections of the rim pushed over by more or less: up to 1 farther in over the crown, up to 2 with a fuller shoulder, from
    there on with a thicker lip."""

    faces: _Faces
    stone: Stone
    curve: Rounded
    counts: tuple[int, ...]
    thickness: float
    ledge: float

    def rows(self, push: float) -> list[Floats]:
        """Rows (n, 3) of the section: keel, foot, shoulder, lip, and back down within the stone, which is cut out later."""
        lip = self._lip(push, self._crown)
        outer_out, outer_z = lip.outer
        inner_out, inner_z = -0.5 * lip.thick * lip.sin - lip.cover, lip.crown - 0.5 * lip.thick * lip.cos
        outer, inner = _rows(self.curve, self.counts, np.array([outer_out, inner_out]), [outer_z, inner_z])
        first, foot, within, last, _ = self._feet
        shoulder = foot.copy()
        shoulder[:, 2] = lip.shoulder
        return [first, foot, shoulder, outer, inner, (inner + within) / 2.0, within, last]

    def metal_rows(self, push: float) -> list[Floats]:
        """Rows (n, 3) round what is left of the rim, without its keel, once the stone is cut out of it: nearly, because it
        looks at the crown in few places."""
        lip = self._lip(push, lambda insets: self._met(insets)[..., 2])
        outer_out, outer_z = lip.outer
        edge = self._met(np.array([-outer_out]))[0]
        ways = lip.cover * CROWN_SHARES[::-1]
        crown = self._met(ways)
        # Where a dome stands through the slope from lip to shoulder, no metal is left over it.
        share = np.minimum((self.faces.outer + ways[1:, None]) / (self.faces.outer - outer_out), 1.0)
        crown[1:, :, 2] = np.minimum(crown[1:, :, 2], lip.shoulder + share * (outer_z - lip.shoulder))
        _, foot, _, _, end = self._feet
        shoulder, girdle = foot.copy(), crown[-1].copy()
        shoulder[:, 2], edge[:, 2], girdle[:, 2] = lip.shoulder, outer_z, self.faces.girdle
        return [foot, shoulder, edge, *crown, girdle, end]

    def _lip(self, push: float, crown: Callable[[Floats], Floats]) -> _Lip:
        """The section at a push. crown(insets): (k, n) mm over the base plane, the crown over parallels in the girdle."""
        faces, stone = self.faces, self.stone
        edge = faces.girdle + stone.girdle_mm
        cover = self._most * min(push, 1.0)
        # Where it is pushed farthest it ends at the table's height, unless there is more metal than that holds.
        thick = max(push - 1.0, 1.0) * min(LIP_SHARE * self.thickness, (faces.top - edge) / 2.0,
                                           (1.0 - COVER_MOST) * stone.crown_height_mm)
        step = max(0.1 * cover, 0.01 * stone.width_mm)
        heights = crown(np.array([max(cover - step, 0.0), cover, cover + step]))
        rise = float(np.median(heights[2]) - np.median(heights[0]))
        lean = math.atan2(rise, cover + step - max(cover - step, 0.0))
        full = SHOULDER + (1.0 - SHOULDER) * min(max(push - 1.0, 0.0), 1.0)
        lip_z = float(np.median(heights[1])) + thick * math.cos(lean)
        shoulder = edge + full * max(0.0, lip_z - edge)
        return _Lip(cover, thick, math.sin(lean), math.cos(lean), heights[1], shoulder)

    @cached_property
    def _most(self) -> float:
        """How far in over the crown it is pushed at most, mm."""
        return COVER_MOST * crown_run_mm(self.stone)

    def _crown(self, insets: Floats) -> Floats:
        """(k, n) mm over the base plane: the crown over parallels inside the girdle; its edge where they miss the stone."""
        return self._over(self.curve.loops(insets, self.counts))

    def _over(self, loops: Floats) -> Floats:
        z = self.stone.crown_height_at(loops.reshape(-1, 2)).reshape(loops.shape[:2])
        return np.where(np.isfinite(z), z, self.stone.girdle_mm) + self.faces.girdle

    @cached_property
    def _feet(self) -> list[Floats]:
        """(n, 3) each: under the ledge the keel's outer edge, on it the rim's foot and its end within the stone, under it
        the keel's inner edge, and on it where the stone ends the metal."""
        outer, within, ledge = self.faces.outer, -0.5 * self.ledge, self.faces.ledge
        end = max(within, -self.stone.pavilion_inset_mm(self.faces.girdle - ledge))
        low = ledge - KEEL_MM
        out = np.array([(2.0 * outer + within) / 3.0, outer, within, (outer + 2.0 * within) / 3.0, end])
        return _rows(self.curve, self.counts, out, [low, ledge, ledge, low, ledge])

    @cached_property
    def _grid(self) -> Floats:
        """(k, n, 3) points of the crown, from its edge as far in as the rim is pushed at most."""
        loops = self.curve.loops(self._most * CROWN_SHARES, self.counts)
        return np.concatenate([loops, self._over(loops)[..., None]], axis=2)

    def _met(self, insets: Floats) -> Floats:
        """(k, n, 3) points of the crown at insets (k,), straight between those of the grid and on beyond them."""
        known = self._most * CROWN_SHARES
        low = np.clip(np.searchsorted(known, insets, side="right") - 1, 0, len(known) - 2)
        share = ((insets - known[low]) / (known[low + 1] - known[low]))[:, None, None]
        points: Floats = (1.0 - share) * self._grid[low] + share * self._grid[low + 1]
        return points


def _pushed_until_kept(excess: Callable[[float], float]) -> float:
    """How far the rim is pushed when it holds just the metal that it had, or as nearly so as it can."""
    low, at_low = 0.0, excess(0.0)
    if at_low > 0.0:
        return low
    high, at_high = FIRST_PUSH, excess(FIRST_PUSH)
    while at_high < 0.0:
        if high >= MOST_PUSH:
            return high
        low, at_low, high = high, at_high, 2.0 * high
        at_high = excess(high)
    return crossing(excess, (low, at_low), (high, at_high), 0.1 * KEPT_SHARE)


def _cast_counts(site: Site, curve: Rounded) -> tuple[int, ...]:
    return curve.counts(site.chord_mm, _Faces.of(site.plan).outer)


def _levels(start: float, end: float, pitch_mm: float) -> Floats:
    """Heights from start to end about a pitch apart."""
    return np.linspace(start, end, max(2, round(abs(end - start) / pitch_mm) + 1))


def _rows(curve: Rounded, counts: tuple[int, ...], out: Floats, heights: Floats | list[Floats | float]) -> list[Floats]:
    """Rows (n, 3): parallels `out` mm outside the girdle, at heights that may differ along them."""
    return [np.column_stack([loop, np.broadcast_to(z, len(loop))])
            for loop, z in zip(curve.loops(-out, counts), heights, strict=True)]


# Openings.


def _opened(site: Site, curve: Rounded, counts: tuple[int, ...], rows: list[Floats]) -> PolyMesh:
    """The band over these rows, or what the openings leave of it, each end flat and square to the outline."""
    text = site.spec.get("rim.open_directions_deg")
    directions = directions_deg(text) if text else ()
    if not directions:
        return closed_band(rows, "rim")
    half = site.plan["rim_open_width"] / 2.0
    outline = site.outline
    begins = [outline.place(angle + half) for angle in directions]
    ends = [outline.place(angle - half) for angle in (*directions[1:], directions[0])]
    middle = curve.loops(np.zeros(1), counts)[0]
    return joined(_stretch(rows, middle, begin, end) for begin, end in zip(begins, ends))


def _stretch(rows: list[Floats], middle: Floats, begin: Place, end: Place) -> PolyMesh:
    """The closed shell over one stretch of the rows, counter-clockwise from the plane across one place to another's.

    middle (n, 2): the rows' samples on the outline itself, which say on which round a row's crossings count.
    """
    count = len(middle)
    first, last = _sample_at(middle, begin), _sample_at(middle, end)
    last += count if last <= first else 0
    low = [_nearest_turn(_sample_at(row[:, :2], begin), first, count) for row in rows]
    high = [_nearest_turn(_sample_at(row[:, :2], end), last, count) for row in rows]
    # A sample that lies past the plane on some rows only, because their corner is mitred there, falls on it on those.
    kept = np.arange(math.ceil(min(low) + BESIDE), math.floor(max(high) - BESIDE) + 1)
    sections = []
    for row, start, stop in zip(rows, low, high, strict=True):
        at = np.concatenate([[start], np.clip(kept, start, stop), [stop]])
        before = np.floor(at).astype(int)
        share = (at - before)[:, None]
        sections.append((1.0 - share) * row[before % count] + share * row[(before + 1) % count])
    # The section turns counter-clockwise as seen along the way back.
    return rod(list(np.stack(sections, axis=1)[::-1]), "rim")


def _sample_at(loop: Floats, place: Place) -> float:
    """Where, in samples, a loop (n, 2) crosses the plane through a place square to the outline, on the place's side; beside
    a corner, whose mitre may lie before the plane, where the loop comes nearest to the place."""
    ways = loop - place.point
    aside = place.normal[0] * ways[:, 1] - place.normal[1] * ways[:, 0]
    after = np.roll(aside, -1)
    crossed = np.flatnonzero((aside < 0.0) & (after >= 0.0))
    if not len(crossed):
        return float(np.argmin(np.hypot(*ways.T)))
    share = aside[crossed] / (aside[crossed] - after[crossed])
    outwards = ways @ place.normal
    off = (1.0 - share) * outwards[crossed] + share * np.roll(outwards, -1)[crossed]
    best = int(np.argmin(np.abs(off)))
    return float(crossed[best] + share[best])


def _nearest_turn(sample: float, wanted: float, count: int) -> float:
    """The same sample, counted on or back by whole rounds until it is nearest to the wanted one."""
    return sample + count * round((wanted - sample) / count)
