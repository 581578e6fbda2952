"""Visits that leave open whether work was done, and the cycles they put in doubt."""

from __future__ import annotations

import shutil

import numpy as np
import polars as pl

from models.known.doubts import doubted_cycles, silent_visits, usual_work
from models.known.read_at import ReadAt
from models.trial.past import History, stand_at
from pipeline.schema import SERIES
from pipeline.stages.cycles import as_of_day, load_calendar
from pipeline.stages.drift_asked import Asking
from pipeline.stages.drift_inputs import series_rows
from pipeline.stages.past_forecasts import pick_tried, sampled_counters
from pipeline.store import Store


def test_only_the_newest_open_visit_with_nothing_read_after_it_leaves_a_doubt():
    now = pl.DataFrame(
        {"install_no": [0, 1, 2, 3, 4], "cycle_no": [2, 0, 1, 0, 1], "opened_visit_no": [10, None, 31, None, 50],
         "now_h": [9000.0] * 5},
    )  # fmt: skip
    unsaid = pl.DataFrame(
        # before the cycle began, twice in it, read as left, read later, and at the visit that opened the cycle
        {"install_no": [0, 0, 0, 1, 2, 4], "visit_no": [9, 12, 14, 21, 33, 50], "day": [1, 2, 3, 4, 5, 6],
         "clock_h": [100.0, 4000.0, 6000.0, 500.0, 700.0, 800.0]},
    )  # fmt: skip
    readings = pl.DataFrame(
        {"install_no": [0, 0, 1, 1, 2], "visit_no": [12, 14, 21, 21, 34], "stage_order": [0, 0, 0, 1, 0],
         "value": [15.0, 18.0, 20.0, 9.0, 12.0]},
    )  # fmt: skip
    told = doubted_cycles(now, unsaid, ReadAt.of(readings), "rinse")
    assert told.rows() == [(0, 3, "rinse", 3, 18.0, 3000.0)]
    unread = doubted_cycles(now, unsaid, ReadAt.of(readings.clear()), None)
    assert unread["install_no"].to_list() == [0, 1, 2]
    assert unread["value_before"].to_list() == [None] * 3


def test_visits_are_heard_from_the_last_reading_of_the_open_cycle_on():
    now = pl.DataFrame(
        {"install_no": [0, 1, 2], "cycle_no": [2, 0, 1], "opened_visit_no": [10, None, 30], "now_h": [9000.0] * 3}
    )
    visits = pl.DataFrame(
        {"install_no": [0, 0, 0, 0, 1, 1, 1, 2, 2], "visit_no": [10, 11, 12, 13, 20, 21, 22, 30, 31],
         "clock_h": [1000.0, 2000.0, 3000.0, 4000.0, 500.0, 600.0, 9100.0, 100.0, 200.0]},
    )  # fmt: skip
    unsaid = pl.DataFrame({"install_no": [1, 1, 2], "visit_no": [20, 22, 31]})
    readings = pl.DataFrame(
        # after the first visit of the cycle; none; as found at the visit that leaves it open
        {"install_no": [0, 0, 2], "visit_no": [10, 11, 31], "stage_order": [1, 0, 0], "value": [8.0, 9.0, 30.0]}
    )
    told = silent_visits(now, visits, unsaid, ReadAt.of(readings))
    assert told.rows() == [
        (0, 2, 12, 6000.0, False, None), (0, 2, 13, 5000.0, False, None),
        (1, 0, 21, 8400.0, False, None), (1, 0, 22, 0.0, True, None),
        (2, 1, 31, 8800.0, True, 30.0),
    ]  # fmt: skip


def test_the_usual_work_is_no_beginning():
    assert usual_work(["brush", "new", "rinse", "unknown"], np.array([1, 3, 2, 2])) == "rinse"
    assert usual_work(["brush", "rinse"], np.array([2, 2])) == "brush"
    assert usual_work(["new", "unknown"], np.array([3, 1])) is None
    assert usual_work([], np.zeros(0)) is None


def test_the_trial_at_the_last_day_doubts_what_the_forecast_doubts(sample_run, tmp_path):
    shutil.copy(sample_run / "fleet.duckdb", tmp_path / "fleet.duckdb")
    some = silent = 0
    with Store.open(tmp_path / "fleet.duckdb") as store:
        store.run_file("70_drift_inputs.sql")
        counted = sampled_counters(store, load_calendar(store))
        pick_tried(store)
        tried = pl.Series("install_no", counted.install_no).cast(pl.Int32)
        installs = store.frame("select * from drift_installs").filter(pl.col("install_no").is_in(tried.implode()))
        members = [series for series in SERIES if series.reset_class != "none"]
        asking = Asking(store)
        for whole, rows in zip(series_rows(store, members), series_rows(store, members, of="tried"), strict=True):
            series, asked = rows.series, asking.of(whole)
            expected = asked.doubted.filter(pl.col("install_no").is_in(tried.implode()))
            stand = stand_at(as_of_day(store), History.of(rows.inputs(installs, visits=True), counted))
            found = stand.doubted
            same = ["install_no", "cycle_no", "opened_day", "value_before"]
            assert found.select(same).rows() == expected.select(same).rows(), series.indicator
            # hours without a counter lean on the installs at hand, and these are some of them
            np.testing.assert_allclose(found["hours_open"], expected["hours_open"], rtol=0.1)
            some += found.height
            heard = asked.visits.silent.filter(pl.col("install_no").is_in(tried.implode()))
            same = ["install_no", "cycle_no", "visit_no", "unsure", "value"]
            assert stand.silent.select(same).rows() == heard.select(same).rows(), series.indicator
            assert set(found["install_no"]) == set(heard.filter("unsure")["install_no"])
            silent += heard.height
    assert some > 5
    assert silent > some
