"""How a drawing larger than its paper is cut into pages, and where words find room in it. Millimetres, y up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from digitize.formats.paper import PRINTABLE_MM, Paper
from digitize.model.errors import InputError
from digitize.model.segment import Point

LEFT_MM, BELOW_MM = 7.0, 19.0  # kept beside and below the window for check lines and words
OVERLAP_MM = 12.0  # of neighbouring pages: room for tape, and for register marks seen whole on both
LEAST_WINDOW_MM = 100.0  # a narrower window has no room for the words below it
MOST_PAGES = 300
GRID = 48  # places tried each way


@dataclass(frozen=True)
class Layout:
    """Pages side by side, each a window on the drawing.

    page : width and height of each, mm
    window : width and height of what each shows of the drawing, mm
    origin : lower left of the lowest window on the left, in the drawing
    """

    page: tuple[float, float]
    window: tuple[float, float]
    columns: int
    rows: int
    origin: Point

    @property
    def tiles(self) -> list[Tile]:
        """As they are numbered: row by row from the upper left."""
        return [Tile(self, row, column) for row in range(self.rows) for column in range(self.columns)]


@dataclass(frozen=True)
class Tile:
    """One page; row 0 is the uppermost."""

    layout: Layout
    row: int
    column: int

    @property
    def number(self) -> int:
        return self.row * self.layout.columns + self.column + 1

    @property
    def corner(self) -> Point:
        """Lower left of the window, in the drawing."""
        (x, y), (width, height) = self.layout.origin, self.layout.window
        up = self.layout.rows - 1 - self.row
        return x + self.column * (width - OVERLAP_MM), y + up * (height - OVERLAP_MM)

    @property
    def box(self) -> shapely.Polygon:
        (x, y), (width, height) = self.corner, self.layout.window
        return shapely.box(x, y, x + width, y + height)

    @property
    def own(self) -> shapely.Polygon:
        """What only this page shows of the drawing."""
        x0, y0, x1, y1 = self.box.bounds
        first, last = self.column == 0, self.column == self.layout.columns - 1
        top, bottom = self.row == 0, self.row == self.layout.rows - 1
        left, right = 0.0 if first else OVERLAP_MM, 0.0 if last else OVERLAP_MM
        below, above = 0.0 if bottom else OVERLAP_MM, 0.0 if top else OVERLAP_MM
        return shapely.box(x0 + left, y0 + below, x1 - right, y1 - above)


def layout(bounds: tuple[float, float, float, float], paper: Paper) -> Layout:
    """The pages for a drawing of these bounds (x0, y0, x1, y1), upright or lying, whichever takes fewer.

    Raises
    ------
    InputError if the paper has no room inside its margins, or far too many pages would be needed
    """
    size = bounds[2] - bounds[0], bounds[3] - bounds[1]
    sheets = [(paper.width, paper.height), (paper.height, paper.width)]
    options = [_laid_out(bounds, _cut_from_roll(size, sheet) if paper.roll else sheet) for sheet in sheets]
    possible = [option for option in options if min(option.window) >= LEAST_WINDOW_MM]
    if not possible:
        raise InputError(
            f"Inside its margins the {paper.name} has room for {max(0.0, min(options[0].window)):.0f} mm, "
            f"and at least {LEAST_WINDOW_MM:.0f} mm are needed",
            "take wider paper",
        )
    best = min(possible, key=lambda o: (o.columns * o.rows, o.page[0] * o.page[1] if paper.roll else 0.0))
    if best.columns * best.rows > MOST_PAGES:
        raise InputError(
            f"The drawing of {size[0]:.0f} x {size[1]:.0f} mm takes {best.columns * best.rows} pages of {paper.name}, "
            f"and at most {MOST_PAGES} are printed",
            "take larger paper or a roll",
        )
    return best


def _cut_from_roll(size: tuple[float, float], sheet: tuple[float, float]) -> tuple[float, float]:
    """A page as long as the drawing needs; the sheet's longer side is the roll's length."""
    needed = [max(s, LEAST_WINDOW_MM) + m for s, m in zip(size, _margins(), strict=True)]
    along = 0 if sheet[0] > sheet[1] else 1
    page = list(sheet)
    page[along] = min(page[along], needed[along])
    return page[0], page[1]


def _margins() -> tuple[float, float]:
    return LEFT_MM + 2 * PRINTABLE_MM, BELOW_MM + 2 * PRINTABLE_MM


def _laid_out(bounds: tuple[float, float, float, float], page: tuple[float, float]) -> Layout:
    window = page[0] - _margins()[0], page[1] - _margins()[1]
    counts, starts = [], []
    for low, high, side in zip(bounds[:2], bounds[2:], window, strict=True):
        step = max(side - OVERLAP_MM, 1.0)
        count = max(1, math.ceil((high - low - OVERLAP_MM - 1e-9) / step))
        covered = count * side - (count - 1) * OVERLAP_MM
        counts.append(count)
        starts.append((low + high - covered) / 2)
    return Layout(page, window, counts[0], counts[1], (starts[0], starts[1]))


def room_for(shapes: Sequence[shapely.Geometry], width: float, height: float, clearance: float) -> Point | None:
    """Middle of a box that lies in one of the shapes, ``clearance`` (mm) from its edges, and as far as it can.

    None where there is no such place, as far as a grid of GRID x GRID places shows.
    """
    best: tuple[float, Point] | None = None
    for shape in shapes:
        inner = shapely.simplify(shape, clearance / 10).buffer(-clearance)
        if inner.is_empty:
            continue
        x0, y0, x1, y1 = inner.bounds
        x, y = (c.ravel() for c in np.meshgrid(np.linspace(x0, x1, GRID), np.linspace(y0, y1, GRID)))
        boxes = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
        shapely.prepare(inner)
        inside = np.flatnonzero(shapely.contains(inner, boxes))
        if len(inside):
            away = shapely.distance(boxes[inside], inner.boundary)
            k = int(np.argmax(away))
            if best is None or away[k] > best[0]:
                best = float(away[k]), (float(x[inside[k]]), float(y[inside[k]]))
    return best[1] if best else None
