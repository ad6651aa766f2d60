"""The joints of an outline, moved, added and removed by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from digitize.editing.fair import OFF_MM, Ends, arc_over, circle_over, closest_spline, rounded
from digitize.editing.following import LEAST_MM, bent_round, check_apart, followed
from digitize.editing.replaced import loop_of, replaced
from digitize.model.errors import InputError
from digitize.model.outline import CORNER_RAD, Loop, Outline
from digitize.model.segment import Arc, Line, Point, Points, Segment, Spline, part
from digitize.rebuild.path import Path, nearest_place

UNMOVED_MM = 1e-9  # a joint that is moved by less stays
DENSE_MM = 0.25  # between the points that stand for a curve
DENSE = (40, 600)  # at least and at most so many of them
KEPT_RAD = math.radians(0.5)  # an arc whose ends turn by less from smooth neighbours keeps their tangents


@dataclass(frozen=True)
class Joint:
    """Where the segment number ``index`` of a loop begins, mm; sharp where the edge turns by more than CORNER_RAD."""

    loop: int
    index: int
    at: Point
    sharp: bool


def joints(outline: Outline) -> tuple[Joint, ...]:
    """The joints of all loops, in travel order; a whole circle has none."""
    return tuple(
        Joint(number, index, segment.start, bool(abs(turn) > CORNER_RAD))
        for number, loop in enumerate(outline.loops)
        if not is_circle(loop)
        for index, (segment, turn) in enumerate(zip(loop.segments, loop.turns(), strict=True))
    )


def is_circle(loop: Loop) -> bool:
    return len(loop.segments) == 1 and isinstance(loop.segments[0], Arc)


def moved(outline: Outline, loop: int, index: int, to: Point) -> Outline:
    """The outline with a joint at another place; the two segments that meet there follow, the others stay.

    Their far ends stay, and the tangents there where those joints are smooth. A sharp joint's own tangents turn with
    its segments; a smooth joint keeps the tangents that it has, and so stays as smooth as it is.

    Raises InputError where there is no such joint, the ends of a segment would coincide, or the edge would cross.
    """
    segments = list(_with_joint(outline, loop, index).segments)
    if not (math.isfinite(to[0]) and math.isfinite(to[1])):
        raise InputError("The joint's new place is no point", "move it again, within the drawing")
    if math.dist(segments[index].start, to) < UNMOVED_MM:
        return outline
    smooth = _is_smooth(segments, index)
    if len(segments) == 1:
        assert isinstance(segments[0], Spline)  # a line is no loop, and a circle has no joint
        return replaced(outline, loop, [bent_round(segments[0], to, smooth)])
    keep_before, keep_after = _is_smooth(segments, index - 1), _is_smooth(segments, (index + 1) % len(segments))
    segments[index - 1] = followed(segments[index - 1], to, keep_before, smooth)
    segments[index] = followed(segments[index].reversed(), to, keep_after, smooth).reversed()
    return replaced(outline, loop, segments)


def added(outline: Outline, near: Point) -> Outline:
    """The outline with one more joint, at the place of the edge nearest to a point; its shape stays.

    A circle becomes two half arcs, from that place to the one opposite and back.

    Raises InputError where the point is off the edge, or a joint is there already.
    """
    number, s = nearest_place(outline, near)
    loop = outline.loops[number]
    path = Path(loop)
    k, t = path.place(s)
    segment = loop.segments[k]
    if is_circle(loop) and isinstance(segment, Arc):
        first = Arc(segment.centre, segment.radius, segment.from_angle + segment.sweep * t, segment.sweep / 2)
        second = Arc(segment.centre, segment.radius, first.from_angle + first.sweep, first.sweep)
        return replaced(outline, number, [first, second])
    if min(s - path.ends[k], path.ends[k + 1] - s) < LEAST_MM:
        raise InputError(f"There is a joint already at {near[0]:.2f},{near[1]:.2f}", "move that one")
    halves = (part(segment, 0.0, t), part(segment, t, 1.0))
    return replaced(outline, number, [*loop.segments[:k], *halves, *loop.segments[k + 1 :]])


def removed(outline: Outline, loop: int, index: int) -> Outline:
    """The outline with the two segments that meet at a joint made one.

    Lines that go on as each other become one line; else one arc, or one spline of as few control points as it takes,
    where that follows both within OFF_MM, with the tangents at smooth far joints kept. A sharp corner is not followed
    but rounded off by one cubic that leaves and reaches the far joints as the two segments do.

    Raises InputError where there is no such joint, it is the loop's only one, or the edge would cross itself.
    """
    segments = list(_with_joint(outline, loop, index).segments)
    n = len(segments)
    if n == 1:
        raise InputError("The edge has only this joint", "move it, or add another one first")
    x, y = segments[index - 1], segments[index]
    if n == 2:
        circle = circle_over(_dense([x, y]), x.start)
        one = circle or _one(x, y, (_is_smooth(segments, index - 1),) * 2)
        return replaced(outline, loop, [one])
    check_apart(x.start, y.end)
    far = (_is_smooth(segments, index - 1), _is_smooth(segments, (index + 1) % n))
    one = _one(x, y, far)
    kept = [*segments[: index - 1], one, *segments[index + 1 :]] if index else [one, *segments[1:-1]]
    return replaced(outline, loop, kept)


def _one(x: Segment, y: Segment, far: tuple[bool, bool]) -> Segment:
    """Two segments that meet made one; far : whether the joints at its start and at its end are smooth."""
    smooth, closed = _smooth_between(x, y), math.dist(x.start, y.end) < LEAST_MM
    if smooth and isinstance(x, Line) and isinstance(y, Line):
        return Line(x.start, y.end)
    points = _dense([x, y])
    u, v = x.tangent(0.0)[0], y.tangent(1.0)[0]
    if not closed:
        arc, away = arc_over(points, x.start, y.end)
        breaks = (_turn(arc.tangent(0.0)[0], u), _turn(arc.tangent(1.0)[0], v))
        if away.max() <= OFF_MM and all(abs(b) < KEPT_RAD for b, kept in zip(breaks, far, strict=True) if kept):
            return arc
    if not smooth:
        return rounded(points, Ends(x.start, y.end, u, v), (x.length, y.length))
    ends = Ends(x.start, y.end, u if far[0] else None, v if far[1] else None)
    return closest_spline(points, ends, x.length / (x.length + y.length))


def _dense(segments: list[Segment]) -> Points:
    """Points (N, 2) along segments in a row, each joint once."""
    rows = [segments[0].point(0.0)]
    for s in segments:
        n = int(np.clip(s.length / DENSE_MM, *DENSE))
        rows.append(s.point(np.linspace(0.0, 1.0, n + 1)[1:]))
    return np.vstack(rows)


def _with_joint(outline: Outline, number: int, index: int) -> Loop:
    loop = loop_of(outline, number)
    count = 0 if is_circle(loop) else len(loop.segments)
    if not 0 <= index < count:
        raise InputError(f"There is no joint number {index} on this edge, it has {count}", "choose one that is drawn")
    return loop


def _is_smooth(segments: list[Segment], index: int) -> bool:
    return _smooth_between(segments[index - 1], segments[index])


def _smooth_between(x: Segment, y: Segment) -> bool:
    return abs(_turn(x.tangent(1.0)[0], y.tangent(0.0)[0])) <= CORNER_RAD


def _turn(a: Points, b: Points) -> float:
    return math.atan2(a[0] * b[1] - a[1] * b[0], float(a @ b))
