"""What scenes are drawn with: exact coverage of pixels by polygons; benches and woods in linear light."""

from __future__ import annotations

import math

import cv2
import numpy as np

from digitize.model.segment import Points

ROWS = 16  # sub-rows of the scan conversion: a level edge is right to 1/32 px, any other far better
MATERIALS = {  # reflectance in linear light, strength of the grain figure
    "birch": ((0.66, 0.50, 0.31), 0.10),
    "oak": ((0.45, 0.29, 0.15), 0.22),
    "walnut": ((0.13, 0.075, 0.045), 0.25),
    "mdf": ((0.38, 0.24, 0.14), 0.03),
    "white": ((0.80, 0.80, 0.77), 0.01),
    "black": ((0.025, 0.025, 0.028), 0.02),
    "steel": ((0.42, 0.43, 0.44), 0.05),
    "pencil": ((0.75, 0.35, 0.03), 0.02),
}


def coverage(polygons: list[Points], weights, size: tuple[int, int]) -> Points:
    """Sum of weight x share of each pixel covered, (H, W) float32, for polygons (N, 2) in px."""
    (w, h), edges, signs = size, [], []
    for p, weight in zip(polygons, np.broadcast_to(weights, len(polygons)), strict=True):
        q = np.roll(p, -1, axis=0)
        edges.append(np.hstack([p, q]))
        signs.append(np.full(len(p), -weight * np.sign(np.sum(p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]))))
    if not edges:
        return np.zeros((h, w), np.float32)
    (ax, ay, bx, by), sign = np.vstack(edges).T, np.concatenate(signs)
    first, last = (np.clip(np.ceil((f(ay, by) + 0.5) * ROWS - 0.5), 0, h * ROWS) for f in (np.minimum, np.maximum))
    count = (last - first).astype(int)
    e = np.repeat(np.arange(len(ax)), count)
    row = first[e] + np.arange(len(e)) - np.repeat(np.cumsum(count) - count, count)
    y = (row + 0.5) / ROWS - 0.5
    x = np.clip(ax[e] + (y - ay[e]) * ((bx - ax)[e] / (by - ay)[e]), -0.5, w - 0.5)
    column = np.floor(x + 0.5)
    share, s = column + 0.5 - x, sign[e] * np.sign(by - ay)[e] / ROWS
    at = ((row // ROWS) * (w + 2) + column).astype(int)
    n = h * (w + 2)
    filled = np.bincount(at, s * share, n) + np.bincount(at + 1, s * (1 - share), n)
    return np.cumsum(filled.reshape(h, w + 2), axis=1)[:, :w].astype(np.float32)


def noise_at(x: Points, y: Points, scale: float, seed: int) -> Points:
    """Smooth random texture (H, W), about -1..1, at coordinates divided by ``scale`` mm."""
    tile = np.random.default_rng(seed).normal(size=(256, 256)).astype(np.float32)
    wrap = {"interpolation": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_WRAP}
    return cv2.remap(tile, (x / scale) % 256, (y / scale) % 256, **wrap) * 0.6


def wood(x: Points, y: Points, angle: float, strength: float, seed: int) -> Points:
    """Grain figure (H, W): a factor round 1, long along ``angle``."""
    u, v = x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)
    rings = np.sin(v * 0.45 + 4 * noise_at(u / 8, v, 25, seed))
    return 1 + strength * (0.5 * rings + 0.5 * noise_at(u / 20, v, 1.2, seed + 1))


def bench_colour(bench: str, x: Points, y: Points, seed: int) -> Points:
    """Reflectance (H, W, 3), linear light, of a bench at coordinates x, y (H, W) mm."""
    broad = 1 + 0.05 * noise_at(x, y, 60, seed)
    if bench == "cloth":
        weave = 1 + 0.10 * (np.sin(x * 2.5) * np.sin(y * 2.5)) + 0.18 * noise_at(x, y, 1.5, seed + 1)
        return (weave * broad)[..., None] * np.float32([0.19, 0.20, 0.23])
    if bench == "mat":
        near = np.minimum(np.abs((x + 5) % 10 - 5), np.abs((y + 5) % 10 - 5))
        line = np.clip(1.1 - near / 0.35, 0, 1)[..., None] * 0.6
        return broad[..., None] * (np.float32([0.03, 0.15, 0.10]) * (1 - line) + np.float32([0.45, 0.55, 0.40]) * line)
    if bench == "planks":
        gap = np.clip(1 - np.abs((y + 70) % 140 - 70) / 0.5, 0, 1)
        tone = wood(x, y + 900 * np.floor((y + 70) / 140), 0.0, 0.16, seed + 2) * (1 - 0.7 * gap)
        return tone[..., None] * np.float32([0.46, 0.31, 0.17])
    if bench == "dark":
        return wood(x, y, 0.2, 0.25, seed + 3)[..., None] * np.float32([0.028, 0.024, 0.022])
    return broad[..., None] ** 0.3 * np.float32([0.75, 0.74, 0.71])
