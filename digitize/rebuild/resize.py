"""Other sizes of a pattern: by a length that is to be, evenly or differently along and up; and the other hand."""

from __future__ import annotations

import math

import numpy as np

from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.segment import Point
from digitize.rebuild.affine import mirror_matrix, transformed

LEAST_MM = 1.0  # between two points that a size is taken from
SCALES = (0.1, 10.0)


def factor(is_mm: float, wanted_mm: float) -> float:
    """Wanted over present length; raises InputError where that is not a size but a slip."""
    if is_mm < LEAST_MM:
        raise InputError(f"The two points are {is_mm:.2f} mm apart, and {LEAST_MM:g} mm are needed", "choose others")
    if not SCALES[0] <= wanted_mm / is_mm <= SCALES[1]:
        raise InputError(
            f"{wanted_mm:g} mm is {wanted_mm / is_mm:.2f} times the present {is_mm:.2f} mm, and {SCALES[0]:g} to "
            f"{SCALES[1]:g} times are made",
            "check the length and its unit",
        )
    return wanted_mm / is_mm


def length_between(start: Point, end: Point) -> float:
    return math.dist(start, end)


def scaled(outline: Outline, along: float, up: float) -> Outline:
    """The outline times ``along`` in x and ``up`` in y, its lower left corner kept; equal factors keep arcs."""
    x0, y0, _, _ = outline.bounds()
    return transformed(outline, np.diag([along, up]), (x0, y0))


def other_hand(outline: Outline) -> Outline:
    """The outline mirrored left for right, within its own box."""
    x0, _, x1, _ = outline.bounds()
    return transformed(outline, mirror_matrix(math.pi / 2), ((x0 + x1) / 2, 0.0))
