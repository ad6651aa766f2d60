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
from digitize.model.segment import Arc, Points, Segment, Spline, on_segments

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
    along : (N,) float, mm of arc along the loop
    piece : (N,) int, the segment that interval i lies on, counted in its loop; -1 where the edge turns about a corner
    lengths : of each loop, mm
    """

    points: Points
    tangents: Points
    loop: Ints
    following: Ints
    along: Floats
    piece: Ints
    lengths: Floats

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
        return _angle(self.tangents, self.tangents[self.following])

    @cached_property
    def ways(self) -> Points:
        """(N, 2) unit vectors along the chords from each sample to the next; zero where it stands still."""
        chords = self.points[self.following] - self.points
        return np.asarray(chords / np.maximum(np.linalg.norm(chords, axis=1), 1e-12)[:, None])

    @cached_property
    def extents(self) -> Floats:
        """Of each loop, the larger of width and height, mm."""
        return np.array([np.ptp(self.points[a:b], axis=0).max() for a, b in pairwise(self.firsts)])

    @cached_property
    def speed(self) -> Floats:
        """(N,) length of the cubic's end derivatives: that of the arc through both ends with this turn."""
        chord = np.linalg.norm(self.points[self.following] - self.points, axis=1)
        return np.asarray(chord / np.cos(self.turn / 4) ** 2)

    @cached_property
    def arc(self) -> Floats:
        """(N,) mm along the loop over each interval; 0 where the edge turns about a corner."""
        last = self.following <= np.arange(len(self.following))
        return np.where(last, self.lengths[self.loop], self.along[self.following]) - self.along

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
        length = np.hypot(d[:, 0], d[:, 1])[:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            t = d / length
            rate = _cross(d, dd)[:, None] / length**2
        still = np.flatnonzero(self.piece[i] < 0)
        if len(still):
            k = i[still]
            t[still] = _turned(self.tangents[k], x[still, 0] * self.turn[k])
            rate[still, 0] = self.turn[k]
        n = np.stack([t[:, 1], -t[:, 0]], axis=1)
        return p, n, d, rate * t

    def along_at(self, place: Floats) -> Floats:
        """(M,) mm along the loop."""
        i = place.astype(np.intp)
        return np.asarray(self.along[i] + (place - i) * self.arc[i])

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


def _angle(a: Points, b: Points) -> Floats:
    """(N,) radians from each vector a to b, left positive."""
    return np.asarray(np.arctan2(_cross(a, b), (a * b).sum(axis=1)))


def _swept(a: Points, b: Points, c: Points, d: Points) -> Floats:
    """Half the integral of x dy - y dx along cubics of the control points a, b, c, d, each (M, 2); exact."""
    sixes, threes = _cross(a, b) + _cross(c, d), _cross(a, c) + _cross(b, c) + _cross(b, d)
    return np.asarray((6 * sixes + 3 * threes + _cross(a, d)) / 20)


def edge_samples(loops: Sequence[Loop], spacing: float) -> Samples:
    """Samples at most ``spacing`` mm and TURN_RAD apart; closer toward inside corners, more coarsely on huge outlines.

    loops : of an outline; all of them reversed, and material and waste change places
    """
    lengths = np.array([loop.length for loop in loops])
    spacing = max(spacing, lengths.sum() / MOST_SAMPLES)
    rows = [_loop_rows(loop, spacing) for loop in loops]
    starts = np.cumsum([0] + [len(r[0]) for r in rows])
    following = np.concatenate([np.append(np.arange(a + 1, b), a) for a, b in pairwise(starts)])
    points, tangents, along, piece = (np.concatenate(column) for column in zip(*rows, strict=True))
    of = np.repeat(np.arange(len(rows)), np.diff(starts))
    return Samples(points, tangents, of, following, along, piece.astype(np.intp), lengths)


def _loop_rows(loop: Loop, spacing: float) -> tuple[Floats, ...]:
    """points, tangents, along, piece of one loop's samples; a joint that is no corner gets its mean tangent."""
    segments = loop.segments
    turns = loop.turns() if len(segments) > 1 or isinstance(segments[0], Spline) else np.zeros(1)
    of, t = _parameters(segments, spacing, turns < -CORNER_RAD)
    points, tangents = on_segments(segments, of, t)
    along = _along(segments, of, points, tangents)
    before, after = turns[of], np.roll(turns, -1)[of]
    tangents = _turned(tangents, np.where((t == 0) & (np.abs(before) <= CORNER_RAD), -before / 2, 0.0))
    kept = (t < 1) | (np.abs(after) > CORNER_RAD)  # else the next segment begins with this point
    steps = np.where((t == 1) & (after > CORNER_RAD), np.ceil(after / CORNER_STEP_RAD - 1e-9), 1.0)
    row = np.repeat(np.arange(len(t)), np.where(kept, steps, 0.0).astype(np.intp))
    turned = _within(row) / steps[row] * after[row]  # at an outside corner
    return points[row], _turned(tangents[row], turned), along[row], np.where(t[row] < 1, of[row], -1)


def _turned(vectors: Points, angle: Floats) -> Points:
    """Vectors (N, 2), each turned by its own angle (N,)."""
    (x, y), c, s = vectors.T, np.cos(angle), np.sin(angle)
    return np.stack([c * x - s * y, s * x + c * y], axis=1)


def _parameters(segments: Sequence[Segment], spacing: float, from_inside: Flags) -> tuple[Ints, Floats]:
    """Segment and parameter 0 .. 1 of each sample, both (M,), in order; closer where an inside corner begins or ends a
    segment."""
    length = np.array([s.length for s in segments])
    turn = np.array([abs(s.sweep) if isinstance(s, Arc) else 0.0 for s in segments])
    count = np.maximum(1, np.ceil(np.maximum(length / spacing, turn / TURN_RAD) - 1e-9)).astype(np.intp)
    curves = _spline_parameters(segments, spacing)
    count[list(curves)] = [len(own) - 1 for own in curves.values()]
    of = np.repeat(np.arange(len(segments)), count + 1)
    t = _within(of) / count[of]
    for k, own in curves.items():
        t[of.searchsorted(k) :][: len(own)] = own
    to_inside = np.roll(from_inside, -1)
    both = np.flatnonzero(from_inside & to_inside)  # half way is all that is reached of a short one
    near = np.minimum(spacing / length, 0.5)[:, None] * CROWD
    ends = [near[from_inside].ravel(), 1 - near[to_inside].ravel(), np.full(len(both), 0.5)]
    whose = [np.repeat(np.flatnonzero(inside), len(CROWD)) for inside in (from_inside, to_inside)]
    of, t = np.concatenate([of, *whose, both]), np.concatenate([t, *ends])
    order = np.lexsort((t, of))
    of, t = of[order], t[order]
    fresh = (np.diff(of, prepend=-1) > 0) | (np.diff(t, prepend=0.0) > 0)
    return of[fresh], t[fresh]


def _spline_parameters(segments: Sequence[Segment], spacing: float) -> dict[int, Floats]:
    """Parameters 0 .. 1 of the samples of each spline, by its number."""
    size = np.array([SPAN_SAMPLES * len(s.control) if isinstance(s, Spline) else 0 for s in segments])
    of = np.repeat(np.arange(len(segments)), size)
    fine = _within(of) / (size[of] - 1)
    p, d = on_segments(segments, of, fine)
    steps = np.maximum(np.hypot(*np.diff(p, axis=0).T) / spacing, np.abs(_angle(d[:-1], d[1:])) / TURN_RAD)
    reached = np.append(0.0, np.cumsum(steps))
    parameters = {}
    for k in np.flatnonzero(size).tolist():
        own = slice(of.searchsorted(k), of.searchsorted(k, side="right"))
        whole = reached[own] - reached[own][0]
        count = max(2, math.ceil(whole[-1] - 1e-9))
        parameters[k] = np.interp(np.linspace(0, whole[-1], count + 1), whole, fine[own])
    return parameters


def _within(of: Ints) -> Ints:
    """(M,) how many equal values lie before each in a sorted array (M,)."""
    return np.arange(len(of)) - of.searchsorted(of)


def _along(segments: Sequence[Segment], of: Ints, points: Points, tangents: Points) -> Floats:
    """(M,) mm of arc from the loop's beginning, as if arcs led from sample to sample; each segment's length is true."""
    chord, turn = np.linalg.norm(np.diff(points, axis=0), axis=1), _angle(tangents[:-1], tangents[1:])
    step = np.where(np.diff(of) == 0, chord / np.sinc(turn / (2 * np.pi)), 0.0)
    summed, first = np.append(0.0, np.cumsum(step)), np.searchsorted(of, np.arange(len(segments) + 1))
    begin, length = summed[first[:-1]], np.array([s.length for s in segments])
    share = (summed - begin[of]) / (summed[first[1:] - 1] - begin)[of]
    return np.asarray((np.cumsum(length) - length)[of] + length[of] * share)
