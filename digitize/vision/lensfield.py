"""What a lens's uncertainty, or the difference of two lenses, means in mm on a bench straight below the camera.

The pose is always free: what turning and shifting the camera can take up does no harm, since every photo's pose is
solved for.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from digitize.model.camera import Camera
from digitize.model.segment import Points
from digitize.model.sheet import Sheet
from digitize.vision.projection import LENS, project_plane, undistorted, with_height
from digitize.vision.step import Floats

BENCH_MM = 700.0  # below the camera
CELLS = (16, 12)  # along the frame's long side and its short side
POSE_ROUNDS = 12
FILLS = 0.55  # of the frame's short side that a sheet takes in the photo that is advised
TILTS_DEG = (0.0, 35.0)
PLACES = {  # where in the frame, as shares of width and height
    "the middle": (0.5, 0.5),
    "the upper left corner": (0.22, 0.25),
    "the upper right corner": (0.78, 0.25),
    "the lower left corner": (0.22, 0.75),
    "the lower right corner": (0.78, 0.75),
}


class FieldSize(NamedTuple):
    """Root mean square and largest distance, mm."""

    rms: float
    largest: float


def cells(size: tuple[int, int]) -> tuple[int, int]:
    """Columns and rows that the frame is divided into."""
    return CELLS if size[0] >= size[1] else CELLS[::-1]


def frame_grid(size: tuple[int, int]) -> Points:
    """Pixels in the middles of the frame's cells, row by row, (M, 2)."""
    columns, rows = cells(size)
    x, y = np.meshgrid((np.arange(columns) + 0.5) / columns * size[0], (np.arange(rows) + 0.5) / rows * size[1])
    return np.stack([x.ravel(), y.ravel()], axis=1) - 0.5


def _below(lens: Floats, px: Points) -> tuple[Floats, Points]:
    """Pose and lens (C,) of a camera BENCH_MM above the bench, and the bench points (M, 3) that it sees at px."""
    camera = Camera((0, 0), (lens[0], lens[1]), (lens[2], lens[3]), tuple(lens[4:]))
    rays = undistorted(camera, px)
    flat = np.array([np.pi, 0.0, 0.0, 0.0, 0.0, BENCH_MM])  # x as in the photo, y up, z toward the camera
    return np.concatenate([flat, lens]), with_height(BENCH_MM * rays[:, :2] * np.array([1.0, -1.0]), 0.0)


def _mm(jacobian: Floats, px: Floats) -> Floats:
    """Displacements (M, 2, K) px as displacements on the bench, mm; the camera looks straight down."""
    by_bench = jacobian[:, :, 3:5] * np.array([1.0, -1.0])
    return np.asarray(np.linalg.solve(by_bench, px))


def _lens_alone(jacobian: Floats) -> Floats:
    """Derivatives (M, 2, L) by the lens, with what the pose can take up taken out."""
    flat = jacobian.reshape(-1, jacobian.shape[2])
    pose, _ = np.linalg.qr(flat[:, :LENS])
    lens = flat[:, LENS:]
    left: Floats = lens - pose @ (pose.T @ lens)
    return left.reshape(len(jacobian), 2, -1)


def field_mm(lens: Floats, covariance: Floats, size: tuple[int, int]) -> Floats:
    """Standard error on the bench (both axes together) in each cell of the frame, (rows, columns), mm.

    lens, covariance : (L,), (L, L) of fx, fy, cx, cy and the distortion
    """
    camera, bench = _below(lens, frame_grid(size))
    _, jacobian = project_plane(camera, bench)
    moves = _mm(jacobian, _lens_alone(jacobian))
    variance = np.einsum("nik,kl,nil->n", moves, covariance, moves)
    columns, rows = cells(size)
    field: Floats = np.sqrt(np.maximum(variance, 0.0)).reshape(rows, columns)
    return field


def difference(a: Floats, b: Floats, px: Points) -> Points:
    """How far apart (M, 2), mm, two lenses see the bench at pixels px (M, 2), once the pose of b fits best."""
    camera, bench = _below(a, px)
    camera = np.concatenate([camera[:LENS], b])
    for _ in range(POSE_ROUNDS):
        seen, jacobian = project_plane(camera, bench)
        step = np.linalg.lstsq(jacobian[:, :, :LENS].reshape(-1, LENS), (px - seen).ravel(), rcond=None)[0]
        camera[:LENS] += step
    seen, jacobian = project_plane(camera, bench)
    by_bench = jacobian[:, :, 3:6] @ np.asarray(cv2.Rodrigues(camera[:3])[0])[:, :2]
    return np.asarray(np.linalg.solve(by_bench, (px - seen)[:, :, None])[:, :, 0])


def best_next(lens: Floats, covariance: Floats, size: tuple[int, int], sheet: Sheet, sigma_px: float) -> str:
    """The further photo of one sheet that would lessen the error on the bench most, in words."""
    free = np.flatnonzero(np.diag(covariance) > 0)
    information = np.linalg.inv(covariance[np.ix_(free, free)])
    now = _rms(field_mm(lens, covariance, size))
    best, words = np.inf, ""
    for where, share in PLACES.items():
        for tilt in TILTS_DEG:
            told = information + _information(lens, size, sheet, share, tilt)[np.ix_(free, free)] / sigma_px**2
            then = np.zeros_like(covariance)
            then[np.ix_(free, free)] = np.linalg.inv(told)
            left = _rms(field_mm(lens, then, size))
            if left < best:
                how = f"the camera tilted by about {tilt:.0f} degrees" if tilt else "the camera straight above"
                best, words = (
                    left,
                    f"a sheet near {where} of the frame, {how} ({now:.3f} mm would become {left:.3f} mm)",
                )
    return words


def _information(lens: Floats, size: tuple[int, int], sheet: Sheet, share: tuple[float, float], tilt: float) -> Floats:
    """What a photo of a sheet tells of the lens, (L, L), for grid points good to one px and a free pose."""
    camera = Camera(size, (lens[0], lens[1]), (lens[2], lens[3]), tuple(lens[4:]))
    target = np.array(share) * size
    reach = lens[0] * max(sheet.size) / (FILLS * min(size))
    toward = np.array(size) / 2 - target
    axis = np.array([*(toward if np.hypot(*toward) > 1 else np.array([1.0, 0.0])), 0.0])
    turned = cv2.Rodrigues(np.radians(tilt) * axis / np.linalg.norm(axis))[0] @ np.diag([1.0, -1.0, -1.0])
    pose = np.concatenate([np.asarray(cv2.Rodrigues(turned)[0]).ravel(), reach * undistorted(camera, target)[0], lens])
    grid = sheet.grid_points()
    px, jacobian = project_plane(pose, with_height(grid - grid.mean(axis=0), 0.0))
    inside = ((px > 0) & (px < np.array(size) - 1)).all(axis=1)
    if np.count_nonzero(inside) < 2 * LENS:
        return np.zeros((len(lens), len(lens)))
    alone = _lens_alone(jacobian[inside]).reshape(-1, len(lens))
    return np.asarray(alone.T @ alone)


def _rms(field: Floats) -> float:
    return float(np.sqrt((field**2).mean()))
