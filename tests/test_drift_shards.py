"""The fit stage of a fleet that counts as large: through files, and the same by whomever it is done."""

from __future__ import annotations

import os
import shutil
import signal
import threading
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from local_cluster import local_cluster

from models.drift.fit import FEWEST_OF_MODEL
from models.drift.series import FitOptions
from models.fleets.shards import cut, here
from pipeline.schema import SERIES
from pipeline.settings import Settings
from pipeline.stages import drift_shards
from pipeline.stages.drift_inputs import series_rows
from pipeline.stages.drift_shards import SAMPLE, InFiles, in_order, written
from pipeline.stages.fit import fit
from pipeline.stages.side_by_side import side_by_side
from pipeline.store import Store

OPTIONS = FitOptions(search_installs=120)
TABLES = {
    "drift_fit": "series_no",
    "open_cycles": "series_no, install_no",
    "model_drift": "series_no, model_no",
    "cleaning_effects": "exchanger_design, indicator, firing, kind",
    "analyser_bias": "analyser_id, indicator",
    "pace_changes": "indicator, firing, name, since",
}


def fitted(sample_run: Path, folder: Path, mapper) -> dict[str, pl.DataFrame]:
    folder.mkdir()
    shutil.copy(sample_run / "fleet.duckdb", folder / "fleet.duckdb")
    with Store.open(folder / "fleet.duckdb") as store:
        fit(store, Settings(), OPTIONS, mapper)
        assert [p.name for p in folder.iterdir() if p.is_dir()] == []  # the shards are gone
        return {name: store.frame(f"select * from {name} order by {order}") for name, order in TABLES.items()}


@pytest.fixture(scope="module")
def in_one_process(sample_run, tmp_path_factory) -> dict[str, pl.DataFrame]:
    return fitted(sample_run, tmp_path_factory.mktemp("shards") / "one", here)


def test_the_files_hold_what_the_store_holds(sample_run, tmp_path, monkeypatch):
    monkeypatch.setattr(drift_shards, "AT_ONCE", 100)  # the rows of some installs after the other
    shutil.copy(sample_run / "fleet.duckdb", tmp_path / "fleet.duckdb")
    with Store.open(tmp_path / "fleet.duckdb") as store:
        store.run_file("70_drift_inputs.sql")
        installs, both = store.frame("select * from drift_installs"), 0
        with written(store, SERIES[:6], installs, OPTIONS) as folder:
            for rows in series_rows(store, SERIES[:6]):
                series, expected = rows.series, rows.inputs(installs)
                shards = [InFiles(folder, series, k).load() for k in range(len(cut(installs)))]
                sample = InFiles(folder, series, SAMPLE).load()
                assert FEWEST_OF_MODEL < sample.installs.height < sample.readings.height
                for name in ("readings", "cycles", "installs"):
                    whole, known = getattr(expected, name), [getattr(shard, name) for shard in shards]
                    assert pl.concat(known).sort("install_no", maintain_order=True).equals(whole), name
                    of_sample = whole.join(sample.installs, on="install_no", how="semi", maintain_order="left")
                    assert getattr(sample, name).equals(of_sample), (series.indicator, name)
                both += sum(int(shard.cycles["also_cleaned"].sum()) for shard in shards)
    assert both > 0


def test_readings_come_in_the_order_of_the_fit_where_visits_share_a_day():
    rng = np.random.default_rng(5)
    n = 400
    visit = np.repeat(np.arange(n), 2)
    stage = np.tile([0, 1], n)
    install = visit // 10
    day = visit % 10 // rng.integers(1, 4, n)[visit]  # up to three visits on one day
    day = np.maximum.accumulate(day + 100 * install)
    readings = pl.DataFrame(
        {"install_no": install, "cycle_no": visit % 10 // 5, "day": day, "stage_order": stage, "visit_no": visit},
        schema={
            "install_no": pl.Int32,
            "cycle_no": pl.Int32,
            "day": pl.Int32,
            "stage_order": pl.Int8,
            "visit_no": pl.Int32,
        },
    )
    mixed = readings.sample(fraction=0.8, shuffle=True, seed=1)
    by_visit = mixed.with_row_index().sort("visit_no", "stage_order")["index"].to_numpy()
    found = mixed[in_order(mixed, by_visit)]
    assert found.equals(mixed.sort("install_no", "cycle_no", "day", "stage_order", "visit_no"))
    assert not found.equals(mixed.sort("visit_no", "stage_order"))
    assert in_order(mixed.clear(), by_visit[:0]).shape == (0,)


def test_helpers_find_the_same_digits_as_one_process(sample_run, in_one_process, tmp_path):
    shared = fitted(sample_run, tmp_path / "two", side_by_side)
    for name, expected in in_one_process.items():
        assert shared[name].equals(expected), name


def test_shards_say_what_the_fleet_says_at_once(sample_run, in_one_process):
    with Store.open(sample_run / "fleet.duckdb", read_only=True) as store:
        for name in ("open_cycles", "drift_fit", "model_drift"):
            at_once = store.frame(f"select * from {name} order by {TABLES[name]}")
            assert in_one_process[name].select(at_once.columns).height == at_once.height
        whole = in_one_process["open_cycles"]
        at_once = store.frame("select * from open_cycles order by series_no, install_no")
    assert whole["install_no"].equals(at_once["install_no"])
    assert (whole["readings"] == at_once["readings"]).mean() > 0.95  # but where work was found by one only
    same = (whole["gamma"] == at_once["gamma"]).to_numpy()
    away = ((whole["m1"] - at_once["m1"]) / at_once["v11"].sqrt()).to_numpy()[same]
    assert np.sqrt(np.mean(np.clip(away, -3, 3) ** 2)) < 0.5


def test_a_large_fleet_in_which_nothing_was_read_of_a_series(sample_run, tmp_path):
    shutil.copy(sample_run / "fleet.duckdb", tmp_path / "fleet.duckdb")
    with Store.open(tmp_path / "fleet.duckdb") as store:
        store.run("create table others as select * from observations where series_no not in (5, 7)")
        store.run("create or replace view observations as select * from others")
        fit(store, Settings(), OPTIONS, here)
        told = {r["series_no"]: r for r in store.frame("select * from drift_fit").to_dicts()}
        for series_no in (5, 7):
            assert told[series_no]["readings"] == 0
            assert "too few readings" in told[series_no]["note"]
        assert told[0]["readings"] > 0
        with_cycles = store.rows("select distinct series_no from open_cycles order by 1")
        assert with_cycles == [(0,), (1,), (2,), (3,), (4,), (6,)]  # priors alone forecast nothing
        variances = store.frame("select v00, v11 from open_cycles").to_numpy()
        assert (variances > 0).all()


def test_workers_of_a_cluster_one_of_which_is_killed_find_the_same_digits(sample_run, in_one_process, tmp_path):
    distributed = pytest.importorskip("distributed")
    from pipeline.workers import DaskWorkers, do_piece

    with (
        local_cluster(2) as made,
        distributed.Client(made, set_as_default=False) as client,
    ):
        workers, killed = DaskWorkers(client, do_piece), []

        def mapper(function, pieces):
            """Kills a worker while shards are asked for the third time."""
            asked.append(getattr(function, "__name__", ""))
            if asked.count("answer") == 3:
                killed.extend(kill_soon(client))
            return workers(function, pieces)

        asked: list[str] = []
        shared = fitted(sample_run, tmp_path / "cluster", mapper)
    assert killed
    for name, expected in in_one_process.items():
        assert shared[name].equals(expected), name


def kill_soon(client) -> list[int]:
    pid = next(iter(client.run(os.getpid).values()))
    threading.Timer(0.2, os.kill, (pid, signal.SIGKILL)).start()
    return [pid]


def test_a_worker_that_does_not_see_the_shards_says_which_setting_helps(tmp_path):
    distributed = pytest.importorskip("distributed")
    from pipeline.errors import FleetError
    from pipeline.workers import DaskWorkers, do_piece

    with (
        local_cluster(1) as made,
        distributed.Client(made, set_as_default=False) as client,
        pytest.raises(FleetError, match=r"a worker does not find .*none\.parquet.*shared_folder under \[cluster\]"),
    ):
        DaskWorkers(client, do_piece)(pl.read_parquet, [str(tmp_path / "none.parquet")])
