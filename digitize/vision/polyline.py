"""Closed polylines (N, 2), the last point joined to the first: even steps, running means, normals, curvature."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import convolve1d, uniform_filter1d

Floats = npt.NDArray[np.float64]
LEAST_NODES = 24


def resampled(loop: Floats, spacing: float) -> Floats:
    """The same line cut into even steps of about ``spacing``."""
    ring = np.vstack([loop, loop[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    n = max(LEAST_NODES, int(s[-1] / spacing))
    u = (np.arange(n) + 0.5) * (s[-1] / n)
    return np.stack([np.interp(u, s, ring[:, 0]), np.interp(u, s, ring[:, 1])], axis=1)


def smoothed(values: Floats, nodes: int) -> Floats:
    """Running mean over ``nodes`` to either side."""
    mean: Floats = uniform_filter1d(values, 2 * nodes + 1, axis=0, mode="wrap")
    return mean


def faired(points: Floats, nodes: int) -> tuple[Floats, Floats]:
    """Evenly spaced points moved onto the parabolas through their neighbours, ``nodes`` to either side; and how far
    (N,) those neighbours lie off their own parabolas, root mean square."""
    t = np.arange(-nodes, nodes + 1) / nodes
    weights = np.linalg.pinv(np.stack([np.ones_like(t), t, t**2], axis=1))[0]
    curve = convolve1d(points, weights, axis=0, mode="wrap")  # the weights are symmetric
    square = smoothed(((points - curve) ** 2).sum(axis=1), nodes)
    return curve, np.sqrt(np.maximum(square, 0.0))


def tangents(points: Floats, reach: int = 1) -> Floats:
    """Unit tangents (N, 2), from the chord over ``reach`` points to either side."""
    chord = np.roll(points, -reach, axis=0) - np.roll(points, reach, axis=0)
    length = np.linalg.norm(chord, axis=1, keepdims=True)
    return np.asarray(chord / np.maximum(length, 1e-12))


def outward(points: Floats, reach: int = 1) -> Floats:
    """Unit normals (N, 2), away from the material, of a line with the material on its left."""
    t = tangents(points, reach)
    return np.stack([t[:, 1], -t[:, 0]], axis=1)


def curvature(points: Floats, reach: int) -> Floats:
    """Signed curvature (N,), positive where the line turns left, of the circle through each point and its neighbours
    ``reach`` points away; the points are evenly spaced."""
    ahead = np.roll(points, -reach, axis=0) - points
    back = points - np.roll(points, reach, axis=0)
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    turn = np.arctan2(cross, (back * ahead).sum(axis=1))
    length = 0.5 * (np.linalg.norm(ahead, axis=1) + np.linalg.norm(back, axis=1))
    return np.asarray(2.0 * np.sin(0.5 * turn) / np.maximum(length, 1e-12))
