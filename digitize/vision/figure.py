"""Which way the grain of a part of solid wood runs, as far as the photo shows it: a suggestion, never a measurement.

The part's face is laid flat at the height of its upper side, the light's slow changes over it are divided out, and the
structure tensor is summed over what is left inside, well clear of the edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.outline import Outline
from digitize.vision.photo import LINEAR_LIGHT, Photo
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]

SCALES_MM = (0.6, 1.2, 2.4)  # standard deviations of the smoothing: pores and early wood, rings, broad figure
LEAST_PX = 1.2  # of the smoothing: below, pixels and their compression have directions of their own
LIGHT_SCALES = 6.0  # times the smoothing: slower changes are the light's
CLEAR_MM = 4.0  # from the edges: arris, wear, and what the outline may be off by
CLEAR_SCALES = 2.0  # and times the smoothing
MOST_PIXELS = 700  # along the longer side of the flat picture
LEAST_AREA_MM2 = 400.0
LEAST_COHERENCE = 0.33  # boards without figure stayed below 0.15, wood came out above 0.40
LEAST_CONTRAST = 0.004  # standard deviation of the light's logarithm: fainter are the steps of an 8-bit file
TILE_MM = 20.0
LEAST_TILES = 4
SAME_RAD = math.radians(25.0)
AGREEING = 0.6  # of the tiles lie within SAME_RAD of the whole


@dataclass(frozen=True)
class Figure:
    """The direction of the grain as seen.

    direction : radians, 0 .. pi, counter-clockwise from the bench's x axis
    coherence : 0 where no direction stands out, 1 where everything runs one way
    """

    direction: float
    coherence: float


def wood_figure(photo: Photo, view: View, outline: Outline, top: float) -> Figure | None:
    """The grain's direction; None where the face is too small, or shows no figure that runs one way.

    outline : of the part as it lies on the bench, mm
    top : height of its upper face above the sheets, mm
    """
    step = max(view.mm_per_px(np.mean(outline.outer.flattened(0.1), axis=0), top), _extent(outline) / MOST_PIXELS)
    light, depth = _flat(photo, view, outline, top, step)
    for scale in SCALES_MM:  # the finest that shows it: pores run with the fibres, rings wander
        found = _at_scale(light, depth, max(scale / step, LEAST_PX), step)
        if found and found.coherence >= LEAST_COHERENCE:
            return found
    return None


def _extent(outline: Outline) -> float:
    x0, y0, x1, y1 = outline.bounds()
    return max(x1 - x0, y1 - y0)


def _flat(photo: Photo, view: View, outline: Outline, top: float, step: float) -> tuple[Floats, Floats]:
    """The light's logarithm on a grid over the part, y up with the rows, and how deep inside each place lies, mm."""
    x0, y0, x1, y1 = outline.bounds()
    x, y = np.meshgrid(np.arange(x0, x1, step), np.arange(y0, y1, step))
    px = view.image_from_bench(np.stack([x.ravel(), y.ravel()], axis=1), top).reshape(*x.shape, 2).astype(np.float32)
    seen = cv2.remap(photo.pixels, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = np.log(LINEAR_LIGHT[seen].mean(axis=2) + 0.005)
    inside = np.zeros(x.shape, np.uint8)
    rings = [np.round((loop.flattened(step / 4) - (x0, y0)) / step).astype(np.int32) for loop in outline.loops]
    cv2.fillPoly(inside, rings, 1)
    depth = cv2.distanceTransform(cv2.copyMakeBorder(inside, 1, 1, 1, 1, cv2.BORDER_CONSTANT), cv2.DIST_L2, 5)
    return light, depth[1:-1, 1:-1].astype(float) * step


def _at_scale(light: Floats, depth: Floats, sigma: float, step: float) -> Figure | None:
    """Angle and coherence of what shows at one scale (sigma, px)."""
    inside = (depth > CLEAR_MM / 2).astype(float)
    used = depth > CLEAR_MM + CLEAR_SCALES * sigma * step
    if used.sum() * step**2 < LEAST_AREA_MM2:
        return None
    slow = _smoothed(light, inside, LIGHT_SCALES * sigma)
    fine = _smoothed((light - slow) * inside, inside, sigma)
    if float(np.std(fine[used])) < LEAST_CONTRAST:
        return None
    dy, dx = np.gradient(fine)
    square: Floats = np.asarray(dx**2 + dy**2)
    weight = used / (square + np.median(square[used]))  # one dark knot or pencil line does not decide
    doubled = weight * (dx + 1j * dy) ** 2
    whole, sure = complex(doubled.sum()), float((weight * square).sum())
    across = 0.5 * float(np.angle(whole))
    if not _agree(doubled, across, used, TILE_MM / step):
        return None
    return Figure((across + math.pi / 2) % math.pi, abs(whole) / max(sure, 1e-30))


def _smoothed(values: Floats, inside: Floats, sigma: float) -> Floats:
    """Gaussian mean over what is inside alone."""
    total, share = (cv2.GaussianBlur(v, (0, 0), sigma) for v in (values * inside, inside))
    return np.asarray(total / np.maximum(share, 1e-6))


def _agree(doubled: npt.NDArray[np.complexfloating], across: float, used: npt.NDArray[np.bool_], tile: float) -> bool:
    """Whether most of the part's face runs the way that the whole does."""
    rows, columns = np.nonzero(used)
    number = (rows // tile).astype(int) * 10_000 + (columns // tile).astype(int)
    names, place = np.unique(number, return_inverse=True)
    sums = np.zeros(len(names), complex)
    np.add.at(sums, place, doubled[rows, columns])
    full = np.bincount(place) > 0.3 * tile**2
    off = np.abs(np.angle(sums[full] * np.exp(-2j * across))) / 2
    return int(full.sum()) >= LEAST_TILES and float(np.mean(off < SAME_RAD)) >= AGREEING
