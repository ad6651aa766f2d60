"""How a thin tip ends: whether its flanks run to the corner that they head for, and how much of it is gone.

Near its end a tip is narrower than the blur, so that no profile shows one flank alone; but the photo still shows how
much of the tip's light there is. A curved flank is bent as that asks, but not far; a cut is only believed where that
clearly bears it out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from digitize.model.outline import Contour, Outline, TipEnd
from digitize.model.segment import as_point
from digitize.vision.locate import BLUR_REACH, NARROWEST
from digitize.vision.photo import Image
from digitize.vision.thickness import Heights
from digitize.vision.tiplight import TipLight, patch_about
from digitize.vision.tipshape import BEND, tip_at
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]

WIDEST = math.radians(70.0)  # a tip with a wider angle has edge points right to its end
KNOWN_PX = 4.0  # of tip before its narrow length, which tell its light
MOST_CUT = 2.5  # times the narrow length: a tip cut farther back has an end that is seen as an edge
CUTS = 12  # tried first
PLAY_PX = 0.3  # standard deviation of a curved flank's bare end
MOST_PLAYS = 3.0
CONTRAST_NOISE = 0.05  # of the light's range: residuals before they are known
TOGETHER = 4.0  # pixels whose errors go together: figure, shade, compression
WORTH = 6.0  # chi square that a cut must be worth
LEAST_BLUR_PX = 0.4


def tip_ends(
    pixels: Image, view: View, outline: Outline, contours: Sequence[Contour], heights: Heights
) -> list[TipEnd]:
    """The thin tips of an outline that the photo shows to end otherwise than drawn. An eased arris tells nothing.

    outline : bench mm
    contours : what its loops were fitted to, one for each
    """
    if heights.eased > 0:
        return []
    found = []
    for number, (loop, contour) in enumerate(zip(outline.loops, contours, strict=True)):
        pixel = view.mm_per_px(contour.points.mean(axis=0), heights.top)
        blur = max((contour.blur - pixel) / BLUR_REACH, LEAST_BLUR_PX * pixel)
        for k in np.flatnonzero(loop.turns() > math.pi - WIDEST):
            tip = tip_at(loop, int(k), NARROWEST * blur, KNOWN_PX * pixel)
            patch = tip and patch_about(pixels, view, tip, blur, pixel, heights)
            if not (tip and patch):
                continue
            play, cut = _likeliest(TipLight(view, heights, tip, patch), PLAY_PX * pixel)
            if play.any() or cut > 0:
                corner, heading = tip.flanks(play, 0.0)[0][-1], tip.frame.heading
                found.append(TipEnd(number, int(k), as_point(corner), as_point(heading), cut, BEND * tip.narrow))
    return found


def _likeliest(model: TipLight, spread: float) -> tuple[Floats, float]:
    """Play (2,) mm of the flanks, which their spread holds small, and the cut, mm; 0 where a whole tip serves."""
    none, narrow = np.zeros(2), model.tip.narrow
    noise = CONTRAST_NOISE * float(np.ptp(model.patch.light))
    tried = [(float((model.residuals(none, c, noise) ** 2).sum()), c) for c in np.linspace(0, MOST_CUT * narrow, CUTS)]
    least, first = min(tried)
    noise *= math.sqrt(least / len(model.patch.light))
    whole, cut = (_best(model, np.array([*model.tip.free, differs]), noise, spread, first) for differs in (False, True))
    scale = len(model.patch.light) / min(whole[0], cut[0]) / TOGETHER
    values = cut[1] if scale * (whole[0] - cut[0]) > WORTH else whole[1]
    return values[:2], float(values[2])


def _best(
    model: TipLight, differs: npt.NDArray[np.bool_], noise: float, spread: float, first: float
) -> tuple[float, Floats]:
    """Chi square of the best play and cut (3,), of which only those that may differ do."""
    narrow = model.tip.narrow

    def whole(x: Floats) -> Floats:
        values = np.zeros(3)
        values[differs] = x
        return values

    def off(x: Floats) -> Floats:
        values = whole(x)
        return np.concatenate(
            [model.residuals(values[:2], values[2], noise), math.sqrt(TOGETHER) * values[:2] / spread]
        )

    start = np.array([0.0, 0.0, max(first, 0.1 * narrow)])[differs]
    if not differs.any():
        return float((off(start) ** 2).sum()), np.zeros(3)
    most = np.array([MOST_PLAYS * spread, MOST_PLAYS * spread, MOST_CUT * narrow])[differs]
    least = np.where(np.array([True, True, False])[differs], -most, 0.0)
    size = np.array([spread, spread, narrow / 3])[differs]
    found = least_squares(off, start, bounds=(least, most), x_scale=size, max_nfev=15)
    return 2.0 * float(found.cost), whole(found.x)
