"""The fair continuation of two edges towards each other: one line, one arc, a corner, or a spline between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares, minimize_scalar

from digitize.fitting.quality import curvature
from digitize.model.outline import Loop
from digitize.model.segment import Arc, Line, Points, Segment, Spline, as_point, part
from digitize.rebuild.path import Path

Floats = npt.NDArray[np.float64]

ONE_MM, ONE_RAD = 0.2, math.radians(1.5)  # two lines or arcs that differ by less, over their breaks, are one
CORNER_RAD = math.radians(12.0)  # edges that meet at more than this make a corner, where their extensions meet
REACH = 4.0  # times the gap between two edges: a corner farther out is none, but where they run to a thin tip
CLEAR_MM = 3.0  # of a curved edge beside a break, which a photo rounds and the break chips
CALM = 0.01  # 1/mm: swing of curvature beyond that of the neighbours that a bridge may have
CALM_SHARE = 0.1  # and of the neighbours' own
LAST_MM = 12.0  # of a spline, whose bend it goes on with
FLATTEST = 1e-4  # 1/mm: a flatter one goes on straight
NEWTON, CHORDS_MM = 4, 0.05  # steps from a crossing of chords to that of the curves, which lies nearer than that
LONGER = (1.0, 2.0, 4.0)  # times the clear stretch, until a bridge is calm
MOST_TAKEN = 0.4  # of an edge that a bridge may replace
_BEZIER = (0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Bridge:
    """Two edges and what joins them, end to end.

    before, after : the edges, shortened or robbed of what has become part of the middle
    middle : what joins them
    invented : from where to where along the middle no edge was measured, mm
    kind : line, arc, corner or spline
    """

    before: tuple[Segment, ...]
    middle: tuple[Segment, ...]
    after: tuple[Segment, ...]
    invented: tuple[float, float]
    kind: str


def bridged(before: Sequence[Segment], after: Sequence[Segment], clear: float = CLEAR_MM) -> Bridge:
    """The two edges joined: the one ends at a break, the other begins on its far side.

    clear : mm of curved edge beside the break that are not to be trusted
    """
    x, y = before[-1], after[0]
    for attempt in (_line, _arc, _corner):
        found = attempt(x, y)
        if found:
            middle, kind = found
            whole = math.fsum(s.length for s in middle)
            begin, end = sorted((x.length, whole - y.length))  # the other way round where the edges overlap
            return Bridge(tuple(before[:-1]), middle, tuple(after[1:]), (begin, end), kind)
    return _spline(before, after, clear)


def merged(x: Segment, y: Segment) -> Segment | None:
    """Both as one line or one arc; None where they are not one."""
    found = _line(x, y) or _arc(x, y)
    return found[0][0] if found else None


def _line(x: Segment, y: Segment) -> tuple[tuple[Segment, ...], str] | None:
    """Both as one line, where they are one."""
    if not (isinstance(x, Line) and isinstance(y, Line)):
        return None
    one = Line(x.start, y.end)
    along = one.tangent(0.0)[0]
    if min(float(x.tangent(0.0)[0] @ along), float(y.tangent(0.0)[0] @ along)) < math.cos(ONE_RAD):
        return None
    off = np.array([x.end, y.start]) - np.array(one.start)
    return ((one,), "line") if np.abs(_cross(along, off)).max() < ONE_MM else None


def _arc(x: Segment, y: Segment) -> tuple[tuple[Segment, ...], str] | None:
    """Both as one arc, where they are one."""
    if not (isinstance(x, Arc) and isinstance(y, Arc)) or x.sweep * y.sweep < 0:
        return None
    if not (0.8 < x.radius / y.radius < 1.25) or abs(x.sweep) + abs(y.sweep) > 1.9 * math.pi:
        return None
    points = np.vstack([x.point(np.linspace(0, 1, 40)), y.point(np.linspace(0, 1, 40))])
    start, end = np.array(x.start), np.array(y.end)
    chord = end - start
    if np.linalg.norm(chord) < ONE_MM:
        return None
    left = np.array([-chord[1], chord[0]]) / np.linalg.norm(chord)
    middle = (start + end) / 2

    def off(height: float) -> Floats:  # the centre's height over the chord
        centre = middle + height * left
        distances: Floats = np.linalg.norm(points - centre, axis=1) - math.dist(as_point(start), as_point(centre))
        return distances

    guess = float((np.array(x.centre) + np.array(y.centre) - 2 * middle) @ left) / 2
    spread = 0.5 * x.radius
    best = float(minimize_scalar(lambda h: float((off(h) ** 2).sum()), bounds=(guess - spread, guess + spread)).x)
    if np.abs(off(best)).max() > ONE_MM:
        return None
    centre = middle + best * left
    one = _arc_between(centre, start, end, math.copysign(1.0, x.sweep))
    return (one,), "arc"


def _arc_between(centre: Floats, start: Floats, end: Floats, sense: float) -> Arc:
    a, b = start - centre, end - centre
    first = math.atan2(a[1], a[0])
    sweep = sense * ((sense * (math.atan2(b[1], b[0]) - first)) % (2 * math.pi))
    return Arc(as_point(centre), float(np.linalg.norm(a)), first, sweep)


def _corner(x: Segment, y: Segment) -> tuple[tuple[Segment, ...], str] | None:
    """Both carried on until they meet at an angle: lines straight, arcs and splines as they bend, or else straight."""
    p, q, u, v = np.array(x.end), np.array(y.start), x.tangent(1.0)[0], -y.tangent(0.0)[0]
    turn = math.atan2(float(_cross(u, -v)), float(-u @ v))
    if abs(turn) < CORNER_RAD or abs(turn) > math.pi - CORNER_RAD / 2:
        return None
    gap = float(np.linalg.norm(q - p))
    reach = max(gap, 0.5) * max(REACH, 1.0 / math.tan((math.pi - abs(turn)) / 2))  # of a tip, twice its height
    for way in (_onward, _straight):
        one, other = way(x), way(y.reversed())
        crossing = _meeting(_carried(one, reach), _carried(other, reach))
        if crossing is not None and float(np.linalg.norm(crossing - (p + q) / 2)) <= reach:
            corner = _on_both(one, other, crossing)
            return (
                *_led(x, one, corner),
                *(s.reversed() for s in reversed(_led(y.reversed(), other, corner))),
            ), "corner"
    return None


def _carried(onward: Line | Arc, reach: float) -> Points:
    """The way on from an end, as a polyline."""
    if isinstance(onward, Arc):
        on = math.copysign(min(reach / onward.radius, math.pi / 2), onward.sweep)
        more = Arc(onward.centre, onward.radius, onward.from_angle + onward.sweep, on)
        return more.point(np.linspace(0, 1, 200))
    end = np.array(onward.end)
    return np.array([end, end + reach * onward.tangent(1.0)[0]])


def _meeting(one: Points, other: Points) -> Floats | None:
    """The first place where two polylines cross."""
    a, b = np.diff(one, axis=0), np.diff(other, axis=0)
    den = _cross(a[:, None], b[None])
    rel = other[None, :-1] - one[:-1, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        t, u = _cross(rel, b[None]) / den, _cross(rel, a[:, None]) / den
    hit = np.argwhere((t >= 0) & (t <= 1) & (u >= 0) & (u <= 1))
    if not len(hit):
        return None
    i, j = hit[0]
    crossing: Floats = one[i] + t[i, j] * a[i]
    return crossing


def _on_both(one: Line | Arc, other: Line | Arc, near: Floats) -> Floats:
    """Where two lines or circles cross next to a place that was read off chords, by Newton's method."""
    place = near
    for _ in range(NEWTON):
        off, normal = zip(*(_away(curve, place) for curve in (one, other)), strict=True)
        place = place - np.linalg.lstsq(np.array(normal), np.array(off), rcond=None)[0]
    return np.asarray(place) if np.hypot(*(place - near)) < CHORDS_MM else near


def _away(curve: Line | Arc, place: Floats) -> tuple[float, Floats]:
    """Distance of a place from a line or a circle, and which way it grows."""
    if isinstance(curve, Line):
        heading = curve.tangent(0.0)[0]
        normal = np.array([-heading[1], heading[0]])
        return float((place - np.array(curve.start)) @ normal), normal
    spoke = place - np.array(curve.centre)
    length = float(np.hypot(*spoke))
    return length - curve.radius, spoke / length


def _led(segment: Segment, onward: Line | Arc, to: Floats) -> list[Segment]:
    """The segment carried on to a point that lies on its way on."""
    if isinstance(onward, Line):
        line = Line(segment.start if isinstance(segment, Line) else segment.end, as_point(to))
        return [line] if isinstance(segment, Line) else [segment, line]
    on = _arc_between(np.array(onward.centre), np.array(segment.end), to, math.copysign(1.0, onward.sweep))
    whole: list[Segment] = [segment, on]
    if isinstance(segment, Arc):
        whole = [Arc(segment.centre, segment.radius, segment.from_angle, segment.sweep + on.sweep)]
    short = float(np.linalg.norm(np.array(whole[-1].end) - to))  # of rounding
    return [*whole, Line(whole[-1].end, as_point(to))] if short > 1e-7 else whole


def _onward(segment: Segment) -> Line | Arc:
    """How a segment goes on beyond its end: a spline by the bend of its last LAST_MM."""
    if not isinstance(segment, Spline):
        return segment
    t = np.linspace(max(0.0, 1.0 - LAST_MM / segment.length), 1.0, 40)
    end, heading = np.array(segment.end), segment.tangent(1.0)[0]
    rel = segment.point(t) - end
    u, v = rel @ heading, heading[0] * rel[:, 1] - heading[1] * rel[:, 0]
    bend = 2 * float((u**2 * v).sum() / max((u**4).sum(), 1e-12))
    if abs(bend) < FLATTEST:
        return _straight(segment)
    centre = end + np.array([-heading[1], heading[0]]) / bend
    first = math.atan2(end[1] - centre[1], end[0] - centre[0])
    return Arc(as_point(centre), 1 / abs(bend), first, math.copysign(1e-9, bend))


def _straight(segment: Segment) -> Line:
    """Straight on beyond its end."""
    end = np.array(segment.end)
    return Line(as_point(end - segment.tangent(1.0)[0]), as_point(end))


def _spline(before: Sequence[Segment], after: Sequence[Segment], clear: float) -> Bridge:
    """A spline that leaves both edges smoothly, begun far enough from the break to be calm."""
    best: tuple[float, Bridge] | None = None
    for longer in LONGER:
        one = _shortened(before, longer * clear)
        other = tuple(
            s.reversed() for s in reversed(_shortened([s.reversed() for s in reversed(after)], longer * clear))
        )
        curve = _between(one[-1], other[0])
        bend = np.concatenate([curvature(one[-1])[-1:], curvature(curve), curvature(other[0])[:1]])
        swing = float(np.abs(np.diff(bend)).sum() - abs(bend[-1] - bend[0]))
        if best is None or swing < best[0]:
            best = (swing, Bridge(one, (curve,), other, (0.0, curve.length), "spline"))
        if swing < CALM + CALM_SHARE * max(abs(bend[0]), abs(bend[-1])):
            break
    assert best is not None  # LONGER is not empty
    return best[1]


def _shortened(edge: Sequence[Segment], by: float) -> tuple[Segment, ...]:
    """The edge without its last ``by`` mm, or without MOST_TAKEN of it if that is less."""
    lengths = np.array([s.length for s in edge])
    left = float(lengths.sum()) - min(by, MOST_TAKEN * float(lengths.sum()))
    kept: list[Segment] = []
    for segment, length in zip(edge, lengths, strict=True):
        if left <= 1e-6:
            break
        kept.append(segment if length <= left else part(segment, 0.0, _parameter(segment, left)))
        left -= length
    return tuple(kept)


def _parameter(segment: Segment, s: float) -> float:
    """The parameter at arc length s (mm) of a segment."""
    if not isinstance(segment, Spline):
        return s / segment.length
    back = Line(segment.end, segment.start)
    return Path(Loop((segment, back))).place(s)[1]


def _between(x: Segment, y: Segment) -> Spline:
    """One cubic from x's end to y's start with their tangents, its curvature at both ends as near theirs as it goes."""
    p, q = np.array(x.end), np.array(y.start)
    u, v = x.tangent(1.0)[0], y.tangent(0.0)[0]
    chord = q - p
    length = max(float(np.linalg.norm(chord)), 1e-9)
    bends = (float(curvature(x)[-1]), float(curvature(y)[0]))

    def off(legs: Floats) -> Floats:
        a, b = legs * length
        inner = chord - b * v
        first = float(_cross(u, inner)) * 2 / (3 * a * a) - bends[0]
        last = float(_cross(chord - a * u, v)) * 2 / (3 * b * b) - bends[1]
        return np.array([first * length, last * length, 0.3 * (legs[0] - 1 / 3), 0.3 * (legs[1] - 1 / 3)])

    a, b = least_squares(off, [1 / 3, 1 / 3], bounds=(0.15, 0.6)).x * length
    return Spline((as_point(p), as_point(p + a * u), as_point(q - b * v), as_point(q)), _BEZIER)


def _cross(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    crossed: Floats = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return crossed
