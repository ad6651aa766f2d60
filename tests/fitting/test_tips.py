"""Corners that no point supports."""

import numpy as np
import pytest

from digitize.fitting.quality import FitQuality
from digitize.fitting.tips import ended, straightened
from digitize.model.outline import Loop, Outline, TipEnd
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


PLAIN = FitQuality(0.01, 0.005, 900, 3, 3, 0, 0.0)
UP = (0.0, 1.0)


def test_a_cut_tip_gets_a_straight_end_square_to_its_heading():
    outline = Outline(beak(0.0))
    after, told = ended(outline, PLAIN, [TipEnd(0, 2, (0.0, 60.0), UP, 2.0, 5.0)])
    assert [type(s) for s in after.segments] == [Line, Line, Line, Spline]
    end = after.outer.segments[2]
    assert end.start[1] == pytest.approx(58.0) and end.end[1] == pytest.approx(58.0)
    assert (told.pieces, told.corners) == (4, 4) and (told.max_mm, told.points) == (0.01, 900)
    flank = outline.outer.segments[2].point(np.linspace(0, 1, 4000))
    off = [np.linalg.norm(flank - p, axis=1).min() for p in after.outer.segments[3].point(np.linspace(0, 1, 50))]
    assert max(off) < 0.02  # half a step of the points: the flank itself is as it was


def test_a_curved_flank_bends_to_its_corner_and_stays_as_it_is_before():
    outline = Outline(beak(0.0))
    after, told = ended(outline, PLAIN, [TipEnd(0, 2, (0.3, 61.0), UP, 0.0, 12.0)])
    assert told.pieces == 3 and after.outer.segments[2].start == pytest.approx((0.3, 61.0))
    before, bent = (o.outer.segments[2].point(np.linspace(0, 1, 4001)) for o in (outline, after))
    moved = np.linalg.norm(bent - before, axis=1)
    length = np.linalg.norm(np.diff(before, axis=0), axis=1).cumsum()
    assert moved[1:][length > 14.0].max() < SPLIT_MM and moved[0] == pytest.approx(np.hypot(0.3, 1.0))
    assert (np.diff(moved) < 1e-12).all()  # less and less with the way from the corner
    heading = np.unwrap(np.arctan2(*np.diff(bent, axis=0).T[::-1]))
    assert np.abs(np.diff(heading)).max() < 0.002  # no break anywhere


def test_a_cut_that_is_longer_than_a_flank_is_left():
    outline = Outline(beak(0.0))
    after, told = ended(outline, PLAIN, [TipEnd(0, 2, (0.0, 60.0), UP, 70.0, 5.0)])
    assert after == outline and told.pieces == 3


def test_a_tip_that_an_arc_would_have_to_leave_stays():
    half = np.arcsin(0.8)
    lens = Outline(Loop((Arc((-30.0, 0.0), 50.0, -half, 2 * half), Arc((30.0, 0.0), 50.0, np.pi - half, 2 * half))))
    after, _ = ended(lens, PLAIN, [TipEnd(0, 1, (0.0, 40.3), UP, 0.0, 5.0)])
    assert after == lens
    cut, told = ended(lens, PLAIN, [TipEnd(0, 1, (0.0, 40.0), UP, 0.5, 5.0)])
    assert told.pieces == 3 and [type(s) for s in cut.segments] == [Arc, Line, Arc]
