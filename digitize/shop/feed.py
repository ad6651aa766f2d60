"""Which way to feed each stretch of the edge, and from where: runs that go downhill with respect to the grain.

By hand the spindle turns clockwise seen from above, and ordinary feed leads the cutter with the material on its left:
counter-clockwise round an outside, clockwise in a hole. On a router table the spindle comes from below, and ordinary
feed leads the cutter round the work the other way. Work that is turned over is seen mirrored: the ways swap once more.
Which way is downhill is the wood's affair alone. Source: common practice, several makers' manuals agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from digitize.model.outline import Outline
from digitize.model.segment import Point, as_point
from digitize.shop.depth import Machine, Side
from digitize.shop.fibre import EdgeSteps, points_along
from digitize.shop.grain import EdgeGrain
from digitize.shop.samples import Ints
from digitize.shop.ways import END_RAD, LONG_RAD, SAME_MM, Edge, cuts_of, is_level

Feed = Literal["ordinary", "climb"]
Turning = Literal["clockwise", "counter-clockwise"]
GrainClass = Literal["end", "long", "sloped", "unknown"]

MOSTLY = 0.6  # of its length makes a run end grain or long grain


@dataclass(frozen=True)
class Run:
    """One stretch of the edge, cut in one go.

    loop : 0 is the outer loop, then the holes
    start_mm, end_mm : along the loop, its own way, where the cut begins and ends; past the loop's beginning they wrap
    feed, travel : "ordinary" or "climb", and the cutter's way round the loop as seen at the machine
    forward : whether it goes the loop's own way
    order : from 1 on
    grain : what most of it is
    uphill_mm : length that goes uphill all the same, too short to be fed by itself
    from_tip : whether it begins at a fragile tip
    """

    loop: int
    start_mm: float
    end_mm: float
    length_mm: float
    feed: Feed
    travel: Turning
    forward: bool
    order: int
    grain: GrainClass
    uphill_mm: float
    from_tip: bool
    start: Point
    end: Point


def ordinary_is_forward(machine: Machine, flipped: bool) -> bool:
    """Whether ordinary feed goes a loop's own way, with the material on the left seen from above the drawn face."""
    return (machine == "hand") != flipped


def bearing_place(machine: Machine, pattern_on: Side) -> Literal["shank", "tip"]:
    """Which end's bearing rides on the pattern: the shank's where the pattern lies on the machine's side."""
    return "shank" if (machine == "hand") == (pattern_on == "top") else "tip"


def feed_runs(
    outline: Outline, steps: EdgeSteps, grain: EdgeGrain | None, machine: Machine, flipped: bool = False
) -> tuple[Run, ...]:
    """All runs in the order to cut them: end grain first, then the rest; ordinary feed before climb cuts.

    grain : None where its direction is not known or does not matter: each loop is then one run of ordinary feed
    """
    forward = ordinary_is_forward(machine, flipped)
    runs: list[Run] = []
    for loop in range(len(outline.loops)):
        inside = np.flatnonzero(steps.loop == loop)
        tips = [t for t in grain.tips if t.loop == loop and t.kind == "tip"] if grain else []
        edge = Edge(
            loop, steps.start[inside], steps.length[inside], grain.slope[inside] if grain else np.zeros(0), forward
        )
        cuts = cuts_of(edge, tips) if grain else [(_longest_straight(outline, loop), forward)]
        ends = [as_point(p) for p in points_along(steps, loop, [place for place, _ in cuts])]
        pairs = zip(ends, ends[1:] + ends[:1], strict=True)
        own = [_run(edge, *cut, pair, flipped) for cut, pair in zip(_stretches(edge, cuts), pairs, strict=True)]
        places = np.array([t.along_mm for t in tips])
        runs += [replace(run, from_tip=edge.apart(run.start_mm, places) < SAME_MM) for run in own]
    ordered = sorted(runs, key=lambda r: (r.grain != "end", r.feed == "climb", r.loop, r.start_mm))
    return tuple(replace(run, order=number) for number, run in enumerate(ordered, start=1))


def _stretches(edge: Edge, cuts: Sequence[tuple[float, bool]]) -> list[tuple[float, float, bool]]:
    """Start, length and way between each cut and the next."""
    following = [place for place, _ in cuts[1:]] + [cuts[0][0] + edge.total]
    return [(place, after - place, way) for (place, way), after in zip(cuts, following, strict=True)]


def _run(edge: Edge, start: float, length: float, forward: bool, points: tuple[Point, Point], flipped: bool) -> Run:
    inside = edge.between(start, length)
    begin, end = edge.wrapped(start), edge.wrapped(start + length)
    begin, end = (begin, end) if forward else (end, begin)
    around = forward == (edge.loop == 0)
    return Run(
        loop=edge.loop,
        start_mm=begin,
        end_mm=end,
        length_mm=length,
        feed="ordinary" if forward == edge.ordinary else "climb",
        travel="counter-clockwise" if around != flipped else "clockwise",
        forward=forward,
        order=0,
        grain=_class(edge, inside),
        uphill_mm=_uphill(edge, inside, forward),
        from_tip=False,
        start=points[0] if forward else points[1],
        end=points[1] if forward else points[0],
    )


def _class(edge: Edge, inside: Ints) -> GrainClass:
    if not len(edge.slope):
        return "unknown"
    length, steep = edge.length[inside], np.abs(edge.slope[inside])
    if length[steep > END_RAD].sum() >= MOSTLY * length.sum():
        return "end"
    return "long" if length[steep < LONG_RAD].sum() >= MOSTLY * length.sum() else "sloped"


def _uphill(edge: Edge, inside: Ints, forward: bool) -> float:
    if not len(edge.slope):
        return 0.0
    slope = edge.slope[inside]
    return float(edge.length[inside][~is_level(slope) & ((slope > 0) == forward)].sum())


def _longest_straight(outline: Outline, loop: int) -> float:
    """The middle of a loop's longest segment, mm along it: a quiet place to begin."""
    lengths = [s.length for s in outline.loops[loop].segments]
    longest = int(np.argmax(lengths))
    return math.fsum(lengths[:longest]) + lengths[longest] / 2
