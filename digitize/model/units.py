"""Lengths and other small things people type: millimetres out, or one sentence about what is wrong."""

from __future__ import annotations

import re
from itertools import chain

from digitize.model.errors import InputError

MM_PER = {"": 1.0, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4, '"': 25.4, "″": 25.4, "”": 25.4}
LARGEST_MM = 10_000.0  # nothing on a bench is longer
PRINT_SCALE = (0.90, 1.10)  # "fit to page" gives 0.94; beyond this the wrong thing was measured

_NUMBER = r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"
_LENGTH = re.compile(
    rf"(?P<sign>-?)(?:(?:(?P<whole>[0-9]+)(?:-|\s+|\s*-\s*))?(?P<over>[0-9]+)\s*/\s*(?P<under>[0-9]+)|(?P<number>{_NUMBER}))"
    rf"\s*(?P<unit>[a-z]*|[\"″”])",
    re.IGNORECASE,
)


def parse_length(text: str, what: str = "length", at_least: float = 0.0, at_most: float = LARGEST_MM) -> float:
    """A length in mm from ``6``, ``6mm``, ``0.6cm``, ``1/4in``, ``1-1/2"``, ``1 1/2 in``; a bare number is mm.

    Raises
    ------
    InputError if it is not a length, is negative, or lies outside ``at_least`` .. ``at_most`` (mm)
    """
    match = _LENGTH.fullmatch(text.strip())
    unit = match["unit"].lower() if match else None
    if match is None or unit not in MM_PER or (match["under"] and int(match["under"]) == 0):
        article = "an" if what[0] in "aeiou" else "a"
        raise InputError(
            f"“{text}” is not {article} {what}", 'write it like 6, 6mm, 0.6cm, 1/4in or 1-1/2", with a decimal point'
        )
    if match["over"] and unit == "":
        raise InputError(
            f"The {what} “{text}” has a fraction but no unit", f"write {text.strip()}in or {text.strip()}mm"
        )
    number = float(match["number"] or int(match["whole"] or 0) + int(match["over"]) / int(match["under"]))
    mm = float(f"{match['sign']}1") * number * MM_PER[unit]
    if not (at_least <= mm <= at_most and mm >= 0):
        limits = f"between {at_least:g} and {at_most:g} mm"
        raise InputError(f"The {what} “{text}” is {mm:g} mm and must be {limits}", "measure it again and mind the unit")
    return mm


def parse_angle(text: str) -> float:
    """Degrees from ``30``, ``30deg`` or ``30°``; raises InputError."""
    match = re.fullmatch(rf"\s*(-?(?:{_NUMBER}))\s*(?:deg|°)?\s*", text)
    if match is None or abs(float(match[1])) > 360:
        raise InputError(
            f"“{text}” is not a grain direction", "give degrees counter-clockwise from the x axis, like 30deg"
        )
    return float(match[1])


def parse_unit(text: str) -> str:
    """``mm`` or ``inch``, the units of a drawing."""
    word = text.strip().lower()
    unit = {"mm": "mm", "inch": "inch", "in": "inch", '"': "inch"}.get(word)
    if unit is None:
        raise InputError(f"“{text}” is not a unit that is known", "give mm or inch")
    return unit


def parse_board(text: str) -> tuple[int, int, float]:
    """Squares across, squares down and their side (mm) of a plain checkerboard, from ``10x7x25mm``."""
    parts = re.split(r"[x×]", text.strip().lower(), maxsplit=2)
    if len(parts) != 3 or not all(re.fullmatch(r"[0-9]{1,3}", p.strip()) for p in parts[:2]):
        raise InputError(f"“{text}” is not a checkerboard", "write squares across x down x side, like 10x7x25mm")
    across, down = int(parts[0]), int(parts[1])
    if not (4 <= across <= 60 and 4 <= down <= 60):
        raise InputError(f"A board of {across} x {down} squares cannot be used", "use 4 to 60 squares each way")
    return across, down, parse_length(parts[2], "side of a square", at_least=2.0, at_most=300.0)


def parse_print_scale(text: str, nominal: tuple[float, float]) -> tuple[float, float]:
    """Printed over nominal size along x and y, from the two measured lengths ``149.6mm,149.8mm``.

    nominal : what the two lengths should be, across and down, mm
    """
    parts = text.split(",")
    if len(parts) != 2:
        raise InputError(
            f"“{text}” is not a pair of measured lengths", "give the one across, a comma, the one down: 149.6mm,149.8mm"
        )
    across, down = (parse_length(p, "measured length") / n for p, n in zip(parts, nominal, strict=True))
    for scale, measured, true in zip((across, down), parts, nominal, strict=True):
        if not PRINT_SCALE[0] <= scale <= PRINT_SCALE[1]:
            raise InputError(
                f"“{measured.strip()}” is {scale:.0%} of the {true:g} mm it should be, and 90 to 110 % is possible",
                f"measure again, across first ({nominal[0]:g} mm), then down ({nominal[1]:g} mm)",
            )
    return across, down


def parse_point(text: str) -> tuple[float, float]:
    """A point in the photo, px, from ``X,Y``."""
    match = re.fullmatch(rf"\s*({_NUMBER})\s*,\s*({_NUMBER})\s*", text)
    if match is None:
        raise InputError(f"“{text}” is not a point in the photo", "give its pixel as X,Y, like 2016,1512")
    return float(match[1]), float(match[2])


def parse_numbers(text: str, most: int) -> tuple[int, ...]:
    """Whole numbers 0 .. ``most``, each once, from ``0-3`` or ``0,5`` or ``0-3,7``."""
    pieces = [re.fullmatch(r"\s*([0-9]{1,4})\s*(?:-\s*([0-9]{1,4})\s*)?", p) for p in text.split(",")]
    ranges = [range(int(m[1]), int(m[2] or m[1]) + 1) for m in pieces if m]
    numbers = tuple(sorted(set(chain.from_iterable(ranges))))
    if len(ranges) < len(pieces) or not all(ranges) or numbers[-1] > most:
        raise InputError(f"“{text}” does not name sheets", f"give numbers from 0 to {most}, like 0-3 or 0,5")
    return numbers
