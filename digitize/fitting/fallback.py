"""What to do with a contour that no fair chain follows: pieces simply joined, and at last a polygon."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from shapely import Polygon

from digitize.fitting.adjust import ArcFit, PieceFit, Unsettled
from digitize.fitting.joints import Link, meeting, own_fits, point_at, spans_of
from digitize.fitting.pieces import Piece
from digitize.fitting.quality import NEAR_MM
from digitize.fitting.split import Bins, Samples
from digitize.model.errors import PartError
from digitize.model.outline import Loop, signed_area
from digitize.model.segment import Arc, Line, Segment, as_point

Floats = npt.NDArray[np.float64]

LONGEST_CUT_MM = 3.0  # of an edge, lost next to a corner beyond what blur takes
MEET_MM = 1e-2  # crossings are found on flattened extensions


def _ends(samples: Samples, a: PieceFit, b: PieceFit, link: Link) -> tuple[Floats, Floats]:
    """Where a ends and b begins: the same point where they meet, or nearly, each its own foot where they do not."""
    crossing, here = meeting(samples, a, b, link), point_at(samples, link.lo)
    meet = max(abs(float(f.distances(crossing[None])[0])) for f in (a, b)) < MEET_MM
    if meet and math.dist(crossing, here) < LONGEST_CUT_MM + 4 * samples.blur:
        return crossing, crossing
    end, start = a.feet(here[None])[0], b.feet(here[None])[0]
    if math.dist(end, start) < 2 * max(samples.tolerance, NEAR_MM):  # each moves by half of it
        return (end + start) / 2, (end + start) / 2
    return end, start


def plain(samples: Samples, bins: Bins, pieces: list[Piece]) -> Loop:
    """Every piece on its own, lines between those that do not meet: less fair, but always near the points."""
    if len(pieces) < 2:
        raise Unsettled
    fits, spans = own_fits(samples, bins, pieces), spans_of(bins, pieces)
    ends = [_ends(samples, fits[k - 1], fit, Link(spans[k - 1][1], spans[k][0], False)) for k, fit in enumerate(fits)]
    segments: list[Segment] = []
    for k, fit in enumerate(fits):
        a, (b, following) = ends[k][1], ends[(k + 1) % len(ends)]
        if isinstance(fit, ArcFit):
            segments.append(_arc_between(a, b, fit))
        else:  # the choice of pieces knows lines and arcs alone
            segments.append(Line(as_point(a), as_point(b)))
        if math.dist(b, following) > 0:
            segments.append(Line(as_point(b), as_point(following)))
    return Loop(tuple(segments))


def _arc_between(a: Floats, b: Floats, fit: ArcFit) -> Segment:
    """The arc from a to b through the middle of the fitted one."""
    from_angle = _angle(a - fit.centre)
    half = fit.sign * ((fit.sign * (_angle(b - fit.centre) - from_angle)) % (2 * math.pi)) / 2
    middle = fit.centre + fit.radius * np.array([math.cos(from_angle + half), math.sin(from_angle + half)])
    u, v = middle - a, b - a
    cross = 2 * float(u[0] * v[1] - u[1] * v[0])
    if abs(cross) < 1e-9:
        return Line(as_point(a), as_point(b))
    uu, vv = float(u @ u), float(v @ v)
    rel = np.array([v[1] * uu - u[1] * vv, u[0] * vv - v[0] * uu]) / cross
    start = _angle(-rel)
    sweep = fit.sign * ((fit.sign * (_angle(v - rel) - start)) % (2 * math.pi))
    return Arc(as_point(a + rel), float(np.hypot(*rel)), start, sweep)


def _angle(direction: Floats) -> float:
    return math.atan2(direction[1], direction[0])


def polygon(samples: Samples) -> Loop:
    """Lines between points, as few as hold the tolerance: the last resort, blunt at corners but true to the contour."""
    ring = Polygon(samples.points[samples.seen]).simplify(samples.tolerance)
    if not ring.is_valid:
        ring = max(getattr(ring.buffer(0), "geoms", [ring.buffer(0)]), key=lambda g: g.area)
    p = [as_point(q) for q in np.asarray(ring.exterior.coords)[:-1]] if not ring.is_empty else []
    if len(p) < 3:
        raise PartError(
            f"an edge of {samples.length:.1f} mm runs back on itself and encloses nothing",
            "lay the part on a bench of another colour, and photograph it again",
        )
    loop = Loop(tuple(Line(a, b) for a, b in zip(p, p[1:] + p[:1], strict=True)))
    return loop if loop.area * signed_area(samples.points) > 0 else loop.reversed()
