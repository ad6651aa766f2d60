"""What of a choice of pieces is no more than blur, gaps or dirt, and what is called by the wrong name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import numpy.typing as npt

from digitize.fitting.adjust import ArcFit, PieceFit
from digitize.fitting.corners import SHARPEST_TURN
from digitize.fitting.joints import chosen, own_fit, own_fits, point_at, spans_of, turn_between
from digitize.fitting.pieces import Piece
from digitize.fitting.split import FIGURE, FORM_MM, LONGEST_OUTLIER_MM, MOST_FALSE_MM, STRAY_SIGMAS, Bins, Samples
from digitize.model.outline import CORNER_RAD

STRAIGHT_ON = math.radians(15.0)  # no corner between two pieces that carry on into each other
BENT = 0.3  # share of its neighbours' turn that a short line must bend by to be an arc
MOST_BLUNT = 3  # pieces that the choice may have spent on one blurred corner
GAP_MM = 1.2  # between neighbours that are farther apart, points are missing, unless
GAP_STEPS = 3.0  # all neighbours are about as far apart as that
HOLLOW = 0.6  # share of a piece that is one gap
HOLLOW_TURN = 0.6  # radians that an arc may turn within a gap
LONGEST_FALSE_MM = 16.0
AGREED = 0.33  # of what the points are off by: what the neighbours may disagree by about where the edge is
ABRUPT, ABRUPT_POINTS = 0.5, 3  # share of the most they are off by that a false edge is lost at; a detail fades out
FIGURED = 0.5  # neighbours beyond itself that each point errs with, from which on there is wood figure
LONG_MM, ROUND_TURN = 30.0, 1.5  # pieces so long, and arcs that turn so far (radians), are no part of a sweep
CELL_MM = 5.0  # a third of what errors of form go together over
DOUBT = 3.0  # two standard errors of a variance, times the root of how many numbers it is read from
LEAST_FORM = 0.15  # of the variance that errors of form are taken to have
MOST_STRAYED = 3  # pieces that the choice may have spent on one false edge


def _gap(samples: Samples) -> float:
    """Distance of neighbours, mm, from which on points are missing between them."""
    return max(GAP_MM, GAP_STEPS * float(np.median(np.diff(samples.s))))


def _is_blunt(
    samples: Samples, a: PieceFit, b: PieceFit, spans: Sequence[tuple[float, float]], inner: list[int]
) -> bool:
    """Whether the pieces ``inner`` are no more than the blurred corner between a and b."""
    lo, hi = spans[inner[0]][0], spans[inner[-1]][1]
    hi = lo + (hi - lo) % samples.length
    if hi - lo > 8 * samples.blur + 6.0:
        return False
    turn = turn_between(a, b, point_at(samples, lo), point_at(samples, hi))
    points = np.vstack([point_at(samples, lo), samples.points[chosen(samples, lo, hi)], point_at(samples, hi)])
    reach = max(float(np.abs(f.distances(points)).max()) for f in (a, b))
    return CORNER_RAD < abs(turn) < SHARPEST_TURN and reach < 2 * samples.blur * math.sin(turn / 2) ** 2


def _is_hollow(samples: Samples, a: PieceFit, fit: PieceFit, b: PieceFit, span: tuple[float, float]) -> bool:
    """Whether a piece has hardly more to it than a gap, across which it turns as it likes, between a and b."""
    points = samples.points[chosen(samples, *span)]
    if float(np.minimum(np.abs(a.distances(points)), np.abs(b.distances(points))).max(initial=0.0)) > samples.blur:
        return False
    at = (samples.s - span[0]) % samples.length
    at = np.sort(at[at < span[1] - span[0]])
    gap = float(np.diff(at, prepend=0.0, append=span[1] - span[0]).max())
    if isinstance(fit, ArcFit) and gap > HOLLOW_TURN * fit.radius:
        return True
    return gap > max(_gap(samples), HOLLOW * (span[1] - span[0]))


def strays(samples: Samples, bins: Bins, pieces: list[Piece]) -> npt.NDArray[np.bool_]:
    """Points (N,) of short pieces whose neighbours carry on into each other past them: dirt, or a false edge.

    A false edge may be followed for some mm, but not far off, and it is lost at once: there is a gap, and a jump. What
    is followed there and back is a detail of the part.
    """
    stray = np.zeros(len(samples.points), dtype=bool)
    fits, spans, n = own_fits(samples, bins, pieces), spans_of(bins, pieces), len(pieces)
    for k, run in product(range(n), range(1, MOST_STRAYED + 1)):
        a, b = fits[k - 1], fits[(k + run) % n]
        lo, hi = spans[k][0], spans[k][0] + (spans[(k + run - 1) % n][1] - spans[k][0]) % samples.length
        inner = chosen(samples, lo, hi)
        if run > n - 3 or hi - lo > LONGEST_FALSE_MM or not len(inner):
            continue
        gap = float(np.diff((samples.s[inner] - lo) % samples.length, prepend=0.0, append=hi - lo).max())
        sigma = float(np.median(samples.sigma[inner]))
        ends = np.vstack([a.feet(point_at(samples, lo)[None]), b.feet(point_at(samples, hi)[None])])
        apart = max(abs(float(a.distances(ends[1:])[0])), abs(float(b.distances(ends[:1])[0])))
        off = np.minimum(np.abs(a.distances(samples.points[inner])), np.abs(b.distances(samples.points[inner])))
        agree = max(STRAY_SIGMAS * sigma, AGREED * float(np.median(off)))
        carries_on = abs(turn_between(a, b, ends[0], ends[1])) < STRAIGHT_ON and apart < agree
        ends_off = max(float(np.median(off[:ABRUPT_POINTS])), float(np.median(off[-ABRUPT_POINTS:])))
        abrupt = ends_off > ABRUPT * float(off.max()) and gap > _gap(samples)
        lost = hi - lo < LONGEST_OUTLIER_MM or (abrupt and float(off.max()) < MOST_FALSE_MM)
        if carries_on and lost and float(np.median(off)) > STRAY_SIGMAS * sigma:
            stray[inner] = True
    return stray


def shows_form(samples: Samples, bins: Bins, pieces: list[Piece]) -> bool:
    """Whether the contour shows errors of form: points that leave a piece together, over centimetres.

    A contour whose neighbours err together is taken to err so over centimetres as well. One whose neighbours do not may
    still: its long lines and rounds, as which no sweep is taken, show it.
    """
    if (samples.together - 1.0) / FIGURE >= FIGURED:
        return True
    scatters, masses = [], []
    for fit, (lo, hi) in zip(own_fits(samples, bins, pieces), spans_of(bins, pieces), strict=True):
        if hi - lo < LONG_MM or (isinstance(fit, ArcFit) and hi - lo < ROUND_TURN * fit.radius):
            continue
        index = chosen(samples, lo, hi)
        cell = ((samples.s[index] - lo) % samples.length / CELL_MM).astype(int)
        mass = np.bincount(cell, samples.free[index])
        off = np.bincount(cell, samples.free[index] * fit.distances(samples.points[index]))
        scatters.append(float((off[mass > 0] ** 2 / mass[mass > 0]).mean()))
        masses.append(mass[mass > 0])
    if not masses:
        return False
    order = np.argsort(scatters)
    cells = np.cumsum([len(masses[k]) for k in order])
    scatter = scatters[order[np.searchsorted(cells, cells[-1] / 2)]]  # that of a sweep's piece is shape
    excess = (scatter - 1.0) * float((1 / np.concatenate(masses)).mean())
    return bool(scatter > 1.0 + DOUBT / math.sqrt(cells[-1]) and excess > LEAST_FORM * FORM_MM**2)


def without_blunt_corners(samples: Samples, bins: Bins, pieces: list[Piece]) -> list[Piece]:
    """Leaves out short pieces that only a blurred or cut corner explains: their neighbours are to meet there."""
    if len(pieces) < 3 or samples.blur <= 0:
        return pieces
    fits, spans = own_fits(samples, bins, pieces), spans_of(bins, pieces)
    n = len(pieces)
    dropped = [False] * n
    for run in range(min(MOST_BLUNT, n - 2), 0, -1):
        for k in range(n):
            inner = [(k + i) % n for i in range(run)]
            a, b = (k - 1) % n, (k + run) % n
            if not any(dropped[i] for i in (a, *inner, b)) and _is_blunt(samples, fits[a], fits[b], spans, inner):
                for i in inner:
                    dropped[i] = True
    for k in range(n):
        dropped[k] |= not (dropped[k - 1] or dropped[(k + 1) % n]) and _is_hollow(
            samples, fits[k - 1], fits[k], fits[(k + 1) % n], spans[k]
        )
    kept = [p for p, gone in zip(pieces, dropped, strict=True) if not gone]
    return kept if len(kept) >= 2 else pieces


def rounded(samples: Samples, bins: Bins, pieces: list[Piece]) -> list[Piece]:
    """Lines between two turns the same way, whose points bend nearly as much as these turns do, called arcs."""
    fits, spans = own_fits(samples, bins, pieces), spans_of(bins, pieces)
    n = len(pieces)
    called = list(pieces)
    for k, (lo, hi) in enumerate(spans if n > 2 else []):
        turns = (
            turn_between(fits[k - 1], fits[k], point_at(samples, lo), point_at(samples, lo)),
            turn_between(fits[k], fits[(k + 1) % n], point_at(samples, hi), point_at(samples, hi)),
        )
        index = chosen(samples, lo, hi)
        if pieces[k].kind != "line" or turns[0] * turns[1] <= 0 or min(map(abs, turns)) < CORNER_RAD or len(index) < 4:
            continue
        arc = own_fit(samples, "arc", None, index)
        if isinstance(arc, ArcFit) and arc.sign * turns[0] > 0 and (hi - lo) / arc.radius > BENT * abs(sum(turns)):
            called[k] = replace(pieces[k], kind="arc")
    return called
