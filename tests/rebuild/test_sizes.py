"""Shrinkage undone, and other sizes."""

import math

import numpy as np
import pytest

from digitize.model.errors import InputError
from digitize.model.pattern import Stretch
from digitize.rebuild.record import carried
from digitize.rebuild.resize import factor, other_hand, scaled
from digitize.rebuild.shrinkage import SPECIES, change, coefficient, unshrunk
from tests.helpers import assert_outlines_equal, bracket, rounded_plate

SAME_MM = 1e-3  # as fine as curves are flattened to compare them


# USDA Wood Handbook, table 4-3 and the rule dD = D (S / 30) dMC: 300 mm tangential, 4 % of moisture.
@pytest.mark.parametrize(
    ("species", "mm"), [("cherry", 2.84), ("black walnut", 3.12), ("white oak", 4.20), ("beech", 4.76)]
)
def test_the_handbooks_changes_come_out_to_the_last_digit(species, mm):
    assert round(change(300.0, coefficient(species, 0.0), 12.0, 8.0), 2) == mm


def test_wood_does_not_move_above_fibre_saturation():
    assert change(100.0, 8.0, 60.0, 30.0) == 0.0
    assert change(100.0, 8.0, 60.0, 10.0) == change(100.0, 8.0, 30.0, 10.0)


def test_quarter_sawn_faces_shrink_radially_and_rift_between():
    radial, tangential = SPECIES["cherry"]
    assert coefficient("cherry", 90.0) == pytest.approx(radial)
    assert coefficient("Cherry ", 45.0) == pytest.approx((radial + tangential) / 2)
    with pytest.raises(InputError, match=r"not in the table.*cherry"):
        coefficient("driftwood", 0.0)


def test_only_the_width_across_the_grain_changes():
    plate = rounded_plate()
    wider = unshrunk(plate, 0.0, 1.01)
    width, height = (b - a for a, b in zip(wider.outline.bounds()[:2], wider.outline.bounds()[2:], strict=True))
    assert width == pytest.approx(60.0, abs=1e-3)
    assert height == pytest.approx(40.4, abs=1e-3)
    assert wider.moved_mm == pytest.approx(0.2, abs=1e-6)
    slanted = unshrunk(plate.moved(0.5, (0.0, 0.0)), math.degrees(0.5), 1.01).outline
    assert slanted.polygon().area == pytest.approx(1.01 * plate.polygon().area, rel=1e-5)


def test_an_even_size_keeps_arcs_and_comes_back():
    larger = scaled(rounded_plate(), 1.5, 1.5)
    assert [type(s) for s in larger.segments] == [type(s) for s in rounded_plate().segments]
    assert larger.bounds() == pytest.approx((0.0, 0.0, 90.0, 60.0))
    assert_outlines_equal(scaled(larger, 1 / 1.5, 1 / 1.5), rounded_plate(), SAME_MM)


def test_the_other_hand_twice_is_the_first():
    assert_outlines_equal(other_hand(other_hand(bracket())), bracket(), SAME_MM)
    assert other_hand(bracket()).bounds() == pytest.approx(bracket().bounds())


@pytest.mark.parametrize(("is_mm", "wanted"), [(0.5, 20.0), (100.0, 5.0), (100.0, 2000.0)])
def test_slips_are_no_sizes(is_mm, wanted):
    with pytest.raises(InputError):
        factor(is_mm, wanted)


def test_invented_stretches_go_along_with_the_outline():
    old = bracket()
    new = other_hand(old)
    x0, _, x1, _ = old.bounds()
    (found,) = carried(
        [Stretch(0, 10.0, 40.0)], old, new, lambda p: np.column_stack([x0 + x1 - p[:, 0], p[:, 1]]), True
    )
    assert found.end_mm - found.start_mm == pytest.approx(30.0, abs=1e-3)
    assert carried([Stretch(0, 10.0, 40.0)], old, new, lambda p: p + 500.0) == ()
