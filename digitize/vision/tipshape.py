"""A thin tip as it is drawn, in a frame of its own, and as it would be with other flanks and another end."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from digitize.model.outline import CORNER_RAD, Loop
from digitize.model.segment import Arc, Points, Segment, Spline

Floats = npt.NDArray[np.float64]

BEND = 3.0  # times the narrow length: over so much a curved flank may be bent at its bare end
STEP_MM = 0.05  # of flanks
STATIONS = 24  # along a flank
AHEAD = 1.5  # times the narrow length: so far flanks are led on straight


class Frame(NamedTuple):
    """A tip's own, mm: ``along`` from its corner (2,) by its heading (2,), outward, ``across`` to the left."""

    corner: Floats
    heading: Floats

    @property
    def _left(self) -> Floats:
        return np.array([-self.heading[1], self.heading[0]])

    def bench(self, along: Floats, across: Floats) -> Points:
        return np.asarray(self.corner + np.multiply.outer(along, self.heading) + np.multiply.outer(across, self._left))

    def own(self, xy: Points) -> tuple[Floats, Floats]:
        rel = xy - self.corner
        return rel @ self.heading, rel @ self._left


class Tip(NamedTuple):
    """A tip as drawn, in its own frame.

    along : (K,) increasing; ``left``, ``right`` (K,) the flanks there, led on straight beyond the corner
    ramp : (K,) how much of a flank's play at the corner is felt there
    free : whether the left and the right flank may have play
    narrow : mm of tip whose flanks are not seen one by one
    """

    frame: Frame
    along: Floats
    left: Floats
    right: Floats
    ramp: Floats
    free: tuple[bool, bool]
    narrow: float

    def meeting(self, play: Floats) -> float:
        """Where along the tip its flanks meet when the left and the right one have a play of (2,) mm."""
        wide = self.left - self.right + (play[0] - play[1]) * self.ramp
        k = int(np.argmax(wide <= 0.0)) or len(wide) - 1
        share = min(1.0, wide[k - 1] / (wide[k - 1] - wide[k] + 1e-12))
        return float(self.along[k - 1] + share * (self.along[k] - self.along[k - 1]))

    def flanks(self, play: Floats, cut: float) -> tuple[Points, Points]:
        """Left and right flank (M, 2) mm, up to the tip's end."""
        end = self.meeting(play) - cut
        along = np.append(self.along[self.along < end - 1e-9], end)
        sides = (side + p * self.ramp for side, p in zip((self.left, self.right), play, strict=True))
        left, right = (self.frame.bench(along, np.interp(along, self.along, side)) for side in sides)
        return left, right


def tip_at(loop: Loop, k: int, least: float, known: float) -> Tip | None:
    """The tip where segment k starts; None where another corner is too near, or its flanks turn back.

    least : mm, flanks nearer to each other are not seen one by one; known : mm of tip before that, which tell its light
    """
    n, segments = len(loop.segments), loop.segments
    narrow = least / (2.0 * math.tan((math.pi - float(loop.turns()[k])) / 2))
    back = BEND * narrow + known
    left = _followed((segments[(k + i) % n] for i in range(n)), back)
    right = _followed((segments[(k - 1 - i) % n].reversed() for i in range(n)), back)
    if left is None or right is None:
        return None
    corner = np.asarray(segments[k].start)
    into = [corner - path[-1] for path in (left, right)]
    heading = into[0] / np.hypot(*into[0]) + into[1] / np.hypot(*into[1])
    flanks = segments[k], segments[k - 1]
    stiff = any(isinstance(s, Arc) for s in flanks)  # an arc stays one, and its tip where it is
    free = tuple(isinstance(s, Spline) and s.length > BEND * narrow and not stiff for s in flanks)
    frame = Frame(corner, heading / np.hypot(*heading))
    (left_along, left_across), (right_along, right_across) = (frame.own(path[::-1]) for path in (left, right))
    if min(np.diff(left_along).min(), np.diff(right_along).min()) <= 0.0:
        return None
    behind = np.linspace(max(left_along[0], right_along[0]), 0.0, STATIONS)
    ahead = np.linspace(0.0, AHEAD * narrow, STATIONS // 2)[1:]
    along = np.concatenate([behind, ahead])
    sides = [
        np.concatenate([np.interp(behind, u, v), v[-2] / u[-2] * ahead])
        for u, v in ((left_along, left_across), (right_along, right_across))
    ]
    ramp = np.maximum(1.0 + along / (BEND * narrow), 0.0) ** 3
    return Tip(frame, along, sides[0], sides[1], ramp, (free[0], free[1]), narrow)


def _followed(segments: Iterable[Segment], length: float) -> Points | None:
    """Points (N, 2) from the start of a chain of segments over a length, mm; None where a corner comes before."""
    path: Points = np.zeros((0, 2))
    heading = None
    for segment in segments:
        if heading is not None and abs(math.atan2(*_cross_dot(heading, segment.tangent(0.0)[0]))) > CORNER_RAD:
            return None
        more = segment.point(np.linspace(0.0, 1.0, max(3, math.ceil(segment.length / STEP_MM))))
        path, heading = np.vstack([path[:-1], more]), segment.tangent(1.0)[0]
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        if s[-1] >= length:
            return np.asarray(path[: int(np.searchsorted(s, length)) + 1])
    return None


def _cross_dot(a: Floats, b: Floats) -> tuple[float, float]:
    return float(a[0] * b[1] - a[1] * b[0]), float(a @ b)
