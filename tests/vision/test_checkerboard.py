"""Sheets in synthetic photos with exact truth: which are found, how well grid points are placed, what is dropped."""

from __future__ import annotations

import time
from dataclasses import replace

import cv2
import numpy as np
import pytest

from digitize.model.sheet import MARKERS_EACH, coded_sheet, plain_sheet
from digitize.vision.checkerboard import Sighting, find_sheets, marker_cells, marker_squares
from tests.scenes import LaidSheet, Part, Scene, laid, rectangle, render, sheet_points

RMS_PX = 0.015  # per axis, sharp photos with noise of 1.5 grey levels; cornerSubPix reaches 0.03 on the same
ALIGNED_RMS_PX = 0.025  # edges in step with the pixels: nothing averages the pixels' phase away
BIAS_PX = 0.005
WORST_PX = 0.08  # a point beside a shadow or the border of a glare
PULL = (0.1, 1.5)  # error over its own sigma, root mean square; blur that reaches the markers makes sigma cautious
REFUSAL_S = 5.0  # 2 s are promised on an idle machine; OpenCV's plain search at full size takes over 20 s

ASKEW = laid(coded_sheet(0), (150, 0), 5)
ALIGNED = laid(coded_sheet(1), (-150, 20), -90)
BOARD = plain_sheet(10, 7, 25)


def grey(scene: Scene) -> np.ndarray:
    return cv2.cvtColor(render(scene).pixels, cv2.COLOR_RGB2GRAY)


def truth(scene: Scene, lay: LaidSheet) -> np.ndarray:
    """Where every grid point of a sheet lies in the photo, (n, 2) px."""
    return scene.image_from_bench(*sheet_points(lay, lay.sheet.grid_points() * lay.printed))


def errors(scene: Scene, lay: LaidSheet, sighting: Sighting) -> np.ndarray:
    return sighting.pixels - truth(scene, lay)[sighting.ids]


def rms(error: np.ndarray) -> float:
    return float(np.sqrt((error**2).mean()))


def test_marker_cells_draw_the_board_that_opencv_draws() -> None:
    """An independent drawing of sheet 3: 56 px a square, 6 px a cell, a gap of 7 px."""
    drawn = np.full((12 * 56, 9 * 56), 255, np.uint8)
    for row, column in np.ndindex(12, 9):
        if (row + column) % 2 == 0:
            drawn[row * 56 : (row + 1) * 56, column * 56 : (column + 1) * 56] = 0
    for cells, (row, column) in zip(marker_cells(3), marker_squares(), strict=True):
        y, x = row * 56 + 7, column * 56 + 7
        drawn[y : y + 42, x : x + 42] = np.where(np.kron(cells, np.ones((6, 6), bool)), 0, 255)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    ids = np.arange(MARKERS_EACH) + 3 * MARKERS_EACH
    board = cv2.aruco.CharucoBoard((9, 12), 20.0, 15.0, dictionary, ids)
    np.testing.assert_array_equal(drawn, board.generateImage((9 * 56, 12 * 56)))


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"tilt": 35.0, "height": 500.0},
        {"distortion": (-0.12, 0.03, 0.0005, -0.0004, 0.0)},
        {"blur": 1.8},
        {"size": (1200, 1600), "roll": 90.0},
    ],
    ids=["plain view", "tilted", "barrel", "soft", "portrait"],
)
def test_every_grid_point_is_found_where_it_is(change: dict) -> None:
    scene = replace(Scene(sheets=(laid(coded_sheet(7), (10, -5), 12),)), **change)
    (sighting,) = find_sheets(grey(scene))
    error = errors(scene, scene.sheets[0], sighting)
    assert sighting.sheet == coded_sheet(7)
    assert sighting.expected == 88
    assert len(sighting.ids) >= 86
    assert rms(error) < RMS_PX
    assert np.abs(error.mean(axis=0)).max() < BIAS_PX
    assert PULL[0] < rms(error / sighting.sigma[:, None]) < PULL[1]


def test_a_sheet_in_line_with_the_pixels_is_hardly_worse() -> None:
    scene = Scene(sheets=(ALIGNED,))
    (sighting,) = find_sheets(grey(scene))
    assert rms(errors(scene, ALIGNED, sighting)) < ALIGNED_RMS_PX


def test_several_sheets_each_with_its_number_the_fullest_first() -> None:
    scene = Scene(sheets=(ASKEW, ALIGNED), parts=(Part(rectangle(120, 80, (70, 0)), 6),))
    whole, covered = find_sheets(grey(scene))
    assert (whole.sheet.number, covered.sheet.number) == (1, 0)
    assert len(covered.ids) < len(whole.ids)
    for sighting, lay in ((whole, ALIGNED), (covered, ASKEW)):
        assert np.linalg.norm(errors(scene, lay, sighting), axis=1).max() < WORST_PX


def test_points_under_a_part_or_in_glare_are_dropped() -> None:
    scene = Scene(sheets=(ASKEW,), parts=(Part(rectangle(100, 80, (110, 20)), 6),), glare=(190, -40, 15, 2.0))
    (sighting,) = find_sheets(grey(scene))
    bench = sheet_points(ASKEW, sighting.points)[0]
    under = (np.abs(bench - (110, 20)) < (49, 39)).all(axis=1)
    assert not under.any()
    assert np.linalg.norm(bench - (190, -40), axis=1).min() > 8
    assert 30 < len(sighting.ids) < 80
    assert sighting.expected == 88
    assert np.linalg.norm(errors(scene, ASKEW, sighting), axis=1).max() < WORST_PX


def test_a_sheet_cut_by_the_frame_gives_the_points_in_view() -> None:
    lay = laid(coded_sheet(0), (330, 170), 25)
    scene = Scene(sheets=(lay,))
    (sighting,) = find_sheets(grey(scene))
    px = truth(scene, lay)
    inside = int(((px > 0) & (px < np.array(scene.size) - 1)).all(axis=1).sum())
    assert 20 < inside < 88
    assert sighting.expected == pytest.approx(inside, abs=1)
    assert inside * 0.75 < len(sighting.ids) <= inside
    assert rms(errors(scene, lay, sighting)) < RMS_PX


def test_a_sheet_of_which_little_is_seen_still_counts() -> None:
    """The part leaves two rows of squares at one end: nine markers, eight grid points and more."""
    lay = laid(coded_sheet(2), (0, 0), 0)
    scene = Scene(sheets=(lay,), parts=(Part(rectangle(240, 210, (0, -52)), 3),))
    (sighting,) = find_sheets(grey(scene))
    assert 8 <= len(sighting.ids) <= 24
    assert np.linalg.norm(errors(scene, lay, sighting), axis=1).max() < WORST_PX


def test_the_same_sheet_twice_is_seen_twice() -> None:
    other = laid(coded_sheet(0), (-150, 20), -88)
    scene = Scene(sheets=(ASKEW, other))
    found = find_sheets(grey(scene))
    assert [s.sheet.number for s in found] == [0, 0]
    off = [[rms(errors(scene, lay, s)) for lay in (ASKEW, other)] for s in found]
    assert sorted(int(np.argmin(o)) for o in off) == [0, 1]
    assert max(min(o) for o in off) < RMS_PX


def test_print_scale_is_carried_to_the_grid() -> None:
    lay = LaidSheet(coded_sheet(0, (0.97, 0.98)), ASKEW.turn, ASKEW.shift)
    scene = Scene(sheets=(lay,))
    (sighting,) = find_sheets(grey(scene), scale=(0.97, 0.98))
    assert sighting.sheet.scale == (0.97, 0.98)
    assert rms(errors(scene, lay, sighting)) < RMS_PX


@pytest.mark.parametrize(("degrees", "tilt"), [(12, 8), (100, 30), (200, 20), (-60, 0)])
@pytest.mark.parametrize("board", [BOARD, plain_sheet(8, 8, 22)], ids=["10x7", "8x8"])
def test_a_plain_board_is_never_mirrored(degrees: float, tilt: float, board) -> None:
    lay = laid(board, (20, 0), degrees)
    scene = Scene(sheets=(lay,), tilt=tilt)
    (sighting,) = find_sheets(grey(scene), board)
    px = np.full((len(board.grid_points()), 2), np.nan)
    px[sighting.ids] = sighting.pixels
    grid, seen = (
        truth(scene, lay).reshape(board.down - 1, board.across - 1, 2),
        px.reshape(board.down - 1, board.across - 1, 2),
    )
    # a turned board is as good as the board: half a turn, or a quarter where it is square; a mirrored one is not
    turns = range(4) if board.across == board.down else (0, 2)
    assert len(sighting.ids) > 0.9 * len(px)
    assert min(np.nanmax(np.abs(np.rot90(grid, k) - seen)) for k in turns) < WORST_PX


def test_blur_is_measured() -> None:
    """The camera's blur, its pixels (variance 1/12) and the interpolation between them (1/6) add up."""
    scene = Scene(sheets=(laid(coded_sheet(4), (0, 0), 10),), blur=1.5, height=350.0)
    (sighting,) = find_sheets(grey(scene))
    assert np.median(sighting.blur) == pytest.approx(np.sqrt(1.5**2 + 1 / 12 + 1 / 6), rel=0.1)


@pytest.mark.parametrize("board", [None, BOARD], ids=["coded", "plain"])
def test_a_photo_without_a_sheet_is_told_soon(board) -> None:
    noise = np.random.default_rng(5).integers(0, 255, (3024, 4032), dtype=np.uint8)
    texture = cv2.normalize(cv2.GaussianBlur(noise, (0, 0), 4), None, 0, 255, cv2.NORM_MINMAX)
    begun = time.perf_counter()
    assert find_sheets(texture, board) == []
    assert time.perf_counter() - begun < REFUSAL_S


def test_the_other_kind_of_sheet_is_not_taken_for_the_one_asked_for() -> None:
    assert find_sheets(grey(Scene(sheets=(ASKEW,))), BOARD) == []
    assert find_sheets(grey(Scene(sheets=(laid(BOARD, (0, 0), 10),)))) == []


def test_one_row_of_grid_points_is_no_sheet() -> None:
    """Nine markers in two rows of squares leave one row of grid points: they fix no plane."""
    lay = laid(coded_sheet(2), (0, 0), 0)
    scene = Scene(sheets=(lay,), parts=(Part(rectangle(240, 217, (0, -28)), 1),))
    assert find_sheets(grey(scene)) == []
