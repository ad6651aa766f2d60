"""The commands that rebuild patterns, as people type them: files, words on the terminal, exit codes."""

import json
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely import Polygon, box

from digitize.cli import main
from digitize.files import read_pattern
from digitize.fitting import fit_outline
from digitize.model.pattern import Pattern
from tests.helpers import pattern, rounded_plate
from tests.rebuild.snaps import break_line, contours, snapped

NOISE_MM = 0.015
CORNER_MM = 0.15  # a corner broken off by 8 mm is restored within


@cache
def traced(name: str) -> Pattern:
    """A plate with a chipped corner and a dent, or one of the two pieces of a board."""
    rng = np.random.default_rng(8)
    if name == "plate":
        chipped = Polygon([(0, 0), (90, 0), (94, 1.5), (98, 0), (200, 0), (200, 112), (192, 120), (0, 120)])
        return pattern(fit_outline(contours(chipped, rng, NOISE_MM))[0], name)
    whole = box(0, 0, 180, 70).union(Polygon([(60, 69), (90, 95), (130, 69)]))
    snap = snapped("board", whole, [break_line(rng, (75, -9), (80, 110), 3.0)], rng, noise=NOISE_MM)
    return pattern(snap.outlines[int(name)], f"piece-{name}")


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, made in {"plate": traced("plate"), "0": traced("0"), "1": traced("1")}.items():
        (tmp_path / f"{name}.pattern.json").write_text(made.model_dump_json())
    (tmp_path / "sound.pattern.json").write_text(pattern(rounded_plate(), "sound").model_dump_json())
    return tmp_path


def told(capsys: pytest.CaptureFixture[str]) -> str:
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], *argv: str) -> str:
    capsys.readouterr()
    assert main(list(argv)) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    return said.err


def test_join_writes_the_whole_with_its_picture_and_step(shop, capsys):
    assert main(["join", "0.pattern.json", "1.pattern.json", "-o", "board.pattern.json", "--picture"]) == 0
    said = told(capsys)
    assert "pieces 1 and 2:" in said
    assert "gaps up to" in said and "overlaps up to" in said and "(k = 2)" in said
    made = read_pattern(shop / "board.pattern.json")
    assert made.size == pytest.approx((180.0, 95.0), abs=0.1)
    assert made.name == "board"
    assert made.steps[-1].what == "joined"
    assert {"turn_2_deg", "x_2_mm", "y_2_mm", "lost_mm"} <= set(made.steps[-1].values)
    assert len(made.invented) == 2
    assert [c.name for c in made.measured.uncertainty][-1] == "joint"
    with Image.open(shop / "board.png") as picture:
        assert picture.size == (1760, 1360)


def test_join_as_json(shop, capsys):
    assert main(["join", "0.pattern.json", "1.pattern.json", "-o", "board.pattern.json", "--json"]) == 0
    values = json.loads(told(capsys))
    assert values["size_mm"] == pytest.approx([180.0, 95.0], abs=0.1)
    assert values["steps"][-1]["what"] == "joined"


def test_join_refuses_what_does_not_belong_together(shop, capsys):
    assert "fits" in refused(capsys, "join", "0.pattern.json", "sound.pattern.json", "-o", "x.pattern.json")
    assert "Only one piece" in refused(capsys, "join", "0.pattern.json", "-o", "x.pattern.json")
    assert not (shop / "x.pattern.json").exists()


def test_join_tells_of_a_piece_turned_over_and_flips_it(shop, capsys):
    main(["resize", "1.pattern.json", "-o", "over.pattern.json", "--other-hand"])
    capsys.readouterr()
    argv = ["join", "0.pattern.json", "over.pattern.json", "-o", "board.pattern.json"]
    assert "--flip 2" in refused(capsys, *argv)
    assert main([*argv, "--flip", "2"]) == 0
    assert read_pattern(shop / "board.pattern.json").size == pytest.approx((180.0, 95.0), abs=0.1)


def test_nothing_overwrites_the_original(shop, capsys):
    before = (shop / "plate.pattern.json").read_bytes()
    for argv in (["heal", "--spots", "9mm"], ["mirror"], ["resize", "--other-hand"]):
        said = refused(capsys, argv[0], "plate.pattern.json", "-o", "plate.pattern.json", "--force", *argv[1:])
        assert "cannot be written too" in said
    assert (shop / "plate.pattern.json").read_bytes() == before


def test_heal_spots_then_a_corner(shop, capsys):
    assert main(["heal", "plate.pattern.json", "-o", "a.pattern.json", "--spots", "12mm"]) == 0
    assert "1 stretch replaced (line)" in told(capsys)
    argv = ["heal", "a.pattern.json", "-o", "b.pattern.json", "--between", "200,111.5", "--between", "191.5,120"]
    assert main([*argv, "--picture"]) == 0
    made = read_pattern(shop / "b.pattern.json")
    assert min(math.dist(c, (200.0, 120.0)) for c in made.outline.corners()) < CORNER_MM
    assert len(made.invented) == 2
    assert [s.what for s in made.steps] == ["healed", "healed"]


def test_heal_leaves_a_sound_pattern_as_it_is(shop, capsys):
    assert main(["heal", "sound.pattern.json", "-o", "a.pattern.json", "--spots", "9mm"]) == 0
    assert "Nothing is out of fair" in told(capsys)
    made = read_pattern(shop / "a.pattern.json")
    assert made.outline == rounded_plate()
    assert made.invented == ()


def test_mirror_averages_a_symmetric_pattern_and_completes_a_half(shop, capsys):
    assert main(["mirror", "sound.pattern.json", "-o", "a.pattern.json"]) == 0
    assert "The halves differed by 0.000 mm RMS" in told(capsys)
    argv = ["mirror", "plate.pattern.json", "-o", "b.pattern.json", "--axis", "100,0", "--axis", "100,100", "--picture"]
    assert main(argv) == 0
    made = read_pattern(shop / "b.pattern.json")
    assert made.size == pytest.approx((200.0, 120.0), abs=0.05)
    assert sum(s.end_mm - s.start_mm for s in made.invented) == pytest.approx(320.0, abs=5.0)
    assert made.steps[-1].what == "completed from one half"


def test_shrinkage_is_undone_across_the_grain(shop, capsys):
    argv = ["shrinkage", "plate.pattern.json", "-o", "a.pattern.json", "--then", "12", "--now", "8"]
    assert "direction of the grain is not known" in refused(capsys, *argv, "--species", "cherry")
    assert "either --species or --percent" in refused(capsys, *argv, "--grain", "0")
    assert main([*argv, "--species", "cherry", "--grain", "0"]) == 0
    assert "300 mm across become 302.84 mm" in told(capsys)
    made = read_pattern(shop / "a.pattern.json")
    assert made.size == pytest.approx((200.0, 120 * (1 + 0.071 * 4 / 30)), abs=0.05)
    assert made.steps[-1].values["species"] == "cherry"
    assert made.grain_deg == 0.0


def test_resize_shows_the_resulting_sizes(shop, capsys):
    argv = ["resize", "plate.pattern.json", "-o", "a.pattern.json"]
    assert "No new size" in refused(capsys, *argv)
    assert main([*argv, "--between", "0,0", "--between", "200,0", "--length", "12in"]) == 0
    assert "becomes 304.80 mm" in told(capsys).replace("304.79", "304.80").replace("304.81", "304.80")
    assert main([*argv, "--force", "--height", "60mm", "--width", "200mm"]) == 0
    assert read_pattern(shop / "a.pattern.json").size == pytest.approx((200.0, 60.0), abs=1e-6)


def test_resize_for_a_guide_bush_and_by_an_offset(shop, capsys):
    argv = ["resize", "sound.pattern.json", "-o", "a.pattern.json", "--force"]
    assert main([*argv, "--bush", "17mm", "--cutter", "13mm"]) == 0
    assert read_pattern(shop / "a.pattern.json").size == pytest.approx((56.0, 36.0), abs=1e-6)
    assert main([*argv, "--outside", "2mm"]) == 0
    assert read_pattern(shop / "a.pattern.json").size == pytest.approx((64.0, 44.0), abs=1e-6)
    assert "One offset at a time" in refused(capsys, *argv, "--outside", "2mm", "--inside", "2mm")
