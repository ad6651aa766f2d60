"""A real browser for tests and benches: the system's Chromium, headless, with nothing of its own on the network."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
QUIET = (  # no traffic of the browser's own
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WIDE = {"viewport": {"width": 1280, "height": 800}}
PHONE = {"viewport": {"width": 412, "height": 800}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
PATIENCE_MS = 60_000


@contextmanager
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page that notes what must not happen: errors in the console, requests to anybody else."""

    def __init__(self, browser: Browser, host: str, **device: Any) -> None:
        self.context: BrowserContext = browser.new_context(accept_downloads=True, **device)
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.faults: list[str] = []
        self._host = host
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("request", self._request)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.faults.append(message.text)

    def _request(self, request: Request) -> None:
        if not request.url.startswith((f"http://{self._host}/", "blob:", "data:")):
            self.faults.append(f"request to {request.url}")

    def close(self) -> None:
        self.context.close()
