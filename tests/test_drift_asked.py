"""What is asked of fits: numpy over the readings at hand against statements over the store, written independently."""

from __future__ import annotations

import shutil

import numpy as np
import polars as pl
import pytest

from models.known.read_at import ReadAt, rising
from pipeline.schema import SERIES
from pipeline.stages.drift_asked import Asked, Asking, last_values
from pipeline.stages.drift_inputs import series_rows
from pipeline.store import Store

DRIFTING = [series for series in SERIES if series.reset_class != "none"]
NEWEST = """
    select n.install_no, n.series_no, n.last_value,
        case when n.last_place % 2 = 0 then 'as_found' else 'as_left' end as last_stage, n.last_on,
        s.reset_class = 'none' or n.cycle_no = c.cycle_no as of_open_cycle
    from (
        select install_no, series_no, max(2 * visit_no + stage_order) as last_place,
            arg_max(value, 2 * visit_no + stage_order) as last_value,
            arg_max(visited_on, 2 * visit_no + stage_order) as last_on,
            arg_max(cycle_no, 2 * visit_no + stage_order) as cycle_no
        from observations where usable group by all
    ) n
    join series s on s.series_no = n.series_no
    left join (select install_no, reset_class, max(cycle_no) as cycle_no from cycles group by all) c
        on c.install_no = n.install_no and c.reset_class = s.reset_class
    order by n.series_no, n.install_no
"""
OPEN = """
    select o.install_no, o.cycle_no, o.opened_by, o.opened_day, b.value as value_before,
        greatest(k.now_h - coalesce(o.opened_h, 0), 0) as hours_open
    from drift_opened o
    join install_clock k on k.install_no = o.install_no
    left join observations b on b.series_no = o.series_no and b.visit_no = o.opened_visit_no and b.stage_order = 0
        and b.usable and b.cycle_no < o.cycle_no
    where o.series_no = $k
    qualify row_number() over (partition by o.install_no order by o.cycle_no desc) = 1
    order by o.install_no
"""
SILENT = """
    with opened as (
        select install_no, max(cycle_no) as cycle_no, coalesce(max(opened_visit_no), -1) as opened
        from drift_opened where series_no = $k group by install_no
    ), heard as (
        select v.install_no, o.cycle_no, v.visit_no, k.now_h - v.clock_h as since_h, u.visit_no is not null as unsure,
            max(u.visit_no) over (partition by v.install_no) as newest,
            (select max(2 * r.visit_no + r.stage_order) from drift_values r
                where r.series_no = $k and r.install_no = v.install_no) as latest,
            (select r.value from drift_values r
                where r.series_no = $k and r.visit_no = v.visit_no and r.stage_order = 0) as value
        from visit_clock v
        join opened o on o.install_no = v.install_no and v.visit_no > o.opened
        join install_clock k on k.install_no = v.install_no
        left join drift_unsaid u on u.series_no = $k and u.visit_no = v.visit_no
    )
    select install_no, cycle_no, visit_no, greatest(since_h, 0) as since_h, unsure, value from heard
    where case when unsure then visit_no = newest and coalesce(latest, -1) <= 2 * visit_no
        else coalesce(latest, -1) < 2 * visit_no end
    order by install_no, visit_no
"""


@pytest.fixture(scope="module")
def store(sample_run, tmp_path_factory):
    path = tmp_path_factory.mktemp("asked") / "fleet.duckdb"
    shutil.copy(sample_run / "fleet.duckdb", path)
    with Store.open(path) as opened:
        opened.run_file("70_drift_inputs.sql")
        yield opened


def test_the_newest_values_are_those_of_the_store(store):
    found = pl.concat(map(last_values, series_rows(store, SERIES)))
    expected = store.frame(NEWEST)
    assert found.rows() == expected.rows()
    assert 0 < (~found["of_open_cycle"]).sum() < found.height
    assert found.rows() == store.rows("from last_values order by series_no, install_no")


def test_open_cycles_are_the_newest_with_what_was_found_before_them(store):
    asking, before = Asking(store), 0
    for rows in series_rows(store, DRIFTING):
        found = asking.of(rows).open
        assert found.rows() == store.frame(OPEN, {"k": rows.series.series_no}).rows()
        before += found["value_before"].count()
    assert before > 0


def test_visits_are_silent_where_the_store_says_so(store):
    asking, read = Asking(store), 0
    for rows in series_rows(store, DRIFTING):
        silent, expected = asking.of(rows).visits.silent, store.frame(SILENT, {"k": rows.series.series_no})
        assert silent.drop("since_h").rows() == expected.drop("since_h").rows()
        np.testing.assert_allclose(silent["since_h"], expected["since_h"])
        read += silent["value"].count()
    assert read > 0


def test_some_installs_after_the_other_are_told_what_all_are_at_once(store):
    asking, installs = Asking(store), store.scalar("select count(*) from drift_installs")
    for rows in series_rows(store, SERIES):
        blocks = list(rows.blocks(installs // 7))
        assert len(blocks) > 5
        assert pl.concat(map(last_values, blocks)).equals(last_values(rows))
        if rows.series.reset_class == "none":
            continue
        found, whole = Asked.joined([asking.of(block) for block in blocks]), asking.of(rows)
        assert found.cycles.equals(whole.cycles)
        for name, frame in vars(whole.visits).items():
            assert getattr(found.visits, name).equals(frame), name


def test_cycles_tell_what_was_found_at_the_visit_that_opened_them(store):
    told = """
        select o.install_no, o.cycle_no, b.value
        from drift_opened o
        left join drift_values b on b.series_no = o.series_no and b.visit_no = o.opened_visit_no and b.stage_order = 0
            and b.cycle_no < o.cycle_no
        where o.series_no = $k order by o.install_no, o.cycle_no
    """
    for rows in series_rows(store, DRIFTING):
        found = rows.inputs(pl.DataFrame({"install_no": [], "model_no": [], "design_no": []})).cycles
        expected = store.frame(told, {"k": rows.series.series_no})
        assert found.select("install_no", "cycle_no", "value_before").rows() == expected.rows()


@pytest.mark.parametrize("apart", [1, 1000])
def test_readings_are_found_by_visit_stage_and_install(apart):
    visits = np.array([0, 0, 1, 3, 4, 4]) * apart
    readings = pl.DataFrame(
        {"install_no": [0, 0, 0, 2, 2, 2], "visit_no": visits, "stage_order": [0, 1, 1, 0, 0, 1],
         "value": [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]},
    )[[4, 0, 5, 2, 1, 3]]  # fmt: skip
    read = ReadAt.of(readings)
    assert readings[read.row]["value"].to_list() == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    found = read.values(read.found(np.array([0, 1, 2, 3, 4, -1]) * apart))
    np.testing.assert_array_equal(found, [1.0, np.nan, np.nan, 4.0, 5.0, np.nan])
    assert read.latest(np.array([2, 1, 0])).tolist() == [8 * apart + 1, -1, 2 * apart + 1]
    assert rising(np.array([], dtype=np.int64)).shape == (0,)
