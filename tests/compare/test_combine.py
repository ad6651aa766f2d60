"""Uncertainties combined as the standard's own example combines them."""

import math

import numpy as np
import pytest

from digitize.compare.combine import Component, combined, coverage_factor


def end_gauge() -> list[Component]:
    """JCGM 100:2008, annex H.1: an end gauge of 50 mm compared with a standard; all in nm."""
    length, expansion, off = 50.0e6, 11.5e-6, -0.1
    return [
        Component("the standard's calibration", 25.0, 18.0),
        Component("measured difference", 9.7, 25.6),
        Component("difference of expansion", length * abs(off) * 0.58e-6, 50.0),
        Component("difference of temperature", length * expansion * 0.029, 2.0),
    ]


def test_the_end_gauge_of_annex_h1() -> None:
    found = combined(end_gauge())
    assert [round(float(c.uncertainty), 1) for c in end_gauge()] == [25.0, 9.7, 2.9, 16.7]  # printed there as 16.6
    assert round(found.uncertainty) == 32
    assert math.floor(found.freedom) == 16
    assert round(coverage_factor(0.99, found.freedom), 2) == 2.92
    assert round(found.expanded(0.99)) == 93


@pytest.mark.parametrize(
    ("coverage", "freedom", "factor"),
    [(0.95, 16, 2.12), (0.9545, 16, 2.17), (0.99, 16, 2.92), (0.9545, math.inf, 2.00), (0.95, 1, 12.71)],
)
def test_coverage_factors_of_table_g2(coverage: float, freedom: float, factor: float) -> None:
    assert round(coverage_factor(coverage, freedom), 2) == factor


def test_many_results_at_once_are_each_combined_on_their_own() -> None:
    a, b = np.array([3.0, 0.0, 1.0]), np.array([4.0, 0.0, 0.0])
    found = combined([Component("a", a), Component("b", b, 5.0)])
    assert found.uncertainty == pytest.approx([5.0, 0.0, 1.0])
    assert found.freedom == pytest.approx([5.0 * 625 / 256, math.inf, math.inf])
    assert found.expanded(0.9545)[2] == pytest.approx(2.0, abs=0.001)
