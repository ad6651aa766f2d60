"""What the uncertainties of part and master do to each deviation once the part has been placed by the same edges."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from digitize.compare.combine import Component
from digitize.compare.nearest import Floats
from digitize.compare.placement import Seen
from digitize.compare.register import FREE, Registration
from digitize.compare.stations import Master, Stations
from digitize.model.pattern import COVERAGE_FACTOR, Contribution


def components(
    found: Registration, fitted: Seen, master: Master, stations: Stations, view: Seen, causes: Sequence[Contribution]
) -> tuple[Component, ...]:
    """Each cause's share of the uncertainty of every deviation, the placement's own among them.

    fitted : what ``found.stations`` see of the part where it was placed
    view : what ``stations`` see of it
    """
    size, edge = sensitivities(found, fitted, stations, view)

    def share(cause: Contribution) -> Floats:
        by_edge = cause.edge_mm * edge * at_corners(master, stations, cause.edge_mm)
        return np.asarray(np.hypot(cause.size_ppm * 1e-6 * size, by_edge))

    return tuple(Component(c.name, share(c)) for c in causes if c.size_ppm or c.edge_mm)


def sensitivities(found: Registration, fitted: Seen, stations: Stations, view: Seen) -> tuple[Floats, Floats]:
    """(N,) mm of deviation for a size that is wrong by 1, and for edges whose places err by 1 mm.

    An error moves the deviations themselves and, through the stations that the part was placed by, the placement:
    d' = e - J (J'WJ)^-1 J'W e. A wrong size is one error of all stations; the places of edges err patch by patch, each
    on its own, and add up in squares.
    """
    weights = found.weights
    j_fit, j_all = (v.slopes(s.points, found.centre) for v, s in ((fitted, found.stations), (view, stations)))
    lever = np.array([1.0, 1.0, math.sqrt(float(np.mean((found.stations.points - found.centre) ** 2))) + 1.0])
    j_fit, j_all = j_fit / lever, j_all / lever
    weighed = j_fit * weights[:, None]
    solve = np.linalg.pinv(weighed.T @ j_fit, rcond=FREE, hermitian=True)

    def stretched(seen: Seen, at: Stations) -> Floats:
        moved: Floats = (seen.way * (at.points - found.centre)).sum(axis=1)
        return moved

    size = stretched(view, stations) - j_all @ (solve @ (weighed.T @ stretched(fitted, found.stations)))
    patches = int(max(stations.patch.max(), found.stations.patch.max())) + 1
    pull = np.zeros((patches, 3))
    np.add.at(pull, found.stations.patch, weighed)
    moved = -j_all @ (solve @ pull.T)
    moved[np.arange(len(moved)), stations.patch] += 1.0
    return np.abs(size), np.sqrt((moved**2).sum(axis=1))


def at_corners(master: Master, stations: Stations, edge_mm: float) -> Floats:
    """(N,) how much farther a corner errs than its two edges, at the stations that the corner's error reaches.

    Two edges that meet at an angle f and both err outward by u carry their corner along by u / sin(f / 2): at a tip of
    17 degrees that is 6.8 times as much.
    """
    factor = np.ones(len(stations.points))
    for edge in master.corners:
        more = 1.0 / max(1e-3, math.cos(edge.turn / 2))
        length = master.curves[edge.loop].length
        apart = np.abs(np.remainder(stations.along - edge.start + length / 2, length) - length / 2)
        near = (stations.loop == edge.loop) & (apart <= COVERAGE_FACTOR * edge_mm * more + 1e-9)
        factor[near] = np.maximum(factor[near], more)
    return factor
