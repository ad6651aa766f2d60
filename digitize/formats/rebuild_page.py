"""A rebuilt pattern to look at: what it was made of thin and pale, the result bold, what was invented dashed."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.patheffects import Normal, Stroke

from digitize.formats.fullsize import outline_path
from digitize.formats.invented import draw_invented
from digitize.formats.png import drawable
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.rebuild.path import Path

INCHES, DPI = (11.0, 8.5), 160
WOODS = ("#f1e4cd", "#e2cba4", "#d8c0b0", "#cfd3b8", "#e6d5e0")  # one for each piece, told apart by their edges too
BEFORE, EDGE, INVENTED = "0.45", "black", "#c2410c"
EDGE_PT = 1.7
SHORT = 0.012  # of the picture's width: an invented stretch that is shorter is ringed
PER_LINE = 125  # letters


def rebuilt_png(pattern: Pattern, before: Sequence[Outline], words: Sequence[str]) -> bytes:
    """The picture.

    before : the outlines that the pattern was made of, laid where they ended up in its frame; several are numbered
    words : lines below; the pattern's name and size stand above
    """
    figure = Figure(figsize=INCHES, dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    lines = [part for line in words for part in textwrap.wrap(drawable(line), PER_LINE)]
    foot = 0.03 + 0.028 * len(lines)
    axes = figure.add_axes((0.03, foot + 0.02, 0.94, 0.90 - foot))
    for k, outline in enumerate(before):
        face = WOODS[k % len(WOODS)] if len(before) > 1 else "none"
        axes.add_patch(PathPatch(outline_path(outline), facecolor=face, edgecolor=BEFORE, linewidth=0.7))
        if len(before) > 1:
            middle = outline.polygon().representative_point()
            axes.text(middle.x, middle.y, str(k + 1), fontsize=13, color=BEFORE, ha="center", va="center")
    _draw_edges(axes, pattern)
    _ring_short(axes, pattern)
    axes.set_aspect("equal")
    axes.autoscale_view()
    axes.margins(0.04)
    axes.set_axis_off()
    width, height = pattern.size
    title = f"{drawable(pattern.name)}, {width:.2f} x {height:.2f} mm"
    figure.text(0.03, 0.96, title, fontsize=13, weight="bold", va="center", parse_math=False)
    for k, line in enumerate(lines):
        figure.text(0.03, foot - 0.01 - 0.028 * k, line, fontsize=9.5, va="center", parse_math=False)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=DPI, metadata={"Software": None})
    return stream.getvalue()


def _draw_edges(axes: Axes, pattern: Pattern) -> None:
    """Every loop in full line where it was measured, dashed where it was invented."""
    for loop in pattern.outline.loops:
        axes.plot(*np.vstack([p := loop.flattened(), p[:1]]).T, color=EDGE, linewidth=EDGE_PT)
    draw_invented(axes, pattern, EDGE_PT, "white", INVENTED)


def _ring_short(axes: Axes, pattern: Pattern) -> None:
    """Rings round invented stretches too short for a dash to be seen."""
    short = SHORT * max(pattern.size)
    for stretch in pattern.invented:
        path = Path(pattern.outline.loops[stretch.loop])
        length = (stretch.end_mm - stretch.start_mm) % path.length
        if length < short:
            at = path.points(np.array([stretch.start_mm + length / 2]))
            halo = [Stroke(linewidth=3.0, foreground="white"), Normal()]
            axes.plot(*at.T, "o", markersize=11, markerfacecolor="none", markeredgecolor=INVENTED, path_effects=halo)
