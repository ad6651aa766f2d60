"""Where a blurred step lies along a profile: many profiles fitted at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

Floats = npt.NDArray[np.float64]

ROUNDS = 12  # Levenberg-Marquardt steps; clean profiles settle in four
NARROWEST = 0.3  # sample spacings; a narrower step cannot be told from a sharp one


@dataclass(frozen=True)
class Steps:
    """M fitted steps low + contrast * Phi((v - position) / blur); Phi is the normal distribution function.

    position, blur, sigma : (M,) in the unit of v; sigma is the position's standard error, from the fit's residuals
    low, contrast, noise : (M,) in the unit of the values; contrast is signed, noise the residuals' standard deviation
    """

    position: Floats
    blur: Floats
    low: Floats
    contrast: Floats
    sigma: Floats
    noise: Floats


def fit_steps(values: Floats, v: Floats) -> Steps:
    """Fit one blurred step to each row of ``values`` (M, K), sampled at the evenly spaced positions ``v`` (K,).

    The start is the centroid of the gradient, so the step has to lie within the window and to stand out of it.
    """
    x = _start(values, v)
    damping = np.full(len(values), 1e-3)
    residual, jacobian = _model(x, values, v)
    cost = (residual**2).sum(axis=1)
    for _ in range(ROUNDS):
        normal = np.einsum("mki,mkj->mij", jacobian, jacobian)
        lift = damping[:, None] * (np.einsum("mii->mi", normal) + 1e-12)
        slope = np.einsum("mki,mk->mi", jacobian, residual)
        trial = x - np.linalg.solve(normal + lift[:, :, None] * np.eye(4), slope[..., None])[..., 0]
        trial[:, 2] = np.clip(trial[:, 2], v[0], v[-1])
        trial[:, 3] = np.clip(trial[:, 3], NARROWEST * (v[1] - v[0]), v[-1] - v[0])
        trial_residual, trial_jacobian = _model(trial, values, v)
        trial_cost = (trial_residual**2).sum(axis=1)
        better = trial_cost <= cost
        x, cost = np.where(better[:, None], trial, x), np.where(better, trial_cost, cost)
        residual = np.where(better[:, None], trial_residual, residual)
        jacobian = np.where(better[:, None, None], trial_jacobian, jacobian)
        damping = np.where(better, damping * 0.2, damping * 8)
    noise = np.sqrt(cost / max(1, len(v) - 4))
    normal = np.einsum("mki,mkj->mij", jacobian, jacobian)
    spread = np.linalg.inv(normal + 1e-9 * np.einsum("mii->m", normal)[:, None, None] * np.eye(4) + 1e-12 * np.eye(4))
    return Steps(x[:, 2], x[:, 3], x[:, 0], x[:, 1], noise * np.sqrt(np.abs(spread[:, 2, 2])), noise)


def _model(x: Floats, values: Floats, v: Floats) -> tuple[Floats, Floats]:
    """Residuals (M, K) and their derivatives (M, K, 4) by low, contrast, position and blur."""
    low, contrast, position, blur = x.T[:, :, None]
    t = (v - position) / blur
    phi = np.exp(-0.5 * t**2) / (np.sqrt(2 * np.pi) * blur)
    rise = ndtr(t)
    jacobian = np.stack([np.ones_like(t), rise, -contrast * phi, -contrast * phi * t], axis=2)
    return low + contrast * rise - values, jacobian


def _start(values: Floats, v: Floats) -> Floats:
    """First guess (M, 4): the gradient's energy gives place and width, the ends of the profile the levels."""
    energy = np.gradient(values, v, axis=1) ** 2
    energy *= energy > 0.1 * energy.max(axis=1, keepdims=True)
    weight = energy / (energy.sum(axis=1, keepdims=True) + 1e-12)
    position = weight @ v
    width = np.sqrt(np.maximum((weight * (v - position[:, None]) ** 2).sum(axis=1) * 2, (v[1] - v[0]) ** 2))
    third = max(1, len(v) // 4)
    low, high = values[:, :third].mean(axis=1), values[:, -third:].mean(axis=1)
    return np.stack([low, high - low, position, width], axis=1)
