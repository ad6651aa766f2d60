"""The nearest place on a closed loop of exact curves, for many points at once.

Every segment becomes pieces of one of two kinds: cubic polynomials (lines, and splines knot span by knot span) and
arcs. Short chords under a KD-tree say near which piece a point lies and where to begin; on the piece itself the foot
is found by Newton's method, or for arcs directly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from scipy.spatial import cKDTree

from digitize.model.outline import Loop
from digitize.model.segment import Arc, Line, Points, Segment

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

CHORD_MM = 0.5  # long enough for a small tree, short enough that a chord lies within 0.01 mm of an arc of R 3 mm
CANDIDATES = 4  # chords looked at: near a thin tip the nearest midpoint may belong to the other flank
SAME = 1e-12  # of a piece: no step any more
NEWTON_STEPS = 4  # from a chord's foot, 0.1 mm off at worst: quadratic from there to below 1 nm


@dataclass(frozen=True)
class Feet:
    """The nearest places on a loop to N points.

    points : (N, 2) mm
    distance : (N,) mm, signed: positive outside the material
    outward : (N, 2) unit vectors from the material through the foot to the point, across the curve where they coincide
    along : (N,) mm along the loop to the foot
    """

    points: Points
    distance: Floats
    outward: Points
    along: Floats


@dataclass(frozen=True)
class Curves:
    """A loop, made ready to be asked for its nearest places.

    cubic : (P, 4, 2) coefficients of t^0 .. t^3 for t in 0..1; zero for an arc
    arc : (P, 5) centre, radius, angle of the start, sweep; radius 0 for a cubic
    piece, begin, finish : (C,) of each chord, its piece and the parameters at its ends
    ends : (C, 2, 2) end points of the chords, mm
    segment : (P,) number of the loop's segment that a piece belongs to
    """

    cubic: Floats
    arc: Floats
    piece: Indices
    begin: Floats
    finish: Floats
    ends: Floats
    segment: Indices

    @classmethod
    def of(cls, loop: Loop) -> Curves:
        cut = [_pieces(s) for s in loop.segments]
        cubic, arc = (np.concatenate([c[i] for c in cut]) for i in (0, 1))
        segment = np.repeat(np.arange(len(cut)), [len(c[0]) for c in cut])
        length = _lengths(cubic, arc)
        chords = np.maximum(1, np.ceil(length / CHORD_MM)).astype(int)
        piece = np.repeat(np.arange(len(cubic)), chords)
        place = np.arange(len(piece)) - np.repeat(np.cumsum(chords) - chords, chords)
        begin, finish = place / chords[piece], (place + 1) / chords[piece]
        ends = np.stack([_at(cubic[piece], arc[piece], t)[0] for t in (begin, finish)], axis=1)
        return cls(cubic, arc, piece, begin, finish, ends, segment)

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.ends.mean(axis=1))

    @cached_property
    def _sums(self) -> Floats:
        """Length up to each chord's start, and of the whole, (C + 1,) mm."""
        steps = np.linalg.norm(self.ends[:, 1] - self.ends[:, 0], axis=1)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def length(self) -> float:
        return float(self._sums[-1])

    def starts(self) -> Floats:
        """Where along the loop each of its segments begins, mm."""
        first = np.searchsorted(self.segment[self.piece], np.arange(self.segment[-1] + 1))
        starts: Floats = self._sums[first]
        return starts

    def at(self, along: Floats) -> tuple[Points, Points]:
        """Points and outward normals (N, 2) at the lengths ``along`` (N,) mm."""
        along = np.mod(along, self.length)
        chord = np.clip(np.searchsorted(self._sums, along, side="right") - 1, 0, len(self.piece) - 1)
        share = (along - self._sums[chord]) / (self._sums[chord + 1] - self._sums[chord])
        piece = self.piece[chord]
        t = self.begin[chord] + share * (self.finish[chord] - self.begin[chord])
        return _at(self.cubic[piece], self.arc[piece], t)[0], self._normals(piece, t)

    def nearest(self, points: Points) -> Feet:
        """The feet of points (N, 2), mm."""
        chord, t = self._begin(points)
        piece, t, foot = self._foot(self.piece[chord], t, points)
        apart = points - foot
        distance = np.linalg.norm(apart, axis=1)
        normal = self._normals(piece, t)
        side = np.where((apart * normal).sum(axis=1) < 0, -1.0, 1.0)
        clear = distance > 1e-9
        outward = np.where(clear[:, None], apart * (side / np.where(clear, distance, 1.0))[:, None], normal)
        return Feet(foot, side * distance, outward, self._along(piece, t))

    def _begin(self, points: Points) -> tuple[Indices, Floats]:
        """The nearest chord and the parameter at its foot."""
        _, near = self._tree.query(points, k=min(CANDIDATES, len(self.piece)))
        near = near.reshape(len(points), -1)
        a, step = self.ends[near, 0], self.ends[near, 1] - self.ends[near, 0]
        square = np.maximum((step**2).sum(axis=2), 1e-30)
        share = np.clip(((points[:, None] - a) * step).sum(axis=2) / square, 0.0, 1.0)
        off = ((points[:, None] - a - share[..., None] * step) ** 2).sum(axis=2)
        row = np.arange(len(points))
        best = off.argmin(axis=1)
        chord, share = near[row, best], share[row, best]
        return chord, self.begin[chord] + share * (self.finish[chord] - self.begin[chord])

    def _foot(self, piece: Indices, t: Floats, points: Points) -> tuple[Indices, Floats, Points]:
        """The foot on each piece, or on its neighbour where it ran to an end."""
        t, foot = _on_pieces(self.cubic[piece], self.arc[piece], t, points)
        ran = np.flatnonzero((t <= 0.0) | (t >= 1.0))
        if len(ran):
            back = t[ran] <= 0.0
            other = (piece[ran] + np.where(back, -1, 1)) % len(self.cubic)
            begin = np.where(back, 1.0, 0.0)
            there, place = _on_pieces(self.cubic[other], self.arc[other], begin, points[ran])
            closer = np.linalg.norm(points[ran] - place, axis=1) < np.linalg.norm(points[ran] - foot[ran], axis=1)
            chosen = ran[closer]
            piece = piece.copy()
            piece[chosen], t[chosen], foot[chosen] = other[closer], there[closer], place[closer]
        return piece, t, foot

    def _normals(self, piece: Indices, t: Floats) -> Points:
        """Outward unit normals; at a joint the mean of both sides', which tells inside from outside there.

        Source: the angle-weighted pseudonormal of Baerentzen and Aanaes (2005), in the plane; from memory.
        """
        tangent = _unit(_at(self.cubic[piece], self.arc[piece], t)[1])
        for end, step, start in ((0.0, -1, 1.0), (1.0, 1, 0.0)):
            there = np.flatnonzero(t == end)
            other = (piece[there] + step) % len(self.cubic)
            tangent[there] += _unit(_at(self.cubic[other], self.arc[other], np.full(len(there), start))[1])
        unit = _unit(tangent)
        return np.stack([unit[:, 1], -unit[:, 0]], axis=1)

    def _along(self, piece: Indices, t: Floats) -> Floats:
        """Length along the loop, mm, by the chords."""
        key = self.piece + self.begin
        chord = np.clip(np.searchsorted(key, piece + np.minimum(t, 1 - 1e-12), side="right") - 1, 0, len(key) - 1)
        share = (t - self.begin[chord]) / (self.finish[chord] - self.begin[chord])
        along: Floats = self._sums[chord] + share * (self._sums[chord + 1] - self._sums[chord])
        return along


def _pieces(segment: Segment) -> tuple[Floats, Floats]:
    """Cubic coefficients (P, 4, 2) and arcs (P, 5) of one segment."""
    if isinstance(segment, Arc):
        arc = [*segment.centre, segment.radius, segment.from_angle, segment.sweep]
        return np.zeros((1, 4, 2)), np.array([arc])
    if isinstance(segment, Line):
        cubic = np.zeros((1, 4, 2))
        cubic[0, 0], cubic[0, 1] = segment.start, np.subtract(segment.end, segment.start)
        return cubic, np.zeros((1, 5))
    curve = BSpline(np.asarray(segment.knots), np.asarray(segment.control), 3)
    breaks = np.unique(segment.knots)
    width = np.diff(breaks)[:, None]
    terms = [curve(breaks[:-1], k) * width**k / math.factorial(k) for k in range(4)]  # Taylor, from each knot
    return np.stack(terms, axis=1), np.zeros((len(width), 5))


def _lengths(cubic: Floats, arc: Floats) -> Floats:
    """Length of each piece, mm, well enough to cut it into chords."""
    t = np.linspace(0.0, 1.0, 9)
    powers = t[:, None] ** np.arange(4)
    bent = np.linalg.norm(np.diff(np.einsum("tk,pkx->ptx", powers, cubic), axis=1), axis=2).sum(axis=1)
    return np.where(arc[:, 2] > 0, arc[:, 2] * np.abs(arc[:, 4]), bent)


def _at(cubic: Floats, arc: Floats, t: Floats) -> tuple[Points, Points, Points]:
    """Points, first and second derivatives (N, 2) at t (N,) of the pieces (N, 4, 2) and (N, 5)."""
    c0, c1, c2, c3 = cubic[:, 0], cubic[:, 1], cubic[:, 2], cubic[:, 3]
    u = t[:, None]
    point = c0 + u * (c1 + u * (c2 + u * c3))
    first = c1 + u * (2 * c2 + 3 * u * c3)
    second = 2 * c2 + 6 * u * c3
    round_ = np.flatnonzero(arc[:, 2] > 0)
    if len(round_):
        centre, radius, start, sweep = arc[round_, :2], arc[round_, 2:3], arc[round_, 3], arc[round_, 4:]
        angle = start + t[round_] * sweep[:, 0]
        spoke = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        point[round_] = centre + radius * spoke
        first[round_] = radius * sweep * np.stack([-spoke[:, 1], spoke[:, 0]], axis=1)
        second[round_] = -radius * sweep**2 * spoke
    return point, first, second


def _on_pieces(cubic: Floats, arc: Floats, t: Floats, points: Points) -> tuple[Floats, Points]:
    """Parameters and feet of points (N, 2), each on its own piece, from parameters near by."""
    t = t.copy()
    bent = np.flatnonzero(arc[:, 2] == 0)
    for _ in range(NEWTON_STEPS):
        point, first, second = _at(cubic[bent], arc[bent], t[bent])
        off = point - points[bent]
        slope, square = (off * first).sum(axis=1), (first**2).sum(axis=1)
        curving = square + (off * second).sum(axis=1)
        steep = np.where(curving > 0.2 * square, curving, square)  # beyond the centre of curvature Newton goes astray
        before = t[bent]
        t[bent] = np.clip(before - slope / np.maximum(steep, 1e-30), 0.0, 1.0)
        if np.abs(t[bent] - before).max(initial=0.0) < SAME:
            break
    round_ = np.flatnonzero(arc[:, 2] > 0)
    t[round_] = _on_arcs(arc[round_], points[round_])
    return t, _at(cubic, arc, t)[0]


def _on_arcs(arc: Floats, points: Points) -> Floats:
    """Parameters of the feet on arcs (N, 5)."""
    apart = points - arc[:, :2]
    sweep = np.abs(arc[:, 4])
    turn = np.sign(arc[:, 4]) * (np.arctan2(apart[:, 1], apart[:, 0]) - arc[:, 3])
    turn = np.mod(turn, 2 * math.pi)
    past = turn - sweep  # beyond the end; whichever end is nearer
    inside = np.where(past <= 0, turn, np.where(past < 2 * math.pi - turn, sweep, 0.0))
    t: Floats = inside / sweep
    return t


def _unit(vectors: Points) -> Points:
    unit: Points = vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-30)
    return unit
