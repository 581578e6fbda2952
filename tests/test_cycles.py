"""The cycles stage: where each visit stands in the cycles, and how those were opened."""

from __future__ import annotations

from datetime import date

import pytest
from made_store import made_store

from pipeline.settings import Settings
from pipeline.stages.cycles import cycles
from pipeline.store import Store


def clocked(*args, **kwargs) -> Store:
    store = made_store(*args, **kwargs)
    cycles(store, Settings())
    return store


def test_a_cleaning_closes_the_cycle_as_found_and_opens_the_next_as_left():
    store = clocked(
        [{}],
        [
            {"install_no": 0, "visited_on": "2016-01-01", "burner_hours": 1600, "exchanger_cleaning": "none"},
            {"install_no": 0, "visited_on": "2017-01-01", "burner_hours": 3200, "exchanger_cleaning": "brush"},
            {"install_no": 0, "visited_on": "2018-01-01", "burner_hours": 4800, "exchanger_cleaning": None},
            {"install_no": 0, "visited_on": "2019-01-01", "burner_hours": 6400, "exchanger_cleaning": "rinse"},
        ],
        [{"visit_no": n, "stage": "as_found", "flue_over_return_k": 10.0} for n in range(4)],
    )
    found = store.rows(
        "select o.cycle_no, c.rst_exchanger, c.clock_h - o.hours_in_cycle from observations o "
        "join visit_clock c using (visit_no) where o.series_no = 0 order by visit_no"
    )
    assert found == [(0, False, 1600), (0, True, 1600), (1, False, 3200), (1, True, 3200)]
    opened = store.rows(
        "select cycle_no, opened_visit_no, opened_by, opened_h from cycles "
        "where reset_class = 'exchanger' order by cycle_no"
    )
    assert opened == [(0, None, "unknown", 1600), (1, 1, "brush", 3200), (2, 3, "rinse", 6400)]


def test_a_cycle_of_unknown_start_begins_with_the_records_or_a_later_installation():
    installs = [{}, {"installed_on": date(2017, 7, 1)}, {"installed_on": date(2014, 1, 1)}, {}]
    visits = [
        {"install_no": 0, "visited_on": "2017-01-01", "burner_hours": 3200},
        {"install_no": 1, "visited_on": "2018-01-01"},
        {"install_no": 2, "visited_on": "2019-01-01"},
    ]
    store = clocked(installs, visits, [])
    rows = store.rows("select started_on, started_by, started_h from install_clock order by install_no")
    assert [str(r[0]) for r in rows] == ["2017-01-01", "2017-07-01", "2017-01-01", "2017-01-01"]
    assert {r[1] for r in rows} == {"unknown"}
    assert rows[0][2] == 3200
    assert rows[1][2] == 0
    assert rows[2][2] == pytest.approx(3 * 1600, rel=0.05)  # three years at the stated 1,600 h


def test_each_reset_class_has_its_own_events():
    store = clocked(
        [{}],
        [
            {"install_no": 0, "visited_on": "2016-01-01", "burner_adjusted": True},
            {"install_no": 0, "visited_on": "2017-01-01", "trap_cleaned": True, "media_renewed": True},
            {"install_no": 0, "visited_on": "2018-01-01", "electrodes_cleaned": True, "exchanger_cleaning": "chemical"},
            {"install_no": 0, "visited_on": "2019-01-01", "burner_adjusted": True, "exchanger_cleaning": "brush"},
        ],
        [],
    )
    opened = store.rows("select reset_class, cycle_no, opened_by from cycles where cycle_no > 0 order by all")
    assert opened == [
        ("burner", 1, "adjusted"),
        ("burner", 2, "chemical"),
        ("burner", 3, "adjusted"),
        ("electrodes", 1, "cleaned"),
        ("exchanger", 1, "chemical"),
        ("exchanger", 2, "brush"),
        ("media", 1, "renewed"),
        ("trap", 1, "cleaned"),
    ]


def test_a_first_commissioning_begins_cycle_nought_as_new_and_a_later_one_begins_another():
    store = clocked(
        [{}, {}],
        [
            {"install_no": 0, "visited_on": "2015-01-01", "purpose": "commissioning", "burner_adjusted": True},
            {"install_no": 0, "visited_on": "2016-01-01"},
            {"install_no": 0, "visited_on": "2017-01-01", "purpose": "commissioning"},
            {"install_no": 1, "visited_on": "2016-01-01"},
        ],
        [],
    )
    assert store.rows(
        "select install_no, cycle_no, opened_visit_no, opened_by from cycles where reset_class = 'burner' order by all"
    ) == [(0, 0, 0, "new"), (0, 1, 2, "new"), (1, 0, None, "unknown")]
    assert store.rows("select cyc_trap, rst_trap from visit_clock order by visit_no") == [
        (0, False),
        (0, False),
        (0, True),
        (0, False),
    ]


def test_every_install_has_a_clock_though_never_visited():
    store = clocked(
        [{}, {"burner_hours_per_year": None}, {"burner_hours_per_year": None}],
        [{"install_no": 0, "visited_on": "2016-01-01", "burner_hours": 1650}],
        [],
        as_of="2017-01-01",
    )
    rows = store.rows("select install_no, basis, hours_per_year, now_h from install_clock order by install_no")
    assert [r[1] for r in rows] == ["counter", "fleet", "fleet"]
    assert rows[0][3] == pytest.approx(1650 + rows[0][2] * 366 / 365, rel=0.01)
    assert rows[1][3] == pytest.approx(2 * rows[1][2], rel=0.01)


def test_a_mistyped_counter_is_told_with_file_and_line():
    visits = [{"install_no": 0, "visited_on": f"{2015 + y}-01-01", "burner_hours": 1600 * y} for y in range(1, 6)]
    visits[2]["burner_hours"] = 48000
    store = clocked([{}], visits, [])
    told = store.rows('select file, line, "column", value, visit_id, misleads from clock_findings')
    assert told == [("visits/one.csv", 4, "burner_hours", "48000.0", "V002", False)]


def test_keys_are_unique():
    visits = [
        {
            "install_no": i,
            "visited_on": f"{2016 + y}-01-01",
            "exchanger_cleaning": "brush",
            "burner_adjusted": y % 2 == 0,
        }
        for i in range(3)
        for y in range(4)
    ]
    store = clocked([{}, {}, {}], visits, [])
    for table, key in (
        ("cycles", "install_no, reset_class, cycle_no"),
        ("visit_clock", "visit_no"),
        ("install_clock", "install_no"),
        ("limits", "install_no, series_no"),
        ("limit_rules", "model_id, fuel, series_no"),
    ):
        assert store.rows(f"select {key} from {table} group by {key} having count(*) > 1") == []
        assert store.scalar(f"select count(*) from {table}") > 0
