"""The edge of an outline in samples so close that the cubic between two neighbours is the edge itself.

A place on the edge is a number: 12.25 lies a quarter of the way from sample 12 to the one that follows. At a corner the
point stands still and the normal turns, so that the edge offset by any distance is one unbroken curve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from digitize.model.outline import CORNER_RAD, Loop
from digitize.model.segment import Line, Points, Segment, Spline, moved_points

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

TURN_RAD = math.radians(5.0)  # between samples: a cubic then leaves an arc by less than 2e-7 of its radius
CORNER_STEP_RAD = math.radians(15.0)  # between normals at an outside corner, where no curve is to be followed
CROWD = 3.0 ** -np.arange(1, 5)  # toward an inside corner: distances from it, in spacings
MOST_SAMPLES = 60_000
SPAN_SAMPLES = 12  # to see how a spline turns, for each of its control points


@dataclass(frozen=True)
class Samples:
    """Samples of all loops, in travel order; interval i runs from sample i to the one that follows.

    points, tangents : (N, 2) float, mm, unit vectors
    loop : (N,) int; following : (N,) int, the next sample of the same loop
    along : (N,) float, mm along the loop
    piece : (N,) int, the segment that interval i lies on, counted in its loop; -1 where the edge turns about a corner
    """

    points: Points
    tangents: Points
    loop: Ints
    following: Ints
    along: Floats
    piece: Ints

    @cached_property
    def normals(self) -> Points:
        """Unit vectors (N, 2) out of the material, which is on the left of travel."""
        return np.asarray(self.tangents @ np.array([[0.0, -1.0], [1.0, 0.0]]))

    @cached_property
    def previous(self) -> Ints:
        """(N,) the sample before each."""
        before = np.empty_like(self.following)
        before[self.following] = np.arange(len(before))
        return before

    @cached_property
    def firsts(self) -> Ints:
        """The first sample of each loop, and N."""
        return np.append(np.flatnonzero(np.diff(self.loop, prepend=-1)), len(self.loop))

    @cached_property
    def turn(self) -> Floats:
        """(N,) turn of the tangent over each interval, radians, left positive."""
        a, b = self.tangents, self.tangents[self.following]
        return np.asarray(np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1)))

    @cached_property
    def speed(self) -> Floats:
        """(N,) length of the cubic's end derivatives: that of the arc through both ends with this turn."""
        chord = np.linalg.norm(self.points[self.following] - self.points, axis=1)
        return np.asarray(chord / np.cos(self.turn / 4) ** 2)

    def moved(self, place: Floats, step: Floats) -> Floats:
        """Places (M,) moved along their own loops by ``step`` intervals."""
        loop = self.loop[place.astype(np.intp)]
        first, count = self.firsts[loop], np.diff(self.firsts)[loop]
        return np.asarray(np.minimum(first + np.mod(place - first + step, count), np.nextafter(first + count, 0)))

    def at(self, place: Floats) -> tuple[Points, Points, Points, Points]:
        """Points, outward unit normals and the derivatives of both by place, each (M, 2), at places (M,)."""
        i = place.astype(np.intp)
        x = (place - i)[:, None]
        j, m = self.following[i], self.speed[i][:, None]
        a, b, u, v = self.points[i], self.points[j], self.tangents[i] * m, self.tangents[j] * m
        k2, k3 = 3 * (b - a) - 2 * u - v, 2 * (a - b) + u + v
        p, d, dd = a + x * (u + x * (k2 + x * k3)), u + x * (2 * k2 + 3 * x * k3), 2 * k2 + 6 * x * k3
        length = np.linalg.norm(d, axis=1, keepdims=True)
        still = (self.piece[i] < 0)[:, None]
        angle = np.arctan2(self.tangents[i, 1], self.tangents[i, 0]) + x[:, 0] * self.turn[i]
        turned = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            t = np.where(still, turned, d / length)
            bend = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0])[:, None] / length**2
        rate = np.where(still, self.turn[i][:, None], bend)
        n = np.stack([t[:, 1], -t[:, 0]], axis=1)
        return p, n, d, rate * t

    def along_at(self, place: Floats) -> Floats:
        """(M,) mm along the loop."""
        i = place.astype(np.intp)
        return np.asarray(self.along[i] + (place - i) * self.speed[i])

    @cached_property
    def lengths(self) -> Floats:
        """Of each loop, mm."""
        last = self.firsts[1:] - 1
        return np.asarray(self.along[last] + self.speed[last])

    def green(self, place: Floats) -> Floats:
        """Half the integral of x dy - y dx from the beginning of the loop to each place (M,), mm2."""
        i = place.astype(np.intp)
        x = (place - i)[:, None]
        p, _, d, _ = self.at(place)
        start = self.points[i]
        part = _swept(start, start + x * self.tangents[i] * self.speed[i][:, None] / 3, p - x * d / 3, p)
        return np.asarray(self._green_before[i] + part)

    @cached_property
    def _green_before(self) -> Floats:
        return np.asarray(self._green_sums[:-1] - self._green_sums[self.firsts[self.loop]])

    @cached_property
    def areas(self) -> Floats:
        """Signed area of each loop, mm2."""
        return np.diff(self._green_sums[self.firsts])

    @cached_property
    def _green_sums(self) -> Floats:
        third = self.speed[:, None] / 3
        b = self.points[self.following]
        each = _swept(self.points, self.points + self.tangents * third, b - self.tangents[self.following] * third, b)
        return np.concatenate([[0.0], np.cumsum(each)])


def _cross(a: Points, b: Points) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _swept(a: Points, b: Points, c: Points, d: Points) -> Floats:
    """Half the integral of x dy - y dx along cubics of the control points a, b, c, d, each (M, 2); exact."""
    sixes, threes = _cross(a, b) + _cross(c, d), _cross(a, c) + _cross(b, c) + _cross(b, d)
    return np.asarray((6 * sixes + 3 * threes + _cross(a, d)) / 20)


def edge_samples(loops: Sequence[Loop], spacing: float) -> Samples:
    """Samples at most ``spacing`` mm and TURN_RAD apart; closer toward inside corners, more coarsely on huge outlines.

    loops : of an outline; all of them reversed, and material and waste change places
    """
    spacing = max(spacing, math.fsum(loop.length for loop in loops) / MOST_SAMPLES)
    rows = [_loop_rows(loop, spacing) for loop in loops]
    starts = np.cumsum([0] + [len(r[0]) for r in rows])
    following = np.concatenate([np.append(np.arange(a + 1, b), a) for a, b in pairwise(starts)])
    points, tangents, along, piece = (np.concatenate(column) for column in zip(*rows, strict=True))
    loop = np.repeat(np.arange(len(rows)), np.diff(starts))
    return Samples(points, tangents, loop, following, along, piece.astype(np.intp))


def _loop_rows(loop: Loop, spacing: float) -> tuple[Floats, ...]:
    """points, tangents, along, piece of one loop's samples; a joint that is no corner gets its mean tangent."""
    turns = loop.turns() if len(loop.segments) > 1 or isinstance(loop.segments[0], Spline) else np.zeros(1)
    columns: list[tuple[Floats, ...]] = []
    done = 0.0
    for k, segment in enumerate(loop.segments):
        before, after = float(turns[k]), float(turns[(k + 1) % len(turns)])
        t = _parameters(segment, spacing, before < -CORNER_RAD, after < -CORNER_RAD)
        kept = t if abs(after) > CORNER_RAD else t[:-1]  # else the next segment begins with this point
        tangents = segment.tangent(kept)
        if abs(before) <= CORNER_RAD:
            tangents[0] = moved_points(tangents[:1], -before / 2)[0]
        columns.append((segment.point(kept), tangents, done + segment.length * kept, np.where(kept < 1, k, -1)))
        done += segment.length
        steps = math.ceil(after / CORNER_STEP_RAD)
        if after > CORNER_RAD and steps > 1:
            columns.append(_outside_corner(columns[-1][0][-1], tangents[-1], after, steps, done))
    points, tangents, along, piece = (np.concatenate(column) for column in zip(*columns, strict=True))
    return points, tangents, along, piece


def _outside_corner(point: Floats, tangent: Floats, turn: float, steps: int, along: float) -> tuple[Floats, ...]:
    """The rows between a corner's two own samples, where only the normal turns."""
    angle = math.atan2(tangent[1], tangent[0]) + turn * np.arange(1, steps) / steps
    same = np.ones(steps - 1)
    return np.tile(point, (steps - 1, 1)), np.stack([np.cos(angle), np.sin(angle)], axis=1), along * same, -same


def _parameters(segment: Segment, spacing: float, from_inside: bool, to_inside: bool) -> Floats:
    """Parameters 0 .. 1 of a segment's samples."""
    if isinstance(segment, Spline):
        fine = np.linspace(0, 1, SPAN_SAMPLES * len(segment.control))
        p, d = segment.point(fine), segment.tangent(fine)
        turn = np.arccos(np.clip((d[1:] * d[:-1]).sum(axis=1), -1, 1))
        steps = np.maximum(np.linalg.norm(np.diff(p, axis=0), axis=1) / spacing, turn / TURN_RAD)
        reached = np.concatenate([[0.0], np.cumsum(steps)])
        count = max(2, math.ceil(reached[-1]))
        t = np.interp(np.linspace(0, reached[-1], count + 1), reached, fine)
        t[-1] = 1.0
    else:
        turn = 0.0 if isinstance(segment, Line) else abs(segment.sweep)
        t = np.linspace(0, 1, max(1, math.ceil(segment.length / spacing), math.ceil(turn / TURN_RAD)) + 1)
    if from_inside or to_inside:
        near = CROWD * min(spacing / segment.length, 0.5)
        ends = ([near] if from_inside else []) + ([1 - near] if to_inside else [])
        ends += [np.array([0.5])] if from_inside and to_inside else []  # all that is reached of a short one
        t = np.unique(np.concatenate([t, *ends]))
    return np.asarray(t)
