"""Following the edge: from a mask's rough border to a line that runs along the true outline within a pixel or so.

The search is made in the space of the true outline: a trial place predicts where its upper arris and, where the wall is
seen, its lower arris must show in the photo, and both count. Just inside the edge the colour must be the part's own, so
that neither a shadow's border nor the foot of a wall passes for it. The best smooth path round the loop is found by
dynamic programming, twice, the second time finer.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from digitize.model.segment import Points
from digitize.vision.edge import RIM_LIGHT, Floats, profiles, rays
from digitize.vision.photo import Image
from digitize.vision.polyline import outward, resampled, smoothed
from digitize.vision.thickness import Heights
from digitize.vision.view import View


class Pass(NamedTuple):
    """One search: how far to either side (mm), node spacing (mm), nodes smoothed for the normals, trial step (px), cost
    of a px of jump."""

    reach: float
    spacing: float
    smooth: int
    step: float
    stiffness: float


PASSES = (Pass(4.0, 1.0, 4, 1.0, 0.5), Pass(1.5, 0.5, 2, 0.5, 0.5))
HOME_MM = 1.0  # a mask's border is seldom wrong by more
ARM_PX = 3  # samples averaged on either side of a trial edge
BEYOND_PX = 6  # samples beyond the outermost trial places
BLUR_PX = 0.9  # sharp enough to place a step to a pixel whatever the photo's own blur
SLOPE, WALL_TIE = 5.0, 0.05  # precision of the slopes beside the steps and of the wall's usual shade
QUIET = 2.0  # grey levels: no photo is less noisy
SAMPLES = 8.0  # independent ones in a profile, for all that figure and blur connect them
ALONG_NODES = 1.5  # Gaussian averaging along the edge
WIDE_RIM_PX = 2.5  # an eased arris that is seen apart from the edge
OWN_COLOUR = 9.0  # squared Mahalanobis distance that still counts as the part's own colour
FOREIGN_COST, FOREIGN_MOST = 0.5, 40.0  # log likelihood for each unit beyond that; more is no more foreign


class Palette(NamedTuple):
    """The part's own colour: median and inverse covariance, sRGB-encoded values."""

    middle: Floats
    inverse: Floats

    def lit_by(self, spread: float) -> Palette:
        """The same colour in a light that may differ by a share, standard deviation."""
        light = np.outer(self.middle, self.middle) * spread**2
        return Palette(self.middle, np.asarray(np.linalg.inv(np.linalg.inv(self.inverse) + light), dtype=float))


def palette(pixels: Image, mask: npt.NDArray[np.bool_], scale: float) -> Palette:
    """Colour of the inner part of a mask drawn at ``scale`` mask px per photo px."""
    depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    y, x = np.nonzero(depth > min(4.0, 0.5 * float(depth.max())))
    step = max(1, len(x) // 20000)
    at = ((np.stack([x[::step], y[::step]], axis=1) + 0.5) / scale - 0.5).round().astype(int)
    colours = pixels[at[:, 1].clip(0, pixels.shape[0] - 1), at[:, 0].clip(0, pixels.shape[1] - 1)].astype(float)
    middle: Floats = np.asarray(np.median(colours, axis=0), dtype=float)
    spread = np.cov((colours - middle).T) + 16.0 * np.eye(3)
    return Palette(middle, np.asarray(np.linalg.inv(spread), dtype=float))


def follow(view: View, pixels: Image, loop: Points, heights: Heights, own: Palette) -> Points:
    """A rough true outline (N, 2), mm, material on its left, moved onto the edge seen in the photo."""
    for number, p in enumerate(PASSES):
        loop = _search(view, pixels, loop, heights, own, p)
        if number == 0:
            loop = smoothed(loop, 1)
    return loop


def _search(view: View, pixels: Image, loop: Points, heights: Heights, own: Palette, p: Pass) -> Points:
    nodes = resampled(loop, p.spacing)
    normals = outward(smoothed(nodes, p.smooth), p.smooth)
    r = rays(view, nodes, normals, heights)
    half = float(np.ceil(p.reach * np.median(r.px_per_mm)))
    rim = float(np.median(r.rim))
    rim = rim if rim > WIDE_RIM_PX else 0.0
    v = np.arange(-half - np.ceil(rim) - BEYOND_PX, half + min(np.ceil(r.wall.max()), half) + 2 * BEYOND_PX + 1.0)
    colours = gaussian_filter1d(profiles(pixels, r, v), ALONG_NODES, axis=0, mode="wrap")
    trial = np.arange(-half, half + 0.5, p.step)
    score = _likelihood(colours, v, r.wall, rim, trial, own) - 0.5 * (trial / (HOME_MM * r.px_per_mm[:, None])) ** 2
    path = best_path(score, p.stiffness * p.step)
    return nodes + (trial[path] / r.px_per_mm)[:, None] * normals


def _likelihood(colours: Floats, v: Floats, wall: Floats, rim: float, trial: Floats, own: Palette) -> Floats:
    """Log likelihood (N, M) of the edge lying at each trial place, from the profile colours (N, K, 3) at v (K,) px."""
    misfit = np.empty((len(colours), len(trial)))
    bucket = np.where(wall > 0.5, np.round(wall * 2.0) / 2.0, 0.0)
    for width in np.unique(bucket):
        rows, seen = bucket == width, v <= trial[-1] + width + BEYOND_PX
        y = colours[rows][:, seen]
        power = (y**2).sum(axis=1)
        for m, place in enumerate(trial):
            left = (power - _explained(y, v[seen] - place, float(width), rim)).sum(axis=1)
            misfit[rows, m] = np.maximum(left, 0.0) / y[0].size
    quiet = misfit + QUIET**2
    score = -SAMPLES * np.log(quiet) - FOREIGN_COST * _foreign(colours, v, trial - rim, own)
    if rim > 0.0:  # an eased arris is lit otherwise than the face
        score -= FOREIGN_COST * _foreign(colours, v, trial, own.lit_by(RIM_LIGHT[1]))
    return np.asarray(score)


def _foreign(colours: Floats, v: Floats, places: Floats, own: Palette) -> Floats:
    """How foreign to the part (N, M) the colours just inside trial places (M,) are, 0 .. FOREIGN_MOST."""
    off = np.stack([_just_inside(colours, v, place) for place in places], axis=1) - own.middle
    distance = np.einsum("nkc,cd,nkd->nk", off, own.inverse, off)
    return np.asarray(np.clip(distance - OWN_COLOUR, 0.0, FOREIGN_MOST))


def _explained(y: Floats, t: Floats, width: float, rim: float) -> Floats:
    """Energy (N, 3) of the profiles y (N, K, 3) that a step at t = 0, one at t = width, and slopes beside explain; and
    one at t = -rim, where the arris is eased."""
    columns = [np.ones_like(t), np.minimum(t, 0.0), ndtr(t / BLUR_PX), np.maximum(t - width, 0.0)]
    prior = [0.0, SLOPE, 1e-9, SLOPE]
    if rim > 0.0:
        columns.append(ndtr((t + rim) / BLUR_PX))
        prior.append(1e-9)
    if width > 0.0:
        columns.append(ndtr((t - width) / BLUR_PX))
        prior.append(1e-9)
    basis = np.stack(columns, axis=1)
    normal = basis.T @ basis + np.diag(prior)
    if width > 0.0:  # the wall is darker than the face by a third, give or take as much
        tie = np.zeros(len(columns))
        tie[2], tie[0] = 1.0, 0.33
        normal += WALL_TIE * np.outer(tie, tie)
    whitened = np.linalg.solve(np.linalg.cholesky(normal), basis.T)
    return np.asarray(((whitened @ y) ** 2).sum(axis=1))


def _just_inside(colours: Floats, v: Floats, place: float) -> Floats:
    near = (v < place - 0.5) & (v >= place - 0.5 - ARM_PX)
    return np.asarray(colours[:, near].mean(axis=1))


def best_path(score: Floats, stiffness: float) -> npt.NDArray[np.intp]:
    """Column for each row of ``score`` (N, M), round a ring: the largest sum less ``stiffness`` per column of jump.

    The ring is walked twice and read off in the middle, so that its seam is as free as any other place.
    """
    n, m = score.shape
    columns = np.arange(m)
    ramp = stiffness * columns
    best = np.zeros(m)
    came = np.zeros((2 * n, m), dtype=np.intp)
    for row in range(2 * n):
        up = best + ramp
        from_left = np.maximum.accumulate(up)
        left = np.maximum.accumulate(np.where(up >= from_left, columns, 0))
        down = (best - ramp)[::-1]
        from_right = np.maximum.accumulate(down)
        right = (m - 1 - np.maximum.accumulate(np.where(down >= from_right, columns, 0)))[::-1]
        from_left, from_right = from_left - ramp, from_right[::-1] + ramp
        came[row] = np.where(from_left >= from_right, left, right)
        best = np.maximum(from_left, from_right) + score[row % n]
        best -= best.max()
    path = np.zeros(2 * n, dtype=np.intp)
    path[-1] = int(best.argmax())
    for row in range(2 * n - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    half = n // 2
    return np.concatenate([path[n : n + half], path[half:n]])
