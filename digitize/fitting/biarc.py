"""Splines turned into chains of tangent arcs, for readers that know lines and arcs only.

A biarc is two arcs that are tangent to each other and, at their far ends, to the curve. Each one here has equal legs
(the joint halfway between the two inner corners of its control polygon), which for a clothoid is the best choice; its
largest deviation from a clothoid of length h whose curvature changes at the rate k' is k' h^3 / 324 (derived from the
cubic that the deviation is to first order; order h^3: Meek and Walton, J. Comput. Appl. Math. 59, 1995, from memory).

Fewest arcs within a tolerance, with joints anywhere, are a harder problem (Drysdale, Rote, Sturm, Comput. Geom. 41,
2008; Maier, Pisinger, Comput. Geom. 46, 2013) and only a bound here: each biarc begins and ends on the curve with its
tangent, and spans as much of it as holds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely
from scipy.interpolate import BSpline

from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.segment import DEGREE, Arc, Line, Points, Segment, Spline, as_point

Floats = npt.NDArray[np.float64]

FINEST_MM = 1e-4  # a finer tolerance means nothing in wood, and makes thousands of pieces
CHORD_SHARE = 0.02  # of the tolerance: how far the curve may leave the grid that stands for it
LEAST_PER_SPAN = 24  # grid intervals between two knots
SAMPLES = 12  # of an arc, to measure how far it lies from the curve
STRAIGHT_RAD = 2e-7  # an arc that turns by less is a line: its tangents are off by half of that
LARGEST_RADIUS_MM = 1e6  # one kilometre: no reader is sure to bear more, and no wood shows it
WIDEST_RAD = 2.0  # turn of one arc; a wider one could leave the curve and come back
HALVINGS = 6  # of the tolerance, where the arcs would cross themselves
KINK_RAD = 1e-7  # a spline whose tangent jumps by more (a threefold knot) is two curves
STILL = 1e-12  # speed below which the spline's own tangent means nothing


@dataclass(frozen=True)
class _Grid:
    """A smooth curve as points (N, 2), mm, and unit tangents (N, 2), dense enough to stand for it."""

    points: Points
    tangents: Points


def arcs_outline(outline: Outline, tolerance: float) -> Outline:
    """The outline with every Spline turned into tangent arcs (and lines); its lines and arcs stay as they are.

    tolerance : mm; no arc leaves the spline, and no point of the spline the arcs, by more. Ends and end tangents stay,
        joints are tangent to rounding (1e-6 radians), no radius exceeds LARGEST_RADIUS_MM.

    Raises InputError where the tolerance is below FINEST_MM, or the arcs would cross each other at any tolerance tried.
    """
    if not tolerance >= FINEST_MM:
        raise InputError(f"A tolerance of {tolerance:g} mm is below {FINEST_MM:g} mm", "ask for 0.01 mm or more")
    for halved in range(HALVINGS):
        finer = tolerance / 2**halved
        loops = [Loop(tuple(p for s in loop.segments for p in _pieces(s, finer))) for loop in outline.loops]
        try:
            return Outline(loops[0], tuple(loops[1:]))
        except ValueError:  # a place narrower than the tolerance
            continue
    raise InputError(
        f"The outline comes so near to itself that arcs within {tolerance:g} mm of it would cross",
        "keep its splines, or ask for a smaller tolerance",
    )


def _pieces(segment: Segment, tolerance: float) -> Iterable[Segment]:
    if not isinstance(segment, Spline):
        return (segment,)
    return (piece for grid in _grids(segment, tolerance) for piece in _chain(grid, tolerance))


def _grids(spline: Spline, tolerance: float) -> Iterator[_Grid]:
    """The smooth curves that a spline consists of: one, unless it has kinks."""
    curve = BSpline(np.asarray(spline.knots), np.asarray(spline.control), DEGREE)
    breaks, times = np.unique(curve.t, return_counts=True)
    runs: list[list[Floats]] = [[]]
    for k, (a, b) in enumerate(pairwise(breaks)):
        most = float(np.linalg.norm(curve(np.linspace(a, b, 6)[:-1], 2), axis=1).max())
        count = max(LEAST_PER_SPAN, math.ceil((b - a) * math.sqrt(most / (8 * CHORD_SHARE * tolerance))))
        if times[k] >= DEGREE and k > 0:
            runs.append([])
        runs[-1].append(np.linspace(a, b, count + 1))
    grids = [_sampled(curve, np.unique(np.concatenate(run))) for run in runs]
    whole = [grids[0]]
    for grid in grids[1:]:
        before, after = whole[-1].tangents[-1], grid.tangents[0]
        if abs(math.atan2(_cross(before, after), before @ after)) > KINK_RAD:
            whole.append(grid)
        else:
            joined = (
                np.vstack([whole[-1].points, grid.points[1:]]),
                np.vstack([whole[-1].tangents, grid.tangents[1:]]),
            )
            whole[-1] = _Grid(*joined)
    return iter(whole)


def _sampled(curve: BSpline, u: Floats) -> _Grid:
    """Points and tangents at increasing parameters; the tangents at either end are those from within."""
    points = curve(u)
    keep = np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > 0])
    u, points = u[keep], points[keep]
    inside = u.copy()
    inside[-1] = np.nextafter(u[-1], u[0])  # BSpline takes a threefold knot from the right
    d = curve(inside, 1)
    speed, chord = np.linalg.norm(d, axis=1, keepdims=True), np.gradient(points, axis=0)
    d = np.where(speed > STILL, d, chord)
    return _Grid(points, d / np.linalg.norm(d, axis=1, keepdims=True))


def _chain(grid: _Grid, tolerance: float) -> list[Segment]:
    """Biarcs one after the other, each as long as the tolerance allows."""
    within = (1 - 2 * CHORD_SHARE) * tolerance
    pieces: list[Segment] = []
    at, span, last = 0, 1, len(grid.points) - 1
    while at < last:
        span, found = _longest(grid, at, min(span, last - at), within)
        pieces += found
        at += span
    return _merged(pieces)


def _longest(grid: _Grid, at: int, guess: int, within: float) -> tuple[int, list[Segment]]:
    """The most grid intervals from ``at`` that one biarc spans, found by doubling and halving from a guess."""
    most = len(grid.points) - 1 - at
    held = {1: _biarc(grid, at, at + 1) or [Line(as_point(grid.points[at]), as_point(grid.points[at + 1]))]}

    def holds(span: int) -> bool:
        found = _biarc(grid, at, at + span)
        if found and _deviation(grid.points[at : at + span + 1], found) <= within:
            held[span] = found
        return span in held

    low, high = 1, guess
    while high <= most and holds(high):
        low, high = high, 2 * high
    high = min(high, most + 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low, held[low]


def _biarc(grid: _Grid, a: int, b: int) -> list[Segment]:
    """The biarc with equal legs between two grid points and their tangents; empty where there is none."""
    p, q, t, u = grid.points[a], grid.points[b], grid.tangents[a], grid.tangents[b]
    v = q - p
    along, turned = float(v @ (t + u)), 2 * (1 - float(t @ u))
    reach = along + math.sqrt(along**2 + turned * float(v @ v))
    if along <= 0 or reach <= 0:
        return []
    leg = float(v @ v) / reach
    joint = (p + q + leg * (t - u)) / 2
    inner = q - p - leg * (t + u)
    if math.hypot(*inner) <= 1e-12 * leg:
        return []
    shared = inner / np.linalg.norm(inner)
    halves = [_arc(p, t, joint, shared), _arc(joint, shared, q, u)]
    return [piece for half in halves for piece in half] if all(halves) else []


def _arc(p: Floats, t: Floats, q: Floats, u: Floats) -> list[Segment]:
    """The arc from p to q whose tangents are t and u; as lines, or with lines, where its radius would be absurd."""
    chord = q - p
    length = math.hypot(*chord)
    turn = math.atan2(_cross(t, u), float(t @ u))
    if abs(turn) <= STRAIGHT_RAD:
        return [Line(as_point(p), as_point(q))]
    if abs(turn) > WIDEST_RAD:
        return []
    radius = length / (2 * math.sin(abs(turn) / 2))
    if radius <= LARGEST_RADIUS_MM:
        return [_tangent_arc(p, t, radius, turn)]
    leg = length / (2 * math.cos(turn / 2))  # to the corner that both tangents run through
    reach = LARGEST_RADIUS_MM * math.tan(abs(turn) / 2)
    a, b = p + (leg - reach) * t, q - (leg - reach) * u
    return [Line(as_point(p), as_point(a)), _tangent_arc(a, t, LARGEST_RADIUS_MM, turn), Line(as_point(b), as_point(q))]


def _tangent_arc(p: Floats, t: Floats, radius: float, turn: float) -> Arc:
    side = math.copysign(1.0, turn)
    left = np.array([-t[1], t[0]])
    from_angle = math.atan2(-side * left[1], -side * left[0])
    return Arc(as_point(p + side * radius * left), radius, from_angle, turn)


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


def _deviation(curve: Points, pieces: list[Segment]) -> float:
    """Largest distance between a curve (N, 2) and the pieces that stand for it, either way, mm."""
    to_pieces = np.min([_distances(curve, piece) for piece in pieces], axis=0)
    along = np.vstack([piece.point(np.linspace(0.0, 1.0, SAMPLES)) for piece in pieces])
    to_curve = shapely.distance(shapely.points(along), shapely.LineString(curve))
    return float(max(to_pieces.max(), to_curve.max()))


def _distances(points: Points, piece: Segment) -> Floats:
    """From points (N, 2) to a line or an arc, mm, exact."""
    ends = np.minimum(*(np.linalg.norm(points - np.asarray(end), axis=1) for end in (piece.start, piece.end)))
    if isinstance(piece, Arc):
        away = points - np.asarray(piece.centre)
        turned = math.copysign(1.0, piece.sweep) * (np.arctan2(away[:, 1], away[:, 0]) - piece.from_angle)
        beside = turned % (2 * math.pi) <= abs(piece.sweep)
        off = np.abs(np.hypot(away[:, 0], away[:, 1]) - piece.radius)
    else:
        direction = piece.tangent(0.0)[0]
        away = points - np.asarray(piece.start)
        along = away @ direction
        beside = (along >= 0) & (along <= piece.length)
        off = np.abs(away[:, 1] * direction[0] - away[:, 0] * direction[1])
    return np.asarray(np.where(beside, off, ends), dtype=np.float64)


def _merged(pieces: list[Segment]) -> list[Segment]:
    """The chain with every two lines that run on straight made one."""
    merged: list[Segment] = []
    for piece in pieces:
        before = merged[-1] if merged else None
        if isinstance(piece, Line) and isinstance(before, Line):
            turn = _cross(before.tangent(1.0)[0], piece.tangent(0.0)[0])
            if abs(turn) <= STRAIGHT_RAD:
                merged[-1] = Line(before.start, piece.end)
                continue
        merged.append(piece)
    return merged
