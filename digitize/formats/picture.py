"""The picture of a pattern alone: its outline with the main sizes, its marks and a scale bar, as PNG."""

from __future__ import annotations

import io
import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from digitize.formats.fullsize import outline_path
from digitize.formats.invented import draw_invented
from digitize.formats.paper import INCH_MM
from digitize.formats.tiling import room_for
from digitize.formats.words import CAPITAL, CLEARANCE, DETAIL_MM, POINT_MM, Placed, block_of, draw, text_width
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Arc, Point

LONG_SIDE_PX = 1600
SHORT_SIDE_PX = 500  # at least: room for the words of a long thin part
DPI = 100
LETTERS = 60  # heights of capitals in the part's longer side
LEFT, RIGHT, ABOVE, BELOW = 7.0, 3.0, 3.0, 7.0  # kept round the part for its sizes, in letters
BAR = 4.0  # kept below that for the scale bar, in letters
EDGE_PT = 1.6
WOOD, EDGE, INK = "#f1e4cd", "black", "0.25"


def pattern_png(pattern: Pattern) -> bytes:
    """The pattern as a PNG picture, seen from above."""
    x0, y0, x1, y1 = pattern.outline.bounds()
    letter = max(x1 - x0, y1 - y0) / LETTERS
    words = _inside(pattern, letter)
    outside = 0.0
    if words is None:
        block = block_of(pattern, letter)
        words = Placed(block, (x0 + block.width / 2, y0 - BELOW * letter - block.height / 2), 0.0)
        x1, outside = max(x1, x0 + block.width), block.height
    low = y0 - (BELOW + BAR) * letter - outside
    level = text_width(_height(pattern), letter)
    left = LEFT * letter if level < y1 - y0 else 6 * letter + level
    view = _widened(x0 - left, low, x1 + RIGHT * letter, y1 + ABOVE * letter)
    figure, axes = _canvas(view)
    unit = max(view[2] - view[0], view[3] - view[1]) / LONG_SIDE_PX * DPI / INCH_MM  # mm of the part by one on paper
    axes.add_patch(PathPatch(outline_path(pattern.outline), facecolor=WOOD, edgecolor=EDGE, linewidth=EDGE_PT))
    draw_invented(axes, pattern, EDGE_PT, "white", EDGE)
    _draw_sizes(axes, pattern, letter, unit)
    _draw_holes(axes, pattern.outline, letter, unit)
    draw(axes, words, unit)
    _draw_scale_bar(axes, (x0, low + 2.0 * letter), view[2] - view[0], letter, unit)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=DPI, metadata={"Software": None})
    return stream.getvalue()


def _widened(x0: float, y0: float, x1: float, y1: float) -> tuple[float, float, float, float]:
    """The box made less narrow, about its middle, where its picture would be a mere strip."""
    least = max(x1 - x0, y1 - y0) * SHORT_SIDE_PX / LONG_SIDE_PX
    wider, higher = max(0.0, least - (x1 - x0)) / 2, max(0.0, least - (y1 - y0)) / 2
    return x0 - wider, y0 - higher, x1 + wider, y1 + higher


def _inside(pattern: Pattern, letter: float) -> Placed | None:
    """The marks inside the part, with letters down to two thirds of those wanted."""
    shape = pattern.outline.polygon(DETAIL_MM)
    for smaller in (1.0, 0.8, 2 / 3):
        block = block_of(pattern, letter * smaller)
        for turn in (0.0, 90.0):
            width, height = (block.width, block.height) if turn == 0 else (block.height, block.width)
            middle = room_for([shape], width, height, CLEARANCE * block.letter)
            if middle:
                return Placed(block, middle, turn)
    return None


def _canvas(view: tuple[float, float, float, float]) -> tuple[Figure, Axes]:
    width, height = view[2] - view[0], view[3] - view[1]
    shrink = LONG_SIDE_PX / max(width, height)
    # matplotlib rounds a figure's pixels down: a tenth more
    size = (math.floor(width * shrink) + 0.1) / DPI, (math.floor(height * shrink) + 0.1) / DPI
    figure = Figure(figsize=size, dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(view[0], view[2]), ylim=(view[1], view[3]))
    axes.set_axis_off()
    return figure, axes


def _text(axes: Axes, at: Point, words: str, letter: float, unit: float, turn: float = 0.0) -> None:
    size = letter / CAPITAL / POINT_MM / unit
    axes.text(at[0], at[1], words, fontsize=size, color=INK, ha="center", va="center", rotation=turn)


def _height(pattern: Pattern) -> str:
    return f"{pattern.size[1]:.2f} mm"


def _draw_sizes(axes: Axes, pattern: Pattern, letter: float, unit: float) -> None:
    """Width below the part and height at its left, between extension lines (ISO 129-1; from memory)."""
    x0, y0, x1, y1 = pattern.outline.bounds()
    below, beside, past = y0 - 3 * letter, x0 - 3 * letter, 0.8 * letter
    lines = [
        *([(x, y0 - letter / 2), (x, below - past)] for x in (x0, x1)),
        *([(x0 - letter / 2, y), (beside - past, y)] for y in (y0, y1)),
    ]
    axes.add_collection(LineCollection(lines, colors=INK, linewidths=0.7))
    arrow = {"arrowstyle": "<|-|>", "color": INK, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 12}
    for a, b in (((x0, below), (x1, below)), ((beside, y0), (beside, y1))):
        axes.annotate("", a, b, arrowprops=arrow)
    _text(axes, ((x0 + x1) / 2, below - past - letter), f"{x1 - x0:.2f} mm", letter, unit)
    tall = _height(pattern)
    upright = text_width(tall, letter) < y1 - y0
    aside = letter if upright else text_width(tall, letter) / 2 + 0.6 * letter
    _text(axes, (beside - past - aside, (y0 + y1) / 2), tall, letter, unit, 90.0 if upright else 0.0)


def _draw_holes(axes: Axes, outline: Outline, letter: float, unit: float) -> None:
    """The diameter in each round hole that has room for it."""
    for hole in outline.holes:
        first = hole.segments[0]
        if len(hole.segments) == 1 and isinstance(first, Arc) and first.radius > 3.5 * letter:
            _text(axes, first.centre, f"⌀ {2 * first.radius:.2f}", letter, unit)


def _draw_scale_bar(axes: Axes, at: Point, width: float, letter: float, unit: float) -> None:
    """A bar of a round length, about a fifth of the picture's width, in two halves."""
    decade = 10.0 ** math.floor(math.log10(width / 5))
    length = max(step * decade for step in (1.0, 2.0, 5.0) if step * decade <= width / 5)
    half = length / 2
    for i, colour in enumerate(("black", "white")):
        x = at[0] + i * half + np.array([0.0, half, half, 0.0, 0.0])
        y = at[1] + letter / 2 * np.array([0.0, 0.0, 1.0, 1.0, 0.0])
        axes.fill(x, y, facecolor=colour, edgecolor="black", linewidth=0.8)
    size = letter / CAPITAL / POINT_MM / unit
    axes.text(at[0] + length + letter, at[1], f"{length:g} mm", fontsize=size, color=INK)
