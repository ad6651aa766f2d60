"""Our calibration of real photos against published figures and two independent libraries, on our own grid points.

The photos are 13 pairs of 640 x 480 px of a stereo camera, a board of 9 x 6 inner corners, 30 mm squares (Debian's
package opencv-doc, samples/data/left01..14.jpg and right01..14.jpg).
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.files import read_photo
from digitize.model.camera import LensProfile
from digitize.model.sheet import plain_sheet
from digitize.vision.calibrate import SEARCH, Shot
from digitize.vision.lens import calibrate, take
from digitize.vision.lensfield import difference, field_mm, frame_grid

FOLDER = Path("/usr/share/doc/opencv-doc/examples/data")
BOARD = plain_sheet(10, 7, 30.0)
RMS_PX = 0.20  # best of OpenCV 5.0's own finders on these photos, measured: 0.195
# A public toolbox's result for the same photos (its example 5): focal lengths, and right camera from left, mm
FOCAL_PX = {"left": 533.07, "right": 536.7}
BASELINE_MM = float(np.linalg.norm([99.85, 0.82, 0.44]))
PYTHON = "/usr/bin/python3"  # Debian's, which its package python3-mrcal is for

pytestmark = pytest.mark.skipif(not (FOLDER / "left01.jpg").exists(), reason="Debian package opencv-doc is missing")


@pytest.fixture(scope="module")
def shots() -> dict[str, list[Shot]]:
    return {side: [take(read_photo(p), BOARD) for p in sorted(FOLDER.glob(f"{side}??.jpg"))] for side in FOCAL_PX}


@pytest.fixture(scope="module")
def lenses(shots: dict[str, list[Shot]]) -> dict[str, LensProfile]:
    return {side: calibrate(photos).profile for side, photos in shots.items()}


@pytest.mark.parametrize("side", FOCAL_PX)
def test_published_focal_lengths_are_met(lenses: dict[str, LensProfile], side: str) -> None:
    lens = lenses[side]
    assert lens.photos == 13 and lens.points >= 695
    assert lens.rms_px <= RMS_PX
    assert lens.parameters[0] == pytest.approx(FOCAL_PX[side], rel=0.003)
    assert abs(lens.parameters[0] - FOCAL_PX[side]) < 2 * np.sqrt(lens.covariance[0][0])


def test_the_published_baseline_is_met(shots: dict[str, list[Shot]], lenses: dict[str, LensProfile]) -> None:
    """The two cameras' distance, by OpenCV from our grid points and our two lenses."""
    bench, pixels = [], {side: [] for side in shots}
    for left, right in zip(shots["left"], shots["right"], strict=True):
        ids, a, b = np.intersect1d(left.sightings[0].ids, right.sightings[0].ids, return_indices=True)
        grid = BOARD.grid_points()[ids]
        turned = right.sightings[0].pixels[b]
        if (left.sightings[0].pixels[a[0]] - left.sightings[0].pixels[a[-1]]) @ (turned[0] - turned[-1]) < 0:
            continue  # the board found turned by half a turn in one of the two
        bench.append(np.column_stack([grid, np.zeros(len(grid))]).astype(np.float32))
        pixels["left"].append(left.sightings[0].pixels[a].astype(np.float32))
        pixels["right"].append(turned.astype(np.float32))
    known = [x for side in ("left", "right") for x in _opencv(lenses[side])]
    assert len(bench) >= 11
    found = cv2.stereoCalibrate(
        bench, pixels["left"], pixels["right"], *known, (640, 480), flags=cv2.CALIB_FIX_INTRINSIC
    )
    assert float(np.linalg.norm(found[6])) == pytest.approx(BASELINE_MM, rel=0.001)


def _opencv(lens: LensProfile) -> tuple[np.ndarray, np.ndarray]:
    fx, fy, cx, cy, *distortion = lens.parameters
    return np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1]]), np.array(distortion)


def _object_points(photos: list[Shot]) -> list[np.ndarray]:
    flat = [s.sightings[0].points * (1, -1) for s in photos]
    return [np.column_stack([p, np.zeros(len(p))]).astype(np.float32) for p in flat]


def by_opencv(photos: list[Shot]) -> dict[str, list]:
    pixels = [s.sightings[0].pixels.astype(np.float32) for s in photos]
    _, matrix, distortion, turns, shifts = cv2.calibrateCamera(_object_points(photos), pixels, (640, 480), None, None)
    lens = [matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *distortion.ravel()[:5]]
    poses = np.hstack([np.reshape(turns, (-1, 3)), np.reshape(shifts, (-1, 3))])
    return {"lens": lens, "poses": poses.tolist()}


MRCAL = """
import json, sys
import numpy as np, mrcal
told = json.load(sys.stdin)
seen = np.array(told["seen"])
n = len(seen)
indices = np.stack([np.arange(n), np.zeros(n), -np.ones(n)], axis=1).astype(np.int32)
lens = np.array([told["lens"]])
mrcal.optimize(
    intrinsics=lens, extrinsics_rt_fromref=np.zeros((0, 6)), frames_rt_toref=np.array(told["poses"]), points=None,
    observations_point=None, indices_point_camintrinsics_camextrinsics=None,
    observations_board=seen, indices_frame_camintrinsics_camextrinsics=indices, lensmodel="LENSMODEL_OPENCV5",
    imagersizes=np.array([[640, 480]], dtype=np.int32), calibration_object_spacing=30.0, calobject_warp=np.zeros(2),
    do_optimize_calobject_warp=True, do_apply_outlier_rejection=False, do_apply_regularization=False, verbose=False)
print(json.dumps(lens[0].tolist()))
"""


def by_mrcal(photos: list[Shot]) -> list[float]:
    start, seen = by_opencv(photos), np.full((len(photos), 6, 9, 3), -1.0)
    for k, photo in enumerate(photos):
        s = photo.sightings[0]
        seen[k].reshape(-1, 3)[s.ids] = np.column_stack([s.pixels, np.ones(len(s.ids))])
    shifted = [np.array(p) for p in start["poses"]]
    for pose in shifted:  # mrcal's board begins in its first grid point, ours a square before it
        pose[3:] += cv2.Rodrigues(pose[:3])[0] @ np.array([30.0, 30.0, 0.0])
    told = json.dumps({"lens": start["lens"], "poses": [p.tolist() for p in shifted], "seen": seen.tolist()})
    run = subprocess.run([PYTHON, "-c", MRCAL], input=told, capture_output=True, text=True, check=True)
    return json.loads(run.stdout.strip().splitlines()[-1])


def has_mrcal() -> bool:
    try:
        return subprocess.run([PYTHON, "-c", "import mrcal"], capture_output=True).returncode == 0
    except OSError:
        return False


@pytest.mark.parametrize(
    "library",
    ["opencv", pytest.param("mrcal", marks=pytest.mark.skipif(not has_mrcal(), reason="python3-mrcal is missing"))],
)
@pytest.mark.parametrize("side", FOCAL_PX)
def test_independent_libraries_agree_within_the_stated_uncertainty(
    shots: dict[str, list[Shot]], side: str, library: str
) -> None:
    """With the same five coefficients; theirs weigh all grid points alike and take the paper as flat or bowed."""
    theirs = np.array(by_opencv(shots[side])["lens"] if library == "opencv" else by_mrcal(shots[side]))
    ours = calibrate(shots[side], models=(SEARCH,)).profile
    mean, covariance = np.array(ours.parameters), np.array(ours.covariance)
    assert np.abs((theirs - mean) / np.sqrt(np.diag(covariance))).max() < 2.0
    apart = np.linalg.norm(difference(mean, theirs, frame_grid((640, 480))), axis=1)
    assert np.sqrt((apart**2).mean()) < 2.0 * np.sqrt((field_mm(mean, covariance, (640, 480)) ** 2).mean())
