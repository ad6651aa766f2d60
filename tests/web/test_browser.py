"""The page in a real browser, as somebody would use it who never saw it before: by mouse, by touch, by keyboard."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import ezdxf
import pypdfium2
import pytest

from digitize.files import read_pattern
from tests.web.served import served

pytest.importorskip("playwright", reason="Playwright is not installed")
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.web.browser import CHROMIUM, PATIENCE_MS, PHONE, WIDE, Watched, chromium

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here (Debian: apt-get install chromium)")
expect.set_options(timeout=PATIENCE_MS)

FIXTURES = Path(__file__).parents[2] / "fixtures"
SERIOUS = ("serious", "critical")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """The page's host, and its folder with two patterns."""
    folder = tmp_path / "patterns"
    folder.mkdir()
    for name in ("foot", "bracket_copy"):
        shutil.copy(FIXTURES / "patterns" / f"{name}.pattern.json", folder)
    with served(folder) as (client, _):
        yield client.host, folder


def loaded(page: Page, host: str, photo: str) -> None:
    """From the first look at the page to a photo on the stage."""
    page.goto(f"http://{host}/")
    page.click("#shelf-new")
    page.set_input_files("#photo-file", FIXTURES / photo)
    page.wait_for_url(re.compile("#photo/.+"))
    expect(page.locator("#stage")).to_have_attribute("data-ready", page.url.split("/")[-1])


def traced(page: Page, host: str, photo: str, thickness: str) -> None:
    loaded(page, host, photo)
    page.fill("#photo-thickness", thickness)
    page.click("#trace-go")
    expect(page.locator("#photo-result")).to_be_visible()
    page.click("#photo-next")
    expect(page.locator("body")).to_have_attribute("data-section", "outline")


def foot_opened(browser: Browser, host: str) -> Watched:
    """The page with the kept foot on the desk."""
    watched = Watched(browser, host, **WIDE, reduced_motion="reduce")
    watched.page.goto(f"http://{host}/#patterns/foot")
    watched.page.click("#record-open")
    expect(watched.page.locator("body")).to_have_attribute("data-section", "outline")
    return watched


def changed(page: Page, do: Callable[[], Any]) -> None:
    """Does something, and waits for the outline that comes of it."""
    before = page.get_attribute("#stage", "data-outline") or ""
    do()
    expect(page.locator("#stage")).not_to_have_attribute("data-outline", before)


def corners(page: Page) -> list[tuple[float, float]]:
    """Where the outline's joints are on the screen."""
    work = page.url.split("/")[-1]
    doc: dict[str, Any] = page.evaluate("id => fetch(`/api/desk/${id}`).then(r => r.json())", work)
    places = page.evaluate(
        "all => all.map(at => document.querySelector('#stage').stage.pixelOf(at))",
        [j["at"] for j in doc["outline"]["joints"]],
    )
    return [(x, y) for x, y in places]


def saved(page: Page, control: str, to: Path) -> Path:
    with page.expect_download() as download:
        page.click(control)
    download.value.save_as(to)
    return to


Drag = Callable[[Page, tuple[float, float]], None]


def journey(page: Page, host: str, folder: Path, tmp_path: Path, drag: Drag) -> None:
    """Photo, outline, a corner moved, grain, plan, kept, found, printed, drawn."""
    traced(page, host, "bracket.jpg", "6 mm")
    expect(page.locator("#outline-words")).to_contain_text(re.compile(r"2(19\.9|20\.0)\d × 140\.\d\d mm ± 0\.\d\d mm"))
    page.click("#zoom-part")
    page.locator("#tool-move").check()
    page.wait_for_timeout(600)  # the view moves to the part
    changed(page, lambda: drag(page, corners(page)[0]))
    expect(page.locator("#outline-steps")).to_contain_text("orner moved")
    changed(page, lambda: page.click("#undo"))
    changed(page, lambda: page.click("#redo"))

    page.click("#nav-plan")
    page.fill("#grain-deg", "20")
    page.click("#grain-set")
    page.fill("#plan-stock", "19mm")
    page.click("#plan-go")
    expect(page.locator("#plan-result")).to_be_visible()
    expect(page.locator("#plan-cautions")).to_contain_text("machine's manual")
    expect(page.locator("#plan-rows")).to_contain_text("along 20°")
    assert len(pypdfium2.PdfDocument(saved(page, "#plan-pdf", tmp_path / "plan.pdf").read_bytes())) == 1

    page.click("#nav-keep")
    page.fill("#keep-name", "Window seat bracket <b>bold</b>")
    page.fill("#keep-tags", "seat, oak")
    page.click("#keep-go")
    expect(page.locator("#kept")).to_be_visible()
    (kept,) = [p for p in folder.glob("Window*.pattern.json")]
    assert read_pattern(kept).name == "Window seat bracket <b>bold</b>"
    assert [s.what for s in read_pattern(kept).steps] == ["corner moved"]
    assert len(pypdfium2.PdfDocument(saved(page, "#save-pdf", tmp_path / "full.pdf").read_bytes())) >= 1
    drawing = ezdxf.readfile(saved(page, "#save-dxf", tmp_path / "part.dxf"))
    assert not drawing.audit().errors and len(drawing.modelspace()) > 5

    page.click("#nav-compare")
    page.select_option("#master", "bracket_copy")
    page.fill("#compare-zone", "0.5mm")
    page.click("#compare-go")
    expect(page.locator("#compare-result")).to_be_visible()
    expect(page.locator("#verdict")).to_have_attribute("data-verdict", "does not conform")

    page.click("#nav-patterns")
    page.fill("#find-words", "window")
    page.press("#find-words", "Enter")
    expect(page.locator("#shelf-list a")).to_have_count(1)
    page.fill("#find-words", "")
    page.locator("#find-like").check()
    expect(page.locator("#shelf-list li").first).to_contain_text("Window seat bracket <b>bold</b>")
    page.locator("#shelf-list a").first.click()
    expect(page.locator("#record-name")).to_have_text("Window seat bracket <b>bold</b>")
    page.click("#record-open")
    expect(page.locator("#desk-choice option")).to_have_count(2)


def by_mouse(page: Page, at: tuple[float, float]) -> None:
    page.mouse.move(*at)
    page.mouse.down()
    for k in range(1, 7):
        page.mouse.move(at[0] + k, at[1] + 0.5 * k)
        page.wait_for_timeout(30)
    page.mouse.up()


def by_touch(page: Page, at: tuple[float, float]) -> None:
    finger = page.context.new_cdp_session(page)
    for k in range(7):
        kind = "touchMove" if k else "touchStart"
        point = {"x": at[0] + k, "y": at[1] + 0.5 * k}
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [point]})
        page.wait_for_timeout(30)
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


@pytest.mark.parametrize(("device", "drag"), [(WIDE, by_mouse), (PHONE, by_touch)], ids=["mouse", "touch"])
def test_the_whole_way(
    browser: Browser, shop: tuple[str, Path], tmp_path: Path, device: dict[str, Any], drag: Drag
) -> None:
    watched = Watched(browser, shop[0], **device)
    journey(watched.page, *shop, tmp_path, drag)
    assert watched.faults == []
    watched.close()


def test_a_corner_is_moved_by_the_keyboard_alone(browser: Browser, shop: tuple[str, Path]) -> None:
    watched = Watched(browser, shop[0], **WIDE)
    page = watched.page
    page.goto(f"http://{shop[0]}/")
    page.click("#shelf-list a")
    page.click("#record-open")
    expect(page.locator("body")).to_have_attribute("data-section", "outline")
    page.focus("#tool-look")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#nudge")).to_be_visible()
    page.focus("#corner")
    page.keyboard.press("ArrowDown")
    page.focus("#stage")
    changed(page, lambda: [page.keyboard.press("Shift+ArrowRight") for _ in range(3)])
    expect(page.locator("#outline-steps")).to_contain_text("orner moved")
    changed(page, lambda: page.keyboard.press("Control+z"))
    expect(page.locator("#outline-steps")).not_to_contain_text("orner moved")
    assert watched.faults == []
    watched.close()


def steered(page: Page, at: list[float]) -> None:
    """Brings a place of the stage under its middle, by arrow keys."""
    box = page.locator("#stage").bounding_box()
    assert box
    for keys, step in (("", 64), ("Shift+", 8)):
        page.wait_for_timeout(100)  # until the view is drawn where the keys have brought it
        x, y = place(page, (at[0], at[1]))
        for off, after, before in (
            (x - box["x"] - box["width"] / 2, "ArrowRight", "ArrowLeft"),
            (y - box["y"] - box["height"] / 2, "ArrowDown", "ArrowUp"),
        ):
            for _ in range(round(abs(off) / step)):
                page.keyboard.press(keys + (after if off > 0 else before))


def test_a_stretch_is_redrawn_by_the_keyboard_alone(browser: Browser, shop: tuple[str, Path]) -> None:
    """A quarter of the edge, touched place by place, is followed again and comes out where it was."""
    watched = Watched(browser, shop[0], **WIDE, reduced_motion="reduce")
    page = watched.page
    traced(page, shop[0], "bracket.jpg", "6 mm")
    before = page.inner_text("#outline-words")
    work = page.url.split("/")[-1]
    loop = page.evaluate("id => fetch(`/api/desk/${id}`).then(r => r.json())", work)["outline"]["loops"][0]
    page.focus("#tool-look")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    expect(page.locator("#tool-redraw")).to_be_checked()
    expect(page.locator("#redraw-help")).to_contain_text("Enter touches it")
    page.locator("#zoom-part").press("Enter")
    page.focus("#stage")
    for share in (0.05, 0.08, 0.11, 0.14, 0.17):
        steered(page, loop[int(share * len(loop))])
        page.keyboard.press("Enter")
    expect(page.locator("#stage-hint")).to_contain_text("the last one again")
    changed(page, lambda: page.keyboard.press("Enter"))
    expect(page.locator("#outline-steps")).to_contain_text("followed along a stroke")
    after = page.inner_text("#outline-words")
    sizes = [[float(n) for n in re.findall(r"\d+\.\d+", words)[:2]] for words in (before, after)]
    assert sizes[1] == pytest.approx(sizes[0], abs=0.1)  # mm
    assert watched.faults == []
    watched.close()


def test_what_was_typed_stays_with_its_photo_and_a_tracing_survives_a_reload(
    browser: Browser, shop: tuple[str, Path]
) -> None:
    watched = Watched(browser, shop[0], **WIDE, reduced_motion="reduce")
    page = watched.page
    loaded(page, shop[0], "bracket.jpg")
    page.fill("#photo-thickness", "6 mm")
    page.click("#photo-more summary")
    page.select_option("#photo-sheet", "plain")
    page.fill("#photo-board", "8x6x20mm")
    page.locator("#photo-pieces").check()
    page.fill("#join-lost", "2mm")
    first = page.url.split("/")[-1]
    loaded(page, shop[0], "foot.jpg")
    expect(page.locator("#photo-thickness")).to_have_value("")
    expect(page.locator("#photo-pieces")).not_to_be_checked()
    expect(page.locator("#photo-sheet")).to_have_value("coded")
    page.fill("#photo-thickness", "12")
    page.select_option("#desk-choice", first)
    for field, value in (("thickness", "6 mm"), ("sheet", "plain"), ("board", "8x6x20mm")):
        expect(page.locator(f"#photo-{field}")).to_have_value(value)
    expect(page.locator("#photo-pieces")).to_be_checked()
    expect(page.locator("#join-lost")).to_have_value("2mm")
    page.locator("#photo-pieces").uncheck()
    page.click("#photo-more summary")
    page.select_option("#photo-sheet", "coded")
    page.click("#trace-go")
    expect(page.locator("#trace-run")).to_be_visible()
    page.reload()
    expect(page.locator("#trace-run")).to_be_visible()
    expect(page.locator("#trace-go")).to_be_hidden()
    expect(page.locator("#photo-thickness")).to_have_value("6 mm")
    expect(page.locator("#photo-result")).to_be_visible()
    expect(page.locator("#trace-run")).to_be_hidden()
    assert watched.faults == []
    watched.close()


def test_a_template_is_made_where_files_are_saved(browser: Browser, shop: tuple[str, Path], tmp_path: Path) -> None:
    """For a bush of 30 and a cutter of 12 mm the foot's edge moves in by 9 mm: 160 mm become 142."""
    watched = foot_opened(browser, shop[0])
    page = watched.page
    page.click("#nav-keep")
    page.select_option("#edge-moved", "bush")
    page.fill("#edge-bush", "30mm")
    page.fill("#edge-cutter", "30mm")
    page.click("#edge-go")
    expect(page.locator("#trouble")).to_contain_text("does not pass through")
    page.fill("#edge-cutter", "12mm")
    page.click("#edge-go")
    expect(page.locator("#keep-name")).to_have_value("foot, template for bush 30 mm, cutter 12 mm")
    made = read_pattern(saved(page, "#save-pattern", tmp_path / "made.pattern.json"))
    assert made.size[0] == pytest.approx(142.0, abs=0.01)
    page.select_option("#edge-moved", "out")
    page.fill("#edge-offset", "9mm")
    page.click("#edge-go")
    expect(page.locator("#desk-choice option")).to_have_count(3)
    expect(page.locator("#keep-name")).to_have_value(re.compile("larger all round"))
    assert [f for f in watched.faults if "422" not in f] == []  # a refusal always shows in the console
    watched.close()


def test_words_on_the_stage_never_lie_over_each_other(browser: Browser, shop: tuple[str, Path]) -> None:
    """Thirty numbers on a part from far to near: apart at every scale, all there when near, and at their places."""
    watched = Watched(browser, shop[0], **WIDE)
    page = watched.page
    page.goto(f"http://{shop[0]}/")
    expect(page.locator("#shelf-list a")).to_have_count(2)
    told = page.evaluate(
        """async scales => {
          const { settled } = await import("/notes.js");
          const notes = Array.from({ length: 30 }, (_, k) => {
            const at = [Math.round(100 * Math.sin(7 * k)), Math.round(60 * Math.cos(11 * k))];
            return { words: k + 1, places: [at, [at[0] + 9, at[1]]] };
          });
          return scales.map(scale => settled(notes, [{ at: [0, 0], half: [17, 17] }], scale));
        }""",
        SCALES,
    )
    for found in told:
        boxes = [{"middle": [0, 0], "half": [17, 17]}, *(one for one in found if one)]
        for k, a in enumerate(boxes):
            for b in boxes[:k]:
                assert any(abs(a["middle"][i] - b["middle"][i]) >= a["half"][i] + b["half"][i] for i in (0, 1))
    shown = [sum(one is not None for one in found) for found in told]
    assert shown == sorted(shown) and shown[0] < 30 and shown[-1] == 30
    assert all(one["from"] is None for one in told[-1])
    assert any(one and one["from"] for found in told for one in found)
    watched.close()


SCALES = [5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.02]  # stage units for each px


def test_a_refusal_is_shown_with_what_to_do(browser: Browser, shop: tuple[str, Path]) -> None:
    watched = Watched(browser, shop[0], **WIDE)
    page = watched.page
    loaded(page, shop[0], "no_sheet.jpg")
    page.fill("#photo-thickness", "6")
    page.click("#trace-go")
    expect(page.locator("#trouble .problem")).to_contain_text("sheet")
    expect(page.locator("#trouble .remedy")).not_to_be_empty()
    assert watched.faults == []
    watched.close()


def place(page: Page, at: tuple[float, float]) -> tuple[float, float]:
    """Where a place of the stage is on the screen."""
    x, y = page.evaluate("at => document.querySelector('#stage').stage.pixelOf(at)", list(at))
    return x, y


def test_a_half_is_completed_by_touching_and_a_size_becomes_a_new_pattern(
    browser: Browser, shop: tuple[str, Path]
) -> None:
    """The foot, 160 mm wide, about an axis at 70 mm, its left half kept: 140 mm; then 200 mm, beside it."""
    watched = foot_opened(browser, shop[0])
    page = watched.page
    page.click("#nav-rebuild")
    expect(page.locator("#mirror-axis-words")).to_contain_text("draw the axis")
    expect(page.locator("#mirror-half")).to_be_checked()
    page.click("#mirror-draw")
    for at in ((70, 30), (70, 100), (30, 60)):
        page.mouse.click(*place(page, at))
        page.wait_for_timeout(400)  # two touches as fast as a double one would be taken for that
    expect(page.locator("#mirror-keep-words")).to_contain_text("is kept")
    changed(page, lambda: page.click("#mirror-go"))
    expect(page.locator("#rebuild-words")).to_contain_text(re.compile(r"(139\.[5-9]|140\.[0-5])\d × "))
    expect(page.locator("#rebuild-invented")).to_be_visible()
    changed(page, lambda: page.keyboard.press("Control+z"))
    expect(page.locator("#rebuild-words")).to_contain_text("160.00 × ")
    expect(page.locator("#rebuild-result")).to_be_hidden()
    page.locator("#rebuild-size").check()
    page.fill("#size-length", "200mm")
    page.click("#size-go")
    expect(page.locator("#rebuild-words")).to_contain_text("200.00 × ")
    expect(page.locator("#desk-choice option")).to_have_count(2)
    page.select_option("#desk-choice", index=0)
    expect(page.locator("#rebuild-words")).to_contain_text("160.00 × ")
    assert watched.faults == []
    watched.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [WIDE, PHONE], ids=["wide", "phone"])
def test_everybody_can_use_it(browser: Browser, shop: tuple[str, Path], device: dict[str, Any], scheme: str) -> None:
    """axe-core's rules, all of WCAG 2.2 A and AA that a program can check, in every section."""
    watched = Watched(browser, shop[0], **device, color_scheme=scheme, reduced_motion="reduce", bypass_csp=True)
    page, axe = watched.page, Axe()

    def check(where: str) -> None:
        found = axe.run(page).response["violations"]
        assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found if v["impact"] in SERIOUS] == [], where

    page.goto(f"http://{shop[0]}/")
    expect(page.locator("#shelf-list a")).to_have_count(2)
    check("patterns")
    page.click("#shelf-list a")
    expect(page.locator("#record-rows tr").first).to_be_visible()
    check("record")
    page.click("#record-open")
    expect(page.locator("body")).to_have_attribute("data-section", "outline")
    for section in ("outline", "rebuild", "plan", "compare", "keep", "photo"):
        page.click(f"#nav-{section}")
        expect(page.locator("body")).to_have_attribute("data-section", section)
        if section == "rebuild":
            page.locator("#mirror-half").check()
            check("half")
            for kind in ("size", "shrinkage", "spots"):
                page.locator(f"#rebuild-{kind}").check()
                check(kind)
            page.locator("#rebuild-hand").check()
            page.click("#hand-go")
            expect(page.locator("#rebuild-made")).to_contain_text("other hand")
        if section == "plan":
            page.click("#plan-go")
            expect(page.locator("#plan-result")).to_be_visible()
        if section == "compare":
            page.select_option("#master", "bracket_copy")
        check(section)
    watched.close()
