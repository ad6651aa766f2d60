"""Lines of a pattern as the stage draws them: polylines with short steps, in the coordinates of the work's stage."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from digitize.draft import Draft
from digitize.editing.measured import stretch_length
from digitize.model.outline import Loop
from digitize.model.pattern import Stretch
from digitize.model.segment import Points
from digitize.rebuild.path import Path
from digitize.web.desk import Work

CHORD_MM = 0.02  # of the curves as drawn
STEP_MM = 4.0
ALONG_STEP_MM = 1.0
DECIMALS = 3


def along(loop: Loop, stretch: Stretch) -> Points:
    """A stretch (N, 2), mm."""
    path = Path(loop)
    length = stretch_length(stretch.start_mm, stretch.end_mm, path.length)
    count = max(2, math.ceil(length / ALONG_STEP_MM) + 1)
    return path.points((stretch.start_mm + np.linspace(0, length, count)) % path.length)


def closed(loop: Loop) -> Points:
    """A loop as a polyline (N, 2), mm, whose steps are short, since a lens bends straight edges."""
    points = np.vstack([p := loop.flattened(CHORD_MM), p[:1]])
    distances = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    between = np.arange(0.0, distances[-1], STEP_MM)
    places = np.union1d(distances, between)
    return np.stack([np.interp(places, distances, points[:, i]) for i in (0, 1)], axis=1)


def straight(a: npt.ArrayLike, b: npt.ArrayLike) -> Points:
    """A straight line (N, 2), mm, from a point to another in short steps."""
    start, end = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    count = max(2, math.ceil(math.dist(start, end) / STEP_MM) + 1)
    return np.linspace(start, end, count)


def placed(work: Work, points: npt.ArrayLike, draft: Draft | None = None) -> list[Any]:
    """Points (N, 2), mm, as they lie on the stage."""
    return listed(work.to_stage(points, draft)) if len(np.atleast_1d(np.asarray(points))) else []


def listed(points: Points) -> list[Any]:
    """Points (N, 2) for JSON."""
    rounded: list[Any] = np.round(points, DECIMALS).tolist()
    return rounded
