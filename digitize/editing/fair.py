"""One fair piece through points, its ends fixed and, where that is asked, its tangents there."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from digitize.editing.following import arc_leaving
from digitize.fitting.pieces import CONTROLS
from digitize.fitting.primitives import fit_circle
from digitize.fitting.spline import basis, chord_parameters, clamped_knots, fit_spline, foot_points, normal_system
from digitize.model.segment import DEGREE, Arc, Line, Point, Points, Spline, as_point

Floats = npt.NDArray[np.float64]

OFF_MM = 0.02  # a piece that takes the place of others leaves them by no more
FIRST_STEPS = 3  # of Gauss-Newton, to see whether a spline is any use
STEPS = 8  # until it is settled, each with new foot points
NEAR_JOINT = 0.25  # of the shorter side of a joint
SHORTEST_LEG = 1e-3  # of the run's length: a shorter way to the next control point would let the tangent flip
FULLEST = math.pi - 1e-3  # of the angle between an arc and its chord: it is a whole circle then
LEGS = (0.1, 1.0)  # of the piece's length: control legs of a cubic that rounds a corner off, so that it stays convex
_BEZIER = (0.0,) * 4 + (1.0,) * 4
_T = np.linspace(0.0, 1.0, 200)


@dataclass(frozen=True)
class Ends:
    """Where a piece begins and ends, mm, and its unit tangents (2,) there; None leaves one free."""

    start: Point
    end: Point
    leaving: Floats | None = None
    arriving: Floats | None = None


@dataclass(frozen=True)
class FairFit:
    """A spline, and how far its points lie from it, (N,) mm."""

    spline: Spline
    distances: Floats


def arc_over(points: Points, start: Point, end: Point) -> tuple[Arc | Line, Floats]:
    """The arc between two points whose circle is nearest to points (N, 2) by least squares, and their distances (N,).

    The only unknown is the angle w from the chord to the tangent at the start. In coordinates along and across the
    chord, from its middle, and with half its length c, a point's distance from the circle is
    ((x^2 + y^2 - c^2) sin w + 2 c y cos w) / (hypot(x sin w, y sin w + c cos w) + c), which holds for the line as well.
    """
    p, q = np.asarray(start), np.asarray(end)
    c = math.dist(start, end) / 2
    along = (q - p) / (2 * c)
    rel = np.asarray(points) - (p + q) / 2
    x, y = rel @ along, rel @ np.array([-along[1], along[0]])
    power = x**2 + y**2 - c**2

    def off(w: Floats) -> Floats:
        s, k = math.sin(w[0]), math.cos(w[0])
        away: Floats = (power * s + 2 * c * y * k) / (np.hypot(x * s, y * s + c * k) + c)
        return away

    a, b = float(power @ (2 * c * y)), float(power @ power - 4 * c * c * (y @ y))
    guess = 0.5 * math.atan2(2 * a, b) + math.pi / 2  # least squares of the numerator
    guess = math.remainder(guess, 2 * math.pi)
    if guess * float(y.sum()) < 0:
        guess -= math.copysign(math.pi, guess)  # the same circle's other arc
    found = least_squares(off, [guess], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    w = float(np.clip(math.remainder(float(found.x[0]), 2 * math.pi), -FULLEST, FULLEST))
    heading = math.cos(w) * along + math.sin(w) * np.array([-along[1], along[0]])
    return arc_leaving(start, heading, end), np.abs(found.fun)


def circle_over(points: Points, start: Point) -> Arc | None:
    """The whole circle through points (N, 2) in travel order, begun next to one; None where they lie off any."""
    found = fit_circle(points)
    if found is None:
        return None
    centre, radius = found
    away = points - np.asarray(centre)
    if np.abs(np.hypot(*away.T) - radius).max() > OFF_MM:
        return None
    sense = math.copysign(1.0, float((away[:-1, 0] * away[1:, 1] - away[:-1, 1] * away[1:, 0]).sum()))
    return Arc(centre, radius, math.atan2(start[1] - centre[1], start[0] - centre[0]), sense * 2 * math.pi)


def closest_spline(points: Points, ends: Ends, joint: float) -> Spline:
    """The spline of fewest control points that leaves no point by more than OFF_MM, or else the closest one.

    joint : share of the run's length at which its bend may jump; knots are tried evenly, and half of them near there
    """
    near = NEAR_JOINT * min(joint, 1 - joint)
    even, dense = np.array([0.0, 1.0]), np.array([0.0, joint - near, joint, joint + near, 1.0])
    weights = np.ones(len(points))
    best, least = plain_cubic(points, ends).spline, math.inf
    for n in _counts(len(points)):
        for borders in (even, dense):
            fit = fair_spline(points, weights, clamped_knots(borders, n), ends)
            if fit and fit.distances.max() < least:
                best, least = fit.spline, float(fit.distances.max())
        if least <= OFF_MM:
            break
    return best


def fair_splines(points: Points, weights: Floats, ends: Ends) -> Iterator[FairFit]:
    """Splines of nearly least squares, for more and more control points from 4 on; those that go astray left out.

    points : (N, 2) in travel order, without the ends; weights : (N,)
    """
    for n in _counts(len(points)):
        fit = fair_spline(points, weights, clamped_knots(np.array([0.0, 1.0]), n), ends, FIRST_STEPS)
        if fit:
            yield fit


def _counts(points: int) -> list[int]:
    """Numbers of control points that so many points can bear."""
    return [n for n in CONTROLS if n <= max(DEGREE + 1, points // 2)]


def fair_spline(points: Points, weights: Floats, knots: Floats, ends: Ends, steps: int = STEPS) -> FairFit | None:
    """The spline with these clamped knots (0..1) of least squared distance to points (N, 2); None if none settles."""
    run = np.vstack([ends.start, points, ends.end])
    heavy = np.concatenate([weights[:1], weights, weights[-1:]])
    fixed, free = _conditions(ends, len(knots) - DEGREE - 1)
    length = float(np.linalg.norm(np.diff(run, axis=0), axis=1).sum())
    tangents = (ends.leaving is not None) + (ends.arriving is not None)
    legs = np.arange(free.shape[1]) >= free.shape[1] - tangents
    try:
        first = fit_spline(run, heavy, knots, steps=0)
        z = np.linalg.lstsq(free, first.control.T.ravel() - fixed, rcond=None)[0]
        t = first.t
        for _ in range(steps):
            z = np.where(legs, np.maximum(z, SHORTEST_LEG * length), z)
            control = (fixed + free @ z).reshape(2, -1).T
            t = foot_points(control, knots, run, t)
            matrix, right, _ = normal_system(control, knots, run, heavy, t)
            z = z + np.linalg.solve(free.T @ matrix @ free, free.T @ right)
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(z).all() or (z[legs] < SHORTEST_LEG * length).any():
        return None
    control = (fixed + free @ z).reshape(2, -1).T
    t = foot_points(control, knots, run, t)
    distances = np.linalg.norm(run - basis(knots, t) @ control, axis=1)[1:-1]
    inner = tuple(as_point(c) for c in control[1:-1])
    return FairFit(Spline((ends.start, *inner, ends.end), tuple(float(k) for k in knots)), distances)


def _conditions(ends: Ends, n: int) -> tuple[Floats, Floats]:
    """Control points (x, then y) as fixed (2n,) + free (2n, m) @ z: ends fixed, the next ones along given tangents.

    The last columns are those of the legs along tangents.
    """
    fixed, columns, bound = np.zeros((2, n)), [], {0, n - 1}
    fixed[:, 0], fixed[:, -1] = ends.start, ends.end
    legs = []
    for at, base, way in ((1, ends.start, ends.leaving), (n - 2, ends.end, ends.arriving)):
        if way is not None:
            fixed[:, at] = base
            leg = np.zeros((2, n))
            leg[:, at] = way if at == 1 else -way
            legs.append(leg.ravel())
            bound.add(at)
    for k in range(n):
        if k not in bound:
            columns += list(np.eye(2 * n)[[k, n + k]])
    return fixed.ravel(), np.array([*columns, *legs]).T


def rounded(points: Points, ends: Ends, lengths: tuple[float, float]) -> Spline:
    """The one cubic that rounds a corner off: with the tangents at its ends, nearest to both sides by least squares.

    points : (N, 2) of both sides; lengths : of the two sides, mm, beyond which its control legs do not reach
    """
    assert ends.leaving is not None and ends.arriving is not None

    def curve(legs: Floats) -> Points:
        control = [
            np.asarray(ends.start),
            ends.start + legs[0] * lengths[0] * np.asarray(ends.leaving),
            ends.end - legs[1] * lengths[1] * np.asarray(ends.arriving),
            np.asarray(ends.end),
        ]
        return np.array(control)

    def off(legs: Floats) -> Floats:
        on = BSpline(np.array(_BEZIER), curve(legs), DEGREE)(_T)
        away: Floats = cKDTree(on).query(points)[0]
        return away

    legs = least_squares(off, [0.6, 0.6], bounds=LEGS, diff_step=1e-3, xtol=1e-6).x
    control = curve(legs)
    return Spline((ends.start, as_point(control[1]), as_point(control[2]), ends.end), _BEZIER)


def plain_cubic(points: Points, ends: Ends) -> FairFit:
    """The cubic with the given tangents whose control legs are a third of the way along the points (N, 2)."""
    run = np.vstack([ends.start, points, ends.end])
    third = float(np.linalg.norm(np.diff(run, axis=0), axis=1).sum()) / 3
    chord = (run[-1] - run[0]) / 3
    first = chord if ends.leaving is None else third * ends.leaving
    last = chord if ends.arriving is None else third * ends.arriving
    control, knots = np.array([run[0], run[0] + first, run[-1] - last, run[-1]]), np.array(_BEZIER)
    t = foot_points(control, knots, run, chord_parameters(run))
    distances = np.linalg.norm(run - basis(knots, t) @ control, axis=1)[1:-1]
    return FairFit(Spline((ends.start, as_point(control[1]), as_point(control[2]), ends.end), _BEZIER), distances)
