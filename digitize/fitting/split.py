"""Where a contour may be split: its noise, its outliers, and the bins between which pieces begin and end.

Everything is judged over lengths in mm, not over numbers of points, since contours have gaps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from digitize.fitting.corners import corner_zones
from digitize.model.errors import PartError
from digitize.model.outline import Contour
from digitize.model.segment import Points

Floats = npt.NDArray[np.float64]
Reach = TypeVar("Reach", float, Floats)

FINEST_TOL_MM = 0.02  # no original is cut, and no photo read, better than this
COVERAGE = 2.0  # k: the tolerance is this many standard deviations of the point noise
LONGEST_OUTLIER_MM = 1.6  # a run of points this short, off a smooth edge, is dirt or a printed line
MOST_FALSE_MM = 1.0  # a false edge beside the true one (dirt, a line on the bench) lies no farther off
OUTLIER_MM = 0.08  # and it must be off by this much
OUTLIER_SIGMA = 5.0
STRAY_SIGMAS = 3.0
ROBUST_PASSES = 5
MOST_BENT = 0.9  # radians that these may turn by: more is a fillet, not an edge that passes an outlier by
LEAST_AGREED = 0.6  # of the neighbours on either side must lie on one parabola, or the edge is not smooth there
SAGITTA = 0.1  # of the noise: what a bin may lose by being averaged, where
SAGITTA_POINTS = 1000  # independent points prove no more: all bins together must not lose what a number is worth
COARSEST_BIN_MM = 5.0
MOST_BINS = 800
BEND_REACH_MM = 4.0
# What lens, sheets and wood do to an edge goes together over centimetres, where no parabola tells it from shape: it
# is this large, and as good as one error for each of these lengths.
FORM_MM = 0.01
FORM_REACH_MM = 15.0
NOISE_REACH_MM = 4.0
NOISE_REACH_POINTS = 9
NOISE_PASSES = 3
CORRELATED_MM = 1.2  # over which neighbours' errors are seen to go together
FIGURE = 2.5  # wood figure goes on where parabolas no longer see it (measured against true outlines)
# Within a fairing tolerance the edge may leave the points for a while: they count per length, not one by one. A saw's
# ripple of half the tolerance must not pay for pieces, a 3 mm fillet under a tolerance of 0.5 mm must.
FAIR_MM = 0.3
MARKED = 2.0  # times their own errors that points scatter by: then these are marks
ROUGH = 1.5  # times its roughness that a worn edge may be off by, up to the fairing tolerance
ROUGH_REACH_MM = 8.0  # over which roughness is seen: the longest pitch of saw marks
POINTS_NEEDED = 8
MOST_POINTS = 3000  # of a loop; photos give fewer
AVERAGED = 2000  # which more are averaged to: these lose nothing to its bend
ROUNDED = 0.6  # of the blur, 1.8 standard deviations: from there a right angle moves the edge by 0.05 of them or less


@dataclass(frozen=True)
class Samples:
    """A contour made ready to be fitted.

    points : (N, 2) float, mm
    s : (N,) float, mm; arc length along the contour
    length : mm, once round
    sigma : (N,) float, mm; what a point may be off by (noise, or half the tolerance where that is more)
    weights : (N,) float, 1/mm2; 1/variance for as many independent points as there truly are; 0 for outliers and in
        the blur of corners
    together : how many neighbours err as one
    tolerance : mm
    blur : mm; within this distance of a corner the edge is truly rounded
    seen : (N,) which points are no outliers; those in the blur of corners are seen, but weigh nothing
    free : (N,) float, 1/mm2; what the weights would be without errors of form
    """

    points: Points
    s: Floats
    length: float
    sigma: Floats
    weights: Floats
    together: float
    tolerance: float
    blur: float
    seen: npt.NDArray[np.bool_]
    free: Floats


@dataclass(frozen=True)
class Bins:
    """Averages of neighbouring points: short where the contour bends, long where it is straight.

    points : (M, 2) float, mm; s : (M,) float, mm; weights : (M,) float, 1/mm2
    nodes : (M,) float, mm; arc length of the border before each bin
    near : share of the variance that points have about a piece so short that errors of form only shift it
    """

    points: Points
    s: Floats
    weights: Floats
    nodes: Floats
    length: float
    near: float = 1.0

    def believed(self, reach: Reach) -> Reach:
        """Times its weights that a misfit counts over a piece, or a span, of this length (mm)."""
        times: Reach = 1 / (self.near + (1 - self.near) * np.minimum(1.0, reach / FORM_REACH_MM))
        return times


@dataclass(frozen=True)
class LocalBend:
    """Parabolas through each point's surroundings.

    offset : of the curve at the point, mm; curvature : 1/mm
    agreed : share of the neighbours that lie on the parabola, on the side where fewer do
    """

    offset: Floats
    curvature: Floats
    agreed: Floats


def local_bend(
    points: Points, s: Floats, length: float, weights: Floats, reach: tuple[float, float], passes: int = 1
) -> LocalBend:
    """Weighted parabolas through the neighbours of each point at an arc length of reach[0] to reach[1] mm from it.

    passes : of least squares, each after the first with strays played down (Geman-McClure, at the rows' own scatter)
    """
    n, (near, far) = len(points), reach
    each = int(np.clip(np.ceil(far / np.median(np.diff(s))), 3, (n - 1) // 2))
    index = (np.arange(n)[:, None] + np.arange(-each, each + 1)[None, :]) % n
    apart = np.abs((s[index] - s[:, None] + length / 2) % length - length / 2)
    used = (apart >= near) & (apart <= far + 1e-9)
    rel = points[index] - points[:, None]
    chord = rel[:, -1] - rel[:, 0]
    chord /= np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-12)[:, None]
    u = (rel[..., 0] * chord[:, :1] + rel[..., 1] * chord[:, 1:]) / far
    v = rel[..., 1] * chord[:, :1] - rel[..., 0] * chord[:, 1:]
    powers = np.stack([np.ones_like(u), u, u * u], axis=1)
    full = weights[index] * used + 1e-12 * weights.mean()
    w = full
    for _ in range(passes):
        right = (powers * w[:, None]) @ np.stack([*powers.transpose(1, 0, 2), v], axis=2)
        a = np.linalg.solve(right[..., :3] + 1e-9 * weights.mean() * np.eye(3), right[..., 3:])[..., 0]
        off = (v - (a[:, :, None] * powers).sum(axis=1)) * np.sqrt(full)
        typical = np.maximum(1.0, 1.4826 * np.median(np.abs(off), axis=1, keepdims=True))
        w = full / (1 + (off / (STRAY_SIGMAS * typical)) ** 2) ** 2
    lies = used & (np.abs(off) < STRAY_SIGMAS)
    share = [(lies & side).sum(axis=1) / np.maximum((used & side).sum(axis=1), 1) for side in (u < 0, u > 0)]
    bend = 2 * a[:, 2] / far**2 / (1 + (a[:, 1] / far) ** 2) ** 1.5
    return LocalBend(a[:, 0], bend, np.minimum(*share))


def _noise(points: Points, s: Floats, length: float, weights: Floats) -> tuple[float, float]:
    """How many of its own sigmas the contour scatters by, and how many neighbours scatter together.

    A parabola takes the share ``hat`` of its middle point's noise, and as much of its neighbours', with it. Correlation
    is read from the signs, sin(pi/2 E), which outliers do not move (Gaussian orthant formula; from memory).
    """
    step = float(np.median(np.diff(s)))
    reach: float = max(NOISE_REACH_MM, NOISE_REACH_POINTS * step)
    bend = local_bend(points, s, length, weights, (0.0, reach), NOISE_PASSES)
    hat = 9 * step / (8 * reach)  # leverage of the middle of a parabola
    off = bend.offset * np.sqrt(weights)
    scatter = 1.4826 * float(np.median(np.abs(off)))
    sign = np.sign(off) * (bend.agreed > LEAST_AGREED)
    most, counted = max(1, round(CORRELATED_MM / step)), max(1, int(np.count_nonzero(sign)))
    alike = [float((sign * np.roll(sign, k)).sum()) / counted for k in range(1, most + 1)]
    lags: Floats = 2 * np.cumsum(np.sin(np.pi / 2 * np.array(alike)))
    taken = 2 * hat * np.arange(1, most + 1)
    together = max(1.0, float(((1 + lags) / np.maximum(0.2, 1 - taken + hat * lags)).max()))
    scatter /= math.sqrt(1 - min(0.6, hat * together))
    return float(np.clip(scatter, 0.5, 10.0)), 1.0 + FIGURE * (together - 1.0)


def _outliers(points: Points, s: Floats, length: float, weights: Floats) -> npt.NDArray[np.bool_]:
    """Points off an edge that is smooth on both sides of them and passes them by."""
    reach = (LONGEST_OUTLIER_MM, LONGEST_OUTLIER_MM + BEND_REACH_MM)
    bend = local_bend(points, s, length, weights, reach, ROBUST_PASSES)
    off = np.abs(bend.offset)
    smooth = (bend.agreed > LEAST_AGREED) & (np.abs(bend.curvature) * 2 * reach[1] < MOST_BENT)
    return (off > OUTLIER_MM) & (off * np.sqrt(weights) > OUTLIER_SIGMA) & smooth


def _roughness(points: Points, s: Floats, length: float) -> Floats:
    """RMS (N,), mm, of the points near each one from the parabolas through their own neighbours."""
    square = local_bend(points, s, length, np.ones(len(points)), (0.0, ROUGH_REACH_MM)).offset ** 2
    each = max(1, round(ROUGH_REACH_MM / 2 / float(np.median(np.diff(s)))))
    total = np.cumsum(np.concatenate([square[-each - 1 :], square, square[:each]]))
    rough: Floats = np.sqrt(np.maximum(total[2 * each + 1 :] - total[: -2 * each - 1], 0.0) / (2 * each + 1))
    return rough


def _distinct(contour: Contour) -> Contour:
    """The contour without repeated points, and with averages of neighbours where they are very many.

    Raises PartError where fewer than 8 distinct points are left.
    """
    step = np.linalg.norm(np.roll(contour.points, -1, axis=0) - contour.points, axis=1)
    keep = (step > 1e-6) & np.isfinite(contour.points).all(axis=1)
    points, sigma = contour.points[keep], contour.sigma[keep]
    if len(points) < POINTS_NEEDED:
        raise PartError(
            f"an edge has only {len(points)} separate points, of at least {POINTS_NEEDED}",
            "take the photo from nearer, so that the part fills more of it",
        )
    typical = max(1e-4, float(np.median(sigma)))  # a standard error is itself an estimate: no point is truer than most
    sigma = np.clip(sigma, typical, 50 * typical)
    if len(points) <= MOST_POINTS:
        return Contour(points, sigma, contour.blur)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    number = np.unique(np.floor(s * (AVERAGED / s[-1])), return_inverse=True)[1]
    weights = 1 / sigma**2
    mass = np.asarray(np.bincount(number, weights))
    x, y = (np.bincount(number, weights * v) / mass for v in points.T)
    return Contour(np.column_stack([x, y]), 1 / np.sqrt(mass), max(contour.blur, float(s[-1]) / AVERAGED / ROUNDED))


def prepared(contour: Contour, fair: float | None) -> Samples:
    """The contour with its noise known and its outliers out of the game.

    Raises PartError where fewer than 8 distinct points are left.
    """
    contour = _distinct(contour)
    points, sane = contour.points, contour.sigma
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    s, length = np.concatenate([[0.0], np.cumsum(step)[:-1]]), float(step.sum())
    scatter, together = _noise(points, s, length, 1 / sane**2)
    if fair is not None and scatter > MARKED:
        scatter, together = 1.0, 1.0
    noise = sigma = np.maximum(sane * scatter, FINEST_TOL_MM / COVERAGE)
    outlier = _outliers(points, s, length, 1 / np.maximum(sane * scatter, (fair or 0.0) / COVERAGE) ** 2)
    if outlier.mean() > 0.2:
        outlier[:] = False
    blur = ROUNDED * contour.blur
    free = 1 / (noise**2 * together)
    weights = 1 / (1 / free + FORM_MM**2 * max(1.0, FORM_REACH_MM / float(np.median(step))))
    rounded = corner_zones(points, s, length, noise, noise, ~outlier, blur)
    if fair is not None:
        sigma = np.maximum(noise, np.minimum(fair / COVERAGE, ROUGH * _roughness(points, s, length)))
        rounded |= corner_zones(points, s, length, sigma, noise, ~outlier, blur)
        weights = free = np.minimum(weights, float(np.median(step)) / (FAIR_MM * sigma**2))
    weights, free = (np.where(outlier | rounded, 0.0, w) for w in (weights, free))
    tolerance = max(FINEST_TOL_MM, COVERAGE * float(np.median(sigma)))
    return Samples(points, s, length, sigma, weights, together, tolerance, blur, ~outlier, free)


def binned(samples: Samples) -> Bins:
    """Averages of neighbours, as long as the bend of the contour allows."""
    p, s, w, length = samples.points, samples.s, samples.weights, samples.length
    step = float(np.median(np.diff(s)))
    bend = np.abs(local_bend(p, s, length, np.maximum(w, 1e-9), (0.0, BEND_REACH_MM)).curvature)
    reach = int(np.clip(np.ceil(BEND_REACH_MM / step), 1, len(p) // 2 - 1))
    most = np.lib.stride_tricks.sliding_window_view(np.concatenate([bend[-reach:], bend, bend[:reach]]), 2 * reach + 1)
    sagitta = (
        SAGITTA * float(np.median(samples.sigma)) * min(1.0, math.sqrt(SAGITTA_POINTS * samples.together / len(p)))
    )
    size = np.sqrt(24 * sagitta / np.maximum(most.max(axis=1), 1e-9))
    size = np.clip(size, step, max(step, min(COARSEST_BIN_MM, length / 40)))
    gaps = np.diff(np.concatenate([s, [length]]))
    place = np.concatenate([[0.0], np.cumsum(gaps / size)[:-1]])
    place *= min(1.0, MOST_BINS / max(float(place[-1]), 1.0))
    number = np.unique(np.floor(place + 1e-9), return_inverse=True)[1]
    total = np.asarray(np.bincount(number, w), dtype=np.float64)
    safe = np.maximum(w, 1e-9)
    mass = np.bincount(number, safe)
    x, y, at = (np.bincount(number, safe * v) / mass for v in (p[:, 0], p[:, 1], s))
    keep = total > 0
    at = at[keep]
    border = (at + np.concatenate([[at[-1] - length], at[:-1]])) / 2
    used = samples.weights > 0
    alone = 1 + (samples.together - 1) / FIGURE  # neighbours beyond these err with a point over centimetres only
    near = (
        float(np.median(samples.weights[used] / samples.free[used])) * alone / samples.together if used.any() else 1.0
    )
    return Bins(np.column_stack([x, y])[keep], at, total[keep], border, length, min(1.0, near))
