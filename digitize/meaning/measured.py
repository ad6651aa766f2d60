"""An outline's lines and arcs, measured: every angle, size and radius with its expanded uncertainty.

U (k = 2) holds the scatter of the edge points, through the covariance of all lines and arcs with their smooth joints
kept, and the causes that all points share: a stretch of the whole scale, which turns right angles but not parallels,
and an edge seen off its place.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from digitize.fitting.adjust import ArcFit, LineFit
from digitize.meaning.regular import Condition, EdgeNoise, Figure, covariance, figure_of, gradient
from digitize.meaning.relation import RESIDUALS, Kind, Meaning, round_sizes
from digitize.model.outline import Outline
from digitize.model.pattern import COVERAGE_FACTOR, Contribution
from digitize.model.segment import Arc, Point, as_point

Floats = npt.NDArray[np.float64]

LEAST_TOLD = 0.01  # nobody reads finer
LEAST_POINTS = 6  # independent ones on a piece, twice what an arc's numbers need


@dataclass(frozen=True)
class Measured:
    """An outline's lines and arcs with their covariance, and the standard uncertainties that all points share.

    edge : mm, of the place of each edge; stretch : relative, of all lengths
    metric : whether its sizes are in millimetres rather than inches, where that is seen
    """

    figure: Figure
    known: Floats
    where: tuple[tuple[int, int], ...]
    noise: EdgeNoise
    edge: float
    stretch: float
    metric: bool | None = None

    def lines(self) -> list[int]:
        return [k for k, f in enumerate(self.figure.fits) if isinstance(f, LineFit) and self.trusted(k)]

    def arcs(self) -> list[int]:
        return [k for k, f in enumerate(self.figure.fits) if isinstance(f, ArcFit) and self.trusted(k)]

    def line(self, k: int) -> LineFit:
        fit = self.figure.fits[k]
        assert isinstance(fit, LineFit)
        return fit

    def radius(self, k: int) -> float:
        fit = self.figure.fits[k]
        assert isinstance(fit, ArcFit)
        return fit.radius

    def circle(self, k: int) -> bool:
        segment = self.figure.outline.segments[k]
        return isinstance(segment, Arc) and segment.is_circle

    def trusted(self, k: int) -> bool:
        return self.length(k) >= LEAST_POINTS * self.noise.spacing_mm

    def length(self, k: int) -> float:
        return self.figure.outline.segments[k].length

    def at(self, k: int) -> Point:
        """The middle of a line or an arc, the centre of a circle."""
        fit, segment = self.figure.fits[k], self.figure.outline.segments[k]
        return as_point(fit.centre if isinstance(fit, ArcFit) and self.circle(k) else segment.point(0.5))

    def residual(self, kind: Kind, pieces: Sequence[int], meant: float = 0.0) -> tuple[Floats, Floats]:
        """What is left between some pieces and a meaning, (k,), and its covariance from the points alone (k, k)."""
        condition = Condition(tuple(pieces), lambda fits: RESIDUALS[kind](fits, meant))
        rows = gradient(self.figure, condition)
        return condition.residual(self.figure.chosen(pieces)), rows @ self.known @ rows.T

    def angle(self, kind: Kind, pieces: Sequence[int], meant: float, skew: float) -> tuple[float, float]:
        """An angle's residual and U, radians; skew : share of the stretch that turns it, RMS over all directions."""
        left, known = self.residual(kind, pieces, meant)
        slopes = math.fsum((self.edge / self.length(k)) ** 2 for k in pieces)
        return float(left[0]), COVERAGE_FACTOR * math.sqrt(known[0, 0] + slopes + (skew * self.stretch) ** 2)

    def size(self, kind: Kind, pieces: Sequence[int], edges: float) -> tuple[float, float]:
        """A length and its U, mm; edges : how often an edge's own error goes into it, in squares."""
        value, known = self.residual(kind, pieces)
        shared = edges * self.edge**2 + (self.stretch * value[0]) ** 2
        return float(value[0]), COVERAGE_FACTOR * math.sqrt(known[0, 0] + shared)


def measured(outline: Outline, noise: EdgeNoise, contributions: tuple[Contribution, ...]) -> Measured:
    figure = figure_of(outline)
    where = tuple((i, k) for i, loop in enumerate(outline.loops) for k in range(len(loop.segments)))
    edge = math.hypot(*(c.edge_mm for c in contributions))
    stretch = 1e-6 * math.hypot(*(c.size_ppm for c in contributions))
    return Measured(figure, covariance(figure, noise), where, noise, edge, stretch)


def told(
    seen: Measured, kind: Kind, pieces: Iterable[int], at: Point, value: tuple[float, float, float], text: str
) -> Meaning:
    """A meaning whose value (measured, U, meant) is in mm, or for angles in radians."""
    angular = kind in (Kind.LEVEL, Kind.RIGHT_ANGLE, Kind.ANGLE, Kind.PARALLEL)
    value_told, uncertainty, meant = (math.degrees(v) if angular else v for v in value)
    unit: Literal["mm", "deg"] = "deg" if angular else "mm"
    mark = "°" if angular else " mm"
    number = f"{round(value_told, 2) + 0.0:.2f}{mark} ± {max(uncertainty, LEAST_TOLD):.2f}{mark}"
    meant = round(meant, 9)  # 30, not 29.999999999999996
    where = tuple(seen.where[k] for k in pieces)
    return Meaning(kind, where, at, value_told, uncertainty, meant, unit, f"{text.format(place=place(at))}: {number}")


def round_told(
    seen: Measured, kind: Kind, pieces: tuple[int, ...], at: Point, edges: float, what: str
) -> Iterator[Meaning]:
    """The meaning of a size that is round within its uncertainty."""
    measured, u = seen.size(kind, pieces, edges)
    sizes = round_sizes(measured, u, seen.metric)
    if sizes:
        found = told(seen, kind, pieces, at, (measured, u, sizes[0].mm), f"{what} is {sizes[0].reading}")
        others = " or ".join(s.reading for s in sizes[1:])
        text = f"{found.text}; {others} fits too" if others else found.text
        yield replace(found, text=text, alternatives=tuple(s.mm for s in sizes[1:]))


def place(point: Point) -> str:
    return f"({round(point[0])}, {round(point[1])})"
