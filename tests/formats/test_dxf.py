"""DXF: written by us, checked by ezdxf's audit, read back by GDAL, an independent reader."""

import io
import math
import os
import subprocess
import sys
from pathlib import Path

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf.document import Drawing as Document
from ezdxf.entities import DXFGraphic
from ezdxf.lldxf.encoding import decode_dxf_unicode

from digitize.fitting.biarc import arcs_outline
from digitize.formats.drawing import pattern_drawing
from digitize.formats.dxf import DxfForm, dxf_bytes, dxf_text
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Points, Segment, Spline
from tests.helpers import bracket, distances, pattern, rounded_plate

SAME_MM = 1e-3  # what another reader may differ by: 1 um
WRITTEN_MM = 1e-9  # decimal places of the file
GAP_MM = 1e-9  # between neighbours: rounding of angles in degrees

OUTLINES = {
    "bracket": bracket(),
    "plate": rounded_plate(),
    "turned and moved": bracket().moved(2.345, (-345.678, 1234.567)),
}
outlines = pytest.mark.parametrize("outline", OUTLINES.values(), ids=list(OUTLINES))


def read(data: bytes) -> Document:
    return ezdxf.read(io.StringIO(data.decode("cp1252" if b"AC1009" in data[:200] else "utf-8")))


def entities(document: Document) -> list[tuple[str, str]]:
    return [(e.dxftype(), e.dxf.layer) for e in document.modelspace()]


def gdal_curves(data: bytes, path: Path, layer: str) -> list[Points]:
    """The curves of one layer as GDAL sees them, finely flattened by GDAL itself."""
    path.write_bytes(data)
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": "0.25"})
    try:
        _, _, shapes, columns = pyogrio.raw.read(path, columns=["Layer"])
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": None})
    curves = [shapely.from_wkb(shape) for shape, name in zip(shapes, columns[0], strict=True) if name == layer]
    return [np.asarray(curve.coords)[:, :2] for curve in curves]


@outlines
def test_audit_finds_no_errors_and_mends_nothing(outline: Outline) -> None:
    document = read(dxf_bytes(pattern_drawing([pattern(outline)])))
    audit = document.audit()
    assert audit.errors == [] and audit.fixes == []
    assert document.dxfversion == "AC1024"  # R2010
    assert document.header["$INSUNITS"] == 4 and document.header["$MEASUREMENT"] == 1  # millimetres, metric


def test_each_segment_becomes_the_entity_it_is_on_the_layer_of_its_meaning() -> None:
    found = entities(read(dxf_bytes(pattern_drawing([pattern(bracket())]))))
    outer = ["LINE", "LINE", "ARC", "LINE", "SPLINE"]
    assert found == [*((kind, "cut edge") for kind in outer), ("CIRCLE", "holes"), ("TEXT", "marks")]


def test_two_parts_share_one_drawing_and_nothing_is_drawn_twice() -> None:
    both = [pattern(bracket(), "left"), pattern(rounded_plate().moved(0.0, (200.0, 0.0)), "right")]
    document = read(dxf_bytes(pattern_drawing(both)))
    drawn = [
        tuple(sorted((k, str(v)) for k, v in e.dxfattribs().items() if k != "handle")) for e in document.modelspace()
    ]
    assert len(drawn) == len(set(drawn)) == sum(len(p.outline.segments) + 1 for p in both)


@outlines
def test_gdal_reads_the_same_geometry_to_a_micrometre(outline: Outline, tmp_path: Path) -> None:
    data = dxf_bytes(pattern_drawing([pattern(outline)]))
    curves = gdal_curves(data, tmp_path / "part.dxf", "cut edge") + gdal_curves(data, tmp_path / "part.dxf", "holes")
    assert len(curves) == len(outline.segments)
    for curve, segment in zip(curves, outline.segments, strict=True):
        assert distances(curve, segment).max() < SAME_MM  # each of GDAL's vertices lies on our exact curve
        ends, read_ends = np.array([segment.start, segment.end]), curve[[0, -1]]
        apart = min(np.abs(ends - read_ends).max(), np.abs(ends[::-1] - read_ends).max())
        assert apart < SAME_MM or (isinstance(segment, Arc) and segment.is_circle)
        assert_covers(curve, segment)


def assert_covers(curve: Points, segment: Segment) -> None:
    """GDAL's chain misses no stretch of ours: no point of ours is farther from it than its own chords allow."""
    ours = segment.point(np.linspace(0, 1, 500))
    off = shapely.distance(shapely.LineString(curve), shapely.points(ours)).max()
    longest = np.linalg.norm(np.diff(curve, axis=0), axis=1).max()
    if isinstance(segment, Line):
        assert off < SAME_MM
    elif isinstance(segment, Arc):
        sagitta = segment.radius - math.sqrt(segment.radius**2 - longest**2 / 4)
        assert off < sagitta + SAME_MM and sagitta < SAME_MM
    else:
        assert off < SPLINE_CHORD_MM


SPLINE_CHORD_MM = 0.25  # GDAL's splines are coarse: eight chords for each control point


@outlines
def test_loops_are_closed_in_the_file_itself(outline: Outline) -> None:
    """Ends of neighbours from the numbers in the file, by ezdxf."""
    ends = []
    for entity in read(dxf_bytes(pattern_drawing([pattern(outline)]))).modelspace():
        if entity.dxftype() == "LINE":
            ends += [entity.dxf.start, entity.dxf.end]
        elif entity.dxftype() == "ARC":
            ends += [entity.start_point, entity.end_point]
        elif entity.dxftype() == "SPLINE":
            control = entity.control_points
            assert entity.dxf.degree == 3 and len(entity.knots) == len(control) + 4 and not len(entity.fit_points)
            ends += [control[0], control[-1]]
    points = np.array([tuple(p)[:2] for p in ends])
    apart = np.linalg.norm(points[:, None] - points[None], axis=2) + 1e9 * np.eye(len(points))
    assert (np.sort(apart, axis=1)[:, 0] < GAP_MM).all()
    assert ((apart < GAP_MM).sum(axis=1) == 1).all()  # each end has exactly one neighbour


def test_control_points_and_knots_are_written_exactly() -> None:
    outline = OUTLINES["turned and moved"]
    ours = outline.outer.segments[4]
    (theirs,) = read(dxf_bytes(pattern_drawing([pattern(outline)]))).modelspace().query("SPLINE")
    assert np.allclose(np.array(theirs.control_points)[:, :2], ours.control, rtol=0, atol=WRITTEN_MM)
    assert np.allclose(theirs.knots, ours.knots, rtol=0, atol=1e-12)


@outlines
def test_ends_of_lines_and_splines_are_those_of_their_neighbours_to_the_bit(outline: Outline) -> None:
    """As a reader finds them: an arc's ends from its centre, radius and angles in degrees."""
    loop = list(read(dxf_bytes(pattern_drawing([pattern(outline)]))).modelspace().query("LINE ARC SPLINE"))
    loop = loop[: len(outline.outer.segments)]
    for entity, following in zip(loop, loop[1:] + loop[:1], strict=True):
        if {entity.dxftype(), following.dxftype()} <= {"LINE", "SPLINE"}:
            assert ends_of(entity)[1] == ends_of(following)[0]
        else:
            apart = [math.dist(a, b) for a in ends_of(entity) for b in ends_of(following)]
            assert min(apart) < ROUNDING_MM


ROUNDING_MM = 1e-12  # two programs' cosines, at a metre


def ends_of(entity: DXFGraphic) -> list[tuple[float, float]]:
    if entity.dxftype() == "LINE":
        return [(entity.dxf.start.x, entity.dxf.start.y), (entity.dxf.end.x, entity.dxf.end.y)]
    if entity.dxftype() == "SPLINE":
        return [(p[0], p[1]) for p in (entity.control_points[0], entity.control_points[-1])]
    centre, radius = entity.dxf.center, entity.dxf.radius
    angles = [math.radians(a) for a in (entity.dxf.start_angle, entity.dxf.end_angle)]
    return [(centre.x + radius * math.cos(a), centre.y + radius * math.sin(a)) for a in angles]


FORMS = {
    "R2010 inch": (DxfForm("inch"), 0.0),
    "R12": (DxfForm(chord_error_mm=0.01), 0.01),
    "R12 inch": (DxfForm("inch", chord_error_mm=0.05), 0.05),
}


@pytest.mark.parametrize(("form", "chord_error"), FORMS.values(), ids=list(FORMS))
@outlines
def test_other_forms_draw_the_same_for_gdal_and_pass_the_audit(
    outline: Outline, form: DxfForm, chord_error: float, tmp_path: Path
) -> None:
    data = dxf_bytes(pattern_drawing([pattern(outline)]), form)
    audit = read(data).audit()
    assert audit.errors == [] and audit.fixes == []
    unit = 25.4 if form.unit == "inch" else 1.0
    names = ("CUT_EDGE", "HOLES") if form.chord_error_mm else ("cut edge", "holes")
    for layer, segments in zip(names, (outline.outer.segments, outline.holes[0].segments), strict=True):
        curves = [curve * unit for curve in gdal_curves(data, tmp_path / "part.dxf", layer)]
        ring = shapely.LinearRing(Loop(segments).flattened(SAME_MM / 100))
        assert shapely.distance(ring, shapely.points(np.vstack(curves))).max() < SAME_MM + chord_error
        drawn = shapely.union_all([shapely.LineString(c) for c in curves])
        for segment in segments:
            off = shapely.distance(drawn, shapely.points(segment.point(np.linspace(0, 1, 200)))).max()
            coarse = SPLINE_CHORD_MM if isinstance(segment, Spline) and not chord_error else SAME_MM
            assert off < chord_error + coarse


def test_r12_holds_polylines_and_says_its_unit_and_its_chord_error() -> None:
    document = read(dxf_bytes(pattern_drawing([pattern(bracket())]), DxfForm("inch", chord_error_mm=0.02)))
    assert document.dxfversion == "AC1009"
    assert entities(document) == [("POLYLINE", "CUT_EDGE"), ("CIRCLE", "HOLES"), ("TEXT", "MARKS"), ("TEXT", "MARKS")]
    (loop,) = document.modelspace().query("POLYLINE")
    assert loop.is_closed
    words = [t.dxf.text for t in document.modelspace().query("TEXT")]
    assert words[1] == "Unit: inch. Free curves as chords within 0.02 mm."


def test_in_inches_header_and_coordinates_say_so() -> None:
    document = read(dxf_bytes(pattern_drawing([pattern(bracket())]), DxfForm("inch")))
    assert document.header["$INSUNITS"] == 1 and document.header["$MEASUREMENT"] == 0
    (circle,) = document.modelspace().query("CIRCLE")
    assert circle.dxf.radius == pytest.approx(17.5 / 25.4, rel=1e-12)


def test_arcs_only_holds_no_splines_and_stays_within_its_tolerance(tmp_path: Path) -> None:
    outline = OUTLINES["turned and moved"]
    arcs = arcs_outline(outline, ARCS_MM)
    data = dxf_bytes(pattern_drawing([pattern(arcs)]))
    assert {kind for kind, layer in entities(read(data)) if layer != "marks"} == {"LINE", "ARC", "CIRCLE"}
    curves = gdal_curves(data, tmp_path / "part.dxf", "cut edge")
    ring = shapely.LinearRing(outline.outer.flattened(SAME_MM / 100))
    assert shapely.distance(ring, shapely.points(np.vstack(curves))).max() < ARCS_MM + SAME_MM


ARCS_MM = 0.02


def test_the_same_pattern_gives_the_same_bytes_in_any_run() -> None:
    """Sets keep another order in another run, and the clock runs on."""
    script = (
        "import sys; from digitize.formats.drawing import pattern_drawing; from tests.helpers import *;"
        "from digitize.formats.dxf import DxfForm, dxf_bytes;"
        "forms = DxfForm(), DxfForm('inch', chord_error_mm=0.01);"
        "sys.stdout.buffer.write(b'|'.join(dxf_bytes(pattern_drawing([pattern(bracket())]), f) for f in forms))"
    )
    environment = {**os.environ, "PYTHONHASHSEED": "20"}
    again = subprocess.run([sys.executable, "-c", script], env=environment, capture_output=True, check=True)
    forms = DxfForm(), DxfForm("inch", chord_error_mm=0.01)
    assert again.stdout.split(b"|") == [dxf_bytes(pattern_drawing([pattern(bracket())]), form) for form in forms]


def test_another_pattern_has_another_identity() -> None:
    ids = {read(dxf_bytes(pattern_drawing([pattern(o)]))).header["$FINGERPRINTGUID"] for o in OUTLINES.values()}
    assert len(ids) == len(OUTLINES)


def test_the_grain_is_an_arrow_on_its_own_layer() -> None:
    grained = pattern(bracket()).model_copy(update={"grain_deg": 30.0})
    lines = read(dxf_bytes(pattern_drawing([grained]))).modelspace().query('LINE[layer=="grain"]')
    (shaft, *barbs) = sorted(lines, key=lambda e: -(e.dxf.end - e.dxf.start).magnitude)
    assert (shaft.dxf.end - shaft.dxf.start).angle_deg % 180 == pytest.approx(30.0)
    assert len(barbs) == 4
    assert all(bracket().polygon().contains(shapely.Point(e.dxf.start.x, e.dxf.start.y)) for e in lines)


@pytest.mark.parametrize("form", [DxfForm(), DxfForm(chord_error_mm=0.01)], ids=["R2010", "R12"])
def test_awkward_names_do_not_break_the_file(form: DxfForm) -> None:
    name = "Stuhl „Ähre“ 木\n0\nEOF\r\t%%c ^J \\U+0041"
    document = read(dxf_bytes(pattern_drawing([pattern(bracket(), name)]), form))
    assert document.audit().errors == [] and len(document.modelspace()) in (7, 4)
    (label, *_) = document.modelspace().query("TEXT")
    text = decode_dxf_unicode(label.dxf.text)
    assert text == f"{dxf_text(name)}, 6.35 mm thick"
    assert text == "Stuhl „Ähre“ 木 0 EOF  % %c 'J /U+0041, 6.35 mm thick"
