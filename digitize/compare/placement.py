"""A rigid placement, a part turned over, and how far a part placed so lies from its master."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from digitize.compare.nearest import Curves, Floats
from digitize.compare.stations import Stations
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Point, Points, Segment, Spline, as_point, moved_points


@dataclass(frozen=True)
class Placement:
    """From the part's frame to the master's: turned about the origin (radians), then shifted (mm)."""

    turn: float
    shift: Point

    def of(self, points: Points) -> Points:
        """The part's points (N, 2) as they lie on the master."""
        return moved_points(points, self.turn, self.shift)

    def back(self, points: Points) -> Points:
        """The master's points (N, 2) in the part's frame."""
        return moved_points(points - np.asarray(self.shift), -self.turn)

    def moved(self, step: Floats, centre: Points) -> Placement:
        """Further moved by ``step`` (x and y mm, turn in radians about ``centre``)."""
        turned = moved_points([np.asarray(self.shift) - centre], float(step[2]))[0] + centre + step[:2]
        return Placement(math.remainder(self.turn + float(step[2]), 2 * math.pi), as_point(turned))


@dataclass(frozen=True)
class Seen:
    """A placed part as N stations of the master see it.

    deviation : (N,) mm from the master to the nearest place of the part; positive where material was left on
    way : (N, 2) unit vectors along which the part would have to move to add to the deviation
    along : (N,) mm along the part's loop
    """

    deviation: Floats
    way: Points
    along: Floats

    def slopes(self, points: Points, centre: Points) -> Floats:
        """(N, 3) derivatives of the deviation by the steps of Placement.moved."""
        arm = points - centre
        return np.column_stack([self.way, arm[:, 0] * self.way[:, 1] - arm[:, 1] * self.way[:, 0]])


def seen(stations: Stations, pairs: Sequence[Curves | None], placement: Placement) -> Seen:
    """What the stations see of a part; those of a master loop whose pair is None see nothing (nan).

    pairs : for each master loop the part's, in the part's frame
    """
    points = placement.back(stations.points)
    deviation, along = np.full(len(points), np.nan), np.full(len(points), np.nan)
    way = np.zeros((len(points), 2))
    for loop, curves in enumerate(pairs):
        here = np.flatnonzero(stations.loop == loop)
        if curves is not None and len(here):
            feet = curves.nearest(points[here])
            deviation[here], way[here], along[here] = -feet.distance, feet.outward, feet.along
    return Seen(deviation, moved_points(way, placement.turn), along)


def seen_by_any(stations: Stations, loops: Sequence[Curves], placement: Placement) -> Seen:
    """The same where it is not known yet which loop belongs to which: each station sees the nearest."""
    feet = [c.nearest(placement.back(stations.points)) for c in loops]
    best = np.argmin([np.abs(f.distance) for f in feet], axis=0)
    row = np.arange(len(best))
    deviation = -np.array([f.distance for f in feet])[best, row]
    way = np.array([f.outward for f in feet])[best, row]
    return Seen(deviation, moved_points(way, placement.turn), np.array([f.along for f in feet])[best, row])


def turned_over(outline: Outline) -> Outline:
    """The outline as seen from its back: mirrored about the y axis."""
    loops = [Loop(tuple(_mirrored(s) for s in loop.segments)) for loop in outline.loops]
    return Outline.of(loops[0], loops[1:])


def _mirrored(segment: Segment) -> Segment:
    if isinstance(segment, Line):
        return Line(_across(segment.start), _across(segment.end))
    if isinstance(segment, Arc):
        return Arc(_across(segment.centre), segment.radius, math.pi - segment.from_angle, -segment.sweep)
    return Spline(tuple(_across(p) for p in segment.control), segment.knots)


def _across(point: Point) -> Point:
    return -point[0], point[1]
