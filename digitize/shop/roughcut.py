"""The saw line outside the edge, the blade that follows it, and the outline of a template for a guide bush."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, MultiLineString, Polygon
from shapely import Point as Spot

from digitize.model.errors import InputError
from digitize.model.outline import CORNER_RAD, Loop, Outline
from digitize.model.segment import Arc, Line, Point, Points, Segment, Spline, as_point
from digitize.shop.clearance import Clearance, clearance
from digitize.shop.corners import left_by_discs
from digitize.shop.offset import SPACING, offset
from digitize.shop.samples import edge_samples

ALLOWANCE_MM = 2.0  # 1.5 to 3 mm is common practice
ALLOWANCES_MM = (0.2, 20.0)
BLADES = (
    (1.6, 2.0),
    (3.2, 4.8),
    (4.8, 7.9),
    (6.4, 15.9),
    (9.5, 36.5),
    (12.7, 63.5),
    (15.9, 95.0),
    (19.0, 138.0),
    (25.4, 184.0),
)
"""Width of a band-saw blade and the tightest radius it turns, mm: common practice, from memory; set and kerf vary."""
DRILL_LESS_MM = 1.0  # a drill leaves so much of a slot's width to be cut clean
LEAST_DRILL_MM = 2.0
RELIEF_MM = 6.0  # from one relief cut to the next along a tight curve
ON_LINE_MM = 0.05  # a point so near to the saw line is on it
FLAT_RAD = 0.003  # a joint of two lines that turns less is no curve


@dataclass(frozen=True)
class Drill:
    """A hole to drill where no blade gets in: centre and diameter, mm; loop : of the outline, whose waste it is in."""

    at: Point
    diameter_mm: float
    loop: int


@dataclass(frozen=True)
class Relief:
    """A straight cut to make first: from where the saw is free, up to the line at a place too tight for the blade."""

    start: Point
    end: Point


@dataclass(frozen=True)
class RoughCut:
    """Where to saw.

    loops : the middle of the saw line; all of it at least the allowance outside the part
    drills : slots and holes that the line cannot enter
    tightest_mm : smallest radius of an inward curve of the line, which the blade has to turn; None where there is none
    widest_blade_mm : the widest common band-saw blade that turns so tight; None where even the narrowest does not
    blade_mm : the blade that the reliefs are for
    reliefs : cuts to make first where the blade is too wide
    """

    allowance_mm: float
    loops: tuple[Loop, ...]
    drills: tuple[Drill, ...]
    tightest_mm: float | None
    widest_blade_mm: float | None
    blade_mm: float | None
    reliefs: tuple[Relief, ...]
    cautions: tuple[str, ...]


def rough_cut(outline: Outline, allowance_mm: float = ALLOWANCE_MM, blade_mm: float | None = None) -> RoughCut:
    """The saw line of an outline.

    blade_mm : width of the band-saw blade at hand; None plans for the widest that needs no relief cuts

    Raises
    ------
    InputError if the allowance lies outside ALLOWANCES_MM, or the blade is not a positive width
    """
    if not ALLOWANCES_MM[0] <= allowance_mm <= ALLOWANCES_MM[1]:
        limits = f"between {ALLOWANCES_MM[0]:g} and {ALLOWANCES_MM[1]:g} mm"
        raise InputError(f"An allowance of {allowance_mm:g} mm is not {limits}", "1.5 to 3 mm is common practice")
    if blade_mm is not None and not blade_mm > 0:
        raise InputError(f"A blade {blade_mm:g} mm wide is none", "give the width of the blade at hand")
    clear = clearance(edge_samples(outline.loops, SPACING * allowance_mm), allowance_mm)
    line = tuple(loop for part in offset(outline, allowance_mm, clear) for loop in part.loops)
    drills, lost = _drills(outline, allowance_mm, clear)
    rows = _inward_curves(outline)
    rows = rows[rows[:, 0] > allowance_mm]  # tighter ones come out as corners of the line
    tightest = float(rows[:, 0].min() - allowance_mm) if len(rows) else None
    widest = BLADES[-1][0] if tightest is None else max((w for w, r in BLADES if r <= tightest + 1e-9), default=None)
    turns = turning_radius(blade_mm or widest or BLADES[0][0])
    reliefs = _reliefs(line, rows[rows[:, 0] - allowance_mm < turns - 1e-9], allowance_mm)
    return RoughCut(
        allowance_mm=allowance_mm,
        loops=line,
        drills=drills,
        tightest_mm=tightest,
        widest_blade_mm=widest,
        blade_mm=blade_mm or widest,
        reliefs=reliefs,
        cautions=_cautions(outline, len(drills), lost, len(reliefs), widest),
    )


def turning_radius(blade_mm: float) -> float:
    """The tightest radius (mm) that a blade of this width (mm) turns: the next wider one's in the table."""
    return next(
        (radius for width, radius in BLADES if width >= blade_mm - 0.05), BLADES[-1][1] * blade_mm / BLADES[-1][0]
    )


def bush_offset(bush_mm: float, cutter_mm: float) -> float:
    """How far a guide bush keeps the cut from the template's edge: half of bush less cutter, mm; raises InputError."""
    if not (bush_mm > 0 and cutter_mm > 0):
        raise InputError("A guide bush and its cutter need diameters above zero", "measure both with calipers")
    if bush_mm <= cutter_mm:
        raise InputError(
            f"A cutter of {cutter_mm:g} mm does not pass through a bush of {bush_mm:g} mm outside",
            "take a wider bush or a smaller cutter",
        )
    return (bush_mm - cutter_mm) / 2


def template(outline: Outline, offset_mm: float) -> tuple[Outline, ...]:
    """The outline of the template for a cut that lies ``offset_mm`` outside the template's edge, inside where negative.

    The outside comes out smaller and holes larger, both by the offset all round; a narrow part may fall into several.
    The same goes for a bearing that is not as large as its cutter: ``template(outline, cutter.offset_mm)``.

    Raises
    ------
    InputError if nothing is left of the part
    """
    parts = offset(outline, -offset_mm)
    if not parts:
        raise InputError(
            f"A template {abs(offset_mm):g} mm {'inside' if offset_mm > 0 else 'outside'} the edge leaves nothing",
            "take a bush or bearing nearer to the cutter's size",
        )
    return parts


def _drills(outline: Outline, allowance: float, clear: Clearance) -> tuple[tuple[Drill, ...], int]:
    """What to drill where the saw line does not enter, and how many places are too narrow even for that."""
    blocked = [r for r in left_by_discs(outline, [allowance], clear=clear)[0] if not r.enters]
    sizes = [math.floor(2 * (r.clear_mm - DRILL_LESS_MM)) / 2 for r in blocked]
    drills = tuple(
        Drill(r.clear_at, size, r.loop) for r, size in zip(blocked, sizes, strict=True) if size >= LEAST_DRILL_MM
    )
    return drills, len(blocked) - len(drills)


def _inward_curves(outline: Outline) -> Points:
    """Points along inward curves (waste inside), (N, 5): radius there and point, mm, and unit vector into the waste."""
    rows = [np.zeros((0, 5))]
    for loop in outline.loops:
        following = loop.segments[1:] + loop.segments[:1]
        for segment, after, turn in zip(loop.segments, following, np.roll(loop.turns(), -1), strict=True):
            if isinstance(segment, Line):
                if isinstance(after, Line) and -CORNER_RAD <= turn < -FLAT_RAD:  # a curve drawn as short lines
                    radius = (segment.length + after.length) / 2 / -float(turn)
                    rows.append(_row(after, np.array([radius]), np.zeros(1)))
            elif isinstance(segment, Spline) or segment.sweep < 0:
                rows.append(_inward(segment))
    return np.vstack(rows)


def _inward(segment: Arc | Spline) -> Points:
    if isinstance(segment, Arc):
        count = max(1, round(segment.length / RELIEF_MM))
        return _row(segment, np.full(count, segment.radius), (np.arange(count) + 0.5) / count)
    t = np.linspace(0, 1, 12 * len(segment.control) + 1)
    d, p = segment.tangent(t), segment.point(t)
    turn = np.arctan2(d[:-1, 0] * d[1:, 1] - d[:-1, 1] * d[1:, 0], (d[1:] * d[:-1]).sum(axis=1))
    length = np.hypot(*np.diff(p, axis=0).T)
    inward = turn < -1e-9
    return _row(segment, length[inward] / -turn[inward], t[:-1][inward])


def _row(segment: Segment, radius: Points, t: Points) -> Points:
    d = segment.tangent(t)
    return np.hstack([radius[:, None], segment.point(t), d[:, 1:], -d[:, :1]])


def _reliefs(line: tuple[Loop, ...], tight: Points, allowance: float) -> tuple[Relief, ...]:
    """From tight places straight out through the waste, as far as half way to the line's other side, or all out."""
    if not len(tight) or not line:
        return ()
    ends, normals = tight[:, 1:3] + allowance * tight[:, 3:], tight[:, 3:]
    rings = MultiLineString([np.vstack([p, p[:1]]) for p in (loop.flattened() for loop in line)])
    shapely.prepare(rings)
    _, some = np.unique(np.floor(ends / RELIEF_MM), axis=0, return_index=True)  # one in each square
    some = np.sort(some)
    some = some[shapely.dwithin(rings, shapely.points(ends[some]), ON_LINE_MM)]  # where the line gets to
    outside = shapely.box(*rings.bounds).buffer(5.0, join_style="mitre")
    return tuple(_relief(rings, outside, ends[k], normals[k]) for k in some)


def _relief(rings: MultiLineString, outside: Polygon, end: Points, normal: Points) -> Relief:
    far = math.dist(outside.bounds[:2], outside.bounds[2:])
    hit = LineString([end + 0.5 * normal, end + far * normal]).intersection(rings)
    if hit.is_empty:
        out = LineString([end, end + far * normal]).intersection(outside)
        return Relief(as_point(out.coords[-1]), as_point(end))
    return Relief(as_point(end + Spot(end).distance(hit) / 2 * normal), as_point(end))


def _cautions(outline: Outline, drills: int, lost: int, reliefs: int, widest: float | None) -> tuple[str, ...]:
    said = []
    if drills:
        said.append(
            f"Drill {drills} narrow {'place' if drills == 1 else 'places'} before sawing; the line does not enter."
        )
    if lost:
        said.append(
            f"{lost} narrow {'place is' if lost == 1 else 'places are'} left whole: too narrow to drill or saw."
        )
    if outline.holes:
        said.append("A saw line inside a hole needs a hole drilled first for a jig saw or scroll saw blade.")
    if reliefs:
        said.append(f"Make {reliefs} relief {'cut' if reliefs == 1 else 'cuts'} first; the blade is too wide there.")
    if widest is None:
        said.append("Some inward curve is too tight for any common band-saw blade: use a scroll saw, or drill it.")
    return tuple(said)
