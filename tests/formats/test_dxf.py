"""DXF: written by us, checked by ezdxf's audit, read back by GDAL, an independent reader."""

import io
import math
from pathlib import Path

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf.document import Drawing as Document

from digitize.formats.drawing import pattern_drawing
from digitize.formats.dxf import dxf_bytes
from digitize.model.outline import Outline
from digitize.model.segment import Arc, Line, Points, Segment
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
    return ezdxf.read(io.StringIO(data.decode("utf-8")))


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


def test_awkward_names_do_not_break_the_file() -> None:
    awkward = pattern(bracket(), "Stuhl „Ähre“ 木\n0\nEOF\r\t%%c")
    document = read(dxf_bytes(pattern_drawing([awkward])))
    assert document.audit().errors == [] and len(document.modelspace()) == 7
