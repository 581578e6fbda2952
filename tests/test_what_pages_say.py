"""What the pages say first, and of what they cannot be sure of."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest
from page_store import built_site, small_store, text_of
from page_tables import AS_OF

from pipeline.settings import settings_from
from pipeline.stages.pages import front_of, models_of, prepare, staffing_of
from pipeline.store import Store
from reports import theme
from reports.pages import trust
from reports.pages.front import headlines
from reports.site import Figure


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


def models_page_of(store: Store, folder: Path) -> str:
    made = prepare(store, settings_from({}), folder)
    models_of(store, made)
    made.finish()
    return text_of(folder / "appliance-models.html").replace("\u00a0", " ")


def test_readings_without_a_known_limit_are_not_said_to_lie_within_one(tmp_path: Path) -> None:
    with small_store() as store:
        judged = models_page_of(store, tmp_path / "judged")
        store.run("update limits set limit_low = null, limit_high = null where series_no = 0 and install_no % 4 = 1")
        none = models_page_of(store, tmp_path / "none")
        store.run("update limits set limit_high = 18.0 + install_no / 10 where series_no = 0 and install_no % 4 = 1")
        each = models_page_of(store, tmp_path / "each")
        states = dict(store.rows("select state, count(*) from page_model_points where series_no = 0 group by 1"))
    assert re.search(r"Alder 25: \d+ of \d+ readings lie outside \(at most", judged)
    assert re.search(r"Alder 25: no limit is known; \d+ readings", none)
    assert re.search(r"Alder 25: \d+ of \d+ readings lie outside \(the limit differs from install to install\)", each)
    assert set(states) == {"in range", "out of range"}


def test_a_sample_of_readings_is_said_to_be_one(tmp_path: Path) -> None:
    with small_store(installs=160) as store:  # 36 installs of a model that were visited five times, two tests each
        page = models_page_of(store, tmp_path)
    assert re.search(r"\d+ of a sample of 150 readings lie outside", page)


def test_what_is_in_doubt_does_not_make_a_limit_look_wrong(tmp_path: Path) -> None:
    with small_store() as store:
        store.run("update observations set value = 999, usable = false where series_no = 0 and stage = 'as_left'")
        page = models_page_of(store, tmp_path)
    assert "for Flue over return, high fire looks wrong" not in page


def test_work_that_was_hardly_measured_is_not_said_to_restore_most() -> None:
    rows = [
        ("A", "rinse", 1.5, 0.6, 2.4, 24),
        ("A", "brush", 0.7, 0.65, 0.75, 40),
        ("B", "rinse", 0.5, 0.4, 0.6, 30),
        ("B", "brush", -0.3, -1.2, 0.6, 4),
    ]
    columns = ["exchanger_design", "kind", "restored_share", "low", "high", "cycles"]
    effects = pl.DataFrame(rows, schema=columns, orient="row").with_columns(
        label=pl.lit("Flue over return"), unit=pl.lit("K"), series_no=0, value_before=20.0, value_after=12.0
    )
    figures: list[Figure] = []
    told = trust.cleaning(effects, figures)
    text = figures[0].finding.replace("\u00a0", " ")
    assert text == "Flue over return: brush on A takes away 70 % of what had built up, rinse on B 50 %."
    assert "cut off" in figures[0].note
    assert "150 %" in str(told["table"].rows).replace("\\xa0", " ")  # more than 100 %: cleaner than it began
    none: list[Figure] = []
    trust.cleaning(effects.filter(pl.col("cycles") < 25), none)
    assert none[0].finding == "Flue over return: how much work takes away cannot be told yet."


def test_only_an_end_that_most_readings_miss_looks_wrong(tmp_path: Path) -> None:
    with small_store() as store:
        o2 = "series_no = 3 and stage = 'as_left'"
        store.run(f"update observations set value = [2.0, 9.0, 5.0][1 + install_no // 4 % 3] where {o2}")
        scattered = models_page_of(store, tmp_path / "both")
        store.run(f"update observations set value = 9.0 where {o2}")
        above = models_page_of(store, tmp_path / "one")
    assert "for O2 in dry flue gas, high fire looks wrong" not in scattered
    assert "for O2 in dry flue gas, high fire looks wrong" in above


def test_media_to_buy_are_told_as_the_table_tells_them(tmp_path: Path) -> None:
    with small_store() as store:
        store.run("""
            update media_weeks set media_kg = 0;
            update media_weeks set media_kg = 4.5
            where (area_id, week) in (select area_id, week from media_weeks order by week, area_id limit 1)
        """)
        settings = settings_from({})
        made = prepare(store, settings, tmp_path / "site")
        staffing_of(store, made, settings)
        made.finish()
    page = text_of(tmp_path / "site" / "staffing.html").replace("\u00a0", " ")
    assert "4.5 kg over the plan; 4.5 kg of it in" in page
