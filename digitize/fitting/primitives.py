"""Straight lines and circles through weighted points: one of them, or all runs of a contour at once.

The fits of single runs are geometric (least squares of true distances); those of all runs at once use Pratt's
algebraic circle, whose residual equals the geometric one to first order and which turns into the line as the radius
grows. Sources: Pratt, SIGGRAPH 1987; Chernov, Circular and Linear Regression, 2010, ch. 5 (Newton form; from memory);
Gander, Golub, Strebel, BIT 34, 1994 (geometric fit).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from digitize.model.segment import Point, Points, as_point

Floats = npt.NDArray[np.float64]

NEWTON_STEPS = 12  # Pratt's polynomial from 0; converges quadratically, monotone from below
GAUSS_STEPS = 50
FIT_TOL = 1e-12  # relative step at which a geometric circle has converged


class Moments(NamedTuple):
    """Weight, centroid and central moments (divided by the weight) of runs of points; z = x^2 + y^2."""

    w: Floats
    x: Floats
    y: Floats
    xx: Floats
    xy: Floats
    yy: Floats
    xz: Floats
    yz: Floats
    zz: Floats


def run_moments(x: Floats, y: Floats, w: Floats) -> Moments:
    """Moments of the runs 0..k along the last axis, for every k."""
    z = x * x + y * y
    total = np.cumsum(w, axis=-1)
    total = np.where(total > 0, total, 1.0)

    def mean(values: Floats) -> Floats:
        sums: Floats = np.cumsum(w * values, axis=-1) / total
        return sums

    a, b, mz = mean(x), mean(y), mean(z)
    xx, xy, yy = mean(x * x) - a * a, mean(x * y) - a * b, mean(y * y) - b * b
    xz = mean(x * z) - a * mz - 2 * (a * xx + b * xy)
    yz = mean(y * z) - b * mz - 2 * (a * xy + b * yy)
    square = a * a + b * b
    zz = mean(z * z) - 2 * square * mz + square**2
    zz = zz - 4 * (a * xz + b * yz) - 4 * (a * a * xx + 2 * a * b * xy + b * b * yy)
    return Moments(total, a, b, xx, xy, yy, xz, yz, zz)


def line_misfit(m: Moments) -> Floats:
    """Weighted sum of squared distances from the best straight line."""
    half = (m.xx + m.yy) / 2
    smaller = half - np.hypot((m.xx - m.yy) / 2, m.xy)
    misfit: Floats = m.w * np.maximum(smaller, 0.0)
    return misfit


def _pratt_root(m: Moments) -> Floats:
    """Smallest root of Pratt's polynomial: the mean squared distance from the best circle, to first order."""
    mz = m.xx + m.yy
    cov = m.xx * m.yy - m.xy * m.xy
    a2 = 4 * cov - 3 * mz * mz - m.zz
    a1 = m.zz * mz + 4 * cov * mz - m.xz**2 - m.yz**2 - mz**3
    a0 = m.xz**2 * m.yy + m.yz**2 * m.xx - m.zz * cov - 2 * m.xz * m.yz * m.xy + mz * mz * cov
    root = np.zeros_like(mz)
    for _ in range(NEWTON_STEPS):
        value = a0 + root * (a1 + root * (a2 + 4 * root * root))
        slope = a1 + root * (2 * a2 + 16 * root * root)
        root = root - value / np.where(slope == 0, 1.0, slope)
    return root


def arc_misfit(m: Moments) -> Floats:
    """Weighted sum of squared distances from the best circle; never more than the line's."""
    line = line_misfit(m)
    root = m.w * _pratt_root(m)
    misfit: Floats = np.where((root >= 0) & (root < line), root, line)
    return misfit


def _pratt_circles(m: Moments) -> tuple[Floats, Floats, Floats]:
    """Centres (x and y, from the centroids) and radii."""
    root = _pratt_root(m)
    det = root * root - root * (m.xx + m.yy) + m.xx * m.yy - m.xy * m.xy
    cx = (m.xz * (m.yy - root) - m.yz * m.xy) / (2 * det)
    cy = (m.yz * (m.xx - root) - m.xz * m.xy) / (2 * det)
    return cx, cy, np.sqrt(cx * cx + cy * cy + m.xx + m.yy + 2 * root)


def fit_circle(points: Points, weights: Floats | None = None) -> tuple[Point, float] | None:
    """Centre and radius (mm) of the circle of least weighted squared distance to the points.

    points : (N, 2) float, mm, N >= 3
    weights : (N,) float, 1/variance; equal where None

    Returns None where the points lie on a straight line, or the search does not settle.
    Source: Gander, Golub, Strebel, BIT 34, 1994, section 3 (Gauss-Newton).
    """
    w = np.ones(len(points)) if weights is None else weights
    middle = points.mean(axis=0)
    p = points - middle
    with np.errstate(all="ignore"):
        moments = run_moments(p[:, 0], p[:, 1], w)
        cx, cy, radii = _pratt_circles(moments)
    centre, radius = np.array([moments.x[-1] + cx[-1], moments.y[-1] + cy[-1]]), float(radii[-1])
    root = np.sqrt(w)
    for _ in range(GAUSS_STEPS):
        if not (np.isfinite(centre).all() and np.isfinite(radius)):
            return None
        away = p - centre
        distance = np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-12)
        jacobian = -np.column_stack([away / distance[:, None], np.ones(len(p))])
        step = np.linalg.lstsq(jacobian * root[:, None], -(distance - radius) * root, rcond=None)[0]
        centre, radius = centre + step[:2], radius + step[2]
        if np.abs(step).max() <= FIT_TOL * (1 + abs(radius)):
            break
    return as_point(centre + middle), float(radius)


def radius_sigma(sweep: float, points: float, sigma: float) -> float:
    """Standard error, mm, of the radius of an arc through points spread evenly over it.

    sweep : radians, either sign; points : how many err independently; sigma : mm, of each

    Inverse of the Fisher information of centre and radius; tangent neighbours only make it less. Source: Chernov and
    Lesort, 2004 (from memory).
    """
    half = abs(sweep) / 2
    first, second = math.sin(half) / half, math.sin(2 * half) / (2 * half)  # means of cos a and cos 2a over the arc
    along = (1 + second) / 2
    return sigma * math.sqrt(along / max((along - first**2) * points, 1e-12))


def fit_line(points: Points, weights: Floats | None = None) -> tuple[Point, float]:
    """A point of the line of least weighted squared distance (the centroid) and its direction of travel (radians).

    points : (N, 2) float, mm, in travel order, N >= 2
    """
    w = np.ones(len(points)) if weights is None else weights
    centre = (w[:, None] * points).sum(axis=0) / w.sum()
    away = points - centre
    sxx, syy = (w * away[:, 0] ** 2).sum(), (w * away[:, 1] ** 2).sum()
    sxy = (w * away[:, 0] * away[:, 1]).sum()
    angle = 0.5 * math.atan2(2 * sxy, sxx - syy)
    travel = points[-1] - points[0]
    if travel[0] * math.cos(angle) + travel[1] * math.sin(angle) < 0:
        angle += math.pi
    return as_point(centre), math.remainder(angle, 2 * math.pi)


def moments_of_runs(points: Points, weights: Floats, band: int) -> Moments:
    """Moments, about its first point, of every run of neighbours of a closed chain.

    points : (M, 2) float, mm; weights : (M,) float, 1/variance; band : longest run

    Arrays are (M, band): entry [i, k] is for the k + 1 points that begin with point i.
    """
    index = (np.arange(len(points))[:, None] + np.arange(band)[None, :]) % len(points)
    x = points[index, 0] - points[:, :1]
    y = points[index, 1] - points[:, 1:]
    return run_moments(x, y, weights[index])


def run_misfits(moments: Moments) -> tuple[Floats, Floats]:
    """Misfit of the best line and of the best arc to every run."""
    with np.errstate(all="ignore"):
        return line_misfit(moments), arc_misfit(moments)


class Ends(NamedTuple):
    """How K runs, each taken for a line or an arc, pass by a place at one of their ends.

    heading : radians; off : mm, by which the place lies to the left; bend : curvature, 1/mm, positive to the left
    """

    heading: Floats
    off: Floats
    bend: Floats


def run_ends(moments: Moments, travel: Points, place: Points, is_arc: npt.NDArray[np.bool_]) -> Ends:
    """How runs pass by places.

    moments : of K runs; travel : (K, 2) mm, from the first point to the last; place : (K, 2) mm, from the first point
    """
    m = moments
    along = 0.5 * np.arctan2(2 * m.xy, m.xx - m.yy)
    along = np.where(travel[:, 0] * np.cos(along) + travel[:, 1] * np.sin(along) < 0, along + np.pi, along)
    dx, dy = place[:, 0] - m.x, place[:, 1] - m.y
    off = dy * np.cos(along) - dx * np.sin(along)
    with np.errstate(all="ignore"):
        cx, cy, radius = _pratt_circles(m)
        sign = np.sign(cy * travel[:, 0] - cx * travel[:, 1])
        ax, ay = dx - cx, dy - cy
        turned, away = np.arctan2(sign * ax, -sign * ay), sign * (radius - np.hypot(ax, ay))
        is_arc = is_arc & np.isfinite(radius)
        return Ends(np.where(is_arc, turned, along), np.where(is_arc, away, off), np.where(is_arc, sign / radius, 0.0))
