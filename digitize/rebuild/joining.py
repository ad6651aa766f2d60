"""Pieces' patterns and how they were joined -> the pattern of the whole."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime

from digitize.model.errors import Caveat
from digitize.model.outline import Outline
from digitize.model.pattern import COVERAGE_FACTOR, Contribution, Fit, Measurement, Pattern
from digitize.rebuild.fragments import Joined
from digitize.rebuild.record import Values, redrawn

THICKNESS_MM = 0.3  # pieces of one board differ by no more


def whole_of(
    pieces: Sequence[Pattern],
    found: Joined,
    name: str,
    when: datetime,
    asked: Values,
    level: Callable[[Sequence[Outline]], Sequence[Outline]],
) -> tuple[Pattern, list[Outline]]:
    """The pattern of the whole, in its own frame, and the pieces as they lie in it.

    asked : what the joining was told, to do it again; level : turns outlines together into the first one's frame
    """
    laid = [p.outline.moved(at.turn, at.shift) for p, at in zip(pieces, found.at, strict=True)]
    whole, *laid = level([found.outline, *laid])
    largest = max(pieces, key=lambda p: p.outline.outer.area)
    turned = math.degrees(_direction(whole) - _direction(found.outline))
    base = pieces[0].model_copy(
        update={
            "name": name,
            "created": when,
            "measured": _measured(largest.measured, found),
            "fit": _fit([p.fit for p in pieces if p.fit]),
            "caveats": tuple(dict.fromkeys(c for p in pieces for c in p.caveats)),
            "steps": tuple(step for p in pieces for step in p.steps),
        }
    )
    values: Values = {"pieces": ", ".join(p.name for p in pieces), **asked}
    for k, at in enumerate(found.at, start=1):
        values |= {f"turn_{k}_deg": math.degrees(at.turn), f"x_{k}_mm": at.shift[0], f"y_{k}_mm": at.shift[1]}
    pattern = redrawn(
        base, whole, found.invented, ("joined", values), (*_thicknesses(pieces), *found.caveats), turned_deg=turned
    )
    return pattern, laid


def _direction(outline: Outline) -> float:
    tangent = outline.outer.segments[0].tangent(0.0)[0]
    return math.atan2(tangent[1], tangent[0])


def _measured(measured: Measurement | None, found: Joined) -> Measurement | None:
    """The largest piece's measurement, with the joints' share of the uncertainty."""
    if measured is None:
        return None
    shift = max(j.shift_mm for j in found.joints) / COVERAGE_FACTOR
    return measured.model_copy(update={"uncertainty": (*measured.uncertainty, Contribution("joint", 0.0, shift))})


def _fit(fits: Sequence[Fit]) -> Fit | None:
    """The pieces' fits as one; what is counted on the whole outline is counted anew by the caller."""
    if not fits:
        return None
    known = [f.points for f in fits if f.points]
    weights = [f.points or 1 for f in fits]
    rms = math.sqrt(sum(w * f.rms_mm**2 for w, f in zip(weights, fits, strict=True)) / sum(weights))
    largest = max((f.largest_mm for f in fits if f.largest_mm is not None), default=None)
    return Fit(rms, largest, sum(known) if known else None, None, None, None)


def _thicknesses(pieces: Sequence[Pattern]) -> tuple[Caveat, ...]:
    known = [p.thickness_mm for p in pieces if p.thickness_mm is not None]
    if not known or max(known) - min(known) <= THICKNESS_MM:
        return ()
    problem = f"the pieces are {min(known):g} to {max(known):g} mm thick, and parts of one board differ by less"
    return (Caveat(problem, f"measure them again; pieces of one board differ by {THICKNESS_MM:g} mm at most"),)
