"""Runs against common practice, and against fibres that a turning cutter meets: an independent simulation."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from digitize.shop.feed import bearing_place, feed_runs
from digitize.shop.fibre import edge_steps, points_along
from digitize.shop.grain import edge_grain, slope_of_grain
from digitize.shop.ways import CHANGE_MM, LEVEL_RAD, SQUARE_RAD, is_level
from tests.helpers import bracket, rounded_plate
from tests.shop.parts import disc, mirrored, polygon, prong, spike, square, star

DEGREE = 1.0  # how near to a crest a run begins
MERGED = 0.15  # of a small part whose rounds are too short for runs of their own and go with their neighbours
STATIONS = 60  # along each run
NEAR_MM = 0.02  # before and behind a station, to see which way the run goes there
PROBE_MM = 0.3  # along a fibre from the edge, to see whether it is in the part
STEADY_RAD = math.radians(1.0)  # edge that near to level, or nearer, may go either way
MACHINES = [("hand", False), ("table", False), ("hand", True), ("table", True)]


def planned(outline, degrees, machine="hand", flipped=False):
    steps = edge_steps(outline)
    grain = None if degrees is None else edge_grain(outline, math.radians(degrees), steps)
    return feed_runs(outline, steps, grain, machine, flipped)


def clock(point):
    """Hours of a clock face, 12 at +y."""
    return (90 - math.degrees(math.atan2(point[1], point[0]))) % 360 / 30


@pytest.mark.parametrize("begin", [0.0, 0.3, 1.9])
@pytest.mark.parametrize("degrees", [0, 25, 90])
def test_a_disc_is_four_quadrants_from_the_two_side_grain_crests(begin, degrees):
    runs = planned(disc(75.0, begin=begin), degrees)
    assert sorted(r.feed for r in runs) == ["climb", "climb", "ordinary", "ordinary"]
    for run in runs:
        assert run.length_mm == pytest.approx(75 * math.pi / 2, rel=0.01)
        off = (math.degrees(math.atan2(run.start[1], run.start[0])) - degrees - 90 + 90) % 180 - 90
        assert abs(off) < DEGREE
    assert [r.order for r in runs] == [1, 2, 3, 4]


@pytest.mark.parametrize(("machine", "flipped"), MACHINES)
@pytest.mark.parametrize("degrees", [0, 25, 90])
def test_a_round_hole_is_four_quadrants_from_the_two_end_grain_points(degrees, machine, flipped):
    """Into a hole the fibres dive the other way: downhill goes from where they meet it square to where they pass it."""
    runs = [r for r in planned(disc(80.0, hole=40.0), degrees, machine, flipped) if r.loop == 1]
    assert sorted(r.feed for r in runs) == ["climb", "climb", "ordinary", "ordinary"]
    for run in runs:
        assert run.length_mm == pytest.approx(40 * math.pi / 2, rel=0.02)
        off = (math.degrees(math.atan2(run.start[1], run.start[0])) - degrees + 90) % 180 - 90
        assert abs(off) < DEGREE


@pytest.mark.parametrize(
    ("machine", "hours"), [("table", {(9, 12), (3, 6)}), ("hand", {(3, 12), (9, 6)})], ids=["table", "hand"]
)
def test_grain_from_twelve_to_six_is_fed_as_common_practice_tells(machine, hours):
    """The clock-face rule for a disc, by many a teacher of routing (common practice)."""
    ordinary = [r for r in planned(disc(), 90, machine) if r.feed == "ordinary"]
    assert {(round(clock(r.start)) % 12 or 12, round(clock(r.end)) % 12 or 12) for r in ordinary} == hours


@pytest.mark.parametrize(("machine", "flipped"), MACHINES)
def test_ordinary_feed_goes_round_as_common_practice_tells(machine, flipped):
    """By hand counter-clockwise round an outside and clockwise in a hole, as seen; on a table the other way."""
    for run in planned(disc(80, hole=40), 10, machine, flipped):
        outside = run.loop == 0
        counter = (machine == "hand") == outside
        assert (run.travel == "counter-clockwise") == (counter == (run.feed == "ordinary"))


def test_end_grain_sides_of_a_square_come_first():
    for degrees, upright in ((0, True), (90, False)):
        runs = planned(square(), degrees)
        assert [r.grain for r in runs] == ["end", "end", "long", "long"]
        for run in runs[:2]:
            assert (abs(run.start[0] - run.end[0]) < 1e-6) == upright
        assert {r.feed for r in runs} == {"ordinary"}


def test_every_run_leaves_the_end_grain_of_a_rounded_plate_first():
    runs = [r for r in planned(rounded_plate(), 0) if r.loop == 0]
    assert [r.grain for r in runs] == ["end", "end", "long", "long"]


@pytest.mark.parametrize(
    ("outline", "degrees", "tip"), [(prong(), 0, (50, 80)), (spike(), 90, (140, 30)), (spike(), 60, (140, 30))]
)
@pytest.mark.parametrize(("machine", "flipped"), MACHINES)
def test_no_run_leaves_over_a_fragile_tip(outline, degrees, tip, machine, flipped):
    """Along both flanks every run moves away from the tip, whatever the grain there says."""
    steps = edge_steps(outline)
    grain = edge_grain(outline, math.radians(degrees), steps)
    (fragile,) = grain.tips
    runs = feed_runs(outline, steps, grain, machine, flipped)
    assert sum(r.from_tip for r in runs) == 2
    for run in runs:
        along = run.start_mm + (1 if run.forward else -1) * np.linspace(0, run.length_mm, 200)
        points = points_along(steps, 0, along)
        away = np.hypot(*(points - np.asarray(fragile.at)).T)
        near = away < 0.9 * fragile.reach_mm
        if near.any():
            assert run.from_tip
            assert (np.diff(away[near]) > 0).all()
    assert math.dist(fragile.at, tip) < 0.6


def test_ripples_make_no_confetti():
    """A wavy straight edge: 40 waves of 8 mm, each steeper than the grain minds, stay one run."""
    x = np.linspace(0, 320, 641)
    wavy = polygon(*[(0, -60), (320, -60)], *zip(x[::-1], 0.5 * np.sin(2 * np.pi * x[::-1] / 8), strict=True))
    runs = planned(wavy, 0)
    assert len(runs) <= 5
    assert all(r.length_mm >= 2 * CHANGE_MM for r in runs)
    assert sum(r.uphill_mm for r in runs) > 50


def test_an_edge_nearly_along_the_grain_is_fed_the_ordinary_way():
    assert {r.feed for r in planned(square(300.0), math.degrees(LEVEL_RAD) - 0.5)} == {"ordinary"}


def test_without_grain_every_loop_is_one_ordinary_run():
    runs = planned(bracket(), None)
    assert [(r.loop, r.feed) for r in runs] == [(0, "ordinary"), (1, "ordinary")]
    for run, loop in zip(runs, bracket().loops, strict=True):
        assert run.length_mm == pytest.approx(loop.length, rel=1e-6)


def test_the_bearing_runs_on_the_pattern():
    """A hand-held router holds the shank above the work, a table below it."""
    assert bearing_place("hand", "top") == bearing_place("table", "below") == "shank"
    assert bearing_place("hand", "below") == bearing_place("table", "top") == "tip"


def simulated(outline, degrees, machine, flipped, run):
    """Along a run, as seen from above at the machine: whether the edge that makes the surface lifts fibres of the part.

    The spindle turns clockwise by hand, counter-clockwise on a table. Where the cutter touches the part, its edge moves
    as the turning makes it; the fibre that it meets there, followed that way, lies in the part or in the waste.
    Nothing here knows of slopes, of loops' directions or of what ordinary means.
    """
    steps = edge_steps(outline)
    way = 1 if run.forward else -1
    along = run.start_mm + way * np.linspace(0.2, run.length_mm - 0.2, STATIONS)
    points = points_along(steps, run.loop, along)
    travel = points_along(steps, run.loop, along + way * NEAR_MM) - points_along(steps, run.loop, along - way * NEAR_MM)
    travel /= np.hypot(*travel.T)[:, None]
    shape, grain = outline.polygon(), np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
    if flipped:
        points, travel, grain = points * [-1, 1], travel * [-1, 1], grain * [-1, 1]
        shape = shapely.transform(shape, lambda p: p * [-1, 1])
    side = np.stack([-travel[:, 1], travel[:, 0]], axis=1)
    inward = np.where(shapely.contains_xy(shape, points + 0.05 * side)[:, None], side, -side)
    spin = -1.0 if machine == "hand" else 1.0
    edge = spin * np.stack(
        [-inward[:, 1], inward[:, 0]], axis=1
    )  # velocity of a turning cutter at the point nearest the part
    fibre = grain * np.sign(edge @ grain)[:, None]
    lifted = shapely.contains_xy(shape, points + PROBE_MM * fibre)
    slope = np.abs(np.arcsin(np.clip(np.abs((fibre * inward).sum(axis=1)), 0, 1)))
    clear = (slope > LEVEL_RAD + STEADY_RAD) & (slope < math.pi / 2 - SQUARE_RAD - STEADY_RAD)
    with_edge = (travel * edge).sum(axis=1) > 0
    return lifted[clear], with_edge[clear]


@pytest.mark.parametrize("degrees", [0, 20, 75, 110])
@pytest.mark.parametrize(("machine", "flipped"), MACHINES)
@pytest.mark.parametrize("outline", [disc(80, hole=40), bracket(), rounded_plate()], ids=["ring", "bracket", "plate"])
def test_fibres_ahead_of_the_cutting_edge_agree(outline, degrees, machine, flipped):
    """Ordinary feed moves as its edge moves and must not lift fibres; a climb cut is only chosen where it would."""
    wrong = total = 0.0
    for run in planned(outline, degrees, machine, flipped):
        lifted, with_edge = simulated(outline, degrees, machine, flipped, run)
        if not len(lifted):
            continue
        assert with_edge.all() if run.feed == "ordinary" else not with_edge.any()
        bad = lifted if run.feed == "ordinary" else ~lifted
        stray = bad.sum() / STATIONS * run.length_mm
        assert stray <= run.uphill_mm + 2 * run.length_mm / STATIONS
        wrong, total = wrong + stray, total + run.length_mm
    assert wrong < MERGED * total


DIRECTIONS = np.arange(0.0, 179.0, 0.73)  # degrees, of the grain


def lengths(runs):
    return {feed: sum(r.length_mm for r in runs if r.feed == feed) for feed in ("ordinary", "climb")}


@settings(max_examples=20, deadline=None)
@given(radii=st.lists(st.floats(40, 90), min_size=5, max_size=8), share=st.floats(0, 1, exclude_max=True))
def test_mirroring_swaps_ordinary_and_climb(radii, share):
    """Apart from edge that lies along or square to the grain, which is fed the ordinary way wherever it can be."""
    shape = star(radii)
    steps = edge_steps(shape)
    slopes = slope_of_grain(steps.angles, np.radians(DIRECTIONS)[:, None])
    mattering = DIRECTIONS[~is_level(slopes).any(axis=1)]
    assume(len(mattering) > 0)
    grain = float(mattering[int(share * len(mattering))])
    assume(not edge_grain(shape, math.radians(grain), steps).tips)
    here, there = lengths(planned(shape, grain)), lengths(planned(mirrored(shape), 180 - grain))
    assert here["ordinary"] == pytest.approx(there["climb"], abs=1e-6)
    assert here["climb"] == pytest.approx(there["ordinary"], abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(radii=st.lists(st.floats(40, 90), min_size=5, max_size=8), turn=st.floats(0.01, 6.2), grain=st.floats(0, 179))
@example(radii=[58.5, 40.0, 40.0, 40.0, 59.5], turn=1.0, grain=58.0)  # a run begins where the loop does
@example(radii=[40.0, 40.0, 40.0, 87.0, 87.0, 74.0], turn=1.0, grain=0.0)  # an edge slopes by 60 degrees
def test_turning_outline_and_grain_together_changes_no_run(radii, turn, grain):
    shape = star(radii)
    slope = np.abs(edge_grain(shape, math.radians(grain)).slope)
    assume((np.abs(slope[:, None] - [LEVEL_RAD, math.pi / 2 - SQUARE_RAD]) > 1e-6).all())
    a = planned(shape, grain)
    b = planned(shape.moved(turn, (5, 6)), grain + math.degrees(turn))
    assert [(r.loop, r.feed, r.order, r.grain, r.from_tip) for r in a] == [
        (r.loop, r.feed, r.order, r.grain, r.from_tip) for r in b
    ]
    assert [r.length_mm for r in a] == pytest.approx([r.length_mm for r in b], abs=0.5)


@pytest.mark.parametrize("degrees", [0, 33, 90, 141])
@pytest.mark.parametrize("outline", [bracket(), rounded_plate(), disc(80, hole=40), prong(), spike()])
def test_runs_cover_every_loop_once_and_swap_with_the_machine(outline, degrees):
    runs = planned(outline, degrees)
    for k, loop in enumerate(outline.loops):
        own = [r for r in runs if r.loop == k]
        assert sum(r.length_mm for r in own) == pytest.approx(loop.length, rel=1e-6)
        spans = sorted((r.start_mm, r.length_mm) if r.forward else (r.end_mm, r.length_mm) for r in own)
        for (start, length), (following, _) in pairwise(spans):
            assert start + length == pytest.approx(following, abs=1e-6)
    assert lengths(planned(outline, degrees, "table", True)) == pytest.approx(lengths(runs))
