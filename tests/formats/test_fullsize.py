"""Patterns on paper, judged from outside: rendered and read by PDFium, measured in millimetres."""

from functools import cache

import numpy as np
import numpy.typing as npt
import pypdfium2
import pypdfium2.raw
import pytest
import shapely
from scipy.spatial import cKDTree

from digitize.formats.fullsize import ADVICE, arranged, fullsize_pdf
from digitize.formats.paper import PAPERS, PRINTABLE_MM, Paper, parse_paper
from digitize.formats.tiling import BELOW_MM, LEFT_MM, MOST_PAGES, OVERLAP_MM, layout, room_for
from digitize.model.errors import InputError
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Line
from tests.formats.test_svg import rectangle
from tests.helpers import bracket, pattern

PX_PER_MM = 6
SCALE_TOL = 2e-4  # asked for: 0.02 %
PAPER_TOL_MM = 0.01
LINE_MM = 0.3  # half a drawn line and its soft rim
POINT_MM = 25.4 / 72
LEFT, BELOW = PRINTABLE_MM + LEFT_MM, PRINTABLE_MM + BELOW_MM  # of the window on its page

Ink = npt.NDArray[np.uint8]


def marked(outline: Outline) -> Pattern:
    words = {"grain_deg": 30.0, "notes": "Mind the worn tip.", "stock": "oak, rack 3"}
    return pattern(outline, "gable bracket").model_copy(update=words)


@cache
def pages(name: str) -> tuple[Pattern, Paper, bytes]:
    """Each PDF is made once: a part on one page, over A4 pages, on A3, from a roll, and one too thin for its words."""
    made = {
        "one": (marked(bracket()), "A4"),
        "A4": (marked(enlarged(bracket())), "A4"),
        "A3": (marked(enlarged(bracket())), "A3"),
        "roll": (marked(enlarged(bracket())), "roll:24in"),
        "thin": (marked(rectangle(260.0, 6.0)), "Letter"),
    }
    subject, paper = made[name]
    return subject, parse_paper(paper), fullsize_pdf(subject, parse_paper(paper))


def enlarged(outline: Outline) -> Outline:
    """Its half round and its sweep, 200 mm farther apart, and 250 mm higher up."""
    arc, sweep = outline.outer.segments[2], outline.outer.segments[4]
    far = arc.moved(0.0, (200.0, 0.0))
    pieces = (Line((0.0, 0.0), far.start), far, Line(far.end, (0.0, 100.0)), sweep)
    return Outline.of(Loop(pieces), outline.holes).moved(0.6, (0.0, 250.0))


@cache
def rendered(data: bytes, page: int = 0) -> Ink:
    """(H, W) 0 white .. 255 black, PX_PER_MM."""
    picture = pypdfium2.PdfDocument(data)[page].render(scale=PX_PER_MM * POINT_MM, grayscale=True)
    return np.asarray(255 - picture.to_numpy().squeeze())


def inked(ink: Ink) -> npt.NDArray[np.float64]:
    """Dark points, (N, 2) mm from the paper's lower left."""
    row, column = np.nonzero(ink > 60)
    return np.stack([column + 0.5, len(ink) - row - 0.5], axis=1) / PX_PER_MM


def test_scale_is_true_both_ways() -> None:
    data = fullsize_pdf(pattern(rectangle(180.0, 250.0)), parse_paper("A4"))
    ink = rendered(data)
    size = np.array(pypdfium2.PdfDocument(data)[0].get_size()) * POINT_MM
    mm_per_px = size / ink.shape[::-1]  # the renderer stretches the page to whole pixels
    for band, length, mm in (
        (ink[840:960].mean(axis=0), 180.0, mm_per_px[0]),
        (ink[:, 780:900].mean(axis=1), 250.0, mm_per_px[1]),
    ):
        lines = np.flatnonzero(band > 20)
        groups = np.split(lines, np.flatnonzero(np.diff(lines) > 5) + 1)
        middles = np.array([np.average(g, weights=band[g]) for g in groups]) * mm
        apart = np.abs(middles[:, None] - middles[None])
        assert np.abs(apart - length).min() < SCALE_TOL * length


@pytest.mark.parametrize("name", ["one", "A4", "A3", "roll"])
def test_every_page_shows_its_share_of_the_outline_in_place(name: str) -> None:
    subject, paper, data = pages(name)
    tiles = arranged(subject, paper)[1].tiles
    exact = np.vstack([s.point(np.linspace(0, 1, 3000)) for s in subject.outline.segments])
    shown = np.zeros(len(exact), int)
    for number, tile in enumerate(tiles):
        drawn = inked(rendered(data, number)) - (LEFT, BELOW) + tile.corner
        here = shapely.contains_xy(tile.box.buffer(-LINE_MM), *exact.T)
        shown += here
        if here.any():
            assert cKDTree(drawn).query(exact[here])[0].max() < LINE_MM
    assert shown.min() >= 1
    assert (shown.max() > 1) == (len(tiles) > 1)  # some of it on two pages, where they overlap


def test_neighbouring_pages_carry_the_same_register_marks() -> None:
    """In the overlap both pages have the same ink, but for their own words beside the line."""
    subject, paper, data = pages("A4")
    tiles = arranged(subject, paper)[1].tiles
    first, second = tiles[0], tiles[1]
    assert second.column == 1
    x0, x1 = second.corner[0], second.corner[0] + OVERLAP_MM
    crops = []
    for number, tile in enumerate((first, second)):
        points = inked(rendered(data, number)) - (LEFT, BELOW) + tile.corner
        middle = abs(points[:, 0] - (x0 + x1) / 2) < 4.2  # a cross reaches so far
        own = abs(points[:, 1] - tile.corner[1] - tile.layout.window[1] / 2) < 15  # the words
        up = points[:, 1] - tile.corner[1]
        crops.append(points[middle & ~own & (up > OVERLAP_MM) & (up < tile.layout.window[1] - OVERLAP_MM)])
    assert len(crops[0]) > 200
    for one, other in (crops, crops[::-1]):
        assert cKDTree(one).query(other)[0].max() < LINE_MM
    crosses = np.histogram(crops[0][:, 1] - first.corner[1], bins=60, range=(0, first.layout.window[1]))[0]
    assert (crosses > 1.5 * np.median(crosses)).sum() >= 2


@pytest.mark.parametrize("name", ["one", "A4", "A3", "roll", "thin"])
def test_check_lines_of_every_page_are_true(name: str) -> None:
    _, _, data = pages(name)
    for number in range(len(pypdfium2.PdfDocument(data))):
        ink = rendered(data, number)
        size = np.array(pypdfium2.PdfDocument(data)[number].get_size()) * POINT_MM
        scale = size / ink.shape[::-1]
        across = ink[len(ink) - round((BELOW - 3.0 + 1.0) * PX_PER_MM)][: round((LEFT + 155) * PX_PER_MM)]
        up = ink[: len(ink) - round((BELOW - 1.0) * PX_PER_MM), round((LEFT - 3.5 + 1.0) * PX_PER_MM)][::-1]
        for band, mm, most in ((across, scale[0], 155.0), (up, scale[1], 152.0)):
            band = band[: round((most + max(LEFT, BELOW)) * PX_PER_MM)]
            ticks = np.flatnonzero(band > 40)
            groups = np.split(ticks, np.flatnonzero(np.diff(ticks) > 3) + 1)
            places = np.array([np.average(g, weights=band[g]) for g in groups]) * mm
            apart = np.abs(places[:, None] - places[None] - 150.0).min()
            assert apart < SCALE_TOL * 150.0


@pytest.mark.parametrize("name", ["one", "A4", "A3", "roll", "thin"])
def test_nothing_is_printed_outside_what_printers_reach(name: str) -> None:
    data = pages(name)[2]
    for number in range(len(pypdfium2.PdfDocument(data))):
        ink = rendered(data, number)
        edge = int(PRINTABLE_MM * PX_PER_MM) - 1
        inside = np.zeros(ink.shape, bool)
        inside[edge:-edge, edge:-edge] = True
        assert (ink[~inside] < 5).all() and (ink[inside] > 200).any()


def words_of(data: bytes, page: int) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Texts and their boxes (left, bottom, right, top), mm from the paper's lower left, as PDFium finds them."""
    text = pypdfium2.PdfDocument(data)[page].get_textpage()
    boxes = [text.get_rect(i) for i in range(text.count_rects())]
    return [(text.get_text_bounded(*box), tuple(side * POINT_MM for side in box)) for box in boxes]


MARKS = ("gable bracket", "6.35 mm thick", "2026-03-14", "oak, rack 3", "Mind the worn tip.", "grain")


@pytest.mark.parametrize("name", ["one", "A4", "A3", "roll"])
def test_the_marks_stand_inside_the_part_on_one_page(name: str) -> None:
    subject, paper, data = pages(name)
    part = subject.outline.polygon()
    found = 0
    for number, tile in enumerate(arranged(subject, paper)[1].tiles):
        inside = []
        for words, (left, bottom, right, top) in words_of(data, number):
            if bottom > BELOW and left > LEFT and "joins here" not in words:
                shift = np.array(tile.corner) - (LEFT, BELOW)
                box = shapely.box(left + shift[0], bottom + shift[1], right + shift[0], top + shift[1])
                assert part.contains(box), words
                inside.append(words)
        if inside:
            found += 1
            said = " ".join(inside)
            assert all(mark in said for mark in MARKS), said
    assert found == 1


def test_marks_that_do_not_fit_stand_below_the_part_on_one_page() -> None:
    subject, paper, data = pages("thin")
    tiles = arranged(subject, paper)[1].tiles
    assert len(tiles) == 2  # 260 mm do not fit the 259.7 mm that a lying Letter page shows
    said = [[(w, b) for w, b in words_of(data, i) if b[1] > BELOW and b[0] > LEFT and "joins" not in w] for i in (0, 1)]
    (page,) = [i for i in (0, 1) if said[i]]
    assert all(mark in " ".join(w for w, _ in said[page]) for mark in MARKS)
    for _, (_, _, _, top) in said[page]:
        assert top - BELOW + tiles[page].corner[1] < 0.0  # the part stands on y = 0


def test_viewers_are_asked_not_to_scale_and_pages_are_numbered() -> None:
    _, _, data = pages("A4")
    document = pypdfium2.PdfDocument(data)
    assert not pypdfium2.raw.FPDF_VIEWERREF_GetPrintScaling(document)
    assert document.get_version() >= 16  # PrintScaling came with PDF 1.6
    assert np.allclose(np.array(document[0].get_size()) * POINT_MM, PAPERS["A4"], atol=PAPER_TOL_MM) or np.allclose(
        np.array(document[0].get_size()) * POINT_MM, PAPERS["A4"][::-1], atol=PAPER_TOL_MM
    )
    for number, page in enumerate(document, start=1):
        text = page.get_textpage().get_text_range()
        assert f"page {number} of {len(document)}" in text and ADVICE in text and text.count("150 mm") == 2
        assert "gable bracket" in text
    map_numbers = document[0].get_textpage().get_text_range().split()
    assert all(str(n) in map_numbers for n in range(1, len(document) + 1))


def test_a_roll_is_one_page_as_long_as_needed() -> None:
    document = pypdfium2.PdfDocument(pages("roll")[2])
    size = sorted(np.array(document[0].get_size()) * POINT_MM)
    assert len(document) == 1
    assert min(abs(side - 609.6) for side in size) < PAPER_TOL_MM


def test_the_same_pattern_gives_the_same_bytes() -> None:
    subject, paper, data = pages("one")
    assert fullsize_pdf(subject, paper) == data


@pytest.mark.parametrize(
    ("size", "paper", "count", "lying"),
    [
        ((180.0, 260.0), "A4", 1, False),
        ((260.0, 170.0), "A4", 1, True),
        ((270.0, 340.0), "A4", 2, True),  # upright it would be 2 x 2
        ((250.0, 300.0), "A3", 1, False),
        ((380.0, 240.0), "Tabloid", 1, True),
        ((700.0, 500.0), "A4", 8, False),
    ],
)
def test_pages_stand_or_lie_for_the_fewest(size: tuple[float, float], paper: str, count: int, lying: bool) -> None:
    pages = layout((0.0, 0.0, *size), parse_paper(paper))
    assert pages.columns * pages.rows == count
    assert (pages.page[0] > pages.page[1]) == lying
    whole = shapely.union_all([tile.box for tile in pages.tiles])
    assert whole.covers(shapely.box(0.0, 0.0, *size))


def test_paper_without_room_is_refused_with_numbers() -> None:
    with pytest.raises(InputError, match=r"roll of 60 mm has room for 40 mm, and at least 100 mm"):
        layout((0.0, 0.0, 50.0, 50.0), parse_paper("roll:60mm"))
    with pytest.raises(InputError, match=rf"takes [0-9]+ pages of A4, and at most {MOST_PAGES} are printed"):
        layout((0.0, 0.0, 9000.0, 9000.0), parse_paper("A4"))


@pytest.mark.parametrize("text", ["A5", "", "roll", "roll:", "roll:wide", "roll:-3", "roll:9m"])
def test_unknown_paper_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_paper(text)


def test_papers_are_known_in_any_case_and_rolls_in_any_unit() -> None:
    assert parse_paper(" a4 ") == Paper("A4", 210.0, 297.0)
    assert parse_paper("ROLL:24in").width == pytest.approx(609.6)


def test_room_is_found_clear_of_edges_and_holes_or_not_at_all() -> None:
    frame = shapely.box(0, 0, 100, 60).difference(shapely.box(30, 10, 95, 55))  # 30 mm of it at the left
    place = room_for([frame], 20.0, 40.0, 2.0)
    assert place is not None
    box = shapely.box(place[0] - 10, place[1] - 20, place[0] + 10, place[1] + 20)
    assert frame.contains(box) and frame.boundary.distance(box) >= 2.0 - 0.3
    assert room_for([frame], 31.0, 31.0, 0.5) is None
    assert room_for([shapely.Polygon()], 1.0, 1.0, 0.5) is None
