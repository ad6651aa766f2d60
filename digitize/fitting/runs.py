"""The cheapest chain of lines and arcs over the bins of a contour, its joints paid as well.

A piece costs its misfit and the numbers that describe it; so does a joint: where two pieces are tangent, one number
follows from the others. First every run of bins is fitted, then a chain is chosen among those that may win.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.fitting.primitives import Ends, Moments, moments_of_runs, run_ends, run_misfits
from digitize.fitting.split import Bins

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

PRICE = 9.0  # chi square that one more number must save; ln of a few thousand points
LINE_PRICE = 3 * PRICE  # two numbers, and where it ends
ARC_PRICE = LINE_PRICE + 16.0  # a bend must show at four standard deviations
JOINT_PRICE = PRICE / 2  # a corner is that much dearer, a smooth joint cheaper, than the prices of pieces take it for
OPEN = 45.0  # chi square by which a chain may be dearer than the cheapest before its joints are paid
FARTHEST_MM = 4.0  # from its node that a joint is looked for
LONGEST_RUN = 260  # bins


@dataclass(frozen=True)
class Runs:
    """What the k + 1 bins from bin i cost as a line and as an arc, (M, K) each, and their moments."""

    moments: Moments
    line: Floats
    arc: Floats


def runs_of(bins: Bins) -> Runs:
    """Every run, its misfit counted as its length deserves."""
    moments = moments_of_runs(bins.points, bins.weights, min(len(bins.s), LONGEST_RUN))
    around = np.concatenate([bins.s, bins.s + bins.length])
    first, width = np.arange(len(bins.s)), np.arange(moments.w.shape[1])
    times = bins.believed(around[first[:, None] + width[None, :]] - bins.s[:, None])
    line, arc = (misfit * times for misfit in run_misfits(moments))
    line, arc = line + LINE_PRICE, arc + ARC_PRICE
    line[:, :1] = np.inf
    arc[:, :3] = np.inf
    return Runs(moments, line, arc)


def _cheapest(arrive: Floats, cut: int) -> tuple[Floats, Ints]:
    """Least cost (M + 1,) of a chain from node ``cut`` to each that follows, and the node before it in that chain.

    arrive[j, k] : cost of the k + 1 bins before node j
    """
    m, band = arrive.shape
    best, back = np.full(m + 1, np.inf), np.zeros(m + 1, dtype=np.intp)
    best[0] = 0.0
    for j in range(1, m + 1):
        most = min(j, band)
        total = best[j - most : j][::-1] + arrive[(cut + j) % m, :most]
        k = int(total.argmin())
        best[j], back[j] = total[k], j - k - 1
    return best, back


def _steps(back: Ints) -> list[int]:
    """The nodes of a chain, by which one comes before each."""
    nodes = [len(back) - 1]
    while nodes[-1] > 0:
        nodes.append(int(back[nodes[-1]]))
    return nodes[::-1]


@dataclass(frozen=True)
class Choices:
    """Runs (E,) that a chain may be made of: between nodes ``first`` and ``last`` after the cut, in order."""

    first: Ints
    last: Ints
    is_arc: npt.NDArray[np.bool_]
    cost: Floats


def _plain(runs: Runs, nodes: list[int], cut: int) -> Choices:
    """The runs of one chain through these nodes after the cut, each called what is cheaper."""
    first, last = np.array(nodes[:-1]), np.array(nodes[1:])
    at = (first + cut) % len(runs.line), last - first - 1
    return Choices(first, last, runs.arc[at] < runs.line[at], np.minimum(runs.line[at], runs.arc[at]))


def _choices(runs: Runs, arrive: Floats, cut: int, most: float) -> Choices:
    """The runs of all chains that cost no more than ``most`` beyond the cheapest, before their joints are paid."""
    m, band = arrive.shape
    there = _cheapest(arrive, cut)[0]
    i, k = np.arange(m)[:, None], np.arange(band)[None, :]
    leave = np.minimum(runs.line, runs.arc)
    back = _cheapest(leave[(cut - np.arange(m)) % m], 0)[0][::-1]  # from each node to the cut again
    within, onward = i + k + 1 <= m, back[np.minimum(i + k + 1, m)]
    first, width, is_arc = [], [], []
    for kind, cost in enumerate((runs.line, runs.arc)):
        total = np.where(within, there[:m, None] + np.roll(cost, -cut, axis=0) + onward, np.inf)
        a, b = np.nonzero(total <= there[m] + most)
        first.append(a)
        width.append(b)
        is_arc.append(np.full(len(a), kind == 1))
    a, b, arc = np.concatenate(first), np.concatenate(width), np.concatenate(is_arc)
    order = np.argsort(a, kind="stable")
    a, b, arc = a[order], b[order], arc[order]
    bin_ = (a + cut) % m
    return Choices(a, a + b + 1, arc, np.where(arc, runs.arc[bin_, b], runs.line[bin_, b]))


@dataclass(frozen=True)
class _Passing:
    """How runs (K,) pass by a joint: their ends, and the variances of heading and place there.

    dense : their weight per mm; gap : mm, from the joint to the bin next to it
    """

    ends: Ends
    heading: Floats
    place: Floats
    dense: Floats
    gap: Floats
    is_arc: npt.NDArray[np.bool_]

    def taken(self, index: Ints) -> _Passing:
        ends = Ends(*(v[index] for v in self.ends))
        heading, place, dense, gap = (v[index] for v in (self.heading, self.place, self.dense, self.gap))
        return _Passing(ends, heading, place, dense, gap, self.is_arc[index])


def _passing(bins: Bins, runs: Runs, choices: Choices, cut: int, at_end: bool) -> _Passing:
    """How each run passes by the middle between its last (or first) bin and the next."""
    m = len(bins.s)
    i, width = (choices.first + cut) % m, choices.last - choices.first
    moments = Moments(*(v[i, width - 1] for v in runs.moments))
    origin, last = bins.points[i], bins.points[(i + width - 1) % m]
    here, beside = (last, bins.points[(i + width) % m]) if at_end else (origin, bins.points[i - 1])
    length = np.maximum(np.hypot(*(last - origin).T), 1e-3)
    mass = np.maximum(moments.w, 1e-9)
    return _Passing(
        run_ends(moments, last - origin, (here + beside) / 2 - origin, choices.is_arc),
        np.where(choices.is_arc, 192.0, 12.0) / (mass * length**2),
        np.where(choices.is_arc, 9.0, 4.0) / mass,
        mass / length,
        np.hypot(*(beside - here).T) / 2,
        choices.is_arc,
    )


def _joint_prices(a: _Passing, b: _Passing) -> Floats:
    """What it costs (K,) to join the end of a to the start of b: smoothly, or else at a corner where they cross.

    At a smooth joint, heading and place must agree; where the curvatures differ, it may lie a little to either side.
    A corner is a number more than a smooth joint has, and the bins that it passes lie off the other piece.
    """
    turn = np.remainder(b.ends.heading - a.ends.heading + np.pi, 2 * np.pi) - np.pi
    heading, place, jump = a.heading + b.heading, a.place + b.place, b.ends.bend - a.ends.bend
    before, after = a.ends.off, b.ends.off
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.clip(np.nan_to_num(-turn / jump), -FARTHEST_MM, FARTHEST_MM)
        crossing = np.array([before * np.cos(turn) - after, after * np.cos(turn) - before]) / np.sin(turn)
    smooth = np.full(len(turn), np.inf)
    for along in (0.0 * shift, shift):
        off = before - after + turn * along + jump / 2 * along**2
        smooth = np.minimum(smooth, (turn + jump * along) ** 2 / heading + off**2 / place)
    smooth = np.where(a.is_arc | b.is_arc, smooth, np.inf)
    passed = np.clip(np.nan_to_num(crossing, nan=FARTHEST_MM) - (a.gap + b.gap) / 2, 0.0, FARTHEST_MM)
    corner = JOINT_PRICE + (np.array([a.dense, b.dense]) * passed**3).sum(axis=0) * np.sin(turn) ** 2 / 3
    price: Floats = np.minimum(smooth - JOINT_PRICE, corner)
    return price


def _joined(bins: Bins, runs: Runs, choices: Choices, cut: int) -> Choices:
    """The cheapest chain of some runs, its joints paid as well; the one at the cut is as it is."""
    first, last, m = choices.first, choices.last, len(bins.s)
    arriving = np.argsort(last, kind="stable")
    begin = np.searchsorted(last[arriving], np.arange(m + 2))
    leaving = np.searchsorted(first, np.arange(m + 2))
    many = np.diff(begin)[first]  # runs that arrive where each one leaves
    after = np.repeat(np.arange(len(first)), many)
    nth = np.arange(len(after)) - np.repeat(np.cumsum(many) - many, many)
    before = arriving[begin[first[after]] + nth]
    ends, starts = (_passing(bins, runs, choices, cut, at_end) for at_end in (True, False))
    price = _joint_prices(ends.taken(before), starts.taken(after))
    total, back = np.where(first == 0, choices.cost, np.inf), np.full(len(first), -1)
    at = np.concatenate([[0], np.cumsum(many)])
    for node in np.flatnonzero((np.diff(begin)[: m + 1] > 0) & (np.diff(leaving) > 0)):
        lo, hi = leaving[node], leaving[node + 1]
        here = before[at[lo] : at[lo + 1]]
        paid = total[here] + price[at[lo] : at[hi]].reshape(hi - lo, len(here))
        best = paid.argmin(axis=1)
        total[lo:hi] = choices.cost[lo:hi] + paid[np.arange(hi - lo), best]
        back[lo:hi] = here[best]
    closing = arriving[begin[m] : begin[m + 1]]
    chain = [int(closing[total[closing].argmin()])]
    while back[chain[-1]] >= 0:
        chain.append(int(back[chain[-1]]))
    taken = chain[::-1]
    return Choices(first[taken], last[taken], choices.is_arc[taken], choices.cost[taken])


def chain_of_runs(bins: Bins, runs: Runs, joined: bool) -> tuple[Choices, int]:
    """The cheapest closed chain of lines and arcs, and the node that it is cut at; an empty one where there is none.

    joined : its joints are paid as well; otherwise pieces may end anywhere beside each other, as at a false edge
    """
    m, band = runs.line.shape
    j, k = np.arange(m)[:, None], np.arange(band)[None, :]
    arrive = np.minimum(runs.line, runs.arc)[(j - k - 1) % m, k]
    cut = 0
    for _ in range(2):  # from anywhere, then from between the two pieces that are both longest
        nodes = _steps(_cheapest(arrive, cut)[1])
        spare = 1 if len(nodes) > 4 else 0  # the first cut may have spoilt the pieces next to it
        inner = range(1 + spare, len(nodes) - 1 - spare)
        middle = max(inner, key=lambda i: min(nodes[i + 1] - nodes[i], nodes[i] - nodes[i - 1]), default=0)
        cut = (cut + nodes[middle]) % m
    least, back = _cheapest(arrive, cut)
    plain = _plain(runs, _steps(back) if np.isfinite(least[-1]) else [0], cut)
    if len(plain.cost) < 2 or not joined:
        return plain, cut
    ends, starts = (_passing(bins, runs, plain, cut, at_end) for at_end in (True, False))
    inside = np.arange(len(plain.cost) - 1)
    paid = float((_joint_prices(ends.taken(inside), starts.taken(inside + 1)) + JOINT_PRICE).sum())
    return _joined(bins, runs, _choices(runs, arrive, cut, min(paid, OPEN)), cut), cut
