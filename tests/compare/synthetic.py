"""Measured outlines with known deviations: a master's edges moved along their normals by a given field."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from digitize.compare.stations import Master
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Contribution, Measurement, Pattern, SheetSeen
from digitize.model.segment import Line, Points, as_point, moved_points
from tests.helpers import WHEN

STEP_MM = 0.5
CLEAR_MM = 0.6  # of a corner, where its own point stands, wherever its edges carry it
CORRELATION_MM = 15.0  # over which an edge's place errs together, as seen in rendered photos
Field = Callable[[int, Points], Points]  # number of the edge, mm along it (N,) -> mm of material left on (N,)


def displaced(outline: Outline, field: Field) -> Outline:
    """The outline with every edge moved outward by its field: a fine polyline whose corners are where edges meet."""
    master = Master.of(outline)
    loops = []
    for number in range(len(outline.loops)):
        points: list[Points] = []
        edges = [e for e in master.edges if e.loop == number]
        curves = master.curves[number]
        for before, edge in zip(edges[-1:] + edges[:-1], edges, strict=True):
            clear = CLEAR_MM if edge.corner else 0.0
            along = np.arange(clear, edge.length - max(clear, STEP_MM / 2), STEP_MM)
            place, outward = curves.at(edge.start + along)
            if edge.corner:
                ends = np.array([before.end - 1e-6, edge.start + 1e-6])
                normals = curves.at(ends)[1]
                moves = [field(before.number, np.array([before.length]))[0], field(edge.number, np.array([0.0]))[0]]
                points.append(np.asarray(edge.corner)[None] + np.linalg.solve(normals, moves)[None])
            points.append(place + outward * field(edge.number, along)[:, None])
        loops.append(polyline(np.vstack(points)))
    return Outline.of(loops[0], loops[1:])


def polyline(points: Points) -> Loop:
    ends = [as_point(p) for p in points]
    return Loop(tuple(Line(a, b) for a, b in zip(ends, ends[1:] + ends[:1], strict=True)))


def stretched(outline: Outline, factor: float) -> Outline:
    """A polyline outline scaled about the origin."""
    loops = [polyline(np.array([s.start for s in loop.segments]) * factor) for loop in outline.loops]
    return Outline.of(loops[0], loops[1:])


def bump(edge: int, at: float, height: float, length: float) -> Field:
    """A raised cosine of ``height`` mm over ``length`` mm of an edge, about ``at`` mm along it."""

    def field(number: int, along: Points) -> Points:
        near = (number == edge) & (np.abs(along - at) < length / 2)
        return np.where(near, height * (1 + np.cos(2 * np.pi * (along - at) / length)) / 2, 0.0)

    return field


def proud(edge: int, by: float) -> Field:
    return lambda number, along: np.full(len(along), by if number == edge else 0.0)


def together(*fields: Field) -> Field:
    return lambda number, along: np.sum([f(number, along) for f in fields], axis=0)


@dataclass
class EdgeNoise:
    """Edges whose places err by ``sigma`` mm, smoothly over CORRELATION_MM, each edge on its own."""

    outline: Outline
    sigma: float
    chance: np.random.Generator

    def __post_init__(self) -> None:
        self.drawn = {}
        for edge in Master.of(self.outline).edges:
            knots = np.linspace(0.0, edge.length, max(2, round(edge.length / 4.0)))
            apart = np.abs(knots[:, None] - knots)
            if edge.corner is None:  # round a loop the noise closes on itself
                apart = np.minimum(apart, edge.length - apart)
            covariance = np.exp(-((apart / CORRELATION_MM) ** 2) / 2)
            weight, axes = np.linalg.eigh(covariance)
            root = axes * np.sqrt(np.maximum(weight, 0.0))
            self.drawn[edge.number] = (knots, self.sigma * root @ self.chance.standard_normal(len(knots)))

    def __call__(self, number: int, along: Points) -> Points:
        return np.interp(along, *self.drawn[number])


def drawn(outline: Outline, name: str = "master") -> Pattern:
    return Pattern(name=name, created=WHEN, thickness_mm=6.0, outline=outline)


def measured(outline: Outline, causes: tuple[Contribution, ...], name: str = "part") -> Pattern:
    how = Measurement(
        photo=f"{name}.jpg",
        camera="bench camera",
        sheets=(SheetSeen(0, 88),),
        print_scale=(1.0, 1.0),
        lens="",
        edge_height_mm=None,
        reprojection_rms_px=0.05,
        camera_height_mm=640.0,
        tilt_deg=8.0,
        mm_per_px=0.2,
        uncertainty=causes,
    )
    return Pattern(name=name, created=WHEN, thickness_mm=6.0, outline=outline, measured=how)


def thrown(outline: Outline, chance: np.random.Generator) -> Outline:
    """The outline lying anywhere, in any turn."""
    return outline.moved(float(chance.uniform(-np.pi, np.pi)), chance.uniform(-300, 300, 2))


def tipped() -> Outline:
    """150 x 90 mm, with a tip of 29 degrees, inside corners and a square hole; corners number from the lower left."""
    corners = np.array([(0, 0), (40, 0), (40, 25), (70, 25), (95, 60), (150, 90), (0, 90)], float)
    hole = moved_points([(12, 50), (12, 70), (32, 70), (32, 50)], 0.0)
    return Outline.of(polyline(corners), [polyline(hole)])
