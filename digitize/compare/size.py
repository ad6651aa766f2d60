"""Overall size and squareness of a part beside its master's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import pdist
from scipy.stats import theilslopes

from digitize.compare.deviation import Deviations
from digitize.compare.stations import PATCH_MM, Edge, Master, is_straight
from digitize.model.errors import InputError
from digitize.model.outline import Outline
from digitize.model.pattern import COVERAGE_FACTOR, Contribution, size_uncertainty

MOST_DIFFERENT = 0.05  # of the size: more is another part, or another unit
UNITS = {25.4: "inches", 10.0: "centimetres", 1000.0: "metres"}  # taken for millimetres
COARSE_MM = 0.01  # chord error where only per cents matter
SLOPES = 100  # stations of an edge whose slopes to each other are taken
STRAIGHT_MM = 30.0  # edges this long say which way they run
SQUARE_WITHIN = math.radians(10.0)


@dataclass(frozen=True)
class Size:
    """Width and height, mm, along the master's axes, of the master and of the part as placed; U with k = 2."""

    master: tuple[float, float]
    part: tuple[float, float]
    uncertainty: tuple[float, float]


@dataclass(frozen=True)
class Squareness:
    """The angle between two long straight edges, radians, on the master and on the part; U with k = 2."""

    edges: tuple[int, int]
    master: float
    part: float
    uncertainty: float


def check_size(part: Outline, master: Outline, names: tuple[str, str]) -> None:
    """Raises InputError where the two are too different in size to be the same part."""
    ratio = max((_across(part) / _across(master), _root(part) / _root(master)), key=lambda r: abs(math.log(r)))
    if abs(math.log(ratio)) <= math.log(1 + MOST_DIFFERENT):
        return
    for factor, words in UNITS.items():
        for by, whose in ((factor, "master"), (1 / factor, "part")):
            if abs(math.log(ratio / by)) < math.log(1 + MOST_DIFFERENT):
                raise InputError(
                    f"“{names[0]}” is {ratio:.4g} times as large as its master “{names[1]}”, "
                    f"as if the {whose} were in {words}, read as millimetres",
                    f"tell the unit of the {whose}'s file (--unit), or write it anew in millimetres",
                )
    sizes = [f"{_across(o):.1f} mm across and {_root(o) ** 2 / 100:.1f} cm² large" for o in (part, master)]
    raise InputError(
        f"“{names[0]}” differs in size by {100 * abs(ratio - 1):.1f} % (limit {100 * MOST_DIFFERENT:g} %): it is "
        f"{sizes[0]}, its master “{names[1]}” {sizes[1]}",
        "name the right master, or check the thickness and the sheets that were given",
    )


def _across(outline: Outline) -> float:
    """The largest distance between two points of an outline, mm."""
    hull = np.asarray(outline.polygon(COARSE_MM).convex_hull.exterior.coords)
    return float(pdist(hull).max())


def _root(outline: Outline) -> float:
    """The side of a square of the outer loop's area, mm."""
    return math.sqrt(outline.outer.area)


def compared_size(part: Outline, master: Outline, causes: Sequence[Contribution]) -> Size:
    """Widths and heights; ``part`` as placed on the master."""
    (x0, y0, x1, y1), (u0, v0, u1, v1) = master.bounds(), part.bounds()
    sides = (x1 - x0, y1 - y0)
    width, height = (size_uncertainty(tuple(causes), side) for side in sides)
    return Size(sides, (u1 - u0, v1 - v0), (width, height))


def compared_squareness(found: Deviations, master: Master, causes: Sequence[Contribution]) -> Squareness | None:
    """Of the longest straight edge and the longest one at about a right angle to it; None where there are none."""
    straight = sorted(
        (e for e in master.edges if e.length >= STRAIGHT_MM and is_straight(master, e)), key=lambda e: -e.length
    )
    for second in straight[1:]:
        between = _direction(master, second) - _direction(master, straight[0])
        if abs(abs(math.remainder(between, math.pi)) - math.pi / 2) <= SQUARE_WITHIN:
            angle = abs(math.remainder(between, 2 * math.pi))
            turned = _turned(found, second) - _turned(found, straight[0])
            part = abs(math.remainder(between + turned, 2 * math.pi))
            spread = math.hypot(_turn_sigma(straight[0], causes), _turn_sigma(second, causes))
            return Squareness((straight[0].number, second.number), angle, part, COVERAGE_FACTOR * spread)
    return None


def _direction(master: Master, edge: Edge) -> float:
    a, b = master.curves[edge.loop].at(np.array([edge.start, edge.start + edge.length * 0.999]))[0]
    return math.atan2(b[1] - a[1], b[0] - a[0])


def _turned(found: Deviations, edge: Edge) -> float:
    """How far the part's edge is turned from the master's, radians, by the median of all slopes, bumps or not."""
    here = np.flatnonzero(found.stations.edge == edge.number)
    place = np.arange(len(here)) * edge.length / len(here)
    few = np.flatnonzero(found.judged[here])[:: max(1, len(here) // SLOPES)]
    if len(few) < 2:
        return 0.0
    slope = theilslopes(found.value[here[few]], place[few])[0]
    return -math.atan(float(slope))  # outward is to the right of travel


def _turn_sigma(edge: Edge, causes: Sequence[Contribution]) -> float:
    """Of a line fitted to patches of edge whose places err on their own."""
    patches = max(2.0, edge.length / PATCH_MM)
    place = math.hypot(*(c.edge_mm for c in causes))
    return place / edge.length * math.sqrt(12.0 / patches)
