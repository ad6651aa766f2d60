"""Slope of grain along the edge, and which way the grain had best run.

Angles of the grain are counter-clockwise from the x axis, the outline seen from above its drawn face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from digitize.model.outline import Outline
from digitize.shop.fibre import EdgeSteps, coarser, edge_steps
from digitize.shop.fragile import FRAGILE, Tip, fragile_places, loads
from digitize.shop.samples import Floats, Ints

SWEEP_DEG = 1.0
SWEEP_POINTS = 360  # of the edge, for each direction
CORNER_POINTS_MM = (-7.0, -3.5, 3.5, 7.0)  # from sharp outside corners, which a sweep looks at besides
SWEEP_CORNERS = 40
MOST_FIBRES = 6000  # along the edge, in one direction
ROUNDING_MM = 1e-6  # where a step begins it is meant, not the one before
SLOPE_BINS = 720  # of a quarter of a degree
AGAINST = 0.1  # weight in the score of the share of the edge that slopes against or with the grain
PLAIN = 0.1  # directions whose scores differ by less are equally good


@dataclass(frozen=True)
class EdgeGrain:
    """The grain along the edge: one value for each step.

    slope : radians, -pi/2 .. pi/2, the fibres' slope ahead of travel: positive where they dive into the part
    fibre_mm : length of the fibre just inside; on huge outlines of every so many steps, and its neighbours' alike
    load : share of its strength that a push on what stands beyond that fibre uses
    """

    steps: EdgeSteps
    direction: float
    slope: Floats
    fibre_mm: Floats
    load: Floats
    tips: tuple[Tip, ...]


@dataclass(frozen=True)
class GrainSweep:
    """Every direction of grain, a degree apart from 0 on.

    weakest : largest share of its strength that any place would lose to a push
    fragile_mm : length of edge at fragile places
    against_mm : length of edge, weighted by sin 2a, that slopes against the grain whichever way it is fed
    score : the lower the better
    """

    angles_deg: Floats
    weakest: Floats
    fragile_mm: Floats
    against_mm: Floats
    score: Floats

    @property
    def best_deg(self) -> float:
        return float(self.angles_deg[np.argmin(self.score)])

    @property
    def matters(self) -> bool:
        """Whether some direction is clearly better than another."""
        return bool(self.score.min() < (1 - PLAIN) * self.score.max())

    def at(self, grain_deg: float) -> float:
        """The score of a direction."""
        return float(np.interp(grain_deg % 180, self.angles_deg, self.score, period=180.0))


def slope_of_grain(travel: Floats, direction: float) -> Floats:
    """(N,) slope atan2(g . n, g . t), radians, at directions of travel (N,); the grain g points so that g . t >= 0."""
    slope = np.mod(direction - travel + np.pi / 2, np.pi) - np.pi / 2
    return np.asarray(np.where(np.abs(slope + np.pi / 2) < 1e-9, np.pi / 2, slope))


def edge_grain(outline: Outline, direction: float, steps: EdgeSteps | None = None, runout: float = 0.0) -> EdgeGrain:
    """The grain along the edge of a part.

    direction : of the fibres, radians
    steps : of the outline, where they are known
    runout : slope of the fibres through the thickness, rise over run; it weakens tips further
    """
    steps = steps or edge_steps(outline)
    slope = slope_of_grain(steps.angles, direction)
    chosen = np.arange(0, len(slope), max(1, len(slope) // MOST_FIBRES))
    points = steps.inside[chosen]
    found = loads(steps.samples, points, direction, lambda q, loop: steps.away(points[q], loop))
    tips = fragile_places(steps, chosen, found, direction, runout)
    near = np.minimum(np.arange(len(slope)) // max(1, len(slope) // MOST_FIBRES), len(chosen) - 1)
    return EdgeGrain(steps, direction, slope, found.lines.length[near], found.load[near], tips)


def grain_sweep(outline: Outline, steps: EdgeSteps | None = None) -> GrainSweep:
    """Every direction scored; the score is the worst load, the mean load, and a little for edge that slopes."""
    steps = steps or edge_steps(outline)
    chosen, samples = _sweep_points(steps), coarser(steps.samples)
    points, travel = steps.inside[chosen], steps.angles[chosen]
    away = np.stack([steps.away(points, np.full(len(points), k)) for k in range(len(outline.loops))], axis=1)
    angles = np.arange(0.0, 180.0, SWEEP_DEG)
    share = np.gradient(np.arange(len(chosen), dtype=float)) if len(chosen) > 1 else np.ones(1)
    share = share * steps.length.sum() / len(chosen)
    rows = []
    for angle in np.radians(angles):
        load = loads(samples, points, float(angle), lambda q, loop: away[q, loop]).load
        across = share * np.abs(np.sin(angle - travel))
        rows.append((load.max(), share[load > FRAGILE].sum(), float((load * across).sum() / across.sum())))
    weakest, fragile, mean = (np.array(column) for column in zip(*rows, strict=True))
    against = _against(steps, np.radians(angles))
    return GrainSweep(angles, weakest, fragile, against, weakest + mean + AGAINST * against / steps.length.sum())


def _against(steps: EdgeSteps, directions: Floats) -> Floats:
    """Length of edge that slopes, by sin 2a, for each direction: one way or the other half of it goes uphill."""
    bins = np.rint(steps.angles / np.pi * SLOPE_BINS).astype(np.intp) % SLOPE_BINS
    length = np.bincount(bins, weights=steps.length, minlength=SLOPE_BINS)
    middles = np.arange(SLOPE_BINS) * np.pi / SLOPE_BINS
    return np.asarray(np.abs(np.sin(2 * (directions[:, None] - middles))) @ length / 2)


def _sweep_points(steps: EdgeSteps) -> Ints:
    """Steps evenly along the edge, and some near sharp outside corners, where tips are."""
    begin = np.concatenate([[0.0], np.cumsum(steps.length)])
    even = np.linspace(0.0, begin[-1], min(SWEEP_POINTS, len(steps.length)), endpoint=False)
    turn = np.mod(np.diff(steps.angles, append=steps.angles[:1]) + np.pi, 2 * np.pi) - np.pi
    sharp = np.flatnonzero(turn > math.radians(60.0))
    sharp = sharp[np.argsort(-turn[sharp], kind="stable")][:SWEEP_CORNERS]
    near = (begin[sharp + 1][:, None] + np.array(CORNER_POINTS_MM)).ravel()
    places = np.mod(np.concatenate([even, near]) + ROUNDING_MM, begin[-1])
    return np.unique(np.clip(np.searchsorted(begin, places, side="right") - 1, 0, len(steps.length) - 1))
