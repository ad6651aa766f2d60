"""Offset outlines against shapely, and saw lines that never touch the part."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.model.errors import InputError
from digitize.model.outline import CHORD_ERROR_MM, Loop, Outline
from digitize.model.segment import Arc, Line
from digitize.shop.offset import offset
from digitize.shop.roughcut import bush_offset, rough_cut, template, turning_radius
from tests.helpers import bracket
from tests.shop.shapes import FULL, cutter, ell, filleted, necked, polygon, practice, slotted, star

AREA = 1e-4  # shapely's chords, as a share of the area


def shapely_area(outline: Outline, distance: float) -> float:
    return float(outline.polygon(1e-4).buffer(distance, quad_segs=500).area)


def area(parts: tuple[Outline, ...]) -> float:
    return sum(float(p.polygon(1e-4).area) for p in parts)


@pytest.mark.parametrize("distance", [2.0, 12.0, 25.0, -3.0, -12.0, -16.0])
def test_lines_and_arcs_offset_to_lines_and_arcs(distance: float) -> None:
    parts = offset(ell(), distance)
    assert area(parts) == pytest.approx(shapely_area(ell(), distance), rel=AREA)
    assert all(isinstance(s, Line | Arc) for p in parts for s in p.segments)
    assert len(parts) == (2 if distance <= -12 else 1)  # the hole cuts the L in two
    assert all(len(p.segments) <= 12 for p in parts)


@pytest.mark.parametrize("outline", [bracket(), filleted(9.0), necked(10.0), practice("foot"), practice("comb")])
@pytest.mark.parametrize("distance", [2.0, 5.5, -2.0])
def test_offsets_keep_their_distance(outline: Outline, distance: float) -> None:
    parts = offset(outline, distance)
    assert area(parts) == pytest.approx(shapely_area(outline, distance), rel=AREA, abs=0.05)
    points = np.vstack([loop.flattened() for p in parts for loop in p.loops])
    away = shapely.distance(shapely.points(points), outline.polygon(1e-4).boundary)
    assert np.abs(away - abs(distance)).max() < CHORD_ERROR_MM


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(15.0, 60.0), min_size=6, max_size=11), st.floats(0.5, 9.0))
def test_a_template_and_its_bush_cut_the_part_again(spokes: list[float], distance: float) -> None:
    part = star(spokes)
    parts = offset(part, -distance)
    edge = 50.0 * CHORD_ERROR_MM  # mm2: one edge of a star may be off by the chord error at one end
    assert area(parts) == pytest.approx(shapely_area(part, -distance), rel=AREA, abs=edge)
    for made in parts:
        back = offset(made, distance)[0].polygon()
        assert back.difference(part.polygon().buffer(2 * CHORD_ERROR_MM)).area < 1e-3


def test_guide_bushes() -> None:  # common practice: 30 & 10 give 10 mm, 15 & 9 give 3 mm, 3/4 & 1/2 in give 1/8 in
    assert bush_offset(30.0, 10.0) == 10.0
    assert bush_offset(15.0, 9.0) == 3.0
    assert bush_offset(19.05, 12.7) == pytest.approx(3.175)
    for bush, tool in ((12.0, 12.0), (10.0, 12.0), (0.0, 5.0)):
        with pytest.raises(InputError):
            bush_offset(bush, tool)


def test_a_template_is_smaller_outside_and_larger_in_holes() -> None:
    (made,) = template(ell(), bush_offset(15.0, 9.0))
    x0, y0, x1, y1 = made.bounds()
    assert (x0, y0, x1, y1) == pytest.approx((3.0, 3.0, 97.0, 97.0), abs=1e-9)
    (hole,) = made.holes
    assert isinstance(hole.segments[0], Arc) and hole.segments[0].radius == pytest.approx(13.0, abs=1e-9)
    (larger,) = template(ell(), cutter(19.05, bearing_mm=12.7).offset_mm)
    assert larger.bounds()[2] == pytest.approx(103.175)
    with pytest.raises(InputError):
        template(ell(), 40.0)


@pytest.mark.parametrize("name", ["bracket", "foot", "comb"])
@pytest.mark.parametrize("allowance", [1.5, 2.0, 3.0])
def test_the_saw_line_never_comes_nearer_than_the_allowance(name: str, allowance: float) -> None:
    cut = rough_cut(practice(name), allowance)
    part = practice(name).polygon()
    for loop in cut.loops:
        line = shapely.LinearRing(loop.flattened())
        assert line.distance(part) > allowance - CHORD_ERROR_MM


def test_narrow_slots_are_left_to_drill() -> None:
    (drill,) = rough_cut(slotted(5.0), 3.0).drills
    assert drill.diameter_mm == 4.0 and drill.at[0] == pytest.approx(50.0, abs=0.01)
    assert 17.49 < drill.at[1] < 18.3  # its round touches the bottom of the slot at 15 mm, to a step of 0.75 mm
    assert rough_cut(slotted(8.0), 3.0).drills == ()
    few = rough_cut(slotted(2.0), 3.0)
    assert few.drills == () and any("too narrow to drill" in c for c in few.cautions)


def test_holes_too_small_for_the_saw_are_drilled() -> None:
    hole = Loop((Arc((20.0, 20.0), 2.4, 0.0, FULL),))
    plate = Outline.of(polygon([(0, 0), (60, 0), (60, 40), (0, 40)]), [hole])
    cut = rough_cut(plate, 3.0)
    assert [(d.diameter_mm, d.loop) for d in cut.drills] == [(3.5, 1)]
    assert cut.drills[0].at == pytest.approx((20.0, 20.0), abs=0.01) and len(cut.loops) == 1


def test_the_blade_must_turn_the_tightest_curve() -> None:
    cut = rough_cut(filleted(20.0), 2.0)
    assert cut.tightest_mm == pytest.approx(18.0)
    assert cut.widest_blade_mm == 6.4 and cut.reliefs == ()  # 15.9 mm: common practice
    wide = rough_cut(filleted(20.0), 2.0, blade_mm=12.7)
    assert len(wide.reliefs) >= 2
    part = filleted(20.0).polygon()
    for relief in wide.reliefs:
        assert shapely.LineString([relief.start, relief.end]).distance(part) > 2.0 - CHORD_ERROR_MM
        assert math.dist(relief.end, (60.0, 60.0)) == pytest.approx(18.0, abs=0.05)
    assert rough_cut(ell(), 2.0).tightest_mm == pytest.approx(8.0)  # the hole
    assert turning_radius(6.4) == 15.9 and turning_radius(7.0) == 36.5


def test_what_is_no_allowance() -> None:
    for wrong in (0.0, -1.0, 50.0):
        with pytest.raises(InputError):
            rough_cut(ell(), wrong)
    with pytest.raises(InputError):
        rough_cut(ell(), 2.0, blade_mm=0.0)
