"""How well a fitted outline fits, how fair it is, and whether it may be believed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypedDict

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from shapely import LinearRing, MultiPoint, STRtree, distance, linestrings
from shapely import Point as Location
from shapely import points as points_of

from digitize.fitting.split import LONGEST_OUTLIER_MM, MOST_FALSE_MM, Samples
from digitize.model.outline import CORNER_RAD, Loop, signed_area
from digitize.model.segment import DEGREE, Arc, Line, Segment

Floats = npt.NDArray[np.float64]

NEAR_MM = 0.15  # no curve leaves its trusted points by more than this, or
NEAR_SIGMAS = 5.0
LONGEST_LOST_MM = 3.0  # run of points that may be farther off: dirt, a false edge
BULGE = 0.15  # of a gap that it crosses
EXTREMUM = 0.03  # of the range of the curvature: a smaller swing is none
FLATTENED_MM = 0.001  # chord error of a loop whose points are measured from it
FLATTEST = 1e-5  # 1/mm: a smaller swing is rounding


@dataclass(frozen=True)
class FitQuality:
    """How well an outline fits its contours.

    max_mm, rms_mm : distances from the points to their pieces, points near corners left out
    points : how many edge points err independently of each other
    pieces, corners, curvature_extrema : how many
    tangent_break_deg : largest turn at a smooth joint
    unfair_loops : how many loops no chain of smooth joints could follow; their pieces are simply joined
    """

    max_mm: float
    rms_mm: float
    points: int
    pieces: int
    corners: int
    curvature_extrema: int
    tangent_break_deg: float
    unfair_loops: int = 0


@dataclass(frozen=True)
class FittedLoop:
    """One loop, and how it fits.

    distances : (N,) mm, from it, of the points it was fitted to
    points : how many of them err independently of each other
    fair : unless its pieces are simply joined
    """

    loop: Loop
    distances: Floats
    points: int
    fair: bool = True


def fitted_to(samples: Samples, loop: Loop, fair: bool = True) -> FittedLoop:
    """The loop with its distances from the points that it was fitted to."""
    used = samples.weights > 0
    used = used if used.any() else samples.seen
    ring = loop.flattened(FLATTENED_MM)
    tree = STRtree(linestrings(np.stack([ring, np.roll(ring, -1, axis=0)], axis=1)))
    off = tree.query_nearest(points_of(samples.points[used]), return_distance=True, all_matches=False)[1]
    return FittedLoop(loop, off, max(1, round(float(used.sum()) / samples.together)), fair)


def turning_points(bend: Floats, closed: bool = False, flattest: float = FLATTEST) -> int:
    """How often a curvature (N,), 1/mm, along a smooth curve turns round by more than 3 % of its range.

    closed : the last value is followed by the first; flattest : 1/mm, swings of no more are none
    """
    least = max(EXTREMUM * float(np.ptp(bend)), flattest)
    if closed:
        bend = np.roll(bend, -int(bend.argmax()))
        bend = np.append(bend, bend[0])
    found, low, high, rising = int(closed and np.ptp(bend) > least), bend[0], bend[0], 0
    for value in bend:
        low, high = min(low, value), max(high, value)
        if rising >= 0 and value < high - least:
            found += rising > 0
            rising, low = -1, value
        elif rising <= 0 and value > low + least:
            found += rising < 0
            rising, high = 1, value
    return int(found)


def curvature(segment: Segment) -> Floats:
    """Curvature (N,) along a segment, 1/mm, positive where it turns left."""
    if isinstance(segment, Line):
        return np.zeros(2)
    if isinstance(segment, Arc):
        return np.full(2, math.copysign(1 / segment.radius, segment.sweep))
    curve = BSpline(np.asarray(segment.knots), np.asarray(segment.control), DEGREE)
    t = np.linspace(segment.knots[0], segment.knots[-1], 20 * len(segment.control) + 1)[1:-1]
    d, dd = curve.derivative()(t), curve.derivative(2)(t)
    bend: Floats = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / np.maximum((d * d).sum(axis=1), 1e-12) ** 1.5
    return bend


def curvature_extrema(loop: Loop) -> int:
    """Extrema of the curvature along a loop, between corners; a fillet between lines is one."""
    bends = [curvature(s) for s in loop.segments]
    corners = [] if len(bends) == 1 else list(np.flatnonzero(np.abs(loop.turns()) > CORNER_RAD))
    if not corners:
        return turning_points(np.concatenate(bends), closed=True)
    bends = bends[corners[0] :] + bends[: corners[0]]
    stretches = pairwise([k - corners[0] for k in corners] + [len(bends)])
    return sum(turning_points(np.concatenate(bends[a:b])) for a, b in stretches)


def smooth_turns(loop: Loop) -> list[float]:
    """Turns, radians, >= 0, at the joints that are meant to be smooth; two lines always meet at a corner."""
    if len(loop.segments) == 1 and isinstance(loop.segments[0], Arc):
        return []
    before = loop.segments[-1:] + loop.segments[:-1]
    turns = zip(before, loop.segments, np.abs(loop.turns()), strict=True)
    return [float(t) for a, b, t in turns if t <= CORNER_RAD and not (isinstance(a, Line) and isinstance(b, Line))]


def quality_of(fitted: Sequence[FittedLoop]) -> FitQuality:
    off = np.concatenate([f.distances for f in fitted])
    return FitQuality(
        max_mm=float(np.abs(off).max()),
        rms_mm=float(np.sqrt((off**2).mean())),
        points=sum(f.points for f in fitted),
        unfair_loops=sum(not f.fair for f in fitted),
        **_fairness([f.loop for f in fitted]),
    )


def of_loops(quality: FitQuality, loops: Sequence[Loop]) -> FitQuality:
    """The quality of loops that were changed where no points are."""
    return replace(quality, **_fairness(loops))


class _Fairness(TypedDict):
    pieces: int
    corners: int
    curvature_extrema: int
    tangent_break_deg: float


def _fairness(loops: Sequence[Loop]) -> _Fairness:
    return _Fairness(
        pieces=sum(len(loop.segments) for loop in loops),
        corners=sum(len(loop.corners()) for loop in loops),
        curvature_extrema=sum(curvature_extrema(loop) for loop in loops),
        tangent_break_deg=math.degrees(max((t for loop in loops for t in smooth_turns(loop)), default=0.0)),
    )


def _longest_run(bad: npt.NDArray[np.bool_], s: Floats) -> float:
    """Longest stretch (mm) of neighbours that are all bad."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]]).astype(int)))
    return max((float(s[b - 1] - s[a]) for a, b in zip(edges[::2], edges[1::2], strict=True)), default=-1.0)


def is_faithful(samples: Samples, loop: Loop) -> bool:
    """Whether a loop runs the contour's way, crosses nothing, and stays near its points, and they near it.

    Left out are the surroundings of corners, where blur has moved points and gaps are bridged, and single outliers.
    """
    good = samples.weights > 0
    if loop.area * signed_area(samples.points) <= 0 or loop.length > 1.5 * samples.length + 20.0:
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
        about = tree.query(
            at, "dwithin", 2 * float(distance(at, chords[chord])) + samples.blur
        )  # one side may end first
        # A tip thinner than the blur is not seen; two sides that are off by the tolerance meet as much farther out.
        open_by = max(float(gaps[about].max()), samples.blur) + 2 * samples.tolerance
        apex = near[chord] + open_by * abs(math.tan(float(turn) / 2))  # twice as high as over equal sides
        allowed = np.where(distance(along, at) < 2 * apex, np.maximum(allowed, apex), allowed)
    return bool((away <= allowed).all())
