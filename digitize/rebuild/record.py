"""A pattern with another outline: what was done to it, with its numbers, is written down in its steps."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from digitize.fitting.quality import curvature_extrema
from digitize.model.errors import Caveat
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern, Step, Stretch
from digitize.model.segment import Points
from digitize.rebuild.path import Path

LOST_MM = 0.5  # a stretch whose end lies farther off than this is no longer there

Values = dict[str, float | str]


def redrawn(
    pattern: Pattern,
    outline: Outline,
    invented: Sequence[Stretch],
    step: tuple[str, Values],
    caveats: Sequence[Caveat] = (),
    turned_deg: float = 0.0,
) -> Pattern:
    """The pattern with a new outline, the step that made it, and what to know about that.

    invented : all stretches of the new outline that no edge was measured for
    turned_deg : by how much the frame was turned under the grain
    """
    fit = pattern.fit
    if fit is not None:
        counted = {"pieces": len(outline.segments), "curvature_extrema": sum(map(curvature_extrema, outline.loops))}
        fit = type(fit)(fit.rms_mm, fit.largest_mm, fit.points, **counted, tangent_break_deg=_break_deg(outline))
    grain = pattern.grain_deg
    return pattern.model_copy(
        update={
            "outline": outline,
            "fit": fit,
            "invented": tuple(invented),
            "steps": (*pattern.steps, Step(*step)),
            "caveats": (*pattern.caveats, *caveats),
            "grain_deg": None if grain is None else (grain + turned_deg) % 180.0,
        }
    )


def carried(
    invented: Sequence[Stretch], old: Outline, new: Outline, move: Callable[[Points], Points], mirrored: bool = False
) -> tuple[Stretch, ...]:
    """Invented stretches of an outline as they lie on what it has become.

    move : where its points have gone; mirrored : whether its loops now run the other way round
    """
    found = []
    for stretch in invented:
        ends = Path(old.loops[stretch.loop]).points(np.array([stretch.start_mm, stretch.end_mm]))
        places = [_nearest(new, point) for point in move(ends)]
        if places[0][0] == places[1][0] and max(away for _, _, away in places) < LOST_MM:
            (loop, a, _), (_, b, _) = reversed(places) if mirrored else places
            found.append(Stretch(loop, a, b))
    return tuple(found)


def _nearest(outline: Outline, point: Points) -> tuple[int, float, float]:
    """The loop, the distance along it and how far away, mm, of the place nearest to a point."""
    return min(((k, *Path(loop).nearest(point)) for k, loop in enumerate(outline.loops)), key=lambda f: f[2])


def at_origin(outline: Outline, *others: Outline) -> tuple[Outline, ...]:
    """Outlines moved together until the first one's box begins at the origin."""
    x0, y0, _, _ = outline.bounds()
    return tuple(o.moved(0.0, (-x0, -y0)) for o in (outline, *others))


def _break_deg(outline: Outline) -> float:
    """Largest turn at a joint that is no corner, degrees."""
    loops = [loop for loop in outline.loops if len(loop.segments) > 1]
    corners = [set(loop.corners()) for loop in loops]
    turns = [
        abs(turn)
        for loop, sharp in zip(loops, corners, strict=True)
        for s, turn in zip(loop.segments, loop.turns(), strict=True)
        if s.start not in sharp
    ]
    return math.degrees(max(turns, default=0.0))
