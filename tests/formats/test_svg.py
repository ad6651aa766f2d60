"""SVG drawn by resvg, an independent renderer, and measured: scale, place and every curve."""

import io
import math
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt
import pytest
import resvg_py
from PIL import Image
from scipy.spatial import cKDTree

from digitize.formats.drawing import Drawing, Label, Layer, pattern_drawing
from digitize.formats.svg import MARGIN_MM, svg_bytes
from digitize.model.outline import Loop, Outline
from digitize.model.segment import Line
from tests.helpers import bracket, pattern, rounded_plate

PX_PER_MM = 10
DPI = 25.4 * PX_PER_MM
SCALE_TOL = 2e-4  # asked for: 0.02 %
LINE_PX = 2.0  # half a drawn line and its soft rim
INK = 128
SVG = "{http://www.w3.org/2000/svg}"

Ink = npt.NDArray[np.float64]


def rendered(data: bytes) -> Ink:
    """(H, W) 0 white .. 255 black."""
    picture = resvg_py.svg_to_bytes(svg_string=data.decode(), dpi=DPI, background="white")
    return 255.0 - np.asarray(Image.open(io.BytesIO(bytes(picture))).convert("L"), dtype=float)


def rectangle(width: float, height: float) -> Outline:
    corners = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    return Outline.of(Loop(tuple(Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True))))


def test_scale_is_true_both_ways() -> None:
    """Between the middles of opposite lines of a 150 x 100 mm rectangle, from the unit of width and height."""
    ink = rendered(svg_bytes(pattern_drawing([pattern(rectangle(150.0, 100.0))])))
    for band, length in ((ink[300:900].mean(axis=0), 150.0), (ink[:, 300:900].mean(axis=1), 100.0)):
        lines = np.flatnonzero(band > 20)
        first, second = np.split(lines, np.flatnonzero(np.diff(lines) > 100) + 1)[:2]
        apart = np.average(second, weights=band[second]) - np.average(first, weights=band[first])
        assert apart / PX_PER_MM == pytest.approx(length, rel=SCALE_TOL)


@pytest.mark.parametrize("outline", [bracket(), rounded_plate(), bracket().moved(2.345, (-345.6, 1234.5))])
def test_every_curve_is_drawn_where_it_is(outline: Outline) -> None:
    drawing = pattern_drawing([pattern(outline)])
    bare = Drawing(drawing.layers[:2])
    ink = rendered(svg_bytes(bare))
    x0, _, _, y1 = outline.bounds()
    row, column = np.nonzero(ink > INK)
    drawn = np.stack([(column + 0.5) / PX_PER_MM + x0 - MARGIN_MM, y1 + MARGIN_MM - (row + 0.5) / PX_PER_MM], axis=1)
    exact = np.vstack([s.point(np.linspace(0, 1, 4000)) for s in outline.segments])
    assert cKDTree(exact).query(drawn)[0].max() < LINE_PX / PX_PER_MM
    assert cKDTree(drawn).query(exact)[0].max() < LINE_PX / PX_PER_MM


def test_layers_are_groups_and_loops_are_closed() -> None:
    grained = pattern(bracket()).model_copy(update={"grain_deg": 30.0})
    root = ElementTree.fromstring(svg_bytes(pattern_drawing([grained])))
    assert [g.get("id") for g in root] == ["cut-edge", "holes", "marks", "grain"]
    edge, hole = (root[i].findall(f"{SVG}path") for i in (0, 1))
    assert len(edge) == len(hole) == 1
    d = edge[0].get("d")
    assert d is not None and d.startswith("M 0 0 L 70 0 L 120 0 A 50 50 0 0 0 ") and d.endswith(" 0 0 Z")
    assert root.get("width") == "180mm" and root.get("viewBox") == "-5 -105 180 125"


def test_splines_are_exact_and_not_refitted() -> None:
    """De Casteljau on the numbers in the file against the B-spline itself."""
    root = ElementTree.fromstring(svg_bytes(pattern_drawing([pattern(bracket())])))
    d = str(root[0].find(f"{SVG}path").get("d"))  # type: ignore[union-attr]
    numbers = [float(n) for curve in d.split("C ")[1:] for n in curve.replace(" Z", "").split()]
    control = np.array([0.0, -100.0, *numbers]).reshape(-1, 2) * [1, -1]
    spline = bracket().outer.segments[4]
    breaks = [0.0, 0.37, 0.71, 1.0]
    for i, (a, b) in enumerate(pairwise(breaks)):
        p = control[3 * i : 3 * i + 4]
        for t in (0.2, 0.5, 0.9):
            q = p
            while len(q) > 1:
                q = q[:-1] * (1 - t) + q[1:] * t
            assert math.dist(q[0], spline.point(a + t * (b - a))[0]) < 2e-6  # six decimals


def test_awkward_words_do_not_break_the_file() -> None:
    label = Label("<Stuhl> & „Ähre“ 木 \x07\n]]>", (0.0, 0.0))
    layer = Layer('marks "1" <&>', (0, 0, 0), labels=(label,))
    root = ElementTree.fromstring(svg_bytes(Drawing((layer,))))
    (text,) = root.iter(f"{SVG}text")
    assert text.text == "<Stuhl> & „Ähre“ 木   ]]>"
    assert rendered(svg_bytes(Drawing((layer,)))).size > 0


def test_the_same_drawing_gives_the_same_bytes() -> None:
    assert svg_bytes(pattern_drawing([pattern(bracket())])) == svg_bytes(pattern_drawing([pattern(bracket())]))
