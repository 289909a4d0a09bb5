"""The same head with its stone, its model and its shrinkage a little off: what tolerances make of metal and stone.

The metal is taken as modelled for the stone that was asked for, and a stone of other measures sits in that very metal.
Where the seat is left to the setter it goes down until it rests on the wall as the first one did; where there is no wall
it stays at the height of the claws' notches. Where the seat is cut it stays in its seat, and the setter cuts away what
stands in its way. A model that comes out fuller or leaner has every surface moved along its normal. Another shrinkage
scales the metal about the middle of its base while the stone stays as it is. Once set, metal that lies against the
girdle and the crown has been bent and burnished onto the stone, so it follows it.
"""
from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..errors import GeometryError
from ..mesh import Floats, Ints, PolyMesh, cross
from ..solid.kernel import (
    Solid, bodies, cut, fuse, fused_if_asked, solid_of, solid_of_triangles, transformed, triangles_of, volume_mm3,
    with_vertices,
)
from ..stone import Stone
from ..stone.facets import LEVEL, Planes
from ..stone.outline import Arc, Cleft, Line, Outline, Piece
from ..symmetry import Copy, Symmetry, copies_of
from ..tolerance import READ_MM
from .fit import EVERY, is_deeper
from .halves import facet_planes, is_convex
from .measure import MOST_FACETS, SEATED_MM
from .subject import Subject

MITRE = 3.0
"""How many times the offset a sharp corner may move at most. Larger: needles grow out of sharp edges."""

SLIVER_HEIGHT_MM = 1e-5
"""Triangles lower than this have no normal worth using. Larger: thin facets of a cut seat are passed over."""

DAMPING = 1e-4
"""Share of a corner's stiffness that settles what its planes leave open. Larger: flat faces move too little."""

MOST_UNFOLDED, COPLANAR = 6, 0.999
"""How often needles are split anew, and the cosine of the turn up to which two triangles lie in one plane."""

AGAINST = -0.98
"""Cosine of the turn between a face and the facet that it lies against. Larger: faces that only pass by follow too."""

CLEARED_MM = 0.002
"""How far beside the stone the setter's cut passes. Smaller: it meets the faces that lie on the stone and leaves slivers;
larger: they no longer touch."""

SAME_SHARE = 1e-6
"""Volumes that differ by a smaller share are the same metal. Larger: a bit of hand work would be lost."""

UPPER = 0.5
"""The upper part of the wall that a stone can come to rest on, as a share of its height."""


@dataclass(frozen=True)
class Deviation:
    """How far things are off. length, width and depth of the stone and the model's surface in mm; casting in per cent
    of size, positive if the metal comes out larger."""

    length_mm: float = 0.0
    width_mm: float = 0.0
    depth_mm: float = 0.0
    model_mm: float = 0.0
    casting_percent: float = 0.0

    @property
    def scale(self) -> float:
        """How many times as large the metal comes out."""
        return 1.0 + self.casting_percent / 100.0


class Varied:
    """Makes a subject anew for one deviation after another; what does not change is worked out once."""

    def __init__(self, subject: Subject) -> None:
        self.subject = subject

    def subject_at(self, off: Deviation) -> Subject:
        """The subject with these deviations. Raises GeometryError if its metal closes up or turns inside out."""
        own = self.subject.stone
        stretch = np.array([1.0 + off.length_mm / own.length_mm, 1.0 + off.width_mm / own.width_mm,
                            1.0 + off.depth_mm / own.depth_mm])
        return self._subject(off, stretch)

    def subject_of_size(self, factor: float) -> Subject:
        """The subject with its stone `factor` times as large in every direction, in the same metal."""
        return self._subject(Deviation(), np.full(3, factor))

    def _subject(self, off: Deviation, stretch: Floats) -> Subject:
        subject = self.subject
        stone = stretched(subject.stone, stretch)
        at_height = replace(subject.placed, vertices=self._placed(stone.mesh.vertices))
        settled = float(self._frame[3, 2]) * (off.scale - 1.0) if subject.is_seat_cut else 0.0
        if off.model_mm or subject.is_seat_cut:
            moved = self._moved(_Motion(off.model_mm, off.scale, stretch, settled))
            solids, copies = self._solids(moved)
        else:
            moved, solids, copies = self._shell.vertices * off.scale, self._scaled(off.scale), {}
        if not subject.is_seat_cut and "wall" in subject.parts:
            settled = rest_mm(at_height, moved[self._where["wall"][0]]) - self._rest
        placed = at_height.moved((0.0, 0.0, settled))
        varied = replace(subject, metal=solids.pop(""), parts=solids, stone=stone, placed=placed,
                         stone_solid=solid_of(placed, "stone"), cut_seat=subject.is_seat_cut, copies=copies,
                         is_joined=not self._is_in_parts)
        if not subject.is_seat_cut or not is_deeper(varied.gauge, SEATED_MM):
            return varied
        tool = replace(self._tool, vertices=self._placed(self._tool.vertices * stretch))
        return _cleared(varied, tool.moved((0.0, 0.0, settled)))

    def _solids(self, moved: Floats) -> tuple[dict[str, Solid], dict[str, Copy]]:
        """Of each part, and under "" of the whole metal, with the vertices of all shells where they are now (n, 3); and
        which of them are still copies of which."""
        shell, solids = self._shell, self._given
        has_moved = (moved != shell.vertices).any(axis=1)
        corners = {name: vertices for name, (vertices, _) in self._where.items() if has_moved[vertices].any()}
        copies = {name: copy for name, copy in self._copies.items() if name in corners and copy.first in corners
                  and copy.holds(moved[corners[copy.first]], moved[corners[name]])}
        for name in copies:
            has_moved[corners[name]] = False
        triangles = shell.unfolded(moved, has_moved)
        for name, vertices in corners.items():
            copy, own = copies.get(name), self._where[name][1]
            if copy is not None:
                solids[name] = transformed(solids[copy.first], copy.way)
            elif np.array_equal(triangles[own], shell.triangles[own]):
                solids[name] = with_vertices(solids[name], moved[vertices], name or "head")
            else:
                solids[name] = solid_of_triangles(moved[vertices], triangles[own] - vertices.start, name or "head")
        if self.is_clean:
            solids[""] = fuse([solids[name] for name in self.subject.parts], "head")
        elif self._is_in_parts:
            solids[""] = fused_if_asked([solids[name] for name in self.subject.parts])
        return solids, copies

    def _scaled(self, scale: float) -> dict[str, Solid]:
        """The same so many times as large."""
        matrix = np.column_stack([np.eye(3) * scale, np.zeros(3)])
        return {name: transformed(solid, matrix) if scale != 1.0 else solid for name, solid in self._given.items()}

    @property
    def _given(self) -> dict[str, Solid]:
        """Each part as given, and under "" the whole metal."""
        return {**self.subject.parts, "": self.subject.metal}

    @cached_property
    def is_clean(self) -> bool:
        """True if the parts alone make up the metal and carry no cut seat, so that they are moved and fused anew. Other
        metal is moved as it is, and where a boolean left needles on it a fold may stand on its surface."""
        subject = self.subject
        if subject.is_seat_cut or not subject.parts:
            return False
        if subject.is_all_parts:
            return True
        whole = volume_mm3(subject.metal)
        return abs(volume_mm3(fuse(list(subject.parts.values()), "head")) - whole) <= SAME_SHARE * whole

    @property
    def _is_in_parts(self) -> bool:
        """Whether the parts of a head whose seat is cut are moved and cut one by one and left as they overlap, which costs a
        fraction of their union: all that is asked of the metal then is how far it is to it, and whether it stands at a place."""
        return self.subject.is_all_parts and self.subject.is_seat_cut

    @cached_property
    def _surfaces(self) -> dict[str, tuple[Floats, Ints]]:
        """Vertices and triangles of all that is moved: of each part, and under "" of the whole metal unless the parts make it
        up."""
        is_whole = not (self.is_clean or self._is_in_parts)
        return {name: triangles_of(solid) for name, solid in self._given.items() if name or is_whole}

    @cached_property
    def _copies(self) -> dict[str, Copy]:
        """Which parts are copies of which, as given."""
        return copies_of({name: surface for name, surface in self._surfaces.items() if name})

    @cached_property
    def _where(self) -> dict[str, tuple[slice, slice]]:
        """Which vertices and which triangles of the shell are whose."""
        counts = np.array([[len(vertices), len(triangles)] for vertices, triangles in self._surfaces.values()])
        ends = np.cumsum(counts, axis=0)
        return {name: (slice(*pair[:, 0].tolist()), slice(*pair[:, 1].tolist()))
                for name, pair in zip(self._surfaces, np.stack([ends - counts, ends], axis=1))}

    @cached_property
    def _shell(self) -> _Shell:
        """All the surfaces as one, so that they are moved in one go."""
        vertices, triangles = zip(*self._surfaces.values())
        shifted = [each + where.start for each, (where, _) in zip(triangles, self._where.values())]
        return _Shell(np.concatenate(vertices), np.concatenate(shifted).astype(np.int32))

    @cached_property
    def _tool(self) -> PolyMesh:
        """What the setter cuts with, for the stone as given, in its own frame."""
        return self.subject.stone.grown(CLEARED_MM)

    @cached_property
    def _rest(self) -> float:
        return rest_mm(self.subject.placed, self._surfaces["wall"][0])

    @cached_property
    def _frame(self) -> Floats:
        """(4, 3) that takes the stone's own points to where they are placed."""
        own = self.subject.stone.mesh.vertices
        points = np.column_stack([own, np.ones(len(own))])
        return np.asarray(np.linalg.lstsq(points, self.subject.placed.vertices, rcond=None)[0], np.float64)

    def _placed(self, points: Floats) -> Floats:
        placed: Floats = points @ self._frame[:3] + self._frame[3]
        return placed

    def _moved(self, motion: _Motion) -> Floats:
        """The shell's vertices where model and casting are off. The base plane's middle stays where it is."""
        shell, following = self._shell, self._following
        offsets = np.full(len(shell.triangles), motion.model_mm)
        if len(following):
            middles = shell.middles[following]
            own = (middles - self._frame[3]) @ np.linalg.inv(self._frame[:3])
            after = self._placed(own * motion.stretch) + [0.0, 0.0, motion.settled_mm]
            offsets[following] = np.einsum("ij,ij->i", after - motion.scale * middles, shell.normals[following])
        moved: Floats = shell.vertices * motion.scale + (shell.offset(offsets) if offsets.any() else 0.0)
        if len(following) and "wall" in self.subject.parts:
            # A corner of the seat that comes up with the stone ends where the wall does.
            top = self.subject.gauge.wall_top_mm
            seat = np.unique(shell.triangles[following])
            seat = seat[shell.vertices[seat, 2] <= top]
            moved[seat, 2] = np.minimum(moved[seat, 2], top * motion.scale + motion.model_mm)
        return moved

    @cached_property
    def _following(self) -> Ints:
        """Which faces the setter lays against the stone, (f,): those on it once it is set; before that, in a seat that is
        cut, those beside its girdle and crown."""
        subject, placed, shell = self.subject, self.subject.placed, self._shell
        # A scan may not be convex, so that its planes do not say where its surface is.
        if not subject.is_seat_cut or len(placed) > MOST_FACETS:
            return np.zeros(0, np.int32)
        normals, offsets = facet_planes(placed)
        reach = SEATED_MM + READ_MM + subject.gauge.settling_mm
        lowest = -math.inf if subject.is_set else float(self._frame[3, 2])
        if is_convex(placed):
            # Most lie far above one of a few planes.
            close = np.flatnonzero((shell.vertices @ normals[::EVERY].T - offsets[::EVERY] <= reach).all(axis=1))
            near = np.zeros(len(shell.vertices), bool)
            near[close] = np.abs((shell.vertices[close] @ normals.T - offsets).max(axis=1)) <= reach
            lies = np.flatnonzero(near[shell.triangles].all(axis=1))
            facet = (shell.middles[lies] @ normals.T - offsets).argmax(axis=1)
            lies = lies[np.einsum("ij,ij->i", shell.normals[lies], normals[facet]) < AGAINST]
        else:
            near = np.abs(shell.vertices @ normals.T - offsets) <= reach
            lies = np.flatnonzero(np.asarray(near.any(axis=1))[shell.triangles].all(axis=1))
            may = near[shell.triangles[lies]].all(axis=1) & (shell.normals[lies] @ normals.T < AGAINST)
            lies = lies[_lies_on_one(shell.middles[lies], may, placed, normals)]
        found: Ints = lies[shell.middles[lies, 2] >= lowest].astype(np.int32)
        return found


def _lies_on_one(places: Floats, may: np.ndarray, stone: PolyMesh, normals: Floats) -> np.ndarray:
    """(n,) bool: which places (n, 3) lie over a facet of those that each may lie on (n, f), within the facet's own sides:
    in a cleft the planes of a stone's facets run on through it."""
    lies = np.zeros(len(places), bool)
    for facet in np.flatnonzero(may.any(axis=0)).tolist():
        ring, rows = stone.vertices[stone.face(facet)], np.flatnonzero(may[:, facet])
        inwards = cross(normals[facet], np.roll(ring, -1, axis=0) - ring)
        lies[rows] |= (places[rows] @ inwards.T >= np.einsum("ij,ij->i", ring, inwards) - 1e-9).all(axis=1)
    return lies


@dataclass(frozen=True)
class _Motion:
    """What moves metal: the model's surface, mm, the casting's scale, and the stone that set metal follows."""

    model_mm: float
    scale: float
    stretch: Floats
    settled_mm: float


class _Shell:
    """A closed surface whose faces can be moved along their normals.

    vertices (n, 3), triangles (t, 3), normals (t, 3), zero where a triangle is too thin to have one, middles (t, 3).
    """

    def __init__(self, vertices: Floats, triangles: Ints) -> None:
        self.vertices, self.triangles = vertices, triangles
        corners = vertices[triangles]
        self.middles: Floats = corners.mean(axis=1)
        sides = np.roll(corners, -1, axis=1) - corners
        normals = np.cross(sides[:, 0], -sides[:, 2])
        doubled = np.linalg.norm(normals, axis=1)
        lengths = np.linalg.norm(sides, axis=2)
        is_face = doubled > SLIVER_HEIGHT_MM * np.maximum(lengths.max(axis=1), SLIVER_HEIGHT_MM)
        self.normals: Floats = np.where(is_face[:, None], normals / np.maximum(doubled, 1e-300)[:, None], 0.0)
        along = sides / np.maximum(lengths, 1e-12)[:, :, None]
        # Weighed by its angle at the vertex a face counts the same however it is cut into triangles.
        angles = np.arccos(np.clip(-np.einsum("ijk,ijk->ij", along, np.roll(along, 1, axis=1)), -1.0, 1.0))
        self._weights: Floats = (angles * is_face[:, None]).ravel()

    @cached_property
    def _loosened(self) -> Floats:
        """(n, 3, 3) that turns the pushes of the faces around a vertex into its move."""
        index, each = self.triangles.ravel(), np.repeat(self.normals, 3, axis=0)
        stiffness = np.empty((len(self.vertices), 3, 3))
        for i in range(3):
            for j in range(i, 3):
                stiffness[:, i, j] = np.bincount(index, self._weights * each[:, i] * each[:, j], len(self.vertices))
                stiffness[:, j, i] = stiffness[:, i, j]
        damping = (DAMPING * np.trace(stiffness, axis1=1, axis2=2) + 1e-12)[:, None, None]
        loosened = np.linalg.inv(stiffness + damping * np.eye(3))
        # Twice (Tikhonov, iterated): what is flush stays so, by the share that damping takes squared.
        return np.asarray(loosened + damping * (loosened @ loosened), np.float64)

    def unfolded(self, vertices: Floats, has_moved: np.ndarray) -> Ints:
        """The triangles for vertices, of which some (n,) have moved, without folds in a plane."""
        return unfolded(vertices, self.triangles, self.normals, has_moved)

    def offset(self, offsets_mm: Floats) -> Floats:
        """(n, 3) by which each vertex moves so that every face (t,) moves outwards by its own way: least squares at
        corners that no one move can serve, at most `MITRE` times the farthest way."""
        pushing = np.flatnonzero(offsets_mm)
        index = self.triangles[pushing].ravel()
        pushes = (self._weights.reshape(-1, 3)[pushing] * offsets_mm[pushing, None])[:, :, None] * self.normals[pushing, None]
        push = np.column_stack([np.bincount(index, pushes[:, :, i].ravel(), len(self.vertices)) for i in range(3)])
        pushed = np.unique(index)
        own = np.einsum("ijk,ik->ij", self._loosened[pushed], push[pushed])
        most = MITRE * float(np.abs(offsets_mm).max())
        ways = np.zeros(self.vertices.shape)
        ways[pushed] = own * np.minimum(1.0, most / np.maximum(np.linalg.norm(own, axis=1), 1e-12))[:, None]
        return ways


def unfolded(vertices: Floats, triangles: Ints, normals: Floats, has_moved: np.ndarray) -> Ints:
    """The triangles (t, 3) with those that turned over in their own plane, away from their normals (t, 3), taken with the
    neighbour across their longest side and split the other way. A needle that a boolean left turns over where its middle
    corner moves past its long side, and would stand there as a fold. has_moved (n,) bool: which vertices have."""
    triangles = triangles.copy()
    # Only what has moved, and after a round what lies wrong or was split anew, can lie wrong.
    looked: Ints = np.flatnonzero(has_moved[triangles].any(axis=1)).astype(np.int32)
    last = len(triangles)
    for _ in range(MOST_UNFOLDED):
        corners = vertices[triangles[looked]]
        first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 1]
        lies_over = np.einsum("ij,ij->i", cross(first, second), normals[looked]) < 0.0
        over, corners = looked[lies_over], corners[lies_over]
        if not len(over) or len(over) >= last:
            # Those left turn each other over and back.
            break
        last = len(over)
        longest, other, sides = _across(triangles, over, corners[:, [1, 2, 0]] - corners, len(vertices))
        lies_beside = (other != over) & (np.einsum("ij,ij->i", normals[over], normals[other]) >= COPLANAR)
        touched: set[int] = set()
        for i, k, j, side in zip(*(each[lies_beside].tolist() for each in (over, longest, other, sides))):
            if i in touched or j in touched:
                continue
            a, b, c = (*triangles[i].tolist(), *triangles[i].tolist())[k:k + 3]
            d = int(triangles[j, (side + 2) % 3])
            triangles[i], triangles[j] = (c, a, d), (d, b, c)
            touched |= {i, j}
        if not touched:
            break
        looked = np.union1d(over, np.fromiter(touched, np.int32)).astype(np.int32)
    return triangles


def _across(triangles: Ints, chosen: Ints, sides: Floats, count: int) -> tuple[Ints, Ints, Ints]:
    """For each chosen triangle (k,) which of its sides is the longest, and the triangle and side beyond that; itself where
    there is none. sides (k, 3, 3): its edges; count: how many vertices there are."""
    longest = np.einsum("ijk,ijk->ij", sides, sides).argmax(axis=1)
    starts, stops = triangles[chosen, longest], triangles[chosen, (longest + 1) % 3]
    back = stops.astype(np.int64) * count + starts
    # Few are asked for, so that they are sorted and not all, and only what begins where they end is looked at.
    order, ends = np.argsort(back), np.zeros(count, bool)
    ends[stops] = True
    near = np.flatnonzero(ends[triangles])
    codes = triangles.ravel()[near].astype(np.int64) * count + triangles.ravel()[near - near % 3 + (near + 1) % 3]
    nth = np.minimum(np.searchsorted(back[order], codes), len(back) - 1)
    met = np.flatnonzero(back[order][nth] == codes)
    at = 3 * chosen.astype(np.int64) + longest
    at[order[nth[met]]] = near[met]
    return longest, at // 3, at % 3


def _cleared(subject: Subject, tool: PolyMesh) -> Subject:
    """The subject after the setter has cut away what stands in the stone's way; offcuts fall off. Of parts that are copies
    one is cut and moved, where the tool is alike beside both."""
    solid, symmetry = solid_of(tool, "stone"), Symmetry(tool.vertices)
    copies = {name: copy for name, copy in (subject.copies or {}).items() if symmetry.holds(copy.way)}

    def cleared(metal: Solid, name: str) -> Solid:
        return max(bodies(cut(metal, [solid], name)), key=volume_mm3)

    parts: dict[str, Solid] = {}
    for name, part in subject.parts.items():
        copy = copies.get(name)
        parts[name] = cleared(part, name) if copy is None else transformed(parts[copy.first], copy.way)
    metal = cleared(subject.metal, "head") if subject.is_joined else fused_if_asked(list(parts.values()))
    return replace(subject, metal=metal, parts=parts, copies=copies)


def stretched(stone: Stone, stretch: Floats) -> Stone:
    """The stone with its length, width and height (3,) multiplied, about the middle of its girdle plane. Raises GeometryError
    where nothing of it is left."""
    x, y, z = map(float, stretch)
    if min(x, y, z) <= 0.0:
        raise GeometryError("stone", "its tolerance is as large as the stone itself", "give a closer one")
    normals = stone.part.normals / stretch
    lengths = np.linalg.norm(normals, axis=1)
    part: Planes = replace(stone.part, normals=normals / lengths[:, None], offsets=stone.part.offsets / lengths)
    inside = (stone.inside[0] * x, stone.inside[1] * y, stone.inside[2] * z)
    outline = Outline(tuple(_stretched_piece(piece, x, y) for piece in stone.outline.pieces), stone.outline.soft_deg)
    return replace(stone, mesh=replace(stone.mesh, vertices=stone.mesh.vertices * stretch), outline=outline,
                   length_mm=stone.length_mm * x, width_mm=stone.width_mm * y, depth_mm=stone.depth_mm * z,
                   crown_height_mm=stone.crown_height_mm * z, girdle_mm=stone.girdle_mm * z,
                   pavilion_depth_mm=stone.pavilion_depth_mm * z, table_width_mm=stone.table_width_mm * y, part=part,
                   inside=inside, straight_pavilion_deg=None)


def _stretched_piece(piece: Piece, x: float, y: float) -> Piece:
    if isinstance(piece, Line):
        return Line((piece.start[0] * x, piece.start[1] * y), (piece.end[0] * x, piece.end[1] * y))
    if isinstance(piece, Arc):
        return replace(piece, centre=(piece.centre[0] * x, piece.centre[1] * y), x_mm=piece.x_mm * x, y_mm=piece.y_mm * y)
    # A cleft's normals turn a little where length and width are not stretched alike, by less than its use here can tell.
    assert isinstance(piece, Cleft)
    return replace(piece, point=(piece.point[0] * x, piece.point[1] * y))


def rest_mm(placed: PolyMesh, wall: Floats) -> float:
    """By how much the stone has to rise so that the wall's highest place under it just touches it; negative: to sink."""
    low, high = wall[:, 2].min(), wall[:, 2].max()
    upper = wall[wall[:, 2] >= low + UPPER * (high - low)]
    normals, offsets = facet_planes(placed)
    below = normals[:, 2] < -LEVEL
    n, d = normals[below], offsets[below]
    bottom = ((d - upper[:, :2] @ n[:, :2].T) / n[:, 2]).max(axis=1)
    return float((upper[:, 2] - bottom).max())
