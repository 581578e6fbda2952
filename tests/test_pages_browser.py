"""The pages as people meet them: opened from disk in Chromium without a network, wide and narrow, light, dark and on
paper.
"""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from page_browser import BROWSER, DEEP, Watched, draw_all, narrow
from page_store import TOP
from playwright.sync_api import Browser, expect

from reports.charts.history import history_svgs

pytestmark = BROWSER


@pytest.mark.parametrize("name", TOP + DEEP)
def test_wide_and_light(site: Path, watched: Watched, name: str) -> None:
    page = watched.open(site / name)
    draw_all(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 1400
    found = Axe().run(page, options={"preload": False}).response["violations"]
    assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found if v["impact"] in ("serious", "critical")] == []
    assert page.locator("main").count() == 1
    assert page.locator("h1").count() == 1
    assert page.locator("html").get_attribute("lang") == "en"


@pytest.mark.parametrize("name", TOP + DEEP)
def test_narrow_and_dark(site: Path, browser: Browser, name: str) -> None:
    context = narrow(browser)
    seen = Watched(context.new_page())
    page = seen.open(site / name)
    draw_all(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(21, 24, 28)"
    # Fingers want 44 px; the size of text in a field below 16 px makes a phone zoom in.
    small = page.evaluate("""[...document.querySelectorAll('nav a, button, select, input, summary')]
        .filter(e => e.offsetParent)
        .filter(e => e.getBoundingClientRect().height < 43.5).map(e => e.outerHTML.slice(0, 80))""")
    assert small == []
    assert page.evaluate(
        "[...document.querySelectorAll('input, select')].every(e => parseFloat(getComputedStyle(e).fontSize) >= 16)"
    )
    context.close()
    assert seen.wrong == []


@pytest.mark.parametrize("name", ["staffing.html", "appliance-models.html"])
def test_chart_text_stands_out_in_the_dark(site: Path, browser: Browser, name: str) -> None:
    # axe does not look into charts. WCAG 2.2, 1.4.3: text wants 4.5 to 1.
    context = narrow(browser)
    page = Watched(context.new_page()).open(site / name)
    draw_all(page)
    fills = set(page.evaluate("[...document.querySelectorAll('.live svg text')].map(e => e.getAttribute('fill'))"))
    assert fills == {"#e6e8ea"}
    context.close()


@pytest.mark.parametrize("name", ["index.html", "staffing.html", "visits/area-00.html"])
def test_print_is_light_and_has_stills(site: Path, browser: Browser, name: str) -> None:
    context = browser.new_context(offline=True, color_scheme="dark")
    page = context.new_page()
    page.goto((site / name).as_uri())
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(27, 31, 36)"
    for k in range(page.locator(".live").count()):
        assert not page.locator(".live").nth(k).is_visible()
        assert page.locator(".still svg").nth(k).is_visible()
    context.close()


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["visits/area-00.html", "phone/area-00.html"])
def test_cards_print_two_to_a_page(site: Path, watched: Watched, name: str, paper: str) -> None:
    page = watched.open(site / name)
    cards = page.locator("details.card").count()
    assert cards > 4
    assert pages_of(page.pdf(format=paper)) == (cards + 1) // 2


def test_a_printed_card_shows_all_it_holds(site: Path, watched: Watched) -> None:
    page = watched.open(site / "visits/area-00.html")
    page.set_viewport_size({"width": 719, "height": 1000})  # 190 mm of paper at 96 dots an inch
    page.evaluate("document.querySelectorAll('details.card').forEach(c => { c.open = true; })")
    page.emulate_media(media="print")
    cut = page.evaluate("""[...document.querySelectorAll('details.card')].filter(c => {
        const end = c.getBoundingClientRect().bottom;
        return [...c.querySelectorAll('tbody tr')].some(r => r.getBoundingClientRect().bottom > end + 1);
    }).map(c => c.id)""")
    assert cut == []


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_each_limits_sheet_prints_on_one_page(site: Path, watched: Watched, paper: str) -> None:
    page = watched.open(site / "limits.html")
    sheets = page.locator("details.limit-sheet").count()
    assert sheets == 4
    assert pages_of(page.pdf(format=paper)) == sheets


def test_only_open_sheets_print_where_some_are_open(site: Path, watched: Watched) -> None:
    page = watched.open(site / "limits.html")
    page.locator("a[href='#sheet-2']").click()
    expect(page.locator("#sheet-2")).to_have_attribute("open", "")
    assert pages_of(page.pdf(format="A4")) == 1


def test_the_area_drives_the_chart_and_stays_in_the_address(site: Path, watched: Watched) -> None:
    page = watched.open(site / "staffing.html")
    draw_all(page)
    bars = page.locator("[data-chart='hours'] svg .mark-rect.role-mark path")
    before = bars.first.get_attribute("d")
    assert bars.count() == 52
    page.locator("#area").select_option("Valley 1")
    expect(bars.first).not_to_have_attribute("d", before or "")
    assert "area=Valley+1" in page.url
    page.reload()
    assert page.locator("#area").input_value() == "Valley 1"


def test_the_reading_chosen_is_the_one_shown(site: Path, watched: Watched) -> None:
    page = watched.open(site / "appliance-models.html")
    shown = page.locator("[data-section='series']:visible")
    expect(shown).to_have_count(1)
    page.get_by_label("Reading", exact=True).select_option("Trap drain time")
    expect(shown).to_have_count(1)
    expect(shown.locator("h3").first).to_have_text("Trap drain time")
    draw_all(page)
    assert page.locator("[data-chart='drift6'] svg .mark-symbol.role-mark path").count() == 4


def test_a_model_leads_to_its_installs_and_an_install_to_its_card(site: Path, watched: Watched) -> None:
    page = watched.open(site / "appliance-models.html")
    page.get_by_role("link", name="Alder 35").first.click()
    expect(page.locator("#find")).to_have_value("Alder 35")
    expect(page.locator("#find-status")).to_have_text("15 match")
    page.locator("#found a").first.click()
    card = page.locator("details.card[open]")
    expect(card).to_have_count(1)
    expect(card.locator(".keys")).to_contain_text("Alder 35")


@pytest.mark.parametrize(
    ("typed", "status"),
    [("mill lane 43", "1 match"), ("i00007", "1 match"), ("ALDER", "60 match, first 50 shown"), ("nothing", "0 match")],
)
def test_typing_finds_installs(site: Path, watched: Watched, typed: str, status: str) -> None:
    page = watched.open(site / "visits.html")
    page.locator("#find").fill(typed)
    expect(page.locator("#find-status")).to_have_text(status)
    assert page.locator("#found li").count() == min(50, int(status.split()[0]))


def test_cards_are_filtered_by_words_and_week_and_others_are_named(site: Path, browser: Browser) -> None:
    context = narrow(browser)
    seen = Watched(context.new_page())
    page = seen.open(site / "phone/area-00.html")
    cards = page.locator("details.card:visible")
    total = cards.count()
    page.locator("#filter").fill("alder 20")
    some = cards.count()
    assert 0 < some < total
    for k in range(some):
        assert "alder 20" in (cards.nth(k).get_attribute("data-find") or "")
    expect(page.locator("#filter-status")).to_contain_text(f"{some} of {total} cards shown")
    expect(page.locator("#others li").first).to_contain_text("Alder 20")
    page.locator("#filter").fill("")
    page.locator("#week").select_option(index=1)
    assert 0 < cards.count() < total
    page.locator("#week").select_option("")
    cards.first.locator("summary").tap()
    expect(cards.first.locator("svg.hist").first).to_be_visible()
    context.close()
    assert seen.wrong == []


def test_a_card_says_why_what_and_with_what_care(site: Path, watched: Watched) -> None:
    page = watched.open(site / "visits/area-00.html", "#card-1")
    card = page.locator("#card-1")
    expect(card).to_have_attribute("open", "")
    for heading in ("Why now", "Do", "Bring", "Last time", "Take care"):
        expect(card.get_by_role("heading", name=heading)).to_be_visible()
    assert card.locator("svg.hist circle, svg.hist .out").count() > 5
    assert card.locator("svg.hist .fan").count() >= 1


def test_an_appliance_seen_for_the_first_time_is_told_by_its_sisters(site: Path, watched: Watched) -> None:
    page = watched.open(site / "visits/area-00.html")
    page.locator("#filter").fill("54 Mill Lane")
    card = page.locator("details.card:visible")
    card.locator("summary").click()
    expect(card).to_contain_text("Never visited: what its sisters do")
    expect(card).to_contain_text("per 1,000 burner hours")


def test_without_scripts_everything_is_there(site: Path, browser: Browser) -> None:
    context = browser.new_context(offline=True, java_script_enabled=False)
    page = context.new_page()
    page.goto((site / "visits/area-00.html").as_uri())
    page.locator("#card-1 summary").click()
    expect(page.locator("#card-1 svg.hist").first).to_be_visible()
    page.goto((site / "staffing.html").as_uri())
    expect(page.locator(".still svg").first).to_be_visible()
    page.goto((site / "appliance-models.html").as_uri())
    assert page.locator("[data-section='series']:visible").count() == 8
    context.close()


def test_dates_do_not_shift_with_the_time_zone(site: Path, watched: Watched) -> None:
    # The context is in Denver, seven hours behind: a bare ISO date would show as the Sunday before.
    page = watched.open(site / "staffing.html")
    draw_all(page)
    expect(page.locator("[data-chart='hours'] svg text", has_text="16 Mar").first).to_be_attached()
    assert page.locator("[data-chart='hours'] svg text", has_text="15 Mar").count() == 0


def test_every_number_beside_a_picture_of_a_card_lies_within_it(watched: Watched, tmp_path: Path) -> None:
    """20,000 ppm lost its first digit at the edge."""
    css = (Path(__file__).parent.parent / "reports" / "assets" / "page.css").read_text(encoding="utf-8")
    day, limits = date(2025, 3, 1), {"limit_low": [None] * 3, "limit_high": [400.0] * 3}
    pictures = pl.DataFrame(
        {"label": ["CO"] * 3, "unit": ["ppm"] * 3} | limits, schema_overrides={"limit_low": pl.Float64}
    )
    readings = pl.DataFrame({"at": [0, 1, 2], "visited_on": day, "value": [9900.0, 22053.0, 310_000.0], "left": True})
    month = {"at": pl.Int64, "on": pl.Date, "low": pl.Float64, "middle": pl.Float64, "high": pl.Float64}
    svgs = history_svgs(pictures, readings, pl.DataFrame(schema=month), date(2025, 9, 1))
    file = tmp_path / "pictures.html"
    file.write_text(f"<!doctype html><html lang=en><style>{css}</style>{''.join(svgs)}", encoding="utf-8")
    page = watched.open(file)
    told = page.evaluate("[...document.querySelectorAll('svg text')].map((t) => [t.textContent, t.getBBox().x])")
    assert {len(text) for text, _ in told if "," in text} == {5, 6, 7}
    assert [text for text, x in told if x < 0] == []
