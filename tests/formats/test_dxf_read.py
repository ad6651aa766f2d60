"""DXF read back: our own to a micrometre, other programs' by ezdxf's own curves, and everything that is no outline."""

import io
import math
from collections.abc import Callable

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf.document import Drawing as Document
from ezdxf.layouts import Modelspace
from ezdxf.math import Matrix44
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.formats.drawing import pattern_drawing
from digitize.formats.dxf import DxfForm, dxf_bytes
from digitize.formats.dxf_curves import REDRAWN_MM
from digitize.formats.dxf_read import DrawnParts, read_dxf
from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Arc, Line, Point, Segment, Spline
from tests.helpers import FULL, assert_outlines_equal, bracket, pattern, rounded_plate

SAME_MM = 1e-3  # what a round trip may change: 1 um
EXACT_MM = 1e-9  # rounding of angles in degrees and of decimal places

AREA = 2e-3  # areas are those of polygons, whose chords leave an arc by 5 um

Draw = Callable[[Modelspace, Document], object]


def dxf(draw: Draw, version: str = "R2010", units: int = 4) -> bytes:
    """A DXF as ezdxf writes it."""
    document = ezdxf.new(version, units=units)
    draw(document.modelspace(), document)
    stream = io.StringIO()
    document.write(stream)
    return document.encode(stream.getvalue())


def box(space: Modelspace, x: float = 0.0, y: float = 0.0, width: float = 100.0, height: float = 50.0) -> None:
    corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
    space.add_lwpolyline(corners, close=True)


def read(draw: Draw) -> DrawnParts:
    return read_dxf(dxf(draw))


def refusal(draw: Draw) -> str:
    with pytest.raises(InputError) as caught:
        read(draw)
    return str(caught.value)


@st.composite
def outlines(draw: st.DrawFn) -> Outline:
    """A star-shaped loop of lines, arcs either way and splines, anywhere and any way round, perhaps with a hole."""
    corners = draw(st.integers(3, 7))
    angles = np.cumsum(draw(st.lists(st.floats(0.6, 1.0), min_size=corners, max_size=corners)))
    angles *= 2 * math.pi / angles[-1]
    radii = draw(st.lists(st.floats(50.0, 90.0), min_size=corners, max_size=corners))
    points = [(r * math.cos(a), r * math.sin(a)) for r, a in zip(radii, angles, strict=True)]
    pieces = [draw(segments(a, b)) for a, b in zip(points, points[1:] + points[:1], strict=True)]
    loop = Loop(tuple(pieces))
    hole = Loop(
        (Arc((1.5, -2.0), draw(st.floats(1.0, 8.0)), draw(st.floats(-9.0, 9.0)), draw(st.sampled_from([FULL, -FULL]))),)
    )
    holes = [hole] if draw(st.booleans()) and _apart(loop, hole) else []
    turn, shift = draw(st.floats(-4.0, 4.0)), draw(st.tuples(st.floats(-2000, 2000), st.floats(-2000, 2000)))
    return Outline.of(loop.reversed() if draw(st.booleans()) else loop, holes).moved(turn, shift)


def _apart(loop: Loop, hole: Loop) -> bool:
    """Whether the hole lies inside, and farther from the edge than chords leave their curves."""
    inside = shapely.Polygon(loop.flattened(SAME_MM)).buffer(-1.0)
    return bool(inside.contains(shapely.Polygon(hole.flattened(SAME_MM))))


@st.composite
def segments(draw: st.DrawFn, start: Point, end: Point) -> Segment:
    kind = draw(st.sampled_from(["line", "arc", "spline"]))
    chord = np.subtract(end, start)
    left = np.array([-chord[1], chord[0]])
    if kind == "line":
        return Line(start, end)
    if kind == "arc":
        half = draw(st.floats(0.05, 0.35)) * draw(st.sampled_from([-1.0, 1.0]))
        centre = (np.array(start) + end) / 2 + left / (2 * math.tan(half))
        away = np.subtract(start, centre)
        return Arc((centre[0], centre[1]), float(np.hypot(*away)), math.atan2(away[1], away[0]), 2 * half)
    knots = sorted(draw(st.lists(st.floats(0.1, 0.9), min_size=1, max_size=4)))
    inner = [
        np.array(start) + share * chord + draw(st.floats(-0.08, 0.08)) * left
        for share in np.linspace(0, 1, len(knots) + 4)[1:-1]
    ]
    return Spline((start, *((p[0], p[1]) for p in inner), end), (*[0.0] * 4, *knots, *[1.0] * 4))


@settings(max_examples=60, deadline=None)
@given(outlines(), st.sampled_from(["mm", "inch"]))
def test_a_pattern_comes_back_piece_by_piece(outline: Outline, unit: str) -> None:
    back = read_dxf(dxf_bytes(pattern_drawing([pattern(outline)]), DxfForm(unit)))
    assert back.unit == unit and len(back.outlines) == 1 and back.caveats == ()
    (read,) = back.outlines
    assert [len(loop.segments) for loop in read.loops] == [len(loop.segments) for loop in outline.loops]
    t = np.linspace(0, 1, 25)
    for ours, theirs in zip(outline.segments, read.segments, strict=True):
        assert type(ours) is type(theirs)
        if isinstance(ours, Arc) and ours.is_circle:
            assert math.dist(ours.centre, theirs.centre) < EXACT_MM and abs(ours.radius - theirs.radius) < EXACT_MM
        else:
            assert np.linalg.norm(ours.point(t) - theirs.point(t), axis=1).max() < SAME_MM


@settings(max_examples=20, deadline=None)
@given(outlines(), st.sampled_from([0.1, 0.01]), st.sampled_from(["mm", "inch"]))
def test_r12_comes_back_within_its_chord_error(outline: Outline, chord_error: float, unit: str) -> None:
    data = dxf_bytes(pattern_drawing([pattern(outline)]), DxfForm(unit, chord_error))
    (read,) = read_dxf(data, unit).outlines
    for ours, theirs in zip(outline.loops, read.loops, strict=True):
        exact = shapely.LinearRing(ours.flattened(SAME_MM / 10))
        assert (
            shapely.hausdorff_distance(exact, shapely.LinearRing(theirs.flattened(SAME_MM / 10)))
            < chord_error + SAME_MM
        )


@pytest.mark.parametrize("form", [DxfForm(), DxfForm("inch", 0.01)], ids=["R2010", "R12"])
def test_name_thickness_and_grain_come_back_from_a_dxf_of_ours(form: DxfForm) -> None:
    ours = pattern(bracket(), "Stuhl „Ähre“ 木").model_copy(update={"grain_deg": 30.0})
    facts = read_dxf(dxf_bytes(pattern_drawing([ours]), form), "inch" if form.chord_error_mm else None).facts
    assert facts is not None
    assert (facts.name, facts.thickness_mm, facts.grain_deg) == (ours.name, 6.35, 30.0)


def test_what_nobody_said_stays_unknown() -> None:
    ours = pattern(bracket()).model_copy(update={"thickness_mm": None})
    facts = read_dxf(dxf_bytes(pattern_drawing([ours]))).facts
    assert facts is not None and facts.thickness_mm is None and facts.grain_deg is None
    assert read(lambda m, _: box(m)).facts is None


@pytest.mark.parametrize(("units", "said", "mm"), [(1, "inch", 25.4), (2, "ft", 304.8), (4, "mm", 1), (5, "cm", 10)])
def test_the_drawing_s_own_unit_is_used(units: int, said: str, mm: float) -> None:
    parts = read_dxf(dxf(lambda m, _: box(m, width=3.0, height=2.0), units=units))
    assert parts.unit == said
    assert parts.outlines[0].bounds() == pytest.approx((0.0, 0.0, 3 * mm, 2 * mm))


@pytest.mark.parametrize("data", [dxf(lambda m, _: box(m), units=0), dxf(lambda m, _: m.add_circle((0, 0), 9), "R12")])
def test_an_unknown_unit_is_asked_for_not_guessed(data: bytes) -> None:
    with pytest.raises(InputError, match="does not say its unit: give --unit mm or --unit inch"):
        read_dxf(data)
    millimetres, inches = (read_dxf(data, unit).outlines[0].outer.length for unit in ("mm", "inch"))
    assert inches == pytest.approx(25.4 * millimetres)


def test_a_unit_against_the_drawing_s_own_is_obeyed_and_told() -> None:
    parts = read_dxf(dxf(lambda m, _: box(m), units=1), "mm")
    assert parts.outlines[0].bounds()[2] == pytest.approx(100.0)
    assert "says its unit is inch, and it was read in mm" in str(parts.caveats[0])


def test_pieces_in_any_order_and_direction_make_one_loop() -> None:
    def draw(space: Modelspace, _: Document) -> None:
        space.add_arc((0, 0), 10, 180, 0)  # the lower half, counter-clockwise
        space.add_line((10, 40), (-10, 40))
        space.add_line((10, 40), (10, 0))
        space.add_line((-10, 0), (-10, 40))

    (outline,) = read(draw).outlines
    assert outline.outer.area == pytest.approx(20 * 40 + math.pi * 50, rel=AREA)
    assert sorted(type(s).__name__ for s in outline.segments) == ["Arc", "Line", "Line", "Line"]


def test_holes_and_parts_are_told_apart_by_nesting() -> None:
    def draw(space: Modelspace, _: Document) -> None:
        space.add_circle((30, 25), 3)
        box(space, 20, 15, 20, 20)
        space.add_circle((80, 25), 5)
        box(space, 10, 10, 50, 30)
        box(space)

    sheet, island = read(draw).outlines
    assert sheet.outer.area == pytest.approx(5000) and island.outer.area == pytest.approx(400)
    assert sorted(-h.area for h in sheet.holes) == pytest.approx([math.pi * 25, 1500], rel=AREA)
    assert len(island.holes) == 1


CURVES: dict[str, tuple[Callable[[Modelspace], object], bool]] = {  # and whether it is kept exactly
    "ellipse": (lambda m: m.add_ellipse((30, 0), (30, 0), 0.4, 0, math.pi), False),
    "turned ellipse": (lambda m: m.add_ellipse((30, 0), (30, 0), 0.4, math.pi, FULL, {"extrusion": (0, 0, -1)}), False),
    "round ellipse": (lambda m: m.add_ellipse((30, 0), (30, 0), 1.0, 0, math.pi), True),
    "degree 1": (lambda m: m.add_open_spline([(0, 0), (20, 30), (60, 0)], degree=1), True),
    "degree 2": (lambda m: m.add_open_spline([(0, 0), (10, 40), (40, 20), (60, 0)], degree=2), True),
    "degree 5": (lambda m: m.add_open_spline([(0, 0), (9, 40), (20, 9), (30, 30), (50, 20), (60, 0)], degree=5), False),
    "rational": (lambda m: m.add_rational_spline([(0, 0), (10, 40), (40, 20), (60, 0)], [1, 3, 2, 1]), False),
}


@pytest.mark.parametrize(("draw", "exact"), CURVES.values(), ids=list(CURVES))
def test_curves_of_other_kinds_are_followed(draw: Callable[[Modelspace], object], exact: bool) -> None:
    """Against ezdxf's own flattening of the same entity."""
    entities = []

    def both(space: Modelspace, _: Document) -> None:
        entities.append(draw(space))
        space.add_line((60, 0), (0, 0))

    parts = read(both)
    if hasattr(entities[0], "flattening"):
        theirs = np.array([(p.x, p.y) for p in entities[0].flattening(1e-4, 64)])
        ours = shapely.LinearRing(parts.outlines[0].outer.flattened(1e-4))
        assert shapely.distance(ours, shapely.points(theirs)).max() < REDRAWN_MM
        ring = shapely.LinearRing(theirs)
        assert shapely.distance(ring, shapely.points(np.asarray(ours.coords))).max() < REDRAWN_MM
    assert (parts.caveats == ()) == exact
    if not exact:
        assert "replaced within 0.001 mm" in str(parts.caveats[0])


def test_periodic_splines_become_clamped_ones_of_the_same_shape() -> None:
    entities = []

    def draw(space: Modelspace, _: Document) -> None:
        spline = space.add_spline()
        spline.set_closed([(0, 0, 0), (40, -5, 0), (50, 30, 0), (20, 45, 0), (-10, 25, 0)])
        entities.append(spline)

    parts = read(draw)
    curve = entities[0].construction_tool()
    low, high = curve.knots()[3], curve.knots()[-4]
    theirs = np.array([(p.x, p.y) for p in curve.points(np.linspace(low, high, 200))])
    ours = shapely.LinearRing(parts.outlines[0].outer.flattened(1e-6))
    assert parts.caveats == () and len(parts.outlines[0].segments) == 1
    assert shapely.distance(ours, shapely.points(theirs)).max() < 1e-5


def test_bulges_run_counter_clockwise_where_positive() -> None:
    """bulge = tan(sweep / 4): half rounds of 1 and quarter rounds of tan(22.5 deg)."""
    stadium = read(lambda m, _: m.add_lwpolyline([(0, 0, 0), (40, 0, 1), (40, 20, 0), (0, 20, 1)], "xyb", close=True))
    assert stadium.outlines[0].outer.area == pytest.approx(800 + math.pi * 100, rel=AREA)
    cove = math.tan(math.pi / 8)
    inward = read(
        lambda m, _: m.add_polyline2d([(0, 0, 0), (40, 0, 0), (40, 40, 0), (0, 40, -cove)], "xyb", close=True)
    )
    (arc,) = (s for s in inward.outlines[0].segments if isinstance(s, Arc))
    assert arc.radius == pytest.approx(20 * math.sqrt(2)) and arc.sweep == pytest.approx(-math.pi / 2)


def test_blocks_are_put_in_place_even_mirrored_and_nested() -> None:
    """A quarter-round corner block, doubled in size, mirrored, turned by 90 deg and moved."""

    def draw(space: Modelspace, document: Document) -> None:
        inner = document.blocks.new("inner")
        inner.add_lwpolyline(
            [(0, 0, 0), (30, 0, 0), (30, 10, math.tan(math.pi / 8)), (20, 20, 0), (0, 20, 0)], "xyb", close=True
        )
        outer = document.blocks.new("outer")
        outer.add_blockref("inner", (0, 0))
        outer.add_circle((8, 8), 3)
        space.add_blockref("outer", (500, 100), {"xscale": -2, "yscale": 2, "rotation": 90})

    (outline,) = read(draw).outlines
    assert outline.bounds() == pytest.approx((460.0, 40.0, 500.0, 100.0))
    (hole,) = outline.holes
    assert isinstance(hole.segments[0], Arc) and hole.segments[0].radius == pytest.approx(6.0)
    assert hole.segments[0].centre == pytest.approx((484.0, 84.0))  # (8, 8) -> (-16, 16) -> (-16, -16)
    assert outline.outer.area == pytest.approx(4 * (600 - 100 + math.pi * 100 / 4), rel=AREA)


def test_words_marks_and_construction_are_no_edges() -> None:
    def draw(space: Modelspace, document: Document) -> None:
        box(space)
        document.layers.add("hidden").off()
        space.add_text("keep dry").set_placement((10, 10))
        space.add_mtext("two\nlines", {"insert": (10, 10)})
        space.add_line((-5, -5), (200, 200), {"layer": "construction"})
        space.add_line((-5, 5), (200, -200), {"layer": "Grain"})
        space.add_line((-5, 9), (200, -200), {"layer": "hidden"})
        space.add_point((3, 3))
        space.add_xline((0, 0), (1, 1))

    parts = read(draw)
    assert len(parts.outlines) == 1 and parts.caveats == ()


def test_where_there_is_a_cut_edge_layer_others_are_not_read() -> None:
    def draw(space: Modelspace, _: Document) -> None:
        space.add_lwpolyline([(0, 0), (9, 0), (9, 9)], close=True, dxfattribs={"layer": "cut edge"})
        space.add_circle((7, 3), 1, {"layer": "HOLES"})
        space.add_line((-5, -5), (200, 200), {"layer": "left for the chisel"})

    (outline,) = read(draw).outlines
    assert outline.outer.area == pytest.approx(40.5) and len(outline.holes) == 1


def test_entities_that_cannot_be_read_are_told() -> None:
    def draw(space: Modelspace, _: Document) -> None:
        box(space)
        space.add_3dface([(0, 0), (1, 0), (1, 1), (0, 1)])

    assert "not read (3DFACE)" in str(read(draw).caveats[0])


CURLED = [(0, 0), (10, 10), (10, 0), (0, 20)]
REFUSED: dict[str, tuple[Draw, str]] = {
    "open": (
        lambda m, _: m.add_lwpolyline([(0, 0), (40, 0), (40, 30), (0.0, 0.5)]),
        r"open loop at \(0\.00, 0\.00\) mm.* 0\.5 mm away.* 0\.01 mm",
    ),
    "one line": (lambda m, _: m.add_line((3, 4), (9, 4)), r"open loop at \(3\.00, 4\.00\) mm"),
    "crosses itself": (lambda m, _: m.add_lwpolyline(CURLED, close=True), r"crosses itself at \(6\.67, 6\.67\) mm"),
    "two that cross": (
        lambda m, _: [box(m), box(m, 50, 25)],
        r"cross or touch at \((50\.00, 50\.00|100\.00, 25\.00)\) mm",
    ),
    "branch": (lambda m, _: [box(m), m.add_line((0, 0), (-5, 5))], r"branch at \(0\.00, 0\.00\) mm"),
    "shared edge": (lambda m, _: [box(m), box(m, 100)], r"edge drawn twice at \(100\.00, (0|50)\.00\) mm"),
    "only text": (lambda m, _: m.add_text("bracket"), "holds no edges, only words"),
    "nothing": (lambda m, _: None, "holds no edges"),
    "only solids": (lambda m, _: m.add_3dface([(0, 0), (1, 0), (1, 1)]), "no edges that are read, only 3DFACE"),
    "only points": (
        lambda m, _: m.add_line((3, 4), (3, 4)),
        r"only pieces without length, like at \(3\.00, 4\.00\) mm",
    ),
    "no area": (lambda m, _: m.add_circle((5, 6), 0.004), r"at \(5\.00, 6\.00\) mm that encloses nothing"),
    "fit points": (
        lambda m, _: m.add_spline([(7, 8), (9, 4), (1, 1)]),
        r"spline at \(7\.00, 8\.00\) mm with fit points only",
    ),
    "not flat": (lambda m, _: m.add_line((1, 2, 0), (9, 9, 5)), r"does not lie flat at \(1\.00, 2\.00\) mm"),
    "tilted": (lambda m, _: m.add_circle((0, 0), 5, {"extrusion": (0, 1, 0)}), "does not lie flat"),
    "too large": (lambda m, _: box(m, width=1e5), "read in mm, is 100 m wide and at most 10 m can be"),
    "infinite": (lambda m, _: m.add_circle((0, 0), 1e300), "m wide"),
    "endless blocks": (lambda m, d: endless(m, d), "nests blocks more than 8 deep"),
}


def endless(space: Modelspace, document: Document) -> None:
    block = document.blocks.new("ring")
    block.add_blockref("ring", (0, 0))
    space.add_blockref("ring", (0, 0))


@pytest.mark.parametrize(("draw", "sentence"), REFUSED.values(), ids=list(REFUSED))
def test_what_is_no_outline_is_refused_with_its_place(draw: Draw, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence) as caught:
        read(draw)
    assert "\n" not in str(caught.value)


def test_an_array_of_millions_of_blocks_is_refused_in_time() -> None:
    def draw(space: Modelspace, document: Document) -> None:
        document.blocks.new("empty")
        many = {"row_count": 30000, "column_count": 30000, "row_spacing": 5, "column_spacing": 5}
        space.add_blockref("empty", (0, 0), many)

    assert "more than 50000 entities" in refusal(draw)


@pytest.mark.parametrize(
    ("draw", "told"),
    [
        (lambda m, _: [box(m), m.add_line((7, 8), (7, 8))], "1 piece has no length, at (7.00, 8.00) mm"),
        (lambda m, _: [box(m), m.add_line((100, 0), (0, 0))], "1 piece has been drawn twice, at (100.00, 0.00) mm"),
        (lambda m, _: [box(m), box(m)], "4 pieces have been drawn twice, the first at (0.00, 0.00) mm"),
    ],
)
def test_what_does_no_harm_is_put_right_and_told(draw: Draw, told: str) -> None:
    parts = read(draw)
    assert len(parts.outlines) == 1 and len(parts.outlines[0].segments) == 4
    assert told in str(parts.caveats[0])


@pytest.mark.parametrize("gap", [0.0, 1e-5, 0.006])
def test_small_gaps_are_closed_for_every_pair_of_neighbours(gap: float) -> None:
    """Line to arc, arc to arc, arc to line, line to spline, spline to line, each ``gap`` mm apart."""

    def draw(space: Modelspace, _: Document) -> None:
        space.add_line((0, 0), (40, 0))
        space.add_arc((40 + gap, 20), 20, 270, 0)
        space.add_arc((40 + gap, 20 + gap), 20, 0, 90)
        space.add_line((40, 40 + 2 * gap), (10, 40))
        space.add_open_spline([(10, 40 + gap), (-5, 35), (5, 25), (0, 20)])
        space.add_line((gap, 20), (0, gap))

    (outline,) = read(draw).outlines
    assert len(outline.segments) == 6
    assert outline.outer.area == pytest.approx(read_area(), abs=100 * gap + 0.01)
    smooth = [abs(turn) for turn in outline.outer.turns() if abs(turn) < 0.2]
    assert max(smooth) < 0.01  # no false corner where a gap was closed


def read_area() -> float:
    spline = Spline(((10.0, 40.0), (-5.0, 35.0), (5.0, 25.0), (0.0, 20.0)), (0.0,) * 4 + (1.0,) * 4)
    pieces = (
        Line((0.0, 0.0), (40.0, 0.0)),
        Arc((40.0, 20.0), 20.0, -math.pi / 2, math.pi),
        Line((40.0, 40.0), (10.0, 40.0)),
        spline,
        Line((0.0, 20.0), (0.0, 0.0)),
    )
    return Loop(pieces).area


def test_a_wider_gap_is_not_closed() -> None:
    assert "open loop" in refusal(lambda m, _: m.add_lwpolyline([(0, 0), (40, 0), (40, 30), (0.0, 0.011)]))


GOOD = dxf_bytes(pattern_drawing([pattern(rounded_plate())]))


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "is no DXF drawing"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(1, 256)) * 9, "is no DXF drawing"),
        (b"SECTION\0" * 9, "is a binary file"),
        (GOOD[: len(GOOD) // 2], "is damaged"),
        (b"  0\nSECTION\n" * 3_000_000, "has 36 MB and at most 16 MB are read"),
        (GOOD.replace(b" 40\n8.0\n", b" 40\nnan\n"), "a coordinate is no number"),
    ],
    ids=["empty", "picture", "binary", "cut off", "huge", "no number"],
)
def test_damaged_files_are_refused_with_one_sentence(data: bytes, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        read_dxf(data)


LINES = GOOD.split(b"\n")
ODD = [b"nan", b"inf", b"-1", b"0", b"1e308", b"", b"x", b"  5", b" 70", b"99999999", b"\xff", b"SPLINE", b"LWPOLYLINE"]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(LINES.index(b"ENTITIES") - 20, len(LINES) - 40), st.sampled_from([*ODD, None])),
        min_size=1,
        max_size=3,
    )
)
def test_no_damage_crashes_the_reader(damages: list[tuple[int, bytes | None]]) -> None:
    """Lines replaced or dropped among the entities: an outline or our own error, nothing else."""
    lines: list[bytes | None] = list(LINES)
    for at, put in damages:
        lines[at] = put
    try:
        assert read_dxf(b"\n".join(line for line in lines if line is not None)).outlines
    except InputError as error:
        assert str(error).count("\n") == 0


def test_a_drawing_of_two_parts_keeps_both() -> None:
    both = [pattern(bracket(), "left"), pattern(rounded_plate().moved(0.0, (200.0, 0.0)), "right")]
    parts = read_dxf(dxf_bytes(pattern_drawing(both)))
    assert parts.facts is None
    for ours, theirs in zip(both, parts.outlines, strict=True):
        assert_outlines_equal(ours.outline, theirs, SAME_MM)


def test_the_grain_turns_with_a_drawing_that_was_turned_elsewhere() -> None:
    ours = pattern(bracket()).model_copy(update={"grain_deg": 170.0})
    document = ezdxf.read(io.StringIO(dxf_bytes(pattern_drawing([ours])).decode()))
    for entity in document.modelspace():
        entity.transform(Matrix44.z_rotate(math.radians(25.0)))
    stream = io.StringIO()
    document.write(stream)
    parts = read_dxf(document.encode(stream.getvalue()))
    assert parts.facts is not None and parts.facts.grain_deg == pytest.approx(15.0)
    assert_outlines_equal(parts.outlines[0], bracket().moved(math.radians(25.0), (0.0, 0.0)), SAME_MM)
