"""The page's answers, from a photo to a kept pattern: the same as the command line's, and each edit what it says."""

from __future__ import annotations

import io
import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pypdfium2
import pytest
import shapely
from ezdxf.path import make_path
from PIL import Image

from digitize.cli import main
from digitize.files import read_pattern
from digitize.model.pattern import Pattern
from digitize.shop.cutter import Rack, default_rack, rack_toml
from digitize.web.desk import MOST_OPEN
from digitize.web.tiles import TILE_PX
from digitize.web.words import LABELS, PHRASES, spoken
from tests.web.served import Client, plain_photo, served

FIXTURES = Path(__file__).parents[2] / "fixtures"
BRACKET = (FIXTURES / "bracket.jpg").read_bytes()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Client, Path, dict[str, Any]]]:
    """A page with the traced bracket on its desk, for tests that leave it as they found it."""
    folder = tmp_path_factory.mktemp("bench") / "patterns"
    with served(folder) as (client, _):
        yield client, folder, client.traced(BRACKET, "bracket.jpg", thickness="6mm")


def edit(client: Client, work: dict[str, Any], **asked: Any) -> Any:
    answer = client.post(f"/api/desk/{work['id']}/edit", asked)
    assert answer.status == 200, answer.body
    return answer.json


def ring(points: list[Any]) -> shapely.Polygon:
    return shapely.Polygon(points)


def apart(one: list[Any], other: list[Any]) -> float:
    return float(shapely.hausdorff_distance(shapely.LineString(one), shapely.LineString(other), densify=0.01))


def pixel_mm(client: Client, work: dict[str, Any]) -> float:
    words = client.post(f"/api/desk/{work['id']}/ruler", {"a": [2000, -1500], "b": [2100, -1500]}).json["words"]
    return float(words.split()[0]) / 100


def test_the_page_traces_as_the_command_line_does(
    bench: tuple[Client, Path, dict[str, Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    client, _, work = bench
    told = tmp_path / "bracket.pattern.json"
    assert main(["trace", str(FIXTURES / "bracket.jpg"), "--thickness", "6mm", "-o", str(told), "--json"]) == 0
    by_hand = json.loads(capsys.readouterr().out)
    ours = client.get(f"/api/desk/{work['id']}/pattern.json")
    assert ours.headers["content-disposition"].startswith('attachment; filename="bracket.pattern.json"')
    mine, theirs = ours.json, json.loads(told.read_bytes())
    assert mine | {"created": None} == theirs | {"created": None}
    assert work["advice"].replace("“Check lines as measured”", "--check-lines") == by_hand["advice"]
    assert len(work["sheets"]) == len(by_hand["sheets"])


def test_the_outline_lies_on_the_edge_in_the_photo(bench: tuple[Client, Path, dict[str, Any]]) -> None:
    """Across the drawn line the photo changes from part to mat; the darker mat lies outside."""
    _, _, work = bench
    grey = np.asarray(Image.open(io.BytesIO(BRACKET)).convert("L"), dtype=float)
    line = np.array(work["outline"]["loops"][0])
    middle, way = (line[1:] + line[:-1]) / 2, np.diff(line, axis=0)
    long = np.hypot(*way.T) > 5
    middle, way = middle[long], way[long] / np.hypot(*way[long].T)[:, None]
    inside = middle + 4 * np.stack([-way[:, 1], way[:, 0]], axis=1)  # the part lies on the left
    outside = middle - 4 * np.stack([-way[:, 1], way[:, 0]], axis=1)
    light = [grey[(-p[:, 1] - 0.5).round().astype(int), (p[:, 0] - 0.5).round().astype(int)] for p in (inside, outside)]
    assert np.mean(light[0] - light[1] > 20) > 0.9


def test_a_photo_is_shown_in_tiles_before_it_is_traced(tmp_path: Path) -> None:
    with served(tmp_path) as (client, _):
        work = client.post("/api/photos?name=foot.jpg", (FIXTURES / "foot.jpg").read_bytes()).json
        assert not work["traced"] and "outline" not in work
        stage, photo = work["stage"], Image.open(FIXTURES / "foot.jpg")
        assert (stage["width"], stage["height"]) == photo.size
        deepest = int(np.ceil(np.log2(max(photo.size) / TILE_PX)))
        for z in range(deepest + 1):
            path = stage["tiles"].replace("{z}", str(z)).replace("{x}", "0").replace("{y}", "0")
            tile = Image.open(io.BytesIO(client.get(path).body))
            shrink = 2 ** (deepest - z)
            size = [min(TILE_PX, -(-side // shrink)) for side in photo.size]
            assert tile.size == tuple(size)
            shown = photo.crop((0, 0, size[0] * shrink, size[1] * shrink)).reduce(shrink)
            one, other = (np.asarray(p.convert("L"), float) for p in (tile, shown))
            off = np.abs(one - other).mean()  # what JPEG leaves
            assert all(np.abs(one - np.roll(other, 1, axis)).mean() > 1.5 * off for axis in (0, 1))  # and not a shift
        assert client.get(stage["tiles"].format(z=deepest + 1, x=0, y=0)).status == 404


def test_a_dragged_corner_takes_its_neighbours_along_and_is_forgotten_until_let_go(
    bench: tuple[Client, Path, dict[str, Any]],
) -> None:
    client, _, work = bench
    joint = work["outline"]["joints"][0]
    to = [joint["at"][0] + 20, joint["at"][1] - 12]
    move = {"do": "move", "loop": joint["loop"], "index": joint["index"], "to": to}
    trial = edit(client, work, **move, trial=True)["outline"]
    assert np.hypot(*(np.array(trial["loops"][joint["loop"]]) - to).T).min() < 0.01  # px
    beyond = 3 * np.mean(work["outline"]["loops"][0], axis=0) - 2 * np.array(joint["at"])  # through the other side
    crossing = edit(client, work, **move | {"to": beyond.tolist()}, trial=True)
    assert set(crossing) == {"refused"}  # no error, since the finger is still on its way
    assert client.post(f"/api/desk/{work['id']}/edit", {"do": "heal", "trial": True}).json.keys() == {"refused"}
    assert client.get(f"/api/desk/{work['id']}").json["outline"] == work["outline"]
    done = edit(client, work, **move)
    assert done["outline"]["loops"] == trial["loops"] and done["steps"] == ["corner moved"]
    assert done["outline"]["invented"] != []  # nobody measured an edge there
    undone = edit(client, work, do="undo")
    assert undone["outline"] == work["outline"] and undone["can_redo"] and not undone["can_undo"]
    assert edit(client, work, do="redo")["outline"] == done["outline"]
    edit(client, work, do="undo")


def test_another_thickness_is_what_a_new_tracing_would_give(tmp_path: Path) -> None:
    """Told 8 mm for a part of 6 mm, and then mended: the height must come back; the width has a tip that does not."""
    with served(tmp_path) as (client, shop):
        right = client.traced(BRACKET, "bracket.jpg", thickness="6mm")
        wrong = client.traced(BRACKET, "bracket.jpg", thickness="8mm")
        mended = edit(client, wrong, do="thickness", thickness="6 mm")
        before, after, true = (read_size(o["outline"]["words"]) for o in (wrong, mended, right))
        assert abs(before[1] - true[1]) > 0.3
        assert abs(after[1] - true[1]) < 0.03
        assert mended["thickness_mm"] == 6.0 and mended["steps"] == ["thickness told anew"]
        assert apart(mended["outline"]["loops"][0], wrong["outline"]["loops"][0]) < 0.2  # px: seen where it was seen
        assert shop.desk.get(wrong["id"]).pattern.invented == ()


def read_size(words: str) -> tuple[float, float]:
    first, _, rest = words.partition(" × ")
    return float(first), float(rest.split()[0])


def test_a_stretch_is_straightened_healed_or_followed_again(bench: tuple[Client, Path, dict[str, Any]]) -> None:
    client, _, work = bench
    line = work["outline"]["loops"][0]
    places = np.array([j["at"] for j in work["outline"]["joints"]])
    k = int(np.hypot(*(np.roll(places, -1, axis=0) - places).T).argmax())  # the longest side, which is straight
    a, b = places[k], np.roll(places, -1, axis=0)[k]
    start, end = (a + 0.4 * (b - a)).tolist(), (a + 0.5 * (b - a)).tolist()
    for asked in ({"do": "straighten", "kind": "line"}, {"do": "heal"}):
        done = edit(client, work, **asked, start=start, end=end)
        assert apart(done["outline"]["loops"][0], line) < 0.1 and len(done["steps"]) == 1  # px: it was straight
        edit(client, work, do="undo")
    aside = 6.0 * np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
    stroke = [(a + t * (b - a) + aside).tolist() for t in np.linspace(0.7, 0.9, 12)]  # clear of the mat's lines
    done = edit(client, work, do="redraw", path=stroke)
    assert apart(done["outline"]["loops"][0], line) < 1.0  # px: drawn 6 px beside the edge, found on it
    assert done["outline"]["invented"] == []
    edit(client, work, do="undo")


def test_an_edit_that_cannot_be_made_changes_nothing(bench: tuple[Client, Path, dict[str, Any]]) -> None:
    client, _, work = bench
    joint = work["outline"]["joints"][0]
    far = [joint["at"][0] + 9000, joint["at"][1]]
    for asked in (
        {"do": "remove", "loop": 0, "index": 999},
        {"do": "add", "near": far},
        {"do": "straighten", "start": far, "end": joint["at"]},
        {"do": "heal", "start": joint["at"], "end": joint["at"]},
        {"do": "thickness", "thickness": "thin"},
        {"do": "thickness", "thickness": "-3"},
        {"do": "redraw", "path": [far]},
        {"do": "move", "loop": 0, "index": joint["index"]},
    ):
        answer = client.post(f"/api/desk/{work['id']}/edit", asked)
        assert answer.status == 422 and set(answer.json) == {"problem", "remedy"}
    assert client.get(f"/api/desk/{work['id']}").json["outline"] == work["outline"]


def test_the_ruler_measures_on_the_part(bench: tuple[Client, Path, dict[str, Any]]) -> None:
    """The bracket's straight sides are known (fixtures/bracket.truth.json: 220 mm wide)."""
    client, _, work = bench
    corners = np.array([j["at"] for j in work["outline"]["joints"]])
    far = max(
        ((i, j) for i in range(len(corners)) for j in range(i)),
        key=lambda ij: np.hypot(*(corners[ij[0]] - corners[ij[1]])),
    )
    told = client.post(f"/api/desk/{work['id']}/ruler", {"a": corners[far[0]].tolist(), "b": corners[far[1]].tolist()})
    outline = pattern_of(client, work).outline
    true = max(np.hypot(*np.subtract(p, q)) for p in outline.corners() for q in outline.corners())
    assert abs(float(told.json["words"].split()[0]) - true) < 0.01 and "± 0." in told.json["words"]


def pattern_of(client: Client, work: dict[str, Any]) -> Pattern:
    return Pattern.model_validate_json(client.get(f"/api/desk/{work['id']}/pattern.json").body)


def test_the_grain_is_drawn_told_or_taken_away(bench: tuple[Client, Path, dict[str, Any]]) -> None:
    client, _, work = bench
    desk = f"/api/desk/{work['id']}"
    told = client.post(f"{desk}/grain", {"deg": 30}).json
    assert told["grain_deg"] == 30.0
    drawn = client.post(f"{desk}/grain", {"a": told["arrow"][0], "b": told["arrow"][1]}).json
    assert abs(drawn["grain_deg"] - 30.0) < 0.05  # the arrow is drawn where it points
    back = client.post(f"{desk}/grain", {"a": told["arrow"][1], "b": told["arrow"][0]}).json
    assert abs(back["grain_deg"] - 30.0) < 0.05  # a grain has no head
    short = client.post(f"{desk}/grain", {"a": [100, -100], "b": [101, -100]})
    assert short.status == 422 and "too short" in short.json["problem"]
    assert client.post(f"{desk}/grain", {"deg": None}).json["arrow"] is None
    for _ in range(4):
        edit(client, work, do="undo")


def test_the_plan_is_the_command_lines(
    bench: tuple[Client, Path, dict[str, Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    client, _, work = bench
    desk = f"/api/desk/{work['id']}"
    assert client.get(f"{desk}/plan.pdf").status == 404
    client.post(f"{desk}/grain", {"deg": 15})
    planned = client.post(f"{desk}/plan", {"stock": "19mm", "machine": "hand", "cutters": ["1/2 in", "10 mm"]}).json
    saved = tmp_path / "bracket.pattern.json"
    saved.write_bytes(client.get(f"{desk}/pattern.json").body)
    rack = tmp_path / "rack.toml"
    rack.write_text(rack_toml(Rack(cutters=tuple(c for c in default_rack().cutters if c.name in ("1/2 in", "10 mm")))))
    assert main(["plan", str(saved), "--stock", "19mm", "--hand", "--rack", str(rack), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert planned["cautions"] == [spoken(c) for c in told["cautions"]]
    assert [r["feed"] for r in planned["runs"]] == [r["feed"] for r in told["runs"]]
    assert len(planned["tips"]) == len(told["tips"]) and planned["best_grain"]["deg"] == told["best_grain_deg"]
    whole = sum(length(r["path"]) for r in planned["runs"]) * pixel_mm(client, work)
    assert whole == pytest.approx(sum(r["length_mm"] for r in told["runs"]), rel=0.05)  # the photo is a little tilted
    pages = pypdfium2.PdfDocument(client.get(f"{desk}/plan.pdf?paper=A4").body)
    assert len(pages) == 1 and pages[0].get_size() == pytest.approx((595.3, 841.9), abs=0.2)
    assert client.get(f"{desk}/plan.pdf?paper=roll:610mm").status == 422
    edit(client, work, do="undo")
    assert client.get(f"{desk}/plan.pdf").status == 404  # the plan was of another outline


def length(path: list[Any]) -> float:
    return float(np.hypot(*np.diff(np.array(path), axis=0).T).sum())


def test_what_is_downloaded_opens_elsewhere(bench: tuple[Client, Path, dict[str, Any]], tmp_path: Path) -> None:
    """Read by ezdxf and pypdfium2; the sizes are the pattern's."""
    client, _, work = bench
    desk, pattern = f"/api/desk/{work['id']}", pattern_of(client, work)
    for unit, millimetres in (("mm", 1.0), ("inch", 25.4)):
        for arcs in ("", "&arcs=yes"):
            saved = tmp_path / "part.dxf"
            saved.write_bytes(client.get(f"{desk}/pattern.dxf?unit={unit}{arcs}").body)
            drawing = ezdxf.readfile(saved)
            assert not drawing.audit().errors
            edges = [e for e in drawing.modelspace() if e.dxftype() in ("LINE", "ARC", "SPLINE", "CIRCLE")]
            points = np.vstack([[(v.x, v.y) for v in make_path(e).flattening(0.001)] for e in edges])
            assert np.ptp(points, axis=0) * millimetres == pytest.approx(pattern.size, abs=0.05)
    for paper in ("A4", "A3", "Letter"):
        told = client.post(f"{desk}/pages", {"paper": paper}).json
        pages = pypdfium2.PdfDocument(client.get(f"{desk}/pattern.pdf?paper={paper}").body)
        assert len(pages) == len(told["sheets"]) and told["words"].startswith(f"{len(pages)} sheet")
        covered = shapely.union_all([ring(r) for r in told["sheets"]])
        assert covered.buffer(1).contains(ring(work["outline"]["loops"][0]))
    assert client.get(f"{desk}/pattern.svg").body.startswith(b"<?xml")
    assert Image.open(io.BytesIO(client.get(f"{desk}/pattern.png").body)).width > 500
    for asked in ("pattern.exe", "pattern.pdf?paper=A0", "pattern.dxf?unit=furlong", "nothing.pdf"):
        assert client.get(f"{desk}/{asked}").status in (404, 422)


def test_kept_found_opened_and_compared(tmp_path: Path) -> None:
    folder = tmp_path / "patterns"
    words = {
        "name": "Window seat <img src=x onerror=alert(1)>",
        "notes": "<script>alert(1)</script>",
        "tags": "seat, oak",
    }
    with served(folder) as (client, _):
        assert client.get("/api/patterns").json == {"patterns": [], "more": 0, "warnings": []}
        work = client.traced(BRACKET, "bracket.jpg", thickness="6mm", check_lines="150mm,150mm")
        desk = f"/api/desk/{work['id']}"
        kept = client.post(f"{desk}/keep", words | {"stock": "oak", "replace": False})
        assert kept.status == 200
        on_disk = read_pattern(folder / f"{kept.json['stem']}.pattern.json")
        assert (on_disk.name, on_disk.notes, on_disk.tags) == (words["name"], words["notes"], ("seat", "oak"))
        beside = folder / f"{kept.json['stem']}.kept"
        assert [p.read_bytes() for p in beside.glob("photo-*")] == [BRACKET]

        again = client.post(f"{desk}/keep", words | {"replace": False}).json  # another by the same name
        assert again["name"] == f"{words['name']}-2"
        assert len(client.get("/api/patterns?words=window").json["patterns"]) == 2
        assert [p["stem"] for p in client.get("/api/patterns?tags=oak&size=200-250mm").json["patterns"]] == [
            kept.json["stem"],
            again["stem"],
        ]
        assert client.get("/api/patterns?size=1-2mm").json["patterns"] == []
        assert client.get("/api/patterns?size=huge").status == 422
        alike = client.get(f"/api/patterns?like={work['id']}").json["patterns"]
        assert {p["alike"] for p in alike} == {"0.00 mm RMS apart"}

        listed = client.get("/api/patterns?words=window")
        assert listed.headers["content-type"] == "application/json"  # no browser takes it for a page
        record = client.get(f"/api/patterns/{alike[0]['stem'].replace(' ', '%20')}").json
        assert ["Notes", words["notes"]] in record["rows"]
        for picture in (record["preview"], record["photos"][0]):
            answer = client.get(picture)
            assert answer.status == 200 and Image.open(io.BytesIO(answer.body)).width > 300

        other = client.post(f"/api/patterns/{again['stem'].replace(' ', '%20')}/open").json
        assert other["kind"] == "pattern" and other["stage"]["kind"] == "drawing" and other["traced"]
        found = client.post(f"/api/desk/{other['id']}/compare", {"master": kept.json["stem"], "zone": "2mm"}).json
        assert found["verdict"] == "conforms" and found["stretches"] == []
        assert len(pypdfium2.PdfDocument(client.get(f"/api/desk/{other['id']}/comparison.pdf").body)) == 1
        assert client.get(f"/api/desk/{other['id']}/comparison.csv").body.count(b"\n") > 100
        noted = client.post(f"/api/desk/{other['id']}/keep", {"name": again["name"], "replace": True}).json
        told = client.get(f"/api/patterns/{noted['stem'].replace(' ', '%20')}").json
        assert len(told["comparisons"]) == 1 and "conforms" in told["comparisons"][0] and len(told["earlier"]) == 1
        assert client.post(f"/api/desk/{other['id']}/compare", {"master": "../secret"}).status == 404
        assert client.post(f"/api/desk/{other['id']}/keep", {"name": "  "}).status == 422


def test_a_refusal_says_what_to_do(tmp_path: Path) -> None:
    with served(tmp_path) as (client, _):
        work = client.post("/api/photos?name=no_sheet.jpg", (FIXTURES / "no_sheet.jpg").read_bytes()).json
        desk = f"/api/desk/{work['id']}"
        assert client.post(f"{desk}/trace", {"thickness": ""}).json["problem"].startswith("The thickness")
        job = client.post(f"{desk}/trace", {"thickness": "6"}).json["job"]
        last = json.loads(client.get(f"/api/jobs/{job}").body.decode().strip().splitlines()[-1][5:])
        assert last["state"] == "failed" and "sheet" in last["problem"] and last["remedy"]
        assert client.get(f"/api/jobs/{job}").body.decode().count("data:") == 1  # told again to who asks again
        assert client.post(f"{desk}/edit", {"do": "undo"}).status == 409
        assert client.get(f"{desk}/pattern.json").status == 409


def test_a_tracing_is_told_of_while_it_goes_on_with_what_was_asked(tmp_path: Path) -> None:
    with served(tmp_path) as (client, _):
        work = client.post("/api/photos?name=bracket.jpg", BRACKET).json
        desk = f"/api/desk/{work['id']}"
        assert "job" not in work and "job" not in client.get(desk).json
        asked = {"thickness": "6mm", "fair": "0.3mm", "at": [2100.0, -1500.0]}
        job = client.post(f"{desk}/trace", asked).json
        seen = client.get(desk).json
        assert seen["job"] == job and job["doc"] is None and not seen["traced"]
        assert {key: seen["told"][key] for key in asked} == asked
        client.post(f"/api/jobs/{job['job']}/cancel")
        assert "job" not in client.get(desk).json
        joining = client.post(f"{desk}/join", asked | {"lost": "2mm"}).json
        assert joining["doc"] and client.get(desk).json["job"] == joining
        client.post(f"/api/jobs/{joining['job']}/cancel")


def test_remedies_name_the_fields_of_the_page_and_what_hands_do_there() -> None:
    package = Path(__file__).parents[2] / "digitize"
    page = " ".join((package / "web" / "static" / "index.html").read_text().split())
    assert [label for label in LABELS.values() if f">{label}" not in page] == []
    below = "".join(path.read_text() for path in package.rglob("*.py") if path.parent.name != "web")
    assert [phrase for phrase in PHRASES if f'{phrase}"' not in below] == []  # else nobody says it any more
    assert spoken("The point 1,2 is off: read it off the picture or the drawing again, in mm of the pattern.") == (
        "The point 1,2 is off: touch a place nearer to the edge."
    )
    told = spoken("give --sheet plain:10x7x25mm, --mirrored or --blade-width 2")
    assert (
        told
        == "give “Sheets beside the part” plain:10x7x25mm, “The part lies with its other face up” or “blade width” 2"
    )


def test_a_tracing_can_be_stopped_and_leaves_nothing(tmp_path: Path) -> None:
    with served(tmp_path) as (client, _):
        work = client.post("/api/photos?name=bracket.jpg", BRACKET).json
        job = client.post(f"/api/desk/{work['id']}/trace", {"thickness": "6"}).json["job"]
        stream: list[bytes] = []
        reader = threading.Thread(target=lambda: stream.append(client.get(f"/api/jobs/{job}").body))
        reader.start()
        time.sleep(0.2)
        assert client.post(f"/api/jobs/{job}/cancel").status == 200
        reader.join(5)
        assert (
            not reader.is_alive()
            and json.loads(stream[0].decode().strip().splitlines()[-1][5:])["state"] == "cancelled"
        )
        time.sleep(4)
        assert not client.get(f"/api/desk/{work['id']}").json["traced"]


def test_of_too_many_open_things_a_kept_one_goes_first(tmp_path: Path) -> None:
    with served(tmp_path / "patterns") as (client, _):
        work = client.traced(BRACKET, "bracket.jpg", thickness="6mm")
        kept = client.post(f"/api/desk/{work['id']}/keep", {"name": "bracket"}).json
        edit(client, work, do="thickness", thickness="7mm")  # not kept any more
        for _ in range(MOST_OPEN + 3):
            client.post(f"/api/patterns/{kept['stem']}/open")
        photo = client.post("/api/photos?name=a.jpg", plain_photo()).json
        open_now = [d["id"] for d in client.get("/api/desk").json["docs"]]
        assert len(open_now) == MOST_OPEN and work["id"] in open_now and photo["id"] in open_now
        client.post(f"/api/desk/{work['id']}/close")
        assert client.get(f"/api/desk/{work['id']}").status == 404


def test_another_state_in_the_place_of_a_kept_one_is_not_kept(tmp_path: Path) -> None:
    (tmp_path / "foot.pattern.json").write_bytes((FIXTURES / "patterns" / "foot.pattern.json").read_bytes())
    with served(tmp_path) as (client, _):
        work = client.post("/api/patterns/foot/open").json
        assert work["kept"]
        assert not edit(client, work, do="thickness", thickness="7mm")["kept"]
        client.post(f"/api/desk/{work['id']}/keep", {"name": "foot", "replace": True})
        assert client.get("/api/desk").json["docs"][0]["kept"]
        assert edit(client, work, do="undo")["kept"] is False
        assert edit(client, work, do="redo")["kept"] is True
        edit(client, work, do="undo")
        assert edit(client, work, do="thickness", thickness="8mm")["kept"] is False
