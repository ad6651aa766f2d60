"""The nearest place on exact curves, against a plain search and against shapely."""

import numpy as np
import pytest
import shapely

from digitize.compare.nearest import Curves
from digitize.compare.placement import turned_over
from digitize.compare.stations import Master
from digitize.model.outline import Loop, Outline
from tests.compare.synthetic import tipped
from tests.helpers import bracket, distances, rounded_plate

EXACT_MM = 1e-7  # Newton's method against a search that ends below 1 nm
LOOPS = [*bracket().loops, *rounded_plate().loops, *tipped().loops]
every_loop = pytest.mark.parametrize("loop", LOOPS)


def near(loop: Loop, count: int, reach: float) -> np.ndarray:
    """Points within ``reach`` mm of a loop."""
    chance = np.random.default_rng(20260314)
    curves = Curves.of(loop)
    points, outward = curves.at(chance.uniform(0, curves.length, count))
    return points + outward * chance.uniform(-reach, reach, count)[:, None]


@every_loop
def test_the_distance_is_that_to_the_exact_curve(loop: Loop) -> None:
    points = near(loop, 40, 2.0)
    true = np.min([distances(points, s) for s in loop.segments], axis=0)
    assert np.abs(Curves.of(loop).nearest(points).distance) == pytest.approx(true, abs=EXACT_MM)


@every_loop
def test_the_sign_tells_inside_from_outside_at_corners_too(loop: Loop) -> None:
    chance = np.random.default_rng(1)
    corners = np.array([s.start for s in loop.segments])
    spread = np.repeat(corners, 50, axis=0) + chance.normal(0, 0.3, (50 * len(corners), 2))
    points = np.vstack([near(loop, 500, 2.0), spread])
    feet = Curves.of(loop).nearest(points)
    polygon = shapely.Polygon(loop.flattened(1e-4))
    inside = shapely.contains_xy(polygon, *points.T) == (loop.area > 0)  # a hole's material lies round it
    clear = np.abs(feet.distance) > 1e-3
    assert ((feet.distance < 0) == inside)[clear].all()


@every_loop
def test_moving_along_the_way_out_adds_to_the_distance(loop: Loop) -> None:
    points, curves = near(loop, 300, 1.0), Curves.of(loop)
    feet = curves.nearest(points)
    step = 1e-4
    further = curves.nearest(points + step * feet.outward)
    clear = np.abs(feet.distance) > 0.01
    assert (further.distance - feet.distance)[clear] == pytest.approx(step, rel=0.02)
    assert feet.points + feet.outward * feet.distance[:, None] == pytest.approx(points, abs=1e-9)


def test_lengths_along_a_loop_and_back() -> None:
    curves = Curves.of(bracket().outer)
    assert curves.length == pytest.approx(bracket().outer.length, abs=0.01)  # chords, used for labels only
    along = np.linspace(1.0, curves.length - 1.0, 97)
    assert curves.nearest(curves.at(along)[0]).along == pytest.approx(along, abs=1e-6)


def test_corners_and_edges_are_numbered_along_the_loops() -> None:
    master = Master.of(tipped())
    assert [e.corner for e in master.edges][:7] == [(0, 0), (40, 0), (40, 25), (70, 25), (95, 60), (150, 90), (0, 90)]
    assert [e.number for e in master.edges] == list(range(1, 12))
    assert {e.number for e in master.edges if e.turn < 0 and e.loop == 0} == {3, 5}  # inside corners
    assert master.edge_near((20.0, 0.5)).number == 1 and master.edge_near((0.0, 45.0)).number == 7
    round_hole = Master.of(bracket()).edges[-1]
    assert round_hole.corner is None and round_hole.length == pytest.approx(2 * np.pi * 17.5, abs=0.01)


def test_stations_hold_every_corner_and_stand_close_enough() -> None:
    master = Master.of(tipped())
    stations = master.stations(0.7)
    for edge in master.corners:
        assert np.abs(stations.points - edge.corner).max(axis=1).min() == 0.0
    assert stations.weight.max() <= 0.7
    assert stations.weight.sum() == pytest.approx(sum(loop.length for loop in tipped().loops))


def test_turned_over_twice_is_as_it_was() -> None:
    outline: Outline = bracket()
    over = turned_over(outline)
    assert over.outer.area == pytest.approx(outline.outer.area, abs=0.01) and over.bounds()[0] < -160
    points = turned_over(over).outer.flattened(0.01)
    assert np.abs(Curves.of(outline.outer).nearest(points).distance).max() < 1e-9
