"""The joint solve: exact cases, Monte Carlo over noise, sheets and lenses that contradict each other."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.model.camera import Camera, LensProfile, focal_from_35mm
from digitize.model.errors import SheetError
from digitize.model.segment import moved_points
from digitize.model.sheet import Sheet, coded_sheet, plain_sheet
from digitize.vision.checkerboard import Sighting
from digitize.vision.lensprior import guessed_lens
from digitize.vision.projection import undistorted
from digitize.vision.view import View, solve_view

SIZE = (4032, 3024)
FOCAL = focal_from_35mm(26.0, SIZE)
LENS = Camera(SIZE, (FOCAL, FOCAL), (2026.0, 1503.0), (0.02, -0.035, 0.0002, -0.0003, 0.012))
NOISE_PX = 0.03
PLACES = ((-245.0, 130.0, -0.1), (150.0, 100.0, 1.6), (40.0, -160.0, 0.8), (-60.0, 280.0, 2.9))  # x, y, turn
TOP_MM = 5.9  # the upper face of a 6 mm part

ROUND_TRIP_PX = 1e-7
EXACT_MM = 2e-3  # without noise, over 200 mm: what the priors of an unknown lens leave
COVERAGE = 0.25  # the reported covariance matches the scatter within 25 %
RUNS = 300  # standard deviations are then known to 4 %


def pose(tilt: float = 0.2, height: float = 640.0, azimuth: float = 0.7) -> tuple[np.ndarray, np.ndarray]:
    """Rotation and translation of camera_from_bench for a camera that looks at the bench's origin."""
    centre = height * np.array([math.tan(tilt) * math.cos(azimuth), math.tan(tilt) * math.sin(azimuth), 1.0])
    forward = -centre / np.linalg.norm(centre)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    return rotation, -rotation @ centre


def project(camera: Camera, where: tuple[np.ndarray, np.ndarray], xyz: np.ndarray) -> np.ndarray:
    """An independent projection: the equations of the camera model, written out."""
    p = xyz @ where[0].T + where[1]
    x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
    k1, k2, p1, p2, k3 = camera.distortion
    r2 = x * x + y * y
    radial = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3
    u = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    v = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return np.stack([camera.focal[0] * u + camera.centre[0], camera.focal[1] * v + camera.centre[1]], axis=1)


def see(
    sheets: list[Sheet],
    camera: Camera = LENS,
    where: tuple[np.ndarray, np.ndarray] | None = None,
    noise: float = 0.0,
    seed: int = 0,
    printed: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0),
    bump: float = 0.0,
) -> list[Sighting]:
    """Sightings of sheets at PLACES; ``bump`` (mm) lifts the middle of the first one."""
    rng, where, found = np.random.default_rng(seed), where or pose(), []
    for k, (sheet, (x, y, turn), size) in enumerate(zip(sheets, PLACES, printed, strict=False)):
        grid = sheet.grid_points()
        across = grid[:, 0] / sheet.size[0]
        z = 4 * bump * across * (1 - across) if k == 0 else np.zeros(len(grid))
        px = project(camera, where, np.column_stack([moved_points(grid * size, turn, (x, y)), z]))
        px += rng.normal(0, noise, px.shape) if noise else 0.0
        n = len(grid)
        found.append(
            Sighting(sheet, np.arange(n), px, np.full(n, max(noise, 0.01)), n, np.full((n, 2), 0.8), np.full(n, 0.7))
        )
    return found


def coded(*numbers: int) -> list[Sheet]:
    return [coded_sheet(n) for n in numbers]


def profile(camera: Camera = LENS, size: tuple[int, int] = SIZE) -> LensProfile:
    """A good calibration of the lens, told for photos of ``size``."""
    zoom = size[0] / camera.size[0]
    mean = [camera.focal[0] * zoom, camera.focal[1] * zoom, *((c + 0.5) * zoom - 0.5 for c in camera.centre)]
    sigma = np.array([1.0 * zoom, 1.0 * zoom, 1.0 * zoom, 1.0 * zoom, 1e-3, 3e-3, 3e-5, 3e-5, 3e-3])
    covariance = tuple(tuple(row) for row in np.diag(sigma**2))
    return LensProfile(size=size, parameters=(*mean, *camera.distortion), covariance=covariance, rms_px=0.05)


def spans(view: View, where: tuple[np.ndarray, np.ndarray], camera: Camera, z: float) -> np.ndarray:
    """Errors (n,) mm of the lengths from the middle of the bench to points round it, 100 mm away, at height z."""
    a = np.linspace(0, 2 * math.pi, 12, endpoint=False)
    ring = np.vstack([[0.0, 0.0], 100 * np.stack([np.cos(a), np.sin(a)], axis=1)])
    px = project(camera, where, np.column_stack([ring, np.full(len(ring), z)]))
    bench = view.bench_from_image(px, z)
    return np.linalg.norm(bench[1:] - bench[0], axis=1) - 100.0


def test_without_noise_the_view_is_exact() -> None:
    where = pose()
    view, caveats = solve_view(see(coded(0, 1, 2), where=where), SIZE, FOCAL * 1.01)
    assert caveats == ()
    assert view.rms_px < 1e-3
    assert np.abs(spans(view, where, LENS, 0.0)).max() < EXACT_MM
    assert np.abs(spans(view, where, LENS, TOP_MM)).max() < EXACT_MM
    assert view.tilt == pytest.approx(0.2, abs=1e-3)
    assert view.height == pytest.approx(640.0, abs=1.0)


def test_the_bench_frame_lies_as_the_photo_does() -> None:
    view, _ = solve_view(see(coded(0, 1)), SIZE, FOCAL)
    middle = (np.array(SIZE) - 1) / 2
    right, up = middle + np.array([100.0, 0.0]), middle - np.array([0.0, 100.0])
    origin, east, north = view.bench_from_image([middle, right, up])
    assert np.abs(origin).max() < 0.5
    assert east[0] > 10 and abs(east[1]) < 0.1
    assert north[1] > 10
    assert np.linalg.det(view.rotation) == pytest.approx(1.0)
    assert view.centre[2] == view.height > 0


def test_sheets_lie_where_their_grid_is_seen() -> None:
    sightings = see(coded(3, 8))
    view, _ = solve_view(sightings, SIZE, FOCAL)
    for k, sighting in enumerate(view.sightings):
        seen = view.image_from_bench(view.bench_from_sheet(k, sighting.points))
        assert np.abs(seen - sighting.pixels).max() < 1e-2
        squares, paper = view.sheet_outline(k)
        assert cv2.contourArea(squares.astype(np.float32)) == pytest.approx(180 * 240, rel=1e-4)
        assert cv2.contourArea(paper.astype(np.float32)) == pytest.approx(210 * 297, rel=1e-4)


@settings(max_examples=40, deadline=None)
@given(
    k1=st.floats(-0.12, 0.12),
    tilt=st.floats(0.0, 0.7),
    azimuth=st.floats(-3.1, 3.1),
    z=st.floats(-1.0, 60.0),
    x=st.floats(0, SIZE[0] - 1),
    y=st.floats(0, SIZE[1] - 1),
)
def test_bench_and_image_invert_each_other(
    k1: float, tilt: float, azimuth: float, z: float, x: float, y: float
) -> None:
    view, _ = solve_view(see(coded(0)), SIZE, FOCAL)
    rotation, translation = pose(tilt, 600.0, azimuth)
    camera = replace(LENS, distortion=(k1, 0.01, 0.0005, -0.0003, 0.0))
    lens = [*camera.focal, *camera.centre, *camera.distortion]
    parameters = np.array([*cv2.Rodrigues(rotation)[0].ravel(), *translation, *lens])
    turned = replace(view, camera=camera, rotation=rotation, translation=translation, parameters=parameters)
    px = np.array([[x, y]])
    bench = turned.bench_from_image(px, z)
    assert np.abs(turned.image_from_bench(bench, z) - px).max() < ROUND_TRIP_PX
    independent = project(camera, (rotation, translation), np.column_stack([bench, [z]]))
    assert np.abs(independent - px).max() < ROUND_TRIP_PX


def test_undistortion_converges_over_the_whole_photo() -> None:
    camera = Camera(SIZE, (2310.0, 2310.0), (2021.7, 1506.1), (-0.12, 0.028, 0.0005, -0.0004, -0.002))
    px = np.random.default_rng(1).uniform((0, 0), SIZE, (100_000, 2))
    back = project(camera, (np.eye(3), np.zeros(3)), undistorted(camera, px))
    assert np.abs(back - px).max() < ROUND_TRIP_PX


def test_sensitivity_is_the_derivative() -> None:
    view, _ = solve_view(see(coded(0, 1), noise=NOISE_PX), SIZE, FOCAL)
    px, h = np.array([[500.0, 700.0], [3000.0, 2500.0]]), 1e-6
    exact = view.sensitivity(px, TOP_MM)
    for k in range(15):
        step = np.zeros_like(view.parameters)
        step[k] = h * max(1.0, abs(view.parameters[k]))
        ends = []
        for x in (view.parameters + step, view.parameters - step):
            camera = Camera(SIZE, (x[6], x[7]), (x[8], x[9]), tuple(x[10:15]))
            moved = replace(view, camera=camera, rotation=cv2.Rodrigues(x[:3])[0], translation=x[3:6], parameters=x)
            ends.append(moved.bench_from_image(px, TOP_MM))
        numeric = (ends[0] - ends[1]) / (2 * step[k])
        np.testing.assert_allclose(exact[:, :, k], numeric, rtol=1e-4, atol=1e-5 * np.abs(numeric).max())


@pytest.mark.parametrize(("sheets", "tilt"), [(coded(0, 1), 0.2), (coded(5), 0.3)], ids=["two sheets", "one sheet"])
def test_the_reported_covariance_is_the_scatter(sheets: list[Sheet], tilt: float) -> None:
    """Monte Carlo: each run draws a lens from the prior and noise for each grid point; errors over their own sigma."""
    rng, where, pulls = np.random.default_rng(7), pose(tilt), []
    prior = guessed_lens(SIZE, FOCAL, 0.02)
    for run in range(RUNS):
        lens = rng.multivariate_normal(prior.mean, prior.covariance, method="eigh")
        lens[4:6] *= 0.3  # the widest lenses of the prior do not invert at the photo's corners
        camera = Camera(SIZE, (lens[0], lens[1]), (lens[2], lens[3]), tuple(lens[4:]))
        view, _ = solve_view(see(sheets, camera, where, NOISE_PX, run), SIZE, FOCAL, 0.02)
        sigma = np.sqrt(np.diag(view.covariance))
        px = project(camera, where, np.array([[-120.0, 0, 0], [80, 0, 0], [-120, 0, TOP_MM], [80, 0, TOP_MM]]))
        flat, top = (
            (np.linalg.norm(np.diff(view.bench_from_image(p, z), axis=0)) - 200.0)
            / view.length_sigma(p[:1], p[1:], z)[0]
            for p, z in ((px[:2], 0.0), (px[2:], TOP_MM))
        )
        lens_pull = (view.parameters[6:10] - lens[:4]) / sigma[6:10]
        pulls.append([*lens_pull, flat, top, (view.height - 640.0) / np.sqrt(height_variance(view))])
    spread = np.sqrt((np.array(pulls) ** 2).mean(axis=0))
    assert np.abs(spread - 1).max() < COVERAGE, spread


def height_variance(view: View) -> float:
    """Variance of the camera's height, by differences."""
    slope = np.zeros(len(view.parameters))
    for k in range(6):
        x = view.parameters.copy()
        x[k] += 1e-6
        centre = -cv2.Rodrigues(x[:3])[0].T @ x[3:6]
        slope[k] = (centre[2] - view.height) / 1e-6
    return float(slope @ view.covariance @ slope)


def test_a_lens_profile_removes_the_weak_mode() -> None:
    """Focal length against height: unknown from one upright photo, and worth 300 ppm on a 6 mm part."""
    sightings = see(coded(0), where=pose(0.08), noise=NOISE_PX)
    guessed, _ = solve_view(sightings, SIZE, FOCAL)
    known, caveats = solve_view(sightings, SIZE, FOCAL * 1.2, lens=profile())
    assert caveats == ()
    ends = guessed.image_from_bench([[-100.0, 0.0], [100.0, 0.0]], 18.0)
    assert known.length_sigma(ends[:1], ends[1:], 18.0)[0] < 0.5 * guessed.length_sigma(ends[:1], ends[1:], 18.0)[0]
    assert known.camera.focal[0] == pytest.approx(FOCAL, abs=3.0)


@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_a_lens_profile_holds_for_smaller_and_turned_photos(quarter_turns: int) -> None:
    """The photo is half the size and turned; its grid points are turned by hand, the profile must follow."""
    camera = replace(LENS, centre=(2110.0, 1410.0), distortion=(0.1, -0.05, 0.004, -0.003, 0.0))
    sightings, size = see(coded(0, 1), camera), SIZE
    for _ in range(quarter_turns):  # clockwise: (x, y) -> (height - 1 - y, x)
        sightings = [
            replace(s, pixels=np.stack([size[1] - 1 - s.pixels[:, 1], s.pixels[:, 0]], axis=1)) for s in sightings
        ]
        size = size[::-1]
    small = [replace(s, pixels=(s.pixels + 0.5) / 2 - 0.5) for s in sightings]
    half = (size[0] // 2, size[1] // 2)
    view, caveats = solve_view(small, half, FOCAL / 2, lens=profile(camera))
    assert caveats == ()
    assert view.rms_px < 1e-3
    assert view.camera.focal[0] == pytest.approx(FOCAL / 2, rel=1e-4)


def test_a_lens_profile_of_another_lens_is_told() -> None:
    other = replace(LENS, focal=(FOCAL * 1.04, FOCAL * 1.04))
    _, caveats = solve_view(see(coded(0, 1)), SIZE, FOCAL, lens=profile(other))
    assert any("lens profile does not suit" in c.problem for c in caveats)
    with pytest.raises(SheetError, match="proportions"):
        solve_view(see(coded(0)), (4032, 2268), FOCAL, lens=profile())


def test_the_odd_print_among_several_is_named_and_left_out() -> None:
    where = pose()
    sightings = see(coded(4, 5, 6), where=where, noise=NOISE_PX, printed=(0.97, 1.0, 1.0))
    view, caveats = solve_view(sightings, SIZE, FOCAL)
    assert len(caveats) == 1
    assert re.match(r"sheet 4 is 3\.0\d% smaller than the other sheets \(limit 0.15%\)", caveats[0].problem)
    assert np.abs(spans(view, where, LENS, 0.0)).max() < 0.02
    assert view.scale_sigma == 0.0
    assert view.places[[s.sheet.number for s in view.sightings].index(4)].log_scale == pytest.approx(
        math.log(0.97), abs=4e-4
    )


def test_of_two_prints_nobody_can_know_and_the_uncertainty_says_so() -> None:
    where = pose()
    view, caveats = solve_view(see(coded(4, 5), where=where, noise=NOISE_PX, printed=(0.97, 1.0)), SIZE, FOCAL)
    assert len(caveats) == 1
    assert re.match(r"sheet 4 is 3\.0\d% smaller than sheet 5 ", caveats[0].problem)
    assert np.abs(spans(view, where, LENS, 0.0)).max() < 0.02  # the larger print is kept: printers shrink
    ends = view.image_from_bench([[-100.0, 0.0], [100.0, 0.0]])
    assert view.length_sigma(ends[:1], ends[1:])[0] == pytest.approx(200 * 0.03, rel=0.1)


def test_a_told_print_scale_is_believed() -> None:
    where = pose()
    sheets = [coded_sheet(n, (0.97, 0.97)) for n in (0, 1)]
    view, caveats = solve_view(see(sheets, where=where), SIZE, FOCAL)
    assert caveats == ()
    assert np.abs(spans(view, where, LENS, 0.0)).max() < EXACT_MM


def test_a_curled_sheet_is_told_and_allowed_for() -> None:
    where, ends = pose(), np.array([[-100.0, 0.0], [100.0, 0.0]])
    flat, quiet = solve_view(see(coded(2, 3), where=where, noise=NOISE_PX), SIZE, FOCAL)
    curled, told = solve_view(see(coded(2, 3), where=where, noise=NOISE_PX, bump=1.5), SIZE, FOCAL)
    assert quiet == ()
    assert [re.sub(r"1\.[456] mm", "1.5 mm", c.problem) for c in told] == ["sheet 2 is arched by 1.5 mm (limit 0.2 mm)"]
    assert abs(curled.places[[s.sheet.number for s in curled.sightings].index(2)].arched_x - 1.5) < 0.1
    sigma = curled.length_sigma(*(curled.image_from_bench(ends)[:, None]))[0]
    assert np.abs(spans(curled, where, LENS, 0.0)).max() < 3 * sigma < 0.3
    assert sigma > flat.length_sigma(*(flat.image_from_bench(ends)[:, None]))[0]


def test_what_cannot_be_one_flat_bench_is_refused() -> None:
    with pytest.raises(SheetError, match=r"sheet 2 (miss one flat bench|is arched by [78])"):
        solve_view(see(coded(2, 3), bump=8.0), SIZE, FOCAL)
    squashed = plain_sheet(10, 7, 25.0)
    wrong = [replace(s, sheet=replace(squashed, scale=(1.0, 0.8))) for s in see([squashed])]
    with pytest.raises(SheetError, match="flat bench"):
        solve_view(wrong, SIZE, FOCAL)
    with pytest.raises(SheetError, match="no sheet"):
        solve_view([], SIZE, FOCAL)
