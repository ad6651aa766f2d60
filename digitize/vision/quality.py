"""Is the photo good enough to measure in? Every check gives its figure, its limit and what to do at the bench.

Sharpness and exposure are measured on the sheets' own squares, whose true look is known; what cannot be measured on at
all is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt
from shapely import MultiPoint, Point

from digitize.model.errors import Caveat, PhotoError
from digitize.model.segment import Points
from digitize.vision.mask import PartMask
from digitize.vision.photo import Image, Photo
from digitize.vision.view import View

Floats = npt.NDArray[np.float64]

LEAST_SIDE_PX = 600
DARKEST, PLAINEST = 24.0, 3.0  # grey levels: the brightest hundredth, the spread of the whole photo
SOFT_PX, SOFT_MM = 1.8, 0.30  # blur sigma: a photo is soft where both are exceeded
HOPELESS_MM = 2.0  # blur sigma: the print's own edges run together
SMEAR_PX, SMEAR_RATIO = 2.5, 1.3  # motion: length, and blur along it over blur across
DIM, TOO_DIM = 120.0, 35.0  # grey level of white paper
CLIPPED, CLIPPED_SHARE = 253.0, 0.5  # grey level, share of the paper
NOISY = 0.04  # noise over the step from ink to paper, grey levels
COARSE_MM, TOO_COARSE_MM = 0.5, 1.5  # bench in one px
STEEP, TOO_STEEP = math.radians(42.0), math.radians(65.0)
FAR_MM, FAR_SHARE = 120.0, 0.75  # from the sheets' grid points to the part's far end; as a share of the grid's extent
# How far poor photos were seen to displace edges of rendered parts (standard deviations), for the uncertainty:
SMEAR_SHARE, DIM_PX, CLIPPED_PX = 0.06, 0.15, 0.8  # share of the blur's length; px
OFF_SHARE = 0.10  # of a square's side: from a grid point into its four squares, clear of a marker 2.5 mm away


class Blur(NamedTuple):
    """Standard deviations of the blur along its two axes, px, and the direction of the larger in the image, radians.

    The direction runs from x toward y, so clockwise as one looks at the photo.
    """

    most: float
    least: float
    direction: float

    @property
    def smear(self) -> float:
        """Length (px) of an even motion that makes the difference: a uniform line has sigma length/sqrt(12)."""
        return math.sqrt(12 * max(0.0, self.most**2 - self.least**2))


class Squares(NamedTuple):
    """Grey levels about the grid points: of paper, of ink, at the crossing itself, and which diagonal is paper."""

    paper: Floats  # (n,)
    ink: Floats  # (n,)
    crossing: Floats  # (n,) in linear light, -1 (ink) .. 1 (paper), positive where the upper right square's shade wins
    noise: float


def judge_photo(photo: Photo) -> None:
    """Refuse what no sheet could be found in.

    Raises
    ------
    PhotoError if the photo is tiny, black or blank
    """
    width, height = photo.size
    if min(width, height) < LEAST_SIDE_PX:
        raise PhotoError(
            f"the photo is only {width} x {height} px (at least {LEAST_SIDE_PX} px on the short side)",
            "use the photo as the camera stored it, not a thumbnail or a copy from a message",
        )
    step = max(1, min(width, height) // 300)
    grey = cv2.cvtColor(np.ascontiguousarray(photo.pixels[::step, ::step]), cv2.COLOR_RGB2GRAY)
    brightest, spread = float(np.percentile(grey, 99)), float(grey.std())
    if brightest < DARKEST:
        raise PhotoError(
            f"the photo is black (its brightest hundredth is at grey level {brightest:.0f} of 255, "
            f"at least {DARKEST:.0f} is needed)",
            "uncover the lens or light the bench, and take it again",
        )
    if spread < PLAINEST:
        raise PhotoError(
            f"the photo is blank (its grey levels spread by {spread:.1f}, at least {PLAINEST:.0f} is needed)",
            "check that the part and the sheets are in view and not washed out, and take it again",
        )


def judge(photo: Photo, view: View, parts: Sequence[PartMask] = ()) -> tuple[Caveat, ...]:
    """What to know about a photo in which sheets (and parts) were found.

    Raises
    ------
    PhotoError if it is too poor to measure in
    """
    grey = _grey(photo)
    squares = [_squares(grey, view, k) for k in range(len(view.sightings))]
    return (*_blur_caveats(_blur(view, squares), view), *_light_caveats(squares), *_place_caveats(view, parts))


def measured_blur(photo: Photo, view: View) -> Blur:
    """The photo's blur, from the edges and the crossings of the sheets' squares."""
    grey = _grey(photo)
    return _blur(view, [_squares(grey, view, k) for k in range(len(view.sightings))])


def blur_sigma(view: View) -> float:
    """One blur sigma (px) for edges of any direction: the quadratic mean over the sheets' edges."""
    return float(np.sqrt(np.mean([np.median(s.blur**2) for s in view.sightings])))


def _grey(photo: Photo) -> Image:
    return np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY))


def _linear(grey: Floats) -> Floats:
    v = grey / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _squares(grey: Image, view: View, k: int) -> Squares:
    """Grey levels in the four squares about each grid point of sheet k, and at the crossing."""
    sighting = view.sightings[k]
    off = OFF_SHARE * sighting.sheet.square
    sides = np.array([[1, 1], [-1, -1], [-1, 1], [1, -1]]) * off  # upper right, lower left, upper left, lower right
    around = view.image_from_bench(view.bench_from_sheet(k, (sighting.points[:, None] + sides).reshape(-1, 2)))
    levels = _sampled(grey, around).reshape(-1, 4)
    one, other = levels[:, :2].mean(axis=1), levels[:, 2:].mean(axis=1)
    steps = np.abs(_sampled(grey, np.round(around)) - _sampled(grey, np.round(around) + np.array([1.0, 0.0])))
    light_one, light_other = _linear(one), _linear(other)
    half = (light_one - light_other) / 2
    half = np.where(np.abs(half) < 1e-4, 1e-4, half)
    crossing = (_linear(_sampled(grey, sighting.pixels)) - (light_one + light_other) / 2) / half
    return Squares(
        np.maximum(one, other),
        np.minimum(one, other),
        crossing,
        float(steps[steps <= np.percentile(steps, 95)].mean()) * math.sqrt(math.pi) / 2,
    )


def _sampled(grey: Image, px: Points) -> Floats:
    """Grey levels (N,) at points (N, 2) px, linear between pixels."""
    at = px.astype(np.float32).reshape(-1, 1, 2)
    values = [cv2.remap(grey, a[..., 0], a[..., 1], cv2.INTER_LINEAR) for a in np.array_split(at, len(at) // 30000 + 1)]
    return np.concatenate(values).ravel().astype(float)


def _blur(view: View, squares: list[Squares]) -> Blur:
    """The blur's covariance, from every sheet's edges along two directions and its crossings.

    Where four squares meet, a Gaussian blur of correlation r in the sheet's axes leaves 2/pi asin(r) of half the step:
    the mean of sign(x) sign(y) under a bivariate normal (Sheppard 1899; from memory). That is the tensor's third entry.
    """
    tensors = []
    for k, (sighting, around) in enumerate(zip(view.sightings, squares, strict=True)):
        sx, sy = np.median(sighting.blur, axis=0)
        r = math.sin(math.pi / 2 * float(np.clip(np.median(around.crossing), -0.95, 0.95)))
        middle = sighting.points.mean(axis=0)
        px = view.image_from_bench(view.bench_from_sheet(k, middle + np.array([[0, 0], [1, 0], [0, 1]])))
        axes = (px[1:] - px[0]).T
        axes = axes / np.linalg.norm(axes, axis=0)
        tensors.append(axes @ np.array([[sx**2, r * sx * sy], [r * sx * sy, sy**2]]) @ axes.T)
    variance, direction = np.linalg.eigh(np.mean(tensors, axis=0))
    least, most = np.sqrt(np.maximum(variance, 1e-6))
    return Blur(float(most), float(least), math.atan2(direction[1, 1], direction[0, 1]) % math.pi)


def _blur_caveats(blur: Blur, view: View) -> list[Caveat]:
    mm = view.mm_per_px()
    if blur.least * mm > HOPELESS_MM:
        raise PhotoError(
            f"the photo is out of focus (blur of {blur.least * mm:.1f} mm on the bench, at most {HOPELESS_MM:.1f} mm)",
            "tap on the part to focus, hold the camera still and take it again",
        )
    if blur.smear > SMEAR_PX and blur.most > SMEAR_RATIO * blur.least:
        return [
            Caveat(
                f"the photo is blurred by motion, {blur.smear:.1f} px ({blur.smear * mm:.2f} mm) at "
                f"{math.degrees(blur.direction):.0f}° clockwise from the photo's level (limit {SMEAR_PX:.1f} px); "
                "edges across that direction are less certain",
                "rest the camera on something or add light, and take it again",
                edge_px=SMEAR_SHARE * blur.smear,
            )
        ]
    if blur.least > SOFT_PX and blur.least * mm > SOFT_MM:
        return [
            Caveat(
                f"the photo is soft: blur sigma {blur.least:.1f} px, {blur.least * mm:.2f} mm on the bench "
                f"(limits {SOFT_PX:.1f} px and {SOFT_MM:.2f} mm)",
                "tap on the part to focus, clean the lens and take it again",
                edge_px=SMEAR_SHARE * blur.least,
            )
        ]
    return []


def _light_caveats(squares: list[Squares]) -> list[Caveat]:
    paper = float(np.median(np.concatenate([s.paper for s in squares])))
    step = float(np.median(np.concatenate([s.paper - s.ink for s in squares])))
    noise = max(s.noise for s in squares)
    clipped = float(np.mean(np.concatenate([s.paper for s in squares]) >= CLIPPED))
    if paper < TOO_DIM:
        raise PhotoError(
            f"the photo is far too dark: white paper is at grey level {paper:.0f} of 255 (at least {TOO_DIM:.0f})",
            "add light or expose longer, and take it again",
        )
    found = []
    if paper < DIM:
        found.append(
            Caveat(
                f"the photo is under-exposed: white paper is at grey level {paper:.0f} of 255 (at least {DIM:.0f})",
                "add light or raise the exposure, and take it again",
                edge_px=DIM_PX,
            )
        )
    if noise > NOISY * step:
        found.append(
            Caveat(
                f"the photo is noisy: {noise:.1f} grey levels, {noise / step:.0%} of the step from ink to paper "
                f"(limit {NOISY:.0%})",
                "add light, so that the camera need not amplify, and take it again",
                edge_px=DIM_PX,
            )
        )
    if clipped > CLIPPED_SHARE:
        found.append(
            Caveat(
                f"the photo is over-exposed: {clipped:.0%} of the paper is at full white (limit {CLIPPED_SHARE:.0%})",
                "lower the exposure or take the part out of direct sun, and take it again",
                edge_px=CLIPPED_PX,
            )
        )
    return found


def _place_caveats(view: View, parts: Sequence[PartMask]) -> list[Caveat]:
    """Pixel size, tilt, and where the sheets lie about the part."""
    here = (
        np.concatenate([p.contours[0] for p in parts]) if parts else np.array([[(s - 1) / 2 for s in view.camera.size]])
    )
    bench = view.bench_from_image(here)
    mm = view.mm_per_px(bench.mean(axis=0))
    if mm > TOO_COARSE_MM:
        raise PhotoError(
            f"one pixel covers {mm:.2f} mm of the bench (at most {TOO_COARSE_MM:.1f} mm)", "move the camera closer"
        )
    if view.tilt > TOO_STEEP:
        raise PhotoError(
            f"the camera looks {math.degrees(view.tilt):.0f}° from straight down "
            f"(at most {math.degrees(TOO_STEEP):.0f}°)",
            "hold it over the part",
        )
    found = []
    if mm > COARSE_MM:
        found.append(
            Caveat(f"one pixel covers {mm:.2f} mm of the bench (limit {COARSE_MM:.1f} mm)", "move the camera closer")
        )
    if view.tilt > STEEP:
        found.append(
            Caveat(
                f"the camera looks {math.degrees(view.tilt):.0f}° from straight down "
                f"(limit {math.degrees(STEEP):.0f}°)",
                "hold it more nearly over the part",
            )
        )
    return found + (_cover_caveats(view, bench) if parts else [])


def _cover_caveats(view: View, bench: Points) -> list[Caveat]:
    """Whether the sheets lie round the part whose border is ``bench``, (N, 2) mm."""
    grid = np.concatenate([view.bench_from_sheet(k, s.points) for k, s in enumerate(view.sightings)])
    hull = MultiPoint(grid).convex_hull
    extent = float(np.linalg.norm(np.ptp(grid, axis=0)))
    away = max(hull.distance(Point(p)) for p in bench[:: max(1, len(bench) // 200)])
    if away <= FAR_MM or away <= FAR_SHARE * extent:
        return []
    return [
        Caveat(
            f"the sheets lie on one side only: the part reaches {away:.0f} mm beyond them "
            f"(limit {max(FAR_MM, FAR_SHARE * extent):.0f} mm for what they span)",
            "lay another sheet on the far side of the part",
        )
    ]
