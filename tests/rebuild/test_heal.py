"""Chips and worn stretches healed."""

import math
from functools import cache

import numpy as np
import pytest
from shapely import Polygon, box

from digitize.compare.placement import turned_over
from digitize.fitting import FitQuality, fit_outline
from digitize.fitting.tips import ended
from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline, TipEnd
from digitize.model.segment import Arc, Line, Spline
from digitize.rebuild.heal import healed_between, healed_spots
from tests.fitting.shapes import bezier
from tests.helpers import bracket, rounded_plate
from tests.rebuild.snaps import contours

CHIP_MM, CORNER_MM = 8.0, 0.15  # a corner broken off by so much is restored within
NOISE_MM = 0.02
TIP_MM = 0.3  # what is left of a bend that changes, led on for 6 mm, over the sine of the tip's angle
SPOT_MM = 0.05  # a healed spot lies so near the line or arc that was there


@cache
def traced(part: Polygon, seed: int = 5):
    return fit_outline(contours(part, np.random.default_rng(seed), NOISE_MM))[0]


def chipped(part: Polygon, corner: tuple[float, float]) -> Polygon:
    """The part without what lies within CHIP_MM of a corner, along a crooked line."""
    x, y = corner
    size = CHIP_MM
    bite = Polygon(
        [(x - size, y + 12), (x - size, y), (x - 3.5, y - 4.5), (x, y - size), (x + 1, y - size), (x + 1, y + 12)]
    )
    return part.difference(bite)


def test_a_broken_off_corner_of_two_lines_is_restored():
    outline = traced(chipped(box(0, 0, 200, 120), (200, 120)))
    healed = healed_between(outline, (200.0, 111.5), (191.5, 120.0))
    assert healed.kinds == ("corner",)
    assert min(math.dist(c, (200.0, 120.0)) for c in healed.outline.corners()) < CORNER_MM
    assert len(healed.outline.outer.segments) == 4
    stretch = healed.invented[0]
    assert stretch.end_mm - stretch.start_mm == pytest.approx(17.0, abs=1.5)


@pytest.mark.parametrize("radius", [150.0, 300.0])
def test_a_broken_off_corner_beside_a_curve_is_restored(radius):
    part = box(0, 0, 200, 120).union(Polygon([(0, 119), *_bow(radius), (200, 119)]))
    beside = tuple(min(_bow(radius), key=lambda p: abs(p[0] - 191.0)))
    healed = healed_between(traced(chipped(part, (200, 120))), (200.0, 111.0), beside)
    assert min(math.dist(c, (200.0, 120.0)) for c in healed.outline.corners()) < CORNER_MM


def _bow(radius: float) -> np.ndarray:
    """An arc over the edge from (0, 120) to (200, 120)."""
    height = 120 - math.sqrt(radius**2 - 100**2)
    a = math.asin(100 / radius)
    angles = np.linspace(-a, a, 800)
    return np.column_stack([100 + radius * np.sin(angles), height + radius * np.cos(angles)])


@pytest.mark.parametrize("bend", [-6.0, 6.0])
@pytest.mark.parametrize("turned_over", [False, True])
def test_the_chipped_tip_of_a_spline_is_made_whole(bend, turned_over):
    # A tip of 17 to 23 degrees at the right end: a straight upper flank, and a spline that bends either way.
    knots = (0.0,) * 4 + (1.0,) * 4
    flank = Spline(((-60.0, -18.0), (-40.0, -12.0 + bend / 3), (-20.0, -6.0 + bend / 3), (0.0, 0.0)), knots)
    whole = Outline.of(Loop((Line((0.0, 0.0), (-60.0, 0.0)), Line((-60.0, 0.0), (-60.0, -18.0)), flank)))
    whole = turned_over_about_x(whole) if turned_over else whole
    at = next(k for k, s in enumerate(whole.outer.segments) if math.dist(s.start, (0.0, 0.0)) < 1e-9)
    plain = FitQuality(0.0, 0.0, 9, 3, 3, 0, 0.0)
    chip, _ = ended(whole, plain, [TipEnd(0, at, (0.0, 0.0), (1.0, 0.0), 2.0, 1.0)])
    beside = [(-6.0, 0.0), tuple(flank.point(flank_at(flank, -6.0))[0] * (1.0, -1.0 if turned_over else 1.0))]
    healed = healed_between(chip, *beside)
    assert healed.kinds == ("corner",)
    assert min(math.dist(c, (0.0, 0.0)) for c in healed.outline.corners()) < TIP_MM


def flank_at(flank: Spline, x: float) -> float:
    t = np.linspace(0.0, 1.0, 20001)
    return float(t[np.abs(flank.point(t)[:, 0] - x).argmin()])


def turned_over_about_x(outline: Outline) -> Outline:
    over = turned_over(outline)  # about the y axis; half a turn more makes it about the x axis
    return over.moved(math.pi, (0.0, 0.0))


def test_a_chip_in_a_curve_is_bridged_fairly():
    sweep = bezier((0, 90), (60, 130), (120, 40), (200, 100))
    whole = Polygon([(0, 0), (200, 0), (200, 100), *sweep[::-1]])
    bite = Polygon([(92, 140), (96, 70), (104, 70), (107, 140)])
    outline = traced(whole.difference(bite))
    at = [tuple(sweep[np.abs(sweep[:, 0] - x).argmin()]) for x in (90.0, 109.0)]
    healed = healed_between(outline, *at)
    assert healed.kinds == ("spline",)
    stretch = healed.invented[0]
    assert healed.outline.polygon(0.002).symmetric_difference(whole).area < 0.15 * (stretch.end_mm - stretch.start_mm)


def test_spots_in_lines_and_arcs_are_found_and_healed():
    disc = Polygon([(75 * math.cos(a), 75 * math.sin(a)) for a in np.linspace(0, 2 * math.pi, 2000)[:-1]])
    part = disc.intersection(box(-100, -40, 100, 100)).difference(Polygon([(10, -41), (13, -38), (17, -41)]))
    part = part.difference(Polygon([(-3, 76), (0, 72), (4, 76)]))
    outline = traced(part)
    healed = healed_spots(outline, 12.0)
    assert sorted(healed.kinds) == ["arc", "line"]
    kinds = [type(s) for s in healed.outline.outer.segments]
    assert kinds.count(Line) == 1
    assert kinds.count(Arc) == 1
    true = disc.intersection(box(-100, -40, 100, 100))
    assert healed.outline.polygon(0.002).hausdorff_distance(true) < SPOT_MM + 0.05  # the disc itself is a polygon


@pytest.mark.parametrize("outline", [bracket(), rounded_plate()], ids=["bracket", "plate"])
def test_an_untouched_pattern_is_left_untouched(outline):
    healed = healed_spots(outline, 12.0)
    assert healed.outline == outline
    assert healed.kinds == ()


def test_a_chip_larger_than_what_is_left_is_refused():
    with pytest.raises(InputError, match="of even edge beside it are left"):
        healed_between(traced(box(0, 0, 200, 120)), (0.0, 2.0), (0.0, 118.0))


def test_points_off_the_edge_or_on_two_edges_are_refused():
    with pytest.raises(InputError, match="off the edge"):
        healed_between(bracket(), (50.0, 50.0), (60.0, 0.0))
    with pytest.raises(InputError, match="different edges"):
        healed_between(bracket(), (90.0, 67.5), (60.0, 0.0))
