"""Where a fracture comes out at the edge: which edge of one piece goes on as which edge of the other.

Next to a fracture the edge is chipped and a photo has rounded its corner, so the edges are read a little way off and
carried on towards each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.model.segment import Points
from digitize.rebuild.match import Piece, Placement

Floats = npt.NDArray[np.float64]

CLEAR_MM = 2.5  # beside a fracture that says nothing about the edge
SIDE_MM = (4.0, 25.0)  # of edge that is read: least and most
EVERY_MM = 1.0
CARRIED = 9  # points of a side that say how it goes on
QUARTIC_MM = 0.1  # what a cubic through both sides may leave of a round edge
STRAIGHT_MM = 0.04  # RMS of a side about its line
UNFAIR = 1e3  # cost of an end that is not fair: of such the nearest is taken
FARTHER_MM = 10.0  # a corner farther off by this is as bad as edges that just go on
OFFSET_MM, TURN_RAD = 1.0, math.radians(6.0)  # edges that differ by more do not go on as each other


@dataclass(frozen=True)
class Side:
    """An edge beside a fracture, read away from it: points (N, 2), mm, in the piece's frame; the first is nearest."""

    points: Points
    straight: bool


@dataclass(frozen=True)
class End:
    """An end of a fracture: piece ``before`` leaves its edge at ``leaves``, piece ``after`` goes on from ``enters``.

    leaves, enters : distances along the two edges, mm
    sides : the edges there, before and after
    offset : mm, turn : radians; of the edge after against the edge before, both carried on to the middle between them
    fair : whether one goes on as the other
    """

    before: int
    after: int
    leaves: float
    enters: float
    sides: tuple[Side, Side] | None
    offset: float
    turn: float

    @property
    def fair(self) -> bool:
        return self.sides is not None and abs(self.offset) < OFFSET_MM and abs(self.turn) < TURN_RAD


def end_of(
    pieces: tuple[Piece, Piece],
    at: tuple[Placement, Placement],
    numbers: tuple[int, int],
    s: tuple[float, float],
    reach: float,
) -> End:
    """The end of a fracture near distances ``s`` of two pieces, at their corners that lie within ``reach`` (mm) of it.

    Of several corners those are taken whose edges go on best.
    """
    choices = [
        _judged(pieces, at, numbers, (u, v), abs(u - s[0]) + abs(v - s[1]))
        for u in _near(pieces[0], s[0], reach, -1.0)
        for v in _near(pieces[1], s[1], reach, 1.0)
    ]
    return min(choices, key=lambda c: c[0])[1]


def _near(piece: Piece, s: float, reach: float, outward: float) -> list[float]:
    """The distance s itself and the piece's corners near it (unwrapped to lie near it)."""
    corners = piece.features * piece.step
    away = (corners - s + piece.path.length / 2) % piece.path.length - piece.path.length / 2
    return [s, *(float(s + d) for d in away[(outward * away < reach) & (outward * away > -reach / 2)])]


def _judged(
    pieces: tuple[Piece, Piece],
    at: tuple[Placement, Placement],
    numbers: tuple[int, int],
    s: tuple[float, float],
    moved: float,
) -> tuple[float, End]:
    """How badly two edges go on as each other, and the end that they make."""
    one, other = side_of(pieces[0], s[0], -1.0), side_of(pieces[1], s[1], 1.0)
    if one is None or other is None:
        return UNFAIR + moved, End(*numbers, *s, None, 0.0, 0.0)
    before, after = at[0].moved(one.points), at[1].moved(other.points)
    middle = (before[0] + after[0]) / 2
    (p, heading), (q, onward) = _carried(before, middle), _carried(after, middle)
    heading = -heading  # the side is read away from the fracture
    turn = math.atan2(heading[0] * onward[1] - heading[1] * onward[0], float(heading @ onward))
    left = np.array([-heading[1], heading[0]])
    offset = float((q - p) @ left)
    overrun = max(0.0, float((before[0] - after[0]) @ heading) - 1.0)  # edges that lie beside each other
    end = End(*numbers, *s, (one, other), offset, turn)
    cost = abs(offset) / OFFSET_MM + abs(turn) / TURN_RAD + moved / FARTHER_MM + overrun
    return (cost if end.fair else UNFAIR + moved), end


def _carried(points: Points, to: Floats) -> tuple[Floats, Floats]:
    """The place on a side carried on next to a point, and the side's direction there, away from the fracture."""
    points = points[:CARRIED]
    origin, axis = points[0], points[-1] - points[0]
    axis = axis / np.linalg.norm(axis)
    left = np.array([-axis[1], axis[0]])
    u, v = (points - origin) @ axis, (points - origin) @ left
    degree = 2 if len(points) == CARRIED else 1
    curve = np.polynomial.Polynomial.fit(u, v, degree, domain=[-1, 1], window=[-1, 1])
    x = float((to - origin) @ axis)
    slope = float(curve.deriv()(x))
    return origin + x * axis + float(curve(x)) * left, (axis + slope * left) / math.hypot(1.0, slope)


def side_of(piece: Piece, s: float, outward: float) -> Side | None:
    """The edge that begins at s and runs outward (-1 against travel, +1 with it) up to its next corner."""
    length = piece.path.length
    ahead = (outward * (piece.features * piece.step - s)) % length
    free = float(np.min(ahead[(ahead > CLEAR_MM) & (ahead < length - CLEAR_MM)], initial=length / 3)) - CLEAR_MM
    reach = min(free, CLEAR_MM + SIDE_MM[1])
    if reach - CLEAR_MM < SIDE_MM[0]:
        return None
    points = _read(piece, s, outward, reach)
    u, v = _framed(points)
    bend = abs(2 * float(np.polynomial.polynomial.polyfit(u, v, 2)[2]))
    longest = CLEAR_MM + (8 * QUARTIC_MM / max(bend, 1e-6) ** 3) ** 0.25
    if longest < reach:
        points = _read(piece, s, outward, max(longest, CLEAR_MM + SIDE_MM[0]))
    u, v = _framed(points)
    off = v - np.polynomial.polynomial.polyval(u, np.polynomial.polynomial.polyfit(u, v, 1))
    return Side(points, bool(np.sqrt((off**2).mean()) < STRAIGHT_MM))


def _read(piece: Piece, s: float, outward: float, reach: float) -> Points:
    n = max(5, int((reach - CLEAR_MM) / EVERY_MM) + 1)
    return piece.path.points(s + outward * np.linspace(CLEAR_MM, reach, n))


def _framed(points: Points) -> tuple[Floats, Floats]:
    axis = points[-1] - points[0]
    axis = axis / np.linalg.norm(axis)
    rel = points - points[0]
    return rel @ axis, rel @ np.array([-axis[1], axis[0]])
