"""What the pages say first, and of what they cannot be sure of."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
from page_store import built_site, small_store, text_of
from page_tables import AS_OF

from pipeline.settings import settings_from
from pipeline.stages.pages import front_of, prepare, staffing_of
from reports import theme


def test_without_capacity_the_page_says_what_it_cannot_say(tmp_path: Path) -> None:
    with small_store(capacity=False) as store:
        settings = settings_from({})
        made = prepare(store, settings, tmp_path / "site")
        staffing_of(store, made, settings)
        made.finish()
    page = text_of(tmp_path / "site" / "staffing.html")
    assert "capacity.csv gave no hours" in page
    assert "Hours there are" not in page
    assert "h are short" not in page


def test_the_front_page_says_where_the_limit_is_in_doubt(tmp_path: Path) -> None:
    with small_store() as store:
        made = prepare(store, settings_from({}), tmp_path / "site")
        front_of(store, made)
        plain = made.finish() and text_of(tmp_path / "site" / "index.html")
        pressing = store.rows("select install_no, series_no from forecasts semi join page_first using (install_no)")
        store.write("excused_readings", pl.DataFrame(pressing, schema=["install_no", "series_no"], orient="row"))
        front_of(store, made)
        made.finish()
    assert pressing
    assert "limit in doubt" not in plain
    assert "; limit in doubt)" in text_of(tmp_path / "site" / "index.html")


def test_what_presses_comes_before_limits_in_doubt_and_water_pressure(tmp_path: Path) -> None:
    with small_store() as store:
        # of the first three installs one misses only a limit in doubt, one only the water pressure's, one its own limit
        store.run("""
            update forecasts set state = 'in_range', p_out_now = 0.01, due_on = null;
            update forecasts set state = 'out_of_range', p_out_now = 0.99, last_value = 1.1 * limit_high
            where install_no = 0 and series_no = 0;
            update forecasts set state = 'out_of_range', last_value = 80, limit_low = 83 where install_no = 1
            and indicator = 'system_pressure_kpa';
            update forecasts set state = 'out_of_range', p_out_now = 0.3, last_value = 1.1 * limit_high
            where install_no = 2 and series_no = 0;
        """)
        doubted = pl.DataFrame({"install_no": [0], "series_no": [0]})
        store.write("excused_readings", doubted)
        store.run("""
            create or replace table plan_readings as
            select install_no, false as co_out, install_no = 2 as at_once, install_no = 0 as limit_doubted_out,
                limit_doubted_out as limit_doubted
            from current_installs
        """)
        made = prepare(store, settings_from({}), tmp_path / "site")
        front_of(store, made)
        made.finish()
        assert store.rows("select install_no from page_first order by place") == [(2,), (0,), (1,)]
    page = text_of(tmp_path / "site" / "index.html")
    assert (
        "1 of them is pressing; the others miss only a limit that is in doubt (1) or that of the water pressure (1)."
        in page
    )


def test_of_co_out_of_range_the_furthest_out_comes_first(tmp_path: Path) -> None:
    with small_store() as store:
        # CO of install 5 is 1.004 times its limit, which rounds to the limit itself, of install 7 three times; flue
        # temperature of install 7 is out, too, and surer to be
        store.run(f"""
            update forecasts set state = 'in_range', p_out_now = 0.01, due_on = null;
            update forecasts set state = 'out_of_range', p_out_now = 0.97, limit_high = 100, limit_low = null,
                last_value = case install_no when 5 then 100.4 else 300 end
            where install_no in (5, 7) and indicator = 'co_air_free_ppm' and firing = 'high';
            update forecasts set state = 'out_of_range', p_out_now = 0.99, last_value = 1.2 * limit_high
            where install_no = 7 and series_no = 0;
            update visit_plan set planned_week = {AS_OF.isoformat()!r}, area_id = 'A0'
            where install_no in (3, 5, 7);
            update current_installs set area_no = 0 where install_no in (3, 5, 7);
            update visit_plan set p_out_at_planned = 0.99 where install_no = 3;
            create or replace table plan_readings as
            select install_no, install_no in (5, 7) as co_out, false as at_once, false as limit_doubted_out,
                false as limit_doubted
            from current_installs
        """)
        made = prepare(store, settings_from({}), tmp_path / "site")
        front_of(store, made)
        made.finish()
        assert store.rows("select install_no from page_first order by place limit 2") == [(7,), (5,)]
        cards = store.rows("select install_no from page_cards where area_no = 0 order by card_no limit 3")
        assert cards == [(7,), (5,), (3,)]
        first = "select indicator from page_card_series where install_no = 7 and pressing = 1"
        assert store.scalar(first) == "co_air_free_ppm"
    assert "100.4 ppm (at most 100 ppm)" in text_of(tmp_path / "site" / "index.html").replace("\u00a0", " ")


def test_a_value_from_before_the_last_work_is_not_taken_for_that_of_now(tmp_path: Path) -> None:
    with small_store() as store:
        store.run("""
            update forecasts set state = 'in_range', p_out_now = 0.01, due_on = null;
            update forecasts set state = 'unknown', p_out_now = 0.4, due_on = as_of, last_value = 168, limit_high = 120,
                limit_low = null, last_stage = 'as_found'
            where install_no in (5, 7) and indicator = 'co_air_free_ppm' and firing = 'high';
            update forecasts set limit_high = null where install_no = 7;  -- no range at all
        """)
        settings = settings_from({})
        made = prepare(store, settings, tmp_path / "site")
        front_of(store, made)
        made.finish()
        told = dict(store.rows("select install_no, before_work from page_series_state where label like 'CO%high%'"))
    assert "168 ppm before the last work, not read since (at most 120 ppm)" in text_of(
        tmp_path / "site" / "index.html"
    ).replace("\u00a0", " ")
    assert [install for install, before in told.items() if before] == [5]


def test_names_are_sorted_as_people_do() -> None:
    names = ["Ward 10", "ward 2", "Ward 1", None, "9" * 5000, "Ward 02b", "Ward", "7"]
    ordered = [None, "7", "9" * 5000, "Ward", "Ward 1", "ward 2", "Ward 02b", "Ward 10"]
    assert sorted(names, key=theme.by_name) == ordered


def test_a_folded_card_says_what_presses_and_is_found_by_it() -> None:
    page = (built_site() / "visits" / "area-00.html").read_text(encoding="utf-8")
    cards = re.findall(r'<details class="card.*?</details>', page, re.DOTALL)
    told = {card: re.search(r'<span class="presses">(.*?)</span>', card) for card in cards}
    assert any(told.values())
    for card, presses in told.items():
        reasons = re.search(r"<h3>Why now</h3><ul>(.*?)</ul>", card, re.DOTALL)
        assert reasons is not None
        if presses is not None:
            assert presses[1].lower() in re.search(r'data-find="(.*?)"', card)[1]
            assert reasons[1].startswith(f"<li>{presses[1]}: ")


def test_both_ends_of_an_analysers_interval_have_the_digits_of_their_unit() -> None:
    page = text_of(built_site() / "appliance-models.html").replace("\u00a0", " ")
    assert "+0.30 %" in page
    assert "+0.20 to +0.40 %" in page
