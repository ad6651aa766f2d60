"""Names of files: safe, unique, and the same name for people; what people type to find a pattern."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from digitize.catalogue.names import LONGEST_BYTES, asked_words, folded, free_stem, safe_stem, tags_of
from digitize.commands.shelf import direction, size_range
from digitize.model.errors import InputError


@given(st.text())
def test_any_name_becomes_one_that_every_file_system_takes(name):
    stem = safe_stem(name)
    assert 0 < len(stem.encode()) <= LONGEST_BYTES + 1
    assert not set(stem) & set('/\\:*?"<>|\0\n\r\t')
    assert stem.strip(" .") == stem and not stem.startswith((".", "-"))
    assert safe_stem(stem) == stem


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("back leg", "back leg"),
        ("../../etc/passwd", "etc-passwd"),
        ("Rückenlehne №4", "Rückenlehne -4"),
        ("椅子の背", "椅子の背"),
        ("CON", "CON-"),
        ("lpt1.old", "lpt1.old-"),
        ("...", "pattern"),
        ("u\u0308ber", "über"),
    ],
)
def test_names_that_are_known(name, stem):
    assert safe_stem(name) == stem


def test_a_taken_name_gets_the_first_free_number_whatever_its_capitals():
    assert free_stem("Foot", {"leg"}) == "Foot"
    assert free_stem("Foot", {"foot", "FOOT-2", "foot-4"}) == "Foot-3"
    assert folded("U\u0308BER") == folded("über")


def test_words_become_beginnings_in_any_order():
    assert asked_words('back "leg* OR') == '"back"* AND "leg"* AND "OR"*'
    assert asked_words(" -- ") == ""
    assert tags_of(" chair, oak ,,chair") == ("chair", "oak")


@pytest.mark.parametrize(
    ("text", "least", "most"),
    [
        ("100-200mm", 100, 200),
        ("10-20cm", 100, 200),
        ("4in-8in", 101.6, 203.2),
        ("1-1/2in-2-1/2in", 38.1, 63.5),
        ("100mm-", 100, 10_000),
        ("-200mm", 0, 200),
        ("100–200", 100, 200),
    ],
)
def test_sizes_from_and_to(text, least, most):
    assert size_range(text) == pytest.approx((least, most))


@pytest.mark.parametrize("text", ["", "-", "150mm", "200-100mm", "a-b", "100-200miles"])
def test_what_are_no_sizes(text):
    with pytest.raises(InputError, match="does not tell sizes"):
        size_range(text)


def test_directions():
    assert [direction(t) for t in ("30deg", "30°", "30", "-45", "180 deg")] == [30, 30, 30, 135, 0]
    for text in ("", "up", "30rad", "1e9"):
        with pytest.raises(InputError, match="is not a direction"):
            direction(text)
