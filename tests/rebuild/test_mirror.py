"""Symmetric patterns from one half, or from the mean of both."""

import math
from functools import cache

import numpy as np
import pytest
from shapely import Polygon, affinity, box

from digitize.fitting import fit_outline
from digitize.meaning.symmetry import Axis
from digitize.model.errors import InputError
from digitize.rebuild.affine import mirror_matrix, transformed
from digitize.rebuild.mirror import averaged, completed, found_axis, middle_edge
from tests.fitting.shapes import bezier
from tests.helpers import assert_outlines_equal, bracket, rounded_plate
from tests.rebuild.snaps import contours

TURN = 25.0  # degrees: off the axes, so that nothing is right by luck
AXIS_DEG, AXIS_MM = 0.03, 0.03
NOISE_MM = 0.02
SAME_MM = 1e-3  # as fine as curves are flattened to compare them


def vase() -> Polygon:
    """A part with the mirror axis x = 0: foot, sweep, flat top; and a drop-shaped hole on the axis."""
    side = np.vstack(
        [bezier((30, 0), (30, 40), (80, 60), (70, 120)), bezier((70, 120), (64, 150), (30, 150), (25, 200))]
    )
    drop = np.vstack([bezier((0, 60), (20, 80), (25, 120), (0, 130)), bezier((0, 130), (-25, 120), (-20, 80), (0, 60))])
    right = np.vstack([[(0, 0)], side, [(25, 200), (0, 200)]])
    left = right[::-1] * (-1, 1)
    return Polygon(np.vstack([right, left[1:-1]]), [drop])


WHOLE = affinity.rotate(vase(), TURN, (0, 0))


@cache
def traced(part: Polygon, seed: int = 3):
    return fit_outline(contours(part, np.random.default_rng(seed), NOISE_MM))[0]


def area_between(outline, part: Polygon) -> float:
    """Mean distance of the edges, mm."""
    return outline.polygon(0.002).symmetric_difference(part).area / part.length


def test_the_axis_of_a_symmetric_part_is_found():
    axis = found_axis(traced(WHOLE))
    assert axis is not None
    up = math.radians(90 + TURN)
    assert abs(math.degrees(math.remainder(axis.angle - up, math.pi))) < AXIS_DEG
    assert abs(np.array(axis.at) @ (math.cos(up - math.pi / 2), math.sin(up - math.pi / 2))) < AXIS_MM


def test_a_part_without_symmetry_has_no_axis():
    slanted = affinity.affine_transform(box(0, 0, 200, 60), [1, 0.6, 0, 1, 0, 0])
    assert found_axis(traced(slanted)) is None


def test_the_mean_of_both_halves_is_symmetric_and_true():
    outline = traced(WHOLE)
    axis = found_axis(outline)
    mean = averaged(outline, axis)
    assert not mean.invented
    assert area_between(mean.outline, WHOLE) < 0.01
    assert 0 < mean.differ_rms_mm < 2 * NOISE_MM
    image = transformed(mean.outline, mirror_matrix(mean.axis[1]), mean.axis[0])
    assert_outlines_equal(image, mean.outline, SAME_MM)


def test_halves_that_differ_are_told_by_how_much():
    dented = Polygon(vase().exterior).difference(box(60, 100, 90, 130))
    outline = traced(affinity.rotate(dented, TURN, (0, 0)))
    up = math.radians(90 + TURN)
    found = averaged(outline, Axis((0.0, 0.0), up, 0.0, 0.0))
    assert found.differ_mm == pytest.approx(dented.hausdorff_distance(Polygon(vase().exterior)), abs=1.0)


def test_a_half_is_completed_about_its_straight_middle():
    half = affinity.rotate(vase().intersection(box(0, -10, 200, 300)), TURN, (0, 0))
    outline = traced(half)
    found = completed(outline, *middle_edge(outline))
    assert len(found.outline.holes) == 1
    assert area_between(found.outline, WHOLE) < 0.02
    invented = sum(s.end_mm - s.start_mm for s in found.invented)
    whole = sum(loop.length for loop in found.outline.loops)
    assert invented == pytest.approx(whole / 2, rel=1e-3)


def test_the_left_half_about_a_given_axis_is_kept():
    outline = traced(WHOLE)
    up = math.radians(90 + TURN)
    kept = completed(outline, (0.0, 0.0), up)
    assert area_between(kept.outline, WHOLE) < 0.02
    assert len(kept.outline.holes) == 1


def test_lines_that_cross_the_axis_are_one_line():
    plate = rounded_plate()
    found = completed(plate, (30.0, 0.0), math.pi / 2)
    assert sorted(round(s.length, 6) for s in found.outline.outer.segments) == sorted(
        round(s.length, 6) for s in plate.outer.segments
    )


def test_a_half_without_a_middle_is_refused():
    with pytest.raises(InputError, match=r"no straight edge that could be its middle.*--axis"):
        middle_edge(traced(affinity.scale(box(0, 0, 1, 1).buffer(60), 1.5, 1.0)))
    with pytest.raises(InputError, match="could be mirrored at"):
        middle_edge(traced(box(0, 0, 100, 80)))


def test_an_axis_beside_the_outline_is_refused():
    with pytest.raises(InputError, match="does not cut the outline"):
        completed(bracket(), (400.0, 0.0), -math.pi / 2)
