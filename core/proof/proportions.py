"""Whether the stone is shaped as its cut usually is: a misread gauge makes a head that is right for no stone."""
from __future__ import annotations

import math
from collections.abc import Iterator

from ..stone import Stone
from ..tolerance import READ_SHARE
from ..trade.house_rules import HouseRules
from ..trade.proportions import Habit, girdle_class, girdles, habits
from .findings import Finding, Limit, judge
from .subject import Subject

FIGURES = {"ratio": "Length of the stone over its width", "depth": "Depth of the stone over its width",
           "table": "Table of the stone over its width", "crown_height": "Height of the crown over the stone's width"}


def check_proportions(subject: Subject, rules: HouseRules) -> Iterator[Finding]:
    """The figure that is farthest from what is usual for the cut, and the girdle."""
    stone = subject.stone
    usual = next((each for each in habits() if each.cut == stone.cut), None)
    if usual is not None:
        yield _farthest(subject, usual)
    if "girdle" in stone.figures and stone.pavilion_depth_mm > 0.0:
        yield _girdle(subject)


def _measured(stone: Stone) -> dict[str, float]:
    across = {"depth": stone.depth_mm, "table": stone.table_width_mm, "crown_height": stone.crown_height_mm}
    return {"ratio": stone.length_mm / stone.width_mm, **{name: mm / stone.width_mm for name, mm in across.items()}}


def _farthest(subject: Subject, usual: Habit) -> Finding:
    measured = _measured(subject.stone)
    known = [name for name in FIGURES if name in usual.figures]

    def outside(name: str) -> float:
        low, high = usual.figures[name]
        if name == "ratio" and low == 1.0:
            return measured[name] / high  # a length is no shorter than the width
        return max(low / measured[name], measured[name] / high) if measured[name] > 0.0 else math.inf

    name = max(known, key=outside)
    low, high = usual.figures[name]
    why = f"A head made from a misread gauge fits no stone; for the cut {usual.cut}, {low:g} to {high:g} is usual."
    remedy = "Measure the stone again; if it is so, leave it."
    limits = [Limit(low, True, "watch", why, usual.source, remedy), Limit(high, False, "watch", why, usual.source, remedy)]
    top = float(subject.placed.vertices[:, 2].max())
    return judge("stone.usual", FIGURES[name], measured[name], "1", [0.0, 0.0, top], limits, READ_SHARE)


def _girdle(subject: Subject) -> Finding:
    stone, thin = subject.stone, girdles()[0]
    share = stone.figures["girdle"].value
    limit = Limit(thin.up_to, True, "watch", f"A girdle that is {thin.name} chips where metal is pressed over it.",
                  f"{thin.source}, for the class; that it chips: from memory",
                  "Press with care, and let no metal bear on the edge itself.")
    edge = subject.placed.vertices[subject.placed.vertices[:, 0].argmax()]
    return judge("stone.girdle", "Girdle of the stone over its width", share, "1", edge, [limit], READ_SHARE / 10.0,
                 f"this one is {girdle_class(share).name}")
