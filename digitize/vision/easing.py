"""Does an edge that is taken for sharp look eased? Then its profiles show a second line inside the first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from digitize.model.errors import Caveat
from digitize.model.outline import Contour
from digitize.model.segment import Points
from digitize.vision.locate import SMOOTH_MM, Light, Located, Optics, learn, light_about, look, rim_light_of
from digitize.vision.photo import Image
from digitize.vision.polyline import smoothed
from digitize.vision.thickness import Heights
from digitize.vision.view import View

TRIED_MM = (0.3, 0.5, 0.8)  # each stands for a third more and less
CLEARER = 0.82  # of the residual is left: eased edges leave 0.35 to 0.8, sharp ones 0.6 and more
LIT = (
    0.06  # change of an arris' light with its direction, which a dark part's bloom or shadow has not: eased 0.08 to 0.2
)
ENOUGH = 500  # profiles tell


def judge_sharpness(view: View, pixels: Image, contours: Sequence[Contour], heights: Heights) -> tuple[Caveat, ...]:
    """A caveat where the contours of a part, located for square edges at ``heights``, look eased."""
    pixel = view.mm_per_px(contours[0].points.mean(axis=0), heights.top)
    every = max(1, sum(len(c.points) for c in contours) // ENOUGH)
    lines = [smoothed(c.points, round(SMOOTH_MM / pixel / 2))[::every] for c in contours]
    lights = [light_about(pixels, view.image_from_bench(line, heights.top)) for line in lines]
    optics = learn(view, lights, lines, heights)
    sharp = _residual(_looks(view, lights, lines, heights, optics))
    found, eased = CLEARER, 0.0
    for size in TRIED_MM:
        told = replace(heights, top=heights.top - size, eased=size)
        rim = rim_light_of(_looks(view, lights, lines, told, optics))
        lit = [o._replace(rim_light=rim) for o in optics]
        left = _residual(_looks(view, lights, lines, told, lit)) / sharp
        if left < found and math.hypot(rim[1], rim[2]) > LIT:
            found, eased = left, size
    if not eased:
        return ()
    return (
        Caveat(
            f"the edge looks eased by about {eased:g} mm (a second line runs beside it), and was taken for sharp",
            f"measure how far the upper edge is broken or rounded, and trace again with --eased {eased:g}mm",
            size_ppm=1e6 * eased / math.sqrt(3.0) / (view.height - heights.top),
            edge_px=eased / math.sqrt(3.0) / pixel,
        ),
    )


def _looks(
    view: View, lights: Sequence[Light], lines: Sequence[Points], told: Heights, optics: Sequence[Optics]
) -> list[Located]:
    return [look(view, light, line, told, o) for light, line, o in zip(lights, lines, optics, strict=True)]


def _residual(looks: Sequence[Located]) -> float:
    """Typical residual of the profiles."""
    return float(np.exp(np.median(np.log(np.concatenate([found.steps.noise for found in looks])))))
