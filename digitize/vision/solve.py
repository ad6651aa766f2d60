"""One joint least-squares problem: cameras, their poses, and every sheet's place on its bench.

The parameters are those of layout.py; any of them can be held fixed. Photos may share a lens, and places: then they
show one bench. Derivatives are exact (those of cv2.projectPoints and the chain rule).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.segment import Points
from digitize.vision.checkerboard import Sighting
from digitize.vision.layout import ARCHES, PER_SHEET, SIZE, Layout, lay_out
from digitize.vision.lensprior import LensPrior
from digitize.vision.projection import project_plane, with_height
from digitize.vision.step import Floats

FLATNESS_MM = 0.1 / math.sqrt(3.0)  # of paper that lies flat or is taped down, each shape, standard deviation
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

    layout: Layout
    sightings: tuple[Sighting, ...]
    free: npt.NDArray[np.bool_]
    mean: Floats
    information: Floats

    @cached_property
    def columns(self) -> list[npt.NDArray[np.intp]]:
        pairs = zip(self.layout.photos, self.layout.places, strict=True)
        return [self.layout.columns(photo, [place]) for photo, place in pairs]

    @cached_property
    def rows(self) -> list[slice]:
        ends = np.cumsum([0, *(len(s.ids) for s in self.sightings)])
        return [slice(a, b) for a, b in pairwise(ends)]

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


def shapes(sighting: Sighting) -> Floats:
    """Heights (n, 3), mm, at the grid points of a sheet that is arched along x, along y, or twisted by one mm."""
    u, v = (sighting.points / (sighting.sheet.size / np.array([2.0, -2.0])) - 1.0).T
    return np.stack([1.0 - u**2, 1.0 - v**2, u * v], axis=1)


def project_sheet(parameters: Floats, sighting: Sighting) -> tuple[Points, Floats]:
    """A sheet's grid points (n, 2) px as predicted, and the derivatives (n, 2, Q) by the Q parameters of pose, lens and
    the sheet's own, in this order."""
    own = len(parameters) - PER_SHEET
    x, y, turn, log_scale, *arches = parameters[own:]
    c, s = np.cos(turn) * np.exp(log_scale), np.sin(turn) * np.exp(log_scale)
    lever, rise = sighting.points @ np.array([[c, s], [-s, c]]), shapes(sighting)
    moves = np.zeros((len(lever), 3, PER_SHEET))
    moves[:, :2, :2] = np.eye(2)
    moves[:, :2, 2] = lever @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    moves[:, :2, SIZE] = lever
    moves[:, 2, ARCHES] = rise
    pixels, jacobian = project_plane(parameters[:own], with_height(lever + np.array([x, y]), rise @ np.array(arches)))
    by_bench = jacobian[:, :, 3:6] @ np.asarray(cv2.Rodrigues(parameters[:3])[0])
    return pixels, np.concatenate([jacobian, by_bench @ moves], axis=2)


def solve(
    sightings: Sequence[Sighting],
    size: tuple[int, int],
    prior: LensPrior,
    resized: npt.NDArray[np.bool_],
    flatness: float = FLATNESS_MM,
) -> Fit:
    """All sheets of one photo together. The first one's place is held, which fixes the bench frame: level with the
    photo, origin in its middle. The sheets marked in ``resized`` (bool for each) may have another size than they claim;
    ``flatness`` is the standard deviation of their shapes, mm.
    """
    layout = Layout((0,) * len(sightings), tuple(range(len(sightings))), (0,), len(prior.mean))
    start = np.zeros(layout.size)
    start[layout.lens(0)] = prior.mean
    held = lay_out(start, layout, sightings, [size])
    return solve_together(start, layout, sightings, [prior], held, resized, flatness)


def solve_together(
    start: Floats,
    layout: Layout,
    sightings: Sequence[Sighting],
    priors: Sequence[LensPrior],
    held: Sequence[int],
    resized: npt.NDArray[np.bool_],
    flatness: float = FLATNESS_MM,
) -> Fit:
    """Photos and their sheets together, from ``start`` (P,).

    priors : of each lens; a term whose variance is 0 is held
    held : places that stay where they start, one for each bench
    resized : (places,) bool, which may have another size than their sheets claim
    """
    free = np.ones(len(start), dtype=bool)
    mean, information = start.copy(), np.zeros((len(start), len(start)))
    for k, prior in enumerate(priors):
        known = np.diag(prior.covariance) > 0
        inner = np.arange(len(start))[layout.lens(k)][known]
        information[np.ix_(inner, inner)] = np.linalg.inv(prior.covariance[np.ix_(known, known)])
        free[layout.lens(k)], mean[layout.lens(k)] = known, prior.mean
    own = np.arange(layout.place(0).start, len(start)).reshape(-1, PER_SHEET)
    free[own[list(held), :SIZE]] = False
    free[own[:, SIZE]] = resized
    information[own[:, SIZE], own[:, SIZE]] = 1 / SIZE_SIGMA**2
    information[own[:, ARCHES], own[:, ARCHES]] = 1 / flatness**2
    return fit(start, Problem(layout, tuple(sightings), free, mean, information))


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

    def evaluate(p: Floats) -> tuple[float, Points, list[Floats]]:
        seen = [project_sheet(p[c], s) for c, s in zip(problem.columns, problem.sightings, strict=True)]
        residuals: Points = problem.pixels - np.vstack([predicted for predicted, _ in seen])
        off = np.linalg.norm(residuals, axis=1) / sigma
        loss = np.where(off < HUBER, off**2, 2 * HUBER * off - HUBER**2).sum()
        pull = p - problem.mean
        return float(loss + pull @ prior @ pull), residuals, [jacobian for _, jacobian in seen]

    damping = 1e-4
    cost, residuals, jacobians = evaluate(x)
    for _ in range(ROUNDS):
        weights = np.minimum(1.0, HUBER / (np.linalg.norm(residuals, axis=1) / sigma + 1e-12))
        normal, slope = _normal(problem, jacobians, residuals, weights / sigma**2)
        slope = slope - (prior @ (x - problem.mean))[free]
        both = normal + prior[np.ix_(free, free)]
        scale = np.sqrt(np.diag(both))
        step = np.linalg.solve(both / np.outer(scale, scale) + damping * np.eye(len(scale)), slope / scale) / scale
        trial = x.copy()
        trial[free] += step
        trial_cost, trial_residuals, trial_jacobians = evaluate(trial)
        gain = cost - trial_cost
        if gain >= 0:
            x, cost, residuals, jacobians = trial, trial_cost, trial_residuals, trial_jacobians
        damping = max(damping * 0.1, 1e-12) if gain >= 0 else damping * 10
        if 0 <= gain <= SETTLED * cost or damping > 1e8:
            break
    return x, weights, residuals, normal


def _normal(problem: Problem, jacobians: list[Floats], residuals: Points, weights: Floats) -> tuple[Floats, Floats]:
    """Normal matrix and right side of the free parameters, from each sighting's few."""
    normal, slope = np.zeros_like(problem.information), np.zeros(len(problem.mean))
    for columns, rows, jacobian in zip(problem.columns, problem.rows, jacobians, strict=True):
        j = jacobian.reshape(-1, len(columns))
        weighed = j * np.repeat(weights[rows], 2)[:, None]
        normal[np.ix_(columns, columns)] += weighed.T @ j
        slope[columns] += weighed.T @ residuals[rows].ravel()
    return normal[np.ix_(problem.free, problem.free)], slope[problem.free]
