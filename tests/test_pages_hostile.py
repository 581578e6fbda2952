"""Text that means harm in every text field of the input: it shows as text, and nothing of it runs."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from page_tables import HOSTILE

SCRIPT = """
import sys
from pathlib import Path
from page_store import small_store
from page_tables import HOSTILE
from pipeline.settings import settings_from
from pipeline.stages.pages import pages
with small_store(HOSTILE) as store:
    pages(store, settings_from({"title": HOSTILE}), Path(sys.argv[1]))
"""


class Elements(HTMLParser):
    """The names of all elements and attributes of a page, as a browser would take it apart."""

    def __init__(self) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.attributes |= {name for name, _ in attrs}


# A process of its own, so that it may run beside tests that hold a browser of their own.
LOOK = """
import shutil, sys
from pathlib import Path
from playwright.sync_api import sync_playwright
site, shown, wrong = Path(sys.argv[1]), sys.argv[2], []
with sync_playwright() as play:
    browser = play.chromium.launch(executable_path=shutil.which("chromium"), chromium_sandbox=False)
    page = browser.new_context(offline=True).new_page()
    page.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: wrong.append(str(e)))
    page.on("dialog", lambda d: (wrong.append(d.message), d.dismiss()))
    page.on("request", lambda r: None if r.url.startswith(("file:", "data:")) else wrong.append(r.url))
    names = ["index", "staffing", "appliance-models", "visits", "limits", "data-quality",
             "visits/area-00", "phone/area-00", "tags/area-00"]
    for name in names:
        page.goto((site / f"{name}.html").as_uri())
        charts = page.locator(".live:visible")
        for k in range(charts.count()):
            charts.nth(k).scroll_into_view_if_needed()
            charts.nth(k).locator("svg, canvas").first.wait_for()
        if page.locator("main img, header img").count():
            wrong.append(f"{name}: a picture")
        if shown not in (page.locator(".fleet bdi").text_content() or ""):
            wrong.append(f"{name}: the title is not shown as written")
    page.goto((site / "visits.html").as_uri())
    page.locator("#find").fill("onerror")
    page.locator("#found li").first.wait_for()
    if shown not in (page.locator("#found li bdi").first.text_content() or ""):
        wrong.append("the search does not show the text as written")
    browser.close()
print(wrong)
"""


def run_apart(script: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    here = Path(__file__).parent
    return subprocess.run(
        [sys.executable, "-c", script, *arguments],
        cwd=here.parent,
        check=False,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": f"{here.parent}{os.pathsep}{here}"},
        timeout=300,
    )


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made in a process of its own: a control character in a drawn string ends the process, without an exception to
    catch.
    """
    folder = tmp_path_factory.mktemp("hostile") / "site"
    done = run_apart(SCRIPT, str(folder))
    assert done.returncode == 0, done.stderr[-2000:]
    return folder


def test_no_cell_becomes_an_element_or_a_script(site: Path) -> None:
    found = sorted(site.rglob("*.html"))
    assert len(found) > 10
    for path in found:
        page = path.read_text(encoding="utf-8")
        assert "<img" not in page, path
        assert "\x00" not in page
        assert "`49" not in page
        elements = Elements()
        elements.feed(page)
        assert "img" not in elements.names
        assert not [a for a in elements.attributes if a.startswith("on")]


def test_file_names_are_numbers_never_names(site: Path) -> None:
    for path in site.rglob("*"):
        assert re.fullmatch(r"[a-z0-9.-]+", path.name), path.name


def test_search_scripts_hold_nothing_but_data(site: Path) -> None:
    for path in (site / "assets" / "find").glob("*.js"):
        text = path.read_text(encoding="utf-8")
        assert re.fullmatch(r"foulcastFind\(\d+,\[.*\]\);\n", text)
        assert "<" not in text
        assert text.isascii()


@pytest.mark.browser
@pytest.mark.skipif(shutil.which("chromium") is None, reason="Debian's chromium is not installed")
def test_the_browser_shows_the_text_and_runs_none_of_it(site: Path) -> None:
    done = run_apart(LOOK, str(site), HOSTILE.replace("\x00", "\ufffd").replace("\x07", "\ufffd"))
    assert (done.returncode, done.stdout.strip()) == (0, "[]"), done.stderr[-2000:]
