"""The light of a thin tip: a patch of the photo as the face between two flanks, the walls that the camera sees below it
and the bench about it make it, each with a light of its own, all blurred by the lens.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from digitize.model.outline import signed_area
from digitize.model.segment import Points
from digitize.vision.edge import FULL, LIGHT, WALL_LIGHT
from digitize.vision.photo import Image
from digitize.vision.thickness import Heights
from digitize.vision.tipshape import Tip
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]

ABOUT = 2.5  # times the blur: pixels farther from the face are left out
FINE = 0.3  # times the blur: steps along a border
FIGURE, SHADE = 0.15, 0.3  # how much the face's light may change over the narrow length, and the bench's: share of it
SIDES = 3  # walls: below the flanks and below the end
BENCH = 2 + SIDES  # number of its column


class Patch(NamedTuple):
    """Pixels about a tip: light (N,), place (N, 2) px, along and across (N,) mm in the tip's frame; blur, px."""

    light: Floats
    px: Points
    along: Floats
    across: Floats
    blur: float


def patch_about(pixels: Image, view: View, tip: Tip, blur: float, pixel: float, heights: Heights) -> Patch | None:
    """The pixels that tell of a tip; None where some lie outside the photo."""
    reach, start, end = ABOUT * blur, tip.along[0], tip.along[-1]
    corners = tip.frame.bench(
        np.array([start, start, end, end]), np.array([tip.left[0] + reach, tip.right[0] - reach, reach, -reach])
    )
    box = view.image_from_bench(corners, heights.top)
    (x0, y0), (x1, y1) = np.floor(box.min(axis=0)).astype(int), np.ceil(box.max(axis=0)).astype(int) + 1
    if min(x0, y0) < 0 or x1 > pixels.shape[1] or y1 > pixels.shape[0]:
        return None
    light = LIGHT[cv2.cvtColor(pixels[y0:y1, x0:x1], cv2.COLOR_RGB2GRAY)].ravel() / FULL
    px = np.stack(np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)), axis=-1).reshape(-1, 2).astype(float)
    along, across = tip.frame.own(view.bench_from_image(px, heights.top))
    left, right = (np.interp(along, tip.along, side) for side in (tip.left, tip.right))
    near = (across < np.maximum(left, 0.0) + reach) & (across > np.minimum(right, 0.0) - reach)
    near &= (along > start + reach) & (along < reach)
    return Patch(light[near], px[near], along[near], across[near], blur / pixel)


class TipLight(NamedTuple):
    """The light of a patch as a tip makes it."""

    view: View
    heights: Heights
    tip: Tip
    patch: Patch

    def shares(self, play: Floats, cut: float) -> Floats:
        """(N, 6 + SIDES): share of the face, the same times how far along it is, of each wall, of the bench, the same
        times how far along, across and away it is."""
        left, right = self.tip.flanks(play, cut)
        patch, narrow = self.patch, self.tip.narrow
        upper = [self.view.image_from_bench(side, self.heights.top) for side in (left, right)]
        face = np.vstack([upper[1], upper[0][::-1]])
        shown = covered(face, patch.px, patch.blur)
        walls = np.zeros((SIDES, len(patch.px)))
        if self.heights.foot is not None:
            foot = [self.view.image_from_bench(side, self.heights.foot) for side in (left, right)]
            below = [
                np.vstack([upper[1], foot[1][::-1]]),
                np.vstack([upper[0][::-1], foot[0]]),
                np.array([upper[1][-1], upper[0][-1], foot[0][-1], foot[1][-1]]),
            ]
            facing = np.sign(signed_area(face))
            for wall, border in zip(walls, below, strict=True):
                if facing * signed_area(border) < 0.0:  # the camera looks at it
                    wall[:] = covered(border, patch.px, patch.blur)
        bench = 1.0 - shown - walls.sum(axis=0)
        along, across = patch.along / narrow, patch.across / narrow
        shades = [bench * along, bench * across, bench * np.abs(across)]
        return np.column_stack([shown, shown * along, walls.T, bench, *shades])

    def residuals(self, play: Floats, cut: float, noise: float) -> Floats:
        """What the best lights leave, in units of the noise; their own ties last."""
        shares, light = self.shares(play, cut), self.patch.light
        face, bench = (float(np.average(light, weights=shares[:, i].clip(1e-6) ** 4)) for i in (0, BENCH))
        wall, spread = (value * face for value in WALL_LIGHT)
        middle = np.array([0.0, 0.0, *[wall] * SIDES, 0.0, 0.0, 0.0, 0.0])
        tie = noise / np.array([np.inf, FIGURE * face, *[spread] * SIDES, np.inf, *[SHADE * bench] * 3])
        rows, right = np.vstack([shares, np.diag(tie)]), np.concatenate([light, tie * middle])
        lights = np.linalg.lstsq(rows, right, rcond=None)[0]
        return np.asarray((right - rows @ lights) / noise)


def covered(border: Points, at: Points, blur: float) -> Floats:
    """Share (N,) of a closed polygon (M, 2) px in pixels at (N, 2) px, blurred by a Gauss curve of standard deviation
    ``blur``: Green's theorem, exact along x, and along y the middle of steps so short that it is exact to 1e-3."""
    side = np.roll(border, -1, axis=0) - border
    count = np.maximum(1, np.ceil(np.hypot(*side.T) / (FINE * blur))).astype(int)
    which = np.repeat(np.arange(len(border)), count)
    order = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    fine = border[which] + (order / count[which])[:, None] * side[which]
    middle = (fine[:, 1] + np.roll(fine[:, 1], -1)) / 2
    run = ndtr((fine[:, 0] - at[:, :1]) / blur)
    return np.asarray(np.abs(((np.roll(run, -1, axis=1) - run) * ndtr((middle - at[:, 1:]) / blur)).sum(axis=1)))
