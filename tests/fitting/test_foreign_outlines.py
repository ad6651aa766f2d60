"""Outlines that other people measured, fitted at the size of furniture parts; data/README.md tells whose they are.

They wriggle where a hand or a pixel grid has drawn them, and no shape was meant by it: the fit must follow them, closed
and without crossing itself (an Outline that crosses itself cannot be built), however few fair pieces there are in them.
"""

from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from shapely import LineString
from shapely import points as points_of

from digitize.fitting import fit_outline
from digitize.fitting.split import prepared
from digitize.model.outline import Contour

DATA = Path(__file__).parent / "data"
STEP_MM = 0.4
WING_MM = 80.0  # one unit of the data: then the wings are about 180 mm long
WING_SIGMA_MM = 0.02
WING_LARGEST_MM = 0.45  # of a hand's wriggle
PIXEL_SIGMA_MM = 0.3  # 1 / sqrt(12): a cell's outline runs in whole pixels, drawn as millimetres
CELL_LARGEST = 8.0  # times the scatter of its points


def wing(name: str) -> Contour:
    p = np.load(DATA / "wings_ktch.npz")[name].astype(float) * WING_MM
    closed = np.vstack([p, p[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    p = CubicSpline(s, closed, bc_type="periodic")(np.arange(0, s[-1] - STEP_MM / 2, STEP_MM))
    return Contour(p + np.random.default_rng(1).normal(0, WING_SIGMA_MM, p.shape), np.full(len(p), WING_SIGMA_MM))


def cell(name: str) -> Contour:
    p = np.load(DATA / "cells_geomstats.npz")[name].astype(float)
    p = p[np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1) > 0]
    return Contour(p, np.full(len(p), PIXEL_SIGMA_MM))


def off_fit(contour: Contour) -> np.ndarray:
    """Distances (N,), mm, of a contour's points from its fitted outline."""
    contour = contour if contour.area > 0 else Contour(contour.points[::-1], contour.sigma[::-1])
    ring = fit_outline([contour])[0].outer.flattened()
    return LineString(np.vstack([ring, ring[:1]])).distance(points_of(contour.points))


@pytest.mark.parametrize("name", ["wing_2", "wing_5", "wing_6"])
def test_wings_are_followed_without_crossing(name):
    off = off_fit(wing(name))
    assert off.max() < WING_LARGEST_MM
    assert np.percentile(off, 95) < WING_LARGEST_MM / 2


@pytest.mark.parametrize("name", ["cell_0", "cell_3", "cell_9"])
def test_cells_are_followed_without_crossing(name):
    contour = cell(name)
    scatter = float(np.median(prepared(contour, None).sigma))
    off = off_fit(contour)
    assert off.max() < CELL_LARGEST * scatter
    assert np.percentile(off, 95) < CELL_LARGEST / 2 * scatter
