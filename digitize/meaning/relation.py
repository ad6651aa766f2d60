"""What pieces of an outline may be meant to be to each other or in themselves, and which sizes are round.

Each kind of meaning has a residual: what is left, in millimetres or radians, between the pieces and what is meant.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from digitize.fitting.adjust import ArcFit, LineFit
from digitize.meaning.regular import Fit
from digitize.model.segment import Point

Floats = npt.NDArray[np.float64]

COVERED = 0.9545  # by k = 2 (JCGM 100:2008, table G.2)
INCH_MM = 25.4
MM_STEPS = (Fraction(1, 2), Fraction(1), Fraction(5), Fraction(10))
INCH_STEPS = tuple(Fraction(1, n) for n in (16, 8, 4, 2, 1))
# A ruler's step must be so many times U: of sizes that mean nothing one in six then falls on it by chance, and those
# that the trade chooses are far more often round than that.
LEAST_STEP = 12.0


class Kind(StrEnum):
    """What an outline may mean; the words are those of the trade."""

    LEVEL = "level"  # or plumb
    RIGHT_ANGLE = "right-angle"
    ANGLE = "angle"  # another common one
    PARALLEL = "parallel"
    IN_LINE = "in-line"
    RADIUS = "radius"  # a round size
    DIAMETER = "diameter"
    EQUAL_RADIUS = "equal-radius"
    CONCENTRIC = "concentric"
    SIZE = "size"  # overall, a round size
    SLOT = "slot"  # its width, a round size
    SPACING = "spacing"  # slots or holes in even steps
    SYMMETRIC = "symmetric"


@dataclass(frozen=True)
class Meaning:
    """Something that an outline seems to mean.

    where : loop (0 is the outer one) and segment of each piece concerned; none for the outline as a whole
    at : a point to show it at, mm
    measured, meant : in ``unit``; for what has no size of its own (parallel, concentric, ...) the largest departure,
        and 0
    uncertainty : expanded, k = 2, about 95 %, of the measured value
    text : one sentence for people
    alternatives : other round sizes that lie within the uncertainty, mm
    axis_deg : direction of the axis of symmetry, which runs through ``at``
    """

    kind: Kind
    where: tuple[tuple[int, int], ...]
    at: Point
    measured: float
    uncertainty: float
    meant: float
    unit: Literal["mm", "deg"]
    text: str
    alternatives: tuple[float, ...] = ()
    axis_deg: float | None = None


def coverage(largest_of: int = 1) -> float:
    """Factor k by which the largest of so many standard deviations stays covered as one is by k = 2."""
    return float(ndtri(0.5 + COVERED ** (1 / largest_of) / 2))


PLANE_COVERAGE = math.sqrt(-2 * math.log(1 - COVERED))  # of a distance between two points: Rayleigh


def _line(fit: Fit) -> LineFit:
    assert isinstance(fit, LineFit)
    return fit


def _arc(fit: Fit) -> ArcFit:
    assert isinstance(fit, ArcFit)
    return fit


def middle(line: LineFit) -> Floats:
    """The foot of the line's anchor, about the middle of what was seen of it."""
    foot: Floats = line.anchor + line.offset * line.left
    return foot


def _level(fits: Sequence[Fit], meant: float) -> Floats:
    return np.array([math.remainder(_line(fits[0]).angle - meant, math.pi)])


def corner_angle(a: LineFit, b: LineFit) -> float:
    """Angle between two lines travelled one after the other, 0..pi: pi where they run straight on."""
    return math.pi - abs(math.remainder(b.angle - a.angle, 2 * math.pi))


def _angle(fits: Sequence[Fit], meant: float) -> Floats:
    return np.array([corner_angle(_line(fits[0]), _line(fits[1])) - meant])


def _parallel(fits: Sequence[Fit], meant: float) -> Floats:
    return np.array([math.remainder(_line(fits[1]).angle - _line(fits[0]).angle, math.pi) - meant])


def _in_line(fits: Sequence[Fit], meant: float) -> Floats:
    """How far the second line's middle lies off the first, then the angle between them."""
    a, b = _line(fits[0]), _line(fits[1])
    return np.array([a.distances(middle(b)[None])[0] - meant, math.remainder(b.angle - a.angle, math.pi)])


def _radius(fits: Sequence[Fit], meant: float) -> Floats:
    return np.array([_arc(fits[0]).radius - meant])


def _diameter(fits: Sequence[Fit], meant: float) -> Floats:
    return np.array([2 * _arc(fits[0]).radius - meant])


def _equal_radius(fits: Sequence[Fit], meant: float) -> Floats:
    return np.array([_arc(fits[1]).radius - _arc(fits[0]).radius - meant])


def _concentric(fits: Sequence[Fit], meant: float) -> Floats:
    return np.asarray(_arc(fits[1]).centre - _arc(fits[0]).centre)


def _apart(fits: Sequence[Fit], meant: float) -> Floats:
    """Distance of two opposite lines, the mean of both middles'."""
    a, b = _line(fits[0]), _line(fits[1])
    between = a.distances(middle(b)[None])[0], b.distances(middle(a)[None])[0]
    return np.array([(abs(between[0]) + abs(between[1])) / 2 - meant])


def _spacing(fits: Sequence[Fit], meant: float) -> Floats:
    """By how much each step departs from the one before: round holes one by one, slots as pairs of walls."""
    if isinstance(fits[0], ArcFit):
        centres = np.array([_arc(f).centre for f in fits])
        return np.diff(centres, 2, axis=0).ravel()
    first = _line(fits[0])
    walls = first.distances(np.array([middle(_line(f)) for f in fits]))
    return np.diff(walls.reshape(-1, 2).mean(axis=1), 2)


def mirrored(axis: LineFit, one: Fit, other: Fit) -> Floats:
    """What is left between a piece mirrored at an axis and its counterpart, which runs the other way."""
    if isinstance(one, LineFit):
        line = _line(other)
        turn = math.remainder(line.angle - (2 * axis.angle - one.angle), math.pi)
        return np.array([line.distances(_image(axis, middle(one))[None])[0], turn])
    arc = _arc(other)
    return np.array([*(arc.centre - _image(axis, one.centre)), arc.radius - one.radius])


def _image(axis: LineFit, point: Floats) -> Floats:
    image: Floats = point - 2 * axis.distances(point[None])[0] * axis.left
    return image


RESIDUALS: dict[Kind, Callable[[Sequence[Fit], float], Floats]] = {
    Kind.LEVEL: _level,
    Kind.RIGHT_ANGLE: _angle,
    Kind.ANGLE: _angle,
    Kind.PARALLEL: _parallel,
    Kind.IN_LINE: _in_line,
    Kind.RADIUS: _radius,
    Kind.DIAMETER: _diameter,
    Kind.EQUAL_RADIUS: _equal_radius,
    Kind.CONCENTRIC: _concentric,
    Kind.SIZE: _apart,
    Kind.SLOT: _apart,
    Kind.SPACING: _spacing,
}


@dataclass(frozen=True)
class RoundSize:
    """A size that a ruler shows: mm, and what it reads."""

    mm: float
    reading: str

    @property
    def metric(self) -> bool:
        return is_metric(self.mm)


def is_metric(mm: float) -> bool:
    """Whether a round size is one of millimetres rather than inches."""
    return abs(math.remainder(mm, float(MM_STEPS[0]))) < 1e-9


def round_sizes(measured: float, uncertainty: float, metric: bool | None = None) -> list[RoundSize]:
    """Round sizes within ``uncertainty`` (mm) of a measured one, nearest first; none where a hit would be chance.

    Whole and half millimetres, inches down to sixteenths; a large uncertainty leaves only coarser steps.
    metric : put those of millimetres (True) or inches (False) first
    """
    found: list[RoundSize] = []
    for unit, steps in ((1.0, MM_STEPS), (INCH_MM, INCH_STEPS)):
        step = next((s for s in steps if float(s) * unit >= LEAST_STEP * uncertainty), None)
        if step is None:
            continue
        count = round(measured / (float(step) * unit))
        mm = float(count * step) * unit
        known = any(abs(mm - f.mm) < 1e-9 for f in found)
        if count > 0 and not known and abs(measured - mm) <= uncertainty:
            found.append(RoundSize(mm, f"{mm:g} mm" if unit == 1.0 else f"{_inches(count * step)} in ({mm:g} mm)"))
    return sorted(found, key=lambda f: (metric not in (None, f.metric), abs(f.mm - measured)))


def _inches(size: Fraction) -> str:
    whole, rest = divmod(size, 1)
    if rest == 0:
        return str(whole)
    return f"{whole}-{rest}" if whole else str(rest)
