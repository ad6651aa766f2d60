"""Paper at true scale: its sizes, pages drawn in millimetres, check lines, and a PDF that asks not to be scaled."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from digitize.model.errors import InputError
from digitize.model.segment import Point
from digitize.model.units import parse_length

INCH_MM = 25.4
PRINTABLE_MM = 6.35  # every common printer reaches to here from the paper's edge
PAPERS = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4), "Tabloid": (279.4, 431.8)}
ROLL = "roll:"
WIDEST_ROLL_MM = 2000.0
LONGEST_PAGE_MM = 5000.0  # PDF 1.7 ends at 14 400 units of 1/72 inch, 5080 mm (ISO 32000-1, annex C; from memory)
TICK_MM = 1.2  # half the length of a tick at a check line's ends
INK_PT = 0.6  # width of check lines


@dataclass(frozen=True)
class Paper:
    """Paper to print on, upright.

    height : mm; of a roll, the longest page
    """

    name: str
    width: float
    height: float
    roll: bool = False


def parse_paper(text: str) -> Paper:
    """``A4``, ``A3``, ``Letter``, ``Tabloid``, or a roll by its width, like ``roll:610mm``; raises InputError."""
    word = text.strip()
    if word.lower().startswith(ROLL):
        width = parse_length(word[len(ROLL) :], "width of the roll", at_most=WIDEST_ROLL_MM)
        return Paper(f"roll of {width:g} mm", width, LONGEST_PAGE_MM, roll=True)
    name = {known.lower(): known for known in PAPERS}.get(word.lower())
    if name is None:
        known = ", ".join(PAPERS)
        raise InputError(f"“{text}” is not a paper that is known", f"choose {known}, or a roll like {ROLL}610mm")
    return Paper(name, *PAPERS[name])


def blank_page(size: tuple[float, float], corner: Point) -> tuple[Figure, Axes]:
    """A page of ``size`` mm, drawn on in millimetres from ``corner`` (mm from the paper's lower left)."""
    figure = Figure(figsize=(size[0] / INCH_MM, size[1] / INCH_MM))
    FigureCanvasPdf(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(-corner[0], size[0] - corner[0]), ylim=(-corner[1], size[1] - corner[1]))
    axes.set_axis_off()
    return figure, axes


def check_lines(axes: Axes, length: float, below: Point, beside: Point) -> None:
    """One along x from ``below``, one along y from ``beside``: ``length`` mm between the middles of their ticks."""
    along_x = np.array([[(0.0, 0.0), (length, 0.0)], *([(x, -TICK_MM), (x, TICK_MM)] for x in (0.0, length))])
    lines = [*(along_x + below), *(along_x[..., ::-1] + beside)]
    axes.add_collection(LineCollection(lines, colors="black", linewidths=INK_PT, capstyle="butt"))
    label = f"{length:g} mm"
    axes.text(below[0] + length + 2, below[1], label, fontsize=7, va="center_baseline")
    axes.text(beside[0], beside[1] + length + 2, label, fontsize=7, rotation=90, ha="center", va="bottom")


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
