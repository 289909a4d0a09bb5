"""Stones that are no usual ones of their cut, and girdles that chip."""
from __future__ import annotations

import pytest

from core.head import make_head
from core.proof import subject_of
from core.proof.proportions import check_proportions
from core.spec import spec_of
from core.stone import CUTS
from core.trade.house_rules import house_rules


def found(**choices: object) -> dict[str, tuple[str, str, float]]:
    subject = subject_of(make_head(spec_of({f"stone.{key}": value for key, value in choices.items()})))
    return {each.code: (each.verdict, each.what, each.measured) for each in check_proportions(subject, house_rules())}


@pytest.mark.parametrize("cut", CUTS)
def test_a_stone_of_which_only_the_size_is_known_is_a_usual_one(cut: str) -> None:
    assert {verdict for verdict, _, _ in found(cut=cut, length_mm=6.0).values()} == {"sound"}


@pytest.mark.parametrize(("key", "value", "verdict"), [
    ("depth", 0.555, "watch"), ("depth", 0.56, "sound"), ("depth", 0.68, "sound"), ("depth", 0.685, "watch"),
    ("table", 0.51, "watch"), ("table", 0.52, "sound"), ("table", 0.65, "sound"), ("table", 0.66, "watch"),
    ("width_mm", 6.05, "watch"), ("width_mm", 6.0, "sound"), ("width_mm", 4.6, "sound"), ("width_mm", 4.5, "watch")])
def test_an_oval_is_held_against_what_is_usual(key: str, value: float, verdict: str) -> None:
    """shalev.co.uk and brilliantearth.com: an oval is 56 to 68 % deep with a table of 52 to 65 %, 1.3 to 1.7 times as long
    as wide. The crown is given, because it would follow the table."""
    given = {"cut": "oval", "length_mm": 7.8, "width_mm": 5.5, "depth": 0.6, "table": 0.57, "crown_height": 0.14, key: value}
    result, what, measured = found(**given)["stone.usual"]
    assert result == verdict
    if verdict == "watch":
        names = {"width_mm": "Length", "depth": "Depth", "table": "Table"}
        assert what.startswith(names[key]) and measured == pytest.approx(7.8 / value if key == "width_mm" else value, abs=1e-3)


@pytest.mark.parametrize(("girdle", "verdict"), [(0.0172, "watch"), (0.0175, "sound"), (0.018, "sound")])
def test_an_extremely_thin_girdle_is_for_watching(girdle: float, verdict: str) -> None:
    """The class ends at 1.75 % of the width (GIA diamond design guideline); that it chips: from memory."""
    assert found(length_mm=6.0, girdle=girdle)["stone.girdle"] == (verdict, "Girdle of the stone over its width", girdle)
