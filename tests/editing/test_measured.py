"""Which stretches no edge was measured for."""

import time

import numpy as np
import pytest

from digitize.editing.measured import reference_of, unmeasured
from digitize.model.pattern import Stretch
from digitize.rebuild.path import Path
from tests.editing.outlines import polygon, thirty_pieces
from tests.helpers import bracket, pattern

STEP_MM = 0.25  # the ends of a stretch are found to one step each
UNMEASURED_MS, BOUND = 20.0, 5.0


def closed(points):
    return np.vstack([points, points[:1]])


def dense(outline, n=4000, noise=0.02, seed=0):
    rng = np.random.default_rng(seed)
    paths = [Path(loop) for loop in outline.loops]
    return [closed(p.points(np.linspace(0, p.length, n)[:-1]) + rng.normal(0, noise, (n - 1, 2))) for p in paths]


def test_a_bump_is_found_with_its_length():
    #  A bump of 1 mm on the upper edge, from x = 40 to 60.
    bumped = polygon(
        (0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (60.0, 60.0), (60.0, 61.0), (40.0, 61.0), (40.0, 60.0), (0.0, 60.0)
    )
    smooth = polygon((0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0))
    (found,) = unmeasured(bumped, dense(smooth), 0.2)
    assert found.loop == 0
    assert found.end_mm - found.start_mm == pytest.approx(20.0 + 2 * 0.8, abs=2 * STEP_MM)  # 0.2 mm of either wall near
    assert found.start_mm == pytest.approx(200.2, abs=STEP_MM + 0.05)
    assert unmeasured(bumped, dense(bumped), 0.2) == ()


def test_only_chords_count_not_points():
    square = polygon((0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0))
    corners = np.array([(0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0)])
    assert unmeasured(square, [closed(corners)], 0.01) == ()
    (found,) = unmeasured(square, [corners], 0.01)  # open: the side from (0, 60) back to the start is missing
    assert (found.start_mm, found.end_mm % 320.0) == pytest.approx((260.0, 0.0), abs=STEP_MM)


def test_a_stretch_may_run_past_the_start_of_its_loop():
    square = polygon((0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0))
    (found,) = unmeasured(square, [np.array([(20.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0), (0.0, 30.0)])], 0.1)
    assert (found.start_mm, found.end_mm) == pytest.approx((290.0, 20.0), abs=STEP_MM + 0.1)


def test_a_loop_that_nothing_was_measured_of_is_unmeasured_throughout():
    whole = bracket()
    (found,) = unmeasured(whole, dense(whole)[:1], 0.2)
    assert found == Stretch(1, 0.0, pytest.approx(whole.holes[0].length))
    assert {s.loop for s in unmeasured(whole, [], 0.2)} == {0, 1}


@pytest.mark.parametrize(
    "stretches",
    [
        (Stretch(0, 30.0, 50.0),),
        (Stretch(0, 30.0, 50.0), Stretch(0, 200.0, 210.0), Stretch(1, 20.0, 40.0)),
        (Stretch(0, 480.0, 15.0), Stretch(0, 5.0, 40.0)),
        (Stretch(1, 0.0, bracket().holes[0].length),),
    ],
)
def test_a_patterns_own_measured_edges_leave_its_invented_stretches(stretches):
    invented = pattern(bracket()).model_copy(update={"invented": stretches})
    found = unmeasured(bracket(), reference_of(invented), 0.01)
    for k, loop in enumerate(bracket().loops):
        s = np.arange(0.05, loop.length, 0.1)
        gaps = [
            [(s - t.start_mm) % loop.length < span(t, loop) for t in ts if t.loop == k] for ts in (stretches, found)
        ]
        here, there = (np.any(g, axis=0) if g else np.zeros(len(s), bool) for g in gaps)
        assert 0.1 * np.sum(here != there) <= 2 * len(stretches) * (STEP_MM + 0.05)


def span(stretch, loop):
    whole = stretch.end_mm - stretch.start_mm >= loop.length - 1e-6
    return loop.length if whole else (stretch.end_mm - stretch.start_mm) % loop.length


def test_an_untouched_pattern_has_nothing_unmeasured():
    assert unmeasured(bracket(), reference_of(pattern(bracket())), 0.01) == ()


def test_five_thousand_points_are_looked_through_in_time():
    outline = thirty_pieces()
    reference = dense(outline, 5000)
    spent = []
    for _ in range(5):
        begun = time.process_time()
        unmeasured(outline, reference, 0.2)
        spent.append(time.process_time() - begun)
    assert 1e3 * min(spent) < BOUND * UNMEASURED_MS
