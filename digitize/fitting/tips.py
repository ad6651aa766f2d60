"""Corners beyond the last trusted points: a curve whose bend there is a guess is led straight into them, and a thin tip
is drawn to where it was then seen to end.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.interpolate import BSpline
from scipy.optimize import brentq
from scipy.spatial import cKDTree
from shapely import LinearRing, LineString

from digitize.fitting.quality import FitQuality, of_loops
from digitize.model.outline import CORNER_RAD, Loop, Outline, TipEnd
from digitize.model.segment import DEGREE, Arc, Line, Points, Segment, Spline, as_point, part

NEAR_MM = 0.15  # a point so near a segment supports it there
# A curve that runs on without a point for longer than this, and than this share of what its points cover, does not know
# its own bend there. A spline's end knows less than an arc.
BARE_MM, BARE_ARC, BARE_SPLINE = 1.0, 0.25, 0.12
FARTHEST = 3.0  # times the gap between the last points: corners farther out are no corners
SAME_MM = 1e-4  # a corner so near another is no other


def straightened(loop: Loop, points: Points) -> Loop:
    """The loop, its curves led straight into every corner that they reach without support by ``points`` (N, 2)."""
    segments, turns = list(loop.segments), loop.turns()
    ends: list[list[Segment]] = [[s] for s in segments]
    if len(segments) < 2:
        return loop
    tree = cKDTree(points)
    for k in np.flatnonzero(np.abs(turns) > CORNER_RAD):
        before, after = ends[k - 1][-1], ends[k][0].reversed()
        a, b = _last_seen(before, tree), _last_seen(after, tree)
        if not (_is_guess(before, a) or _is_guess(after, b)):
            continue
        corner = _meeting(before, a, after, b)
        if corner is not None:
            ends[k - 1][-1:] = _led(before, a, corner)
            ends[k][:1] = [s.reversed() for s in reversed(_led(after, b, corner))]
    led = Loop(tuple(s for group in ends for s in group))
    return led if LinearRing(led.flattened()).is_simple else loop


def _is_guess(segment: Segment, seen: float) -> bool:
    bare, known = segment.length * (1 - seen), segment.length * seen
    share = BARE_ARC if isinstance(segment, Arc) else BARE_SPLINE
    return not isinstance(segment, Line) and seen > 0 and bare > max(BARE_MM, share * known)


def _last_seen(segment: Segment, points: cKDTree) -> float:
    """The last parameter at which a point lies near the segment; 0 where none does."""
    t = np.linspace(0.0, 1.0, max(20, int(segment.length / NEAR_MM)))
    seen = points.query(segment.point(t), distance_upper_bound=NEAR_MM)[0] < NEAR_MM
    return float(t[np.flatnonzero(seen)[-1]]) if seen.any() else 0.0


def _meeting(one: Segment, a: float, other: Segment, b: float) -> Points | None:
    """Where two segments that run toward a corner meet, guesses led straight; None where they do not."""
    reach = FARTHEST * float(np.linalg.norm(one.point(a)[0] - other.point(b)[0]))
    paths = [LineString(_path(s, t, reach)) for s, t in ((one, a), (other, b))]
    place = paths[0].intersection(paths[1])
    if place.geom_type != "Point":
        return None
    corner = np.array(place.coords[0])
    for segment, seen in ((one, a), (other, b)):
        if not isinstance(segment, Line) and not _is_guess(segment, seen):
            corner = segment.point(_nearest(segment, corner))[0]  # exactly on the curve that stays one
    return corner


def _nearest(segment: Segment, place: Points) -> float:
    t = np.linspace(0.0, 1.0, 20001)
    return float(t[np.linalg.norm(segment.point(t) - place, axis=1).argmin()])


def _path(segment: Segment, seen: float, reach: float) -> Points:
    """The segment from its last point on: straight by ``reach`` if it is a line or a guess, else as it runs."""
    if isinstance(segment, Line) or _is_guess(segment, seen):
        start = segment.point(seen)[0]
        return np.array([start, start + reach * segment.tangent(seen)[0]])
    return segment.point(np.linspace(seen, 1.0, 200))


def _led(segment: Segment, seen: float, corner: Points) -> list[Segment]:
    """The segment up to the corner: a guess only to its last point, then straight."""
    if isinstance(segment, Line):
        return [Line(segment.start, as_point(corner))]
    if _is_guess(segment, seen):
        known = part(segment, 0.0, seen)
        return [known, Line(known.end, as_point(corner))]
    return [part(segment, 0.0, _nearest(segment, corner))]


def ended(outline: Outline, quality: FitQuality, ends: Sequence[TipEnd]) -> tuple[Outline, FitQuality]:
    """The outline with its thin tips ended as told, and its quality: no edge point lies there, so no distance changes.

    A tip that cannot be ended so (its cut is longer than a flank) stays as it is.
    """
    if not ends:
        return outline, quality
    for end in sorted(ends, key=lambda e: (e.loop, -e.segment)):  # from behind: numbers before stay
        loops = list(outline.loops)
        segments = _ended(loops[end.loop].segments, end)
        if segments:
            try:
                loops[end.loop] = Loop(segments)
                outline = Outline(loops[0], tuple(loops[1:]))
            except ValueError:
                continue
    return outline, of_loops(quality, outline.loops)


def _ended(segments: tuple[Segment, ...], end: TipEnd) -> tuple[Segment, ...] | None:
    k, corner, heading = end.segment, np.array(end.corner), np.array(end.heading)
    flanks = [_bent(flank, corner, end.bend) for flank in (segments[k - 1], segments[k].reversed())]
    if end.cut > 0:
        cut = [_cut(flank, corner - end.cut * heading, heading) for flank in flanks]
        if cut[0] is None or cut[1] is None:
            return None
        flanks = [cut[0], cut[1]]
    new = list(segments)
    new[k - 1], new[k] = flanks[0], flanks[1].reversed()
    return tuple([*new[:k], *([Line(flanks[0].end, flanks[1].end)] if end.cut > 0 else []), *new[k:]])


def _bent(flank: Segment, corner: Points, bend: float) -> Segment:
    """The flank bent to a corner near its end: a line turned, an arc as it is, a spline over its last ``bend`` mm.

    A spline is moved by a cubic that rises from where it begins to bend, which is itself a spline there: its blossom
    (Ramshaw 1989; from memory) gives what every control point moves by.
    """
    move = corner - flank.end
    if np.hypot(*move) < SAME_MM or isinstance(flank, Arc):
        return flank
    if isinstance(flank, Line):
        return Line(flank.start, as_point(corner))
    share = max(0.0, 1.0 - bend / flank.length)
    first = flank.knots[0] + (flank.knots[-1] - flank.knots[0]) * share
    curve = BSpline(np.asarray(flank.knots), np.asarray(flank.control), DEGREE)
    curve = curve.insert_knot(first) if share > 0 and not (curve.t == first).any() else curve
    rise = np.clip((curve.t - first) / (curve.t[-1] - first), 0.0, None)
    by = np.prod([rise[i : i + len(curve.c)] for i in (1, 2, 3)], axis=0)
    return Spline(tuple(as_point(c) for c in curve.c + by[:, None] * move), tuple(float(t) for t in curve.t))


def _cut(flank: Segment, place: Points, heading: Points) -> Segment | None:
    """The flank up to the line through a place square to a heading; None where it lies beyond the line as a whole."""

    def beyond(t: float) -> float:
        return float((flank.point(t)[0] - place) @ heading)

    if beyond(0.0) >= 0.0:
        return None
    return flank if beyond(1.0) <= 0.0 else part(flank, 0.0, float(brentq(beyond, 0.0, 1.0)))
