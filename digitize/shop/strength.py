"""What slope of grain costs a piece of wood in strength."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class Property:
    """A strength property: the exponent n, and the strength across the grain over that along it, Q / P.

    Source: USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-190, 2010, chapter 5, slope of grain: the values
    that its Table 5-12 lies "very close" to.
    """

    name: str
    exponent: float
    across: float


BENDING = Property("bending", 1.5, 0.1)
IMPACT = Property("impact", 1.5, 0.05)
COMPRESSION = Property("compression", 2.5, 0.1)


def strength_ratio(angle: npt.ArrayLike, kind: Property = BENDING) -> npt.NDArray[np.float64]:
    """Strength of a piece whose axis lies at ``angle`` (radians) to the fibres, over that of one along them.

    Source: Hankinson-type formula N = P Q / (P sin^n + Q cos^n), Wood Handbook, chapter 5.
    """
    sine, cosine = (np.abs(f(np.asarray(angle, dtype=float))) for f in (np.sin, np.cos))
    ratio: Any = kind.across / (sine**kind.exponent + kind.across * cosine**kind.exponent)
    return np.asarray(ratio)


def combined_slope(face: float, edge: float) -> float:
    """One slope of grain (rise over run) from those seen on two faces square to each other.

    Source: ANC-19, Wood Aircraft Inspection and Fabrication, Table 2-11; Wood Handbook, chapter 5.
    """
    return math.hypot(face, edge)
