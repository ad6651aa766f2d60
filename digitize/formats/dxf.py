"""Drawing -> DXF R2010: LINE, ARC, CIRCLE and SPLINE as they are, in millimetres; nothing is flattened or refitted."""

from __future__ import annotations

import io
import math

from ezdxf.colors import rgb2int
from ezdxf.filemanagement import new
from ezdxf.layouts.layout import Modelspace

from digitize.formats.drawing import Drawing, Label
from digitize.model.segment import DEGREE, Arc, Line, Segment

MILLIMETRES = 4  # $INSUNITS; ezdxf's own default is 6, metres
METRIC = 1  # $MEASUREMENT


def dxf_bytes(drawing: Drawing) -> bytes:
    """The drawing as a DXF file."""
    document = new("R2010", units=MILLIMETRES)
    document.header["$MEASUREMENT"] = METRIC
    space = document.modelspace()
    for layer in drawing.layers:
        document.layers.add(layer.name, true_color=rgb2int(layer.colour))
        for stroke in layer.strokes:
            for segment in stroke:
                _add_segment(space, segment, layer.name)
        for label in layer.labels:
            _add_label(space, label, layer.name)
    stream = io.StringIO()
    document.write(stream)
    data: bytes = document.encode(stream.getvalue())
    return data


def _add_segment(space: Modelspace, segment: Segment, layer: str) -> None:
    attributes = {"layer": layer}
    if isinstance(segment, Line):
        space.add_line(segment.start, segment.end, attributes)
    elif isinstance(segment, Arc) and segment.is_circle:
        space.add_circle(segment.centre, segment.radius, attributes)
    elif isinstance(segment, Arc):
        first, last = sorted([segment.from_angle, segment.from_angle + segment.sweep])  # DXF arcs: counter-clockwise
        space.add_arc(segment.centre, segment.radius, math.degrees(first), math.degrees(last), dxfattribs=attributes)
    else:
        spline = space.add_spline(degree=DEGREE, dxfattribs=attributes)
        spline.control_points = [(x, y, 0.0) for x, y in segment.control]
        spline.knots = segment.knots


def _add_label(space: Modelspace, label: Label, layer: str) -> None:
    text = "".join(c if c.isprintable() else " " for c in label.text)
    space.add_text(text, height=label.height, dxfattribs={"layer": layer}).set_placement(label.at)
