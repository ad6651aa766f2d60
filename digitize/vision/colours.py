"""The colours of a surface as they are nearby: a normal density of log light that changes from place to place.

In log light a shadow moves all three channels alike, so lightness and hue come apart.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from digitize.vision.photo import Image

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

NEAR_MM = 12.0  # Gaussian radius over which colours are learned
SAMPLE_MM, BLOCK = 1.0, 4  # pixels are sampled so far apart; so many samples make a block of the learned map
EVERYWHERE = 1e-3  # weight of the whole surface's colours where none of it is near
NOISE = 0.03  # log light: sensor noise and texture that a sample may have missed
DARK = 0.02  # linear light: below this noise and stray light rule the colour

_V = np.arange(256) / 255
_LOG_LIGHT = np.log(np.where(_V <= 0.04045, _V / 12.92, ((_V + 0.055) / 1.055) ** 2.4) + DARK).astype(np.float32)
_PAIRS = [(a, b) for a in range(3) for b in range(a, 3)]


class Colours(NamedTuple):
    """Of one surface, on a coarse map.

    maps : (10, h, w): means of the channels, the six entries of the inverse covariance, half its log determinant
    step : px of the picture in one px of the maps
    """

    maps: Floats
    step: tuple[float, float]


def log_light(pixels: Image) -> Floats:
    """Log of linear light, (h, w, 3) float32, of sRGB pixels (IEC 61966-2-1; DARK added)."""
    return np.asarray(_LOG_LIGHT[pixels])


def learned(light: Floats, sure: Mask, mm: float, uneven: float) -> Colours:
    """The colours of the pixels that are ``sure`` to be of a surface.

    light : (h, w, 3) log light
    mm : bench in one px
    uneven : standard deviation, log light, of the lightness that uneven light adds
    """
    stride = max(1, round(SAMPLE_MM / mm))
    sample, weight = light[::stride, ::stride], sure[::stride, ::stride].astype(np.float32)
    size = max(2, weight.shape[1] // BLOCK), max(2, weight.shape[0] // BLOCK)
    moments = [weight, *(weight * sample[..., a] for a in range(3))]
    moments += [weight * sample[..., a] * sample[..., b] for a, b in _PAIRS]
    radius = NEAR_MM / (mm * stride * weight.shape[1] / size[0])
    total, *near = (_spread_out(np.asarray(cv2.resize(m, size, interpolation=cv2.INTER_AREA)), radius) for m in moments)
    mean = np.stack(near[:3], axis=-1) / total[..., None]
    covariance = np.empty((*mean.shape, 3))
    for (a, b), m in zip(_PAIRS, near[3:], strict=True):
        covariance[..., a, b] = covariance[..., b, a] = m / total - mean[..., a] * mean[..., b]
    covariance += uneven**2 + NOISE**2 * np.eye(3)
    inverse = np.linalg.inv(covariance)
    maps = [*np.moveaxis(mean, -1, 0), *(inverse[..., a, b] for a, b in _PAIRS), np.linalg.slogdet(covariance)[1] / 2]
    return Colours(np.stack(maps).astype(np.float32), (light.shape[1] / size[0], light.shape[0] / size[1]))


def _spread_out(m: Floats, radius: float) -> npt.NDArray[np.float64]:
    return np.asarray(cv2.GaussianBlur(m.astype(np.float64), (0, 0), radius) + EVERYWHERE * m.mean() + 1e-12)


def unlike(light: Floats, at: npt.NDArray[np.intp], colours: Colours, forgiven: float) -> tuple[Floats, Floats]:
    """How unlike the surface's colours there some pixels are: minus the log of the normal density, in two parts.

    light : (h, w, 3) log light, of which the pixels with flat index ``at`` (n,) are asked
    forgiven : the share of a darkening, all channels alike, that a shadow may explain

    Returns half the squared Mahalanobis distance and half the log determinant of the covariance, both (n,).
    """
    y, x = np.divmod(at, light.shape[1])
    (sx, sy), (h, w) = colours.step, colours.maps.shape[1:]
    u, v = np.clip((x + 0.5) / sx - 0.5, 0, w - 1.001), np.clip((y + 0.5) / sy - 0.5, 0, h - 1.001)
    i, j = u.astype(int), v.astype(int)
    fu, fv = (u - i).astype(np.float32), (v - j).astype(np.float32)
    flat, k = colours.maps.reshape(len(colours.maps), -1), j * w + i
    here = (flat[:, k] * (1 - fu) + flat[:, k + 1] * fu) * (1 - fv)
    here += (flat[:, k + w] * (1 - fu) + flat[:, k + w + 1] * fu) * fv
    off = light.reshape(-1, 3)[at].T - here[:3]
    off -= forgiven * np.minimum(off.mean(axis=0), 0)
    misfit = sum((1 if a == b else 2) * here[3 + n] * off[a] * off[b] for n, (a, b) in enumerate(_PAIRS))
    return np.asarray(misfit / 2), np.asarray(here[9])
