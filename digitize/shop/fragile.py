"""Fragile tips, necks and walls: places where short grain would let a push break something off.

A crack runs along the grain. What stands beyond a fibre is a cantilever that hangs on it, as strong as its slope of
grain leaves it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from digitize.model.outline import signed_area
from digitize.model.segment import Point, Points, as_point, moved_points
from digitize.shop.fibre import EdgeSteps, Fibres, fibres
from digitize.shop.samples import Flags, Floats, Ints, Samples
from digitize.shop.strength import COMPRESSION, IMPACT, strength_ratio

PUSH_N_PER_MM = 2.5  # sideways, for each mm of thickness that is cut at once: a dull cutter fed by hand; from memory
STRENGTH_MPA = 60.0  # bending strength of the weaker hardwoods, clear and dry: basswood (Wood Handbook; from memory)
FRAGILE = 1 / 3  # of its strength that the push may use: clear test pieces are stronger than what lies on a bench
LEAST_MM = 3.0  # what stands out less is a nick that sanding takes off, not a tip
SHALLOWEST = 0.05  # sine of the least angle of a tip to the grain that a fibre's ends can tell
NECK = 1.3  # times width x length: what is larger beyond the fibre hangs on a neck
SAME_TIP_MM = 4.0  # farther apart along the edge they are two
FLAT_END_MM = 0.2  # a tip's end is all that reaches within this of its farthest point


@dataclass(frozen=True)
class Tip:
    """A place that short grain makes fragile.

    kind : "tip" stands out; "neck" holds more than itself; "wall" is what is left between an edge and a hole
    loop, along_mm, at : its farthest point, or a neck's or a wall's narrow place; mm
    fibre_mm, fibre : length and both ends of a tip's longest fragile fibre, of the weakest fibre of a neck or a wall
    width_mm, reach_mm : of the piece there, and from there to its end
    angle : between the grain and its axis, radians
    strength_ratio, impact_ratio, compression_ratio : of its strength with the grain along it
    load : share of its bending strength that the push of a dull cutter uses, where that is most
    flank : along the loop, mm, where its fragile part begins and ends; start > end where it passes the loop's beginning
    """

    kind: Literal["tip", "neck", "wall"]
    loop: int
    along_mm: float
    at: Point
    fibre_mm: float
    fibre: tuple[Point, Point]
    width_mm: float
    reach_mm: float
    angle: float
    strength_ratio: float
    impact_ratio: float
    compression_ratio: float
    load: float
    flank: tuple[float, float]


@dataclass(frozen=True)
class Loads:
    """Fibres through points, and how hard a push on what stands beyond each is to bear.

    sine : of the angle between the grain and the axis of the piece beyond; reach : its length along that axis, mm
    forward : whether that piece is bordered by the edge from the fibre's back to its front
    """

    lines: Fibres
    sine: Floats
    reach: Floats
    forward: Flags
    load: Floats

    @cached_property
    def width(self) -> Floats:
        return self.lines.length * self.sine


Away = Callable[[Ints, Ints], Floats]
"""How far points, by their numbers, are from loops: both (M,), mm."""


def loads(samples: Samples, points: Points, direction: float, away: Away) -> Loads:
    """The piece beyond a fibre is a cantilever: bending moment push x reach, section modulus width^2 / 6.

    A wall is as wide as the shortest way across it through the point, whatever way the edges run where its fibre ends.

    away : of the points (Q, 2) from the loops of the edge itself, of which the samples may be few
    """
    lines = fibres(samples, points, direction)
    height, forward = lines.beyond()
    axis = moved_points(
        samples.ways[lines.back] - samples.ways[lines.front], -direction
    )  # the flanks of a tip run toward each other
    size = np.linalg.norm(axis, axis=1)
    sine = np.where(size > 1e-3, np.abs(axis[:, 1]) / np.maximum(size, 1e-3), 1.0)
    wall = np.flatnonzero(lines.between_loops & (lines.length > 0))
    across = sum(away(wall, samples.loop[end[wall]]) for end in (lines.back, lines.front))
    sine[wall] = np.minimum(across / lines.length[wall], 1.0)
    sine = np.maximum(sine, SHALLOWEST)
    reach = height / sine
    reach = np.where(lines.between_loops, _span(lines) / 8, reach)  # both ends held: moment push x span / 8
    width = np.maximum(lines.length * sine, 1e-6)
    stress = 6 * PUSH_N_PER_MM * reach / width**2
    load = stress / (STRENGTH_MPA * strength_ratio(np.arcsin(sine)))
    real = (lines.length > 0) & ((reach >= LEAST_MM) | lines.between_loops)
    return Loads(lines, sine, reach, forward, np.where(real, load, 0.0))


def _span(lines: Fibres) -> Floats:
    """The extent of the hole beside each fibre that ends at one, mm."""
    s = lines.samples
    return np.asarray(np.minimum(s.extents[s.loop[lines.back]], s.extents[s.loop[lines.front]]))


def fragile_places(steps: EdgeSteps, chosen: Ints, found: Loads, direction: float, runout: float) -> tuple[Tip, ...]:
    """Fragile fibres gathered by the point that stands out farthest beyond them; of each group its weakest fibre."""
    groups: list[tuple[int, Ints, Ints]] = []
    fragile = np.flatnonzero(found.load > FRAGILE)
    ends = np.array([_farthest(found, int(q)) for q in fragile], dtype=np.intp)
    s = steps.samples
    place = s.along[ends] if len(ends) else np.zeros(0)
    order = np.lexsort((place, s.loop[ends])) if len(ends) else np.zeros(0, dtype=np.intp)
    if len(order):
        apart = (np.diff(place[order]) > SAME_TIP_MM) | (np.diff(s.loop[ends][order]) != 0)
        for part in np.split(order, np.flatnonzero(apart) + 1):
            groups.append((int(ends[part[0]]), fragile[part], ends[part]))
    tips = [_tip(steps, chosen, found, members, points, direction, runout) for _, members, points in groups]
    return tuple(sorted(_joined(tips), key=lambda t: (t.loop, t.along_mm)))


def _joined(tips: Sequence[Tip]) -> list[Tip]:
    """Walls and necks seen from both their sides, and tips on both sides of a loop's beginning, told once."""
    tips = sorted(tips, key=lambda t: -t.load)
    at, width = np.array([t.at for t in tips]).reshape(-1, 2), np.array([t.width_mm for t in tips])
    kept: list[int] = []
    for k in range(len(tips)):
        apart = np.hypot(*(at[kept] - at[k]).T)
        if (apart > SAME_TIP_MM + np.maximum(width[kept], width[k]) / 2).all():
            kept.append(k)
    return [tips[k] for k in kept]


def _beyond(found: Loads, q: int) -> Ints:
    """The samples that border what stands beyond a fibre, in travel order."""
    lines, s = found.lines, found.lines.samples
    a, b = (lines.back[q], lines.front[q]) if found.forward[q] else (lines.front[q], lines.back[q])
    if a <= b:
        return np.arange(a + 1, b + 1)
    first, last = s.firsts[s.loop[a] : s.loop[a] + 2]
    return np.concatenate([np.arange(a + 1, last), np.arange(first, b + 1)])


def _farthest(found: Loads, q: int) -> int:
    lines = found.lines
    if lines.between_loops[q]:
        return int(lines.back[q])
    inside = _beyond(found, q)
    if not len(inside):
        return int(lines.back[q])
    away = np.abs(lines.offsets[inside] - lines.level[q])
    flat = inside[away > away.max() - FLAT_END_MM]
    return int(flat[len(flat) // 2])


def _tip(
    steps: EdgeSteps, chosen: Ints, found: Loads, members: Ints, ends: Ints, direction: float, runout: float
) -> Tip:
    lines, s = found.lines, steps.samples
    weakest = int(members[np.argmax(found.load[members])])
    outermost = int(members[np.argmax(found.reach[members])])
    kind = _kind(steps, found, outermost)
    q = outermost if kind == "tip" else weakest
    angle = math.asin(min(1.0, float(found.sine[q])))
    total = math.atan(math.hypot(math.tan(min(angle, 1.5707)), runout))
    grain = np.array([math.cos(direction), math.sin(direction)])
    step = chosen[q]
    there = steps.inside[step]
    across = moved_points([there], -direction)[0, 0]
    back = there + grain * (_end(lines, q, lines.back[q], direction) - across)
    front = back + grain * lines.length[q]
    end = int(ends[np.argmax(found.reach[members])])
    along, at = float(s.along[end]), as_point(s.points[end])
    if kind != "tip":
        along, at = float(steps.start[step] + steps.length[step] / 2), as_point((back + front) / 2)
    i, j = _flank(found, outermost)
    return Tip(
        kind=kind,
        loop=int(s.loop[end]) if kind == "tip" else int(steps.loop[step]),
        along_mm=along,
        at=at,
        fibre_mm=float(lines.length[q]),
        fibre=(as_point(back), as_point(front)),
        width_mm=float(found.width[q]),
        reach_mm=float(found.reach[q]),
        angle=angle,
        strength_ratio=float(strength_ratio(total)),
        impact_ratio=float(strength_ratio(total, IMPACT)),
        compression_ratio=float(strength_ratio(total, COMPRESSION)),
        load=float(found.load[weakest]),
        flank=(float(s.along[i]), float(s.along[j])),
    )


def _end(lines: Fibres, q: int, edge: int, direction: float) -> float:
    """Where fibre q meets the edge's interval, along the grain, mm."""
    s = lines.samples
    (xa, ya), (xb, yb) = moved_points(s.points[[edge, s.following[edge]]], -direction)
    return float(xa + (lines.level[q] - ya) * (xb - xa) / (yb - ya))


def _flank(found: Loads, q: int) -> tuple[int, int]:
    lines = found.lines
    pair = (int(lines.back[q]), int(lines.front[q]))
    return pair if found.forward[q] else pair[::-1]


def _kind(steps: EdgeSteps, found: Loads, q: int) -> Literal["tip", "neck", "wall"]:
    if found.lines.between_loops[q]:
        return "wall"
    area = abs(signed_area(steps.samples.points[_beyond(found, q)]))
    return "neck" if area > NECK * found.width[q] * found.reach[q] else "tip"
