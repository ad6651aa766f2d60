"""The picture of a calibration: the grid points' residuals, where in the frame they lie, and what is known where."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from digitize.vision.lens import Calibration

WIDTH, DPI = 13.0, 110  # inches
PLOT, LINE, HEAD = 5.2, 0.23, 0.5  # inches: width of a plot, height of a line of notes, room over a plot and below it
ARROW_SHARE = 0.04  # of the frame's long side: length of the residual that 99 of 100 stay below
INK, POINT = "#10405a", "#1a1a1a"
LETTERS = 140  # of the notes' lines


def lens_page(calibration: Calibration, notes: Sequence[str]) -> bytes:
    """PNG: to the left the residuals as vectors, to the right the expected error on the bench and the grid points."""
    lines = [part for note in notes for part in textwrap.wrap(note, LETTERS)]
    width, height = calibration.profile.size
    plot, below = PLOT * height / width, LINE * (len(lines) + 1)
    whole = plot + below + 2 * HEAD
    figure = Figure(figsize=(WIDTH, whole), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    boxes = [
        (x / WIDTH, (below + HEAD) / whole, w / WIDTH, plot / whole)
        for x, w in ((0.7, PLOT), (6.6, PLOT), (11.95, 0.15))
    ]
    left, right, bar = (figure.add_axes(box) for box in boxes)
    _residuals(left, calibration)
    _knowledge(figure, right, bar, calibration)
    for k, line in enumerate(lines):
        figure.text(0.7 / WIDTH, (below - LINE * (k + 0.5)) / whole, line, fontsize=10, va="center", parse_math=False)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=DPI)
    return stream.getvalue()


def _frame(axes: Axes, size: tuple[int, int], title: str) -> None:
    axes.set(xlim=(-0.5, size[0] - 0.5), ylim=(size[1] - 0.5, -0.5), aspect="equal")
    axes.set_title(title, fontsize=11, loc="left")
    axes.tick_params(labelsize=8)
    axes.set_xlabel("px", fontsize=8)


def _residuals(axes: Axes, calibration: Calibration) -> None:
    size, (x, y) = calibration.profile.size, calibration.pixels.T
    long = float(np.percentile(np.linalg.norm(calibration.residuals, axis=1), 99)) + 1e-9
    zoom = ARROW_SHARE * max(size) / long
    dx, dy = calibration.residuals.T
    style = {"angles": "xy", "scale_units": "xy", "scale": 1.0, "width": 0.0015, "color": INK}
    axes.quiver(x, y, zoom * dx, zoom * dy, **style)
    rms = calibration.profile.rms_px
    _frame(axes, size, f"Residuals of {len(x)} grid points, {zoom:.0f} times enlarged: {rms:.3f} px RMS")


def _knowledge(figure: Figure, axes: Axes, bar: Axes, calibration: Calibration) -> None:
    size, field = calibration.profile.size, calibration.sigma_mm
    extent = (-0.5, size[0] - 0.5, size[1] - 0.5, -0.5)
    picture = axes.imshow(field, extent=extent, cmap="YlOrRd", vmin=0.0, interpolation="nearest")
    axes.plot(*calibration.pixels.T, ".", color=POINT, markersize=1.5)
    figure.colorbar(picture, cax=bar)
    bar.set_xlabel("mm", fontsize=8)
    bar.tick_params(labelsize=8)
    _frame(axes, size, "Grid points; error (1 sigma) to expect on a bench 700 mm away")
