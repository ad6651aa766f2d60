"""A symmetric pattern from one half of it, or from the mean of both."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.optimize import brentq

from digitize.fitting import fit_outline
from digitize.meaning.symmetry import Axis, axes_of
from digitize.model.errors import InputError
from digitize.model.outline import GAP_TOL_MM, Contour, Loop, Outline
from digitize.model.pattern import Stretch
from digitize.model.segment import Line, Point, Points, Segment, Spline, as_point
from digitize.rebuild.affine import mirror_matrix, transformed, transformed_segment
from digitize.rebuild.bridge import merged
from digitize.rebuild.path import Path

Floats = npt.NDArray[np.float64]

LEVEL_RAD = math.radians(4.0)  # by which the edges at a half's middle may miss a right angle to the axis
ON_AXIS_MM = 0.5  # an edge no farther off the axis is the half's middle, not its outline
SAMPLE_MM = 0.5  # between points along an edge
ALIKE = 0.02  # of the size: halves that differ by more are not of one symmetric part
SIGMA_MM = 0.01  # of the averaged edge, for its fit
CLEARLY = 0.5  # of the longest such edge: one that is longer is as good
SHORTEST_MM = 5.0  # edge that can be a half's middle


@dataclass(frozen=True)
class Mirrored:
    """A symmetric outline.

    axis : a point (mm) and the direction, radians
    differ_rms_mm, differ_mm : how far the measured halves differ, RMS and at most; None where there was only one
    """

    outline: Outline
    invented: tuple[Stretch, ...]
    axis: tuple[Point, float]
    differ_rms_mm: float | None
    differ_mm: float | None


def found_axis(outline: Outline) -> Axis | None:
    """The best axis of symmetry of a whole outline; None where it has none."""
    axes = axes_of(outline)
    size = math.sqrt(outline.polygon().area)
    return axes[0] if axes and axes[0].rms < ALIKE * size else None


def middle_edge(outline: Outline) -> tuple[Point, float]:
    """The axis along a half's straight middle: edges in one line, all material to one side, that end square.

    Raises InputError where there is none, or another is nearly as long.
    """
    loop = outline.outer
    points, n = loop.flattened(), len(loop.segments)
    found: dict[tuple[int, int], list[tuple[Line, int]]] = {}  # edges in one line, and how many of its ends are square
    for k, s in enumerate(loop.segments):
        if not isinstance(s, Line) or s.length < SHORTEST_MM:
            continue
        along = s.tangent(0.0)[0]
        left = np.array([-along[1], along[0]])
        if ((points - np.array(s.start)) @ left).min() < -ON_AXIS_MM:
            continue
        beside = (loop.segments[k - 1].tangent(1.0)[0], loop.segments[(k + 1) % n].tangent(0.0)[0])
        square = sum(abs(float(t @ along)) < math.sin(LEVEL_RAD) for t in beside)
        same = next((key for key, lines in found.items() if _on_axis(s, lines[0][0].start, _left(lines[0][0]))), (k, k))
        found.setdefault(same, []).append((s, square))
    plausible = [lines for lines in found.values() if sum(square for _, square in lines) >= 2]
    plausible.sort(key=lambda lines: -sum(s.length for s, _ in lines))
    lengths = [sum(s.length for s, _ in lines) for lines in plausible]
    if not lengths or (len(lengths) > 1 and lengths[1] > CLEARLY * lengths[0]):
        problem = (
            f"could be mirrored at {len(lengths)} edges" if lengths else "has no straight edge that could be its middle"
        )
        raise InputError(f"The half {problem}", "give the axis by two points on it, like --axis 0,0 --axis 0,100")
    longest = max((s for s, _ in plausible[0]), key=lambda s: s.length)
    direction = longest.tangent(0.0)[0]
    return longest.start, math.atan2(direction[1], direction[0])


def _left(line: Line) -> Floats:
    along = line.tangent(0.0)[0]
    return np.array([-along[1], along[0]])


def completed(outline: Outline, at: Point, angle: float) -> Mirrored:
    """The outline made of what lies left of an axis, and its mirror image.

    at, angle : a point of the axis, mm, and its direction, radians

    Raises InputError where the axis does not cut the outline in two, or nothing lies to its left.
    """
    kept = [k for loop in outline.loops for k in _kept(loop, at, angle)]
    loops: list[Loop] = []
    invented: list[tuple[float, float]] = []
    for half in kept:
        if isinstance(half, Loop):
            loops += [half, _image(half, at, angle)]
            invented += [(0.0, 0.0), (0.0, half.length)]
        else:
            loop, start, end = _doubled(half, at, angle)
            loops.append(loop)
            invented.append((start, end))
    order = sorted(range(len(loops)), key=lambda k: -loops[k].area)
    if not order or loops[order[0]].area <= 0 or any(loops[k].area > 0 for k in order[1:]):
        raise InputError(
            "The axis does not cut the outline into two halves", "lay it through the middle, the good half to its left"
        )
    stretches = [Stretch(n, *invented[k]) for n, k in enumerate(order) if invented[k][1] > invented[k][0]]
    try:
        whole = Outline(loops[order[0]], tuple(loops[k] for k in order[1:]))
    except ValueError as error:
        raise InputError(
            f"The half and its mirror image make no outline ({error})", "lay the axis where the halves are to meet"
        ) from error
    return Mirrored(whole, tuple(stretches), (at, angle), None, None)


def averaged(outline: Outline, axis: Axis) -> Mirrored:
    """The outline whose halves are both the mean of the measured ones."""
    mirror = mirror_matrix(axis.angle)
    image = transformed(outline, mirror, axis.at)
    contours, apart = [], []
    for loop in outline.loops:
        other = min(image.loops, key=lambda x: _apart(loop, x))
        points, away = _mean(loop, other)
        contours.append(Contour(points, np.full(len(points), SIGMA_MM)))
        apart.append(away)
    fitted = fit_outline(contours)[0]
    found = completed(fitted, axis.at, axis.angle)
    off = np.concatenate(apart)
    return Mirrored(found.outline, (), found.axis, float(np.sqrt((off**2).mean())), float(off.max()))


def _mean(loop: Loop, other: Loop) -> tuple[Points, Floats]:
    """Points midway between a loop and another, and how far those are apart, mm."""
    path = Path(loop)
    s = np.linspace(0.0, path.length, max(16, int(path.length / SAMPLE_MM)), endpoint=False)
    points = path.points(s)
    flat = other.flattened(0.001)
    ring = shapely.LineString(np.vstack([flat, flat[:1]]))
    there = shapely.points(points)
    foot = shapely.get_coordinates(shapely.line_interpolate_point(ring, shapely.line_locate_point(ring, there)))
    return (points + foot) / 2, np.linalg.norm(points - foot, axis=1)


def _apart(a: Loop, b: Loop) -> float:
    one, other = (np.mean(x.flattened(0.1), axis=0) for x in (a, b))
    return float(np.linalg.norm(one - other)) + abs(abs(a.area) - abs(b.area)) / max(a.length, 1.0)


def _kept(loop: Loop, at: Point, angle: float) -> list[Loop | tuple[Segment, ...]]:
    """What lies left of the axis: the whole loop, or the stretches of it, or nothing."""
    path, left, n = Path(loop), np.array([-math.sin(angle), math.cos(angle)]), len(loop.segments)
    middle = [k for k, s in enumerate(loop.segments) if isinstance(s, Line) and _on_axis(s, at, left)]
    if middle:  # a half, drawn or cut to its middle: what lies between the edges there
        spans = zip(middle, [*middle[1:], middle[0] + n], strict=True)
        return [tuple(loop.segments[k % n] for k in range(a + 1, b)) for a, b in spans if b > a + 1]
    s = np.linspace(0.0, path.length, max(64, int(path.length / SAMPLE_MM)) + 1)
    rises = (path.points(s) - np.array(at)) @ left > 0
    if rises.all() or not rises.any():
        return [loop] if rises.all() else []

    def height(x: float) -> float:
        return float((path.points(np.array([x]))[0] - np.array(at)) @ left)

    turns = np.flatnonzero(rises[1:] != rises[:-1])
    places = [float(brentq(height, s[k], s[k + 1])) for k in turns]
    starts = [k for k, turn in enumerate(turns) if not rises[turn]]
    return [path.cut(places[k], places[(k + 1) % len(places)]) for k in starts]


def _on_axis(line: Line, at: Point, left: Floats) -> bool:
    ends = (np.array([line.start, line.end]) - np.array(at)) @ left
    return bool(np.abs(ends).max() < ON_AXIS_MM and line.length > SHORTEST_MM)


def _image(loop: Loop, at: Point, angle: float) -> Loop:
    """A loop's mirror image, travelled the loop's own way."""
    return Loop(tuple(_mirrored(loop.segments, at, angle)))


def _mirrored(segments: tuple[Segment, ...], at: Point, angle: float) -> list[Segment]:
    """Mirror images in reverse order and direction, so that the material stays on the left."""
    matrix = mirror_matrix(angle)
    images = [piece for s in segments for piece in transformed_segment(s, matrix, np.array(at))]
    return [s.reversed() for s in reversed(images)]


def _ended(half: tuple[Segment, ...], end: Floats, along: Floats) -> tuple[Segment, ...]:
    """The stretch, ended exactly in a point of the axis; a spline that comes nearly square made square."""
    last = half[-1]
    if isinstance(last, Line):
        return (*half[:-1], Line(last.start, as_point(end)))
    if isinstance(last, Spline):
        control = [np.array(c) for c in last.control]
        control[-1] = end
        away = control[-2] - end
        if abs(float(away @ along)) < math.sin(LEVEL_RAD) * float(np.linalg.norm(away)):
            control[-2] = control[-2] - float(away @ along) * along
        return (*half[:-1], Spline(tuple(as_point(c) for c in control), last.knots))
    return half if math.dist(last.end, as_point(end)) < GAP_TOL_MM / 2 else (*half, Line(last.end, as_point(end)))


def _doubled(half: tuple[Segment, ...], at: Point, angle: float) -> tuple[Loop, float, float]:
    """A loop of a stretch that begins and ends on the axis and of its image; from where to where the image runs, mm."""
    along = np.array([math.cos(angle), math.sin(angle)])
    first, last = (
        np.array(at) + float((np.array(p) - np.array(at)) @ along) * along for p in (half[0].start, half[-1].end)
    )
    half = _ended(half, last, along)
    half = tuple(s.reversed() for s in reversed(half))
    half = tuple(s.reversed() for s in reversed(_ended(half, first, along)))
    image = _mirrored(half, at, angle)
    length = math.fsum(s.length for s in half)
    chain = [*half, *image]
    crossing = merged(half[-1], image[0])
    if crossing and len(half) > 1:
        chain[len(half) - 1 : len(half) + 1] = [crossing]
    closing = merged(chain[-1], chain[0])
    lead = 0.0
    if closing and len(chain) > 2:
        lead = chain[0].length
        chain = [*chain[1:-1], closing]
    whole = math.fsum(s.length for s in chain)
    return Loop(tuple(chain)), length - lead, min(whole, 2 * length - lead)
