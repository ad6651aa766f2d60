"""The part's border and holes anew, every pixel weighed against the colours of part and bench near it.

Both colours are learned from pixels that are surely of one or the other; in log light a shadow moves all channels
alike, so a darkening is partly forgiven and a change of hue is not. Called from rough to fine, this finds a border that
was several millimetres off, and holes that were not seen at all.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from scipy import ndimage

from digitize.vision.colours import Colours, Floats, Mask, learned, unlike

BAND_MM = 6.0  # the border moves outward by no more in one round
DEEP_MM = 2.0  # inside the border, the finest scale asks again so far
LEAST_HOLE_MM2 = 8.0
UNEVEN = 0.15  # log light: how far uneven light moves lightness within a few centimetres
SHADOW_AT_MOST, SHADOW, SHADE = 0.9, 0.6, 0.5  # share of a darkening forgiven the bench at most, usually; the part
UNLIKE = 4.5  # half a squared Mahalanobis distance: three standard deviations
ODDS_MOST = 8.0  # log odds: one pixel's colour says no more
PRIOR_PER_MM, PRIOR_MOST = 0.5, 3.0  # log odds: trust in the border as it was
SPARSE = 7  # every so many pixels stand for all
ABRUPT, ABRUPT_MM = 0.25, 2.5  # log light; the Gaussian radius of the surroundings
RING_MM = (0.8, 4.0)  # from the border: where its two sides are compared
CHANGE, SEEN = 0.1, 0.1  # log light (a tenth); share of bench that must be near to compare with
SMOOTH_PX = 0.8  # Gaussian over the odds


class Level(NamedTuple):
    """One step from rough to fine."""

    shrink: int  # of the finest scale
    rounds: int  # at most
    slack_mm: float  # from the border where colours are learned
    thorough: bool  # every pixel is asked again, not only those near the border or unlike their surroundings


def relabelled(light: Floats, part: Mask, other: Mask, level: Level, mm: float) -> Mask:
    """The part anew, (h, w) bool.

    light : (h, w, 3) log light
    part, other : (h, w) bool, the part as known so far, and other objects, which stay out of it
    mm : bench in one px
    """
    inside = _depth(part, mm)
    outside = _depth(~part, mm)
    bench = learned(light, (outside > level.slack_mm) & ~other, mm, UNEVEN)
    core = inside > min(level.slack_mm, 0.5 * float(inside.max()))
    abrupt = np.ones_like(part) if level.thorough else _abrupt(light, mm)
    core = _purified(core, core & abrupt, light, bench)
    own = learned(light, core, mm, UNEVEN)
    asked = (outside < BAND_MM) & ((inside < DEEP_MM) | abrupt) & ~other
    at = np.flatnonzero(asked)
    odds = np.where(part, ODDS_MOST, -ODDS_MOST).astype(np.float32)
    likely = sum(unlike(light, at, bench, SHADOW)) - sum(unlike(light, at, own, SHADE))
    trust = np.clip((inside - outside).flat[at] * PRIOR_PER_MM, -PRIOR_MOST, PRIOR_MOST)
    odds.flat[at] = np.clip(likely, -ODDS_MOST, ODDS_MOST) + trust
    now = (cv2.GaussianBlur(odds, (0, 0), SMOOTH_PX) > 0) & (asked | part)
    return _without_pinholes(now, LEAST_HOLE_MM2 / mm**2)


def _depth(mask: Mask, mm: float) -> Floats:
    """Distance (h, w), mm, to the nearest pixel that is not of the mask; 0 off the mask."""
    depth = np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3), dtype=np.float32)
    return np.asarray(np.minimum(depth, max(mask.shape)) * np.float32(mm))


def contrast_share(light: Floats, part: Mask, sheet: Mask, mm: float) -> float:
    """Share of the part's border, 0..1, across which the colour truly changes; border against a sheet does not count.

    A true part changes colour nearly all round; a piece of bench cut out by chance, or between sheets, does not.
    """
    inside = _depth(part, mm)
    outside = _depth(~part, mm)
    within, around = (inside > RING_MM[0]) & (inside < RING_MM[1]), (outside > RING_MM[0]) & (outside < RING_MM[1])
    own, own_weight = _mean_nearby(light, within, mm)
    bench, weight = _mean_nearby(light, around & ~sheet, mm)
    border = (inside > 0) & (inside <= RING_MM[0] + mm) & (weight > SEEN) & (own_weight > 0)
    if not border.any():
        return 1.0
    return float((np.linalg.norm(own[border] - bench[border], axis=1) > CHANGE).mean())


def _mean_nearby(light: Floats, where: Mask, mm: float) -> tuple[Floats, Floats]:
    """Mean light (h, w, 3) of the pixels of ``where`` within about RING_MM[1], and their share there (h, w)."""
    weight = where.astype(np.float32)
    share = np.asarray(cv2.GaussianBlur(weight, (0, 0), RING_MM[1] / 2 / mm))
    total = np.asarray(cv2.GaussianBlur(weight[..., None] * light, (0, 0), RING_MM[1] / 2 / mm))
    return total / np.maximum(share, 1e-6)[..., None], share


def _purified(core: Mask, doubtful: Mask, light: Floats, bench: Colours) -> Mask:
    """The core without the ``doubtful`` pixels that look like bench: seen through holes, or in shadow."""
    some, at = np.flatnonzero(core)[::SPARSE], np.flatnonzero(doubtful)
    usual = float(np.median(unlike(light, some, bench, SHADOW_AT_MOST)[0]))
    pure = core.copy()
    pure.flat[at] = unlike(light, at, bench, SHADOW_AT_MOST)[0] > min(UNLIKE, 0.5 * usual)
    return pure


def _abrupt(light: Floats, mm: float) -> Mask:
    """Where the picture differs from its surroundings: a small hole does, plain wood does not."""
    smooth = cv2.GaussianBlur(light, (0, 0), ABRUPT_MM / mm)
    return np.asarray(np.abs(light - smooth).max(axis=2) > ABRUPT)


def _without_pinholes(part: Mask, least: float) -> Mask:
    gaps, n = ndimage.label(~part)
    small = np.bincount(gaps.ravel(), minlength=n + 1) < least
    small[0] = False
    return np.asarray(part | small[gaps])
