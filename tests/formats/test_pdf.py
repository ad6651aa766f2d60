"""The printable sheets, judged from outside: rendered by PDFium at 600 dpi, measured and detected by OpenCV."""

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2
import pypdfium2.raw
import pytest

from digitize.formats.pdf import PAPERS, PRINTABLE_MM, WHITE_MM, sheets_pdf
from digitize.model.errors import InputError
from digitize.model.sheet import Sheet, coded_sheet, plain_sheet

DPI = 600
PX = 25.4 / DPI  # mm
SQUARE_TOL_MM = 0.02  # asked for
LINE_TOL_MM = 0.02
PAPER_TOL_MM = 0.01
INK = 128
WINDOW_PX = 23  # 1 mm: clear of the markers, which are 2.5 mm away

Image = npt.NDArray[np.uint8]
Scale = npt.NDArray[np.float64]


def rendered(data: bytes, page: int = 0, dpi: float = DPI) -> Image:
    picture = pypdfium2.PdfDocument(data)[page].render(scale=dpi / 72, grayscale=True)
    return np.ascontiguousarray(picture.to_numpy().squeeze())


def true_scale(image: Image, paper: tuple[float, float]) -> Scale:
    """mm per px along x and y: the renderer stretches the page to whole pixels."""
    scale = np.array(paper) / image.shape[::-1]
    assert np.allclose(scale, PX, rtol=3e-4)
    return scale


def refined(image: Image, points: npt.NDArray[np.float64], window: int) -> npt.NDArray[np.float64]:
    """Corners (N, 2) px, by OpenCV to 1e-4 px."""
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-4)
    start = np.ascontiguousarray(points.reshape(-1, 1, 2), dtype=np.float32)
    return cv2.cornerSubPix(image, start, (window, window), (-1, -1), stop).reshape(-1, 2).astype(np.float64)


def detected(image: Image, number: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int32], int]:
    """Grid points (px) and their ids, and the count of markers, by OpenCV's own board of the same words."""
    ids = np.arange(54) + 54 * number
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    board = cv2.aruco.CharucoBoard((9, 12), 20.0, 15.0, dictionary, ids)
    points, point_ids, _, marker_ids = cv2.aruco.CharucoDetector(board).detectBoard(image)
    return points.reshape(-1, 2).astype(np.float64), point_ids.ravel(), len(set(marker_ids.ravel()))


def blank(image: Image, box: tuple[float, float, float, float]) -> bool:
    """Whether nothing is printed in x0, y0, x1, y1, mm from the upper left."""
    x0, y0, x1, y1 = (round(v / PX) for v in box)
    return bool((image[y0:y1, x0:x1] > 250).all())


@pytest.mark.parametrize(("paper", "number"), [("A4", 0), ("Letter", 17)])
def test_coded_sheet_has_true_size_and_all_its_markers(paper: str, number: int) -> None:
    image = rendered(sheets_pdf([coded_sheet(number)], paper))
    scale = true_scale(image, PAPERS[paper])
    points, ids, markers = detected(image, number)
    assert markers == 54 and len(points) == 88
    grid = np.empty((11, 8, 2))
    grid.reshape(-1, 2)[ids] = refined(image, points, WINDOW_PX) * scale
    for sides in (np.diff(grid, axis=0), np.diff(grid, axis=1)):
        assert np.abs(np.linalg.norm(sides, axis=2) - 20.0).max() < SQUARE_TOL_MM
    assert np.linalg.norm(grid[-1, 0] - grid[0, 0]) == pytest.approx(200.0, abs=SQUARE_TOL_MM)
    assert np.linalg.norm(grid[0, -1] - grid[0, 0]) == pytest.approx(140.0, abs=SQUARE_TOL_MM)
    assert_margins(image, tuple(grid[0, 0] - 20.0), (180.0, 240.0))
    assert_check_lines(image, tuple(grid[-1, 0] + (-20.0, 20.0)), scale)


def assert_margins(image: Image, corner: tuple[float, float], size: tuple[float, float]) -> None:
    """Ink only where every printer prints, and white round the squares; ``corner`` is their upper left, mm."""
    width, height = (n * PX for n in image.shape[::-1])
    edge, (x, y), (w, h) = PRINTABLE_MM - 2 * PX, corner, size
    assert blank(image, (0, 0, width, edge)) and blank(image, (0, height - edge, width, height))
    assert blank(image, (0, 0, edge, height)) and blank(image, (width - edge, 0, width, height))
    left, top, right, bottom = x - WHITE_MM, y - WHITE_MM, x + w + WHITE_MM, y + h + WHITE_MM
    off = 2 * PX
    assert blank(image, (left, top, right, y - off)) and blank(image, (left, y + h + off, right, bottom))
    assert blank(image, (left, top, x - off, bottom)) and blank(image, (x + w + off, top, right, bottom))


def assert_check_lines(image: Image, corner: tuple[float, float], scale: Scale) -> None:
    """Both lines measure 150 mm between the middles of their ticks; ``corner`` is the squares' lower left, mm."""
    (x, y), width = corner, 180.0
    # Bands through the ends of the ticks, between the lines themselves and the squares.
    below = image[_px(y + 8.3) : _px(y + 8.6), _px(x - 1.5) : _px(x + 151.5)]
    beside = image[_px(y - 151.5) : _px(y + 1.5), _px(x + width + 8.3) : _px(x + width + 8.6)].T
    for band, mm_per_px in zip((below, beside), scale, strict=True):
        ink = (255.0 - band).mean(axis=0)
        steps = np.diff(np.r_[0, ink > INK, 0])
        ranges = [np.arange(a - 3, b + 3) for a, b in zip(*(np.flatnonzero(steps == s) for s in (1, -1)), strict=True)]
        first, second = (np.average(r, weights=ink[r]) for r in ranges)
        assert (second - first) * mm_per_px == pytest.approx(150.0, abs=LINE_TOL_MM)


def _px(mm: float) -> int:
    return round(mm / PX)


def test_plain_board_has_true_size() -> None:
    image = rendered(sheets_pdf([plain_sheet(10, 7, 25.0)], "A4"))
    small = cv2.resize(image, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    found, points = cv2.findChessboardCornersSB(small, (9, 6))
    assert found
    scale = true_scale(image, PAPERS["A4"][::-1])
    grid = refined(image, points * 4 + 1.5, 60).reshape(6, 9, 2) * scale  # the centres of 4 x 4 pixels
    for sides in (np.diff(grid, axis=0), np.diff(grid, axis=1)):
        assert np.abs(np.linalg.norm(sides, axis=2) - 25.0).max() < SQUARE_TOL_MM


def test_viewers_are_asked_not_to_scale_and_the_words_are_there() -> None:
    document = pypdfium2.PdfDocument(sheets_pdf([coded_sheet(3), coded_sheet(12)], "A4"))
    assert not pypdfium2.raw.FPDF_VIEWERREF_GetPrintScaling(document)
    assert document.get_version() >= 16  # PrintScaling came with PDF 1.6
    assert len(document) == 2
    for page, number in zip(document, (3, 12), strict=True):
        size = np.array(page.get_size()) * 25.4 / 72
        assert np.allclose(size, PAPERS["A4"], atol=PAPER_TOL_MM)
        text = page.get_textpage().get_text_range()
        assert text.count("150 mm") == 2 and f"sheet {number}" in text
        for word in ("100 %", "measure both lines", "lay flat", "round the part, not under it", "overhead", "lock"):
            assert word in text


def test_fonts_are_in_the_file() -> None:
    document = pypdfium2.PdfDocument(sheets_pdf([coded_sheet(0)], "A4"))
    texts = [o for o in document[0].get_objects() if o.type == pypdfium2.raw.FPDF_PAGEOBJ_TEXT]
    embedded = [pypdfium2.raw.FPDFFont_GetIsEmbedded(pypdfium2.raw.FPDFTextObj_GetFont(o)) for o in texts]
    assert embedded and all(embedded)


def test_the_same_sheet_gives_the_same_bytes() -> None:
    assert sheets_pdf([coded_sheet(1)], "Letter") == sheets_pdf([coded_sheet(1)], "Letter")


BOARDS = [plain_sheet(4, 4, 10.0), plain_sheet(5, 20, 9.5), plain_sheet(10, 7, 25.0), coded_sheet(5)]


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize("sheet", BOARDS)
def test_nothing_is_printed_outside_what_printers_reach(sheet: Sheet, paper: str) -> None:
    image = rendered(sheets_pdf([sheet], paper), dpi=100)
    edge = int(PRINTABLE_MM / 25.4 * 100) - 1
    inside = np.zeros(image.shape, bool)
    inside[edge:-edge, edge:-edge] = True
    assert (image[~inside] > 250).all() and (image[inside] < INK).any()


def test_a_board_too_large_for_the_paper_is_refused_with_the_room_there_is() -> None:
    with pytest.raises(InputError, match=r"400 x 280 mm does not fit on A4, which upright has room for 185 x 267 mm"):
        sheets_pdf([plain_sheet(10, 7, 40.0)], "A4")
