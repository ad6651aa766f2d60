"""Cutters, the rack's file, and what a person is told when it is not as it should be."""

import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

from digitize.cli import main
from digitize.files import read_rack
from digitize.model.errors import FileError
from digitize.shop.cutter import Cutter, Rack, default_rack, rack_toml
from tests.shop.shapes import cutter

HALF_INCH = ["--diameter", "1/2in", "--cutting-length", "1in", "--shank", "1/4in", "--bearing", "shank"]


def test_the_rack_comes_back_from_its_file() -> None:
    odd = Cutter(
        name='old “1/2" \\ \t\x7f cutter',
        diameter_mm=12.7,
        cutting_length_mm=25.4,
        shank_mm=6.35,
        bearing="none",
        notes="ß",
    )
    rack = Rack(cutters=(*default_rack().cutters, odd, cutter(9.0, bearing_mm=10.0, bearing_height_mm=4.0)))
    assert Rack.model_validate(tomllib.loads(rack_toml(rack))) == rack
    assert Rack.model_validate(tomllib.loads(rack_toml(Rack()))) == Rack()


def test_the_default_rack_holds_common_sizes() -> None:  # common practice: anchors in inches and millimetres
    sizes = {c.diameter_mm for c in default_rack().cutters}
    assert {6.35, 9.525, 12.7, 19.05, 28.575, 6.0, 10.0, 12.0, 16.0, 19.0} <= sizes
    assert {c.bearing for c in default_rack().cutters} == {"shank", "tip", "both"}


@pytest.mark.parametrize(
    ("diameter", "speed"),
    [(6, 24_000), (25.4, 24_000), (26, 18_000), (50.8, 18_000), (60, 16_000), (88.9, 12_000), (90, None)],
)
def test_top_speeds_are_common_practice(diameter: float, speed: int | None) -> None:
    assert cutter(diameter).top_speed_rpm == speed


def test_a_bearing_of_another_size_shifts_the_cut() -> None:
    assert cutter(12.7).offset_mm == 0.0
    assert cutter(12.7, bearing_mm=19.05).offset_mm == pytest.approx(3.175)
    assert cutter(19.05, bearing_mm=12.7).offset_mm == pytest.approx(-3.175)


@pytest.mark.parametrize(
    "wrong", [{"diameter_mm": -3.0}, {"diameter_mm": float("nan")}, {"bearing": "middle"}, {"name": ""}]
)
def test_a_cutter_that_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        cutter(12.7, **wrong)


CUTTER = 'name = "a"\ndiameter_mm = 6\ncutting_length_mm = 20\nshank_mm = 6\nbearing = "tip"\n'
HEAD = 'kind = "digitize rack"\nversion = 1\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x = [", "damaged"),
        ("kind = 3\n", "is not a rack"),
        (HEAD.replace("1", "2"), "version 2"),
        (
            HEAD + "[[cutters]]\n" + CUTTER.replace("= 6\n", "= -6\n", 1),
            "cutter “a”: diameter is -6 and must be above 0",
        ),
        (HEAD + "[[cutters]]\n" + CUTTER.replace('bearing = "tip"\n', ""), "cutter “a”: its bearing is missing"),
        (HEAD + "[[cutters]]\n" + CUTTER.replace("= 20", '= "20"'), "must be a number of millimetres"),
        (HEAD + "[[cutters]]\n" + CUTTER + "colour = 3\n", "cutter “a”: colour is 3 and is not a size that is known"),
        (HEAD + ("[[cutters]]\n" + CUTTER) * 2, "two cutters are called a"),
        (HEAD + "cutters = 7\n", "cannot be used"),
    ],
)
def test_a_damaged_rack_is_told_in_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "rack.toml"
    path.write_text(text)
    with pytest.raises(FileError) as error:
        read_rack(path)
    assert said in error.value.problem and error.value.remedy and "\n" not in str(error.value)


def test_a_rack_of_bytes_that_are_no_text(tmp_path: Path) -> None:
    (tmp_path / "rack.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="damaged"):
        read_rack(tmp_path / "rack.toml")
    with pytest.raises(FileError, match="cannot be read"):
        read_rack(tmp_path)


def test_the_command_keeps_a_rack(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["rack"]) == 0
    assert "default" in capsys.readouterr().out
    assert read_rack() == default_rack()
    assert main(["rack", "add", "straight", *HALF_INCH, "--bearing-diameter", "13mm"]) == 0
    assert "0.15 mm outside" in capsys.readouterr().out
    assert [c.diameter_mm for c in read_rack().cutters] == [12.7]
    assert main(["rack", "add", "Straight", *HALF_INCH]) == 2
    assert "two cutters are called" in capsys.readouterr().err
    assert main(["rack", "add", "none", *HALF_INCH[:-1], "nowhere"]) == 2
    assert main(["rack", "add", "small", *HALF_INCH[2:], "--diameter", "0"]) == 2
    assert [c.name for c in read_rack().cutters] == ["straight"]
    assert main(["rack", "remove", "other"]) == 2
    assert "it holds straight" in capsys.readouterr().err
    assert main(["rack", "remove", "straight"]) == 0
    assert main(["rack", "check"]) == 2
    assert "rack is empty" in capsys.readouterr().err


def test_the_command_checks_and_lists_a_named_rack(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(rack_toml(Rack(cutters=(cutter(100.0, name="wide"), cutter(4.0, name="thin", bearing="none")))))
    assert main(["rack", "check", "--rack", str(path)]) == 0
    said = capsys.readouterr().out
    assert "wide: It is larger than the table" in said and "thin: It has no bearing" in said
    assert main(["rack", "list", "--rack", str(path), "--json"]) == 0
    assert '"diameter_mm": 100.0' in capsys.readouterr().out
    assert main(["rack", "list", "--rack", str(tmp_path / "missing.toml")]) == 2
