"""Shapes with known outlines, and contours of them as a photo would give them: noisy, blurred, gappy, with strays."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter
from shapely import LineString, STRtree, contains_xy, linestrings, points
from shapely.geometry import Polygon
from skimage.measure import find_contours

from digitize.model.outline import Contour, Outline
from digitize.model.segment import Arc, Line, as_point

DENSE_MM = 0.05
PATCH_PIXEL_MM = 0.03
STRAYS_FROM_CORNERS_MM = 8.0  # next to a corner a stray looks like a detail
BLUR_SIGMAS = 3.0  # what a contour calls blur, in standard deviations of the Gaussian that blurred the photo


@dataclass(frozen=True)
class Shape:
    """loops : dense closed polylines (N, 2), mm, outer first; pieces : as drawn, None where it is free-form."""

    name: str
    loops: list[np.ndarray]
    pieces: int | None = None
    corners: int | None = None


@dataclass(frozen=True)
class Roughness:
    """What happens to a contour: noise (mm), over how many neighbours it goes together, the photo's blur, losses."""

    sigma: float = 0.02
    together: int = 1
    step: float = 0.3
    blur: float = 0.45
    dropped: float = 0.02
    outliers: int = 0
    seed: int = 0


def along(*segments):
    """One dense closed polyline through segments that join."""
    rows = [s.point(np.linspace(0, 1, max(2, math.ceil(s.length / DENSE_MM)) + 1))[:-1] for s in segments]
    return np.vstack(rows)


def polygon(corners):
    c = [as_point(p) for p in corners]
    return along(*(Line(a, b) for a, b in zip(c, c[1:] + c[:1], strict=True)))


def rounded_polygon(corners, radii):
    """A polygon whose corners are rounded by tangent arcs; radius 0 leaves a corner sharp. Counter-clockwise."""
    c = np.asarray(corners, dtype=float)
    ends, arcs = [], []
    for k, r in enumerate(radii):
        before, after = c[k - 1] - c[k], c[(k + 1) % len(c)] - c[k]
        u, v = before / np.linalg.norm(before), after / np.linalg.norm(after)
        half = math.acos(float(np.clip(u @ v, -1, 1))) / 2
        reach = r / math.tan(half)
        a, b = c[k] + u * reach, c[k] + v * reach
        ends.append((a, b))
        if r > 0:
            bisector = (u + v) / np.linalg.norm(u + v)
            centre = c[k] + bisector * r / math.sin(half)
            start, turn = a - centre, math.pi - 2 * half
            left = -u[0] * v[1] + u[1] * v[0]
            arcs.append(Arc(as_point(centre), r, math.atan2(start[1], start[0]), math.copysign(turn, left)))
        else:
            arcs.append(None)
    segments = []
    for k, arc in enumerate(arcs):
        if arc:
            segments.append(arc)
        segments.append(Line(as_point(ends[k][1]), as_point(ends[(k + 1) % len(c)][0])))
    return along(*segments)


def curve(function, length=600.0):
    """A closed curve from t in 0..1, made even in arc length."""
    t = np.linspace(0, 1, 40001)
    p = np.asarray(function(t)).T
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    even = np.interp(np.linspace(0, s[-1], math.ceil(s[-1] / DENSE_MM))[:-1], s, t)
    return np.asarray(function(even)).T


def bezier(*control):
    c = np.asarray(control, dtype=float)
    length = np.linalg.norm(np.diff(c, axis=0), axis=1).sum()
    t = np.linspace(0, 1, math.ceil(length / DENSE_MM))[:-1, None]
    return (1 - t) ** 3 * c[0] + 3 * t * (1 - t) ** 2 * c[1] + 3 * t**2 * (1 - t) * c[2] + t**3 * c[3]


def turned(rows, angle=0.3, shift=(40.0, 25.0)):
    """Off the axes, so that nothing is right by luck."""
    c, s = math.cos(angle), math.sin(angle)
    return rows @ np.array([[c, s], [-s, c]]) + np.asarray(shift)


def circle(radius, centre=(0.0, 0.0)):
    return along(Arc(centre, radius, 0.0, 2 * math.pi))


def d_shape():
    top, bottom = Line((-60.0, 40.0), (-60.0, -40.0)), Line((-60.0, -40.0), (0.0, -40.0))
    return along(bottom, Arc((0.0, 0.0), 40.0, -math.pi / 2, math.pi), Line((0.0, 40.0), (-60.0, 40.0)), top)


def ogee_panel():
    """A rectangle whose upper edge is an S of one cubic that leaves both uprights at corners."""
    sweep = bezier((150, 90), (100, 95), (60, 25), (0, 40))
    rest = [along(Line((0.0, 40.0), (0.0, 0.0)), Line((0.0, 0.0), (150.0, 0.0)), Line((150.0, 0.0), (150.0, 90.0)))]
    return np.vstack([sweep, *rest])


def s_rail():
    """Lines and an S of two arcs, all tangent: a cloud lift."""
    r = 12.0
    return along(
        Line((200.0, 50.0), (120.0, 50.0)),
        Arc((120.0, 50.0 - r), r, math.pi / 2, math.pi / 2),
        Arc((120.0 - 2 * r, 50.0 - r), r, 0.0, -math.pi / 2),
        Line((120.0 - 2 * r, 50.0 - 2 * r), (0.0, 26.0)),
        Line((0.0, 26.0), (0.0, 0.0)),
        Line((0.0, 0.0), (200.0, 0.0)),
        Line((200.0, 0.0), (200.0, 50.0)),
    )


def shallow(turn_deg):
    """A bar whose upper edge turns by a few degrees in the middle."""
    rise = 70 * math.tan(math.radians(turn_deg))
    return polygon([(0, 0), (140, 0), (140, 40 - rise), (70, 40), (0, 40)])


def wave():
    def edge(t):
        a = 2 * math.pi * t
        r = 70 + 4 * np.cos(14 * a)
        return r * np.cos(a), r * np.sin(a)

    return curve(edge)


def ellipse(a=80.0, b=45.0):
    return curve(lambda t: (a * np.cos(2 * np.pi * t), b * np.sin(2 * np.pi * t)))


def catalogue():
    rectangle = [(0, 0), (160, 0), (160, 90), (0, 90)]
    tip = [(0, 0), (120, 0), (120 * math.cos(math.radians(15)), 120 * math.sin(math.radians(15)))]
    inside = [(0, 0), (120, 0), (120, 80), (80, 80), (80, 40), (40, 40), (80, 80 / 3), (0, 80)]
    slot = rounded_polygon([(0, 0), (120, 0), (120, 20), (0, 20)], [9.9999] * 4)
    shapes = [
        Shape("rectangle", [polygon(rectangle)], 4, 4),
        Shape("rounded rectangle", [rounded_polygon(rectangle, [12, 6, 25, 3])], 8, 0),
        Shape("fillets 2 mm", [rounded_polygon(rectangle, [2, 2, 2, 2])], 8, 0),
        Shape("one round corner", [rounded_polygon(rectangle, [0, 0, 40, 0])], 5, 3),
        Shape("disc", [circle(75)], 1, 0),
        Shape("ring", [circle(80), circle(40)[::-1]], 2, 0),
        Shape("slot", [slot], None, 0),
        Shape("D", [d_shape()], 4, 2),
        Shape("ellipse", [ellipse()], None, 0),
        Shape("ogee panel", [ogee_panel()], 4, 4),
        Shape("cloud lift", [s_rail()], 7, 4),
        Shape("wave", [wave()], None, 0),
        Shape("tip 15 deg", [polygon(tip)], 3, 3),
        Shape("inside corners", [polygon(inside[:5] + inside[7:])], 6, 6),
        Shape("shallow 8 deg", [shallow(8)], 5, 5),
        Shape("shallow 15 deg", [shallow(15)], 5, 5),
    ]
    return [Shape(s.name, [turned(x) for x in s.loops], s.pieces, s.corners) for s in shapes]


def sharp_points(loop, least_deg=5.0, reach=4):
    """Indices of a dense polyline where it turns at once."""
    d = np.roll(loop, -1, axis=0) - loop
    angle = np.arctan2(d[:, 1], d[:, 0])
    turn = (angle - np.roll(angle, 1) + math.pi) % (2 * math.pi) - math.pi
    return np.flatnonzero(np.abs(turn) > math.radians(least_deg))


def blurred(loop, loops, sigma):
    """The half-level line of the blurred shape: the loop itself, its sharp corners replaced as a lens would."""
    whole = Polygon(loops[0], loops[1:])
    keep = np.ones(len(loop), dtype=bool)
    patches = []
    for k in sharp_points(loop):
        apex = loop[k]
        u, v = loop[k - 1] - apex, loop[(k + 1) % len(loop)] - apex
        angle = abs(math.atan2(u[0] * v[1] - u[1] * v[0], u @ v))
        reach = 4 * sigma / max(math.sin(min(angle, math.pi / 2)), 0.2)
        n = math.ceil((reach + 5 * sigma) / PATCH_PIXEL_MM)
        grid = np.arange(-n, n + 1) * PATCH_PIXEL_MM
        x, y = np.meshgrid(apex[0] + grid, apex[1] + grid)
        level = gaussian_filter(contains_xy(whole, x, y).astype(float), sigma / PATCH_PIXEL_MM)
        lines = [apex + (c[:, ::-1] - n) * PATCH_PIXEL_MM for c in find_contours(level, 0.5)]
        lines = [c[np.linalg.norm(c - apex, axis=1) < reach] for c in lines]
        line = min((c for c in lines if len(c) > 3), key=lambda c: np.linalg.norm(c - apex, axis=1).min())
        if (line[-1] - line[0]) @ (v - u) < 0:
            line = line[::-1]
        keep &= np.linalg.norm(loop - apex, axis=1) >= reach
        patches.append((k, line))
    rows, at = [], 0
    for k, line in patches:
        rows += [loop[at:k][keep[at:k]], line]
        at = k
    rows.append(loop[at:][keep[at:]])
    return np.vstack(rows)


def roughened(shape, how):
    """Contours of a shape as a photo would give them."""
    rng = np.random.default_rng(how.seed)
    contours = []
    for loop in shape.loops:
        line = blurred(loop, shape.loops, how.blur / BLUR_SIGMAS) if how.blur > 0 else loop
        closed = np.vstack([line, line[:1]])
        s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
        at = np.arange(0, s[-1] - how.step / 2, how.step)
        at = at + rng.uniform(-0.2, 0.2, len(at)) * how.step
        p = np.column_stack([np.interp(at % s[-1], s, closed[:, k]) for k in (0, 1)])
        along_edge = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0)
        left = np.column_stack([-along_edge[:, 1], along_edge[:, 0]])
        left /= np.linalg.norm(left, axis=1, keepdims=True)
        noise = rng.normal(size=len(p))
        kernel = np.ones(how.together) / math.sqrt(how.together)
        noise = how.sigma * np.real(np.fft.ifft(np.fft.fft(noise) * np.fft.fft(kernel, len(p))))
        sharp = loop[sharp_points(loop)]
        clear = np.array([np.linalg.norm(sharp - q, axis=1).min(initial=99.0) > STRAYS_FROM_CORNERS_MM for q in p])
        for _ in range(how.outliers):
            first, run = rng.choice(np.flatnonzero(clear)), rng.integers(1, 5)
            noise[np.arange(first, first + run) % len(p)] += rng.choice([-1, 1]) * rng.uniform(0.1, 0.5)
        p = p + noise[:, None] * left
        keep = rng.uniform(size=len(p)) >= how.dropped
        contours.append(Contour(p[keep], np.full(int(keep.sum()), how.sigma), how.blur))
    return contours


@dataclass(frozen=True)
class Deviation:
    """Of an outline from its truth, mm: RMS along the outline, largest either way."""

    rms: float
    largest: float
    at: np.ndarray = field(default_factory=lambda: np.zeros(2))


def distances(p: np.ndarray, ring: np.ndarray) -> np.ndarray:
    """Distances (N,) of points from a closed polyline."""
    tree = STRtree(linestrings(np.stack([ring, np.roll(ring, -1, axis=0)], axis=1)))
    return tree.query_nearest(points(p), return_distance=True, all_matches=False)[1]


def deviation(outline: Outline, shape: Shape) -> Deviation:
    square, count, largest, where = 0.0, 0, 0.0, np.zeros(2)
    for fitted, true in zip(outline.loops, shape.loops, strict=True):
        dense = fitted.flattened(0.001)
        samples = np.asarray(LineString(np.vstack([dense, dense[:1]])).segmentize(0.2).coords)
        there, back = distances(samples, true), distances(true, dense)
        square, count = square + float((there**2).sum()), count + len(there)
        for d, p in ((there, samples), (back, true)):
            if d.max() > largest:
                largest, where = float(d.max()), p[d.argmax()]
    return Deviation(math.sqrt(square / count), largest, where)
