"""The view: where the camera stood and where the sheets lie, from the grid points; photo <-> bench at any height.

Bench frame: mm, right-handed, z = 0 on the sheets' faces and z up toward the camera; the origin is the bench point in
the middle of the photo, x runs as the photo's x does there, so y runs up the photo.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.camera import Camera, LensProfile
from digitize.model.errors import Caveat, SheetError
from digitize.model.segment import Points, moved_points
from digitize.model.sheet import Sheet
from digitize.vision.agreement import (
    ARCHED_MM,
    arched,
    check_arches,
    check_flatness,
    check_guess,
    check_profile,
    compare_sizes,
)
from digitize.vision.checkerboard import Sighting
from digitize.vision.layout import PER_SHEET
from digitize.vision.lensprior import LensPrior, guessed_lens, profiled_lens
from digitize.vision.projection import LENS, distorted, on_plane, project_plane, undistorted, with_height
from digitize.vision.solve import Fit, solve
from digitize.vision.step import Floats

FOCAL_SIGMA = 0.015  # relative: EXIF rounds to a millimetre (1.1 % of 26), and focusing near adds about 1 %
PROFILE_DOUBT = 0.1  # relative, of the focal length, when a lens profile is put to the test
LOOSE_MM = 2.0  # standard deviation of the shapes once a sheet is seen not to lie flat
RMS_LIMIT_PX = 1.0  # flat sheets fit within 0.1 px, curled ones within 0.4
TURNED_GAIN = 20.0  # by so much chi square must a turned lens profile fit better than an upright one to be believed
PAPER_MARGIN_MM = (15.0, 28.5)  # beside and above the squares of a coded sheet on A4


class Place(NamedTuple):
    """Where a sheet's own frame lies on the bench: bench = turned(sheet * e^log_scale) + (x, y); and its shape, mm."""

    x: float
    y: float
    turn: float
    log_scale: float
    arched_x: float = 0.0
    arched_y: float = 0.0
    twisted: float = 0.0


@dataclass(frozen=True, eq=False)
class View:
    """One photo's camera over one bench.

    camera, rotation (3, 3), translation (3,) : camera_from_bench = rotation @ bench + translation, mm
    sightings : the sheets, and ``places`` where they lie
    parameters (P,), covariance (P, P) : of solve.py, in its order
    rms_px : root mean square distance of seen and predicted grid points
    residuals : for each sheet (n, 2) px, seen minus predicted; ``weights`` (n,) tells which points counted
    scale_sigma : relative, what the print scale adds to the uncertainty of every length
    """

    camera: Camera
    rotation: Floats
    translation: Floats
    sightings: tuple[Sighting, ...]
    places: tuple[Place, ...]
    parameters: Floats
    covariance: Floats
    rms_px: float
    residuals: tuple[Points, ...]
    weights: tuple[Floats, ...]
    scale_sigma: float = 0.0

    @cached_property
    def centre(self) -> Floats:
        """The camera's centre on the bench, (3,), mm; its z is the height."""
        return np.asarray(-self.rotation.T @ self.translation)

    @property
    def height(self) -> float:
        """Of the camera above the bench, mm."""
        return float(self.centre[2])

    @property
    def tilt(self) -> float:
        """Between the optical axis and the bench's normal, radians."""
        return math.acos(min(1.0, -float(self.rotation[2, 2])))

    @property
    def _camera_parameters(self) -> Floats:
        return self.parameters[: LENS + 4 + len(self.camera.distortion)]

    def bench_from_image(self, px: npt.ArrayLike, z: npt.ArrayLike = 0.0) -> Points:
        """Photo points (N, 2) px -> bench points (N, 2) mm at height z, one for all or (N,)."""
        return on_plane(undistorted(self.camera, px) @ self.rotation, self.centre, z)

    def image_from_bench(self, xy: npt.ArrayLike, z: npt.ArrayLike = 0.0) -> Points:
        """Bench points (N, 2) mm at height z, one for all or (N,) -> photo points (N, 2) px."""
        return distorted(self.camera, with_height(xy, z) @ self.rotation.T + self.translation)

    def mm_per_px(self, xy: npt.ArrayLike = (0.0, 0.0), z: float = 0.0) -> float:
        """Side of the square of bench that one pixel sees at a bench point."""
        return float(1 / np.sqrt(abs(np.linalg.det(self._image_by_bench(np.reshape(xy, (1, 2)), z)[0][0]))))

    def _image_by_bench(self, xy: npt.ArrayLike, z: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Derivatives of image_from_bench by x, y: (N, 2, 2), and by the parameters of pose and lens: (N, 2, C)."""
        _, jacobian = project_plane(self._camera_parameters, with_height(xy, z))
        return jacobian[:, :, 3:6] @ self.rotation[:, :2], jacobian

    def sensitivity(self, px: npt.ArrayLike, z: npt.ArrayLike = 0.0) -> Floats:
        """Derivatives of bench_from_image by the parameters, (N, 2, P), mm per unit of each."""
        by_bench, by_camera = self._image_by_bench(self.bench_from_image(px, z), z)
        full = np.zeros((len(by_camera), 2, len(self.parameters)))
        full[:, :, : by_camera.shape[2]] = -np.linalg.solve(by_bench, by_camera)
        return full

    def length_sigma(self, p: npt.ArrayLike, q: npt.ArrayLike, z: float = 0.0) -> Floats:
        """Standard error (N,) mm that the view gives the bench lengths between photo points p and q, (N, 2) px."""
        p, q = np.atleast_2d(np.asarray(p, dtype=float)), np.atleast_2d(np.asarray(q, dtype=float))
        apart = self.bench_from_image(p, z) - self.bench_from_image(q, z)
        length = np.linalg.norm(apart, axis=1)
        slope = np.einsum("ni,nip->np", apart / length[:, None], self.sensitivity(p, z) - self.sensitivity(q, z))
        variance = np.einsum("np,pq,nq->n", slope, self.covariance, slope)
        sigma: Floats = np.sqrt(np.maximum(variance, 0.0) + (length * self.scale_sigma) ** 2)
        return sigma

    def bench_from_sheet(self, k: int, xy: npt.ArrayLike) -> Points:
        """Points (N, 2) mm in the own frame of sheet ``k`` (by its place in ``sightings``) -> bench (N, 2) mm."""
        place = self.places[k]
        grown = np.asarray(xy, dtype=float) * math.exp(place.log_scale)
        return moved_points(grown, place.turn, (place.x, place.y))

    def sheet_outline(self, k: int) -> tuple[Points, Points]:
        """Corners (4, 2) on the bench of sheet k's printed squares and of its paper, counter-clockwise, mm.

        The paper is a guess: A4 about a coded sheet, half a square's margin about a plain board.
        """
        sheet = self.sightings[k].sheet
        squares, paper = _frame(sheet, (0.0, 0.0)), _frame(sheet, _margin(sheet))
        return self.bench_from_sheet(k, squares), self.bench_from_sheet(k, paper)


def solve_view(
    sightings: list[Sighting],
    size: tuple[int, int],
    focal_px: float,
    focal_sigma: float = FOCAL_SIGMA,
    lens: LensProfile | None = None,
) -> tuple[View, tuple[Caveat, ...]]:
    """Solve pose, lens and the sheets' places together.

    Parameters
    ----------
    sightings : as find_sheets gives them
    size : width and height of the photo, px
    focal_px, focal_sigma : focal length and its relative standard error, where no lens profile is given
    lens : the lens profile, if there is one; it stands in place of every other prior

    Raises
    ------
    SheetError if there is no sheet, if the sheets cannot lie on one flat bench, or the profile is of another photo size
    """
    if not sightings:
        raise SheetError(
            "no sheet was found in the photo",
            "lay a printed sheet flat beside the part, sharp and all in view, and tell which kind it is (--sheet)",
        )
    priors = _priors(size, focal_px, focal_sigma, lens)
    resized = np.zeros(len(sightings), dtype=bool)
    fits = [solve(sightings, size, prior, resized) for prior in priors]
    best = min(range(len(fits)), key=lambda k: fits[k].misfit + (TURNED_GAIN if k else 0.0))
    found, prior, scale_sigma = fits[best], priors[best], 0.0
    caveats: tuple[Caveat, ...] = ()
    if len(sightings) > 1:
        sizes = compare_sizes(sightings, solve(sightings, size, prior, np.arange(len(sightings)) > 0))
        scale_sigma, caveats = sizes.sigma, sizes.caveats
        if sizes.odd.any():
            order = [sizes.reference, *(k for k in range(len(sightings)) if k != sizes.reference)]
            sightings = [sightings[k] for k in order]
            resized = sizes.odd[order]
            found = solve(sightings, size, prior, resized)
    if arched(found, sightings)[0] > ARCHED_MM:
        found = solve(sightings, size, prior, resized, LOOSE_MM)
    caveats += check_arches(found, sightings)
    view = view_of(found, sightings, size, scale_sigma)
    check_fit(view)
    caveats += check_flatness(sightings, view.residuals)
    if lens is None:
        return view, caveats + check_guess(found, prior)
    unbound = solve(sightings, size, guessed_lens(size, prior.mean[0], PROFILE_DOUBT), resized)
    return view, caveats + check_profile(found, unbound)


def check_fit(view: View) -> None:
    """Refuse a view whose grid points do not fit it."""
    if view.rms_px > RMS_LIMIT_PX:
        each = [float(np.sqrt((r**2).sum(axis=1).mean())) for r in view.residuals]
        worst = view.sightings[int(np.argmax(each))].sheet.name
        raise SheetError(
            f"the grid points of {worst} miss one flat bench by {max(each):.1f} px (limit {RMS_LIMIT_PX:.1f} px)",
            "lay all sheets flat on the same surface as the part, give the right sheet size, and photograph again",
        )


def _priors(size: tuple[int, int], focal_px: float, focal_sigma: float, lens: LensProfile | None) -> list[LensPrior]:
    if lens is None:
        return [guessed_lens(size, focal_px, focal_sigma)]
    try:
        return profiled_lens(lens, size)
    except ValueError as error:
        raise SheetError(
            f"the lens profile is for photos of other proportions ({error})",
            "use uncropped photos of the calibrated camera, or leave the lens profile out",
        ) from error


def view_of(found: Fit, sightings: Sequence[Sighting], size: tuple[int, int], scale_sigma: float) -> View:
    """The view that a fit of one photo tells of."""
    x = found.parameters
    own = len(x) - PER_SHEET * len(sightings)
    camera = Camera(size, (x[6], x[7]), (x[8], x[9]), tuple(float(d) for d in x[10:own]))
    ends = np.cumsum([len(s.ids) for s in sightings])[:-1]
    return View(
        camera=camera,
        rotation=np.asarray(cv2.Rodrigues(x[:3])[0]),
        translation=x[3:6],
        sightings=tuple(sightings),
        places=tuple(Place(*map(float, p)) for p in x[own:].reshape(-1, PER_SHEET)),
        parameters=x,
        covariance=found.covariance,
        rms_px=float(np.sqrt((found.residuals**2).sum(axis=1).mean())),
        residuals=tuple(np.split(found.residuals, ends)),
        weights=tuple(np.split(found.weights, ends)),
        scale_sigma=scale_sigma,
    )


def _margin(sheet: Sheet) -> tuple[float, float]:
    return (sheet.square / 2, sheet.square / 2) if sheet.number is None else PAPER_MARGIN_MM


def _frame(sheet: Sheet, margin: tuple[float, float]) -> Points:
    """Corners (4, 2) of a sheet's squares grown by a margin, in its own frame, counter-clockwise from lower left."""
    (width, height), (dx, dy) = sheet.size, margin
    return np.array([[-dx, -height - dy], [width + dx, -height - dy], [width + dx, dy], [-dx, dy]])
