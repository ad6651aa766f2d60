"""One joint least-squares problem: the camera, its pose, and every sheet's place on the bench.

The parameters, in this order: rotation vector (3) and translation (3, mm) of camera_from_bench; fx, fy, cx, cy (px);
the distortion (5 or 8); then for each sheet x, y (mm), turn (radians) and the logarithm of its size against what it
claims. Any of them can be held fixed. Derivatives are exact (those of cv2.projectPoints and the chain rule).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.camera import Camera
from digitize.model.segment import Points, moved_points
from digitize.vision.checkerboard import Sighting
from digitize.vision.lensprior import LensPrior
from digitize.vision.projection import LENS, on_plane, project_plane, undistorted, with_height
from digitize.vision.step import Floats

PER_SHEET = 4
ROUNDS = 30
SETTLED = 1e-10  # relative change of the cost
SYSTEMATIC_PX = 0.02  # added to each grid point's sigma: paper, print and lens model are never better than this
FACTOR_ROUNDS = 4
LEAST_FACTOR = 1e-3  # exact grid points would make the data infinitely sure
MOST_ALIKE = 0.9  # correlation of neighbouring residuals; beyond it the formula for fewer points means nothing
HUBER = 3.0  # standard deviations, of the distance in the photo
SIZE_SIGMA = 0.05  # relative, of a sheet whose print scale is not believed: "fit to page" takes 3 to 6 %


@dataclass(frozen=True, eq=False)
class Problem:
    """What to fit: the grid points of ``sightings``; which parameters are ``free`` (P,) bool; and their Gaussian prior,
    ``mean`` (P,) and ``information`` (P, P), the inverse of its covariance.
    """

    sightings: tuple[Sighting, ...]
    free: npt.NDArray[np.bool_]
    mean: Floats
    information: Floats

    @cached_property
    def grids(self) -> list[Points]:
        return [s.points for s in self.sightings]

    @cached_property
    def pixels(self) -> Points:
        return np.vstack([s.pixels for s in self.sightings])

    @cached_property
    def sigma(self) -> Floats:
        return np.asarray(np.hypot(np.concatenate([s.sigma for s in self.sightings]), SYSTEMATIC_PX))


@dataclass(frozen=True, eq=False)
class Fit:
    """The optimum. ``parameters`` (P,) and ``covariance`` (P, P) hold fixed ones too (zero covariance).

    residuals : (N, 2) px, seen minus predicted; weights : (N,) 0..1, robust
    factor : what the sigmas were multiplied with to agree with the residuals
    misfit : chi square of grid points (their sigmas as told) and prior together
    """

    parameters: Floats
    covariance: Floats
    residuals: Points
    weights: Floats
    factor: float
    misfit: float


def project(parameters: Floats, grids: list[Points]) -> tuple[Points, Floats]:
    """Grid points of every sheet, in the sheets' own frames, to the photo: (N, 2) px and derivatives (N, 2, P)."""
    distortion = len(parameters) - LENS - 4 - PER_SHEET * len(grids)
    own = LENS + 4 + distortion
    places = parameters[own:].reshape(-1, PER_SHEET)
    bench, by_place = [], []
    for (x, y, turn, log_scale), grid in zip(places, grids, strict=True):
        c, s = np.cos(turn) * np.exp(log_scale), np.sin(turn) * np.exp(log_scale)
        lever = grid @ np.array([[c, s], [-s, c]])
        bench.append(lever + np.array([x, y]))
        moves = np.zeros((len(grid), 2, PER_SHEET))
        moves[:, :, :2] = np.eye(2)
        moves[:, :, 2] = lever @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        moves[:, :, 3] = lever
        by_place.append(moves)
    xy = np.vstack(bench)
    pixels, jacobian = project_plane(parameters[:own], np.column_stack([xy, np.zeros(len(xy))]))
    full = np.zeros((len(xy), 2, len(parameters)))
    full[:, :, :own] = jacobian
    by_bench = jacobian[:, :, 3:6] @ np.asarray(cv2.Rodrigues(parameters[:3])[0])[:, :2]
    at = 0
    for k, moves in enumerate(by_place):
        rows = slice(at, at + len(moves))
        full[rows, :, own + PER_SHEET * k : own + PER_SHEET * (k + 1)] = by_bench[rows] @ moves
        at += len(moves)
    return pixels, full


def solve(sightings: list[Sighting], size: tuple[int, int], prior: LensPrior, resized: npt.NDArray[np.bool_]) -> Fit:
    """All sheets together. The first one's place is held, which fixes the bench frame: level with the photo, origin in
    its middle. The sheets marked in ``resized`` (bool for each) may have another size than they claim.
    """
    start = _start(sightings, size, prior)
    lens = slice(LENS, LENS + len(prior.mean))
    information = np.zeros((len(start), len(start)))
    information[lens, lens] = np.linalg.inv(prior.covariance)
    free = np.ones(len(start), dtype=bool)
    free[lens.stop : lens.stop + PER_SHEET] = False
    sizes = np.arange(lens.stop + 3, len(start), PER_SHEET)
    free[sizes] = resized
    information[sizes, sizes] = 1 / SIZE_SIGMA**2
    mean = start.copy()
    mean[lens] = prior.mean
    return fit(start, Problem(tuple(sightings), free, mean, information))


def fit(start: Floats, problem: Problem) -> Fit:
    """Levenberg-Marquardt with Huber's loss on the grid points and the prior's square loss on the parameters.

    The noise of the grid points is taken from their residuals: their sigmas are multiplied by one common factor until
    they agree, and once more by what residuals in step (a curled sheet, a lens that the model does not cover) cost in
    independent points. So the covariance speaks of the errors seen, not of those hoped for.
    """
    inner = np.ix_(problem.free, problem.free)
    x, factor, alike = start, 1.0, 1.0
    for _ in range(FACTOR_ROUNDS):
        x, weights, residuals, normal = _minimise(x, problem, problem.sigma * factor * alike)
        covariance = np.zeros((len(x), len(x)))
        covariance[inner] = np.linalg.inv(normal + problem.information[inner])
        spent = float(np.trace(covariance[inner] @ normal))
        left = max(1.0, 2 * float(weights.sum()) - spent)
        chi2 = float((weights[:, None] * residuals**2 / problem.sigma[:, None] ** 2).sum())
        before, factor = factor * alike, max(math.sqrt(chi2 / left), LEAST_FACTOR)
        alike = _fewer(problem.sightings, residuals * np.sqrt(weights)[:, None])
        if abs(math.log(factor * alike / before)) < 0.02:
            break
    pull = x - problem.mean
    return Fit(x, covariance, residuals, weights, factor * alike, chi2 + float(pull @ problem.information @ pull))


def in_step(sighting: Sighting, residuals: Points) -> tuple[float, int]:
    """Mean product of the residuals (n, 2) of neighbouring grid points of one sheet, px2, and the number of pairs."""
    across, down = sighting.sheet.across - 1, sighting.sheet.down - 1
    grid = np.full((down + 1, across + 1, 2), np.nan)
    grid[sighting.ids // across, sighting.ids % across] = residuals
    products = np.concatenate(
        [(grid[:, 1:] * grid[:, :-1]).sum(axis=2).ravel(), (grid[1:] * grid[:-1]).sum(axis=2).ravel()]
    )
    seen = products[np.isfinite(products)]
    return (float(seen.mean()), len(seen)) if len(seen) else (0.0, 0)


def _fewer(sightings: tuple[Sighting, ...], residuals: Points) -> float:
    """By how much sigma grows because neighbouring residuals are in step.

    Of a series with correlation r between neighbours, n values are worth n (1 - r)/(1 + r); a grid runs in two
    directions. What chance alone gives (two standard errors) is not counted.
    """
    ends = np.cumsum([len(s.ids) for s in sightings])[:-1]
    pairs = [in_step(s, r) for s, r in zip(sightings, np.split(residuals, ends), strict=True)]
    count = sum(n for _, n in pairs)
    if not count:
        return 1.0
    power = float((residuals**2).sum(axis=1).mean()) + 1e-300
    r = sum(m * n for m, n in pairs) / count / power - 2 / math.sqrt(2 * count)
    r = min(max(r, 0.0), MOST_ALIKE)
    return (1 + r) / (1 - r)


def _minimise(x: Floats, problem: Problem, sigma: Floats) -> tuple[Floats, Floats, Points, Floats]:
    """The optimum for given sigmas (N,) px: parameters, weights, residuals and the data's normal matrix."""
    free, prior = problem.free, problem.information

    def evaluate(p: Floats) -> tuple[float, Points, Floats]:
        predicted, jacobian = project(p, problem.grids)
        off = np.linalg.norm(problem.pixels - predicted, axis=1) / sigma
        loss = np.where(off < HUBER, off**2, 2 * HUBER * off - HUBER**2).sum()
        pull = p - problem.mean
        return float(loss + pull @ prior @ pull), problem.pixels - predicted, jacobian

    damping = 1e-4
    cost, residuals, jacobian = evaluate(x)
    for _ in range(ROUNDS):
        weights = np.minimum(1.0, HUBER / (np.linalg.norm(residuals, axis=1) / sigma + 1e-12))
        j = jacobian[:, :, free]
        w = weights / sigma**2
        normal = np.einsum("nik,n,nil->kl", j, w, j, optimize=True)
        slope = np.einsum("nik,n,ni->k", j, w, residuals, optimize=True) - (prior @ (x - problem.mean))[free]
        both = normal + prior[np.ix_(free, free)]
        scale = np.sqrt(np.diag(both))
        step = np.linalg.solve(both / np.outer(scale, scale) + damping * np.eye(len(scale)), slope / scale) / scale
        trial = x.copy()
        trial[free] += step
        trial_cost, trial_residuals, trial_jacobian = evaluate(trial)
        gain = cost - trial_cost
        if gain >= 0:
            x, cost, residuals, jacobian = trial, trial_cost, trial_residuals, trial_jacobian
        damping = max(damping * 0.1, 1e-12) if gain >= 0 else damping * 10
        if 0 <= gain <= SETTLED * cost or damping > 1e8:
            break
    return x, weights, residuals, normal


def _start(sightings: list[Sighting], size: tuple[int, int], prior: LensPrior) -> Floats:
    """Parameters to start from: the first sheet's pose alone, then the others laid on its plane."""
    fx, fy, cx, cy, *distortion = prior.mean
    camera = Camera(size, (fx, fy), (cx, cy), tuple(distortion))
    first = sightings[0]
    _, turn, shift = cv2.solvePnP(with_height(first.points, 0.0), first.pixels, camera.matrix, np.array(distortion))
    from_sheet = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
    shift = np.asarray(shift, dtype=np.float64).ravel()
    middle = (np.array(size) - 1) / 2
    beside = middle + np.array([max(size) / 40, 0.0])
    origin, along = on_plane(undistorted(camera, [middle, beside]) @ from_sheet, -from_sheet.T @ shift)
    heading = math.atan2(along[1] - origin[1], along[0] - origin[0])
    c, s = math.cos(heading), math.sin(heading)
    rotation = from_sheet @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    translation = from_sheet @ np.array([*origin, 0.0]) + shift
    places = [*moved_points([-origin], -heading)[0], -heading, 0.0]
    for other in sightings[1:]:
        seen = on_plane(undistorted(camera, other.pixels) @ rotation, -rotation.T @ translation)
        places += _rigid(other.points, seen)
    return np.array([*np.asarray(cv2.Rodrigues(rotation)[0]).ravel(), *translation, *prior.mean, *places])


def _rigid(a: Points, b: Points) -> list[float]:
    """x, y, turn (and no scale) that lay the points a (N, 2) best on b (N, 2)."""
    p, q = a - a.mean(axis=0), b - b.mean(axis=0)
    turn = math.atan2(float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()), float((p * q).sum()))
    x, y = b.mean(axis=0) - moved_points([a.mean(axis=0)], turn)[0]
    return [float(x), float(y), turn, 0.0]
