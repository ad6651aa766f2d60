"""Drawing -> SVG in real units: one user unit is one millimetre, arcs and splines are exact (A and C commands).

Source: W3C SVG 1.1, 8.3 (path data), 7.7 (viewBox); from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from digitize.formats.drawing import Drawing, Label, Layer
from digitize.model.outline import CHORD_ERROR_MM
from digitize.model.segment import Arc, Line, Point, Segment

MARGIN_MM = 5.0
LINE_MM = 0.2
LETTER_WIDTH = 0.65  # of a letter's height: room kept for words, whose font is the viewer's
CAPITAL = 0.72  # height of a capital letter by the font size, common to sans-serif fonts
DECIMALS = 6  # 1 nm
CLOSED_MM = 1e-5


def svg_bytes(drawing: Drawing) -> bytes:
    """The drawing as an SVG file, a group for each layer."""
    x0, y0, x1, y1 = _bounds(drawing)
    width, height = _number(x1 - x0), _number(y1 - y0)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{width}mm" height="{height}mm" '
        f'viewBox="{_number(x0)} {_number(-y1)} {width} {height}">'
    )
    groups = (line for layer in drawing.layers for line in _group(layer))
    return "\n".join(('<?xml version="1.0" encoding="UTF-8"?>', head, *groups, "</svg>", "")).encode()


def _bounds(drawing: Drawing) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1 of all that is drawn, with a margin, mm."""
    points = [s.flattened(CHORD_ERROR_MM) for s in drawing.segments]
    labels = [label for layer in drawing.layers for label in layer.labels]
    points += [np.array([a.at, np.add(a.at, (LETTER_WIDTH * a.height * len(a.text), a.height))]) for a in labels]
    everything = np.vstack(points or [np.zeros((1, 2))])
    (x0, y0), (x1, y1) = everything.min(axis=0) - MARGIN_MM, everything.max(axis=0) + MARGIN_MM
    return float(x0), float(y0), float(x1), float(y1)


def _group(layer: Layer) -> Iterator[str]:
    colour = "#{:02x}{:02x}{:02x}".format(*layer.colour)
    name = quoteattr(layer.name.replace(" ", "-"))
    yield f'<g id={name} fill="none" stroke="{colour}" stroke-width="{LINE_MM:g}" stroke-linejoin="round">'
    yield f"<title>{escape(layer.name)}</title>"
    yield from (f'<path d="{" ".join(_path(stroke))}"/>' for stroke in layer.strokes)
    yield from (_text(label, colour) for label in layer.labels)
    yield "</g>"


def _path(stroke: tuple[Segment, ...]) -> Iterator[str]:
    yield f"M {_pair(stroke[0].start)}"
    for segment in stroke:
        yield from _commands(segment)
    if math.dist(stroke[-1].end, stroke[0].start) < CLOSED_MM:
        yield "Z"


def _commands(segment: Segment) -> Iterable[str]:
    if isinstance(segment, Line):
        return [f"L {_pair(segment.end)}"]
    if isinstance(segment, Arc):
        pieces = 2 if abs(segment.sweep) > math.pi / 2 else 1  # well below a half turn, where an arc is not unique
        pieces *= 2 if abs(segment.sweep) > math.pi else 1
        flag = 0 if segment.sweep > 0 else 1  # y runs down: what is counter-clockwise here is so seen on the page too
        ends = segment.point(np.arange(1, pieces + 1) / pieces)
        radius = _number(segment.radius)
        return [f"A {radius} {radius} 0 0 {flag} {_pair((float(x), float(y)))}" for x, y in ends]
    return [f"C {' '.join(_pair((float(x), float(y))) for x, y in bezier[1:])}" for bezier in segment.beziers()]


def _text(label: Label, colour: str) -> str:
    words = escape("".join(c if c.isprintable() else " " for c in label.text))
    size = _number(label.height / CAPITAL)
    place = f'x="{_number(label.at[0])}" y="{_number(-label.at[1])}"'
    return f'<text {place} font-family="sans-serif" font-size="{size}" fill="{colour}" stroke="none">{words}</text>'


def _pair(point: Point) -> str:
    return f"{_number(point[0])} {_number(-point[1])}"


def _number(value: float) -> str:
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
