"""The edge locator against the Cramer-Rao bound, and its own standard error against its scatter."""

import numpy as np
import pytest
import shapely
from scipy.special import ndtr

from digitize.vision.edge import ending_at_corners, fit_profiles, rays
from digitize.vision.polyline import outward, resampled
from digitize.vision.thickness import Heights
from tests.scenes import Scene

# var(x) >= 2 sqrt(pi) blur noise^2 / contrast^2 for a Gaussian-blurred step sampled at unit spacing in white noise:
# Fisher information of the step's place alone (derived in design, section 7).
RUNS = 3000
WITHIN = 1.3  # of the bound
SIGMA_TRUE = 0.20  # relative
BIAS_PX = 0.01
SHADOW_BIAS_PX = 0.06  # a shadow that fades faster or slower than the model's
THIN_BIAS_PX = 0.03  # what is left of the blur of an edge so near
EVEN = (0.001, 0.001)  # no shading on either side, as the bound supposes
UPRIGHT_PX = 0.6  # a corner is known to half the distance of its nodes
V = np.arange(-8.0, 15.0)


def bound(contrast: float, blur: float, noise: float) -> float:
    return np.sqrt(2.0 * np.sqrt(np.pi) * blur) * noise / abs(contrast)


@pytest.mark.parametrize(
    ("low", "contrast", "blur", "noise"),
    [(0.15, 0.5, 0.8, 0.01), (0.6, -0.45, 0.8, 0.01), (0.5, -0.3, 1.5, 0.006), (0.1, 0.15, 1.0, 0.004)],
)
def test_scatter_and_sigma_of_a_plain_step(low, contrast, blur, noise):
    rng = np.random.default_rng(5)
    place = rng.uniform(-0.5, 0.5, RUNS)
    y = low + contrast * ndtr((V - place[:, None]) / blur) + rng.normal(0, noise, (RUNS, len(V)))
    steps = fit_profiles(y, V, np.zeros(RUNS), np.full(RUNS, blur), shade=EVEN)
    error = steps.place - place
    assert np.std(error) < WITHIN * bound(contrast, blur, noise)
    assert np.median(steps.sigma) == pytest.approx(np.std(error), rel=SIGMA_TRUE)
    assert abs(np.mean(error)) < BIAS_PX


def test_room_for_shading_costs_less_than_twice_the_bound_and_is_owned_up_to():
    rng = np.random.default_rng(8)
    place = rng.uniform(-0.5, 0.5, RUNS)
    y = 0.3 + 0.4 * ndtr((V - place[:, None]) / 0.8) + rng.normal(0, 0.008, (RUNS, len(V)))
    steps = fit_profiles(y, V, np.zeros(RUNS), np.full(RUNS, 0.8))
    error = steps.place - place
    assert np.std(error) < 2.0 * bound(0.4, 0.8, 0.008)
    assert np.median(steps.sigma) == pytest.approx(np.std(error), rel=SIGMA_TRUE)


@pytest.mark.parametrize("wall", [3.0, 6.0, 20.0])
def test_a_wall_beside_the_edge_does_not_move_it(wall):
    rng = np.random.default_rng(6)
    place = rng.uniform(-0.5, 0.5, RUNS)
    t = V - place[:, None]
    y = 0.5 - 0.3 * ndtr(t / 0.8) + 0.6 * ndtr((t - wall) / 0.8) + rng.normal(0, 0.005, (RUNS, len(V)))
    steps = fit_profiles(y, V, np.full(RUNS, wall), np.full(RUNS, 0.8))
    assert abs(np.mean(steps.place - place)) < 2 * BIAS_PX


def shadowed(place, step: float, depth: float, fade: float) -> np.ndarray:
    """Profiles of a step with a contact shadow beyond it that fades over ``fade`` px, blurred by 0.8 px."""
    fine = np.arange(-14.0, 21.0, 0.02)
    kernel = np.exp(-0.5 * (np.arange(-4.0, 4.01, 0.02) / 0.8) ** 2)
    sharp = np.where(fine > 0, step + depth * (1.0 - np.exp(-np.maximum(fine, 0.0) / fade)), 0.0)
    seen = np.convolve(sharp, kernel / kernel.sum(), "same")
    return 0.1 + np.stack([np.interp(V - at, fine, seen) for at in place])


def fitted_in_shadow(seed: int, step: float, depth: float, fade: float, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the places, and their standard errors, of RUNS such profiles with noise."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(-0.5, 0.5, RUNS)
    y = shadowed(place, step, depth, fade) + rng.normal(0, noise, (RUNS, len(V)))
    steps = fit_profiles(y, V, np.zeros(RUNS), np.full(RUNS, 0.8))
    return steps.place - place, steps.sigma


@pytest.mark.parametrize("fade", [3.0, 4.0, 6.0])
def test_a_contact_shadow_does_not_move_the_edge(fade):
    error, _ = fitted_in_shadow(11, 0.25, 0.25, fade, 0.005)
    assert abs(np.mean(error)) < SHADOW_BIAS_PX


@pytest.mark.parametrize("fade", [1.5, 3.0, 8.0])
def test_a_faint_step_in_a_deep_shadow_is_owned_up_to(fade):
    error, sigma = fitted_in_shadow(12, 0.1, 0.35, fade, 0.003)
    assert np.sqrt(np.mean(error**2)) < 2.0 * np.median(sigma)


def test_blur_is_learned():
    rng = np.random.default_rng(7)
    y = 0.1 + 0.5 * ndtr(V / 1.4)[None] + rng.normal(0, 0.003, (200, len(V)))
    steps = fit_profiles(y, V, np.zeros(200), np.full(200, 0.9), blur_spread=0.5)
    assert np.median(steps.blur) == pytest.approx(1.4, abs=0.05)


@pytest.mark.parametrize("width", [3.0, 3.5, 4.0])
def test_an_edge_opposite_does_not_move_a_thin_part_s_edge(width):
    # Light on either side of a thin part, dark ground, the second edge at -width; blur 0.8 px.
    rng = np.random.default_rng(9)
    place = rng.uniform(-0.4, 0.4, RUNS)
    t = V - place[:, None]
    y = 0.1 + 0.5 * (ndtr((t + width) / 0.8) - ndtr(t / 0.8)) + rng.normal(0, 0.005, (RUNS, len(V)))
    none, blur = np.zeros(RUNS), np.full(RUNS, 0.8)
    told = fit_profiles(y, V, none, blur, room=(width + 0.2, np.inf))
    assert abs(np.mean(told.place - place)) < THIN_BIAS_PX
    assert np.median(told.sigma) > np.std(told.place - place)  # fewer samples, larger standard errors
    untold = fit_profiles(y, V, none, blur)
    assert abs(np.mean(untold.place - place)) > 5 * THIN_BIAS_PX


def test_a_wide_part_is_fitted_as_if_nothing_were_told():
    rng = np.random.default_rng(10)
    y = 0.3 + 0.4 * ndtr(V / 0.8)[None] + rng.normal(0, 0.008, (50, len(V)))
    alone = fit_profiles(y, V, np.zeros(50), np.full(50, 0.8))
    wide = fit_profiles(y, V, np.zeros(50), np.full(50, 0.8), room=(12.0, 12.0))
    assert np.array_equal(alone.place, wide.place) and np.array_equal(alone.sigma, wide.sigma)


def test_a_wall_ends_where_the_ray_leaves_what_the_camera_sees_of_it():
    # A leaning plate seen from one side: the silhouette is all that the plate sweeps from its face down to its foot.
    scene, heights = Scene(tilt=25.0), Heights(30.0, 0.0)
    corners = np.array([[-40.0, -30.0], [30.0, -45.0], [55.0, 25.0], [-20.0, 40.0]])
    nodes = resampled(corners, 0.4)
    drawn = rays(scene, nodes, outward(nodes), heights)
    ended = ending_at_corners(drawn)
    upper, foot = (scene.image_from_bench(corners, z) for z in (30.0, 0.0))
    swept = shapely.union_all(
        [shapely.Polygon(upper), shapely.Polygon(foot)]
        + [shapely.Polygon([upper[k], upper[k - 1], foot[k - 1], foot[k]]) for k in range(4)]
    )
    clear = np.linalg.norm(nodes[:, None] - corners, axis=2).min(axis=1) > 1.0  # normals turn at a corner
    reach = shapely.linestrings(np.stack([drawn.base, drawn.base + 200.0 * drawn.across], axis=1))
    leaves = shapely.length(shapely.intersection(reach, swept))
    seen = clear & (drawn.wall > 0)
    hidden = clear & (drawn.wall == 0)
    assert np.count_nonzero(seen) > 100 and np.count_nonzero(hidden) > 100
    assert np.abs(ended.wall[hidden]).max() == 0.0
    shortened = seen & (ended.wall < drawn.wall - 1e-9)
    assert np.count_nonzero(shortened) > 10 and (drawn.wall - leaves)[shortened].max() > 5.0
    assert ended.wall[shortened] == pytest.approx(leaves[shortened], abs=UPRIGHT_PX)
