"""A stone: its facets, its outline, its measures, and the questions a setting asks of it."""
from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..dimension import Dimension
from ..mesh import Floats, PolyMesh
from .facets import LEVEL, MIRROR, Planes, column, mirrored_polyhedron, polyhedron
from .outline import Outline, Piece

SHADOW_MM = 1e-9
"""How far outside the girdle a point still counts as on it. Larger: claws would find crown beside the stone."""

MEASURED_WAYS, REFINED_WAYS = 48, (16, 16, 16)
"""Places per piece of the outline from which the pavilion is looked for, and then, time after time, around the best."""

DEEPEST_WAYS = 96
"""Places all round from which the pavilion is looked for where its deepest place is asked for. Fewer: a corner of the
pavilion is passed over."""


@dataclass(frozen=True, eq=False)
class Stone:
    """One stone in its own frame: mm, +Z from culet to table, X along its length, z = 0 at the lower girdle edge.

    mesh: closed, facets as polygons tagged with their kind. outline: the girdle at its widest, counter-clockwise.
    girdle_mm is the girdle at its thickest. figures: the proportions with their reasons. part: the facet planes around
    `inside` (3,), of the half at y >= 0 if the stone is mirrored. straight_pavilion_deg: the slope of a pavilion that
    counts as straight because its mains touch the outline, else None.
    """

    cut: str
    mesh: PolyMesh
    outline: Outline
    length_mm: float
    width_mm: float
    depth_mm: float
    crown_height_mm: float
    girdle_mm: float
    pavilion_depth_mm: float
    table_width_mm: float
    figures: Mapping[str, Dimension]
    part: Planes
    inside: tuple[float, float, float]
    is_mirrored: bool = False
    straight_pavilion_deg: float | None = None

    @cached_property
    def volume_mm3(self) -> float:
        """Of the faceted solid, mm3."""
        return self.mesh.volume_mm3()

    def weight_ct(self, density_g_cm3: float) -> float:
        """Carats; 1 ct = 0.2 g."""
        return self.volume_mm3 * density_g_cm3 / 200.0

    def grown(self, clearance_mm: float) -> PolyMesh:
        """The stone with every facet plane moved outwards: what a seat with that clearance must leave free."""
        if self.is_mirrored:
            is_mirror = self.part.tags == self.part.tag_names.index(MIRROR)
            moved = np.where(is_mirror, 0.0, clearance_mm)
            return mirrored_polyhedron(replace(self.part, offsets=self.part.offsets + moved), self.inside)
        return polyhedron(self.part.grown(clearance_mm), self.inside)

    def crown_height_at(self, xy: Floats) -> Floats:
        """(n,) mm: height of the crown's surface above z = 0 over (n, 2) points; nan where the stone is not below."""
        xy = np.asarray(xy, np.float64)
        if self.is_mirrored:
            xy = np.column_stack([xy[:, 0], np.abs(xy[:, 1])])
        top, bottom = column(self.part, xy)
        upright = np.abs(self.part.normals[:, 2]) <= LEVEL
        over = xy @ self.part.normals[upright, :2].T - self.part.offsets[upright]
        return np.where((over <= SHADOW_MM).all(axis=1) & (top >= bottom - SHADOW_MM), top, np.nan)

    def pavilion_inset_mm(self, depth_mm: float) -> float:
        """Least way in, mm, along the outline's normal, from the outline to the pavilion `depth_mm` below z = 0.

        A straight pavilion is measured by its mains: depth times the cotangent of their slope. On any other stone it
        is found on the facets, as the least over the whole outline. Below the culet it goes on in proportion; below a
        flat base there is no stone, and it is the outline's reach.
        """
        if self.straight_pavilion_deg is not None:
            return depth_mm / math.tan(math.radians(self.straight_pavilion_deg))
        if self.pavilion_depth_mm == 0.0:
            return self.outline.reach_mm if depth_mm > 0.0 else 0.0
        if depth_mm > self.pavilion_depth_mm:
            return self.pavilion_inset_mm(self.pavilion_depth_mm) * depth_mm / self.pavilion_depth_mm
        return float(self.pavilion_insets_mm(np.array([depth_mm]))[0])

    def pavilion_insets_mm(self, depths_mm: Floats) -> Floats:
        """(k,) mm: `pavilion_inset_mm` for many depths (k,) in one go."""
        depths = depths_mm.tolist()
        is_found = self.straight_pavilion_deg is None and self.pavilion_depth_mm > 0.0
        new = [each for each in dict.fromkeys(depths) if each not in self._insets and each <= self.pavilion_depth_mm]
        if not is_found:
            return np.array([self.pavilion_inset_mm(each) for each in depths])
        if new:
            self._insets.update(zip(new, self._least_insets(np.array(new)).tolist(), strict=True))
        return np.array([self._insets[each] if each in self._insets else self.pavilion_inset_mm(each) for each in depths])

    def pavilion_deepest_mm(self, depth_mm: float) -> float:
        """Most, mm, that the pavilion lies inside the outline `depth_mm` below z = 0, each place measured to the side of
        the outline that is nearest to it: so far in must metal reach that is to lie under all of the pavilion there. As
        `pavilion_inset_mm` for a straight pavilion and a flat base."""
        if self.straight_pavilion_deg is not None or self.pavilion_depth_mm == 0.0:
            return self.pavilion_inset_mm(depth_mm)
        if depth_mm >= self.pavilion_depth_mm:
            return self.outline.reach_mm
        return self._deepest(depth_mm)

    def _deepest(self, depth_mm: float) -> float:
        """As `pavilion_deepest_mm`, found on the facets."""
        pieces = self._half(self.outline.pieces)
        # Closer together towards the ends of each piece, where corners are.
        t = 0.5 - 0.5 * np.cos(np.linspace(0.0, math.pi, max(4, DEEPEST_WAYS // len(pieces)) + 1))
        points, normals = (np.concatenate(rows) for rows in zip(*(piece.at(t)[:2] for piece in pieces), strict=True))
        ways = self._ways_in(points, normals, depth_mm)
        met = np.isfinite(ways)
        feet = points[met] - normals[met] * ways[met, None]
        if self.is_mirrored:
            feet = feet[feet[:, 1] >= 0.0]
        return farthest_inside_mm(feet, points)

    def _half(self, pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
        """The pieces of the half that the facet planes are of."""
        return pieces[:len(pieces) // 2] if self.is_mirrored else pieces

    @cached_property
    def _insets(self) -> dict[float, float]:
        """Insets already measured, by depth."""
        return {}

    def _least_insets(self, depths_mm: Floats) -> Floats:
        """(k,) mm: at each depth the least of the ways in from all places of the outline, refined around the best place of
        each piece."""
        pieces = self._half(self.outline.pieces)
        shape = (len(pieces), len(depths_mm))
        low, high = np.zeros(shape), np.ones(shape)
        least = np.full(len(depths_mm), math.inf)
        for count in (MEASURED_WAYS, *REFINED_WAYS):
            t = np.linspace(low, high, count + 1, axis=2)
            points, normals = (np.concatenate(rows) for rows in
                               zip(*(piece.at(t[i].ravel())[:2] for i, piece in enumerate(pieces)), strict=True))
            depths = np.broadcast_to(depths_mm[:, None], t.shape).ravel()
            ways = self._ways_in(points, normals, depths).reshape(t.shape)
            least = np.minimum(least, ways.min(axis=(0, 2)))
            best = np.take_along_axis(t, ways.argmin(axis=2)[..., None], axis=2)[..., 0]
            step = (high - low) / count
            low, high = np.maximum(0.0, best - step), np.minimum(1.0, best + step)
        return least

    def _ways_in(self, points: Floats, normals: Floats, depths_mm: Floats | float) -> Floats:
        """(k,) mm: along each inward normal at its depth, how far to the pavilion; infinite where the way misses it."""
        below = self.part.normals[:, 2] < -LEVEL  # the girdle stands upright and is never met on a way in
        if self.is_mirrored:
            below &= self.part.tags != self.part.tag_names.index(MIRROR)
        n, d = self.part.normals[below], self.part.offsets[below]
        outside = points @ n[:, :2].T - np.multiply.outer(depths_mm, n[:, 2]) - d
        speed = normals @ n[:, :2].T
        with np.errstate(divide="ignore", invalid="ignore"):
            share = outside / speed
        enter = np.where(speed > 1e-12, share, -np.inf).max(axis=1)
        leave = np.where(speed < -1e-12, share, np.inf).min(axis=1)
        blocked = ((np.abs(speed) <= 1e-12) & (outside > 0.0)).any(axis=1)
        return np.where(blocked | (enter > leave), np.inf, np.maximum(enter, 0.0))


def farthest_inside_mm(feet: Floats, points: Floats) -> float:
    """How far the farthest of some feet (k, 2) is from an outline, mm: from the chords between its points (n, 2)."""
    # Chords from one piece to the next have no length.
    sides, from_start = np.diff(points, axis=0), feet[:, None] - points[:-1]
    along = np.einsum("ijk,jk->ij", from_start, sides) / np.maximum((sides ** 2).sum(axis=1), 1e-18)
    off = from_start - np.clip(along, 0.0, 1.0)[:, :, None] * sides
    return math.sqrt(float(np.einsum("ijk,ijk->ij", off, off).min(axis=1).max()))
