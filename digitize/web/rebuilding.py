"""What the page rebuilds, by the calls of the command line.

One rule: what leaves the measured edge where it was measured (symmetry, healed spots) is one more state of the same
work, in its own frame, so that its photo stays true. What changes the size or the hand, or joins pieces, is a new
pattern on the desk without a photo, and the work it was made of stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np

from digitize.commands.heal import SPOT_MM, healed_pattern, healed_words
from digitize.commands.join import MOST_PIECES, flipped, joint_words
from digitize.commands.mirror import symmetric
from digitize.commands.options import fair_mm
from digitize.commands.resize import (
    OTHER_HAND,
    moved_out,
    moved_words,
    outward_offset,
    resized,
    scales,
    size_words,
    turned_over,
)
from digitize.commands.shrinkage import Asked, swollen
from digitize.draft import opened, rebuilt
from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Point, as_point
from digitize.model.units import parse_length, parse_numbers
from digitize.pipeline import Frame, level, trace
from digitize.rebuild.fragments import LOST_MM, MOST_LOST_MM, joined
from digitize.rebuild.heal import healed_spots
from digitize.rebuild.joining import whole_of
from digitize.rebuild.mirror import Mirrored, averaged, completed, found_axis, middle_edge
from digitize.rebuild.record import at_origin
from digitize.rebuild.resize import LEAST_MM
from digitize.vision.trace import Progress, Setup
from digitize.web.desk import Desk, Made, Work
from digitize.web.forms import Join, Place, Rebuild
from digitize.web.lines import placed, straight

LEAST_AXIS_MM = 1.0
BEYOND = 0.05  # of its length in the part: the axis is drawn so far past it


def made(desk: Desk, work: Work, asked: Rebuild) -> Work:
    """The work that holds what was asked for: the same one, or a new one on the desk; raises InputError."""
    part = work.pattern
    match asked.do:
        case "both" | "half":
            found = _both(part.outline) if asked.do == "both" else _half(work, asked)
            return _further(work, *symmetric(part, found))
        case "spots":
            return _spots(work, asked)
        case "size":
            return _resized(desk, work, asked)
        case "hand":
            turned, (before,) = turned_over(part), at_origin(part.outline)
            return _laid(desk, turned, f"{part.name}, other hand", (OTHER_HAND,), (before,))
        case "shrinkage":
            return _swollen(desk, work, asked)
        case "edge":
            return _offset_edge(desk, work, asked)
    raise ValueError(f"{asked.do} is no rebuilding")


def _further(work: Work, pattern: Pattern, words: Sequence[str]) -> Work:
    """The work with one more state, in the frame it has."""
    before = work.draft.outline
    work.put(rebuilt(work.draft, pattern))
    work.made = Made(tuple(words), (before,))
    return work


def _laid(desk: Desk, pattern: Pattern, name: str, words: Sequence[str], before: Sequence[Outline]) -> Work:
    """A new work on the desk."""
    return desk.put(_begun(Work(name=name), pattern.model_copy(update={"name": name}), words, before))


def _begun(work: Work, pattern: Pattern, words: Sequence[str], before: Sequence[Outline]) -> Work:
    work.begin(opened(pattern))
    work.made = Made(tuple(words), tuple(before))
    return work


def _both(outline: Outline) -> Mirrored:
    axis = found_axis(outline)
    if axis is None:
        raise InputError(
            "The part is not its own mirror image about any axis, so its halves have no mean",
            "choose one half and its mirror image, and draw the axis",
        )
    return averaged(outline, axis)


def _half(work: Work, asked: Rebuild) -> Mirrored:
    """One half and its mirror image, about the axis that was drawn, or else the one that is found."""
    outline = work.draft.outline
    if asked.axis is not None:
        a, b = (as_point(p) for p in work.from_stage(asked.axis))
        if math.dist(a, b) < LEAST_AXIS_MM:
            raise InputError(
                "The two places of the axis are too near to each other", "touch two that are farther apart"
            )
        if not _left(work, asked.keep, a, math.atan2(b[1] - a[1], b[0] - a[0])):
            a, b = b, a
        return completed(outline, a, math.atan2(b[1] - a[1], b[0] - a[0]))
    at, direction, whole = _axis(outline)
    turned = whole and not _left(work, asked.keep, at, direction)
    return completed(outline, at, direction + math.pi if turned else direction)


def _left(work: Work, keep: Place | None, at: Point, direction: float) -> bool:
    """Whether the good half lies left of an axis; raises InputError where nobody touched it."""
    if keep is None:
        raise InputError("It is not said which half is the good one", "touch it in the picture")
    x, y = work.from_stage([keep])[0] - at
    return bool(math.cos(direction) * y > math.sin(direction) * x)


def _axis(outline: Outline) -> tuple[Point, float, bool]:
    """The axis that is found: a point (mm), its direction, and whether the part lies on both sides of it."""
    if axis := found_axis(outline):
        return axis.at, axis.angle, True
    try:
        return (*middle_edge(outline), False)
    except InputError as error:
        raise InputError(error.problem, "draw the axis by touching two places on it") from error


def _spots(work: Work, asked: Rebuild) -> Work:
    size = parse_length(asked.spots, "size of the spots", *SPOT_MM)
    found = healed_spots(work.draft.outline, size)
    if not found.kinds:  # nothing to heal is no state of its own
        work.made = Made(tuple(healed_words(found)), ())
        return work
    return _further(work, healed_pattern(work.pattern, found, {"spots_mm": size}), healed_words(found))


def _resized(desk: Desk, work: Work, asked: Rebuild) -> Work:
    part, wanted = work.pattern, parse_length(asked.length, "length", LEAST_MM)
    sizes: dict[str, str] = {}
    between = None
    if asked.by == "between":
        if asked.between is None:
            raise InputError("The two places are missing that the length is between", "touch them in the picture")
        between = [as_point(p) for p in work.from_stage(asked.between)]
    else:
        sizes = {asked.by: asked.length}
        if asked.alone:
            other, is_mm = ("height", part.size[1]) if asked.by == "width" else ("width", part.size[0])
            sizes[other] = f"{is_mm!r}mm"
    length = None if between is None else asked.length
    along, up, told = scales(part, between, length, sizes.get("width"), sizes.get("height"))
    if along == up == 1.0:
        raise InputError(f"It is {wanted:g} mm already", "give another length")
    new, (before,) = resized(part, along, up, told), at_origin(part.outline)
    name = f"{part.name}, {'' if asked.by == 'between' else asked.by + ' '}{wanted:g} mm"
    return _laid(desk, new, name, (size_words(part, new, along, up),), (before,))


def _swollen(desk: Desk, work: Work, asked: Rebuild) -> Work:
    part = work.pattern
    if part.grain_deg is None:
        raise InputError("The direction of the grain is not known", "draw it on the part, along the fibres")
    percent = _number(asked.percent, "shrinkage") if asked.percent.strip() else None
    moisture = (_number(asked.then, "moisture then"), _number(asked.now, "moisture now"))
    new, before, words = swollen(part, Asked(*moisture, asked.species or None, percent, asked.rings, None))
    return _laid(desk, new, f"{part.name}, shrinkage undone", words, (before,))


def _offset_edge(desk: Desk, work: Work, asked: Rebuild) -> Work:
    """The edge moved by an offset, or in for a template that a guide bush runs along."""
    part, out = work.pattern, asked.moved == "out"
    if asked.moved == "bush":
        outward, told = outward_offset(None, None, asked.bush, asked.cutter)
        what = f"template for bush {told['bush_mm']:g} mm, cutter {told['cutter_mm']:g} mm"
    else:
        outward, told = outward_offset(asked.offset if out else None, None if out else asked.offset, None, None)
        what = f"{abs(outward):g} mm {'larger' if out else 'smaller'} all round"
    new, (before,) = moved_out(part, outward, told), at_origin(part.outline)
    return _laid(desk, new, f"{part.name}, {what}", (moved_words(outward),), (before,))


def _number(text: str, what: str) -> float:
    """A percentage as typed."""
    try:
        found = float(text.replace(",", ".").replace("%", ""))
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise InputError(f"“{text}” is not a percentage for the {what}", "type a number like 8")
    return found


def offered(work: Work) -> dict[str, Any]:
    """What a part shows before it is rebuilt: the axis that is found, on the stage, and its box with both sizes."""
    outline = work.draft.outline
    x0, y0, x1, y1 = outline.bounds()
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
    sides = [placed(work, straight(a, b)) for a, b in pairwise(corners)]
    told = {"box": {"sides": sides, "width": f"{x1 - x0:.2f} mm wide", "height": f"{y1 - y0:.2f} mm high"}}
    try:
        at, direction, whole = _axis(outline)
    except InputError as error:
        return told | {"axis": None, "words": f"{error.problem}: {error.remedy}", "whole": True}
    way = np.array([math.cos(direction), math.sin(direction)])
    along = (outline.outer.flattened() - at) @ way
    past = BEYOND * np.ptp(along)
    line = placed(work, straight(at + (along.min() - past) * way, at + (along.max() + past) * way))
    words = "the axis was found by itself" if whole else "a half was found, and its straight middle is the axis"
    return told | {"axis": line, "words": words, "whole": whole}


def join_pieces(desk: Desk, work: Work, whole: Work, setup: Setup, asked: Join, progress: Progress) -> None:
    """Traces all parts in a work's photo and joins them; the pattern lies on the desk as ``whole`` once all is done."""
    depth = parse_length(asked.lost or f"{LOST_MM:g}mm", "depth of lost splinters", 0.0, MOST_LOST_MM)
    turned = parse_numbers(asked.flip, MOST_PIECES) if asked.flip.strip() else ()
    every, fair, now = replace(setup, part="all"), fair_mm(asked.fair or None), datetime.now(UTC)
    tracing = trace([work.photo()], every, fair, Frame.BENCH, frozenset(), work.name, now, progress)
    pieces = flipped(tracing.patterns, turned)
    progress("joining the pieces", 0.95)
    found = joined([p.outline for p in pieces], depth, asked.way)
    told: dict[str, float | str] = {"lost_mm": depth, "way": float(asked.way)}
    pattern, before = whole_of(pieces, found, whole.name, now, told, level)
    progress("showing", 0.99)
    desk.put(_begun(whole, pattern, joint_words(found), before))
