"""The neutral drawing that every vector format is written from: layers of strokes and labels, millimetres, y up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from digitize.model.pattern import Pattern
from digitize.model.segment import Arc, Line, Point, Segment, Spline

CUT_EDGE, HOLES, MARKS, GRAIN, ROUGH_CUT = "cut edge", "holes", "marks", "grain", "rough cut"  # layers, in every format
LABEL_MM = 5.0  # letter height
LABEL_GAP_MM = 10.0  # below the part, clear of its cut edge
ARROW_SHARE = 0.25  # length of the grain arrow by the part's smaller side
ARROW_HEAD_RAD = math.radians(20.0)
ARROW_HEAD_SHARE = 0.15  # of its length


@dataclass(frozen=True)
class Facts:
    """What a drawing's label tells machines about a part."""

    name: str
    thickness_mm: float | None
    grain_deg: float | None


@dataclass(frozen=True)
class Label:
    """A line of text that begins at ``at``, ``height`` mm tall; ``facts`` say the same to machines."""

    text: str
    at: Point
    height: float = LABEL_MM
    facts: Facts | None = None


@dataclass(frozen=True)
class Layer:
    """Strokes and labels of one meaning.

    colour : red, green, blue, 0 .. 255
    strokes : each a chain of segments; a loop's last end is its first start
    """

    name: str
    colour: tuple[int, int, int]
    strokes: tuple[tuple[Segment, ...], ...] = field(default=())
    labels: tuple[Label, ...] = field(default=())


@dataclass(frozen=True)
class Drawing:
    layers: tuple[Layer, ...]

    @property
    def segments(self) -> tuple[Segment, ...]:
        return tuple(s for layer in self.layers for stroke in layer.strokes for s in stroke)


def pattern_drawing(patterns: Sequence[Pattern]) -> Drawing:
    """Patterns as they lie in their common frame: cut edges, holes, a label below each, an arrow along the grain."""
    outlines = [p.outline for p in patterns]
    layers = (
        Layer(CUT_EDGE, (0, 0, 0), tuple(o.outer.segments for o in outlines)),
        Layer(HOLES, (0, 90, 180), tuple(hole.segments for o in outlines for hole in o.holes)),
        Layer(MARKS, (110, 110, 110), labels=tuple(_label(p) for p in patterns)),
    )
    arrows = tuple(stroke for p in patterns for stroke in _grain_arrow(p))
    return Drawing((*layers, Layer(GRAIN, (150, 90, 20), arrows)) if arrows else layers)


def _label(pattern: Pattern) -> Label:
    x0, y0, _, _ = pattern.outline.bounds()
    thick = "" if pattern.thickness_mm is None else f", {pattern.thickness_mm:g} mm thick"
    facts = Facts(pattern.name, pattern.thickness_mm, pattern.grain_deg)
    return Label(f"{pattern.name}{thick}", (x0, y0 - LABEL_GAP_MM - LABEL_MM), facts=facts)


def _grain_arrow(pattern: Pattern) -> list[tuple[Segment, ...]]:
    if pattern.grain_deg is None:
        return []
    middle = pattern.outline.polygon().representative_point()
    return grain_arrow((middle.x, middle.y), math.radians(pattern.grain_deg), ARROW_SHARE * min(pattern.size))


def grain_arrow(middle: Point, angle: float, length: float) -> list[tuple[Segment, ...]]:
    """Strokes of an arrow with a head at both ends: wood fibres have a direction, but no front.

    angle : radians; length : mm
    """
    half = (math.cos(angle) * length / 2, math.sin(angle) * length / 2)
    tips = [(middle[0] + sign * half[0], middle[1] + sign * half[1]) for sign in (-1.0, 1.0)]
    strokes: list[tuple[Segment, ...]] = [(Line(tips[0], tips[1]),)]
    for tip, back in zip(tips, (angle, angle + math.pi), strict=True):
        barbs = [back - ARROW_HEAD_RAD, back + ARROW_HEAD_RAD]
        reach = ARROW_HEAD_SHARE * length
        a, b = ((tip[0] + reach * math.cos(barb), tip[1] + reach * math.sin(barb)) for barb in barbs)
        strokes.append((Line(a, tip), Line(tip, b)))
    return strokes


def scaled(drawing: Drawing, factor: float) -> Drawing:
    """The drawing in another unit: every length times ``factor``."""
    return Drawing(tuple(_scaled_layer(layer, factor) for layer in drawing.layers))


def _scaled_layer(layer: Layer, factor: float) -> Layer:
    return replace(
        layer,
        strokes=tuple(tuple(_scaled(s, factor) for s in stroke) for stroke in layer.strokes),
        labels=tuple(
            replace(label, at=_times(label.at, factor), height=label.height * factor) for label in layer.labels
        ),
    )


def _scaled(segment: Segment, factor: float) -> Segment:
    if isinstance(segment, Line):
        return Line(_times(segment.start, factor), _times(segment.end, factor))
    if isinstance(segment, Arc):
        return replace(segment, centre=_times(segment.centre, factor), radius=segment.radius * factor)
    return Spline(tuple(_times(p, factor) for p in segment.control), segment.knots)


def _times(point: Point, factor: float) -> Point:
    return point[0] * factor, point[1] * factor
