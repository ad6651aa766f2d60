"""Fair pieces through an open run of measured points: one of them, or one from corner to corner."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from digitize.editing.fair import Ends, arc_over, fair_spline, fair_splines, plain_cubic
from digitize.fitting.adjust import robust
from digitize.fitting.pieces import CORNER_PRICE, FINE_PRICE
from digitize.fitting.primitives import fit_line
from digitize.fitting.split import CORRELATED_MM
from digitize.model.segment import Line, Point, Points, Segment, as_point

Floats = npt.NDArray[np.float64]

BLEND_MM = 1.0  # from the ends of a run, which are given: measured points so near say nothing more
BLUR_MM = 0.3  # the same beside a corner, which photos round
HOLD_SIGMAS, HOLD_MM = 3.0, 0.05  # a piece holds its points that lie no farther off
HELD = 0.95  # share of the points that it has to hold: the rest is noise beyond three sigmas, dirt, a wrong edge
HOPELESS = 0.5  # share: a spline that holds less, once it is nearly settled, is not settled
KEPT_RAD = math.radians(0.5)  # a line or an arc that turns by less from a given tangent keeps it
HOOK_RAD = math.radians(60.0)
SIDE_MM = (0.4, 3.0)  # from a place, the points that tell how the edge comes and goes there
SIDE_OFF_MM = 0.1  # from a straight line: of a round of 8 mm over such a length
NEAR_END_MM = 1.5  # from an end of the run, within which no corner is looked for
LOOK_MM = 0.5  # from one place that may be a corner to the next
TURN_RAD = math.radians(20.0)  # the edge turns by more at a corner, by half as much where curves are led up to it


@dataclass(frozen=True)
class _Drawn:
    """A piece, the share of its points that it holds, and what it costs: misfit, and its numbers' price."""

    piece: Segment
    held: float
    cost: float


def drawn(points: Points, sigma: Floats, ends: Ends) -> tuple[Segment, ...]:
    """Pieces from end to end through measured points; they meet in corners.

    points : (N, 2) in travel order; sigma : (N,) mm, standard error of each across the edge
    """
    places = _corners(points, sigma)
    whole = _piece(points, sigma, ends, (BLEND_MM, BLEND_MM))
    if not places:
        return (whole.piece,)
    marks = [0, *(k for k, _ in places), len(points)]
    at = [ends.start, *(p for _, p in places), ends.end]
    parts = []
    for k, ((a, b), (p, q)) in enumerate(zip(pairwise(marks), pairwise(at), strict=True)):
        first, last = k == 0, k == len(places)
        own = Ends(p, q, ends.leaving if first else None, ends.arriving if last else None)
        blend = (BLEND_MM if first else BLUR_MM, BLEND_MM if last else BLUR_MM)
        parts.append(_piece(points[a:b], sigma[a:b], own, blend))
    price = sum(part.cost + CORNER_PRICE for part in parts) - CORNER_PRICE
    turns = [x.piece.tangent(1.0)[0] @ y.piece.tangent(0.0)[0] for x, y in pairwise(parts)]
    if max(turns) > math.cos(TURN_RAD / 2):  # a tight round, no corner
        return (whole.piece,)
    held = float(np.average([part.held for part in parts], weights=np.diff(marks)))
    better = (_shortfall(held), price) < (_shortfall(whole.held), whole.cost)
    return tuple(part.piece for part in parts) if better else (whole.piece,)


def _piece(points: Points, sigma: Floats, ends: Ends, blend: tuple[float, float]) -> _Drawn:
    """The piece that pays best for its numbers among those that hold the points, or else the one that holds most.

    blend : from its start and from its end, mm, within which points say nothing
    """
    away = np.linalg.norm(points[:, None] - np.array([ends.start, ends.end]), axis=2)
    clear = (away > np.array(blend)).all(axis=1)
    points, sigma = points[clear], sigma[clear]
    line = Line(ends.start, ends.end)
    if len(points) < 2:
        return _Drawn(line, 1.0, 0.0)
    best = _Drawn(line, 0.0, math.inf)
    for found in _tried(points, sigma, ends):
        if _hooks(found.piece, points):
            continue
        if (_shortfall(found.held), found.cost) < (_shortfall(best.held), best.cost):
            best = found
        elif best.held >= HELD and found.cost > best.cost + 4 * FINE_PRICE:
            break
    return best


def _shortfall(held: float) -> float:
    return max(0.0, HELD - held)


def _tried(points: Points, sigma: Floats, ends: Ends) -> Iterator[_Drawn]:
    """A line, an arc, and splines of more and more control points, as far as they have the tangents that are given."""
    spacing = float(np.median(np.linalg.norm(np.diff(points, axis=0), axis=1)))
    weights = min(1.0, spacing / CORRELATED_MM) / sigma**2  # neighbours err together
    limit = np.maximum(HOLD_SIGMAS * sigma, HOLD_MM)

    def judged(piece: Segment, distances: Floats, numbers: int) -> _Drawn:
        misfit = float((weights * np.minimum(distances, HOLD_SIGMAS * sigma) ** 2).sum())
        return _Drawn(piece, float(np.mean(distances <= limit)), misfit + FINE_PRICE * numbers)

    line = Line(ends.start, ends.end)
    if _keeps(line, ends):
        left = line.tangent(0.0)[0] @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        yield judged(line, np.abs((points - np.asarray(ends.start)) @ left), 0)
    arc, away = arc_over(points, ends.start, ends.end)
    if _keeps(arc, ends):
        yield judged(arc, away, 1)
    given = (ends.leaving is not None) + (ends.arriving is not None)
    if given:
        cubic = plain_cubic(points, ends)
        yield judged(cubic.spline, cubic.distances, 2)
    for first in fair_splines(points, weights, ends):
        knots, n = np.asarray(first.spline.knots), len(first.spline.control)
        fit = first
        if np.mean(first.distances <= limit) > HOPELESS:
            fit = fair_spline(points, robust(first.distances, weights, sigma), knots, ends) or first
        yield judged(fit.spline, fit.distances, 2 * (n - 2) - given)


def _hooks(piece: Segment, points: Points) -> bool:
    """Whether a piece sets out from its start, or comes in to its end, another way than the points do."""
    ways = np.array([points[0] - np.asarray(piece.start), np.asarray(piece.end) - points[-1]])
    heading = np.vstack([piece.tangent(0.0), piece.tangent(1.0)])
    return bool(((ways * heading).sum(axis=1) < math.cos(HOOK_RAD) * np.linalg.norm(ways, axis=1)).any())


def _keeps(piece: Segment, ends: Ends) -> bool:
    """Whether a piece has the tangents that are given, nearly."""
    pairs = ((piece.tangent(0.0)[0], ends.leaving), (piece.tangent(1.0)[0], ends.arriving))
    return all(given is None or float(own @ given) > math.cos(KEPT_RAD) for own, given in pairs)


def _corners(points: Points, sigma: Floats) -> list[tuple[int, Point]]:
    """Where a run turns sharply: the number of the point nearest to it, and where the edges to either side meet."""
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    found: list[tuple[float, int, Point]] = []
    for at in np.arange(NEAR_END_MM, s[-1] - NEAR_END_MM, LOOK_MM):
        marks = np.searchsorted(s, at + np.array([-SIDE_MM[1], -SIDE_MM[0], *SIDE_MM]))
        sides = (slice(*marks[:2]), slice(*marks[2:]))
        if min(np.diff(marks)[::2]) < 3:
            continue
        (p, a), (q, b) = (_straight(points[side], sigma[side]) for side in sides)
        turn = abs(math.remainder(b - a, 2 * math.pi))
        if TURN_RAD < turn < math.pi - TURN_RAD / 2:
            along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(b), math.cos(b)])
            meeting = np.asarray(p) + along * float((np.subtract(q, p) @ across) / (along @ across))
            near = np.linalg.norm(points[marks[0] : marks[3]] - meeting, axis=1)
            found.append((turn, int(marks[0] + near.argmin()), as_point(meeting)))
    best: list[tuple[int, Point]] = []
    for _, k, place in sorted(found, reverse=True):
        if all(abs(s[k] - s[other]) > SIDE_MM[1] for other, _ in best):
            best.append((k, place))
    return sorted(best)


def _straight(points: Points, sigma: Floats) -> tuple[Point, float]:
    """A point and the heading of the line through the points beside a place; no heading (nan) if they are no line."""
    at, angle = fit_line(points)
    off = np.abs((points - np.asarray(at)) @ np.array([-math.sin(angle), math.cos(angle)]))
    return at, angle if (off < SIDE_OFF_MM + HOLD_SIGMAS * sigma).all() else math.nan
