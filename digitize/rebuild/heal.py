"""Damage healed: a chip or a worn stretch replaced by the fair continuation of the edges to either side of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Stretch
from digitize.model.segment import Arc, Line, Point, Points, Segment
from digitize.rebuild.assemble import closed
from digitize.rebuild.bridge import merged
from digitize.rebuild.path import Path, stretch_between

LEAST_EDGE = 0.5  # of the gap: shorter edges beside it say too little
BESIDE_MM = 0.2  # of a curved edge beside the damage that goes with it
SOUND = 2.0  # times the spot's size: an edge beside it that is as long is sound
SHALLOWEST_MM = 0.02  # a spot must leave the fair edge by more
MOST_SPOTS = 50


@dataclass(frozen=True)
class Healed:
    """An outline with damage replaced.

    invented : where, along the new outline; was : the same stretches along the old one
    kinds : line, arc, corner or spline, one for each; depths_mm : how far the old edge lay from the new one
    """

    outline: Outline
    invented: tuple[Stretch, ...]
    was: tuple[Stretch, ...]
    kinds: tuple[str, ...]
    depths_mm: tuple[float, ...]


def healed_between(outline: Outline, start: Point, end: Point) -> Healed:
    """The stretch between two points of one loop, the shorter way round, replaced.

    Raises InputError where a point is off the edge, both are on different loops, or too little sound edge is left.
    """
    return _healed(outline, [stretch_between(outline, start, end)])


def healed_spots(outline: Outline, size: float) -> Healed:
    """All spots up to ``size`` (mm along the edge) replaced where the edges to either side go on as each other."""
    found = [(k, a, b) for k, loop in enumerate(outline.loops) for a, b in _spots(loop, size)]
    if len(found) > MOST_SPOTS:
        raise InputError(
            f"{len(found)} spots are out of fair and at most {MOST_SPOTS} are healed", "ask for smaller ones"
        )
    return _healed(outline, found)


def _healed(outline: Outline, spots: Sequence[tuple[int, float, float]]) -> Healed:
    loops: list[Loop] = []
    invented: list[Stretch] = []
    kinds: list[str] = []
    for k, loop in enumerate(outline.loops):
        mine = sorted((a, b) for number, a, b in spots if number == k)
        if mine:
            loop, stretches, made = closed(_edges(Path(loop), mine))
            invented += [Stretch(k, a, b) for a, b in stretches]
            kinds += made
        loops.append(loop)
    try:
        whole = Outline(loops[0], tuple(loops[1:]))
    except ValueError as error:
        raise InputError(
            f"The edges beside the damage cannot be carried on ({error})", "give points that leave more sound edge"
        ) from error
    depths = tuple(_depth(Path(outline.loops[k]), a, b, loops[k]) for k, a, b in spots)
    return Healed(whole, tuple(invented), tuple(Stretch(*s) for s in spots), tuple(kinds), depths)


def _edges(path: Path, spots: Sequence[tuple[float, float]]) -> list[tuple[tuple[Segment, ...], float]]:
    """The sound edges between spots, each with how much of it goes with the spot that follows, mm."""
    edges = [path.cut(spots[k - 1][1], a) for k, (a, _) in enumerate(spots)]
    for (a, b), before, after in zip(spots, edges, edges[1:] + edges[:1], strict=True):
        _check(before, after, math.dist(*path.points(np.array([a, b]))))
    return [(edge, BESIDE_MM) for edge in edges]


def _check(before: Sequence[Segment], after: Sequence[Segment], width: float) -> None:
    """Raises InputError where the fair edge beside a gap is too short to be carried on across it."""
    left = min(before[-1].length, after[0].length)
    if left < LEAST_EDGE * width:
        raise InputError(
            f"The damage is {width:.1f} mm wide and only {left:.1f} mm of even edge beside it are left to continue "
            f"(at least {LEAST_EDGE * width:.1f} mm are needed)",
            "give points nearer to each other, or take the shape from the other half (mirror)",
        )


def _depth(path: Path, a: float, b: float, healed: Loop) -> float:
    """How far the old edge lay from the new loop at most, mm."""
    flat = healed.flattened(0.001)
    old = path.points(np.linspace(a, a + (b - a) % path.length, 60))
    return float(shapely.distance(shapely.LinearRing(flat), shapely.points(old)).max())


def _spots(loop: Loop, size: float) -> list[tuple[float, float]]:
    """Stretches of whole segments, no longer than ``size``, between two long edges that are one line or arc."""
    path, n = Path(loop), len(loop.segments)
    found: list[tuple[float, float]] = []
    for i in range(n):
        for count in range(1, n - 1):
            inside = [loop.segments[(i + m) % n] for m in range(count)]
            length = math.fsum(s.length for s in inside)
            if length > size:
                break
            x, y = loop.segments[i - 1], loop.segments[(i + count) % n]
            if min(x.length, y.length) < SOUND * length or not isinstance(x, Line | Arc):
                continue
            one = merged(x, y)
            a, b = float(path.ends[i]), float(path.ends[i] + length)
            if one and _off(path.points(np.linspace(a, b, 60)), one) > SHALLOWEST_MM:
                found.append((a % path.length, b % path.length))
                break
    return [s for k, s in enumerate(found) if all(not _meets(s, t, path.length) for t in found[:k])]


def _off(points: Points, one: Segment) -> float:
    return float(shapely.distance(shapely.LineString(one.flattened(0.001)), shapely.points(points)).max())


def _meets(a: tuple[float, float], b: tuple[float, float], length: float) -> bool:
    return (b[0] - a[0]) % length < (a[1] - a[0]) % length or (a[0] - b[0]) % length < (b[1] - b[0]) % length
