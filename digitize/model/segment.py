"""The three pieces a curve is made of: Line, Arc and Spline. Frozen, in millimetres, each with a direction of travel.

Every segment answers the same questions: ``start``, ``end``, ``point(t)`` and ``tangent(t)`` for t in 0..1,
``length``, ``reversed()``, ``moved(turn, shift)`` and ``flattened(chord_error)``. ``on_segments`` asks many at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

Point = tuple[float, float]
Points = npt.NDArray[np.float64]
"""(N, 2) float, mm unless its name says otherwise."""

DEGREE = 3  # every Spline is cubic


def as_point(xy: npt.ArrayLike) -> Point:
    """A plain pair of floats from anything that holds two numbers."""
    x, y = np.asarray(xy, dtype=float).ravel()
    return float(x), float(y)


def moved_points(points: npt.ArrayLike, turn: float, shift: npt.ArrayLike = (0.0, 0.0)) -> Points:
    """Points (N, 2) turned about the origin by ``turn`` (radians, counter-clockwise), then shifted (mm)."""
    c, s = math.cos(turn), math.sin(turn)
    moved: Points = np.asarray(points, dtype=float) @ np.array([[c, s], [-s, c]]) + np.asarray(shift, dtype=float)
    return moved


def _between(a: npt.ArrayLike, b: npt.ArrayLike, t: npt.ArrayLike) -> Points:
    """Points (N, 2) at parameters t (N,) on lines from a to b, each (2,) or (N, 2)."""
    u = np.atleast_1d(np.asarray(t, dtype=float))[:, None]
    return np.asarray(np.asarray(a) * (1 - u) + np.asarray(b) * u)


def _spokes(angle: npt.NDArray[np.float64]) -> Points:
    """Unit vectors (N, 2) in directions (N,), radians."""
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _left_of(vectors: Points) -> Points:
    """Vectors (N, 2) turned by a quarter, counter-clockwise."""
    return np.asarray(vectors[:, ::-1] * (-1.0, 1.0))


def _unit(vectors: Points) -> Points:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


@dataclass(frozen=True)
class Line:
    """A straight piece from ``start`` to ``end``."""

    start: Point
    end: Point

    @property
    def length(self) -> float:
        return math.dist(self.start, self.end)

    def point(self, t: npt.ArrayLike) -> Points:
        """Points (N, 2) at parameters t (N,), 0 at the start and 1 at the end."""
        return _between(self.start, self.end, t)

    def tangent(self, t: npt.ArrayLike) -> Points:
        """Unit tangents (N, 2) at parameters t (N,)."""
        d = (np.asarray(self.end) - np.asarray(self.start)) / self.length
        return np.tile(d, (len(np.atleast_1d(np.asarray(t))), 1))

    def reversed(self) -> Line:
        return Line(self.end, self.start)

    def moved(self, turn: float, shift: npt.ArrayLike) -> Line:
        a, b = moved_points([self.start, self.end], turn, shift)
        return Line(as_point(a), as_point(b))

    def flattened(self, chord_error: float) -> Points:
        return np.array([self.start, self.end])


@dataclass(frozen=True)
class Arc:
    """Part of a circle, or a whole one.

    ``from_angle`` (radians) is the direction from the centre to the start; ``sweep`` (radians, up to a full turn) is
    positive counter-clockwise.
    """

    centre: Point
    radius: float
    from_angle: float
    sweep: float

    @property
    def start(self) -> Point:
        return as_point(self.point(0.0))

    @property
    def end(self) -> Point:
        return self.start if self.is_circle else as_point(self.point(1.0))

    @property
    def is_circle(self) -> bool:
        return abs(abs(self.sweep) - 2 * math.pi) < 1e-12

    @property
    def length(self) -> float:
        return self.radius * abs(self.sweep)

    def _angles(self, t: npt.ArrayLike) -> npt.NDArray[np.float64]:
        return np.asarray(self.from_angle + self.sweep * np.atleast_1d(np.asarray(t, dtype=float)))

    def point(self, t: npt.ArrayLike) -> Points:
        """Points (N, 2) at parameters t (N,), 0 at the start and 1 at the end."""
        return np.asarray(self.centre) + self.radius * _spokes(self._angles(t))

    def tangent(self, t: npt.ArrayLike) -> Points:
        """Unit tangents (N, 2) at parameters t (N,)."""
        return math.copysign(1.0, self.sweep) * _left_of(_spokes(self._angles(t)))

    def reversed(self) -> Arc:
        return Arc(self.centre, self.radius, self.from_angle + self.sweep, -self.sweep)

    def moved(self, turn: float, shift: npt.ArrayLike) -> Arc:
        return Arc(as_point(moved_points([self.centre], turn, shift)), self.radius, self.from_angle + turn, self.sweep)

    def flattened(self, chord_error: float) -> Points:
        step = 2 * math.acos(max(0.0, 1 - min(chord_error, self.radius) / self.radius))
        return self.point(np.linspace(0.0, 1.0, max(2, math.ceil(abs(self.sweep) / step) + 1)))


@dataclass(frozen=True)
class Spline:
    """A cubic B-spline with a clamped knot vector: it begins at its first control point and ends at its last.

    control : n control points, n >= 4
    knots : n + 4 values, not decreasing, the first four equal and the last four equal
    """

    control: tuple[Point, ...]
    knots: tuple[float, ...]

    def __post_init__(self) -> None:
        n, k = len(self.control), self.knots
        if n < DEGREE + 1 or len(k) != n + DEGREE + 1:
            raise ValueError(f"a cubic spline of {n} control points needs {n + 4} knots, not {len(k)}")
        if any(b < a for a, b in pairwise(k)) or k[0] != k[3] or k[-1] != k[-4] or k[-1] <= k[0]:
            raise ValueError("the knots of a spline must not decrease and be clamped at both ends")

    @cached_property
    def _curve(self) -> BSpline:
        return BSpline(np.asarray(self.knots), np.asarray(self.control), DEGREE)

    @cached_property
    def _slope(self) -> BSpline:
        return self._curve.derivative()

    def _parameter(self, t: npt.ArrayLike) -> npt.NDArray[np.float64]:
        u: npt.NDArray[np.float64] = np.atleast_1d(np.asarray(t, dtype=float))
        return np.asarray(self.knots[0] + (self.knots[-1] - self.knots[0]) * u)

    @property
    def start(self) -> Point:
        return self.control[0]

    @property
    def end(self) -> Point:
        return self.control[-1]

    @cached_property
    def length(self) -> float:
        breaks = np.unique(self.knots)
        x, w = np.polynomial.legendre.leggauss(12)
        half = np.diff(breaks)[:, None] / 2
        u = breaks[:-1, None] + half * (x + 1)
        return float((np.linalg.norm(self._slope(u), axis=-1) * w * half).sum())

    def point(self, t: npt.ArrayLike) -> Points:
        """Points (N, 2) at parameters t (N,), 0 at the start and 1 at the end."""
        p: Points = self._curve(self._parameter(t))
        return p

    def tangent(self, t: npt.ArrayLike) -> Points:
        """Unit tangents (N, 2) at parameters t (N,)."""
        return _unit(self._slope(self._parameter(t)))

    def reversed(self) -> Spline:
        a, b = self.knots[0], self.knots[-1]
        return Spline(self.control[::-1], tuple(a + b - k for k in reversed(self.knots)))

    def moved(self, turn: float, shift: npt.ArrayLike) -> Spline:
        return Spline(tuple(as_point(p) for p in moved_points(self.control, turn, shift)), self.knots)

    def beziers(self) -> npt.NDArray[np.float64]:
        """The same curve as cubic Bezier curves, one for each knot span: control points (N, 4, 2)."""
        breaks = np.unique(self.knots)
        h = np.diff(breaks)[:, None]
        at, first, second, third = (self._curve(breaks[:-1], order) for order in range(4))  # all from the right
        b1 = at + first * h / 3
        b2 = b1 + first * h / 3 + second * h**2 / 6
        ends = at + first * h + second * h**2 / 2 + third * h**3 / 6
        ends[-1] = self.end
        return np.stack([at, b1, b2, ends], axis=1)

    def flattened(self, chord_error: float) -> Points:
        """Points (N, 2) whose chords stay within ``chord_error`` (by the second derivative, knot span by knot span)."""
        breaks = np.unique(self.knots)
        parameters = [breaks[:1]]
        for a, b in pairwise(breaks):
            most = float(np.linalg.norm(self._curve(np.linspace(a, b, 5, endpoint=False), 2), axis=1).max())
            most = max(most, float(np.linalg.norm(self._curve(b - 1e-9 * (b - a), 2))))
            pieces = max(1, math.ceil((b - a) * math.sqrt(most / (8 * chord_error))))
            parameters.append(np.linspace(a, b, pieces + 1)[1:])
        p: Points = self._curve(np.concatenate(parameters))
        p[0], p[-1] = self.start, self.end
        return p


Segment = Line | Arc | Spline


def part(segment: Segment, a: float, b: float) -> Segment:
    """The same curve from parameter ``a`` to ``b``, 0 <= a < b <= 1; splines by knot insertion, exact to rounding."""
    if isinstance(segment, Line):
        return Line(as_point(segment.point(a)), as_point(segment.point(b)))
    if isinstance(segment, Arc):
        return Arc(segment.centre, segment.radius, segment.from_angle + segment.sweep * a, segment.sweep * (b - a))
    curve = BSpline(np.asarray(segment.knots), np.asarray(segment.control), DEGREE)
    u, v = (segment.knots[0] * (1 - t) + segment.knots[-1] * t for t in (a, b))  # exact at both ends
    for place in (u, v):
        for _ in range(DEGREE - int(np.sum(curve.t == place))):
            curve = curve.insert_knot(place)
    # A knot that stands DEGREE times from index i on holds the curve at control point i - 1.
    lo, hi = (max(1, int(np.searchsorted(curve.t, place))) for place in (u, v))
    knots = np.concatenate([[u], curve.t[lo : hi + DEGREE], [v]])
    return Spline(tuple(as_point(c) for c in curve.c[lo - 1 : hi]), tuple(float(k) for k in knots))


def on_segments(
    segments: Sequence[Segment], of: npt.NDArray[np.intp], t: npt.NDArray[np.float64]
) -> tuple[Points, Points]:
    """Points and unit tangents, both (M, 2), at parameters t (M,), each on its own segment; all of a kind at once.

    of : (M,) the number of the segment that each parameter belongs to
    """
    points, tangents = np.empty((len(t), 2)), np.empty((len(t), 2))
    for kind, on_all in _ON_ALL:
        numbers = [k for k, segment in enumerate(segments) if isinstance(segment, kind)]
        if numbers:
            here = np.isin(of, numbers)
            which = np.searchsorted(numbers, of[here])
            points[here], tangents[here] = on_all([segments[k] for k in numbers], which, t[here])
    return points, tangents


def _on_lines(lines: Sequence[Line], which: npt.NDArray[np.intp], t: npt.NDArray[np.float64]) -> tuple[Points, Points]:
    a, b = np.array([(line.start, line.end) for line in lines])[which].transpose(1, 0, 2)
    return _between(a, b, t), _unit(b - a)


def _on_arcs(arcs: Sequence[Arc], which: npt.NDArray[np.intp], t: npt.NDArray[np.float64]) -> tuple[Points, Points]:
    rows = np.array([(*arc.centre, arc.radius, arc.from_angle, arc.sweep) for arc in arcs])[which]
    sweep = rows[:, 4]
    spokes = _spokes(rows[:, 3] + sweep * t)
    return rows[:, :2] + rows[:, 2:3] * spokes, np.sign(sweep)[:, None] * _left_of(spokes)


def _on_splines(
    splines: Sequence[Spline], which: npt.NDArray[np.intp], t: npt.NDArray[np.float64]
) -> tuple[Points, Points]:
    """By one curve that runs along all of them, with gaps: along number k from parameter k to just before k + 1."""
    ends = [(s.knots[0], s.knots[-1]) for s in splines]
    knots = [k + (np.array(s.knots) - a) / (b - a) for k, (s, (a, b)) in enumerate(zip(splines, ends, strict=True))]
    control = [np.vstack([s.control, np.zeros((DEGREE + 1, 2))]) for s in splines]
    curve = BSpline(np.concatenate(knots), np.vstack(control)[: -DEGREE - 1], DEGREE)
    u = np.minimum(which + t, np.nextafter(which + 1.0, 0.0))
    return curve(u), _unit(curve(u, 1))


_ON_ALL: tuple[tuple[type[Segment], Callable[[Any, Any, Any], tuple[Points, Points]]], ...] = (
    (Line, _on_lines),
    (Arc, _on_arcs),
    (Spline, _on_splines),
)
