"""The pages for those who do not see, point or print as most do. Each test names its criterion of WCAG 2.2."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest
from page_browser import BROWSER, DEEP, Watched, draw_all, narrow
from page_store import TOP
from playwright.sync_api import Browser, Page, expect

pytestmark = BROWSER

OPEN_ALL = "document.querySelectorAll('details').forEach((d, k) => { if (k < 4) d.open = true; })"
# Relative luminance and contrast as WCAG 2.2 defines them.
CONTRAST = """
    const light = (rgb) => rgb.match(/[\\d.]+/g).slice(0, 3).map((v) => v / 255)
        .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
        .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
    const contrast = (a, b) => {
        const [l, m] = [light(a), light(b)].sort((x, y) => y - x);
        return (l + 0.05) / (m + 0.05);
    };
    const ground = (e) => { const c = getComputedStyle(e).backgroundColor;
        return c !== 'rgba(0, 0, 0, 0)' ? c : e.parentElement ? ground(e.parentElement) : 'rgb(255, 255, 255)'; };
"""


@pytest.mark.parametrize("name", TOP + DEEP)
def test_headings_go_down_by_one(site: Path, watched: Watched, name: str) -> None:
    # 1.3.1 Info and Relationships, technique G141
    page = watched.open(site / name)
    page.evaluate(OPEN_ALL)
    levels = page.evaluate(
        "[...document.querySelectorAll('h1, h2, h3, h4')].filter((h) => h.checkVisibility()).map((h) => +h.tagName[1])"
    )
    assert levels[0] == 1
    assert [(a, b) for a, b in pairwise(levels) if b > a + 1] == []


@pytest.mark.parametrize("name", TOP + DEEP)
def test_tables_name_their_columns_rows_and_themselves(site: Path, watched: Watched, name: str) -> None:
    # 1.3.1, techniques H39, H51 and H63
    page = watched.open(site / name)
    page.evaluate(OPEN_ALL)
    bad = page.evaluate("""[...document.querySelectorAll('table')].filter((t) => !t.caption?.textContent.trim()
        || [...t.tHead.querySelectorAll('th')].some((h) => h.scope !== 'col' || !h.textContent.trim())
        || [...t.tBodies[0].rows].some((r) => r.cells[0].scope !== 'row')).map((t) => t.outerHTML.slice(0, 80))""")
    assert bad == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["index.html", "phone/area-00.html"])
def test_the_focus_is_seen_on_whatever_it_stands(site: Path, browser: Browser, name: str, scheme: str) -> None:
    # 2.4.7 Focus Visible and 1.4.11 Non-text Contrast: 3 to 1; 2.4.3 Focus Order: the skip link comes first
    context = browser.new_context(offline=True, color_scheme=scheme, viewport={"width": 1400, "height": 900})
    page = Watched(context.new_page()).open(site / name)
    seen = []
    for _ in range(12):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate(f"""() => {{ {CONTRAST} const e = document.activeElement, s = getComputedStyle(e);
            return [e.textContent.trim().slice(0, 30), s.outlineStyle, parseFloat(s.outlineWidth),
                contrast(s.outlineColor, ground(e.matches('.skip') ? e : e.parentElement))]; }}""")
        )
    assert seen[0][0] == "Skip to the content"
    assert [s for s in seen if s[1] == "none" or s[2] < 2 or s[3] < 3] == []
    context.close()


@pytest.mark.parametrize("name", TOP + DEEP)
def test_everything_fits_a_page_magnified_four_times(site: Path, browser: Browser, name: str) -> None:
    # 1.4.10 Reflow: 320 CSS pixels; only tables and pictures may need both directions, in a box of their own.
    # The widths between are those at which columns of tags and tiles are fewest for their room.
    context = browser.new_context(offline=True, viewport={"width": 320, "height": 256})
    page = Watched(context.new_page()).open(site / name)
    draw_all(page)
    page.evaluate(OPEN_ALL)
    # a range for each firing, as makers give them
    two = "3.0–7.0\u00a0%; 3.0–8.5\u00a0%"
    page.locator(".tag td:last-child").evaluate_all(
        "(cells, two) => cells.forEach((c) => { c.textContent = two; })", two
    )
    for width in (320, 500, 680, 700, 760, 1024, 1100):
        page.set_viewport_size({"width": width, "height": 256})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


@pytest.mark.parametrize("name", ["index.html", "visits.html", "phone/area-00.html"])
def test_wider_spacing_of_text_hides_nothing(site: Path, browser: Browser, name: str) -> None:
    # 1.4.12 Text Spacing
    context = narrow(browser, bypass_csp=True)
    page = Watched(context.new_page()).open(site / name)
    page.evaluate(OPEN_ALL)
    page.add_style_tag(
        content="* { line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important; }"
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    cut = page.evaluate("""[...document.querySelectorAll('a, button, h1, h2, h3, summary, .lead li, .tiles li')]
        .filter((e) => e.checkVisibility() && e.scrollWidth > e.clientWidth + 1)
        .filter((e) => getComputedStyle(e).overflow !== 'visible')
        .map((e) => e.outerHTML.slice(0, 80))""")
    assert cut == []
    context.close()


@pytest.mark.parametrize("name", TOP + DEEP)
def test_targets_are_large_enough_or_far_apart(site: Path, browser: Browser, name: str) -> None:
    # 2.5.8 Target Size (Minimum): 24 by 24, or a circle of 24 about it meets no other; links in sentences are exempt
    context = narrow(browser)
    page = Watched(context.new_page()).open(site / name)
    page.evaluate(OPEN_ALL)
    close = page.evaluate("""() => { const all = [...document.querySelectorAll('a, button, input, select, summary')]
            .filter((e) => e.checkVisibility() && !e.matches('.skip, p a')).map((e) => [e, e.getBoundingClientRect()]);
        return all.filter(([e, r]) => (r.height < 24 || r.width < 24) && all.some(([f, q]) => f !== e
            && Math.abs(r.x + r.width / 2 - q.x - q.width / 2) < 12 + q.width / 2
            && Math.abs(r.y + r.height / 2 - q.y - q.height / 2) < 12 + Math.max(q.height, 24) / 2 - 0.1))
            .map(([e]) => e.outerHTML.slice(0, 80)); }""")
    assert close == []
    context.close()


def text_of_signs(page: Page) -> list[float]:
    return page.evaluate(f"""() => {{ {CONTRAST}
        return [...document.querySelectorAll('.state, h1, .note, nav a, td, svg.hist text')]
            .filter((e) => e.checkVisibility()).slice(0, 400)
            .map((e) => [getComputedStyle(e)[e.closest('svg') ? 'fill' : 'color'], ground(e.parentElement)])
            .map(([text, behind]) => contrast(text, behind)); }}""")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["index.html", "visits/area-00.html"])
def test_colours_of_the_readers_own_choice_keep_all_text(site: Path, browser: Browser, name: str, scheme: str) -> None:
    # 1.4.3 Contrast (Minimum) where the system sets the colours (forced-colors, CSS Color Adjustment)
    context = browser.new_context(offline=True, forced_colors="active", color_scheme=scheme)
    page = Watched(context.new_page()).open(site / name)
    page.evaluate(OPEN_ALL)
    told = text_of_signs(page)
    assert len(told) > 50
    assert min(told) >= 4.5
    marked = page.evaluate("""[...document.querySelectorAll('nav a')].map((a) => [a.hasAttribute('aria-current'),
        getComputedStyle(a).borderBottomColor === getComputedStyle(document.body).color])""")
    assert all(current == line for current, line in marked)
    context.close()


def test_a_card_on_a_phone_shows_what_is_allowed_without_a_sideways_move(site: Path, browser: Browser) -> None:
    # 1.4.10 Reflow: what a technician compares stands in sight
    context = narrow(browser)
    page = Watched(context.new_page()).open(site / "phone/area-00.html")
    page.evaluate(OPEN_ALL)
    hidden = page.evaluate("""[...document.querySelectorAll('details[open] .all')].map((e) => [e.clientWidth,
            ...[...e.querySelectorAll('tbody td, tbody th')].map((c) =>
                c.getBoundingClientRect().right - e.getBoundingClientRect().left)])
        .filter(([have, ...cells]) => Math.max(...cells) > have + 1)""")
    assert page.locator("details[open] .all").count() >= 3
    assert hidden == []
    cells = page.locator("details[open] .all tbody tr").first.locator("td")
    before = cells.evaluate_all("cells => cells.map((c) => getComputedStyle(c, '::before').content)")
    assert before[2] == '"Allowed: "'
    context.close()


@pytest.mark.parametrize("name", ["visits.html", "staffing.html", "visits/area-00.html", "phone/area-00.html"])
def test_controls_that_need_a_script_are_left_out_without_one(site: Path, browser: Browser, name: str) -> None:
    # 3.2.2 On Input and 4.1.2: what can be worked does what it says
    context = browser.new_context(offline=True, java_script_enabled=False)
    page = context.new_page()
    page.goto((site / name).as_uri())
    expect(page.locator("h1")).to_be_visible()
    for k in range(page.locator("input, select, button").count()):
        expect(page.locator("input, select, button").nth(k)).to_be_hidden()
    context.close()


@pytest.mark.parametrize("typed", ["mïll łane", "STRASSE zoe", "Straße Zoë", "ｚｏｅ", "zo\u0065\u0308 mill"])
def test_a_search_minds_neither_case_nor_accents(site: Path, browser: Browser, typed: str, tmp_path: Path) -> None:
    text = (site / "phone/area-00.html").read_text(encoding="utf-8")
    page_file = tmp_path / "area.html"
    page_file.write_text(text.replace("mill lane, boiler room", "mill łane, zoë straße"), encoding="utf-8")
    context = narrow(browser)
    page = Watched(context.new_page()).open(page_file)
    total = page.locator("details.card").count()
    page.locator("#filter").fill("not there")
    expect(page.locator("#filter-status")).to_contain_text(f"0 of {total} cards shown")
    page.locator("#filter").fill(typed)
    expect(page.locator("#filter-status")).to_contain_text(f"{total} of {total} cards shown")
    context.close()


@pytest.mark.parametrize(("days", "told"), [(3, False), (14, False), (15, True), (400, True)])
def test_an_old_file_says_so(site: Path, browser: Browser, days: int, told: bool) -> None:
    context = narrow(browser, timezone_id="Pacific/Auckland")
    page = context.new_page()
    page.clock.set_fixed_time(datetime.fromtimestamp(datetime(2026, 3, 16, 6).timestamp() + 86_400 * days))
    page.goto((site / "phone/area-00.html").as_uri())
    assert page.locator("#age").is_visible() == told
    if told:
        expect(page.locator("#age")).to_contain_text(f"as of {days} days ago")
    context.close()
