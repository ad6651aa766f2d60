"""The index follows the files, whatever happened to them or to it."""

import contextlib
import os
import sqlite3

import numpy as np
import pytest

from digitize.catalogue import index as indexing
from digitize.catalogue.find import Asked, find, find_like, named
from digitize.catalogue.index import INDEX, VERSION
from digitize.compare.placement import turned_over
from digitize.model.errors import FileError, InputError
from tests.catalogue.shelf import chairs, invented, put, relatives

COUNT = 60
EXACT_MM = 1e-3  # a pattern found by its own outline, laid by least squares


def silent(step, done):
    pass


def names(folder, words="", tags=(), size=None):
    return sorted(e.name for e in find(folder, Asked(words, tags, size), silent)[0])


@pytest.fixture(scope="module")
def outlines():
    return list(relatives(chairs(), COUNT, 5))


@pytest.fixture
def shelf(tmp_path, outlines):
    for i, outline in enumerate(outlines):
        put(tmp_path, invented(outline, i))
    return tmp_path


def test_words_begin_words_in_any_order_and_accents_do_not_matter(shelf):
    every = names(shelf)
    assert len(every) == COUNT
    assert names(shelf, "ash spl") == names(shelf, "SPLAT ash") == ["splat 1"]
    assert names(shelf, "quill dra yard") == every
    assert names(shelf, "rail 5") == ["rail 50"]
    assert names(shelf, "uill") == []  # not inside words
    assert names(shelf, "?!") == []
    assert names(shelf, '"; DROP TABLE pattern; --') == []
    put(shelf, invented(chairs()[0], 7).model_copy(update={"name": "Rückenlehne 椅子"}))
    assert names(shelf, "ruck") == names(shelf, "椅") == ["Rückenlehne 椅子"]


def test_tags_and_sizes(shelf, outlines):
    assert names(shelf, tags=("Oak",)) == sorted(f"{w}" for w in names(shelf, "oak"))
    assert names(shelf, tags=("oak", "ash")) == []
    larger = [max(invented(o, 0).size) for o in outlines]
    wanted = sorted(invented(o, i).name for i, o in enumerate(outlines) if 200 <= larger[i] <= 250)
    assert 0 < len(wanted) < COUNT
    assert names(shelf, size=(200.0, 250.0)) == wanted


def test_files_edited_added_or_taken_away_by_hand_are_noticed(shelf, outlines):
    names(shelf)
    path = put(shelf, invented(outlines[0], 0).model_copy(update={"notes": "Zargenbrett"}), "rail-0")
    (shelf / "splat-1.pattern.json").unlink()
    put(shelf, invented(outlines[1], 0).model_copy(update={"name": "newcomer"}))
    assert names(shelf, "zargen") == ["rail 0"]
    assert names(shelf, "ash spl") == []
    assert names(shelf, "newc") == ["newcomer"]
    stamp = path.stat()
    path.write_bytes(path.read_bytes().replace(b"Zargenbrett", b"Xargenbrett"))  # of the same size
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns + 1))
    assert names(shelf, "xargen") == ["rail 0"] and names(shelf, "zargen") == []


def test_nothing_is_read_again_that_has_not_changed(shelf, outlines, monkeypatch):
    names(shelf)
    read = []
    monkeypatch.setattr(indexing, "read_pattern", lambda path: read.append(path.name) or invented(outlines[2], 2))
    names(shelf)
    assert read == []
    put(shelf, invented(outlines[2], 2))
    names(shelf)
    assert read == ["bracket-2.pattern.json"]


def wrecked(path):
    """Each way an index may be lost."""
    yield "deleted", path.unlink
    yield "no database", lambda: path.write_bytes(b"saw dust" * 4000)
    yield "empty", lambda: path.write_bytes(b"")
    yield "cut off", lambda: path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    yield "overwritten inside", lambda: path.write_bytes(path.read_bytes()[:4096] + os.urandom(20_000))

    def other_version():
        with contextlib.closing(sqlite3.connect(path)) as index:
            index.executescript(f"PRAGMA user_version = {VERSION + 1}; DROP TABLE words;")

    yield "another version", other_version

    def without_a_table():
        with contextlib.closing(sqlite3.connect(path)) as index:
            index.execute("DROP TABLE pattern")

    yield "a table short", without_a_table


def test_a_lost_index_is_made_anew_and_says_nothing(shelf, capsys):
    before = names(shelf), names(shelf, "oak")
    for what, wreck in wrecked(shelf / INDEX):
        wreck()
        assert (names(shelf), names(shelf, "oak")) == before, what
        with contextlib.closing(sqlite3.connect(shelf / INDEX)) as index:
            assert index.execute("PRAGMA integrity_check").fetchone() == ("ok",), what
    assert capsys.readouterr() == ("", "")


def test_damaged_patterns_are_told_of_and_hide_nothing(shelf):
    (shelf / "bad.pattern.json").write_text("{")
    entries, wrong = find(shelf, Asked(), silent)
    assert len(entries) == COUNT
    assert len(wrong) == 1 and "bad.pattern.json” is damaged" in wrong[0]
    with pytest.raises(FileError, match="is damaged"):
        named(shelf, "bad")


def test_found_by_shape_in_any_turn_and_turned_over(shelf, outlines):
    for i in range(0, COUNT, 7):
        outline = outlines[i].moved(1.0 + i, (40.0, -300.0))
        for hand, sought in ((False, outline), (True, turned_over(outline))):
            found, _ = find_like(shelf, sought, Asked(), 5, silent)
            assert len(found) == 5
            assert found[0].entry.name == invented(outline, i).name
            assert found[0].difference_mm < EXACT_MM and found[0].mirrored is hand
            assert found[1].difference_mm > 0.2
            assert list(np.diff([f.difference_mm for f in found if f.exact]) >= 0) == [True] * (
                sum(f.exact for f in found) - 1
            )


def test_found_by_shape_among_those_that_hold_the_words(shelf, outlines):
    found, _ = find_like(shelf, outlines[0], Asked("splat"), 3, silent)
    assert len(found) == 3 and all("splat" in f.entry.name for f in found)
    assert find_like(shelf, outlines[0], Asked("nothing"), 3, silent)[0] == []


def test_one_pattern_by_its_name(shelf):
    for name in ("rail 40", "rail-40", "RAIL-40", "rail-40.pattern.json", "40 rail"):
        assert named(shelf, name).stem == "rail-40"
    with pytest.raises(InputError, match="6 patterns could be meant by “rail”"):
        named(shelf, "rail")
    with pytest.raises(InputError, match=r"no pattern “rial-40” among the 60.*did you mean “rail-40”"):
        named(shelf, "rial-40")
