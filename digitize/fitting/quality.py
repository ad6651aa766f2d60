"""How well a fitted outline fits, how fair it is, and whether it may be believed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from shapely import LinearRing, MultiPoint, STRtree, distance, linestrings
from shapely import Point as Location
from shapely import points as points_of

from digitize.fitting.split import LONGEST_OUTLIER_MM, MOST_FALSE_MM, Samples, area_of
from digitize.model.outline import CORNER_RAD, Loop
from digitize.model.segment import DEGREE, Arc, Segment, Spline

Floats = npt.NDArray[np.float64]

NEAR_MM = 0.15  # no curve leaves its trusted points by more than this, or
NEAR_SIGMAS = 5.0
LONGEST_LOST_MM = 3.0  # run of points that may be farther off: dirt, a false edge
BULGE = 0.15  # of a gap that it crosses


@dataclass(frozen=True)
class FitQuality:
    """How well an outline fits its contours.

    max_mm, rms_mm : distances from the points to their pieces, points near corners left out
    pieces, corners, curvature_extrema : how many
    tangent_break_deg : largest turn at a smooth joint
    unfair_loops : how many loops no chain of smooth joints could follow; their pieces are simply joined
    """

    max_mm: float
    rms_mm: float
    pieces: int
    corners: int
    curvature_extrema: int
    tangent_break_deg: float
    unfair_loops: int = 0


@dataclass(frozen=True)
class FittedLoop:
    """One loop, and the distances (N,), mm, of the points it was fitted to; ``fair`` unless simply joined."""

    loop: Loop
    distances: Floats
    fair: bool = True


def _curvature_extrema(segment: Segment) -> int:
    """How often the curvature of a spline turns round by more than 3 % of its range."""
    if not isinstance(segment, Spline):
        return 0
    curve = BSpline(np.asarray(segment.knots), np.asarray(segment.control), DEGREE)
    t = np.linspace(segment.knots[0], segment.knots[-1], 20 * len(segment.control) + 1)[1:-1]
    d, dd = curve.derivative()(t), curve.derivative(2)(t)
    bend = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / np.maximum((d * d).sum(axis=1), 1e-12) ** 1.5
    least = max(0.03 * float(np.ptp(bend)), 1e-5)
    found, low, high, rising = 0, bend[0], bend[0], 0
    for value in bend:
        low, high = min(low, value), max(high, value)
        if rising >= 0 and value < high - least:
            found += rising > 0
            rising, low = -1, value
        elif rising <= 0 and value > low + least:
            found += rising < 0
            rising, high = 1, value
    return int(found)


def quality_of(fitted: Sequence[FittedLoop]) -> FitQuality:
    loops = [f.loop for f in fitted]
    off = np.concatenate([f.distances for f in fitted])
    smooth = [
        abs(t)
        for loop in loops
        if not (len(loop.segments) == 1 and isinstance(loop.segments[0], Arc))
        for t in loop.turns()
        if abs(t) <= CORNER_RAD
    ]
    return FitQuality(
        float(np.abs(off).max()),
        float(np.sqrt((off**2).mean())),
        sum(len(loop.segments) for loop in loops),
        sum(len(loop.corners()) for loop in loops),
        sum(_curvature_extrema(s) for loop in loops for s in loop.segments),
        math.degrees(max(smooth, default=0.0)),
        sum(not f.fair for f in fitted),
    )


def _longest_run(bad: npt.NDArray[np.bool_], s: Floats) -> float:
    """Longest stretch (mm) of neighbours that are all bad."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]]).astype(int)))
    return max((float(s[b - 1] - s[a]) for a, b in zip(edges[::2], edges[1::2], strict=True)), default=-1.0)


def is_faithful(samples: Samples, fitted: FittedLoop) -> bool:
    """Whether a loop runs the contour's way, crosses nothing, and stays near its points, and they near it.

    Left out are the surroundings of corners, where blur has moved points and gaps are bridged, and single outliers.
    """
    loop, good = fitted.loop, samples.weights > 0
    if loop.area * area_of(samples.points) <= 0 or loop.length > 1.5 * samples.length + 20.0:
        return False
    ring = LinearRing(loop.flattened())
    if not ring.is_simple:
        return False
    corners = MultiPoint(loop.corners())
    points, s = samples.points[good], samples.s[good]
    near = np.maximum(NEAR_MM, NEAR_SIGMAS * np.maximum(samples.sigma[good], np.median(samples.sigma)))
    there = points_of(points)
    clear = distance(there, corners) > 2 * samples.blur if loop.corners() else np.ones(len(s), dtype=bool)
    off = distance(there, ring)
    lost = (off > near) & clear
    if _longest_run(lost, s) > (LONGEST_LOST_MM if off[lost].max(initial=0.0) < MOST_FALSE_MM else LONGEST_OUTLIER_MM):
        return False
    points, near = points[~lost], near[~lost]
    gaps = np.linalg.norm(np.diff(points, axis=0, append=points[:1]), axis=1)
    chords = linestrings(np.stack([points, np.roll(points, -1, axis=0)], axis=1))
    along = points_of(np.asarray(ring.segmentize(0.5).coords))
    tree = STRtree(chords)
    nearest, away = tree.query_nearest(along, return_distance=True, all_matches=False)
    allowed = near[nearest[1]] + BULGE * gaps[nearest[1]]
    for corner, turn in zip(loop.corners(), loop.turns()[np.abs(loop.turns()) > CORNER_RAD], strict=True):
        at = Location(corner)
        chord = tree.nearest(at)
        apex = near[chord] + gaps[chord] * abs(math.tan(float(turn) / 2))  # twice as high as over equal sides
        allowed = np.where(distance(along, at) < 2 * apex, np.maximum(allowed, apex), allowed)
    return bool((away <= allowed).all())
