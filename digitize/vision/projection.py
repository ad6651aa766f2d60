"""Bench points to photo points and back: OpenCV's camera model with its exact derivatives."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from digitize.model.camera import Camera
from digitize.model.segment import Points
from digitize.vision.step import Floats

LENS = 6  # of the camera parameters: rotation vector, translation, then fx, fy, cx, cy and the distortion
UNDISTORT_TOL = 1e-12  # of the focal length


def project_plane(camera: Floats, xyz: Points) -> tuple[Points, Floats]:
    """Bench points (N, 3) mm to (N, 2) px, with derivatives (N, 2, C) by the C pose and lens parameters."""
    k = camera[LENS : LENS + 4]
    matrix = np.array([[k[0], 0, k[2]], [0, k[1], k[3]], [0, 0, 1]])
    pixels, jacobian = cv2.projectPoints(xyz, camera[:3], camera[3:6], matrix, camera[LENS + 4 :])
    derivatives = np.asarray(jacobian, dtype=np.float64).reshape(len(xyz), 2, -1)
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2), derivatives[:, :, : len(camera)]


def distorted(camera: Camera, points: Points) -> Points:
    """Points (N, 3) in the camera's frame -> photo points (N, 2) px."""
    still = np.zeros(3)
    pixels, _ = cv2.projectPoints(points, still, still, camera.matrix, np.array(camera.distortion))
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def undistorted(camera: Camera, px: npt.ArrayLike) -> Points:
    """Rays (N, 3) with z = 1 in the camera's frame through photo points (N, 2) px; iterated to UNDISTORT_TOL."""
    points = np.ascontiguousarray(np.reshape(px, (-1, 1, 2)), dtype=np.float64)
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, UNDISTORT_TOL)
    flat = cv2.undistortPoints(points, camera.matrix, np.array(camera.distortion), criteria=stop)
    return np.column_stack([np.asarray(flat).reshape(-1, 2), np.ones(len(points))])


def on_plane(rays: Points, centre: Floats, z: npt.ArrayLike = 0.0) -> Points:
    """Where rays (N, 3) from ``centre`` (3,), all in the bench frame, meet height z, one for all or (N,): (N, 2)."""
    reach = (np.asarray(z, dtype=float) - centre[2]) / rays[:, 2]
    points: Points = centre[:2] + rays[:, :2] * reach[:, None]
    return points


def with_height(xy: npt.ArrayLike, z: npt.ArrayLike) -> Points:
    """Points (N, 2) and one height for all or (N,) -> (N, 3)."""
    points = np.reshape(np.asarray(xy, dtype=float), (-1, 2))
    return np.column_stack([points, np.broadcast_to(np.asarray(z, dtype=float), len(points))])
