import math

import numpy as np
import pytest

from digitize.fitting.primitives import fit_circle, fit_line, moments_of_runs, radius_sigma, run_misfits
from digitize.model.segment import Arc

METHOD_TOL_MM = 1e-5  # published to six decimals


def test_circle_of_gander_golub_and_strebel():
    """W. Gander, G. Golub, R. Strebel, Least-squares fitting of circles and ellipses, BIT 34, 1994, section 2.

    Points and results from memory; results computed anew by an independent program, and equal.
    """
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
    (x, y), radius = fit_circle(points)
    assert (x, y, radius) == pytest.approx((4.739782, 2.983533, 4.714226), abs=METHOD_TOL_MM)
    squares = (np.hypot(points[:, 0] - x, points[:, 1] - y) - radius) ** 2
    assert squares.sum() == pytest.approx(1.227599, abs=METHOD_TOL_MM)


@pytest.mark.parametrize(("sweep_deg", "k"), [(360, 1.00), (180, 2.30), (120, 5.56), (90, 10.3), (60, 23.8)])
def test_radius_scatters_as_the_bound_says_and_is_not_biased(sweep_deg, k):
    """Standard deviation k s / sqrt(N): Fisher (KCR) bound, Chernov and Lesort, 2004 (from memory; k recomputed)."""
    rng = np.random.default_rng(sweep_deg)
    n, sigma, radius, runs = 200, 0.02, 40.0, 300
    arc = Arc((3.0, -7.0), radius, 0.4, math.radians(sweep_deg))
    t = (np.arange(n) + 0.5) / n
    exact, outward = arc.point(t), (arc.point(t) - np.array(arc.centre)) / radius
    radii = np.array([fit_circle(exact + sigma * rng.normal(size=(n, 1)) * outward)[1] for _ in range(runs)])
    bound = k * sigma / math.sqrt(n)
    assert radius_sigma(arc.sweep, n, sigma) == pytest.approx(bound, rel=0.01)  # k is told to three digits
    assert radii.std() == pytest.approx(bound, rel=0.15)  # four standard errors of a scatter from 300 runs
    assert abs(radii.mean() - radius) < 4 * bound / math.sqrt(runs)


def test_points_on_a_line_have_no_circle():
    t = np.linspace(0, 1, 30)
    assert fit_circle(np.column_stack([t, 2 * t])) is None


def test_line_keeps_the_direction_of_travel():
    t = np.linspace(0, 10, 50)[:, None]
    for angle in np.arange(-3.0, 3.0, 0.37):
        d = np.array([[math.cos(angle), math.sin(angle)]])
        centre, found = fit_line(np.array([[4.0, 5.0]]) + t * d)
        assert math.remainder(found - angle, 2 * math.pi) == pytest.approx(0.0, abs=1e-9)
        assert centre == pytest.approx(tuple(np.array([4.0, 5.0]) + 5 * d[0]))


def test_run_misfits_equal_the_single_fits():
    """All runs at once (algebraic) against each run alone (geometric)."""
    rng = np.random.default_rng(5)
    a = np.linspace(0, 2 * math.pi, 120, endpoint=False)
    points = np.column_stack([50 * np.cos(a), 30 * np.sin(a)]) + rng.normal(0, 0.02, (120, 2)) + 300.0
    weights = rng.uniform(1000, 4000, 120)
    line, arc = run_misfits(moments_of_runs(points, weights, 40))
    for first, count in ((0, 12), (37, 25), (100, 40)):  # the last one goes round
        index = (first + np.arange(count)) % 120
        p, w = points[index], weights[index]
        centre, angle = fit_line(p, w)
        off = (p - np.array(centre)) @ np.array([-math.sin(angle), math.cos(angle)])
        assert line[first, count - 1] == pytest.approx((w * off**2).sum(), rel=1e-6)
        middle, radius = fit_circle(p, w)
        off = np.linalg.norm(p - np.array(middle), axis=1) - radius
        assert arc[first, count - 1] == pytest.approx((w * off**2).sum(), rel=0.01)  # equal to first order
