"""An outline with one loop replaced, and checked to be an outline still."""

from __future__ import annotations

from collections.abc import Sequence

from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Segment

REMEDY = "leave more room between the edges, or mend a shorter stretch"


def loop_of(outline: Outline, number: int) -> Loop:
    """A loop by its number, 0 the outer one. Raises InputError where there is none."""
    if not 0 <= number < len(outline.loops):
        raise InputError(
            f"There is no edge number {number}, only {len(outline.loops)} of them", "choose one that is drawn"
        )
    return outline.loops[number]


def replaced(outline: Outline, number: int, segments: Sequence[Segment]) -> Outline:
    """The outline with the segments in place of one loop.

    Raises InputError where that loop would be open, cross itself or another one, or run the other way round.
    """
    loops = list(outline.loops)
    try:
        loops[number] = Loop(tuple(segments))
        mended = Outline(loops[0], tuple(loops[1:]))
    except ValueError as error:
        raise InputError(f"The edge cannot be drawn so ({error})", REMEDY) from error
    if len(loops) > 1 and not mended.polygon().is_valid:
        raise InputError("The edge cannot be drawn so (a hole would touch or leave the edge around it)", REMEDY)
    return mended
