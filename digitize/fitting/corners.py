"""Sharp corners of a contour: where the curves fitted to either side meet at an angle.

A photo rounds a corner and may cut a thin tip short, so the points next to a corner say nothing about it. The sides
are fitted beyond reach of the blur and extended; what lies between must be no more than a blurred corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.model.segment import Points

Floats = npt.NDArray[np.float64]

SIDES_MM = (8.0, 4.0, 2.0)  # lengths over which a side is fitted: the longest that a parabola follows
TURN_REACH_MM = 2.5  # over which a candidate's turn is judged
LEAST_TURN = math.radians(25.0)  # less than this is left to the choice of pieces: blur hardly touches it
SHARPEST_TURN = math.radians(172.0)  # sides more nearly parallel do not meet within reach
TURN_SIGMAS = 4.0
SIDE_MISFIT = 1.6  # sigmas a side may be off by, RMS
POINTS_NEEDED = 5
MOST_PASSES = 3


@dataclass(frozen=True)
class Side:
    """A parabola v = a + b u + c u^2 in a frame at ``origin`` whose u runs along ``axis``, away from the corner."""

    origin: Floats
    axis: Floats
    a: Floats
    sigma: float

    def frame(self, points: Points) -> tuple[Floats, Floats]:
        rel = points - self.origin
        return rel @ self.axis, rel @ np.array([-self.axis[1], self.axis[0]])

    def distances(self, points: Points) -> Floats:
        """From the side, extended, mm; to the left of its axis."""
        u, v = self.frame(points)
        slope = self.a[1] + 2 * self.a[2] * u
        off: Floats = (v - self.a[0] - self.a[1] * u - self.a[2] * u * u) / np.sqrt(1 + slope * slope)
        return off

    def direction(self, point: Floats) -> float:
        """Direction of the extended side next to a point, radians."""
        u = float(self.frame(point[None])[0][0])
        return math.atan2(self.axis[1], self.axis[0]) + math.atan(float(self.a[1] + 2 * self.a[2] * u))


def _side(points: Points, sigma: Floats, s: Floats) -> Side | None:
    """The side through points in order of their distance s (mm) from the corner, over the longest length that fits."""
    for reach in SIDES_MM:
        near = s <= s[0] + reach
        if near.sum() < POINTS_NEEDED:
            continue
        p, w = points[near], 1 / sigma[near]
        axis = p[-1] - p[0]
        length = float(np.hypot(*axis))
        if length < 0.5 * reach:
            continue
        side = Side(p[0], axis / length, np.zeros(3), 0.0)
        u, v = side.frame(p)
        powers = np.column_stack([np.ones_like(u), u, u * u]) * w[:, None]
        a = np.linalg.lstsq(powers, v * w, rcond=None)[0]
        off = v * w - powers @ a
        if float(np.median(np.abs(off))) * 1.4826 < SIDE_MISFIT and float((off**2).mean()) < (2 * SIDE_MISFIT) ** 2:
            slope = float(sigma[near].mean()) * math.sqrt(192 / near.sum()) / length
            return Side(p[0], axis / length, a, slope)
    return None


def _candidates(points: Points, s: Floats, length: float, blur: float) -> npt.NDArray[np.intp]:
    """Points where the contour turns most, over a length set by the blur."""
    n = len(points)
    closed, around = np.vstack([points, points[:1]]), np.append(s, length)

    def at(where: Floats) -> Points:
        return np.column_stack([np.interp(where % length, around, closed[:, k]) for k in (0, 1)])

    near, far = max(blur, 0.3), max(blur, 0.3) + TURN_REACH_MM
    before, after = at(s - near) - at(s - far), at(s + far) - at(s + near)
    turn = np.abs(np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)))
    order = np.argsort(-turn)
    order = order[turn[order] > 0.8 * LEAST_TURN]
    free, found = np.ones(n, dtype=bool), []
    for k in order:
        if free[k]:
            found.append(k)
            free &= np.abs((s - s[k] + length / 2) % length - length / 2) > near + 0.6
    return np.array(sorted(found), dtype=np.intp)


def corner_zones(
    points: Points, s: Floats, length: float, sigma: Floats, noise: Floats, good: npt.NDArray[np.bool_], blur: float
) -> npt.NDArray[np.bool_]:
    """Which points (N,) lie so near a sharp corner that only the blur has put them there.

    sigma : (N,) mm, what the sides may be off by; noise : (N,) mm, what the points themselves are
    """
    zones = np.zeros(len(points), dtype=bool)
    index = np.flatnonzero(good)
    if blur <= 0 or len(index) < 4 * POINTS_NEEDED:
        return zones
    p, at, sig, typical = points[index], s[index], sigma[index], float(noise[index].mean())
    for k in _candidates(p, at, length, blur):
        away = (at - at[k] + length / 2) % length - length / 2
        zone = _zone(p, away, sig, p[k], blur, 3 * typical)
        if zone is not None:
            zones |= (s - at[k] - zone[0] + length) % length <= zone[1] - zone[0]
    return zones


def _zone(
    p: Points, away: Floats, sigma: Floats, middle: Floats, blur: float, spread: float
) -> tuple[float, float] | None:
    """Arc lengths (mm, from the candidate) between which a sharp corner is blurred; None where it is not one.

    spread : mm, by which points may leave the sides beyond what blur explains
    """
    lo, hi = -blur, blur
    for _ in range(MOST_PASSES):
        sides = []
        for sign, start in ((-1.0, -lo), (1.0, hi)):
            ahead = np.flatnonzero((sign * away >= start) & (sign * away <= start + 2 * SIDES_MM[0]))
            ahead = ahead[np.argsort(sign * away[ahead])]
            side = _side(p[ahead], sigma[ahead], sign * away[ahead]) if len(ahead) >= POINTS_NEEDED else None
            if side is None:
                return None
            sides.append(side)
        left, right = sides
        turn = abs(math.remainder(right.direction(middle) - left.direction(middle) - math.pi, 2 * math.pi))
        if turn > SHARPEST_TURN or turn < LEAST_TURN + TURN_SIGMAS * math.hypot(left.sigma, right.sigma):
            return None
        blunt = 2 * blur * math.sin(turn / 2) ** 2
        near = np.flatnonzero(np.abs(away) < 4 * blur + 6.0)
        da, db = np.abs(left.distances(p[near])), np.abs(right.distances(p[near]))
        inside = near[(np.maximum(da, db) < blunt) & (np.linalg.norm(p[near] - middle, axis=1) < 4 * blur + 6.0)]
        lo, hi = (
            min(-0.5 * blur, float(away[inside].min(initial=0.0))),
            max(0.5 * blur, float(away[inside].max(initial=0.0))),
        )
        lo, hi = lo - 1e-6, hi + 1e-6
    within = (away[near] >= lo) & (away[near] <= hi)
    if within.any() and float(np.minimum(da, db)[within].max()) > 0.5 * blunt + spread:
        return None
    return lo, hi
