"""Outlines offset by a distance: lines stay lines, arcs stay arcs, only splines become short lines.

The offset of a part outward is where the centre of a disc goes that rolls round it, so it is made of the stretches that
the disc reaches, each moved along its normals, one meeting the next in the centre of a disc that touches twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from shapely import Point as Spot
from shapely import Polygon

from digitize.model.outline import CHORD_ERROR_MM, Loop, Outline
from digitize.model.segment import Arc, Line, Segment, Spline, as_point
from digitize.shop.clearance import Clearance, clearance
from digitize.shop.reach import Unreached, unreached
from digitize.shop.samples import Floats, Ints, Samples, edge_samples

SPACING = 0.25  # of the offset, from sample to sample
FINEST_MM = 0.05
COARSE_MM = 0.05  # chord error of the polygon that an offset is held against
COARSE = 0.01  # and of its corners, eight chords to a quarter circle, as a share of the offset
LEAST_MM = 1e-6  # what is shorter is left out
WHOLE = 1 - 1e-9  # an interval that is taken so far is taken to its end


def offset(outline: Outline, distance: float, clear: Clearance | None = None) -> tuple[Outline, ...]:
    """Outlines whose edge lies ``distance`` mm outside this one's, or inside where negative; none may be left.

    clear : the outline's clearance, as far as ``distance`` at least, where it is known already
    """
    if abs(distance) < LEAST_MM:
        return (outline,)
    outward = distance > 0
    loops = outline.loops if outward else tuple(loop.reversed() for loop in outline.loops)
    if clear is None or not outward:
        clear = clearance(edge_samples(loops, max(SPACING * abs(distance), FINEST_MM)), abs(distance))
    try:
        moved = _offset_loops(loops, clear, abs(distance))
        parts = _outlines(moved if outward else [loop.reversed() for loop in moved])
        if _is_whole(outline, parts, distance):
            return parts
    except ValueError:  # a loop crosses itself, or does not close
        pass
    # Coarse polygons, whose corners overlap by less than can be told apart: straight lines then.
    polygon = outline.polygon().buffer(distance, quad_segs=_quarter(abs(distance)))
    return tuple(_straight(part) for part in getattr(polygon, "geoms", [polygon]) if not part.is_empty)


def _is_whole(outline: Outline, parts: Sequence[Outline], distance: float) -> bool:
    """Whether the area is about what a coarse offset of the polygon has: nothing lost, nothing left in."""
    about = outline.polygon(COARSE_MM).buffer(distance)
    off = abs(math.fsum(part.outer.area + math.fsum(h.area for h in part.holes) for part in parts) - about.area)
    edge = math.fsum(loop.length for loop in outline.loops)
    return bool(off < (COARSE_MM + COARSE * abs(distance)) * edge)


def _offset_loops(loops: Sequence[Loop], clear: Clearance, distance: float) -> list[Loop]:
    """Where the centre of a disc of this radius (mm) goes that rolls round the waste's side of the loops."""
    samples = clear.samples
    miss = unreached(clear, distance, LEAST_MM)
    touched = {int(k) for k in samples.loop[miss.start.astype(np.intp)]}
    whole = [k for k in range(len(loops)) if k not in touched and k not in miss.closed]
    rounds = [[(float(samples.firsts[k]), float(samples.firsts[k]))] for k in whole] + _rounds(samples, miss)
    moved = iter(_moved(loops, samples, [stretch for round_ in rounds for stretch in round_], distance))
    chains = [[s for _ in round_ for s in next(moved)] for round_ in rounds]
    return [Loop(tuple(_joined(chain))) for chain in chains if len(chain) > 1 or (chain and _is_circle(chain[0]))]


def _is_circle(segment: Segment) -> bool:
    return isinstance(segment, Arc) and segment.is_circle


def _rounds(samples: Samples, miss: Unreached) -> list[list[tuple[float, float]]]:
    """Stretches (from place, to place) that are reached, in the order in which the disc comes to them."""
    order = np.argsort(miss.start)
    loop = samples.loop[miss.start[order].astype(np.intp)]
    next_on = np.empty(len(order), dtype=np.intp)  # the stretch not reached that follows each on its loop
    for k in np.unique(loop):
        same = order[loop == k]
        next_on[same] = np.roll(same, -1)
    seen: set[int] = set()
    rounds = []
    for first in range(len(order)):
        round_, k = [], first
        while k not in seen:
            seen.add(k)
            ended = int(miss.beyond[k])
            k = int(next_on[ended])
            round_.append((float(miss.end[ended]), float(miss.start[k])))
        if round_:
            rounds.append(round_)
    return rounds


def _moved(
    loops: Sequence[Loop], samples: Samples, stretches: Sequence[tuple[float, float]], distance: float
) -> list[list[Segment]]:
    """The edge along each stretch, moved outward by ``distance``."""
    if not stretches:
        return []
    stretch, k, here, there = _intervals(samples, *np.array(stretches).T)
    first = np.flatnonzero((np.diff(samples.piece[k], prepend=-2) != 0) | (np.diff(stretch, prepend=-1) != 0))
    last = np.append(first[1:], len(k)) - 1
    centre, n, _, _ = samples.at(k[first] + here[first])
    p, m, _, _ = samples.at(np.where(there[last] > WHOLE, samples.following[k[last]], k[last] + there[last]))
    start, end = centre + distance * n, p + distance * m
    moved: list[list[Segment]] = [[] for _ in stretches]
    for row, (i, j) in enumerate(zip(first.tolist(), (last + 1).tolist(), strict=True)):
        piece = int(samples.piece[k[i]])
        segment = loops[samples.loop[k[i]]].segments[piece] if piece >= 0 else None
        if isinstance(segment, Spline):
            q, m, _, _ = samples.at(_denser(samples, k[i:j], here[i:j], there[i:j], distance))
            points = [as_point(u) for u in (*(q + distance * m), end[row])]
            moved[stretch[i]] += [Line(u, v) for u, v in pairwise(points)]
        else:
            moved[stretch[i]] += _moved_piece(segment, centre[row], start[row], end[row], distance)
    return moved


def _intervals(samples: Samples, start: Floats, end: Floats) -> tuple[Ints, Ints, Floats, Floats]:
    """Stretch and interval, both (M,) int, and from where to where in it, both (M,) float, 0 .. 1, along stretches from
    places (K,) to places (K,), round the loop's beginning where need be."""
    i, j = start.astype(np.intp), end.astype(np.intp)
    loop = samples.loop[i]
    first, size = samples.firsts[loop], np.diff(samples.firsts)[loop]
    count = j - i + 1 + np.where(start < end, 0, size)
    ended = np.cumsum(count)
    of = np.repeat(np.arange(len(start)), count)
    k = first[of] + np.mod(np.arange(len(of)) + (i - first - ended + count)[of], size[of])
    here, there = np.zeros(len(k)), np.ones(len(k))
    here[ended - count], there[ended - 1] = start - i, end - j
    some = there - here > LEAST_MM
    return of[some], k[some], here[some], there[some]


def _moved_piece(segment: Line | Arc | None, at: Floats, a: Floats, b: Floats, distance: float) -> list[Segment]:
    """One segment's share of a stretch, from a to b, or (None) the arc round an outside corner, which is ``at``."""
    if segment is None:
        return [_arc(at, distance, a, b, 1.0)]
    if isinstance(segment, Line):
        return [Line(as_point(a), as_point(b))]
    bend = math.copysign(1.0, segment.sweep)
    radius = segment.radius + bend * distance
    if radius <= LEAST_MM:
        return []
    if segment.is_circle and math.dist(a, b) < LEAST_MM:
        return [Arc(segment.centre, radius, segment.from_angle, segment.sweep)]
    return [_arc(np.asarray(segment.centre), radius, a, b, bend)]


def _denser(samples: Samples, k: Ints, here: Floats, there: Floats, distance: float) -> Floats:
    """Places so close that chords between their moved points keep the chord error; k : (M,) int, intervals."""
    turn = np.abs(samples.turn[k])
    sagitta = (samples.speed[k] + turn * distance) * turn / 8
    pieces = np.maximum(1, np.ceil(np.sqrt(sagitta / CHORD_ERROR_MM))).astype(np.intp)
    step = (there - here) / pieces
    return np.concatenate([h + s * np.arange(n) for h, s, n in zip(k + here, step, pieces, strict=True)])


def _arc(centre: Floats, radius: float, a: Floats, b: Floats, bend: float) -> Arc:
    """From the direction of a to that of b about the centre, counter-clockwise where ``bend`` is positive."""
    u, v = a - centre, b - centre
    sweep = math.atan2(u[0] * v[1] - u[1] * v[0], float(u @ v))
    if bend * sweep < -LEAST_MM:
        sweep += bend * 2 * math.pi
    return Arc(as_point(centre), radius, math.atan2(u[1], u[0]), sweep)


def _joined(chain: Sequence[Segment]) -> list[Segment]:
    """A closed chain without specks, its lines led to their neighbours' ends."""
    chain = [s for s in chain if s.length > LEAST_MM]
    if len(chain) < 2:
        return list(chain)
    joined: list[Segment] = []
    for before, segment, after in zip([chain[-1], *chain[:-1]], chain, [*chain[1:], chain[0]], strict=True):
        start = segment.start if isinstance(before, Line) else before.end
        end = segment.end if isinstance(after, Line) else after.start
        if isinstance(segment, Line):
            joined.append(Line(start, end))
            continue
        if math.dist(before.end, segment.start) > LEAST_MM and not isinstance(before, Line):
            joined.append(Line(before.end, segment.start))
        joined.append(segment)
    return joined


def _quarter(radius: float) -> int:
    """Chords in a quarter circle that keep the chord error."""
    return math.ceil(math.pi / 4 / math.acos(1 - min(CHORD_ERROR_MM / radius, 0.25)))


def _straight(polygon: Polygon) -> Outline:
    rings = [[as_point(p) for p in ring.coords] for ring in (polygon.exterior, *polygon.interiors)]
    loops = [Loop(tuple(Line(a, b) for a, b in pairwise(ring))) for ring in rings]
    return Outline.of(loops[0], loops[1:])


def _outlines(loops: Sequence[Loop]) -> tuple[Outline, ...]:
    """Each outer loop with the holes that lie in it."""
    outers = [loop for loop in loops if loop.area > 0]
    inside = [Polygon(loop.flattened()) for loop in outers]
    holes = [loop for loop in loops if loop.area < 0]
    homes = [_home(inside, hole) for hole in holes]
    return tuple(
        Outline(outer, tuple(h for h, home in zip(holes, homes, strict=True) if home == k))
        for k, outer in enumerate(outers)
    )


def _home(polygons: Sequence[Polygon], hole: Loop) -> int:
    """Which polygon a hole lies in: the smallest of those that hold its first point."""
    at = Spot(hole.segments[0].start)
    holding = [k for k, polygon in enumerate(polygons) if polygon.intersects(at)]
    return min(holding, key=lambda k: float(polygons[k].area), default=-1)
