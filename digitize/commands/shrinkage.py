"""``digitize shrinkage``: what a part has shrunk across the grain, undone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from digitize.commands.options import AsJson, Force, Unit
from digitize.commands.rebuilding import Output, PictureFile, deliver, places
from digitize.files import read_part
from digitize.model.errors import Caveat, InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.rebuild.affine import stretch_matrix
from digitize.rebuild.record import at_origin, carried, redrawn
from digitize.rebuild.shrinkage import MOISTURE, MOST_PERCENT, RINGS, change, coefficient, unshrunk


def shrinkage_command(
    pattern: Annotated[Path, typer.Argument(help="The pattern: .pattern.json, or a DXF.")],
    output: Output,
    then: Annotated[float, typer.Option(help="Moisture of the wood when it was cut, percent, like 12.")],
    now: Annotated[float, typer.Option(help="Its moisture now, percent, like 8.")],
    species: Annotated[str | None, typer.Option(help="The wood, like cherry or white oak.")] = None,
    percent: Annotated[
        float | None, typer.Option(help="Instead: shrinkage in the face from green to oven-dry, percent.")
    ] = None,
    rings: Annotated[
        str,
        typer.Option(help="Growth rings in the face: tangential (flat-sawn), rift, radial, or degrees from the face."),
    ] = "tangential",
    grain: Annotated[
        float | None, typer.Option(help="Direction of the grain, degrees from the x axis; else the pattern's own.")
    ] = None,
    unit: Unit = None,
    picture: PictureFile = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Undo what a part has shrunk across the grain since it was cut."""
    at = places(output, picture, [pattern], force)
    part = read_part(pattern, unit).model_copy(update={"name": at.name})
    made, before, words = swollen(part, Asked(then, now, species, percent, rings, grain))
    deliver(at, made, [before], words, force, as_json)


@dataclass(frozen=True)
class Asked:
    """What is known of the wood: moisture then and now, percent; the rest as the options say, None where not given."""

    then: float
    now: float
    species: str | None
    percent: float | None
    rings: str
    grain: float | None


def swollen(part: Pattern, asked: Asked) -> tuple[Pattern, Outline, list[str]]:
    """The part as it was, at the origin, its outline as it is now laid there too, and what to tell of that."""
    then, now = asked.then, asked.now
    for name, value in (("then", then), ("now", now)):
        if not MOISTURE[0] <= value <= MOISTURE[1]:
            raise InputError(f"The moisture {name} is {value:g} %", f"give {MOISTURE[0]:g} to {MOISTURE[1]:g} percent")
    direction = _grain(part, asked.grain)
    shrinks = _percent(asked.species, asked.percent, asked.rings)
    scale = 1.0 + change(1.0, shrinks, then, now)
    found = unshrunk(part.outline, direction, scale)
    outline, before = at_origin(found.outline, part.outline)
    x0, y0, x1, y1 = part.outline.bounds()
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    matrix = stretch_matrix(math.radians(direction), 1.0, scale)
    invented = carried(part.invented, part.outline, found.outline, lambda p: (p - middle) @ matrix.T + middle)
    values: dict[str, float | str] = {"percent": shrinks, "then": then, "now": now, "grain_deg": direction}
    values |= {"species": asked.species or "", "rings": asked.rings, "scale_across": scale, "moved_mm": found.moved_mm}
    rough = Caveat(
        "the shrinkage of a board can differ a good deal from its species' table value",
        "check against another part of the same piece, or give the wood's own --percent",
    )
    made = redrawn(part, outline, invented, ("shrinkage undone", values), (rough,))
    words = [
        f"Across the grain ({direction:g}°) times {scale:.5f}: {shrinks:.2f} % from green to oven-dry",
        f"Moisture {then:g} % then and {now:g} % now",
        f"300 mm across become {300 + change(300.0, shrinks, then, now):.2f} mm; edges move by up to "
        f"{found.moved_mm:.2f} mm from the middle; along the grain nothing changes",
    ]
    return made.model_copy(update={"grain_deg": direction % 180.0}), before, words


def _grain(part: Pattern, grain: float | None) -> float:
    direction = part.grain_deg if grain is None else grain
    if direction is None:
        raise InputError(
            "The direction of the grain is not known", "give it in degrees from the x axis, like --grain 90"
        )
    return direction


def _percent(species: str | None, percent: float | None, rings: str) -> float:
    if (species is None) == (percent is None):
        raise InputError("How much the wood shrinks is not said", "give either --species or --percent")
    if percent is not None:
        if not 0 < percent <= MOST_PERCENT:
            raise InputError(f"A shrinkage of {percent:g} % is not wood", f"give 0 to {MOST_PERCENT:g} percent")
        return percent
    word = rings.strip().lower()
    try:
        angle = RINGS[word] if word in RINGS else float(word)
    except ValueError as error:
        raise InputError(f"“{rings}” does not say how the rings lie", f"give {', '.join(RINGS)} or degrees") from error
    if not 0 <= angle <= 90:
        raise InputError(f"The rings lie at {angle:g}°", "give 0 (flat-sawn) to 90 degrees (quarter-sawn)")
    return coefficient(species or "", angle)
