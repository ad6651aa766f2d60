"""Placements: right from any start, not fooled by symmetry, not pulled aside by what is wrong with the part."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize
from skimage.transform import EuclideanTransform, estimate_transform

from digitize.compare.nearest import Curves
from digitize.compare.placement import Placement, seen
from digitize.compare.register import Registration, inside_zone, on_datums, register
from digitize.compare.stations import Master
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc
from tests.compare.synthetic import EdgeNoise, bump, displaced, polyline, proud, thrown, tipped
from tests.helpers import FULL, bracket, rounded_plate

NOISE_MM = 0.02


def found(part: Outline, master: Outline) -> tuple[Registration, list[Curves]]:
    curves = [Curves.of(loop) for loop in part.loops]
    return register(Master.of(master), curves, part, NOISE_MM), curves


def placed(part: Outline, placement: Placement) -> Outline:
    return part.moved(placement.turn, placement.shift)


def regular(sides: int) -> Outline:
    angles = FULL * np.arange(sides) / sides
    return Outline.of(polyline(50 * np.stack([np.cos(angles), np.sin(angles)], axis=1)))


def comb(teeth: int = 9) -> Outline:
    """Slots 8 wide and 45 deep between teeth of 12 mm: one tooth aside it fits almost as well."""
    points = [(0.0, 0.0)]
    for i in range(teeth):
        x = 14.0 + 20.0 * i
        points += [(x, 0.0), (x, 45.0), (x + 8.0, 45.0), (x + 8.0, 0.0)]
    return Outline.of(polyline(np.array([*points, (196.0, 0.0), (196.0, 90.0), (0.0, 90.0)])))


@pytest.mark.parametrize("outline", [bracket(), tipped(), comb(), rounded_plate()], ids=["b", "t", "comb", "plate"])
def test_placed_rightly_from_any_angle(outline: Outline) -> None:
    for degrees in range(0, 360, 40):
        result, _ = found(outline.moved(math.radians(degrees + 0.3), (170.0, -80.0)), outline)
        assert result.rms_mm < 1e-6


@pytest.mark.parametrize("seed", range(3))
def test_agrees_with_procrustes_on_corresponding_points(seed: int) -> None:
    """scikit-image solves for the motion between corresponding points (Umeyama 1991, by SVD)."""
    chance = np.random.default_rng(seed)
    points = displaced(bracket(), EdgeNoise(bracket(), 0.0, chance)).outer.flattened(1.0)
    part = thrown(Outline.of(polyline(points)), chance)
    result, _ = found(part, Outline.of(polyline(points)))
    there = np.array([s.start for s in part.outer.segments])
    reference = estimate_transform("euclidean", there, points)
    assert isinstance(reference, EuclideanTransform)
    assert result.placement.of(there) == pytest.approx(reference(there), abs=1e-6)


@pytest.mark.parametrize(("sides", "others"), [(3, 2), (4, 3), (6, 5), (8, 7)])
def test_a_regular_shape_tells_its_other_placements(sides: int, others: int) -> None:
    result, _ = found(regular(sides).moved(0.7, (9.0, 4.0)), regular(sides))
    turns = [math.degrees(t) % 360 for t in result.other_turns]
    assert turns == pytest.approx([360 * k / sides for k in range(1, others + 1)], abs=0.01)
    assert not result.free_turn


def test_a_plate_fits_in_two_ways_and_a_bracket_in_one() -> None:
    assert [abs(math.degrees(t)) for t in found(rounded_plate(), rounded_plate())[0].other_turns] == pytest.approx(
        [180]
    )
    assert found(bracket(), bracket())[0].other_turns == ()
    assert found(comb(), comb())[0].other_turns == ()


def disc(*holes: tuple[float, float, float]) -> Outline:
    def circle(x: float, y: float, r: float) -> Loop:
        return Loop((Arc((x, y), r, 0.0, FULL),))

    return Outline.of(circle(0.0, 0.0, 75.0), [circle(*h) for h in holes])


def test_a_round_part_turns_freely_unless_its_holes_hold_it() -> None:
    assert found(disc().moved(1.0, (5.0, 5.0)), disc())[0].free_turn
    assert found(disc((0.0, 0.0, 40.0)), disc((0.0, 0.0, 40.0)))[0].free_turn
    held = disc((40.0, 0.0, 10.0), (0.0, 30.0, 6.0))
    result, _ = found(held.moved(2.1, (30.0, 0.0)), held)
    assert not result.free_turn and result.other_turns == () and result.pairs == (0, 1, 2)
    assert math.degrees(result.placement.turn) == pytest.approx(-math.degrees(2.1), abs=1e-4)


def test_holes_missing_and_holes_too_many() -> None:
    two = disc((40.0, 0.0, 10.0), (0.0, 30.0, 6.0))
    assert found(disc((40.0, 0.0, 10.0)), two)[0].pairs == (0, 1, None)
    result, _ = found(two, disc((40.0, 0.0, 10.0)))
    assert result.pairs == (0, 1) and result.extra == (2,)


def test_what_is_wrong_with_a_part_does_not_pull_it_aside() -> None:
    """A proud edge, a bump and a broken tip together: the rest must lie as if they were not there."""
    fields = (bump(7, 50.0, 0.6, 20.0), proud(1, 0.3))
    part = displaced(tipped(), lambda n, s: fields[0](n, s) + fields[1](n, s))
    result, _ = found(part.moved(0.4, (3.0, 8.0)), tipped())
    back = placed(part.moved(0.4, (3.0, 8.0)), result.placement)
    off = (
        np.array(back.outer.segments[len(back.outer.segments) // 2].start)
        - part.outer.segments[len(part.outer.segments) // 2].start
    )
    assert np.abs(off).max() < 0.005  # a plain least squares is 0.05 mm off


def largest(master: Outline, part: list[Curves], placement: Placement) -> float:
    stations = Master.of(master).stations(0.5)
    return float(np.abs(seen(stations, part, placement).deviation).max())


def test_inside_the_zone_the_largest_deviation_is_least() -> None:
    part = displaced(tipped(), bump(7, 50.0, 0.6, 20.0))
    result, curves = found(part, tipped())
    best = inside_zone(result, curves).placement
    reached = largest(tipped(), curves, best)
    assert reached < 0.5 * largest(tipped(), curves, result.placement) + 0.01

    def worst(step: np.ndarray) -> float:
        return largest(tipped(), curves, best.moved(step * (1, 1, 0.01), np.array([75.0, 45.0])))

    better = minimize(worst, np.zeros(3), method="Nelder-Mead", options={"maxfev": 150, "initial_simplex": SIMPLEX})
    assert reached <= better.fun + 0.005  # mm; the tips between the programme's stations


SIMPLEX = np.vstack([np.zeros(3), 0.05 * np.eye(3)])


def test_datum_edges_are_laid_on_each_other() -> None:
    part = displaced(tipped(), lambda n, s: proud(1, 0.3)(n, s) + proud(4, 0.2)(n, s))
    result, curves = found(thrown(part, np.random.default_rng(3)), tipped())
    datum = np.isin(result.stations.edge, [1, 7])
    laid = on_datums(result, curves, datum)
    stations = Master.of(tipped()).stations(1.0)
    value = seen(stations, curves, laid.placement).deviation
    middle = ~stations.at_corner & np.isin(stations.edge, [1, 7]) & (stations.along > 5) & (stations.along < 290)
    assert np.abs(value[middle]).max() < 0.02
    far = np.median(value[stations.edge == 6])
    assert far == pytest.approx(0.3, abs=0.02)  # the edge across stands out by as much as the datum was proud
