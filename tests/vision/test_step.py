"""Blurred steps with exact truth."""

import numpy as np
import pytest
from scipy.special import ndtr

from digitize.vision.step import fit_steps

V = np.linspace(-8.0, 8.0, 17)
SIGMA_TOL = 0.2  # the reported standard error against the scatter
BOUND = 1.3  # times the Cramer-Rao bound


def steps(position: np.ndarray, blur: np.ndarray, low: float = 0.1, contrast: float = 0.6) -> np.ndarray:
    return low + contrast * ndtr((V - position[:, None]) / blur[:, None])


@pytest.mark.parametrize("contrast", [0.6, -0.6])
def test_a_clean_step_is_found_exactly(contrast: float) -> None:
    rng = np.random.default_rng(3)
    position, blur = rng.uniform(-3, 3, 200), rng.uniform(0.6, 2.5, 200)
    fitted = fit_steps(steps(position, blur, contrast=contrast), V)
    assert np.abs(fitted.position - position).max() < 1e-4
    assert np.abs(fitted.blur - blur).max() < 1e-3
    assert np.abs(fitted.contrast - contrast).max() < 1e-3


@pytest.mark.parametrize("blur", [0.8, 1.5])
def test_noise_costs_what_the_bound_says_and_sigma_tells_it(blur: float) -> None:
    """Cramer-Rao: sigma >= 1.883 (noise / contrast) sqrt(blur), in sample spacings (the Fisher information of Phi)."""
    rng, noise, runs = np.random.default_rng(4), 0.012, 3000
    position = rng.uniform(-1, 1, runs)
    fitted = fit_steps(steps(position, np.full(runs, blur)) + rng.normal(0, noise, (runs, len(V))), V)
    scatter = float(np.sqrt(((fitted.position - position) ** 2).mean()))
    assert scatter < BOUND * 1.883 * noise / 0.6 * np.sqrt(blur)
    assert np.sqrt((fitted.sigma**2).mean()) == pytest.approx(scatter, rel=SIGMA_TOL)


def test_a_profile_without_a_step_does_not_pass_for_one() -> None:
    flat = 0.3 + np.random.default_rng(5).normal(0, 0.01, (100, len(V)))
    fitted = fit_steps(flat, V)
    assert np.isfinite(fitted.position).all()
    assert np.median(np.abs(fitted.contrast)) < 0.05
