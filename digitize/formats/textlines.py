"""Lines of text on a page that counts in millimetres: how wide they are, where they wrap, how blocks share columns."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import product

from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties, findfont, get_font

from digitize.formats.paper import INCH_MM
from digitize.formats.png import drawable

FAMILY = "DejaVu Sans"
POINT = INCH_MM / 72


def write(axes: Axes, x: float, y: float, text: str, size: float, bold: bool = False) -> None:
    """One line from its left end on, ``size`` in points."""
    weight = "bold" if bold else "normal"
    line = axes.text(x, y, drawable(text), fontsize=size, weight=weight, family=FAMILY, va="baseline", zorder=7)
    line.set_parse_math(False)


def wrapped(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """Lines no wider than ``width`` mm; a word that is wider is broken."""
    lines = [""]
    for word in drawable(text).split():
        longer = f"{lines[-1]} {word}".strip()
        if wide(longer, size, bold) <= width:
            lines[-1] = longer
            continue
        lines += [word] if lines[-1] else []
        lines[-1] = word
        while wide(lines[-1], size, bold) > width:
            whole = lines[-1]
            keep = next((k for k in range(len(whole) - 1, 1, -1) if wide(whole[:k], size, bold) <= width), 1)
            lines[-1:] = [whole[:keep], whole[keep:]]
    return lines


def wide(text: str, size: float, bold: bool = False) -> float:
    """Width of a line, mm, as its letters' advances add up."""
    return sum(_advance(letter, bold) for letter in text) * size * POINT


@cache
def _advance(letter: str, bold: bool) -> float:
    """From one letter to the next, by the size of the font."""
    font = get_font(findfont(FontProperties(family=FAMILY, weight="bold" if bold else "normal")))
    font.set_size(10.0, 72)
    return float(font.load_char(ord(letter)).linearHoriAdvance) / 65536 / 10.0


def columned(heights: Sequence[float], columns: int) -> tuple[list[list[int]], float]:
    """Blocks for each column, in their order, so that the tallest column is as short as can be; and its height."""
    ways = []
    for choice in product(range(columns), repeat=len(heights)):
        tall = [sum(h for h, c in zip(heights, choice, strict=True) if c == k) for k in range(columns)]
        ways.append((max(tall), choice))
    height, choice = min(ways)
    return [[k for k, c in enumerate(choice) if c == column] for column in range(columns)], height
