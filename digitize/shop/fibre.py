"""The fibres of a part: straight lines along the grain, each from edge to edge, and what stands beyond them.

The edge is taken in steps so short that the edge turns by no more than a degree in one; a step's fibre runs through
the point just inside its middle. Everything is exact on the polygon of the edge's samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from digitize.model.outline import Outline
from digitize.model.segment import Points, moved_points
from digitize.shop.samples import Flags, Floats, Ints, Samples, edge_samples

INSIDE_MM = 0.05  # "just inside": more than the samples' polygon lies within the true edge
STEP_RAD = math.radians(1.0)
SHORTEST_STEP_MM = 0.1  # tighter curves are no longer fed by degrees
COARSE_MM = 0.04  # chord error where every direction of grain is tried; less than INSIDE_MM
SPACINGS_MM = (0.25, 2.0)  # between samples, at least and at most
SAMPLES = 1500  # wanted round the whole outline


@dataclass(frozen=True)
class EdgeSteps:
    """The edge of an outline in short steps, in travel order, loop after loop.

    samples : the polygon they belong to
    loop : (N,) int; start, length : (N,) float, mm of arc
    middles, tangents : (N, 2) float, mm and unit vectors, at the middle of each step; material on the left
    """

    samples: Samples
    loop: Ints
    start: Floats
    length: Floats
    middles: Points
    tangents: Points

    @cached_property
    def inside(self) -> Points:
        """(N, 2) points just inside the middles."""
        return np.asarray(self.middles + INSIDE_MM * self.tangents @ np.array([[0.0, 1.0], [-1.0, 0.0]]))

    @cached_property
    def angles(self) -> Floats:
        """(N,) directions of travel, radians."""
        return np.asarray(np.arctan2(self.tangents[:, 1], self.tangents[:, 0]))

    @cached_property
    def _trees(self) -> list[cKDTree]:
        return [cKDTree(self.samples.points[a:b]) for a, b in pairwise(self.samples.firsts)]

    def away(self, points: Points, loop: Ints) -> Floats:
        """(M,) from points (M, 2) to loops (M,), one each, mm: to the chords beside the nearest sample."""
        s, result = self.samples, np.zeros(len(points))
        for k in np.unique(loop):
            here = np.flatnonzero(loop == k)
            at = points[here]
            i = s.firsts[k] + self._trees[k].query(at)[1]
            result[here] = np.minimum(_from_chord(at, s, i), _from_chord(at, s, s.previous[i]))
        return result


def _from_chord(points: Points, samples: Samples, i: Ints) -> Floats:
    """(M,) mm from points (M, 2) to the chords that begin at samples i (M,)."""
    start, chord = samples.points[i], samples.points[samples.following[i]] - samples.points[i]
    share = ((points - start) * chord).sum(axis=1) / np.maximum((chord**2).sum(axis=1), 1e-30)
    return np.asarray(np.linalg.norm(points - start - np.clip(share, 0.0, 1.0)[:, None] * chord, axis=1))


def edge_steps(outline: Outline) -> EdgeSteps:
    """Steps that turn by no more than STEP_RAD each, unless they are SHORTEST_STEP_MM short."""
    spacing = float(np.clip(sum(loop.length for loop in outline.loops) / SAMPLES, *SPACINGS_MM))
    samples = edge_samples(outline.loops, spacing)
    real = np.flatnonzero(samples.piece >= 0)
    wanted = np.minimum(np.abs(samples.turn[real]) / STEP_RAD, samples.speed[real] / SHORTEST_STEP_MM)
    count = np.maximum(1, np.ceil(wanted - 1e-9)).astype(np.intp)
    of = np.repeat(real, count)
    number = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    share = 1.0 / np.repeat(count, count)
    middles, normals, _, _ = samples.at(of + (number + 0.5) * share)
    length = samples.arc[of] * share
    tangents = normals @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    return EdgeSteps(samples, samples.loop[of], samples.along[of] + number * length, length, middles, tangents)


def coarser(samples: Samples) -> Samples:
    """Fewer of the samples, whose polygon stays within COARSE_MM: of a line its ends, of a curve every so many."""
    first = np.flatnonzero((np.diff(samples.piece, prepend=-2) != 0) | (np.diff(samples.loop, prepend=-1) != 0))
    bend = np.maximum.reduceat(np.abs(samples.turn) * samples.speed, first)
    apart = np.floor(
        np.sqrt(8 * COARSE_MM / np.maximum(bend, 1e-12))
    )  # m intervals of turn a and length l: m^2 a l / 8
    count = np.diff(np.append(first, len(samples.piece)))
    place = np.arange(len(samples.piece)) - np.repeat(first, count)
    kept = np.flatnonzero(place % np.repeat(np.maximum(apart, 1.0), count) == 0)
    starts = np.searchsorted(kept, samples.firsts)
    following = np.arange(1, len(kept) + 1)
    following[starts[1:] - 1] = starts[:-1]
    rows = (samples.points[kept], samples.tangents[kept], samples.loop[kept])
    return Samples(*rows, following, samples.along[kept], samples.piece[kept], samples.lengths)


def points_along(steps: EdgeSteps, loop: int, places: npt.ArrayLike) -> Points:
    """Points (M, 2) of the edge at ``places`` (M,), mm along a loop, which they may pass the beginning of."""
    inside = np.flatnonzero(steps.loop == loop)
    along = np.mod(np.asarray(places, dtype=float), steps.length[inside].sum())
    i = inside[np.maximum(np.searchsorted(steps.start[inside], along, side="right") - 1, 0)]
    past = along - steps.start[i] - steps.length[i] / 2
    return np.asarray(steps.middles[i] + past[:, None] * steps.tangents[i])


@dataclass(frozen=True)
class Fibres:
    """Fibres through Q points, all in one direction.

    length : (Q,) float, mm; 0 where the point is not inside the part
    back, front : (Q,) int, the samples' intervals where each fibre ends, against and with its direction; -1 for none
    level : (Q,) float, mm across the grain; offsets : (M,) the same of the samples
    """

    samples: Samples
    length: Floats
    back: Ints
    front: Ints
    level: Floats
    offsets: Floats

    @cached_property
    def between_loops(self) -> Flags:
        """(Q,) whether a fibre runs from one loop to another: no crack along it takes anything off."""
        return np.asarray(self.samples.loop[self.back] != self.samples.loop[self.front])

    def beyond(self) -> tuple[Floats, Flags]:
        """How far the smaller piece reaches across the grain beyond each fibre, mm.

        Also whether that piece is bordered by the edge from the fibre's back to its front, as travelled.
        """
        table = _Stretches(self.samples, self.offsets)
        forward = table.area(self.back, self.front) <= table.area(self.front, self.back)
        start, end = np.where(forward, self.back, self.front), np.where(forward, self.front, self.back)
        return table.farthest(start, end, self.level), forward


def fibres(samples: Samples, points: Points, direction: float) -> Fibres:
    """Fibres through ``points`` (Q, 2), mm, in ``direction`` (radians)."""
    x, y = moved_points(samples.points, -direction).T
    at, level = moved_points(points, -direction).T
    order = np.argsort(level)
    dx, dy = x[samples.following] - x, y[samples.following] - y
    ends = np.searchsorted(level[order], np.stack([y, y[samples.following]]))
    first, count = ends.min(axis=0), np.abs(ends[1] - ends[0])
    edge = np.repeat(np.arange(len(x)), count)
    ranks = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + first[edge]
    query = order[ranks]
    crossing = x[edge] + (level[query] - y[edge]) * (dx[edge] / dy[edge])
    ahead = crossing > at[query]
    front_at, front = _nearest(crossing, edge, query, ahead, len(points))
    back_at, back = _nearest(-crossing, edge, query, ~ahead, len(points))
    length = np.where((front >= 0) & (back >= 0), front_at + back_at, 0.0)
    return Fibres(samples, length, back, front, level, y)


def _nearest(at: Floats, edge: Ints, query: Ints, allowed: Flags, count: int) -> tuple[Floats, Ints]:
    """The least value of ``at`` for each query, and the edge it belongs to."""
    at, edge, query = at[allowed], edge[allowed], query[allowed]
    least = np.full(count, np.inf)
    np.minimum.at(least, query, at)
    found = np.full(count, -1, dtype=np.intp)
    here = at == least[query]
    found[query[here]] = edge[here]
    return np.where(found >= 0, least, 0.0), found


class _Stretches:
    """Least and greatest value, and the area cut off, over any stretch of a loop at once.

    Source: the sparse table (values of stretches of 1, 2, 4, ... samples) of Bender and Farach-Colton, The LCA Problem
    Revisited, 2000 (from memory); the shoelace formula.
    """

    def __init__(self, samples: Samples, values: Floats) -> None:
        self._first, self._count = samples.firsts[samples.loop], np.diff(samples.firsts)[samples.loop]
        spans = list(pairwise(samples.firsts))
        twice = np.concatenate([np.tile(values[a:b], 2) for a, b in spans])
        self._points = np.concatenate([np.tile(samples.points[a:b], (2, 1)) for a, b in spans])
        swept = _cross(self._points[:-1], self._points[1:])
        self._swept = np.concatenate([[0.0], np.cumsum(swept)])
        self._high, self._low = [twice], [twice]
        width = 1
        while 2 * width <= len(twice):
            self._high.append(np.maximum(self._high[-1][:-width], self._high[-1][width:]))
            self._low.append(np.minimum(self._low[-1][:-width], self._low[-1][width:]))
            width *= 2

    def _range(self, start: Ints, end: Ints) -> tuple[Ints, Ints]:
        """First sample after interval ``start`` and how many there are up to interval ``end``, in the doubled lists."""
        first, length = self._first[start], np.mod(end - start, self._count[start])
        return first + start + 1, length

    def area(self, start: Ints, end: Ints) -> Floats:
        """Of the polygon of the samples after interval ``start`` up to interval ``end``, mm2."""
        begin, length = self._range(start, end)
        last = begin + np.maximum(length - 1, 0)
        chord = _cross(self._points[last], self._points[begin])
        return np.asarray(np.abs(self._swept[last] - self._swept[begin] + chord) / 2)

    def farthest(self, start: Ints, end: Ints, level: Floats) -> Floats:
        """Largest distance from ``level`` among the samples after interval ``start`` up to interval ``end``."""
        begin, length = self._range(start, end)
        result = np.zeros(len(start))
        for k in range(len(self._high)):
            here = (length >= 2**k) & (length < 2 ** (k + 1))
            if here.any():
                a, b = begin[here], begin[here] + length[here] - 2**k
                high = np.maximum(self._high[k][a], self._high[k][b]) - level[here]
                low = level[here] - np.minimum(self._low[k][a], self._low[k][b])
                result[here] = np.maximum(high, low)
        return result


def _cross(a: Points, b: Points) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
