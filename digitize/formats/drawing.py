"""The neutral drawing that every vector format is written from: layers of strokes and labels, millimetres, y up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from digitize.model.pattern import Pattern
from digitize.model.segment import Point, Segment

LABEL_MM = 5.0  # letter height
LABEL_GAP_MM = 10.0  # below the part, clear of its cut edge


@dataclass(frozen=True)
class Label:
    """A line of text that begins at ``at``, ``height`` mm tall."""

    text: str
    at: Point
    height: float = LABEL_MM


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
    """Patterns as they lie in their common frame: cut edges, holes, and a label below each."""
    outlines = [p.outline for p in patterns]
    return Drawing(
        (
            Layer("cut edge", (0, 0, 0), tuple(o.outer.segments for o in outlines)),
            Layer("holes", (0, 90, 180), tuple(hole.segments for o in outlines for hole in o.holes)),
            Layer("marks", (110, 110, 110), labels=tuple(_label(p) for p in patterns)),
        )
    )


def _label(pattern: Pattern) -> Label:
    x0, y0, _, _ = pattern.outline.bounds()
    return Label(f"{pattern.name}, {pattern.thickness_mm:g} mm thick", (x0, y0 - LABEL_GAP_MM - LABEL_MM))
