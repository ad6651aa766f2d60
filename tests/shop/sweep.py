"""A cutter swept round a part in small steps over a picture of the waste: plain, and independent of what it checks."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import STRtree

STEP_MM = 0.02  # from one place of the cutter to the next, and the side of a pixel
COARSE = 16  # pixels along the side of a block that is looked at first
GOUGE_MM = 1e-6  # rounding


def left_by_sweep(polygon, radius, step=STEP_MM):
    """Area (mm2) of the waste that no place of the disc covers, and its pixels' centres (N, 2).

    polygon : shapely, straight edges only; the waste is everything else within its bounds
    """
    places = cutter_places(polygon, radius, step)
    x0, y0, x1, y1 = polygon.bounds
    block = COARSE * step
    x, y = np.meshgrid(np.arange(x0, x1, block), np.arange(y0, y1, block))
    corners = np.stack([x.ravel(), y.ravel()], axis=1)
    tree = cKDTree(places) if len(places) else None
    shapely.prepare(polygon)
    middle = corners + block / 2
    doubtful = ~covered(tree, middle, radius - 0.75 * block)
    near = shapely.dwithin(polygon, shapely.points(middle[doubtful]), radius + block)
    corners = corners[doubtful][near]  # farther away the disc fits by its centre
    corners = corners[~shapely.contains(polygon, shapely.box(*corners.T, *(corners + block).T))]
    inner = (np.arange(COARSE) + 0.5) * step
    dx, dy = np.meshgrid(inner, inner)
    pixels = (corners[:, None] + np.stack([dx.ravel(), dy.ravel()], axis=1)).reshape(-1, 2)
    waste = pixels[~shapely.contains_xy(polygon, pixels)]
    waste = waste[(waste[:, 0] < x1) & (waste[:, 1] < y1)]
    left = waste[~covered(tree, waste, radius)]
    left = left[shapely.dwithin(polygon, shapely.points(left), radius)]
    return len(left) * step**2, left


def covered(tree, points, radius):
    if tree is None:
        return np.zeros(len(points), dtype=bool)
    return tree.query(points, distance_upper_bound=radius)[0] < radius


def cutter_places(polygon, radius, step):
    """Centres (N, 2) of discs that touch the edge from outside and cut nothing of the part."""
    tries = []
    rings = [shapely.geometry.polygon.orient(polygon).exterior, *shapely.geometry.polygon.orient(polygon).interiors]
    for ring in rings:
        p = np.asarray(ring.coords)
        along = np.diff(p, axis=0)
        length = np.hypot(*along.T)
        normal = np.stack([along[:, 1], -along[:, 0]], axis=1) / length[:, None]
        for a, d, n, size in zip(p, along, normal, length, strict=False):
            tries.append(a + np.linspace(0, 1, int(np.ceil(size / step)) + 1)[:, None] * d + radius * n)
        for a, n, m in zip(p, np.roll(normal, 1, axis=0), normal, strict=False):
            turn = np.arctan2(n[0] * m[1] - n[1] * m[0], n @ m)
            if turn > 0:
                angle = np.arctan2(n[1], n[0]) + np.linspace(0, turn, int(np.ceil(turn * radius / step)) + 1)
                tries.append(a + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    centres = np.concatenate(tries)
    edges = np.concatenate([np.stack([c[:-1], c[1:]], axis=1) for c in (np.asarray(r.coords) for r in rings)])
    tree = STRtree(shapely.linestrings(edges))
    points = shapely.points(centres)
    clear = np.ones(len(centres), dtype=bool)
    clear[tree.query(points, predicate="dwithin", distance=radius - GOUGE_MM)[0]] = False
    return centres[clear & ~shapely.contains_xy(polygon, centres)]
