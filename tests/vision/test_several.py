"""The part in two photos of one bench: measured in both, combined, and what is told where they disagree."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from digitize.model.outline import Contour
from digitize.model.sheet import plain_sheet
from digitize.vision.checkerboard import find_sheets
from digitize.vision.combine import along, apart, combined, nodes_along
from digitize.vision.photo import Photo
from digitize.vision.several import trace_photos
from digitize.vision.trace import Setup, Traced, trace_photo
from tests.helpers import rectangle_contour
from tests.scenes import Part, Scene, circle, laid, rectangle, render, true_view
from tests.vision.test_trace import FOCAL_35MM, SHEETS

SIZE = (1400, 1050)
FOCAL_PX = FOCAL_35MM / np.hypot(36.0, 24.0) * np.hypot(*SIZE)
THICK = 18.0
PART = Part(rectangle(150, 100, (0, 5), 40.0, holes=(circle(45.0),)), THICK)
SETUP = Setup(THICK)
BETTER = 0.8  # RMS error, two photos to one


def scene(tilt: float, azimuth: float, part: Part = PART, **more) -> Scene:
    given = {"sheets": SHEETS, "size": SIZE, "focal": FOCAL_PX, "bench": "dark", "height": 500.0} | more
    return Scene(parts=(part,), tilt=tilt, azimuth=azimuth, **given)


def photo(seen: Scene, name: str) -> Photo:
    return Photo(render(seen, len(name)).pixels, name, FOCAL_35MM, "Bench Camera 3")


SCENES = (scene(12.0, -90.0), scene(18.0, 60.0))


@pytest.fixture(scope="module")
def photos() -> list[Photo]:
    return [photo(s, name) for s, name in zip(SCENES, ("a.jpg", "bb.jpg"), strict=True)]


def trace(photos: list[Photo], setup: Setup = SETUP) -> Traced:
    return trace_photos(photos, setup, lambda step, share: None)


def error(traced: Traced, seen: Scene, part: Part = PART) -> float:
    """RMS distance (mm) of the middle 98 % of points to the true outline, both laid through their own view."""
    points = np.concatenate([c.points for c in traced.parts[0]])
    top = THICK - 0.1
    there = true_view(seen).bench_from_image(traced.view.image_from_bench(points, top), top)
    off = shapely.distance(shapely.points(there), shapely.union_all([shapely.LinearRing(loop) for loop in part.loops]))
    return float(np.sqrt((np.sort(off)[: int(0.98 * len(off))] ** 2).mean()))


@pytest.fixture(scope="module")
def alone(photos: list[Photo]) -> list[float]:
    """The error of each photo by itself."""
    traced = [trace_photo(p, SETUP, lambda step, share: None) for p in photos]
    return [error(t, s) for t, s in zip(traced, SCENES, strict=True)]


def test_two_photos_are_better_than_one(photos: list[Photo], alone: list[float]) -> None:
    both = trace(photos)
    assert (both.photos, both.reference, both.caveats) == (2, 0, ())
    assert [c.area > 0 for c in both.parts[0]] == [True, False]
    assert error(both, SCENES[0]) <= BETTER * math.hypot(*alone) / math.sqrt(2)


def test_a_part_that_was_moved_is_told_in_mm(photos: list[Photo]) -> None:
    moved = Part(tuple(loop + np.array([0.9, 0.6]) for loop in PART.loops), THICK)
    traced = trace([photos[0], photo(scene(18.0, 60.0, moved), "moved.jpg")])
    assert traced.photos == 1
    (told,) = (c for c in traced.caveats if "moved" in c.problem)
    assert "“moved.jpg” the part lies 1.0" in told.problem or "“moved.jpg” the part lies 1.1" in told.problem
    assert error(traced, SCENES[0]) < 0.1


def test_a_wrong_thickness_shows_between_two_photos(photos: list[Photo]) -> None:
    """12 mm told for 18 mm: from two sides the upper face lies 6 mm (tan 12 + tan 18) apart."""
    traced = trace(photos, Setup(12.0))
    assert traced.photos == 1 and any("thickness is not what was told" in c.problem for c in traced.caveats)


def test_a_photo_that_shows_the_part_partly_serves_for_the_sheets(photos: list[Photo]) -> None:
    cut = scene(18.0, 60.0, target=(0.0, 200.0), height=430.0)
    traced = trace([photos[0], photo(cut, "cut.jpg")])
    assert traced.photos == 1 and any("not all in view in “cut.jpg”" in c.problem for c in traced.caveats)
    steep = replace(photos[0], name="steep.jpg")
    nearer = replace(cut, tilt=2.0)  # the one most nearly from above, but the part is not whole in it
    assert trace([photo(nearer, "cut.jpg"), steep]).reference == 1


def test_a_shaken_photo_counts_less(photos: list[Photo], alone: list[float]) -> None:
    shaken = photo(scene(18.0, 60.0, motion=(5.0, 30.0)), "shaken.jpg")
    traced = trace([photos[0], shaken])
    assert traced.photos == 2 and any("“shaken.jpg” counts less" in c.problem for c in traced.caveats)
    assert error(traced, SCENES[0]) < 1.15 * alone[0]


def test_a_plain_board_is_numbered_alike_from_both_sides() -> None:
    board, size = plain_sheet(10, 7, 25.0), (1000, 750)
    grey = render(Scene(sheets=(laid(board, (10, -5), 20.0),), size=size, focal=800.0, height=300.0)).pixels[:, :, 1]
    (here,), (there,) = find_sheets(grey, board), find_sheets(np.ascontiguousarray(grey[::-1, ::-1]), board)
    both = np.intersect1d(here.ids, there.ids)
    turned = np.array(size) - 1 - there.pixels[np.isin(there.ids, both)]
    assert len(both) >= 45 and np.abs(here.pixels[np.isin(here.ids, both)] - turned).max() < 0.1


def contour(offset: float, sigma: float, seed: int = 0) -> Contour:
    """A 200 x 120 mm rectangle, ``offset`` mm too large all round, with that noise."""
    exact = rectangle_contour(-100.0 - offset, -60.0 - offset, 200.0 + 2 * offset, 120.0 + 2 * offset)
    noise = np.random.default_rng(seed).normal(0, sigma, exact.points.shape)
    return replace(exact, points=exact.points + noise, sigma=np.full(len(exact.points), sigma))


def offsets(found: Contour) -> np.ndarray:
    """How far points lie outside the true rectangle, mm, corners left out."""
    x, y = np.abs(found.points).T
    clear = (np.minimum(np.abs(x - 100), np.abs(y - 60)) < 1) & ((x < 92) | (y < 52)) & ((x < 99) ^ (y < 59))
    return np.where(np.abs(x - 100) < np.abs(y - 60), x - 100, y - 60)[clear]


def test_places_are_weighted_by_their_sigmas() -> None:
    near, far = contour(0.0, 0.001), contour(0.10, 0.001, 1)
    n = len(near.points)
    alike = combined([near, far], [np.full(n, 0.02), np.full(n, 0.02)], 0.5)
    sure = combined([near, far], [np.full(n, 0.02), np.full(n, 0.06)], 0.5)
    assert np.median(offsets(alike)) == pytest.approx(0.05, abs=0.002)
    assert np.median(offsets(sure)) == pytest.approx(0.01, abs=0.002)  # weights 9 : 1


def test_noise_averages_out_and_the_sigma_says_so() -> None:
    four = [contour(0.0, 0.02, seed) for seed in range(4)]
    found = combined(four, [np.full(len(c.points), 0.001) for c in four], 1.0)
    assert np.std(offsets(found)) == pytest.approx(0.01, rel=0.35)
    assert np.median(found.sigma) == pytest.approx(0.01, rel=0.1)


def test_of_three_the_one_that_saw_another_edge_is_left_out() -> None:
    n = 400
    three = [contour(0.0, 0.005), contour(0.01, 0.005, 1), contour(0.6, 0.005, 2)]
    found = combined(three, [np.full(n, 0.02)] * 3, 0.5)
    assert np.median(offsets(found)) == pytest.approx(0.005, abs=0.003)


def test_where_one_photo_saw_nothing_the_other_serves() -> None:
    whole, gap = contour(0.0, 0.002), contour(0.0, 0.002, 1)
    keep = np.abs(gap.points[:, 0]) < 60
    holed = replace(gap, points=gap.points[keep], sigma=gap.sigma[keep])
    found = combined([holed, whole], [np.full(keep.sum(), 0.02), np.full(400, 0.02)], 0.5)
    assert np.abs(found.points[:, 0]).max() > 99.5


def test_a_move_is_told_from_noise() -> None:
    one, other = contour(0.0, 0.01), contour(0.0, 0.01, 1)
    moved = replace(other, points=other.points + np.array([0.3, -0.2]))
    off = apart(one, moved, 1.0)
    assert off.shift == pytest.approx((0.3, -0.2), abs=0.01) and abs(off.turn) < 2e-4
    assert 0.29 < off.largest < 0.37 and off.rest < 0.03  # normals at the corners are slanting
    assert apart(one, other, 1.0).largest < 0.02
    nodes, normals = nodes_along(one, 1.0)
    assert np.isnan(along(replace(other, points=other.points + 50.0), nodes, normals).offset).mean() > 0.95
