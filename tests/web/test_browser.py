"""The page in a real browser, as somebody would use it who never saw it before: by mouse, by touch, by keyboard."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import ezdxf
import pypdfium2
import pytest

from digitize.files import read_pattern
from tests.web.served import Client, served

pytest.importorskip("playwright", reason="Playwright is not installed")
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.web.browser import CHROMIUM, PHONE, WIDE, Watched, chromium

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here (Debian: apt-get install chromium)")

FIXTURES = Path(__file__).parents[2] / "fixtures"
SECTIONS = ("patterns", "photo", "outline", "plan", "compare", "keep")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[Client, Path]]:
    folder = tmp_path / "patterns"
    folder.mkdir()
    for name in ("foot", "bracket_copy"):
        shutil.copy(FIXTURES / "patterns" / f"{name}.pattern.json", folder)
    with served(folder) as (client, _):
        yield client, folder


def traced_on(page: Page, host: str, photo: str, thickness: str) -> None:
    """From the first look at the page to a traced outline."""
    page.goto(f"http://{host}/")
    page.click("#shelf-new")
    page.set_input_files("#photo-file", FIXTURES / photo)
    page.wait_for_selector("#stage[data-ready]")
    page.fill("#photo-thickness", thickness)
    page.click("#trace-go")
    page.wait_for_selector("#photo-result:not([hidden])")
    page.click("#photo-next")
    page.wait_for_selector("body[data-section=outline]")


def outlines(page: Page) -> int:
    return int(page.get_attribute("#stage", "data-outline") or 0)


def after_change(page: Page, do: Any) -> None:
    """Waits for the outline that an action leads to."""
    before = outlines(page)
    do()
    page.wait_for_function("n => Number(document.querySelector('#stage').dataset.outline) > n", arg=before)
