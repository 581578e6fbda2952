"""Words, weeks and axes of the pages where the easy case misleads: names of any script, few of a thing, gaps."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from page_store import small_store, text_of

from pipeline.settings import settings_from
from pipeline.stages.pages import front_of, prepare, staffing_of, tags_of, visits_of
from reports import tables, theme
from reports.charts import staffing as charts
from reports.drawing import drawn_svg
from reports.pages import staffing_choices
from reports.site import whole


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def test_a_name_from_right_to_left_is_isolated_and_an_endless_one_is_cut() -> None:
    # Unicode Standard Annex 9: FSI U+2068 and PDI U+2069 keep the figure behind such a name at its place.
    assert theme.named("Süd/Ost") == "Süd/Ost"
    assert theme.named("منطقة 3") == "\u2068منطقة 3\u2069"
    assert theme.named("x" * 61) == "x" * 59 + "…"
    assert theme.named(None) == theme.named("") == theme.DASH


@pytest.mark.parametrize(("part", "said"), [(0, "0 %"), (1, "100 %"), (0.001, "under 1 %"), (0.999, "over 99 %")])
def test_none_and_all_of_what_was_counted_are_known(part: float, said: str) -> None:
    assert plain(theme.share(part)) == said


def test_a_rate_keeps_two_figures_where_rounding_carries_over() -> None:
    assert theme.rate(-0.0999) == "−0.10"
    assert theme.rate(0.996) == "+1.0"
    assert theme.rate(99.7) == "+100"


@pytest.mark.parametrize(("rows", "note"), [(3, ""), (4, "1 more area in a file."), (5, "2 more areas in a file.")])
def test_what_a_table_leaves_out_is_said_in_the_right_number(rows: int, note: str) -> None:
    frame = pl.DataFrame({"a": range(rows)})
    columns = [tables.Column("A", tables.figures("a"))]
    built = tables.build("", frame, columns, 3, rest=("area", "areas"), where="in a file")
    assert (len(built.rows), built.note) == (3, note)


def weeks_in(svg: str) -> list[str]:
    return re.findall(r">([\d,]+)</text>", svg)


@pytest.mark.parametrize(("most", "ticks"), [(1, ["0", "1"]), (2, ["0", "1", "2"]), (3, ["0", "1", "2", "3"])])
def test_few_installs_are_counted_in_whole_ones(most: int, ticks: list[str]) -> None:
    states = pl.DataFrame({"area": ["A"], "state": ["in range"], "rank": [2], "installs": [most]})
    spec = whole(charts.fleet_state_chart(states))
    assert weeks_in(drawn_svg({**spec, "width": 640}, theme.LIGHT)) == ticks


def fullest(weeks: list[tuple[int, float, float]], forward: int = 0) -> tuple[str, dict[str, Any]]:
    """weeks: number of the week, hours by the present interval, hours planned."""
    monday = date(2026, 3, 16)
    frame = pl.DataFrame(
        [(monday + timedelta(days=7 * k), h, p) for k, h, p in weeks],
        schema={"week": pl.Date, "interval_h": pl.Float64, "planned_h": pl.Float64},
        orient="row",
    )
    moved = pl.DataFrame(
        [(0, "A", monday + timedelta(days=7 * weeks[-1][0]), forward, 2.0 * forward)] if forward else [],
        schema={
            "area_no": pl.Int64,
            "area": pl.String,
            "interval_week": pl.Date,
            "visits": pl.Int64,
            "hours": pl.Float64,
        },
        orient="row",
    )
    context: dict[str, Any] = {}
    late = pl.DataFrame({"visits": [1], "hours": [1.5]})
    figures = staffing_choices.fullest_weeks(frame, moved, late, context)
    return plain(figures[0].finding), context


def test_the_fullest_weeks_are_neighbours_also_where_weeks_between_have_no_visit() -> None:
    # Eight rows with gaps span 21 weeks; the eight weeks from the 13th on hold 12 of the 15 hours.
    said, context = fullest(
        [(0, 1, 9), (3, 1, 0), (7, 1, 0), (13, 3, 0), (14, 3, 0), (18, 3, 0), (19, 2, 0), (20, 1, 0)]
    )
    assert "run from 15 Jun 2026 to 9 Aug 2026 and need 12 h; the plan puts 0 h there." in said
    assert plain(context["peak_words"][0]).startswith("As planned, the 8 fullest weeks run from 16 Mar 2026 to 10 May")


def test_visits_brought_forward_are_counted_in_words_that_agree() -> None:
    flat = [(k, 1.0, 1.0) for k in range(9)]
    assert not any("brought forward" in s for s in fullest(flat)[1]["peak_words"])
    one = [plain(s) for s in fullest([*flat[:-1], (8, 5.0, 1.0)], forward=1)[1]["peak_words"]]
    assert any(s.startswith("1 visit (2 h) due") and "intervals is brought forward" in s for s in one)
    assert any("1 visit (2 h) was due by the present intervals before the plan begins" in s for s in one)


def test_the_weeks_of_the_visits_page_begin_with_the_plans(tmp_path: Path) -> None:
    # As of a Wednesday the plan begins on the Monday after: the days before have no week of it.
    with small_store() as store:
        store.run("update run_facts set value = '2026-03-11' where key = 'as_of'")
        monday, planned = store.rows(
            "select min(planned_week), count(*) filter (planned_week < date '2026-03-16' + 28) from visit_plan"
        )[0]
        assert monday == date(2026, 3, 16)
        made = prepare(store, settings_from({}), tmp_path / "site")
        visits_of(store, made)
        made.finish()
    page = plain(text_of(tmp_path / "site" / "visits.html"))
    assert f"{planned} visits planned for the four weeks from 16 Mar 2026" in page
    assert "16 Mar" in page[page.index("For the phone") :]
    assert "9 Mar" not in page


def test_an_install_of_which_nothing_is_known_is_given_no_chance(tmp_path: Path) -> None:
    with small_store() as store:
        store.run("""
            update forecasts set p_out_now = null, due_on = null, state = 'unknown', out_p10_on = null,
                out_p50_on = null, out_p90_on = null, last_value = null, last_on = null;
            update visit_plan set p_out_at_planned = null, p_out_at_interval = null;
            update current_installs set site_label = '  '
        """)
        made = prepare(store, settings_from({}), tmp_path / "site")
        visits_of(store, made)
        made.finish()
    card = (tmp_path / "site" / "phone" / "area-00.html").read_text(encoding="utf-8")
    assert "Chance of being out in the planned week" not in card
    assert re.search(r'<h2 class="who"><bdi>I0\d+</bdi>', card), "a blank name is none"


def test_a_tag_shows_that_a_value_is_out(tmp_path: Path) -> None:
    with small_store() as store:
        flue = "indicator = 'flue_over_return_k' and firing = 'high'"
        store.run(f"""
            update limits set limit_high = 30 where series_no = (select min(series_no) from forecasts where {flue});
            update derived set flue_over_return_k = 30.04 where stage = 'as_left' and firing = 'high'
        """)
        made = prepare(store, settings_from({}), tmp_path / "site")
        tags_of(store, made, settings_from({}))
        made.finish()
    told = plain("".join(text_of(p) for p in (tmp_path / "site" / "tags").glob("*.html")))
    assert "▲ 30.04 K" in told
    assert "≤ 30.0 K at high fire" in told  # a value of low fire stands beside it, which this limit is not for
    assert "≤ 400 ppm at high fire" not in told


def test_two_areas_of_one_name_stay_two(tmp_path: Path) -> None:
    with small_store() as store:
        store.run("update current_areas set name = 'North' where area_id in ('A0', 'A1')")
        settings = settings_from({})
        made = prepare(store, settings, tmp_path / "site")
        front_of(store, made)
        staffing_of(store, made, settings)
        visits_of(store, made)
        made.finish()
        every = dict(store.rows("select area_id, count(*) from current_installs group by area_id"))
    site = tmp_path / "site"
    assert "North (A0)" in text_of(site / "visits" / "area-00.html")
    rows = re.findall(
        r"<tr><th[^>]*><bdi>(.*?)</bdi></th>.*?<td[^>]*>(\d+)</td></tr>", (site / "index.html").read_text()
    )
    told = {name: int(count) for name, count in rows if name.startswith(("North", "Valley"))}
    assert told == {"North (A0)": every["A0"], "North (A1)": every["A1"], "Valley 2": every["A2"]}
    options = re.findall(r"<option>(.*?)</option>", (site / "staffing.html").read_text(encoding="utf-8"))
    assert sorted(options) == ["All areas", "North (A0)", "North (A1)", "Valley 2"]


@pytest.mark.parametrize("balance", [[1.4, 9.4], [-3.0, -1.0], [-2.0, 5.0], [0.0, 0.0], [None, 2.0]])
def test_neither_short_nor_spare_has_the_colour_between(balance: list[float | None]) -> None:
    monday = date(2026, 3, 16)
    weeks = pl.DataFrame(
        {
            "area": ["A", "B"],
            "week": [monday] * 2,
            "week_end": [monday + timedelta(days=6)] * 2,
            "visits": [1, 1],
            "hours_needed": [1.0, 1.0],
            "hours_available": [1.0, 1.0],
            "balance": pl.Series(balance, dtype=pl.Float64),
        }
    )
    scale = charts.hours_heat_chart(weeks, have_capacity=True).to_dict()["encoding"]["color"]["scale"]
    assert scale["domainMin"] <= 0 < scale["domainMax"]
    assert scale["domainMid"] == 0
