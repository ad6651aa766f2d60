"""Which stretches of an outline no edge was measured for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from digitize.model.outline import CHORD_ERROR_MM, Outline
from digitize.model.pattern import Pattern, Stretch
from digitize.model.segment import Points
from digitize.rebuild.path import Path

STEP_MM = 0.25
SHORTEST_MM = 0.5  # a stretch that is shorter is left out


def unmeasured(outline: Outline, reference: Sequence[Points], within: float) -> tuple[Stretch, ...]:
    """Stretches of the outline that lie farther than ``within`` (mm) from every chord of the reference.

    reference : polylines (N, 2) of edge points, mm, N >= 2, open unless the last point is the first again

    They are found at steps of STEP_MM; one that runs on past the start of its loop ends before it starts.
    """
    edges = shapely.MultiLineString([np.asarray(line, dtype=float) for line in reference if len(line) > 1])
    shapely.prepare(edges)
    found = []
    for number, loop in enumerate(outline.loops):
        path = Path(loop)
        n = max(8, math.ceil(path.length / STEP_MM))
        step = path.length / n
        s = np.linspace(step / 2, path.length - step / 2, n)
        far = ~shapely.dwithin(edges, shapely.points(path.points(s)), within)
        found += [
            Stretch(number, first * step, last * step if last == n else last * step % path.length)
            for first, last in _runs(far)
            if (last - first) * step >= SHORTEST_MM
        ]
    return tuple(found)


def reference_of(pattern: Pattern) -> tuple[Points, ...]:
    """A pattern's own outline as polylines (N, 2), mm, its invented stretches left out; whole loops are closed."""
    lines: list[Points] = []
    for number, loop in enumerate(pattern.outline.loops):
        path = Path(loop)
        invented = [(t.start_mm, t.end_mm) for t in pattern.invented if t.loop == number]
        if not invented:
            flat = loop.flattened(CHORD_ERROR_MM)
            lines.append(np.vstack([flat, flat[:1]]))
            continue
        marks = sorted({s % path.length for ends in invented for s in ends})
        for a, b in pairwise([*marks, marks[0] + path.length]):
            middle = (a + b) / 2
            if not any((middle - p) % path.length < stretch_length(p, q, path.length) for p, q in invented):
                lines.append(np.vstack([x.flattened(CHORD_ERROR_MM) for x in path.cut(a, b)]))
    return tuple(lines)


def invented_lines(pattern: Pattern) -> tuple[Points, ...]:
    """The stretches that no edge was measured for, as polylines (N, 2), mm."""
    paths = [Path(loop) for loop in pattern.outline.loops]
    pieces = [
        paths[t.loop].loop.segments
        if stretch_length(t.start_mm, t.end_mm, paths[t.loop].length) == paths[t.loop].length
        else paths[t.loop].cut(t.start_mm, t.end_mm)
        for t in pattern.invented
    ]
    return tuple(np.vstack([s.flattened(CHORD_ERROR_MM) for s in stretch]) for stretch in pieces)


def stretch_length(start: float, end: float, whole: float) -> float:
    """How long a stretch is, mm; from end to end of a loop is all of it."""
    return whole if end - start >= whole else (end - start) % whole


def invented_length(outline: Outline, invented: Sequence[Stretch]) -> float:
    """How much of an outline no edge was measured for, mm."""
    return math.fsum(stretch_length(s.start_mm, s.end_mm, outline.loops[s.loop].length) for s in invented)


def _runs(far: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last (exclusive) of each run of a closed row of steps; last may exceed their number, by going round."""
    n = len(far)
    if far.all():
        return [(0, n)]
    starts = np.flatnonzero(far & ~np.roll(far, 1))
    return [(int(k), int(k + np.argmin(np.roll(far, -k)))) for k in starts]
