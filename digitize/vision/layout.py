"""The parameters of a joint solve: which stand where, and where the photos and sheets lie to start from.

In this order: for each photo rotation vector (3) and translation (3, mm) of camera_from_bench; for each lens fx, fy,
cx, cy (px) and the distortion (5 or 8); then for each place of a sheet x, y (mm), turn (radians), the logarithm of its
size against what it claims, and how far it is arched along x, along y, and twisted (mm).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.camera import Camera
from digitize.model.segment import Points, moved_points
from digitize.vision.checkerboard import Sighting
from digitize.vision.projection import LENS, on_plane, undistorted, with_height
from digitize.vision.step import Floats

PER_SHEET = 7
FLAT = (0.0, 0.0, 0.0)
SIZE, ARCHES = 3, slice(4, 7)  # within a sheet's own


@dataclass(frozen=True)
class Layout:
    """Where each sighting's parameters stand.

    photos : the photo of each sighting; places : its place, among all places
    lenses : the lens of each photo; terms : numbers of each lens
    """

    photos: tuple[int, ...]
    places: tuple[int, ...]
    lenses: tuple[int, ...]
    terms: int

    @property
    def size(self) -> int:
        return LENS * len(self.lenses) + self.terms * (max(self.lenses) + 1) + PER_SHEET * (max(self.places) + 1)

    def pose(self, photo: int) -> slice:
        return slice(LENS * photo, LENS * (photo + 1))

    def lens(self, lens: int) -> slice:
        first = LENS * len(self.lenses) + self.terms * lens
        return slice(first, first + self.terms)

    def place(self, place: int) -> slice:
        first = LENS * len(self.lenses) + self.terms * (max(self.lenses) + 1) + PER_SHEET * place
        return slice(first, first + PER_SHEET)

    def columns(self, photo: int, places: Sequence[int]) -> npt.NDArray[np.intp]:
        """Indices of the parameters that one photo of some places depends on, in the order of a photo alone."""
        slices = [self.pose(photo), self.lens(self.lenses[photo]), *map(self.place, places)]
        return np.concatenate([np.arange(s.start, s.stop) for s in slices])


def lay_out(
    start: Floats, layout: Layout, sightings: Sequence[Sighting], sizes: Sequence[tuple[int, int]]
) -> tuple[int, ...]:
    """Writes poses and places to start from into ``start``, whose lenses are set; returns the places to hold.

    A photo that shows a sheet which an earlier one has placed is laid on it. Any other begins a bench of its own: level
    with that photo, origin in its middle, its first sheet held.
    """
    placed: set[int] = set()
    held = []
    for photo, size in enumerate(sizes):
        mine = [k for k, p in enumerate(layout.photos) if p == photo]
        fx, fy, cx, cy, *distortion = start[layout.lens(layout.lenses[photo])]
        camera = Camera(size, (fx, fy), (cx, cy), tuple(distortion))
        first = next((k for k in mine if layout.places[k] in placed), mine[0])
        known = layout.places[first] in placed
        rotation, translation = _pose(camera, sightings[first])
        place = start[layout.place(layout.places[first])] if known else _level(camera, rotation, translation)
        rotation, translation = _through(rotation, translation, place)
        if not known:
            start[layout.place(layout.places[first])] = place
            held.append(layout.places[first])
        start[layout.pose(photo)] = [*np.asarray(cv2.Rodrigues(rotation)[0]).ravel(), *translation]
        placed.add(layout.places[first])
        for k in (k for k in mine if layout.places[k] not in placed):
            seen = on_plane(undistorted(camera, sightings[k].pixels) @ rotation, -rotation.T @ translation)
            start[layout.place(layout.places[k])] = _rigid(sightings[k].points, seen)
            placed.add(layout.places[k])
    return tuple(held)


def _pose(camera: Camera, sighting: Sighting) -> tuple[Floats, Floats]:
    """camera_from_sheet: rotation (3, 3) and translation (3,)."""
    grid, lens = with_height(sighting.points, 0.0), (camera.matrix, np.array(camera.distortion))
    _, turn, shift = cv2.solvePnP(grid, sighting.pixels, *lens)
    return np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64), np.asarray(shift, dtype=np.float64).ravel()


def _level(camera: Camera, rotation: Floats, translation: Floats) -> Floats:
    """Place of a sheet, seen from ``rotation``, ``translation``, on a bench that is level with the photo, its origin in
    the photo's middle."""
    middle = (np.array(camera.size) - 1) / 2
    beside = middle + np.array([max(camera.size) / 40, 0.0])
    origin, along = on_plane(undistorted(camera, [middle, beside]) @ rotation, -rotation.T @ translation)
    heading = math.atan2(along[1] - origin[1], along[0] - origin[0])
    return np.array([*moved_points([-origin], -heading)[0], -heading, 0.0, *FLAT])


def _through(rotation: Floats, translation: Floats, place: Floats) -> tuple[Floats, Floats]:
    """camera_from_bench, from camera_from_sheet and the sheet's place on the bench."""
    c, s = math.cos(place[2]), math.sin(place[2])
    turned: Floats = rotation @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return turned, translation - turned @ np.array([place[0], place[1], 0.0])


def _rigid(a: Points, b: Points) -> list[float]:
    """x, y, turn (and no scale) that lay the points a (N, 2) best on b (N, 2)."""
    p, q = a - a.mean(axis=0), b - b.mean(axis=0)
    turn = math.atan2(float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()), float((p * q).sum()))
    x, y = b.mean(axis=0) - moved_points([a.mean(axis=0)], turn)[0]
    return [float(x), float(y), turn, 0.0, *FLAT]
