"""`digitize compare` as people type it."""

import csv
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pypdfium2
import pytest
from PIL import Image

import digitize.commands.reading
from digitize.cli import main
from digitize.formats import WRITERS
from digitize.formats.drawing import pattern_drawing
from digitize.model.outline import Outline
from digitize.model.pattern import Contribution, Pattern
from digitize.pipeline import Frame
from tests.compare.synthetic import bump, displaced, drawn, measured, proud, stretched, tipped, together
from tests.helpers import bracket, rounded_plate

EDGE = (Contribution("place of the edge", 0.0, 0.015),)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A master, a good copy, one with a proud edge and a dip, and one with the master as DXF."""
    monkeypatch.chdir(tmp_path)
    wrong = displaced(tipped(), together(proud(1, 0.4), bump(7, 45.0, -0.6, 20.0)))
    keep(drawn(tipped(), "master"))
    keep(measured(tipped().moved(1.0, (30.0, 4.0)), EDGE, "good"))
    keep(measured(wrong, EDGE, "bad"))
    keep(measured(stretched(displaced(tipped(), proud(1, 0.0)), 1.0013), EDGE, "large"))
    Path("master.dxf").write_bytes(WRITERS[".dxf"](pattern_drawing([drawn(tipped(), "master")])))
    return tmp_path


def keep(pattern: Pattern) -> None:
    Path(f"{pattern.name}.pattern.json").write_text(pattern.model_dump_json())


def told(capsys: pytest.CaptureFixture[str], *argv: str) -> dict[str, Any]:
    assert main(["compare", *argv, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    result: dict[str, Any] = json.loads(out)
    return result


def test_json_has_the_verdict_and_the_stretches(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    values = told(capsys, "bad.pattern.json", "master.pattern.json", "--zone", "0.5mm")
    assert values["verdict"] == "does not conform" and values["zone_mm"] == 0.5
    assert values["extremes_mm"] == pytest.approx([-0.6, 0.4], abs=0.03)
    dip, edge = values["stretches"]
    assert dip["at_mm"] == pytest.approx([0.0, 45.0], abs=1.0) and dip["extreme_mm"] == pytest.approx(-0.6, abs=0.01)
    assert edge["at_mm"] == pytest.approx([20.0, 0.0], abs=1.0) and edge["length_mm"] == pytest.approx(40.0, abs=2.0)
    assert (dip["side"], edge["side"]) == ("material missing", "material left on")
    assert 0.02 < values["uncertainty_mm"] < 0.06 and values["rms_mm"] > 0.05
    assert values["files"] == []


def test_a_good_copy_conforms_to_the_pattern_and_to_the_drawing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for master in ("master.pattern.json", "master.dxf"):
        values = told(capsys, "good.pattern.json", master, "--zone", "0.5")
        assert values["verdict"] == "conforms" and values["rms_mm"] < 0.001 and values["stretches"] == []
    assert main(["compare", "good.pattern.json", "master.dxf", "--zone", "0.5"]) == 0
    out = capsys.readouterr().out
    for words in (
        "Verdict      conforms (zone 0.5 mm)",
        "guard band",
        "drawn, taken as exact",
        "master 150.00 x 90.00 mm",
    ):
        assert words in out


def test_everything_is_written_where_it_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    argv = ["compare", "bad.pattern.json", "master.pattern.json", "--zone", "0.5mm", "--spacing", "1mm"]
    assert main([*argv, "--picture", "--report", "r.pdf", "--csv"]) == 0
    with Image.open("bad-compared.png") as image:
        assert image.format == "PNG"
    assert len(pypdfium2.PdfDocument("r.pdf")) == 1
    lines = list(csv.DictReader(Path("bad-compared.csv").read_text().splitlines()))
    assert max(float(line["deviation_mm"]) for line in lines) == pytest.approx(0.4, abs=0.02)
    assert len(lines) == pytest.approx(tipped().outer.length + 80, rel=0.05)  # one each millimetre, the hole's too
    out = capsys.readouterr().out
    assert all(f"Written      {name}" in out for name in ("bad-compared.png", "r.pdf", "bad-compared.csv"))
    assert main([*argv, "--picture"]) == 2  # already there
    assert "already there" in capsys.readouterr().err
    assert main([*argv, "--picture", "--force"]) == 0


def test_a_series_is_told_as_a_table(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    parts = ["good.pattern.json", "bad.pattern.json", "large.pattern.json"]
    argv = ["compare", *parts, "--master", "master.pattern.json", "--zone", "0.5mm"]
    assert main([*argv, "--picture", "--report", "--csv"]) == 0
    out = capsys.readouterr().out
    lines = {line.split()[0]: line for line in out.splitlines() if line}
    assert "does not conform" in lines["bad"] and "conforms" in lines["good"]
    assert {p.name for p in folder.glob("master-compared.*")} == {f"master-compared.{e}" for e in ("png", "pdf", "csv")}
    assert {line.split(",")[0] for line in Path("master-compared.csv").read_text().splitlines()} == {"part", *"123"}
    assert main([*argv, "--json"]) == 0
    values = json.loads(capsys.readouterr().out)
    assert [p["part"] for p in values["parts"]] == ["good", "bad", "large"] and values["master"] == "master"


def test_datums_fit_and_mirrored_reach_the_comparison(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    by_number = told(capsys, "bad.pattern.json", "master.pattern.json", "--datum", "1", "--datum", "2")
    by_point = told(capsys, "bad.pattern.json", "master.pattern.json", "--datum", "20,-1", "--datum=40,10")
    assert by_number["placement"] == by_point["placement"] and by_number["placement"]["by"] == "on edge 1, 2"
    assert by_number["verdict"] is None and by_number["stretches"] == []  # no zone was given
    least = told(capsys, "bad.pattern.json", "master.pattern.json", "--fit", "zone")
    assert max(map(abs, least["extremes_mm"])) < 0.45
    over = told(capsys, "bad.pattern.json", "master.pattern.json", "--mirrored")
    assert over["placement"]["mirrored"] and over["rms_mm"] > 1


def test_photos_are_traced_with_the_options_for_photos(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    seen = []

    def trace(photos: Any, setup: Any, fair: Any, frame: Any, meant: Any, name: str, *rest: Any) -> SimpleNamespace:
        seen.append((len(photos), setup.thickness, setup.part, fair, frame, meant, name))
        return SimpleNamespace(patterns=(measured(rounded_plate(), EDGE, name),))

    monkeypatch.setattr(digitize.commands.reading, "trace", trace)
    Image.new("RGB", (640, 480), "grey").save("shelf.jpg")
    values = told(capsys, "shelf.jpg", "shelf.jpg", "--zone", "0.5mm", "--thickness", "1/4in", "--fair", "0.1")
    assert seen == [(1, 6.35, "largest", 0.1, Frame.PART, frozenset(), "shelf")]  # one photo, traced once
    assert values["verdict"] == "conforms" and values["rms_mm"] < 1e-6
    assert values["placement"]["other_turns_deg"] in ([180.0], [-180.0])
    assert any("repeats itself" in w for w in values["warnings"])


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        ("bad.pattern.json", "1 file was given"),
        ("bad.pattern.json good.pattern.json master.pattern.json", "3 files were given"),
        ("bad.pattern.json master.pattern.json --zone 0", "zone “0” is 0 mm"),
        ("bad.pattern.json master.pattern.json --zone -0.5mm", "-0.5 mm and must be between"),
        ("bad.pattern.json master.pattern.json --zone wide", "not a zone"),
        ("good.pattern.json master.pattern.json --zone 0.02mm", "No verdict is possible: the zone leaves ±0.01 mm"),
        ("bad.pattern.json master.pattern.json --datum 99", "no edge 99, only edges 1 to 11"),
        ("bad.pattern.json master.pattern.json --datum 900,900", "mm from the nearest edge"),
        ("bad.pattern.json master.pattern.json --datum left", "“left” is not a datum edge"),
        ("bad.pattern.json master.pattern.json --fit round", "round"),
        ("bad.pattern.json master.pattern.json --spacing 0", "spacing “0” is 0 mm"),
        ("bad.pattern.json master.pattern.json --report=r.txt", "does not end in .pdf"),
        ("bad.pattern.json master.pattern.json --csv=x.txt", "does not end in .csv"),
        ("bad.pattern.json bracket.pattern.json", "differs in size"),
        ("bad.pattern.json inch.dxf", "as if the master were in inches"),
        ("bad.pattern.json open.dxf", "“open.dxf”"),
        ("bad.pattern.json gone.dxf", "gone.dxf"),
        ("bad.jpg master.pattern.json", "thickness of the part is missing"),
        ("bad.jpg master.pattern.json --thickness 6", "“bad.jpg” is not there"),
    ],
)
def test_bad_arguments_are_refused_in_one_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str], argv: str, words: str
) -> None:
    keep(drawn(bracket(), "bracket"))
    small = stretched(displaced(tipped(), proud(1, 0.0)), 1 / 25.4)
    Path("inch.dxf").write_bytes(WRITERS[".dxf"](pattern_drawing([drawn(small, "inch")])))
    Path("open.dxf").write_text(open_dxf(tipped()))
    assert main(["compare", *argv.split()]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and words in err and "Traceback" not in err


def open_dxf(outline: Outline) -> str:
    """Lines in millimetres, R12 in its plainest form, the last one left out."""
    lines = ["0", "SECTION", "2", "ENTITIES"]
    for s in outline.outer.segments[:-1]:
        lines += ["0", "LINE", "8", "0", "10", str(s.start[0]), "20", str(s.start[1])]
        lines += ["11", str(s.end[0]), "21", str(s.end[1])]
    return "\n".join([*lines, "0", "ENDSEC", "0", "EOF", ""])
