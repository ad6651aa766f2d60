"""The fits behind a calibration: every lens model on the same grid points, outliers dropped, models averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.camera import focal_from_35mm
from digitize.vision.checkerboard import Sighting
from digitize.vision.layout import Layout, lay_out
from digitize.vision.lensprior import LensPrior
from digitize.vision.projection import LENS
from digitize.vision.solve import Fit, project_sheet, solve_together
from digitize.vision.step import Floats

PHONE_35MM = 26.0  # a phone's main camera, where the photo does not say: common practice
OUTLIER = 5.0  # robust standard deviations
OUTLIER_ROUNDS = 5
RAYLEIGH_MEDIAN = 1.1774  # median distance over the standard deviation along either axis, of a round normal scatter
LEAST_WEIGHT = 1e-3  # of a model against the best one, to have a say
FOCAL_RANGE = (0.3, 8.0)  # of the photo's long side; a start outside is no lens
# Standard deviations of what a lens may be, too wide to matter: fx and fy (of fx), cx and cy (of the long side), then
# k1, k2, p1, p2, k3, k4, k5, k6.
LOOSE = (0.3, 0.3, 0.05, 0.05, 1.0, 1.0, 0.02, 0.02, 1.0, 1.0, 1.0, 1.0)


class Model(NamedTuple):
    """A lens model: its name and which of k1, k2, p1, p2, k3, k4, k5, k6 are free."""

    name: str
    free: tuple[int, ...]
    size: int = 5  # coefficients kept


MODELS = (
    Model("2 terms (k1, k2)", (0, 1)),
    Model("3 terms (k1, k2, k3)", (0, 1, 4)),
    Model("5 terms (k1, k2, p1, p2, k3)", (0, 1, 2, 3, 4)),
    Model("rational, 8 terms", (0, 1, 2, 3, 4, 5, 6, 7), 8),
)
SEARCH = MODELS[2]  # the model that outliers are sought with


@dataclass(frozen=True, eq=False)
class Shot:
    """What one calibration photo shows.

    size : of the photo as the sensor reads it, px, whichever way the camera was held
    sightings : the sheets, grid points in that photo's pixels
    mottle : of their paper, relative
    """

    name: str
    camera: str
    focal_35mm: float | None
    size: tuple[int, int]
    sightings: tuple[Sighting, ...]
    mottle: float = 0.0

    @property
    def blur(self) -> float:
        """Standard deviation of the edges' blur, px."""
        return float(np.median(np.vstack([s.blur for s in self.sightings])))

    @property
    def points(self) -> int:
        return sum(len(s.ids) for s in self.sightings)


def fitted(shots: list[Shot], models: Sequence[Model]) -> tuple[list[Fit], list[Shot], int]:
    """Every model fitted to the same grid points, what remains of the photos, and how many points were dropped."""
    kept, model = shots, SEARCH
    found = fit_model(kept, model, _first_guess(shots))
    for _ in range(OUTLIER_ROUNDS):
        before, kept = kept, _without_outliers(shots, found, layout_of(shots, model))
        if [s.points for s in kept] == [s.points for s in before]:
            break
        found = fit_model(kept, model, lens_of(found, len(shots), model)[0])
    guess = lens_of(found, len(shots), model)[0]
    fits = [found if m == SEARCH else fit_model(kept, m, guess) for m in models]
    return fits, kept, sum(s.points for s in shots) - sum(s.points for s in kept)


def layout_of(shots: Sequence[Shot], model: Model) -> Layout:
    photos = tuple(k for k, s in enumerate(shots) for _ in s.sightings)
    return Layout(photos, tuple(range(len(photos))), (0,) * len(shots), 4 + model.size)


def fit_model(shots: Sequence[Shot], model: Model, guess: Floats) -> Fit:
    """The lens, every photo's pose and every sheet's place, from a guessed lens (4 + any number of coefficients)."""
    layout, sightings = layout_of(shots, model), [sighting for s in shots for sighting in s.sightings]
    mean = np.zeros(layout.terms)
    mean[: min(len(guess), layout.terms)] = guess[: layout.terms]
    sigma = np.array(LOOSE[: layout.terms])
    sigma[:4] *= [guess[0], guess[0], max(shots[0].size), max(shots[0].size)]
    held = np.setdiff1d(np.arange(model.size), model.free)
    mean[4 + held], sigma[4 + held] = 0.0, 0.0
    start = np.zeros(layout.size)
    start[layout.lens(0)] = mean
    benches = lay_out(start, layout, sightings, [s.size for s in shots])
    resized = ~np.isin(np.arange(len(sightings)), benches)
    prior = LensPrior(np.array([*mean[:4], *np.zeros(model.size)]), np.diag(sigma**2))
    return solve_together(start, layout, sightings, [prior], benches, resized)


def lens_of(found: Fit, photos: int, model: Model) -> tuple[Floats, Floats]:
    lens = slice(LENS * photos, LENS * photos + 4 + model.size)
    return found.parameters[lens], found.covariance[lens, lens]


def averaged(lenses: Sequence[tuple[Floats, Floats]], longer: Floats) -> tuple[Floats, Floats]:
    """One lens from those of all models, each with the weight that its description length, ``longer`` than the best
    one's, gives it: a lean model alone would claim to know where it cannot bend.

    Source: J. A. Hoeting et al., Bayesian model averaging: a tutorial, Statistical Science 14 (1999); from memory.
    """
    weights = np.exp(-longer / 2)
    weights = np.where(weights < LEAST_WEIGHT, 0.0, weights) / weights[weights >= LEAST_WEIGHT].sum()
    terms = max(len(mean) for (mean, _), w in zip(lenses, weights, strict=True) if w > 0)
    middle, spread = np.zeros(terms), np.zeros((terms, terms))
    for (mean, covariance), weight in zip(lenses, weights, strict=True):
        if weight > 0:
            wide = np.pad(mean, (0, terms - len(mean)))
            middle += weight * wide
            spread += weight * (np.pad(covariance, (0, terms - len(mean))) + np.outer(wide, wide))
    return middle, spread - np.outer(middle, middle)


def _first_guess(shots: Sequence[Shot]) -> Floats:
    """fx, fy, cx, cy from the shapes of the sheets alone, or from the EXIF where they do not tell.

    Source: Z. Zhang, A flexible new technique for camera calibration, PAMI 22 (2000), section 3.1, for square pixels
    and a known centre: h1 B h2 = 0 and h1 B h1 = h2 B h2 with B = diag(b, b, 1), b = 1/f^2.
    """
    size = shots[0].size
    centre = (np.array(size) - 1) / 2
    rows = []
    for sighting in (s.sightings[0] for s in shots):
        homography, _ = cv2.findHomography(sighting.points, (sighting.pixels - centre) / max(size))
        h = np.asarray(homography) / np.linalg.norm(homography[:, :2])
        rows += [
            (h[:2, 0] @ h[:2, 1], -h[2, 0] * h[2, 1]),
            (h[:2, 0] @ h[:2, 0] - h[:2, 1] @ h[:2, 1], h[2, 1] ** 2 - h[2, 0] ** 2),
        ]
    a, b = np.array(rows).T
    inverse = float(a @ b / (a @ a))
    focal = max(size) / np.sqrt(inverse) if inverse > 0 else 0.0
    if not FOCAL_RANGE[0] < focal / max(size) < FOCAL_RANGE[1]:
        focal = focal_from_35mm(shots[0].focal_35mm or PHONE_35MM, size)
    return np.array([focal, focal, *centre])


def _without_outliers(shots: Sequence[Shot], found: Fit, layout: Layout) -> list[Shot]:
    """The photos with those of all their points that a fit, whichever it used, agrees with."""
    sightings = [sighting for s in shots for sighting in s.sightings]
    columns = [layout.columns(p, [k]) for p, k in zip(layout.photos, layout.places, strict=True)]
    off = [
        np.linalg.norm(s.pixels - project_sheet(found.parameters[c], s)[0], axis=1)
        for c, s in zip(columns, sightings, strict=True)
    ]
    noise = float(np.median(np.concatenate([s.sigma for s in sightings])))
    scaled = [o / np.hypot(s.sigma, noise) for o, s in zip(off, sightings, strict=True)]
    limit = OUTLIER * float(np.median(np.concatenate(scaled))) / RAYLEIGH_MEDIAN
    kept = iter([_part(s, x < limit) for s, x in zip(sightings, scaled, strict=True)])
    return [replace(shot, sightings=tuple(next(kept) for _ in shot.sightings)) for shot in shots]


def _part(s: Sighting, good: npt.NDArray[np.bool_]) -> Sighting:
    return replace(
        s, ids=s.ids[good], pixels=s.pixels[good], sigma=s.sigma[good], blur=s.blur[good], contrast=s.contrast[good]
    )
