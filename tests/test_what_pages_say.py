"""What the pages say first, and of what they cannot be sure of."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest
from page_store import built_site, small_store, text_of
from page_tables import AS_OF

from pipeline.settings import settings_from
from pipeline.stages.pages import front_of, prepare, staffing_of
from reports import theme
from reports.pages.front import headlines


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
            update visit_plan set planned_week = (select value::date from run_facts where key = 'as_of')
                + if(install_no = 2, 7, 200)::integer where install_no < 3;
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
        "1 of them is pressing; the others miss only a limit that is in doubt (1) or the range of the water pressure "
        "(1), which brings no visit forward." in page
    )
    # those two are planned late, which is no reason to make them safe before
    assert "no planned visit within four weeks" not in page


# installs, out, in doubt, water pressure, out and late, due in 30 and in 90 days, unknown; what is said
COUNTED = [
    ((0, 0, 0, 0, 0, 0, 0, 0), ["No install is on record yet."]),
    (
        (1, 0, 0, 0, 0, 0, 0, 1),
        [
            "The one install was not out of range at its last reading.",
            "No install passes the accepted chance of being out of range (10 %) within 90 days.",
            "1 install cannot be judged",
        ],
    ),
    (
        (1, 1, 0, 0, 1, 0, 0, 0),
        ["1 install of 1 was out of range", "It has no planned visit within four weeks", "No other install passes"],
    ),
    (
        (5, 1, 0, 1, 0, 0, 2, 0),
        [
            "1 install of 5 was out of range",
            "It is not pressing: it misses only the range of the water pressure (1), which brings no visit forward.",
            "No other install passes the accepted chance of being out of range (10 %) within 30 days; 2 ",
        ],
    ),
    (
        (9, 2, 1, 0, 1, 1, 1, 2),
        [
            "2 installs of 9 were out of range",
            "1 of them is pressing; the other misses only a limit that is in doubt (1), which brings no visit forward.",
            "The pressing one has no planned visit",
            "1 other install has passed, or will within 30 days, the accepted chance of being out of range (10 %); 1 ",
            "2 installs cannot be judged",
        ],
    ),
    (
        (1200, 30, 0, 0, 4, 1100, 1150, 0),
        ["30 installs of 1,200 were", "4 of the 30 have no planned visit", "1,100 other installs have passed, or will"],
    ),
    (
        (40, 7, 2, 2, 3, 5, 5, 0),
        [
            "7 installs of 40",
            "3 of them are pressing; the others",
            "All 3 pressing ones have no",
            "5 other installs",
        ],
    ),
]


@pytest.mark.parametrize(("counted", "said"), COUNTED)
def test_the_first_sentences_agree_in_number_and_never_advise_twice(counted: tuple[int, ...], said: list[str]) -> None:
    names = ("installs", "out_now", "out_limit", "out_pressure", "out_late", "due_30", "due_90", "unknown")
    told = [s.replace("\u00a0", " ") for s in headlines(dict(zip(names, counted, strict=True)), "10 %")]
    assert len(told) == len(said)
    for sentence, begins in zip(told, said, strict=True):
        assert sentence.startswith(begins)


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
