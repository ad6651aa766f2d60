"""A loop by arc length: points and tangents at any distance along it, and stretches found and cut out exactly."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Point, Points, Segment, Spline, part

Floats = npt.NDArray[np.float64]

NEAR_MM = 5.0  # a point that is meant to lie on the edge lies no farther off
LEAST_STRETCH_MM = 0.01
SHORTEST = 1e-7  # of a segment, in its parameter: less is rounding, and no piece of its own
TABLE = 40  # parameters per control point that give a spline's arc length to some millionths


@dataclass(frozen=True)
class Path:
    """A loop travelled once round; ``s`` is the distance along it, mm, from its first segment's start."""

    loop: Loop

    @cached_property
    def ends(self) -> Floats:
        """Distances (n + 1,) at which the segments begin, and the whole length."""
        return np.concatenate([[0.0], np.cumsum([s.length for s in self.loop.segments])])

    @property
    def length(self) -> float:
        return float(self.ends[-1])

    @cached_property
    def _tables(self) -> list[tuple[Floats, Floats]]:
        return [_table(s) for s in self.loop.segments]

    def place(self, s: float) -> tuple[int, float]:
        """The segment's number and the parameter in it, 0 .. 1, at a distance s (any lap)."""
        s %= self.length
        k = min(int(np.searchsorted(self.ends, s, side="right")) - 1, len(self.loop.segments) - 1)
        lengths, t = self._tables[k]
        return k, float(np.interp(s - self.ends[k], lengths, t))

    def distance(self, k: int, t: float) -> float:
        """The distance s at parameter t of segment k."""
        lengths, parameters = self._tables[k]
        return float(self.ends[k] + np.interp(t, parameters, lengths))

    def points(self, s: Floats) -> Points:
        """Points (N, 2) at distances s (N,)."""
        return self._each(s, "point")

    def tangents(self, s: Floats) -> Points:
        """Unit tangents (N, 2) at distances s (N,); at a corner the one that leaves it."""
        return self._each(s, "tangent")

    def _each(self, s: Floats, what: str) -> Points:
        s = np.asarray(s, dtype=float) % self.length
        number = np.minimum(np.searchsorted(self.ends, s, side="right") - 1, len(self.loop.segments) - 1)
        found = np.empty((len(s), 2))
        for k in np.unique(number):
            lengths, t = self._tables[k]
            here = number == k
            found[here] = getattr(self.loop.segments[k], what)(np.interp(s[here] - self.ends[k], lengths, t))
        return found

    def cut(self, a: float, b: float) -> tuple[Segment, ...]:
        """The segments from distance a on to distance b, past the loop's start where b lies before a."""
        (i, t), (j, u) = self.place(a), self.place(b)
        n = len(self.loop.segments)
        if i == j and u > t:
            return (part(self.loop.segments[i], t, u),)
        between = [self.loop.segments[k % n] for k in range(i + 1, j if j > i else j + n)]
        first = [part(self.loop.segments[i], t, 1.0)] if t < 1 - SHORTEST else []
        last = [part(self.loop.segments[j], 0.0, u)] if u > SHORTEST else []
        return (*first, *between, *last)

    def nearest(self, point: npt.ArrayLike, step: float = 0.25) -> tuple[float, float]:
        """Distance s of the loop's place nearest to a point, and how far away it is, mm."""
        s = np.linspace(0.0, self.length, max(16, int(self.length / step)), endpoint=False)
        target = np.asarray(point, dtype=float)
        away = np.linalg.norm(self.points(s) - target, axis=1)
        s0, reach = float(s[away.argmin()]), float(s[1])
        for _ in range(8):
            tries = s0 + reach * np.linspace(-1, 1, 21)
            away = np.linalg.norm(self.points(tries) - target, axis=1)
            s0, reach = float(tries[away.argmin()]), reach / 8
        return s0 % self.length, float(away.min())


def nearest_place(outline: Outline, point: Point) -> tuple[int, float]:
    """The loop, and the distance along it, nearest to a point. Raises InputError where it is off the edge."""
    found = [(*Path(loop).nearest(point), k) for k, loop in enumerate(outline.loops)]
    s, away, k = min(found, key=lambda f: f[1])
    if not away <= NEAR_MM:
        raise InputError(
            f"The point {point[0]:g},{point[1]:g} lies {away:.1f} mm off the edge, and {NEAR_MM:g} mm is the limit",
            "read it off the picture or the drawing again, in mm of the pattern",
        )
    return k, s


def stretch_between(outline: Outline, start: Point, end: Point) -> tuple[int, float, float]:
    """The loop, and the distances along it, of the stretch between two points near it, the shorter way round.

    Raises InputError where a point is off the edge, or both are on different loops.
    """
    (number, a), (other, b) = (nearest_place(outline, p) for p in (start, end))
    if number != other:
        raise InputError("The two points lie on different edges", "give both on the edge that is to be mended")
    length = outline.loops[number].length
    if min((b - a) % length, (a - b) % length) < LEAST_STRETCH_MM:
        raise InputError("The stretch begins and ends at the same place", "give two points apart from each other")
    return (number, b, a) if (b - a) % length > length / 2 else (number, a, b)


def _table(segment: Segment) -> tuple[Floats, Floats]:
    """Distances along a segment and the parameters there; a line's and an arc's go together."""
    if not isinstance(segment, Spline):
        return np.array([0.0, segment.length]), np.array([0.0, 1.0])
    t = np.linspace(0.0, 1.0, TABLE * len(segment.control) + 1)
    steps = np.linalg.norm(np.diff(segment.point(t), axis=0), axis=1)
    lengths = np.concatenate([[0.0], np.cumsum(steps)])
    return lengths * (segment.length / lengths[-1]), t
