"""A lens calibrated from several photos of printed sheets: which model, how sure, and what would make it surer.

Every photo shows a bench of its own: where sheets lie to each other may differ from photo to photo. Sheets that lie
in one photo share its plane.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np

from digitize.model.camera import LensProfile
from digitize.model.errors import Caveat, PhotoError, SheetError
from digitize.model.segment import Points
from digitize.model.sheet import Sheet
from digitize.vision.calibrate import (
    MODELS,
    Model,
    Shot,
    averaged,
    fit_model,
    fitted,
    layout_of,
    lens_of,
)
from digitize.vision.checkerboard import find_sheets
from digitize.vision.layout import Layout
from digitize.vision.lensfield import FieldSize, best_next, difference, field_mm, frame_grid
from digitize.vision.mottle import check_paper, mottle
from digitize.vision.photo import Photo
from digitize.vision.solve import Fit
from digitize.vision.step import Floats

LEAST_PHOTOS = 4
LEAST_HALF = 3  # photos in each half of a cross-validation
LEAST_TURN_DEG = 12.0  # between the two photos that look at their sheets most differently
SOFT_PX = 2.5  # standard deviation of the blur of the edges between squares
MOST_FOCAL = 0.01  # relative standard error; more tells of photos that are all alike
RMS_LIMIT_PX = 1.0
HALVES_RATIO = 1.5  # halves that disagree by more than this times what their covariances tell scale these
SURPRISE = 2.5  # and beyond this it is told


@dataclass(frozen=True, eq=False)
class Calibration:
    """A calibrated lens and how it came about.

    profile : what is kept
    model : its name; scores: the description length of each model less the best one's
    used, left_out : photos, the latter with the reason
    pixels, residuals : (N, 2) px, of the grid points used; outliers : how many were dropped
    photo_rms : px, of each photo used
    sigma_mm : (rows, columns) expected error (1 sigma) on a bench at 700 mm, over the frame
    halves : rms and largest distance, mm, between two calibrations from half of the photos each, same bench; None with
        too few photos
    advice : the further photo that would help most
    """

    profile: LensProfile
    model: str
    scores: dict[str, float]
    used: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    pixels: Points
    residuals: Points
    outliers: int
    photo_rms: tuple[float, ...]
    sigma_mm: Floats
    halves: FieldSize | None
    advice: str
    caveats: tuple[Caveat, ...]


def take(photo: Photo, board: Sheet | None = None, scale: tuple[float, float] = (1.0, 1.0)) -> Shot:
    """The sheets in a calibration photo, its grid points as the sensor saw them."""
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    sightings, size = find_sheets(grey, board, scale), photo.size
    mottled = mottle(photo.pixels, sightings)
    for _ in range(photo.turns):  # undo a quarter turn clockwise: (x, y) was (y, width - 1 - x)
        sightings = [
            replace(s, pixels=np.stack([s.pixels[:, 1], size[0] - 1 - s.pixels[:, 0]], axis=1)) for s in sightings
        ]
        size = size[::-1]
    return Shot(photo.name, photo.camera, photo.focal_35mm, size, tuple(sightings), mottled)


def calibrate(shots: Sequence[Shot], name: str = "", models: Sequence[Model] = MODELS) -> Calibration:
    """The lens of several photos, by that of ``models`` which describes them best.

    Raises
    ------
    PhotoError if they are of different cameras, too few, too blurred or too similar
    SheetError if the sheets fit no lens
    """
    _check_alike(shots)
    good, left_out = _sorted_out(shots)
    fits, kept, outliers = fitted(good, models)
    _check_spread(fits[0], layout_of(kept, models[0]), len(kept))
    reference, points = fits[-1].factor, sum(s.points for s in kept)
    lengths = [f.misfit / reference**2 + len(m.free) * np.log(2 * points) for f, m in zip(fits, models, strict=True)]
    best = int(np.argmin(lengths))
    found, model = fits[best], models[best]
    mean, covariance = averaged(
        [lens_of(f, len(kept), m) for f, m in zip(fits, models, strict=True)], np.array(lengths) - min(lengths)
    )
    halves, ratio = _halves(kept, model, mean)
    covariance = covariance * (ratio**2 if ratio > HALVES_RATIO else 1.0)
    size = shots[0].size
    rms = float(np.sqrt((found.residuals**2).sum(axis=1).mean()))
    _check_fit(rms, float(np.sqrt(covariance[0, 0])) / mean[0])
    profile = LensProfile(
        name=name,
        camera=shots[0].camera,
        focal_35mm=shots[0].focal_35mm,
        size=size,
        parameters=tuple(map(float, mean)),
        covariance=tuple(tuple(map(float, row)) for row in covariance),
        rms_px=rms,
        model=model.name,
        photos=len(kept),
        points=points,
    )
    return Calibration(
        profile=profile,
        model=model.name,
        scores={m.name: float(x - min(lengths)) for m, x in zip(models, lengths, strict=True)},
        used=tuple(s.name for s in kept),
        left_out=left_out,
        pixels=np.vstack([sighting.pixels for s in kept for sighting in s.sightings]),
        residuals=found.residuals,
        outliers=outliers,
        photo_rms=tuple(_photo_rms(kept, found)),
        sigma_mm=field_mm(mean, covariance, size),
        halves=halves,
        advice=best_next(mean, covariance, size, kept[0].sightings[0].sheet, found.factor * _sigma(kept)),
        caveats=_caveats(left_out, halves, ratio) + check_paper(float(np.median([s.mottle for s in kept]))),
    )


def _sigma(shots: Sequence[Shot]) -> float:
    return float(np.median(np.concatenate([sighting.sigma for s in shots for sighting in s.sightings])))


def _check_alike(shots: Sequence[Shot]) -> None:
    """Refuse photos of several cameras, focal lengths or sizes."""
    told = {
        "cameras": [s.camera or "unknown" for s in shots],
        "focal lengths": ["unknown" if s.focal_35mm is None else f"{s.focal_35mm:g} mm" for s in shots],
        "sizes": [f"{s.size[0]} x {s.size[1]} px" for s in shots],
    }
    for what, each in told.items():
        kinds = sorted(set(each), key=lambda kind: -each.count(kind))
        if len(kinds) > 1:
            raise PhotoError(
                f"the photos are of {len(kinds)} {what} ({', '.join(kinds[:3])}; “{shots[each.index(kinds[-1])].name}” "
                f"is of {kinds[-1]})",
                "calibrate from photos of one camera, lens and zoom, all uncropped",
            )


def _sorted_out(shots: Sequence[Shot]) -> tuple[list[Shot], tuple[tuple[str, str], ...]]:
    """The photos to use, and those left out with the reason."""
    good, left_out = [], []
    for shot in shots:
        if not shot.sightings:
            left_out.append((shot.name, "no sheet found"))
        elif shot.blur > SOFT_PX:
            left_out.append((shot.name, f"out of focus, blur {shot.blur:.1f} px (limit {SOFT_PX:.1f} px)"))
        else:
            good.append(shot)
    if len(good) < LEAST_PHOTOS:
        why = "; ".join(f"“{name}”: {reason}" for name, reason in left_out[:3])
        raise PhotoError(
            f"{len(good)} of {len(shots)} photos can be used and at least {LEAST_PHOTOS} are needed"
            + (f" ({why})" if why else ""),
            "photograph a sheet that fills most of the frame 8 to 16 times, sharp, in the middle and near each corner, "
            "straight on and tilted by 30 to 40 degrees to all sides",
        )
    return good, tuple(left_out)


def _check_spread(found: Fit, layout: Layout, photos: int) -> None:
    """Refuse photos that all look at their sheets alike: they tell focal length from distance poorly."""
    normals = [cv2.Rodrigues(found.parameters[layout.pose(k)][:3])[0][:, 2] for k in range(photos)]
    apart = max(np.degrees(np.arccos(np.clip(a @ b, -1.0, 1.0))) for a, b in combinations(normals, 2))
    if apart < LEAST_TURN_DEG:
        raise PhotoError(
            f"the photos are too similar: they look at the sheets within {apart:.0f} degrees of each other (at least "
            f"{LEAST_TURN_DEG:.0f} are needed)",
            "tilt the camera by 30 to 40 degrees to different sides for some of the photos",
        )


def _check_fit(rms: float, focal: float) -> None:
    if rms > RMS_LIMIT_PX:
        raise SheetError(
            f"the grid points miss any lens by {rms:.1f} px (limit {RMS_LIMIT_PX:.1f} px)",
            "tape the sheets to something flat, give their right size, and photograph again",
        )
    if focal > MOST_FOCAL:
        raise PhotoError(
            f"the focal length is only known to {focal:.1%} (limit {MOST_FOCAL:.0%})",
            "add photos with the camera tilted by 30 to 40 degrees and with sheets near the corners",
        )


def _photo_rms(shots: Sequence[Shot], found: Fit) -> list[float]:
    parts = np.split(found.residuals, np.cumsum([s.points for s in shots])[:-1])
    return [float(np.sqrt((r**2).sum(axis=1).mean())) for r in parts]


def _halves(shots: Sequence[Shot], model: Model, mean: Floats) -> tuple[FieldSize | None, float]:
    """How far two calibrations from every other photo each lie apart on the bench, and that over what is expected."""
    if len(shots) < 2 * LEAST_HALF:
        return None, 1.0
    halves = list(shots[0::2]), list(shots[1::2])
    lenses = [lens_of(fit_model(half, model, mean), len(half), model) for half in halves]
    size = shots[0].size
    apart = np.linalg.norm(difference(lenses[0][0], lenses[1][0], frame_grid(size)), axis=1)
    expected = np.hypot(*(field_mm(m, c, size) for m, c in lenses))
    rms = float(np.sqrt((apart**2).mean()))
    return FieldSize(rms, float(apart.max())), rms / float(np.sqrt((expected**2).mean()))


def _caveats(left_out: Sequence[tuple[str, str]], halves: FieldSize | None, ratio: float) -> tuple[Caveat, ...]:
    found = []
    if left_out:
        words = "; ".join(f"“{name}”: {reason}" for name, reason in left_out)
        found.append(Caveat(f"{len(left_out)} photos were left out ({words})", "take them again"))
    if halves and ratio > SURPRISE:
        found.append(
            Caveat(
                f"two halves of the photos disagree by {halves.rms:.3f} mm at 700 mm, {ratio:.1f} times what is "
                f"expected (limit {SURPRISE:g})",
                "tape the sheets to something flat, keep focus and zoom, and photograph again",
            )
        )
    return tuple(found)
