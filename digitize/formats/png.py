"""The picture people look at first: the outline drawn on the photo, its corners, the grid points, the size in words."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.patheffects import Normal, Stroke
from PIL import Image

from digitize.model.outline import Outline
from digitize.model.segment import Points
from digitize.vision.photo import Photo
from digitize.vision.polyline import outward
from digitize.vision.view import View

LONG_SIDE_PX = 2000
FONT = get_font(findfont("DejaVu Sans"))  # matplotlib's own, always there
DPI = 100
PNG_EFFORT = 1  # of 9: four times as fast as the default 6, a seventh larger
CHORD_PX = 0.25  # how far a drawn chord may leave the curve
EDGE, RIM, GRID = "#40e0ff", "black", "#ffe14d"  # told apart by lightness, whatever the eye's colours
BAND_TIMES = 20  # a tenth of a millimetre is two on the bench
LETTER = 1 / 76  # height of the caption's letters by the picture's width: read at arm's length
LETTER_WIDTH = 0.66  # of their height, in bold


@dataclass(frozen=True)
class Band:
    """How well a loop's edge is known: at points (N, 2), bench mm, the true edge lies within ``half`` (N,) mm."""

    points: Points
    half: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Overlay:
    """What is drawn on the photo.

    outlines : bench mm, as on the bench
    bands : one for each loop that was measured; drawn BAND_TIMES as wide
    names : one for each outline
    height : of the outlines above the sheets, mm
    caption : the size and its uncertainty, then what else to know, one line each
    """

    outlines: Sequence[Outline]
    bands: Sequence[Band]
    names: Sequence[str]
    height: float
    caption: Sequence[str]


def overlay_png(photo: Photo, view: View, overlay: Overlay) -> bytes:
    """The photo, reduced to LONG_SIDE_PX, with the outlines drawn where the camera saw them."""
    picture = _reduced(photo)
    letter = picture.width * LETTER
    letters = int((1 / LETTER - 2) / LETTER_WIDTH)
    lines = [part for line in overlay.caption for part in textwrap.wrap(drawable(line), letters)]
    page = Image.new("RGBA", (picture.width, picture.height + round(letter * (1.6 * len(lines) + 1.0))), "white")
    page.paste(picture)
    page.alpha_composite(_drawn(photo, view, overlay, lines, page.size, picture.height / page.height))
    stream = io.BytesIO()
    page.convert("RGB").save(stream, "PNG", compress_level=PNG_EFFORT)
    return stream.getvalue()


def _drawn(
    photo: Photo, view: View, overlay: Overlay, lines: list[str], size: tuple[int, int], share: float
) -> Image.Image:
    """Lines and words alone, on a transparent page of ``size`` px, of whose height the photo takes ``share``."""
    inches = ((size[0] + 0.1) / DPI, (size[1] + 0.1) / DPI)  # matplotlib rounds pixels down
    figure = Figure(figsize=inches, dpi=DPI, facecolor="none")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 1.0 - share, 1.0, share))
    # The axes count in pixels of the full photo, pixel centres at integers.
    axes.set(xlim=(-0.5, photo.size[0] - 0.5), ylim=(photo.size[1] - 0.5, -0.5))
    axes.set_axis_off()
    letter = size[0] * LETTER
    _draw_grid_points(axes, view, letter)
    _draw_bands(axes, view, overlay)
    _draw_outlines(axes, view, overlay, letter)
    for i, line in enumerate(lines):
        y = 1.0 - share - letter * (1.3 + 1.6 * i) / size[1]
        weight, points = "bold" if i == 0 else "normal", letter * 72 / DPI
        figure.text(LETTER, y, line, fontsize=points, weight=weight, va="center_baseline", parse_math=False)
    stream = io.BytesIO()
    figure.savefig(stream, format="rgba", dpi=DPI)
    return Image.frombytes("RGBA", size, stream.getvalue())


def drawable(text: str) -> str:
    """The text with a question mark for each character the font does not have."""
    return "".join(c if FONT.get_char_index(ord(c)) else "?" for c in text)


def _reduced(photo: Photo) -> Image.Image:
    shrink = min(1.0, LONG_SIDE_PX / max(photo.size))
    size = (round(photo.size[0] * shrink), round(photo.size[1] * shrink))
    return Image.fromarray(photo.pixels).resize(size, Image.Resampling.BOX)


def _draw_grid_points(axes: Axes, view: View, letter: float) -> None:
    points = np.vstack([s.pixels for s in view.sightings])
    axes.plot(*points.T, linestyle="", marker="+", color=GRID, markersize=letter / 4, markeredgewidth=1.2)


def _draw_outlines(axes: Axes, view: View, overlay: Overlay, letter: float) -> None:
    under = [Stroke(linewidth=4.5, foreground=RIM), Normal()]
    chord = CHORD_PX * view.mm_per_px()
    for outline, name in zip(overlay.outlines, overlay.names, strict=True):
        for loop in outline.loops:
            closed = np.vstack([p := loop.flattened(chord), p[:1]])
            axes.plot(*_seen(view, closed, overlay).T, color=EDGE, linewidth=1.8, path_effects=under)
        if corners := outline.corners():
            seen = _seen(view, np.array(corners), overlay)
            axes.plot(*seen.T, "o", color="white", markeredgecolor=RIM, markersize=letter / 4.5, markeredgewidth=1.5)
        if len(overlay.outlines) > 1:
            middle = outline.polygon().representative_point()
            x, y = _seen(view, np.array([[middle.x, middle.y]]), overlay)[0]
            label = axes.text(x, y, drawable(name), fontsize=letter * 72 / DPI, color="white", parse_math=False)
            label.set(ha="center", path_effects=under)


def _draw_bands(axes: Axes, view: View, overlay: Overlay) -> None:
    for band in overlay.bands:
        aside = BAND_TIMES * band.half[:, None] * outward(band.points, 2)
        for side, other in (
            (1.0, 0.0),
            (0.0, -1.0),
        ):  # outside and inside the edge: no polygon crosses itself at a corner
            rim = [_seen(view, np.vstack([(q := band.points + k * aside), q[:1]]), overlay) for k in (side, other)]
            axes.fill(*np.vstack([rim[0], rim[1][::-1]]).T, color=EDGE, alpha=0.35, linewidth=0)


def _seen(view: View, points: Points, overlay: Overlay) -> Points:
    return view.image_from_bench(points, overlay.height)
