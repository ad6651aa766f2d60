"""Drawing -> DXF: R2010 with LINE, ARC, CIRCLE and SPLINE as they are, or R12 with polylines for simpler readers.

The same drawing gives the same bytes: what would tell the time or chance is written as constants.
"""

from __future__ import annotations

import io
import math
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, replace

from ezdxf.colors import rgb2int
from ezdxf.document import Drawing as Document
from ezdxf.filemanagement import new
from ezdxf.layouts.layout import Modelspace
from ezdxf.lldxf.tagwriter import TagWriter

from digitize.formats.drawing import MARKS, Drawing, Facts, Label, Layer, scaled
from digitize.formats.dxf_read import APPLICATION, UNIT_MM
from digitize.model.segment import DEGREE, Arc, Line, Point, Segment, Spline

INSUNITS = {"mm": (4, 1), "inch": (1, 0)}  # $INSUNITS and $MEASUREMENT; ezdxf's own default is metres
TIMES = ("$TDCREATE", "$TDUCREATE", "$TDUPDATE", "$TDUUPDATE")
DATE = 2451544.5  # 2000-01-01, as a Julian date
MOST_LETTERS = 200  # of a name in extended data, whose strings hold 255 bytes
COLOURS = {  # of the colour table, for R12 which has no others
    (0, 0, 0): 7,
    (0, 90, 180): 5,
    (110, 110, 110): 8,
}
OTHER_COLOUR = 3


@dataclass(frozen=True)
class DxfForm:
    """How a DXF is written.

    unit : "mm" or "inch", of all coordinates
    chord_error_mm : None for R2010; for R12, how far the chords of a polyline may leave a spline
    """

    unit: str = "mm"
    chord_error_mm: float | None = None


def dxf_bytes(drawing: Drawing, form: DxfForm | None = None) -> bytes:
    """The drawing as a DXF file; loops are closed, each line or spline beginning exactly where its neighbour ends."""
    form = form or DxfForm()
    drawing = drawing if form.chord_error_mm is None else _as_r12(drawing, form)
    drawing = scaled(drawing, 1 / UNIT_MM[form.unit])
    units, metric = INSUNITS[form.unit]
    document = new("R2010" if form.chord_error_mm is None else "R12", units=units)
    document.header["$MEASUREMENT"] = metric
    document.appids.add(APPLICATION)
    space = document.modelspace()
    for layer in drawing.layers:
        _add_layer(document, layer)
        for stroke in layer.strokes:
            if form.chord_error_mm is None:
                for segment in _meeting(stroke):
                    _add_segment(space, segment, layer.name)
            else:
                _add_polyline(space, stroke, layer.name, form.chord_error_mm / UNIT_MM[form.unit])
        for label in layer.labels:
            _add_label(space, label, layer.name)
    return _written(document, uuid.uuid5(uuid.NAMESPACE_OID, repr((drawing, form))))


def dxf_text(text: str) -> str:
    """The text as a DXF can carry it in any version: one line, without codes, plain characters only.

    ``%%``, ``^`` and ``\\U+`` begin codes of their own; characters beyond the basic plane are not sure to come back.
    """
    plain = "".join(c if c.isprintable() and ord(c) <= 0xFFFF else " " if c.isspace() else "?" for c in text)
    for code, instead in (("%%", "% %"), ("^", "'"), ("\\", "/")):
        while code in plain:
            plain = plain.replace(code, instead)
    return plain


def _as_r12(drawing: Drawing, form: DxfForm) -> Drawing:
    """R12 has no place for its unit but a text that people read, below the first label; its names have no spaces."""
    layers = []
    for layer in drawing.layers:
        labels = layer.labels
        if layer.name == MARKS and labels:
            words = f"Unit: {form.unit}. Free curves as chords within {form.chord_error_mm:g} mm."
            x, y = labels[0].at
            labels = (*labels, Label(words, (x, y - 2 * labels[0].height), labels[0].height))
        layers.append(replace(layer, name=layer.name.upper().replace(" ", "_"), labels=labels))
    return Drawing(tuple(layers))


def _add_layer(document: Document, layer: Layer) -> None:
    entry = document.layers.add(layer.name)
    if document.dxfversion == "AC1009":
        entry.color = COLOURS.get(layer.colour, OTHER_COLOUR)
    else:
        entry.dxf.true_color = rgb2int(layer.colour)


def _meeting(stroke: tuple[Segment, ...]) -> Iterable[Segment]:
    """The stroke with neighbours' ends bit-equal; in a DXF an arc has no ends, so the others are led to it."""
    closed = math.dist(stroke[-1].end, stroke[0].start) < 1e-5
    following = [*stroke[1:], stroke[0] if closed else None]
    joints = [_joint(a, b) for a, b in zip(stroke, following, strict=True)]
    for segment, start, end in zip(
        stroke, [joints[-1] if closed else stroke[0].start, *joints[:-1]], joints, strict=True
    ):
        if isinstance(segment, Line):
            yield Line(start, end)
        elif isinstance(segment, Spline):
            yield replace(segment, control=(start, *segment.control[1:-1], end))
        else:
            yield segment


def _joint(before: Segment, after: Segment | None) -> Point:
    if isinstance(after, Arc) and not isinstance(before, Arc):
        return _as_written(after, after.from_angle)
    return _as_written(before, before.from_angle + before.sweep) if isinstance(before, Arc) else before.end


def _as_written(arc: Arc, angle: float) -> Point:
    """A point of an arc as a reader finds it, from the angle in degrees."""
    read = math.radians(math.degrees(angle))
    return arc.centre[0] + arc.radius * math.cos(read), arc.centre[1] + arc.radius * math.sin(read)


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


def _add_polyline(space: Modelspace, stroke: tuple[Segment, ...], layer: str, chord_error: float) -> None:
    """A whole stroke as one POLYLINE: lines and arcs exactly (arcs as bulges), splines as chords."""
    if len(stroke) == 1 and isinstance(stroke[0], Arc) and stroke[0].is_circle:
        _add_segment(space, stroke[0], layer)
        return
    vertices = [vertex for segment in stroke for vertex in _vertices(segment, chord_error)]
    closed = math.dist(stroke[-1].end, stroke[0].start) < 1e-5
    if not closed:
        vertices.append((*stroke[-1].end, 0.0))
    space.add_polyline2d(vertices, format="xyb", close=closed, dxfattribs={"layer": layer})


def _vertices(segment: Segment, chord_error: float) -> list[tuple[float, float, float]]:
    """Vertices x, y and bulge up to the segment's end, which is the next one's start; bulge = tan(sweep / 4)."""
    if isinstance(segment, Arc):
        pieces = 2 if abs(segment.sweep) > math.pi else 1  # a bulge above 1 loses digits
        starts = segment.point([i / pieces for i in range(pieces)])
        return [(float(x), float(y), math.tan(segment.sweep / pieces / 4)) for x, y in starts]
    return [(float(x), float(y), 0.0) for x, y in segment.flattened(chord_error)[:-1]]


def _add_label(space: Modelspace, label: Label, layer: str) -> None:
    text = space.add_text(dxf_text(label.text), height=label.height, dxfattribs={"layer": layer})
    text.set_placement(label.at)
    if label.facts:
        text.set_xdata(APPLICATION, _extended(label.facts))


def _extended(facts: Facts) -> list[tuple[int, str | float]]:
    """Pairs of a key (group code 1000, text) and its value (1000 or 1040, a number)."""
    data: list[tuple[int, str | float]] = [(1000, "name"), (1000, dxf_text(facts.name)[:MOST_LETTERS])]
    for key, value in (("thickness_mm", facts.thickness_mm), ("grain_deg", facts.grain_deg)):
        data += [] if value is None else [(1000, key), (1040, value)]
    return data


def _written(document: Document, identity: uuid.UUID) -> bytes:
    """What ``document.write`` writes, but for the date and the chance in it."""
    document.commit_pending_changes()
    document.update_all()
    document.classes.classes = dict(sorted(document.classes.classes.items()))  # they come from a set
    metadata = document.ezdxf_metadata()
    for key in ("CREATED_BY_EZDXF", "WRITTEN_BY_EZDXF"):
        metadata[key] = "ezdxf"
    for name in TIMES:
        document.header[name] = DATE
    for name in ("$FINGERPRINTGUID", "$VERSIONGUID"):
        document.header[name] = f"{{{identity}}}".upper()
    stream = io.StringIO()
    handles = document.dxfversion != "AC1009" or bool(document.header.get("$HANDLING", 0))
    document.export_sections(TagWriter(stream, write_handles=handles, dxfversion=document.dxfversion))
    data: bytes = document.encode(stream.getvalue())
    return data
