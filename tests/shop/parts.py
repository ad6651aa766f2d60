"""Outlines for the tests of grain, feed and plan."""

from __future__ import annotations

import math

import numpy as np

from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Spline, as_point

FULL = 2 * math.pi


def polygon(*corners, holes=()):
    return Outline.of(ring(corners), [ring(h) for h in holes])


def ring(corners):
    c = [as_point(p) for p in corners]
    return Loop(tuple(Line(a, b) for a, b in zip(c, c[1:] + c[:1], strict=True)))


def disc(radius=75.0, centre=(0.0, 0.0), hole=0.0, begin=0.3):
    holes = [Loop((Arc(centre, hole, 0.1, FULL),))] if hole else []
    return Outline.of(Loop((Arc(centre, radius, begin, FULL),)), holes)


def square(side=100.0):
    return polygon((0, 0), (side, 0), (side, side), (0, side))


def prong(width=8.0, length=40.0):
    """A block of 100 x 40 with a prong upward from its middle."""
    a, b = 50 - width / 2, 50 + width / 2
    return polygon((0, 0), (100, 0), (100, 40), (b, 40), (b, 40 + length), (a, 40 + length), (a, 40), (0, 40))


def spike(angle_deg=16.7, length=60.0):
    """A block of 80 x 60 whose right side runs out into a thin tip toward +x."""
    half = length * math.tan(math.radians(angle_deg / 2))
    return polygon((0, 0), (80, 0), (80, 30 - half), (80 + length, 30), (80, 30 + half), (80, 60), (0, 60))


def mirrored(outline):
    """Seen from below: x becomes -x."""
    return Outline.of(*[_mirrored(outline.outer)], [_mirrored(h) for h in outline.holes])


def _mirrored(loop):
    return Loop(tuple(_flip(s) for s in loop.segments)).reversed()


def _flip(s):
    if isinstance(s, Line):
        return Line((-s.start[0], s.start[1]), (-s.end[0], s.end[1]))
    if isinstance(s, Arc):
        return Arc((-s.centre[0], s.centre[1]), s.radius, math.pi - s.from_angle, -s.sweep)
    return Spline(tuple((-x, y) for x, y in s.control), s.knots)


def star(radii, turn=0.0):
    """A polygon about the origin with a corner at each radius."""
    angles = turn + np.linspace(0, FULL, len(radii), endpoint=False)
    return polygon(*np.stack([np.cos(angles), np.sin(angles)], axis=1) * np.asarray(radii)[:, None])


def splat(hole):
    """A blade with straight edges that widens, and a round hole of this radius, 75 mm past the straight edges' end.

    ______.---------+
    |        (  )   |
    ------.---------+
    """
    x = np.linspace(0.0, 100.0, 101)
    rise = 40.0 + 25.0 * (1 - np.cos(math.pi * x / 100.0))
    upper = [(-100.0, 40.0), *zip(x, rise, strict=True), (200.0, 90.0)]
    outer = ring([(a, -b) for a, b in upper] + upper[::-1])
    return Outline.of(outer, [Loop((Arc((75.0, 0.0), hole, 0.3, -FULL),))])
