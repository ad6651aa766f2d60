"""Polylines made fairer."""

import numpy as np

from digitize.vision.polyline import faired, resampled

NODES = 12
TRUE_MM = 0.01  # what a parabola leaves of a circle of that radius
QUIETER = 0.45  # noise left: a parabola through 25 points at its middle, sqrt(9 / 4 / 25) = 0.3


def test_a_noisy_circle_is_nearer_to_the_circle_and_a_corner_is_told() -> None:
    angle = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    circle = resampled(40.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1), 0.25)
    curve, off = faired(circle, NODES)
    assert np.abs(np.linalg.norm(curve, axis=1) - 40.0).max() < TRUE_MM
    assert off.max() < TRUE_MM
    noisy = circle + np.random.default_rng(2).normal(0, 0.05, circle.shape)
    curve, off = faired(noisy, NODES)
    assert np.std(np.linalg.norm(curve, axis=1)) < QUIETER * 0.05
    assert off.max() < 3 * 0.05
    square = resampled(np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 60.0], [0.0, 60.0]]), 0.25)
    _, off = faired(square, NODES)
    corner = np.linalg.norm(square - [60.0, 0.0], axis=1)
    assert off[corner < 1.0].min() > 0.1 and off[corner.argmax()] > 0.1
    assert off[np.abs(square[:, 0] - 30.0) < 10.0].max() < 1e-9
