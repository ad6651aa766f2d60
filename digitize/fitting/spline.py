"""Cubic B-splines of least squared distance through points, with few control points.

The distance is measured along the curve's normal (Gauss-Newton with foot points), so that the curve's parameter is
free to suit the shape. Source: Wang, Pottmann, Liu, ACM Trans. Graphics 25, 2006 (tangent distance minimisation; from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

from digitize.model.segment import DEGREE, Points

Floats = npt.NDArray[np.float64]

ALONG = 0.02  # stiffness along the curve against across: it only keeps the parameter from drifting
FIRST_ALONG = 0.2  # the same while headings are those of the noisy points
SMOOTH = 1e-7  # weight of the third differences, relative to the data: fills gaps, bends nothing
FOOT_STEPS = 3
WEAKEST = 1e-9  # damping, relative to the data, of what nothing determines
NORMAL_REACH = 2  # neighbours each way that give a point's first normal


@dataclass(frozen=True)
class SplineFit:
    """Control points (n, 2), the clamped knots (n + 4,) on 0..1, foot parameters (N,) and the weighted misfit."""

    control: Points
    knots: Floats
    t: Floats
    misfit: float


def clamped_knots(borders: Floats, n: int) -> Floats:
    """Knots on 0..1 for n control points, as close together as the borders (0 .. 1, increasing) are."""
    even = np.linspace(0, 1, n - DEGREE + 1)[1:-1]
    inner = np.interp(even, np.linspace(0, 1, len(borders)), borders)
    return np.concatenate([np.zeros(DEGREE + 1), inner, np.ones(DEGREE + 1)])


def basis(knots: Floats, t: Floats) -> Floats:
    """Values (N, n) of the basis functions at parameters t (N,)."""
    values: Floats = BSpline.construct_fast(knots, np.eye(len(knots) - DEGREE - 1), DEGREE)(t)
    return values


def foot_points(control: Points, knots: Floats, points: Points, t: Floats) -> Floats:
    """Parameters (N,) of the points' nearest curve points, from a first guess t."""
    curve = BSpline(knots, control, DEGREE)
    slope = curve.derivative()
    for _ in range(2):
        d = slope(t)
        along = ((points - curve(t)) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-12)
        t = np.clip(t + np.clip(along, -0.1, 0.1), 0.0, 1.0)
    return t


def third_differences(n: int) -> Floats:
    """Matrix (n - 3, n) of third differences, the spline's want of fairness."""
    differences, k = np.zeros((n - 3, n)), np.arange(n - 3)
    for shift, factor in enumerate((-1.0, 3.0, -3.0, 1.0)):
        differences[k, k + shift] = factor
    return differences


def chord_parameters(points: Points) -> Floats:
    """Share of the polyline's length (N,) at each of its points, 0..1."""
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    share: Floats = s / s[-1]
    return share


def _oblique(b: Floats, weights: Floats, heading: Points, off: Points, along: float | Floats) -> tuple[Floats, Floats]:
    """Matrix (2n, 2n) and right side (2n,) of least squares of offsets (N, 2), stiff across the heading, soft along."""
    hx, hy = heading.T
    soft = along * along
    terms = (weights * (hy * hy + soft * hx * hx), weights * (soft - 1) * hx * hy, weights * (hx * hx + soft * hy * hy))
    xx, xy, yy = (b.T @ (b * term[:, None]) for term in terms)
    right = np.concatenate(
        [b.T @ (terms[0] * off[:, 0] + terms[1] * off[:, 1]), b.T @ (terms[1] * off[:, 0] + terms[2] * off[:, 1])]
    )
    return np.vstack([np.hstack([xx, xy]), np.hstack([xy, yy])]), right


def _stiffened(matrix: Floats, right: Floats, control: Points, weight: float) -> tuple[Floats, Floats]:
    n = len(control)
    rough = third_differences(n)
    stiff = SMOOTH * weight * (rough.T @ rough)
    matrix[:n, :n] += stiff
    matrix[n:, n:] += stiff
    right -= np.concatenate([stiff @ control[:, 0], stiff @ control[:, 1]])
    return matrix, right


def normal_system(
    control: Points, knots: Floats, points: Points, weights: Floats, t: Floats, pinned: bool = False
) -> tuple[Floats, Floats, Floats]:
    """Gauss-Newton matrix (2n, 2n) and right side (2n,) for the control points (x, then y), and normal distances (N,).

    Distances are point minus curve, along the left normal. pinned : the first and last point hold the curve's ends.
    """
    b = basis(knots, t)
    heading = BSpline(knots, control, DEGREE).derivative()(t)
    heading = heading / np.maximum(np.hypot(heading[:, 0], heading[:, 1]), 1e-12)[:, None]
    off = points - b @ control
    away = off[:, 1] * heading[:, 0] - off[:, 0] * heading[:, 1]
    along = _stiffness(len(points), ALONG) if pinned else np.full(len(points), ALONG)
    matrix, right = _stiffened(*_oblique(b, weights, heading, off, along), control, float(weights.sum()))
    return matrix, right, away


def _stiffness(n: int, along: float) -> Floats:
    """Stiffness along the curve: full at both ends, soft between."""
    stiff = np.full(n, along)
    stiff[[0, -1]] = 1.0
    return stiff


def _headings(points: Points) -> Points:
    """Unit tangents (N, 2) of a polyline, averaged over a few neighbours."""
    k = np.arange(len(points))
    d = points[np.minimum(k + NORMAL_REACH, len(points) - 1)] - points[np.maximum(k - NORMAL_REACH, 0)]
    headings: Points = d / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-12)[:, None]
    return headings


def fit_spline(points: Points, weights: Floats, knots: Floats, steps: int = FOOT_STEPS) -> SplineFit:
    """The cubic spline of least squared distance to points (N, 2), in travel order; it ends next to the last ones.

    knots : clamped, on 0..1, as shares of the length of the polyline through the points
    steps : of Gauss-Newton with new foot points; 0 keeps the points' first parameters
    """
    n = len(knots) - DEGREE - 1
    t, heading = chord_parameters(points), _headings(points)
    t[0], t[-1] = 0.0, 1.0
    b = basis(knots, t)
    start = np.zeros((n, 2))
    stiff = _stiffness(len(points), FIRST_ALONG)
    matrix, right = _stiffened(*_oblique(b, weights, heading, points, stiff), start, float(weights.sum()))
    matrix += WEAKEST * weights.sum() * np.eye(2 * n)
    control = np.asarray(np.linalg.solve(matrix, right).reshape(2, n).T, dtype=np.float64)
    off = points - b @ control
    away = off[:, 1] * heading[:, 0] - off[:, 0] * heading[:, 1]
    for _ in range(steps):
        t = foot_points(control, knots, points, t)
        t[0], t[-1] = 0.0, 1.0
        matrix, right, _ = normal_system(control, knots, points, weights, t, pinned=True)
        matrix += WEAKEST * weights.sum() * np.eye(2 * n)
        control = control + np.asarray(np.linalg.solve(matrix, right).reshape(2, n).T, dtype=np.float64)
    if steps:
        t = foot_points(control, knots, points, t)
        away = normal_system(control, knots, points, weights, t)[2]
    return SplineFit(control, knots, t, float((weights * away**2).sum()))


def extended(control: Points, knots: Floats, before: float, after: float) -> tuple[Points, Floats]:
    """Control points and knots (again on 0..1) of the same curve, its first and last span made longer.

    before, after : by how much, in the curve's parameter
    """
    n = len(control)
    longer = np.concatenate([np.full(DEGREE + 1, -before), knots[DEGREE + 1 : n], np.full(DEGREE + 1, 1 + after)])
    longer = (longer + before) / (1 + before + after)
    t = np.linspace(0, 1, 12 * n)
    shape = BSpline(knots, control, DEGREE)(t * (1 + before + after) - before)
    return np.linalg.lstsq(basis(longer, t), shape, rcond=None)[0], longer
