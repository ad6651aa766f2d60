"""Joints moved, added and removed: what must stay does, and what cannot be drawn is refused."""

import math
import statistics
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.editing.following import AS_SPLINE_MM
from digitize.editing.joints import added, joints, moved, removed
from digitize.model.errors import InputError
from digitize.model.outline import CORNER_RAD, Loop, Outline
from digitize.model.segment import Arc, Line, Spline
from digitize.rebuild.path import Path
from tests.editing.outlines import SHAPES, apart, circle, farthest, lens, polygon, thirty_pieces
from tests.helpers import bracket, rounded_plate

ROUNDING = 1e-9  # mm, and radians
BACK_MM = 1e-6  # there and back
OFF_MM = 0.02  # of a piece that takes the place of others
MOVED_MS, BOUND = 5.0, 5.0  # processor time for a joint of 30 pieces, and how much slower a machine may be

PLACES = [(name, j) for name, outline in SHAPES.items() for j in joints(outline)]
# mm; a line that is moved across itself by less than some millionths stays one, and turns by as little
HUNDREDTHS = st.integers(-300, 300).map(lambda n: n / 100)


def shifted(joint, by):
    return joint.at[0] + by[0], joint.at[1] + by[1]


def test_joints_are_told_with_their_kind_and_a_circle_has_none():
    found = joints(bracket())
    assert [(j.loop, j.index, j.sharp) for j in found] == [(0, k, k in (0, 4)) for k in range(5)]
    assert [j.at for j in found] == [s.start for s in bracket().outer.segments]
    assert joints(circle()) == ()


@given(st.sampled_from(PLACES), st.tuples(*[HUNDREDTHS] * 2))
@settings(max_examples=120, deadline=None)
def test_a_moved_joint_takes_two_segments_along_and_leaves_the_rest(place, by):
    name, joint = place
    old, to = SHAPES[name], shifted(joint, by)
    new = moved(old, joint.loop, joint.index, to)
    before, after = old.loops[joint.loop], new.loops[joint.loop]
    n = len(before.segments)
    assert math.dist(after.segments[joint.index].start, to) < ROUNDING
    assert math.dist(after.segments[joint.index - 1].end, to) < ROUNDING
    touched = {joint.index, (joint.index - 1) % n}
    assert all(after.segments[k] == before.segments[k] for k in range(n) if k not in touched)
    turns, was = after.turns(), before.turns()
    for k in range(n):
        if k != joint.index:
            assert math.dist(after.segments[k].start, before.segments[k].start) < ROUNDING
        if abs(was[k]) <= CORNER_RAD:
            heading = [loop.segments[k].tangent(0.0)[0] for loop in (before, after)]
            assert turns[k] == pytest.approx(was[k], abs=ROUNDING)
            assert np.abs(heading[0] - heading[1]).max() < ROUNDING


@pytest.mark.parametrize("name", SHAPES)
def test_a_joint_that_is_not_moved_changes_nothing_and_one_hardly_moved_hardly_anything(name):
    for joint in joints(SHAPES[name]):
        assert moved(SHAPES[name], joint.loop, joint.index, joint.at) == SHAPES[name]
        nearly = moved(SHAPES[name], joint.loop, joint.index, shifted(joint, (1e-6, 0.0)))
        assert apart(nearly, SHAPES[name]) < 2 * AS_SPLINE_MM


@given(st.sampled_from([p for p in PLACES if p[1].sharp]), st.tuples(*[st.floats(-3.0, 3.0)] * 2))
@settings(max_examples=60, deadline=None)
def test_a_corner_moved_there_and_back_is_where_it_was(place, by):
    name, joint = place
    there = moved(SHAPES[name], joint.loop, joint.index, shifted(joint, by))
    back = moved(there, joint.loop, joint.index, joint.at)
    for one, other in zip(back.outer.segments, SHAPES[name].outer.segments, strict=True):
        t = np.linspace(0, 1, 20)
        assert np.abs(one.point(t) - other.point(t)).max() < BACK_MM


def test_lines_between_corners_stay_lines_and_arcs_keep_their_sweep():
    pentagon = moved(SHAPES["polygon"], 0, 2, (100.0, 60.0))
    assert all(isinstance(s, Line) for s in pentagon.outer.segments)
    wide = moved(lens(), 0, 1, (55.0, 5.0))
    assert [s.sweep for s in wide.outer.segments] == pytest.approx([s.sweep for s in lens().outer.segments])


def test_a_line_that_leaves_a_fillet_becomes_the_arc_with_its_tangent():
    # A corner at (50, 0) after a line that runs on from a quarter round about (10, 10).
    corner = Loop(
        (
            Arc((10.0, 10.0), 10.0, math.pi, math.pi / 2),
            Line((10.0, 0.0), (50.0, 0.0)),
            Line((50.0, 0.0), (50.0, 40.0)),
            Line((50.0, 40.0), (0.0, 40.0)),
            Line((0.0, 40.0), (0.0, 10.0)),
        )
    )
    arc = moved(Outline(corner), 0, 2, (50.0, 4.0)).outer.segments[1]
    assert isinstance(arc, Arc)
    # Circle tangent to y = 0 at (10, 0) through (50, 4): R = (40^2 + 4^2) / (2 * 4).
    assert arc.radius == pytest.approx((40.0**2 + 4.0**2) / 8.0, rel=1e-12)
    assert arc.centre == pytest.approx((10.0, arc.radius))
    assert isinstance(moved(Outline(corner), 0, 2, (60.0, 0.0)).outer.segments[1], Line)


def test_a_move_that_would_cross_or_close_up_is_refused():
    with pytest.raises(InputError, match="crosses itself"):
        moved(polygon((0.0, 0.0), (80.0, 0.0), (80.0, 50.0), (0.0, 50.0)), 0, 2, (40.0, -10.0))
    with pytest.raises(InputError, match="lie together"):
        moved(SHAPES["polygon"], 0, 1, (0.0, 0.0))
    with pytest.raises(InputError, match="a hole would touch"):
        moved(added(bracket(), (90.0, 67.5)), 1, 0, (90.0, 130.0))
    with pytest.raises(InputError, match="a hole would touch"):
        holed = Outline(SHAPES["polygon"].outer, (Loop((Arc((70.0, 40.0), 8.0, 0.0, -2 * math.pi),)),))
        moved(holed, 0, 2, (60.0, 30.0))
    for name in ("polygon", "egg"):
        with pytest.raises(InputError, match="no point"):
            moved(SHAPES[name], 0, 0, (math.nan, 0.0))


@pytest.mark.parametrize(("loop", "index"), [(0, 5), (0, -1), (1, 0), (2, 0)])
def test_joints_that_are_not_there_are_refused(loop, index):
    for what in (lambda: moved(bracket(), loop, index, (1.0, 1.0)), lambda: removed(bracket(), loop, index)):
        with pytest.raises(InputError, match="There is no"):
            what()


@given(st.sampled_from(list(SHAPES)), st.floats(0.0, 1.0), st.floats(-3.0, 3.0), st.booleans())
@settings(max_examples=25, deadline=None)
def test_an_added_joint_changes_no_curve_and_can_be_removed_again(name, share, off, hole):
    old = SHAPES[name]
    number = int(hole and len(old.holes) > 0)
    path = Path(old.loops[number])
    at, along = path.points(np.array([share * path.length])), path.tangents(np.array([share * path.length]))
    near = at[0] + off * along[0] @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    try:
        new = added(old, (float(near[0]), float(near[1])))
    except InputError as error:
        assert "joint already" in str(error)
        return
    assert apart(new, old) < ROUNDING
    known = {j.at for j in joints(old)}
    mine = [j for j in joints(new) if min((math.dist(j.at, k) for k in known), default=1.0) > 1e-3]
    assert mine
    again = removed(new, mine[0].loop, mine[0].index)
    assert len(again.segments) == len(old.segments)
    assert max(farthest(a, b) for a, b in zip(again.loops, old.loops, strict=True)) < OFF_MM


def test_joints_added_one_after_another_to_one_spline_change_nothing():
    outline = bracket()
    for share in np.random.default_rng(0).uniform(0.01, 0.99, 25):
        (x, y), *_ = bracket().outer.segments[-1].point(share)
        outline = added(outline, (float(x), float(y)))
    assert len(outline.outer.segments) == len(bracket().outer.segments) + 25
    assert farthest(outline.outer, bracket().outer) < ROUNDING


def test_a_circle_becomes_two_half_arcs_and_a_circle_again():
    halves = added(circle(), (5.0, 30.0))
    assert [s.sweep for s in halves.outer.segments] == [math.pi, math.pi]
    assert halves.outer.segments[0].start == pytest.approx((5.0, 27.0), abs=1e-6)
    whole = removed(halves, 0, 1).outer.segments
    assert len(whole) == 1
    assert whole[0].is_circle
    assert (*whole[0].centre, whole[0].radius, whole[0].sweep) == pytest.approx((5.0, -3.0, 30.0, 2 * math.pi))


def test_points_off_the_edge_or_on_a_joint_add_nothing():
    with pytest.raises(InputError, match="off the edge"):
        added(bracket(), (50.0, 50.0))
    with pytest.raises(InputError, match="a joint already"):
        added(bracket(), (70.0, -1.0))


def test_pieces_that_are_one_line_or_arc_become_one():
    row = removed(bracket(), 0, 1).outer.segments
    assert row[0] == Line((0.0, 0.0), (120.0, 0.0))
    split = removed(added(rounded_plate(), (57.0, 3.0)), 0, 1).outer.segments
    assert split[0].radius == pytest.approx(8.0, abs=1e-6)
    assert split[0].sweep == pytest.approx(math.pi / 2, abs=1e-6)


def test_a_smooth_joint_of_two_kinds_becomes_one_spline_near_both():
    for index in range(8):
        new = removed(rounded_plate(), 0, index)
        spline = next(s for s in new.outer.segments if isinstance(s, Spline))
        assert apart(new, rounded_plate()) < 1.2 * OFF_MM  # nearest points, at the places between the fitted ones too
        assert len(spline.control) <= 10
        assert np.abs(new.outer.turns()).max() < 1e-7


def test_a_corner_that_is_removed_is_rounded_off_by_one_convex_cubic():
    square = polygon((0.0, 0.0), (80.0, 0.0), (80.0, 50.0), (0.0, 50.0))
    new = removed(square, 0, 1)
    curve = next(s for s in new.outer.segments if isinstance(s, Spline))
    assert len(curve.control) == 4
    assert (curve.start, curve.end) == ((0.0, 0.0), (80.0, 50.0))
    assert np.abs(curve.tangent(0.0)[0] - (1.0, 0.0)).max() < ROUNDING
    assert np.abs(curve.tangent(1.0)[0] - (0.0, 1.0)).max() < ROUNDING
    headings = np.unwrap(np.arctan2(*curve.tangent(np.linspace(0, 1, 200)).T[::-1]))
    assert (np.diff(headings) > 0).all()
    assert math.dist((80.0, 0.0), curve.point(np.linspace(0, 1, 400))[200]) < 20.0  # it goes towards the corner
    assert new.polygon().area < square.polygon().area


def test_two_segments_become_one_closed_curve():
    pointed = removed(lens(), 0, 1)
    assert [type(s) for s in pointed.outer.segments] == [Spline]
    assert len(pointed.corners()) == 1
    assert pointed.outer.segments[0].start == pytest.approx((-40.0, 0.0))


def test_the_only_joint_cannot_be_removed():
    with pytest.raises(InputError, match="only this joint"):
        removed(SHAPES["egg"], 0, 0)


def test_a_joint_of_thirty_pieces_moves_in_time():
    outline, spent = thirty_pieces(), []
    for index in range(30):
        x, y = outline.outer.segments[index].start
        begun = time.process_time()
        moved(outline, 0, index, (x + 1.0, y + 1.0))
        spent.append(time.process_time() - begun)
    assert 1e3 * statistics.median(spent) < BOUND * MOVED_MS
