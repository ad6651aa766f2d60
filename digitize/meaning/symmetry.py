"""Axes about which an outline is its own mirror image, to how much."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from digitize.model.outline import Outline
from digitize.model.segment import Point, Points, as_point

Floats = npt.NDArray[np.float64]

TRIED = 180  # directions of a first look, one degree apart
LOOKED_AT = 240  # points of a first look
PROMISING = 0.02  # of the outline's size: RMS off its mirror image in the first look
SAMPLED_MM = 1.0  # between the points that are measured
LEAST_SAMPLES = 9  # on each piece
SPACED_MM = 0.1  # between the points they are held against while the axis is sought
MOST_AXES = 6


@dataclass(frozen=True)
class Axis:
    """A possible axis: a point (mm), the direction (-pi/4..3pi/4), how far off the mirrored outline is (mm)."""

    at: Point
    angle: float
    largest: float
    rms: float


def axes_of(outline: Outline) -> list[Axis]:
    """Possible axes of symmetry, best first; each runs near the middle of the outline's area."""
    polygon = outline.polygon()
    middle = np.array(polygon.centroid.coords[0])
    size = math.sqrt(polygon.area)
    ring = polygon.boundary
    near = _spread(ring, ring.length / LOOKED_AT) - middle
    tree = cKDTree(_spread(ring, ring.length / (8 * LOOKED_AT)) - middle)
    angles = np.arange(TRIED) * math.pi / TRIED
    off = np.array([float(np.sqrt((tree.query(_mirrored(near, a, 0.0))[0] ** 2).mean())) for a in angles])
    dips = (off <= np.roll(off, 1)) & (off < np.roll(off, -1)) & (off < PROMISING * size)
    best = sorted(np.flatnonzero(dips), key=lambda k: off[k])[:MOST_AXES]
    return sorted((_refined(outline, ring, middle, float(angles[k])) for k in best), key=lambda a: a.rms)


def _spread(ring: shapely.Geometry, step: float) -> Points:
    """Points (N, 2) along all rings, about ``step`` apart."""
    lines = ring.geoms if hasattr(ring, "geoms") else [ring]
    return np.vstack(
        [shapely.get_coordinates(shapely.line_interpolate_point(r, np.arange(0, r.length, step))) for r in lines]
    )


def _mirrored(points: Points, angle: float, offset: float) -> Points:
    """Mirrored at the line that lies ``offset`` to the left of the origin and runs along ``angle``."""
    left = np.array([-math.sin(angle), math.cos(angle)])
    image: Points = points - 2 * (points @ left - offset)[:, None] * left
    return image


def _refined(outline: Outline, ring: shapely.Geometry, middle: Floats, angle: float) -> Axis:
    """The axis of least squares near a first angle; distances are measured clear of the joints."""
    inside = [
        (np.arange(n) + 0.5) / n for n in (max(LEAST_SAMPLES, int(s.length / SAMPLED_MM)) for s in outline.segments)
    ]
    points = np.vstack([s.point(t) for s, t in zip(outline.segments, inside, strict=True)]) - middle
    curve = np.vstack([s.point(_even(s.length)) for s in outline.segments]) - middle
    heading = np.vstack([s.tangent(_even(s.length)) for s in outline.segments])
    tree = cKDTree(curve)

    def off(axis: Floats) -> Floats:
        image = _mirrored(points, axis[0], axis[1])
        foot = tree.query(image)[1]
        away = image - curve[foot]
        across: Floats = away[:, 1] * heading[foot, 0] - away[:, 0] * heading[foot, 1]
        return across

    angle, offset = least_squares(off, [angle, 0.0], x_scale=[0.01, 1.0], loss="huber", f_scale=0.1).x
    image = _mirrored(points, angle, offset) + middle
    apart = shapely.distance(shapely.points(image), ring)
    at = middle + offset * np.array([-math.sin(angle), math.cos(angle)])
    return Axis(as_point(at), _direction(float(angle)), float(apart.max()), float(np.sqrt((apart**2).mean())))


def _direction(angle: float) -> float:
    """The same axis, level ones near 0 and plumb ones near a right angle."""
    return math.remainder(angle - math.pi / 4, math.pi) + math.pi / 4


def _even(length: float) -> Floats:
    n = max(2 * LEAST_SAMPLES, math.ceil(length / SPACED_MM))
    return np.linspace(0.0, 1.0, n)
