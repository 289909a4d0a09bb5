"""Lines, areas and dimension lines as SVG whose unit is one millimetre on paper."""
from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

import numpy as np

from ..mesh import Floats

TEXT_MM = 2.6
ARROW_MM = 1.5
CHARACTER = 0.5
"""Usual width of a character as a share of the text's height, for keeping text apart."""

Pair = tuple[float, float]

Point = Pair | Floats


class Drawing:
    """Collects SVG for one view. Points are mm of the thing drawn, y up; `scale` is paper mm for each of them.

    Text lies over every line and breaks it, so that a label stays readable where an extension line passes.
    """

    def __init__(self, scale: float) -> None:
        self.scale = scale
        self._parts: list[str] = []
        self._texts: list[str] = []
        self._low = np.full(2, np.inf)
        self._high = np.full(2, -np.inf)

    def area(self, loops: Iterable[Floats], style: str) -> None:
        """Closed loops (k, 2), filled by the even-odd rule."""
        path = " ".join("M" + "L".join(self._text(point) for point in loop) + "Z" for loop in loops)
        if path:
            self._parts.append(f'<path class="{style}" d="{path}"/>')

    def lines(self, segments: Floats, style: str) -> None:
        """Segments (n, 2, 2)."""
        path = " ".join(f"M{self._text(a)}L{self._text(b)}" for a, b in segments)
        self._parts.append(f'<path class="{style}" d="{path}"/>')

    def line(self, start: Point, end: Point, style: str) -> None:
        """One segment."""
        self.lines(np.array([[start, end]], np.float64), style)

    def rise(self, low: Point, high: Point, x: float, label: str) -> None:
        """A vertical dimension at paper distance `x` mm from x = 0 of the view, with extension lines to both points."""
        at = x / self.scale
        self._extend(low, (at, low[1]))
        self._extend(high, (at, high[1]))
        self._arrowed((at, low[1]), (at, high[1]))
        self.text((at, 0.5 * (low[1] + high[1])), label, "middle", turned=True)

    def span(self, left: Point, right: Point, y: float, label: str) -> None:
        """A horizontal dimension at height `y` of the view (mm of the thing), with extension lines."""
        self._extend(left, (left[0], y))
        self._extend(right, (right[0], y))
        self._arrowed((left[0], y), (right[0], y))
        self.text((0.5 * (left[0] + right[0]), y), label, "middle")

    def leader(self, target: Pair, label_at: Pair, label: str, anchor: str) -> None:
        """A label with a line to what it names, ending in a dot."""
        self.line(target, label_at, "thin")
        x, y = self._paper(target)
        self._parts.append(f'<circle class="dot" cx="{x:.3f}" cy="{y:.3f}" r="0.35"/>')
        self.text(label_at, label, anchor)

    def text(self, at: Pair, label: str, anchor: str, turned: bool = False) -> None:
        """A label just above a point; `turned` reads upwards, to its left."""
        x, y = self._paper(at)
        half = CHARACTER * TEXT_MM * len(label)
        reach = {"start": (0.0, half), "middle": (-half / 2, half / 2), "end": (-half, 0.0)}[anchor]
        corners = [(reach[0], 0.0), (reach[1], -TEXT_MM)]
        if turned:
            corners = [(-TEXT_MM - 0.8, reach[0]), (0.0, reach[1])]
        for across, down in corners:
            self._grow(np.array([x + across, y + down]))
        turn = f' transform="rotate(-90 {x - 0.7:.3f} {y:.3f})"' if turned else ""
        x, y = (x - 0.7, y) if turned else (x, y - 0.7)
        self._texts.append(f'<text x="{x:.3f}" y="{y:.3f}" text-anchor="{anchor}"{turn}>{escape(label)}</text>')

    def svg(self, title: str) -> str:
        """The view as an inline SVG of its own size in mm."""
        low, high = self._low - 1.0, self._high + 1.0
        width, height = high - low
        return (f'<svg role="img" aria-label="{escape(title)}" width="{width:.3f}mm" height="{height:.3f}mm" '
                f'viewBox="{low[0]:.3f} {low[1]:.3f} {width:.3f} {height:.3f}">{"".join(self._parts + self._texts)}</svg>')

    def _extend(self, start: Point, end: Point) -> None:
        self.line(start, end, "thin")

    def _arrowed(self, start: Pair, end: Pair) -> None:
        a, b = np.array(self._paper(start)), np.array(self._paper(end))
        length = float(np.linalg.norm(b - a))
        along = (b - a) / max(length, 1e-9)
        inside = length > 3.0 * ARROW_MM
        for tip, way in ((a, along), (b, -along)):
            self._arrow(tip, way if inside else -way)
        if not inside:
            a, b = a - along * 2.5 * ARROW_MM, b + along * 2.5 * ARROW_MM
        self._grow(a)
        self._grow(b)
        self._parts.append(f'<path class="thin" d="M{a[0]:.3f},{a[1]:.3f}L{b[0]:.3f},{b[1]:.3f}"/>')

    def _arrow(self, tip: Floats, way: Floats) -> None:
        side = np.array([-way[1], way[0]]) * ARROW_MM * 0.18
        tail = tip + way * ARROW_MM
        corners = "L".join(f"{x:.3f},{y:.3f}" for x, y in (tip, tail + side, tail - side))
        self._parts.append(f'<path class="dot" d="M{corners}Z"/>')

    def _paper(self, point: Sequence[float] | Floats) -> Pair:
        return float(point[0]) * self.scale, -float(point[1]) * self.scale

    def _text(self, point: Sequence[float] | Floats) -> str:
        paper = self._paper(point)
        self._grow(np.array(paper))
        return f"{paper[0]:.3f},{paper[1]:.3f}"

    def _grow(self, paper: Floats) -> None:
        self._low, self._high = np.minimum(self._low, paper), np.maximum(self._high, paper)


def best_scale(width_mm: float, height_mm: float, room_mm: Pair) -> float:
    """The largest usual drawing scale at which a thing fits the room on paper."""
    fit = min(room_mm[0] / width_mm, room_mm[1] / height_mm)
    return next((scale for scale in (20.0, 15.0, 12.0, 10.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5) if scale <= fit), 1.0)
