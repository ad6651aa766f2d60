"""The comparison's picture and report: what is drawn where, in which lightness, and the words on the page."""

import io
from datetime import UTC, datetime

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from digitize.compare.compare import Comparison, How, compare
from digitize.formats.compare_page import (
    LEFT_ON,
    MISSING,
    WITHIN,
    comparison_png,
    magnification,
    report_pdf,
    series_pdf,
    series_png,
)
from digitize.model.pattern import Contribution
from tests.compare.synthetic import bump, displaced, drawn, measured, polyline, proud, tipped, together
from tests.helpers import Outline

WHEN = datetime(2026, 3, 14, 9, 26, tzinfo=UTC)
EDGE = (Contribution("place of the edge", 0.0, 0.02),)
TOLD_APART = 0.2  # of full lightness: as grey paper and most eyes need it


def proud_below_short_left() -> Comparison:
    part = measured(displaced(tipped(), together(proud(1, 0.4), bump(7, 45.0, -0.5, 30.0))), EDGE, "rail $7^x_木")
    return compare(part, drawn(tipped(), "quillmere master"), How(zone=0.4))


def lightness(colour: str) -> float:
    """Relative luminance (ITU-R BT.709 weights on linear light; WCAG's definition, from memory)."""
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722]) ** (1 / 2.4)


def shares(pixels: np.ndarray, colour: str) -> np.ndarray:
    """Where the picture has a colour."""
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    return np.abs(pixels.astype(int) - rgb).max(axis=2) <= 3


def picture(png: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(png)) as image:
        return np.asarray(image.convert("RGB"))


def test_the_kinds_differ_in_lightness_and_not_in_colour_alone() -> None:
    dark, light, grey = (lightness(c) for c in (LEFT_ON, MISSING, WITHIN))
    assert light - dark > TOLD_APART and grey - light > TOLD_APART


def test_material_left_on_is_dark_and_outside_missing_is_light_and_inside() -> None:
    body = picture(comparison_png(proud_below_short_left()))[200:1150]  # without title and legend
    dark, light = shares(body, LEFT_ON), shares(body, MISSING)
    assert dark.sum() > 2000 and light.sum() > 500
    rows_dark, columns_light = np.nonzero(dark)[0], np.nonzero(light)[1]
    drawn_ink = np.nonzero((body < 60).all(axis=2))
    assert rows_dark.min() > np.percentile(drawn_ink[0], 80)  # below the part
    assert columns_light.max() < np.percentile(drawn_ink[1], 40)  # right of its left edge, within the part


def test_the_report_is_one_page_with_all_that_was_asked() -> None:
    found = proud_below_short_left()
    document = pypdfium2.PdfDocument(report_pdf(found, WHEN))
    assert len(document) == 1
    assert document[0].get_size() == pytest.approx((595.28, 841.89), abs=0.1)  # A4
    text = document[0].get_textpage().get_text_range()
    for words in (
        "rail $7^x_?",
        "quillmere master",
        "2026-03-14 09:26 UTC",
        "does not conform (zone 0.4 mm)",
        "guard band",
        "material left on",
        "material missing",
        "640 mm above sheet 0",
        "drawn, taken as exact",
        f"magnified x {magnification(found, 150.0)}",
        "by least squares",
    ):
        assert words in text.replace("\r\n", " ")


def test_a_long_list_keeps_to_its_page() -> None:
    """A comb whose every tooth is proud: more stretches than are told."""
    points = [(0.0, 0.0)]
    for i in range(16):
        points += [(10 + 12 * i, 0), (10 + 12 * i, 20), (16 + 12 * i, 20), (16 + 12 * i, 0)]
    comb = Outline.of(polyline(np.array([*points, (210, 0), (210, 60), (0, 60)], float)))
    part = displaced(comb, lambda n, s: np.full(len(s), 0.3 if n % 4 == 1 else 0.0))
    found = compare(measured(part, EDGE), drawn(comb), How(zone=0.4))
    assert len(found.stretches) > 12
    document = pypdfium2.PdfDocument(report_pdf(found, WHEN))
    text = document[0].get_textpage().get_text_range()
    assert len(document) == 1 and "more out of the zone" in text and "drawn, taken as exact" in text
    page = np.asarray(document[0].render(scale=1).to_pil().convert("L"))
    assert (page[-20:] == 255).all() and (page[:, -12:] == 255).all()  # nothing runs off the paper


@pytest.mark.parametrize("zone", [None, 0.3])
def test_magnification_is_the_largest_round_one_that_fits(zone: float | None) -> None:
    part = displaced(tipped(), proud(1, 0.21))
    found = compare(drawn(part, "part"), drawn(tipped()), How(zone=zone))
    assert magnification(found, 200.0) == 50  # 0.21 mm x 50 = 10.5 mm, below 0.06 x 200 = 12 mm
    assert comparison_png(found).startswith(b"\x89PNG")


def test_a_series_has_its_trend_and_its_table() -> None:
    parts = [measured(displaced(tipped(), proud(7, -0.11 * k)), EDGE, f"rail {k}") for k in range(4)]
    series = [compare(p, drawn(tipped()), How(zone=0.5)) for p in parts]
    document = pypdfium2.PdfDocument(series_pdf(series, WHEN))
    text = document[0].get_textpage().get_text_range()
    assert len(document) == 1 and "4 parts against their master master" in text
    for k, verdict in enumerate(("conforms", "conforms", "not decided", "does not conform")):
        line = next(line for line in text.splitlines() if line.startswith(f"rail {k} ") and verdict[:8] in line)
        assert f"{-0.11 * k + 0.0:+.3f}"[1:5] in line
    assert picture(series_png(series)).shape == (1360, 1760, 3)
