"""Depth set-ups worked out by hand."""

import pytest

from digitize.model.errors import InputError
from digitize.shop.depth import Machine, Side, depth_plan
from tests.shop.shapes import cutter

SHANK = cutter(12.7)  # edges 25 mm, bearing 5 mm high
TIP = cutter(12.7, bearing="tip")
BOTH = cutter(19.05, bearing="both", cutting_length_mm=38.0)


def test_one_pass_where_the_edges_are_long_enough() -> None:
    plan = depth_plan(SHANK, 12.0, 19.0, "hand")
    assert plan.possible and plan.pattern_side == "top" and plan.problems == ()
    assert [(p.depth_mm, p.reach_mm, p.rides_on) for p in plan.passes] == [(19.0, 31.0, "pattern")]
    assert plan.pattern_off_after is None


def test_two_passes_the_second_on_the_cut_edge() -> None:
    plan = depth_plan(SHANK, 12.0, 40.0, "table")
    assert plan.pattern_side == "below" and plan.pattern_off_after == 1
    assert [(p.depth_mm, p.reach_mm, p.rides_on) for p in plan.passes] == [
        (20.0, 32.0, "pattern"),
        (20.0, 40.0, "cut edge"),
    ]


def test_at_the_tip_the_first_pass_is_the_deepest() -> None:
    plan = depth_plan(TIP, 12.0, 40.0, "table")
    assert plan.pattern_side == "top"
    assert [p.reach_mm for p in plan.passes] == [40.0, 20.0]
    assert not any("Saw to within" in n for n in plan.notes)  # 3.35 mm beside the shank
    thick = depth_plan(cutter(12.7, bearing="tip", shank_mm=8.0), 12.0, 40.0, "table")
    assert any("Saw to within 2.3 mm" in n for n in thick.notes)
    assert depth_plan(TIP, 12.0, 40.0, "hand").pattern_side == "below"


def test_the_pattern_stays_until_the_cut_edge_is_as_high_as_the_bearing() -> None:
    short = cutter(12.7, cutting_length_mm=6.0, bearing_height_mm=5.5)
    plan = depth_plan(short, 10.0, 15.0)  # three passes of 5 mm
    assert [p.rides_on for p in plan.passes] == ["pattern", "pattern", "cut edge"]
    assert plan.pattern_off_after == 2


@pytest.mark.parametrize(
    ("tool", "pattern", "stock", "machine", "side", "said"),
    [
        (SHANK, 12.0, 19.0, "hand", "below", "put the pattern on top"),
        (SHANK, 12.0, 19.0, "table", "top", "put the pattern below"),
        (TIP, 12.0, 19.0, "hand", "top", "put the pattern below"),
        (SHANK, 3.0, 19.0, "hand", None, "does not ride fully"),
        (SHANK, None, 19.0, "hand", None, "not known"),
        (BOTH, 12.0, 40.0, "table", None, "second bearing"),
        (cutter(6.0, bearing="tip"), 12.0, 40.0, "table", None, "would rub"),
        (cutter(6.0, bearing="none"), 12.0, 19.0, "hand", None, "guide bush"),
        (cutter(12.7, cutting_length_mm=4.0), 12.0, 19.0, "hand", None, "higher than the edges"),
    ],
)
def test_what_cannot_be_done_is_said(
    tool: object, pattern: float | None, stock: float, machine: Machine, side: Side | None, said: str
) -> None:
    plan = depth_plan(tool, pattern, stock, machine, side)  # type: ignore[arg-type]
    assert not plan.possible and plan.passes == ()
    assert any(said in sentence for sentence in plan.problems)


def test_stock_thinner_than_the_bearing_can_be_cut_with_the_pattern_on() -> None:
    plan = depth_plan(SHANK, 12.0, 3.0)
    assert plan.possible and any("thinner than the bearing" in n for n in plan.notes)


def test_the_router_must_reach() -> None:
    assert depth_plan(SHANK, 12.0, 19.0, "hand", plunge_mm=31.0).possible
    refused = depth_plan(SHANK, 12.0, 19.0, "hand", plunge_mm=30.0)
    assert not refused.possible and "31.0 mm" in refused.problems[0]


def test_another_bearing_and_no_thickness() -> None:
    notes = depth_plan(cutter(12.7, bearing_mm=19.05), 12.0, 19.0).notes
    assert any("3.175 mm outside" in n for n in notes)
    with pytest.raises(InputError):
        depth_plan(SHANK, 12.0, 0.0)
