"""An outline drawn as it is meant: chosen meanings met exactly and all at once, by the least move of its pieces."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from digitize.fitting.adjust import LineFit
from digitize.meaning.regular import Condition, Contradiction, Figure, Fit, Floats, figure_of, redrawn, satisfied
from digitize.meaning.relation import RESIDUALS, Kind, Meaning, mirrored
from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.segment import Arc, Spline

ROUNDING_MM = 1e-6
SAMPLES = 33  # points of each piece that are compared with where it was
COUNTERPART_MM = 2.0  # how far from its mirror image a piece's counterpart may lie
REMEDY = "leave it out, or choose the kinds that you are sure of"


def regularised(outline: Outline, meanings: Sequence[Meaning]) -> Outline:
    """The outline with all these meanings met to rounding, smooth joints still smooth.

    Lines and arcs move as little as their points allow, in least squares; corners are where they meet then. Splines
    keep their shape; their ends are led along by their neighbours.

    Raises InputError, naming the meaning, where one concerns a spline, is no meaning of this outline, contradicts
    another, or would move an edge by more than the stated uncertainties.
    """
    if not meanings:
        return outline
    after = _met(outline, meanings)
    allowed = max(_allowance(outline, m) for m in meanings)
    if _moved(outline, after) > allowed + ROUNDING_MM:
        without = [[m for m in meanings if m is not left_out] for left_out in meanings]
        moves = [_moved(outline, _met(outline, rest)) if rest else 0.0 for rest in without]
        blamed = meanings[int(np.argmin(moves))]
        moved = _moved(outline, after)
        raise InputError(
            f"To draw it so ({blamed.text}) would move an edge by {moved:.2f} mm, more than the {allowed:.2f} mm that "
            "the measurement leaves open",
            REMEDY,
        )
    return after


def _allowance(outline: Outline, meaning: Meaning) -> float:
    """The uncertainty of a meaning as a length: an angle's, over the size of the outline."""
    if meaning.unit == "mm":
        return meaning.uncertainty
    x0, y0, x1, y1 = outline.bounds()
    return math.radians(meaning.uncertainty) * math.hypot(x1 - x0, y1 - y0)


def _met(outline: Outline, meanings: Sequence[Meaning]) -> Outline:
    figure, conditions = figure_of(outline), []
    for meaning in meanings:
        figure, condition = _condition(figure, meaning)
        conditions.append(condition)
    try:
        return redrawn(satisfied(figure, conditions))
    except Contradiction as trouble:
        blamed = meanings[trouble.worst]
        raise InputError(f"This contradicts other things the outline is to mean ({blamed.text})", REMEDY) from trouble
    except ValueError as error:
        raise InputError(f"Drawn as meant, the outline would not hold together ({error})", REMEDY) from error


def can_be_drawn(outline: Outline, meaning: Meaning) -> bool:
    """Whether a meaning concerns lines and arcs only, so that it can be met exactly."""
    try:
        _condition(figure_of(outline), meaning)
    except InputError:
        return False
    return True


def _condition(figure: Figure, meaning: Meaning) -> tuple[Figure, Condition]:
    """The condition of a meaning, once it is sure to belong to this outline, and the figure with what it needs."""
    if meaning.kind == Kind.SYMMETRIC:
        return _symmetry(figure, meaning)
    loops = figure.outline.loops
    known = all(i < len(loops) and k < len(loops[i].segments) for i, k in meaning.where)
    starts = np.concatenate([[0], np.cumsum([len(loop.segments) for loop in loops])])
    pieces = tuple(int(starts[i]) + k for i, k in meaning.where) if known else ()
    if any(figure.fits[k] is None for k in pieces):
        raise InputError(f"This concerns a free curve, which cannot be made exact ({meaning.text})", REMEDY)
    meant = math.radians(meaning.meant) if meaning.unit == "deg" else meaning.meant
    condition = Condition(pieces, lambda fits: RESIDUALS[meaning.kind](fits, meant))
    try:
        left = float(np.linalg.norm(condition.residual(figure.chosen(pieces))))
    except (AssertionError, IndexError):
        left = math.inf
    reach = meaning.uncertainty if meaning.unit == "mm" else math.radians(meaning.uncertainty)
    reach *= math.sqrt(len(pieces))  # residuals of several numbers, each within the uncertainty
    if left > reach + ROUNDING_MM or abs(meaning.measured - meaning.meant) > meaning.uncertainty + ROUNDING_MM:
        raise InputError(f"The outline does not mean this within its uncertainty ({meaning.text})", REMEDY)
    return figure, condition


def _symmetry(figure: Figure, meaning: Meaning) -> tuple[Figure, Condition]:
    """The figure with the axis as one more line, and the condition that its pieces are each other's mirror image."""
    assert meaning.axis_deg is not None
    axis = LineFit(np.asarray(meaning.at), math.radians(meaning.axis_deg))
    segments = figure.outline.segments
    middles = np.array([s.centre if isinstance(s, Arc) and s.is_circle else s.point(0.5)[0] for s in segments])
    images = middles - 2 * axis.distances(middles)[:, None] * axis.left
    apart = np.linalg.norm(images[:, None] - middles[None], axis=2)
    counterpart = apart.argmin(axis=1)
    same_kind = all(type(segments[k]) is type(segments[c]) for k, c in enumerate(counterpart))
    mutual = (counterpart[counterpart] == np.arange(len(segments))).all()
    if any(isinstance(s, Spline) for s in segments):
        raise InputError(f"Symmetry concerns free curves, which cannot be made exact here ({meaning.text})", REMEDY)
    if not (same_kind and mutual and apart.min(axis=1).max() <= COUNTERPART_MM):
        raise InputError(f"Both halves are divided into pieces in different ways ({meaning.text})", REMEDY)
    pairs = [(k, int(c)) for k, c in enumerate(counterpart) if k <= c]
    pieces = (len(figure.fits), *(k for pair in pairs for k in pair))

    def residual(fits: Sequence[Fit]) -> Floats:
        line = fits[0]
        assert isinstance(line, LineFit)
        return np.concatenate([mirrored(line, a, b) for a, b in zip(fits[1::2], fits[2::2], strict=True)])

    return replace(figure, fits=(*figure.fits, axis)), Condition(pieces, residual)


def _moved(before: Outline, after: Outline) -> float:
    """Largest distance of a piece from where it was, across it, mm; corners may slide along."""
    t = np.linspace(0.0, 1.0, SAMPLES)
    moves = []
    for fit, a, b in zip(figure_of(before).fits, before.segments, after.segments, strict=True):
        if fit:
            moves.append(np.abs(fit.distances(b.point(t))).max())
        else:
            curve = shapely.LineString(a.flattened(ROUNDING_MM * 1e3))
            moves.append(shapely.distance(shapely.points(b.point(t)), curve).max())
    return float(max(moves))
