import math
from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.fitting import fallback, fit_outline
from digitize.fitting.chain import fit_loop
from digitize.fitting.pieces import lines_and_arcs
from digitize.fitting.quality import fitted_to, quality_of
from digitize.fitting.review import shows_form
from digitize.fitting.split import binned, prepared
from digitize.model.errors import PartError
from digitize.model.outline import Contour
from digitize.model.segment import Arc, Line, moved_points
from tests.fitting.shapes import Roughness, Shape, catalogue, deviation, polygon, roughened, turned

RMS_SIGMAS = 0.5  # fitting averages: lines and arcs come out truer than the points
SWEEP_SIGMAS = 0.4  # a free curve whose points err independently, and show no errors of form
TOLD_SIGMAS = 0.5  # where standard errors are guesses
SHARP_MM = 0.15  # at corners of 60 degrees and more, sigma 0.02
TIP_MM = 0.30  # at a tip of 15 degrees
SMOOTH_DEG = 0.1
FIELD_MM = (
    0.015  # RMS of errors that go together over centimetres: lens, sheets, wood; one photo differs so from the next
)
FIELD_REACH_MM = 12.0
SHAPES = {s.name: s for s in catalogue()}
DRAWN = [s for s in catalogue() if s.pieces and s.name != "ogee panel"]


@cache
def fitted(name, sigma=0.02):
    """A shape's contours of that noise, their outline and its quality."""
    contours = roughened(SHAPES[name], Roughness(sigma))
    return contours, *fit_outline(contours)


@pytest.mark.parametrize("shape", DRAWN, ids=lambda s: s.name)
@pytest.mark.parametrize("sigma", [0.01, 0.02, 0.05])
def test_drawn_shapes_come_back_piece_by_piece(shape, sigma):
    _, outline, quality = fitted(shape.name, sigma)
    off = deviation(outline, shape)
    assert (quality.pieces, quality.corners) == (shape.pieces, shape.corners)
    assert off.rms < RMS_SIGMAS * sigma
    assert off.largest < (TIP_MM if shape.name.startswith("tip") else SHARP_MM) * max(1.0, sigma / 0.02)
    assert quality.tangent_break_deg < SMOOTH_DEG


@pytest.mark.parametrize("name", ["ellipse", "ogee panel", "wave"])
def test_sweeps_are_followed_and_stay_fair(name):
    shape = SHAPES[name]
    _, outline, quality = fitted(name)
    off = deviation(outline, shape)
    assert off.rms < SWEEP_SIGMAS * 0.02
    assert off.largest < 0.08
    assert quality.corners == shape.corners
    assert quality.tangent_break_deg < SMOOTH_DEG
    assert quality.curvature_extrema <= {"ellipse": 6, "ogee panel": 3, "wave": 34}[name]  # truth: 4, 1, 28


@pytest.mark.parametrize("name", ["rectangle", "D", "cloud lift", "inside corners"])
def test_outliers_and_noise_that_goes_together_change_little(name):
    shape = SHAPES[name]
    outline, quality = fit_outline(roughened(shape, Roughness(0.02, together=3, outliers=6, seed=3)))
    off = deviation(outline, shape)
    assert quality.corners == shape.corners
    assert off.rms < RMS_SIGMAS * 0.02
    assert off.largest < SHARP_MM


@pytest.mark.parametrize("lost", [2.0, 4.0])
def test_a_tip_that_was_cut_short_comes_out_sharp(lost):
    """A 16.7 degree tip whose last mm the photo has lost altogether."""
    tip = math.radians(16.7)
    shape = Shape("tip", [turned(polygon([(0, 0), (120, 0), (120 * math.cos(tip), 120 * math.sin(tip))]))])
    whole = roughened(shape, Roughness(0.02))[0]
    keep = np.linalg.norm(whole.points - shape.loops[0][0], axis=1) > lost
    outline, quality = fit_outline([Contour(whole.points[keep], whole.sigma[keep], whole.blur)])
    assert quality.corners == 3
    assert deviation(outline, shape).largest < TIP_MM


def test_a_straight_edge_is_one_line_and_a_quarter_round_one_arc():
    _, outline, _ = fitted("one round corner")
    kinds = [type(s) for s in outline.segments]
    assert (kinds.count(Line), kinds.count(Arc)) == (4, 1)
    (arc,) = (s for s in outline.segments if isinstance(s, Arc))
    # k s / sqrt(N) for 90 degrees, N = 209 points: anchors as in test_primitives; tangents only help
    assert arc.radius == pytest.approx(40.0, abs=4 * 10.3 * 0.02 / math.sqrt(209))


@settings(max_examples=8, deadline=None)
@given(
    turn=st.floats(-math.pi, math.pi),
    x=st.floats(-300, 300),
    y=st.floats(-300, 300),
    name=st.sampled_from(["D", "rounded rectangle", "cloud lift", "ring"]),
)
def test_the_fit_moves_with_the_contour(turn, x, y, name):
    contours, first, _ = fitted(name)
    moved = [Contour(moved_points(c.points, turn, (x, y)), c.sigma, c.blur) for c in contours]
    second, _ = fit_outline(moved)
    expected = Shape(name, [loop.flattened(0.001) for loop in first.moved(turn, (x, y)).loops])
    assert deviation(second, expected).largest < 0.004  # the chords of the flattening, and rounding in the choice
    assert second.outer.area > 0 and all(h.area < 0 for h in second.holes)
    assert len(second.segments) == len(first.segments)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(8, 60), rough=st.floats(0.0, 0.4), flat=st.floats(0.01, 1.0))
def test_odd_contours_give_a_closed_outline_or_a_plain_refusal(seed, n, rough, flat):
    rng = np.random.default_rng(seed)
    a = np.sort(rng.uniform(0, 2 * math.pi, n))
    r = 20 * (1 + rough * rng.uniform(-1, 1, n))
    contour = Contour(np.column_stack([r * np.cos(a), flat * r * np.sin(a)]), rng.uniform(0.005, 0.05, n), 0.5)
    if contour.area <= 0:
        return
    try:
        outline, quality = fit_outline([contour])
    except PartError as refusal:
        assert refusal.problem and refusal.remedy
        return
    assert outline.outer.area > 0
    assert math.isfinite(quality.rms_mm)


def test_a_sliver_has_an_outline():
    x = np.linspace(0, 60, 200)
    there, back = np.column_stack([x, 0 * x]), np.column_stack([x[::-1], 0 * x + 0.8])
    rng = np.random.default_rng(2)
    points = np.vstack([there, back]) + rng.normal(0, 0.02, (400, 2))
    loop = fit_loop(Contour(points, np.full(400, 0.02), 0.5)).loop
    assert loop.area == pytest.approx(48.0, abs=3.0)  # its ends show nothing but blur


def test_fairing_takes_saw_marks_for_noise():
    """Saw marks of 0.1 mm, 5 mm apart, on a straight bar: with their size allowed, the edges are lines again."""
    bar = turned(polygon([(0, 0), (160, 0), (160, 50), (0, 50)]))
    rough = roughened(Shape("bar", [bar]), Roughness(0.01))[0]
    step = np.roll(rough.points, -1, axis=0) - np.roll(rough.points, 1, axis=0)
    left = np.column_stack([-step[:, 1], step[:, 0]]) / np.linalg.norm(step, axis=1, keepdims=True)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(rough.points, axis=0), axis=1))])
    marks = 0.05 * np.sin(2 * math.pi * s / 5.0)
    sawn = Contour(rough.points + marks[:, None] * left, rough.sigma, rough.blur)
    outline, quality = fit_outline([sawn], fair=0.2)
    assert (quality.pieces, quality.corners) == (4, 4)
    assert deviation(outline, Shape("bar", [bar])).largest < 0.1


def bent(shape, seed):
    """Contours of a shape with a smooth random field, as lens, sheets and wood make it."""
    rng = np.random.default_rng(seed)
    waves = rng.normal(0, 1 / FIELD_REACH_MM, (40, 2))
    size = rng.normal(0, FIELD_MM / math.sqrt(20), (40, 2))
    return [
        Contour(c.points + np.cos(c.points @ waves.T + np.arange(40.0)) @ size, c.sigma, c.blur)
        for c in roughened(shape, Roughness(0.015))
    ]


@pytest.mark.parametrize("name", ["rectangle", "D", "ogee panel"])
def test_long_lines_and_rounds_show_errors_of_form(name):
    for contour, shows in ((fitted(name)[0][0], False), (bent(SHAPES[name], 0)[0], True)):
        samples = prepared(contour, None)
        bins = binned(samples)
        assert shows_form(samples, bins, lines_and_arcs(bins)) is shows


@pytest.mark.parametrize("name", ["rectangle", "disc", "ring", "cloud lift"])
@pytest.mark.parametrize("seed", range(2))
def test_errors_that_go_together_over_centimetres_make_no_pieces(name, seed):
    shape = SHAPES[name]
    outline, quality = fit_outline(bent(shape, seed))
    assert (quality.pieces, quality.corners, quality.unfair_loops) == (shape.pieces, shape.corners, 0)
    assert deviation(outline, shape).rms < 2 * FIELD_MM


@pytest.mark.parametrize("name", ["ellipse", "wave"])
def test_standard_errors_that_are_guesses_change_little(name):
    """Told errors of 0.2 to 5 times the true one, as vision tells them: true errors do not follow those below 1."""
    shape, rng = SHAPES[name], np.random.default_rng(4)
    told = [
        Contour(c.points, c.sigma * np.exp(rng.normal(0, 0.8, len(c.sigma))), c.blur)
        for c in roughened(shape, Roughness(0.02))
    ]
    outline, quality = fit_outline(told)
    off = deviation(outline, shape)
    assert (quality.corners, quality.unfair_loops) == (0, 0)
    assert off.rms < TOLD_SIGMAS * 0.02
    assert off.largest < 0.08


@pytest.mark.parametrize("gap", [1.0, 1.5, 2.0])
def test_a_swelling_is_a_detail_though_points_lack_on_it(gap):
    bar = turned(polygon([(0, 0), (160, 0), (160, 50), (0, 50)]), 0.0, (0.0, 0.0))
    contour = roughened(Shape("bar", [bar]), Roughness(0.02))[0]
    along = (contour.points[:, 0] - 80.0) / 15.0
    below = contour.points[:, 1] < 5.0
    swell = np.where(below & (np.abs(along) < 0.5), 0.6 * np.cos(np.pi * along) ** 2, 0.0)
    keep = ~(below & (np.abs(contour.points[:, 0] - 80.0) < gap / 2))
    points = (contour.points - np.column_stack([0 * swell, swell]))[keep]
    outline, _ = fit_outline([Contour(points, contour.sigma[keep], contour.blur)])
    assert min(p[1] for p in outline.outer.flattened()) == pytest.approx(-0.6, abs=0.05)


@pytest.mark.parametrize("name", ["rectangle", "ring", "ogee panel"])
def test_very_many_points_are_averaged_and_make_the_fit_truer(name):
    shape = SHAPES[name]
    outline, quality = fit_outline(roughened(shape, Roughness(0.02, step=0.025, blur=0.0, dropped=0.0)))
    assert quality.corners == shape.corners
    assert deviation(outline, shape).rms < (0.15 if name == "ogee panel" else 0.1) * 0.02  # its sweep may err in form


def test_quality_counts_points_that_err_independently_and_extrema_across_joints():
    alone = fit_outline(roughened(SHAPES["rounded rectangle"], Roughness(0.02)))[1]
    together = fit_outline(roughened(SHAPES["rounded rectangle"], Roughness(0.02, together=3)))[1]
    assert alone.points > 1400  # of the 1600 that are 0.3 mm apart
    assert together.points < alone.points / 3  # a mean over three neighbours, and wary of what goes on beyond them
    assert alone.curvature_extrema == 8  # as drawn: each of four fillets, each of four lines
    assert fit_outline(roughened(SHAPES["ellipse"], Roughness(0.02)))[1].curvature_extrema in range(4, 7)
    assert SHAPES["rectangle"].pieces == fit_outline(roughened(SHAPES["rectangle"], Roughness(0.02)))[1].pieces


def test_a_part_needs_one_outer_edge():
    disc = roughened(SHAPES["disc"], Roughness(0.02))
    with pytest.raises(PartError, match="one outer edge"):
        fit_outline(disc + disc)
    with pytest.raises(PartError, match="one outer edge"):
        fit_outline([])


def test_a_loop_whose_pieces_are_simply_joined_is_told():
    samples = prepared(noisy_circle(), None)
    assert quality_of([fitted_to(samples, fallback.polygon(samples), fair=False)]).unfair_loops == 1
    assert fit_outline([noisy_circle()])[1].unfair_loops == 0


def noisy_circle():
    t = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    radius = 40.0 + np.random.default_rng(1).normal(0, 0.02, len(t))
    return Contour(radius[:, None] * np.column_stack([np.cos(t), np.sin(t)]), np.full(len(t), 0.02))


def test_a_thin_tip_is_followed_where_one_side_is_lost_long_before_the_other() -> None:
    half = math.radians(9.0)
    corners = np.array(
        [[0.0, 0.0], [-70.0, 70 * math.tan(half)], [-110.0, 40.0], [-110.0, -40.0], [-70.0, -70 * math.tan(half)]]
    )
    ring = shapely.LinearRing(corners)
    place = np.arange(0.0, ring.length, 0.7)
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, place))
    points += np.random.default_rng(4).normal(0, 0.02, points.shape)
    lost = np.where(points[:, 1] > 0, 9.0, 6.0)  # of the upper side, and of the lower one
    seen = points[points[:, 0] < -lost]
    outline, quality = fit_outline([Contour(seen, np.full(len(seen), 0.02), 1.2)])
    assert quality.unfair_loops == 0 and len(outline.segments) == 5
    assert np.linalg.norm(outline.outer.corners(), axis=1).min() < 0.5
