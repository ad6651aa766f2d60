"""What a round cutter leaves in inside corners, tight curves and slots.

A disc of radius r that rolls round the outside of a part cannot reach where the largest empty disc touching the edge is
smaller. What it leaves is closing(part, disc r) minus part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

import numpy as np

from digitize.model.outline import CHORD_ERROR_MM, CORNER_RAD, Outline
from digitize.model.segment import Arc, Point, as_point
from digitize.shop.clearance import Clearance, clearance
from digitize.shop.cutter import Cutter
from digitize.shop.reach import REACH_MM, Piece, pieces_left, unreached
from digitize.shop.samples import Flags, Ints, edge_samples

SPACING = 0.3  # of the smallest cutter's radius, from sample to sample
SAME_MM = 1e-9  # rounding only
LEAST_MM2 = 1e-3
FACING = math.cos(math.radians(15.0))  # edges that face each other, as in a slot

Kind = Literal["corner", "curve", "slot", "hole"]


@dataclass(frozen=True)
class Corner:
    """A sharp corner of the outline.

    number : from 1 on, loop after loop in the way of travel: pictures, tables and plans call it by this
    loop : 0 is the outer loop, then the holes
    at_mm : along its loop, mm
    at : where, mm
    turn : of the edge, radians, positive where it turns left (an outside corner), negative at an inside corner
    """

    number: int
    loop: int
    at_mm: float
    at: Point
    turn: float

    @property
    def inside(self) -> bool:
        """Whether a cutter has to get into it."""
        return self.turn < 0


@dataclass(frozen=True)
class Remainder:
    """What one cutter leaves in one place.

    loop : 0 is the outer loop, then the holes
    at : the point of the edge deepest in what is left, mm (a corner's apex)
    kind : "corner" sharp, "curve" tighter than the cutter, "slot" or "hole" narrower than the cutter
    area_mm2 : of the part's plan that stays behind
    depth_mm : from ``at`` to where the cutter reaches; of a hole, to its farthest point
    radius_left_mm : of the edge that the cutter makes there: its own radius; 0 in a hole
    enters : whether the cutter gets in at all: not into slots and holes
    corners : numbers of the sharp corners in it
    start_mm, end_mm : the stretch of the loop that is not reached; start > end where it passes the loop's beginning
    clear_mm : diameter of the largest disc that fits in a slot or a hole, or into the curve; 0 in a sharp corner
    clear_at : that disc's centre, mm, in a slot as deep in as it gets: the place to drill
    certain : whether it is deeper than the outline's own uncertainty
    """

    loop: int
    at: Point
    kind: Kind
    area_mm2: float
    depth_mm: float
    radius_left_mm: float
    enters: bool
    corners: tuple[int, ...]
    start_mm: float
    end_mm: float
    clear_mm: float
    clear_at: Point
    certain: bool = True


@dataclass(frozen=True)
class CutterCorners:
    """One cutter's row of the corner table."""

    cutter: Cutter
    remainders: tuple[Remainder, ...]

    @property
    def clean(self) -> bool:
        """Whether it leaves nothing that the outline can tell."""
        return not any(r.certain for r in self.remainders)

    @property
    def area_mm2(self) -> float:
        """All that it leaves and the outline can tell."""
        return math.fsum(r.area_mm2 for r in self.remainders if r.certain)


@dataclass(frozen=True)
class Pair:
    """A cutter for the bulk, a smaller one for the details, and what is still left for chisel, file or saw."""

    bulk: Cutter
    detail: Cutter
    by_detail: tuple[Remainder, ...]
    left: tuple[Remainder, ...]


def numbered_corners(outline: Outline) -> tuple[Corner, ...]:
    """The sharp corners of an outline, numbered from 1: the one numbering that all pictures and tables share."""
    found: list[tuple[int, float, Point, float]] = []
    for k, loop in enumerate(outline.loops):
        if len(loop.segments) > 1 or not isinstance(loop.segments[0], Arc):
            along = np.cumsum([0.0] + [s.length for s in loop.segments])
            for segment, turn, at in zip(loop.segments, loop.turns(), along, strict=False):
                if abs(turn) > CORNER_RAD:
                    found.append((k, float(at), segment.start, float(turn)))
    return tuple(Corner(i, *corner) for i, corner in enumerate(found, start=1))


def remainders(outline: Outline, cutter: Cutter, uncertainty_mm: float = 0.0) -> tuple[Remainder, ...]:
    """What the cutter leaves, in travel order, loop after loop; of a bearing of another size see ``template``."""
    return corner_table(outline, [cutter], uncertainty_mm)[0].remainders


def corner_table(outline: Outline, cutters: Sequence[Cutter], uncertainty_mm: float = 0.0) -> tuple[CutterCorners, ...]:
    """One row for each cutter, largest first.

    uncertainty_mm : what the edge's place may be off by; what is no deeper cannot be told from nothing
    """
    found = left_by_discs(outline, [c.radius_mm for c in cutters], uncertainty_mm)
    rows = [CutterCorners(cutter, left) for cutter, left in zip(cutters, found, strict=True)]
    return tuple(sorted(rows, key=lambda row: -row.cutter.diameter_mm))


def left_by_discs(
    outline: Outline, radii: Sequence[float], uncertainty_mm: float = 0.0, clear: Clearance | None = None
) -> list[tuple[Remainder, ...]]:
    """What a disc of each radius (mm) leaves; ``clear`` is the outline's clearance, where it is known already."""
    if not radii:
        return []
    clear = clear or clearance(edge_samples(outline.loops, SPACING * min(radii)), max(radii))
    survey = _surveyed(clear, numbered_corners(outline), uncertainty_mm)
    found = {radius: _left_by(survey, radius) for radius in set(radii)}
    return [found[radius] for radius in radii]


def largest_clean(table: Sequence[CutterCorners]) -> Cutter | None:
    """The largest cutter that leaves nothing; None where every one leaves something."""
    return max((row.cutter for row in table if row.clean), key=lambda c: c.diameter_mm, default=None)


def best_pair(table: Sequence[CutterCorners]) -> Pair | None:
    """Bulk and detail cutter; None where one cutter does it all, or where a second would not help.

    The detail cutter is the largest of those that leave least; the bulk cutter the largest of those that get in
    everywhere the detail cutter does, so that only corners are left to it; failing that, simply the largest.
    """
    rows = sorted(table, key=lambda row: -row.cutter.diameter_mm)
    if len(rows) < 2 or rows[0].clean:
        return None
    least = min(row.area_mm2 for row in rows)
    detail = next(row for row in rows if row.area_mm2 <= least + LEAST_MM2)
    blocked = sum(not r.enters for r in detail.remainders)
    larger = [row for row in rows if row.cutter.diameter_mm > detail.cutter.diameter_mm]
    if not larger:
        return None
    bulk = next((row for row in larger if sum(not r.enters for r in row.remainders) <= blocked), larger[0])
    return Pair(bulk.cutter, detail.cutter, bulk.remainders, detail.remainders)


@dataclass(frozen=True)
class _Survey:
    """What is known of the edge's samples before any cutter is.

    number : (N,) int, of the corner that each lies in; 0 elsewhere
    facing : (N,) bool, whether its largest disc touches an edge that runs back along it, as in a slot
    """

    clear: Clearance
    number: Ints
    facing: Flags
    uncertainty: float


def _surveyed(clear: Clearance, corners: Sequence[Corner], uncertainty: float) -> _Survey:
    samples = clear.samples
    number = np.zeros(len(clear.radius), dtype=np.intp)
    if corners:
        for corner, found in zip(corners, clear.tree.query_ball_point([c.at for c in corners], SAME_MM), strict=True):
            number[[i for i in found if samples.loop[i] == corner.loop]] = corner.number
    facing = clear.touched >= 0
    across = samples.at(clear.touched[facing])[1]
    facing[facing] = (samples.normals[facing] * across).sum(axis=1) < -FACING
    return _Survey(clear, number, facing, uncertainty)


def _left_by(survey: _Survey, radius: float) -> tuple[Remainder, ...]:
    """Everything a disc of this radius leaves, loop after loop in the way of travel."""
    miss = unreached(survey.clear, radius)
    start = survey.clear.samples.along_at(miss.start).tolist()
    end = survey.clear.samples.along_at(miss.end).tolist()
    found = [_hole(survey, loop) for loop in miss.closed]
    for piece in pieces_left(survey.clear, miss):
        numbers = survey.number[piece.samples]
        corners = tuple(sorted(set(numbers[numbers > 0].tolist())))
        if piece.depth > (REACH_MM if corners else CHORD_ERROR_MM):
            k = piece.stretches[0]
            found.append(_remainder(survey, piece, radius, corners, (start[k], end[k])))
    return tuple(sorted(found, key=lambda r: (r.loop, r.start_mm)))


def _hole(survey: _Survey, loop: int) -> Remainder:
    samples, radius = survey.clear.samples, survey.clear.radius
    inside = np.arange(samples.firsts[loop], samples.firsts[loop + 1])
    widest = inside[np.argmax(radius[inside])]
    room = float(radius[widest])
    numbers = survey.number[inside]
    return Remainder(
        loop=loop,
        at=as_point(samples.points[widest] + room * samples.normals[widest]),
        kind="hole",
        area_mm2=float(-samples.areas[loop]),
        depth_mm=2 * room,
        radius_left_mm=0.0,
        enters=False,
        corners=tuple(sorted(set(numbers[numbers > 0].tolist()))),
        start_mm=0.0,
        end_mm=float(samples.lengths[loop]),
        clear_mm=2 * room,
        clear_at=as_point(samples.points[widest] + room * samples.normals[widest]),
        certain=2 * room > survey.uncertainty,
    )


def _remainder(
    survey: _Survey, piece: Piece, radius: float, corners: tuple[int, ...], stretch: tuple[float, float]
) -> Remainder:
    samples, radius_there = survey.clear.samples, survey.clear.radius
    slot = _slot(survey, piece)
    fits = piece.samples[np.argmin(radius_there[piece.samples])] if slot is None else slot[1]
    return Remainder(
        loop=int(samples.loop[piece.deepest]),
        at=as_point(samples.points[piece.deepest]),
        kind="slot" if slot else "corner" if corners else "curve",
        area_mm2=piece.area,
        depth_mm=piece.depth,
        radius_left_mm=radius,
        enters=slot is None,
        corners=corners,
        start_mm=stretch[0],
        end_mm=stretch[1],
        clear_mm=slot[0] if slot else 2 * float(radius_there[fits]),
        clear_at=as_point(samples.points[fits] + radius_there[fits] * samples.normals[fits]),
        certain=piece.depth > survey.uncertainty,
    )


def _slot(survey: _Survey, piece: Piece) -> tuple[float, int] | None:
    """Width (mm) of the slot that a piece fills, and the sample deepest in whose disc is so wide; None if it is none.

    In a slot two edges face each other over at least its width; in a neck, open at both ends, they need not.
    """
    samples, radius = survey.clear.samples, survey.clear.radius
    facing = piece.samples[survey.facing[piece.samples]]
    if len(piece.stretches) > 1:
        facing = facing if len(facing) else piece.samples
        return 2 * float(radius[facing].min()), int(facing[np.argmin(radius[facing])])
    if not len(facing):
        return None
    width = 2 * median(radius[facing].tolist())  # of a few, faster than the arrays' own
    if samples.arc[facing].sum() < width:
        return None
    wide = facing[radius[facing] > 0.499 * width]
    away = samples.points[wide] + radius[wide, None] * samples.normals[wide] - samples.points[piece.deepest]
    return width, int(wide[np.argmin(np.hypot(*away.T))])
