"""Square modified brilliants: the princess and the radiant.

Both are drawn in a unit box, half length, half width and height each 1, and stretched to the stone; planes stay
planes, so every stone of a cut has the same facets.
"""
from __future__ import annotations

import numpy as np

from ..mesh import Floats

Chevron = tuple[float, float, float]
"""A pair of facets over one side: x + slant |y| <= start - fall * depth."""

PRINCESS_PAVILION = (0.5, 0.0, ((0.10, 1.10, 1.00), (0.12, 1.222, 1.222)))
RADIANT_PAVILION = (0.60, 0.75, ((0.05, 1.04, 0.85), (0.08, 1.13, 1.05), (0.10, 1.25, 1.25)))
"""Fall of the facets along the sides and along the cut corners, and the chevrons, the last through the culet.
The number of chevrons is as published for 50 facets (princess) and 70 (radiant); their slopes are from
memory, and set so that both weigh what the published factors say (docs/stones.md)."""

RIDGE, FALL, STAR_HEIGHT, SIDE_HEIGHT = 0.10, 1.12, 0.85, 0.50
"""A princess crown over the middle of a side: where its bezels' ridge would meet the table, as a share of the way back
to the girdle; the ridge's run over the crown; how high the stars start and the side facets end. From memory."""


def princess_crown(table: float) -> list[tuple[str, Floats]]:
    """Table, stars, bezels, corners and sides as (kind, rows (k, 4): a x + b y + c z <= d) in the unit box, z from 0
    to 1.

    21 facets with the table: 4 stars, 8 bezels, 4 corners, 4 along the girdle.
    """
    way = 1.0 - table
    ridge_top = table + RIDGE * way
    slant = RIDGE * way / table
    bezel = (1.0, slant, FALL * way, ridge_top + FALL * way)
    star_x = ridge_top + FALL * way * (1.0 - STAR_HEIGHT)
    star_fall = (star_x - table) / (1.0 - STAR_HEIGHT)
    side_x = ridge_top + FALL * way * (1.0 - SIDE_HEIGHT)
    return [
        ("table", np.array([[0.0, 0.0, 1.0, 1.0]])),
        ("star", around([(1.0, 0.0, star_fall, table + star_fall)])),
        ("bezel", around([bezel, (1.0, -slant, *bezel[2:])])),
        ("corner", around([(1.0, 1.0, 2.0 * way, 2.0)])),
        ("side", around([(1.0, 0.0, (1.0 - side_x) / SIDE_HEIGHT, 1.0)])),
    ]


def chevron_pavilion(sides: float, corners: float, chevrons: tuple[Chevron, ...],
                     leg: float) -> list[tuple[str, Floats]]:
    """Sides, cut corners, chevrons and corner mains as rows (k, 4) in the unit box, z from 0 down to -1.

    leg: what is cut off the corners of the square of half width 1; none if 0.
    """
    groups = [("pavilion side", around([(1.0, 0.0, -sides, 1.0)]))]
    if leg > 0.0:
        groups.append(("pavilion corner", around([(1.0, 1.0, -corners, 2.0 - leg)])))
    for slant, start, fall in chevrons:
        groups.append(("chevron", around([(1.0, slant, -fall, start), (1.0, -slant, -fall, start)])))
    start = 2.0 - 0.5 * leg
    groups.append(("main", around([(1.0, 1.0, -start, start)])))
    return groups


def around(rows: list[tuple[float, float, float, float]]) -> Floats:
    """(4 k, 4): the same planes on all four sides."""
    turned = []
    for a, b, c, d in rows:
        turned += [(a, b, c, d), (-b, a, c, d), (-a, -b, c, d), (b, -a, c, d)]
    return np.array(turned)


def boxed(rows: Floats, x_mm: float, y_mm: float, z_mm: float, start_mm: float) -> tuple[Floats, Floats]:
    """Normals and points (k, 3) mm of unit-box planes stretched by the half length, half width and height, from
    `start_mm`."""
    normals = rows[:, :3] / [x_mm, y_mm, abs(z_mm)]
    points = normals * (rows[:, 3] / np.einsum("ij,ij->i", normals, normals))[:, None]
    return normals, points + [0.0, 0.0, start_mm]
