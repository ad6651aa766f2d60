"""The drawing in a plan: the part with its grain, runs as arrows, numbered inside corners, fragile tips, the saw line.

Ordinary feed is a solid dark line with full arrowheads, a climb cut a dashed lighter one with hollow heads, so that
neither colour nor a colour printer is needed. All lengths here are millimetres of paper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.patches import Circle, PathPatch, Polygon
from matplotlib.path import Path

from digitize.model.outline import Loop
from digitize.model.segment import Point, Points
from digitize.shop.feed import Run
from digitize.shop.fibre import EdgeSteps, edge_steps, points_along
from digitize.shop.fragile import Tip
from digitize.shop.plan import Plan
from digitize.shop.told import left_places

INK, CLIMB, WOOD, FIGURE, SAW = "#16325c", "#d2601a", "#f6ecd9", "#dcc8a0", "#5a5a5a"
RUN_PT, DASH = 2.8, (0, (2.6, 1.3))
HEAD = (4.6, 3.6)  # of an arrow, long and wide
HEADS_APART = 32.0
NUMBER = 3.0  # radius of a run's number
NUMBER_PT, CORNER_PT, WORD_PT = 12.0, 11.0, 9.5
FIGURE_APART = 5.0
ROOM = 13.0  # round the part for numbers
CHORD = 0.03
AWAY = (5.0, 7.5, 10.5, 14.0)  # from the edge to a number, the first that is free
ONWARD = (6.5, 11.0, 17.0, 25.0)  # from a run's start to its number
GRAIN_ARROW = 26.0


@dataclass
class Placer:
    """From the outline's millimetres to those on the page, and which places on the page are taken.

    mirror : -1 where the work lies with its drawn face down, and is drawn as it is seen
    """

    scale: float
    origin: Points
    mirror: float
    edge: shapely.Geometry
    bounds: tuple[float, float, float, float]
    taken: list[tuple[float, float, float]] = field(default_factory=list)

    def __call__(self, points: Points) -> Points:
        return self.origin + self.scale * np.asarray(points) * [self.mirror, 1.0]

    def free(self, tries: Points, radius: float) -> Points:
        """The first of ``tries`` (N, 2) that is clear of all edges and other labels, or the one least in the way."""
        x0, y0, x1, y1 = self.bounds
        gaps = shapely.distance(self.edge, shapely.points(tries)) - radius
        for x, y, r in self.taken:
            gaps = np.minimum(gaps, np.hypot(tries[:, 0] - x, tries[:, 1] - y) - r - radius)
        inside = np.minimum.reduce([tries[:, 0] - x0, x1 - tries[:, 0], tries[:, 1] - y0, y1 - tries[:, 1]]) - radius
        gaps = np.minimum(np.minimum(gaps, inside), 0.4)
        best = tries[int(np.argmax(gaps))]
        self.taken.append((float(best[0]), float(best[1]), radius))
        return np.asarray(best)


def room_wanted(found: Plan) -> tuple[float, float]:
    """Width and height of the part, mm."""
    x0, y0, x1, y1 = found.outline.bounds()
    return x1 - x0, y1 - y0


def draw_plan(axes: Axes, found: Plan, box: tuple[float, float, float, float]) -> float:
    """Draw the plan in ``box`` (x0, y0, x1, y1) on axes that count in millimetres of paper; returns the scale."""
    steps = edge_steps(found.outline)
    place = _placer(found, box)
    _draw_wood(axes, found, place)
    _draw_saw(axes, found, place)
    for run in found.runs:
        _draw_run(axes, steps, run, place)
    for tip in found.grain.tips if found.grain else ():
        _draw_tip(axes, tip, place)
    for name, at in left_places(found):
        _draw_corner(axes, steps, name, at, place)
    for run in found.runs:
        _draw_number(axes, steps, run, place)
    _draw_grain(axes, found, place)
    return place.scale


def _placer(found: Plan, box: tuple[float, float, float, float]) -> Placer:
    x0, y0, x1, y1 = found.outline.bounds()
    left, low, right, high = box
    scale = min((right - left - 2 * ROOM) / (x1 - x0), (high - low - 2 * ROOM) / (y1 - y0))
    mirror = -1.0 if found.flipped else 1.0
    middle = np.array([mirror * (x0 + x1) / 2, (y0 + y1) / 2])
    origin = np.array([(left + right) / 2, (low + high) / 2]) - scale * middle
    place = Placer(scale, origin, mirror, shapely.Point(0, 0), box)
    place.edge = shapely.MultiLineString([_ring(loop, place) for loop in found.outline.loops])
    return place


def _ring(loop: Loop, place: Placer) -> Points:
    p = place(loop.flattened(CHORD / place.scale))
    return np.vstack([p, p[:1]])


def _draw_wood(axes: Axes, found: Plan, place: Placer) -> None:
    """The part filled, with its fibres as faint lines where their direction is known."""
    rings = [_ring(loop, place) for loop in found.outline.loops]
    codes = [[Path.MOVETO] + [Path.LINETO] * (len(r) - 2) + [Path.CLOSEPOLY] for r in rings]
    shape = PathPatch(Path(np.vstack(rings), np.concatenate(codes)), facecolor=WOOD, edgecolor="black", linewidth=0.7)
    axes.add_patch(shape)
    if found.grain is None:
        return
    along, across = _grain_axes(found)
    middle = rings[0].mean(axis=0)
    far = float(np.ptp(rings[0], axis=0).sum())
    offsets = np.arange(-far, far, FIGURE_APART)[:, None]
    lines = np.stack([middle + offsets * across - far * along, middle + offsets * across + far * along], axis=1)
    figure = LineCollection(list(lines), colors=FIGURE, linewidths=0.9, zorder=1.1)
    axes.add_collection(figure, autolim=False)
    figure.set_clip_path(shape)


def _grain_axes(found: Plan) -> tuple[Points, Points]:
    angle = math.radians(found.grain_deg or 0.0)
    along = np.array([math.cos(angle) * (-1.0 if found.flipped else 1.0), math.sin(angle)])
    return along, np.array([-along[1], along[0]])


def _draw_grain(axes: Axes, found: Plan, place: Placer) -> None:
    """A double arrow with its word where the part has most room."""
    if found.grain is None:
        return
    along, across = _grain_axes(found)
    shape = shapely.Polygon(_ring(found.outline.outer, place), [_ring(h, place) for h in found.outline.holes])
    for x, y, r in place.taken:
        shape = shape.difference(shapely.Point(x, y).buffer(r))
    largest = max(shapely.get_parts(shape), key=lambda s: s.area)
    circle = shapely.maximum_inscribed_circle(largest, tolerance=0.5)
    middle, half = np.asarray(circle.coords[0]), min(GRAIN_ARROW / 2, 0.95 * max(circle.length, 4.0))
    style = {
        "arrowstyle": "<|-|>",
        "color": "black",
        "linewidth": 1.6,
        "mutation_scale": 16,
        "shrinkA": 0,
        "shrinkB": 0,
    }
    axes.annotate("", middle - half * along, middle + half * along, arrowprops=style, zorder=4)
    if circle.length > 6.0:
        turn = math.degrees(math.atan2(along[1], along[0]))
        turn = (turn + 90) % 180 - 90
        up = across if across[1] >= 0 else -across
        x, y = middle + 2.6 * up
        word = axes.text(x, y, "grain", fontsize=WORD_PT, ha="center", va="center", zorder=4)
        word.set(rotation=turn, rotation_mode="anchor")


def _draw_saw(axes: Axes, found: Plan, place: Placer) -> None:
    """The saw line dash-dotted, drill holes as crossed circles, relief cuts as thin lines."""
    if found.rough is None:
        return
    for loop in found.rough.loops:
        axes.plot(*_ring(loop, place).T, color=SAW, linewidth=0.9, linestyle=(0, (7, 2, 1, 2)), zorder=2)
    for relief in found.rough.reliefs:
        axes.plot(*place(np.array([relief.start, relief.end])).T, color=SAW, linewidth=0.9, linestyle=":", zorder=2)
    for drill in found.rough.drills:
        x, y = place(np.array([drill.at]))[0]
        r = max(drill.diameter_mm / 2 * place.scale, 0.8)
        axes.add_patch(Circle((x, y), r, facecolor="none", edgecolor=SAW, linewidth=0.9, zorder=2))
        axes.plot([x - r, x + r], [y, y], [x, x], [y - r, y + r], color=SAW, linewidth=0.7, zorder=2)


def _path(steps: EdgeSteps, run: Run, place: Placer) -> tuple[Points, Points]:
    """Points (N, 2) along a run from its start on, and how far along it each lies, mm of paper."""
    count = max(2, math.ceil(run.length_mm * place.scale / 0.4) + 1)
    along = run.start_mm + (1 if run.forward else -1) * np.linspace(0, run.length_mm, count)
    return place(points_along(steps, run.loop, along)), np.linspace(0, run.length_mm * place.scale, count)


def _draw_run(axes: Axes, steps: EdgeSteps, run: Run, place: Placer) -> None:
    points, along = _path(steps, run, place)
    climb = run.feed == "climb"
    colour = CLIMB if climb else INK
    axes.plot(*points.T, color="white", linewidth=RUN_PT + 0.6, zorder=2.4, solid_capstyle="butt")
    axes.plot(*points.T, color=colour, linewidth=RUN_PT, linestyle=DASH if climb else "-", zorder=2.5)
    count = max(1, round(along[-1] / HEADS_APART))
    for k in range(count):
        tries = along[-1] * (k + np.array([0.62, 0.5, 0.74, 0.38, 0.26])) / count
        _draw_head(axes, place, points, along, _straightest(points, along, tries), colour, climb)
    here = points[0]
    way = points[min(3, len(points) - 1)] - here
    square = np.array([-way[1], way[0]]) / max(math.hypot(*way), 1e-9)
    axes.plot(*np.array([here - 2.1 * square, here + 2.1 * square]).T, color="black", linewidth=2.2, zorder=3)


def _straightest(points: Points, along: Points, tries: Points) -> float:
    """The first of ``tries`` where an arrowhead does not sit on a corner, else the one where the line turns least."""
    ends = [np.interp(tries + side * HEAD[0] / 2, along, points[:, i]) for side in (-1, 1) for i in (0, 1)]
    chord = np.hypot(ends[2] - ends[0], ends[3] - ends[1])
    return float(tries[int(np.argmax(np.minimum(chord, 0.97 * HEAD[0])))])


def _draw_head(axes: Axes, place: Placer, points: Points, along: Points, at: float, colour: str, hollow: bool) -> None:
    long, wide = HEAD[0] * min(1.0, along[-1] / 9), HEAD[1] * min(1.0, along[-1] / 9)
    ends = np.stack([np.interp([at - long / 2, at + long / 2], along, points[:, i]) for i in (0, 1)], axis=1)
    way = ends[1] - ends[0]
    way = way / max(math.hypot(*way), 1e-9)
    middle = ends.mean(axis=0)
    square = np.array([-way[1], way[0]])
    corners = [middle + way * long * 0.55, middle - way * long * 0.45 + square * wide / 2]
    corners += [middle - way * long * 0.2, middle - way * long * 0.45 - square * wide / 2]
    face = "white" if hollow else colour
    axes.add_patch(Polygon(corners, closed=True, facecolor=face, edgecolor=colour, linewidth=1.3, zorder=2.8))
    place.taken.append((float(middle[0]), float(middle[1]), wide / 2))


def _draw_number(axes: Axes, steps: EdgeSteps, run: Run, place: Placer) -> None:
    """The run's order in a circle beside its beginning: full for ordinary feed, hollow for a climb cut."""
    points, along = _path(steps, run, place)
    tries = []
    for away in AWAY:
        for onward in ONWARD:
            at = min(onward, 0.5 * along[-1])
            ends = np.stack([np.interp([at - 0.5, at + 0.5], along, points[:, i]) for i in (0, 1)], axis=1)
            way = (ends[1] - ends[0]) / max(math.dist(*ends), 1e-9)
            out = np.array([way[1], -way[0]]) * (1 if run.forward else -1) * place.mirror
            tries += [ends.mean(axis=0) + away * out, ends.mean(axis=0) - away * out]
    x, y = place.free(np.array(tries), NUMBER)
    climb = run.feed == "climb"
    colour = CLIMB if climb else INK
    circle = Circle((x, y), NUMBER, facecolor="white" if climb else colour, edgecolor=colour, linewidth=1.6, zorder=5)
    circle.set_linestyle((0, (2, 1)) if climb else "-")
    axes.add_patch(circle)
    ink = "black" if climb else "white"
    axes.text(
        x,
        y - 0.1,
        str(run.order),
        fontsize=NUMBER_PT if run.order < 10 else NUMBER_PT - 2,
        color=ink,
        weight="bold",
        ha="center",
        va="center_baseline",
        zorder=6,
    )


def _draw_corner(axes: Axes, steps: EdgeSteps, name: str, at: Point, place: Placer) -> None:
    """The name of a place where material is left, in a square, in the waste or in the part: wherever there is room."""
    near = np.argsort(np.hypot(*(steps.middles - at).T))[:2]  # of a corner, both its edges
    way = steps.tangents[near].sum(axis=0)
    waste = np.array([way[1] * place.mirror, -way[0]])
    waste = waste / max(math.hypot(*waste), 1e-9)
    here = place(np.array([at]))[0]
    tries = []
    for away in AWAY:
        for turn in (0.0, 0.6, -0.6, math.pi, 1.1, -1.1):
            c, s = math.cos(turn), math.sin(turn)
            tries.append(here + away * np.array([c * waste[0] - s * waste[1], s * waste[0] + c * waste[1]]))
    x, y = place.free(np.array(tries), 2.4 + 0.9 * len(name))
    axes.plot([here[0], x], [here[1], y], color="black", linewidth=0.8, zorder=4)
    box = {"boxstyle": "square,pad=0.22", "facecolor": "white", "edgecolor": "black", "linewidth": 1.1}
    axes.text(x, y, name, fontsize=CORNER_PT, weight="bold", ha="center", va="center", bbox=box, zorder=5)


def _draw_tip(axes: Axes, tip: Tip, place: Placer) -> None:
    """A fragile place: the fibre along which it would break, and a triangle with an exclamation mark."""
    ends = place(np.array(tip.fibre))
    axes.plot(*ends.T, color="black", linewidth=2.0, linestyle=(0, (1, 0.8)), zorder=4)
    here = place(np.array([tip.at]))[0]
    out = here - ends.mean(axis=0)
    size = math.hypot(*out)
    out = out / size if size > 1e-6 else np.array([0.0, 1.0])
    tries = []
    for away in AWAY:
        for turn in (0.0, 0.7, -0.7, 1.4, -1.4):
            c, s = math.cos(turn), math.sin(turn)
            tries.append(here + away * np.array([c * out[0] - s * out[1], s * out[0] + c * out[1]]))
    x, y = place.free(np.array(tries), 3.4)
    warning_sign(axes, x, y)


def warning_sign(axes: Axes, x: float, y: float, size: float = 3.6) -> None:
    """A triangle with an exclamation mark, ``size`` mm from its middle to its corners."""
    corners = [(x + size * math.cos(a), y + size * math.sin(a)) for a in np.radians([90, 210, 330])]
    axes.add_patch(Polygon(corners, closed=True, facecolor="#ffd83d", edgecolor="black", linewidth=1.5, zorder=5))
    axes.text(x, y - 0.1 * size, "!", fontsize=3.6 * size, weight="bold", ha="center", va="center", zorder=6)
