"""Located contours on exactly drawn edges: the curve's bias, holes, walls."""

import cv2
import numpy as np
import pytest

from digitize.vision.follow import best_path
from digitize.vision.locate import locate
from digitize.vision.photo import LINEAR_LIGHT
from digitize.vision.polyline import resampled, smoothed
from digitize.vision.thickness import Heights
from tests.scenes import Part, Scene, circle, rectangle, render, true_view

CURVE_BIAS_PX = 0.01
TIP_WIDTH_PX = 5.2  # width of a tip at which both flanks are still measured; 2.5 times the blur are the least
TIP_RMS_PX = 0.2
BEYOND_3_SIGMA = 0.15  # share of the points at a tip; figure and shading are no white noise
CORNER_REACH_PX, CORNER_PX = 3.0, 0.5
LINE_PX = 0.8  # of an edge beside a line that is as light as the face; one pixel is 1 mm
EDGE_MM = 0.02  # mean error of a straight edge; one pixel is 0.48 mm


@pytest.mark.parametrize("hole", [False, True], ids=["disc", "hole"])
@pytest.mark.parametrize("radius_px", [5.0, 8.0, 20.0])
def test_the_blur_of_a_curve_is_corrected(radius_px, hole):
    # A blurred edge of radius R moves by blur^2 / 2R toward its centre: 0.1 px at R = 5 px, blur 1 px.
    # Averaged over 24 discs in different places on the pixel grid.
    errors = []
    for k in range(24):
        plain = Scene(size=(64, 64), focal=1000.0, height=1000.0 - 0.001, tilt=0.0)
        y, x = np.mgrid[:64, :64]
        middle = np.array([31.5 + 0.37 * np.cos(k), 31.5 + 0.41 * np.sin(1.7 * k)])
        photo = blurred_disc(x, y, middle, radius_px, 1.0, hole)
        view = true_view(plain)
        angle = np.arange(200) * np.pi / 100 * (-1 if hole else 1)
        centre = view.bench_from_image(middle[None])[0]
        start = centre + (radius_px + 0.3) * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        (contour,) = locate(view, photo, [start], Heights(0.0, None))
        errors.append(np.linalg.norm(contour.points - centre, axis=1).mean() - radius_px)
    assert abs(np.mean(errors)) < CURVE_BIAS_PX


def blurred_disc(x, y, middle, radius, blur, hole) -> np.ndarray:
    """Photo of a disc (or a hole) seen through a Gaussian blur, by fine supersampling."""
    fine = 8
    reach = int(4 * blur) + 1
    offsets = np.arange(-reach * fine, reach * fine + 1) / fine
    kernel = np.exp(-0.5 * (offsets / blur) ** 2)
    kernel /= kernel.sum()
    size = x.shape[0]
    grid = (np.arange((size + 2 * reach) * fine) + 0.5) / fine - 0.5 - reach
    inside = (grid[None, :] - middle[0]) ** 2 + (grid[:, None] - middle[1]) ** 2 <= radius**2
    rows = np.apply_along_axis(np.convolve, 1, inside.astype(float), kernel, "valid")
    both = np.apply_along_axis(np.convolve, 0, rows, kernel, "valid")
    value = 0.5 * both[: size * fine, : size * fine].reshape(size, fine, size, fine).mean(axis=(1, 3))
    value += 0.1
    light = 0.7 - value if hole else value
    stored = 1.055 * light ** (1 / 2.4) - 0.055  # IEC 61966-2-1, above its straight part
    return np.repeat(np.round(255 * stored).astype(np.uint8)[:, :, None], 3, axis=2)


@pytest.mark.parametrize("tilt", [0.0, 20.0])
def test_edges_of_a_thick_part_seen_with_its_walls(tilt):
    part = Part(rectangle(160, 100, (20.0, 10.0), 12.0, holes=(circle(40.0),)), 12.0, "birch")
    scene = Scene(parts=(part,), bench="dark", tilt=tilt)
    photo, view = render(scene), true_view(scene)
    for loop, clockwise in zip(part.loops, (False, True), strict=True):
        area = np.sum(loop[:, 0] * np.roll(loop[:, 1], -1) - np.roll(loop[:, 0], -1) * loop[:, 1])
        loop = loop[::-1] if (area < 0) != clockwise else loop
        (contour,) = locate(view, photo.pixels, [loop], Heights.of(12.0))
        signed = signed_distance(contour.points, loop)
        clear = np.abs(signed) < 0.5  # corners are rounded by the blur
        assert clear.mean() > 0.95
        assert abs(np.median(signed)) < EDGE_MM
        assert np.sqrt(np.mean(signed[clear] ** 2)) < 5 * EDGE_MM


def test_a_line_on_the_bench_as_light_as_the_face_does_not_pass_for_its_edge():
    # The part's upper edge sinks at 3 degrees under a level line, 3 px wide, of the face's luma but greener.
    plain = Scene(size=(240, 160), focal=1000.0, height=1000.0 - 0.001, tilt=0.0)
    view, fine = true_view(plain), 6
    y, x = (np.mgrid[: 160 * fine, : 240 * fine] + 0.5) / fine - 0.5
    edge = 60.0 + np.tan(np.radians(3.0)) * (x - 120.0)  # px, of the photo, as the line's middle is
    light = np.empty((*x.shape, 3))
    light[:] = linear(0, 125, 88)
    light[np.abs(y - 60.0) < 1.5] = linear(190, 205, 128)
    light[(y > edge) & (y < 120.0) & (x > 30.0) & (x < 210.0)] = linear(240, 180, 125)
    light = cv2.GaussianBlur(light, (0, 0), 0.6 * fine).reshape(160, fine, 240, fine, 3).mean(axis=(1, 3))
    noisy = 255 * (1.055 * light ** (1 / 2.4) - 0.055) + np.random.default_rng(4).normal(0, 1.0, light.shape)
    photo = np.clip(np.round(noisy), 0, 255).astype(np.uint8)
    corners = np.array([[30.0, 120.0], [210.0, 120.0], [210.0, 64.717], [30.0, 55.283]])
    true, followed = view.bench_from_image(corners), resampled(corners, 0.5)
    over = (followed[:, 1] < 100.0) & (followed[:, 1] > 60.0) & (followed[:, 0] < 175.0) & (followed[:, 0] > 125.0)
    followed[over, 1] = 58.5  # led astray onto the far side of the line
    (contour,) = locate(view, photo, [view.bench_from_image(followed)], Heights(0.0, None))
    signed = signed_distance(contour.points, true)
    assert np.abs(signed).max() < LINE_PX
    left = view.image_from_bench(contour.points)
    assert np.mean((left[:, 1] < 100.0) & (left[:, 0] < 110.0)) > 0.1  # the edge beside the line is there


def linear(*encoded: int) -> np.ndarray:
    return LINEAR_LIGHT[list(encoded)]


@pytest.mark.parametrize("degrees", [12.0, 17.0, 25.0])
@pytest.mark.parametrize("bench", ["dark", "cloth"])
def test_both_flanks_are_followed_to_where_a_thin_tip_blurs(degrees, bench):
    loop = thin_tip(degrees)
    scene = Scene(parts=(Part((loop,), 6.0, "birch"),), bench=bench, tilt=8.0, focal=2000.0, height=500.0)
    photo, view = render(scene), true_view(scene)
    heights = Heights.of(6.0)
    (contour,) = locate(view, photo.pixels, [loop], heights)
    signed = signed_distance(contour.points, loop)
    to_tip = np.linalg.norm(contour.points - loop[0], axis=1)
    pixel = view.mm_per_px(loop[0], heights.top)
    reach = TIP_WIDTH_PX * pixel / np.tan(np.radians(degrees))
    lower = contour.points[:, 1] < -0.5 * to_tip * np.tan(np.radians(degrees))
    for flank in (lower, ~lower):
        assert to_tip[flank].min() < reach
    near = to_tip < 10.0
    assert np.sqrt(np.mean(signed[near] ** 2)) < TIP_RMS_PX * pixel
    assert np.mean(np.abs(signed[near]) > 3 * contour.sigma[near]) < BEYOND_3_SIGMA


def thin_tip(degrees) -> np.ndarray:
    """A part whose upper side runs level to a tip at (45, 0), counter-clockwise."""
    a = np.radians(degrees)
    run = min(30.0 / np.tan(a), 70.0)
    return np.array([[45.0, 0.0], [-45.0, 0.0], [-45.0, -30.0], [45.0 - run, -run * np.tan(a)]])


def test_corners_are_measured_nearly_to_the_vertex():
    loop = rectangle(80, 50, (5.0, 3.0), 20.0)[0]
    scene = Scene(parts=(Part((loop,), 6.0, "birch"),), bench="dark", tilt=6.0)
    photo, view = render(scene), true_view(scene)
    pixel = view.mm_per_px(loop[0], 6.0)
    cut = smoothed(resampled(loop, pixel), 4)  # as a followed line comes
    (contour,) = locate(view, photo.pixels, [cut], Heights.of(6.0))
    for corner in loop:
        assert np.linalg.norm(contour.points - corner, axis=1).min() < CORNER_REACH_PX * pixel
    signed = signed_distance(contour.points, loop)
    assert np.abs(signed).max() < CORNER_PX * pixel


def signed_distance(points, loop) -> np.ndarray:
    a, b = loop, np.roll(loop, -1, axis=0)
    along = (b - a) / np.linalg.norm(b - a, axis=1, keepdims=True)
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    off = points[:, None] - a
    t = np.clip(np.einsum("nkc,kc->nk", off, along), 0, np.linalg.norm(b - a, axis=1))
    distance = np.linalg.norm(off - t[..., None] * along, axis=2)
    k = distance.argmin(axis=1)
    rows = np.arange(len(points))
    return distance[rows, k] * np.sign(np.einsum("nc,nc->n", off[rows, k], normal[k]))


def test_best_path_is_the_best_of_all_paths_round_a_ring():
    rng = np.random.default_rng(3)
    score, stiffness = rng.normal(size=(40, 7)), 0.6
    found = best_path(score, stiffness)
    total = score[np.arange(40), found].sum() - stiffness * np.abs(found - np.roll(found, 1)).sum()
    best = max(_best_through(score, stiffness, start) for start in range(7))
    assert total == pytest.approx(best, abs=1e-9)


def _best_through(score, stiffness, start):
    """Plain dynamic programming of the ring that begins and ends in one column."""
    jump = stiffness * np.abs(np.arange(7)[:, None] - np.arange(7)[None])
    cost = np.full(7, -np.inf)
    cost[start] = score[0, start]
    for row in score[1:]:
        cost = (cost[:, None] - jump).max(axis=0) + row
    return (cost - jump[:, start]).max()
