"""What a person's hand does to an outline on the stage, as calls of the floors below."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from digitize.commands.options import THINNEST_MM
from digitize.draft import Draft, edited, followed, rethickened
from digitize.editing.joints import added, moved, removed
from digitize.editing.stretches import straightened
from digitize.model.errors import InputError
from digitize.model.pattern import THICKEST_MM, Pattern, size_uncertainty
from digitize.model.segment import Point, as_point
from digitize.model.units import parse_length
from digitize.rebuild.heal import healed_between
from digitize.rebuild.record import Values
from digitize.web.desk import Work
from digitize.web.forms import Edit, Grain, Place, Ruler

LEAST_ARROW_MM = 2.0


def changed(work: Work, asked: Edit) -> Draft:
    """The work's draft as an edit leaves it; undo and redo are not edits.

    Raises
    ------
    InputError where the edit cannot be made
    """
    draft, outline = work.draft, work.draft.outline
    match asked.do:
        case "move":
            to = _at(work, asked.to)
            values: Values = {"loop": float(asked.loop), "joint": float(asked.index), "to_x": to[0], "to_y": to[1]}
            return edited(draft, moved(outline, asked.loop, asked.index, to), "corner moved", values)
        case "add":
            near = _at(work, asked.near)
            return edited(draft, added(outline, near), "corner added", {"x": near[0], "y": near[1]})
        case "remove":
            values = {"loop": float(asked.loop), "joint": float(asked.index)}
            return edited(draft, removed(outline, asked.loop, asked.index), "corner removed", values)
        case "straighten":
            start, end = _at(work, asked.start), _at(work, asked.end)
            what = "stretch made straight" if asked.kind == "line" else "stretch made an arc"
            return edited(draft, straightened(outline, start, end, asked.kind), what, _between(start, end))
        case "heal":
            start, end = _at(work, asked.start), _at(work, asked.end)
            return edited(draft, healed_between(outline, start, end).outline, "damage healed", _between(start, end))
        case "redraw":
            if work.sight is None or len(asked.path) < 2:
                raise InputError("There is no stroke over a photo to follow", "draw along the edge in a traced photo")
            return followed(draft, work.from_stage(asked.path), work.photo(), work.sight)
        case "thickness":
            return rethickened(draft, parse_length(asked.thickness, "thickness", THINNEST_MM, THICKEST_MM), work.sight)
    raise ValueError(f"{asked.do} is no edit")


def tried(work: Work, asked: Edit) -> Draft:
    """The same while a joint is dragged, with nothing written down; raises InputError for anything else."""
    if asked.do != "move":
        raise InputError("Only a corner can be tried out", "make the change, and undo it if it is not right")
    to = _at(work, asked.to)
    outline = moved(work.draft.outline, asked.loop, asked.index, to)
    return replace(work.draft, pattern=work.pattern.model_copy(update={"outline": outline, "invented": ()}))


def grained(work: Work, asked: Grain) -> Pattern:
    """The pattern with its grain as an arrow was drawn, or as degrees from its level."""
    deg = asked.deg
    if asked.a is not None and asked.b is not None:
        (x0, y0), (x1, y1) = work.from_stage([asked.a, asked.b])
        if math.hypot(x1 - x0, y1 - y0) < LEAST_ARROW_MM:
            raise InputError("The arrow is too short to tell a direction", "draw it longer, along the grain")
        deg = math.degrees(math.atan2(y1 - y0, x1 - x0))
    told = None if deg is None else round(deg, 2) % 180.0
    return work.pattern.model_copy(update={"grain_deg": told})


def ruled(work: Work, asked: Ruler) -> str:
    """The distance between two places, with its expanded uncertainty where the pattern was measured."""
    a, b = work.from_stage([asked.a, asked.b])
    length = float(np.hypot(*(b - a)))
    if work.pattern.measured is None:
        return f"{length:.2f} mm"
    return f"{length:.2f} mm ± {size_uncertainty(work.pattern.measured.uncertainty, length):.2f} mm (k = 2)"


def _at(work: Work, place: Place | None) -> Point:
    if place is None:
        raise InputError("No place was pointed at", "touch the edge in the picture")
    return as_point(work.from_stage([place])[0])


def _between(start: Point, end: Point) -> Values:
    return {"from_x": start[0], "from_y": start[1], "to_x": end[0], "to_y": end[1]}
