"""From contours to an outline: the cheapest chain of fair pieces, corners sharp, joints smooth, adjusted as a whole."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from digitize.fitting.adjust import ArcFit, LineFit, PieceFit, Unsettled, robust
from digitize.fitting.fallback import plain, polygon
from digitize.fitting.joints import (
    BARRIER_RAD,
    ROUNDS,
    Chain,
    chosen,
    linked,
    own_fits,
    point_at,
    settled,
    spans_of,
    turn_between,
)
from digitize.fitting.pieces import Piece, lines_and_arcs, with_splines
from digitize.fitting.primitives import fit_circle
from digitize.fitting.quality import (
    NEAR_MM,
    NEAR_SIGMAS,
    FitQuality,
    FittedLoop,
    fitted_to,
    is_faithful,
    quality_of,
)
from digitize.fitting.repair import STRAINED, repaired, smoothed
from digitize.fitting.review import rounded, shows_form, strays, without_blunt_corners
from digitize.fitting.runs import ARC_PRICE, runs_of
from digitize.fitting.split import STRAY_SIGMAS, Bins, Samples, binned, prepared
from digitize.fitting.tips import straightened
from digitize.model.errors import PartError
from digitize.model.outline import CORNER_RAD, Contour, Loop, Outline, signed_area
from digitize.model.segment import Arc, Line, Segment, Spline, as_point

__all__ = ["FitQuality", "FittedLoop", "fit_loop", "fit_outline"]

Floats = npt.NDArray[np.float64]

CLOSING_PRICE = 9.0  # chi square that a whole circle may lose to pieces that need not close
MOST_REPAIRS = 8
ROUND = 1.2  # radians: an arc that turns by more, between longer lines, is a fillet and no part of a sweep
LITTLE_FORM = (0.0, 0.2)  # of the usual variance of errors of form: what a contour may have that shows none
# Times the noise, until a chain of smooth joints follows the contour: as it is, finer for what it hid, then plainer
BELIEVED = (1.0, 0.6, 0.4, 1.5, 2.25)


def _segment(fit: PieceFit, a: Floats, b: Floats) -> Segment | None:
    """The piece between its joints, exact to rounding; None where it would run backwards."""
    if isinstance(fit, LineFit):
        if (b - a) @ fit.along <= 1e-6:
            return None
        return Line(as_point(a), as_point(b))
    if isinstance(fit, ArcFit):
        start, end = a - fit.centre, b - fit.centre
        from_angle = math.atan2(start[1], start[0])
        sweep = fit.sign * ((fit.sign * (math.atan2(end[1], end[0]) - from_angle)) % (2 * math.pi))
        if abs(sweep) * fit.radius <= 1e-6 or abs(sweep) > 2 * math.pi - 1e-3:
            return None
        return Arc(as_point(fit.centre), fit.radius, from_angle, sweep)
    control = [as_point(a), *(as_point(c) for c in fit.control[1:-1]), as_point(b)]
    return Spline(tuple(control), tuple(float(k) for k in fit.knots))


def _built(samples: Samples, chain: Chain) -> Loop:
    """The loop of a chain. Raises Unsettled, with the one to blame, where a piece or a smooth joint does not hold."""
    alone, n = chain.fits, len(chain.fits)
    misfits = []
    for k, fit in enumerate(alone):
        lo = chain.links[k - 1].hi - (samples.length if k == 0 else 0.0)
        misfits.append(_chi_square(samples, chosen(samples, lo, chain.links[k].lo), fit))
    chain, joints, shares = settled(samples, chain)
    segments = []
    for k, (fit, index) in enumerate(zip(chain.fits, shares, strict=True)):
        segment = _segment(fit, joints[k - 1].at, joints[k].at)
        if segment is None:
            raise Unsettled(piece=k)
        segments.append(segment)
        if (
            joints[k].smooth
            and abs(turn_between(fit, chain.fits[(k + 1) % n], joints[k].at, joints[k].at)) > CORNER_RAD
        ):
            raise Unsettled(joint=k)
        smooth = [i for i in ((k - 1) % n, k) if joints[i].smooth and n > 1]
        if smooth and _chi_square(samples, index, fit) > misfits[k] + STRAINED:
            at = [joint.at for joint in joints]
            raise Unsettled(
                joint=max(smooth, key=lambda i: abs(turn_between(alone[i], alone[(i + 1) % n], at[i], at[i])))
            )
    return Loop(tuple(segments))


def _chi_square(samples: Samples, index: npt.NDArray[np.intp], fit: PieceFit) -> float:
    """Misfit of a piece to its points, each counted as no farther off than a faithful loop may be."""
    off = fit.distances(samples.points[index])
    most = np.maximum(NEAR_MM, NEAR_SIGMAS * samples.sigma[index])
    return float((samples.weights[index] * np.minimum(off**2, most**2)).sum())


def _whole_circle(samples: Samples, bins: Bins, budget: float) -> Loop | None:
    """The loop as one circle, where that costs less than the budget."""
    index = np.flatnonzero(samples.weights > 0)
    points, sigma = samples.points[index], samples.sigma[index]
    weights = samples.weights[index]
    for _ in range(ROUNDS):
        found = fit_circle(points, weights)
        if found is None:
            return None
        circle = ArcFit(np.array(found[0]), found[1], math.copysign(1.0, signed_area(samples.points)))
        weights = robust(circle.distances(points), samples.weights[index], sigma)
    off = np.minimum(np.abs(circle.distances(bins.points)), STRAY_SIGMAS * float(np.median(sigma)))
    if float((bins.weights * off**2).sum()) + ARC_PRICE > budget + CLOSING_PRICE:
        return None
    away = points[0] - circle.centre
    from_angle = math.atan2(away[1], away[0])
    return Loop((Arc(as_point(circle.centre), circle.radius, from_angle, circle.sign * 2 * math.pi),))


def _structured(samples: Samples, bins: Bins, pieces: list[Piece]) -> Loop:
    if not pieces:
        raise Unsettled
    pieces = rounded(samples, bins, without_blunt_corners(samples, bins, pieces))
    fits, spans = own_fits(samples, bins, pieces), spans_of(bins, pieces)
    sharp = []
    straight = [(hi - lo) * isinstance(f, LineFit) for f, (lo, hi) in zip(fits, spans, strict=True)]
    drawn = [
        isinstance(f, ArcFit) and ROUND * f.radius < hi - lo < min(straight[k - 1], straight[(k + 1) % len(fits)])
        for k, (f, (lo, hi)) in enumerate(zip(fits, spans, strict=True))
    ]
    for k in range(len(pieces)):
        before, after = spans[k - 1][1], spans[k][0]
        turn = turn_between(fits[k - 1], fits[k], point_at(samples, before), point_at(samples, after))
        apart = drawn[k - 1] or drawn[k] or abs(before - after) % bins.length > 1e-6
        sharp.append(apart or abs(turn) > BARRIER_RAD)
    pieces = with_splines(bins, pieces, sharp)
    chain, found = linked(samples, bins, pieces), None
    for _ in range(MOST_REPAIRS):
        try:
            loop = _built(samples, chain)
        except Unsettled as trouble:
            mended = repaired(samples, chain, trouble)
            if found and all(a is b for a, b in zip(mended.fits, chain.fits, strict=False)):
                return found  # nothing got freer: another joint made sharp is no gain
            chain = mended
            continue
        found, smoother = loop, smoothed(chain, loop)
        if smoother.links == chain.links:
            return loop
        chain = smoother
    if found is None:
        raise Unsettled
    return found


def _believed(samples: Samples, bins: Bins, pieces: list[Piece], by: float) -> tuple[Samples, Bins, list[Piece]]:
    """The same contour believed to be noisier by a factor (or less noisy), and the pieces that it then is made of."""
    if by == 1.0:
        return samples, bins, pieces
    samples = replace(
        samples,
        sigma=samples.sigma * by,
        weights=samples.weights / by**2,
        free=samples.free / by**2,
        tolerance=samples.tolerance * by,
    )
    bins = binned(samples)
    return samples, bins, lines_and_arcs(bins)


def _beliefs(samples: Samples, bins: Bins, pieces: list[Piece]) -> Iterator[tuple[Samples, Bins, list[Piece]]]:
    """What a contour may be believed to be, in turn: free of errors of form if it shows none, then with its noise."""
    if pieces and (samples.weights < samples.free).any() and not shows_form(samples, bins, pieces):
        for share in LITTLE_FORM:
            weights, used = samples.weights.copy(), samples.weights > 0
            weights[used] = 1 / (share / weights[used] + (1 - share) / samples.free[used])
            free = replace(samples, weights=weights)
            fine = binned(free)
            yield free, fine, lines_and_arcs(fine)
    for factor in BELIEVED:
        yield _believed(samples, bins, pieces, factor)


def _faithful(
    attempt: Callable[[Samples, Bins, list[Piece]], Loop],
    believed: tuple[Samples, Bins, list[Piece]],
    samples: Samples,
) -> Loop | None:
    """The loop of an attempt, where it succeeds and follows the contour as it is, whatever was believed of it."""
    try:
        loop = attempt(*believed)
    except (Unsettled, ValueError, np.linalg.LinAlgError):
        return None
    return loop if is_faithful(samples, loop) else None


def fit_loop(contour: Contour, fair: float | None = None) -> FittedLoop:
    """One loop fitted, before the outline's own checks.

    Raises PartError where the contour has too few points.
    """
    samples = prepared(contour, fair)
    bins = binned(samples)
    runs = runs_of(bins)
    stray = strays(samples, bins, lines_and_arcs(bins, runs, joined=False))
    if stray.any():
        samples = replace(samples, weights=np.where(stray, 0.0, samples.weights), seen=samples.seen & ~stray)
        bins = binned(samples)
        runs = runs_of(bins)
    pieces = lines_and_arcs(bins, runs)
    budget = sum(p.cost for p in pieces) if pieces else math.inf
    circle = _whole_circle(samples, bins, budget)
    if circle and is_faithful(samples, circle):
        return fitted_to(samples, circle)
    for believed in _beliefs(samples, bins, pieces):
        loop = _faithful(_structured, believed, samples)
        if loop:
            return fitted_to(samples, straightened(loop, contour.points))
    return fitted_to(samples, _faithful(plain, (samples, bins, pieces), samples) or polygon(samples), fair=False)


def fit_outline(contours: Sequence[Contour], fair: float | None = None) -> tuple[Outline, FitQuality]:
    """The outline of one part: the fewest fair pieces that hold the tolerance.

    contours : one outer contour, counter-clockwise, and any number of holes, clockwise
    fair : tolerance, mm, for worn or saw-cut originals; None follows the noise of the points

    Raises PartError where there is not exactly one outer contour, or an edge cannot be followed.
    """
    outer = [c for c in contours if c.area > 0]
    if len(outer) != 1:
        raise PartError(
            f"a part has one outer edge, and {len(outer)} were found", "lay one part alone on the bench, in full view"
        )
    fitted = [fit_loop(c, fair) for c in (outer[0], *(c for c in contours if c.area <= 0))]
    try:
        outline = Outline.of(fitted[0].loop, [f.loop for f in fitted[1:]])
    except ValueError as error:
        raise PartError(
            f"the edge found in the photo is no outline ({error})", "take the photo again with more contrast and light"
        ) from error
    return outline, quality_of(fitted)
