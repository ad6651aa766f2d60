"""The printable sheets: squares, markers, check lines and words at true size, one page each."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from shapely.geometry.polygon import orient

from digitize.formats.paper import PAPERS as ALL_PAPERS
from digitize.formats.paper import PRINTABLE_MM, TICK_MM, blank_page, check_lines, unscaled
from digitize.model.errors import InputError
from digitize.model.sheet import CHECK_LINE_MM, Sheet
from digitize.vision.checkerboard import marker_cells, marker_squares

PAPERS = {name: ALL_PAPERS[name] for name in ("A4", "Letter")}  # what a sheet of 180 x 240 mm is made for
WHITE_MM = 8.0  # left blank round the squares
LINE_MM = 9.3  # from the squares to a check line
WORDS_MM = 13.8  # from the squares to the middle of the line of instructions
LETTERS_MM = 1.6  # from there to below its letters
ADVICE = (
    "Print at 100 %, measure both lines, lay flat, round the part, not under it. "
    "Hold the camera overhead and lock its focus."
)
PLAIN_ADVICE = (
    "{} x {} x {:g} mm: print at 100 %, measure the whole board across and down, lay flat, beside the part, "
    "not under it. Camera overhead, focus locked."
)


@dataclass(frozen=True)
class Page:
    """A page and where the squares lie on it: their lower left corner, mm from the paper's lower left."""

    size: tuple[float, float]
    corner: tuple[float, float]


def sheets_pdf(sheets: Sequence[Sheet], paper: str) -> bytes:
    """The sheets as one PDF, a page each, that asks the viewer not to scale it.

    Raises
    ------
    InputError if a sheet does not fit the paper
    """
    stream = io.BytesIO()
    title = {"Title": "Sheets for digitize", "CreationDate": None}
    with PdfPages(stream, metadata=title) as pages:
        for sheet in sheets:
            pages.savefig(_drawn(sheet, _page(sheet, paper)))
    return unscaled(stream.getvalue())


def _page(sheet: Sheet, paper: str) -> Page:
    """The page, upright if all fits so, with the squares as central as the check lines allow."""
    width, height = _span(sheet)
    below, beside = WORDS_MM + LETTERS_MM + PRINTABLE_MM, LINE_MM + TICK_MM + PRINTABLE_MM
    for page in (PAPERS[paper], PAPERS[paper][::-1]):
        free = page[0] - width, page[1] - height
        if free[0] >= WHITE_MM + beside and free[1] >= WHITE_MM + below:
            return Page(page, (min(free[0] / 2, free[0] - beside), max(free[1] / 2, below)))
    room = [side - WHITE_MM - margin for side, margin in zip(PAPERS[paper], (beside, below), strict=True)]
    raise InputError(
        f"A board of {sheet.size[0]:g} x {sheet.size[1]:g} mm does not fit on {paper}, "
        f"which upright has room for {room[0]:.0f} x {room[1]:.0f} mm",
        "use fewer or smaller squares",
    )


def _span(sheet: Sheet) -> tuple[float, float]:
    """Width and height of the squares, or of the check lines with their words where those are longer, mm."""
    return max(sheet.size[0], CHECK_LINE_MM + 30.0), max(sheet.size[1], CHECK_LINE_MM + 15.0)


def _drawn(sheet: Sheet, page: Page) -> Figure:
    figure, axes = blank_page(page.size, page.corner)
    axes.add_patch(PathPatch(_black(sheet), facecolor="black", linewidth=0))
    check_lines(axes, CHECK_LINE_MM, (0.0, -LINE_MM), (_span(sheet)[0] + LINE_MM, 0.0))
    _words(axes, sheet)
    return figure


def _black(sheet: Sheet) -> Path:
    """All that is black, as one outline without inner borders, mm from the lower left of the squares."""
    row, column = np.nonzero(np.add.outer(np.arange(sheet.down), np.arange(sheet.across)) % 2 == 0)
    boxes = [_boxes(np.stack([column, sheet.down - 1 - row], axis=1) * sheet.square, sheet.square)]
    if sheet.number is not None:
        cells = marker_cells(sheet.number)
        cell = sheet.marker / cells.shape[1]
        margin = (sheet.square - sheet.marker) / 2
        marker, down, across = np.nonzero(cells)
        at_row, at_column = marker_squares()[marker].T
        x = at_column * sheet.square + margin + across * cell
        y = (sheet.down - at_row) * sheet.square - margin - (down + 1) * cell
        boxes.append(_boxes(np.stack([x, y], axis=1), cell))
    shapes = shapely.get_parts(shapely.union_all(np.concatenate(boxes), grid_size=1e-6))
    rings = [ring for shape in map(orient, shapes) for ring in (shape.exterior, *shape.interiors)]
    return Path.make_compound_path(*(Path(np.asarray(ring.coords), closed=True) for ring in rings))


def _boxes(corners: np.ndarray, side: float) -> np.ndarray:
    boxes: np.ndarray = shapely.box(corners[:, 0], corners[:, 1], corners[:, 0] + side, corners[:, 1] + side)
    return boxes


def _words(axes: Axes, sheet: Sheet) -> None:
    if sheet.number is not None:
        axes.text(sheet.size[0], -LINE_MM, sheet.name, fontsize=9, weight="bold", ha="right", va="center_baseline")
    advice = PLAIN_ADVICE.format(sheet.across, sheet.down, sheet.square) if sheet.number is None else ADVICE
    axes.text(0, -WORDS_MM, advice, fontsize=6.5, va="center_baseline")
