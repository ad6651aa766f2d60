"""Corners beyond the last trusted points: a curve whose bend there is a guess is led straight into them."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree
from shapely import LinearRing, LineString

from digitize.model.outline import CORNER_RAD, Loop
from digitize.model.segment import Arc, Line, Points, Segment, as_point, part

NEAR_MM = 0.15  # a point so near a segment supports it there
# A curve that runs on without a point for longer than this, and than this share of what its points cover, does not know
# its own bend there. A spline's end knows less than an arc.
BARE_MM, BARE_ARC, BARE_SPLINE = 1.0, 0.25, 0.12
FARTHEST = 3.0  # times the gap between the last points: corners farther out are no corners


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
