"""What an outline seems to mean: level, square, round sizes, symmetry; told with its uncertainty, applied when asked.

A meaning is told only where the measured value agrees with it within the expanded uncertainty U (k = 2), and where U is
small enough that agreement is more than chance. U holds the scatter of the edge points (through the covariance of all
lines and arcs, smooth joints kept) and the causes that all points share: a stretch of the whole scale, which turns
right angles but not parallels, and an edge seen off its place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from digitize.fitting.adjust import ArcFit
from digitize.meaning.measured import Measured, measured, place, round_told, told
from digitize.meaning.openings import MOST_OFF_MM, openings, overall
from digitize.meaning.regular import EdgeNoise, joints
from digitize.meaning.relation import PLANE_COVERAGE, Kind, Meaning, coverage, is_metric
from digitize.meaning.symmetry import axes_of
from digitize.model.outline import Outline
from digitize.model.pattern import COVERAGE_FACTOR, Contribution
from digitize.model.segment import Arc, Spline

__all__ = ["EdgeNoise", "Kind", "Meaning", "meanings"]

# Half a degree is 0.9 mm on 100 mm, which anybody sees; of corners that mean nothing one in 90 lies so near to square.
MOST_ANGLE_RAD = math.radians(0.5)
COMMON_DEG = (30.0, 45.0, 60.0, 120.0, 135.0, 150.0)
MOST_OF_RADIUS = 1 / 40  # for equal radii: cutters and compasses differ by more
MOST_OF_SIZE = 1 / 200  # for symmetry
ROUND_KINDS = (Kind.RADIUS, Kind.DIAMETER, Kind.SIZE, Kind.SLOT)


def meanings(outline: Outline, noise: EdgeNoise, contributions: tuple[Contribution, ...]) -> tuple[Meaning, ...]:
    """What an outline seems to mean, by kind, then along the outline.

    noise : of the edge points it was fitted to; contributions : what is uncertain for all points alike
    """
    seen = measured(outline, noise, contributions)
    seen = replace(seen, metric=_metric([m for finder in (_rounds, overall, openings) for m in finder(seen)]))
    finders = (_levels, _corners, _families, _rounds, _equals, _centres, overall, openings, _axes)
    found = [m for finder in finders for m in finder(seen)]
    return tuple(sorted(found, key=lambda m: (list(Kind).index(m.kind), m.where)))


def _metric(sizes: Sequence[Meaning]) -> bool | None:
    """Whether an outline's sizes are in millimetres or in inches, by those that leave no doubt; None where even."""
    sure = [is_metric(m.meant) for m in sizes if m.kind in ROUND_KINDS and not m.alternatives]
    return None if 2 * sum(sure) == len(sure) else 2 * sum(sure) > len(sure)


def _levels(seen: Measured) -> Iterator[Meaning]:
    for k in seen.lines():
        for meant, word in ((0.0, "level"), (math.pi / 2, "plumb")):
            left, u = seen.angle(Kind.LEVEL, (k,), meant, math.sqrt(1 / 8))
            if abs(left) <= u <= MOST_ANGLE_RAD:
                at = seen.at(k)
                yield told(seen, Kind.LEVEL, (k,), at, (meant + left, u, meant), f"The edge at {{place}} is {word}")


def _corners(seen: Measured) -> Iterator[Meaning]:
    """Angles between neighbours, and between lines that a fillet joins."""
    lines = set(seen.lines())
    after = {a: (b, smooth) for a, b, smooth in joints(seen.figure.outline)}
    for k in sorted(lines):
        following, smooth = after[k]
        at = seen.figure.outline.segments[following].start
        if smooth and isinstance(seen.figure.fits[following], ArcFit) and after[following][1]:
            at, following = seen.at(following), after[following][0]
        if following not in lines or following == k:
            continue
        for degrees in (90.0, *COMMON_DEG):
            meant = math.radians(degrees)
            kind = Kind.RIGHT_ANGLE if degrees == 90.0 else Kind.ANGLE
            left, u = seen.angle(kind, (k, following), meant, abs(math.sin(meant)) / math.sqrt(2))
            if abs(left) <= u <= MOST_ANGLE_RAD:
                text = f"The corner at {{place}} is {'square' if degrees == 90.0 else f'{degrees:g}°'}"
                yield told(seen, kind, (k, following), at, (meant + left, u, meant), text)


def _families(seen: Measured) -> Iterator[Meaning]:
    """Lines parallel to a longer one, or in line with one that runs the same way."""
    leaders: list[int] = []
    rows: list[int] = []
    neighbours = {frozenset(j[:2]) for j in joints(seen.figure.outline)}
    for k in sorted(seen.lines(), key=seen.length, reverse=True):
        for leader in leaders:
            left, u = seen.angle(Kind.PARALLEL, (leader, k), 0.0, 0.0)
            if abs(left) <= u <= MOST_ANGLE_RAD:
                text = f"The edge at {{place}} is parallel to the one at {place(seen.at(leader))}, difference"
                yield told(seen, Kind.PARALLEL, (leader, k), seen.at(k), (abs(left), u, 0.0), text)
                break
        else:
            leaders.append(k)
        for row in rows:
            off = None if frozenset((row, k)) in neighbours else _in_line(seen, row, k)
            if off and abs(off[0]) <= off[1] <= MOST_OFF_MM:
                text = f"The edge at {{place}} is in line with the one at {place(seen.at(row))}, step"
                yield told(seen, Kind.IN_LINE, (row, k), seen.at(k), (abs(off[0]), off[1], 0.0), text)
                break
        else:
            rows.append(k)


def _in_line(seen: Measured, a: int, b: int) -> tuple[float, float] | None:
    """How far a line's middle lies off another line, and U; None where they do not run the same way."""
    if abs(math.remainder(seen.line(a).angle - seen.line(b).angle, 2 * math.pi)) > MOST_ANGLE_RAD:
        return None
    left, known = seen.residual(Kind.IN_LINE, (a, b))
    _, u = seen.angle(Kind.PARALLEL, (a, b), 0.0, 0.0)
    return (float(left[0]), COVERAGE_FACTOR * math.sqrt(known[0, 0] + 2 * seen.edge**2)) if abs(left[1]) <= u else None


def _rounds(seen: Measured) -> Iterator[Meaning]:
    for k in seen.arcs():
        kind, edges = (Kind.DIAMETER, 4.0) if seen.circle(k) else (Kind.RADIUS, 1.0)
        yield from round_told(seen, kind, (k,), seen.at(k), edges, f"The {kind} at {{place}}")


def _equals(seen: Measured) -> Iterator[Meaning]:
    leaders: list[int] = []
    for k in sorted(seen.arcs(), key=seen.length, reverse=True):
        fits = []
        for leader in leaders:
            if seen.circle(k) != seen.circle(leader):
                continue
            left, known = seen.residual(Kind.EQUAL_RADIUS, (leader, k))
            u = COVERAGE_FACTOR * math.sqrt(known[0, 0] + 2 * seen.edge**2)
            if abs(left[0]) <= u <= min(MOST_OFF_MM, MOST_OF_RADIUS * seen.radius(k)):
                fits.append((abs(float(left[0])), u, leader))
        if fits:
            off, u, leader = min(fits)
            text = f"The arc at {{place}} has the same radius as the one at {place(seen.at(leader))}, difference"
            yield told(seen, Kind.EQUAL_RADIUS, (leader, k), seen.at(k), (off, u, 0.0), text)
        else:
            leaders.append(k)


def _centres(seen: Measured) -> Iterator[Meaning]:
    leaders: list[int] = []
    for k in sorted(seen.arcs(), key=seen.length, reverse=True):
        for leader in leaders:
            left, known = seen.residual(Kind.CONCENTRIC, (leader, k))
            most = float(np.linalg.eigvalsh(known)[-1])
            u = PLANE_COVERAGE * math.sqrt(most + 2 * seen.edge**2)
            off = float(np.linalg.norm(left))
            if off <= u <= MOST_OFF_MM:
                text = (
                    f"The arc at {{place}} is concentric with the one at {place(seen.at(leader))}, distance of centres"
                )
                yield told(seen, Kind.CONCENTRIC, (leader, k), seen.at(k), (off, u, 0.0), text)
                break
        else:
            leaders.append(k)


def _axes(seen: Measured) -> Iterator[Meaning]:
    outline = seen.figure.outline
    if all(isinstance(s, Arc) and s.is_circle for s in outline.segments):
        return  # every diameter, or none worth a word
    numbers = sum(len(s.control) if isinstance(s, Spline) else 2 + isinstance(s, Arc) for s in outline.segments)
    points = math.fsum(s.length for s in outline.segments) / seen.noise.spacing_mm
    # A curve's place is known to s sqrt(numbers / points) on average, and half as well near the ends of its pieces.
    here = 4 * seen.noise.sigma_mm**2 * numbers / points + seen.edge**2
    u = coverage(len(outline.segments)) * math.sqrt(2 * here)
    x0, y0, x1, y1 = outline.bounds()
    for axis in axes_of(outline):
        if axis.largest <= u <= MOST_OF_SIZE * max(x1 - x0, y1 - y0):
            degrees = math.degrees(axis.angle)
            shown = f"{round(degrees, 2) + 0.0:.2f}°, RMS difference {axis.rms:.2f} mm, largest"
            text = f"The outline is symmetric about an axis through {{place}} at {shown}"
            yield replace(told(seen, Kind.SYMMETRIC, (), axis.at, (axis.largest, u, 0.0), text), axis_deg=degrees)
