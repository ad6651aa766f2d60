"""The stated uncertainty against errors drawn at random (JCGM 101:2008, the Monte Carlo method; from memory)."""

import numpy as np
import pytest

from digitize.model.pattern import Contribution, size_uncertainty
from digitize.vision.advice import advise
from tests.bench.coverage import Tried, tried

LAYOUTS = 48
INSIDE = (0.92, 0.985)  # of all points, for a band of k = 2
WHOLE = 0.80  # of the layouts have 95 % of their points inside; 200 layouts give 0.87
BAND_MM = 0.15  # median, with two or more sheets whose check lines were measured


@pytest.fixture(scope="module")
def found() -> list[Tried]:
    return [t for t in map(tried, range(LAYOUTS)) if t]


def test_the_band_holds_what_it_says(found: list[Tried]) -> None:
    assert INSIDE[0] < np.mean([t.inside for t in found]) < INSIDE[1]
    assert np.mean([t.inside >= 0.95 for t in found]) > WHOLE


def test_the_band_is_narrow_where_two_sheets_were_measured(found: list[Tried]) -> None:
    assert np.median([t.band_mm for t in found if t.measured and t.sheets > 1]) < BAND_MM


def test_the_advice_is_what_helps_most() -> None:
    causes = (Contribution("print", 1000.0, 0.0), Contribution("edge", 0.0, 0.05))
    cures = {"print": ("measure the lines", 0.1), "edge": ("go nearer", 0.0)}
    small = advise(causes, cures, 10.0)
    assert small.startswith("go nearer, for about ± 0.02 mm")
    left = size_uncertainty((Contribution("print", 100.0, 0.0), causes[1]), 300.0)
    assert advise(causes, cures, 300.0) == f"measure the lines, for about ± {left:.2f} mm"
    assert advise(causes, {"print": ("measure the lines", 0.99)}, 300.0) == ""
