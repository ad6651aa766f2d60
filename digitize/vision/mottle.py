"""Is the paper of the sheets plain? A screen shows its own pixels: bands and specks of colour where paper is white."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from digitize.model.errors import Caveat
from digitize.model.segment import Points
from digitize.vision.checkerboard import Sighting, transformed
from digitize.vision.photo import Image

ALONG = np.linspace(0.15, 0.85, 40)  # of the side between two grid points
BESIDE = 1 / 16  # of a square's side: half the white gap between the edge and a marker
SMOOTHED_PX = 3  # a camera's own noise is finer than the bands of a screen
MOTTLED = 0.03  # of the paper's brightness; paper shows up to 0.01, in a very noisy photo 0.016
REMEDY = "print the sheet and lay it flat; a screen is behind glass, and its pixels beat with the camera's"


def mottle(pixels: Image, sightings: Sequence[Sighting]) -> float:
    """Scatter of the paper's brightness along the squares' sides, relative; the worst of the three colours.

    pixels : (H, W, 3) of the photo, as stored
    """
    each = [spread for s in sightings for spread in _along_sides(pixels, s)]
    return float(np.median(each)) if each else 0.0


def check_paper(found: float) -> tuple[Caveat, ...]:
    """A caveat where the sheets are no plain paper, from what ``mottle`` found."""
    if found <= MOTTLED:
        return ()
    return (Caveat(f"the paper of the sheets is mottled by {found:.0%} (limit {MOTTLED:.0%})", REMEDY),)


def _along_sides(pixels: Image, sighting: Sighting) -> list[float]:
    """Scatter along each side of a square that has both its ends in view, on the paper next to it."""
    across = sighting.sheet.across - 1
    here = np.flatnonzero(np.isin(sighting.ids + 1, sighting.ids) & (sighting.ids % across < across - 1))
    if not len(here):
        return []
    homography, _ = cv2.findHomography(sighting.points, sighting.pixels)
    place = dict(zip(sighting.ids.tolist(), range(len(sighting.ids)), strict=True))
    start = sighting.pixels[here]
    side = sighting.pixels[[place[i + 1] for i in sighting.ids[here].tolist()]] - start
    up = np.array([0.0, BESIDE * sighting.sheet.square])
    aside = transformed(sighting.points[here] + up, np.asarray(homography)) - transformed(
        sighting.points[here], np.asarray(homography)
    )
    line = start[:, None] + ALONG[:, None] * side[:, None]
    above, below = (_sampled(pixels, line + sign * aside[:, None]) for sign in (1, -1))
    bright = np.where((above.mean(axis=(1, 2)) > below.mean(axis=(1, 2)))[:, None, None], above, below)
    level = bright.mean(axis=1, keepdims=True)
    slope = np.polynomial.polynomial.polyvander(ALONG, 1)
    flat, _ = np.linalg.qr(slope)
    left = bright - np.einsum("ka,la,nlc->nkc", flat, flat, bright)
    return [float(x) for x in (left.std(axis=1) / np.maximum(level[:, 0], 1.0)).max(axis=1)]


def _sampled(pixels: Image, at: Points) -> Points:
    """Stored values (N, K, 3) at (N, K, 2) px, smoothed over SMOOTHED_PX."""
    x0, y0 = np.maximum(np.floor(at.min(axis=(0, 1))).astype(int) - SMOOTHED_PX, 0)
    x1, y1 = np.ceil(at.max(axis=(0, 1))).astype(int) + SMOOTHED_PX
    crop = cv2.blur(pixels[y0 : y1 + 1, x0 : x1 + 1], (SMOOTHED_PX, SMOOTHED_PX))
    moved = (at - (x0, y0)).astype(np.float32)
    return np.asarray(cv2.remap(crop, moved[..., 0], moved[..., 1], cv2.INTER_LINEAR), dtype=float)
