"""``digitize mirror``: a symmetric pattern from one half of it, or from the mean of both."""

from __future__ import annotations

import math
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from digitize.commands.options import AsJson, Force, Unit
from digitize.commands.rebuilding import Output, PictureFile, deliver, pattern_point, places
from digitize.files import read_part
from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.rebuild.mirror import Mirrored, averaged, completed, found_axis, middle_edge
from digitize.rebuild.record import at_origin, carried, redrawn


class Keep(StrEnum):
    """The good half, seen along the axis from its first point to its second."""

    LEFT = "left"
    RIGHT = "right"


def mirror_command(
    pattern: Annotated[Path, typer.Argument(help="The pattern: .pattern.json, or a DXF.")],
    output: Output,
    axis: Annotated[
        list[str] | None, typer.Option(help="A point X,Y of the axis, in mm; give two. Without them it is found.")
    ] = None,
    keep: Annotated[Keep, typer.Option(help="The good half, looking along the axis.")] = Keep.LEFT,
    unit: Unit = None,
    picture: PictureFile = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Make a pattern symmetric: complete it from one half, or take the mean of both halves."""
    at = places(output, picture, [pattern], force)
    part = read_part(pattern, unit)
    made, words = symmetric(part, _about(part.outline, axis, keep) if axis else _unasked(part.outline))
    outline, before = at_origin(made.outline, part.outline)
    deliver(at, made.model_copy(update={"name": at.name, "outline": outline}), [before], words, force, as_json)


def symmetric(part: Pattern, found: Mirrored) -> tuple[Pattern, list[str]]:
    """The part with its symmetric outline, in its own frame, and what to tell of that."""
    point, angle = found.axis
    invented = (*carried(part.invented, part.outline, found.outline, lambda p: p), *found.invented)
    values: dict[str, float | str] = {"axis_x_mm": point[0], "axis_y_mm": point[1], "axis_deg": math.degrees(angle)}
    words = [f"Axis through {point[0]:.2f},{point[1]:.2f} at {math.degrees(angle):.3f}°"]
    if found.differ_mm is None or found.differ_rms_mm is None:
        what = "completed from one half"
        words.append("One half is the mirror image of the other (dashed: no edge was measured for it)")
    else:
        what = "halves averaged"
        values |= {"differ_rms_mm": found.differ_rms_mm, "differ_mm": found.differ_mm}
        words.append(f"The halves differed by {found.differ_rms_mm:.3f} mm RMS and {found.differ_mm:.2f} mm at most")
    return redrawn(part, found.outline, invented, (what, values)), words


def _about(outline: Outline, axis: list[str], keep: Keep) -> Mirrored:
    points = [pattern_point(text) for text in axis]
    if len(points) != 2 or math.dist(*points) < 1.0:
        raise InputError(
            "An axis needs two points at least 1 mm apart", "give --axis twice, like --axis 0,0 --axis 0,90"
        )
    a, b = points if keep == Keep.LEFT else points[::-1]
    return completed(outline, a, math.atan2(b[1] - a[1], b[0] - a[0]))


def _unasked(outline: Outline) -> Mirrored:
    """The mean of both halves of a symmetric outline; else, of a half, the whole."""
    axis = found_axis(outline)
    return averaged(outline, axis) if axis else completed(outline, *middle_edge(outline))
