"""An outline's lines and arcs as numbers: how well they are known, and how they move to meet conditions.

A line is known by its direction and its distance to the left of its middle, an arc by its centre and radius. Smooth
joints tie them together. The covariance is that of least squares under those ties (general adjustment with conditions:
Mikhail, Observations and Least Squares, 1976; from memory); a lone arc's radius comes out with a standard error of
k s / sqrt(N), k = 10.3 at 90 degrees and 42.8 at 45, as it must.

Splines are not numbers here: they follow, their ends led along by their neighbours.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
import numpy.typing as npt
from scipy.linalg import null_space

from digitize.fitting.adjust import ArcFit, LineFit
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Segment, Spline, as_point

Floats = npt.NDArray[np.float64]
Fit = LineFit | ArcFit

SMOOTH_RAD = 1e-4  # a joint that turns by less is meant to be smooth: fitted ones turn by rounding
SAMPLES = 64  # points that stand for all those along a piece; exact to 1e-3 for lines and arcs
NUDGE = 1e-6  # mm or radians, for derivatives
STEPS = 12  # Gauss-Newton from within a fraction of a millimetre: 3 or 4 are enough
LEAST_NOISE_MM = 1e-3  # no photo is read better; a drawing that fits itself has no noise at all
CLOSED = 1e-10  # mm or radians: conditions are met to rounding
RANK = 1e-6  # singular values below this share of the largest are repetitions (and NUDGE's own error)
UNKNOWN = 1e-9  # information, relative to the most, on what no point tells of (an axis)


@dataclass(frozen=True)
class EdgeNoise:
    """How the edge points scatter that an outline was fitted to.

    sigma_mm : standard error of one independent point across the edge
    spacing_mm : between independent points along the edge
    rounded_mm : next to a sharp corner, where the photo has rounded the edge, this much of it has no point
    """

    sigma_mm: float
    spacing_mm: float
    rounded_mm: float = 0.0

    @classmethod
    def of(cls, outline: Outline, rms_mm: float, points: int) -> EdgeNoise:
        """From a fit's RMS and the number of edge points that err independently of each other."""
        return cls(max(rms_mm, LEAST_NOISE_MM), math.fsum(s.length for s in outline.segments) / points)

    def __post_init__(self) -> None:
        if not (self.sigma_mm > 0 and self.spacing_mm > 0 and self.rounded_mm >= 0):
            raise ValueError("noise and spacing of edge points must be positive")


@dataclass(frozen=True)
class Condition:
    """Something that some pieces must satisfy: ``residual`` of their fits, (k,), mm or radians, is to be zero."""

    pieces: tuple[int, ...]
    residual: Callable[[Sequence[Fit]], Floats]


class Contradiction(Exception):
    """Conditions that cannot be met together; ``worst`` is the number of the one that is farthest from it."""

    def __init__(self, worst: int) -> None:
        super().__init__()
        self.worst = worst


@dataclass(frozen=True)
class Figure:
    """The lines and arcs of an outline, numbered as in ``outline.segments``; None stands for a spline.

    More lines may follow that are no part of the outline (axes).
    """

    outline: Outline
    fits: tuple[Fit | None, ...]

    @property
    def places(self) -> list[int]:
        """Where each piece's numbers begin, and how many there are in all."""
        return list(accumulate((f.size if f else 0 for f in self.fits), initial=0))

    def chosen(self, pieces: Iterable[int]) -> list[Fit]:
        return [f for f in (self.fits[k] for k in pieces) if f is not None]

    def stepped(self, change: Floats) -> Figure:
        at = self.places
        fits = [f.stepped(change[a : a + f.size]) if f else None for f, a in zip(self.fits, at[:-1], strict=True)]
        return replace(self, fits=tuple(fits))


def figure_of(outline: Outline) -> Figure:
    return Figure(outline, tuple(_fit(s) for s in outline.segments))


def _fit(segment: Segment) -> Fit | None:
    if isinstance(segment, Line):
        along = segment.tangent(0.0)[0]
        return LineFit(segment.point(0.5)[0], math.atan2(along[1], along[0]))
    if isinstance(segment, Arc):
        return ArcFit(np.asarray(segment.centre), segment.radius, math.copysign(1.0, segment.sweep))
    return None


def joints(outline: Outline) -> list[tuple[int, int, bool]]:
    """Piece before, piece after, and whether the joint is smooth, for the start of every segment; circles have none."""
    found, first = [], 0
    for loop in outline.loops:
        n = len(loop.segments)
        if n > 1:
            smooth = np.abs(loop.turns()) <= SMOOTH_RAD
            found += [(first + (k - 1) % n, first + k, bool(smooth[k])) for k in range(n)]
        first += n
    return found


def tangencies(figure: Figure) -> list[Condition]:
    """Conditions that keep smooth joints between lines and arcs smooth."""
    return [
        Condition((a, b), _tangency)
        for a, b, smooth in joints(figure.outline)
        if smooth and figure.fits[a] and figure.fits[b] and not _both_lines(figure.fits[a], figure.fits[b])
    ]


def _both_lines(a: Fit | None, b: Fit | None) -> bool:
    return isinstance(a, LineFit) and isinstance(b, LineFit)


def _tangency(fits: Sequence[Fit]) -> Floats:
    """How far two pieces are from touching: distances of centres, less what the radii make of them."""
    a, b = sorted(fits, key=lambda f: isinstance(f, ArcFit))
    assert isinstance(b, ArcFit)
    if isinstance(a, LineFit):
        return a.distances(b.centre[None]) - b.sign * b.radius
    apart = float(np.linalg.norm(a.centre - b.centre))
    return np.array([apart - abs(a.sign * a.radius - b.sign * b.radius)])


def gradient(figure: Figure, condition: Condition) -> Floats:
    """Derivatives (k, n) of a condition's residual by all numbers of the figure."""
    at, fits = figure.places, figure.chosen(condition.pieces)
    rows = np.zeros((len(condition.residual(fits)), at[-1]))
    for k, piece in enumerate(condition.pieces):
        for i in range(fits[k].size):
            nudge = np.zeros(fits[k].size)
            nudge[i] = NUDGE
            up, down = ([*fits[:k], fits[k].stepped(d), *fits[k + 1 :]] for d in (nudge, -nudge))
            rows[:, at[piece] + i] += (condition.residual(up) - condition.residual(down)) / (2 * NUDGE)
    return rows


def information(figure: Figure, noise: EdgeNoise) -> Floats:
    """Fisher matrix (n, n) of the figure's numbers, from points spread evenly along its pieces."""
    at = figure.places
    matrix = np.zeros((at[-1], at[-1]))
    sharp = [(a, b) for a, b, smooth in joints(figure.outline) if not smooth]
    begins, ends = {b for _, b in sharp}, {a for a, _ in sharp}
    for k, segment in enumerate(figure.outline.segments):
        fit = figure.fits[k]
        if fit is None:
            continue
        lost = min(0.4, noise.rounded_mm / segment.length)
        low, high = lost * (k in begins), 1 - lost * (k in ends)
        t = low + (high - low) * (np.arange(SAMPLES) + 0.5) / SAMPLES
        each = (high - low) * segment.length / noise.spacing_mm / SAMPLES / noise.sigma_mm**2
        own = slice(at[k], at[k + 1])
        matrix[own, own] = fit.system(segment.point(t), np.full(SAMPLES, each))[0]
    return matrix


def covariance(figure: Figure, noise: EdgeNoise) -> Floats:
    """Covariance (n, n) of the figure's numbers, its smooth joints kept smooth."""
    matrix = information(figure, noise)
    free = np.eye(len(matrix))
    ties = [gradient(figure, c) for c in tangencies(figure)]
    if ties:
        free = null_space(np.vstack(ties), rcond=RANK)
    known: Floats = free @ np.linalg.solve(free.T @ matrix @ free, free.T)
    return known


def satisfied(figure: Figure, conditions: Sequence[Condition]) -> Figure:
    """The figure moved as little as its points allow, so that it meets all conditions and stays smooth where it is.

    Raises Contradiction where they cannot be met together.
    """
    ties = [*conditions, *tangencies(figure)]
    matrix = information(figure, EdgeNoise(1.0, 1.0))
    matrix[np.diag_indices_from(matrix)] += UNKNOWN * max(1.0, float(matrix.max()))
    moved = np.zeros(len(matrix))
    for _ in range(STEPS):
        values = [c.residual(figure.chosen(c.pieces)) for c in ties]
        open_by = [float(np.abs(v).max()) for v in values]
        if max(open_by, default=0.0) <= CLOSED:
            return figure
        rows = np.vstack([gradient(figure, c) for c in ties])
        u, s, vt = np.linalg.svd(rows)
        rank = int((s > RANK * s[0]).sum())
        step = -vt[:rank].T @ ((u[:, :rank].T @ np.concatenate(values)) / s[:rank])
        free = vt[rank:].T
        step -= free @ np.linalg.solve(free.T @ matrix @ free, free.T @ matrix @ (moved + step))
        moved, figure = moved + step, figure.stepped(step)
    raise Contradiction(int(np.argmax(open_by[: len(conditions)])))


def redrawn(figure: Figure) -> Outline:
    """The outline of a figure that has moved: corners where its pieces now meet, smooth joints where they touch.

    Raises ValueError where pieces no longer meet, or the outline crosses itself.
    """
    loops, first = [], 0
    before = {b: (a, smooth) for a, b, smooth in joints(figure.outline)}
    for loop in figure.outline.loops:
        n, numbers = len(loop.segments), range(first, first + len(loop.segments))
        first += n
        if n == 1:
            loops.append(Loop((_alone(figure.fits[numbers[0]], loop.segments[0]),)))
            continue
        at = [_meeting(figure, *before[k], k) for k in numbers]
        smooth = [before[k][1] for k in numbers]
        pieces = []
        for i, k in enumerate(numbers):
            j = (i + 1) % n
            pieces.append(_redrawn(figure, k, (at[i], at[j]), (smooth[i], smooth[j]), numbers))
        loops.append(Loop(tuple(pieces)))
    return Outline(loops[0], tuple(loops[1:]))


def _alone(fit: Fit | None, segment: Segment) -> Segment:
    """A loop of one piece: a circle in its new place, or a curve as it is."""
    if isinstance(fit, ArcFit) and isinstance(segment, Arc):
        return replace(segment, centre=as_point(fit.centre), radius=fit.radius)
    return segment


def _meeting(figure: Figure, before: int, smooth: bool, after: int) -> Floats:
    """Where two neighbours meet, near to where they met."""
    q = np.asarray(figure.outline.segments[after].start)
    a, b = figure.fits[before], figure.fits[after]
    if a is None or b is None:
        one = a or b
        return one.feet(q[None])[0] if one else q
    if smooth and not _both_lines(a, b):
        line, arc = sorted((a, b), key=lambda f: isinstance(f, ArcFit))
        assert isinstance(arc, ArcFit)
        if isinstance(line, LineFit):
            return np.asarray(line.feet(arc.centre[None])[0])
        away = arc.centre - line.centre
        sides = line.feet(np.array([line.centre + away, line.centre - away]))
        return np.asarray(min((*sides,) if away.any() else (line.feet(q[None])[0],), key=lambda p: math.dist(p, q)))
    for _ in range(STEPS):
        (va, _, ga), (vb, _, gb) = a.on(q, True), b.on(q, False)
        try:
            q = q - np.linalg.solve(np.vstack([ga, gb]), np.concatenate([va, vb]))
        except np.linalg.LinAlgError as error:
            raise ValueError("two neighbours no longer meet") from error
    return q


def _redrawn(
    figure: Figure, k: int, ends: tuple[Floats, Floats], smooth: tuple[bool, bool], loop: Sequence[int]
) -> Segment:
    """Piece k between its new ends."""
    (a, b), fit, segment = ends, figure.fits[k], figure.outline.segments[k]
    if isinstance(segment, Spline):
        i, n = k - loop[0], len(loop)
        neighbours = (figure.fits[loop[i - 1]], figure.fits[loop[(i + 1) % n]])
        return _led(segment, ends, smooth, neighbours)
    if isinstance(fit, ArcFit) and isinstance(segment, Arc):
        start, end = a - fit.centre, b - fit.centre
        from_angle = math.atan2(start[1], start[0])
        turn = math.atan2(end[1], end[0]) - from_angle
        sweep = segment.sweep + math.remainder(turn - segment.sweep, 2 * math.pi)
        return Arc(as_point(fit.centre), fit.radius, from_angle, sweep)
    return Line(as_point(a), as_point(b))


def _led(
    spline: Spline, ends: tuple[Floats, Floats], smooth: tuple[bool, bool], neighbours: tuple[Fit | None, Fit | None]
) -> Spline:
    """The spline with its ends moved, and turned where it must stay tangent to its neighbour; the rest of it stays."""
    control = np.asarray(spline.control, dtype=float).copy()
    for end, inner, at, is_smooth, neighbour, way in zip(
        (0, -1), (1, -2), ends, smooth, neighbours, (1.0, -1.0), strict=True
    ):
        arm = control[inner] - control[end]
        if is_smooth and neighbour:
            arm = way * float(np.linalg.norm(arm)) * neighbour.heading(at, way > 0)[0]
        control[inner], control[end] = at + arm, at
    return Spline(tuple(as_point(c) for c in control), spline.knots)
