"""Pages in Chromium, opened from disk without a network: which there are, and what goes wrong on one."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="Debian's chromium is not installed"),
]

DEEP = ["visits/area-00.html", "phone/area-00.html", "tags/area-00.html"]
QUIET = [
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--disable-sync",
    "--disable-gpu",
]


class Watched:
    """A page and everything that went wrong on it: console errors, exceptions, dialogs, requests that leave the
    disk.
    """

    def __init__(self, page: Page) -> None:
        self.page = page
        self.wrong: list[str] = []
        page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda e: self.wrong.append(str(e)))
        page.on("dialog", lambda d: (self.wrong.append(f"dialog {d.message}"), d.dismiss()))
        page.on("request", lambda r: None if r.url.startswith(("file:", "data:")) else self.wrong.append(r.url))

    def open(self, path: Path, anchor: str = "") -> Page:
        self.page.goto(path.as_uri() + anchor)
        return self.page


def narrow(browser: Browser, **more: Any) -> BrowserContext:
    return browser.new_context(
        offline=True, viewport={"width": 360, "height": 740}, color_scheme="dark", has_touch=True, **more
    )


def draw_all(page: Page) -> None:
    """Scroll past every chart that is shown, as a reader does, and wait until it has drawn marks."""
    charts = page.locator(".live:visible")
    for k in range(charts.count()):
        chart = charts.nth(k)
        chart.scroll_into_view_if_needed()
        expect(chart).to_have_attribute("data-drawn", "yes", timeout=15_000)
        expect(
            chart.locator("svg [class*='role-mark'] path, svg [class*='role-mark'] text, canvas").first
        ).to_be_attached()
        assert len(chart.get_attribute("aria-label") or "") > 20, "a chart wants a sentence for those who do not see it"
