"""What the commands about the shop's patterns share: their folder, sizes from and to, directions."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from digitize.model.errors import InputError
from digitize.model.units import LARGEST_MM, parse_angle, parse_length

PATTERNS = Path("patterns")

Folder = Annotated[Path, typer.Option(help="The folder that the shop's patterns are kept in.")]
Tags = Annotated[str | None, typer.Option("--tags", help="Tags, between commas: chair,oak.", show_default=False)]


def size_range(text: str) -> tuple[float, float]:
    """From and to, mm, of ``100-200mm``, ``4in-8in``, ``100mm-`` or ``-200mm``; raises InputError."""
    for dash in re.finditer(r"[-–]", text):
        low, high = text[: dash.start()].strip(), text[dash.end() :].strip()
        unit = re.search(r"[a-z\"″”]*$", high.lower())
        if low and unit and re.search(r"[0-9]$", low):
            low += unit[0]
        try:
            least = parse_length(low, "size") if low else 0.0
            most = parse_length(high, "size") if high else LARGEST_MM
        except InputError:
            continue
        if (low or high) and least <= most:
            return least, most
    raise InputError(
        f"“{text}” does not tell sizes from and to", "write them like 100-200mm, 4in-8in, 100mm- or -200mm"
    )


def direction(text: str) -> float:
    """Degrees 0 .. 180 of a line's direction, from ``30``, ``30deg`` or ``30°``; raises InputError."""
    try:
        return parse_angle(text.lower()) % 180.0
    except InputError as error:
        raise InputError(
            f"“{text}” is not a direction", "give degrees counter-clockwise from the pattern's x axis, like 30deg"
        ) from error
