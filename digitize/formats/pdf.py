"""The printable sheets: squares, markers, check lines and words at true size, one page each."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from shapely.geometry.polygon import orient

from digitize.model.errors import InputError
from digitize.model.sheet import CHECK_LINE_MM, Sheet
from digitize.vision.checkerboard import marker_cells, marker_squares

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
INCH_MM = 25.4
PRINTABLE_MM = 6.35  # every common printer reaches to here from the paper's edge
WHITE_MM = 8.0  # left blank round the squares
LINE_MM = 9.3  # from the squares to a check line
TICK_MM = 1.2  # half the length of a tick at its ends
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


def unscaled(pdf: bytes) -> bytes:
    """The PDF with /PrintScaling /None in its catalogue, added as an incremental update.

    Source: ISO 32000-1:2008, 7.5.6 (updates), 12.2 table 150 (PrintScaling, PDF 1.6); from memory.
    """
    trailer = pdf[pdf.rindex(b"trailer") :]
    start, root = (int(_found(pattern, trailer)[1]) for pattern in (rb"startxref\s+(\d+)", rb"/Root (\d+) 0 R"))
    size = _found(rb"/Size \d+", trailer)[0]
    entries = _found(rb"\n%d 0 obj\s*<<(.*?)>>\s*endobj" % root, pdf)[1]
    catalogue = b"%d 0 obj\n<<%b /Version /1.6 /ViewerPreferences << /PrintScaling /None >> >>\nendobj\n" % (
        root,
        entries,
    )
    body = pdf.rstrip(b"\n") + b"\n"
    table = b"xref\n%d 1\n%010d 00000 n \ntrailer\n<< %b /Root %d 0 R /Prev %d >>\n" % (
        root,
        len(body),
        size,
        root,
        start,
    )
    return body + catalogue + table + b"startxref\n%d\n%%%%EOF\n" % (len(body) + len(catalogue))


def _found(pattern: bytes, data: bytes) -> re.Match[bytes]:
    match = re.search(pattern, data, re.DOTALL)
    if match is None:
        raise ValueError(f"{pattern!r} is not in the PDF")
    return match


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
    figure = Figure(figsize=(page.size[0] / INCH_MM, page.size[1] / INCH_MM))
    FigureCanvasPdf(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(
        xlim=(-page.corner[0], page.size[0] - page.corner[0]), ylim=(-page.corner[1], page.size[1] - page.corner[1])
    )
    axes.set_axis_off()
    axes.add_patch(PathPatch(_black(sheet), facecolor="black", linewidth=0))
    _check_lines(axes, sheet)
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


def _check_lines(axes: Axes, sheet: Sheet) -> None:
    """One along x below the squares, one along y on their right: 150 mm between the middles of the ticks."""
    place, end = _span(sheet)[0] + LINE_MM, CHECK_LINE_MM
    along_x = np.array([[(0.0, 0.0), (end, 0.0)], *([(x, -TICK_MM), (x, TICK_MM)] for x in (0.0, end))])
    lines = [*(along_x - (0.0, LINE_MM)), *(along_x[..., ::-1] + (place, 0.0))]
    axes.add_collection(LineCollection(lines, colors="black", linewidths=0.6, capstyle="butt"))
    label = f"{CHECK_LINE_MM:g} mm"
    axes.text(CHECK_LINE_MM + 2, -LINE_MM, label, fontsize=7, va="center_baseline")
    axes.text(place, CHECK_LINE_MM + 2, label, fontsize=7, rotation=90, ha="center", va="bottom")


def _words(axes: Axes, sheet: Sheet) -> None:
    if sheet.number is not None:
        axes.text(sheet.size[0], -LINE_MM, sheet.name, fontsize=9, weight="bold", ha="right", va="center_baseline")
    advice = PLAIN_ADVICE.format(sheet.across, sheet.down, sheet.square) if sheet.number is None else ADVICE
    axes.text(0, -WORDS_MM, advice, fontsize=6.5, va="center_baseline")
