"""The page's speed and memory in a real browser: python -m tests.bench.page FOLDER

FOLDER holds photos/s??.json's pictures of 12 megapixels and truth.json. Needs Chromium and Playwright, and says so.
Frames are counted by requestAnimationFrame: what the page's thread allows, not what a screen showed.
"""

from __future__ import annotations

import argparse
import json
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect

from tests.web.browser import CHROMIUM, PATIENCE_MS, PHONE, WIDE, Watched, chromium

SCENES = ("s04", "s06", "s07")
HEADINGS = ("", "limit", *SCENES)
MOVES = 40
FRAMES = """() => { window.frames_ = []; window.counting = true;
  const tick = t => { frames_.push(t); if (counting) requestAnimationFrame(tick); }; requestAnimationFrame(tick); }"""
WATCH = """() => { window.moved = []; window.drawn = [];
  const stage = document.querySelector('#stage');
  stage.addEventListener('pointermove', () => moved.push(performance.now()), true);
  new MutationObserver(() => requestAnimationFrame(() => drawn.push(performance.now())))
    .observe(stage, {attributes: true, attributeFilter: ['data-outline']}); }"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    if CHROMIUM is None:
        print("No Chromium here: nothing was measured.")
        return
    if not (folder / "truth.json").is_file():
        print(f"No practice photos in {folder}: nothing was measured.")
        return
    truth = json.loads((folder / "truth.json").read_text())
    expect.set_options(timeout=PATIENCE_MS)
    for name, device in (("1280 x 800, mouse", WIDE), ("412 x 800 at 2 px, touch's view", PHONE)):
        with tempfile.TemporaryDirectory() as shop, chromium() as browser:
            port, server = started(shop)
            try:
                watched = Watched(browser, f"127.0.0.1:{port}", **device)
                told = [
                    measured(watched.page, port, folder / truth[s]["image"], truth[s]["thickness_mm"]) for s in SCENES
                ]
                memory = peak_mb(server.pid)
                print(f"\n{name}" + (f"   FAULTS {watched.faults}" if watched.faults else ""))
                for row in (HEADINGS, *[(what, limit, *(t[what] for t in told)) for what, limit in LIMITS.items()]):
                    print("  ".join(f"{cell if isinstance(cell, str) else format(cell, '.0f'):>30}" for cell in row))
                print(f"server, most memory with {len(SCENES)} photos open: {memory:.0f} MB (limit 1200)")
            finally:
                server.terminate()
                server.wait(10)


LIMITS = {
    "photo chosen to first view, ms": "1500",
    "traced: page over pipeline, ms": "1000",
    "pan, frames/s": "50",
    "wheel, frames/s": "50",
    "corner dragged, median ms": "60",
    "corner dragged, 95 % ms": "",
}


def started(shop: str) -> tuple[int, subprocess.Popen[bytes]]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    command = [sys.executable, "-m", "digitize", "web", "--no-browser", "--port", str(port), "--folder", shop]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    for _ in range(100):
        with socket.socket() as knock:
            if knock.connect_ex(("127.0.0.1", port)) == 0:
                return port, server
        time.sleep(0.2)
    raise SystemExit("the page did not come up")


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmHWM:\s+(\d+)", status)[1]) / 1024  # type: ignore[index]


def measured(page: Page, port: int, photo: Path, thickness: float) -> dict[str, float]:
    page.goto(f"http://127.0.0.1:{port}/#photo")
    began = time.perf_counter()
    page.set_input_files("#photo-file", photo)
    page.wait_for_url(re.compile("#photo/.+"))
    expect(page.locator("#stage")).to_have_attribute("data-ready", page.url.split("/")[-1])
    first = time.perf_counter() - began
    page.fill("#photo-thickness", f"{thickness}")
    began = time.perf_counter()
    page.click("#trace-go")
    expect(page.locator("#photo-result")).to_be_visible()
    shown = time.perf_counter() - began
    page.click("#nav-outline")
    page.click("#zoom-part")
    page.wait_for_timeout(800)
    box = page.locator("#stage").bounding_box()
    assert box
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    pan = frames(page, lambda: panned(page, middle))
    wheel = frames(page, lambda: wheeled(page, middle))
    page.click("#zoom-part")
    page.wait_for_timeout(800)
    delays = dragged(page)
    return {
        "photo chosen to first view, ms": 1000 * first,
        "traced: page over pipeline, ms": 1000 * (shown - pipeline_s(photo, thickness)),
        "pan, frames/s": pan,
        "wheel, frames/s": wheel,
        "corner dragged, median ms": statistics.median(delays),
        "corner dragged, 95 % ms": sorted(delays)[int(0.95 * len(delays))],
    }


def pipeline_s(photo: Path, thickness: float) -> float:
    """What reading, tracing and drawing up the pattern take without any page, in a process of their own."""
    code = (
        "import sys, time; from datetime import UTC, datetime; from pathlib import Path;"
        "from digitize.files import read_photo; from digitize.pipeline import Frame, trace;"
        "from digitize.vision.trace import Setup\n"
        "for _ in range(2):\n"
        "    t = time.perf_counter()\n"
        "    found = trace([read_photo(Path(sys.argv[1]))], Setup(float(sys.argv[2])), None, Frame.PART, frozenset(),"
        " 'part', datetime.now(UTC), lambda step, done: None)\n"
        "    s = time.perf_counter() - t\n"
        "print(s)"
    )
    return float(subprocess.check_output([sys.executable, "-c", code, str(photo), str(thickness)]))


def frames(page: Page, do: Any) -> float:
    page.evaluate(FRAMES)
    do()
    page.evaluate("() => { counting = false; }")
    times = page.evaluate("() => frames_")
    return 1000 * (len(times) - 1) / (times[-1] - times[0])


def panned(page: Page, at: tuple[float, float]) -> None:
    page.mouse.move(*at)
    page.mouse.down()
    for k in range(MOVES):
        page.mouse.move(at[0] + 3 * (k % 20), at[1] + 2 * (k % 20))
        page.wait_for_timeout(16)
    page.mouse.up()


def wheeled(page: Page, at: tuple[float, float]) -> None:
    page.mouse.move(*at)
    for k in range(MOVES):
        page.mouse.wheel(0, -60 if k % 20 < 10 else 60)
        page.wait_for_timeout(16)


def dragged(page: Page) -> list[float]:
    """From each move of the pointer to the next outline drawn, ms."""
    page.locator("#tool-move").check()
    work = page.url.split("/")[-1]
    doc = page.evaluate("id => fetch(`/api/desk/${id}`).then(r => r.json())", work)
    pixel = "at => document.querySelector('#stage').stage.pixelOf(at)"
    x, y = page.evaluate(pixel, doc["outline"]["joints"][0]["at"])
    page.evaluate(WATCH)
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(MOVES):
        page.mouse.move(x + 0.3 * k, y + 0.2 * k)
        page.wait_for_timeout(80)
    page.mouse.up()
    page.wait_for_timeout(500)
    moved, drawn = page.evaluate("() => [moved, drawn]")
    page.click("#undo")
    return [after[0] - m for m in moved[1:] if (after := [d for d in drawn if d >= m])]


if __name__ == "__main__":
    main()
