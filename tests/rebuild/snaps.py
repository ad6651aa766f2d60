"""Parts broken on purpose: true shapes snapped along lines; pieces turned, shifted, read with noise, fitted anew."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.optimize import least_squares
from shapely import LineString, Polygon, affinity
from shapely.ops import split

from digitize.fitting import fit_outline
from digitize.model.outline import Contour, Outline
from digitize.model.segment import moved_points
from digitize.rebuild.fragments import Joined
from tests.scoring import moved as laid
from tests.scoring import signed, spread

STEP_MM = 0.3  # between the points of a contour
FLAT_MM = 0.001  # what dense shapes may lose, for speed
TOOTH_MM = 4.0  # length of a jag
BESIDE_MM = 6.0  # of a fracture's ends that are the fracture's own


@dataclass(frozen=True)
class Snap:
    """One broken part.

    whole : as it was; breaks : the lines along which it snapped
    outlines : the pieces as fitted, each turned by ``turns`` (radians) and then shifted by ``shifts`` (mm)
    """

    name: str
    whole: Polygon
    breaks: tuple[LineString, ...]
    outlines: tuple[Outline, ...]
    turns: tuple[float, ...]
    shifts: tuple[np.ndarray, ...]


def break_line(rng: np.random.Generator, a: tuple[float, float], b: tuple[float, float], jag: float) -> LineString:
    """A line from a to b that jags to either side by up to ``jag`` mm; 0 leaves it straight."""
    if jag == 0:
        return LineString([a, b])
    n = max(3, round(math.dist(a, b) / TOOTH_MM))
    u = np.sort(np.concatenate([[0, 1], (np.arange(1, n) + rng.uniform(-0.35, 0.35, n - 1)) / n]))
    line = np.outer(1 - u, a) + np.outer(u, b)
    left = np.array([a[1] - b[1], b[0] - a[0]]) / math.dist(a, b)
    sway = jag * np.sin(2 * np.pi * (u * rng.uniform(0.5, 1.5) + rng.uniform()))
    off = sway + rng.uniform(-jag / 2, jag / 2, len(u))
    return LineString(line + off[:, None] * left)


def snapped(
    name: str,
    whole: Polygon,
    breaks: list[LineString],
    rng: np.random.Generator,
    splinters: int = 0,
    noise: float = 0.015,
) -> Snap:
    """The part broken along lines that cross it.

    splinters : how many bits, 1 to 2 mm deep and 5 to 12 mm long, are lost along each break
    noise : mm, standard deviation of the points that the pieces are fitted to
    """
    whole = whole.simplify(FLAT_MM)
    pieces = broken(whole, breaks)
    for line in breaks:
        inside = line.intersection(whole)
        for _ in range(splinters):
            at = inside.interpolate(rng.uniform(0.1, 0.9), normalized=True)
            hit = int(np.argmin([p.distance(at) + rng.uniform(0, 1e-3) for p in pieces]))
            bit = affinity.scale(at.buffer(1.0), rng.uniform(2.5, 6.0), rng.uniform(1.0, 2.0))
            ends = np.array(line.coords)[[0, -1]]
            bit = affinity.rotate(bit, math.degrees(math.atan2(*(ends[1] - ends[0])[::-1])))
            less = pieces[hit].difference(bit)
            pieces[hit] = max(less.geoms, key=lambda g: g.area) if less.geom_type == "MultiPolygon" else less
    pieces.sort(key=lambda p: -p.area)
    outlines, turns, shifts = [], [], []
    for p in pieces:
        turn = float(rng.uniform(-math.pi, math.pi))
        outline = fit_outline(contours(affinity.rotate(p, turn, (0, 0), use_radians=True), rng, noise))[0]
        shifts.append(rng.uniform(-200, 200, 2))
        outlines.append(outline.moved(0.0, shifts[-1]))
        turns.append(turn)
    return Snap(name, whole, tuple(breaks), tuple(outlines), tuple(turns), tuple(shifts))


def broken(whole: Polygon, breaks: list[LineString]) -> list[Polygon]:
    """The pieces that a part falls into along lines."""
    pieces = [whole]
    for line in breaks:
        pieces = [Polygon(g) for p in pieces for g in split(p, line).geoms]
    return pieces


def contours(part: Polygon, rng: np.random.Generator, noise: float) -> list[Contour]:
    """The part's edges read at STEP_MM with white noise across the edge."""
    part, found = part.simplify(FLAT_MM), []
    for ring, sense in [(part.exterior, 1.0), *((r, -1.0) for r in part.interiors)]:
        line = ring if (ring.is_ccw) == (sense > 0) else ring.reverse()
        at = np.arange(0, line.length - STEP_MM / 2, STEP_MM)
        points = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
        ahead = shapely.get_coordinates(shapely.line_interpolate_point(line, (at + 0.01) % line.length)) - points
        normal = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.linalg.norm(ahead, axis=1, keepdims=True)
        found.append(Contour(points + rng.normal(0, noise, (len(points), 1)) * normal, np.full(len(points), noise)))
    return found


@dataclass(frozen=True)
class Rebuilt:
    """How true a rebuilt outline is: deviations outside the fracture and everywhere, mm; joint angle, degrees."""

    rms: float
    largest: float
    anywhere: float
    angle_deg: float


def judged(snap: Snap, result: Joined) -> Rebuilt:
    """The rebuilt outline against the part as it was."""
    part = result.outline.polygon(0.002)
    points = moved_points(spread(part) - snap.shifts[0], -snap.turns[0])  # the first piece's frame is the result's
    middle = points.mean(axis=0)
    best = least_squares(lambda x: signed(laid(points - middle, x), snap.whole), [0.0, *middle], x_scale=[0.01, 1, 1])
    placed = laid(points - middle, best.x)
    off = np.abs(signed(placed, snap.whole))
    ends = shapely.union_all([line.intersection(snap.whole.boundary) for line in snap.breaks])
    clear = shapely.distance(ends, shapely.points(placed)) > BESIDE_MM
    angles = [
        math.degrees(math.remainder(at.turn + own - snap.turns[0], 2 * math.pi))
        for at, own in zip(result.at, snap.turns, strict=True)
    ]
    worst = max(abs(a) for a in angles)
    return Rebuilt(float(np.sqrt((off[clear] ** 2).mean())), float(off[clear].max()), float(off.max()), worst)
