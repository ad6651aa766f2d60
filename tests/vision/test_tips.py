"""Widths and lost corners of drawn outlines, whose geometry is exact."""

import numpy as np
import pytest

from digitize.vision.polyline import outward, resampled
from digitize.vision.tips import pointed, room

STEP = 0.2  # mm between nodes
HALF_STEP = 1.01 * STEP / 2  # the circle of a node touches between two nodes of the edge opposite
NOISE = 0.01  # mm, of located points: a twentieth of a pixel
LOST = 2.0  # mm of edge to either side of a corner
CORNER_TOL = 0.15  # mm: NOISE extrapolated by LOST, over the sine of the sharpest angle, three times over

#   wedge:  tip at the origin, upper side along -x       slot:  8 long, 1 wide, open to the right


def wedge(degrees: float) -> np.ndarray:
    a = np.radians(degrees)
    return np.array([[0.0, 0.0], [-20.0, 0.0], [-20.0 * np.cos(a), -20.0 * np.sin(a)]])


SLOT = np.array([[10, -0.5], [2, -0.5], [2, 0.5], [10, 0.5], [10, 10], [-10, 10], [-10, -10], [10, -10]], dtype=float)


@pytest.mark.parametrize("degrees", [12.0, 20.0, 45.0])
def test_the_width_of_a_wedge_is_that_of_its_inscribed_circles(degrees):
    # A circle that touches a side at the distance d from the tip has the radius d tan(angle / 2).
    nodes = resampled(wedge(degrees), STEP)
    found = room(nodes, outward(nodes), 3.0)
    upper = (np.abs(nodes[:, 1]) < 1e-9) & (nodes[:, 0] < -1.0) & (nodes[:, 0] > -5.0)
    exact = 2.0 * -nodes[upper, 0] * np.tan(np.radians(degrees) / 2)
    near = exact < 2.0
    assert found.inside[upper][near] == pytest.approx(exact[near], abs=HALF_STEP)
    assert np.isinf(found.outside[upper]).all()


def test_a_slot_is_narrow_on_the_outside_and_a_wide_part_is_not_narrow_at_all():
    nodes = resampled(SLOT, STEP)
    found = room(nodes, outward(nodes), 3.0)
    within = (np.abs(np.abs(nodes[:, 1]) - 0.5) < 1e-9) & (nodes[:, 0] > 3.0) & (nodes[:, 0] < 9.5)
    assert found.outside[within] == pytest.approx(1.0, abs=HALF_STEP)
    assert np.isinf(found.inside[within]).all()
    left = nodes[:, 0] < -9.99
    assert np.isinf(found.inside[left]).all() and np.isinf(found.outside[left]).all()


def without_corner(loop: np.ndarray, lost: float, seed: int = 0) -> np.ndarray:
    """Points of a loop but those within ``lost`` of the origin, with noise."""
    points = resampled(loop, 2 * STEP)
    points = points + np.random.default_rng(seed).normal(0.0, NOISE, points.shape)
    return points[np.linalg.norm(points, axis=1) > lost]


@pytest.mark.parametrize("degrees", [20.0, 30.0, 60.0, 90.0, 120.0])
def test_sides_that_were_lost_on_their_way_to_a_corner_are_led_to_it(degrees):
    off = []
    for seed in range(20):
        points = without_corner(wedge(degrees), LOST, seed)
        line = pointed(points, 2 * STEP * 1.6)
        assert len(line) <= len(points) + 1
        off.append(np.linalg.norm(line, axis=1).min())
    assert np.median(off) < CORNER_TOL


def test_a_stray_point_beside_the_gap_leads_nothing_astray():
    points = without_corner(wedge(60.0), LOST)
    last = np.linalg.norm(points, axis=1).argmin()
    points[last] += [-0.3, -0.3]
    line = pointed(points, 2 * STEP * 1.6)
    assert np.linalg.norm(line, axis=1).min() < CORNER_TOL
    assert not (np.abs(line - points[last]).max(axis=1) < 1e-9).any()


def test_other_gaps_stay_as_they_are():
    straight = without_corner(wedge(60.0) + np.array([10.0, 0.0]), LOST)  # the gap lies within a side
    angle = np.arange(0.3, 2 * np.pi - 0.3, 0.1)
    round_ = 4.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    far = without_corner(wedge(15.0), 8.0)  # farther ahead than the points reach back
    for points in (straight, round_, far):
        assert np.array_equal(pointed(points, 2 * STEP * 1.6), points)
