"""Several photos of one bench solved together, on simulated grid points with exact truth."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest

from digitize.model.errors import SheetError
from digitize.model.segment import moved_points
from digitize.model.sheet import coded_sheet, plain_sheet
from digitize.vision.view import View, solve_view
from digitize.vision.views import Seen, solve_views
from tests.vision.test_view import (
    FOCAL,
    LENS,
    NOISE_PX,
    PLACES,
    SIZE,
    TOP_MM,
    coded,
    pose,
    profile,
    project,
    see,
    spans,
)

AGREE_MM = 0.03  # two views of one bench, over a part 6 mm thick
BETTER = 0.8  # median ratio of the errors, two photos to one
HONEST = (0.7, 1.4)  # RMS of 12 lengths over their stated error in 15 runs
CPU_S = 1.0
POSES = (
    (0.12, 640.0, 0.7),
    (0.25, 600.0, 2.6),
    (0.3, 680.0, -1.8),
    (0.2, 620.0, 1.6),
    (0.15, 700.0, 0.0),
    (0.3, 640.0, 3.0),
)
KIND = ("Bench Camera 3", 26.0)


def seen(number: int, sheets: list, noise: float = NOISE_PX, seed: int = 0, **more) -> Seen:
    sightings = see(sheets, where=pose(*POSES[number]), noise=noise, seed=100 * seed + number, **more)
    return Seen(f"{number}.jpg", sightings, SIZE, FOCAL, KIND)


def test_two_views_of_one_bench_agree() -> None:
    views, caveats = solve_views([seen(1, coded(0, 1, 2)), seen(0, coded(0, 1, 2))])
    assert caveats == () and [v.tilt for v in views] == pytest.approx([0.25, 0.12], abs=2e-3)
    bench = np.array([[60.0, 40.0], [-120.0, 10.0], [0.0, -90.0]])
    for z in (0.0, TOP_MM):
        xyz = np.column_stack([bench, np.full(3, z)])
        where = [v.bench_from_image(project(LENS, pose(*POSES[k]), xyz), z) for v, k in zip(views, (1, 0), strict=True)]
        assert np.abs(where[0] - where[1]).max() < AGREE_MM
    assert views[0].camera == views[1].camera
    assert np.abs(views[1].bench_from_image([(np.array(SIZE) - 1) / 2])).max() < 0.5  # the frame of the less tilted one


def test_one_photo_is_solved_as_ever() -> None:
    photo = seen(0, coded(0, 1))
    (together,), _ = solve_views([photo])
    alone, _ = solve_view(photo.sightings, SIZE, FOCAL)
    np.testing.assert_array_equal(together.parameters, alone.parameters)


def test_the_stated_error_is_the_true_one() -> None:
    pulls = []
    for seed in range(15):
        views, _ = solve_views([seen(k, coded(0, 1), seed=seed) for k in (0, 1)])
        for view, k in zip(views, (0, 1), strict=True):
            ends = view.image_from_bench([[-100.0, 0.0], [100.0, 0.0]], TOP_MM)
            pulls.append(spans(view, pose(*POSES[k]), LENS, TOP_MM) / view.length_sigma(ends[:1], ends[1:], TOP_MM) * 2)
    assert HONEST[0] < np.sqrt((np.array(pulls) ** 2).mean()) < HONEST[1]


def errors(views: tuple[View, ...], numbers: list[int], z: float = 17.9) -> float:
    """RMS error (mm) of lengths of 100 mm on top of an 18 mm part, all photos' lengths averaged."""
    return float(
        np.sqrt(
            (
                np.mean([spans(v, pose(*POSES[k]), LENS, z) for v, k in zip(views, numbers, strict=True)], axis=0) ** 2
            ).mean()
        )
    )


def test_two_photos_are_better_than_one() -> None:
    ratios = []
    for seed in range(9):
        numbers, sheets = [seed % 6, (seed + 2) % 6], coded(*range(1 + seed % 3))
        photos = [seen(k, sheets, seed=seed) for k in numbers]
        both = errors(solve_views(photos)[0], numbers)
        one = [errors(solve_views([p])[0], [k]) for p, k in zip(photos, numbers, strict=True)]
        ratios.append(both / math.hypot(*one) * math.sqrt(2))
    assert np.median(ratios) <= BETTER


def test_six_photos_of_four_sheets_are_solved_in_time() -> None:
    photos = [seen(k, coded(0, 1, 2, 3)) for k in range(6)]
    spent = []
    for _ in range(3):
        begun = time.process_time()
        views, _ = solve_views(photos)
        spent.append(time.process_time() - begun)
    assert len(views) == 6 and min(spent) <= CPU_S
    assert np.sqrt(views[0].covariance[6, 6]) < 1e-4 * FOCAL  # six poses tell the focal length


def test_photos_need_not_all_show_the_same_sheets() -> None:
    chain = [seen(0, coded(0, 1)), seen(1, coded(0, 1, 2)), seen(2, coded(0, 1, 2))]
    chain[0] = replace(chain[0], sightings=chain[0].sightings[:1])
    chain[2] = replace(chain[2], sightings=chain[2].sightings[2:])
    views, _ = solve_views(chain)
    assert [len(v.sightings) for v in views] == [1, 3, 1]
    loose = [chain[0], chain[2]]
    with pytest.raises(SheetError, match=r"“2\.jpg” shows none of the sheets that “0\.jpg” shows"):
        solve_views(loose)


def test_a_moved_sheet_is_told_in_mm() -> None:
    still, moved = seen(0, coded(0, 1, 2)), seen(1, coded(0, 1, 2))
    x, y, turn = PLACES[1]
    grid = coded_sheet(1).grid_points()
    there = np.column_stack([moved_points(grid, turn, (x + 1.5, y + 2.0)), np.zeros(len(grid))])
    shifted = project(LENS, pose(*POSES[1]), there) + np.random.default_rng(3).normal(0, NOISE_PX, grid.shape)
    moved.sightings[1] = replace(moved.sightings[1], pixels=shifted)
    with pytest.raises(
        SheetError, match=r"something moved .*sheet 1 .*lie [23]\.\d mm differently .*“0.jpg” and “1.jpg”"
    ):
        solve_views([still, moved])
    solve_views([still, seen(1, coded(0, 1, 2))])


def test_photos_of_different_cameras_keep_their_own_lenses() -> None:
    other = replace(LENS, focal=(FOCAL * 1.02, FOCAL * 1.02), centre=(2001.0, 1520.0))
    sightings = see(coded(0, 1, 2), other, pose(*POSES[1]), NOISE_PX, 5)
    views, caveats = solve_views([seen(0, coded(0, 1, 2)), Seen("b.jpg", sightings, SIZE, FOCAL, ("Other 7", 26.0))])
    assert caveats == ()
    for view, lens in zip(views, (LENS, other), strict=True):
        assert abs(view.camera.focal[0] - lens.focal[0]) < 4 * np.sqrt(view.covariance[6, 6])
    assert max(v.rms_px for v in views) < 2 * NOISE_PX


def test_a_lens_profile_serves_all_photos() -> None:
    views, caveats = solve_views([seen(0, coded(0)), seen(1, coded(0))], profile())
    assert caveats == () and views[0].camera == views[1].camera
    assert views[0].camera.focal[0] == pytest.approx(FOCAL, abs=3.0)


def test_a_sheet_printed_twice_does_not_mislead() -> None:
    """Sheet 3 lies twice on the bench; which of the two is which is left open, sheet 0 ties the photos."""
    photos = [seen(k, coded(0, 3, 3)) for k in (0, 1)]
    photos[1] = replace(photos[1], sightings=[photos[1].sightings[k] for k in (0, 2, 1)])
    views, _ = solve_views(photos)
    assert max(v.rms_px for v in views) < 2 * NOISE_PX
    with pytest.raises(SheetError, match="shows none of the sheets"):
        solve_views([seen(k, coded(3, 3)) for k in (0, 1)])


def test_a_board_that_looks_alike_from_both_ends_is_refused() -> None:
    with pytest.raises(SheetError, match="10 x 8 squares looks the same turned by half a turn"):
        solve_views([seen(k, [plain_sheet(10, 8, 25.0)]) for k in (0, 1)])
    views, _ = solve_views([seen(k, [plain_sheet(10, 7, 25.0)]) for k in (0, 1)])
    assert len(views) == 2


def test_a_photo_without_a_sheet_is_named() -> None:
    with pytest.raises(SheetError, match=r"in “1\.jpg” no sheet was found"):
        solve_views([seen(0, coded(0)), replace(seen(1, coded(0)), sightings=[])])
