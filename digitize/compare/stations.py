"""Where a master is asked: points along its exact curves at a steady spacing, its corners among them, all numbered.

Corners are numbered from 1, loop by loop in travel order, and an edge bears the number of the corner that it begins at.
A loop without corners is one edge with a number of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from digitize.compare.nearest import Curves, Floats, Indices
from digitize.model.errors import InputError
from digitize.model.outline import CORNER_RAD, Loop, Outline
from digitize.model.segment import Arc, Line, Point, Points

FARTHEST_MM = 20.0  # a point named to choose an edge lies no farther from it
PATCH_MM = 30.0  # an edge's place errs together over about this length: measured on rendered photos

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Edge:
    """A stretch of a loop from one corner to the next, or a whole loop without corners.

    loop : 0 is the outer one
    start, end : mm along the loop; ``end`` may pass its length, for the edge that runs through its beginning
    corner : the point it begins at, None in a loop without corners
    turn : of the tangent there, radians, positive for an outside corner
    """

    number: int
    loop: int
    start: float
    end: float
    corner: Point | None
    turn: float

    @property
    def length(self) -> float:
        return self.end - self.start


@dataclass(frozen=True)
class Stations:
    """N points of a master, loop by loop in travel order.

    points, outward : (N, 2) mm; at a corner ``outward`` is the mean of both sides
    loop, edge : (N,) numbers of each; the loops from 0, the edges as Edge.number
    along : (N,) mm along the loop
    weight : (N,) mm of the loop that each stands for
    at_corner : (N,) whether it is the corner that its edge begins at
    patch : (N,) numbers from 0 of short stretches of edge, whose place errs independently of the others'
    """

    points: Points
    outward: Points
    loop: Indices
    edge: Indices
    along: Floats
    weight: Floats
    at_corner: Flags
    patch: Indices

    def some(self, chosen: Flags | Indices) -> Stations:
        """The chosen ones alone."""
        return Stations(
            self.points[chosen],
            self.outward[chosen],
            self.loop[chosen],
            self.edge[chosen],
            self.along[chosen],
            self.weight[chosen],
            self.at_corner[chosen],
            self.patch[chosen],
        )


@dataclass(frozen=True)
class Master:
    """A master outline made ready: its curves loop by loop, and its edges."""

    outline: Outline
    curves: tuple[Curves, ...]
    edges: tuple[Edge, ...]

    @classmethod
    def of(cls, outline: Outline) -> Master:
        curves = tuple(Curves.of(loop) for loop in outline.loops)
        edges: list[Edge] = []
        for i, (loop, curve) in enumerate(zip(outline.loops, curves, strict=True)):
            edges += _edges(i, loop, curve, len(edges) + 1)
        return cls(outline, curves, tuple(edges))

    @property
    def corners(self) -> tuple[Edge, ...]:
        return tuple(e for e in self.edges if e.corner is not None)

    def stations(self, spacing: float) -> Stations:
        """Points along all edges, ``spacing`` mm apart or a little less."""
        parts: list[tuple[npt.NDArray[np.generic], ...]] = []
        patches = 0
        for edge in self.edges:
            count = max(1, math.ceil(edge.length / spacing))
            share = np.arange(count) / count
            along = np.mod(edge.start + share * edge.length, self.curves[edge.loop].length)
            points, outward = self.curves[edge.loop].at(along)
            corner = (np.arange(count) == 0) & (edge.corner is not None)
            pieces = max(1, round(edge.length / PATCH_MM))
            patch = patches + (share * pieces).astype(int)
            patches += pieces
            number = (np.full(count, n) for n in (edge.loop, edge.number))
            parts.append((points, outward, *number, along, np.full(count, edge.length / count), corner, patch))
        return Stations(*(np.concatenate(field) for field in zip(*parts, strict=True)))

    def edge(self, number: int) -> Edge:
        """Raises InputError where there is none of that number."""
        if not 1 <= number <= len(self.edges):
            raise InputError(
                f"The master has no edge {number}, only edges 1 to {len(self.edges)}",
                "read the number off the picture, or name a point near the edge",
            )
        return self.edges[number - 1]

    def edge_near(self, point: Point) -> Edge:
        """The edge nearest to a point, mm in the master's frame; raises InputError where none is near."""
        feet = [c.nearest(np.array([point])) for c in self.curves]
        loop = int(np.argmin([abs(f.distance[0]) for f in feet]))
        off, along = abs(float(feet[loop].distance[0])), float(feet[loop].along[0])
        if off > FARTHEST_MM:
            raise InputError(
                f"The point ({point[0]:g}, {point[1]:g}) lies {off:.0f} mm from the nearest edge of the master "
                f"(limit {FARTHEST_MM:g} mm)",
                "name a point on the edge, mm in the master's own frame, or the edge's number from the picture",
            )
        length = self.curves[loop].length
        return next(e for e in self.edges if e.loop == loop and (along - e.start) % length <= e.length + 1e-9)


def _edges(loop: int, chain: Loop, curves: Curves, number: int) -> list[Edge]:
    """The edges of one loop, numbered from ``number``."""
    turns = chain.turns()
    whole_circle = len(chain.segments) == 1 and isinstance(chain.segments[0], Arc)
    sharp = [] if whole_circle else np.flatnonzero(np.abs(turns) > CORNER_RAD).tolist()
    if not sharp:
        return [Edge(number, loop, 0.0, curves.length, None, 0.0)]
    starts = curves.starts()[sharp]
    ends = np.append(starts[1:], starts[0] + curves.length)
    return [
        Edge(number + i, loop, float(start), float(end), chain.segments[j].start, float(turns[j]))
        for i, (j, start, end) in enumerate(zip(sharp, starts, ends, strict=True))
    ]


def is_straight(master: Master, edge: Edge) -> bool:
    """Whether an edge is one line, or several in one direction."""
    if edge.corner is None:
        return False
    loop, starts = master.outline.loops[edge.loop], master.curves[edge.loop].starts()
    length = master.curves[edge.loop].length
    within = (starts - edge.start) % length < edge.length - 1e-9
    return all(isinstance(s, Line) for s, inside in zip(loop.segments, within, strict=True) if inside)
