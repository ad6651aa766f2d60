"""The best rigid placement of a part on its master: no scaling, and no turning over.

Dense stations of the master against the exact curves of the part; least squares by Gauss-Newton steps, each station
weighed by Tukey's biweight of its deviation, so that a proud edge or a chip neither pulls the part aside nor hides.
Every start is tried, so that a shape that nearly repeats is not laid on its wrong repeat; a shape that truly repeats
has several best placements, and they are told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.optimize import linear_sum_assignment, linprog
from shapely.geometry import Polygon

from digitize.compare.nearest import Curves, Floats
from digitize.compare.placement import Placement, Seen, seen, seen_by_any
from digitize.compare.stations import Flags, Master, Stations
from digitize.model.outline import Outline
from digitize.model.segment import as_point, moved_points

SIGNATURE = 512  # points of the outer loops that are matched to find the starts
STARTS = 8  # best matches tried, enough for an eightfold repeat
ROUND = 1e-3  # an outer loop whose match varies by less with the turn is round
ROUND_TURNS = 36  # tried then; holes decide
GOLDEN = math.pi * (3 - math.sqrt(5))  # radians; its multiples never repeat, nor suit any symmetry
ROUGH_STATIONS, FINE_STATIONS = 300, 2000
TUKEY = 4.685  # times the scatter: beyond it a deviation has no say (95 % efficient on normal noise; from memory)
LEAST_SCATTER_MM = 0.01  # drawings agree exactly, and rounding must not count as scatter
STEPS = 40
ROUGHLY_MM, SETTLED_MM = 1e-3, 1e-6  # well below what placements are told apart by, and below anything that matters
LONGEST_TURN = 0.3  # radians in one step: keeps a nearly free turn from running away
FREE = 1e-7  # of the largest eigenvalue: a direction that the curves do not hold
OFF_DATUM = 1e-6  # weight of what is not a datum: decides only what the datums leave free
ACTIVE = 0.98  # of the largest deviation: stations that hold a placement inside the zone
CAPPED = 10.0  # times the noise: where placements are weighed against each other, no deviation counts for more
SAME_HOLE = 0.25  # shared area over joint area of a hole and its pair, at least
OTHER_TURN = math.radians(3.0)  # placements that differ by less are one


@dataclass(frozen=True)
class Registration:
    """Where the part lies on its master.

    pairs : for each loop of the master the part's number of it, None where it is missing
    extra : the part's loops that the master has not
    stations, weights : what the placement rests on
    centre : (2,) mm, about which it turns
    rms_mm : of the deviations, weighed
    other_turns : radians from this placement to others that fit as well
    free_turn : whether any turn fits as well
    """

    placement: Placement
    pairs: tuple[int | None, ...]
    extra: tuple[int, ...]
    stations: Stations
    weights: Floats
    centre: Floats
    rms_mm: float
    other_turns: tuple[float, ...]
    free_turn: bool


def register(master: Master, part: Sequence[Curves], outline: Outline, noise_mm: float) -> Registration:
    """The least-squares placement.

    part, outline : the part's loops as curves, and the same as an outline
    noise_mm : placements whose RMS differs by less are equally good
    """
    stations = _thinned(master, ROUGH_STATIONS)
    rough = partial(seen_by_any, stations, part)
    tried = [_settled(stations, rough, start, ROUGHLY_MM) for start in _starts(master, part, rough)]
    views = [rough(p).deviation for p in tried]
    most = max(TUKEY * min(_scatter(v) for v in views), CAPPED * noise_mm)
    costs = [float(np.mean(np.minimum(np.abs(v), most) ** 2)) for v in views]
    order = np.argsort(costs, kind="stable")
    best = tried[order[0]]
    pairs, extra = _pairs(master.outline, outline, best)
    fine = _thinned(master, FINE_STATIONS)
    fine = fine.some(np.isin(fine.loop, [i for i, p in enumerate(pairs) if p is not None]))
    look = partial(seen, fine, [None if p is None else part[p] for p in pairs])
    best = _settled(fine, look, best, SETTLED_MM)
    deviation = look(best).deviation
    weights = fine.weight * _tukey(deviation, _scatter(deviation))
    centre = _centre(fine, weights)
    rms = math.sqrt(float(np.average(deviation**2, weights=weights)))
    limit = math.hypot(math.sqrt(costs[order[0]]), noise_mm)
    others = [tried[i] for i in order[1:] if math.sqrt(costs[i]) < limit]
    free = _turns_freely(rough, best, centre, limit)
    return Registration(best, pairs, extra, fine, weights, centre, rms, () if free else _turns(best, others), free)


def on_datums(found: Registration, part: Sequence[Curves], datum: Flags) -> Registration:
    """Placed again by least squares on the datum edges alone; what they leave free is left to all others.

    datum : (N,) of ``found.stations``
    """
    weights = found.stations.weight * np.where(datum, 1.0, OFF_DATUM)
    look = _looking(found, part)
    placement = found.placement
    centre = _centre(found.stations, weights)
    for _ in range(STEPS):
        view = look(placement)
        step = _step(view.slopes(found.stations.points, centre), view.deviation, weights, OFF_DATUM * FREE)
        placement = placement.moved(step, centre)
        if np.abs(step).max() < SETTLED_MM / 100:
            break
    return _replaced(found, look, placement, weights)


def inside_zone(found: Registration, part: Sequence[Curves]) -> Registration:
    """Placed again so that the largest deviation is as small as it can be: linear programmes, one after the other."""
    look = _looking(found, part)
    centre = found.centre
    placement = found.placement
    largest = math.inf
    for _ in range(STEPS):
        view = look(placement)
        now = float(np.abs(view.deviation).max())
        if now > largest - SETTLED_MM:
            break
        kept, largest = placement, now
        placement = placement.moved(_least_largest(found.stations, view, centre), centre)
    active = np.abs(look(kept).deviation) > ACTIVE * largest
    return _replaced(found, look, kept, found.stations.weight * np.where(active, 1.0, OFF_DATUM))


def _looking(found: Registration, part: Sequence[Curves]) -> Callable[[Placement], Seen]:
    return partial(seen, found.stations, [None if p is None else part[p] for p in found.pairs])


def _replaced(
    found: Registration, look: Callable[[Placement], Seen], placement: Placement, weights: Floats
) -> Registration:
    rms = math.sqrt(float(np.average(look(placement).deviation ** 2, weights=weights)))
    centre = _centre(found.stations, weights)
    return Registration(
        placement, found.pairs, found.extra, found.stations, weights, centre, rms, found.other_turns, found.free_turn
    )


def _thinned(master: Master, most: int) -> Stations:
    total = sum(c.length for c in master.curves)
    return master.stations(total / most)


def _starts(master: Master, part: Sequence[Curves], look: Callable[[Placement], Seen]) -> list[Placement]:
    """Starts from the outer loops alone, or, if those are round, from many turns, the best by all loops first.

    Both loops are sampled evenly along themselves, as complex numbers about their means. Their correlation at each
    shift along the loop holds the least-squares turn (its argument) and how well it fits (its modulus), which is
    Procrustes' solution for all shifts at once, by FFT.
    """
    share = np.arange(SIGNATURE) / SIGNATURE
    a, b = (c.at(share * c.length)[0] @ np.array([1.0, 1j]) for c in (master.curves[0], part[0]))
    to, by = a.mean(), b.mean()
    match = np.fft.ifft(np.fft.fft(a - to) * np.conj(np.fft.fft(b - by)))
    fit = np.abs(match)
    if fit.min() > (1 - ROUND) * fit.max():
        placed = [_about(to, by, 2 * math.pi * k / ROUND_TURNS) for k in range(ROUND_TURNS)]
        return sorted(placed, key=lambda p: float(np.mean(look(p).deviation ** 2)))[:STARTS]
    peaks = np.flatnonzero((fit >= np.roll(fit, 1)) & (fit > np.roll(fit, -1)))
    best = peaks[np.argsort(-fit[peaks], kind="stable")][:STARTS]
    return [_about(to, by, float(np.angle(match[m]))) for m in best]


def _about(to: complex, by: complex, turn: float) -> Placement:
    """Turned so that the point ``by`` of the part comes to lie on ``to``."""
    turned = moved_points([(by.real, by.imag)], turn)[0]
    return Placement(turn, as_point((to.real - turned[0], to.imag - turned[1])))


def _settled(stations: Stations, look: Callable[[Placement], Seen], placement: Placement, still: float) -> Placement:
    """Gauss-Newton from a start, weighed anew at each step, until a step is below ``still`` mm."""
    for _ in range(STEPS):
        view = look(placement)
        weights = stations.weight * _tukey(view.deviation, _scatter(view.deviation))
        centre = _centre(stations, weights)
        step = _step(view.slopes(stations.points, centre), view.deviation, weights)
        placement = placement.moved(step, centre)
        if np.abs(step[:2]).max() < still and abs(step[2]) < still / 100:
            break
    return placement


def _step(slopes: Floats, deviation: Floats, weights: Floats, free: float = FREE) -> Floats:
    """The least-squares step; a direction that nothing holds is left alone."""
    arm = max(1.0, math.sqrt(float(np.average(slopes[:, 2] ** 2, weights=weights))))
    scale = np.array([1.0, 1.0, arm])
    reach = slopes / scale
    normal = (reach * weights[:, None]).T @ reach
    step = -np.linalg.pinv(normal, rcond=free, hermitian=True) @ (reach * weights[:, None]).T @ deviation / scale
    most = max(1.0, abs(float(step[2])) / LONGEST_TURN)
    shorter: Floats = step / most
    return shorter


def _least_largest(stations: Stations, view: Seen, centre: Floats) -> Floats:
    """The step (x, y, turn) after which the largest deviation is least, to first order.

    Minimise z subject to |deviation + slopes . step| <= z; the step is kept below the present largest deviation.
    """
    arm = math.sqrt(float(((stations.points - centre) ** 2).sum(axis=1).mean()))
    reach = view.slopes(stations.points, centre) / np.array([1.0, 1.0, arm])
    ones = np.ones((len(reach), 1))
    most = float(np.abs(view.deviation).max())
    found = linprog(
        (0.0, 0.0, 0.0, 1.0),
        A_ub=np.vstack([np.hstack([reach, -ones]), np.hstack([-reach, -ones])]),
        b_ub=np.concatenate([-view.deviation, view.deviation]),
        bounds=[(-most, most)] * 3 + [(0.0, None)],
    )
    step: Floats = found.x[:3] / np.array([1.0, 1.0, arm])
    return step


def _centre(stations: Stations, weights: Floats) -> Floats:
    centre: Floats = np.average(stations.points, axis=0, weights=weights)
    return centre


def _scatter(deviation: Floats) -> float:
    """Standard deviation by the median, so that half of the part may be wrong."""
    return max(LEAST_SCATTER_MM, 1.4826 * float(np.median(np.abs(deviation))))


def _tukey(deviation: Floats, scatter: float) -> Floats:
    """Tukey's biweight."""
    weights: Floats = np.maximum(0.0, 1.0 - (deviation / (TUKEY * scatter)) ** 2) ** 2
    return weights


def _turns_freely(look: Callable[[Placement], Seen], best: Placement, centre: Floats, limit: float) -> bool:
    """Whether the part fits as well in whatever turn about ``centre``."""
    turns = np.arange(1, ROUND_TURNS) * GOLDEN
    return all(
        math.sqrt(float(np.mean(look(best.moved(np.array([0.0, 0.0, turn]), centre)).deviation ** 2))) < limit
        for turn in turns
    )


def _turns(best: Placement, others: Sequence[Placement]) -> tuple[float, ...]:
    """How far the others are turned from the best, each once."""
    turns: list[float] = []
    for other in others:
        turn = math.remainder(other.turn - best.turn, 2 * math.pi)
        if all(abs(math.remainder(turn - t, 2 * math.pi)) > OTHER_TURN for t in (0.0, *turns)):
            turns.append(turn)
    return tuple(sorted(turns, key=lambda t: t % (2 * math.pi)))


def _pairs(master: Outline, part: Outline, placement: Placement) -> tuple[tuple[int | None, ...], tuple[int, ...]]:
    """Which hole of the part is which of the master: the pairs that share most of their area."""
    holes = [
        [Polygon(h.flattened(0.05)) for h in master.holes],
        [Polygon(placement.of(h.flattened(0.05))) for h in part.holes],
    ]
    shared = np.array([[a.intersection(b).area / a.union(b).area for b in holes[1]] for a in holes[0]])
    shared = shared.reshape(len(holes[0]), len(holes[1]))
    chosen = [(i, j) for i, j in zip(*linear_sum_assignment(-shared), strict=True) if shared[i, j] >= SAME_HOLE]
    found = {int(i) + 1: int(j) + 1 for i, j in chosen}
    extra = tuple(j for j in range(1, len(holes[1]) + 1) if j not in found.values())
    return (0, *(found.get(i) for i in range(1, len(holes[0]) + 1))), extra
