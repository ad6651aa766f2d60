"""What the page rebuilds is what the commands rebuild; where it stays the same work, and where it becomes a new one."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from PIL import Image
from shapely import Polygon, affinity, box

from digitize.cli import main
from digitize.editing.measured import stretch_length
from digitize.files import read_pattern
from digitize.model.outline import Loop, Outline
from digitize.model.pattern import Pattern
from digitize.model.segment import Line
from digitize.model.sheet import coded_sheet
from digitize.rebuild.record import at_origin
from tests.helpers import pattern, rounded_plate
from tests.rebuild.snaps import break_line, broken
from tests.scenes import Part, Scene, laid, render
from tests.web.served import Client, served

FIXTURES = Path(__file__).parents[2] / "fixtures"
SAME_MM = 1e-9
SAME_PX = 0.1  # curves are drawn with chords 0.02 mm off, 0.07 px here, and cut elsewhere
CHIPPED = ((0, 0), (90, 0), (94, 1.5), (98, 0), (200, 0), (200, 120), (0, 120))
GRAIN_DEG = 30.0
ALONG = np.linspace(0.0, 1.0, 50)  # of each line, arc or spline


def chipped_plate() -> Pattern:
    """A plate with a dent of 8 mm in its lower edge, and its grain."""
    corners = [(float(x), float(y)) for x, y in CHIPPED]
    lines = (Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True))
    return pattern(Outline(Loop(tuple(lines))), "plate").model_copy(update={"grain_deg": GRAIN_DEG})


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("rebuilding")
    for name in ("bracket", "foot"):
        shutil.copy(FIXTURES / "patterns" / f"{name}.pattern.json", made)
    for part in (chipped_plate(), pattern(rounded_plate(), "sound")):
        (made / f"{part.name}.pattern.json").write_text(part.model_dump_json())
    return made


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[Client]:
    with served(folder) as (client, _):
        yield client


def opened(client: Client, stem: str) -> dict[str, Any]:
    work: dict[str, Any] = client.post(f"/api/patterns/{stem}/open").json
    return work


def rebuilt(client: Client, work: dict[str, Any], **asked: Any) -> dict[str, Any]:
    answer = client.post(f"/api/desk/{work['id']}/rebuild", asked)
    assert answer.status == 200, answer.body
    made: dict[str, Any] = answer.json
    return made


def pattern_of(client: Client, work: dict[str, Any]) -> Pattern:
    return Pattern.model_validate_json(client.get(f"/api/desk/{work['id']}/pattern.json").body)


def by_command(folder: Path, tmp_path: Path, *argv: str) -> Pattern:
    """What a command makes of a pattern of the folder, which it names second."""
    to = tmp_path / "made.pattern.json"
    assert main([argv[0], str(folder / argv[1]), "-o", str(to), *argv[2:]]) == 0
    return read_pattern(to)


def assert_same(ours: Pattern, theirs: Pattern) -> None:
    """The same but for name and time; where the page keeps a part's frame, the command lays it at the origin."""
    one, other = (at_origin(p.outline)[0].segments for p in (ours, theirs))
    assert [type(s) for s in one] == [type(s) for s in other]
    apart = [np.abs(a.point(ALONG) - b.point(ALONG)).max() for a, b in zip(one, other, strict=True)]
    assert max(apart) <= SAME_MM
    assert ours.steps == theirs.steps
    assert ours.caveats == theirs.caveats
    assert ours.grain_deg == theirs.grain_deg
    stretches = [[(s.loop, s.start_mm, s.end_mm) for s in p.invented] for p in (ours, theirs)]
    assert len(stretches[0]) == len(stretches[1])
    assert np.allclose(stretches[0], stretches[1], rtol=0, atol=1e-6)


AXIS = ["--axis", "70,0", "--axis", "74,50"]
DRAWN = ((70, 0), (74, 50))
IN_PLACE: dict[str, tuple[str, dict[str, Any], Sequence[str]]] = {
    "the mean of both halves": ("sound", {"do": "both"}, ["mirror"]),
    "a half drawn to its middle": ("bracket", {"do": "half"}, ["mirror"]),
    "the left half": ("foot", {"do": "half", "axis": DRAWN, "keep": (10, 60)}, ["mirror", *AXIS]),
    "the left half, the axis drawn downward": (
        "foot",
        {"do": "half", "axis": DRAWN[::-1], "keep": (10, 60)},
        ["mirror", "--axis", "74,50", "--axis", "70,0", "--keep", "right"],
    ),
    "the right half of a symmetric part": (
        "sound",
        {"do": "half", "axis": ((30, 0), (30, 40)), "keep": (50, 10)},
        ["mirror", "--axis", "30,0", "--axis", "30,40", "--keep", "right"],
    ),
    "spots healed": ("plate", {"do": "spots", "spots": "10mm"}, ["heal", "--spots", "10mm"]),
}


@pytest.mark.parametrize("case", IN_PLACE)
def test_what_keeps_the_edge_in_its_place_is_one_more_state_of_the_same_work(
    client: Client, folder: Path, tmp_path: Path, case: str
) -> None:
    stem, asked, (command, *options) = IN_PLACE[case]
    work = opened(client, stem)
    before = pattern_of(client, work)
    made = rebuilt(client, work, **asked)
    assert made["id"] == work["id"] and made["can_undo"] and len(made["made"]["before"]) == 1
    after = pattern_of(client, made)
    assert_same(after, by_command(folder, tmp_path, command, f"{stem}.pattern.json", *options))
    assert len(made["outline"]["invented"]) == len(after.invented)
    undone = client.post(f"/api/desk/{work['id']}/edit", {"do": "undo"}).json
    assert undone["made"] is None and undone["outline"] == work["outline"]
    assert pattern_of(client, work) == before
    client.post(f"/api/desk/{work['id']}/edit", {"do": "redo"})
    assert pattern_of(client, work) == after
    client.post(f"/api/desk/{work['id']}/close")


NEW: dict[str, tuple[str, dict[str, Any], Sequence[str]]] = {
    "wider": ("foot", {"do": "size", "by": "width", "length": "200mm"}, ["resize", "--width", "200mm"]),
    "higher": ("foot", {"do": "size", "by": "height", "length": "6in"}, ["resize", "--height", "6in"]),
    "wider alone": (
        "plate",
        {"do": "size", "by": "width", "length": "250mm", "alone": True},
        ["resize", "--width", "250mm", "--height", "120mm"],
    ),
    "between two places": (
        "bracket",
        {"do": "size", "by": "between", "between": ((10, 10), (90, 70)), "length": "90mm"},
        ["resize", "--between", "10,10", "--between", "90,70", "--length", "90mm"],
    ),
    "the other hand": ("plate", {"do": "hand"}, ["resize", "--other-hand"]),
    "shrinkage": (
        "plate",
        {"do": "shrinkage", "species": "cherry", "rings": "rift", "then": "12 %", "now": "7,5"},
        ["shrinkage", "--species", "cherry", "--rings", "rift", "--then", "12", "--now", "7.5"],
    ),
    "shrinkage by its percent": (
        "plate",
        {"do": "shrinkage", "percent": "6", "then": "14", "now": "8"},
        ["shrinkage", "--percent", "6", "--then", "14", "--now", "8"],
    ),
    "out": ("foot", {"do": "edge", "moved": "out", "offset": "2mm"}, ["resize", "--outside", "2mm"]),
    "in": ("plate", {"do": "edge", "moved": "in", "offset": "1/8in"}, ["resize", "--inside", "1/8in"]),
    "bush": (
        "foot",
        {"do": "edge", "moved": "bush", "bush": "30mm", "cutter": "12mm"},
        ["resize", "--bush", "30mm", "--cutter", "12mm"],
    ),
}


@pytest.mark.parametrize("case", NEW)
def test_what_changes_size_or_hand_is_a_new_pattern_on_the_desk(
    client: Client, folder: Path, tmp_path: Path, case: str
) -> None:
    stem, asked, (command, *options) = NEW[case]
    work = opened(client, stem)
    made = rebuilt(client, work, **asked)
    assert made["id"] != work["id"] and (made["kind"], made["stage"]["kind"]) == ("pattern", "drawing")
    assert not made["can_undo"] and made["marks"]["stem"] is None
    assert made["name"].startswith(f"{work['name']}, ") and made["marks"]["name"] == made["name"]
    assert_same(pattern_of(client, made), by_command(folder, tmp_path, command, f"{stem}.pattern.json", *options))
    assert client.get(f"/api/desk/{work['id']}").json == work
    for one in (work, made):
        client.post(f"/api/desk/{one['id']}/close")


@pytest.mark.parametrize(
    ("stem", "asked", "words"),
    [
        ("foot", {"do": "both"}, "mirror image about any axis"),
        ("foot", {"do": "half"}, "draw the axis by touching two places"),
        ("sound", {"do": "half"}, "touch it in the picture"),
        ("foot", {"do": "half", "axis": ((70, 0), (70.4, 0.2)), "keep": (1, 1)}, "too near"),
        ("foot", {"do": "half", "axis": ((500, 0), (500, 90)), "keep": (510, 1)}, "does not cut the outline"),
        ("foot", {"do": "size", "length": "wide"}, "is not a length"),
        ("foot", {"do": "size", "length": "9000mm"}, "0.1 to 10 times"),
        ("foot", {"do": "size", "by": "between", "length": "9mm"}, "touch them in the picture"),
        ("plate", {"do": "size", "length": "200mm"}, "already"),
        ("foot", {"do": "shrinkage", "species": "cherry", "then": "12", "now": "8"}, "direction of the grain"),
        ("plate", {"do": "shrinkage", "then": "12", "now": "8"}, "“Wood” or “Percent it shrinks across”"),
        ("plate", {"do": "shrinkage", "species": "cherry", "then": "damp", "now": "8"}, "type a number"),
        ("plate", {"do": "shrinkage", "species": "cherry", "then": "1200", "now": "8"}, "0 to 200 percent"),
        ("foot", {"do": "spots", "spots": "900mm"}, "between 0.2 and 50 mm"),
        ("foot", {"do": "edge", "moved": "out", "offset": ""}, "is not an offset"),
        ("foot", {"do": "edge", "moved": "bush", "bush": "12mm", "cutter": "12mm"}, "does not pass through"),
        ("foot", {"do": "edge", "moved": "in", "offset": "400mm"}, "leaves nothing"),
    ],
)
def test_what_cannot_be_is_told_and_changes_nothing(
    client: Client, stem: str, asked: dict[str, Any], words: str
) -> None:
    work = opened(client, stem)
    docs = len(client.get("/api/desk").json["docs"])
    answer = client.post(f"/api/desk/{work['id']}/rebuild", asked)
    assert answer.status == 422
    told = f"{answer.json['problem']}: {answer.json['remedy']}"
    assert words in told and answer.json["remedy"] and "--" not in told
    assert client.get(f"/api/desk/{work['id']}").json == work
    assert len(client.get("/api/desk").json["docs"]) == docs
    client.post(f"/api/desk/{work['id']}/close")


def test_nothing_to_heal_is_said_and_is_no_state(client: Client) -> None:
    work = opened(client, "sound")
    made = rebuilt(client, work, do="spots", spots="6mm")
    assert "Nothing is out of fair" in made["made"]["words"][0] and not made["can_undo"]
    assert made["outline"] == work["outline"]


def test_the_axis_is_offered_on_the_stage(client: Client) -> None:
    offers = {s: client.get(f"/api/desk/{opened(client, s)['id']}/rebuild").json for s in ("sound", "bracket", "foot")}
    assert offers["sound"]["whole"] and not offers["bracket"]["whole"]
    (x, y), (u, v) = offers["bracket"]["axis"][0], offers["bracket"]["axis"][-1]
    assert max(abs(x), abs(u)) < 0.05 and abs(v - y) > 140  # its left edge, 140 mm high
    assert offers["foot"]["axis"] is None and "draw the axis" in offers["foot"]["words"]
    assert offers["foot"]["box"]["width"] == "160.00 mm wide"


def test_over_a_photo_the_good_half_stays_where_it_is_seen(tmp_path: Path) -> None:
    """The image is not measured, and stays so when more is done; another size is no longer the photo's."""
    with served(tmp_path) as (client, _):
        work = client.traced((FIXTURES / "bracket.jpg").read_bytes(), "bracket.jpg", thickness="6mm")
        sides = client.get(f"/api/desk/{work['id']}/rebuild").json["box"]["sides"]
        low, high = (np.array(sides[k][len(sides[k]) // 2]) for k in (0, 2))
        left = (low + high) / 2 - (300, 0)  # px
        made = rebuilt(client, work, do="half", axis=[list(low), list(high)], keep=list(left))
        assert made["id"] == work["id"] and made["stage"]["kind"] == "photo"
        before, after = (np.array(w["outline"]["loops"][0]) for w in (work, made))
        way = high - low
        across = (before - low) @ (-way[1], way[0]) / np.hypot(*way)
        kept = before[across > 5]  # px left of the axis
        assert len(kept) > 100
        assert shapely.distance(shapely.LineString(after), shapely.points(kept)).max() < SAME_PX
        part = pattern_of(client, made)
        (image,) = part.invented
        assert image.end_mm - image.start_mm == pytest.approx(part.outline.outer.length / 2, rel=0.01)
        thicker = client.post(f"/api/desk/{work['id']}/edit", {"do": "thickness", "thickness": "6.5mm"}).json
        (still,) = pattern_of(client, made).invented
        assert still.end_mm - still.start_mm == pytest.approx(image.end_mm - image.start_mm, rel=0.01)
        assert thicker["made"] is None and np.isfinite(np.concatenate(thicker["outline"]["bands"])).all()
        larger = rebuilt(client, work, do="size", by="width", length="300mm")
        assert larger["kind"] == "pattern" and not larger["sheets"]


@cache
def pieces_photo() -> bytes:
    """Two pieces of a board of 180 x 95 mm beside a sheet, as JPEG."""
    whole = box(0, 0, 180, 70).union(Polygon([(60, 69), (90, 95), (130, 69)]))
    line = break_line(np.random.default_rng(8), (75, -9), (80, 110), 3.0)
    left, right = sorted(broken(whole, [line]), key=lambda piece: piece.centroid.x)
    apart = (
        affinity.translate(affinity.rotate(left, 4, (0, 0)), -190, -30),
        affinity.translate(affinity.rotate(right, -7, (0, 0)), -95, -15),
    )
    parts = tuple(Part((shapely.get_coordinates(piece.exterior)[:-1],), 6.0) for piece in apart)
    stream = io.BytesIO()
    sheets = (laid(coded_sheet(0), (215, 0), 5.0),)
    Image.fromarray(render(Scene(parts=parts, sheets=sheets), 1).pixels).save(stream, "JPEG", quality=95)
    return stream.getvalue()


def joining(client: Client, work: dict[str, Any], **told: Any) -> dict[str, Any]:
    answer = client.post(f"/api/desk/{work['id']}/join", {"thickness": "6mm", **told})
    assert answer.status == 202, answer.body
    begun: dict[str, Any] = answer.json
    return begun


def ended(client: Client, job: str) -> dict[str, Any]:
    told = client.get(f"/api/jobs/{job}").body.decode().splitlines()
    last: dict[str, Any] = json.loads([line for line in told if line.startswith("data:")][-1][5:])
    return last


def test_the_pieces_in_a_photo_are_joined_as_the_command_joins_them(tmp_path: Path) -> None:
    photo, to = tmp_path / "board.jpg", tmp_path / "board, joined.pattern.json"
    photo.write_bytes(pieces_photo())
    assert main(["join", str(photo), "--thickness", "6mm", "-o", str(to)]) == 0
    with served(tmp_path) as (client, _):
        work = client.post("/api/photos?name=board.jpg", pieces_photo()).json
        begun = joining(client, work)
        assert ended(client, begun["job"])["state"] == "done"
        made = client.get(f"/api/desk/{begun['doc']}").json
        ours, theirs = pattern_of(client, made), read_pattern(to)
        assert_same(ours, theirs)
        assert ours.size == pytest.approx((180.0, 95.0), abs=0.5)  # one small sheetful of a small photo
        assert ours.name == theirs.name == made["name"]
        assert len(made["made"]["before"]) == 2 and "pieces 1 and 2" in made["made"]["words"][0]
        assert made["warnings"] and made["kind"] == "pattern"
        assert not client.get(f"/api/desk/{work['id']}").json["traced"]
        loops = ours.outline.loops
        invented = sum(stretch_length(s.start_mm, s.end_mm, loops[s.loop].length) for s in ours.invented)
        assert 0 < invented < 10  # mm, where the fracture comes out, and not the whole edge


def test_joining_is_refused_and_stopped_with_nothing_left_on_the_desk(tmp_path: Path) -> None:
    with served(tmp_path) as (client, _):
        work = client.post("/api/photos?name=board.jpg", pieces_photo()).json
        assert client.post(f"/api/desk/{work['id']}/join", {}).status == 422
        failed = ended(client, joining(client, work, lost="90mm")["job"])
        assert failed["state"] == "failed" and "lost splinters" in failed["problem"] and failed["remedy"]
        begun = joining(client, work)
        client.post(f"/api/jobs/{begun['job']}/cancel")
        assert ended(client, begun["job"])["state"] == "cancelled"
        assert [doc["id"] for doc in client.get("/api/desk").json["docs"]] == [work["id"]]
