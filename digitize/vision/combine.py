"""One contour from several photos of the same loop: at each place round it, what each photo saw, by its sigmas."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from digitize.model.outline import Contour
from digitize.model.segment import Points
from digitize.vision.polyline import outward, resampled, smoothed

Floats = npt.NDArray[np.float64]

REACH_MM = 1.0  # along the normal; beyond it a photo saw another edge
FAR_MM = 4.0  # the same where a part may have been moved
GAP_MM = 4.0  # points of a contour that lie farther apart are not joined
SMOOTH_NODES = 4  # of the line that the photos are compared along
SPREAD_NODES = 12  # to either side, over which the difference of two photos is no noise
ODD = 4.0  # standard deviations from the others that make a photo's place an outlier


class Apart(NamedTuple):
    """How one photo's loop lies against another's: moved by ``shift`` (2,) mm and ``turn`` (radians) about its middle;
    ``largest`` (mm) that this moves any point across its edge; ``rest`` (mm) the RMS of what that leaves.
    """

    shift: Floats
    turn: float
    largest: float
    rest: float


class Along(NamedTuple):
    """What a photo saw at nodes along a line: its edge's offset along the normal, mm, NaN where it saw none; sigma."""

    offset: Floats
    sigma: Floats


def nodes_along(contour: Contour, spacing: float, others: Sequence[Contour] = ()) -> tuple[Points, Points]:
    """Nodes (N, 2) every ``spacing`` mm along a contour, its gaps filled from others, and outward normals (N, 2)."""
    nodes = resampled(_filled(contour, others), spacing)
    return nodes, outward(smoothed(nodes, SMOOTH_NODES), 2)


def _filled(contour: Contour, others: Sequence[Contour]) -> Points:
    """A contour's points with, in each gap, those of the first of the others that ran through there."""
    points, pieces = contour.points, []
    wide = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1) > GAP_MM
    for k, point in enumerate(points):
        pieces.append(points[k : k + 1])
        if wide[k]:
            pieces += [between for o in others if len(between := _between(o, point, points[(k + 1) % len(points)]))][:1]
    return np.vstack(pieces)


def _between(contour: Contour, start: Floats, end: Floats) -> Points:
    """A contour's points from near ``start`` on to near ``end``; none where it does not pass both, or by a long way."""
    a, b = (((contour.points - p) ** 2).sum(axis=1) for p in (start, end))
    first, last = int(a.argmin()), int(b.argmin())
    count = (last - first) % len(contour.points) + 1
    if max(a[first], b[last]) > REACH_MM**2 or count > len(contour.points) // 2:
        return np.zeros((0, 2))
    return np.asarray(contour.points[(first + np.arange(count)) % len(contour.points)])


def along(contour: Contour, nodes: Points, normals: Points, reach: float = REACH_MM) -> Along:
    """Where a contour crosses the nodes' normals, each within ``reach`` mm."""
    ends = np.roll(contour.points, -1, axis=0)
    step = ends - contour.points
    length = np.linalg.norm(step, axis=1)
    offset, sigma = np.full(len(nodes), np.nan), np.full(len(nodes), np.nan)
    for k, (node, normal) in enumerate(zip(nodes, normals, strict=True)):
        near = np.flatnonzero((np.abs(contour.points - node) < reach + GAP_MM).all(axis=1) & (length < GAP_MM))
        a, d = contour.points[near] - node, step[near]
        side = a[:, 0] * normal[1] - a[:, 1] * normal[0]
        run = d[:, 0] * normal[1] - d[:, 1] * normal[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -side / run
        hit = (t >= 0) & (t < 1) & (run < 0)  # the same way as the line itself
        if not hit.any():
            continue
        at = (a + t[:, None] * d)[hit] @ normal
        best = int(np.abs(at).argmin())
        if abs(at[best]) <= reach:
            first = near[hit][best]
            offset[k] = at[best]
            sigma[k] = max(contour.sigma[first], contour.sigma[(first + 1) % len(contour.sigma)])
    return Along(offset, sigma)


def apart(one: Contour, other: Contour, spacing: float) -> Apart:
    """How ``other`` lies against ``one``, by least squares that outliers hardly move."""
    nodes, normals = nodes_along(one, spacing)
    seen = along(other, nodes, normals, FAR_MM).offset - along(one, nodes, normals).offset
    good = np.isfinite(seen)
    if np.count_nonzero(good) < SPREAD_NODES:
        return Apart(np.full(2, math.inf), math.inf, math.inf, math.inf)
    lever = nodes[good] - nodes.mean(axis=0)
    across = lever[:, 0] * normals[good, 1] - lever[:, 1] * normals[good, 0]
    columns, weight = np.column_stack([normals[good], across / np.abs(across).max()]), np.ones(int(good.sum()))
    for _ in range(6):
        fit = np.linalg.lstsq(columns * weight[:, None], seen[good] * weight, rcond=None)[0]
        left = seen[good] - columns @ fit
        weight = 1 / np.sqrt(1 + (left / (2 * np.median(np.abs(left)) + 1e-6)) ** 2)
    moved = float(np.abs(columns @ fit).max())
    return Apart(
        np.asarray(fit[:2], dtype=float),
        float(fit[2] / np.abs(across).max()),
        moved,
        float(np.sqrt((left**2 * weight).mean())),
    )


def combined(contours: Sequence[Contour], places: Sequence[Floats], spacing: float) -> Contour:
    """The contours of one loop as the photos saw it, the first one's nodes, each place their weighted mean.

    places : for each contour (n,) mm, standard error of each point's place beyond its noise: what neighbours share
    spacing : mm between nodes

    A photo that lies ODD standard deviations from the middle of three or more is left out there.
    """
    nodes, normals = nodes_along(contours[0], spacing, contours[1:])
    seen = [along(c, nodes, normals) for c in contours]
    offset, noise = np.array([s.offset for s in seen]), np.array([s.sigma for s in seen])
    shared = np.array([_at(c, p, nodes) for c, p in zip(contours, places, strict=True)])
    total = np.hypot(noise, shared)
    known = np.isfinite(offset)
    if len(contours) > 2:
        middle = np.nanmedian(np.where(known.any(axis=0), offset, 0.0), axis=0)
        known &= ~(np.abs(offset - middle) > ODD * total)
    weight = np.where(known, 1 / np.where(known, total, 1.0) ** 2, 0.0)
    sum_ = weight.sum(axis=0)
    found = sum_ > 0
    weight = weight[:, found] / sum_[found]
    mean = (weight * np.where(known, offset, 0.0)[:, found]).sum(axis=0)
    sigma = np.sqrt((weight**2 * np.where(known, noise, 0.0)[:, found] ** 2).sum(axis=0))
    points = nodes[found] + mean[:, None] * normals[found]
    return Contour(points, sigma, max(c.blur for c in contours))


def _at(contour: Contour, values: Floats, nodes: Points) -> Floats:
    """A contour's values (n,) at the nearest of its points to each node."""
    near = np.array([int(((contour.points - node) ** 2).sum(axis=1).argmin()) for node in nodes])
    return np.asarray(values[near])
