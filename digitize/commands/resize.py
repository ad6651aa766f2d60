"""``digitize resize``: a pattern in another size, for the other hand, or for a guide bush."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from digitize.commands.options import AsJson, Force, Unit
from digitize.commands.rebuilding import Output, PictureFile, deliver, pattern_point, places
from digitize.files import read_part
from digitize.model.errors import InputError
from digitize.model.pattern import Pattern
from digitize.model.segment import Point, Points
from digitize.model.units import parse_length
from digitize.rebuild.record import at_origin, carried, redrawn
from digitize.rebuild.resize import factor, other_hand, scaled
from digitize.shop.roughcut import bush_offset, template

LEAST_MM = 1.0
LEAST_OFFSET_MM = 0.01
OTHER_HAND = "For the other hand: mirrored left for right"


def resize_command(
    pattern: Annotated[Path, typer.Argument(help="The pattern: .pattern.json, or a DXF.")],
    output: Output,
    between: Annotated[
        list[str] | None, typer.Option(help="A point X,Y of the pattern, in mm; give two, --length apart when resized.")
    ] = None,
    length: Annotated[str | None, typer.Option(help="What the distance of the two points is to be.")] = None,
    width: Annotated[str | None, typer.Option(help="What the whole width is to be; alone, the height follows.")] = None,
    height: Annotated[
        str | None, typer.Option(help="What the whole height is to be; alone, the width follows.")
    ] = None,
    hand: Annotated[bool, typer.Option("--other-hand", help="The mirror image: left for right.")] = False,
    outside: Annotated[str | None, typer.Option(help="Move the edge outward all round by this.")] = None,
    inside: Annotated[str | None, typer.Option(help="Move the edge inward all round by this.")] = None,
    bush: Annotated[
        str | None, typer.Option(help="A template for a guide bush of this outside diameter; with --cutter.")
    ] = None,
    cutter: Annotated[str | None, typer.Option(help="Diameter of the cutter that runs in the bush.")] = None,
    unit: Unit = None,
    picture: PictureFile = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Resize a pattern to a length that is to be, for the other hand, by an offset, or for a guide bush."""
    at = places(output, picture, [pattern], force)
    part = read_part(pattern, unit).model_copy(update={"name": at.name})
    points = None if between is None else [pattern_point(text) for text in between]
    along, up, asked = scales(part, points, length, width, height)
    outward, told = outward_offset(outside, inside, bush, cutter)
    if along == up == 1.0 and not hand and outward == 0.0:
        raise InputError(
            "No new size was given",
            "give --between twice and --length, --width, --height, --other-hand, --outside, --inside, or --bush",
        )
    made, before = part, part.outline
    if not along == up == 1.0:
        made = resized(made, along, up, asked)
    if hand:
        made = turned_over(made)
    if outward:
        made = moved_out(made, outward, told)
    words = [size_words(part, made, along, up)]
    words += [moved_words(outward)] if outward else []
    words += [OTHER_HAND] if hand else []
    deliver(at, made, at_origin(before), words, force, as_json)


def size_words(part: Pattern, made: Pattern, along: float, up: float) -> str:
    """How the size has changed."""
    old, new = part.size, made.size
    times = "" if along == up == 1.0 else f" (times {along:.5f} and {up:.5f})"
    return f"Width {old[0]:.2f} becomes {new[0]:.2f} mm, height {old[1]:.2f} becomes {new[1]:.2f} mm{times}"


def scales(
    part: Pattern, between: Sequence[Point] | None, length: str | None, width: str | None, height: str | None
) -> tuple[float, float, dict[str, float | str]]:
    """How many times wider and higher, and what was asked for; lengths as typed, ``between`` in mm."""
    if (between is None) != (length is None) or (between is not None and len(between) != 2):
        raise InputError("A length goes with the two points it is between", "give --between twice, and --length")
    if between is not None and (width or height):
        raise InputError("Two different sizes were asked for", "give --between and --length, or --width and --height")
    if between is not None and length is not None:
        a, b = between
        wanted = parse_length(length, "length", LEAST_MM)
        even = factor(math.dist(a, b), wanted)
        return even, even, {"x_1_mm": a[0], "y_1_mm": a[1], "x_2_mm": b[0], "y_2_mm": b[1], "length_mm": wanted}
    asked: dict[str, float | str] = {}
    scales: list[float | None] = []
    for text, name, size in ((width, "width", part.size[0]), (height, "height", part.size[1])):
        wanted_mm = parse_length(text, name, LEAST_MM) if text else None
        scales.append(None if wanted_mm is None else factor(size, wanted_mm))
        asked |= {} if wanted_mm is None else {f"{name}_mm": wanted_mm}
    along, up = scales
    return along or up or 1.0, up or along or 1.0, asked


def resized(part: Pattern, along: float, up: float, asked: dict[str, float | str]) -> Pattern:
    """The part so many times wider and higher, at the origin."""
    x0, y0, _, _ = part.outline.bounds()

    def move(points: Points) -> Points:
        moved: Points = (points - (x0, y0)) * (along, up) + (x0, y0)
        return moved

    outline = scaled(part.outline, along, up)
    invented = carried(part.invented, part.outline, outline, move)
    step = ("resized", {**asked, "times_wide": along, "times_high": up})
    made = redrawn(part, at_origin(outline)[0], invented, step)
    if part.grain_deg is None or along == up:
        return made
    grain = math.radians(part.grain_deg)
    turned = math.degrees(math.atan2(up * math.sin(grain), along * math.cos(grain))) % 180.0
    return made.model_copy(update={"grain_deg": turned})


def turned_over(part: Pattern) -> Pattern:
    """The part mirrored left for right, at the origin."""
    x0, _, x1, _ = part.outline.bounds()
    outline = other_hand(part.outline)
    invented = carried(
        part.invented, part.outline, outline, lambda p: np.column_stack([x0 + x1 - p[:, 0], p[:, 1]]), True
    )
    made = redrawn(part, at_origin(outline)[0], invented, ("made for the other hand", {}))
    return made if part.grain_deg is None else made.model_copy(update={"grain_deg": (180.0 - part.grain_deg) % 180.0})


def outward_offset(
    outside: str | None, inside: str | None, bush: str | None, cutter: str | None
) -> tuple[float, dict[str, float | str]]:
    """How far the edge moves outward, mm, and what was asked for; raises InputError where that is not one thing."""
    if (bush is None) != (cutter is None) or sum(x is not None for x in (outside, inside, bush)) > 1:
        raise InputError("One offset at a time is made", "give --outside, --inside, or --bush with --cutter")
    if bush is not None and cutter is not None:
        wide, narrow = parse_length(bush, "guide bush"), parse_length(cutter, "cutter")
        return -bush_offset(wide, narrow), {"bush_mm": wide, "cutter_mm": narrow}
    if outside is not None:
        out = parse_length(outside, "offset", LEAST_OFFSET_MM)
        return out, {"outside_mm": out}
    if inside is not None:
        in_mm = parse_length(inside, "offset", LEAST_OFFSET_MM)
        return -in_mm, {"inside_mm": in_mm}
    return 0.0, {}


def moved_words(outward: float) -> str:
    return f"Edge moved {'out' if outward > 0 else 'in'} by {abs(outward):g} mm all round"


def moved_out(part: Pattern, outward: float, told: dict[str, float | str]) -> Pattern:
    outlines = template(part.outline, -outward)
    if len(outlines) > 1:
        raise InputError(
            f"So far inside, the pattern falls into {len(outlines)} pieces at its narrow places",
            "take a smaller offset, or a bush nearer to the cutter's size",
        )
    step = ("edge moved out" if outward > 0 else "edge moved in", {**told, "by_mm": abs(outward)})
    return redrawn(part, at_origin(outlines[0])[0], (), step)
