"""Stretches straightened, and drawn anew through measured points."""

import math

import numpy as np
import pytest

from digitize.editing.fair import arc_over
from digitize.editing.stretches import redrawn, straightened
from digitize.model.errors import InputError
from digitize.model.outline import CORNER_RAD
from digitize.model.segment import Arc, Line, Spline, as_point
from tests.editing.outlines import apart, circle, polygon
from tests.helpers import bracket

ROUNDING_MM = 1e-7  # ends are found on the edge to some 1e-9 mm, and carried over to a radius
TOP = (80.0, 60.0), (20.0, 60.0)


def plate(*top: tuple[float, float]):
    """60 mm deep, 100 mm wide, its upper edge through some points from right to left."""
    return polygon((0.0, 0.0), (100.0, 0.0), (100.0, 60.0), *top, (0.0, 60.0))


def measured(curve, noise, seed, n=240):
    """Points along a curve y(x), right to left from x = 80 to 20, that err across it by so much."""
    x = np.linspace(80.0, 20.0, n)
    normal = np.column_stack([-np.gradient(curve(x), x), np.ones(n)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    points = np.column_stack([x, curve(x)]) + np.random.default_rng(seed).normal(0, noise, n)[:, None] * normal
    return points, np.full(n, noise)


def new_pieces(outline, old):
    return [s for s in outline.outer.segments if s not in old.outer.segments]


def test_a_worn_stretch_becomes_one_line():
    worn = plate((70.0, 60.0), (60.0, 59.2), (50.0, 59.5), (40.0, 60.0))
    for ends in (((70.0, 60.3), (40.0, 59.9)), ((40.0, 60.0), (70.0, 60.0))):
        new = straightened(worn, *ends, "line")
        assert new.polygon().symmetric_difference(plate().polygon()).area < 1e-4
        assert len(new.outer.segments) == 6


def test_a_stretch_past_the_loops_start_is_straightened_as_well():
    chamfered = straightened(plate(), (0.0, 10.0), (10.0, 0.0), "line")
    assert chamfered.polygon().area == pytest.approx(6000.0 - 50.0, abs=1e-4)
    assert len(chamfered.outer.segments) == 5


@pytest.mark.parametrize("radius", [30.5, 60.0, 2000.0])
@pytest.mark.parametrize("bulge", [1.0, -1.0])
def test_an_arc_is_the_circle_that_noise_free_points_lie_on(radius, bulge):
    half = math.asin(30.0 / radius)  # a chord of 60 mm; its apex as closed form R - sqrt(R^2 - 30^2)
    angles = np.linspace(half, -half, 25)
    centre = np.array([50.0, 60.0 - bulge * radius * math.cos(half)])
    top = centre + radius * np.column_stack([np.sin(angles), bulge * np.cos(angles)])
    faceted = plate(*(as_point(p) for p in top))
    stretch = straightened(faceted, (80.0, 60.0), (20.0, 60.0), "arc")
    (arc,) = new_pieces(stretch, faceted)
    assert isinstance(arc, Arc)
    assert math.copysign(1.0, arc.sweep) == bulge
    sagitta = radius - math.sqrt(radius**2 - 30.0**2)
    facets = radius * (1 - math.cos(half / 24))  # the facets' middles lie so far inside the circle
    assert abs(arc.point(0.5)[0][1] - (60.0 + bulge * sagitta)) < facets + ROUNDING_MM
    assert math.dist(arc.start, (80.0, 60.0)) < ROUNDING_MM


@pytest.mark.parametrize("sweep", [0.01, 1.0, 3.0, 5.5, -2.0, -4.0])
def test_an_arc_over_noise_free_points_is_their_circle_and_over_noisy_ones_the_best(sweep):
    true = Arc((3.0, -7.0), 40.0, 0.4, sweep)
    points = true.point(np.linspace(0.0, 1.0, 50)[1:-1])
    arc, away = arc_over(points, true.start, true.end)
    assert (*arc.centre, arc.radius, arc.sweep) == pytest.approx((3.0, -7.0, 40.0, sweep), abs=1e-6)
    assert away.max() < 1e-9
    noisy = points + np.random.default_rng(5).normal(0.0, 0.05, points.shape)
    best = arc_over(noisy, true.start, true.end)[0]

    def misfit(arc):
        return float(((np.linalg.norm(noisy - arc.centre, axis=1) - arc.radius) ** 2).sum())

    chord = np.subtract(true.end, true.start) / math.dist(true.end, true.start)
    for by in (-0.01, 0.01):  # circles through both ends, to either side of the best
        centre = np.add(best.centre, by * np.array([-chord[1], chord[0]]))
        other = Arc(as_point(centre), math.dist(centre, true.start), 0.0, 1.0)
        assert misfit(best) < misfit(other)


@pytest.mark.parametrize(("start", "end"), [(0.3, 2.0), (2.0, 0.3), (-0.4, 2.6)])
def test_an_arc_laid_over_an_arc_is_that_arc(start, end):
    on = [(120.0 + 50.0 * math.cos(a / 2), 50.0 + 50.0 * math.sin(a / 2)) for a in (start, end)]
    new = straightened(bracket(), *on, "arc")
    assert len(new.segments) == len(bracket().segments) + 2
    assert apart(new, bracket()) < ROUNDING_MM


def test_a_circle_is_cut_straight():
    new = straightened(circle(), (5.0, 27.0), (35.0, -3.0), "line")
    kinds = [type(s) for s in new.outer.segments]
    assert kinds == [Arc, Line]
    assert new.polygon(1e-5).area == pytest.approx(math.pi * 900 * 0.75 + 450, rel=1e-5)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("noise", [0.02, 0.1])
def test_a_redrawn_wave_is_truer_than_its_points(noise, seed):
    def wave(x):
        return 60.0 + 3.0 * np.sin((x - 20.0) * math.pi / 30.0)

    points, sigma = measured(wave, noise, seed)
    new = redrawn(plate(), *TOP, points[:: 1 - 2 * (seed % 2)], sigma)
    (curve,) = new_pieces(new, plate())[1:-1] if len(new_pieces(new, plate())) > 1 else new_pieces(new, plate())
    assert isinstance(curve, Spline)
    on = curve.point(np.linspace(0.0, 1.0, 500))
    slope = np.hypot(1.0, math.pi / 10 * np.cos((on[:, 0] - 20.0) * math.pi / 30.0))
    off = (on[:, 1] - wave(on[:, 0])) / slope
    assert np.sqrt(np.mean(off**2)) < 0.6 * noise
    assert np.abs(off).max() < 2.5 * noise


@pytest.mark.parametrize("seed", range(3))
def test_a_redrawn_round_is_an_arc_and_a_straight_edge_a_line(seed):
    radius, noise = 60.0, 0.05
    rise = math.sqrt(radius**2 - 30.0**2)

    def bow(x):
        return 60.0 - rise + np.sqrt(radius**2 - (x - 50.0) ** 2)

    points, sigma = measured(bow, noise, seed)
    arcs = [s for s in redrawn(plate(), *TOP, points, sigma).segments if isinstance(s, Arc)]
    assert len(arcs) == 1
    assert arcs[0].radius == pytest.approx(radius, abs=0.3)
    points, sigma = measured(lambda x: 60.0 + 0 * x, noise, seed)
    flat = redrawn(plate((80.0, 60.0), (60.0, 58.5), (40.0, 58.5), (20.0, 60.0)), *TOP, points, sigma)
    assert all(isinstance(s, Line) for s in flat.segments)


def test_a_redrawn_stretch_goes_on_smoothly_where_it_nearly_does_and_sharply_where_not():
    def hump(x):  # leaves the straight edge at no angle on the right, at 24 degrees on the left
        return 60.0 + 4.0 * ((80.0 - x) / 60.0) ** 2 * (1 - ((80.0 - x) / 60.0)) * 6.0

    points, sigma = measured(hump, 0.03, 4)
    new = redrawn(plate(), *TOP, points, sigma)
    place = {s.start: turn for s, turn in zip(new.outer.segments, new.outer.turns(), strict=True)}
    at = [min(place, key=lambda p, x=x: math.dist(p, (x, 60.0))) for x in (80.0, 20.0)]
    assert abs(place[at[0]]) < 1e-6
    assert abs(place[at[1]]) > CORNER_RAD


def test_a_corner_within_a_redrawn_stretch_stays_sharp():
    def roof(x):
        return 60.0 + 15.0 - 0.5 * np.abs(x - 50.0)

    points, sigma = measured(roof, 0.03, 2)
    new = redrawn(plate(), *TOP, points, sigma)
    assert min(math.dist(c, (50.0, 75.0)) for c in new.corners()) < 0.1
    assert [type(s) for s in new_pieces(new, plate())].count(Spline) == 0


def test_a_few_stray_points_do_not_draw_a_stretch_away():
    points, sigma = measured(lambda x: 60.0 + 0.02 * (x - 20.0) * (80.0 - x) / 6.0, 0.03, 7)
    strayed = points.copy()
    strayed[100:103, 1] += 1.0
    assert apart(redrawn(plate(), *TOP, strayed, sigma), redrawn(plate(), *TOP, points, sigma)) < 0.06


def test_what_cannot_be_drawn_is_refused():
    points, sigma = measured(lambda x: 60.0 + 0 * x, 0.03, 1)
    for what, said in [
        (lambda: straightened(plate(), (80.0, 60.0), (80.0, 60.01), "line"), "the same place"),
        (lambda: straightened(plate(), (80.0, 40.0), (20.0, 60.0), "line"), "off the edge"),
        (lambda: straightened(bracket(), (60.0, 0.0), (90.0, 67.5), "arc"), "different edges"),
        (lambda: straightened(bracket(), (60.0, 0.0), (90.0, 100.0), "line"), "a hole would touch"),
        (lambda: redrawn(plate(), *TOP, points - (0.0, 20.0), sigma), "20.0 mm from the stretch"),
        (lambda: redrawn(plate(), *TOP, points[:1], sigma[:1]), "no edge"),
        (lambda: redrawn(plate(), *TOP, points, 0 * sigma), "error above 0"),
        (lambda: redrawn(plate(), *TOP, points - np.c_[0 * sigma, 70 * np.hanning(240)], sigma), "crosses itself"),
    ]:
        with pytest.raises(InputError, match=said):
            what()
