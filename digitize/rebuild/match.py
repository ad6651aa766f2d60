"""Where two pieces might belong together: stretches of edge that are each other's complement.

A stretch is described by equally spaced points in the frame of its own middle and chord, so that the difference of two
descriptions is directly how far apart, RMS in mm, the stretches lie when one is laid on the other. One piece's edge is
read backwards, since the material lies on the other side of it. Stretches are taken over several lengths all along the
edge, which finds jagged fractures even where splinters are lost, and from corner to corner, which finds plain ones.
Source: curve matching for fragments by local shape signatures, Kampel and Sablatnig, 2004 (idea only, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from digitize.model.outline import Outline
from digitize.model.segment import Points, as_point, moved_points
from digitize.rebuild.path import Path

Floats = npt.NDArray[np.float64]

MOST_SAMPLES = 1500
STEP_MM = (0.25, 1.0)  # between samples: fine on small pieces
DENSE_MM = 0.1  # between samples that distances are measured to
WINDOWS_MM = (10.0, 20.0, 40.0)
SIGNATURE = 16  # points that describe a stretch
FEATURE_REACH_MM = 2.5  # over which a corner of the edge is judged
FEATURE_RAD = 0.30  # least turn of a corner
SHORTEST_MM = 8.0  # fracture that can be found
MOST_TRIED = 400  # placements of either kind that are looked at
MISFIT_MM = 1.5  # of stretches from corner to corner: splinters may be lost
NEAR_MM = 1.0  # edges so close touch, as far as a first placement can tell
FACING = -0.8  # cosine between two edges that touch
OUTSIDE_MM = (2.0, 8.0)  # from a corner, over which the edge beyond it is read
GOES_ON_RAD = 0.17  # turn by which edges may differ that go on as each other, round ones too
GOES_ON_MM = 80.0  # of contact that an end weighs where they do
DEEP_MM = 2.0  # overlap that no first placement explains
DEEP_WEIGHT = 60.0  # of the share of a piece's edge that lies so deep in the other
END_WEIGHT = 3.0  # of an edge that goes on across a fracture, against radians of roughness
LENGTH_WEIGHT = 1 / 50.0  # of a mm of contact
ROUGHEST = 12.0  # radians: more proves no more
SAME_RAD, SAME_MM = 0.035, 2.0  # placements more alike are one


@dataclass(frozen=True)
class Piece:
    """A piece's outer edge as samples at even distances, material on the left.

    points, tangents : (N, 2), mm; step : mm, from one sample to the next
    """

    outline: Outline
    path: Path
    points: Points
    tangents: Points
    step: float

    @classmethod
    def of(cls, outline: Outline) -> Piece:
        path = Path(outline.outer)
        ring = outline.outer.flattened()
        closed = np.vstack([ring, ring[:1]])
        s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
        n = int(path.length / np.clip(path.length / MOST_SAMPLES, *STEP_MM))
        even = np.arange(n) * s[-1] / n
        points = np.column_stack([np.interp(even, s, closed[:, k]) for k in (0, 1)])
        ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
        tangents = ahead / np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-9)
        return cls(outline, path, points, tangents, path.length / n)

    @cached_property
    def dense(self) -> tuple[Points, Points, Floats, cKDTree]:
        """The edge so densely sampled that corners stay: points, tangents, distances s along it, and their tree."""
        n = int(self.path.length / DENSE_MM)
        s = np.arange(n) * self.path.length / n
        points = self.path.points(s)
        return points, self.path.tangents(s), s, cKDTree(points)

    @cached_property
    def polygon(self) -> Polygon:
        """The material within the outer edge, prepared to be asked what lies in it."""
        polygon = Polygon(self.outline.outer.flattened())
        shapely.prepare(polygon)
        return polygon

    @property
    def s(self) -> Floats:
        """Distance along the edge of each sample, mm."""
        return np.asarray(np.arange(len(self.points)) * self.step, dtype=np.float64)

    @cached_property
    def features(self) -> npt.NDArray[np.intp]:
        """Samples at which the edge turns sharply."""
        reach = max(1, round(FEATURE_REACH_MM / self.step))
        before = self.points - np.roll(self.points, reach, axis=0)
        after = np.roll(self.points, -reach, axis=0) - self.points
        turn = np.abs(np.arctan2(_cross(before, after), (before * after).sum(axis=1)))
        highest = np.max([np.roll(turn, k) for k in range(-reach, reach + 1)], axis=0)
        return np.flatnonzero((turn > FEATURE_RAD) & (turn >= highest))


@dataclass(frozen=True)
class Placement:
    """A turn about the origin (radians), then a shift (mm), that brings one piece to another; a first guess."""

    turn: float
    shift: tuple[float, float]
    score: float = 0.0

    def moved(self, points: Points) -> Points:
        return moved_points(points, self.turn, self.shift)

    def turned(self, directions: Points) -> Points:
        return moved_points(directions, self.turn)

    def back(self, points: Points) -> Points:
        """Points given where the piece is laid, as they lie on the piece itself."""
        return moved_points(points - np.asarray(self.shift), -self.turn)

    def then(self, turn: float, shift: Points, about: Points) -> Placement:
        """This placement, followed by a turn about a point and a shift."""
        moved = moved_points(np.asarray(self.shift) - about, turn) + about + shift
        return Placement(self.turn + turn, as_point(moved), self.score)

    def within(self, outer: Placement) -> Placement:
        """This placement, seen where the piece that it leads to is itself placed by ``outer``."""
        return Placement(self.turn + outer.turn, as_point(outer.moved(np.asarray(self.shift))), self.score)


def placements(a: Piece, b: Piece, most: int) -> list[Placement]:
    """The likeliest ways to lay b against a, best first, each truly another; b's coordinates into a's."""
    windows, (corners, fair) = _from_windows(a, b), _from_corners(a, b)
    tried = np.vstack([windows, corners])
    if not len(tried):
        return []
    scores = _scores(a, b, tried, np.concatenate([np.zeros(len(windows)), fair]))
    found: list[Placement] = []
    middle = b.points.mean(axis=0)
    for k in np.argsort(-scores):
        if len(found) == most or scores[k] <= 0:
            break
        new = Placement(float(tried[k, 0]), (float(tried[k, 1]), float(tried[k, 2])), float(scores[k]))
        if not any(_alike(new, old, middle) for old in found):
            found.append(new)
    return found


def _alike(a: Placement, b: Placement, middle: Points) -> bool:
    turn = np.abs(np.remainder(a.turn - b.turn + np.pi, 2 * np.pi) - np.pi)
    apart = np.linalg.norm(a.moved(middle) - b.moved(middle))
    return bool(turn < SAME_RAD and apart < SAME_MM + 60 * SAME_RAD)


def _cross(a: Points, b: Points) -> Floats:
    crossed: Floats = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return crossed


def _stretches(piece: Piece, first: Floats, length: Floats, backwards: bool) -> Points:
    """Points (M, SIGNATURE, 2) at even distances along stretches that begin at samples ``first``, ``length`` on."""
    n, share = len(piece.points), np.linspace(0.0, 1.0, SIGNATURE)
    at = first[:, None] + length[:, None] * (1 - share if backwards else share)
    low = np.floor(at).astype(int)
    part = (at - low)[..., None]
    points: Points = piece.points[low % n] * (1 - part) + piece.points[(low + 1) % n] * part
    return points


def _described(stretches: Points) -> Points:
    """The same in the frame of their middle and chord."""
    chord = stretches[:, -1] - stretches[:, 0]
    along = chord / np.maximum(np.linalg.norm(chord, axis=1, keepdims=True), 1e-9)
    rel = stretches - stretches.mean(axis=1, keepdims=True)
    x = (rel * along[:, None]).sum(axis=2)
    return np.stack([x, _cross(along[:, None], rel)], axis=2)


def _differences(a: Points, b: Points) -> Floats:
    """RMS distances (M, K), mm, between all descriptions of a and of b."""
    p, q = a.reshape(len(a), -1), b.reshape(len(b), -1)
    square = (p**2).sum(axis=1)[:, None] + (q**2).sum(axis=1)[None] - 2 * p @ q.T
    apart: Floats = np.sqrt(np.maximum(square, 0.0) / SIGNATURE)
    return apart


def _aligned(onto: Points, moved: Points) -> Floats:
    """Turn and shift (M, 3) of least squares that lay stretches (M, S, 2) on others."""
    p, q = onto.mean(axis=1), moved.mean(axis=1)
    u, v = moved - q[:, None], onto - p[:, None]
    turn = np.arctan2(_cross(u, v).sum(axis=1), (u * v).sum(axis=(1, 2)))
    c, s = np.cos(turn), np.sin(turn)
    turned = np.column_stack([c * q[:, 0] - s * q[:, 1], s * q[:, 0] + c * q[:, 1]])
    return np.column_stack([turn, p - turned])


def _from_windows(a: Piece, b: Piece) -> Floats:
    """Placements (M, 3) by stretches whose shape is like no other's."""
    found = [np.empty((0, 3))]
    for window in WINDOWS_MM:
        if window > 0.4 * min(a.path.length, b.path.length):
            continue
        sides = []
        for piece, backwards in ((a, False), (b, True)):
            first = np.arange(0, len(piece.points), max(1, round(window / 20 / piece.step)), dtype=float)
            sides.append(_stretches(piece, first, np.full(len(first), window / piece.step), backwards))
        one, other = (_described(s) for s in sides)
        relief = one[..., 1].std(axis=1)
        ratio = _differences(one, other) / np.maximum(relief, 0.02 * window)[:, None]
        k = np.argsort(ratio, axis=None)[:MOST_TRIED]
        i, j = np.unravel_index(k, ratio.shape)
        found.append(_aligned(sides[0][i], sides[1][j]))
    return np.vstack(found)


def _from_corners(a: Piece, b: Piece) -> tuple[Floats, Floats]:
    """Placements (M, 3) by stretches from one corner to another, and at how many ends the edges then go on (M,)."""
    sides, headings = [], []
    for piece, backwards in ((a, False), (b, True)):
        corners = piece.features
        n = len(piece.points)
        first, last = (x.ravel() for x in np.meshgrid(corners, corners, indexing="ij"))
        length = (last - first) % n
        keep = (length * piece.step >= SHORTEST_MM) & (length < 0.7 * n)
        sides.append(_stretches(piece, first[keep].astype(float), length[keep].astype(float), backwards))
        chord = sides[-1][:, -1] - sides[-1][:, 0]
        headings.append([h - np.arctan2(chord[:, 1], chord[:, 0]) for h in _outside(piece, first[keep], last[keep])])
    if not len(sides[0]) or not len(sides[1]):
        return np.empty((0, 3)), np.empty(0)
    misfit = _differences(*(_described(s) for s in sides))
    (a_in, a_out), (b_in, b_out) = headings
    fair = _parallel(a_in[:, None], b_out[None]) + _parallel(b_in[None], a_out[:, None])
    chord = np.linalg.norm(sides[0][:, -1] - sides[0][:, 0], axis=1)
    merit = np.where(misfit < MISFIT_MM, (chord[:, None] + GOES_ON_MM * fair) / (misfit + 0.3), 0.0)
    k = np.argsort(-merit, axis=None)[: 2 * MOST_TRIED]
    i, j = np.unravel_index(k[merit.ravel()[k] > 0], merit.shape)
    return _aligned(sides[0][i], sides[1][j]), fair[i, j]


def _outside(piece: Piece, first: npt.NDArray[np.intp], last: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Headings (M,), radians, of the edge that comes to samples ``first``, and of the edge that leaves ``last``."""
    n, near, far = len(piece.points), *(round(d / piece.step) for d in OUTSIDE_MM)
    come = piece.points[(first - near) % n] - piece.points[(first - far) % n]
    leave = piece.points[(last + far) % n] - piece.points[(last + near) % n]
    return np.arctan2(come[:, 1], come[:, 0]), np.arctan2(leave[:, 1], leave[:, 0])


def _parallel(a: Floats, b: Floats) -> Floats:
    """1.0 where two headings are about the same."""
    return np.where(np.abs(np.remainder(a - b + np.pi, 2 * np.pi) - np.pi) < GOES_ON_RAD, 1.0, 0.0)


def _scores(a: Piece, b: Piece, tried: Floats, fair: Floats) -> Floats:
    """For each placement (M, 3) how much speaks for it, less what overlaps deeply; fair : ends (M,) that go on."""
    every = max(1, len(b.points) // 400)
    points, tangents = b.points[::every], b.tangents[::every]
    c, s = np.cos(tried[:, :1]), np.sin(tried[:, :1])
    x = c * points[:, 0] - s * points[:, 1] + tried[:, 1:2]
    y = s * points[:, 0] + c * points[:, 1] + tried[:, 2:3]
    placed = np.stack([x, y], axis=2)
    heading = np.stack([c * tangents[:, 0] - s * tangents[:, 1], s * tangents[:, 0] + c * tangents[:, 1]], axis=2)
    away, nearest = cKDTree(a.points).query(placed.reshape(-1, 2), distance_upper_bound=NEAR_MM + a.step)
    near = np.isfinite(away)
    facing = np.zeros(len(away), dtype=bool)
    facing[near] = (heading.reshape(-1, 2)[near] * a.tangents[nearest[near]]).sum(axis=1) < FACING
    touching = facing.reshape(x.shape)
    turn = np.minimum(np.abs(_cross(tangents, np.roll(tangents, -1, axis=0))), 1.0)
    mask = np.where(touching, 1.0, 0.0)
    contact = evidence(mask @ turn, fair, mask.sum(axis=1) * every * b.step)
    hull = Polygon(a.points).buffer(-DEEP_MM)
    shapely.prepare(hull)
    few = placed[:, ::4]
    deep = shapely.contains_xy(hull, few.reshape(-1, 2)).reshape(few.shape[:2]).mean(axis=1)
    scores: Floats = contact - DEEP_WEIGHT * deep
    return scores


def evidence(roughness: Floats, fair: Floats, contact_mm: Floats) -> Floats:
    """How much speaks for a joint, in radians of roughness.

    roughness : turns to and fro along what touches, radians; fair : ends across which edges go on; contact_mm : length
    """
    weighed: Floats = np.minimum(roughness, ROUGHEST) + END_WEIGHT * fair + LENGTH_WEIGHT * contact_mm
    return weighed
