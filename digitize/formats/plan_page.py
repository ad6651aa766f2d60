"""A plan as one page to pin over the bench: cautions, the drawing, and tables of runs, corners, grain, saw and depth.

Letters are read at arm's length: none below LEAST_PT, numbers in the drawing well above.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from digitize.formats.paper import INCH_MM, Paper, blank_page
from digitize.formats.plan_picture import CLIMB, DASH, INK, SAW, draw_plan, room_wanted, warning_sign
from digitize.formats.png import drawable
from digitize.formats.textlines import POINT, columned, wrapped, write
from digitize.shop.plan import Plan
from digitize.shop.told import cutter_words, depth_words, left_lines, saw_words, setup_words, tip_words

MARGIN = 9.0
GUTTER = 6.0
TITLE_PT, SET_UP_PT = 17.0, 10.0
BODY_PT, LEAST_PT = 9.5, 8.0  # capitals of 2.4 and 2.1 mm
LEADING = 1.3
HEADING = 1.15  # of the body's letters
LEGEND = 12.0  # height of the legend, mm
LEAST_DRAWING, MOST_DRAWING = 90.0, 0.52  # height: mm, and share of the room below the cautions
GRAIN_PLOT = 24.0  # height, mm
PNG_DPI = 160
PLOT_ROOM = GRAIN_PLOT + 9.0
SIZES = (BODY_PT, 9.0, 8.5, LEAST_PT)
MORE = "more in the terminal's summary"


@dataclass(frozen=True)
class Section:
    """A heading and its lines, which are set in where they wrap."""

    heading: str
    lines: tuple[str, ...]


def plan_png(found: Plan, name: str, paper: Paper) -> bytes:
    """The page as a picture."""
    figure = _page(found, name, paper)
    FigureCanvasAgg(figure)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return stream.getvalue()


def plan_pdf(found: Plan, name: str, paper: Paper) -> bytes:
    """The page as a PDF."""
    stream = io.BytesIO()
    title = {"Title": drawable(f"Plan for {name}"), "CreationDate": None}
    _page(found, name, paper).savefig(stream, format="pdf", metadata=title)
    return stream.getvalue()


def _page(found: Plan, name: str, paper: Paper) -> Figure:
    """Cautions on top; below a wide part its tables, beside a tall part the same."""
    figure, axes = blank_page((paper.width, paper.height), (0.0, 0.0))
    top = _draw_head(axes, found, name, paper)
    top = _draw_cautions(axes, found, paper, top)
    width, height = room_wanted(found)
    inner = paper.width - 2 * MARGIN
    tall = height > 1.5 * width
    if tall:
        half = (inner - GUTTER) / 2
        box = (MARGIN, MARGIN + LEGEND * 2, MARGIN + half, top)
        columns = [(MARGIN + half + GUTTER, half)]
        tables = (MARGIN, top)
    else:
        left = top - MARGIN - LEGEND - _needed(found, (inner - GUTTER) / 2)
        deep = max(min(inner * height / width + 20.0, left, MOST_DRAWING * (top - MARGIN)), LEAST_DRAWING)
        box = (MARGIN, top - deep, MARGIN + inner, top)
        half = (inner - GUTTER) / 2
        columns = [(MARGIN, half), (MARGIN + half + GUTTER, half)]
        tables = (MARGIN, top - deep - LEGEND)
    draw_plan(axes, found, box)
    _draw_legend(axes, (box[0], box[1] - (2 * LEGEND if tall else LEGEND)), box[2] - box[0], tall)
    _draw_tables(figure, axes, found, columns, tables)
    return figure


def _draw_head(axes: Axes, found: Plan, name: str, paper: Paper) -> float:
    """Name and set-up; returns where the rest begins."""
    y = paper.height - MARGIN - TITLE_PT * POINT * 0.8
    title = textwrap.shorten(drawable(name), 44, placeholder="…") or "Part"
    write(axes, MARGIN, y, title, TITLE_PT, bold=True)
    width, height = room_wanted(found)
    size = f"{width:.1f} x {height:.1f} mm" + (f", stock {found.stock_mm:g} mm" if found.stock_mm else "")
    text = axes.text(paper.width - MARGIN, y, size, fontsize=12, ha="right", va="baseline")
    text.set_parse_math(False)
    y -= SET_UP_PT * POINT * LEADING * 1.25
    seen = "as the work lies, seen from above" if found.flipped else "seen from above"
    for part in wrapped(_capital(f"{setup_words(found)}; {seen}."), paper.width - 2 * MARGIN, SET_UP_PT, True):
        write(axes, MARGIN, y, part, SET_UP_PT, bold=True)
        y -= SET_UP_PT * POINT * LEADING
    return y + SET_UP_PT * POINT * 0.35


def _draw_cautions(axes: Axes, found: Plan, paper: Paper, top: float) -> float:
    """All cautions in a heavy frame, in smaller letters where there are many; returns where the rest begins."""
    inner = paper.width - 2 * MARGIN - 16.0
    for size in SIZES:
        lines = [part for c in found.cautions for part in _bulleted(c, inner, size)]
        if len(lines) * size * POINT * LEADING < 0.21 * paper.height:
            break
    most = int(0.27 * paper.height / (LEAST_PT * POINT * LEADING))
    lines = lines if len(lines) <= most else [*lines[: most - 1], f"    … {MORE}"]
    step = size * POINT * LEADING
    height = len(lines) * step + 3.0
    frame = Rectangle((MARGIN, top - height), paper.width - 2 * MARGIN, height, facecolor="#fff7d6", edgecolor="black")
    frame.set(linewidth=1.8, zorder=1)
    axes.add_patch(frame)
    warning_sign(axes, MARGIN + 6.5, top - height / 2 - 0.6, 4.6)
    y = top - 1.5 - 0.78 * step
    for line in lines:
        write(axes, MARGIN + 14.0, y, line, size)
        y -= step
    return top - height - 2.0


def _draw_legend(axes: Axes, corner: tuple[float, float], width: float, tall: bool) -> None:
    """What the lines and marks of the drawing mean, in two rows or four."""
    entries = ["ordinary feed", "climb cut: light passes", "a run begins: its number"]
    entries += ["cutter leaves material", "fragile: short grain", "saw line"]
    across = 2 if tall else 3
    rows = len(entries) // across
    pitch, column = (2 * LEGEND if tall else LEGEND) / (rows + 0.4), width / across
    for i, words in enumerate(entries):
        x = corner[0] + (i % across) * column
        y = corner[1] + pitch * (rows - 0.4 - i // across)
        _draw_key(axes, i, x, y)
        write(axes, x + 11.5, y - 1.1, words, LEAST_PT + 0.5 if not tall else LEAST_PT)


def _draw_key(axes: Axes, kind: int, x: float, y: float) -> None:
    line = {0: (INK, "-", 2.8), 1: (CLIMB, DASH, 2.8), 5: (SAW, (0, (7, 2, 1, 2)), 1.2)}
    if kind in line:
        colour, style, width = line[kind]
        axes.plot([x, x + 9.5], [y, y], color=colour, linestyle=style, linewidth=width)
    elif kind == 2:
        axes.add_patch(Circle((x + 3.5, y), 2.2, facecolor=INK, edgecolor=INK))
        axes.text(x + 3.5, y - 0.1, "1", color="white", fontsize=9, weight="bold", ha="center", va="center_baseline")
        axes.plot([x + 8, x + 8], [y - 2, y + 2], color="black", linewidth=2.2)
    elif kind == 3:
        box = {"boxstyle": "square,pad=0.2", "facecolor": "white", "edgecolor": "black", "linewidth": 1.0}
        axes.text(x + 5, y, "1", fontsize=9, weight="bold", ha="center", va="center", bbox=box)
    else:
        warning_sign(axes, x + 5, y - 0.4, 2.6)


def _draw_tables(
    figure: Figure, axes: Axes, found: Plan, columns: Sequence[tuple[float, float]], room: tuple[float, float]
) -> None:
    """The sections in columns, in smaller letters, then with fewer lines, until all fit."""
    low, high = room
    sections = _sections(found)
    for size in SIZES:
        laid = [_laid(s, columns[0][1], size) for s in sections]
        spread, tallest = columned(_heights(laid, size), len(columns))
        if tallest <= high - low:
            break
    while tallest > high - low and max(map(len, laid)) > 3:
        k = max(range(len(laid)), key=lambda i: len(laid[i]))
        laid[k] = [*laid[k][:-2], f"… {MORE}"]
        spread, tallest = columned(_heights(laid, size), len(columns))
    for (x, width), members in zip(columns, spread, strict=True):
        y = high
        for k in members:
            y = _draw_section(axes, (x, y), width, sections[k].heading, laid[k], size)
            if k == len(sections) - 1:
                _draw_sweep(figure, found, (x + 8.0, y - GRAIN_PLOT + 2.0, width - 10.0, GRAIN_PLOT - 5.0))
                y -= PLOT_ROOM


def _needed(found: Plan, width: float) -> float:
    """Height of the tables in two columns and the smallest letters, mm."""
    laid = [_laid(section, width, LEAST_PT) for section in _sections(found)]
    return columned(_heights(laid, LEAST_PT), 2)[1] + 1.0


def _heights(laid: Sequence[list[str]], size: float) -> list[float]:
    """Of the sections, mm; the last one's plot included."""
    tall = [(len(lines) + 1.6) * size * POINT * LEADING for lines in laid]
    return [*tall[:-1], tall[-1] + PLOT_ROOM]


def _draw_section(
    axes: Axes, at: tuple[float, float], width: float, heading: str, lines: Sequence[str], size: float
) -> float:
    x, y = at
    step = size * POINT * LEADING
    y -= step
    write(axes, x, y, heading, size * HEADING, bold=True)
    axes.plot([x, x + width], [y - 0.28 * step] * 2, color="black", linewidth=0.8)
    y -= 1.25 * step
    for line in lines:
        write(axes, x, y, line, size)
        y -= step
    return y + 0.65 * step


def _sections(found: Plan) -> list[Section]:
    """The last one is the grain's, whose plot stands below it."""
    tips = found.grain.tips if found.grain else ()
    sections = [Section("Runs, in this order", tuple(_run_line(found, i) for i in range(len(found.runs))))]
    sections.append(Section("Cutters and corners", (*map(_capital, cutter_words(found)), *left_lines(found))))
    if found.depth:
        sections.append(Section("Depth", tuple(depth_words(found.depth))))
    if found.rough:
        sections.append(Section("Saw first", tuple(map(_capital, saw_words(found.rough)))))
    told = "not told" if found.grain_deg is None else f"{found.grain_deg:g}°"
    best = f"{found.best_grain_deg:.0f}°" if found.sweep.matters else "any"
    line = f"Along {told}; strongest along: {best}."
    return [*sections, Section("Grain", (line, *(_capital(tip_words(t)) for t in tips)))]


def _run_line(found: Plan, i: int) -> str:
    run = found.runs[i]
    where = "" if len(found.outline.loops) == 1 else ("outside, " if run.loop == 0 else f"hole {run.loop}, ")
    kind = {"end": ", end grain", "long": ", long grain"}.get(run.grain, "")
    return f"{run.order}  {where}{run.feed}, {run.travel}, {run.length_mm:.0f} mm{kind}"


def _draw_sweep(figure: Figure, found: Plan, box: tuple[float, float, float, float]) -> None:
    """The score of every direction of grain, the best and the chosen one marked."""
    width, height = (side * INCH_MM for side in figure.get_size_inches())
    axes = figure.add_axes((box[0] / width, box[1] / height, box[2] / width, box[3] / height))
    sweep = found.sweep
    axes.plot(np.append(sweep.angles_deg, 180.0), np.append(sweep.score, sweep.score[0]), color="black", linewidth=1.4)
    axes.set(xlim=(-2, 182), ylim=(0, 1.4 * float(sweep.score.max())))
    axes.set_xticks([0, 45, 90, 135, 180], ["0°", "45°", "90°", "135°", "180°"])
    axes.set_yticks([])
    axes.set_ylabel("weaker →", fontsize=LEAST_PT)
    axes.tick_params(labelsize=LEAST_PT, length=2, pad=1)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    marks = [(found.best_grain_deg, "^", "white", "best")] if sweep.matters else []
    marks += [] if found.grain_deg is None else [(found.grain_deg, "o", "black", "chosen")]
    for angle, mark, face, words in marks:
        axes.plot(
            [angle],
            [sweep.at(angle)],
            mark,
            markersize=7,
            markerfacecolor=face,
            markeredgecolor="black",
            label=words,
            clip_on=False,
            linestyle="none",
        )
    if marks:
        axes.legend(
            loc="upper right",
            fontsize=LEAST_PT,
            frameon=False,
            ncols=2,
            handletextpad=0.1,
            borderaxespad=0.0,
            columnspacing=0.8,
        )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _laid(section: Section, width: float, size: float) -> list[str]:
    lines = []
    for line in section.lines:
        start = len(line) - len(line.lstrip())
        parts = wrapped(line.strip(), width - start * size * POINT * 0.32, size)
        lines += [" " * (start if i == 0 else start + 4) + part for i, part in enumerate(parts)]
    return lines


def _bulleted(text: str, width: float, size: float) -> list[str]:
    return [("•  " if i == 0 else "    ") + part for i, part in enumerate(wrapped(text, width - 3.0, size))]
