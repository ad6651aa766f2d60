"""Stretches of an edge that nobody measured, drawn dashed over the edge's full line, in every picture and on paper."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from digitize.model.pattern import Pattern
from digitize.rebuild.path import Path

CHORD_MM = 0.002
DASHES = (0, (3, 2))


def draw_invented(axes: Axes, pattern: Pattern, width: float, ground: str, colour: str = "black") -> list[Artist]:
    """Dashes along each invented stretch; ``width`` is the edge line's, points; ``ground`` hides that line's ink."""
    artists: list[Artist] = []
    for stretch in pattern.invented:
        segments = Path(pattern.outline.loops[stretch.loop]).cut(stretch.start_mm, stretch.end_mm)
        points = np.vstack([s.flattened(CHORD_MM) for s in segments])
        artists += axes.plot(*points.T, color=ground, linewidth=1.5 * width, solid_capstyle="butt")
        artists += axes.plot(*points.T, color=colour, linewidth=width, linestyle=DASHES, dash_capstyle="butt")
    return artists
