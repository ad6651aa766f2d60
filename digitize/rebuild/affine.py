"""Outlines mirrored and scaled differently in two directions: lines stay lines, splines stay splines.

A mirrored arc is an arc. A stretched one is part of an ellipse and becomes cubic splines within ``STRETCH_TOL_MM``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Points, Segment, Spline, as_point

Floats = npt.NDArray[np.float64]

STRETCH_TOL_MM = 1e-4  # how far the spline that replaces a stretched arc may leave the true ellipse
SIMILAR = 1e-12  # difference of the two scales that is rounding
_CUBIC = (0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0)


def mirror_matrix(angle: float) -> Floats:
    """The matrix (2, 2) that mirrors about a line through the origin in direction ``angle``, radians."""
    c, s = math.cos(2 * angle), math.sin(2 * angle)
    return np.array([[c, s], [s, -c]])


def stretch_matrix(angle: float, along: float, across: float) -> Floats:
    """The matrix (2, 2) that scales by ``along`` in direction ``angle`` (radians) and by ``across`` square to it."""
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    return np.asarray(turn @ np.diag([along, across]) @ turn.T)


def transformed(outline: Outline, matrix: Floats, about: npt.ArrayLike = (0.0, 0.0)) -> Outline:
    """The outline under a matrix (2, 2), which leaves the point ``about`` where it is."""
    centre = np.asarray(about, dtype=float)
    loops = [Loop(tuple(_each(loop.segments, matrix, centre))) for loop in outline.loops]
    return Outline.of(loops[0], loops[1:])


def _each(segments: Iterable[Segment], matrix: Floats, centre: Floats) -> list[Segment]:
    return [piece for s in segments for piece in transformed_segment(s, matrix, centre)]


def transformed_segment(segment: Segment, matrix: Floats, centre: Floats) -> list[Segment]:
    """One segment under a matrix (2, 2) that leaves ``centre`` (2,) where it is; a stretched arc becomes several."""

    def move(points: npt.ArrayLike) -> Points:
        moved: Points = (np.asarray(points, dtype=float) - centre) @ matrix.T + centre
        return moved

    if isinstance(segment, Line):
        a, b = move([segment.start, segment.end])
        return [Line(as_point(a), as_point(b))]
    if isinstance(segment, Spline):
        return [Spline(tuple(as_point(p) for p in move(segment.control)), segment.knots)]
    sizes = np.linalg.svd(matrix, compute_uv=False)
    if sizes[0] - sizes[1] <= SIMILAR * sizes[0]:
        sense = math.copysign(1.0, float(np.linalg.det(matrix)))
        out = matrix @ np.array([math.cos(segment.from_angle), math.sin(segment.from_angle)])
        middle = as_point(move([segment.centre]))
        return [Arc(middle, segment.radius * float(sizes[0]), math.atan2(out[1], out[0]), sense * segment.sweep)]
    return [Spline(tuple(as_point(p) for p in move(c)), _CUBIC) for c in _cubics(segment)]


def _cubics(arc: Arc) -> list[Points]:
    """Control points (4, 2) of cubics along an arc, each off by at most STRETCH_TOL_MM.

    Source: a cubic that leaves a circle with its tangents and legs 4/3 tan(sweep / 4) is off by about r sweep^6 / 74000
    (Goldapp, CAGD 8, 1991; from memory; the tests measure it).
    """
    each = (STRETCH_TOL_MM / 2 * 74000 / arc.radius) ** (1 / 6)
    n = max(1, math.ceil(abs(arc.sweep) / min(each, math.pi / 2)))
    step = arc.sweep / n
    leg = 4 / 3 * math.tan(step / 4) * arc.radius
    angles = arc.from_angle + step * np.arange(n + 1)
    ends = np.asarray(arc.centre) + arc.radius * np.column_stack([np.cos(angles), np.sin(angles)])
    ends[0], ends[-1] = arc.start, arc.end
    tangents = np.column_stack([-np.sin(angles), np.cos(angles)])
    return [
        np.array([ends[k], ends[k] + leg * tangents[k], ends[k + 1] - leg * tangents[k + 1], ends[k + 1]])
        for k in range(n)
    ]
