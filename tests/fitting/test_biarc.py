"""Splines turned into tangent arcs: how far off, how many, how smooth."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import cumulative_simpson
from scipy.interpolate import make_interp_spline

from digitize.fitting.biarc import FINEST_MM, LARGEST_RADIUS_MM, arcs_outline
from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Spline, as_point
from tests.helpers import bracket

TANGENT_RAD = 1e-6  # rounding: joints of arcs are tangent
SAMPLING = 0.01  # of the tolerance: chord error of the polylines that measure
BOUND_SLACK = 0.03  # k' h^3 / 324 leaves terms of higher order away


def clamped(control):
    """A spline with even inner knots."""
    n = len(control)
    inner = np.linspace(0, 1, n - 2)[1:-1]
    return Spline(tuple(as_point(c) for c in control), (0.0,) * 4 + tuple(map(float, inner)) + (1.0,) * 4)


def closed_below(spline, floor=-400.0):
    """An outline whose upper edge is a spline that runs from right to left."""
    (x0, y0), (x1, y1) = spline.start, spline.end
    lines = [Line((x1, y1), (x1, floor)), Line((x1, floor), (x0, floor)), Line((x0, floor), (x0, y0))]
    return Outline.of(Loop((spline, *lines)))


def clothoid(rate, length, begin=0.0):
    """A spline along the curve whose curvature grows from ``begin`` (1/mm) at ``rate`` (1/mm2), from right to left."""
    s = np.linspace(0, length, 20001)
    heading = math.pi - begin * s - rate * s**2 / 2
    at = np.column_stack([cumulative_simpson(f(heading), x=s, initial=0) for f in (np.cos, np.sin)])
    b = make_interp_spline(s[::100], at[::100], k=3)
    return Spline(tuple(as_point(c) for c in b.c), tuple(float(k) for k in b.t))


def between(spline, outline):
    """The pieces that stand for the spline that began an outline closed by three lines."""
    return outline.outer.segments[:-3]


def largest_deviation(spline, pieces, tolerance):
    fine = SAMPLING * tolerance
    curve = spline.flattened(fine)
    chain = np.vstack([p.flattened(fine) for p in pieces])
    one, other = shapely.LineString(curve), shapely.LineString(chain)
    return max(
        float(shapely.distance(shapely.points(curve), other).max()),
        float(shapely.distance(shapely.points(chain), one).max()),
    )


def breaks(pieces):
    turns = [(a.tangent(1.0)[0], b.tangent(0.0)[0]) for a, b in pairwise(pieces)]
    return max((abs(u[0] * v[1] - u[1] * v[0]) for u, v in turns), default=0.0)


def assert_stands_for(spline, pieces, tolerance):
    assert all(isinstance(p, Arc | Line) for p in pieces)
    assert largest_deviation(spline, pieces, tolerance) <= (1 + SAMPLING) * tolerance
    assert breaks(pieces) < TANGENT_RAD
    assert math.dist(pieces[0].start, spline.start) < 1e-9 and math.dist(pieces[-1].end, spline.end) < 1e-9
    assert np.allclose(pieces[0].tangent(0.0), spline.tangent(0.0), atol=TANGENT_RAD)
    assert np.allclose(pieces[-1].tangent(1.0), spline.tangent(1.0), atol=TANGENT_RAD)


heights = st.lists(st.floats(-60, 60), min_size=4, max_size=10)
tolerances = st.sampled_from([0.005, 0.02, 0.1, 0.5])
quick = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.filter_too_much])


@quick
@given(heights, tolerances, st.floats(60, 400))
def test_any_sweep(y, tolerance, width):
    spline = clamped(np.column_stack([np.linspace(width, 0, len(y)), y]))
    assert_stands_for(spline, between(spline, arcs_outline(closed_below(spline), tolerance)), tolerance)


@quick
@given(st.lists(st.floats(15, 90), min_size=6, max_size=12), tolerances)
def test_any_closed_curve(radii, tolerance):
    angle = np.linspace(0, 2 * math.pi, len(radii), endpoint=False)
    control = np.array(radii)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    spline = clamped(np.vstack([control, control[:1]]))
    ring = shapely.LinearRing(spline.flattened(0.001))
    assume(ring.is_simple)
    assert_stands_for(spline, arcs_outline(Outline.of(Loop((spline,))), tolerance).outer.segments, tolerance)


@pytest.mark.parametrize("begin", [0.0, 0.004, -0.003])
def test_a_biarc_spans_what_its_bound_says(begin):
    """Source: largest deviation k' h^3 / 324 of a biarc from a clothoid of length h, to leading order."""
    rate, length = 1e-4, 50.0
    spline = clothoid(rate, length, begin)
    bound = rate * length**3 / 324
    enough = between(spline, arcs_outline(closed_below(spline), bound * 1.08))
    too_little = between(spline, arcs_outline(closed_below(spline), bound * 0.97))
    assert len(enough) == 2
    assert len(too_little) > 2


@pytest.mark.parametrize("tolerance", [0.002, 0.02, 0.1])
def test_number_of_pieces_follows_the_bound(tolerance):
    rate, length = 4e-5, 400.0
    spline = clothoid(rate, length, begin=-0.008)
    pieces = between(spline, arcs_outline(closed_below(spline), tolerance))
    span = (324 * tolerance / rate) ** (1 / 3)
    assert_stands_for(spline, pieces, tolerance)
    assert len(pieces) <= 2 * math.ceil((1 + BOUND_SLACK) * length / span)


def test_an_inflection_lies_within_a_biarc_or_between_two():
    spline = clothoid(2e-4, 100.0, begin=-0.01)
    pieces = between(spline, arcs_outline(closed_below(spline), 0.01))
    bends = [math.copysign(1.0, p.sweep) for p in pieces if isinstance(p, Arc)]
    assert sum(a != b for a, b in pairwise(bends)) == 1
    assert_stands_for(spline, pieces, 0.01)


def test_a_straight_spline_is_one_line():
    spline = clamped([(120, 0), (90, 10), (60, 20), (30, 30), (0, 40)])
    assert between(spline, arcs_outline(closed_below(spline), 0.01)) == (Line((120.0, 0.0), (0.0, 40.0)),)


@pytest.mark.parametrize("rise", [1e-8, 1e-6, 1e-5, 1e-4, 1e-3])
def test_nearly_straight_has_no_absurd_radius(rise):
    """Sagitta ``rise`` over 120 mm: R = 1800 / rise mm, up to 180 000 km."""
    spline = clamped([(120, 0), (90, rise), (60, 4 * rise / 3), (30, rise), (0, 0)])
    pieces = between(spline, arcs_outline(closed_below(spline), 0.01))
    assert_stands_for(spline, pieces, 0.01)
    assert all(p.radius <= LARGEST_RADIUS_MM for p in pieces if isinstance(p, Arc))
    assert len(pieces) <= 6


def test_a_kink_within_a_spline_stays_sharp():
    control = [(120, 0), (100, 20), (80, 20), (60, 0), (40, 30), (20, 30), (0, 0)]
    spline = Spline(tuple(as_point(c) for c in control), (0.0,) * 4 + (0.5,) * 3 + (1.0,) * 4)
    pieces = between(spline, arcs_outline(closed_below(spline), 0.01))
    assert largest_deviation(spline, pieces, 0.01) <= 0.01 * (1 + SAMPLING)
    assert any(math.dist(p.end, (60.0, 0.0)) < 1e-9 for p in pieces)
    sharp = [p for p, q in pairwise(pieces) if breaks((p, q)) > TANGENT_RAD]
    assert len(sharp) == 1


def test_a_neck_narrower_than_the_tolerance_does_not_close():
    """Two waves 0.05 mm apart at their nearest, arcs allowed to leave them by 0.5 mm."""
    upper = clamped([(0, 40), (40, 30), (60, 4.05), (90, -2.5), (120, 30), (160, 40)])
    lower = clamped([(160, -40), (120, -30), (90, -10), (60, -4), (40, -30), (0, -40)])
    gap = shapely.LineString(upper.flattened(1e-3)).distance(shapely.LineString(lower.flattened(1e-3)))
    lower = lower.moved(0.0, (0.0, gap - 0.05))
    sides = [Line(upper.end, lower.start), Line(lower.end, upper.start)]
    outline = Outline.of(Loop((upper, sides[0], lower, sides[1])))
    arcs = arcs_outline(outline, 0.5)
    assert shapely.hausdorff_distance(arcs.polygon().exterior, outline.polygon().exterior, 0.1) < 0.51


def test_lines_and_arcs_stay_as_they_are():
    outline = bracket()
    arcs = arcs_outline(outline, 0.02)
    assert arcs.outer.segments[:4] == outline.outer.segments[:4]
    assert arcs.holes == outline.holes
    assert not any(isinstance(s, Spline) for s in arcs.segments)


@pytest.mark.parametrize("tolerance", [0.0, -1.0, FINEST_MM / 2, math.nan])
def test_a_tolerance_of_nothing_is_refused(tolerance):
    with pytest.raises(InputError, match="tolerance"):
        arcs_outline(bracket(), tolerance)
