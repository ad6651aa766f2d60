"""A pattern at full size on paper: PDF pages with overlap, register marks, a tile map and check lines both ways."""

from __future__ import annotations

import io
from collections.abc import Iterator

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from digitize.formats.invented import draw_invented
from digitize.formats.paper import PRINTABLE_MM, Paper, blank_page, check_lines, unscaled
from digitize.formats.png import drawable
from digitize.formats.tiling import BELOW_MM, LEFT_MM, OVERLAP_MM, Layout, Tile, layout
from digitize.formats.words import Placed, below, draw, marks, placed, placed_below
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Arc

BORDER_MM = 2.0  # round the part, so that its line is not cut by the window
EDGE_PT = 0.4  # 0.14 mm: the line's middle is the edge
CHORD_MM = 0.002  # far below any printer's dot
CENTRE_MM = 3.0  # half the cross in a round hole
CROSS_MM = 4.0  # half a register mark
SEAM_WORDS_MM = 2.0  # from the line down an overlap to its words
CHECK_MM = (150.0, 100.0, 50.0)  # the longest that fits
CHECK_ROOM_MM = 16.0  # for its label
MAP_MM = (34.0, 15.0)  # largest tile map
GREY = "0.45"
ADVICE = "Print at 100 %, not “fit to page”. Measure both lines before use."
JOIN = "Lay the crosses of neighbouring pages over each other, then tape."


def fullsize_pdf(pattern: Pattern, paper: Paper) -> bytes:
    """The pattern 1:1 as a PDF that asks the viewer not to scale it, on as few pages as its paper allows.

    Raises
    ------
    InputError if the paper is too small to print on
    """
    words, pages = arranged(pattern, paper)
    stream = io.BytesIO()
    title = {"Title": drawable(pattern.name), "CreationDate": None}
    with PdfPages(stream, metadata=title) as pdf:
        for tile in pages.tiles:
            pdf.savefig(_page(pattern, words, tile, paper))
    return unscaled(stream.getvalue())


def arranged(pattern: Pattern, paper: Paper) -> tuple[Placed, Layout]:
    """Where the marks go, inside the part or below it, and the pages that show all of it."""
    bounds = pattern.outline.bounds()
    pages = layout(_bordered(bounds), paper)
    words = placed(pattern, pages)
    if words:
        return words, pages
    strip = below(pattern)
    x0, x1 = min(bounds[0], strip[0]), max(bounds[2], strip[2])
    pages = layout(_bordered((x0, strip[1], x1, bounds[3])), paper)
    return placed_below(pattern, pages), pages


def _bordered(bounds: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = bounds
    return x0 - BORDER_MM, y0 - BORDER_MM, x1 + BORDER_MM, y1 + BORDER_MM


def _page(pattern: Pattern, words: Placed, tile: Tile, paper: Paper) -> Figure:
    (x, y), (width, height) = tile.corner, tile.layout.window
    lower_left = PRINTABLE_MM + LEFT_MM, PRINTABLE_MM + BELOW_MM
    figure, axes = blank_page(tile.layout.page, (lower_left[0] - x, lower_left[1] - y))
    window = Rectangle((x, y), width, height, transform=axes.transData)
    edge = axes.add_patch(PathPatch(outline_path(pattern.outline), fill=False, linewidth=EDGE_PT, joinstyle="miter"))
    dashed = draw_invented(axes, pattern, EDGE_PT, "white")
    centres = axes.add_collection(LineCollection(list(_centres(pattern.outline)), colors="black", linewidths=EDGE_PT))
    here = draw(axes, words) if shapely.intersects(words.box, tile.box) else []
    for artist in (edge, *dashed, centres, *here):
        artist.set_clip_path(window)
    _draw_seams(axes, tile)
    length = next(c for c in CHECK_MM if c + CHECK_ROOM_MM <= min(width, height))
    check_lines(axes, length, (x, y - 3.0), (x - 3.5, y))
    _draw_footer(axes, pattern, tile, paper)
    return figure


def outline_path(outline: Outline) -> Path:
    """All loops as one path, mm."""
    closed = [np.vstack([p := loop.flattened(CHORD_MM), p[:1]]) for loop in outline.loops]
    path = Path.make_compound_path(*(Path(points, closed=True) for points in closed))
    path.should_simplify = False  # matplotlib would drop points closer than 0.04 mm to the line
    return path


def _centres(outline: Outline) -> Iterator[np.ndarray]:
    """A cross in each round hole, for the point of a drill."""
    for hole in outline.holes:
        if len(hole.segments) == 1 and isinstance(hole.segments[0], Arc):
            reach = min(CENTRE_MM, hole.segments[0].radius / 2)
            for direction in ((reach, 0.0), (0.0, reach)):
                yield np.array(hole.segments[0].centre) + np.outer([-1, 1], direction)


def _draw_seams(axes: Axes, tile: Tile) -> None:
    """A dashed line down the middle of each overlap, with crosses that the page on its other side has too."""
    (x, y), (width, height) = tile.corner, tile.layout.window
    columns = tile.layout.columns
    sides = [  # is there a neighbour, its number, from where to where the seam runs
        (tile.column > 0, tile.number - 1, (x + OVERLAP_MM / 2, y), (0.0, height)),
        (tile.column < columns - 1, tile.number + 1, (x + width - OVERLAP_MM / 2, y), (0.0, height)),
        (tile.row > 0, tile.number - columns, (x, y + height - OVERLAP_MM / 2), (width, 0.0)),
        (tile.row < tile.layout.rows - 1, tile.number + columns, (x, y + OVERLAP_MM / 2), (width, 0.0)),
    ]
    middle = np.array([x + width / 2, y + height / 2])
    for there, number, start, along in sides:
        if there:
            inward = np.sign(middle - start) * (
                SEAM_WORDS_MM if along[0] == 0 else 0,
                SEAM_WORDS_MM if along[1] == 0 else 0,
            )
            _draw_seam(axes, np.array(start), np.array(along), inward, number)


def _draw_seam(axes: Axes, start: np.ndarray, along: np.ndarray, aside: np.ndarray, neighbour: int) -> None:
    """From ``start`` along a side of the window; its words stand ``aside`` of it."""
    line = LineCollection([[start, start + along]], colors=GREY, linewidths=0.3, linestyles=(0, (8, 6)))
    axes.add_collection(line)
    for share in (0.2, 0.8):
        middle = start + share * along
        arms = [[middle - arm, middle + arm] for arm in ((CROSS_MM, 0.0), (0.0, CROSS_MM))]
        axes.add_collection(LineCollection(arms, colors="black", linewidths=0.3))
    x, y = start + 0.5 * along + aside
    text = axes.text(x, y, f"page {neighbour} joins here", fontsize=6, color=GREY, ha="center", va="center")
    text.set_rotation(90 if along[0] == 0 else 0)


def _draw_footer(axes: Axes, pattern: Pattern, tile: Tile, paper: Paper) -> None:
    (x, y), pages = tile.corner, tile.layout
    several = pages.columns * pages.rows > 1
    place = f"page {tile.number} of {pages.columns * pages.rows}, row {tile.row + 1}, column {tile.column + 1}"
    lines = [
        marks(pattern)[0],
        f"{place}, {paper.name}" if several else f"one page, {paper.name}",
        ADVICE,
        *([JOIN] if several else []),
    ]
    for i, line in enumerate(lines):
        weight = "bold" if i == 0 else "normal"
        size = 7 if i == 0 else 6
        axes.text(x, y - 7.6 - 3.1 * i, line, fontsize=size, weight=weight, va="center_baseline", parse_math=False)
    if several:
        _draw_map(axes, pattern, tile)


def _draw_map(axes: Axes, pattern: Pattern, tile: Tile) -> None:
    """All pages, small, this one shaded, at the right of the words below the window."""
    boxes = [t.box.bounds for t in tile.layout.tiles]
    x0, y0 = min(b[0] for b in boxes), min(b[1] for b in boxes)
    x1, y1 = max(b[2] for b in boxes), max(b[3] for b in boxes)
    scale = min(MAP_MM[0] / (x1 - x0), MAP_MM[1] / (y1 - y0))
    corner = np.add(tile.corner, (tile.layout.window[0] - scale * (x1 - x0), -BELOW_MM))
    for t, (a, b, c, d) in zip(tile.layout.tiles, boxes, strict=True):
        place = corner + scale * np.array([a - x0, b - y0])
        here = t.number == tile.number
        box = Rectangle(place, scale * (c - a), scale * (d - b), facecolor="0.85" if here else "none", edgecolor=GREY)
        axes.add_patch(box).set_linewidth(0.3)
        middle = place + scale * np.array([c - a, d - b]) / 2
        axes.text(middle[0], middle[1], str(t.number), fontsize=5, color=GREY, ha="center", va="center")
    for ring in _rings(pattern.outline):
        axes.plot(*(corner + scale * (ring - (x0, y0))).T, color="black", linewidth=0.4)


def _rings(outline: Outline) -> Iterator[np.ndarray]:
    shape = shapely.simplify(outline.polygon(0.1), 0.5)
    for ring in (shape.exterior, *shape.interiors):
        yield np.asarray(ring.coords)
