"""``digitize lens`` as people type it, on rendered photos of a plain board."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from digitize.cli import main
from digitize.files import read_lens
from digitize.model.sheet import plain_sheet
from tests.scenes import Scene, laid, render

FOCAL_PX, SIZE = 640.0, (800, 600)
CENTRE_TOL_PX = 0.8
BOARD = "plain:10x7x25mm"
POSES = ((0.0, 0.0), (24.0, 20.0), (24.0, 140.0), (24.0, 260.0), (30.0, 80.0), (30.0, 200.0))
HELD = (1, 6, 1, 8, 3, 1)  # EXIF orientation: some photos were taken upright, one upside down
FOCAL_TOL = 0.002  # relative: six photos of half a megapixel


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("lens")
    for k, (tilt, azimuth) in enumerate(POSES):
        board = laid(plain_sheet(10, 7, 25.0), (6.0 * (k - 2), 2.0 * k), 6.0 * k - 15.0)
        scene = Scene(
            sheets=(board,), size=SIZE, focal=FOCAL_PX, height=270.0, tilt=tilt, azimuth=azimuth, bench="dark"
        )
        exif = Image.Exif()
        exif[ExifTags.Base.Orientation] = HELD[k]
        Image.fromarray(render(scene, k).pixels).save(made / f"{k}.jpg", quality=95, exif=exif)
    return made


@pytest.fixture
def photos(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    monkeypatch.chdir(tmp_path)
    yield [str(folder / f"{k}.jpg") for k in range(len(POSES))]


def refusal(capsys: pytest.CaptureFixture[str], *argv: str) -> str:
    assert main(list(argv)) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.endswith(".\n")
    return err


def test_photos_become_a_lens_profile(photos: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lens", *photos, "--sheet", BOARD, "-o", "phone.lens.json", "--picture"]) == 0
    lens = read_lens(Path("phone.lens.json"))
    assert (lens.name, lens.size, lens.photos) == ("phone", SIZE, len(POSES))
    assert lens.parameters[:2] == pytest.approx((FOCAL_PX, FOCAL_PX), rel=FOCAL_TOL)
    assert lens.parameters[2:4] == pytest.approx(((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2), abs=CENTRE_TOL_PX)
    assert lens.parameters[:2] == pytest.approx((FOCAL_PX, FOCAL_PX), abs=5 * np.sqrt(lens.covariance[0][0]))
    with Image.open("phone.png") as picture:
        assert picture.format == "PNG" and picture.size[0] > 1200
    out, err = capsys.readouterr()
    for words in ("Model: ", "outliers dropped", "two halves", "that would help most", "k = 2", "phone.lens.json"):
        assert words in out
    assert err == ""
    assert "is already there" in refusal(capsys, "lens", *photos, "--sheet", BOARD, "-o", "phone.lens.json")


def test_json_alone_is_on_stdout(photos: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lens", *photos, "--sheet", BOARD, "-o", "a.lens.json", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["photos"] == [f"{k}.jpg" for k in range(len(POSES))] and told["left_out"] == {}
    assert len(told["description_length"]) == 4 and told["description_length"][told["model"]] == 0.0
    assert told["files"] == ["a.lens.json"] and told["size_px"] == list(SIZE)
    assert 0 < told["expected_mm"]["rms"] < told["expected_mm"]["largest"]
    assert 0 < told["halves_mm"]["rms"] < told["halves_mm"]["largest"]
    assert sum(r**2 for r in told["photo_rms_px"].values()) > 0


def test_what_cannot_become_a_profile_is_refused(photos: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    few = refusal(capsys, "lens", *photos[:2], "--sheet", BOARD)
    assert "2 of 2 photos can be used and at least 4 are needed" in few
    none = refusal(capsys, "lens", *photos)  # coded sheets are looked for, and there are none
    assert "0 of 6 photos" in none and "no sheet found" in none
    assert ".lens.json" in refusal(capsys, "lens", *photos, "-o", "phone.json")
    assert "not a checkerboard" in refusal(capsys, "lens", *photos, "--sheet", "plain:10")
    assert list(Path().iterdir()) == []


def test_a_profile_that_is_damaged_or_newer_is_told(photos: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    whole = (
        '{"kind": "digitize lens", "version": %s, "size": [10, 10], "parameters": %s, "covariance": [], "rms_px": 1}'
    )
    for text, says in (
        (whole % (2, "[]"), "has version 2, and up to 1 is known"),
        (whole % (1, '["a"]'), "is damaged at parameters.0"),
        (whole % (1, "[]"), "9 or 12 parameters"),
        ('{"kind": "digi', "is damaged"),
    ):
        Path("bad.lens.json").write_text(text)
        assert says in refusal(capsys, "trace", photos[0], "--thickness", "6", "--lens", "bad.lens.json")
