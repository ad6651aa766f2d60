"""The stretches of the edge that a round tool does not reach, and the pieces of waste it leaves there.

Where a stretch that is reached ends, the tool touches the edge in two places at once, and the edge it makes goes on
from the second place. The tool's arc between the two and the stretches not reached enclose what is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from digitize.model.segment import Points
from digitize.shop.clearance import Clearance, nearest
from digitize.shop.samples import Flags, Floats, Ints, Samples

REACH_MM = 1e-4  # a disc that is too large by less gets in all the same
LONGEST_STEP = 2.0  # intervals, in one round
CONVERGED_MM = 1e-9
ROUNDS = 25
TRIES = 5
SEARCHES = 4  # for what the first one did not explain
EMPTY_MM = 1e-7  # a disc overlaps the edge by less, or its two places miss each other by less
EQUAL_MM = 1e-6  # rounding: so nearly equal depths are equal
SAME_PLACE = 1e-4  # intervals


@dataclass(frozen=True)
class Unreached:
    """The stretches of the edge that a disc of ``radius`` mm cannot touch, and the discs at their ends.

    start, end : (K,) float, places where each begins and ends
    centre : (K, 2) float, mm, of the disc that touches the edge at ``start[k]`` and at ``end[beyond[k]]``
    beyond : (K,) int, a permutation: the stretch at whose end the edge goes on beyond that disc
    closed : loops that the disc touches nowhere
    """

    radius: float
    start: Floats
    end: Floats
    centre: Points
    beyond: Ints
    closed: tuple[int, ...]

    def chains(self) -> list[list[int]]:
        """Stretches that border one and the same piece of what is left, each after the one whose disc leads to it."""
        before = np.argsort(self.beyond).tolist()
        seen = [False] * len(before)
        chains = []
        for k in range(len(before)):
            chain = []
            while not seen[k]:
                seen[k] = True
                chain.append(k)
                k = before[k]
            if chain:
                chains.append(chain)
        return chains


def unreached(clear: Clearance, radius: float, shallow: float = REACH_MM) -> Unreached:
    """What a disc of ``radius`` (mm, up to ``clear.largest``) cannot touch; what is less deep than ``shallow`` (mm) is
    taken to be reached."""
    samples = clear.samples
    bad = clear.radius < radius - min(REACH_MM, shallow)
    whole = np.flatnonzero(np.logical_and.reduceat(bad, samples.firsts[:-1]))
    discs, found = _NONE, -1
    todo = bad & ~np.isin(samples.loop, whole)
    for _ in range(SEARCHES):
        if len(discs.leave) == found or not todo.any():
            break
        found = len(discs.leave)
        discs = _in_turn(samples, _both(discs, _touching_twice(clear, radius, todo, shallow)))
        todo &= ~_covered(samples, discs.leave, _ends(samples, discs)[0])
    end, beyond = _ends(samples, discs)
    return Unreached(radius, discs.leave, end, discs.centre, beyond, tuple(int(k) for k in whole))


@dataclass(frozen=True)
class _Discs:
    """Discs (K) that touch the edge twice: the places where the edge that is reached leaves each and where it goes on,
    their centres, and the angle (radians) between the two places as seen from there; sorted by ``leave``."""

    leave: Floats
    back: Floats
    centre: Points
    between: Floats

    def only(self, kept: Ints | Flags) -> _Discs:
        return _Discs(self.leave[kept], self.back[kept], self.centre[kept], self.between[kept])


_NONE = _Discs(np.zeros(0), np.zeros(0), np.zeros((0, 2)), np.zeros(0))


def _both(discs: _Discs, more: _Discs) -> _Discs:
    """All of them, each once."""
    pairs = (
        (discs.leave, more.leave),
        (discs.back, more.back),
        (discs.centre, more.centre),
        (discs.between, more.between),
    )
    every = _Discs(*(np.concatenate(pair) for pair in pairs))
    every = every.only(np.argsort(every.leave))
    return every.only(np.diff(every.leave, prepend=-1.0) > SAME_PLACE)


def _ends(samples: Samples, discs: _Discs) -> tuple[Floats, Ints]:
    """Where the stretch that begins at each disc ends, and the stretch (K,) at whose end each disc lies."""
    if not len(discs.leave):
        return np.zeros(0), np.zeros(0, dtype=np.intp)
    order = np.argsort(np.concatenate([discs.leave, discs.back]), kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    following = _next_round(samples, np.concatenate([discs.leave, discs.back])[order])
    closing = order[following[rank[: len(discs.leave)]]] - len(discs.leave)
    return discs.back[closing], np.argsort(closing)


def _covered(samples: Samples, start: Floats, end: Floats) -> Flags:
    """The samples within the stretches."""
    steps = np.zeros(len(samples.points) + 1, dtype=np.intp)
    loop = samples.loop[start.astype(np.intp)]
    over = start > end  # past the loop's beginning
    np.add.at(steps, start.astype(np.intp) + 1, 1)
    np.add.at(steps, end.astype(np.intp) + 1, -1)
    np.add.at(steps, samples.firsts[loop[over]], 1)
    np.add.at(steps, samples.firsts[loop[over] + 1], -1)
    return np.asarray(np.cumsum(steps)[:-1] > 0)


def _touching_twice(clear: Clearance, radius: float, bad: Flags, shallow: float) -> _Discs:
    """The empty discs at both ends of every run of bad samples."""
    samples = clear.samples
    first = np.flatnonzero(bad & ~bad[samples.previous])
    last = np.flatnonzero(bad & ~bad[samples.following])
    if not len(first):
        return _NONE
    before, after = samples.previous[first].astype(float), samples.following[last].astype(float)  # both reached
    (p, n, _, _), (q, m, _, _) = samples.at(before), samples.at(after)
    _, near = cKDTree(q + radius * m).query(p + radius * n)  # the two ends of one disc nearly coincide
    here = np.concatenate([before + 0.5, before, before + 0.5, last + 0.5])
    across = np.concatenate([last[near] + 0.5, after[near], clear.touched[first], clear.touched[last]])
    across = np.where(across >= 0, across, here)
    for _ in range(TRIES):
        here, across = _once(*_newton(samples, radius, here, across))
        p, n, _, _ = samples.at(here)
        q, m, _, _ = samples.at(across)
        centre = p + radius * n
        place, nearest_point = nearest(samples, clear.tree, centre)
        blocked = np.hypot(*(nearest_point - centre).T) < radius - EMPTY_MM
        if not blocked.any():
            break
        by_here = np.hypot(*(nearest_point - p).T) < np.hypot(*(nearest_point - q).T)
        here, across = np.where(blocked & by_here, place, here), np.where(blocked & ~by_here, place, across)
    met = np.hypot(*(q + radius * m - centre).T) < EMPTY_MM
    between = np.arccos(np.clip((n * m).sum(axis=1), -1, 1))
    deep = radius * (1 / np.maximum(np.cos(between / 2), 1e-9) - 1) > shallow  # as a corner between the two places is
    good = np.flatnonzero(met & deep & ~blocked)
    turns_right = (n[:, 0] * m[:, 1] - n[:, 1] * m[:, 0] < 0)[good]
    leave, back = np.where(turns_right, here[good], across[good]), np.where(turns_right, across[good], here[good])
    return _Discs(leave, back, centre[good], between[good])


def _once(here: Floats, across: Floats) -> tuple[Floats, Floats]:
    """Pairs of places (K,), each kept once."""
    order = np.lexsort((across, here))
    here, across = here[order], across[order]
    fresh = (np.diff(here, prepend=-1.0) > SAME_PLACE) | (np.abs(np.diff(across, prepend=-1.0)) > SAME_PLACE)
    return here[fresh], across[fresh]


def _newton(samples: Samples, radius: float, here: Floats, across: Floats) -> tuple[Floats, Floats]:
    """Places (K,) led to where the discs that touch the edge there are one and the same."""
    here, across = here.copy(), across.copy()
    active = np.arange(len(here))
    for _ in range(ROUNDS):
        a, b = here[active], across[active]
        (p, n, dp, dn), (q, m, dq, dm) = samples.at(a), samples.at(b)
        off = q + radius * m - p - radius * n
        far = np.abs(off).max(axis=1) > CONVERGED_MM
        if not far.any():
            break
        u, v = dp + radius * dn, dq + radius * dm
        det = v[:, 0] * u[:, 1] - u[:, 0] * v[:, 1]
        safe = np.where(np.abs(det) < 1e-12, 1e-12, det)
        step_a = (v[:, 0] * off[:, 1] - off[:, 0] * v[:, 1]) / safe
        step_b = (u[:, 0] * off[:, 1] - off[:, 0] * u[:, 1]) / safe
        limit = np.minimum(1.0, LONGEST_STEP / np.maximum(np.maximum(np.abs(step_a), np.abs(step_b)), 1e-30))
        here[active[far]] = samples.moved(a, limit * step_a)[far]
        across[active[far]] = samples.moved(b, limit * step_b)[far]
        active = active[far]
    return here, across


def _in_turn(samples: Samples, discs: _Discs) -> _Discs:
    """The discs between whose places the edge goes in and out in turn; of two that overlap the shallower goes."""
    while len(discs.leave):
        count = len(discs.leave)
        places = np.concatenate([discs.leave, discs.back])
        order = np.argsort(places, kind="stable")
        disc, is_back = order % count, order >= count
        following = _next_round(samples, places[order])
        clash = np.flatnonzero(is_back == is_back[following])
        if not len(clash):
            break
        one, other = disc[clash], disc[following[clash]]
        shallower = np.where(discs.between[one] <= discs.between[other], one, other)
        discs = discs.only(np.arange(count) != shallower[np.argmin(discs.between[shallower])])
    return discs


def _next_round(samples: Samples, places: Floats) -> Ints:
    """For each of the sorted places the one that comes next on its own loop."""
    loop = samples.loop[places.astype(np.intp)]
    following = np.arange(1, len(places) + 1)
    ends = np.flatnonzero(np.diff(loop, append=-1))
    following[ends] = np.searchsorted(loop, loop[ends])
    return following


@dataclass(frozen=True)
class Piece:
    """Waste that a round tool leaves along one chain of stretches.

    samples : (N,) int, of the edge in it
    stretches : of the ``Unreached`` that border it
    deepest : the sample farthest from the tool's reach; depth : how far, mm
    """

    samples: Ints
    stretches: tuple[int, ...]
    area: float
    deepest: int
    depth: float


def pieces_left(clear: Clearance, miss: Unreached) -> list[Piece]:
    """Each piece that is left in corners, curves and slots; loops that are not entered at all are ``miss.closed``."""
    if not len(miss.start):
        return []
    chains, swept = miss.chains(), _swept_by(clear.samples, miss)
    stretch = np.array([k for chain in chains for k in chain])
    inside, stretch_of = _between(clear.samples, miss.start[stretch], miss.end[stretch])
    size = np.array([len(chain) for chain in chains])
    chain_of = np.repeat(np.arange(len(chains)), size)[stretch_of]
    away = np.full(len(inside), np.inf)
    for j in range(size.max()):  # most chains are one stretch
        centre = miss.centre[stretch[(np.cumsum(size) - size + np.minimum(j, size - 1))[chain_of]]]
        away = np.minimum(away, np.hypot(*(clear.samples.points[inside] - centre).T))
    first = np.searchsorted(chain_of, np.arange(len(chains) + 1))
    return [
        _piece(miss, chain, float(-swept[chain].sum()), inside[a:b], away[a:b])
        for chain, a, b in zip(chains, first[:-1].tolist(), first[1:].tolist(), strict=True)
    ]


def _piece(miss: Unreached, chain: list[int], area: float, inside: Ints, away: Floats) -> Piece:
    """away : (N,) float, mm, of the samples inside, from the nearest centre of the tool"""
    if not len(inside):
        return Piece(inside, tuple(chain), area, int(miss.start[chain[0]]), 0.0)
    if len(chain) > 1:
        area += sum(_lens(math.dist(a, b), miss.radius) for a, b in combinations(miss.centre[chain], 2))
    farthest = float(away.max())
    deepest = int((away > farthest - EQUAL_MM).argmax())
    return Piece(inside, tuple(chain), area, int(inside[deepest]), float(away[deepest]) - miss.radius)


def _lens(apart: float, radius: float) -> float:
    """What two discs have in common: at a neck hardly too narrow they overlap, and :func:`_swept_by` takes that off."""
    if apart >= 2 * radius:
        return 0.0
    return 2 * radius**2 * math.acos(apart / (2 * radius)) - apart / 2 * math.sqrt(4 * radius**2 - apart**2)


def _between(samples: Samples, start: Floats, end: Floats) -> tuple[Ints, Ints]:
    """The samples from each place (K,) to the other, round the loop's end where need be, and each one's stretch."""
    begin, loop = start.astype(np.intp), samples.loop[start.astype(np.intp)]
    first, size = samples.firsts[loop], np.diff(samples.firsts)[loop]
    count = end.astype(np.intp) - begin + np.where(start <= end, 0, size)
    of = np.repeat(np.arange(len(start)), count)
    number = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    return first[of] + np.mod((begin + 1 - first)[of] + number, size[of]), of


def _swept_by(samples: Samples, miss: Unreached) -> Floats:
    """(K,) half the integral of x dy - y dx along each stretch and on along the arc of the disc at its beginning."""
    along = samples.green(miss.end) - samples.green(miss.start)
    along += np.where(miss.end < miss.start, samples.areas[samples.loop[miss.start.astype(np.intp)]], 0.0)
    to = samples.at(miss.start)[0] - miss.centre  # the arc comes from the end of another stretch
    start = samples.at(miss.end[miss.beyond])[0] - miss.centre
    turn = np.arctan2(start[:, 0] * to[:, 1] - start[:, 1] * to[:, 0], (start * to).sum(axis=1))
    turn = np.where(turn < -np.pi / 2, turn + 2 * np.pi, np.maximum(turn, 0.0))  # never more than half round
    move = to - start
    chord = miss.centre[:, 0] * move[:, 1] - miss.centre[:, 1] * move[:, 0]
    return np.asarray(along + (miss.radius**2 * turn + chord) / 2)
