"""The largest empty disc at every point of the edge: a round tool reaches where that is no smaller than itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from digitize.model.segment import Points
from digitize.shop.samples import Floats, Ints, Samples

TOUCH = 1e-7  # rounding: discs overlap an edge by less than this share of their radius
SAME_MM = 1e-5  # rounding: points nearer than this are the same corner
NEIGHBOURS = 3  # samples that may lie nearest to a disc's centre: its edge is sought between them and their neighbours
SPARE = 1.05  # discs begin larger than asked for, so that those of the largest size meet samples, too
ALMOST = 1 - 1e-9  # the end of an interval, still within it
ROUNDS = 40
LEAF = 40  # points in a leaf of the tree: many lie about equally far from a large disc's centre


@dataclass(frozen=True)
class Clearance:
    """The largest empty disc that touches each sample from outside, as far as ``largest`` (mm).

    radius : (N,) float, mm; no less than ``largest`` where nothing is in its way
    touched : (N,) float, the place where it touches the edge once more; -1 where nothing is in its way
    """

    samples: Samples
    tree: cKDTree
    largest: float
    radius: Floats
    touched: Floats


def clearance(samples: Samples, largest: float) -> Clearance:
    """Discs that shrink until they are empty, all at once.

    Source: Ma, Bae and Choi, The Visual Computer 28, 2012 (the shrinking ball; from memory).
    """
    tree = cKDTree(samples.points, leafsize=LEAF)
    count = len(samples.points)
    radius, touched = np.full(count, SPARE * largest), np.full(count, -1.0)
    inside = (samples.piece < 0) & (samples.turn < 0)
    radius[inside], radius[samples.following[inside]] = 0.0, 0.0
    active = np.flatnonzero(radius > 0)
    for exact in (False, True):  # first among the samples themselves, then between them too
        for _ in range(ROUNDS):
            p, n, r = samples.points[active], samples.normals[active], radius[active]
            centre = p + n * r[:, None]
            place, q = nearest(samples, tree, centre, active) if exact else _nearest_sample(samples, tree, centre)
            away = q - p
            square, out = (away**2).sum(axis=1), (away * n).sum(axis=1)
            blocked = (square < 2 * out * r * (1 - TOUCH)) & (square > SAME_MM**2)  # the place lies within the disc
            active, place = active[blocked], place[blocked]
            radius[active] = square[blocked] / (2 * out[blocked])
            touched[active] = place
            if not len(active):
                break
        active = np.flatnonzero(touched >= 0)
    return Clearance(samples, tree, largest, _at_corners(samples, radius, touched), touched)


def _nearest_sample(samples: Samples, tree: cKDTree, centres: Points) -> tuple[Floats, Points]:
    _, found = tree.query(centres)
    return found.astype(float), samples.points[found]


def nearest(samples: Samples, tree: cKDTree, centres: Points, own: Ints | None = None) -> tuple[Floats, Points]:
    """Place and point (M,), (M, 2) of the edge nearest to each centre (M, 2); not beside its ``own`` sample."""
    _, found = tree.query(centres, NEIGHBOURS)
    best, place = np.full(len(centres), np.inf), np.zeros(len(centres))
    for j in found.T:
        for i in (j, samples.previous[j]):
            a, chord = samples.points[i], samples.points[samples.following[i]] - samples.points[i]
            x = ((centres - a) * chord).sum(axis=1) / np.maximum((chord**2).sum(axis=1), 1e-30)
            x = np.clip(x, 0.0, ALMOST)
            if own is not None:  # a sample's own curve touches its disc: only neighbouring samples tell its radius
                x = np.where((i == own) | (i == samples.previous[own]), np.where(i == j, 0.0, ALMOST), x)
            distance = ((centres - a - x[:, None] * chord) ** 2).sum(axis=1)
            closer = distance < best
            best, place = np.where(closer, distance, best), np.where(closer, i + x, place)
    return place, samples.at(place)[0]


def _at_corners(samples: Samples, radius: Floats, touched: Floats) -> Floats:
    """Discs at an outside corner in the direction, half a step to either side, that leaves them the least room."""
    still = samples.piece < 0
    turning = np.flatnonzero(still & still[samples.previous] & (samples.turn > 0) & (touched >= 0))
    p, n = samples.points[turning], samples.normals[turning]
    away = samples.at(touched[turning])[0] - p
    length = np.linalg.norm(away, axis=1)
    angle = np.arccos(np.clip((away * n).sum(axis=1) / length, -1, 1))
    least = length / (2 * np.cos(np.maximum(0.0, angle - samples.turn[turning] / 2)))
    result = radius.copy()
    result[turning] = np.minimum(radius[turning], least)
    return result
