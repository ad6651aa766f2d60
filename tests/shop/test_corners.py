"""What cutters leave in corners, curves, slots and holes, against closed formulas, a swept cutter, and symmetry."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.model.outline import CHORD_ERROR_MM, Loop, Outline
from digitize.model.segment import Arc, Line, Spline
from digitize.shop.corners import best_pair, corner_table, largest_clean, numbered_corners, remainders
from digitize.shop.samples import edge_samples
from tests.shop.shapes import (
    FULL,
    cutter,
    ell,
    filleted,
    mirrored,
    necked,
    notched,
    polygon,
    practice,
    scaled,
    slotted,
    star,
)
from tests.shop.sweep import left_by_sweep

FORMULA = 0.005  # the share by which depth and area may miss the closed formulas
SWEEP = 0.01  # and the swept cutter
SWEEP_MM2 = 0.02  # a picture's pixels, where little is left
SAME = 1e-6  # rounding, as a share
ARC_MM = 1e-3  # of places along a spline: samples are taken to be joined by arcs


def corner_formula(angle_deg, radius):
    """Depth (mm) and area (mm2) that a disc leaves in a sharp corner; derived by elementary geometry."""
    half = math.radians(angle_deg) / 2
    return radius * (1 / math.sin(half) - 1), radius**2 * (1 / math.tan(half) - (math.pi - 2 * half) / 2)


@pytest.mark.parametrize("angle", [20, 35, 60, 90, 120, 140, 160])
@pytest.mark.parametrize("diameter", [0.5, 3.0, 12.7, 19.05, 100.0])
def test_a_sharp_corner_keeps_what_the_formulas_say(angle: int, diameter: float) -> None:
    outline = notched(angle, diameter / 2).moved(0.4, (3.0, 7.0))
    (left,) = remainders(outline, cutter(diameter))
    depth, area = corner_formula(angle, diameter / 2)
    assert left.depth_mm == pytest.approx(depth, rel=FORMULA)
    assert left.area_mm2 == pytest.approx(area, rel=FORMULA)
    assert left.at == pytest.approx((3.0, 7.0), abs=1e-9)
    assert left.kind == "corner" and left.enters and left.clear_mm == 0.0


def test_three_quarter_inch_leaves_a_radius_of_three_eighths() -> None:  # common practice
    (left,) = remainders(ell(), cutter(19.05))
    assert left.radius_left_mm == pytest.approx(9.525, abs=1e-12)
    assert left.corners == (4,)
    assert left.end_mm - left.start_mm == pytest.approx(2 * 9.525, abs=1e-9)


@pytest.mark.parametrize("radius", [3.0, 9.525, 40.0])
def test_a_fillet_is_clean_for_a_cutter_no_larger(radius: float) -> None:
    outline = filleted(radius).moved(0.3, (11.0, -4.0))
    for share in (0.5, 0.99, 1.0):
        assert remainders(outline, cutter(2 * radius * share)) == ()
    (left,) = remainders(outline, cutter(2 * radius * 1.2))
    fillet, larger = corner_formula(90, radius), corner_formula(90, 1.2 * radius)
    assert left.kind == "curve" and left.enters
    assert left.clear_mm == pytest.approx(2 * radius, rel=1e-4)
    assert left.area_mm2 == pytest.approx(larger[1] - fillet[1], rel=FORMULA)
    assert left.depth_mm == pytest.approx(larger[0] - fillet[0], rel=FORMULA)


def test_what_the_outline_cannot_tell_is_marked() -> None:
    outline, slightly = filleted(9.5), cutter(19.05)  # 0.025 mm too large: 0.0104 mm deep
    assert [r.certain for r in remainders(outline, slightly, 0.005)] == [True]
    assert [r.certain for r in remainders(outline, slightly, 0.02)] == [False]
    assert largest_clean(corner_table(outline, [slightly, cutter(6)], 0.02)) == slightly
    assert largest_clean(corner_table(outline, [slightly, cutter(6)], 0.005)) == cutter(6)


def test_a_hole_narrower_than_the_cutter_is_not_entered() -> None:
    (hole,) = [r for r in remainders(ell(), cutter(20.1)) if r.loop == 1]
    assert (hole.kind, hole.enters, hole.radius_left_mm) == ("hole", False, 0.0)
    assert hole.area_mm2 == pytest.approx(math.pi * 100, rel=1e-4)
    assert hole.clear_mm == pytest.approx(20.0, abs=1e-3)
    assert hole.clear_at == pytest.approx((20.0, 20.0), abs=1e-3)
    assert [r.loop for r in remainders(ell(), cutter(19.9))] == [0]


def test_a_part_smaller_than_the_cutter_has_nothing_left_outside() -> None:
    assert remainders(Outline.of(Loop((Arc((0.0, 0.0), 5.0, 0.0, FULL),))), cutter(50)) == ()
    assert remainders(Outline.of(polygon([(0, 0), (8, 0), (8, 5), (0, 5)])), cutter(50)) == ()


def test_a_slot_is_entered_or_not() -> None:
    (blocked,) = remainders(slotted(8.0), cutter(9.525))
    wide = remainders(slotted(8.0), cutter(7.9))
    half = 9.525 / 2
    sagitta = half - math.sqrt(half**2 - 16)  # the disc sinks so far into the slot's mouth
    segment = half**2 * math.asin(4 / half) - 4 * math.sqrt(half**2 - 16)
    assert (blocked.kind, blocked.enters) == ("slot", False)
    assert blocked.area_mm2 == pytest.approx(8 * 45 - segment, rel=FORMULA)
    assert blocked.depth_mm == pytest.approx(math.hypot(4, 45 - sagitta + half) - half, rel=FORMULA)
    assert blocked.clear_mm == pytest.approx(8.0, abs=1e-6)
    assert blocked.clear_at == pytest.approx((50.0, 19.0), abs=0.5)  # round the bottom end
    assert [r.kind for r in wide] == ["corner", "corner"]
    assert remainders(slotted(8.0), cutter(8.0)) != ()


def test_a_neck_is_told_from_the_bay_behind_it() -> None:
    left = remainders(necked(10.0), cutter(12.0))
    neck = [r for r in left if r.kind == "slot"]
    assert len(neck) == 1 and not neck[0].enters and len(left) == 5  # and the bay's four corners
    assert neck[0].clear_mm == pytest.approx(10.0, abs=0.01)
    assert [r.kind for r in remainders(necked(10.0), cutter(9.9))] == ["corner"] * 4


def test_the_corners_of_a_polygon_for_a_curve_are_nothing() -> None:
    angle = np.arange(120) / 120 * FULL
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)  # 40 mm: a chord error of 0.014 mm
    outline = Outline.of(polygon(60 * ring), [polygon(40 * ring)])
    assert all(r.depth_mm < 10 * CHORD_ERROR_MM and r.area_mm2 < 0.1 for r in remainders(outline, cutter(25.4)))
    assert numbered_corners(outline) == ()


def test_corners_are_numbered_once_for_all_in_travel_order() -> None:
    corners = numbered_corners(ell())
    assert [c.number for c in corners] == [1, 2, 3, 4, 5, 6]
    assert [c.number for c in corners if c.inside] == [4]
    assert corners[3].at == (40.0, 40.0) and corners[3].turn == pytest.approx(-math.pi / 2)
    assert corners[3].at_mm == pytest.approx(200.0)
    assert [c.number for c in numbered_corners(ell().moved(1.0, (5.0, 5.0)))] == [1, 2, 3, 4, 5, 6]


def test_places_on_splines_are_mm_of_arc() -> None:
    """Parameters run unevenly over this curve; where the edge is at each place is found by summing 20 000 chords."""
    control = ((0.0, 0.0), (2.0, 1.0), (4.0, 2.0), (50.0, -60.0), (80.0, 40.0), (100.0, 0.0))
    curve = Spline(control, (0.0, 0.0, 0.0, 0.0, 0.2, 0.7, 1.0, 1.0, 1.0, 1.0))
    rest = [Line(a, b) for a, b in pairwise([curve.end, (100.0, 90.0), (0.0, 90.0), curve.start])]
    outline = Outline.of(Loop((curve, *rest)))
    fine = curve.point(np.linspace(0, 1, 20_001))
    along = np.append(0.0, np.cumsum(np.hypot(*np.diff(fine, axis=0).T)))
    samples = edge_samples(outline.loops, 1.0)
    place = np.arange(0.0, float(np.flatnonzero(samples.piece == 0)[-1]), 0.37)
    points = samples.at(place)[0]
    true = np.stack([np.interp(samples.along_at(place), along, x) for x in fine.T], axis=1)
    assert np.hypot(*(points - true).T).max() < ARC_MM
    assert samples.arc.sum() == pytest.approx(outline.outer.length, abs=1e-9)
    left = next(r for r in remainders(outline, cutter(60)) if r.end_mm == pytest.approx(curve.length))
    k = int(np.searchsorted(along, left.start_mm))  # the cutter touches the curve there, and the corner at its end
    way = fine[k + 1] - fine[k - 1]
    centre = fine[k] + 30.0 * np.array([way[1], -way[0]]) / math.hypot(*way)
    assert math.dist(centre, curve.end) == pytest.approx(30.0, abs=10 * ARC_MM)


def test_a_pair_is_bulk_and_detail() -> None:
    rack = [cutter(d) for d in (6, 12, 19, 25)]
    pair = best_pair(corner_table(slotted(8.0), rack))
    assert pair is not None and pair.detail == rack[0]
    assert pair.bulk == rack[3]  # no larger one gets into the slot
    assert sum(r.area_mm2 for r in pair.left) < sum(r.area_mm2 for r in pair.by_detail)
    assert best_pair(corner_table(filleted(20.0), rack)) is None  # one does it all
    assert best_pair(corner_table(ell(), rack[:1])) is None


@pytest.mark.parametrize(("name", "diameter"), [("bracket", 12.7), ("foot", 9.525), ("comb", 6.0)])
def test_a_cutter_swept_round_furniture_parts_leaves_the_same(name: str, diameter: float) -> None:
    outline = practice(name)
    swept, _ = left_by_sweep(outline.polygon(), diameter / 2)
    found = sum(r.area_mm2 for r in remainders(outline, cutter(diameter)))
    assert found == pytest.approx(swept, rel=SWEEP, abs=SWEEP_MM2)


radii = st.lists(st.floats(15.0, 60.0), min_size=6, max_size=11)
sizes = st.floats(3.0, 26.0)


def whole_area(outline: Outline, diameter: float) -> float:
    return sum(r.area_mm2 for r in remainders(outline, cutter(diameter)))


@settings(max_examples=25, deadline=None)
@given(radii, sizes, st.floats(0.0, 6.0))
def test_turning_changes_nothing(spokes: list[float], diameter: float, turn: float) -> None:
    plain = remainders(star(spokes), cutter(diameter))
    turned = remainders(star(spokes).moved(turn, (7.0, -3.0)), cutter(diameter))
    assert [(r.kind, r.corners) for r in plain] == [(r.kind, r.corners) for r in turned]
    for a, b in zip(plain, turned, strict=True):
        assert a.area_mm2 == pytest.approx(b.area_mm2, rel=SAME, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(radii, sizes)
def test_a_mirrored_part_keeps_the_mirrored_remainders(spokes: list[float], diameter: float) -> None:
    plain = remainders(star(spokes), cutter(diameter))
    other = remainders(mirrored(star(spokes)), cutter(diameter))
    assert sorted(r.area_mm2 for r in plain) == pytest.approx(sorted(r.area_mm2 for r in other), rel=SAME, abs=1e-6)
    here = sorted((round(-r.at[0], 3), round(r.at[1], 3)) for r in plain if r.kind == "corner")
    assert here == sorted((round(r.at[0], 3), round(r.at[1], 3)) for r in other if r.kind == "corner")


@settings(max_examples=25, deadline=None)
@given(radii, sizes, st.floats(0.3, 3.0))
def test_areas_grow_with_the_square(spokes: list[float], diameter: float, factor: float) -> None:
    plain, larger = whole_area(star(spokes), diameter), whole_area(scaled(star(spokes), factor), factor * diameter)
    assert larger == pytest.approx(plain * factor**2, rel=1e-4, abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(radii, sizes, st.floats(0.3, 0.999))
def test_a_smaller_cutter_never_leaves_more(spokes: list[float], diameter: float, share: float) -> None:
    rows = corner_table(star(spokes), [cutter(diameter), cutter(share * diameter)])
    assert rows[1].area_mm2 <= rows[0].area_mm2 + 1e-6
