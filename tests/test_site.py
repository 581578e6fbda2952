"""The writer of pages: escaping, policy, determinism, units, and pages of a store that holds nothing yet."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from datetime import date
from pathlib import Path

import altair as alt
import numpy as np
import polars as pl
import pytest
from page_store import TOP, built_site, small_store, text_of
from page_tables import AS_OF, empty_store

from pipeline import fuels
from pipeline.settings import settings_from
from pipeline.stages.page_gas import gas_pairs
from pipeline.stages.pages import pages
from reports import tables, theme
from reports.charts.history import history_svgs, nice_ticks
from reports.drawing import Later, drawn_svg, vega_script, without_idle_limits
from reports.site import Figure, Fleet, Site, shown, split, still, whole


@pytest.fixture(scope="module")
def site() -> Path:
    return built_site()


@pytest.fixture(scope="module")
def us_site() -> Path:
    return built_site("us")


def test_frames_leave_without_what_json_and_xml_do_not_have() -> None:
    frame = pl.DataFrame({"a": [float("nan"), float("inf"), 1.23456789], "b": ["x\x00y", None, "\x07"], "n": [1, 2, 3]})
    clean = shown(frame)
    assert clean["a"].to_list() == [None, None, 1.23457]
    assert clean["b"].to_list() == ["x\ufffdy", None, "\ufffd"]
    assert clean["n"].to_list() == [1, 2, 3]


def test_a_chart_is_split_into_specification_and_columns() -> None:
    chart = alt.Chart(pl.DataFrame({"x": [1, 2], "y": ["a", "b"]})).mark_point().encode(x="x:Q", y="y:N")
    spec, data = split(whole(chart))
    assert "datasets" not in spec
    assert list(data.values()) == [{"x": [1, 2], "y": ["a", "b"]}]
    assert spec["data"]["name"] in data


def test_stills_have_ids_of_their_own_and_the_same_bytes_each_time() -> None:
    chart = alt.Chart(pl.DataFrame({"x": [1, 2], "y": [3, 4]})).mark_line(clip=True).encode(x="x:Q", y="y:Q")
    first, second, other = (still(drawn_svg(whole(chart)), n) for n in "aab")
    assert first == second
    ids, others = (set(re.findall(r'\bid="([^"]+)"', s)) for s in (first, other))
    assert ids
    assert not ids & others
    assert all(f"url(#{i})" in first for i in ids if "clip" in first)


def test_text_is_escaped_and_scripts_stand_only_in_files(tmp_path: Path) -> None:
    bad = "</script><img src=x onerror=alert(1)>"
    made = Site(tmp_path, Fleet(bad, AS_OF, "si", 0.1, 1))
    chart = alt.Chart(pl.DataFrame({"x": [1.0], "y": [bad]})).mark_bar().encode(x=alt.X("x:Q").title(bad), y="y:N")
    made.write(
        "visits.html",
        "data-quality.html.j2",
        [Figure("doubt", chart, bad)],
        headlines=[bad],
        rejected=tables.Table("", []),
        doubtful=None,
        who=None,
        complete=None,
        tests=None,
        input_files=tables.Table("", []),
    )
    made.finish()
    page = (tmp_path / "visits.html").read_text(encoding="utf-8")
    assert "<img" not in page
    assert "onerror=alert" in html.unescape(page)
    scripts = re.findall(r"<script([^>]*)>(.*?)</script>", page, flags=re.S)
    assert all('type="application/json"' in a or ("src=" in a and not body) for a, body in scripts)
    data = json.loads(next(body for a, body in scripts if 'id="data"' in a))
    assert next(iter(data.values()))["y"] == [bad]


class LostHelper(Executor):
    """A helper process that dies with every piece of work it is given."""

    def submit(self, *given: object, **named: object) -> Future:  # type: ignore[override]
        lost: Future = Future()
        lost.set_exception(BrokenExecutor("killed"))
        return lost


def test_charts_are_drawn_here_when_the_helper_is_lost(tmp_path: Path) -> None:
    chart = alt.Chart(pl.DataFrame({"x": [1.0], "y": [2.0]})).mark_point().encode(x=alt.X("x:Q"), y=alt.Y("y:Q"))
    alone, lost = (Later(helper, drawn_svg, whole(chart)) for helper in (None, LostHelper()))
    lost.take_back()
    assert lost.text() == alone.text()
    assert lost.text().startswith("<svg")


def test_every_page_has_a_policy_before_anything_else(site: Path) -> None:
    for path in site.rglob("*.html"):
        page = path.read_text(encoding="utf-8")
        first = re.search(
            r"<meta charset[^>]*>\s*<meta http-equiv=\"Content-Security-Policy\" content=\"([^\"]+)\"", page
        )
        assert first, path
        policy = html.unescape(first[1])
        assert "default-src 'none'" in policy
        script = re.search(r"script-src ([^;]+)", policy)
        assert script
        assert "unsafe" not in script[1]
        assert not re.search(r"\son\w+=", re.sub(r"<script.*?</script>", "", page, flags=re.S))


def test_a_phone_page_carries_its_script_and_names_it_by_its_hash(site: Path) -> None:
    phones = sorted((site / "phone").glob("*.html"))
    assert phones
    for path in phones:
        page = path.read_text(encoding="utf-8")
        code = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
        assert len(code) == 1
        digest = base64.b64encode(hashlib.sha256(code[0].encode()).digest()).decode()
        assert f"'sha256-{digest}'" in html.unescape(page)
        assert not re.search(r'(src|href)="(?!#|data:)', page), "a phone is handed one file: nothing may lie beside it"


def test_every_link_leads_to_a_file_that_is_there(site: Path) -> None:
    for path in site.rglob("*.html"):
        page = path.read_text(encoding="utf-8")
        for target in re.findall(r'(?:href|src)="([^"#]+)(?:#[^"]*)?"', page):
            if not target.startswith("data:"):
                assert (path.parent / target).resolve().is_file(), f"{path.name}: {target}"
        for anchor in re.findall(r'href="#([^"]+)"', page):
            assert f'id="{anchor}"' in page, f"{path.name}: #{anchor}"


def test_links_to_cards_lead_to_cards(site: Path) -> None:
    page = (site / "index.html").read_text(encoding="utf-8")
    found = re.findall(r'href="(visits/[^"#]+)#(card-\d+)"', page)
    assert found
    for target, anchor in found:
        assert f'id="{anchor}"' in (site / target).read_text(encoding="utf-8")


def test_ids_are_unique_within_a_page(site: Path) -> None:
    for path in site.rglob("*.html"):
        ids = re.findall(r'\bid="([^"]+)"', path.read_text(encoding="utf-8"))
        assert len(ids) == len(set(ids)), path


def test_the_same_store_gives_the_same_bytes(site: Path, tmp_path: Path) -> None:
    with small_store() as store:
        pages(store, settings_from({"title": "Upper Valleys"}), tmp_path / "again")
    names = sorted(p.relative_to(site) for p in site.rglob("*") if p.is_file())
    assert names == sorted(p.relative_to(tmp_path / "again") for p in (tmp_path / "again").rglob("*") if p.is_file())
    assert [n for n in names if (site / n).read_bytes() != (tmp_path / "again" / n).read_bytes()] == []


def test_us_units_reach_every_page_and_differences_have_no_offset(us_site: Path) -> None:
    # NIST SP 811, B.8 and B.9: a difference of 1 K is 1.8 °F (no 32 added); 1 psi is 6.894757 kPa,
    # so 83 and 172 kPa are 12.0 and 24.9 psi.
    limits = text_of(us_site / "limits.html")
    assert "at most 54.0 °F" in limits
    assert "12.0 to 24.9 psi" in limits
    assert "kBtu/h" in limits
    for path in us_site.rglob("*.html"):
        page = text_of(path)
        assert not re.search(r"\d (K|kPa|kg|kW)\b", page), path
    assert "[lb]" in text_of(us_site / "staffing.html")
    assert "136 °F" in "".join(text_of(p) for p in (us_site / "tags").glob("*.html"))  # 58 °C


def test_si_pages_have_no_us_units(site: Path) -> None:
    for path in site.rglob("*.html"):
        if path.name != "limits.html":  # its sources may cite US figures
            assert not re.search(r"\d (°F|psi|lb)\b", text_of(path)), path


def test_forecasts_carry_their_chance(site: Path) -> None:
    page = text_of(next((site / "visits").glob("*.html")))
    assert re.search(r"(\d+|under 1|over 99) % chance of being out by now, 50 % by \d+ \w{3} \d{4}", page)
    assert re.search(r"Chance of being out in the planned week \d+ %", page)


def test_cautions_stand_on_every_page(site: Path) -> None:
    for path in site.rglob("*.html"):
        page = text_of(path)
        assert re.search(r"make\s+it\s+safe", page), path
        assert re.search(r"never\s+replaces\s+a\s+required\s+inspection", page), path


def test_an_empty_store_still_gives_pages_that_say_so(tmp_path: Path) -> None:
    with empty_store() as store:
        names = pages(store, settings_from({}), tmp_path / "site")
    assert set(names) == set(TOP)
    assert "No install is on record yet" in text_of(tmp_path / "site" / "index.html")
    assert "No visit is planned yet" in text_of(tmp_path / "site" / "staffing.html")
    assert "too few readings" in text_of(tmp_path / "site" / "appliance-models.html")


def test_pairs_of_oxygen_and_carbon_dioxide_are_those_of_the_fuel() -> None:
    # Published: CO2 ultimate of natural gas 11.8 and propane 13.7 % (trade tables); at 5 % O2
    # natural gas has 28 % excess air
    # (V. Ganapathy's flue-gas analyses give 5.27 % O2 at 30 %).
    pairs = gas_pairs(fuels.load({}), ["natural_gas", "propane", "no_such_fuel"])
    at = {(r["fuel"], r["o2_pct"]): r for r in pairs.iter_rows(named=True)}
    assert at["natural_gas", 0.0]["co2_pct"] == pytest.approx(11.8, abs=0.1)
    assert at["propane", 0.0]["co2_pct"] == pytest.approx(13.7, abs=0.1)
    assert at["natural_gas", 5.0]["excess_air_pct"] == pytest.approx(28.2, abs=0.5)
    assert {f for f, _ in at} == {"natural_gas", "propane"}


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "under 1 %"),
        (0.004, "under 1 %"),
        (0.005, "under 1 %"),
        (0.0051, "1 %"),
        (0.2, "20 %"),
        (0.9949, "99 %"),
        (0.995, "over 99 %"),
        (1.0, "over 99 %"),
        (None, "–"),
    ],
)
def test_chances_are_never_certainties(value: float | None, text: str) -> None:
    assert theme.chance(value).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("low", "high", "unit", "text"),
    [
        (None, 30.0, "K", "at most 30.0 K"),
        (1.5, None, "µA", "at least 1.5 µA"),
        (3.0, 7.0, "%", "3.0 to 7.0 %"),
        (5.0, 10.0, "pH", "pH 5.0 to 10.0"),
        (None, None, "s", "no limit known"),
    ],
)
def test_limits_in_words(low: float | None, high: float | None, unit: str, text: str) -> None:
    assert theme.limits_text(low, high, unit).replace("\u00a0", " ") == text


def test_numbers_keep_their_sign_and_lose_that_of_zero() -> None:
    assert theme.number(-1234.56, 1) == "−1,234.6"
    assert theme.number(-0.001, 1) == "0.0"
    assert theme.rate(0.01234) == "+0.012"
    assert theme.day(date(2026, 1, 5)).replace("\u00a0", " ") == "5 Jan 2026"


def test_ticks_are_round_and_inside() -> None:
    low, high = np.array([(0.0, 1.0), (3.2, 7.9), (80, 412), (-0.3, 0.2), (1e-4, 3e-4)]).T
    pair, ticks = nice_ticks(low, high)
    assert set(np.bincount(pair, minlength=5)) <= {2, 3, 4, 5, 6}
    assert ((low[pair] - 1e-9 <= ticks) & (ticks <= high[pair] + 1e-9)).all()
    # the digits of a step of 1, 2, 2.5 or 5 are few
    assert all(len(f"{tick:.10f}".rstrip("0").split(".")[1]) <= 5 for tick in ticks)


Reading, Month = tuple[date, float, bool], tuple[date, float, float, float]


def drawn(
    pictures: Sequence[tuple[str, str, float | None, float | None, Sequence[Reading], Sequence[Month]]],
) -> list[str]:
    """Pictures by label, unit, lower and upper limit, readings (on, value, after work) and forecast."""
    days = {"label": pl.String, "unit": pl.String, "limit_low": pl.Float64, "limit_high": pl.Float64}
    readings = [(at, *reading) for at, picture in enumerate(pictures) for reading in picture[4]]
    fans = [(at, *month) for at, picture in enumerate(pictures) for month in picture[5]]
    read = {"at": pl.Int64, "visited_on": pl.Date, "value": pl.Float64, "left": pl.Boolean}
    fan = {"at": pl.Int64, "on": pl.Date, "low": pl.Float64, "middle": pl.Float64, "high": pl.Float64}
    return history_svgs(
        pl.DataFrame([picture[:4] for picture in pictures], schema=days, orient="row"),
        pl.DataFrame(readings, schema=read, orient="row"),
        pl.DataFrame(fans, schema=fan, orient="row"),
        date(2026, 1, 1),
    ).to_list()


READ = [(date(2024, 1, 1), 15.0, True), (date(2025, 1, 1), 31.0, False)]
AHEAD = [(date(2026, 1, 1), 18.0, 20.0, 22.0), (date(2026, 7, 1), 20.0, 25.0, 31.0)]
NOTHING = ("O2", "%", 3.0, 7.0, [], [])


def test_the_card_picture_shows_readings_limit_and_forecast() -> None:
    (svg,) = drawn([("Flue over return", "K", None, 30.0, READ, AHEAD)])
    assert svg.count("<circle") == 1  # in range, as left
    assert svg.count('class="out"') == 1  # 31 K is above 30 K
    assert svg.count('class="lim"') == svg.count('class="fan"') == svg.count('class="now"') == 1
    assert "NaN" not in svg
    assert "expected 25.0" in svg.replace("\u00a0", " ")


def test_the_card_picture_draws_to_scale() -> None:
    (svg,) = drawn([("Flue over return", "K", None, 30.0, READ, AHEAD)])
    days = [date(2024, 1, 1), date(2025, 1, 1), date(2026, 1, 1), date(2026, 7, 1)]
    left, right = 40, 332  # of the picture's 340 pixels
    scale = (right - left) / (days[-1] - days[0]).days
    at = [f"{left + scale * (day - days[0]).days:.1f}" for day in days]
    assert f'cx="{at[0]}"' in svg
    assert f'class="out" d="M{at[1]} ' in svg
    assert f'class="now" d="M{at[2]} 12' in svg
    ticks = {float(value): float(y) for y, value in re.findall(r'y="([\d.]+)" class="e">(\d+)<', svg)}
    (low, at_low), (high, at_high) = min(ticks.items()), max(ticks.items())
    circle = float(re.search(r'cy="([\d.]+)"', svg)[1])  # type: ignore[index]
    expected = at_low - 4 + (15.0 - low) / (high - low) * (at_high - at_low)  # words stand 4 below their line
    assert circle == pytest.approx(expected, abs=0.15)


def test_pictures_drawn_together_are_those_drawn_alone() -> None:
    some = [
        ("Flue over return", "K", None, 30.0, READ, AHEAD),
        NOTHING,
        ("O2", "%", 3.0, 7.0, [], [(day, *(x / 5 for x in values)) for day, *values in AHEAD]),
        ("CO air-free <b>", "ppm", None, None, [(date(2012, 2, 29), 1234.56, False)], []),
    ]
    alone = [svg for picture in some for svg in drawn([picture])]
    assert drawn(some) == alone
    assert alone[1] == ""
    assert "<b>" not in alone[3]
    assert "1,235" in alone[3]


def test_a_card_without_readings_or_forecast_has_no_picture() -> None:
    assert drawn([NOTHING]) == [""]
    assert drawn([]) == []


def test_a_card_of_one_flat_reading_can_be_drawn() -> None:
    (svg,) = drawn([("O2", "%", None, None, [(date(2026, 1, 1), 0.0, False)], [])])
    assert "nan" not in svg.lower()
    assert "<circle" in svg


def test_the_script_of_charts_is_kept_and_a_broken_copy_is_not_used(tmp_path: Path) -> None:
    kept = tmp_path / "cache" / "vega.js"
    made = vega_script(kept)
    assert kept.read_text(encoding="utf-8") == made
    kept.write_text(made[: len(made) // 2], encoding="utf-8")  # a disk that was full
    assert vega_script(kept) == made
    assert kept.read_text(encoding="utf-8") == made
    (tmp_path / "file").write_text("")
    assert vega_script(tmp_path / "file" / "vega.js") == made  # a folder that cannot be


def test_limits_to_labels_are_left_out_only_where_no_text_is_long() -> None:
    def limit(label: str) -> int:
        chart = alt.Chart(pl.DataFrame({"x": [1.0], "y": [label]})).mark_bar().encode(x="x:Q", y="y:N")
        return without_idle_limits(whole(chart))["config"]["axis"]["labelLimit"]

    assert limit("Ubrik 28") == 0
    assert limit("W" * 60) == theme.CONFIG["axis"]["labelLimit"] > 0
