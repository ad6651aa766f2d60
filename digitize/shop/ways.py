"""Where along a loop the way of feeding changes: the least of edge fed uphill and of stops, all round it."""

from __future__ import annotations

import math
from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np

from digitize.shop.fragile import Tip
from digitize.shop.samples import Flags, Floats, Ints

LEVEL_RAD = math.radians(3.0)  # so near to along the grain an edge may be fed either way: sawn stock varies as much
SQUARE_RAD = math.radians(10.0)  # and so near to square to it: end grain minds where a cutter leaves, not its way
CHANGE_MM = 5.0  # a stop and a start cost as much as so much edge fed steeply uphill: no run is shorter than two of it
CLIMB_COST = 0.05  # where the grain does not mind: of the length, for a climb cut; 100 mm of it are worth one change
FORCED = 1e3  # a tip's flank weighs so much more than any other edge
# Slopes from which on, and up to which, an edge is end and long grain: common angles, so rounding must not decide.
END_RAD, LONG_RAD = math.radians(60.0 - 1e-6), math.radians(30.0 + 1e-6)
LEAD_MM = 40.0  # a level stretch is shared by both its neighbours, but a climb cut takes no more of it than this
SAME_MM = 1e-3  # rounding, and the steps' own
SPLIT_MM = 20.0  # an end-grain edge at least so long is a run of its own where it meets long grain at a corner
ROUND_SHARE = 0.25  # of the edges beside it: so short a round is a corner
ROUNDING_MM = 1e-6  # of places along a loop


def is_level(slope: Floats) -> Flags:
    """(N,) whether an edge of this slope of grain, radians, may be fed either way."""
    return np.asarray((np.abs(slope) < LEVEL_RAD) | (np.abs(slope) > math.pi / 2 - SQUARE_RAD))


@dataclass(frozen=True)
class Edge:
    """One loop: where its steps begin and how long they are, mm, their slopes, and whether ordinary feed is forward."""

    loop: int
    start: Floats
    length: Floats
    slope: Floats
    ordinary: bool

    @cached_property
    def total(self) -> float:
        return float(self.length.sum())

    @cached_property
    def middles(self) -> Floats:
        return self.start + self.length / 2

    def wrapped(self, place: float) -> float:
        """A place along the loop, 0 <= place < total; rounding before its beginning is its beginning."""
        inside = place % self.total
        return 0.0 if inside > self.total - ROUNDING_MM else inside

    def between(self, start: float, length: float) -> Ints:
        """The steps whose middles lie on a stretch, which may pass the loop's beginning."""
        a, b, over = np.searchsorted(self.middles, [start, start + length, start + length - self.total])
        return np.concatenate([np.arange(a, b), np.arange(over)])

    def apart(self, place: float, others: Floats) -> float:
        """From a place to the nearest of others, mm along the loop."""
        away = np.abs(others - place)
        return float(np.minimum(away, self.total - away).min(initial=math.inf))


@dataclass(frozen=True)
class _Piece:
    """Steps in a row that want the same: +1 forward, -1 backward, 0 either; zone says which kind of level edge.

    cost : of feeding it forward, and backward
    free : whether it begins at a fragile tip or where end grain meets long grain: there a change costs nothing
    forced : whether it is the flank of a tip
    """

    start: float
    end: float
    zone: Literal["", "long", "end"]
    cost: tuple[float, float]
    free: bool
    forced: bool


def cuts_of(edge: Edge, tips: Sequence[Tip]) -> list[tuple[float, bool]]:
    """Places along the loop where a run begins or ends, each with whether the edge after it is fed forward."""
    splits = _corner_splits(edge)
    pieces = _pieces(edge, tips, splits)
    ways = _best_ways(pieces)
    changes = sorted(
        (_change(edge, pieces, ways, k) % edge.total, way) for k, way in enumerate(ways) if way != ways[k - 1]
    )
    at = np.array([place for place, _ in changes])
    splits = [p for p in splits if edge.apart(p, at) > 2 * CHANGE_MM]
    if not changes and not splits:
        crest = max((p for p in pieces if p.zone == "long"), key=lambda p: p.end - p.start, default=pieces[0])
        return [((crest.start + crest.end) / 2 % edge.total, ways[0])]
    ways_there = [(p, changes[bisect(at, p) - 1][1] if changes else ways[0]) for p in splits]
    return sorted(changes + ways_there)


def _pieces(edge: Edge, tips: Sequence[Tip], splits: Sequence[float]) -> list[_Piece]:
    level = is_level(edge.slope)
    want = np.where(level, 0, -np.sign(edge.slope)).astype(int)
    weight = np.abs(np.sin(2 * edge.slope)) * edge.length
    zone = np.where(level, np.where(np.abs(edge.slope) < math.pi / 4, 1, 2), 0)
    born, flank = np.zeros(len(want), dtype=bool), np.zeros(len(want), dtype=bool)
    for tip in tips:
        flanks = (tip.along_mm - tip.flank[0]) % edge.total, (tip.flank[1] - tip.along_mm) % edge.total
        before, after = (max(flank, 2 * CHANGE_MM) for flank in flanks)
        begin, at = edge.wrapped(tip.along_mm - before), edge.wrapped(tip.along_mm)
        for inside, way in ((edge.between(begin, before), -1), (edge.between(at, after), 1)):
            want[inside], zone[inside], flank[inside] = way, 0, True
            weight[inside] = FORCED * edge.length[inside]
        born[np.searchsorted(edge.middles, at) % len(born)] = True
    for split in splits:
        born[np.searchsorted(edge.start, split - SAME_MM) % len(born)] = True
    key = want + 4 * zone
    first = np.flatnonzero((key != np.roll(key, 1)) | born)
    if not len(first):
        first = np.zeros(1, dtype=np.intp)
    pieces = []
    names: tuple[Literal["", "long", "end"], ...] = ("", "long", "end")
    for a, b in pairwise([*first, first[0] + len(want)]):
        inside = np.arange(a, b) % len(want)
        length = float(edge.length[inside].sum())
        wrong = float(weight[inside].sum())
        cost = [0.0 if want[a] > 0 else wrong, 0.0 if want[a] < 0 else wrong] if want[a] else [0.0, 0.0]
        climb = 1 if edge.ordinary else 0
        cost[climb] += (1e-6 if want[a] else CLIMB_COST) * length
        start = float(edge.start[a])
        pieces.append(_Piece(start, start + length, names[zone[a]], (cost[0], cost[1]), bool(born[a]), bool(flank[a])))
    return pieces


def _best_ways(pieces: Sequence[_Piece]) -> list[bool]:
    """Forward or not, for each piece: the least cost of uphill edge and changes round the loop (Viterbi)."""
    best: tuple[float, list[bool]] = (math.inf, [])
    change = [0.0 if p.free else CHANGE_MM for p in pieces]
    for first in (0, 1):
        costs = [math.inf, math.inf]
        costs[first] = pieces[0].cost[first]
        came: list[tuple[int, int]] = []
        for piece, price in zip(pieces[1:], change[1:], strict=True):
            source = [0 if costs[0] <= costs[1] + price else 1, 1 if costs[1] <= costs[0] + price else 0]
            came.append((source[0], source[1]))
            costs = [costs[source[k]] + (price if source[k] != k else 0.0) + piece.cost[k] for k in (0, 1)]
        for last in (0, 1):
            whole = costs[last] + (change[0] if last != first else 0.0)
            if whole < best[0]:
                best = whole, _traced_back(came, last)
    return best[1]


def _traced_back(came: Sequence[tuple[int, int]], last: int) -> list[bool]:
    """Backward, since the first of the two ways is forward."""
    ways = [last]
    for source in reversed(came):
        ways.append(source[ways[-1]])
    return [way == 0 for way in reversed(ways)]


def _change(edge: Edge, pieces: Sequence[_Piece], ways: Sequence[bool], k: int) -> float:
    """Where the way changes at the beginning of piece k: in the middle of a level stretch beside it, where one is.

    At an outside a start belongs on long grain and an end on end grain, in a hole the other way round. A tip's flank
    ends where the tip is no longer fragile.
    """
    if pieces[k].free or pieces[k].forced or pieces[k - 1].forced:
        return pieces[k].start
    wanted = "long" if ways[k] else "end"
    n = len(pieces)
    beside = [(k, (k + 1) % n), (k - 1, k - 2)]
    level = [j for j, other in beside if pieces[j].zone and ways[other] == ways[j]]
    if not level:
        return pieces[k].start
    best = pieces[min(level, key=lambda j: pieces[j].zone != wanted)]
    half = min((best.end - best.start) / 2, LEAD_MM)
    climb_before = ways[k - 1] != edge.ordinary
    return best.start + half if climb_before else best.end - half


def _corner_splits(edge: Edge) -> list[float]:
    """Places where an end-grain edge meets a long-grain one at a corner or a small round."""
    steep = np.abs(edge.slope)
    kind = np.where(steep > END_RAD, 1, np.where(steep < LONG_RAD, 2, 0))
    fresh = kind != np.roll(kind, 1)
    first = np.flatnonzero(fresh)
    if len(first) < 2:
        return []
    length = np.add.reduceat(np.roll(edge.length, -first[0]), first - first[0])
    large = [k for k in range(len(first)) if kind[first[k]] and length[k] >= SPLIT_MM]
    found = []
    for a, b in zip(large, large[1:] + large[:1], strict=True):
        end = float(edge.start[first[a]] + length[a])
        gap = edge.wrapped(float(edge.start[first[b]]) - end)
        if kind[first[a]] != kind[first[b]] and gap <= ROUND_SHARE * min(length[a], length[b]):
            found.append((end + gap / 2) % edge.total)
    return found
