"""What the tests of the tolerances share: a tally of findings in random draws."""
from __future__ import annotations

import math
from collections import Counter

import pytest

from core.proof import Finding
from core.proof.spread import Key


class Draws:
    """How often each finding came out sound in draws, and by how much it kept its nearest bound at least."""

    def __init__(self) -> None:
        self.count, self.sound, self.worst = 0, Counter[Key](), dict[Key, float]()

    def add(self, found: dict[Key, Finding]) -> None:
        """The findings of one more draw."""
        self.count += 1
        for key, each in found.items():
            self.sound[key] += each.verdict == "sound"
            if each.measured is not None and each.bounds:
                self.worst[key] = min(self.worst.get(key, math.inf), least_margin(each, each.measured))

    def hold_share(self, key: Key, told: Finding) -> None:
        """As many stayed sound as the spread says, to within three standard deviations."""
        share = told.spread.share_sound
        slack = 3.0 * math.sqrt(max(share * (1.0 - share), 0.02) / self.count)
        assert abs(self.sound[key] / self.count - share) <= slack, (key, self.sound[key] / self.count, share)

    def hold_worst(self, key: Key, told: Finding, allowed: float) -> None:
        """None was past the worst case that the spread tells by more than is allowed."""
        predicted = least_margin(told, told.spread.worst)
        assert self.worst[key] >= predicted - allowed, (key, self.worst[key], predicted)


def least_margin(finding: Finding, measured: float) -> float:
    return min(bound.margin(measured) for bound in finding.bounds)


@pytest.fixture
def draws() -> Draws:
    return Draws()
