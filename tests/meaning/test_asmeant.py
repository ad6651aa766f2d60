"""Outlines drawn as meant: exact where asked, hardly moved elsewhere, refused where it cannot be."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from digitize.meaning.asmeant import can_be_drawn, regularised
from digitize.meaning.meanings import EdgeNoise, Kind, meanings
from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Contribution
from digitize.model.segment import Arc, Line, Spline, as_point
from tests.fitting.shapes import ogee_panel, polygon, rounded_polygon
from tests.helpers import assert_outlines_equal, bracket
from tests.meaning.test_meaning import NOISE, USUAL, fitted, loop_of, of_kind, rectangle

EXACT_MM = 1e-8  # rounding of what is met to 1e-10
EXACT_RAD = 1e-9
TANGENT_RAD = 1e-6


def angles(outline):
    return [math.atan2(*s.tangent(0.0)[0][::-1]) for s in outline.outer.segments if isinstance(s, Line)]


def largest_smooth_turn(outline):
    return max(abs(t) for loop in outline.loops for t in loop.turns() if abs(t) < math.radians(1))


@pytest.fixture(scope="module")
def plate():
    """160 x 90 with radii 12, 6.35, 12, 6, as a fit found it."""
    return fitted(rounded_polygon(rectangle(160, 90), [12, 6.35, 12, 6]), seed=3)


def test_all_meanings_of_a_plate_at_once(plate):
    found = meanings(plate, NOISE, ())
    exact = regularised(plate, found)
    assert max(abs(math.remainder(a, math.pi / 2)) for a in angles(exact)) < EXACT_RAD
    radii = [s.radius for s in exact.segments if isinstance(s, Arc)]
    meant = [m.meant for m in of_kind(found, Kind.RADIUS)]
    assert len(meant) >= 3 and all(min(abs(r - m) for r in radii) < EXACT_MM for m in meant)
    x0, y0, x1, y1 = exact.bounds()
    assert len(of_kind(found, Kind.SIZE)) == 2
    assert (x1 - x0, y1 - y0) == pytest.approx((160.0, 90.0), abs=EXACT_MM)
    assert largest_smooth_turn(exact) < TANGENT_RAD
    assert_outlines_equal(exact, plate, max(m.uncertainty for m in found if m.unit == "mm"))


def test_only_what_was_chosen(plate):
    found = of_kind(meanings(plate, NOISE, ()), Kind.RIGHT_ANGLE)
    exact = regularised(plate, found)
    first = angles(exact)[0]
    assert max(abs(math.remainder(a - first, math.pi / 2)) for a in angles(exact)) < EXACT_RAD
    assert abs(math.remainder(first, math.pi / 2)) > 1e-6  # square, but not laid level
    radii = [[s.radius for s in o.segments if isinstance(s, Arc)] for o in (plate, exact)]
    assert 0 < np.abs(np.subtract(*radii)).max() < 0.02  # follow their lines, and become nothing round


def test_again_changes_nothing(plate):
    exact = regularised(plate, meanings(plate, NOISE, ()))
    again = regularised(exact, meanings(exact, NOISE, ()))
    for a, b in zip(again.segments, exact.segments, strict=True):
        assert np.abs(a.point([0.0, 0.5, 1.0]) - b.point([0.0, 0.5, 1.0])).max() < EXACT_MM


def test_nothing_chosen_is_nothing_changed(plate):
    assert regularised(plate, ()) is plate


def test_least_squares_moves_the_short_edge_more():
    """A corner off by 0.2 deg between edges of 200 and 20 mm: a direction weighs by the cube of its length."""
    lean = math.radians(0.2)
    corners = [(0, 0), (200, 0), (200 - 20 * math.sin(lean), 20 * math.cos(lean)), (0, 60)]
    outline = Outline.of(loop_of(corners, [0] * 4))
    found = meanings(outline, EdgeNoise(0.1, 0.5), (Contribution("edge", 0.0, 0.05),))
    square = [m for m in of_kind(found, Kind.RIGHT_ANGLE) if m.where == ((0, 0), (0, 1))]
    exact = regularised(outline, square)
    turned = [abs(math.remainder(a - b, math.pi)) for a, b in zip(angles(exact), angles(outline), strict=True)]
    assert turned[0] / turned[1] == pytest.approx((20 / 200) ** 3, rel=0.02)
    assert turned[0] + turned[1] == pytest.approx(lean, rel=1e-6)


def test_symmetry_of_a_rail_of_lines_and_arcs():
    lifted = [(0, 60), (60, 60), (60, 30), (95, 30), (95, 0)]
    corners = [*lifted, *[(320 - x, y) for x, y in reversed(lifted)], (320, 110), (0, 110)]
    half = [0, 8, 12, 6, 9]
    outline = fitted(rounded_polygon(corners, [*half, *half[::-1], 0, 0]), seed=2)
    found = meanings(outline, NOISE, USUAL)
    exact = regularised(outline, found)
    x = sum(exact.bounds()[::2]) / 2
    ring = exact.polygon(1e-4).exterior
    image = Outline.of(Loop(tuple(_mirrored(s, x) for s in reversed(exact.outer.segments))))
    assert ring.hausdorff_distance(image.polygon(1e-4).exterior) < 2e-4
    assert sorted(s.radius for s in exact.segments if isinstance(s, Arc)) == pytest.approx(
        [6, 6, 8, 8, 9, 9, 12, 12], abs=EXACT_MM
    )


def _mirrored(segment, x):
    def image(p):
        return (2 * x - p[0], p[1])

    if isinstance(segment, Line):
        return Line(image(segment.end), image(segment.start))
    start = math.pi - (segment.from_angle + segment.sweep)
    return Arc(image(segment.centre), segment.radius, start, segment.sweep)


def test_concentric_holes_in_line_slots_even_steps():
    edge = rectangle(160, 70)
    slots = [p for x in range(140, 0, -20) for p in ((x + 4, 70), (x + 4, 30), (x - 4, 30), (x - 4, 70))]
    outline = fitted(polygon([*edge[:3], *slots, edge[3]]))
    found = meanings(outline, NOISE, USUAL)
    exact = regularised(outline, found)
    (row,) = of_kind(found, Kind.SPACING)
    middles = np.array([exact.outer.segments[k].point(0.5)[0] for _, k in row.where])
    along = np.sort(middles @ (middles[-1] - middles[0]) / np.linalg.norm(middles[-1] - middles[0]))
    steps = np.diff(along.reshape(-1, 2).mean(axis=1))
    widths = np.diff(along.reshape(-1, 2), axis=1)
    assert np.ptp(steps) < 1e-6 and np.abs(widths - 8.0).max() < 1e-6
    rings = Outline.of(
        Loop((Arc((0.0, 0.01), 80.0, 0.0, 2 * math.pi),)), [Loop((Arc((0.0, 0.0), 40.0, 0.0, 2 * math.pi),))]
    )
    ring = regularised(rings, meanings(rings, NOISE, USUAL))
    assert math.dist(ring.outer.segments[0].centre, ring.holes[0].segments[0].centre) < EXACT_MM


def test_a_spline_keeps_its_shape_and_follows_its_neighbours():
    outline = fitted(ogee_panel())
    assert sum(isinstance(s, Spline) for s in outline.segments) >= 1
    found = [m for m in meanings(outline, NOISE, USUAL) if m.kind in (Kind.LEVEL, Kind.RIGHT_ANGLE)]
    exact = regularised(outline, found)
    assert len(of_kind(found, Kind.LEVEL)) == 3
    assert max(abs(math.remainder(a, math.pi / 2)) for a in angles(exact)) < EXACT_RAD
    assert_outlines_equal(exact, outline, 0.1)


def test_a_tangent_spline_stays_tangent():
    sweep = Spline(
        tuple(as_point(p) for p in [(100, 60), (80, 60), (60, 20), (20, 40), (0, 40)]),
        (0.0, 0.0, 0.0, 0.0, 0.5, 1.0, 1.0, 1.0, 1.0),
    )
    lean = 0.02
    loop = Loop(
        (
            Line((0.0, 40.0), (0.0, 0.0)),
            Line((0.0, 0.0), (150.0, lean)),
            Line((150.0, lean), (150.0, 60.0)),
            Line((150.0, 60.0), sweep.start),
            sweep,
        )
    )
    outline = Outline.of(loop.moved(2e-4, (0.0, 0.0)))
    found = of_kind(meanings(outline, NOISE, USUAL), Kind.LEVEL)
    exact = regularised(outline, found)
    assert len(found) == 4
    assert abs(exact.outer.turns()[4]) < TANGENT_RAD
    assert exact.outer.segments[4].control[1:-1] != sweep.control[1:-1]


# -- refusals


def test_what_the_outline_does_not_mean_is_refused(plate):
    (radius, *_) = of_kind(meanings(plate, NOISE, ()), Kind.RADIUS)
    straight = (0, next(k for k, s in enumerate(plate.outer.segments) if isinstance(s, Line)))
    with pytest.raises(InputError, match="does not mean this"):
        regularised(plate, [replace(radius, meant=radius.meant + 1)])
    with pytest.raises(InputError, match="does not mean this"):
        regularised(plate, [replace(radius, measured=radius.meant, where=((0, 99),))])
    with pytest.raises(InputError, match="does not mean this"):
        regularised(plate, [replace(radius, where=(straight,))])


def test_a_contradiction_is_named(plate):
    size = next(m for m in of_kind(meanings(plate, NOISE, USUAL), Kind.SIZE))
    other = replace(size, meant=size.meant + size.uncertainty / 2, text="The same size is another")
    with pytest.raises(InputError, match=r"contradicts.*size"):
        regularised(plate, [size, other])


def test_free_curves_are_not_made_exact(plate):
    outline = bracket()
    (hole,) = of_kind(meanings(outline, NOISE, USUAL), Kind.DIAMETER)
    with pytest.raises(InputError, match="free curve"):
        regularised(outline, [replace(hole, where=((0, 4),))])
    symmetric = replace(hole, kind=Kind.SYMMETRIC, where=(), axis_deg=0.0)
    assert can_be_drawn(outline, hole) and not can_be_drawn(outline, symmetric)
    with pytest.raises(InputError, match="free curves"):
        regularised(outline, [symmetric])


def test_a_move_beyond_the_uncertainty_is_refused():
    """Five widths in a row, each to grow by its whole uncertainty: the outer walls would move by 2.5 times that."""
    slots = [p for x in (80, 50, 20) for p in ((x + 4, 70), (x + 4, 30), (x - 4, 30), (x - 4, 70))]
    outline = Outline.of(loop_of([(0, 0), (100, 0), (100, 70), *slots, (0, 70)], [0] * 16))
    slot = of_kind(meanings(outline, NOISE, USUAL), Kind.SLOT)[0]
    walls = [k for k, s in enumerate(outline.outer.segments) if abs(s.tangent(0.0)[0, 1]) > 0.5 and s.length < 50]
    widths = []
    for a, b in pairwise(walls):
        apart = math.dist(outline.outer.segments[a].point(0.5)[0][:1], outline.outer.segments[b].point(0.5)[0][:1])
        text = f"The width after wall {a} is more"
        where = ((0, a), (0, b))
        widths.append(replace(slot, where=where, measured=apart, meant=apart + 0.05, uncertainty=0.05, text=text))
    assert len(widths) == 5
    assert regularised(outline, widths[:1]).polygon().area == pytest.approx(
        outline.polygon().area - 40 * 0.05, rel=1e-6
    )
    with pytest.raises(InputError, match=r"\(The width after wall \d+ is more\) would move an edge by 0\.\d+ mm"):
        regularised(outline, widths)
