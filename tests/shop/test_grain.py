"""Slope of grain, fibre lengths, fragile places and the sweep, against formulas, shapely and printed values."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from digitize.shop.fibre import INSIDE_MM, edge_steps, points_along
from digitize.shop.fragile import loads
from digitize.shop.grain import edge_grain, grain_sweep, slope_of_grain
from digitize.shop.strength import BENDING, COMPRESSION, IMPACT, combined_slope, strength_ratio
from tests.helpers import bracket, rounded_plate
from tests.shop.parts import disc, polygon, prong, spike, splat, square, star

EXACT = 1e-9  # rounding
CHORD_MM = 0.01  # the samples' polygon against the true curve, and the fibre INSIDE_MM inside it
PRINTED = 0.0006  # anchors are printed to a tenth of a percent

# Computed from the Wood Handbook's formula and exponents (FPL-GTR-190, 2010, ch. 5): slope 1:N, share of strength.
HANDBOOK = {
    BENDING: {25: 0.927, 20: 0.901, 15: 0.856, 10: 0.765, 5: 0.544},
    IMPACT: {25: 0.863, 20: 0.819, 15: 0.746, 10: 0.617, 5: 0.369},
    COMPRESSION: {25: 0.999, 20: 0.998, 15: 0.994, 10: 0.981, 5: 0.891},
}


@pytest.mark.parametrize("kind", HANDBOOK, ids=lambda k: k.name)
def test_strength_along_a_slope_follows_the_handbook(kind):
    for run, share in HANDBOOK[kind].items():
        assert abs(strength_ratio(math.atan(1 / run), kind) - share) < PRINTED


@pytest.mark.parametrize("kind", HANDBOOK, ids=lambda k: k.name)
def test_strength_is_whole_along_the_grain_and_q_over_p_across_it(kind):
    assert strength_ratio(0.0, kind) == pytest.approx(1.0, abs=EXACT)
    assert strength_ratio(math.pi / 2, kind) == pytest.approx(kind.across, abs=EXACT)


@pytest.mark.parametrize(("face", "edge", "printed"), [(20, 25, 15.6), (18, 22, 13.9), (12, 18, 10.0)])
def test_slopes_on_two_faces_combine_as_printed(face, edge, printed):
    """ANC-19 Table 2-11; the last one Wood Handbook, chapter 5."""
    assert 1 / combined_slope(1 / face, 1 / edge) == pytest.approx(printed, abs=0.05)


def test_slope_is_positive_where_fibres_ahead_dive_into_the_part():
    """Travel along +x, the part above: fibres that rise ahead go into it."""
    travel = np.zeros(4)
    slopes = [slope_of_grain(travel, math.radians(d))[0] for d in (0, 20, 90, 160)]
    assert np.degrees(slopes) == pytest.approx([0, 20, 90, -20], abs=1e-9)


def test_fibres_of_a_disc_are_its_chords():
    steps = edge_steps(disc(75.0))
    for direction in (0.0, 0.7, 2.0):
        across = steps.inside @ [-math.sin(direction), math.cos(direction)]
        chord = 2 * np.sqrt(75.0**2 - across**2)
        long = chord > 20.0  # a shorter one changes by more than the polygon's own error
        found = edge_grain(disc(75.0), direction, steps).fibre_mm
        assert np.abs(found - chord)[long].max() < 10 * CHORD_MM


@pytest.mark.parametrize(
    "outline", [bracket(), rounded_plate(), prong(), disc(80, hole=40)], ids=["bracket", "plate", "prong", "ring"]
)
def test_fibre_lengths_agree_with_shapely(outline):
    steps = edge_steps(outline)
    shape = outline.polygon()
    chosen = np.arange(0, len(steps.loop), 23)
    for direction in (0.0, 0.4, 1.9):
        found = edge_grain(outline, direction, steps).fibre_mm[chosen]
        along = 2000.0 * np.array([math.cos(direction), math.sin(direction)])
        for i, length in zip(chosen, found, strict=True):
            p = steps.inside[i]
            pieces = shapely.get_parts(shape.intersection(shapely.LineString([p - along, p + along])))
            nearest = min(pieces, key=lambda piece: piece.distance(shapely.Point(p)))
            assert abs(nearest.length - length) < 0.2 or _grazes(shape, p, along)


def _grazes(shape, p, along):
    """Whether the fibre's line runs so close to an edge that the hundredth of a millimetre decides."""
    normal = np.array([-along[1], along[0]]) / 2000.0
    lengths = [
        min(
            shapely.get_parts(shape.intersection(shapely.LineString([p + s * normal - along, p + s * normal + along]))),
            key=lambda piece: piece.distance(shapely.Point(p)),
        ).length
        for s in (-CHORD_MM, CHORD_MM)
    ]
    return abs(lengths[0] - lengths[1]) > 0.2


def test_a_thin_tip_across_the_grain_is_fragile_and_along_it_is_not():
    across, along = edge_grain(spike(), math.pi / 2), edge_grain(spike(), 0.0)
    (tip,) = across.tips
    assert tip.kind == "tip" and tip.at == pytest.approx((140.0, 30.0), abs=0.5)
    assert tip.strength_ratio == pytest.approx(0.1, abs=1e-3)
    assert tip.fibre_mm == pytest.approx(2 * tip.reach_mm * math.tan(math.radians(16.7 / 2)), rel=0.02)
    assert along.tips == ()


@pytest.mark.parametrize(("grain", "angle"), [(0, 90), (30, 60), (45, 45), (150, 60)])
def test_a_prong_is_as_weak_as_its_angle_to_the_grain(grain, angle):
    (tip,) = edge_grain(prong(), math.radians(grain)).tips
    assert math.degrees(tip.angle) == pytest.approx(angle, abs=0.01)
    assert tip.width_mm == pytest.approx(8.0, abs=0.01)
    assert tip.fibre_mm == pytest.approx(8.0 / math.sin(math.radians(angle)), abs=0.01)
    assert tip.strength_ratio == pytest.approx(float(strength_ratio(math.radians(angle))), abs=1e-4)


def test_runout_through_the_thickness_weakens_a_tip_further():
    plain, worse = (edge_grain(prong(), math.radians(60), runout=r).tips[0] for r in (0.0, 0.25))
    slope = combined_slope(math.tan(plain.angle), 0.25)
    assert worse.strength_ratio == pytest.approx(float(strength_ratio(math.atan(slope))), abs=1e-6)
    assert worse.strength_ratio < plain.strength_ratio


def test_a_neck_is_told_from_a_tip_and_a_wall_from_both():
    dumbbell = polygon(
        (0, 0),
        (80, 0),
        (80, 60),
        (45, 60),
        (45, 90),
        (80, 90),
        (80, 150),
        (0, 150),
        (0, 90),
        (33, 90),
        (33, 60),
        (0, 60),
    )
    (neck,) = edge_grain(dumbbell, 0.0).tips
    assert neck.kind == "neck" and neck.width_mm == pytest.approx(12.0, abs=0.01)
    walled = polygon((0, 0), (100, 0), (100, 60), (0, 60), holes=[[(30, 56.5), (70, 56.5), (70, 30), (30, 30)]])
    (wall,) = edge_grain(walled, math.pi / 2).tips
    assert wall.kind == "wall" and wall.width_mm == pytest.approx(3.5, abs=0.01)
    assert edge_grain(walled, 0.0).tips == ()


@pytest.mark.parametrize("hole", [38.0, 39.0, 40.5, 43.0])
def test_a_wall_is_as_wide_as_it_is_whatever_way_the_grain_crosses_it(hole):
    """A fibre that grazes both its edges, however long, tells nothing of where it is thinnest."""
    outline = splat(hole)
    steps = edge_steps(outline)
    points = steps.inside[::7]
    narrowest = shapely.distance(*(shapely.LinearRing(loop.flattened(1e-3)) for loop in outline.loops))
    for degrees in range(180):
        found = loads(steps.samples, points, math.radians(degrees), lambda q, loop: steps.away(points[q], loop))
        walls = found.lines.between_loops & (found.lines.length > 0)
        assert (found.width[walls] > narrowest - CHORD_MM).all()
        assert (found.width[walls] < found.lines.length[walls] + EXACT).all()
    weakest = grain_sweep(outline).weakest
    beside = np.maximum(np.roll(weakest, 1), np.roll(weakest, -1))
    assert (weakest < 1.2 * beside).all()  # by the directions of its edges alone: 1.4 to 3.2


def test_stout_parts_have_no_fragile_places():
    for outline in (square(), disc(), rounded_plate()):
        for degrees in range(0, 180, 15):
            assert edge_grain(outline, math.radians(degrees)).tips == ()


def test_the_best_grain_runs_along_a_slender_part_and_a_prong():
    lath = polygon((0, 0), (300, 0), (300, 50), (0, 50))
    for turn in (0.0, 0.5, 2.0):
        assert (grain_sweep(lath.moved(turn, (3, 4))).best_deg - math.degrees(turn) + 90) % 180 - 90 == pytest.approx(
            0, abs=1.0
        )
    assert grain_sweep(prong()).best_deg == pytest.approx(90, abs=3)
    assert not grain_sweep(disc()).matters


def test_the_sweep_agrees_with_the_edge_at_the_same_direction():
    sweep = grain_sweep(prong())
    for degrees in (0, 30, 60, 90):
        worst = edge_grain(prong(), math.radians(degrees)).load.max()
        assert sweep.weakest[degrees] == pytest.approx(worst, rel=0.05)


@settings(max_examples=15, deadline=None)
@given(radii=st.lists(st.floats(30, 90), min_size=5, max_size=9), turn=st.floats(0, 6.2), grain=st.floats(0, 3.1))
@example(radii=[30.0] * 6, turn=2.0, grain=0.0)  # steps whose number is whole but for rounding
def test_turning_outline_and_grain_together_changes_nothing(radii, turn, grain):
    shape = star(radii)
    a = edge_grain(shape, grain)
    b = edge_grain(shape.moved(turn, (10.0, -20.0)), grain + turn)
    assert np.sin(2 * a.slope) == pytest.approx(np.sin(2 * b.slope), abs=1e-6)
    close = np.abs(a.fibre_mm - b.fibre_mm) < 1e-4
    assert close.mean() > 0.98  # a fibre that grazes a corner may end at either side of it


def test_points_along_meet_the_outline():
    outline = bracket()
    steps = edge_steps(outline)
    along = np.linspace(0, outline.outer.length, 997)
    away = shapely.distance(outline.polygon().exterior, shapely.points(points_along(steps, 0, along)))
    assert away.max() < CHORD_MM
    assert steps.length[steps.loop == 0].sum() == pytest.approx(outline.outer.length, rel=1e-6)
    assert shapely.contains_xy(outline.polygon(), steps.inside).all()
    assert INSIDE_MM > CHORD_MM
