"""Where an outline comes near itself, at thin tips, webs and slots: how far it is to the edge opposite, and where two
flanks meet that were lost on their way to a tip or a corner.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from digitize.model.segment import Points

Floats = npt.NDArray[np.float64]

FLANK = 12  # points that tell how an edge runs into a gap
STRAY = 3.0  # typical distances from the line through them that make one of these a stray
STRAIGHT = 0.15  # of a gap's least width: points that lie typically farther from their line go round a corner
LEAST_TURN = np.radians(30.0)  # a gap across which an edge turns by less is bridged straight
FARTHEST = 1.0  # times the length of what tells it: farther ahead the way of an edge is a guess


class Room(NamedTuple):
    """Width (N,) from points of an outline to the edge opposite, through the material and beside it, in the unit of the
    points; inf where no edge is that near."""

    inside: Floats
    outside: Floats


def room(points: Points, normals: Points, reach: float) -> Room:
    """Diameters of the largest circles that touch points (N, 2) of an outline, with outward normals (N, 2), from inside
    and from outside, and hold no point of the edge opposite: their centres are the outline's medial axis. Widths above
    ``reach`` are not looked for.

    Opposite are points whose normals differ by more than a right angle, so that the noise of neighbours does not count.
    """
    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray")
    pairs = pairs[np.einsum("ni,ni->n", normals[pairs[:, 0]], normals[pairs[:, 1]]) < 0.0]
    one, other = np.concatenate([pairs, pairs[:, ::-1]]).T
    chord = points[other] - points[one]
    ahead = np.einsum("ni,ni->n", chord, normals[one])
    width = np.einsum("ni,ni->n", chord, chord) / np.maximum(np.abs(ahead), 1e-9)
    inside, outside = np.full((2, len(points)), np.inf)
    np.minimum.at(inside, one[ahead < 0.0], width[ahead < 0.0])
    np.minimum.at(outside, one[ahead > 0.0], width[ahead > 0.0])
    return Room(inside, outside)


def pointed(points: Points, gap: float) -> Points:
    """A closed line (N, 2) whose gaps, wider than ``gap``, are led to the corner that their two sides run toward.

    Points beside a gap that stray from the line through their side are left out. Gaps whose sides do not meet, or
    hardly turn, stay as they are.
    """
    n = len(points)
    wide = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    keep = np.ones(n, dtype=bool)
    after_point: list[int] = []
    corners: list[Floats] = []
    for k in np.flatnonzero(wide > gap):
        before, after = np.arange(k - FLANK + 1, k + 1) % n, np.arange(k + FLANK, k, -1) % n
        one, other = _flank(points[before]), _flank(points[after])
        corner = _meeting(one, other)
        if corner is not None and max(one.typical, other.typical) < STRAIGHT * gap:
            after_point.append(int(k) + 1)
            corners.append(corner)
            keep[before[one.stray]] = keep[after[other.stray]] = False
    if not corners:
        return points
    line = np.insert(points, after_point, corners, axis=0)
    return np.asarray(line[np.insert(keep, after_point, True)])


class _Flank(NamedTuple):
    """The line through the points beside a gap: its end there, its direction into it, its length; how far off points
    typically lie, and which stray from it."""

    end: Floats
    heading: Floats
    length: float
    typical: float
    stray: npt.NDArray[np.bool_]


def _flank(points: Points) -> _Flank:
    trust = np.ones(len(points))
    for _ in range(6):
        middle = np.average(points, axis=0, weights=trust)
        heading = np.linalg.svd((points - middle) * np.sqrt(trust)[:, None])[2][0]
        off = np.abs((points - middle) @ np.array([-heading[1], heading[0]]))
        typical = 1.4826 * float(np.median(off)) + 1e-9
        trust = 1.0 / (1.0 + (off / typical) ** 2)
    heading = heading * np.sign((points[-1] - points[0]) @ heading)
    end = middle + heading * ((points[-1] - middle) @ heading)
    return _Flank(end, heading, float((points[-1] - points[0]) @ heading), typical, off > STRAY * typical)


def _meeting(one: _Flank, other: _Flank) -> Floats | None:
    """Where two flanks meet ahead of both; None where they do not, or too far ahead, or hardly turn."""
    cross = one.heading[0] * other.heading[1] - one.heading[1] * other.heading[0]
    if one.heading @ other.heading < -np.cos(LEAST_TURN) or abs(cross) < 1e-6:
        return None
    ahead = np.linalg.solve(np.stack([one.heading, -other.heading], axis=1), other.end - one.end)
    near = (ahead > 0.0).all() and (ahead < FARTHEST * np.array([one.length, other.length])).all()
    return one.end + ahead[0] * one.heading if near else None
