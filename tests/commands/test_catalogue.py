"""Keeping, finding and showing patterns, as people type it: files, words on the terminal, exit codes."""

import json
import shutil
from pathlib import Path

import pytest
from PIL import Image

from digitize.cli import main
from digitize.files import read_pattern
from tests.catalogue.shelf import invented, put, relatives
from tests.helpers import pattern
from tests.shop.parts import disc

FIXTURES = Path(__file__).parents[2] / "fixtures"
TRACED = ("bracket", "bracket_copy", "foot", "foot_again")
AGAIN_MM = 0.1  # two photos of one part
TRACED_MM = 0.15  # a photo, its sheet's print scale not measured, and the true shape
HIDDEN = 120


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in TRACED:
        shutil.copy(FIXTURES / "patterns" / f"{name}.pattern.json", tmp_path)
    shutil.copy(FIXTURES / "disc.jpg", tmp_path)
    return tmp_path


def told(capsys, *argv):
    capsys.readouterr()
    assert main(list(argv)) == 0
    return capsys.readouterr().out


def refused(capsys, *argv):
    capsys.readouterr()
    assert main(list(argv)) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    return said.err


def test_keep_find_show(shop, capsys):
    argv = ["keep", "bracket.pattern.json", "--photo", "disc.jpg", "--name", "Fenster/Konsole", "--stock", "6 mm MDF"]
    said = told(capsys, *argv, "--tags", "window, seat", "--grain", "210°", "--notes", "hangs by\nthe saw")
    assert "Kept: Fenster/Konsole, as patterns/Fenster-Konsole.pattern.json" in said
    kept = read_pattern(shop / "patterns/Fenster-Konsole.pattern.json")
    before = read_pattern(shop / "bracket.pattern.json")
    assert (kept.name, kept.stock, kept.tags) == ("Fenster/Konsole", "6 mm MDF", ("window", "seat"))
    assert (kept.grain_deg, kept.outline, kept.measured) == (30.0, before.outline, before.measured)
    assert "Fenster/Konsole (Fenster-Konsole)  219.9 x 140.0 x 6 mm  6 mm MDF  window, seat" in told(
        capsys, "find", "konso", "saw", "--tag", "SEAT"
    )
    assert "Nothing was found." in told(capsys, "find", "konsole", "--size", "50-200mm")
    shown = told(capsys, "show", "fenster-konsole")
    assert "Grain        along 30°" in shown and "Notes        hangs by\n             the saw" in shown
    assert "Made " in shown and "mm (k = 2)" in shown
    values = json.loads(told(capsys, "show", "Fenster/Konsole", "--json"))
    assert Path(values["photos"][0]).read_bytes() == (shop / "disc.jpg").read_bytes()
    with Image.open(values["preview"]) as preview:
        assert preview.format == "PNG"
    assert values["earlier"] == values["comparisons"] == []


def test_keep_again_by_force_and_the_history(shop, capsys):
    told(capsys, "keep", "foot.pattern.json", "--name", "foot", "--notes", "first")
    assert "as patterns/foot-2.pattern.json" in told(capsys, "keep", "foot_again.pattern.json", "--name", "foot")
    assert "is kept already" in refused(capsys, "keep", "patterns/foot.pattern.json", "--notes", "second")
    (shop / "compared.json").write_text(
        told(capsys, "compare", "foot_again.pattern.json", "foot.pattern.json", "--json")
    )
    argv = ["keep", "patterns/foot.pattern.json", "--notes", "second", "--force", "--comparison", "compared.json"]
    assert json.loads(told(capsys, *argv, "--json"))["file"] == "patterns/foot.pattern.json"
    values = json.loads(told(capsys, "show", "foot", "--json"))
    assert values["notes"] == "second"
    assert read_pattern(Path(values["earlier"][0]["file"])).notes == "first"
    assert values["comparisons"][0]["rms_mm"] < AGAIN_MM
    shown = told(capsys, "show", "foot")
    assert shown.count("Earlier ") == 1 and shown.count("Compared ") == 1
    assert [p["name"] for p in json.loads(told(capsys, "find", "--json"))["patterns"]] == ["foot", "foot-2"]


def test_find_by_shape_among_many_of_the_same_family(shop, capsys):
    (shop / "patterns").mkdir()
    shapes = [read_pattern(shop / f"{n}.pattern.json").outline for n in ("bracket", "foot")]
    for i, outline in enumerate(relatives(shapes, HIDDEN, 3)):
        put(shop / "patterns", invented(outline, i))
    for name in ("bracket", "bracket_copy", "foot"):
        told(capsys, "keep", f"{name}.pattern.json", "--name", name)
    told(capsys, "resize", "foot_again.pattern.json", "-o", "over.pattern.json", "--other-hand")
    told(capsys, "export", "bracket_copy.pattern.json", "copy.dxf")
    for like, right, mirrored in (
        ("foot_again.pattern.json", "foot", False),
        ("over.pattern.json", "foot", True),
        ("copy.dxf", "bracket_copy", False),
        ("bracket.pattern.json", "bracket", False),
    ):
        first, second, *_ = json.loads(told(capsys, "find", "--like", like, "--json"))["patterns"]
        assert (first["name"], first["mirrored"]) == (right, mirrored)
        assert first["difference_mm"] < AGAIN_MM and first["difference_mm"] < second["difference_mm"]
    lines = told(capsys, "find", "--like", "over.pattern.json", "--most", "2").splitlines()
    assert len(lines) == 2
    assert "mm RMS apart" in lines[0] and lines[0].endswith("as the mirror image")
    assert lines[1].startswith(
        ("rail", "splat", "bracket", "foot", "apron", "leg", "stretcher", "crest", "slat", "panel")
    )


def test_find_by_a_photo(shop, capsys):
    """The stool top of the photo is a disc of diameter 150."""
    (shop / "patterns").mkdir()
    for name, outline in {"stool": disc(75.0), "lid": disc(77.0), "ring": disc(75.0, hole=10.0)}.items():
        put(shop / "patterns", pattern(outline, name))
    argv = ["disc.jpg", "--thickness", "12", "--sheet", "plain:10x7x25mm"]
    first, second, _ = json.loads(told(capsys, "find", "--like", *argv, "--json"))["patterns"]
    assert first["name"] == "stool" and first["difference_mm"] < TRACED_MM
    assert second["difference_mm"] > 0.5  # of the ring, its hole's area over its length round: 0.67


def test_what_cannot_be_done_is_told_in_one_sentence(shop, capsys):
    assert "cannot be read" in refused(capsys, "find", "anything")
    told(capsys, "keep", "foot.pattern.json", "--name", "foot")
    for argv, words in (
        (["keep", "nothing.pattern.json"], "cannot be read"),
        (["keep", "foot.pattern.json", "--name", " "], "needs a name"),
        (["keep", "foot.pattern.json", "--grain", "up"], "is not a direction"),
        (["keep", "foot.pattern.json", "--photo", "foot.pattern.json"], "cannot be read as a photo"),
        (["keep", "foot.pattern.json", "--comparison", "foot.pattern.json"], "is not a comparison"),
        (["keep", "foot.pattern.json", "--folder", "foot.pattern.json"], "cannot be made"),
        (["find", "--size", "big"], "does not tell sizes"),
        (["find", "--like", "disc.jpg"], "thickness of the part is missing"),
        (["find", "--like", "disc.jpg", "--thickness", "12", "--part", "all"], "One part's shape"),
        (["find", "--most", "0"], "--most"),
        (["show", "fooot"], "did you mean “foot”"),
        (["show", "x"], "There is no pattern “x” among the 1"),
    ):
        assert words in refused(capsys, *argv), argv
    assert [p.name for p in (shop / "patterns").glob("*.json")] == ["foot.pattern.json"]
