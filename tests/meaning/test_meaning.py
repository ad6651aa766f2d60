"""What outlines seem to mean: uncertainties that hold, meanings that are true, few that are not."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from digitize.fitting.chain import fit_outline
from digitize.meaning.meanings import EdgeNoise, Kind, meanings
from digitize.meaning.measured import measured
from digitize.meaning.regular import covariance, figure_of
from digitize.meaning.relation import coverage, round_sizes
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Contribution
from digitize.model.segment import Arc, Line, as_point
from tests.fitting.shapes import Roughness, Shape, along, bezier, curve, polygon, roughened, rounded_polygon, turned
from tests.helpers import bracket

FULL = 2 * math.pi
NOISE = EdgeNoise(0.03, 0.3)
USUAL = (Contribution("scale", 300.0, 0.0), Contribution("edge", 0.0, 0.02))
COVERED = (0.92, 0.98)  # of true values within U, k = 2: 95 %, less what 160 values scatter by
MOST_FALSE = 0.6  # false meanings per random outline: nearly all are round radii, one arc in six by design


def loop_of(corners, radii):
    """A polygon as a loop, its corners rounded by tangent arcs where the radius is not 0."""
    c = np.asarray(corners, dtype=float)
    joints, pieces = [], []
    for k, r in enumerate(radii):
        u, v = c[k - 1] - c[k], c[(k + 1) % len(c)] - c[k]
        u, v = u / np.linalg.norm(u), v / np.linalg.norm(v)
        if r == 0:
            joints.append((as_point(c[k]), as_point(c[k]), None))
            continue
        half = math.acos(float(np.clip(u @ v, -1, 1))) / 2
        centre = c[k] + (u + v) / np.linalg.norm(u + v) * r / math.sin(half)
        start, left = c[k] + u * r / math.tan(half) - centre, -u[0] * v[1] + u[1] * v[0]
        arc = Arc(as_point(centre), r, math.atan2(start[1], start[0]), math.copysign(math.pi - 2 * half, left))
        joints.append((arc.start, arc.end, arc))
    for (_, leave, arc), (arrive, _, _) in pairwise([*joints, joints[0]]):
        pieces += [arc] if arc else []
        pieces.append(Line(leave, arrive))
    return Loop(tuple(pieces))


def rectangle(width, height, x=0.0, y=0.0):
    return [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]


def fitted(*loops, sigma=0.03, seed=1, angle=0.3):
    """The outline that the fit makes of noisy contours, laid level again."""
    shape = Shape("shape", [turned(loop, angle) for loop in loops])
    return fit_outline(roughened(shape, Roughness(sigma=sigma, blur=0.0, seed=seed)))[0].moved(-angle, (0.0, 0.0))


def kinds(found):
    return Counter(m.kind for m in found)


def of_kind(found, kind):
    return [m for m in found if m.kind == kind]


# -- uncertainty


@pytest.mark.parametrize(
    ("sweep_deg", "factor"), [(180, 2.30), (120, 5.56), (90, 10.3), (60, 23.8), (45, 42.8), (30, 97.1)]
)
def test_radius_of_a_lone_arc(sweep_deg, factor):
    """Standard error k s / sqrt(N) of an arc's radius; k from the Fisher matrix (bound of Chernov and Lesort, 2004)."""
    sweep = math.radians(sweep_deg)
    arc = Arc((0.0, 0.0), 50.0, -sweep / 2, sweep)
    tip = (-80.0, 0.0)  # sharp corners: the neighbours tell nothing of the arc
    figure = figure_of(Outline.of(Loop((arc, Line(arc.end, tip), Line(tip, arc.start)))))
    sigma = math.sqrt(covariance(figure, NOISE)[2, 2])
    assert sigma == pytest.approx(factor * NOISE.sigma_mm / math.sqrt(arc.length / NOISE.spacing_mm), rel=0.01)


def test_radius_of_a_circle():
    circle = Outline.of(Loop((Arc((3.0, 4.0), 50.0, 0.0, FULL),)))
    sigma = math.sqrt(covariance(figure_of(circle), NOISE)[2, 2])
    assert sigma == pytest.approx(NOISE.sigma_mm / math.sqrt(circle.outer.length / NOISE.spacing_mm), rel=1e-3)


def test_direction_of_a_line():
    """Standard error sqrt(12) s / (L sqrt N) of a slope (any text on regression)."""
    plate = Outline.of(loop_of(rectangle(200, 120), [0] * 4))
    sigma = math.sqrt(covariance(figure_of(plate), NOISE)[0, 0])
    points = 200 / NOISE.spacing_mm
    assert sigma == pytest.approx(math.sqrt(12) * NOISE.sigma_mm / (200 * math.sqrt(points)), rel=1e-3)


def test_the_largest_of_many_is_covered_as_one_is():
    assert coverage() == pytest.approx(2.0, abs=1e-4)
    draws = np.abs(np.random.default_rng(1).normal(size=(100_000, 8))).max(axis=1)
    assert (draws < coverage(8)).mean() == pytest.approx(0.9545, abs=0.003)


def test_stated_uncertainties_cover_the_truth():
    """Radii, corner angles and sizes of a rounded plate fitted 40 times to noisy points, against the true ones."""
    radii, sigma = [12.0, 6.35, 20.0, 8.0], 0.04
    shape = Shape("plate", [turned(rounded_polygon(rectangle(160, 90), radii))])
    noise = EdgeNoise(sigma, 0.4)
    ratios = {Kind.RADIUS: [], Kind.RIGHT_ANGLE: [], Kind.SIZE: []}
    for seed in range(40):
        contours = roughened(shape, Roughness(sigma=sigma, step=0.4, blur=0.0, dropped=0.0, seed=seed))
        outline = fit_outline(contours)[0]
        assert Counter(type(s) for s in outline.segments) == {Line: 4, Arc: 4}
        seen = measured(outline, noise, ())
        for k in seen.arcs():
            value, u = seen.size(Kind.RADIUS, (k,), 1.0)
            ratios[Kind.RADIUS].append((value - min(radii, key=lambda r: abs(r - value))) / u)
            off, u = seen.angle(Kind.RIGHT_ANGLE, ((k - 1) % 8, (k + 1) % 8), math.pi / 2, 0.0)
            ratios[Kind.RIGHT_ANGLE].append(off / u)
        first = seen.lines()[0]
        for a in (first, first + 2):
            value, u = seen.size(Kind.SIZE, (a, (a + 4) % 8), 2.0)
            ratios[Kind.SIZE].append((value - min((160, 90), key=lambda r: abs(r - value))) / u)
    for kind, values in ratios.items():
        covered = float((np.abs(values) <= 1).mean())
        assert COVERED[0] <= covered <= COVERED[1], (kind, covered)


def test_shared_causes_widen_sizes_but_not_parallels():
    plate = Outline.of(loop_of(rectangle(200, 120), [0] * 4))
    bare, usual = measured(plate, NOISE, ()), measured(plate, NOISE, USUAL)
    u = usual.size(Kind.SIZE, (1, 3), 2.0)[1]
    assert u == pytest.approx(2 * math.hypot(3e-4 * 200, 0.02 * math.sqrt(2)), rel=0.02)  # points add little
    stretched = measured(plate, NOISE, USUAL[:1])
    assert stretched.angle(Kind.PARALLEL, (0, 2), 0.0, 0.0) == bare.angle(Kind.PARALLEL, (0, 2), 0.0, 0.0)


# -- round sizes


@pytest.mark.parametrize(
    ("size", "uncertainty", "readings"),
    [
        (6.36, 0.02, ["1/4 in (6.35 mm)"]),
        (38.09, 0.03, ["1-1/2 in (38.1 mm)"]),
        (12.51, 0.03, ["12.5 mm"]),
        (7.96, 0.06, ["5/16 in (7.9375 mm)", "8 mm"]),
        (25.41, 0.1, ["1 in (25.4 mm)"]),
        (127.0, 0.05, ["127 mm"]),  # 5 in, named once
        (12.3, 0.05, []),
        (8.0, 2.0, []),  # anything would fit
        (0.01, 0.02, []),
    ],
)
def test_round_sizes(size, uncertainty, readings):
    assert [s.reading for s in round_sizes(size, uncertainty)] == readings


# -- true shapes


def test_a_gauge_rectangle():
    found = meanings(fitted(polygon(rectangle(200, 120)), seed=3), NOISE, USUAL)
    assert kinds(found) == {
        Kind.LEVEL: 4,
        Kind.RIGHT_ANGLE: 4,
        Kind.PARALLEL: 2,
        Kind.SIZE: 2,
        Kind.SYMMETRIC: 2,
    }
    assert sorted(m.meant for m in of_kind(found, Kind.SIZE)) == [120.0, 200.0]
    corner = of_kind(found, Kind.RIGHT_ANGLE)[0]
    assert corner.unit == "deg" and corner.meant == 90.0 and corner.uncertainty < 0.1
    assert corner.text.startswith(f"The corner at ({corner.at[0]:.0f}, {corner.at[1]:.0f}) is square: ")


def test_a_ring_is_concentric():
    """Circles whose centres and radii err as much as a fit's do: s sqrt(2 / N) and s / sqrt(N)."""
    rng, agreed = np.random.default_rng(5), 0
    for _ in range(100):
        loops = []
        for radius in (80.0, 40.0):
            error = NOISE.sigma_mm / math.sqrt(FULL * radius / NOISE.spacing_mm)
            centre = rng.normal(0.0, math.sqrt(2) * error, 2)
            loops.append(Loop((Arc(as_point(centre), radius + rng.normal(0.0, error), 0.0, FULL),)))
        found = meanings(Outline.of(loops[0], loops[1:]), NOISE, ())
        agreed += len(of_kind(found, Kind.CONCENTRIC))
        assert {m.meant for m in of_kind(found, Kind.DIAMETER)} <= {160.0, 80.0}
        assert not of_kind(found, Kind.SYMMETRIC)
    assert 90 <= agreed <= 99


def test_a_cloud_lift_rail():
    lifted = [(0, 60), (60, 60), (60, 30), (95, 30), (95, 0)]
    corners = [*lifted, *[(320 - x, y) for x, y in reversed(lifted)]]
    half = [0, 8, 12, 6, 9]
    outline = fitted(rounded_polygon([*corners, (320, 110), (0, 110)], [*half, *half[::-1], 0, 0]), seed=2)
    found = meanings(outline, NOISE, USUAL)
    assert sum(isinstance(s, Arc) for s in outline.segments) == 8
    assert sorted(m.meant for m in of_kind(found, Kind.RADIUS)) == [6, 6, 8, 8, 9, 9, 12, 12]
    pairs = of_kind(found, Kind.EQUAL_RADIUS)
    assert len(pairs) == 4
    for pair in pairs:
        one, other = (outline.loops[i].segments[k].radius for i, k in pair.where)
        assert abs(one - other) < 0.15 and round(one) == round(other)
    (axis,) = of_kind(found, Kind.SYMMETRIC)
    assert axis.axis_deg == pytest.approx(90.0, abs=0.05)
    assert {m.meant for m in of_kind(found, Kind.SIZE)} == {320.0, 110.0}


def test_inches_among_inches_and_millimetres_among_millimetres():
    """5/16 in is 7.9375 mm: a radius of 7.96 +- 0.06 mm may be that or 8 mm, and the other sizes decide."""
    for unit, size, meant in ((1.0, 7.96, 8.0), (25.4, 7.98, 7.9375)):
        plate = loop_of(rectangle(6 * unit if unit > 1 else 150, 4 * unit if unit > 1 else 90), [size, 0, 0, 0])
        (radius,) = of_kind(meanings(Outline.of(plate), NOISE, USUAL[1:]), Kind.RADIUS)
        assert radius.meant == pytest.approx(meant) and len(radius.alternatives) == 1
        assert "fits too" in radius.text


def test_a_splat_is_symmetric():
    side = bezier((40, 0), (30, 60), (75, 90), (35, 150)), bezier((35, 150), (20, 190), (55, 220), (50, 260))
    right = np.vstack(side)
    outer = np.vstack(
        [right, along(Line((50, 260), (-50, 260))), right[::-1] * [-1, 1], along(Line((-40, 0), (40, 0)))]
    )
    (axis,) = of_kind(meanings(fitted(outer), NOISE, USUAL), Kind.SYMMETRIC)
    assert axis.axis_deg == pytest.approx(90.0, abs=0.05)
    assert axis.measured <= axis.uncertainty < 0.25
    leaning = outer + np.column_stack([0.01 * outer[:, 1], np.zeros(len(outer))])
    assert not of_kind(meanings(fitted(leaning), NOISE, USUAL), Kind.SYMMETRIC)


def test_a_comb_with_even_slots():
    edge = [(0, 0), (160, 0), (160, 70), (0, 70)]
    slots = [p for x in range(140, 0, -20) for p in ((x + 4, 70), (x + 4, 30), (x - 4, 30), (x - 4, 70))]
    found = meanings(fitted(polygon([*edge[:3], *slots, edge[3]])), NOISE, USUAL)
    assert [m.meant for m in of_kind(found, Kind.SLOT)] == [8.0] * 7
    (row,) = of_kind(found, Kind.SPACING)
    assert "7 slots" in row.text and "steps of 20.0" in row.text
    assert 10 <= len(of_kind(found, Kind.IN_LINE)) <= 7 + 6  # teeth along the top, floors of the slots


def test_holes_in_a_row_and_out_of_step():
    plate = loop_of(rectangle(200, 60), [0] * 4)
    holes = [Loop((Arc((x, 30.0), 4.0, 0.0, -FULL),)) for x in (40.0, 80.0, 120.0, 160.0)]
    (row,) = of_kind(meanings(Outline.of(plate, holes), NOISE, USUAL), Kind.SPACING)
    assert "4 holes" in row.text and "40.00 mm" in row.text
    moved = [*holes[:2], holes[2].moved(0.0, (0.4, 0.0)), holes[3]]
    assert not of_kind(meanings(Outline.of(plate, moved), NOISE, USUAL), Kind.SPACING)


@pytest.mark.parametrize("degrees", [30, 45, 60, 120, 135, 150])
def test_common_angles(degrees):
    tip = 120 * np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
    found = meanings(Outline.of(loop_of([(0, 0), (150, 0), tip], [0] * 3)), NOISE, USUAL)
    assert any(m.kind == Kind.ANGLE and m.meant == degrees and math.dist(m.at, (0, 0)) < 1e-6 for m in found)


def test_what_is_off_by_more_than_its_uncertainty_means_nothing():
    leaning = [(0, 0), (200, 0.6), (199, 120), (0.5, 121)]
    found = meanings(Outline.of(loop_of(leaning, [0] * 4)), NOISE, ())
    assert not found


def test_a_small_piece_means_nothing():
    """A fillet of 1.5 mm seen at 6 points: its radius is anybody's guess."""
    outline = Outline.of(loop_of(rectangle(100, 60), [1.5] * 4))
    found = meanings(outline, EdgeNoise(0.05, 0.5), USUAL)
    assert not of_kind(found, Kind.RADIUS) and not of_kind(found, Kind.EQUAL_RADIUS)


def random_outline(rng):
    """Four to eight corners in no order of any kind, some of them rounded."""
    n = int(rng.integers(4, 9))
    angle = np.sort(rng.uniform(0, FULL, n))
    radius = rng.uniform(60, 130, n)
    steps = np.diff(np.append(angle, angle[0] + FULL))
    if steps.min() < 0.35 or steps.max() > 2.6:
        return None
    corners = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    try:
        return Outline.of(loop_of(corners, rng.choice([0, 1], n) * rng.uniform(4, 14, n)))
    except ValueError:
        return None


def test_outlines_without_meaning_are_given_few():
    rng = np.random.default_rng(0)
    outlines = [o for o in (random_outline(rng) for _ in range(300)) if o]
    found = [m for o in outlines for m in meanings(o, NOISE, USUAL)]
    assert len(outlines) > 25
    assert len(found) / len(outlines) < MOST_FALSE
    assert sum(m.kind != Kind.RADIUS for m in found) / len(outlines) < MOST_FALSE / 4


def test_free_curves_and_mixed_outlines_are_borne():
    found = meanings(bracket(), NOISE, USUAL)
    assert {Kind.LEVEL, Kind.PARALLEL, Kind.DIAMETER, Kind.RADIUS} <= set(kinds(found))
    assert all(m.uncertainty > 0 and abs(m.measured - m.meant) <= m.uncertainty for m in found)


def test_a_free_curve_alone_and_a_disc():
    blob = fitted(curve(lambda t: ((70 + 9 * np.cos(6 * np.pi * t + 1)) * np.cos(FULL * t), 50 * np.sin(FULL * t))))
    assert not [m for m in meanings(blob, NOISE, USUAL) if m.kind in (Kind.LEVEL, Kind.SIZE, Kind.RIGHT_ANGLE)]
    disc = Outline.of(Loop((Arc((3.0, 4.0), 75.01, 0.0, FULL),)))
    (diameter,) = meanings(disc, NOISE, USUAL)
    assert (diameter.kind, diameter.meant, diameter.at) == (Kind.DIAMETER, 150.0, (3.0, 4.0))


def test_noise_must_be_some():
    with pytest.raises(ValueError, match="positive"):
        EdgeNoise(0.0, 0.3)
