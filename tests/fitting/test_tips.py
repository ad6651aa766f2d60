"""Corners that no point supports."""

import numpy as np
import pytest

from digitize.fitting.tips import straightened
from digitize.model.outline import Loop
from digitize.model.segment import Arc, Line, Spline

SPLIT_MM = 1e-9


def beak(bend: float) -> Loop:
    """A triangle whose left flank is a spline that flares outward by ``bend`` mm near the tip at (0, 60)."""
    flank = Spline(((-bend, 60.0), (0.0, 50.0), (-20.0, 20.0), (-40.0, 0.0)), (0.0,) * 4 + (1.0,) * 4)
    return Loop((Line((-40.0, 0.0), (40.0, 0.0)), Line((40.0, 0.0), (-bend, 60.0)), flank))


def test_a_flaring_end_is_led_straight_from_its_last_point():
    loop = beak(6.0)
    flank = loop.segments[2]
    points = np.concatenate(
        [flank.point(np.linspace(0.3, 1, 80)), *(s.point(np.linspace(0, 0.8, 99)) for s in loop.segments[:2])]
    )
    led = straightened(loop, points)
    assert len(led.segments) == 4
    last, tangent = flank.point(0.3)[0], -flank.tangent(0.3)[0]
    tip = max(led.corners(), key=lambda p: p[1])
    away = np.array(tip) - last
    assert abs(away[0] * tangent[1] - away[1] * tangent[0]) < 0.05 and tip[1] < 60.0


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
