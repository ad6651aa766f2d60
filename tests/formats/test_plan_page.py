"""The page to pin over the bench: one page, all of it on the paper, letters large enough, lines told apart in grey."""

import io

import numpy as np
import pypdfium2
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

from digitize.formats.paper import INCH_MM, PAPERS, blank_page, parse_paper
from digitize.formats.plan_page import LEAST_PT, plan_pdf, plan_png
from digitize.formats.plan_picture import draw_plan
from digitize.shop.plan import plan
from tests.helpers import bracket
from tests.shop.parts import disc, polygon, prong, spike

ARM_MM = 2.0  # capitals at arm's length: 10 minutes of arc at 0.7 m
CAPITAL = 0.729  # of the font size, in DejaVu Sans
MARGIN_MM = 5.0  # kept white: what no printer reaches


def planned(outline, **options):
    return plan(outline, **{"grain_deg": 20.0, "stock_mm": 19.0, "pattern_mm": 12.0, **options})


def comb():
    """Nine slots of 8 x 45: forty edges, and more runs and places than the page has room for."""
    x = [0.0]
    for i in range(9):
        x += [16 + 18 * i, 24 + 18 * i]
    top = (
        [(0, 70)]
        + [p for a, b in zip(x[1::2], x[2::2], strict=True) for p in ((a, 70), (a, 25), (b, 25), (b, 70))]
        + [(180, 70)]
    )
    return polygon((0, 0), (180, 0), *top[::-1])


CASES = {
    "bracket": (bracket(), {}),
    "tall": (polygon((0, 0), (60, 0), (40, 400), (0, 400)), {"machine": "hand"}),
    "comb": (comb(), {"grain_deg": 0.0}),
    "spike": (spike(), {"grain_deg": 90.0, "flipped": True}),
    "no grain, empty rack": (disc(80, hole=40), {"grain_deg": None, "cutters": [], "stock_mm": None}),
}


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("case", CASES)
def test_everything_stands_on_one_page(case, paper):
    outline, options = CASES[case]
    page = pypdfium2.PdfDocument(plan_pdf(planned(outline, **options), case, parse_paper(paper)))
    assert len(page) == 1
    width, height = page[0].get_size()
    assert (width / 72 * INCH_MM, height / 72 * INCH_MM) == pytest.approx(PAPERS[paper], abs=0.2)
    text = page[0].get_textpage()
    for i in range(text.count_chars()):
        left, low, right, high = (v / 72 * INCH_MM for v in text.get_charbox(i))
        if right > left:
            assert left > MARGIN_MM and low > MARGIN_MM
            assert right < PAPERS[paper][0] - MARGIN_MM and high < PAPERS[paper][1] - MARGIN_MM
    words = text.get_text_range()
    assert case in words and "The machine's manual" in words and "Runs, in this order" in words


def test_letters_are_read_at_arms_length():
    assert LEAST_PT * CAPITAL / 72 * INCH_MM > ARM_MM


def test_lines_of_text_do_not_run_into_each_other():
    page = pypdfium2.PdfDocument(plan_pdf(planned(comb(), grain_deg=0.0), "comb", parse_paper("A4")))
    text = page[0].get_textpage()
    boxes = np.array([text.get_rect(i) for i in range(text.count_rects())]) / 72 * INCH_MM
    boxes = boxes[boxes[:, 2] - boxes[:, 0] > 30.0]  # lines of the tables, not single letters of the drawing
    for k, (left, low, right, high) in enumerate(boxes):
        others = np.delete(boxes, k, axis=0)
        wide = np.minimum(right, others[:, 2]) - np.maximum(left, others[:, 0])
        tall = np.minimum(high, others[:, 3]) - np.maximum(low, others[:, 1])
        assert not ((wide > 0.5) & (tall > 0.5)).any()


def test_ordinary_and_climb_are_told_apart_in_grey_by_their_dashes():
    """Of a disc's quadrants along x an ordinary one is drawn without gaps, a climb cut with many."""
    figure, axes = blank_page((120.0, 120.0), (0.0, 0.0))
    scale = draw_plan(axes, planned(disc(75.0), grain_deg=0.0, machine="hand"), (0.0, 0.0, 120.0, 120.0))
    FigureCanvasAgg(figure)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=254)
    grey = np.asarray(Image.open(stream).convert("L"), dtype=float)
    gaps = {}
    for feed, degrees in (("ordinary", (-25, -10)), ("climb", (-170, -155))):
        angle, radius = np.radians(np.linspace(*degrees, 400)), 10 * 75.0 * scale
        rows, columns = grey.shape[0] - 600 - radius * np.sin(angle), 600 + radius * np.cos(angle)
        light = grey[np.round(rows).astype(int), np.round(columns).astype(int)] > 200
        gaps[feed] = int(np.count_nonzero(np.diff(light.astype(int)) > 0))
    assert gaps["ordinary"] == 0 and gaps["climb"] >= 4


def test_a_fragile_tip_is_marked():
    """The sign's yellow appears in the drawing only where there is something fragile."""
    counts = []
    for degrees in (0.0, 90.0):
        rgb = np.asarray(
            Image.open(io.BytesIO(plan_png(planned(prong(), grain_deg=degrees), "part", parse_paper("A4")))).convert(
                "RGB"
            ),
            int,
        )
        counts.append(np.count_nonzero(np.abs(rgb - [255, 216, 61]).max(axis=2) < 6))
    assert counts[0] > counts[1] + 200
