import numpy as np
import pytest
from scipy.interpolate import BSpline
from shapely import LineString
from shapely import points as points_of

from digitize.fitting.spline import clamped_knots, extended, fit_spline
from digitize.model.segment import Spline


def bezier(t):
    c = np.array([(0.0, 0.0), (30.0, 25.0), (60.0, -30.0), (100.0, 10.0)])
    t = t[:, None]
    return (1 - t) ** 3 * c[0] + 3 * t * (1 - t) ** 2 * c[1] + 3 * t**2 * (1 - t) * c[2] + t**3 * c[3]


def distances_from_truth(curve):
    return LineString(bezier(np.linspace(0, 1, 4001))).distance(points_of(curve))


def test_one_cubic_is_found_by_four_control_points():
    """The parameter is free, so a cubic comes back whatever its points' spacing along it."""
    points = bezier(np.linspace(0, 1, 300) ** 1.3)
    fit = fit_spline(points, np.ones(300), clamped_knots(np.array([0.0, 1.0]), 4), steps=40)
    assert np.sqrt(fit.misfit / 300) < 2e-3


def test_noise_is_averaged():
    rng = np.random.default_rng(1)
    t = np.linspace(0, 1, 500)
    points = bezier(t) + rng.normal(0, 0.05, (500, 2))
    fit = fit_spline(points, np.full(500, 400.0), clamped_knots(np.array([0.0, 1.0]), 8), steps=6)
    curve = BSpline(fit.knots, fit.control, 3)(np.linspace(0, 1, 400))
    off = distances_from_truth(curve)
    assert np.sqrt((off**2).mean()) < 0.3 * 0.05


def test_a_gap_is_crossed_without_overshoot():
    t = np.linspace(0, 1, 400)
    points = bezier(t)
    points = points[(t < 0.45) | (t > 0.55)]
    fit = fit_spline(points, np.ones(len(points)), clamped_knots(np.array([0.0, 1.0]), 8))
    curve = BSpline(fit.knots, fit.control, 3)(np.linspace(0, 1, 400))
    off = distances_from_truth(curve)
    assert off.max() < 0.02


def test_extending_changes_nothing_of_the_curve():
    fit = fit_spline(bezier(np.linspace(0, 1, 200)), np.ones(200), clamped_knots(np.array([0.0, 0.3, 1.0]), 7))
    control, knots = extended(fit.control, fit.knots, 0.05, 0.1)
    t = np.linspace(0, 1, 50)
    again = BSpline(knots, control, 3)((t + 0.05) / 1.15)
    assert np.abs(again - BSpline(fit.knots, fit.control, 3)(t)).max() < 1e-9
    assert Spline(tuple(map(tuple, control)), tuple(knots)).length == pytest.approx(1.15 * 116, rel=0.1)
