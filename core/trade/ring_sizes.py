"""Ring sizes of six systems to the ring's inside diameter, and back to the nearest size.

Every system is a straight line: inside circumference or diameter = start + step × number. Sources:
  iso          circumference in whole mm, halves up (ISO 8653:1986; JIS S 4700:1998)
  us           diameter 0.458 in + 0.032 in × number (Wikipedia, Ring size; ringsizely.com); no standard exists
  uk           circumference 36.25 mm + 1.25 mm × letter, A = 1 (BS 6820 scale; Rowlett, How Many?)
  jp           diameter (number + 38) / 3 mm, the Japan custom size (tomigin.com; tenmaya-j.jp)
  continental  circumference in whole mm less 40: the old French, Italian and Spanish number (Wikipedia, Ring size)
  de diameter  the diameter in mm, as Germany also writes it (thejewellershop.com, Ringmass)
"""
from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from ..errors import Fault, SpecError
from .table import pick

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
GLYPHS = {"¼": " 1/4", "½": " 1/2", "¾": " 3/4"}


@dataclass(frozen=True)
class System:
    """One ring size system: diameter or circumference = start + pitch × number, for numbers low to high in `step`s."""

    name: str
    start_mm: Fraction
    pitch_mm: Fraction
    is_circumference: bool
    low: Fraction
    high: Fraction
    step: Fraction
    read: Callable[[str], Fraction | None]
    write: Callable[[Fraction], str]
    allowed: str

    def diameter_mm(self, number: Fraction) -> float:
        """Inside diameter of the ring of this number."""
        length = float(self.start_mm + self.pitch_mm * number)
        return length / math.pi if self.is_circumference else length

    def number(self, diameter_mm: float) -> float:
        """The number, fractions and all, of an inside diameter."""
        length = diameter_mm * math.pi if self.is_circumference else diameter_mm
        return (length - float(self.start_mm)) / float(self.pitch_mm)


def inside_diameter_mm(system: str, size: str | float) -> float:
    """Inside diameter, mm, of a ring of `size` as `system` writes it; SpecError says what the system allows."""
    chosen = _system(system)
    text = f"{size:g}" if isinstance(size, (int, float)) and not isinstance(size, bool) else size
    number = chosen.read(text) if isinstance(text, str) else None
    if number is None or not _is_size(chosen, number):
        raise SpecError(Fault("finger.size", size, f"{chosen.name} allows {chosen.allowed}"))
    return chosen.diameter_mm(number)


def nearest_size(system: str, diameter_mm: float) -> str:
    """The size of `system` nearest to an inside diameter, halves up. SpecError if the system does not go there."""
    chosen = _system(system)
    steps = math.floor(chosen.number(diameter_mm) / float(chosen.step) + 0.5 + 1e-9) if _is_length(diameter_mm) else 0
    number = steps * chosen.step
    # Below zero the American scale goes on by whole sizes only.
    if _is_length(diameter_mm) and chosen.low <= number <= chosen.high:
        return chosen.write(number if _is_size(chosen, number) else Fraction(round(number)))
    low, high = chosen.diameter_mm(chosen.low), chosen.diameter_mm(chosen.high)
    raise SpecError(Fault("finger.size", diameter_mm,
                          f"{chosen.name} runs from {low:.2f} to {high:.2f} mm inside diameter ({chosen.allowed})"))


def _is_length(value: float) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value) and value > 0


def _is_size(system: System, number: Fraction) -> bool:
    whole_below_zero = number >= 0 or number.denominator == 1
    return system.low <= number <= system.high and number % system.step == 0 and whole_below_zero


def _read_number(text: str) -> Fraction | None:
    """ "7", "7.25", "7 1/4", "7¼" or "1/2" as a fraction; None if it is no number."""
    for glyph, plain in GLYPHS.items():
        text = text.replace(glyph, plain)
    found = re.fullmatch(r"\s*((?:0|[1-9]\d*)(?:\.\d+)?)?(?:\s*(?<![\d.])([13])/([24]))?\s*", text, flags=re.ASCII)
    if found is None or not text.strip():
        return None
    whole, over, under = found.groups()
    return Fraction(whole or 0) + (Fraction(int(over), int(under)) if over else 0)


def _read_us(text: str) -> Fraction | None:
    zeros = re.fullmatch(r"\s*(0{2,3})\s*", text)
    return Fraction(1 - len(zeros.group(1))) if zeros else _read_number(text)


def _read_uk(text: str) -> Fraction | None:
    """ "N", "N 1/2", "N½", "Z+1", "Z+1 1/2"."""
    found = re.fullmatch(r"\s*([A-Z])\s*(?:\+\s*(\d))?\s*(½|1/2|\.5)?\s*", text.upper(), flags=re.ASCII)
    if found is None or (found.group(2) and found.group(1) != "Z"):
        return None
    letter, beyond, half = found.groups()
    return Fraction(LETTERS.index(letter) + 1 + int(beyond or 0)) + (Fraction(1, 2) if half else 0)


def _write_number(number: Fraction) -> str:
    whole, part = divmod(number, 1)
    if not part:
        return str(whole)
    return f"{whole} {part}" if whole else str(part)


def _write_us(number: Fraction) -> str:
    return "0" * int(1 - number) if number < 0 else _write_number(number)


def _write_uk(number: Fraction) -> str:
    letter, half = divmod(number, 1)
    name = LETTERS[letter - 1] if letter <= 26 else f"Z+{letter - 26}"
    return f"{name} 1/2" if half else name


def _write_decimal(number: Fraction) -> str:
    return f"{float(number):g}"


def _span(low: str, high: str, step: str) -> tuple[Fraction, Fraction, Fraction]:
    return Fraction(low), Fraction(high), Fraction(step)


_SYSTEMS = {system.name: system for system in (
    System("iso", Fraction(0), Fraction(1), True, *_span("41", "76", "1"), _read_number, _write_number,
           "whole numbers from 41 to 76"),
    System("us", Fraction("0.458") * Fraction("25.4"), Fraction("0.032") * Fraction("25.4"), False,
           *_span("-2", "16", "1/4"), _read_us, _write_us, "000, 00, and 0 to 16 in quarters"),
    System("uk", Fraction("36.25"), Fraction("1.25"), True, *_span("1", "32", "1/2"), _read_uk, _write_uk,
           "A to Z and Z+1 to Z+6, in halves"),
    System("jp", Fraction(38, 3), Fraction(1, 3), False, *_span("1", "30", "1"), _read_number, _write_number,
           "whole numbers from 1 to 30"),
    System("continental", Fraction(40), Fraction(1), True, *_span("1", "36", "1"), _read_number, _write_number,
           "whole numbers from 1 to 36"),
    System("de diameter", Fraction(0), Fraction(1), False, *_span("12.5", "22.5", "0.05"), _read_number, _write_decimal,
           "12.5 to 22.5 mm in steps of 0.05"),
)}
SYSTEMS = tuple(_SYSTEMS)
"""The systems' names. Limits beyond the standards' (US 16, UK Z+6, Japan 30) are common practice, no source."""


def _system(name: str) -> System:
    return pick("finger.system", name, _SYSTEMS)
