"""Corners that no point supports."""

import numpy as np
import pytest
from scipy.interpolate import make_interp_spline

from digitize.fitting.tips import straightened
from digitize.model.outline import Loop
from digitize.model.segment import Arc, Line, Spline, as_point

LED_MM = 0.1  # of a corner 20 mm beyond the last point; a straight lead would be 4 mm off
LED_RAD = 1e-6


def beak(bend: float) -> Loop:
    """A triangle whose left flank is a spline that flares outward by ``bend`` mm near the tip at (0, 60)."""
    flank = Spline(((-bend, 60.0), (0.0, 50.0), (-20.0, 20.0), (-40.0, 0.0)), (0.0,) * 4 + (1.0,) * 4)
    return Loop((Line((-40.0, 0.0), (40.0, 0.0)), Line((40.0, 0.0), (-bend, 60.0)), flank))


def test_a_flaring_end_is_led_on_with_the_bend_that_it_had():
    """A quarter of a circle of 50 mm, drawn as a spline whose last quarter, without points, flares outward by 3 mm."""
    angle = np.linspace(0, np.pi / 2, 41)
    curve = make_interp_spline(np.linspace(0, 1, 41), 50 * np.column_stack([np.cos(angle), np.sin(angle)]), k=3)
    control = curve.c.copy()
    control[34:, 1] += np.linspace(0.3, 3.0, 7)
    flank = Spline(tuple(as_point(c) for c in control), tuple(float(k) for k in curve.t))
    loop = Loop((flank, Line(flank.end, (0.0, 0.0)), Line((0.0, 0.0), flank.start)))
    points = np.concatenate(
        [s.point(np.linspace(0, share, 400)) for s, share in zip(loop.segments, (0.75, 1, 1), strict=True)]
    )
    led = straightened(loop, points[np.abs(points[:, 1] - 51.5) > 1.6])
    assert len(led.segments) == 4
    assert max(y for _, y in led.corners()) == pytest.approx(50.0, abs=LED_MM)
    assert abs(led.turns()[1]) < LED_RAD


@pytest.mark.parametrize("share", [0.98, 1.0])
def test_an_end_that_points_support_stays_as_it_is(share):
    loop = beak(6.0)
    points = np.concatenate([s.point(np.linspace(1 - share, 1, 400)) for s in loop.segments])
    assert straightened(loop, points) == loop


def test_the_long_arcs_of_a_lens_keep_their_bend_into_their_tips():
    half = np.arcsin(0.8)
    arcs = (Arc((-30.0, 0.0), 50.0, -half, 2 * half), Arc((30.0, 0.0), 50.0, np.pi - half, 2 * half))
    points = np.concatenate([a.point(np.linspace(0.04, 0.96, 300)) for a in arcs])
    assert straightened(Loop(arcs), points) == Loop(arcs)
