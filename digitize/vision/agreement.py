"""Do the sheets agree with each other, with one flat bench and with the lens? What to say where they do not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.model.camera import LensProfile
from digitize.model.errors import Caveat, SheetError
from digitize.model.segment import Points
from digitize.vision.checkerboard import Sighting
from digitize.vision.layout import ARCHES, PER_SHEET, SIZE
from digitize.vision.lensprior import LensPrior
from digitize.vision.projection import LENS
from digitize.vision.solve import Fit, in_step

SCALE_TOL = 0.0015  # sheets whose print scales differ by more are told
SAME_FOCAL_MM = 0.6  # the EXIF tells whole millimetres
SURE = 4.0  # standard deviations before something is called a fact
SUSPECT = 3.0  # and before it widens the uncertainty
LENS_NAMES = ("focal length", "focal length", *["centre"] * 2, "k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
LENS_TERMS = 9  # of a lens without a profile
ARCHED_MM, TOO_ARCHED_MM = 0.2, 4.0  # paper that lies flat is within a tenth
PATTERN_PX = 0.05  # residuals of neighbouring grid points in step by more: a curled sheet, or not this lens

BENT_PPM = (
    1e4  # of every length, per px of bend that arches do not explain: prints scaled unevenly, a lens not modelled
)


@dataclass(frozen=True, eq=False)
class Sizes:
    """How the sheets compare in print scale.

    reference : the sheet whose size is believed; odd : (n,) bool, the sheets that contradict it
    sigma : relative, what this leaves open in every length
    caveats : what to tell
    """

    reference: int
    odd: npt.NDArray[np.bool_]
    sigma: float
    caveats: tuple[Caveat, ...]


def compare_sizes(sightings: list[Sighting], loose: Fit) -> Sizes:
    """Compare print scales, from a fit in which all sheets but the first were free in size.

    The largest set of sheets that agree is believed. Where no set is larger than the rest, the largest print is:
    printers that fit a page to their paper shrink it. Nobody can know, so sigma then holds the whole difference.
    """
    sizes = slice(len(loose.parameters) - PER_SHEET * len(sightings) + SIZE, None, PER_SHEET)
    log_scale, covariance = loose.parameters[sizes], loose.covariance[sizes, sizes]
    own = np.diag(covariance)
    sigma = np.sqrt(np.maximum(own[:, None] + own - 2 * covariance, 0.0))
    apart = log_scale - log_scale[:, None]  # [a, b]: b against a
    agree = np.abs(apart) < np.maximum(SCALE_TOL, SURE * sigma)
    votes = agree.sum(axis=1)
    reference = max(range(len(sightings)), key=lambda k: (votes[k], log_scale[k]))
    odd = ~agree[reference]
    if not odd.any():
        excess = np.where(np.abs(apart) > SUSPECT * sigma, apart**2 - sigma**2, 0.0)[reference]
        return Sizes(reference, odd, float(np.sqrt(excess.sum() / len(excess))), ())
    sure = bool(votes[reference] > votes[odd].max())
    worst = float(np.abs(np.expm1(apart[reference][odd])).max())
    caveats = tuple(
        _size_caveat(sightings, reference, int(k), float(np.expm1(apart[reference, k])), sure)
        for k in np.flatnonzero(odd)
    )
    return Sizes(reference, odd, 0.0 if sure else worst, caveats)


def _size_caveat(sightings: list[Sighting], reference: int, odd: int, apart: float, sure: bool) -> Caveat:
    against = "the other sheets" if sure else sightings[reference].sheet.name
    word = "larger" if apart > 0 else "smaller"
    problem = f"{sightings[odd].sheet.name} is {abs(apart):.2%} {word} than {against} (limit {SCALE_TOL:.2%})"
    if sure:
        return Caveat(
            problem, "its size was not used; print it again at 100 % or lay it flat, and measure its check lines"
        )
    return Caveat(
        problem,
        f"the photo cannot tell which is right, so every length may be off by {abs(apart):.2%}; lay both flat, measure "
        "their check lines and print the wrong one again at 100 %",
    )


def arched(found: Fit, sightings: list[Sighting]) -> tuple[float, str]:
    """The sheet that is arched or twisted most, and by how many mm."""
    shapes = np.abs(
        found.parameters[len(found.parameters) - PER_SHEET * len(sightings) :].reshape(-1, PER_SHEET)[:, ARCHES]
    )
    worst = int(shapes.max(axis=1).argmax())
    return float(shapes[worst].max()), sightings[worst].sheet.name


def check_arches(found: Fit, sightings: list[Sighting]) -> tuple[Caveat, ...]:
    """A caveat for a sheet that does not lie flat.

    Raises
    ------
    SheetError if it is so far from flat that the shapes of solve.py no longer describe it
    """
    most, name = arched(found, sightings)
    if most <= ARCHED_MM:
        return ()
    remedy = "tape the sheet down flat and photograph again"
    if most > TOO_ARCHED_MM:
        raise SheetError(f"{name} is arched by {most:.1f} mm (limit {TOO_ARCHED_MM:g} mm)", remedy)
    return (Caveat(f"{name} is arched by {most:.1f} mm (limit {ARCHED_MM:g} mm)", remedy),)


def check_flatness(sightings: list[Sighting], residuals: tuple[Points, ...]) -> tuple[Caveat, ...]:
    """A caveat for the sheet whose residuals run most in step from one grid point to the next, if it is no chance."""
    worst, bent = 0.0, ""
    for sighting, left in zip(sightings, residuals, strict=True):
        product, pairs = in_step(sighting, left)
        chance = float((left**2).sum(axis=1).mean()) / np.sqrt(2 * max(pairs, 1))
        if product > max(worst, PATTERN_PX**2, SURE * chance):
            worst, bent = product, sighting.sheet.name
    if not bent:
        return ()
    problem = f"the grid of {bent} is bent by {np.sqrt(worst):.2f} px (limit {PATTERN_PX:.2f} px)"
    remedy = "tape the sheet down flat, or calibrate the lens, and photograph again"
    return (Caveat(problem, remedy, size_ppm=BENT_PPM * float(np.sqrt(worst))),)


def check_guess(found: Fit, prior: LensPrior) -> tuple[Caveat, ...]:
    """A caveat where the photo contradicts what any lens is like."""
    seen = found.parameters[LENS : LENS + len(prior.mean)]
    pull = seen - prior.mean
    chi2, freedom = float(pull @ np.linalg.solve(prior.covariance, pull)), len(pull)
    if chi2 <= freedom + SURE * np.sqrt(2 * freedom):
        return ()
    worst = int(np.argmax(np.abs(pull) / np.sqrt(np.diag(prior.covariance))))
    what = f"{LENS_NAMES[worst]} is {seen[worst]:.4g} where {prior.mean[worst]:.4g} was expected"
    return (Caveat(f"the lens is unusual, its {what}", "do not crop or zoom, or calibrate this lens"),)


def check_profile(found: Fit, unbound: Fit) -> tuple[Caveat, ...]:
    """A caveat where the photo contradicts its lens profile: without it the same grid points fit far better."""
    gain = (found.misfit - unbound.misfit) / max(1.0, unbound.factor**2)
    limit = LENS_TERMS + SURE * np.sqrt(2 * LENS_TERMS)
    if gain <= limit:
        return ()
    focal, told = unbound.parameters[LENS], found.parameters[LENS]
    problem = f"the lens profile does not suit this photo: misfit {gain:.0f} (limit {limit:.0f}), focal length "
    return (Caveat(f"{problem}{focal:.0f} px where it tells {told:.0f} px", "use the camera, zoom and focus it is of"),)


def check_source(lens: LensProfile, camera: str, focal_35mm: float | None) -> tuple[Caveat, ...]:
    """Caveats where a photo's EXIF tells of another camera or zoom than the lens profile is of."""
    found = []
    if camera and lens.camera and camera != lens.camera:
        found.append(
            Caveat(f"the photo is by “{camera}”, the lens profile of “{lens.camera}”", "use the profile of this camera")
        )
    told = lens.focal_35mm
    if focal_35mm and told and abs(focal_35mm - told) > SAME_FOCAL_MM:
        found.append(
            Caveat(
                f"the photo was taken at {focal_35mm:g} mm (35 mm equivalent), the lens profile is of {told:g} mm",
                "use the lens and zoom that the profile is of, or calibrate this one",
            )
        )
    return tuple(found)
