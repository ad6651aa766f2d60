"""What is known of the lens before the photo is looked at: from a lens profile, or from the photo's EXIF alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from digitize.model.camera import LensProfile
from digitize.vision.step import Floats

CENTRE_SIGMA = 0.004  # of the photo's long side: principal points of phones scatter by about this
DISTORTION_SIGMA = (0.1, 0.1, 0.0005, 0.0005, 0.02)  # k1, k2, p1, p2, k3 of lenses that nobody calibrated
ASPECT_SIGMA = 2e-4  # relative; pixels of phones are square


@dataclass(frozen=True, eq=False)
class LensPrior:
    """What is known of the lens beforehand: mean (L,) and covariance (L, L) of fx, fy, cx, cy and the distortion."""

    mean: Floats
    covariance: Floats


def guessed_lens(size: tuple[int, int], focal_px: float, focal_sigma: float) -> LensPrior:
    """The prior where no lens profile is given; ``focal_sigma`` is relative."""
    centre = [(size[0] - 1) / 2, (size[1] - 1) / 2]
    mean = np.array([focal_px, focal_px, *centre, 0, 0, 0, 0, 0])
    sigma = np.array([0, 0, *[CENTRE_SIGMA * max(size)] * 2, *DISTORTION_SIGMA])
    covariance = np.diag(sigma**2)
    covariance[:2, :2] = focal_px**2 * (focal_sigma**2 + ASPECT_SIGMA**2 / 2 * np.array([[1, -1], [-1, 1]]))
    return LensPrior(mean, covariance)


def profiled_lens(profile: LensProfile, size: tuple[int, int]) -> list[LensPrior]:
    """The prior from a lens profile: scaled to this photo and turned, once for each way the phone can have been held.

    Raises
    ------
    ValueError if the photo's sides are not in the profile's proportion (a cropped photo is another lens)
    """
    priors = []
    for turns in range(4):
        mean, covariance, turned = np.array(profile.parameters), np.array(profile.covariance), profile.size
        for _ in range(turns):
            mean, covariance, turned = _quarter_turn(mean, covariance, turned)
        zoom = size[0] / turned[0]
        if abs(size[1] - zoom * turned[1]) <= 1.5:
            scale = np.ones(len(mean))
            scale[:4] = zoom
            shift = np.zeros(len(mean))
            shift[2:4] = (zoom - 1) / 2
            priors.append(LensPrior(mean * scale + shift, covariance * np.outer(scale, scale)))
    if not priors:
        raise ValueError(f"photo of {size[0]} x {size[1]} px, lens profile of {profile.size[0]} x {profile.size[1]} px")
    return priors


def _quarter_turn(mean: Floats, covariance: Floats, size: tuple[int, int]) -> tuple[Floats, Floats, tuple[int, int]]:
    """The same lens when the photo is turned a quarter clockwise: (x, y) -> (height - 1 - y, x)."""
    m = np.eye(len(mean))
    m[:4, :4] = [[0, 1, 0, 0], [1, 0, 0, 0], [0, 0, 0, -1], [0, 0, 1, 0]]
    # dx = 2 p1 x y + p2 (r2 + 2 x2), dy = p1 (r2 + 2 y2) + 2 p2 x y; with X = -y, Y = x: P1 = p2, P2 = -p1
    m[6:8, 6:8] = [[0, 1], [-1, 0]]
    shift = np.zeros(len(mean))
    shift[2] = size[1] - 1
    return m @ mean + shift, m @ covariance @ m.T, (size[1], size[0])
