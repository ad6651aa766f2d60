"""What is written on a pattern's paper and picture: its marks as a block of words and a grain arrow."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from matplotlib.transforms import Affine2D

from digitize.formats.drawing import grain_arrow
from digitize.formats.png import drawable
from digitize.formats.tiling import Layout, room_for
from digitize.model.pattern import Pattern
from digitize.model.segment import Point, as_point

LETTERS_MM = (4.0, 3.2, 2.6, 2.1)  # heights of capitals tried, the last still read at arm's length
CAPITAL = 0.729  # of the font size, in DejaVu Sans
LINE = 1.75  # from line to line, by the height of capitals
NAME = 1.5  # the name's letters by the others'
CLEARANCE = 1.0  # from words to edges, by the height of capitals
ARROW = 6.0  # length of the grain arrow by the letters' height
NOTE_LETTERS, NOTE_LINES = 44, 6
POINT_MM = 25.4 / 72
DETAIL_MM = 0.05  # of edges, where only room for words is looked for


@dataclass(frozen=True)
class Block:
    """Words and an arrow in a box of ``width`` x ``height`` mm.

    letter : height of capitals, mm
    grain : direction of the fibres, radians, None for no arrow
    """

    lines: tuple[str, ...]
    letter: float
    grain: float | None
    width: float
    height: float


@dataclass(frozen=True)
class Placed:
    """A block, the middle of its box in the drawing, and its turn in degrees."""

    block: Block
    middle: Point
    turn: float

    @property
    def box(self) -> shapely.Polygon:
        """Where it lies in the drawing."""
        (x, y), w, h = self.middle, self.block.width / 2, self.block.height / 2
        w, h = (w, h) if self.turn == 0 else (h, w)
        return shapely.box(x - w, y - h, x + w, y + h)


def marks(pattern: Pattern) -> tuple[str, ...]:
    """Lines that say what a pattern is, the name first."""
    width, height = pattern.size
    uncertain = f" ± {pattern.uncertainty:.2f} mm (k = 2)" if pattern.uncertainty is not None else ""
    thick = f"{pattern.thickness_mm:g} mm thick, " if pattern.thickness_mm is not None else ""
    lines = [f"{width:.2f} x {height:.2f} mm{uncertain}", f"{thick}{pattern.created:%Y-%m-%d}"]
    lines += textwrap.wrap(pattern.stock, NOTE_LETTERS)[:1]
    notes = textwrap.wrap(pattern.notes, NOTE_LETTERS)
    lines += notes[:NOTE_LINES] if len(notes) <= NOTE_LINES else [*notes[: NOTE_LINES - 1], "..."]
    name = textwrap.shorten(pattern.name, NOTE_LETTERS, placeholder="...") or pattern.name[:NOTE_LETTERS]
    return tuple(drawable(" ".join(line.split())) for line in (name, *lines))


def block_of(pattern: Pattern, letter: float) -> Block:
    lines = marks(pattern)
    wide = max(text_width(line, letter * (NAME if i == 0 else 1.0), i == 0) for i, line in enumerate(lines))
    high = letter * (LINE * (len(lines) - 1) + NAME + 0.6)
    grain = None if pattern.grain_deg is None else math.radians(pattern.grain_deg)
    if grain is None:
        return Block(lines, letter, None, wide, high)
    return Block(lines, letter, grain, wide + (ARROW + 1.5) * letter, max(high, ARROW * letter))


def text_width(text: str, letter: float, bold: bool = False) -> float:
    """Width of a line, mm, whose capitals are ``letter`` mm tall."""
    if not text.strip():
        return 0.0
    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    return float(TextPath((0, 0), text, size=letter / CAPITAL, prop=font, usetex=False).get_extents().width)


def placed(pattern: Pattern, layout: Layout) -> Placed | None:
    """The marks as large as they fit inside the part, on one page if they can be; None where they do not fit."""
    part = pattern.outline.polygon(DETAIL_MM)
    blocks = [block_of(pattern, letter) for letter in LETTERS_MM]
    for shapes in ([shapely.intersection(part, tile.own) for tile in layout.tiles], [part]):
        for block in blocks:
            for turn in (0.0, 90.0):
                width, height = (block.width, block.height) if turn == 0 else (block.height, block.width)
                middle = room_for(shapes, width, height, CLEARANCE * block.letter)
                if middle:
                    return Placed(block, middle, turn)
    return None


def below(pattern: Pattern) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1 of a strip under the part that takes the marks where they do not fit inside, mm."""
    block = block_of(pattern, LETTERS_MM[-1])
    x0, y0, x1, _ = pattern.outline.bounds()
    wider = max(0.0, block.width + 2 * block.letter - (x1 - x0)) / 2
    return x0 - wider, y0 - block.height - 4 * block.letter, x1 + wider, y0 - block.letter


def placed_below(pattern: Pattern, layout: Layout) -> Placed:
    """The marks in that strip, on one page if they can be."""
    block = block_of(pattern, LETTERS_MM[-1])
    strip = shapely.box(*below(pattern))
    pages = [shapely.intersection(strip, tile.own) for tile in layout.tiles]
    middle = room_for(pages, block.width, block.height, block.letter / 2) or as_point(strip.centroid.coords[0])
    return Placed(block, middle, 0.0)


def draw(axes: Axes, words: Placed, mm_per_unit: float = 1.0) -> list[Artist]:
    """Put the words on axes that count in millimetres; returns what was drawn, to be clipped.

    mm_per_unit : of the paper, where the axes are not at true scale
    """
    block = words.block
    turn = Affine2D().rotate_deg(words.turn).translate(*words.middle)
    left, top = -block.width / 2, block.height / 2
    drawn: list[Artist] = []
    for i, line in enumerate(block.lines):
        letter = block.letter * (NAME if i == 0 else 1.0)
        at = turn.transform((left, top - block.letter * (NAME + LINE * i)))
        size = letter / CAPITAL / POINT_MM / mm_per_unit
        weight = "bold" if i == 0 else "normal"
        text = axes.text(at[0], at[1], line, fontsize=size, weight=weight, family="DejaVu Sans", parse_math=False)
        text.set(rotation=words.turn, rotation_mode="anchor", ha="left", va="baseline", clip_on=True)
        drawn.append(text)
    if block.grain is not None:
        middle = as_point(turn.transform((-left - ARROW * block.letter / 2, 0.0)))
        strokes = grain_arrow(middle, block.grain, ARROW * block.letter)
        points = [[s.start for s in stroke] + [stroke[-1].end] for stroke in strokes]
        drawn.append(axes.add_collection(LineCollection(points, colors="black", linewidths=0.9)))
        drawn.append(_draw_grain_word(axes, block, middle, mm_per_unit))
    return drawn


def _draw_grain_word(axes: Axes, block: Block, middle: Point, mm_per_unit: float) -> Artist:
    """Beside the arrow, along it, never upside down."""
    along = math.remainder(block.grain or 0.0, math.pi)
    x, y = np.add(middle, block.letter * np.array([-math.sin(along), math.cos(along)]))
    size = 0.8 * block.letter / CAPITAL / POINT_MM / mm_per_unit
    word = axes.text(x, y, "grain", fontsize=size, family="DejaVu Sans", ha="center", va="center", clip_on=True)
    word.set(rotation=math.degrees(along), rotation_mode="anchor")
    return word
