"""Grid points refined: each one from the four edges that meet in it, along nearly their whole length.

At a grid point the light and dark squares change sides, so whatever shifts an edge towards the dark (the sRGB curve,
spread ink, over-exposure) has opposite signs on the two halves of an edge and drops out of their mean. A coded sheet's
markers leave a white gap of an eighth of a square beside each edge, and no sample ever reaches beyond it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.segment import Points
from digitize.model.sheet import Sheet
from digitize.vision.photo import LINEAR_LIGHT, Image
from digitize.vision.step import Floats, Steps, fit_steps

ImageFromSheet = Callable[[Points], Points]
"""Sheet points (N, 2) mm -> photo points (N, 2) px."""

ACROSS = 17  # samples across an edge
REACH_PX = 8.0  # they reach no farther from it: a sharp edge is 2 px wide, a badly blurred one 6 px
GAP = 0.125  # of a coded square's side: the white between edge and marker
CLEAR_PX = 2.0  # samples keep this far from a marker, whose blur reaches into the gap
PLAIN_REACH = 0.3  # of a plain square's side
ALONG = (0.08, 0.46)  # of a square's side: the stretch of each edge that is sampled, clear of both its ends
CROSSING_PX = 3.0  # nearer to the grid point the other edge's blur spoils the profile
ROWS = (4, 40)  # profiles along each stretch, at most one per pixel
ROUGH_ROWS = 8
SMOOTHED = 1.5  # bilinear samples carry 4/9 of the pixels' noise power, but all of it that is slow: sigma is 3/2
BORDER_PX = 2.0  # samples keep this far from the photo's border
LEAST_CONTRAST = 0.5  # of the sheet's best, as (light - dark) / (light + dark), which no shadow changes
LEAST_RELATIVE = 0.2  # of any sheet: ink on paper has 0.9, through haze or glare 0.4
OUTLIER = 5.0  # robust standard deviations
AGREE_PX = 0.1  # two halves of an edge that differ by less are never called different
ARMS = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])  # the four edges at a grid point, along them
NORMALS = np.array([[0.0, 1.0], [0.0, 1.0], [1.0, 0.0], [1.0, 0.0]])  # and across them
SIGNS = np.array([1.0, -1.0, 1.0, -1.0])  # of their contrast, where the square at the upper right is the lighter one


@dataclass(frozen=True)
class Refined:
    """Grid points of one sheet after refinement.

    ids : (n,) indices into the sheet's grid points; only the trusted ones
    pixels : (n, 2) px; sigma : (n,) px, per axis
    blur : (n, 2) px, standard deviation of the edges' blur along the sheet's x and y
    contrast : (n,) linear light (0..1) between the light and the dark squares
    """

    ids: npt.NDArray[np.intp]
    pixels: Points
    sigma: Floats
    blur: Floats
    contrast: Floats


def refine(
    grey: Image, sheet: Sheet, ids: npt.NDArray[np.intp], image_from_sheet: ImageFromSheet, rough: bool = False
) -> Refined:
    """Measure the grid points ``ids`` near where ``image_from_sheet`` puts them.

    That place has to be right to an eighth of a square for a ``rough`` measurement, to REACH_PX for a fine one. A point
    is dropped where the photo's border cuts one of its edges, or where one of the four has too little contrast, the
    wrong sign, or disagrees with its opposite: something lies on it, or glare does.
    """
    ids, xy = _within(grey, ids, sheet.grid_points()[ids], image_from_sheet)
    scale = _px_per_mm(xy, image_from_sheet)
    v = _across(sheet, scale, rough)
    samples = image_from_sheet((xy[:, None] + _pattern(sheet, scale, v, rough)).reshape(-1, 2))
    samples = samples.reshape(len(xy), -1, 2).astype(np.float32)
    far = np.array(grey.shape[::-1]) - 1 - BORDER_PX
    whole = ((samples > BORDER_PX) & (samples < far)).all(axis=(1, 2))
    if not whole.any():
        return Refined(ids[whole], np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2)), np.zeros(0))
    ids, xy, scale, samples = ids[whole], xy[whole], scale[whole], samples[whole]
    values = np.asarray(cv2.remap(grey, samples[..., 0], samples[..., 1], cv2.INTER_LINEAR))
    # in stored values an edge in step with the pixels moves to and fro by 0.03 px; in linear light by a third of it
    profiles = LINEAR_LIGHT[values].reshape(len(ids) * 4, -1, ACROSS).mean(axis=1)
    offset, sigma, blur, contrast, good = _combined(
        fit_steps(profiles, v), v, 1 / np.median(scale), _parity(sheet, ids)
    )
    pixels = image_from_sheet(xy + offset)
    sigma_px = np.sqrt(((sigma * scale) ** 2).mean(axis=1))
    return Refined(ids[good], pixels[good], sigma_px[good], (blur * scale)[good], contrast[good])


def _within(
    grey: Image, ids: npt.NDArray[np.intp], xy: Points, image_from_sheet: ImageFromSheet
) -> tuple[npt.NDArray[np.intp], Points]:
    """Those of the points that are predicted within the photo."""
    px = image_from_sheet(xy)
    inside = ((px > 0) & (px < np.array(grey.shape[::-1]) - 1)).all(axis=1)
    return ids[inside], xy[inside]


def _px_per_mm(xy: Points, image_from_sheet: ImageFromSheet) -> Floats:
    """Imaged length of 1 mm along the sheet's x and y, (n, 2)."""
    ends = [(image_from_sheet(xy + d), image_from_sheet(xy - d)) for d in (np.array([0.5, 0.0]), np.array([0.0, 0.5]))]
    return np.stack([np.linalg.norm(a - b, axis=1) for a, b in ends], axis=1)


def _across(sheet: Sheet, scale: Floats, rough: bool) -> Floats:
    """Positions of the samples across an edge, (ACROSS,), mm."""
    side = sheet.square * min(sheet.scale)
    smallest, typical = (np.percentile(scale, 10), np.median(scale)) if len(scale) else (1.0, 1.0)
    reach = PLAIN_REACH * side
    if sheet.marker:
        reach = max(GAP * side - CLEAR_PX / smallest, GAP * side / 2)
    return np.linspace(-1.0, 1.0, ACROSS) * (reach if rough else min(reach, REACH_PX / typical))


def _pattern(sheet: Sheet, scale: Floats, v: Floats, rough: bool) -> Points:
    """Where to sample about a grid point, (4 * rows * ACROSS, 2), mm."""
    side = sheet.square * float(np.mean(sheet.scale))
    pixels = side * float(np.median(scale)) if len(scale) else 1.0
    near = min(max(ALONG[0], CROSSING_PX / pixels), ALONG[1] / 2)
    rows = ROUGH_ROWS if rough else int(np.clip((ALONG[1] - near) * pixels, *ROWS))
    u = side * np.linspace(near, ALONG[1], rows)
    pattern: Points = u[:, None, None] * ARMS[:, None, None] + v[:, None] * NORMALS[:, None, None]
    return pattern.reshape(-1, 2)


def _combined(
    steps: Steps, v: Floats, pixel: float, parity: Floats
) -> tuple[Floats, Floats, Floats, Floats, npt.NDArray[np.bool_]]:
    """Grid points from their four edges each: ``steps`` holds them point by point, in the order of ARMS.

    Returns offset, sigma and blur (n, 2) along the sheet's x and y, mm; contrast (n,); and which points to trust (n,).
    """
    position, sigma, blur, contrast, low = (
        a.reshape(-1, 4) for a in (steps.position, steps.sigma, steps.blur, steps.contrast, steps.low)
    )
    sigma = sigma * SMOOTHED * np.sqrt(max(1.0, pixel / (v[1] - v[0])))  # samples closer than pixels tell nothing new
    good = _distinct(contrast * SIGNS * parity[:, None], 2 * low + contrast) & (np.abs(position) < v[-1]).all(axis=1)
    good = _halves_agree(position, sigma, parity, AGREE_PX * pixel, good)
    offset, variance, width = (  # the last two edges run along y and tell x, the first two tell y
        np.stack([a[:, 2:].mean(axis=1), a[:, :2].mean(axis=1)], axis=1) for a in (position, sigma**2 / 2, blur)
    )
    return offset, np.sqrt(variance), width, np.abs(contrast).mean(axis=1), good


def _parity(sheet: Sheet, ids: npt.NDArray[np.intp]) -> Floats:
    """+1 or -1 by the colour of the square at the upper right of each grid point."""
    row, column = np.divmod(ids, sheet.across - 1)
    return np.where((row + column) % 2, -1.0, 1.0)


def _distinct(contrast: Floats, light: Floats) -> npt.NDArray[np.bool_]:
    """Which points (n,) have four edges between ink and paper: contrast (n, 4) against light and dark together.

    All of them have one sign, that of the sheet; against a common shadow's edge or a part's figure they fall behind.
    """
    relative = contrast / np.maximum(light, 1e-6)
    typical = float(np.percentile(np.abs(relative).min(axis=1), 90))
    least = max(LEAST_CONTRAST * typical, LEAST_RELATIVE)
    same: npt.NDArray[np.bool_] = (relative * np.sign(contrast.sum()) > least).all(axis=1)
    return same


def _halves_agree(
    position: Floats, sigma: Floats, parity: Floats, agree: float, good: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Which of the good points have edges that run straight on across them, to ``agree`` mm or what noise allows."""
    for a, b in ((0, 1), (2, 3)):
        if not good.any():
            break
        # the two halves of one edge differ by twice its shift towards the dark, which is the sheet's, not the point's
        gap = (position[:, a] - position[:, b]) * parity
        middle = np.median(gap[good])
        spread = 1.4826 * np.median(np.abs(gap[good] - middle))
        noise = np.sqrt(spread**2 + sigma[:, a] ** 2 + sigma[:, b] ** 2)
        good = good & (np.abs(gap - middle) < np.maximum(OUTLIER * noise, agree))
    return good
