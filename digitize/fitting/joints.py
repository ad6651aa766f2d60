"""Joints between pieces: smooth or sharp, where they lie, whose points are whose; then the adjustment of it all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from shapely import LineString
from shapely import Point as Location
from shapely.ops import nearest_points

from digitize.fitting.adjust import ArcFit, CurveFit, Joint, LineFit, PieceFit, Unsettled, adjusted, robust
from digitize.fitting.corners import SHARPEST_TURN
from digitize.fitting.pieces import Piece
from digitize.fitting.primitives import fit_circle, fit_line
from digitize.fitting.spline import clamped_knots, extended, fit_spline
from digitize.fitting.split import COVERAGE, Bins, Samples
from digitize.model.outline import CORNER_RAD
from digitize.model.segment import DEGREE, Points

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

ROUNDS = 3  # points are shared out anew between the pieces after each adjustment
SLOPE_SIGMAS = 4.0
BARRIER_RAD = math.radians(40.0)  # no joint that turns by more is smooth, whatever its uncertainty


@dataclass(frozen=True)
class Link:
    """A joint to be: the stretch of arc length (mm) between two pieces that neither may use, and its kind."""

    lo: float
    hi: float
    smooth: bool


@dataclass(frozen=True)
class Chain:
    """Pieces' fits and, after each of them, the link to the next."""

    fits: list[PieceFit]
    links: list[Link]


def chosen(samples: Samples, lo: float, hi: float) -> npt.NDArray[np.intp]:
    """Indices of the points between arc lengths lo and hi (mm), in travel order."""
    away = (samples.s - lo) % samples.length
    index = np.flatnonzero((away < hi - lo) & (samples.weights > 0))
    chosen: npt.NDArray[np.intp] = index[np.argsort(away[index])]
    return chosen


def point_at(samples: Samples, s: float) -> Floats:
    """The contour's point at arc length s, mm."""
    closed = np.vstack([samples.points, samples.points[:1]])
    around = np.append(samples.s, samples.length)
    s %= samples.length
    return np.array([np.interp(s, around, closed[:, 0]), np.interp(s, around, closed[:, 1])])


def own_fit(samples: Samples, kind: str, knots: Floats | None, index: npt.NDArray[np.intp]) -> PieceFit:
    """A piece fitted to its own points alone."""
    points, weights = samples.points[index], samples.weights[index]
    circle = fit_circle(points, weights) if kind == "arc" else None
    if circle:
        centre = np.array(circle[0])
        away = points - centre
        turn = away[:-1, 0] * away[1:, 1] - away[:-1, 1] * away[1:, 0]
        return ArcFit(centre, circle[1], math.copysign(1.0, float(turn.sum())))
    if knots is not None:
        fit = fit_spline(points, weights, knots)
        return CurveFit(fit.control, fit.knots)
    anchor, angle = fit_line(points, weights)
    return LineFit(np.array(anchor), angle)


def turn_between(a: PieceFit, b: PieceFit, qa: Floats, qb: Floats) -> float:
    """Turn from the end of a to the start of b, radians."""
    (ax, ay), (bx, by) = a.heading(qa, True)[0], b.heading(qb, False)[0]
    return math.atan2(ax * by - ay * bx, ax * bx + ay * by)


def _curvature(fit: PieceFit, at_end: bool) -> float:
    if isinstance(fit, LineFit):
        return 0.0
    if isinstance(fit, ArcFit):
        return fit.sign / fit.radius
    curve = BSpline(fit.knots, fit.control, DEGREE)
    t = 1.0 if at_end else 0.0
    (x, y), (u, v) = curve.derivative()(t), curve.derivative(2)(t)
    return float((x * v - y * u) / max((x * x + y * y) ** 1.5, 1e-9))


def _slope_sigma(samples: Samples, fit: PieceFit, lo: float, hi: float, at_end: bool) -> float:
    """Standard error of the heading at a piece's end (straight line: sqrt(12), parabola: sqrt(192); radians)."""
    reach = hi - lo
    if isinstance(fit, CurveFit):  # its last span alone
        reach *= float(1 - fit.knots[-DEGREE - 2] if at_end else fit.knots[DEGREE + 1])
    index = chosen(samples, hi - reach, hi) if at_end else chosen(samples, lo, lo + reach)
    sigma = 1 / math.sqrt(max(float(samples.weights[index].sum()), 1e-9))
    return sigma * math.sqrt(12 if isinstance(fit, LineFit) else 192) / max(reach, 1e-3)


def _is_smooth(samples: Samples, a: PieceFit, b: PieceFit, link: Link, reach: tuple[float, float]) -> bool:
    """Whether the turn between two pieces is no more than their own uncertainty, and that of the joint's place."""
    if isinstance(a, LineFit) and isinstance(b, LineFit):
        return False
    qa, qb = point_at(samples, link.lo), point_at(samples, link.hi)
    turn = abs(turn_between(a, b, qa, qb))
    jump = min(1.0, abs(_curvature(a, True) - _curvature(b, False)))
    nearest = int(np.abs((samples.s - link.lo + samples.length / 2) % samples.length - samples.length / 2).argmin())
    place = math.sqrt(2 * max(samples.tolerance, COVERAGE * float(samples.sigma[nearest])) * jump)
    own = math.hypot(
        _slope_sigma(samples, a, link.lo - reach[0], link.lo, True),
        _slope_sigma(samples, b, link.hi, link.hi + reach[1], False),
    )
    return turn < min(CORNER_RAD + place + SLOPE_SIGMAS * own, BARRIER_RAD)


def _extension(fit: PieceFit, q: Floats, at_end: bool, reach: float) -> Points:
    """A piece carried on beyond its end (or start) near q by its heading and curvature there, mm; and a little back."""
    heading, bend = fit.heading(q, at_end)[0], _curvature(fit, at_end)
    left = np.array([-heading[1], heading[0]])
    foot = fit.control[-1 if at_end else 0] if isinstance(fit, CurveFit) else q - fit.distances(q[None])[0] * left
    if abs(bend) > 1e-12:
        reach = min(reach, 1.5 / abs(bend))
    u = (1.0 if at_end else -1.0) * np.linspace(-min(1.5, reach), reach, 80)
    extension: Points = foot + u[:, None] * heading + bend / 2 * (u * u)[:, None] * left
    return extension


def meeting(samples: Samples, a: PieceFit, b: PieceFit, link: Link) -> Floats:
    """Where two pieces meet that turn, extended over the blur of the corner; midway where they hardly turn."""
    qa, qb = point_at(samples, link.lo), point_at(samples, link.hi)
    middle = (qa + qb) / 2
    if link.smooth or abs(turn_between(a, b, qa, qb)) < 2 * CORNER_RAD:
        return middle
    reach = math.dist(qa, qb) + 8 * samples.blur + 3.0
    crossing = LineString(_extension(a, qa, True, reach)).intersection(LineString(_extension(b, qb, False, reach)))
    if crossing.is_empty:
        return middle
    meeting: Floats = np.array(nearest_points(crossing, Location(middle))[0].coords[0])
    turn = abs(turn_between(a, b, qa, qb))
    taken = samples.blur * (2 + 2 * math.tan(min(turn, SHARPEST_TURN) / 2)) + 2 * samples.tolerance / math.sin(turn)
    return meeting if math.dist(meeting, middle) < math.dist(qa, qb) + taken else middle


def spans_of(bins: Bins, pieces: Sequence[Piece]) -> list[tuple[float, float]]:
    """Arc length (mm) at which each piece begins and ends, unwrapped."""
    m = len(bins.s)
    return [
        (
            float(bins.nodes[p.first % m]) + p.first // m * bins.length,
            float(bins.nodes[p.last % m]) + p.last // m * bins.length,
        )
        for p in pieces
    ]


def own_fits(samples: Samples, bins: Bins, pieces: Sequence[Piece]) -> list[PieceFit]:
    fits = []
    for p, (lo, hi) in zip(pieces, spans_of(bins, pieces), strict=True):
        index = chosen(samples, lo, hi)
        if len(index) < 3:
            index = chosen(samples, lo - 1e-6, hi + 1e-6)
        if len(index) < 2:
            raise Unsettled
        fits.append(own_fit(samples, p.kind, p.knots, index))
    return fits


def linked(samples: Samples, bins: Bins, pieces: list[Piece]) -> Chain:
    fits, spans = own_fits(samples, bins, pieces), spans_of(bins, pieces)
    links = []
    n = len(pieces)
    for k in range(n):
        after = (k + 1) % n
        lo, hi = spans[k][1], spans[after][0] + (bins.length if after == 0 else 0.0)
        link = Link(lo, hi, False)
        reach = (spans[k][1] - spans[k][0], spans[after][1] - spans[after][0])
        smooth = n == 1 or _is_smooth(samples, fits[k], fits[after], link, reach)
        links.append(Link(lo, hi, smooth and hi - lo < 1e-6))
    for k, piece in enumerate(pieces):  # tangents that are given leave four control points no freedom but to be flat
        given = links[k - 1].smooth or links[k].smooth
        if given and piece.knots is not None and piece.borders is not None:
            knots = clamped_knots(piece.borders, max(len(piece.knots) - DEGREE - 1, DEGREE + 2))
            fits[k] = own_fit(samples, piece.kind, knots, chosen(samples, *spans[k]))
    return Chain(fits, links)


def _shares(samples: Samples, chain: Chain, joints: Sequence[Joint]) -> list[npt.NDArray[np.intp]]:
    """The points that belong to each piece: between its joints, and away from blurred corners."""
    near = []
    for k, (link, joint) in enumerate(zip(chain.links, joints, strict=True)):
        if link.smooth or samples.blur <= 0:
            near.append(0.0)
            continue
        turn = abs(turn_between(chain.fits[k], chain.fits[(k + 1) % len(chain.fits)], joint.at, joint.at))
        sharp = math.sin(min(math.pi - turn, math.pi / 2))
        near.append(samples.blur * min(8.0, max(1.0, 1.2 / max(sharp, 1e-3))))
    shares = []
    for k in range(len(chain.fits)):
        lo, hi = chain.links[k - 1].hi - (samples.length if k == 0 else 0.0), chain.links[k].lo
        index = chosen(samples, lo, hi)
        clear = np.ones(len(index), dtype=bool)
        for joint, reach in ((joints[k - 1], near[k - 1]), (joints[k], near[k])):
            clear &= np.linalg.norm(samples.points[index] - joint.at, axis=1) >= reach
        shares.append(index[clear] if clear.sum() >= max(3, len(index) / 2) else index)
    return shares


def _relinked(samples: Samples, chain: Chain, joints: Sequence[Joint]) -> list[Link]:
    """Links moved to the contour's points next to the joints, each point left to the piece that it is nearer to."""
    links, n = [], len(chain.fits)
    for k, (link, joint) in enumerate(zip(chain.links, joints, strict=True)):
        if link.hi - link.lo > 1e-6:
            links.append(link)
            continue
        away = (samples.s - link.lo + samples.length / 2) % samples.length - samples.length / 2
        distance = np.linalg.norm(samples.points - joint.at, axis=1) + np.where(np.abs(away) < 5.0, 0.0, np.inf)
        shift = float(away[distance.argmin()]) if np.isfinite(distance).any() else 0.0
        next_to = samples.points[[distance.argmin()]]
        before, after = (abs(float(f.distances(next_to)[0])) for f in (chain.fits[k], chain.fits[(k + 1) % n]))
        shift += 1e-6 * (before < after)
        links.append(Link(link.lo + shift, link.lo + shift, link.smooth))
    in_order = all(b.lo > a.lo for a, b in pairwise(links))
    return links if in_order else chain.links


def _reaching(samples: Samples, chain: Chain, joints: Sequence[Joint]) -> Chain:
    """Splines extended to the corners at their ends, over the stretch that the blur has taken."""
    fits = list(chain.fits)
    for k, fit in enumerate(fits):
        if isinstance(fit, CurveFit):
            curve = BSpline(fit.knots, fit.control, DEGREE).derivative()
            more = []
            for joint, end, t in ((joints[k - 1], 0, 0.0), (joints[k], -1, 1.0)):
                slope = curve(t)
                along = float((joint.at - fit.control[end]) @ slope / max(float(slope @ slope), 1e-12))
                more.append(0.0 if joint.smooth else min(0.5, max(0.0, along if end else -along)))
            fits[k] = CurveFit(*extended(fit.control, fit.knots, more[0], more[1]))
    return Chain(fits, chain.links)


def settled(samples: Samples, chain: Chain) -> tuple[Chain, list[Joint], list[npt.NDArray[np.intp]]]:
    """The chain adjusted as a whole, the points shared out anew each round."""
    n = len(chain.fits)
    joints = [
        Joint(meeting(samples, chain.fits[k], chain.fits[(k + 1) % n], link), link.smooth)
        for k, link in enumerate(chain.links)
    ]
    chain = _reaching(samples, chain, joints)
    shares = _shares(samples, chain, joints)
    for k in range(ROUNDS):
        data = []
        for fit, index in zip(chain.fits, shares, strict=True):
            p, w = samples.points[index], samples.weights[index]
            data.append((p, robust(fit.distances(p), w, samples.sigma[index]) if len(p) else w))
        fits, joints = adjusted(chain.fits, joints, data, closing=k == ROUNDS - 1)
        chain = Chain(fits, chain.links)
        chain = Chain(fits, _relinked(samples, chain, joints))
        shares = _shares(samples, chain, joints)
    return chain, joints, shares
