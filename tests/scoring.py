"""How far a traced DXF is from the truth, found without any code of digitize: ezdxf reads, shapely measures.

The traced part is laid on the true one by the rigid placement (turn and shift; no scaling, no mirror) of least squared
distances; then distances are taken both ways. A part is a polygon with holes, so a signed distance is positive outside
the material for outer loops and holes alike: positive = the traced part has more material than the true one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import shapely
from scipy.optimize import least_squares

CURVES = {"LINE", "ARC", "CIRCLE", "SPLINE"}
FLAT_MM = 0.0005  # chord error of the flattened curves
JOIN_MM = 0.02  # ends farther apart than this leave a loop open
STEP_MM = 0.25  # between the compared points
STARTS = 72  # turns that the placement is begun from


@dataclass(frozen=True)
class Score:
    """Deviations in mm.

    rms, mean : over points of the traced curves; p95 : of the absolute deviations, both ways
    most : the largest, both ways, corners included
    scale_ppm : how much larger than true, from a placement that may also scale
    """

    loops_found: bool
    rms: float
    p95: float
    most: float
    mean: float
    scale_ppm: float


def score(dxf: Path, truth: dict[str, Any]) -> Score:
    """Score a DXF of one part against the first of the truth's ``outlines_world``."""
    outline = truth["outlines_world"][0]
    true, traced = shapely.Polygon(outline["outer"], outline["holes"]), read_part(dxf)
    points, middle = spread(traced), np.array(traced.centroid.coords[0])
    placement = place(points - middle, true)
    scaled = least_squares(lambda x: signed(moved(points - middle, x), true), [*placement, 1.0], x_scale=SCALES)
    placed = shapely.transform(traced, lambda p: moved(p - middle, placement))
    forward, back = signed(spread(placed), true), signed(spread(true), placed)
    ends = np.concatenate([signed(corners(placed), true), signed(corners(true), placed)])
    both = np.abs(np.concatenate([forward, back]))
    return Score(
        loops_found=len(traced.interiors) == len(true.interiors),
        rms=float(np.sqrt((forward**2).mean())),
        p95=float(np.percentile(both, 95)),
        most=float(max(both.max(), np.abs(ends).max())),
        mean=float(forward.mean()),
        scale_ppm=1e6 * (1 / float(scaled.x[3]) - 1),
    )


SCALES = (0.01, 1.0, 1.0, 0.01)  # turn (rad), shift (mm), scale: what moves the outline by about a millimetre


def read_part(dxf: Path) -> shapely.Polygon:
    """The one part in a DXF; fails where loops are open, cross, or lie beside each other."""
    curves = [e for e in ezdxf.readfile(dxf).modelspace() if e.dxftype() in CURVES]
    rings = [shapely.Polygon(p) for p in joined([flattened(e) for e in curves])]
    outer = max(rings, key=lambda r: r.area)
    part = shapely.Polygon(outer.exterior, [r.exterior for r in rings if r is not outer])
    assert part.is_valid, shapely.is_valid_reason(part)
    return part


def flattened(curve: Any) -> np.ndarray:
    """Points (N, 2) on the curve itself; ezdxf.path makes Bezier curves of circles, which are off by 0.03 %."""
    line = curve.dxftype() == "LINE"
    return np.array([(p.x, p.y) for p in ([curve.dxf.start, curve.dxf.end] if line else curve.flattening(FLAT_MM))])


def joined(pieces: list[np.ndarray]) -> list[np.ndarray]:
    """Closed loops from pieces (N, 2) that meet end to end, in any order and direction."""
    loops, left = [], list(pieces)
    while left:
        chain = left.pop()
        while apart(chain[-1], chain[0]) > JOIN_MM or len(chain) < 3:
            near = [(apart(chain[-1], p[end]), k, end) for k, p in enumerate(left) for end in (0, -1)]
            assert near and min(near)[0] <= JOIN_MM, f"a loop is open at {chain[-1]}"
            _, k, end = min(near)
            following = left.pop(k)
            chain = np.vstack([chain, following[1:] if end == 0 else following[-2::-1]])
        loops.append(chain[:-1])  # the last point is the first again, to rounding
    return loops


def apart(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.hypot(*(a - b)))


def spread(part: shapely.Polygon) -> np.ndarray:
    """Points (N, 2) STEP_MM apart along all loops."""
    lines = [part.exterior, *part.interiors]
    along = [line.interpolate(np.arange(STEP_MM / 2, line.length, STEP_MM)) for line in lines]
    return shapely.get_coordinates(np.concatenate(along))


def corners(part: shapely.Polygon) -> np.ndarray:
    return shapely.get_coordinates(part)


def signed(points: np.ndarray, part: shapely.Polygon) -> np.ndarray:
    """Distances (N,) of points from the part's edge, positive outside the material."""
    shapely.prepare(part)
    inside = shapely.contains_xy(part, points)
    return shapely.distance(part.boundary, shapely.points(points)) * np.where(inside, -1.0, 1.0)


def moved(points: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Points turned by x[0], scaled by x[3] if there is one, and shifted by x[1:3]."""
    c, s = math.cos(x[0]), math.sin(x[0])
    return (x[3] if len(x) > 3 else 1.0) * points @ np.array([[c, s], [-s, c]]) + x[1:3]


def place(points: np.ndarray, true: shapely.Polygon) -> np.ndarray:
    """Turn and shift (3,) that bring points (N, 2), measured from their part's centroid, closest to the true edge."""
    few = points[:: max(1, len(points) // 200)]
    starts = [np.array([2 * math.pi * k / STARTS, *true.centroid.coords[0]]) for k in range(STARTS)]
    starts.sort(key=lambda x: float((signed(moved(few, x), true) ** 2).mean()))
    tries = [least_squares(lambda x: signed(moved(few, x), true), x, x_scale=SCALES[:3]) for x in starts[:6]]
    best = min(tries, key=lambda t: t.cost).x
    found = least_squares(lambda x: signed(moved(points, x), true), best, x_scale=SCALES[:3])
    return np.asarray(found.x)
