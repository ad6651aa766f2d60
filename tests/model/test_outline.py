"""Segments and outlines: what holds for every one of them."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from digitize.model.outline import GAP_TOL_MM, Contour, Loop, Outline
from digitize.model.segment import Arc, Line, Spline, on_segments
from tests.helpers import bracket, rounded_plate

ROUNDING_MM = 1e-9
coordinates = st.floats(-500, 500)
points = st.tuples(coordinates, coordinates)
angles = st.floats(-math.pi, math.pi)


@st.composite
def segments(draw):
    kind = draw(st.sampled_from(["line", "arc", "spline"]))
    if kind == "line":
        a = draw(points)
        return Line(a, (a[0] + draw(st.floats(1, 300)), a[1] + draw(st.floats(-300, 300))))
    if kind == "arc":
        sweep = draw(st.floats(0.05, 6.0)) * draw(st.sampled_from([-1, 1]))
        return Arc(draw(points), draw(st.floats(0.5, 400)), draw(angles), sweep)
    n = draw(st.integers(4, 9))
    x = np.cumsum([draw(st.floats(5, 50)) for _ in range(n)])
    control = tuple((float(u), draw(st.floats(-60, 60))) for u in x)
    inner = tuple(i / (n - 3) for i in range(1, n - 3))
    return Spline(control, (0.0,) * 4 + inner + (1.0,) * 4)


@given(segments())
def test_a_reversed_segment_runs_the_same_way_back(segment):
    t = np.linspace(0, 1, 9)
    back = segment.reversed()
    assert np.allclose(back.point(t), segment.point(1 - t), atol=1e-7)
    assert np.allclose(back.tangent(t), -segment.tangent(1 - t), atol=1e-6)
    assert back.length == pytest.approx(segment.length, rel=1e-9)


@given(segments(), angles, points)
def test_a_moved_segment_keeps_its_length_and_shape(segment, turn, shift):
    moved = segment.moved(turn, shift)
    c, s = math.cos(turn), math.sin(turn)
    expected = segment.point(np.linspace(0, 1, 7)) @ np.array([[c, s], [-s, c]]) + shift
    assert np.allclose(moved.point(np.linspace(0, 1, 7)), expected, atol=1e-7)
    assert moved.length == pytest.approx(segment.length, rel=1e-9)


@given(st.lists(segments(), min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_many_segments_asked_at_once_answer_as_each_does(chain, chance):
    asked = [(k, u) for k in range(len(chain)) for u in (0.0, 0.3, 1.0)]
    chance.shuffle(asked)
    found = on_segments(chain, np.array([k for k, _ in asked]), np.array([u for _, u in asked]))
    points = np.vstack([chain[k].point(u) for k, u in asked])
    tangents = np.vstack([chain[k].tangent(u) for k, u in asked])
    assert np.allclose(found[0], points, rtol=0, atol=1e-7)
    assert np.allclose(found[1], tangents, rtol=0, atol=1e-6)


@given(segments(), st.sampled_from([0.005, 0.05]))
def test_flattening_stays_within_its_chord_error(segment, chord_error):
    chords = segment.flattened(chord_error)
    assert np.allclose(chords[0], segment.start, atol=1e-7) and np.allclose(chords[-1], segment.end, atol=1e-7)
    curve = segment.point(np.linspace(0, 1, 400))
    a, b = chords[:-1], chords[1:]
    along = (b - a) / np.maximum(np.linalg.norm(b - a, axis=1, keepdims=True), 1e-12)
    t = np.clip(np.einsum("nkc,kc->nk", curve[:, None] - a, along), 0, np.linalg.norm(b - a, axis=1))
    off = np.linalg.norm(curve[:, None] - a - t[..., None] * along, axis=2).min(axis=1)
    assert off.max() <= 1.001 * chord_error + ROUNDING_MM


@given(angles, points)
def test_an_outline_keeps_area_length_and_corners_wherever_it_lies(turn, shift):
    for outline in (bracket(), rounded_plate()):
        moved = outline.moved(turn, shift)
        assert moved.outer.area == pytest.approx(outline.outer.area, rel=1e-9)
        assert moved.outer.length == pytest.approx(outline.outer.length, rel=1e-9)
        assert len(moved.corners()) == len(outline.corners())


def test_an_outline_puts_its_loops_the_right_way_round():
    outline = rounded_plate()
    turned = Outline.of(outline.outer.reversed(), [h.reversed() for h in outline.holes])
    assert turned.outer.area > 0 and all(h.area < 0 for h in turned.holes)
    with pytest.raises(ValueError, match="counter-clockwise"):
        Outline(outline.outer.reversed())


def test_an_open_loop_is_named_with_its_place():
    with pytest.raises(ValueError, match=r"open by 0.5000.* at \(10.000, 10.000\)"):
        Loop((Line((0.0, 0.0), (10.0, 0.0)), Line((10.0, 0.0), (10.0, 10.0)), Line((10.5, 10.0), (0.0, 0.0))))
    closed = Loop(
        (Line((0.0, 0.0), (10.0, 0.0)), Line((10.0, 0.0), (9.0, 9.0)), Line((9.0, 9.0), (GAP_TOL_MM / 2, 0.0)))
    )
    assert closed.area == pytest.approx(45.0)


def test_a_loop_that_crosses_itself_is_refused():
    bow = Loop(
        tuple(Line(a, b) for a, b in [((0, 0), (30, 20)), ((30, 20), (30, 0)), ((30, 0), (0, 10)), ((0, 10), (0, 0))])
    )
    with pytest.raises(ValueError, match="crosses itself"):
        Outline.of(bow)


def test_turns_and_corners_of_a_rectangle_with_one_round_corner():
    r = 5.0
    loop = Loop(
        (
            Line((0.0, 0.0), (40.0, 0.0)),
            Line((40.0, 0.0), (40.0, 20.0)),
            Line((40.0, 20.0), (r, 20.0)),
            Arc((r, 20.0 - r), r, math.pi / 2, math.pi / 2),
            Line((0.0, 20.0 - r), (0.0, 0.0)),
        )
    )
    assert np.degrees(loop.turns()) == pytest.approx([90, 90, 90, 0, 0], abs=1e-9)
    assert loop.corners() == [(0.0, 0.0), (40.0, 0.0), (40.0, 20.0)]
    assert loop.area == pytest.approx(40 * 20 - r * r * (1 - math.pi / 4), abs=0.05)


def test_a_contour_wants_a_sigma_for_every_point():
    with pytest.raises(ValueError, match="sigma"):
        Contour(np.random.default_rng(1).normal(size=(20, 2)), np.zeros(20))


def test_a_spline_wants_clamped_knots():
    control = ((0.0, 0.0), (1.0, 1.0), (2.0, 1.0), (3.0, 0.0))
    with pytest.raises(ValueError, match="clamped"):
        Spline(control, (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0))
