"""The observations view: one value per row, in its cycle, with the hours since that began."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from made_store import made_store

from pipeline.findings import BIT
from pipeline.settings import Settings
from pipeline.stages.cycles import cycles
from pipeline.stages.observations import hours_type, thousandths
from pipeline.store import Store


def observed(*args, **kwargs) -> Store:
    store = made_store(*args, **kwargs)
    cycles(store, Settings())
    return store


VISITS = [
    {"install_no": 0, "visited_on": "2016-01-01", "burner_hours": 1600, "exchanger_cleaning": "none"},
    {"install_no": 0, "visited_on": "2017-01-01", "burner_hours": 3200, "exchanger_cleaning": "brush"},
    {"install_no": 0, "visited_on": "2018-01-01", "burner_hours": 4800},
]


def test_found_values_end_the_old_cycle_and_left_values_begin_the_new():
    store = observed(
        [{}],
        VISITS,
        [
            {"visit_no": n, "stage": stage, "flue_over_return_k": 10.0 + n, "o2_dry_pct": 5.0, "analyser_id": "X"}
            for n in range(3)
            for stage in ("as_found", "as_left")
        ],
    )
    rows = store.rows(
        "select visit_no, stage, cycle_no, hours_in_cycle, value, analyser_id, usable from observations "
        "join analysers using (analyser_no) where series_no = 0 order by visit_no, stage_order"
    )
    assert rows == [
        (0, "as_found", 0, 0, 10, "X", True),
        (0, "as_left", 0, 0, 10, "X", True),
        (1, "as_found", 0, 1600, 11, "X", True),
        (1, "as_left", 1, 0, 11, "X", True),
        (2, "as_found", 1, 1600, 12, "X", True),
        (2, "as_left", 1, 1600, 12, "X", True),
    ]
    assert store.scalar("select count(*) from observations where series_no = 3") == 6
    assert store.scalar("select count(*) from observations where series_no = 4") == 0  # nothing tested at low fire


def test_firings_and_indicators_go_to_their_series():
    store = observed(
        [{}],
        VISITS[:1],
        [
            {"visit_no": 0, "stage": "as_found", "firing": "high", "co_air_free_ppm": 60.0, "flame_current_ua": 4.5},
            {
                "visit_no": 0,
                "stage": "as_found",
                "firing": "low",
                "co_air_free_ppm": 30.0,
                "o2_dry_pct": 6.0,
                "flame_current_ua": 3.0,
                "flue_over_return_k": 4.0,
            },
        ],
    )
    assert store.rows("select series_no, indicator, firing, value from observations order by series_no") == [
        (1, "co_air_free_ppm", "high", 60),
        (2, "co_air_free_ppm", "low", 30),
        (4, "o2_pct", "low", 6),
        (5, "flame_current_ua", "high", 4.5),
    ]


def test_trap_and_condensate_are_seen_only_where_they_apply():
    visit = {
        "visited_on": "2016-01-01",
        "trap_drain_found_s": 14.0,
        "trap_drain_left_s": 9.0,
        "trap_cleaned": True,
        "condensate_ph_found": 6.5,
        "condensate_ph_left": 7.5,
        "media_renewed": True,
        "system_pressure_kpa": 120.0,
    }
    store = observed(
        [{"model_id": "M", "media_kg": 4.0}, {"model_id": "M"}, {"model_id": "N"}],
        [{"install_no": i} | visit for i in range(3)],
        [],
        models=[{}, {"model_id": "N", "model_no": 1, "condensing": False}],
    )
    seen = store.rows("select install_no, series_no, stage, cycle_no, value from observations order by all")
    assert [r for r in seen if r[1] == 6] == [
        (0, 6, "as_found", 0, 14),
        (0, 6, "as_left", 1, 9),
        (1, 6, "as_found", 0, 14),
        (1, 6, "as_left", 1, 9),
    ]
    assert [r for r in seen if r[1] == 7] == [(0, 7, "as_found", 0, 6.5), (0, 7, "as_left", 1, 7.5)]
    assert [r[0] for r in seen if r[1] == 8] == [0, 1, 2]


def test_misleading_and_impossible_values_stay_but_are_not_usable():
    store = observed(
        [{}],
        VISITS,
        [
            {
                "visit_no": 0,
                "stage": "as_found",
                "flue_over_return_k": 10.0,
                "co_air_free_ppm": 50.0,
                "broken": BIT["flue_below_return"],
            },
            {"visit_no": 1, "stage": "as_found", "flue_over_return_k": 10.0, "co_air_free_ppm": 0.0},
            {"visit_no": 2, "stage": "as_found", "flue_over_return_k": 10.0, "co_air_free_ppm": 55.0},
        ],
    )
    usable = "select usable from observations where series_no = ? order by visit_no"
    assert store.rows(usable, [0]) == [(False,), (True,), (True,)]
    assert store.rows(usable, [1]) == [(True,), (False,), (True,)]  # nought has no logarithm
    store.run(
        'insert into findings ("column", visit_id, stage, firing, misleads) values '
        "('flue_temp_c', 'V001', 'as_found', 'high', true), ('co_ppm', 'V002', 'as_found', 'high', false)"
    )
    cycles(store, Settings())
    assert store.rows(usable, [0]) == [(False,), (False,), (True,)]
    assert store.rows(usable, [1]) == [(True,), (False,), (True,)]
    assert store.scalar("select count(*) from observations where series_no = 0") == 3


def test_two_doubts_of_one_value_make_one_reading_of_it():
    store = observed([{}], [{"install_no": 0, "visited_on": "2016-01-01", "trap_drain_found_s": 9.0}], [])
    store.run(
        """insert into findings ("column", visit_id, misleads)
        select 'trap_drain_found_s', 'V000', true from range(2)"""
    )
    cycles(store, Settings())
    assert store.rows("select value, usable from observations where series_no = 6") == [(9.0, False)]


def test_the_test_before_the_work_of_a_commissioning_gives_way_to_the_one_after():
    store = observed(
        [{}],
        [{"install_no": 0, "visited_on": "2015-01-01", "purpose": "commissioning", "burner_adjusted": True}],
        [
            {"visit_no": 0, "stage": "as_found", "o2_dry_pct": 8.0},
            {"visit_no": 0, "stage": "as_left", "o2_dry_pct": 5.0},
        ],
    )
    rows = store.rows("select stage, cycle_no, usable from observations where series_no = 3 order by stage")
    assert rows == [("as_found", 0, False), ("as_left", 0, True)]


def test_one_row_per_install_series_visit_and_stage():
    store = observed(
        [{"media_kg": 1.0}],
        [VISITS[0] | {"trap_drain_found_s": 9.0, "condensate_ph_found": 7.0}, *VISITS[1:]],
        [
            {
                "visit_no": n,
                "stage": stage,
                "firing": firing,
                "o2_dry_pct": 5.0,
                "flame_current_ua": 4.0,
                "co_air_free_ppm": 9.0,
            }
            for n in range(3)
            for stage in ("as_found", "as_left")
            for firing in ("high", "low")
        ],
    )
    assert (
        store.rows(
            "select visit_no from observations group by install_no, series_no, visit_no, stage having count(*) > 1"
        )
        == []
    )
    assert store.scalar("select count(*) from observations") == 6 + 6 + 6 + 6 + 6 + 2


def test_a_value_on_its_limit_is_not_beyond_it_for_being_stored_short():
    # 4.4 is 4.400000095 as FLOAT (IEEE 754 binary32), the type in which derived values are kept.
    store = made_store([{}], VISITS[:1], [{"visit_no": 0, "stage": "as_left", "o2_dry_pct": 4.4}])
    store.run("alter table derived_values alter o2_dry_pct type float")
    cycles(store, Settings())
    assert store.rows("select value, value > 4.4 from observations where series_no = 3") == [(4.4, False)]


@pytest.mark.parametrize("cleanings", [254, 255, 256, 300])
def test_cycles_beyond_what_a_byte_holds_are_told_apart(cleanings: int):
    # Known truth: each visit that cleans opens one cycle, so the last as left is in cycle number `cleanings`.
    visits = [
        {"install_no": 0, "visited_on": str(date(2016, 1, 1) + timedelta(n)), "exchanger_cleaning": "brush"}
        for n in range(cleanings)
    ]
    tests = [
        {"visit_no": n, "stage": stage, "flue_over_return_k": 10.0}
        for n in (0, cleanings - 1)
        for stage in ("as_found", "as_left")
    ]
    store = observed([{}], visits, tests)
    found = store.rows("select cycle_no from observations where series_no = 0 order by visit_no, stage_order")
    assert found == [(0,), (1,), (cleanings - 1,), (cleanings,)]
    assert store.scalar("select max(cycle_no) from cycles") == cleanings


@pytest.mark.parametrize("most", [1e4, 2.09e6, 2.2e6, 4e6])
def test_hours_kept_as_thousandths_are_the_same_again(most: float):
    # Known truth: a decimal of three places is the double nearest to a whole number divided by 1000 (IEEE 754).
    hours = np.random.default_rng(7).uniform(0, most, 20_000).round(3)
    kind = hours_type(pl.DataFrame({"clock_h": hours}))
    kept = thousandths(pl.Series(hours), kind)
    assert kept.dtype == (pl.Int32 if most < 2.1e6 else pl.Int64)
    assert (kept.to_numpy() / 1000 == hours).all()
    assert [float(f"{whole // 1000}.{whole % 1000:03}") for whole in kept] == hours.tolist()


def test_readings_of_some_installs_are_those_of_all_that_are_theirs():
    # Known truth: the view itself, asked for the same installs.
    visits = [
        {"install_no": i, "visited_on": f"20{16 + n}-0{i + 1}-01", "burner_hours": 1600 * (n + 1)}
        | {"trap_cleaned": n == 1, "trap_drain_found_s": 9.0 + i, "trap_drain_left_s": 5.0}
        | {"condensate_ph_left": 7.0, "system_pressure_kpa": 120.0}
        for n in range(3)
        for i in range(3)
    ]
    tests = [
        {"visit_no": n, "stage": stage, "firing": firing, "flue_over_return_k": 10.0 + n, "o2_dry_pct": 5.0 + n}
        for n in range(9)
        for stage in ("as_found", "as_left")
        for firing in ("high", "low")
    ]
    store = observed([{"media_kg": 4.0}] * 3, visits, tests)
    for few, table in {
        "some_tests": "derived_values positional join observed_clock",
        "some_visits": "current_visits",
        "some_clock": "visit_clock",
    }.items():
        store.run(f"create table {few} as from {table} where install_no <> 1")
    few = store.rows("from observations_of('some_tests', 'some_visits', 'some_clock') order by all")
    assert few == store.rows("from observations where install_no <> 1 order by all")
    assert {series for _, series, *_ in few} == {0, 3, 4, 6, 7, 8}
