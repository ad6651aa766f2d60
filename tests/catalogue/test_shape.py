"""A shape's signature: the same in every place, turn and beginning; told from others and from its mirror image."""

import math

import numpy as np
import pytest

from digitize.compare.placement import turned_over
from digitize.compare.shape import LENGTH, differences, hands_to_try, likeness, signature
from digitize.model.outline import Loop, Outline
from tests.catalogue.shelf import chairs
from tests.helpers import bracket, rounded_plate
from tests.shop.parts import disc, polygon

ROUNDING_MM = 1e-5  # the root of what rounding leaves of sums of some 10^4 mm2
BEGUN_MM = 2e-3  # the best beginning lies between those looked at: found by parabolas
SAMPLED_MM = 5e-2  # a loop begun elsewhere is sampled at other points: sharp corners fall between them


def apart(one, other):
    same, mirrored = differences(signature(one), signature(other)[None])
    return float(same[0]), float(mirrored[0])


def begun_at(outline, k):
    segments = outline.outer.segments
    return Outline(Loop(segments[k:] + segments[:k]), outline.holes)


@pytest.mark.parametrize("outline", [bracket(), *chairs()], ids=["bracket", "ell", "hook", "wedge"])
def test_place_turn_and_beginning_do_not_matter_and_the_hand_is_told(outline):
    assert signature(outline).shape == (LENGTH,)
    assert apart(outline, outline)[0] < ROUNDING_MM
    for turn in (0.3, 1.7, math.pi, 5.0):
        assert apart(outline, outline.moved(turn, (310.0, -25.0)))[0] < BEGUN_MM
    for k in range(1, len(outline.outer.segments)):
        assert apart(outline, begun_at(outline, k))[0] < SAMPLED_MM
    same, mirrored = apart(outline, turned_over(outline).moved(0.8, (5.0, 7.0)))
    assert mirrored < SAMPLED_MM
    assert same > 10 * SAMPLED_MM


def test_a_shape_that_is_its_own_mirror_image_is_never_called_one():
    for outline in (disc(), rounded_plate(), polygon((0, 0), (200, 0), (200, 120), (0, 120))):
        same, mirrored = apart(outline, outline.moved(0.5, (1.0, 2.0)))
        assert hands_to_try(same, mirrored, False) == (False,)
        assert not likeness(outline, outline.moved(0.5, (1.0, 2.0))).mirrored


def test_size_counts_and_is_told_in_mm():
    """Two discs about one centre are 5 mm apart everywhere; their mean radii differ by 5 mm."""
    same, _ = apart(disc(75.0), disc(80.0))
    assert same == pytest.approx(5.0, abs=1e-3)
    like = likeness(disc(75.0), disc(80.0), (False,))
    assert (like.rms_mm, like.largest_mm) == pytest.approx((5.0, 5.0), abs=1e-3)


def test_holes_count_wherever_they_are():
    def plate(*corner):
        x, y = corner
        return polygon(
            (0, 0), (200, 0), (200, 120), (0, 120), holes=[[(x, y), (x, y + 30), (x + 30, y + 30), (x + 30, y)]]
        )

    whole = polygon((0, 0), (200, 0), (200, 120), (0, 120))
    assert apart(whole, plate(20, 20))[0] > 1.0
    assert apart(plate(20, 20), plate(85, 45))[0] > 0.3
    assert apart(plate(20, 20), plate(150, 70))[0] < SAMPLED_MM  # the same plate, turned by half
    assert apart(plate(20, 20), plate(20, 70))[0] < SAMPLED_MM  # its mirror image: only laying it tells
    like = likeness(plate(20, 20), plate(20, 70))
    assert like.mirrored and like.rms_mm < 1e-6
    assert likeness(plate(20, 20), whole).largest_mm == pytest.approx(50.0, abs=0.5)  # the hole's far corner


def test_moments_of_holes_agree_with_shapely():
    """The first two numbers about holes, by the area and the centroid of the polygon."""
    outline = chairs()[0]
    polygon_ = outline.polygon()
    z = np.array(polygon_.exterior.segmentize(0.01).coords)
    steps = np.linalg.norm(np.diff(z, axis=0), axis=1)
    mean = np.average((z[1:] + z[:-1]) / 2, axis=0, weights=steps)
    reach = math.sqrt(np.average((((z[1:] + z[:-1]) / 2 - mean) ** 2).sum(axis=1), weights=steps))
    hole = type(polygon_)(polygon_.interiors[0])
    arm = math.dist(hole.centroid.coords[0], mean) / reach
    length = polygon_.exterior.length
    assert signature(outline)[-4:-2] == pytest.approx([hole.area / length, hole.area * arm / length], rel=1e-2)


def test_one_among_many_is_nearest_to_itself():
    shapes = [*chairs(), bracket(), rounded_plate(), disc()]
    many = np.array([signature(s) for s in shapes])
    for i, shape in enumerate(shapes):
        same, mirrored = differences(signature(turned_over(shape).moved(2.0, (3.0, 4.0))), many)
        assert np.argmin(np.minimum(same, mirrored)) == i
