"""Outlines for the shop's tests: notches, fillets, slots, and three outlines of furniture parts as dense polygons."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path

import numpy as np

from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Spline, as_point
from digitize.shop.cutter import Cutter

FULL = 2 * math.pi


def cutter(diameter, **more):
    values = {"name": f"{diameter:g}", "cutting_length_mm": 25.0, "shank_mm": 6.0, "bearing": "shank"}
    return Cutter.model_validate(values | {"diameter_mm": float(diameter)} | more)


def polygon(points):
    """A loop of lines through points (N, 2)."""
    p = [as_point(q) for q in points]
    return Loop(tuple(Line(a, b) for a, b in zip(p, p[1:] + p[:1], strict=True)))


def notched(angle_deg, radius):
    """A block with one inside corner of this free angle at the origin, deep enough for a disc of this radius.

    +---\\    /---+
    |    \\  /    |
    |     \\/     |
    +------------+
    """
    half = math.radians(angle_deg) / 2
    height = 3 * radius / math.tan(half) + radius
    width = height * math.tan(half)
    side = width + 3 * height
    return Outline.of(
        polygon(
            [
                (0, 0),
                (width, height),
                (side, height),
                (side, -height),
                (-side, -height),
                (-side, height),
                (-width, height),
            ]
        )
    )


def filleted(radius):
    """An L of 100 mm whose inside corner at (40, 40) is an arc."""
    c = 40.0 + radius
    arc = Arc((c, c), radius, -math.pi / 2, -math.pi / 2)
    corners = [(40.0, 100.0), (0.0, 100.0), (0.0, 0.0), (100.0, 0.0), (100.0, 40.0)]
    lines = [Line(a, b) for a, b in zip([arc.end, *corners], [*corners, arc.start], strict=True)]
    return Outline.of(Loop((arc, *lines)))


def ell():
    """An L with a sharp inside corner at (40, 40), and a round hole of 20 mm."""
    outer = polygon([(0, 0), (100, 0), (100, 40), (40, 40), (40, 100), (0, 100)])
    return Outline.of(outer, [Loop((Arc((20.0, 20.0), 10.0, 0.0, FULL),))])


def slotted(width, depth=45.0):
    """A bar with one slot from above, square at its bottom, from (50 - width / 2, 60)."""
    a, b = 50 - width / 2, 50 + width / 2
    return Outline.of(
        polygon([(0, 0), (100, 0), (100, 60), (b, 60), (b, 60 - depth), (a, 60 - depth), (a, 60), (0, 60)])
    )


def necked(gap, bay=30.0):
    """A block whose bay, 30 mm square, opens upward through a neck between two half rounds of 5 mm.

    +-----(  )-----+
    |    +    +    |
    |    +----+    |
    +--------------+
    """
    a, b = 50 - gap / 2, 50 + gap / 2
    low, high = 50 - bay / 2, 50 + bay / 2
    right, left = Arc((b + 5, 65.0), 5.0, math.pi / 2, math.pi), Arc((a - 5, 65.0), 5.0, -math.pi / 2, math.pi)
    corners = [(high, 60.0), (high, 30.0), (low, 30.0), (low, 60.0)]
    inner = [right.end, *corners, left.start]
    outer = [left.end, (0.0, 70.0), (0.0, 0.0), (100.0, 0.0), (100.0, 70.0), right.start]
    lines = [[Line(p, q) for p, q in pairwise(x)] for x in (inner, outer)]
    return Outline.of(Loop((right, *lines[0], left, *lines[1])))


def practice(name):
    """One of three furniture parts, as the dense polygon it was rendered from."""
    loops = json.loads((Path(__file__).parent / "outlines.json").read_text())[name]
    return Outline.of(polygon(loops[0]), [polygon(h) for h in loops[1:]])


def star(radii, turn=0.0):
    """A polygon round the origin with a corner at each radius."""
    angle = np.arange(len(radii)) * FULL / len(radii) + turn
    return Outline.of(polygon(np.asarray(radii)[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)))


def mirrored(outline):
    """Reflected in the y axis (lines only)."""
    return Outline.of(*_mapped(outline, np.diag([-1.0, 1.0])))


def scaled(outline, factor):
    """Scaled about the origin (lines only)."""
    return Outline.of(*_mapped(outline, factor * np.eye(2)))


def _mapped(outline, matrix):
    loops = [polygon([np.asarray(s.start) @ matrix for s in loop.segments]) for loop in outline.loops]
    return loops[0], loops[1:]


def toothed(teeth=500, radius=700.0):
    """A wheel of four pieces a tooth (line, arc, line, spline): much to do at every one."""
    step = FULL / teeth

    def at(r, a):
        return r * math.cos(a * step), r * math.sin(a * step)

    segments = []
    for i in range(teeth):
        arc = Arc((0.0, 0.0), radius + 6, (i + 0.1) * step, 0.35 * step)
        foot, end = at(radius, i + 0.55), at(radius, (i + 1) % teeth)
        control = (foot, at(radius - 1, i + 0.7), at(radius - 1, i + 0.85), end)
        bottom = Spline(control, (0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0))
        segments += [Line(at(radius, i), arc.start), arc, Line(arc.end, foot), bottom]
    return Outline.of(Loop(tuple(segments)))
