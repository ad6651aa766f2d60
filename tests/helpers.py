"""What several tests need: outlines of an invented workshop, comparisons with a stated tolerance, a simple view."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import shapely

from digitize.model.camera import Camera
from digitize.model.outline import Contour, Loop, Outline
from digitize.model.pattern import Contribution, Fit, Measurement, Pattern, SheetSeen
from digitize.model.segment import Arc, Line, Points, Segment, Spline
from digitize.model.sheet import Sheet, coded_sheet

WHEN = datetime(2026, 3, 14, 9, 26, 53, 589793, tzinfo=UTC)
FULL = 2 * math.pi


def bracket() -> Outline:
    """Two lines, a half round, a sweep, and a round hole; 3 lines, 1 arc, 1 spline, 1 circle.

    (0,100)---(120,100)
       \\               )
        )      o        )  half round, R 50
       /               )
    (0,0)-----(120,0)
    """
    sweep = Spline(
        ((0.0, 100.0), (9.1, 80.3), (-4.7, 61.0), (12.9, 35.0), (3.3, 13.0), (0.0, 0.0)),
        (0.0, 0.0, 0.0, 0.0, 0.37, 0.71, 1.0, 1.0, 1.0, 1.0),
    )
    outer = Loop(
        (
            Line((0.0, 0.0), (70.0, 0.0)),
            Line((70.0, 0.0), (120.0, 0.0)),
            Arc((120.0, 50.0), 50.0, -math.pi / 2, math.pi),
            Line((120.0, 100.0), (0.0, 100.0)),
            sweep,
        )
    )
    return Outline.of(outer, [Loop((Arc((90.0, 50.0), 17.5, 0.3, FULL),))])


def rounded_plate() -> Outline:
    """60 x 40 mm with corners of R 8 mm and a slot whose ends are arcs that run clockwise."""
    corners = [((52.0, 8.0), -90.0), ((52.0, 32.0), 0.0), ((8.0, 32.0), 90.0), ((8.0, 8.0), 180.0)]
    arcs = [Arc(centre, 8.0, math.radians(start), math.pi / 2) for centre, start in corners]
    return Outline.of(_chained(arcs), [_chained([Arc((x, 20.0), 4.0, a, -math.pi) for x, a in SLOT_ENDS])])


SLOT_ENDS = [(40.0, math.pi / 2), (20.0, -math.pi / 2)]


def _chained(arcs: list[Arc]) -> Loop:
    """A loop of arcs with lines between them."""
    pieces: list[Segment] = []
    for arc, following in zip(arcs, arcs[1:] + arcs[:1], strict=True):
        pieces += [arc, Line(arc.end, following.start)]
    return Loop(tuple(pieces))


def pattern(outline: Outline, name: str = "bracket") -> Pattern:
    measured = Measurement(
        photo="bracket.jpg",
        camera="bench camera",
        sheets=(SheetSeen(0, 88), SheetSeen(3, 71)),
        print_scale=(0.9973333333333333, 1.0),
        lens="",
        edge_height_mm=None,
        reprojection_rms_px=0.0625,
        camera_height_mm=701.5,
        tilt_deg=3.25,
        mm_per_px=0.15,
        uncertainty=(Contribution("sheets", 150.0, 0.0), Contribution("edge", 0.0, 0.02)),
    )
    fit = Fit(rms_mm=0.0123, largest_mm=0.051, points=1200, pieces=9, curvature_extrema=1, tangent_break_deg=0.002)
    return Pattern(name=name, created=WHEN, thickness_mm=6.35, outline=outline, measured=measured, fit=fit)


def distances(points: Points, segment: Segment) -> Points:
    """From points (N, 2) to the exact curve of a segment, (N,), mm: sampled, then closed in on to well below 1 nm."""
    t = np.linspace(0.0, 1.0, 4001)
    near = t[np.argmin(np.linalg.norm(points[:, None] - segment.point(t), axis=2), axis=1)]
    step = t[1]
    for _ in range(9):
        tries = np.clip(near[:, None] + step * np.linspace(-1.0, 1.0, 21), 0.0, 1.0)
        off = np.linalg.norm(segment.point(tries.ravel()).reshape(*tries.shape, 2) - points[:, None], axis=2)
        best = np.argmin(off, axis=1)
        near, step = tries[np.arange(len(near)), best], step / 8
    return off[np.arange(len(near)), best]


def assert_outlines_equal(a: Outline, b: Outline, tol_mm: float) -> None:
    """Every loop of either lies within ``tol_mm`` of the same loop of the other."""
    assert len(a.loops) == len(b.loops)
    for one, other in zip(a.loops, b.loops, strict=True):
        rings = [shapely.LinearRing(loop.flattened(tol_mm / 10)) for loop in (one, other)]
        apart = max(
            shapely.distance(rings[1 - i], shapely.points(np.asarray(rings[i].segmentize(1.0).coords))).max()
            for i in (0, 1)
        )
        assert apart <= tol_mm, f"the loops are {apart:.6f} mm apart"


@dataclass(frozen=True)
class SeenSheet:
    """As much of a sighting as the report needs."""

    sheet: Sheet = field(default_factory=lambda: coded_sheet(0))
    ids: Points = field(default_factory=lambda: np.arange(88))
    pixels: Points = field(default_factory=lambda: np.array([[20.0, 20.0], [60.0, 20.0]]))


@dataclass(frozen=True)
class PlumbView:
    """A camera straight above the bench that sees ``scale`` mm per px at any height: the simplest view there is."""

    size: tuple[int, int] = (640, 480)
    scale: float = 0.5
    sightings: tuple[SeenSheet, ...] = (SeenSheet(),)
    rms_px: float = 0.0641
    height: float = 701.5
    tilt: float = math.radians(3.25)

    @property
    def camera(self) -> Camera:
        return Camera(self.size, (1000.0, 1000.0), (self.size[0] / 2, self.size[1] / 2))

    def mm_per_px(self, xy: npt.ArrayLike = (0.0, 0.0), z: float = 0.0) -> float:
        return self.scale

    def image_from_bench(self, xy: Points, z: float = 0.0) -> Points:
        return np.array([self.size[0] / 2, self.size[1] / 2]) + np.asarray(xy) * [1, -1] / self.scale


def rectangle_contour(x: float, y: float, width: float, height: float, turn: float = 0.0) -> Contour:
    """100 points along each side, counter-clockwise, sigma 0.01 mm, without noise; turned about the origin."""
    corners = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
    along = np.linspace(0, 1, 100, endpoint=False)[:, None]
    sides = [a + (b - a) * along for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    c, s = math.cos(turn), math.sin(turn)
    points = np.vstack(sides) @ np.array([[c, s], [-s, c]])
    return Contour(points, np.full(len(points), 0.01))
