"""``digitize export`` as people type it, and patterns read from either kind of file."""

import io
from datetime import UTC, datetime
from pathlib import Path

import ezdxf
import pypdfium2
import pytest
from PIL import Image

from digitize.cli import main, with_bare_options
from digitize.files import read_part
from digitize.formats.drawing import pattern_drawing
from digitize.formats.dxf import DxfForm, dxf_bytes
from digitize.model.errors import FileError, InputError
from digitize.model.pattern import Pattern
from tests.helpers import assert_outlines_equal, bracket, pattern, rounded_plate

SAME_MM = 1e-3


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a pattern in it, as the pattern file and as a DXF that says all."""
    monkeypatch.chdir(tmp_path)
    ours = pattern(bracket(), "gable bracket")
    Path("gable.pattern.json").write_text(ours.model_dump_json())
    Path("gable.dxf").write_bytes(dxf_bytes(pattern_drawing([ours])))
    return tmp_path


def refusal(capsys: pytest.CaptureFixture[str], *argv: str) -> str:
    """The one sentence on stderr of a command that must be refused."""
    before = sorted(Path().iterdir())
    assert main(list(argv)) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.endswith(".\n") and "Traceback" not in err
    assert sorted(Path().iterdir()) == before  # nothing was written
    return err


@pytest.mark.parametrize("source", ["gable.pattern.json", "gable.dxf"])
def test_all_kinds_are_written_at_once(folder: Path, source: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", source, "a.dxf", "b.svg", "c.pdf", "d.PNG", "--paper", "letter"]) == 0
    out, err = capsys.readouterr()
    assert out.splitlines() == [f"Written: {name}" for name in ("a.dxf", "b.svg", "c.pdf", "d.PNG")] and err == ""
    assert {e.dxftype() for e in ezdxf.readfile("a.dxf").modelspace()} == {"LINE", "ARC", "SPLINE", "CIRCLE", "TEXT"}
    assert Path("b.svg").read_bytes().startswith(b"<?xml")
    size = [side * 25.4 / 72 for side in pypdfium2.PdfDocument(Path("c.pdf").read_bytes())[0].get_size()]
    assert sorted(size) == pytest.approx([215.9, 279.4], abs=0.01)
    assert max(Image.open(io.BytesIO(Path("d.PNG").read_bytes())).size) == 1600


def test_a_dxf_reads_back_as_the_pattern_that_was_written(folder: Path) -> None:
    assert main(["export", "gable.pattern.json", "inches.dxf", "--dxf-unit", "inch"]) == 0
    back = read_part(Path("inches.dxf"))
    assert (back.name, back.thickness_mm, back.grain_deg) == ("gable bracket", 6.35, None)
    assert_outlines_equal(back.outline, bracket(), SAME_MM)
    assert back.measured is None and back.fit is None and back.caveats == ()


@pytest.mark.parametrize(
    ("typed", "tolerance"), [(["--arcs"], 0.02), (["--arcs", "0.2"], 0.2), (["--arcs=0.01mm"], 0.01)]
)
def test_arcs_stand_for_splines_within_the_tolerance(folder: Path, typed: list[str], tolerance: float) -> None:
    assert main(["export", "gable.pattern.json", "arcs.dxf", *typed]) == 0
    assert "SPLINE" not in {e.dxftype() for e in ezdxf.readfile("arcs.dxf").modelspace()}
    assert_outlines_equal(read_part(Path("arcs.dxf")).outline, bracket(), 1.1 * tolerance)  # a tenth for the chords


def test_r12_is_written_and_its_unit_asked_for_when_read(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", "gable.pattern.json", "old.dxf", "--r12", "--dxf-unit", "in"]) == 0
    assert ezdxf.readfile("old.dxf").dxfversion == "AC1009"
    capsys.readouterr()
    said = refusal(capsys, "export", "old.dxf", "back.svg")
    assert said == "“old.dxf”: the drawing does not say its unit: give --unit mm or --unit inch.\n"
    assert main(["export", "old.dxf", "back.dxf", "--unit", "inch"]) == 0
    assert_outlines_equal(read_part(Path("back.dxf")).outline, bracket(), 0.01 + SAME_MM)


def test_a_name_that_a_dxf_cannot_carry_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("odd.pattern.json").write_text(pattern(bracket(), "50%%d \U0001f600\nlid").model_dump_json())
    assert main(["export", "odd.pattern.json", "odd.dxf"]) == 0
    assert "Note: a DXF cannot carry the name “50%%d \U0001f600 lid” and has “50% %d ? lid”" in capsys.readouterr().out
    assert read_part(Path("odd.dxf")).name == "50% %d ? lid"


def test_what_was_odd_in_a_drawing_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = ezdxf.new("R2010", units=4)
    document.modelspace().add_ellipse((0, 0), (50, 0), 0.5)
    document.saveas("oval.dxf")
    assert main(["export", "oval.dxf", "oval.svg"]) == 0
    assert "Note: 1 curve of the drawing is an ellipse" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("argv", "sentence"),
    [
        (
            ("gable.pattern.json", "a.txt"),
            "“a.txt” cannot be written: give it one of the endings .dxf, .svg, .pdf, .png",
        ),
        (("gable.pattern.json", ".dxf"), "“.dxf” cannot be written"),
        (("gable.pattern.json", "a.svg", "a.svg"), "would be written twice"),
        (("gable.dxf", "gable.dxf", "--force"), "is read and cannot be written too"),
        (("gable.pattern.json", "gable.dxf"), "“gable.dxf” is already there"),
        (("none.dxf", "a.svg"), "The drawing “none.dxf” cannot be read (No such file or directory)"),
        (("none.pattern.json", "a.svg"), "cannot be read"),
        (("gable.pattern.json", "a.pdf", "--paper", "A5"), "“A5” is not a paper that is known: choose A4, A3, Letter"),
        (("gable.pattern.json", "a.pdf", "--paper", "roll:60"), "has room for 40 mm, and at least 100 mm are needed"),
        (("gable.pattern.json", "a.dxf", "--arcs=9"), "must be between 0.001 and 1 mm"),
        (("gable.pattern.json", "a.dxf", "--r12=0"), "must be between 0.001 and 1 mm"),
        (("gable.pattern.json", "a.dxf", "--dxf-unit", "cm"), "“cm” is not a unit that is known: give mm or inch"),
        (("gable.dxf", "a.svg", "--unit", "yd"), "“yd” is not a unit that is known: give mm or inch"),
        (("gable.pattern.json",), "OUT..."),
    ],
)
def test_what_cannot_be_done_is_said(
    folder: Path, capsys: pytest.CaptureFixture[str], argv: tuple[str, ...], sentence: str
) -> None:
    assert sentence in refusal(capsys, "export", *argv)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("--arcs a.dxf", "--arcs= a.dxf"),
        ("--arcs 0.05 a.dxf", "--arcs=0.05 a.dxf"),
        ("--r12 0.01mm", "--r12=0.01mm"),
        ('--arcs 1/64" --r12', '--arcs=1/64" --r12='),
    ],
)
def test_arcs_and_r12_stand_bare_or_with_a_length(typed: str, meant: str) -> None:
    assert with_bare_options(typed.split()) == meant.split()


def test_a_drawing_of_several_parts_is_no_pattern(tmp_path: Path) -> None:
    both: list[Pattern] = [pattern(bracket()), pattern(rounded_plate().moved(0.0, (200.0, 5.0)))]
    path = tmp_path / "two.dxf"
    path.write_bytes(dxf_bytes(pattern_drawing(both)))
    with pytest.raises(FileError, match=r"two\.dxf” holds 2 parts \(one at \(\d+\.\d\d, \d+\.\d\d\) mm\)"):
        read_part(path)


def test_a_foreign_drawing_takes_its_name_from_the_file_and_its_thickness_from_nobody(tmp_path: Path) -> None:
    document = ezdxf.new("R2000", units=1)
    document.modelspace().add_circle((2.0, 1.0), 1.5)
    path = tmp_path / "Round lid.DXF"
    document.saveas(path)
    part = read_part(path)
    assert (part.name, part.thickness_mm) == ("Round lid", None)
    assert part.size == pytest.approx((76.2, 76.2), abs=0.01)
    assert abs((datetime.now(UTC) - part.created).total_seconds()) < 3600


def test_a_unit_that_was_given_goes_through(tmp_path: Path) -> None:
    path = tmp_path / "old.dxf"
    path.write_bytes(dxf_bytes(pattern_drawing([pattern(bracket())]), DxfForm("mm", 0.01)))
    with pytest.raises(InputError, match="does not say its unit"):
        read_part(path)
    assert read_part(path, "mm").size == pytest.approx((170.0, 100.0), abs=0.02)
