"""Signed deviations of a placed part along its master, positive where material was left on.

At each station: how far the part's edge lies from the master's, which on a smooth stretch is along the master's
normal and round a corner the distance to the part's nearest place. So a chipped tip shows its whole size although what
is left of it lies close to both flanks. What no station sees so (a spur, a corner that stands proud) is found from the
part's side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from digitize.compare.combine import Component, combined
from digitize.compare.nearest import Curves, Floats, Indices
from digitize.compare.placement import Seen
from digitize.compare.register import Registration
from digitize.compare.stations import Flags, Master, Stations
from digitize.model.pattern import COVERAGE_FACTOR, Stretch
from digitize.model.segment import Point, Points, as_point

SPUR_MM = 0.25  # the part's own points stand no closer; the ends of its segments are among them
JOINED_MM = 2.0  # stretches with no more than this between them are one


@dataclass(frozen=True)
class Deviations:
    """What N stations tell.

    value : (N,) mm, nan along a loop that the part has not
    way : (N, 2) unit vectors; the part lies at ``stations.points + way * value``
    shares : of the standard uncertainty, each (N,) mm
    measured : (N,) whether the part's edge was measured there
    """

    stations: Stations
    value: Floats
    way: Points
    shares: tuple[Component, ...]
    measured: Flags

    @property
    def expanded(self) -> Floats:
        """(N,) mm, expanded uncertainty (k = 2)."""
        if not self.shares:
            return np.zeros(len(self.value))
        return np.asarray(COVERAGE_FACTOR * combined(self.shares).uncertainty)

    @property
    def judged(self) -> Flags:
        """(N,) whether a verdict can rest on it."""
        return self.measured & np.isfinite(self.value)

    @property
    def rms(self) -> float:
        judged = self.judged
        return float(np.sqrt(np.average(self.value[judged] ** 2, weights=self.stations.weight[judged])))

    @property
    def mean(self) -> float:
        return float(np.average(self.value[self.judged], weights=self.stations.weight[self.judged]))

    @property
    def p95(self) -> float:
        """What 95 % of the stations keep within, mm."""
        return float(np.percentile(np.abs(self.value[self.judged]), 95))

    @property
    def extremes(self) -> tuple[float, float]:
        """The least and the greatest, mm."""
        values = self.value[self.judged]
        return float(values.min()), float(values.max())


@dataclass(frozen=True)
class OutOfZone:
    """A stretch of the master where the part leaves the zone.

    at, extreme_at : mm on the master, its middle and where it is worst
    extreme : mm, signed
    corner : number of the nearest corner of the loop, None where it has none
    """

    loop: int
    edge: int
    at: Point
    extreme_at: Point
    length: float
    extreme: float
    uncertainty: float
    corner: int | None

    @property
    def side(self) -> str:
        return "material left on" if self.extreme > 0 else "material missing"


def with_unseen(
    view: Seen, stations: Stations, master: Master, part: Sequence[Curves], found: Registration, spacing: float
) -> tuple[Floats, Points]:
    """The deviations that the stations see and their ways, and in place of them what only the part's own points show.

    A point of the part is unseen if the master's place nearest to it is a corner, or sees some other place of the part.
    """
    value, way = view.deviation.copy(), view.way.copy()
    for loop, pair in enumerate(found.pairs):
        if pair is None:
            continue
        count = int(np.ceil(part[pair].length / max(spacing, SPUR_MM)))
        own, _ = part[pair].at(np.arange(count) * part[pair].length / count)
        joints = part[pair].at(part[pair].starts())[0]  # spurs are sharpest there
        own = np.vstack([own, joints])
        feet = master.curves[loop].nearest(found.placement.of(own))
        back = part[pair].nearest(found.placement.back(feet.points)).points
        corners = np.array([e.start for e in master.corners if e.loop == loop])
        at_corner = np.isclose(feet.along[:, None], corners, rtol=0.0, atol=1e-6).any(axis=1)
        unseen = np.flatnonzero(at_corner | (np.linalg.norm(back - own, axis=1) > max(spacing, SPUR_MM)))
        here = np.flatnonzero(stations.loop == loop)
        place = np.searchsorted(np.sort(stations.along[here]), feet.along[unseen], side="right") - 1
        nearest = here[np.argsort(stations.along[here], kind="stable")[place]]
        for station, foot in zip(nearest, unseen, strict=True):
            if abs(feet.distance[foot]) > abs(value[station]):
                value[station], way[station] = feet.distance[foot], feet.outward[foot]
    return value, way


def measured_at(view: Seen, stations: Stations, pairs: Sequence[int | None], invented: Sequence[Stretch]) -> Flags:
    """(N,) whether the part's edge that each station sees was measured."""
    measured = np.ones(len(view.deviation), dtype=bool)
    for stretch in invented:
        if stretch.loop in pairs:
            here = stations.loop == pairs.index(stretch.loop)
            start, end, along = stretch.start_mm, stretch.end_mm, view.along
            within = (along >= start) & (along <= end) if start <= end else (along >= start) | (along <= end)
            measured &= ~(here & within)
    return measured


def out_of_zone(found: Deviations, master: Master, zone: float) -> tuple[OutOfZone, ...]:
    """The stretches beyond half the zone on either side, the worst first."""
    stretches: list[OutOfZone] = []
    for loop, curves in enumerate(master.curves):
        here = np.flatnonzero((found.stations.loop == loop) & found.judged)
        for sign in (1.0, -1.0):
            beyond = here[sign * found.value[here] > zone / 2]
            stretches += [_stretch(found, master, loop, run) for run in _runs(found.stations, beyond, curves.length)]
    return tuple(sorted(stretches, key=lambda s: -abs(s.extreme)))


def _runs(stations: Stations, chosen: Indices, length: float) -> list[Indices]:
    """The chosen stations of a loop, run by run along it."""
    if len(chosen) == 0:
        return []
    chosen = chosen[np.argsort(stations.along[chosen], kind="stable")]
    along, step = stations.along[chosen], stations.weight[chosen]
    gaps = np.diff(along, append=along[0] + length) - step
    if (gaps <= JOINED_MM).all():
        return [chosen]
    last = np.flatnonzero(gaps > JOINED_MM)
    chosen = np.roll(chosen, -int(last[0]) - 1)
    sizes = np.diff(np.append(last, last[0] + len(chosen)))
    return np.split(chosen, np.cumsum(sizes)[:-1])


def _stretch(found: Deviations, master: Master, loop: int, run: Indices) -> OutOfZone:
    stations, curves = found.stations, master.curves[loop]
    first, last = (float(stations.along[i]) for i in (run[0], run[-1]))
    span = (last - first) % curves.length
    worst = run[np.argmax(np.abs(found.value[run]))]
    middle = (first + span / 2) % curves.length
    corners = [e for e in master.corners if e.loop == loop]
    apart = [abs((e.start - middle + curves.length / 2) % curves.length - curves.length / 2) for e in corners]
    return OutOfZone(
        loop=loop,
        edge=int(stations.edge[worst]),
        at=as_point(curves.at(np.array([middle]))[0]),
        extreme_at=as_point(stations.points[worst]),
        length=min(curves.length, span + float(stations.weight[run[0]] + stations.weight[run[-1]]) / 2),
        extreme=float(found.value[worst]),
        uncertainty=float(found.expanded[worst]),
        corner=corners[int(np.argmin(apart))].number if corners else None,
    )
