"""A comparison to look at: the deviations drawn along the master, magnified; the one-page report; a series' trend.

Material left on is drawn dark and outside the line, missing material light and inside it, what keeps within the zone
grey: three lightnesses and two sides, so that neither colour nor a colour printer is needed to read it.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.patheffects import Normal, Stroke

from digitize.compare.compare import Comparison
from digitize.compare.nearest import Floats
from digitize.compare.report import TOLD, measured, rows, series_table, verdict
from digitize.formats.paper import INCH_MM, PAPERS
from digitize.formats.png import drawable
from digitize.model.outline import Loop

LEFT_ON, MISSING, WITHIN, LINE = "#16325c", "#e8912d", "#e3e6ea", "black"
CLEAR = 0.04  # of the part's size: from a deviation to its label
HIGHEST = 0.06  # of the part's size: the largest deviation as drawn
MAGNIFICATIONS = [m * 10**k for k in range(4) for m in (1, 2, 5)]
FEW = 5  # stretches whose size stands in the picture; of more only the number
MARGIN_MM = 15.0
ASIDE = 0.04  # of the step between parts, so that the bars of both extremes are seen
PICTURE_INCHES, PICTURE_DPI = (11.0, 8.5), 160
WORDS_PER_LINE, BOLD_PER_LINE = 98, 82
ROW_POINTS, ROW_GAP = 8.5, 1.35  # letters of the report's lines, and a line's height by its letters'


def comparison_png(found: Comparison) -> bytes:
    """The picture alone."""
    figure = Figure(figsize=PICTURE_INCHES, dpi=PICTURE_DPI, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.03, 0.03, 0.94, 0.83))
    draw_deviations(axes, found)
    _text(figure, 0.03, 0.96, _title(found), 13, weight="bold")
    for i, line in enumerate(textwrap.wrap(drawable(verdict(found)), 125)[:2]):
        _text(figure, 0.03, 0.925 - 0.028 * i, line, 10.5)
    return _png(figure)


def report_pdf(found: Comparison, when: datetime) -> bytes:
    """One page: the picture, the verdict, the table, how it was measured, the date and both names."""
    figure = _page()
    _text(figure, _x(MARGIN_MM), _y(MARGIN_MM), _title(found), 14, weight="bold")
    _text(figure, _x(MARGIN_MM), _y(MARGIN_MM + 7), f"Compared on {when:%Y-%m-%d %H:%M %Z}".rstrip(), 9)
    told = [*rows(found), ("Measured", measured(found.part)), ("", measured(found.master))]
    lines = [line for label, text in told for line in _wrapped(label, text)]
    bold = len(_wrapped(*told[0]))
    step = ROW_POINTS * ROW_GAP / 72 * INCH_MM
    width, top = PAPERS["A4"][0] - 2 * MARGIN_MM, PAPERS["A4"][1] - MARGIN_MM - 12
    x0, x1, y0, y1 = _limits(found)
    height = min(width * (y1 - y0) / (x1 - x0), top - MARGIN_MM - step * len(lines) - 6)
    foot = top - height - 6
    whole = PAPERS["A4"]
    axes = figure.add_axes((_x(MARGIN_MM), (top - height) / whole[1], width / whole[0], height / whole[1]))
    draw_deviations(axes, found)
    for i, (label, text) in enumerate(lines):
        y = (foot - step * (i + 1)) / whole[1]
        _text(figure, _x(MARGIN_MM), y, label, ROW_POINTS, weight="bold")
        _text(figure, _x(MARGIN_MM + 24), y, text, ROW_POINTS, weight="bold" if i < bold else "normal")
    return _pdf(figure, _title(found))


def series_png(series: Sequence[Comparison]) -> bytes:
    """The trend of a series' extremes."""
    figure = Figure(figsize=PICTURE_INCHES, dpi=PICTURE_DPI, facecolor="white")
    FigureCanvasAgg(figure)
    draw_trend(figure.add_axes((0.08, 0.2, 0.89, 0.7)), series)
    _text(figure, 0.03, 0.95, _series_title(series), 13, weight="bold")
    return _png(figure)


def series_pdf(series: Sequence[Comparison], when: datetime) -> bytes:
    """One page: the trend, the table, the date and the master's name."""
    figure = _page()
    _text(figure, _x(MARGIN_MM), _y(MARGIN_MM), _series_title(series), 14, weight="bold")
    _text(figure, _x(MARGIN_MM), _y(MARGIN_MM + 7), f"Compared on {when:%Y-%m-%d %H:%M %Z}".rstrip(), 9)
    draw_trend(figure.add_axes((0.14, 0.6, 0.79, 0.3)), series)
    columns = np.cumsum([MARGIN_MM, 46, 32, 20, 24, 18, 26])
    for i, line in enumerate(series_table(series)[:45]):
        for x, word in zip(columns, line, strict=True):
            weight = "bold" if i == 0 else "normal"
            _text(figure, _x(float(x)), 0.5 - 0.011 * i, textwrap.shorten(word, 26, placeholder="…"), 8, weight=weight)
    _text(figure, _x(MARGIN_MM), _x(MARGIN_MM) / 2, measured(series[0].master), ROW_POINTS)
    return _pdf(figure, _series_title(series))


def draw_deviations(axes: Axes, found: Comparison) -> None:
    """The master with the part's deviations along it, magnified as stated, numbered stretches, corners and zone."""
    span = _span(found)
    magnified = magnification(found, span)
    axes.set_aspect("equal")
    axes.set_axis_off()
    x0, x1, y0, y1 = _limits(found)
    axes.set(xlim=(x0, x1), ylim=(y0, y1))
    if found.how.zone:
        _draw_zone(axes, found, found.how.zone / 2 * magnified)
    for loop, (chain, pair) in enumerate(zip(found.master.outline.loops, found.registration.pairs, strict=True)):
        _draw_line(axes, chain, LINE, 1.1 if pair is not None else 0.8, "-" if pair is not None else ":")
        if pair is not None:
            _draw_band(axes, found, loop, magnified)
    for loop in found.registration.extra:
        _draw_line(axes, found.placed.loops[loop], LINE, 0.8, "--")
    _draw_words(axes, found, span, magnified)
    _draw_legend(axes, found, magnified)


def magnification(found: Comparison, span: float) -> int:
    """The largest round number of times by which the deviations can be drawn."""
    low, high = found.deviations.extremes
    most = max(-low, high, (found.how.zone or 0.0) / 2, 1e-9)
    return max([m for m in MAGNIFICATIONS if m * most <= HIGHEST * span], default=1)


def draw_trend(axes: Axes, series: Sequence[Comparison]) -> None:
    """The least and the greatest deviation of each part, with their uncertainty, between the limits of the zone."""
    low, high = (np.array([found.deviations.extremes[i] for found in series]) for i in (0, 1))
    spread = np.array([_at_extremes(found) for found in series]).T
    place = np.arange(len(series))
    style: dict[str, Any] = {"capsize": 3, "linewidth": 1.3, "markersize": 7, "markeredgecolor": LINE, "ecolor": LINE}
    axes.errorbar(place - ASIDE, high, spread[1], fmt="^-", color=LEFT_ON, label="greatest (material left on)", **style)
    axes.errorbar(place + ASIDE, low, spread[0], fmt="v--", color=MISSING, label="least (material missing)", **style)
    axes.axhline(0.0, color=LINE, linewidth=0.6)
    if zone := series[0].how.zone:
        for side in (zone / 2, -zone / 2):
            axes.axhline(side, color=LINE, linewidth=1.0, linestyle=(0, (6, 3)))
        axes.annotate(
            f"zone {zone:g} mm", (0.995, zone / 2), xycoords=("axes fraction", "data"), ha="right", va="bottom"
        )
    names = [textwrap.shorten(drawable(found.part.name), 24, placeholder="…") for found in series]
    axes.set_xticks(place, names, rotation=30, ha="right", fontsize=8, parse_math=False)
    axes.set_ylabel("deviation, mm (bars: U, k = 2)")
    axes.margins(0.06, 0.15)
    axes.grid(axis="y", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.legend(loc="best", fontsize=8, framealpha=0.9)


def _at_extremes(found: Comparison) -> tuple[float, float]:
    d = found.deviations
    judged = np.flatnonzero(d.judged)
    places = (judged[np.argmin(d.value[judged])], judged[np.argmax(d.value[judged])])
    return float(d.expanded[places[0]]), float(d.expanded[places[1]])


def _draw_line(axes: Axes, loop: Loop, colour: str, width: float, style: str) -> None:
    closed = np.vstack([p := loop.flattened(0.02), p[:1]])
    axes.plot(*closed.T, color=colour, linewidth=width, linestyle=style, zorder=4, solid_joinstyle="miter")


def _draw_band(axes: Axes, found: Comparison, loop: int, magnified: int) -> None:
    """A quadrilateral from each station to the next, between the line and where the part lies."""
    d, stations = found.deviations, found.deviations.stations
    here = np.flatnonzero(stations.loop == loop)
    here = here[np.argsort(stations.along[here], kind="stable")]
    after = np.roll(here, -1)
    points = stations.points
    half = (found.how.zone or 0.0) / 2
    tip = points + d.way * (d.value * magnified)[:, None]
    quads = np.stack([points[here], points[after], tip[after], tip[here]], axis=1)
    size = np.maximum(np.abs(d.value[here]), np.abs(d.value[after]))
    positive = d.value[here] + d.value[after] > 0
    colours = np.where(size <= half, WITHIN, np.where(positive, LEFT_ON, MISSING))
    axes.add_collection(PolyCollection(list(quads), facecolors=colours, edgecolors=colours, linewidths=0.3, zorder=2))
    axes.plot(*_closed(tip[here]).T, color=LINE, linewidth=0.5, zorder=3)


def _draw_zone(axes: Axes, found: Comparison, half: float) -> None:
    """The limits of the zone: envelopes of circles about the master's line (ISO 1101)."""
    for distance in (half, -half):
        for shape in shapely.get_parts(found.master.outline.polygon(0.05).buffer(distance)):
            for ring in (shape.exterior, *shape.interiors):
                axes.plot(*np.asarray(ring.coords).T, color="#555555", linewidth=0.6, linestyle=(0, (5, 3)), zorder=3)


def _span(found: Comparison) -> float:
    x0, y0, x1, y1 = found.master.outline.bounds()
    return max(x1 - x0, y1 - y0)


def _limits(found: Comparison) -> tuple[float, float, float, float]:
    """x and y of the drawing, mm: the master, and round it the deviations, their labels and the legend."""
    x0, y0, x1, y1 = found.master.outline.bounds()
    pad = 2 * HIGHEST * _span(found)
    return x0 - 1.6 * pad, x1 + 1.6 * pad, y0 - 1.4 * pad, y1 + pad * 0.8


def _closed(points: Floats) -> Floats:
    return np.vstack([points, points[:1]])


def _draw_words(axes: Axes, found: Comparison, span: float, magnified: int) -> None:
    """Numbers of corners inside the line, numbers and sizes of the worst stretches outside it, loops amiss."""
    halo = [Stroke(linewidth=2.5, foreground="white"), Normal()]
    for edge in found.prepared.edges:
        point, outward = found.prepared.curves[edge.loop].at(np.array([edge.start]))
        x, y = point[0] - outward[0] * 0.022 * span
        label = axes.text(x, y, str(edge.number), fontsize=8, color="#333333", ha="center", va="center", style="italic")
        label.set(path_effects=halo, zorder=6)
        if edge in found.datums:
            along = np.linspace(edge.start, edge.end, 200)
            axes.plot(*found.prepared.curves[edge.loop].at(along)[0].T, color=LINE, linewidth=3.0, zorder=4)
    few = len(found.stretches) <= FEW
    for number, stretch in enumerate(found.stretches[:TOLD], start=1):
        curves = found.prepared.curves[stretch.loop]
        along = curves.nearest(np.array([stretch.at])).along
        outward = curves.at(along)[1][0]
        clear = max(stretch.extreme, 0.0) * magnified + CLEAR * span
        x, y = np.asarray(stretch.at) + outward * clear
        side = "left" if outward[0] > 0.5 else "right" if outward[0] < -0.5 else "center"
        box = {"boxstyle": "round,pad=0.25", "facecolor": "white", "edgecolor": LINE, "linewidth": 0.8}
        label = axes.text(
            x,
            y,
            f"{number}:  {stretch.extreme:+.2f} mm" if few else str(number),
            fontsize=8.5,
            ha=side,
            va="center",
            bbox=box,
        )
        label.set_zorder(7)
        axes.plot(*np.array([stretch.at, (x, y)]).T, color=LINE, linewidth=0.6, zorder=5)
    for places, word in ((found.missing, "missing"), (found.extra, "too many")):
        for place in places:
            axes.text(*place, word, fontsize=8.5, ha="center", va="center", weight="bold", path_effects=halo, zorder=7)


def _draw_legend(axes: Axes, found: Comparison, magnified: int) -> None:
    within = "within the zone" if found.how.zone else "no deviation"
    words = [(LEFT_ON, "material left on"), (MISSING, "material missing"), (WITHIN, within)]
    patches = [Patch(facecolor=c, edgecolor=LINE, linewidth=0.5, label=w) for c, w in words]
    zone = f"dashed: zone {found.how.zone:g} mm; " if found.how.zone else ""
    title = f"deviations magnified x {magnified}; {zone}small numbers: a corner, and the edge that begins there"
    legend = axes.legend(
        handles=patches, loc="lower center", ncols=3, fontsize=8.5, title=title, title_fontsize=8.5, frameon=False
    )
    legend.set_zorder(8)


def _wrapped(label: str, text: str) -> list[tuple[str, str]]:
    bold = label == "Verdict"
    lines = textwrap.wrap(drawable(text), BOLD_PER_LINE if bold else WORDS_PER_LINE) or [""]
    return [(label if i == 0 else "", line) for i, line in enumerate(lines)]


def _title(found: Comparison) -> str:
    return textwrap.shorten(f"{found.part.name} against its master {found.master.name}", 80, placeholder="…")


def _series_title(series: Sequence[Comparison]) -> str:
    return textwrap.shorten(f"{len(series)} parts against their master {series[0].master.name}", 80, placeholder="…")


def _text(figure: Figure, x: float, y: float, text: str, size: float, weight: str = "normal") -> None:
    figure.text(x, y, drawable(text), fontsize=size, weight=weight, va="baseline", parse_math=False)


def _page() -> Figure:
    figure = Figure(figsize=(PAPERS["A4"][0] / INCH_MM, PAPERS["A4"][1] / INCH_MM))
    FigureCanvasPdf(figure)
    return figure


def _x(mm: float) -> float:
    return mm / PAPERS["A4"][0]


def _y(mm: float) -> float:
    """From the top edge."""
    return 1 - mm / PAPERS["A4"][1]


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=PICTURE_DPI)
    return stream.getvalue()


def _pdf(figure: Figure, title: str) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="pdf", metadata={"Title": title, "CreationDate": None})
    return stream.getvalue()
