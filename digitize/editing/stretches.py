"""A stretch of an edge, told by two points on it, straightened or drawn anew through measured points."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from digitize.editing.drawn import drawn
from digitize.editing.fair import Ends, arc_over
from digitize.editing.following import LEAST_MM
from digitize.editing.replaced import replaced
from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.segment import Arc, Line, Point, Points, Segment
from digitize.rebuild.path import NEAR_MM, Path, stretch_between

Floats = npt.NDArray[np.float64]

SNAP_MM = 0.05  # a joint so near the end of a stretch is its end: no piece is left as short as that
DENSE_MM = 0.25  # between the points that stand for a stretch
FEWEST = 20  # of them
SMOOTH_RAD = math.radians(15.0)  # a drawn stretch that meets its neighbour at less goes on smoothly


@dataclass(frozen=True)
class Span:
    """A stretch of a loop and the rest of that loop.

    before, after : the segments of the rest, up to the stretch and from it on; the loop begins with the former
    """

    loop: int
    path: Path
    a: float
    b: float
    before: tuple[Segment, ...]
    after: tuple[Segment, ...]

    @property
    def rest(self) -> tuple[Segment, ...]:
        """The rest in travel order, from the end of the stretch to its start."""
        return (*self.after, *self.before)

    @property
    def start(self) -> Point:
        return self.rest[-1].end

    @property
    def end(self) -> Point:
        return self.rest[0].start

    def points(self) -> Points:
        """Points (N, 2) along the stretch, in travel order, its ends among them."""
        length = (self.b - self.a) % self.path.length
        n = max(FEWEST, math.ceil(length / DENSE_MM))
        return self.path.points(self.a + np.linspace(0.0, length, n + 1))

    def filled(self, outline: Outline, pieces: Sequence[Segment]) -> Outline:
        return replaced(outline, self.loop, [*self.before, *pieces, *self.after])


def straightened(outline: Outline, start: Point, end: Point, kind: Literal["line", "arc"]) -> Outline:
    """The stretch between two points of one loop, the shorter way round, as one line or one arc.

    The arc's bulge is that of least squares over the stretch.

    Raises InputError where a point is off the edge, both are on different loops or one place, or the edge would cross.
    """
    span = _span(outline, start, end)
    if kind == "line":
        return span.filled(outline, [Line(span.start, span.end)])
    return span.filled(outline, [arc_over(span.points()[1:-1], span.start, span.end)[0]])


def redrawn(outline: Outline, start: Point, end: Point, points: Points, sigma: Floats) -> Outline:
    """The stretch between two points of one loop, the shorter way round, as fair pieces through measured points.

    points : (N, 2) float, mm, in order along the edge, either way; sigma : (N,) mm, standard error of each across it

    The pieces are those of :func:`digitize.editing.drawn.drawn`: one line, arc or spline, or one from corner to corner.
    They go on smoothly from a neighbour that they would meet at less than SMOOTH_RAD.

    Raises InputError where a point is off the edge, both are on different loops or one place, the measured points do
    not lead from one to the other, or the edge would cross.
    """
    span = _span(outline, start, end)
    run, errors = _run(span, points, sigma)
    ends = Ends(span.start, span.end)
    loose = drawn(run, errors, ends)
    u, v = span.rest[-1].tangent(1.0)[0], span.rest[0].tangent(0.0)[0]
    if float(u @ loose[0].tangent(0.0)[0]) > math.cos(SMOOTH_RAD):
        ends = replace(ends, leaving=u)
    if float(v @ loose[-1].tangent(1.0)[0]) > math.cos(SMOOTH_RAD):
        ends = replace(ends, arriving=v)
    free = ends.leaving is None and ends.arriving is None
    return span.filled(outline, loose if free else drawn(run, errors, ends))


def _span(outline: Outline, start: Point, end: Point) -> Span:
    loop, a, b = stretch_between(outline, start, end)
    path = Path(outline.loops[loop])
    a, b = _snapped(path, a), _snapped(path, b)
    if min((b - a) % path.length, (a - b) % path.length) < LEAST_MM:
        raise InputError("The stretch begins and ends at the same place", "give two points apart from each other")
    circle = path.loop.segments[0]
    if isinstance(circle, Arc) and circle.is_circle:
        rest = (_turned(circle, a, b, path.length),)
        span = Span(loop, path, a, b, rest, ())
    elif a < b:
        before = path.cut(0.0, a) if a > 0 else ()
        span = Span(loop, path, a, b, before, path.cut(b, path.length) if b < path.length else ())
    else:
        span = Span(loop, path, a, b, path.cut(b, a), ())
    if math.dist(span.start, span.end) < LEAST_MM:
        raise InputError("The stretch begins and ends at the same place", "give two points apart from each other")
    return span


def _turned(circle: Arc, a: float, b: float, length: float) -> Arc:
    """What a circle has left without the stretch from a to b."""
    sense = math.copysign(1.0, circle.sweep)
    return Arc(
        circle.centre,
        circle.radius,
        circle.from_angle + sense * b / circle.radius,
        sense * ((a - b) % length) / circle.radius,
    )


def _snapped(path: Path, s: float) -> float:
    """The distance s, or that of a joint right beside it; 0 .. the path's length, exclusive."""
    if isinstance(path.loop.segments[0], Arc) and path.loop.segments[0].is_circle:
        return s
    k = int(np.abs(path.ends - s).argmin())
    return float(path.ends[k]) % path.length if abs(path.ends[k] - s) < SNAP_MM else s


def _run(span: Span, points: Points, sigma: Floats) -> tuple[Points, Floats]:
    """The measured points between the stretch's ends, in travel order, and their errors."""
    run, errors = np.asarray(points, dtype=float), np.asarray(sigma, dtype=float)
    if run.ndim != 2 or run.shape[1:] != (2,) or errors.shape != run.shape[:1] or len(run) < 2:
        raise InputError(f"{len(run)} measured points are no edge", "draw along a longer stretch")
    if not (np.isfinite(run).all() and np.isfinite(errors).all() and (errors > 0).all()):
        raise InputError("The measured points are not all numbers with an error above 0", "measure the stretch again")
    away = np.linalg.norm(run[[0, -1], None] - np.array([span.start, span.end]), axis=2)
    if away[0, 1] + away[1, 0] < away[0, 0] + away[1, 1]:
        run, errors, away = run[::-1], errors[::-1], away[::-1]
    worst = float(max(away[0, 0], away[1, 1]))
    if worst > NEAR_MM:
        raise InputError(
            f"The measured points end {worst:.1f} mm from the stretch, and {NEAR_MM:g} mm is the limit",
            "draw from one end of the stretch to the other",
        )
    return run, errors
