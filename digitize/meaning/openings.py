"""Sizes between opposite edges: overall, widths of slots, and the even steps of slots and round holes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations

import numpy as np

from digitize.fitting.adjust import LineFit
from digitize.meaning.measured import Measured, place, round_told, told
from digitize.meaning.regular import joints
from digitize.meaning.relation import Kind, Meaning, coverage
from digitize.model.segment import Arc, Line, as_point

MOST_OFF_MM = 0.5  # of places: more could be meant to be apart
LEAST_IN_A_ROW = 3
NEARLY_RAD = math.radians(1.0)  # opposite walls or edges: how far from parallel they may be to be paired
NEARLY_MM = 0.5  # how far an outline may reach beyond one of its outermost edges
LEAST_SHARE = 0.05  # of the outline's size: a shorter edge does not bound it, a facet of a curve may


def overall(seen: Measured) -> Iterator[Meaning]:
    """Sizes between opposite outermost edges."""
    corners = np.vstack([s.point(np.linspace(0, 1, 17)) for s in seen.figure.outline.outer.segments])
    least = LEAST_SHARE * float(np.ptp(corners, axis=0).max())
    outermost: list[int] = []
    for k in sorted(seen.lines(), key=seen.length, reverse=True):
        line = seen.line(k)
        if seen.where[k][0] == 0 and seen.length(k) >= least and line.distances(corners).min() > -NEARLY_MM:
            same = (abs(math.remainder(seen.line(o).angle - line.angle, 2 * math.pi)) < NEARLY_RAD for o in outermost)
            outermost += [] if any(same) else [k]
    for a, b in combinations(outermost, 2):
        if _opposite(seen.line(a), seen.line(b)):
            text = f"The size from {place(seen.at(a))} to {{place}}"
            yield from round_told(seen, Kind.SIZE, (a, b), seen.at(b), 2.0, text)


def _opposite(a: LineFit, b: LineFit) -> bool:
    return abs(math.remainder(a.angle - b.angle - math.pi, 2 * math.pi)) < NEARLY_RAD


def _slots(seen: Measured) -> list[tuple[int, int]]:
    """Pairs of opposite walls with the part's inside corners, or a half round, at their common end."""
    outline, lines = seen.figure.outline, set(seen.lines())
    turns = np.concatenate([loop.turns() for loop in outline.loops])
    after = {a: (b, smooth) for a, b, smooth in joints(outline)}
    found: dict[frozenset[int], tuple[int, int]] = {}
    for k in sorted(lines):
        end = after[k][0]
        wall = after.get(end, (k, False))[0]
        if wall not in lines or wall == k or not _opposite(seen.line(k), seen.line(wall)):
            continue
        segment = outline.segments[end]
        round_end = isinstance(segment, Arc) and segment.sweep < 0 and after[k][1] and after[end][1]
        square_end = isinstance(segment, Line) and turns[end] < 0 and turns[wall] < 0
        if round_end or square_end:
            found.setdefault(frozenset((k, wall)), (k, wall))
    return list(found.values())


def openings(seen: Measured) -> Iterator[Meaning]:
    """Widths of slots, and even steps of slots or of round holes."""
    slots = _slots(seen)
    for pair in slots:
        at = as_point((np.array(seen.at(pair[0])) + seen.at(pair[1])) / 2)
        yield from round_told(seen, Kind.SLOT, pair, at, 2.0, "The width of the slot at {place}")
    for row in _rows(seen, slots):
        yield from _even(seen, row)


def _rows(seen: Measured, slots: list[tuple[int, int]]) -> Iterator[list[tuple[int, ...]]]:
    """Slots of one direction and width, and round holes of one size, each in order along the row."""
    rest = list(slots)
    while rest:
        first, (width, u) = seen.line(rest[0][0]), seen.size(Kind.SLOT, rest[0], 2.0)
        row = [
            s
            for s in rest
            if abs(math.remainder(seen.line(s[0]).angle - first.angle, math.pi)) < NEARLY_RAD
            and abs(seen.size(Kind.SLOT, s, 2.0)[0] - width) <= math.sqrt(2) * u
        ]
        rest = [s for s in rest if s not in row]
        yield sorted(row, key=lambda s: float(first.distances(np.array([seen.at(s[0])]))[0]))
    holes = [k for k in seen.arcs() if seen.circle(k)]
    while holes:
        radius = seen.radius(holes[0])
        u = seen.size(Kind.RADIUS, (holes[0],), 1.0)[1]
        alike = [k for k in holes if abs(seen.radius(k) - radius) <= math.sqrt(2) * u]
        holes = [k for k in holes if k not in alike]
        centres = np.array([seen.at(k) for k in alike])
        along = np.linalg.svd(centres - centres.mean(axis=0))[2][0]
        yield [(alike[i],) for i in np.argsort(centres @ along)]


def _even(seen: Measured, row: list[tuple[int, ...]]) -> Iterator[Meaning]:
    if len(row) < LEAST_IN_A_ROW:
        return
    pieces = [k for group in row for k in group]
    left, known = seen.residual(Kind.SPACING, pieces)
    shared = 6 * seen.edge**2 / len(row[0])  # one step less another: 1, -2, 1 times places that each err
    u = coverage(len(left)) * math.sqrt(float(np.diag(known).max()) + shared)
    off = float(np.abs(left).max())
    if off <= u <= MOST_OFF_MM:
        ends = [np.mean([seen.at(k) for k in group], axis=0) for group in (row[0], row[-1])]
        step = float(np.linalg.norm(ends[1] - ends[0])) / (len(row) - 1)
        what = "holes" if len(row[0]) == 1 else "slots"
        text = f"The {len(row)} {what} from {{place}} follow in even steps of {step:.2f} mm, largest change"
        yield told(seen, Kind.SPACING, pieces, as_point(ends[0]), (off, u, 0.0), text)
