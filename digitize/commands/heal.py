"""``digitize heal``: chips and worn stretches replaced by the fair continuation of the edges beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from digitize.commands.options import AsJson, Force, Unit
from digitize.commands.rebuilding import Output, PictureFile, deliver, pattern_point, places
from digitize.editing.measured import invented_length
from digitize.files import read_part
from digitize.model.errors import InputError
from digitize.model.pattern import Pattern, Step
from digitize.model.units import parse_length
from digitize.rebuild.heal import Healed, healed_between, healed_spots
from digitize.rebuild.record import carried, redrawn

SPOT_MM = (0.2, 50.0)


def heal_command(
    pattern: Annotated[Path, typer.Argument(help="The pattern: .pattern.json, or a DXF.")],
    output: Output,
    between: Annotated[
        list[str] | None,
        typer.Option(
            help="A point X,Y beside the damage, in mm; give two, either side of it (a corner: on both edges)."
        ),
    ] = None,
    spots: Annotated[
        str | None, typer.Option(help="Heal all spots up to this length along the edge, like 6mm.")
    ] = None,
    unit: Unit = None,
    picture: PictureFile = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Replace a chip or a worn stretch by the fair continuation of its neighbours."""
    at = places(output, picture, [pattern], force)
    if (between is None) == (spots is None) or (between is not None and len(between) != 2):
        raise InputError(
            "It is not said what to heal",
            "give two points beside the damage (--between twice), or a size (--spots 6mm)",
        )
    part = read_part(pattern, unit).model_copy(update={"name": at.name})
    values: dict[str, float | str] = {}
    if between:
        start, end = (pattern_point(text) for text in between)
        values = {"x_1_mm": start[0], "y_1_mm": start[1], "x_2_mm": end[0], "y_2_mm": end[1]}
        found = healed_between(part.outline, start, end)
    else:
        size = parse_length(spots or "", "size of the spots", *SPOT_MM)
        values = {"spots_mm": size}
        found = healed_spots(part.outline, size)
    deliver(at, healed_pattern(part, found, values), [part.outline], healed_words(found), force, as_json)


def healed_pattern(part: Pattern, found: Healed, values: dict[str, float | str]) -> Pattern:
    """The part with what was healed; ``values`` tell what was asked for."""
    if not found.kinds:  # nothing to heal: the very same outline
        return part.model_copy(update={"steps": (*part.steps, Step("healed", {**values, "healed": 0.0}))})
    invented = (*carried(part.invented, part.outline, found.outline, lambda p: p), *found.invented)
    step = ("healed", {**values, "healed": float(len(found.kinds)), "as": ", ".join(found.kinds)})
    return redrawn(part, found.outline, invented, step)


def healed_words(found: Healed) -> list[str]:
    """What to tell of that."""
    if not found.kinds:
        return ["Nothing is out of fair: the outline was left as it is"]
    deepest = max(found.depths_mm)
    count = f"{len(found.kinds)} stretch{'es' if len(found.kinds) > 1 else ''}"
    length = invented_length(found.outline, found.invented)
    return [
        f"{count} replaced ({', '.join(found.kinds)}), {length:.1f} mm in all",
        f"The edge moved by up to {deepest:.2f} mm",
        "What was invented is dashed",
    ]
