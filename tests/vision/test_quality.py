"""Photo quality, on synthetic photos whose blur, light and place are known."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from digitize.model.errors import PhotoError
from digitize.model.sheet import coded_sheet
from digitize.vision.checkerboard import find_sheets
from digitize.vision.mask import find_parts
from digitize.vision.photo import Photo
from digitize.vision.quality import blur_sigma, judge, judge_photo, measured_blur
from digitize.vision.view import View, solve_view
from tests.scenes import Part, Scene, laid, rectangle, render, true_view

BLUR_TOL_PX = 0.12  # the pixel's own box adds 1/sqrt(12) in squares; how it is booked differs by so much
WIDE_BLUR_SHORT = 0.12  # a blur as wide as the gap round a marker allows to see is read short by so much
ROUND_RATIO = 1.05  # blur along over blur across of a photo that was held still
SMEAR_TOL_PX, DIRECTION_TOL_DEG = 0.8, 5.0
SHEETS = (laid(coded_sheet(0), (190, 0), 5), laid(coded_sheet(1), (-195, 10), -8))
CLOSE = Scene((), SHEETS[:1], target=(190.0, 0.0), height=330.0)  # 0.27 mm in one px
PART = Part(rectangle(130, 80, (0, 0), 20), 6)


def seen(scene: Scene) -> tuple[Photo, View]:
    photo = render(scene)
    sheets = find_sheets(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY))
    return photo, solve_view(sheets, photo.size, scene.focal)[0]


def caveats(scene: Scene) -> list[str]:
    photo, view = seen(scene)
    return [c.problem for c in judge(photo, view)]


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
def test_blur_is_measured(sigma: float) -> None:
    photo, view = seen(replace(CLOSE, blur=sigma))
    blur = measured_blur(photo, view)
    least, most = (1 - WIDE_BLUR_SHORT) * sigma - BLUR_TOL_PX, math.hypot(sigma, 1 / math.sqrt(12)) + BLUR_TOL_PX
    assert least < blur.least <= blur.most < most
    assert least < blur_sigma(view) < most
    assert blur.most < ROUND_RATIO * blur.least


@pytest.mark.parametrize("length, degrees", [(5.0, 25.0), (6.0, 135.0), (4.0, 90.0)])
def test_motion_is_told_with_length_and_direction_even_from_one_sheet(length: float, degrees: float) -> None:
    scene = Scene((PART,), SHEETS[:1], motion=(length, degrees))
    photo, view = seen(scene)
    blur = measured_blur(photo, view)
    assert blur.smear == pytest.approx(length, abs=SMEAR_TOL_PX)
    off = (math.degrees(blur.direction) - degrees + 90) % 180 - 90
    assert abs(off) < DIRECTION_TOL_DEG
    problems = [c.problem for c in judge(photo, view)]
    assert any("motion" in p and f"{blur.smear:.1f} px" in p for p in problems)


def test_a_good_photo_has_nothing_to_say() -> None:
    scene = Scene((PART,), SHEETS)
    photo, view = seen(scene)
    judge_photo(photo)
    assert judge(photo, view, find_parts(photo, view)) == ()


def test_a_soft_photo_is_told() -> None:
    assert any("soft" in p for p in caveats(replace(CLOSE, blur=2.5)))


def test_light_is_told() -> None:
    assert any("under-exposed" in p for p in caveats(Scene((PART,), SHEETS, exposure=0.15)))
    assert any("over-exposed" in p for p in caveats(Scene((PART,), SHEETS, exposure=1.6)))
    assert any("noisy" in p for p in caveats(Scene((PART,), SHEETS, noise=14.0)))


def test_a_far_camera_and_a_steep_one_are_told() -> None:
    scene = Scene((PART,), SHEETS, height=600, focal=1000)
    assert any("one pixel covers" in c.problem for c in judge(render(scene), true_view(scene)))
    scene = Scene((PART,), SHEETS, tilt=48.0, focal=1600.0)
    assert any("straight down" in c.problem for c in judge(render(scene), true_view(scene)))


def test_a_sheet_far_to_one_side_is_told() -> None:
    part = Part(rectangle(300, 80, (-120, 0)), 6)
    scene = Scene((part,), SHEETS[:1], height=700)
    photo, view = render(scene), true_view(scene)
    assert any("one side" in c.problem for c in judge(photo, view, find_parts(photo, view)))


@pytest.mark.parametrize(
    "pixels, reason",
    [
        (np.zeros((1200, 1600, 3), np.uint8), "black"),
        (np.full((1200, 1600, 3), 200, np.uint8), "blank"),
        (np.full((200, 300, 3), 128, np.uint8), "only 300 x 200 px"),
    ],
)
def test_hopeless_photos_are_refused_at_once(pixels: np.ndarray, reason: str) -> None:
    with pytest.raises(PhotoError, match=reason):
        judge_photo(Photo(pixels))
