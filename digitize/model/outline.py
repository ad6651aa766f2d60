"""The core type: the outline of a part, in millimetres, and the contour it is fitted to.

An outline has one outer loop, counter-clockwise, and any number of holes, clockwise: material is always on the left
of travel.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from shapely.geometry import LinearRing, Polygon

from digitize.model.segment import Arc, Line, Point, Points, Segment

GAP_TOL_MM = 1e-6  # rounding only: neighbours share their end points
CORNER_RAD = math.radians(5.0)  # a joint that turns by more is a corner, by less a smooth joint with its fit error
CHORD_ERROR_MM = 0.005  # where an outline has to become a polygon


def signed_area(points: Points) -> float:
    """Area of a closed polygon (N, 2), positive where it runs counter-clockwise."""
    x, y = points.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)


@dataclass(frozen=True)
class Contour:
    """Raw edge points of one closed loop, in travel order, material on the left.

    points : (N, 2) float, mm; the last one joins the first
    sigma : (N,) float, mm; standard error across the edge, always > 0
    blur : mm; within this distance of a sharp corner the photo has rounded the edge, and points are not to be trusted
    """

    points: Points
    sigma: npt.NDArray[np.float64]
    blur: float = 0.0

    def __post_init__(self) -> None:
        if self.points.ndim != 2 or self.points.shape[1] != 2 or len(self.points) < 8:
            raise ValueError("a contour needs (N, 2) points, at least 8 of them")
        if self.sigma.shape != (len(self.points),) or not (self.sigma > 0).all():
            raise ValueError("a contour needs one sigma > 0 for each of its points")

    @property
    def area(self) -> float:
        """Signed area, mm2: positive for a counter-clockwise loop."""
        return signed_area(self.points)


@dataclass(frozen=True)
class Loop:
    """A closed chain of segments, or one whole circle.

    Raises
    ------
    ValueError if neighbours do not meet within GAP_TOL_MM
    """

    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        if not self.segments:
            raise ValueError("a loop needs at least one segment")
        for a, b in zip(self.segments, self.segments[1:] + self.segments[:1], strict=True):
            gap = math.dist(a.end, b.start)
            if gap > GAP_TOL_MM:
                raise ValueError(f"a loop is open by {gap:.6f} mm at ({a.end[0]:.3f}, {a.end[1]:.3f})")

    def flattened(self, chord_error: float = CHORD_ERROR_MM) -> Points:
        """Vertices (N, 2) of the closed polygon, not to be changed; the first is not repeated."""
        return self._usual if chord_error == CHORD_ERROR_MM else self._polygon(chord_error)

    @cached_property
    def _usual(self) -> Points:
        return self._polygon(CHORD_ERROR_MM)

    def _polygon(self, chord_error: float) -> Points:
        points = np.vstack([s.flattened(chord_error)[:-1] for s in self.segments])
        points.flags.writeable = False
        return points

    @cached_property
    def area(self) -> float:
        """Signed area, mm2, exact to the chord error: positive counter-clockwise."""
        return signed_area(self.flattened())

    @property
    def length(self) -> float:
        return math.fsum(s.length for s in self.segments)

    def reversed(self) -> Loop:
        return Loop(tuple(s.reversed() for s in reversed(self.segments)))

    def moved(self, turn: float, shift: npt.ArrayLike) -> Loop:
        return Loop(tuple(s.moved(turn, shift) for s in self.segments))

    def turns(self) -> npt.NDArray[np.float64]:
        """Turn of the tangent at the start of each segment, radians in -pi..pi; positive turns left."""
        return self._turns

    @cached_property
    def _turns(self) -> npt.NDArray[np.float64]:
        before = np.array([s.tangent(1.0)[0] for s in self.segments[-1:] + self.segments[:-1]])
        after = np.array([s.tangent(0.0)[0] for s in self.segments])
        cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turn: npt.NDArray[np.float64] = np.arctan2(cross, (before * after).sum(axis=1))
        turn.flags.writeable = False
        return turn

    def corners(self) -> list[Point]:
        """The points where the loop truly turns (by more than CORNER_RAD)."""
        if len(self.segments) == 1 and isinstance(self.segments[0], Arc):
            return []
        return [s.start for s, turn in zip(self.segments, self.turns(), strict=True) if abs(turn) > CORNER_RAD]


@dataclass(frozen=True)
class Outline:
    """One outer loop, counter-clockwise, and its holes, clockwise; build it with :meth:`of`, which turns them so.

    Raises
    ------
    ValueError if a loop runs the wrong way or crosses itself
    """

    outer: Loop
    holes: tuple[Loop, ...] = ()

    def __post_init__(self) -> None:
        if self.outer.area <= 0 or any(h.area >= 0 for h in self.holes):
            raise ValueError("the outer loop must run counter-clockwise and holes clockwise")
        for loop in self.loops:
            if not LinearRing(loop.flattened()).is_simple:
                x, y = loop.segments[0].start
                raise ValueError(f"the loop that begins at ({x:.2f}, {y:.2f}) crosses itself")

    @classmethod
    def of(cls, outer: Loop, holes: Iterable[Loop] = ()) -> Outline:
        """An outline from loops that may run either way."""
        return cls(
            outer if outer.area > 0 else outer.reversed(), tuple(h if h.area < 0 else h.reversed() for h in holes)
        )

    @property
    def loops(self) -> tuple[Loop, ...]:
        return (self.outer, *self.holes)

    @property
    def segments(self) -> tuple[Segment, ...]:
        return tuple(s for loop in self.loops for s in loop.segments)

    def corners(self) -> list[Point]:
        return [c for loop in self.loops for c in loop.corners()]

    def polygon(self, chord_error: float = CHORD_ERROR_MM) -> Polygon:
        """The outline as a polygon whose edges stay within ``chord_error`` (mm) of it."""
        return Polygon(self.outer.flattened(chord_error), [h.flattened(chord_error) for h in self.holes])

    def bounds(self) -> tuple[float, float, float, float]:
        """x_min, y_min, x_max, y_max, mm."""
        p = self.outer.flattened()
        (x0, y0), (x1, y1) = p.min(axis=0), p.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    def moved(self, turn: float, shift: npt.ArrayLike) -> Outline:
        return Outline(self.outer.moved(turn, shift), tuple(h.moved(turn, shift) for h in self.holes))

    def longest_edge_angle(self) -> float:
        """Direction of the longest straight edge of the outer loop, radians; 0 where it has none."""
        lines = [s for s in self.outer.segments if isinstance(s, Line)]
        if not lines:
            return 0.0
        longest = max(lines, key=lambda s: s.length)
        return math.atan2(longest.end[1] - longest.start[1], longest.end[0] - longest.start[0])


@dataclass(frozen=True)
class TipEnd:
    """A thin tip that does not end as it is drawn.

    loop, segment : numbers in the outline; the tip is drawn where that segment starts
    corner : mm, where its flanks meet
    heading : unit vector along the tip, outward
    cut : mm from the corner back to where the tip ends; 0 where it ends in its corner
    bend : mm of flank over which a curve that does not run to the corner bends to it
    """

    loop: int
    segment: int
    corner: Point
    heading: Point
    cut: float
    bend: float
