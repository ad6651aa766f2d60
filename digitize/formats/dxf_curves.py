"""The curves a DXF can hold -> chains of lines, arcs and cubic B-splines; exactly wherever these can say the same.

Source: DXF Reference, ENTITIES section (group codes as ezdxf names them); bulge = tan(sweep / 4); from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from ezdxf.entities import LWPolyline, Polyline
from ezdxf.entities import Spline as SplineEntity
from ezdxf.entities.dxfgfx import DXFGraphic
from scipy.interpolate import BSpline

from digitize.formats.loops import SAME_MM, Chain, place
from digitize.model.errors import InputError
from digitize.model.segment import DEGREE, Arc, Line, Point, Points, Segment, Spline, as_point

REDRAWN_MM = 1e-3  # how far a curve that no cubic B-spline can be may lie from the one that stands for it
FLAT = 1e-6  # of an extrusion's unit vector off the z axis, and of z over the size: rounding
ROUND = 1e-9  # of an ellipse's ratio off one
FRAME_VERTEX = 16  # flag of a vertex that a fitted polyline does not run through
MOST_DEGREE = 11
MOST_HALVINGS = 10  # of a piece that a cubic does not follow: error falls 16-fold with each

Floats = npt.NDArray[np.float64]
Curve = Callable[[Floats], tuple[Points, Points]]
"""Points and derivatives (N, 2), mm, at parameters 0 .. length (N,)."""


@dataclass(frozen=True)
class Drawn:
    """What one entity draws; ``exact`` is False where a curve had to be replaced by one within REDRAWN_MM of it."""

    chains: tuple[Chain, ...]
    exact: bool = True


@dataclass(frozen=True)
class _Cubic:
    """A cubic Bezier curve, control points (4, 2), mm, over a parameter interval of ``length``."""

    control: Points
    length: float


def drawn(entity: DXFGraphic, scale: float) -> Drawn:
    """What an entity of a kind in KINDS draws.

    scale : mm per unit of the drawing

    Raises
    ------
    InputError if it does not lie flat, or is a spline without a shape of its own
    """
    return KINDS[entity.dxftype()](entity, scale)


def _line(entity: DXFGraphic, scale: float) -> Drawn:
    points = _flat([entity.dxf.start, entity.dxf.end], scale)
    return Drawn(((Line(as_point(points[0]), as_point(points[1])),),))


def _arc(entity: DXFGraphic, scale: float) -> Drawn:
    first, last = math.radians(entity.dxf.start_angle), math.radians(entity.dxf.end_angle)
    return _round(entity, scale, first, _counter_clockwise(first, last))


def _circle(entity: DXFGraphic, scale: float) -> Drawn:
    return _round(entity, scale, 0.0, 2 * math.pi)


def _counter_clockwise(first: float, last: float) -> float:
    """The sweep from one direction to the other, 0 .. 2 pi, a full turn where they agree."""
    sweep = (last - first) % (2 * math.pi)
    return sweep if sweep > 1e-12 else 2 * math.pi


def _round(entity: DXFGraphic, scale: float, first: float, sweep: float) -> Drawn:
    centre = as_point(np.asarray(entity.dxf.center)[:2] * scale)
    arc = Arc(centre, abs(entity.dxf.radius) * scale, first, sweep)
    return Drawn(((Line(centre, centre),),)) if arc.radius == 0 else Drawn((_seen_from_above((arc,), entity),))


def _ellipse(entity: DXFGraphic, scale: float) -> Drawn:
    up = _up(entity)
    (centre,), (major,) = _flat([entity.dxf.center], scale), _flat([entity.dxf.major_axis], scale)
    minor = up * entity.dxf.ratio * np.array([-major[1], major[0]])
    first, sweep = entity.dxf.start_param, _counter_clockwise(entity.dxf.start_param, entity.dxf.end_param)
    if abs(abs(entity.dxf.ratio) - 1) < ROUND:
        turn = math.copysign(1.0, up * entity.dxf.ratio)
        start = math.atan2(major[1], major[0]) + turn * first
        return Drawn(((Arc(as_point(centre), math.hypot(*major), start, turn * sweep),),))

    def curve(u: Floats) -> tuple[Points, Points]:
        c, s = np.cos(first + u)[:, None], np.sin(first + u)[:, None]
        return centre + c * major + s * minor, c * minor - s * major

    return Drawn(_splines(_followed(curve, sweep)), exact=False)


def _light_polyline(entity: LWPolyline, scale: float) -> Drawn:
    vertices = [(x, y, bulge) for x, y, bulge in entity.get_points("xyb")]
    return Drawn(_polyline(vertices, entity.closed, scale, entity))


def _old_polyline(entity: Polyline, scale: float) -> Drawn:
    if not (entity.is_2d_polyline or entity.is_3d_polyline):
        return Drawn(())
    kept = [v for v in entity.vertices if not v.dxf.flags & FRAME_VERTEX]
    if entity.is_3d_polyline and kept:
        _flat([v.dxf.location for v in kept], scale)
    return Drawn(_polyline([(*v.dxf.location.vec2, v.dxf.bulge) for v in kept], entity.is_closed, scale, entity))


def _polyline(
    vertices: Sequence[tuple[float, float, float]], closed: bool, scale: float, entity: DXFGraphic
) -> tuple[Chain, ...]:
    if closed and vertices and math.dist(vertices[0][:2], vertices[-1][:2]) * scale >= SAME_MM:
        vertices = [*vertices, vertices[0]]
    pieces = [
        _bulged((x * scale, y * scale), (x1 * scale, y1 * scale), bulge)
        for (x, y, bulge), (x1, y1, _) in pairwise(vertices)
    ]
    return (_seen_from_above(tuple(pieces), entity),) if pieces else ()


def _bulged(start: Point, end: Point, bulge: float) -> Segment:
    """The straight or round piece between two vertices; a positive bulge runs counter-clockwise."""
    sweep, chord = 4 * math.atan(bulge), math.dist(start, end)
    if abs(sweep) < 1e-9 or chord < SAME_MM:
        return Line(start, end)
    middle, along = np.add(start, end) / 2, np.subtract(end, start)
    centre = middle + np.array([-along[1], along[0]]) * (1 - bulge**2) / (4 * bulge)
    away = np.subtract(start, centre)
    return Arc(as_point(centre), float(np.hypot(*away)), math.atan2(away[1], away[0]), sweep)


def _spline(entity: SplineEntity, scale: float) -> Drawn:
    degree, knots, weights = entity.dxf.degree, np.array(entity.knots), np.array(entity.weights)
    if not len(entity.control_points):
        at = f" at {place(np.asarray(entity.fit_points[0])[:2] * scale)}" if len(entity.fit_points) else ""
        raise InputError(
            f"the drawing has a spline{at} with fit points only, which every program runs another curve through",
            "save it with control points, or turn it into arcs",
        )
    control = _flat(entity.control_points, scale)
    n = len(control)
    if not 1 <= degree <= MOST_DEGREE or len(knots) != n + degree + 1 or n <= degree or (np.diff(knots) < 0).any():
        raise InputError(
            f"the drawing has a damaged spline at {place(control[0])}: {n} control points of degree {degree} "
            f"with {len(knots)} knots",
            "draw it anew",
        )
    rational = len(weights) == n and np.ptp(weights) > 1e-12 * abs(weights).max()
    clamped = knots[0] == knots[degree] < knots[-1] == knots[-1 - degree]
    _, times = np.unique(knots[degree + 1 : n], return_counts=True)
    if degree == DEGREE and clamped and not rational and (times <= DEGREE).all():
        return Drawn(((Spline(tuple(as_point(p) for p in control), tuple(map(float, knots))),),))
    if degree == 1 and not rational:
        return Drawn((tuple(Line(as_point(a), as_point(b)) for a, b in pairwise(control)),))
    homogeneous = np.column_stack([control, np.ones(n)]) * (weights if rational else np.ones(n))[:, None]
    cubics = [c for curve, length in _spans(knots, homogeneous, degree) for c in _followed(curve, length)]
    return Drawn(_splines(cubics), exact=degree <= DEGREE and not rational)


def _spans(knots: Floats, control: Floats, degree: int) -> Iterable[tuple[Curve, float]]:
    """The spline's rational polynomials, one between every two knots of its domain, and how long each is.

    control : (n, 3), x w, y w and w
    """
    whole = BSpline(knots, control, degree)
    for a, b in pairwise(np.unique(knots[degree : len(control) + 1])):
        middle = (a + b) / 2
        powers = [whole(middle, order) / math.factorial(order) for order in range(degree + 1)]
        yield _rational(np.array(powers), (b - a) / 2), float(b - a)


def _rational(powers: Floats, half: float) -> Curve:
    """powers : (degree + 1, 3), of x w, y w and w about the middle of an interval of 2 ``half``, the constant first."""

    def curve(u: Floats) -> tuple[Points, Points]:
        value = np.polynomial.polynomial.polyval(u - half, powers).T
        slope = np.polynomial.polynomial.polyval(u - half, np.polynomial.polynomial.polyder(powers)).T
        points = value[:, :2] / value[:, 2:]
        return points, (slope[:, :2] - points * slope[:, 2:]) / value[:, 2:]

    return curve


def _followed(curve: Curve, length: float) -> list[_Cubic]:
    """Cubics with the curve's own points and derivatives at their ends, none farther than REDRAWN_MM from it.

    Of a polynomial of degree three or less the first cubic is the curve itself.
    """
    for pieces in (2**k for k in range(MOST_HALVINGS + 1)):
        breaks = np.linspace(0.0, length, pieces + 1)
        h = length / pieces
        points, slopes = curve(breaks)
        cubics = [
            _Cubic(np.array([p, p + h / 3 * d, q - h / 3 * e, q]), h)
            for p, d, q, e in zip(points[:-1], slopes[:-1], points[1:], slopes[1:], strict=True)
        ]
        inner = np.linspace(0, 1, 9)[1:-1]
        basis = np.stack([(1 - inner) ** 3, 3 * inner * (1 - inner) ** 2, 3 * inner**2 * (1 - inner), inner**3], axis=1)
        ours = np.concatenate([basis @ c.control for c in cubics])
        theirs = curve(np.concatenate([a + inner * h for a in breaks[:-1]]))[0]
        if np.linalg.norm(ours - theirs, axis=1).max() <= REDRAWN_MM / 2:
            return cubics
    raise InputError(f"the drawing has a curve at {place(points[0])} that cannot be followed", "draw it anew")


def _splines(cubics: Sequence[_Cubic]) -> tuple[Chain, ...]:
    """The cubics as one B-spline, or as several where they do not meet.

    A knot is double where the derivative runs on, threefold where it jumps.
    """
    runs: list[list[_Cubic]] = []
    for cubic in cubics:
        if runs and math.dist(runs[-1][-1].control[3], cubic.control[0]) < SAME_MM:
            runs[-1].append(cubic)
        else:
            runs.append([cubic])
    return tuple((_one_spline(run),) for run in runs)


def _one_spline(run: Sequence[_Cubic]) -> Spline:
    control, knots, at = list(run[0].control[:3]), [0.0] * 4, 0.0
    for before, after in pairwise(run):
        at += before.length
        jump = (before.control[3] - before.control[2]) / before.length
        jump -= (after.control[1] - after.control[0]) / after.length
        smooth = np.linalg.norm(jump) * min(before.length, after.length) < SAME_MM * 1e-3
        knots += [at] * (2 if smooth else 3)
        control += [*([] if smooth else [after.control[0]]), *after.control[1:3]]
    end = at + run[-1].length
    return Spline(tuple(as_point(p) for p in [*control, run[-1].control[3]]), (*knots, *[end] * 4))


def _flat(points: Iterable[Iterable[float]], scale: float) -> Points:
    """Points (N, 2), mm, of points with one common height."""
    xyz = np.vstack([np.asarray(tuple(p), dtype=np.float64) for p in points]) * scale
    if np.ptp(xyz[:, 2]) > FLAT * max(1.0, float(np.ptp(xyz[:, :2], axis=0).max())):
        raise _not_flat(xyz[0])
    return np.asarray(xyz[:, :2])


def _not_flat(point: Floats) -> InputError:
    return InputError(
        f"the drawing does not lie flat at {place(point[:2])}: it runs in three dimensions",
        "draw the outline in the plane seen from above",
    )


def _up(entity: DXFGraphic) -> float:
    """1 where the entity is drawn as seen from above, -1 from below."""
    x, y, z = entity.dxf.extrusion.normalize()
    if math.hypot(x, y) > FLAT:
        raise _not_flat(np.zeros(2))
    return math.copysign(1.0, z)


def _seen_from_above(chain: Chain, entity: DXFGraphic) -> Chain:
    """An entity drawn as seen from below has its x axis the other way (DXF's arbitrary axis rule)."""
    return chain if _up(entity) > 0 else tuple(_mirrored(s) for s in chain)


def _mirrored(segment: Segment) -> Segment:
    if isinstance(segment, Line):
        return Line((-segment.start[0], segment.start[1]), (-segment.end[0], segment.end[1]))
    if isinstance(segment, Arc):
        centre = (-segment.centre[0], segment.centre[1])
        return replace(segment, centre=centre, from_angle=math.pi - segment.from_angle, sweep=-segment.sweep)
    return replace(segment, control=tuple((-x, y) for x, y in segment.control))


KINDS: dict[str, Callable[[DXFGraphic, float], Drawn]] = {
    "LINE": _line,
    "ARC": _arc,
    "CIRCLE": _circle,
    "ELLIPSE": _ellipse,
    "LWPOLYLINE": _light_polyline,
    "POLYLINE": _old_polyline,
    "SPLINE": _spline,
}
