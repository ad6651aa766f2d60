"""Uncertainties combined.

Source: JCGM 100:2008 (GUM), 5.1.2 (independent inputs), G.4.1 (Welch-Satterthwaite), 6.2 and G.3 (expanded
uncertainty); from memory, proven against its annex H.1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

Value = float | npt.NDArray[np.float64]


@dataclass(frozen=True)
class Component:
    """One independent input's share of a result's uncertainty.

    uncertainty : standard uncertainty times sensitivity, in the result's unit; one value, or one for each of N results
    freedom : degrees of freedom behind it; infinite where it is known otherwise than by a few readings
    """

    name: str
    uncertainty: Value
    freedom: float = math.inf


@dataclass(frozen=True)
class Combined:
    """The combined standard uncertainty and its effective degrees of freedom."""

    uncertainty: Value
    freedom: Value

    def expanded(self, coverage: float) -> Value:
        """Half-width of the interval that holds the true value with the probability ``coverage``."""
        return self.uncertainty * coverage_factor(coverage, self.freedom)


def combined(components: Sequence[Component]) -> Combined:
    """Root of the sum of squares, with Welch and Satterthwaite's degrees of freedom."""
    squares = [np.square(c.uncertainty) for c in components]
    total = np.sum(squares, axis=0)
    spent = np.sum([s**2 / c.freedom for s, c in zip(squares, components, strict=True)], axis=0)
    freedom = np.divide(total**2, spent, out=np.full_like(spent, np.inf), where=spent > 0)
    if np.ndim(total) == 0:
        return Combined(math.sqrt(float(total)), float(freedom))
    return Combined(np.sqrt(total), freedom)


def coverage_factor(coverage: float, freedom: Value) -> Value:
    """Student's factor; degrees of freedom are first rounded down to a whole number, at least 1 (G.4.1, note 1)."""
    whole = np.maximum(1.0, np.floor(freedom))
    return student.ppf(0.5 + coverage / 2, whole) if np.ndim(whole) else float(student.ppf(0.5 + coverage / 2, whole))
