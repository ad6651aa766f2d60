"""Loose pieces of curve -> outlines: pieces joined end to end into loops, loops told apart into outer ones and holes.

*chain*: segments that are known to follow each other; *loose end*: an end that meets no other; *gap*: the distance
between two ends that are taken to meet. Whatever keeps the pieces from being outlines is told with its place.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import shapely
from scipy.spatial import cKDTree

from digitize.model.errors import Caveat, InputError
from digitize.model.outline import CHORD_ERROR_MM, GAP_TOL_MM, Loop, Outline
from digitize.model.segment import Arc, Line, Point, Points, Segment, Spline, as_point

JOIN_MM = 0.01  # ends at most this far apart are one point: what drawing programs leave, and far below what wood shows
SAME_MM = 1e-4  # two points this near are one, whatever the program
LEAST_AREA_MM2 = 1e-3  # a loop that encloses less is no edge
WIDEST_TURN_RAD = math.radians(340.0)  # an arc with a larger sweep cannot be bent a little to new ends

Chain = tuple[Segment, ...]


@dataclass(frozen=True)
class Found:
    """What loose pieces gave: outlines, the largest first, and what was put right on the way."""

    outlines: tuple[Outline, ...]
    caveats: tuple[Caveat, ...]


def outlines_from(chains: Sequence[Chain]) -> Found:
    """The outlines that the chains make up, whatever their order and direction.

    Raises
    ------
    InputError where a loop is open, crosses itself or another, or where more than two ends meet in one point
    """
    full, empty = _without_empty(chains)
    if not full:
        where = f", only pieces without length, like at {place(empty[0].start)}" if empty else ""
        raise InputError(f"the drawing holds no edges{where}", "draw a closed outline")
    kept, twice = _without_duplicates(full)
    try:
        loops = [Loop(_meeting(chain)) for chain in _joined(kept)]
    except InputError as error:
        raise (_shared(twice) if twice else error) from error
    return Found(tuple(_nested(loops)), (*_dropped(empty, "no length"), *_dropped(twice, "been drawn twice")))


def place(point: Iterable[float]) -> str:
    """A place as sentences name it."""
    x, y = point
    return f"({x:.2f}, {y:.2f}) mm"


def _without_empty(chains: Sequence[Chain]) -> tuple[list[Chain], list[Segment]]:
    empty = [s for chain in chains for s in chain if s.length < SAME_MM]
    return [full for chain in chains if (full := tuple(s for s in chain if s.length >= SAME_MM))], empty


def _shared(twice: list[Segment]) -> InputError:
    return InputError(
        f"the drawing has an edge drawn twice at {place(twice[0].start)}, and drawn once it leaves loops open",
        "draw each edge once, and keep parts apart",
    )


def _dropped(segments: list[Segment], why: str) -> tuple[Caveat, ...]:
    if not segments:
        return ()
    pieces = "1 piece has" if len(segments) == 1 else f"{len(segments)} pieces have"
    where = "" if len(segments) == 1 else "the first "
    return (
        Caveat(
            f"in the drawing {pieces} {why}, {where}at {place(segments[0].start)}",
            "nothing was lost, but it may be a slip of the pen: look there",
        ),
    )


def _without_duplicates(chains: Sequence[Chain]) -> tuple[list[Chain], list[Segment]]:
    """Each piece once, whichever way it runs, and those left out; a chain that loses a piece falls apart there."""
    segments = [s for chain in chains for s in chain]
    if len(segments) < 2:
        return list(chains), []
    along = np.array([s.point([0.0, 0.25, 0.5, 0.75, 1.0]) for s in segments])
    signs = np.column_stack([along[:, 2], along.mean(axis=1), [s.length for s in segments]])
    twice: set[int] = set()
    for a, b in sorted(cKDTree(signs).query_pairs(JOIN_MM)):
        apart = min(np.abs(along[a] - along[b]).max(), np.abs(along[a] - along[b][::-1]).max())
        if apart <= JOIN_MM and segments[a].length > 2 * JOIN_MM:
            twice.add(b)
    numbered = iter(range(len(segments)))
    kept = []
    for chain in chains:
        marked = [(next(numbered) in twice, segment) for segment in chain]
        kept += [tuple(s for _, s in run) for out, run in groupby(marked, lambda m: m[0]) if not out]
    return kept, [segments[i] for i in sorted(twice)]


def _joined(chains: Sequence[Chain]) -> Iterator[Chain]:
    """Chains run together, end to nearest end, until each closes.

    End 2i is where chain i begins, end 2i + 1 where it ends.
    """
    whole = [chain for chain in chains if _is_circle(chain)]
    yield from whole
    chains = [chain for chain in chains if not _is_circle(chain)]
    if not chains:
        return
    partner = _partners(chains)
    left = dict.fromkeys(range(len(chains)))
    while left:
        loop: list[Segment] = []
        end = 2 * next(iter(left))
        while end // 2 in left:
            del left[end // 2]
            chain = chains[end // 2]
            loop += chain if end % 2 == 0 else [s.reversed() for s in reversed(chain)]
            end = partner[end ^ 1]
        yield tuple(loop)


def _is_circle(chain: Chain) -> bool:
    return len(chain) == 1 and isinstance(chain[0], Arc) and chain[0].is_circle


def _partners(chains: Sequence[Chain]) -> dict[int, int]:
    """Which end meets which: the nearest first, none farther than JOIN_MM."""
    ends = np.array([p for chain in chains for p in (chain[0].start, chain[-1].end)])
    tree = cKDTree(ends)
    crowd = Counter(i for pair in tree.query_pairs(SAME_MM) for i in pair)
    if crowd and max(crowd.values()) > 1:
        raise _too_many(ends[min(i for i, others in crowd.items() if others > 1)])
    short = {i for i, chain in enumerate(chains) if sum(s.length for s in chain) <= 2 * JOIN_MM}
    pairs = [(a, b) for a, b in sorted(tree.query_pairs(JOIN_MM)) if a // 2 != b // 2 or a // 2 not in short]
    partner: dict[int, int] = {}
    for a, b in sorted(pairs, key=lambda ab: math.dist(ends[ab[0]], ends[ab[1]])):
        if a not in partner and b not in partner:
            partner[a], partner[b] = b, a
    loose = [i for i in range(len(ends)) if i not in partner]
    if loose:
        raise _open(ends, loose, tree)
    return partner


def _too_many(point: Points) -> InputError:
    return InputError(
        f"the drawing's edges branch at {place(point)}, where more than two ends meet",
        "leave only the cut edges in it, each a closed loop",
    )


def _open(ends: Points, loose: list[int], tree: cKDTree) -> InputError:
    first = ends[loose[0]]
    if len(tree.query_ball_point(first, JOIN_MM)) > 2:
        return _too_many(first)
    others = np.delete(ends[loose], 0, axis=0)
    gap = float(np.linalg.norm(others - first, axis=1).min()) if len(others) else math.inf
    nearest = f"the nearest loose end is {gap:.3g} mm away" if len(others) else "no other loose end is there"
    return InputError(
        f"the drawing has an open loop at {place(first)}: {nearest} and up to {JOIN_MM:g} mm are bridged",
        "close the loop in the drawing, or take lines that are no cut edge out of it",
    )


def _meeting(chain: Chain) -> Chain:
    """The closed chain with the ends of neighbours made one and the same point."""
    if _is_circle(chain):
        return chain
    joints = [_joint(a, b) for a, b in zip(chain, chain[1:] + chain[:1], strict=True)]
    return tuple(_with_ends(s, p, q) for s, p, q in zip(chain, joints[-1:] + joints[:-1], joints, strict=True))


def _joint(before: Segment, after: Segment) -> Point:
    """Where two neighbours meet: at an arc's own end, since only lines and splines can be led to any point."""
    return after.start if isinstance(after, Arc) and not isinstance(before, Arc) else before.end


def _with_ends(segment: Segment, start: Point, end: Point) -> Segment:
    if isinstance(segment, Line):
        return Line(start, end)
    if isinstance(segment, Spline):
        shifts = np.zeros((len(segment.control), 2))
        shifts[:2] = np.subtract(start, segment.start)  # with their neighbours: the end tangents stay
        shifts[-2:] = np.subtract(end, segment.end)
        inner = [as_point(p) for p in (np.asarray(segment.control) + shifts)[1:-1]]
        return replace(segment, control=(start, *inner, end))
    moved = max(math.dist(segment.start, start), math.dist(segment.end, end))
    return segment if moved <= GAP_TOL_MM / 2 else _bent(segment, start, end)


def _bent(arc: Arc, start: Point, end: Point) -> Arc:
    """An arc of the same sweep between two new ends."""
    chord = np.subtract(end, start)
    length = float(np.hypot(*chord))
    if abs(arc.sweep) > WIDEST_TURN_RAD or length < SAME_MM:
        raise InputError(
            f"the drawing's arcs miss each other by up to {JOIN_MM:g} mm at {place(start)}", "join them in the drawing"
        )
    half = arc.sweep / 2
    left = np.array([-chord[1], chord[0]])
    centre = (np.asarray(start) + end) / 2 + left / (2 * math.tan(half))
    away = np.subtract(start, centre)
    radius = length / (2 * abs(math.sin(half)))
    return Arc(as_point(centre), radius, math.atan2(away[1], away[0]), arc.sweep)


def _nested(loops: Sequence[Loop]) -> list[Outline]:
    """Outlines, the largest first: a loop within an even number of others is an outer one, any other a hole."""
    rings = [_simple_ring(loop) for loop in loops]
    _check_apart(rings)
    areas = np.array([shapely.Polygon(ring).area for ring in rings])
    tree = shapely.STRtree([shapely.Polygon(ring) for ring in rings])
    inner, outer = tree.query([shapely.Point(ring.coords[0]) for ring in rings], predicate="within")
    around: dict[int, list[int]] = {i: [] for i in range(len(loops))}
    for i, j in zip(inner, outer, strict=True):
        if i != j:
            around[int(i)].append(int(j))
    holes: dict[int, list[Loop]] = {i: [] for i, outside in around.items() if len(outside) % 2 == 0}
    for i, outside in around.items():
        if len(outside) % 2 == 1:
            holes[min(outside, key=lambda j: areas[j])].append(loops[i])
    order = sorted(holes, key=lambda i: -areas[i])
    return [Outline(_turned(loops[i], 1.0), tuple(_turned(h, -1.0) for h in holes[i])) for i in order]


def _turned(loop: Loop, way: float) -> Loop:
    """The loop counter-clockwise (1) or clockwise (-1), beginning with the same piece as before."""
    if loop.area * way > 0:
        return loop
    pieces = loop.reversed().segments
    return Loop(pieces[-1:] + pieces[:-1])


def _simple_ring(loop: Loop) -> shapely.LinearRing:
    vertices = loop.flattened(CHORD_ERROR_MM)
    ring = shapely.LinearRing(vertices) if len(vertices) > 2 else None
    if ring and not ring.is_simple and (where := _crossing(vertices)):
        raise InputError(f"the drawing has a loop that crosses itself at {place(where)}", "untangle it in the drawing")
    if ring is None or shapely.Polygon(ring).area < LEAST_AREA_MM2:
        where = loop.segments[0].start
        raise InputError(
            f"the drawing has a loop at {place(where)} that encloses nothing", "take it out of the drawing"
        )
    return ring


def _crossing(vertices: Points) -> Point | None:
    """Where a closed polygon meets itself other than at the joints of neighbours."""
    count = len(vertices)
    sides = shapely.linestrings(np.stack([vertices, np.roll(vertices, -1, axis=0)], axis=1))
    one, other = shapely.STRtree(sides).query(sides, predicate="intersects")
    for a, b in sorted(zip(one.tolist(), other.tolist(), strict=True)):
        meeting = shapely.intersection(sides[a], sides[b])
        neighbours = (b - a) % count in (1, count - 1)
        if a < b and not (neighbours and meeting.geom_type == "Point"):
            return as_point(meeting.representative_point().coords[0])
    return None


def _check_apart(rings: Sequence[shapely.LinearRing]) -> None:
    one, other = shapely.STRtree(rings).query(rings, predicate="intersects")
    for a, b in sorted(zip(one.tolist(), other.tolist(), strict=True)):
        if a < b:
            meeting = shapely.intersection(rings[a], rings[b]).representative_point()
            raise InputError(
                f"the drawing has two loops that cross or touch at {place(meeting.coords[0])}",
                "part them, or leave only the cut edges in the drawing",
            )
