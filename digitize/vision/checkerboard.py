"""Sheets found in the photo: searched at reduced size, grid points refined at full size."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from numpy.polynomial.polynomial import polyvander2d

from digitize.model.segment import Points
from digitize.model.sheet import CODED_SHEETS, MARKERS_EACH, Sheet, coded_sheet
from digitize.vision.gridpoint import ImageFromSheet, Refined, refine
from digitize.vision.photo import Image
from digitize.vision.step import Floats

DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
CELLS = 7  # a marker's cells along one side: five of code and a black border
SEARCH_PX = (1600, 2800)  # long side of the photo when searched for markers; the larger only where the smaller fails
SEARCH_WINDOWS_PX = ((23, 23), (7, 27))  # of the adaptive threshold, from .. to in steps of 10
PLAIN_SEARCH_PX = (1000, 640, 1600)  # the same for a plain board
LEAST_MARKERS = 4
LEAST_POINTS = 8  # grid points; with fewer a sheet is left out
PLAIN_SHARE = 0.6  # of a plain board's grid points: it has to be whole in view, and fewer are a false find
MARKER_TOL_PX = 3.0  # of the reduced photo: markers farther from their sheet's plane belong to another copy of it
MAP_ORDERS = ((80, 5), (50, 4), (40, 3), (20, 2), (0, 0))  # of the map's polynomial, by grid points
MAP_OUTLIER = 6.0  # robust standard deviations from the sheet's smooth map


@dataclass(frozen=True, eq=False)
class Sighting:
    """One sheet as one photo shows it.

    ids : (n,) int, indices into ``sheet.grid_points()``
    pixels : (n, 2) px, upright photo, pixel centres at integers
    sigma : (n,) px, standard error of each grid point along either axis
    expected : how many of the sheet's grid points should lie within the frame
    blur : (n, 2) px, standard deviation of the edges' blur along the sheet's x and y
    contrast : (n,) linear light (0..1) between light and dark squares
    """

    sheet: Sheet
    ids: npt.NDArray[np.intp]
    pixels: Points
    sigma: Floats
    expected: int
    blur: Floats
    contrast: Floats

    @property
    def points(self) -> Points:
        """The seen grid points in the sheet's own frame, (n, 2), mm."""
        return self.sheet.grid_points()[self.ids]


def find_sheets(grey: Image, plain: Sheet | None = None, scale: tuple[float, float] = (1.0, 1.0)) -> list[Sighting]:
    """Every coded sheet in the photo, or the one ``plain`` board; the sheet with most grid points first.

    Parameters
    ----------
    grey : (H, W) uint8, the photo's luma
    plain : the board to look for; None looks for coded sheets
    scale : print scale of the coded sheets along x and y (a plain board carries its own)

    A coded sheet that shows fewer than LEAST_MARKERS markers or LEAST_POINTS grid points is left out, a plain board
    that shows less than PLAIN_SHARE of them. The same sheet lying twice on the bench gives two sightings. An empty list
    means that there is none.
    """
    seeds = _coded_seeds(grey, scale) if plain is None else _plain_seeds(grey, plain)
    sightings = [_sighting(grey, sheet, homography) for sheet, homography in seeds]
    least = LEAST_POINTS if plain is None else PLAIN_SHARE * len(plain.grid_points())
    kept = [s for s in sightings if len(s.ids) >= least and _spread(s.sheet, s.ids)]
    return sorted(kept, key=lambda s: -len(s.ids))


def marker_cells(number: int) -> npt.NDArray[np.bool_]:
    """The markers of coded sheet ``number``: (54, 7, 7) bool, True = black, [marker, row from the top, column].

    The sheet is OpenCV's CharucoBoard((9, 12), 20, 15, DICT_5X5_1000, ids 54k .. 54k+53), not the legacy layout: the
    square in row r and column c (from the upper left, which is black) is black where r + c is even. The white squares
    carry the markers in reading order, row by row; each marker is 15 mm wide, centred in its 20 mm square (2.5 mm of
    white all round), its seven cells 15/7 mm each, the outermost ring black. ``marker_squares`` lists the squares.
    """
    first = MARKERS_EACH * number
    pictures = [DICTIONARY.generateImageMarker(first + i, CELLS, borderBits=1) for i in range(MARKERS_EACH)]
    black: npt.NDArray[np.bool_] = np.asarray(pictures) == 0
    return black


def marker_squares() -> npt.NDArray[np.intp]:
    """Row and column of each marker's square, (54, 2), from the sheet's upper left, in the order of marker_cells."""
    sheet = coded_sheet(0)
    row, column = np.divmod(np.arange(sheet.across * sheet.down), sheet.across)
    white = (row + column) % 2 == 1
    return np.stack([row[white], column[white]], axis=1)


def _marker_corners(sheet: Sheet) -> Points:
    """Corners of all markers in the sheet's frame, (54, 4, 2), mm: clockwise from the upper left as printed."""
    row, column = marker_squares().T
    centre = np.stack([column + 0.5, -(row + 0.5)], axis=1) * sheet.square
    half = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * sheet.marker / 2
    corners: Points = (centre[:, None] + half) * np.asarray(sheet.scale)
    return corners


def _coded_seeds(grey: Image, scale: tuple[float, float]) -> list[tuple[Sheet, Points]]:
    """Each coded sheet with its rough homography image_from_sheet (3, 3), from its markers at reduced size."""
    seeds: list[tuple[Sheet, Points]] = []
    for size, (least, most) in zip(SEARCH_PX, SEARCH_WINDOWS_PX, strict=True):
        small, shrink = _reduced(grey, size)
        settings = cv2.aruco.DetectorParameters()
        settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = least, most
        quads, found, _ = cv2.aruco.ArucoDetector(DICTIONARY, settings).detectMarkers(small)
        ids = np.zeros(0, dtype=int) if found is None else np.asarray(found).ravel()
        corners = np.asarray(quads, dtype=np.float64).reshape(-1, 4, 2)
        seeds, whole = [], len(ids) > 0
        for number in np.unique(ids[ids < CODED_SHEETS * MARKERS_EACH] // MARKERS_EACH):
            mine = ids // MARKERS_EACH == number
            sheet = coded_sheet(int(number), scale)
            planes = _planes(sheet, ids[mine] % MARKERS_EACH, corners[mine])
            seeds += [(sheet, _full_size(shrink) @ homography) for homography in planes]
            whole &= len(planes) > 0
        if whole:
            break
    return seeds


def _planes(sheet: Sheet, ids: npt.NDArray[np.intp], corners: Points) -> list[Points]:
    """Homographies (3, 3) of all copies of one sheet: a second copy shows markers that the first has shown already."""
    found = []
    printed = _marker_corners(sheet)
    while len(ids) >= LEAST_MARKERS:
        markers = printed[ids]
        homography, _ = cv2.findHomography(markers.reshape(-1, 2), corners.reshape(-1, 2), cv2.RANSAC, MARKER_TOL_PX)
        if homography is None:
            break
        off = transformed(markers, homography).reshape(corners.shape) - corners
        mine = np.linalg.norm(off, axis=2).max(axis=1) < 2 * MARKER_TOL_PX
        if mine.sum() < LEAST_MARKERS:
            break
        found.append(np.asarray(homography, dtype=np.float64))
        left = ~mine & np.isin(ids, ids[mine])
        ids, corners = ids[left], corners[left]
    return found


def _plain_seeds(grey: Image, sheet: Sheet) -> list[tuple[Sheet, Points]]:
    """The plain board with its rough homography (3, 3), or nothing. Half a turn that does not show may come out."""
    size = (sheet.across - 1, sheet.down - 1)
    for longest in PLAIN_SEARCH_PX:
        small, shrink = _reduced(grey, longest)
        found, corners = cv2.findChessboardCornersSB(small, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
        if found:
            break
        if shrink == 1.0:
            return []
    else:
        return []
    grid = np.asarray(corners, dtype=np.float64).reshape(size[1], size[0], 2)
    along, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if along[0] * down[1] - along[1] * down[0] < 0:  # a mirrored board: the finder counted its columns backwards
        grid = grid[:, ::-1]
    if _turned(small, sheet, grid):
        grid = grid[::-1, ::-1]
    homography, _ = cv2.findHomography(sheet.grid_points(), grid.reshape(-1, 2))
    return [(sheet, _full_size(shrink) @ np.asarray(homography, dtype=np.float64))]


def _turned(grey: Image, sheet: Sheet, grid: Points) -> bool:
    """Whether a plain board's grid points (rows, columns, 2) run from its lower right: there the square is white.

    Only a board with an odd and an even number of squares tells; its upper left square is taken to be black.
    """
    if (sheet.across + sheet.down) % 2 == 0:
        return False
    middles = (grid[:-1, :-1] + grid[:-1, 1:] + grid[1:, :-1] + grid[1:, 1:]) / 4
    x, y = middles.reshape(-1, 2).round().astype(int).T
    row, column = np.indices(middles.shape[:2])
    black, levels = ((row + column) % 2 == 0).ravel(), grey[y, x].astype(float)
    return bool(levels[black].mean() > levels[~black].mean())


def _reduced(grey: Image, longest: int) -> tuple[Image, float]:
    """The photo with its long side reduced to ``longest`` px, and the factor (1 where it is small already)."""
    shrink = min(1.0, longest / max(grey.shape))
    if shrink == 1.0:
        return grey, 1.0
    return np.asarray(cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)), shrink


def _full_size(shrink: float) -> Points:
    """Full-size px from reduced px as a homography: pixel centres at integers in both."""
    shift = 0.5 / shrink - 0.5
    return np.array([[1 / shrink, 0.0, shift], [0.0, 1 / shrink, shift], [0.0, 0.0, 1.0]])


def _spread(sheet: Sheet, ids: npt.NDArray[np.intp]) -> bool:
    """Whether the grid points fill a plane: enough of them, in more than one row and column, also without any one."""
    rows, columns = np.divmod(ids, sheet.across - 1)
    return len(ids) >= LEAST_POINTS and all(
        np.count_nonzero(a != np.bincount(a).argmax()) >= 2 for a in (rows, columns)
    )


def transformed(points: Points, homography: npt.ArrayLike) -> Points:
    """Points (N, 2) through a homography (3, 3)."""
    matrix = np.asarray(homography, dtype=np.float64)
    return np.asarray(cv2.perspectiveTransform(points.reshape(-1, 1, 2), matrix), dtype=np.float64).reshape(-1, 2)


def _sighting(grey: Image, sheet: Sheet, homography: Points) -> Sighting:
    """Refine twice: roughly about the homography, then about the smooth map through what the first pass found."""

    def seed(xy: Points) -> Points:
        return transformed(xy, homography)

    every = np.arange(len(sheet.grid_points()))
    rough = refine(grey, sheet, every, seed, rough=True)
    if not _spread(sheet, rough.ids):
        return _seen(grey, sheet, rough, seed)
    rough_map = _smooth_map(sheet, rough)
    fine = refine(grey, sheet, every, rough_map)
    if not _spread(sheet, fine.ids):
        return _seen(grey, sheet, fine, rough_map)
    fine_map = _smooth_map(sheet, fine)
    off = np.linalg.norm(fine.pixels - fine_map(sheet.grid_points()[fine.ids]), axis=1)
    keep = off < MAP_OUTLIER * 1.4826 * np.median(np.sqrt(off**2 + fine.sigma**2))
    kept = Refined(fine.ids[keep], fine.pixels[keep], fine.sigma[keep], fine.blur[keep], fine.contrast[keep])
    return _seen(grey, sheet, kept, fine_map)


def _seen(grey: Image, sheet: Sheet, points: Refined, image_from_sheet: ImageFromSheet) -> Sighting:
    predicted = image_from_sheet(sheet.grid_points())
    height, width = grey.shape
    expected = int(((predicted > 0) & (predicted < (width - 1, height - 1))).all(axis=1).sum())
    return Sighting(sheet, points.ids, points.pixels, points.sigma, expected, points.blur, points.contrast)


def _smooth_map(sheet: Sheet, points: Refined) -> ImageFromSheet:
    """A homography plus a low polynomial for what the lens does to it, through the refined points.

    A strong lens bends the image of a sheet that fills the photo by more than a cubic; few points get a lower order.
    """
    xy = sheet.grid_points()[points.ids]
    homography, _ = cv2.findHomography(xy, points.pixels, cv2.RANSAC, MARKER_TOL_PX)
    if homography is None:
        homography, _ = cv2.findHomography(xy, points.pixels)
    order = next(order for least, order in MAP_ORDERS if len(xy) >= least)
    half = np.asarray(sheet.size) / 2
    low = np.add.outer(np.arange(order + 1), np.arange(order + 1)) <= order

    def terms(p: Points) -> Floats:
        x, y = ((p - half * (1, -1)) / half).T
        return np.asarray(polyvander2d(x, y, [order, order]))[:, low.ravel()]

    left: Points = points.pixels - transformed(xy, homography)
    weight = np.ones(len(xy))
    bend: Floats = np.zeros((int(low.sum()), 2))
    for _ in range(4 if order else 0):
        bend = np.asarray(np.linalg.lstsq(terms(xy) * weight[:, None], left * weight[:, None], rcond=None)[0])
        off = np.linalg.norm(left - terms(xy) @ bend, axis=1)
        weight = 1 / np.sqrt(1 + (off / (2.4 * np.median(off) + 1e-9)) ** 2)
    return lambda p: transformed(p, homography) + terms(p) @ bend
