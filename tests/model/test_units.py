"""What people type as lengths, boards, points and numbers."""

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.model.errors import InputError
from digitize.model.units import LARGEST_MM, parse_board, parse_length, parse_numbers, parse_point, parse_print_scale

INCH_MM = 25.4  # exact by definition (international yard and pound agreement, 1959; from memory)
ROUNDING_MM = 1e-9


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("6", 6.0),
        ("6mm", 6.0),
        (" 6.5 MM ", 6.5),
        (".5mm", 0.5),
        ("6.", 6.0),
        ("0.6cm", 6.0),
        ("0.1 m", 100.0),
        ("1/4in", 6.35),
        ("1 / 4 inch", 6.35),
        ('1-1/2"', 38.1),
        ("1 1/2 in", 38.1),
        ("1 - 1/2in", 38.1),
        ("2.5in", 63.5),
        ("3/4”", 19.05),
        ("1/2mm", 0.5),
    ],
)
def test_length_forms(text: str, mm: float) -> None:
    assert parse_length(text) == pytest.approx(mm, abs=ROUNDING_MM)


@pytest.mark.parametrize(
    "text",
    ["", " ", "abc", "6 feet", "6,5", "1e3", "nan", "inf", "-6", "-1/4in", "--6", "+6", "6mmm", "6 6", "1/0in", "1/4",
     "1-1/2", "٦", "½in", "6mm6", "11km", "99999999mm", "9" * 400, "6\n7", "0x10", "1/2/3in", "-", "in"],
)  # fmt: skip
def test_rubbish_negative_and_absurd_lengths_are_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(InputError) as refusal:
        parse_length(text, "thickness")
    assert str(refusal.value).endswith(".") and refusal.value.remedy


@pytest.mark.parametrize(("what", "told"), [("allowance", "is not an allowance"), ("width", "is not a width")])
def test_the_article_fits_what_is_asked_for(what: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        parse_length("thick", what)


def test_limits_are_named_with_the_measured_number() -> None:
    with pytest.raises(InputError, match=r"304\.8 mm and must be between 0\.05 and 200 mm"):
        parse_length("12in", "thickness", at_least=0.05, at_most=200)
    with pytest.raises(InputError, match="is 0 mm"):
        parse_length("0", "thickness", at_least=0.05)


@settings(deadline=None)  # the machine may be busy
@given(
    st.floats(0, LARGEST_MM, allow_nan=False),
    st.sampled_from([("mm", 1.0), ("", 1.0), ("in", INCH_MM), ('"', INCH_MM)]),
)
def test_decimal_lengths_mean_what_they_say(number: float, unit: tuple[str, float]) -> None:
    text = f"{number:.6f}"
    if float(text) * unit[1] <= LARGEST_MM:
        assert parse_length(text + unit[0]) == pytest.approx(float(text) * unit[1], rel=1e-12)


@settings(deadline=None)  # the machine may be busy
@given(st.integers(0, 99), st.integers(0, 63), st.sampled_from([2, 4, 8, 16, 32, 64]), st.sampled_from(["-", " "]))
def test_inch_fractions_are_exact(whole: int, over: int, under: int, joint: str) -> None:
    inches = whole + Fraction(over, under)
    assert parse_length(f'{whole}{joint}{over}/{under}"') == pytest.approx(float(inches * Fraction(254, 10)), rel=1e-12)


@settings(deadline=None)  # the machine may be busy
@given(st.text(max_size=12))
def test_any_text_gives_a_length_or_a_sentence(text: str) -> None:
    try:
        mm = parse_length(text)
    except InputError:
        return
    assert math.isfinite(mm) and 0 <= mm <= LARGEST_MM


def test_board() -> None:
    assert parse_board("10x7x25mm") == (10, 7, 25.0)
    assert parse_board(" 8 X 6 x 1in ") == (8, 6, 25.4)


@pytest.mark.parametrize(
    "text", ["", "10x7", "10x7x", "ax7x25", "3x7x25", "10x700x25", "10x7x0", "10x7x25x2", "-10x7x25"]
)
def test_impossible_boards_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_board(text)


def test_print_scale_from_the_two_measured_lines() -> None:
    assert parse_print_scale("149.6mm,149.8mm", (150, 150)) == pytest.approx((149.6 / 150, 149.8 / 150))
    assert parse_print_scale("250, 174.5", (250, 175)) == pytest.approx((1, 174.5 / 175))


@pytest.mark.parametrize("text", ["150", "150,150,150", "14.96,149.8", "149.6,0", "150,200", "a,b", ",", "149.6;149.8"])
def test_impossible_check_lines_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_print_scale(text, (150, 150))


def test_point_and_numbers() -> None:
    assert parse_point("123, 456.5") == (123.0, 456.5)
    assert parse_numbers("0-3,7, 2", 17) == (0, 1, 2, 3, 7)


@pytest.mark.parametrize("text", ["", "123", "1,2,3", "-1,5", "a,b", "nan,1"])
def test_impossible_points_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_point(text)


@pytest.mark.parametrize("text", ["", "18", "0-18", "3-1", "0,,1", "a", "-1", "99999", "0-"])
def test_impossible_sheet_numbers_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_numbers(text, 17)
