"""Deviations, stretches, loops, sizes: known ones are found, and only those."""

import math
from pathlib import Path

import numpy as np
import pytest
import shapely

from digitize.compare.compare import Comparison, Fit, How, compare
from digitize.compare.stations import Master
from digitize.compare.verdict import Verdict
from digitize.files import read_pattern
from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Contribution, Stretch
from digitize.model.segment import Line
from tests.compare.synthetic import (
    EdgeNoise,
    bump,
    displaced,
    drawn,
    measured,
    polyline,
    proud,
    stretched,
    thrown,
    tipped,
    together,
)
from tests.helpers import bracket, rounded_plate

FIXTURES = Path(__file__).parents[2] / "fixtures" / "patterns"
EDGE = (Contribution("place of the edge", 0.0, 0.02),)
SIZE_MM, PLACE_MM, ELSEWHERE_MM = 0.08, 3.0, 0.15  # what a shop may ask for: of a deviation, of its place, of the rest


def fixture(name: str):
    return read_pattern(FIXTURES / f"{name}.pattern.json")


def clipped(outline: Outline, cut: shapely.Polygon) -> Outline:
    """An outline of lines with a piece cut away."""
    rest = outline.polygon().difference(cut)
    rings = [np.asarray(r.coords)[:-1] for r in (rest.exterior, *rest.interiors)]
    return Outline.of(polyline(rings[0]), [polyline(r) for r in rings[1:]])


def test_the_routed_copy_shows_its_three_deviations_and_no_other() -> None:
    """Outlines as the vision floor found them in two photos; the copy's deviations are known by construction."""
    found = compare(fixture("bracket_copy"), fixture("bracket"), How(zone=2 * ELSEWHERE_MM))
    known = [(-1.2, (220.0, 140.0)), (0.6, (0.0, 70.0)), (0.3, (17.0, 0.0))]  # size, place on the master
    assert len(found.stretches) == 3
    for stretch, (size, place) in zip(found.stretches, known, strict=True):
        assert stretch.extreme == pytest.approx(size, abs=SIZE_MM)
        assert math.dist(stretch.at, place) < PLACE_MM
    assert found.decision is not None and found.decision.verdict == Verdict.DOES_NOT_CONFORM
    assert found.size.part[1] - found.size.master[1] == pytest.approx(0.3, abs=SIZE_MM)


def test_the_same_part_in_two_photos_conforms() -> None:
    found = compare(fixture("foot_again"), fixture("foot"), How(zone=0.5))
    assert found.deviations.p95 <= 0.12
    assert found.decision is not None and found.decision.verdict == Verdict.CONFORMS
    again = compare(fixture("foot"), fixture("foot_again"), How(zone=0.5))
    assert again.deviations.mean == pytest.approx(-found.deviations.mean, abs=0.01)


@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_known_deviations_are_found_at_their_places(noise: float) -> None:
    chance = np.random.default_rng(5)
    fields = together(bump(7, 50.0, 0.6, 20.0), proud(1, 0.3), EdgeNoise(tipped(), noise, chance))
    tip = shapely.box(148.8, 80, 160, 100)  # 1.2 mm off a tip of 29 degrees
    part = thrown(clipped(displaced(tipped(), fields), tip), chance)
    found = compare(measured(part, EDGE), drawn(tipped()), How(zone=0.4))
    chip, bumped, edge = found.stretches
    assert (chip.corner, bumped.edge, edge.edge) == (6, 7, 1)
    assert chip.extreme == pytest.approx(-1.2, abs=SIZE_MM) and math.dist(chip.at, (150, 90)) < PLACE_MM
    assert bumped.extreme == pytest.approx(0.6, abs=SIZE_MM) and math.dist(bumped.at, (0, 40)) < PLACE_MM
    assert edge.extreme == pytest.approx(0.3, abs=SIZE_MM) and math.dist(edge.at, (20, 0)) < PLACE_MM
    assert edge.length == pytest.approx(40.0, abs=3.0) and edge.side == "material left on"


def test_a_sharp_tip_invents_nothing() -> None:
    """Both flanks 0.05 mm proud carry the tip 0.2 mm outward, and no farther; short of it by 0.05 mm likewise."""
    for by in (0.05, -0.05):
        part = displaced(tipped(), together(proud(5, by), proud(6, by)))
        found = compare(drawn(part, "part"), drawn(tipped()), How())
        low, high = found.deviations.extremes
        assert max(-low, high) == pytest.approx(0.05 / math.sin(math.radians(28.61 / 2)), abs=0.02)
        beyond = np.abs(found.deviations.value) > 0.07
        assert np.linalg.norm(found.deviations.stations.points[beyond] - (150, 90), axis=1).max() < 0.6


def test_a_spur_that_no_normal_meets_is_seen() -> None:
    """A thin spur of 0.3 x 3 mm between two stations."""
    spur = shapely.box(20.1, -3.0, 20.4, 1.0)
    grown = tipped().polygon().union(spur)
    rings = [np.asarray(r.coords)[:-1] for r in (grown.exterior, *grown.interiors)]
    part = Outline.of(polyline(rings[0]), [polyline(rings[1])])
    found = compare(drawn(part, "part"), drawn(tipped()), How(zone=0.5, spacing=1.0))
    assert found.stretches[0].extreme == pytest.approx(3.0, abs=0.05)
    assert math.dist(found.stretches[0].at, (20.25, 0.0)) < 1.0


def test_a_hole_too_small_has_material_left_on() -> None:
    hole = Master.of(bracket()).edges[-1].number
    part = displaced(bracket(), proud(hole, 0.2))
    found = compare(drawn(part, "part"), drawn(bracket()), How(zone=0.3))
    in_hole = found.deviations.stations.loop == 1
    assert found.deviations.value[in_hole] == pytest.approx(0.2, abs=0.005)
    assert [(s.loop, s.side) for s in found.stretches] == [(1, "material left on")]
    assert found.stretches[0].corner is None
    assert found.stretches[0].length == pytest.approx(2 * math.pi * 17.5, abs=0.1)


def test_a_hole_that_is_not_there_does_not_conform() -> None:
    solid = Outline.of(bracket().outer)
    found = compare(drawn(solid, "part"), drawn(bracket()), How(zone=0.5))
    assert found.decision is not None and found.decision.verdict == Verdict.DOES_NOT_CONFORM
    assert found.decision.why == "1 hole missing" and found.missing[0] == pytest.approx((90.0, 50.0), abs=0.5)
    assert found.deviations.rms < 1e-6  # what is there is right
    other = compare(drawn(bracket(), "part"), drawn(solid), How(zone=0.5))
    assert other.decision is not None and other.decision.why == "1 hole too many"


@pytest.mark.parametrize("seed", range(3))
def test_the_zone_is_that_of_iso_1101(seed: int) -> None:
    """A part lies within +-d of its master just if its line lies in the master's line buffered by d (by shapely)."""
    chance = np.random.default_rng(seed)
    fields = together(bump(4, 20.0, float(chance.uniform(-0.5, 0.5)), 15.0), EdgeNoise(tipped(), 0.05, chance))
    found = compare(drawn(displaced(tipped(), fields), "part"), drawn(tipped()), How(spacing=0.25))
    low, high = found.deviations.extremes
    most = max(-low, high)
    line = shapely.MultiLineString([shapely.LinearRing(loop.flattened(1e-3)) for loop in tipped().loops])
    own = shapely.MultiLineString([shapely.LinearRing(loop.flattened(1e-3)) for loop in found.placed.loops])
    assert line.buffer(most * 1.005, quad_segs=64).contains(own)
    assert shapely.hausdorff_distance(line, own, densify=0.002) == pytest.approx(most, rel=0.01)


def test_size_and_squareness_beside_the_masters() -> None:
    square = Outline.of(polyline(np.array([(0, 0), (200, 0), (200, 120), (0, 120)], float)))
    leaning = Outline.of(polyline(np.array([(0, 0), (200, 0), (200.5, 120), (0.5, 120)], float)))
    found = compare(measured(leaning, EDGE), drawn(square), How(datums=(1,)))
    assert found.squareness is not None
    assert math.degrees(abs(found.squareness.part - found.squareness.master)) == pytest.approx(
        math.degrees(math.atan(0.5 / 120)), abs=0.01
    )
    larger = compare(measured(stretched(square, 1.004), EDGE), drawn(square), How())
    assert np.subtract(larger.size.part, larger.size.master) == pytest.approx((0.8, 0.48), abs=1e-6)
    assert larger.size.uncertainty == pytest.approx((0.0566, 0.0566), abs=0.001)  # 2 sqrt(2) x 0.02 mm


def test_turned_over_only_when_asked_and_told_when_it_would_help() -> None:
    over = Outline.of(
        Loop(tuple(Line((-s.start[0], s.start[1]), (-s.end[0], s.end[1])) for s in tipped().outer.segments))
    )
    part = drawn(Outline.of(over.outer), "part")
    master = drawn(Outline.of(tipped().outer))
    as_it_lies = compare(part, master, How())
    assert as_it_lies.deviations.rms > 1.0
    assert any("--mirrored" in c.remedy for c in as_it_lies.caveats)
    assert compare(part, master, How(mirrored=True)).deviations.rms < 1e-6


def test_what_was_never_measured_is_not_judged() -> None:
    part = measured(bracket(), EDGE).model_copy(update={"invented": (Stretch(0, 10.0, 40.0),)})
    found = compare(part, drawn(bracket()), How(zone=0.5))
    assert found.decision is not None and found.decision.verdict == Verdict.NOT_DECIDED
    assert "30.0 mm" in found.decision.why
    assert float(found.deviations.stations.weight[~found.deviations.measured].sum()) == pytest.approx(30.0, abs=0.6)
    assert any("never measured" in c.problem for c in found.caveats)


def rounded(by: float) -> Comparison:
    return compare(drawn(scaled(rounded_plate(), by), "part"), drawn(rounded_plate()), How())


def scaled(outline: Outline, factor: float) -> Outline:
    points = [loop.flattened(0.001) * factor for loop in outline.loops]
    return Outline.of(polyline(points[0]), [polyline(p) for p in points[1:]])


@pytest.mark.parametrize(
    ("factor", "told"),
    [
        (1.08, "differs in size by 8.0 %"),
        (0.9, "differs in size by 10.0 %"),
        (25.4, "master were in inches"),
        (1 / 25.4, "part were in inches"),
        (0.1, "part were in centimetres"),
    ],
)
def test_another_size_is_refused_with_its_likely_reason(factor: float, told: str) -> None:
    with pytest.raises(InputError, match=told):
        rounded(factor)
    assert rounded(1.03).deviations.extremes[1] > 0.5


def test_asking_for_what_cannot_be() -> None:
    part, master = drawn(bracket(), "part"), drawn(bracket())
    with pytest.raises(InputError, match="only edges 1 to"):
        compare(part, master, How(datums=(99,)))
    with pytest.raises(InputError, match="mm from the nearest edge"):
        compare(part, master, How(datums=((500.0, 500.0),)))
    for zone in (0.0, -0.5, math.nan):
        with pytest.raises(InputError, match="must be above 0"):
            How(zone=zone)
    with pytest.raises(InputError, match="limit 200000"):
        compare(part, master, How(spacing=0.001))


def test_a_fit_inside_the_zone_shares_a_deviation_between_two_sides() -> None:
    part = drawn(displaced(tipped(), bump(7, 50.0, 0.6, 20.0)), "part")
    fair, least = (compare(part, drawn(tipped()), How(fit=f)).deviations for f in (Fit.SQUARES, Fit.ZONE))
    assert fair.extremes[1] == pytest.approx(0.6, abs=0.01)
    assert max(-least.extremes[0], least.extremes[1]) < 0.35
