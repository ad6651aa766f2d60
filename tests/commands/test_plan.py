"""``digitize plan``: what it prints and writes, and one sentence for each thing that is wrong."""

import json
import math

import pytest

from digitize.cli import main
from digitize.files import write_files
from digitize.shop.cutter import Rack, rack_toml
from tests.helpers import bracket, pattern
from tests.shop.parts import disc, prong


@pytest.fixture
def part(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def written(outline, **marks):
        path = tmp_path / "part.pattern.json"
        write_files({path: pattern(outline, "settle foot").model_copy(update=marks).model_dump_json().encode()}, True)
        return str(path)

    return written


def run(capsys, *words):
    code = main(["plan", *words])
    out, err = capsys.readouterr()
    return code, out, err


def test_json_tells_the_disc_rule(part, capsys):
    code, out, err = run(capsys, part(disc()), "--grain", "0deg", "--stock", "19mm", "--json")
    v = json.loads(out)
    assert code == 0 and err == ""
    assert sorted(r["feed"] for r in v["runs"]) == ["climb", "climb", "ordinary", "ordinary"]
    for r in v["runs"]:
        assert (
            abs(math.degrees(math.atan2(*r["start_at_mm"])) % 180) == pytest.approx(0, abs=1.0)
            or abs(abs(math.degrees(math.atan2(*r["start_at_mm"])) % 180) - 180) < 1.0
        )
    assert v["machine"] == "table" and v["name"] == "settle foot" and v["files"] == []


def test_hand_and_table_swap_ordinary_and_climb(part, capsys):
    path = part(disc())
    ways = [json.loads(run(capsys, path, "--grain", "30", flag, "--json")[1])["runs"] for flag in ("--hand", "--table")]
    starts = [{(round(r["start_mm"], 3), round(r["end_mm"], 3)): r["feed"] for r in runs} for runs in ways]
    assert set(starts[0]) == set(starts[1])
    assert all(starts[0][k] != starts[1][k] for k in starts[0])


def test_summary_page_and_picture(part, capsys, tmp_path):
    code, out, _ = run(
        capsys, part(prong()), "--grain", "0", "--stock", "3/4in", "--pdf", "--picture", "over-the-bench.png"
    )
    assert code == 0
    assert (tmp_path / "part-plan.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "over-the-bench.png").read_bytes().startswith(b"\x89PNG")
    assert out.splitlines()[1].startswith("Caution")
    assert "Fragile      tip at (50.0, 80.0)" in out and "Written      part-plan.pdf" in out


def test_the_patterns_own_grain_is_used_unless_another_is_given(part, capsys):
    path = part(bracket(), grain_deg=70.0)
    assert json.loads(run(capsys, path, "--json")[1])["grain_deg"] == 70.0
    assert json.loads(run(capsys, path, "--grain", "-20", "--json")[1])["grain_deg"] == 160.0


def test_a_rack_of_ones_own_and_an_empty_one(part, capsys, tmp_path):
    empty = tmp_path / "none.toml"
    empty.write_text(rack_toml(Rack()))
    code, out, _ = run(capsys, part(bracket()), "--grain", "0", "--stock", "19", "--rack", str(empty), "--json")
    v = json.loads(out)
    assert code == 0 and v["remainders"] == [] and v["runs"]
    assert any("rack is empty" in c for c in v["cautions"])


def test_nothing_known_still_gives_a_plan(part, capsys):
    code, out, _ = run(capsys, part(bracket(), thickness_mm=None), "--json")
    v = json.loads(out)
    assert code == 0 and v["grain_deg"] is None and v["depth"] == []
    assert any("No grain direction" in c for c in v["cautions"]) and any(
        "stock's thickness" in c for c in v["cautions"]
    )


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--grain", "north"], "“north” is not a grain direction"),
        (["--grain", "900"], "is not a grain direction"),
        (["--table", "--hand"], "Both --table and --hand"),
        (["--pattern-on", "left"], "no place for the pattern"),
        (["--stock", "-3mm"], "stock's thickness"),
        (["--runout", "1:0"], "not a slope of grain"),
        (["--runout", "12:1"], "not a slope of grain"),
        (["--paper", "roll:610mm"], "is a roll"),
        (["--pdf=plan.txt"], "does not end in .pdf"),
        (["--blade", "0mm"], "width of the blade"),
    ],
)
def test_what_is_wrong_is_told_in_one_sentence(part, capsys, words, sentence):
    code, out, err = run(capsys, part(bracket()), *words)
    assert code == 2 and out == "" and sentence in err and len(err.strip().splitlines()) == 1


def test_a_rack_with_a_negative_size_is_refused(part, capsys, tmp_path):
    rack = tmp_path / "bad.toml"
    rack.write_text(
        'kind = "digitize rack"\nversion = 1\n\n[[cutters]]\nname = "odd"\ndiameter_mm = -6.0\n'
        "cutting_length_mm = 20.0\nshank_mm = 6.0\n"
        'bearing = "tip"\n'
    )
    code, out, err = run(capsys, part(bracket()), "--rack", str(rack))
    assert code == 2 and out == "" and "bad.toml" in err and len(err.strip().splitlines()) == 1
