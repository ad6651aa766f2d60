"""The picture of a pattern alone, measured by its own scale bar."""

import io

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageColor

from digitize.formats.picture import LONG_SIDE_PX, SHORT_SIDE_PX, WOOD, pattern_png
from digitize.model.outline import Outline
from digitize.model.pattern import Pattern
from tests.formats.test_svg import rectangle
from tests.helpers import bracket, pattern

LINE_PX = 3.0  # two half lines

Picture = npt.NDArray[np.int64]


def picture(subject: Pattern) -> Picture:
    return np.asarray(Image.open(io.BytesIO(pattern_png(subject))).convert("RGB")).astype(int)


def runs(dark: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    steps = np.diff(np.r_[0, dark, 0])
    return list(zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True))


def wood(image: Picture) -> npt.NDArray[np.bool_]:
    return np.abs(image - ImageColor.getrgb(WOOD)).sum(axis=2) < 12


@pytest.mark.parametrize(
    ("outline", "bar"), [(bracket(), 20.0), (rectangle(120.0, 400.0), 20.0), (rectangle(300.0, 6.0), 50.0)]
)
def test_part_and_scale_bar_have_the_same_scale(outline: Outline, bar: float) -> None:
    image = picture(pattern(outline))
    assert max(image.shape[:2]) == LONG_SIDE_PX and min(image.shape[:2]) >= SHORT_SIDE_PX - 1
    row, column = np.nonzero(wood(image))
    x0, y0, x1, y1 = outline.bounds()
    px_per_mm = (column.max() - column.min() + LINE_PX) / (x1 - x0)
    assert (row.max() - row.min() + LINE_PX) / (y1 - y0) == pytest.approx(px_per_mm, rel=0.02, abs=2 / (y1 - y0))
    below = image[row.max() + 30 :]
    solid = sorted(max((b - a for a, b in runs(line.max(axis=1) < 60)), default=0) for line in below)
    black = solid[-6]  # of the bar's black half, as on several rows; the frame round it has only two long lines
    assert black == pytest.approx(bar / 2 * px_per_mm, abs=LINE_PX)


def test_holes_are_holes_and_marks_are_written_on_the_wood() -> None:
    image = picture(pattern(bracket()))
    inside = wood(image)
    row, column = np.nonzero(inside)
    px_per_mm = (column.max() - column.min()) / 170.0
    centre = column.min() + round(90.0 * px_per_mm), row.max() - round(50.0 * px_per_mm)
    assert (image[centre[1] + 40, centre[0] - 20 : centre[0] + 20] == 255).all()
    area = inside[row.min() : row.max(), column.min() : column.max()]
    assert 0.01 < 1 - area.sum() / px_per_mm**2 / bracket().polygon().area < 0.1  # ink takes some of it


def test_the_same_pattern_gives_the_same_bytes() -> None:
    assert pattern_png(pattern(bracket())) == pattern_png(pattern(bracket()))


def test_awkward_words_do_not_break_it() -> None:
    awkward = pattern(bracket(), "$x^2$ 木 \x07 \U0001f600").model_copy(update={"notes": "$\\frac{1}{2}$ " * 200})
    assert len(pattern_png(awkward)) > 1000
