"""One segment whose end is moved: its start stays, and with it, where that is asked, the tangent there.

Line : stays straight; with a tangent to keep it becomes an arc
Arc : turned and scaled about its start, its sweep kept; with a tangent to keep the arc that has it
Spline : its control points follow, fully at the moved end and less and less towards the other

Where the tangent at the moved end is to be kept as well, a line or an arc whose far end is free becomes the arc that
has it, and one whose far end is not becomes a spline.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import numpy.typing as npt
from scipy.interpolate import make_interp_spline

from digitize.model.errors import InputError
from digitize.model.segment import DEGREE, Arc, Line, Point, Segment, Spline, as_point

Floats = npt.NDArray[np.float64]

LEAST_MM = 0.01  # no piece is shorter
STRAIGHT_MM = 1e8  # an arc of a larger radius is a line within rounding
AS_SPLINE_MM = 1e-5  # from an arc to the spline that takes its place


def followed(segment: Segment, to: Point, keep_start: bool, keep_end: bool) -> Segment:
    """The segment with its end moved.

    keep_start, keep_end : whether the tangent at its start, and at its moved end, stays as it is

    Raises InputError where its ends would coincide.
    """
    check_apart(segment.start, to)
    if isinstance(segment, Spline):
        return bent(segment, to, keep_end)
    if keep_start and keep_end:
        return bent(as_spline(segment), to, True)
    if keep_end:
        return arc_leaving(to, -segment.tangent(1.0)[0], segment.start).reversed()
    if keep_start:
        return arc_leaving(segment.start, segment.tangent(0.0)[0], to)
    return Line(segment.start, to) if isinstance(segment, Line) else _similar(segment, to)


def check_apart(a: Point, b: Point) -> None:
    """Raises InputError where two points are no two points."""
    if not math.dist(a, b) >= LEAST_MM:
        raise InputError(
            f"Two joints would lie together at {a[0]:.2f},{a[1]:.2f}", "keep them apart, or remove one of them"
        )


def arc_leaving(start: Point, heading: Floats, end: Point) -> Arc | Line:
    """The arc from start to end that leaves along a heading (2,); the line where that is straight within rounding."""
    chord = np.asarray(end) - np.asarray(start)
    length = float(np.hypot(*chord))
    turn = math.atan2(heading[0] * chord[1] - heading[1] * chord[0], float(heading @ chord))  # from heading to chord
    bend = 2 * math.sin(turn) / length
    if abs(bend) * STRAIGHT_MM < 1 and abs(turn) < math.pi / 2:
        return Line(start, end)
    if abs(turn) > math.pi - 1e-6:
        raise InputError("The edge would turn back on itself", "move the joint to the other side, or make it sharp")
    along = chord / length
    apothem = length / 2 / math.tan(turn)
    centre = np.asarray(start) + chord / 2 + apothem * np.array([-along[1], along[0]])
    away = np.asarray(start) - centre
    return Arc(as_point(centre), float(np.hypot(*away)), math.atan2(away[1], away[0]), 2 * turn)


def _similar(arc: Arc, to: Point) -> Arc:
    """The arc turned and scaled about its start, so that it ends at a point."""
    start, end, centre, goal = (complex(*p) for p in (arc.start, arc.end, arc.centre, to))
    check_apart(arc.start, arc.end)
    by = (goal - start) / (end - start)
    moved = start + (centre - start) * by
    return Arc((moved.real, moved.imag), arc.radius * abs(by), arc.from_angle + cmath.phase(by), arc.sweep)


def as_spline(segment: Segment) -> Spline:
    """The same curve as a spline: exactly, an arc within AS_SPLINE_MM and with its tangents at both ends."""
    if isinstance(segment, Spline):
        return segment
    if isinstance(segment, Line):
        control = segment.point(np.array([0.0, 1 / 3, 2 / 3, 1.0]))
        return Spline(_points(control, segment), (0.0,) * 4 + (1.0,) * 4)
    # A cubic spline leaves a circle by R h^4 / 384, h its spans' angle (de Boor, A Practical Guide to Splines, ch. V).
    spans = math.ceil(abs(segment.sweep) * (segment.radius / (384 * AS_SPLINE_MM)) ** 0.25)
    t = np.linspace(0.0, 1.0, max(1, spans) + 1)
    ends = [segment.length * segment.tangent(u)[0] for u in (0.0, 1.0)]
    curve = make_interp_spline(t, segment.point(t), DEGREE, bc_type=([(1, ends[0])], [(1, ends[1])]))
    return Spline(_points(curve.c, segment), tuple(float(k) for k in curve.t))


def _points(control: Floats, ends: Segment) -> tuple[Point, ...]:
    return (ends.start, *(as_point(c) for c in control[1:-1]), ends.end)


def bent(curve: Spline, to: Point, keep_end: bool) -> Spline:
    """The spline with its end moved, its start and the tangent there kept, and that at its end where asked."""
    u = _abscissae(curve)
    last = u[-2] if keep_end else 1.0
    share = np.clip((u - u[1]) / max(last - u[1], 1e-12), 0.0, 1.0)
    return _shifted(curve, np.subtract(to, curve.end), _eased(share) if keep_end else share**2)


def bent_round(curve: Spline, to: Point, keep_tangents: bool) -> Spline:
    """A spline that is a whole loop, its only joint moved; the farther round, the less follows."""
    share = np.abs(2 * _abscissae(curve) - 1)
    if keep_tangents:
        share = np.clip(share / min(share[1], share[-2]), 0.0, 1.0)
    return _shifted(curve, np.subtract(to, curve.end), _eased(share) if keep_tangents else share**2)


def _abscissae(curve: Spline) -> Floats:
    """Where each control point acts, 0..1 (Greville): the mean of its knots."""
    knots = np.asarray(curve.knots)
    means = np.convolve(knots[1:-1], np.full(DEGREE, 1 / DEGREE), mode="valid")
    u: Floats = (means - knots[0]) / (knots[-1] - knots[0])
    return u


def _eased(share: Floats) -> Floats:
    """0..1 with no slope at either end."""
    eased: Floats = share**2 * (3 - 2 * share)
    return eased


def _shifted(curve: Spline, shift: Floats, weights: Floats) -> Spline:
    control = np.asarray(curve.control) + weights[:, None] * shift
    return Spline(tuple(as_point(c) for c in control), curve.knots)
