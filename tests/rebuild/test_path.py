"""A loop by arc length, stretches cut out of it, and outlines under a matrix."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely

from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Spline, part
from digitize.rebuild.affine import STRETCH_TOL_MM, mirror_matrix, stretch_matrix, transformed
from digitize.rebuild.path import Path
from tests.helpers import FULL, assert_outlines_equal, bracket, distances, rounded_plate

ROUNDING_MM = 1e-9
SAME_MM = 1e-3  # as fine as curves are flattened to compare them
TABLE_MM = 1e-3  # arc length of splines is read from a table


@pytest.mark.parametrize(("a", "b"), [(0.0, 1.0), (0.0, 0.3), (0.3, 1.0), (0.37, 0.71), (0.2, 0.5)])
def test_a_part_of_a_segment_is_the_same_curve(a, b):
    t = np.linspace(0, 1, 50)
    for segment in bracket().outer.segments:
        assert np.abs(part(segment, a, b).point(t) - segment.point(a + (b - a) * t)).max() < ROUNDING_MM


@pytest.mark.parametrize(("a", "b"), [(10.0, 300.0), (300.0, 10.0), (50.0, 60.0), (60.0, 50.0)])
def test_a_stretch_cut_out_is_as_long_as_asked_and_chained(a, b):
    path = Path(bracket().outer)
    pieces = path.cut(a, b)
    assert sum(p.length for p in pieces) == pytest.approx((b - a) % path.length, abs=TABLE_MM)
    assert all(math.dist(x.end, y.start) < ROUNDING_MM for x, y in pairwise(pieces))
    assert np.allclose([pieces[0].start, pieces[-1].end], path.points(np.array([a, b])), atol=ROUNDING_MM)


def test_the_nearest_place_on_a_loop():
    path = Path(rounded_plate().outer)
    s, away = path.nearest((30.0, -2.0))
    assert away == pytest.approx(2.0, abs=ROUNDING_MM)
    assert path.points(np.array([s]))[0] == pytest.approx((30.0, 0.0), abs=1e-5)


def test_a_mirrored_outline_keeps_its_kinds_and_comes_back():
    outline = bracket()
    image = transformed(outline, mirror_matrix(0.3), (5.0, 7.0))
    assert sorted(type(s).__name__ for s in image.segments) == sorted(type(s).__name__ for s in outline.segments)
    assert_outlines_equal(transformed(image, mirror_matrix(0.3), (5.0, 7.0)), outline, SAME_MM)


def test_a_stretched_circle_is_an_ellipse_and_lines_stay_lines():
    plate = Outline.of(
        Loop(tuple(Line(a, b) for a, b in zip(SQUARE, SQUARE[1:] + SQUARE[:1], strict=True))),
        [Loop((Arc((50.0, 40.0), 30.0, 0.2, FULL),))],
    )
    wide = transformed(plate, stretch_matrix(0.0, 1.05, 1.0))
    assert all(isinstance(s, Line) for s in wide.outer.segments)
    points = np.vstack([s.point(np.linspace(0, 1, 200)) for s in wide.holes[0].segments])
    # Implicit equation of the ellipse about (52.5, 40) with half axes 31.5 and 30; its gradient gives the distance.
    u = (points - (52.5, 40.0)) / (31.5, 30.0)
    off = (np.linalg.norm(u, axis=1) - 1) * 30.0
    assert np.abs(off).max() < 1.1 * STRETCH_TOL_MM


SQUARE = [(0.0, 0.0), (100.0, 0.0), (100.0, 80.0), (0.0, 80.0)]


def test_a_stretched_spline_is_exact():
    outline = bracket()
    matrix = stretch_matrix(0.7, 1.0, 1.02)
    stretched = transformed(outline, matrix)
    before = next(s for s in outline.segments if isinstance(s, Spline))
    after = next(s for s in stretched.segments if isinstance(s, Spline) and len(s.control) == len(before.control))
    assert distances(before.point(np.linspace(0, 1, 30)) @ matrix.T, after).max() < 1e-6
    assert stretched.polygon().area == pytest.approx(1.02 * outline.polygon().area, rel=1e-5)
    assert shapely.is_valid(stretched.polygon())
