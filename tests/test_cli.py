"""The commands as people type them: files, words on the terminal, exit codes; the vision floor is stood in for."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pypdfium2
import pytest
from PIL import Image

import digitize.pipeline
from digitize import __version__
from digitize.cli import main, with_bare_options
from digitize.files import read_pattern
from digitize.model.errors import Caveat, PartError
from digitize.model.pattern import Contribution
from digitize.model.sheet import plain_sheet
from digitize.vision.budget import Budget
from digitize.vision.photo import Photo
from digitize.vision.trace import Setup, Traced
from tests.helpers import PlumbView, rectangle_contour
from tests.test_files import lens

WARNING = Caveat("the sharpness is 3.2 px (limit 3.0 px)", "hold the camera still")


class Bench:
    """A folder with a photo in it, and a vision floor that sees a 200 x 120 mm part and a 30 x 40 mm one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.setups: list[Setup] = []
        self.error: BaseException | None = None
        Image.new("RGB", (640, 480), "grey").save(folder / "shelf.jpg")

    def trace_photo(self, photo: Photo, setup: Setup, progress: Any) -> Traced:
        self.setups.append(setup)
        progress("finding the sheets", 0.2)
        if self.error:
            raise self.error
        parts = [(rectangle_contour(-100.0, -60.0, 200.0, 120.0),), (rectangle_contour(110.0, -60.0, 30.0, 40.0),)]
        causes = (Contribution("sheets", 100.0, 0.0), Contribution("edge", 0.0, 0.01))
        kept = tuple(parts if setup.part == "all" else parts[:1])
        bands = tuple(tuple(np.full(len(c.points), 0.05) for c in part) for part in kept)
        advice = "lay another printed sheet on the far side of the part, for about ± 0.04 mm"
        budget = Budget(causes, bands, advice)
        return Traced(view=PlumbView(), parts=kept, mm_per_px=0.5, budget=budget, caveats=(WARNING,))

    @property
    def files(self) -> set[str]:
        return {p.name for p in self.folder.iterdir()}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    made = Bench(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(digitize.pipeline, "trace_photo", made.trace_photo)
    return made


def refusal(capsys: pytest.CaptureFixture[str], *argv: str) -> str:
    """The one sentence on stderr of a command that must be refused."""
    assert main(list(argv)) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.endswith(".\n") and "Traceback" not in err
    return err


def test_trace_writes_a_pattern_and_says_what_was_measured(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trace", "shelf.jpg", "--thickness", "6"]) == 0
    assert bench.files == {"shelf.jpg", "shelf.pattern.json"}
    pattern = read_pattern(Path("shelf.pattern.json"))
    assert pattern.name == "shelf" and pattern.size == pytest.approx((200.0, 120.0), abs=0.005)
    out, err = capsys.readouterr()
    for words in (
        "sheet 0 (88 grid points)",
        "0.064 px RMS",
        "702 mm above the bench",
        "tilted by 3.2°",
        "0.5000 mm",
        "200.00 x 120.00 mm ± 0.05 mm (k = 2)",
        "4 pieces, 4 corners",
        "most of it from: sheets (0.04 mm)",
        str(WARNING),
        "shelf.pattern.json",
    ):
        assert words in out
    assert err == ""


def test_json_alone_is_on_stdout(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trace", "shelf.jpg", "--thickness", "6mm", "--part", "all", "--dxf", "--picture", "--json"]) == 0
    results = json.loads(capsys.readouterr().out)
    assert results["size_mm"] == pytest.approx([200.0, 120.0], abs=0.005)
    assert [p["name"] for p in results["parts"]] == ["shelf-1", "shelf-2"]
    assert results["parts"][1]["size_mm"] == pytest.approx([30.0, 40.0], abs=0.005)
    assert results["sheets"] == [{"number": 0, "grid_points": 88}]
    assert (results["reprojection_rms_px"], results["camera_height_mm"]) == (0.0641, 701.5)
    assert (results["mm_per_px"], results["tilt_deg"]) == (0.5, 3.25)
    assert results["uncertainty_mm"] == pytest.approx(0.049, abs=0.001)
    assert results["warnings"] == [str(WARNING)]
    names = ["shelf-1.pattern.json", "shelf-2.pattern.json", "shelf.dxf", "shelf.png"]
    assert results["files"] == names and bench.files == {"shelf.jpg", *names}
    kinds = [e.dxftype() for e in ezdxf.readfile("shelf.dxf").modelspace()]
    assert kinds.count("LINE") == 8  # both parts in one drawing
    assert Path("shelf.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("a.jpg --dxf", "a.jpg --dxf="),
        ("--dxf a.jpg", "--dxf= a.jpg"),
        ("--dxf out.dxf a.jpg", "--dxf=out.dxf a.jpg"),
        ("--dxf=out.dxf a.jpg", "--dxf=out.dxf a.jpg"),
        ("--dxf --picture a.jpg", "--dxf= --picture= a.jpg"),
        ("--picture a.png b.jpg", "--picture=a.png b.jpg"),
        ("--picture A.PNG", "--picture=A.PNG"),
        ("--dxf a.png", "--dxf= a.png"),
        ("-- --dxf out.dxf", "-- --dxf out.dxf"),
        ("", ""),
    ],
)
def test_dxf_and_picture_stand_bare_or_with_a_path(typed: str, meant: str) -> None:
    assert with_bare_options(typed.split()) == meant.split()


def test_outputs_go_where_they_are_told(bench: Bench) -> None:
    (bench.folder / "out").mkdir()
    argv = "trace shelf.jpg --thickness 6 -o out/Regal-木_$x^.pattern.json --dxf out/a.DXF --picture=out/b.png"
    assert main(argv.split()) == 0
    assert {p.name for p in (bench.folder / "out").iterdir()} == {"Regal-木_$x^.pattern.json", "a.DXF", "b.png"}
    assert read_pattern(Path("out/Regal-木_$x^.pattern.json")).name == "Regal-木_$x^"
    assert main(["trace", "shelf.jpg", "--thickness", "6", "-o", "out/plain.json", "--dxf"]) == 0
    assert (bench.folder / "out" / "plain.json").exists() and (bench.folder / "out" / "plain.dxf").exists()


def test_options_reach_the_vision_floor(bench: Bench) -> None:
    Path("phone.lens.json").write_text(lens().model_dump_json())
    argv = ["trace", "shelf.jpg", "--thickness", '1-1/4"', "--check-lines", "149.7mm,150", "--lens", "phone.lens.json"]
    assert main([*argv, "--part", "123,456", "--edge-height", "25mm", "--fair", "0.1mm", "--frame", "bench"]) == 0
    assert bench.setups[0] == Setup(31.75, 25.0, None, (149.7 / 150, 1.0), True, lens(), (123.0, 456.0))
    assert (
        main(
            [
                "trace",
                "shelf.jpg",
                "--thickness",
                "6",
                "--sheet",
                "plain:10x7x25mm",
                "--check-lines=249.5,175",
                "--force",
            ]
        )
        == 0
    )
    assert bench.setups[1].board == plain_sheet(10, 7, 25.0, (249.5 / 250, 1.0))


@pytest.mark.parametrize(
    ("argv", "told"),
    [
        ("", "thickness of the part is missing"),
        ("--thickness 0", "0 mm and must be between"),
        ("--thickness -6", "-6 mm and must be between"),
        ("--thickness 201", "201 mm and must be between 0.05 and 200 mm"),
        ("--thickness thick", "not a thickness"),
        ("--thickness", "requires an argument"),
        ("--thickness 6 --edge-height 1m", "edge height"),
        ("--thickness 6 --sheet A4", "not a checkerboard"),
        ("--thickness 6 --sheet plain:10x7", "not a checkerboard"),
        ("--thickness 6 --check-lines 150", "pair of measured lengths"),
        ("--thickness 6 --sheet plain:10x7x25mm --check-lines 150,150", "60% of the 250 mm"),
        ("--thickness 6 --part second", "not a point in the photo"),
        ("--thickness 6 --fair 10", "airing tolerance"),
        ("--thickness 6 --frame wall", "wall"),
        ("--thickness 6 --lens no.json", "ens profile “no.json” cannot be read"),
        ("--thickness 6 --lens shelf.jpg", "lens profile “shelf.jpg” is damaged"),
        ("--thickness 6 -o no/x.pattern.json", "folder “no” is not there"),
        ("--thickness 6 -o x.txt", "does not end in .json"),
        ("--thickness 6 -o .json", "does not end in .json"),
        ("--thickness 6 -o .pattern.json", "does not end in .pattern.json"),
        ("--thickness 6 -o ..json", "does not end in .json"),
        ("--thickness 6 --dxf=x.svg", "does not end in .dxf"),
        ("--thickness 6 --picture=x.jpg", "does not end in .png"),
        ("--thickness 6 --dxf no/x.dxf", "folder “no” is not there"),
        ("--thickness 6 --bogus", "--bogus"),
        ("other.jpg --thickness 6", "“other.jpg” is not there"),
        ("shelf.jpg --thickness 6", "The photo is only 640 x 480 px"),
    ],
)
def test_bad_arguments_are_refused_in_one_sentence(
    bench: Bench, capsys: pytest.CaptureFixture[str], argv: str, told: str
) -> None:
    assert told in refusal(capsys, "trace", "shelf.jpg", *argv.split())
    assert bench.files == {"shelf.jpg"} and bench.setups == []


@pytest.mark.parametrize("photo", ["nothing.jpg", ".", "/", "empty.jpg", "\udcff.jpg", "a\0b"])
def test_bad_photos_are_refused_in_one_sentence(bench: Bench, capsys: pytest.CaptureFixture[str], photo: str) -> None:
    (bench.folder / "empty.jpg").write_bytes(b"")
    refusal(capsys, "trace", photo, "--thickness", "6")
    assert bench.files == {"shelf.jpg", "empty.jpg"}


def test_existing_files_are_refused_before_the_work(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("shelf.pattern.json", "shelf-1.pattern.json", "shelf.dxf", "old.png"):
        (bench.folder / name).write_text("old")
    trace = ["trace", "shelf.jpg", "--thickness", "6"]
    assert "shelf.pattern.json” is already there" in refusal(capsys, *trace)
    assert "old.png” is already there" in refusal(capsys, *trace, "-o", "new.json", "--picture", "old.png")
    (bench.folder / "shelf.pattern.json").unlink()
    assert "--force" in refusal(capsys, *trace, "--part", "all")
    assert bench.setups == []
    assert main([*trace, "--dxf", "--force"]) == 0
    assert (bench.folder / "shelf.dxf").read_text() != "old"


def test_the_photo_is_never_overwritten(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    Image.new("RGB", (640, 480)).save("part.png")
    before = Path("part.png").read_bytes()
    assert "is read and cannot be written too" in refusal(
        capsys, "trace", "part.png", "--thickness", "6", "--picture", "--force"
    )
    assert Path("part.png").read_bytes() == before


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (PartError("the part leaves the photo", "step back"), 2),
        (RuntimeError("an assertion\nof a library"), 2),
        (MemoryError(), 2),
        (KeyboardInterrupt(), 130),
    ],
)
def test_failures_leave_no_traceback_and_no_file(
    bench: Bench, capsys: pytest.CaptureFixture[str], error: BaseException, code: int
) -> None:
    bench.error = error
    assert main(["trace", "shelf.jpg", "--thickness", "6", "--dxf", "--json"]) == code
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == (1 if code == 2 else 0) and "Traceback" not in err
    assert bench.files == {"shelf.jpg"}


def test_sheet_writes_the_chosen_pages(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", "-o", "sheets.pdf", "--paper", "letter", "--numbers", "0-1,7"]) == 0
    assert "3 pages, Letter" in capsys.readouterr().out
    document = pypdfium2.PdfDocument(Path("sheets.pdf").read_bytes())
    assert len(document) == 3 and np.allclose(document[0].get_size(), (612, 792))
    assert "sheet 7" in document[2].get_textpage().get_text_range()
    assert main(["sheet", "-o", "plain.pdf", "--plain", "10x7x25mm"]) == 0
    assert "10 x 7 x 25 mm" in pypdfium2.PdfDocument(Path("plain.pdf").read_bytes())[0].get_textpage().get_text_range()


@pytest.mark.parametrize(
    ("argv", "told"),
    [
        ("--paper A3", "not a paper"),
        ("--numbers 18", "does not name sheets"),
        ("--plain 40x40x25", "does not fit"),
        ("--plain 10x7", "not a checkerboard"),
        ("-o no/sheets.pdf", "is not there"),
        ("-o sheets.png", "does not end in .pdf"),
        ("-o old.pdf", "--force"),
        ("extra", "extra"),
    ],
)
def test_bad_sheets_are_refused_in_one_sentence(
    bench: Bench, capsys: pytest.CaptureFixture[str], argv: str, told: str
) -> None:
    Path("old.pdf").write_text("old")
    assert told in refusal(capsys, "sheet", *argv.split())
    assert bench.files == {"shelf.jpg", "old.pdf"}


def test_help_and_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"digitize {__version__}\n"
    for argv in ([], ["--help"], ["trace", "--help"], ["sheet", "--help"]):
        assert main(argv) == 0
        assert "Usage: digitize" in capsys.readouterr().out
    assert "No such command" in refusal(capsys, "bogus")


def test_a_terminal_of_another_encoding_does_not_stop_the_summary(tmp_path: Path) -> None:
    """A real process: ASCII terminal, unwritable characters in the words, exit code 2 and one line."""
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    command = [sys.executable, "-m", "digitize", "trace", "Stuhl 木.jpg", "--thickness", "6"]
    ran = subprocess.run(command, capture_output=True, env=environment, check=False, text=True)
    assert ran.returncode == 2 and ran.stdout == "" and ran.stderr.count("\n") == 1 and "is not there" in ran.stderr
