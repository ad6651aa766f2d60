"""Outlines to be mended, and how two of them differ."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import cKDTree

from digitize.editing.following import arc_leaving
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Segment, Spline, as_point, part
from tests.helpers import bracket, distances, rounded_plate

SAMPLED_MM = 0.5  # from place to place where curves are first compared
KNOTS_6 = (0.0, 0.0, 0.0, 0.0, 0.3, 0.6, 1.0, 1.0, 1.0, 1.0)


def lens() -> Outline:
    """Two arcs that meet in corners at (-40, 0) and (40, 0)."""
    lower = arc_leaving((-40.0, 0.0), np.array([0.8, -0.6]), (40.0, 0.0))
    return Outline.of(Loop((lower, arc_leaving((40.0, 0.0), np.array([-0.8, 0.6]), (-40.0, 0.0)))))


def egg() -> Outline:
    """One spline that closes smoothly at (0, -30)."""
    return Outline.of(Loop((closed_spline([(30.0, -30.0), (45.0, 20.0), (-45.0, 20.0), (-30.0, -30.0)]),)))


def drop() -> Outline:
    """One spline that closes in a corner at (0, -30)."""
    return Outline.of(Loop((closed_spline([(30.0, 10.0), (20.0, 40.0), (-20.0, 40.0), (-30.0, 10.0)]),)))


def closed_spline(inner: list[tuple[float, float]]) -> Spline:
    return Spline(((0.0, -30.0), *inner, (0.0, -30.0)), KNOTS_6)


def polygon(*corners: tuple[float, float]) -> Outline:
    return Outline.of(Loop(tuple(Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True))))


def thirty_pieces() -> Outline:
    """Lines, arcs and splines in turn round a wavy disc of 300 mm."""
    angles = np.linspace(0.0, 2 * math.pi, 31)[:-1]
    corners = np.column_stack([np.cos(angles), np.sin(angles)]) * (150 + 15 * np.sin(3 * angles))[:, None]
    segments: list[Segment] = []
    for k, (p, q) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        d, out = q - p, np.array([(q - p)[1], (p - q)[0]])
        if k % 3 == 0:
            segments.append(Line(as_point(p), as_point(q)))
        elif k % 3 == 1:
            segments.append(arc_leaving(as_point(p), (d + 0.3 * out) / np.linalg.norm(d + 0.3 * out), as_point(q)))
        else:
            inner = [as_point(p + d * f + out * h) for f, h in ((0.2, 0.1), (0.4, 0.15), (0.6, -0.05), (0.8, 0.1))]
            segments.append(Spline((as_point(p), *inner, as_point(q)), KNOTS_6))
    return Outline(Loop(tuple(segments)))


SHAPES = {
    "bracket": bracket(),
    "plate": rounded_plate(),
    "lens": lens(),
    "egg": egg(),
    "drop": drop(),
    "polygon": polygon((0.0, 0.0), (80.0, 0.0), (90.0, 50.0), (40.0, 80.0), (-5.0, 40.0)),
}


def farthest(one: Loop, other: Loop) -> float:
    """How far, mm, the first loop's curves lie from the other's at most: exact curves, 15 places on each segment."""
    points = np.vstack([s.point(np.linspace(0.0, 1.0, 15)) for s in one.segments])
    halves = [part(s, a, b) for s in other.segments for a, b in ((0.0, 0.5), (0.5, 1.0))]  # none of them closed
    rough = [cKDTree(s.point(np.linspace(0.0, 1.0, 400))).query(points)[0] for s in halves]
    exact, nearest = np.full(len(points), np.inf), np.min(rough, axis=0)
    for segment, away in zip(halves, rough, strict=True):
        near = away <= nearest + SAMPLED_MM
        if near.any():
            exact[near] = np.minimum(exact[near], distances(points[near], segment))
    return float(exact.max())


def apart(one: Outline, other: Outline) -> float:
    """How far, mm, two outlines lie from each other at most, both ways."""
    pairs = list(zip(one.loops, other.loops, strict=True))
    return max(max(farthest(a, b), farthest(b, a)) for a, b in pairs)


def circle(radius: float = 30.0) -> Outline:
    return Outline(Loop((Arc((5.0, -3.0), radius, 0.7, 2 * math.pi),)))
