"""A first honest budget of what a traced size does not know, each cause as a standard uncertainty (JCGM 100)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from digitize.model.errors import Caveat
from digitize.model.outline import Contour
from digitize.model.pattern import Contribution
from digitize.vision.view import View

SQRT3 = math.sqrt(3.0)  # half-width of a rectangular distribution to its standard deviation
PRINT_UNMEASURED = 0.002 / SQRT3  # a printer at "100 %" is within 0.2 %: common practice, from memory
CHECK_LINE_MM, CHECK_READING_MM = 150.0, 0.1 / SQRT3  # a steel rule read to 0.1 mm
THICKNESS_MM = 0.1 / SQRT3  # a caliper in a worn part
FLATNESS_MM = 0.2 / SQRT3  # paper under its own weight on a workbench
PLACE_PX = 0.05  # what shading, figure and blur leave in the place of an edge: measured on rendered photos


def budget(
    view: View, parts: Sequence[Sequence[Contour]], top: float, scale_measured: bool, caveats: Sequence[Caveat]
) -> tuple[Contribution, ...]:
    """Contributions to the uncertainty of every size of the parts, whose upper arrises lie at height ``top`` mm."""
    warned_ppm = math.hypot(*(c.size_ppm for c in caveats))
    warned_px = math.hypot(*(c.edge_px for c in caveats))
    outer = max((part[0] for part in parts), key=lambda c: c.area).points
    ends = _far_apart(view, outer, top)
    seen = max(view.length_sigma(p, q, top)[0] / np.linalg.norm(_bench(view, p, q, top)) for p, q in ends)
    printed = CHECK_READING_MM / CHECK_LINE_MM if scale_measured else PRINT_UNMEASURED
    aside = float(np.linalg.norm(outer.mean(axis=0) - view.centre[:2]))
    clear = view.height - top
    sigma = float(np.median(np.concatenate([c.sigma for part in parts for c in part])))
    pixel = view.mm_per_px(outer.mean(axis=0), top)
    edge = math.hypot(sigma, PLACE_PX * pixel)
    return (
        Contribution("print scale of the sheets", 1e6 * printed, 0.0),
        Contribution("camera, lens and grid points", 1e6 * float(seen), 0.0),
        Contribution("thickness", 1e6 * THICKNESS_MM / clear, 0.0),
        Contribution("flatness of the sheets", 1e6 * FLATNESS_MM / clear, FLATNESS_MM * aside / clear * 0.1),
        Contribution("place of the edge", 0.0, edge),
        Contribution("what the warnings tell of", warned_ppm, warned_px * pixel),
    )


def _far_apart(view: View, outer: np.ndarray, top: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """Photo points of the outline's extremes, two by two, along four directions."""
    pairs = []
    for angle in np.arange(4) * math.pi / 4:
        along = outer @ np.array([math.cos(angle), math.sin(angle)])
        pairs.append(tuple(view.image_from_bench(outer[[along.argmin(), along.argmax()]], top)))
    return pairs


def _bench(view: View, p: np.ndarray, q: np.ndarray, z: float) -> np.ndarray:
    a, b = view.bench_from_image(np.stack([p, q]), z)
    return np.asarray(a - b)
