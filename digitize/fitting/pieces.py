"""Which pieces a contour is made of: the cheapest chain of lines, arcs and splines, by dynamic programming.

A chain costs its misfit (chi square) plus a price for every number needed to describe it (minimum description length;
Rissanen, Automatica 14, 1978; from memory). Lines and arcs are chosen first, over all runs at once (runs.py); then
neighbours that one spline describes for less are made one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from digitize.fitting.runs import ARC_PRICE, LINE_PRICE, PRICE, Runs, chain_of_runs, runs_of
from digitize.fitting.spline import chord_parameters, clamped_knots, fit_spline
from digitize.fitting.split import Bins
from digitize.model.segment import DEGREE

Floats = npt.NDArray[np.float64]
Kind = Literal["line", "arc", "spline"]

CORNER_PRICE = 2 * PRICE  # of a turn between two lines, which a smooth joint does not have
HOPELESS = 120.0  # misfit that no few more control points will mend
MOST_VAIN = 4  # runs that no spline could pay for, before longer ones are not tried
MOST_JOINED = 14  # pieces that one spline may replace
FINE_PRICE = 4.0  # the same within a spline, once it is one: a control point must be worth twice its own noise
MOST_REFINED = 5
CONTROLS = (4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 20, 25, 31)


@dataclass(frozen=True)
class Piece:
    """Bins ``first`` to ``last`` (exclusive; past the number of bins it goes round), and what they are best called.

    knots : of a spline; borders : shares of its length at which the lines and arcs that it replaces met
    """

    kind: Kind
    first: int
    last: int
    cost: float
    knots: Floats | None = None
    borders: Floats | None = None

    @property
    def misfit(self) -> float:
        return self.cost - (LINE_PRICE if self.kind == "line" else ARC_PRICE)


def lines_and_arcs(bins: Bins, runs: Runs | None = None, joined: bool = True) -> list[Piece]:
    """The cheapest closed chain of lines and arcs; empty where there is none.

    runs : what all runs of the bins cost, where that is known; joined : the chain's joints are paid as well
    """
    chain, cut = chain_of_runs(bins, runs or runs_of(bins), joined)
    rows = zip(chain.is_arc, chain.first + cut, chain.last + cut, chain.cost, strict=True)
    return [Piece("arc" if is_arc else "line", int(a), int(b), float(cost)) for is_arc, a, b, cost in rows]


def spline_price(n: int) -> float:
    """Price of a spline: its n control points may move across the curve, and all but four of them bring a knot."""
    return PRICE * (2 * n - 1)


def _spline_piece(bins: Bins, replaced: list[Piece], budget: float, least: int) -> tuple[Piece | None, int]:
    """The cheapest spline in place of some pieces, if it costs less than the budget, and the fewest points that may do.

    The fewest points are 0 where no affordable spline comes near the bins.
    """
    first, last = replaced[0].first, replaced[-1].last
    noise = sum(p.misfit for p in replaced)
    index = np.arange(first, last) % len(bins.s)
    points, weights = bins.points[index], bins.weights[index]
    share = chord_parameters(points)
    borders = np.array([0.0, *(share[p.first - first] for p in replaced[1:]), 1.0])
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    able = [n for n in CONTROLS if n <= len(index) - 2 and spline_price(n) < budget]
    if not able or able[-1] < least:
        return None, 0
    lowest = fit_spline(points, weights, clamped_knots(borders, able[-1]), steps=0).misfit
    if lowest + spline_price(least) > budget:
        return None, 0
    best: Piece | None = None
    for n in (k for k in able if k >= least):
        if lowest + spline_price(n) >= budget:
            break
        knots = clamped_knots(borders, n)
        misfit = fit_spline(points, weights, knots, steps=0).misfit * bins.believed(length / (n - DEGREE))
        if misfit + spline_price(n) < budget:
            budget = misfit + spline_price(n)
            best = Piece("spline", first, last, budget, knots, borders)
        if misfit > noise + HOPELESS:
            least = n
        if misfit < noise + PRICE:
            break
    return best, least


def _refined(bins: Bins, piece: Piece) -> Piece:
    """A spline with as many control points as the bins can prove: structure was chosen dear, truth is cheap."""
    if piece.knots is None or piece.borders is None:
        return piece
    index = np.arange(piece.first, piece.last) % len(bins.s)
    points, weights = bins.points[index], bins.weights[index]
    best, chosen = np.inf, len(piece.knots) - DEGREE - 1
    for n in range(max(DEGREE + 1, chosen - 1), max(chosen, min(chosen + MOST_REFINED, len(index) // 2)) + 1):
        knots = clamped_knots(piece.borders, n)
        cost = fit_spline(points, weights, knots, steps=2).misfit + FINE_PRICE * n
        if cost > best + 2 * FINE_PRICE:
            break
        if cost < best:
            best, piece = cost, replace(piece, knots=knots)
    return piece


def _is_line(piece: Piece) -> bool:
    return piece.kind == "line"


def with_splines(bins: Bins, pieces: list[Piece], sharp: list[bool]) -> list[Piece]:
    """Neighbours made one spline where that is cheaper; sharp[k] says that a corner lies before pieces[k]."""
    n, m = len(pieces), len(bins.s)
    start = sharp.index(True) if any(sharp) else max(range(n), key=lambda k: pieces[k].last - pieces[k].first)
    order = [k + start for k in range(n)]
    ring = [pieces[k % n] for k in order]
    lap = [m if k >= n else 0 for k in order]
    ring = [Piece(p.kind, p.first + d, p.last + d, p.cost) for p, d in zip(ring, lap, strict=True)]
    barrier = [sharp[k % n] for k in order]
    best: list[tuple[float, list[Piece]]] = [(0.0, [])]
    known: dict[tuple[int, int], int] = {}
    for b in range(1, n + 1):
        kinked = b > 1 and not barrier[b - 1] and _is_line(best[b - 1][1][-1]) and _is_line(ring[b - 1])
        choice = (best[b - 1][0] + ring[b - 1].cost + CORNER_PRICE * kinked, [*best[b - 1][1], ring[b - 1]])
        vain = 0
        for a in range(b - 2, max(-1, b - 1 - MOST_JOINED), -1):
            if barrier[a + 1]:
                break
            least = max(known.get((a + 1, b), 4), known.get((a, b - 1), 4))
            piece, fewest = _spline_piece(bins, ring[a:b], choice[0] - best[a][0], least)
            known[a, b] = max(least, fewest)
            vain = vain + 1 if fewest == 0 else 0
            if vain == MOST_VAIN:
                break
            if piece and best[a][0] + piece.cost < choice[0]:
                choice = (best[a][0] + piece.cost, [*best[a][1], piece])
        best.append(choice)
    return [_refined(bins, piece) for piece in best[-1][1]]
